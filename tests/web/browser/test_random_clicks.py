"""Twenty runs of 500 random, seeded clicks and keys: no error page, no unhandled exception."""

from __future__ import annotations

import random
import re

import pytest
from playwright.sync_api import Error, Page

from placement.democlass import GROUP
from tests.web.browser.conftest import Expected, Running
from tests.web.made import make_film

_STARTS = ("/", "/bring", "/groups", f"/group?name={GROUP}", "/student?code=AK", "/students",
           "/keep", "/films/1/check", "/films/1/turns", "/films/11/check", "/films/11/turns",
           "/films/11/map", "/films/11/about", "/wall?film=1")  # fmt: skip
_KEYS = ("j", "k", "ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown", "b", "Shift+B", "Enter", "g",
         "l", "n", "m", "t", "u", "x", "a", "v", "z", "y", "1", "2", "q", "Tab", "Shift+Tab",
         "Escape", "h", "Shift+ArrowUp", "Alt+ArrowRight")  # fmt: skip
_WORDS = ("AB", "AB 3 short left, CD", "12", "", "<b>x</b>", "2026-03-02", "ÄÖ-1", "x" * 300)
#: Ends the program, opens the system's own windows, or leads to files.
_LEAVE_ALONE = re.compile(r"End the program|Choose|Print|PDF|HTML|CSV|PNG|SVG|backup|Backup")
STEPS = 500


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(20))
def test_random_clicks_and_keys_break_nothing(
    page: Page, filmed_and_demo: Running, expected_refusals: Expected, seed: int
) -> None:
    running = filmed_and_demo
    # Refusals with a sentence are right answers to random input; errors of the program are not.
    expected_refusals += [(code, "") for code in (0, 400, 404, 409, 413, 415, 422, 503)]
    broken: list[str] = []
    page.on("response", lambda r: broken.append(r.url) if r.status == 500 else None)
    page.on("dialog", lambda dialog: dialog.dismiss())
    page.route("**/stop", lambda call: call.fulfill(status=204))  # the run is not over yet
    rng = random.Random(seed)
    page.goto(running.url + "/")
    for step in range(STEPS):
        try:
            _act(page, running, rng, step)
        except Error:
            continue  # what was to be clicked has gone meanwhile
    assert broken == []
    assert running.errors() == ""
    page.goto(running.url + "/")
    assert page.locator("h1").count() == 1


def _act(page: Page, running: Running, rng: random.Random, step: int) -> None:
    if step % 40 == 0 or not page.url.startswith(running.url):
        page.goto(running.url + rng.choice(_STARTS))
        return
    kind = rng.random()
    if kind < 0.5:
        page.keyboard.press(rng.choice(_KEYS))
    elif kind < 0.62:
        page.mouse.click(rng.randrange(1366), rng.randrange(60, 700))
    elif kind < 0.9:
        targets = page.locator("main button:visible, main a:visible, nav a:visible, summary")
        n = targets.count()
        if n:
            target = targets.nth(rng.randrange(n))
            if not _LEAVE_ALONE.search(target.inner_text(timeout=500)):
                target.click(timeout=700, no_wait_after=True)
    else:
        fields = page.locator("main input[type=text]:visible, main input:not([type]):visible, "
                              "main textarea:visible")  # fmt: skip
        n = fields.count()
        if n:
            fields.nth(rng.randrange(n)).fill(rng.choice(_WORDS), timeout=700)


@pytest.fixture
def filmed_and_demo(make_running: object, tmp_path: object) -> Running:
    """A page with the invented class, a measured film at hand, and one not measured."""
    from pathlib import Path

    from placement.democlass import make_demo_class
    from placement.records import Store
    from tests.web.made import make_results

    folder = Path(str(tmp_path))
    (folder / "films").mkdir()
    film = make_film(folder / "films" / "drill.mp4", 60)
    make_film(folder / "films" / "other.mp4", 20)
    with Store(folder / "records.sqlite") as store:
        make_demo_class(store, folder / "demo-results")
        store.import_results(make_results(folder / "out", film), group="9B")
    return make_running()  # type: ignore[operator, no-any-return]
