"""By hand and eye: corners, frames, serves, turns, by pointer and by keys; two windows at once."""

from __future__ import annotations

import re
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from playwright.sync_api import Page, expect

from tests.web.browser.conftest import Expected, Running, watch
from tests.web.made import make_film, make_results


def place_of(text: str | None) -> tuple[float, float]:
    numbers = re.findall(r"-?[\d.]+", text or "")
    return float(numbers[0]), float(numbers[1])


def until(page: Page, question: Callable[[], bool]) -> None:
    """Wait for what a change does in the records; the page goes on meanwhile."""
    end = time.monotonic() + 40
    while not question():
        assert time.monotonic() < end, "it did not reach the records"
        page.wait_for_timeout(100)


def first(running: Running) -> pd.Series:
    """The first serve of the film, as it stands in the records."""
    with running.store as store:
        return store.serves(drill_id=1).iloc[0]


@pytest.fixture
def clip(page: Page, make_running: object, tmp_path: Path, film_file: Path) -> Running:
    """A film brought in by its path, on the screen with its table found."""
    running: Running = make_running()  # type: ignore[operator]
    shutil.copy(film_file, running.films / "drill.mp4")
    page.goto(running.url + "/bring")
    page.locator(".roots button").click()
    page.get_by_role("button", name="drill.mp4").click()
    expect(page.locator("#wait")).to_be_hidden(timeout=60_000)
    return running


def test_a_corner_is_dragged_with_a_magnifier(page: Page, clip: Running) -> None:
    corner = page.get_by_role("slider", name="near left corner")
    u, v = place_of(corner.get_attribute("aria-valuetext"))
    box = corner.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 20, y - 10, steps=4)
    expect(page.locator("#lens")).to_be_visible()
    page.mouse.up()
    expect(page.locator("#notice")).to_contain_text("Kept.")
    now = place_of(corner.get_attribute("aria-valuetext"))
    scale = 1280 / page.locator("#overlay").evaluate("e => e.clientWidth")
    assert now == pytest.approx((u + 20 * scale, v - 10 * scale), abs=1.0)
    expect(page.locator("#view-words")).to_have_class(re.compile("poor"))
    kept = clip.state.clips()[0].corners
    assert kept is not None
    assert tuple(kept[3]) == pytest.approx(now, abs=0.02)
    page.get_by_role("button", name="Find it again").click()
    expect(corner).to_have_attribute("aria-valuetext", f"{u:.2f} across, {v:.2f} down")


@pytest.mark.parametrize(("keys", "step"), [("", 1.0), ("Shift+", 10.0), ("Alt+", 0.25)])
def test_a_corner_is_moved_by_keys(page: Page, clip: Running, keys: str, step: float) -> None:
    corner = page.get_by_role("slider", name="far right corner")
    u, v = place_of(corner.get_attribute("aria-valuetext"))
    corner.focus()
    page.keyboard.press(f"{keys}ArrowRight")
    page.keyboard.press(f"{keys}ArrowDown")
    expect(corner).to_have_attribute(
        "aria-valuetext", f"{u + step:.2f} across, {v + step:.2f} down"
    )
    expect(page.locator("#lens")).to_be_visible()


def shown_frame(page: Page) -> int:
    text = page.locator("#moment").inner_text()
    return int(re.findall(r"picture (\d+) of", text)[0]) - 1


def test_frames_step_by_keys(page: Page, filmed: Running) -> None:
    page.goto(filmed.url + "/films/1/check?serve=1")
    expect(page.locator("#moment")).to_contain_text("of 240")
    start = shown_frame(page)
    for key, step in (("ArrowRight", 1), ("ArrowRight", 2), ("ArrowLeft", 1), ("ArrowLeft", 0)):
        page.keyboard.press(key)
        expect(page.locator("#moment")).to_contain_text(f"picture {start + step + 1} of 240")
        expect(page.locator("#frame")).to_have_attribute("data-n", str(start + step))


