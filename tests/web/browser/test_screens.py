"""Every screen, light and dark: axe finds nothing, and nothing is wider than the screen.

axe-core's rules follow WCAG 2.2 A and AA.
"""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from placement.democlass import GROUP
from tests.web.browser.conftest import Running, watch
from tests.web.made import make_film

PATHS = ("/", "/bring", "/groups", f"/group?name={GROUP}", "/student?code=AK", "/students",
         "/students/one?code=AK", "/keep", "/about", "/films/1/map", "/films/1/turns",
         "/films/1/check", "/films/11/check", "/films/11/turns", "/films/11/about", "/wall?film=1",
         "/clips/CLIP", "/nowhere")  # fmt: skip


@pytest.fixture(scope="module")
def clip(demo: Running) -> str:
    """A film that is brought in but not measured."""
    film = make_film(demo.films / "new.mp4", 12)
    from placement.web.clipwork import probe

    return demo.state.add_clip(film.name, film.resolve(), probe(film), owned=False)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", PATHS)
def test_axe_finds_nothing(
    browser: Browser, demo: Running, clip: str, path: str, scheme: str
) -> None:
    # The policy of the page forbids axe itself: it is lifted for this look alone.
    context = browser.new_context(
        viewport={"width": 1366, "height": 768}, color_scheme=scheme, bypass_csp=True
    )
    page = context.new_page()
    page.goto(demo.url + path.replace("CLIP", clip), wait_until="networkidle")
    found = Axe().run(page)
    said = [
        f"{v['id']} ({v['impact']}): {v['nodes'][0]['html'][:120]}"
        for v in found.response["violations"]
    ]
    context.close()
    assert said == []


@pytest.mark.parametrize("size", [(1366, 768), (1024, 768), (768, 1024)])
def test_nothing_is_wider_than_the_screen(
    browser: Browser, demo: Running, clip: str, size: tuple[int, int]
) -> None:
    context = browser.new_context(viewport={"width": size[0], "height": size[1]})
    page = context.new_page()
    troubles: list[str] = []
    watch(page, troubles, [(404, "/nowhere")])
    wide = []
    for path in PATHS:
        page.goto(demo.url + path.replace("CLIP", clip), wait_until="networkidle")
        over = page.locator("html").evaluate("e => e.scrollWidth - e.clientWidth")
        if over > 0:
            wide.append((path, over))
    context.close()
    assert wide == []
    assert troubles == []
