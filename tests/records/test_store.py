from __future__ import annotations

import os
import stat
import threading

import pandas as pd
import pytest

from placement.records import RecordsError, StaleError, Store, StoreError
from tests.records.samples import serve_row, two_turns, write_results


def test_a_records_file_is_private_and_checks_its_keys(store, tmp_path):
    if os.name == "posix":
        for file in tmp_path.glob("records.sqlite*"):
            assert stat.S_IMODE(file.stat().st_mode) == 0o600
    with store._read() as connection:
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"


def test_names_lie_apart_and_are_shown_only_when_asked(store):
    store.add_student("AB", hand="left", name="An Invented Name", groups=["9X"])
    assert "name" not in store.students()
    assert store.students(names=True).loc[0, "name"] == "An Invented Name"
    assert store.student("AB").groups == ("9X",)
    store.change_student("AB", name="")
    assert store.student("AB").name == ""


def test_a_class_list_is_taken_whole_or_not_at_all(store):
    assert store.import_class_list("code,hand,name\nAB,l,\nCD,,\n", group="9X") == ["AB", "CD"]
    assert list(store.students("9X")["hand"]) == ["left", ""]
    with pytest.raises(RecordsError, match="line 3"):
        store.import_class_list("code,hand\nEF,right\nGH,both\n")
    assert list(store.students()["code"]) == ["AB", "CD"]


@pytest.mark.parametrize("code", ["", "A B", "x" * 33, "a/b", "a\0b"])
def test_a_code_is_short_and_plain(store, code):
    with pytest.raises(RecordsError, match="candidate number"):
        store.add_student(code)


def test_a_code_is_found_however_its_accents_are_sent(store):
    # the same letters in Unicode's forms C and D (UAX 15)
    together, apart = "\u00c4-1", "A\u0308-1"
    store.add_student(apart)
    for code in (together, apart, f" {apart} "):
        assert store.student(code).code == together
    with pytest.raises(RecordsError, match="already"):
        store.add_student(together)


def test_a_code_is_unique(store):
    store.add_student("AB")
    with pytest.raises(RecordsError, match="already a student"):
        store.add_student("AB")


def test_import_is_idempotent(store, tmp_path):
    folder = write_results(tmp_path / "out", two_turns())
    first = store.import_results(folder, group="9X", filmed_on="2026-03-02")
    again = store.import_results(folder)
    assert (again.already_there, again.analysis_id) == (True, first.analysis_id)
    assert len(store.serves()) == 20
    assert len(store.bounces()) == 40
    assert store.drill(first.drill_id).filmed_on == "2026-03-02"


def test_a_serve_knows_the_moment_and_covariance_of_its_landing(store, filmed):
    first = store.serves().iloc[0]
    assert first["landing_time_s"] == pytest.approx(2.5)  # start 2 s, bounce 0.5 s later
    assert (first["landing_sd_x_m"], first["landing_cov_xy_m2"]) == (0.008, 1e-5)
    bounces = store.bounces(student_code="AB")
    assert len(bounces) == 20
    assert set(bounces["code"]) == {"AB"}


def test_reanalysis_keeps_the_old_result_and_says_what_changed(store, filmed, tmp_path):
    serve = store.serves().iloc[3]
    store.correct(int(serve["serve_id"]), {"outcome": "let"}, who="LM", seen_revision=0)
    rows = two_turns()
    for row in rows:
        row["t_start_s"] += 0.05
    rows[0]["depth"] = "half-long"
    del rows[19]  # not found any more
    rows.insert(10, serve_row(21, 55.0))  # found now, in the pause
    done = store.import_results(write_results(tmp_path / "new", rows, version="0.2.0"))
    assert done.replaced == filmed.analysis_id
    text = " | ".join(done.changed)
    assert "depth changed in 1 serve: 1 (short to half-long)" in text
    assert "1 serve found that were not found before" in text
    assert "1 serve found before are not found now" in text
    assert done.lost_corrections == ()
    now = store.serves()
    assert now.iloc[3]["outcome"] == "let"
    assert list(now["code"][:10]) == ["AB"] * 10
    assert now.iloc[11]["code"] == "CD"
    old = store.serves(analysis_id=filmed.analysis_id)
    assert len(old) == 20
    assert list(store.analyses(filmed.drill_id)["current"]) == [0, 1]


