"""Bounces that a person moves: beside the machine's answer, taken back, kept over a new analysis.

The made clip has its first serve at 2.0 s, with a bounce on the server's half at (-0.6, -0.2) m
0.15 s later, and its landing after another 0.35 s (`tests.records.samples`).
"""

from __future__ import annotations

import pytest

from placement.records import RecordsError, StaleError, Store
from placement.records.schema import metadata
from tests.records.samples import two_turns, write_results


def _first(store):
    """Keys of the first serve and of its first bounce."""
    serve_id = int(store.serves().iloc[0]["serve_id"])
    return serve_id, int(store.bounces(serve_id=serve_id).iloc[0]["bounce_id"])


def _move(store, place, *, seen=0, **more):
    serve_id, bounce_id = _first(store)
    return store.correct(
        serve_id, {}, who="LM", seen_revision=seen, bounces={bounce_id: place}, **more
    )


def test_a_moved_bounce_lies_beside_the_machines_answer(store, filmed):
    assert _move(store, (-0.9, 0.1)) == 1
    moved, landing = (row for _, row in store.bounces().iloc[:2].iterrows())
    assert (moved["x_m"], moved["y_m"], moved["sd_x_m"], moved["cov_xy_m2"]) == (-0.9, 0.1, 0.02, 0)
    assert (bool(moved["moved"]), bool(landing["moved"])) == (True, False)
    assert landing["x_m"] == 0.51
    machine = store.bounces(machine_only=True).iloc[0]
    assert (machine["x_m"], machine["y_m"], machine["sd_x_m"]) == (-0.6, -0.2, 0.008)
    serve = store.serves().iloc[0]
    assert (serve["corrected"], serve["revision"]) == ("bounce_x_m bounce_y_m", 1)
    log = store.corrections(filmed.drill_id)
    assert list(log["machine_value"]) == ["-0.6", "-0.2"]
    assert list(log["new_value"]) == ["-0.9", "0.1"]
    assert list(log["time_s"]) == [2.15, 2.15]


def test_a_move_is_taken_back_whole_and_made_again(store, filmed):
    _move(store, (-0.9, 0.1))
    _move(store, (-1.0, 0.2), seen=1)
    assert list(store.corrections(filmed.drill_id)["old_value"])[2:] == ["-0.9", "0.1"]
    for place in ((-0.9, 0.1), (-0.6, -0.2)):
        store.undo(filmed.drill_id, who="LM")
        assert tuple(store.bounces().iloc[0][["x_m", "y_m"]]) == place
    assert not store.bounces()["moved"].any()
    store.redo(filmed.drill_id, who="LM")
    assert tuple(store.bounces().iloc[0][["x_m", "y_m"]]) == (-0.9, 0.1)


def test_a_window_that_has_not_seen_it_is_refused(store, filmed):
    _move(store, (-0.9, 0.1))
    with pytest.raises(StaleError, match="changed by LM"):
        _move(store, (-0.7, 0.0))
    assert store.bounces().iloc[0]["x_m"] == -0.9


@pytest.mark.parametrize(
    ("place", "match"), [((9.0, 0.0), "cannot be 9"), ((None, 0.0), "two numbers"), (("a", 0), "a")]
)
def test_an_impossible_place_is_refused(store, filmed, place, match):
    with pytest.raises(RecordsError, match=match):
        _move(store, place)
    assert len(store.corrections(filmed.drill_id)) == 0


def test_a_bounce_of_another_serve_is_refused(store, filmed):
    serve_id, bounce_id = _first(store)
    with pytest.raises(RecordsError, match="no bounce"):
        store.correct(serve_id + 1, {}, who="LM", seen_revision=0, bounces={bounce_id: (-0.6, 0.0)})
    assert store.serves().iloc[1]["revision"] == 0


def test_a_second_bounce_moved_by_hand_says_the_depth(store, filmed):
    """Past the end line by 30 cm: the table ends 1.37 m from the net (Law 2.1.1)."""
    serve_id, _ = _first(store)
    place = {"second_bounce_x_m": 1.67, "second_bounce_y_m": 0.0}
    store.correct(serve_id, place, who="LM", seen_revision=0)
    shown = store.serves().iloc[0]
    assert (shown["depth"], shown["second_bounce_sd_m"]) == ("long", 0.02)
    assert shown["depth_probability"] == pytest.approx(1.0, abs=1e-6)


def test_a_move_goes_over_to_a_new_analysis(store, filmed, tmp_path):
    _move(store, (-0.9, 0.1))
    rows = two_turns()
    for row in rows:
        row["t_start_s"] += 0.02
    done = store.import_results(write_results(tmp_path / "new", rows, version="0.2.0"))
    assert done.lost_corrections == ()
    now = store.bounces().iloc[0]
    assert (now["time_s"], now["x_m"], now["y_m"]) == (2.17, -0.9, 0.1)
    log = store.corrections(filmed.drill_id)
    assert (list(log["machine_value"]), list(log["number"])) == (["-0.6", "-0.2"], [1, 1])
    store.undo(filmed.drill_id, who="LM")
    assert store.bounces().iloc[0]["x_m"] == -0.6


def test_a_move_of_a_bounce_not_found_any_more_is_told(store, filmed, tmp_path):
    _move(store, (-0.9, 0.1))
    rows = two_turns()
    rows[0]["t_start_s"] += 0.15  # the same serve, its bounces elsewhere in time
    done = store.import_results(write_results(tmp_path / "new", rows, version="0.2.0"))
    assert done.lost_corrections == (
        "bounce of serve 1 moved by hand at 2.15 s: no such bounce in the new analysis",
    )
    assert not store.bounces()["moved"].any()


def test_a_move_is_exported_and_forgotten_with_its_serve(store, filmed, tmp_path):
    _move(store, (-0.9, 0.1))
    store.export(tmp_path / "out", formats=["csv"])
    with Store(tmp_path / "other.sqlite") as other:
        other.import_export(tmp_path / "out")
        assert tuple(other.bounces().iloc[0][["x_m", "moved"]]) == (-0.9, True)
        other.forget("AB")
        with other._read() as connection:
            assert connection.execute(metadata.tables["correction"].select()).all() == []
