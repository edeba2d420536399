"""Twenty runs of 500 random, seeded clicks and keys: no error page, no unhandled exception."""

from __future__ import annotations

import contextlib
import random
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Error, Page, expect

from placement.democlass import GROUP
from placement.records import Store
from tests.demo_class import put_demo_class
from tests.web.browser.conftest import Expected, Running
from tests.web.made import make_film, make_results

_STARTS = ("/", "/bring", "/groups", f"/group?name={GROUP}", "/student?code=AK", "/students",
           "/keep", "/films/1/check", "/films/1/turns", "/films/11/check", "/films/11/turns",
           "/films/11/map", "/films/11/about", "/wall?film=1")  # fmt: skip
_KEYS = ("j", "k", "ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown", "b", "Shift+B", "Enter", "g",
         "l", "n", "m", "t", "u", "x", "a", "v", "z", "y", "1", "2", "q", "Tab", "Shift+Tab",
         "Escape", "h", "Shift+ArrowUp", "Alt+ArrowRight", "c", "f", "s", "9", "0")  # fmt: skip
_WORDS = ("AB", "AB 3 short left, CD", "12", "", "<b>x</b>", "2026-03-02", "ÄÖ-1", "x" * 300)
#: Ends the program, opens the system's own windows, or leads to files.
_LEAVE_ALONE = "End the program|Choose|Print|PDF|HTML|CSV|PNG|SVG|backup|Backup"
_TO_CLICK = "main button, main a, nav a, summary"
_TO_FILL = "main input[type=text], main input:not([type]), main textarea"
#: The middle of one of the things to be seen that fit, brought into view; null where there is none.
_PICK = """([wanted, lot, leave]) => {
  const seen = [...document.querySelectorAll(wanted)].filter((e) => e.checkVisibility()
    && !new RegExp(leave).test(e.innerText ?? ""));
  const one = seen[Math.floor(lot * seen.length)];
  if (!one) return null;
  one.scrollIntoView({ block: "center" });
  const box = one.getBoundingClientRect();
  return [box.x + box.width / 2, box.y + box.height / 2];
}"""
STEPS = 500


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
        with contextlib.suppress(Error):  # what was to be clicked may have gone meanwhile
            _act(page, running, rng, step)
    assert broken == []
    assert running.errors() == ""
    for _ in range(5):
        with contextlib.suppress(Error):  # the last click may still be leading somewhere else
            page.goto(running.url + "/")
            break
    expect(page.locator("h1")).to_have_count(1)


def _act(page: Page, running: Running, rng: random.Random, step: int) -> None:
    if step % 40 == 0 or not page.url.startswith(running.url):
        page.goto(running.url + rng.choice(_STARTS), wait_until="domcontentloaded")
        return
    kind = rng.random()
    if kind < 0.5:
        page.keyboard.press(rng.choice(_KEYS))
    elif kind < 0.62:
        page.mouse.click(rng.randrange(1366), rng.randrange(60, 700))
    else:
        # One look at the page finds the place: a real click there, whatever lies on top.
        wanted = _TO_CLICK if kind < 0.9 else _TO_FILL
        place = page.evaluate(_PICK, [wanted, rng.random(), _LEAVE_ALONE])
        if place is None:
            return
        page.mouse.click(*place)
        if kind >= 0.9:
            page.keyboard.press("Control+A")
            page.keyboard.insert_text(rng.choice(_WORDS))


@pytest.fixture
def filmed_and_demo(make_running: Callable[..., Running], tmp_path: Path) -> Running:
    """A page with the invented class, a measured film at hand, and one not measured."""
    (tmp_path / "films").mkdir()
    film = make_film(tmp_path / "films" / "drill.mp4", 60)
    make_film(tmp_path / "films" / "other.mp4", 20)
    with Store(put_demo_class(tmp_path / "records.sqlite")) as store:
        store.import_results(make_results(tmp_path / "out", film), group="9B")
    return make_running()