def test_a_correction_lies_beside_the_machines_answer(store, filmed):
    serve_id = int(store.serves().iloc[0]["serve_id"])
    revision = store.correct(
        serve_id, {"outcome": "net", "landing_x_m": None}, who="LM", seen_revision=0, why="seen"
    )
    assert revision == 1
    shown = store.serves().iloc[0]
    assert (shown["outcome"], shown["outcome_probability"]) == ("net", 1.0)
    assert pd.isna(shown["landing_x_m"])
    assert shown["corrected"].split() == ["outcome", "landing_x_m"]
    machine = store.serves(machine_only=True).iloc[0]
    assert (machine["outcome"], machine["landing_x_m"]) == ("good", 0.51)
    log = store.corrections(filmed.drill_id)
    assert list(log["machine_value"]) == ['"good"', "0.51"]
    assert set(log["who"]) == {"LM"}
    assert log.loc[0, "made_at"].endswith("+00:00")


def test_a_moved_landing_is_classed_anew(store, filmed):
    serve_id = int(store.serves().iloc[0]["serve_id"])
    # The server stands at -x and looks along +x: +y is on the left, so y = -0.5 m is right.
    store.correct(serve_id, {"landing_y_m": -0.5}, who="LM", seen_revision=0)
    shown = store.serves().iloc[0]
    assert shown["side"] == "right"
    assert shown["landing_sd_y_m"] == 0.02


def test_two_windows_do_not_lose_a_correction(store, filmed):
    serve_id = int(store.serves().iloc[0]["serve_id"])
    store.correct(serve_id, {"outcome": "let"}, who="LM", seen_revision=0)
    with pytest.raises(StaleError, match="changed by LM"):
        store.correct(serve_id, {"outcome": "net"}, who="NO", seen_revision=0)
    assert store.serves().iloc[0]["outcome"] == "let"


def test_of_many_threads_that_saw_one_revision_one_wins(store, filmed):
    serve_id = int(store.serves().iloc[0]["serve_id"])
    won: list[str] = []
    stale: list[str] = []

    def change(who: str) -> None:
        try:
            store.correct(serve_id, {"pace_m_s": 5.0}, who=who, seen_revision=0)
            won.append(who)
        except StaleError:
            stale.append(who)

    threads = [threading.Thread(target=change, args=(f"T{i}",)) for i in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(won), len(stale)) == (1, 7)
    assert list(store.corrections(filmed.drill_id)["who"]) == won


def test_undo_and_redo_go_step_by_step(store, filmed):
    serve_id = int(store.serves().iloc[0]["serve_id"])
    store.correct(serve_id, {"outcome": "let", "side": "right"}, who="LM", seen_revision=0)
    store.correct(serve_id, {"outcome": "net"}, who="LM", seen_revision=1)
    assert "'let'" in store.undo(filmed.drill_id, who="LM")
    assert store.serves().iloc[0]["outcome"] == "let"
    store.undo(filmed.drill_id, who="LM")
    assert tuple(store.serves().iloc[0][["outcome", "side"]]) == ("good", "left")
    with pytest.raises(RecordsError, match="no correction to take back"):
        store.undo(filmed.drill_id, who="LM")
    store.redo(filmed.drill_id, who="LM")
    assert tuple(store.serves().iloc[0][["outcome", "side"]]) == ("let", "right")
    assert store.serves().iloc[0]["revision"] == 5


def test_a_serve_is_added_and_removed_by_hand(store, filmed):
    new = store.add_serve(
        filmed.drill_id,
        {"t_start_s": 55.0, "server_end": -1, "outcome": "net"},
        who="LM",
    )
    turn_id = int(store.turns(filmed.drill_id)["turn_id"][0])
    store.assign([new], turn_id)
    assert store.turns(filmed.drill_id)["found"].tolist() == [11, 10]
    store.correct(new, {"removed": True}, who="LM", seen_revision=1)
    assert len(store.serves()) == 20
    store.undo(filmed.drill_id, who="LM")
    store.undo(filmed.drill_id, who="LM")
    assert len(store.serves()) == 20
    assert len(store.serves(removed=True)) == 21


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"outcome": "ace"}, "one of good"),
        ({"landing_x_m": 40.0}, "cannot be 40"),
        ({"landing_x_m": float("nan")}, "cannot be nan"),
        ({"server_end": 0}, "-1 or 1"),
        ({"number": 3}, "cannot be corrected"),
        ({}, "nothing to correct"),
    ],
)
def test_a_value_that_cannot_be_is_refused(store, filmed, changes, match):
    serve_id = int(store.serves().iloc[0]["serve_id"])
    with pytest.raises(RecordsError, match=match):
        store.correct(serve_id, changes, who="LM", seen_revision=0)


