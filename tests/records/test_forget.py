"""Forgetting, retention and backups. Files are searched byte by byte for what must be gone."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from placement.records import RecordsError, Store
from tests.records.samples import serve_row, two_turns, write_results

MARK = "QXZQ7"  # a code that occurs nowhere by chance
NAME = "Wholly Invented Qqzx"


def _traces(folder: Path, *texts: str) -> list[Path]:
    return [
        path
        for path in folder.rglob("*")
        if path.is_file() and any(text.encode() in path.read_bytes() for text in texts)
    ]


@pytest.fixture
def marked(store: Store, tmp_path: Path) -> int:
    done = store.import_results(write_results(tmp_path / "out" / "clip", two_turns()))
    store.add_student(MARK, name=NAME, groups=["9X"])
    store.add_student("CD", groups=["9X"])
    store.set_turns(done.drill_id, f"{MARK} 10 short left, CD 10 short left")
    serve_id = int(store.serves(student_code=MARK).iloc[0]["serve_id"])
    store.correct(serve_id, {"outcome": "let"}, who="LM", seen_revision=0, why=f"{MARK} agrees")
    store.add_note(f"{NAME} was ill", who="LM", student_code=MARK)
    return done.drill_id


def test_nothing_of_a_forgotten_student_is_left_in_any_file(store, marked, tmp_path):
    kept = tmp_path / "kept"
    store.backup(kept / "backup.sqlite")
    page = kept / "page.html"
    page.write_text(f"a page about {MARK}")
    store.note_written(page, "page", student_code=MARK)
    assert _traces(kept, MARK, NAME)
    done = store.forget(MARK)
    store.close()
    assert _traces(tmp_path, MARK, NAME) == []
    assert not page.exists()
    # Two bounces for each of ten serves, and what the fixture made.
    assert done.removed["serves"] == 10
    assert done.removed["bounces"] == 20
    assert done.removed["corrections"] == done.removed["notes"] == done.removed["turns"] == 1
    assert str(kept / "backup.sqlite") in done.backups
    assert any("clip.mp4" in sentence for sentence in done.to_do)


def test_the_others_keep_everything(store, marked):
    before = store.serves(student_code="CD")
    store.forget(MARK)
    after = store.serves(student_code="CD")
    assert before.equals(after)
    assert len(store.bounces(student_code="CD")) == 20


def test_a_drill_of_one_student_goes_whole(store, tmp_path):
    done = store.import_results(write_results(tmp_path / "solo", [serve_row(1, 3.0)], clip="solo"))
    store.set_turns(done.drill_id, "AB 1 short left", make_students=True)
    assert store.forget("AB").drills == ("solo",)
    assert len(store.drills()) == 0


def test_serves_of_an_earlier_analysis_go_too(store, marked, tmp_path):
    rows = two_turns()
    for row in rows:
        row["t_start_s"] += 0.02
    again = store.import_results(write_results(tmp_path / "again", rows, version="0.2.0"))
    # A new list after the new analysis: the earlier serves belong to no turn now.
    store.set_turns(again.drill_id, f"{MARK} serves 1-10, CD serves 11-20")
    store.forget(MARK)
    assert len(store.serves(analysis_id=again.replaced)) == 10


def test_a_forgotten_student_does_not_return_with_an_old_backup(store, marked, tmp_path):
    hidden = tmp_path / "moved.sqlite"
    store.backup(tmp_path / "backup.sqlite").rename(hidden)
    done = store.forget(MARK)
    assert any("backup.sqlite" in sentence for sentence in done.to_do)
    assert store.restore(hidden) == 1
    assert list(store.students()["code"]) == ["CD"]
    assert len(store.serves()) == 10


def test_a_backup_brings_everything_back(store, marked, tmp_path):
    before = store.serves()
    path = store.backup(tmp_path / "b" / "backup.sqlite")
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    store.remove_drill(marked)
    store.add_student("NEW")
    assert store.restore(path) == 0
    assert store.serves().equals(before)
    assert "NEW" not in set(store.students()["code"])
    store.add_student("AFTER")  # the records go on being usable


def test_what_is_no_backup_is_not_brought_back(store, marked, tmp_path):
    wrong = tmp_path / "letter.sqlite"
    wrong.write_text("not a database, but long enough to look at" * 50)
    with pytest.raises(RecordsError, match="is not a records file"):
        store.restore(wrong)
    with pytest.raises(RecordsError, match="no file"):
        store.restore(tmp_path / "nowhere.sqlite")
    assert len(store.serves()) == 20


def test_what_is_due_is_listed(store, tmp_path):
    for week, until in enumerate(("2026-03-01", "2026-04-01", "")):
        store.import_results(
            write_results(tmp_path / str(week), [serve_row(1, 3.0)], clip=f"week{week}"),
            keep_until=until,
        )
    # The last day may still be used: due is what lies before the day asked about.
    assert list(store.due("2026-03-01")["clip"]) == []
    assert list(store.due("2026-03-02")["clip"]) == ["week0"]
    assert list(store.due("2026-12-31")["clip"]) == ["week0", "week1"]
    assert list(store.without_date()["clip"]) == ["week2"]
    with pytest.raises(RecordsError, match="is not a day"):
        store.due("31.12.2026")