def test_serves_are_checked_by_keys_alone(page: Page, filmed: Running) -> None:
    page.goto(filmed.url + "/films/1/check")
    expect(page.locator("#left-to-do")).to_have_text("4 of 24 to check")
    expect(page.locator("#serve-name")).to_have_text("Serve 5, AB")
    page.keyboard.press("Enter")  # right as it is, and on
    expect(page.locator("#serve-name")).to_have_text("Serve 6, AB")
    page.keyboard.press("n")
    expect(page.locator("#left-to-do")).to_have_text("2 of 24 to check")
    page.keyboard.press("j")
    page.keyboard.press("x")
    expect(page.locator("#machine")).to_have_text("You said: no serve.")
    page.keyboard.press("z")
    expect(page.locator("#machine")).to_have_text("")
    page.keyboard.press("y")
    expect(page.locator("#machine")).to_have_text("You said: no serve.")
    with filmed.store as store:
        rows = store.serves(drill_id=1, removed=True).set_index("number")
    assert rows.loc[5, "checked"]
    assert rows.loc[6, "outcome"] == "net"
    assert rows.loc[7, "removed"]


def test_a_depth_is_said_by_a_key(page: Page, filmed: Running) -> None:
    page.goto(filmed.url + "/films/1/check?serve=1")
    short = page.get_by_role("button", name="1 short")
    expect(short).to_have_attribute("aria-pressed", "true")
    page.keyboard.press("3")
    expect(page.locator("#machine")).to_contain_text("The machine said: good, short")
    expect(short).to_have_attribute("aria-pressed", "false")
    with filmed.store as store:
        assert store.serves(drill_id=1).iloc[0]["depth"] == "long"
    page.keyboard.press("n")  # a serve in the net has no depth
    expect(short).to_be_hidden()


def test_a_landing_is_moved_by_keys_and_by_pointer(page: Page, filmed: Running) -> None:
    page.goto(filmed.url + "/films/1/check?serve=1")
    land = page.locator("[data-bounce=landing]")
    x, y = place_of((land.get_attribute("transform") or "").removeprefix("translate"))
    page.keyboard.press("v")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowUp")
    page.keyboard.press("Enter")
    expect(page.locator("#notice")).to_contain_text("moved")
    with filmed.store as store:
        row = store.serves(drill_id=1).iloc[0]
    assert row["landing_y_m"] == pytest.approx(-(x + 3) / 100, abs=1e-6)
    assert row["landing_x_m"] == pytest.approx(-(y - 5) / 100, abs=1e-6)
    box = land.bounding_box()
    assert box is not None
    middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(*middle)
    page.mouse.down()
    page.mouse.move(middle[0] + 30, middle[1], steps=3)
    page.mouse.up()
    until(page, lambda: first(filmed)["landing_y_m"] < row["landing_y_m"] - 0.05)


def test_any_bounce_is_chosen_and_moved_by_keys_and_by_pointer(page: Page, filmed: Running) -> None:
    """The first serve's bounce on the server's half lies at (-0.6, -0.2) m, 0.15 s after 0.2 s."""

    def first_bounce() -> tuple[float, float]:
        with filmed.store as store:
            row = store.bounces(drill_id=1).iloc[0]
        return round(float(row["x_m"]), 3), round(float(row["y_m"]), 3)

    page.goto(filmed.url + "/films/1/check?serve=1")
    expect(page.locator("#keys")).to_contain_text("V move a bounce")
    own = page.get_by_role("slider", name="bounce on the server's half of serve 1")
    page.keyboard.press("v")  # the picture shows the landing: that is meant
    expect(page.locator("[data-bounce=landing]")).to_be_focused()
    page.keyboard.press("Shift+V")  # the one before
    expect(own).to_be_focused()
    expect(page.locator("#moment")).to_contain_text("0:00.33")  # the picture at 0.35 s
    expect(own.locator(".bounce-name")).to_have_css("opacity", "1")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Shift+ArrowDown")
    assert first_bounce() == (-0.6, -0.2)
    page.keyboard.press("Enter")
    expect(page.locator("#notice")).to_contain_text("moved")
    until(page, lambda: first_bounce() == (-0.65, -0.19))  # 5 cm nearer the server, 1 cm left
    assert first(filmed)["landing_x_m"] == pytest.approx(0.51, abs=1e-6)  # the landing stays
    box = own.locator(".grip").bounding_box()
    assert box is not None
    middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(*middle)
    page.mouse.down()
    page.mouse.move(middle[0] - 30, middle[1], steps=3)
    page.mouse.up()
    until(page, lambda: first_bounce()[1] > -0.15)
    page.keyboard.press("Escape")  # away from the bounce
    for place in ((-0.65, -0.19), (-0.6, -0.2)):
        page.keyboard.press("z")
        until(page, lambda place=place: first_bounce() == place)  # type: ignore[misc]
    page.mouse.click(*middle)  # choosing alone moves nothing
    page.keyboard.press("Escape")
    assert first_bounce() == (-0.6, -0.2)


