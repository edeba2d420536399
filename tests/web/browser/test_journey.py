"""The whole journey on the project's sample clip, asserting on what is in the records at the end.

The clip's truth stands beside it: five serves, drawn by the project's own generator.
"""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page, expect

from tests.web.browser.conftest import Running
from tests.web.made import SAMPLES

REAL_WORKER = (sys.executable, "-m", "placement.web.worker")


def test_from_the_film_to_the_printed_page(
    page: Page, make_running: Callable[..., Running], tmp_path: Path
) -> None:
    running = make_running(worker=REAL_WORKER)
    pictures = tmp_path / "screenshots"  # kept by pytest with the run
    film = tmp_path / "lesson.mp4"
    shutil.copy(SAMPLES / "sample_drill.mp4", film)
    truth = json.loads((SAMPLES / "sample_drill.truth.json").read_text(encoding="utf-8"))

    page.goto(running.url)
    page.screenshot(path=pictures / "1-welcome.png")
    page.get_by_role("link", name="Bring a film in").click()
    page.locator("#files").set_input_files(film)

    corner = page.get_by_role("slider", name="far left corner")
    expect(page.locator("#view-words")).to_contain_text("This view is good for ±", timeout=60_000)
    expect(page.locator("#wait")).to_be_hidden()
    before = corner.get_attribute("aria-valuetext") or ""
    corner.focus()
    page.keyboard.press("ArrowRight")
    expect(corner).not_to_have_attribute("aria-valuetext", before)
    page.keyboard.press("Alt+ArrowRight")
    page.keyboard.press("Alt+ArrowLeft")
    page.keyboard.press("ArrowLeft")
    expect(corner).to_have_attribute("aria-valuetext", before)
    page.screenshot(path=pictures / "2-table.png")
    page.get_by_role("button", name="Follow the white lines").click()
    expect(page.locator("#notice")).to_contain_text("follow the white lines")
    page.get_by_label("Group").fill("9B")
    page.get_by_label("Day of filming").fill("2026-03-02")
    page.get_by_label("What was asked").fill("Five serves")
    page.get_by_role("button", name="Measure this film").click()
    expect(page.locator("#progress")).to_contain_text("Measured.", timeout=600_000)
    page.get_by_role("link", name="Say who served").click()

    with running.store as store:
        found = store.serves(drill_id=1)
        starts = [(s["t_start_s"], s["t_contact_s"]) for s in truth["serves"]]
        near = [
            any(a - 0.3 <= t <= b + 0.3 for a, b in starts) for t in found["t_start_s"].tolist()
        ]
        assert all(near)
        n = len(found)
        assert n >= 3  # how many must be found is for the tests of accuracy
    page.locator("#list").fill(f"AB 2 short left\nCD {n - 2} long right")
    page.get_by_role("button", name="Use this list").click()
    expect(page.locator("#turn-table tbody tr")).to_have_count(2)
    page.screenshot(path=pictures / "3-turns.png")

    page.get_by_role("link", name="Check the serves").first.click()
    expect(page.locator("#moment")).to_contain_text("picture", timeout=20_000)
    page.get_by_label("Your initials").fill("LM")
    page.locator("#serve-name").click()
    page.keyboard.press("l")
    expect(page.get_by_role("button", name="L let")).to_have_attribute("aria-pressed", "true")
    page.screenshot(path=pictures / "4-check.png")
    expect(page.locator("#machine")).to_contain_text("The machine said:")

    with running.store as store:
        log = store.corrections(1)
        assert log["who"].tolist() == ["LM", "LM"]
        assert set(log["field"]) == {"outcome", "checked"}
        assert (store.serves(drill_id=1)["outcome"] == "let").sum() == 1

    page.get_by_role("link", name="Map", exact=True).click()
    page.screenshot(path=pictures / "5-map.png")
    page.get_by_role("link", name="AB", exact=True).click()
    expect(page.get_by_role("heading", name="Student AB")).to_be_visible()
    with page.expect_download() as download:
        page.get_by_role("link", name="evidence page (PDF)").click()
    pdf = Path(download.value.path()).read_bytes()
    assert pdf.startswith(b"%PDF")
    assert running.errors() == ""
    for name in ("1-welcome", "2-table", "3-turns", "4-check", "5-map"):
        assert (pictures / f"{name}.png").stat().st_size > 10_000