def test_a_serve_goes_only_to_a_turn_of_its_own_drill(store, filmed, tmp_path):
    other = store.import_results(write_results(tmp_path / "b", [serve_row(1, 3.0)], clip="other"))
    turn_id = int(store.turns(filmed.drill_id)["turn_id"][0])
    serve_id = int(store.serves(drill_id=other.drill_id).iloc[0]["serve_id"])
    with pytest.raises(RecordsError, match="own drill"):
        store.assign([serve_id], turn_id)


def test_turns_are_proposed_and_read_back(store, filmed):
    assert [turn.student for turn in store.propose_turns(filmed.drill_id)] == ["", ""]
    first = store.turn_list(filmed.drill_id)[0]
    assert (first.student, first.serves) == ("AB", tuple(range(1, 11)))


def test_a_turn_list_with_a_stranger_changes_nothing(store, filmed):
    with pytest.raises(RecordsError, match="names ZZ"):
        store.set_turns(filmed.drill_id, "ZZ 20")
    assert list(store.turns(filmed.drill_id)["code"]) == ["AB", "CD"]


def test_a_clip_that_moved_is_said_and_found_again(store, tmp_path):
    clip = tmp_path / "film.mp4"
    clip.write_bytes(b"invented film")
    import hashlib

    digest = hashlib.sha256(b"invented film").hexdigest()
    done = store.import_results(
        write_results(tmp_path / "out", two_turns(), sha256=digest, path=str(clip))
    )
    assert store.locate_clip(done.drill_id) == clip
    moved = clip.rename(tmp_path / "moved.mp4")
    with pytest.raises(RecordsError, match="no longer at"):
        store.locate_clip(done.drill_id)
    wrong = tmp_path / "wrong.mp4"
    wrong.write_bytes(b"another film")
    with pytest.raises(RecordsError, match="is not the clip"):
        store.locate_clip(done.drill_id, wrong)
    assert store.locate_clip(done.drill_id, moved) == moved


def test_newer_records_are_refused(tmp_path):
    with Store(tmp_path / "r.sqlite") as store, store._write() as connection:
        connection.exec_driver_sql("INSERT INTO schema_version VALUES (99, '')")
    with pytest.raises(StoreError, match="newer"):
        Store(tmp_path / "r.sqlite")


def test_groups_are_listed_and_left(store):
    store.add_student("AB", groups=["9X", "club"])
    store.leave_group("AB", "club")
    assert store.groups().to_dict("list") == {
        "name": ["9X", "club"], "students": [1, 0], "drills": [0, 0],
    }  # fmt: skip
    with pytest.raises(RecordsError, match="no group"):
        store.students("10Y")


def test_a_note_is_kept(store, filmed):
    store.add_note("left the hall early", who="LM", student_code="AB")
    assert store.notes(student_code="AB").loc[0, "text"] == "left the hall early"
    assert len(store.notes(student_code="CD")) == 0


@pytest.mark.parametrize(
    ("name", "content", "match"),
    [
        ("run.json", "not json", "cannot be read"),
        ("run.json", "[]", "JSON object"),
        ("run.json", "{}", "does not name the clip"),
        ("serves.csv", "serve,t_start_s,outcome\n1,soon,good\n", "t_start_s"),
        ("bounces.csv", None, "missing"),
    ],
)
def test_a_damaged_results_folder_is_one_sentence(store, tmp_path, name, content, match):
    folder = write_results(tmp_path / "out", two_turns())
    if content is None:
        (folder / name).unlink()
    else:
        (folder / name).write_text(content)
    with pytest.raises(RecordsError, match=match):
        store.import_results(folder)
    assert len(store.drills()) == 0


def test_the_results_folder_is_found_again_only_while_it_holds_that_analysis(store, tmp_path):
    folder = write_results(tmp_path / "out" / "clip", two_turns())
    drill = store.import_results(folder).drill_id
    assert store.results_folder(drill) == folder
    moved = folder.rename(tmp_path / "moved")
    assert store.results_folder(drill) is None
    assert store.import_results(moved).already_there
    assert store.results_folder(drill) == moved
    # Measured again in the same place, but not brought in: its serve numbers are not the store's.
    write_results(moved, two_turns(missed=3))
    assert store.results_folder(drill) is None
    (moved / "run.json").write_text("{", encoding="utf-8")
    assert store.results_folder(drill) is None
    with pytest.raises(RecordsError, match="no filmed drill 99"):
        store.results_folder(99)