def test_two_windows_do_not_lose_a_correction(
    page: Page, filmed: Running, expected_refusals: Expected
) -> None:
    expected_refusals.append((409, "/serves/"))
    other = page.context.new_page()
    troubles: list[str] = []
    watch(other, troubles, expected_refusals)
    for window in (page, other):
        window.goto(filmed.url + "/films/1/check?serve=1")
        expect(window.locator("#serve-name")).to_have_text("Serve 1, AB")
    page.bring_to_front()
    page.keyboard.press("l")
    expect(page.locator("#machine")).to_contain_text("The machine said: good")
    with filmed.store as store:
        assert store.serves(drill_id=1).iloc[0]["outcome"] == "let"
    # The other window has not heard of it: nothing of it may be written over the first.
    other.keyboard.press("n")
    expect(other.locator("#notice")).to_contain_text("was changed")
    expect(other.get_by_role("button", name="L let")).to_have_attribute("aria-pressed", "true")
    with filmed.store as store:
        assert store.serves(drill_id=1).iloc[0]["outcome"] == "let"
    other.keyboard.press("n")  # now it was seen
    expect(other.locator("#machine")).to_contain_text("The machine said: good")
    expect(other.get_by_role("button", name="N in the net")).to_have_attribute(
        "aria-pressed", "true"
    )
    until(other, lambda: first(filmed)["outcome"] == "net")
    other.close()
    assert troubles == []


def test_a_border_is_moved_and_a_key_gives_a_serve(page: Page, filmed: Running) -> None:
    page.goto(filmed.url + "/films/1/turns")
    border = page.get_by_role("slider", name="Border before serve 13")
    border.focus()
    page.keyboard.press("ArrowLeft")
    moved = page.get_by_role("slider", name="Border before serve 12")
    expect(moved).to_be_visible()
    expect(page.locator("#trouble")).to_contain_text("AB: 11 found where 12 were listed")
    with filmed.store as store:
        assert store.serves(drill_id=1)["code"].tolist() == ["AB"] * 11 + ["CD"] * 13
    page.locator("#turns-h").click()
    page.keyboard.press("2")  # CD gets the first serve, and on to the next
    expect(page.locator("#turn-table tbody tr")).to_have_count(3)
    page.keyboard.press("z")
    expect(page.locator("#turn-table tbody tr")).to_have_count(2)
    box = moved.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 300, y, steps=5)
    page.mouse.up()
    expect(page.locator("#trouble")).not_to_contain_text("AB: 11")

    def moved_on() -> bool:
        with filmed.store as store:
            codes = store.serves(drill_id=1)["code"].tolist()
        n = codes.count("AB")
        return n > 13 and codes == ["AB"] * n + ["CD"] * codes.count("CD")

    until(page, moved_on)


def codes(running: Running) -> list[str]:
    """Who served each serve of the film, as it stands in the records."""
    with running.store as store:
        found: list[str] = store.serves(drill_id=1)["code"].tolist()
    return found


