"""Checking serves: what is doubtful, corrections beside the machine's answer, two windows, undo."""

from __future__ import annotations

import math
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from calibration import table
from placement.web.bounces import ellipses
from placement.web.check import needs_look
from tests.records.samples import serve_row
from tests.web.conftest import Page
from tests.web.made import calibration, make_results


def rows(web: Page, film: int) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = web.get(f"/films/{film}/serves.json").json()["serves"]
    return found


def bounce(serve: dict[str, Any], key: str) -> dict[str, Any]:
    return next(b for b in serve["bounces"] if b["key"] == key)


def change(web: Page, film: int, serve: dict[str, Any], **changes: Any) -> Any:
    return web.send(
        f"/films/{film}/serves/{serve['id']}",
        {"changes": changes, "seen": serve["rev"], "who": "LM"},
    )


def test_the_doubtful_are_named_with_a_reason(web: Page, filmed: int) -> None:
    found = rows(web, filmed)
    assert [s["number"] for s in found if s["look"]] == [2, 4]
    assert found[1]["doubt"] > found[3]["doubt"] > found[0]["doubt"]
    assert found[1]["why"] == ["what became of it was not clear"]
    assert found[3]["why"] == ["close call: left with 60%"]
    serves = web.site.store.serves(drill_id=filmed)
    assert needs_look(serves).sum() == 2


def test_a_correction_stands_beside_the_machines_answer(web: Page, filmed: int) -> None:
    serve = rows(web, filmed)[1]
    answer = change(web, filmed, serve, outcome="let", checked=True)
    assert answer.status_code == 200
    now = rows(web, filmed)[1]
    assert (now["outcome"], now["machine"]["outcome"], now["look"]) == ("let", "unclear", False)
    log = web.site.store.corrections(filmed)
    assert set(log["who"]) == {"LM"}
    assert "unclear" in web.get(f"/films/{filmed}/about").text


def test_a_depth_said_by_hand_is_certain_and_beside_the_machines(web: Page, filmed: int) -> None:
    serve = rows(web, filmed)[0]
    assert serve["depth"] == "short"
    assert change(web, filmed, serve, depth="long", checked=True).status_code == 200
    now = rows(web, filmed)[0]
    assert (now["depth"], now["machine"]["depth"]) == ("long", "short")
    assert web.site.store.serves(drill_id=filmed).iloc[0]["depth_probability"] == 1.0
    assert change(web, filmed, now, depth="deep").status_code == 422


def test_two_windows_do_not_lose_a_correction(web: Page, filmed: int) -> None:
    serve = rows(web, filmed)[0]
    assert change(web, filmed, serve, outcome="let").status_code == 200
    late = change(web, filmed, serve, outcome="net")  # has not seen the first
    assert late.status_code == 409
    assert late.json()["serve"]["outcome"] == "let"
    assert "changed by LM" in late.json()["sentence"]
    assert rows(web, filmed)[0]["outcome"] == "let"
    fresh = late.json()["serve"]
    assert change(web, filmed, fresh, outcome="net").status_code == 200


def test_a_landing_moved_on_the_drawing_moves_on_the_table(web: Page, filmed: int) -> None:
    """The drawing has the server at the bottom: 30 cm right, 90 cm past the net (up)."""
    serve = rows(web, filmed)[0]
    assert serve["end"] == -1
    assert change(web, filmed, serve, place=[30.0, -90.0]).status_code == 200
    row = web.site.store.serves(drill_id=filmed).iloc[0]
    # The server stands at the negative-x end: past the net is +x, to the right is -y.
    assert (row["landing_x_m"], row["landing_y_m"]) == pytest.approx((0.9, -0.3), abs=1e-6)
    assert row["side"] == "right"
    now = rows(web, filmed)[0]
    assert now["side"] == "right"
    moved = bounce(now, "landing")
    assert moved["place"] == [30.0, -90.0]
    assert moved["was"] == bounce(serve, "landing")["place"]
    assert [b["key"] for b in now["bounces"]] == [b["key"] for b in serve["bounces"]]


