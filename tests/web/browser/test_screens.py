"""Every screen, light and dark: axe finds nothing, and nothing is wider than the screen.

axe-core's rules follow WCAG 2.2 A and AA.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from placement.democlass import GROUP
from tests.web.browser.conftest import Running, watch
from tests.web.browser.server import PASSWORD
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
    said = findings(page)
    context.close()
    assert said == []


def findings(page: Page) -> list[str]:
    """What axe finds on a screen as it is now."""
    return [
        f"{v['id']} ({v['impact']}): {v['nodes'][0]['html'][:120]}"
        for v in Axe().run(page).response["violations"]
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_on_the_screens_in_between(
    browser: Browser, make_running: Callable[..., Running], film_file: Path, scheme: str
) -> None:
    """Welcome, a folder, measuring, waiting, measured, keys of zones, forgotten, the end."""
    running = make_running()
    for name in ("slow.mp4", "other.mp4"):
        with (running.films / name).open("wb") as film:
            film.write(film_file.read_bytes() + name.encode())
    context = browser.new_context(
        viewport={"width": 1366, "height": 768}, color_scheme=scheme, bypass_csp=True
    )
    page = context.new_page()
    said: dict[str, list[str]] = {}

    def look(name: str) -> None:
        page.wait_for_load_state("networkidle")
        said[name] = findings(page)

    page.goto(running.url)
    look("welcome")
    page.goto(running.url + "/bring")
    page.locator(".roots button").click()
    expect(page.get_by_role("button", name="slow.mp4")).to_be_visible()
    look("folder")
    page.get_by_role("checkbox", name="slow.mp4").check()
    page.get_by_role("checkbox", name="other.mp4").check()
    page.get_by_role("button", name="bring the ticked in").click()
    look("two films")
    for name in ("slow.mp4", "other.mp4"):
        page.goto(running.url)
        page.get_by_role("link", name=name).click()
        expect(page.locator("#wait")).to_be_hidden()
        page.get_by_label("Group").fill("9B")
        page.get_by_role("button", name="Measure this film").click()
        expect(page.locator("#progress")).to_be_visible()
        said[f"measuring {name}"] = findings(page)  # the queue asks all the time: never idle
    expect(page.locator("#progress")).to_contain_text("Measured.")
    look("measured")
    page.get_by_role("link", name="Say who served").click()
    page.locator("#list").fill("AB 3 short left, CD 4")
    page.get_by_role("button", name="Use this list").click()
    expect(page.locator("#trouble li")).to_have_count(1)
    page.locator("#turns-h").click()
    page.keyboard.press("c")
    expect(page.get_by_role("button", name="9 long right")).to_be_visible()
    look("keys of zones")
    page.goto(running.url + "/students")
    page.get_by_label("Initials or candidate number").fill("EF")
    page.get_by_role("button", name="Add", exact=True).click()
    look("said")
    page.goto(running.url + "/student?code=EF")
    look("no serves")
    page.goto(running.url + "/students/one?code=EF")
    page.get_by_label("Type EF").fill("EF")
    page.get_by_role("button", name="Forget EF").click()
    look("forgotten")
    page.get_by_role("button", name="End the program").click()
    look("ended")
    context.close()
    assert {name: found for name, found in said.items() if found} == {}
    assert len(said) == 11


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_where_a_password_is_asked_for(
    browser: Browser,
    make_running: Callable[..., Running],
    monkeypatch: pytest.MonkeyPatch,
    scheme: str,
) -> None:
    monkeypatch.setenv(PASSWORD, "open")
    running = make_running()
    context = browser.new_context(color_scheme=scheme, bypass_csp=True)
    page = context.new_page()
    page.goto(running.url)
    said = findings(page)
    page.get_by_label("Password").fill("wrong")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("status")).to_contain_text("That is not it.")
    said += findings(page)
    page.get_by_label("Password").fill("open")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("link", name="Bring a film in")).to_be_visible()
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