def test_a_quick_hand_loses_no_key(page: Page, filmed: Running) -> None:
    """Keys that come quicker than the answers: all of them reach the records."""
    page.goto(filmed.url + "/films/1/turns")
    wanted = ["CD" if n % 5 < 2 else "AB" for n in range(24)]
    for code in wanted:
        page.keyboard.press("2" if code == "CD" else "1")  # no pause in between
    expect(page.locator("#peek-name")).to_contain_text("Serve 24")
    page.get_by_role("link", name="On to checking").click()  # waits until all are kept
    page.wait_for_url("**/check*")
    assert codes(filmed) == wanted
    page.goto(filmed.url + "/films/1/turns")
    page.keyboard.press("z")
    until(page, lambda: codes(filmed) == [*wanted[:-1], "CD"])


def test_a_new_student_gets_a_key(page: Page, filmed: Running) -> None:
    page.goto(filmed.url + "/films/1/turns")
    page.get_by_label("Another student").fill("EF")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="3 EF")).to_be_visible()
    page.keyboard.press("3")
    until(page, lambda: codes(filmed)[0] == "EF")


def test_called_zones_and_strokes_are_given_by_keys(page: Page, filmed: Running) -> None:
    page.goto(filmed.url + "/films/1/turns")
    page.keyboard.press("c")
    expect(page.get_by_role("button", name="9 long right")).to_be_visible()
    for key in "999":  # the first three of AB's twelve short lefts
        page.keyboard.press(key)
    page.keyboard.press("b")  # and the fourth with the backhand

    def called() -> list[tuple[str, str, str, str]]:
        with filmed.store as store:
            rows = store.serves(drill_id=1)
        names = ["code", "target_depth", "target_side", "stroke"]
        return [tuple(row) for row in rows[names].iloc[:5].to_numpy().tolist()]

    wanted = [("AB", "long", "right", "")] * 3
    wanted += [("AB", "short", "left", "backhand"), ("AB", "short", "left", "")]
    until(page, lambda: called() == wanted)
    expect(page.locator("#turn-table tbody tr")).to_have_count(4)
    expect(page.locator("#trouble li")).to_have_count(0)  # twelve of AB are listed still
    listed = page.locator("#turn-table input.listed").evaluate_all("all => all.map((e) => e.value)")
    assert listed == ["3", "1", "8", "12"]
    for _ in range(4):
        page.keyboard.press("z")
    expect(page.locator("#turn-table tbody tr")).to_have_count(2)
    until(page, lambda: called() == [("AB", "short", "left", "")] * 5)


def test_a_moved_corner_is_taken_back(page: Page, clip: Running) -> None:
    corner = page.get_by_role("slider", name="far right corner")
    first_place = corner.get_attribute("aria-valuetext") or ""
    places = [first_place]
    corner.focus()
    for _ in range(2):
        page.keyboard.press("ArrowRight")
        expect(page.locator("#notice")).to_contain_text("Kept.")
        page.evaluate("document.getElementById('notice').textContent = ''")
        places.append(corner.get_attribute("aria-valuetext") or "")
    assert len(set(places)) == 3
    for place in (places[1], places[0]):
        page.keyboard.press("z")
        expect(page.locator("#notice")).to_contain_text("Taken back.")
        expect(corner).to_have_attribute("aria-valuetext", place)
        page.evaluate("document.getElementById('notice').textContent = ''")
    expect(page.get_by_role("button", name="Take back")).to_be_disabled()
    assert clip.state.clips()[0].corners is None  # as the machine found it
    page.keyboard.press("y")
    expect(corner).to_have_attribute("aria-valuetext", places[1])
    until(page, lambda: clip.state.clips()[0].corners is not None)


def test_a_quick_hand_takes_a_corner_back_and_measures(page: Page, clip: Running) -> None:
    """Z before the move is kept, and the button before that: all go one after the other."""
    corner = page.get_by_role("slider", name="far right corner")
    place = corner.get_attribute("aria-valuetext") or ""
    corner.focus()
    for _ in range(3):
        page.keyboard.press("Shift+ArrowUp")
    for _ in range(3):
        page.keyboard.press("z")  # no pause in between
    expect(corner).to_have_attribute("aria-valuetext", place)
    until(page, lambda: clip.state.clips()[0].corners is None)
    page.keyboard.press("ArrowRight")
    moved = corner.get_attribute("aria-valuetext") or ""
    page.get_by_role("button", name="Measure this film").click()
    expect(page.locator("#progress")).to_be_visible()
    kept = clip.state.clips()[0].corners
    assert kept is not None
    assert tuple(kept[1]) == pytest.approx(place_of(moved), abs=0.02)