def test_every_bounce_has_a_name_and_is_moved_by_it(web: Page, filmed: int) -> None:
    """The server stands at the negative-x end: right is -y, past the net (up) is +x."""
    serve = rows(web, filmed)[0]
    named = {b["key"]: b["name"] for b in serve["bounces"]}
    first = next(key for key in named if key.isdigit())
    assert named == {
        first: "bounce on the server's half", "landing": "landing",
        "second": "second bounce, worked out",
    }  # fmt: skip
    assert bounce(serve, first)["place"] == [20.0, 60.0]
    answer = change(web, filmed, serve, place=[-10.0, 75.0], bounce=first, checked=True)
    assert answer.status_code == 200
    now = answer.json()["serve"]
    moved = bounce(now, first)
    assert (moved["place"], moved["was"]) == ([-10.0, 75.0], [20.0, 60.0])
    seen = calibration().camera.project(np.array([[-0.75, 0.1, table.BALL_RADIUS]]))[0]
    assert math.dist(moved["at"], seen) < 0.2
    kept = web.site.store.bounces(drill_id=filmed).iloc[0]
    assert (kept["x_m"], kept["y_m"]) == pytest.approx((-0.75, 0.1), abs=1e-6)
    log = web.get(f"/films/{filmed}/about").text
    assert "bounce at 0:00.3, along the table" in log  # 0.35 s, rounded
    assert "-60 cm" in log
    assert web.send(f"/films/{filmed}/undo", {"who": "LM"}).status_code == 200
    assert rows(web, filmed)[0]["bounces"] == serve["bounces"]


def test_a_second_bounce_moved_says_the_depth(web: Page, filmed: int) -> None:
    """Past the end line, 137 cm from the net (Law 2.1.1): the serve was long."""
    serve = rows(web, filmed)[0]
    assert serve["depth"] == "short"
    answer = change(web, filmed, serve, place=[0.0, -160.0], bounce="second")
    now = answer.json()["serve"]
    assert (now["depth"], now["machine"]["depth"]) == ("long", "short")
    second = bounce(now, "second")
    assert (second["place"], second["name"]) == ([0.0, -160.0], "second bounce")
    assert second["was"] == [-55.0, -110.0]
    # 95 % of a place set by hand to 2 cm: 2.4477 sd (chi-squared tables, 2 degrees of freedom).
    assert second["ellipse"][:2] == pytest.approx([4.9, 4.9], abs=0.01)


def test_a_serve_added_by_hand_is_given_its_landing(web: Page, filmed: int) -> None:
    added = web.send(f"/films/{filmed}/serves", {"t": 1.0, "who": "LM", "end": -1}).json()
    new = next(s for s in added["data"]["serves"] if s["id"] == added["id"])
    assert new["bounces"] == []
    now = change(web, filmed, new, place=[30.0, -90.0], bounce="landing").json()["serve"]
    assert [(b["key"], b["t"], b["place"]) for b in now["bounces"]] == [
        ("landing", None, [30.0, -90.0])
    ]


def test_a_place_in_the_picture_is_that_of_the_camera(web: Page, filmed: int) -> None:
    serve = rows(web, filmed)[0]
    landing = bounce(serve, "landing")
    x, y = -landing["place"][1] / 100, -landing["place"][0] / 100
    seen = calibration().camera.project(np.array([[x, y, table.BALL_RADIUS]]))[0]
    assert math.dist(landing["at"], seen) < 0.2
    assert math.dist(np.array(landing["ring"]).mean(axis=0), landing["at"]) < 0.5


@pytest.mark.parametrize(
    ("sd_x", "sd_y", "cov", "expected"),
    [
        # 95 % of a normal in two directions: 2.4477 sd (chi-squared tables, 2 degrees of freedom).
        (0.01, 0.02, 0.0, (4.895, 2.448, 0.0)),  # wide across: the long axis lies level
        (0.02, 0.01, 0.0, (4.895, 2.448, 90.0)),
    ],
)
def test_an_ellipse_lies_as_its_covariance(
    sd_x: float, sd_y: float, cov: float, expected: tuple[float, float, float]
) -> None:
    row = pd.DataFrame({"sd_x_m": [sd_x, np.nan], "sd_y_m": sd_y, "cov_xy_m2": cov})
    found, nothing = ellipses(row)
    assert nothing is None
    long, short, angle = found
    assert (long, short) == pytest.approx(expected[:2], abs=0.01)
    assert angle % 180 == pytest.approx(expected[2], abs=0.1)