def test_after_a_click_the_keys_go_on(page: Page, filmed: Running) -> None:
    page.goto(filmed.url + "/films/1/check")
    expect(page.locator("#serve-name")).to_have_text("Serve 5, AB")
    page.get_by_role("button", name="L let").click()
    expect(page.locator("#machine")).to_contain_text("The machine said: unclear")
    page.keyboard.press("Enter")  # on to the next, not "let" once more
    expect(page.locator("#serve-name")).to_have_text("Serve 6, AB")


def test_when_all_is_checked_the_next_step_is_shown(page: Page, filmed: Running) -> None:
    page.goto(filmed.url + "/films/1/check")
    onward = page.get_by_role("link", name="On to the map")
    expect(onward).to_be_hidden()
    for n in range(4):
        expect(page.locator("#left-to-do")).to_have_text(f"{4 - n} of 24 to check")
        page.keyboard.press("Enter")
    expect(onward).to_be_visible()


@pytest.mark.parametrize("size", [(1366, 768), (1024, 768), (820, 1180)])
def test_picture_and_answers_are_on_one_screen(
    page: Page, filmed: Running, size: tuple[int, int]
) -> None:
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.goto(filmed.url + "/films/1/check")
    expect(page.locator("#moment")).to_contain_text("picture")
    for what in ("#picture", "#accept", "[data-outcome=unclear]"):
        box = page.locator(what).bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= size[1], what
    # Nothing hidden in the list makes the page longer than what is seen of it.
    assert page.evaluate("document.documentElement.scrollHeight") < 1.35 * size[1]


def test_without_serves_the_film_is_stepped_and_one_is_added(
    page: Page, make_running: Callable[..., Running], tmp_path: Path
) -> None:
    (tmp_path / "films").mkdir()
    film = make_film(tmp_path / "films" / "drill.mp4", 30)
    running = make_running()
    with running.store as store:
        store.import_results(make_results(tmp_path / "out", film, []), group="9B")
    page.goto(running.url + "/films/1/check")
    expect(page.locator("#moment")).to_contain_text("picture 1 of 30")
    expect(page.locator("#frame")).to_have_attribute("data-n", "0")
    expect(page.locator("[data-outcome=good]")).to_be_disabled()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    expect(page.locator("#moment")).to_contain_text("picture 4 of 30")
    page.keyboard.press("a")
    expect(page.locator("#serve-name")).to_have_text("Serve 1")
    page.keyboard.press("g")
    until(page, lambda: first(running)["outcome"] == "good")
    assert first(running)["t_start_s"] == pytest.approx(3 / 30, abs=1e-3)  # the fourth picture


def test_a_drill_whose_film_is_not_at_hand_says_so_and_shows_the_keys(
    page: Page, demo: Running
) -> None:
    page.goto(demo.url + "/films/1/check")
    expect(page.locator("#table-side")).to_contain_text("not at hand")
    expect(page.locator("#keys")).to_be_visible()
    before = page.locator("#serve-name").inner_text()
    page.keyboard.press("j")
    expect(page.locator("#serve-name")).not_to_have_text(before)


def test_a_slip_leads_back_to_what_was_typed(
    page: Page, clip: Running, expected_refusals: Expected
) -> None:
    expected_refusals.append((422, "/start"))
    page.get_by_label("Group").fill("9B")
    page.get_by_label("Who served").fill("AB 10 shrt left")
    page.get_by_role("button", name="Measure this film").click()
    expect(page.locator(".sentence")).to_contain_text("shrt")
    page.get_by_role("button", name="Back to what you had").click()
    expect(page.get_by_label("Who served")).to_have_value("AB 10 shrt left")
    expect(page.get_by_label("Group")).to_have_value("9B")