def test_add_remove_undo_redo(web: Page, filmed: int) -> None:
    added = web.send(f"/films/{filmed}/serves", {"t": 1.0, "who": "LM", "end": -1}).json()
    assert len(added["data"]["serves"]) == 7
    new = next(s for s in added["data"]["serves"] if s["id"] == added["id"])
    assert new["by_hand"]
    first = rows(web, filmed)[0]
    change(web, filmed, first, removed=True)
    assert rows(web, filmed)[0]["removed"]
    assert web.send(f"/films/{filmed}/undo", {"who": "LM"}).status_code == 200
    assert not rows(web, filmed)[0]["removed"]
    assert web.send(f"/films/{filmed}/redo", {"who": "LM"}).status_code == 200
    assert rows(web, filmed)[0]["removed"]
    for _ in range(2):
        web.send(f"/films/{filmed}/undo", {"who": "LM"})
    assert [s["number"] for s in rows(web, filmed) if not s["removed"]] == [1, 2, 3, 4, 5, 6]
    nothing = web.send(f"/films/{filmed}/undo", {"who": "LM"})
    assert nothing.status_code == 422
    assert nothing.json()["sentence"] == "There is nothing to take back."


@pytest.mark.parametrize(
    "changes",
    [{"outcome": "brilliant"}, {"code": "AB"}, {"place": "here"}, {"place": [1]},
     {"place": [1e9, 0]}, {"place": [1, 1], "bounce": "99999"}, {"place": [1, 1], "bounce": 7},
     {"place": None, "bounce": "1"}, {"place": [1, 1], "bounce": "somewhere"},
     {"server_end": 2}, {}, {"number": 1}],
)  # fmt: skip
def test_an_impossible_correction_is_a_sentence(
    web: Page, filmed: int, changes: dict[str, Any]
) -> None:
    answer = change(web, filmed, rows(web, filmed)[0], **changes)
    assert answer.status_code == 422
    assert answer.json()["sentence"].endswith(".")


def test_a_serve_of_another_film_cannot_be_reached_through_this_one(web: Page, filmed: int) -> None:
    answer = web.send(f"/films/{filmed}/serves/999999", {"changes": {"checked": True}, "seen": 0})
    assert answer.status_code == 404


def test_texts_from_the_records_do_not_become_markup(web: Page, filmed: int) -> None:
    web.site.store.describe_drill(filmed, group="<b>9</b>", asked="</script><script>alert(1)")
    web.site.store.set_turns(filmed, "AB 6 short #<x>".replace("<x>", "x"), make_students=True)
    for path in ("check", "turns", "map", "about"):
        page = web.get(f"/films/{filmed}/{path}").text
        assert "<b>9</b>" not in page
        assert "<script>alert" not in page


def test_a_film_of_a_whole_day_is_checked_as_quickly(
    web: Page, film_file: Path, tmp_path: Path
) -> None:
    """30 students with 60 serves each in one film: processor time, which others cannot disturb."""
    film = tmp_path / "films" / "drill.mp4"
    film.write_bytes(film_file.read_bytes())
    serves = [serve_row(i, 0.2 + 2.0 * i) for i in range(1, 1801)]
    folder = make_results(tmp_path / "out", film, serves)
    drill = web.site.store.import_results(folder).drill_id
    web.get(f"/films/{drill}/check")
    began = time.process_time()
    data = web.get(f"/films/{drill}/serves.json").json()
    assert time.process_time() - began < 3.0  # some 0.7 s here; nothing per serve may grow
    assert len(data["serves"]) == 1800
    assert all(len(s["bounces"]) == 3 for s in data["serves"])
    began = time.process_time()
    assert change(web, drill, data["serves"][5], checked=True).status_code == 200
    assert time.process_time() - began < 0.5
