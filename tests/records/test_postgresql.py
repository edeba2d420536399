"""The records in PostgreSQL: the same answers as from a file, and as safe.

A file is the measure here, whose own tests stand beside this one. The server is started by the
tests; where none is installed these tests are not collected (`conftest.py`).
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from sqlalchemy import select, text

from placement.records import RecordsError, StaleError, Store, StoreError
from placement.records.schema import EXCHANGED, metadata
from tests.records.postgresql import Server, running_server, server_programs
from tests.records.samples import serve_row, two_turns, write_results

TURNS = "AB 10 short left, CD 10 short left"
OF_THE_MOMENT = ("made_at", "imported_at", "undone_at", "uid", "settings_hash")


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    programs = server_programs()
    assert programs is not None
    with running_server(programs) as running:
        yield running


@pytest.fixture
def address(server: Server) -> str:
    """An empty database of the test's own."""
    return server.new_database()


@pytest.fixture
def store(address: str) -> Iterator[Store]:
    with Store(address) as opened:
        yield opened


@pytest.fixture
def filmed(store: Store, tmp_path: Path) -> int:
    """The key of one clip of twenty serves by AB and CD."""
    return _brought_in(store, tmp_path / "out")


def _brought_in(store: Store, folder: Path) -> int:
    done = store.import_results(write_results(folder, two_turns()), filmed_on="2026-03-02")
    store.set_turns(done.drill_id, TURNS, make_students=True)
    return done.drill_id


def _content(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    with store._read() as connection:
        return {
            table.name: [
                tuple(row)
                for row in connection.execute(select(table).order_by(*table.primary_key.columns))
            ]
            for table in EXCHANGED
        }


def _without_moments(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.drop(columns=[name for name in OF_THE_MOMENT if name in frame])


def test_a_database_answers_as_a_file_does(store, tmp_path):
    shown = []
    with Store(tmp_path / "records.sqlite") as file:
        for records in (file, store):
            drill = _brought_in(records, tmp_path / "out")
            ids = [int(key) for key in records.serves()["serve_id"]]
            records.correct(ids[0], {"outcome": "let"}, who="LM", seen_revision=0, why="the net")
            records.correct(ids[1], {"landing_y_m": -0.5}, who="LM", seen_revision=0)
            records.correct(ids[2], {"outcome": "net"}, who="LM", seen_revision=0)
            said = [records.undo(drill, who="LM")]
            records.add_serve(
                drill, {"t_start_s": 55.0, "server_end": -1, "outcome": "net"}, who="LM"
            )
            records.add_note("was ill", who="LM", student_code="AB")
            frames = [
                records.serves(), records.serves(machine_only=True), records.bounces(),
                records.turns(drill), records.students(), records.drills(), records.groups(),
                records.corrections(drill), records.notes(student_code="AB"),
            ]  # fmt: skip
            shown.append((said, [_without_moments(frame) for frame in frames]))
    (said, frames), (said_there, frames_there) = shown
    assert said == said_there
    for one, other in zip(frames, frames_there, strict=True):
        pd.testing.assert_frame_equal(one, other, check_dtype=False, rtol=0, atol=0)


def test_records_move_from_a_file_to_a_database_and_back(store, tmp_path):
    with Store(tmp_path / "a.sqlite") as file:
        _brought_in(file, tmp_path / "out")
        file.change_student("AB", name="An Invented Name é 漢")
        before = _content(file)
        file.export(tmp_path / "there", names=True)
    store.import_export(tmp_path / "there")
    assert _content(store) == before
    store.export(tmp_path / "back", names=True)
    with Store(tmp_path / "b.sqlite") as file:
        file.import_export(tmp_path / "back")
        assert _content(file) == before
    # keys go on counting after the highest that came in
    assert store.add_student("EF").student_id > max(row[0] for row in before["student"])
    again = store.import_results(write_results(tmp_path / "more", two_turns(), clip="more"))
    assert len(store.serves(drill_id=again.drill_id)) == 20


def test_of_many_pages_that_saw_one_revision_one_wins(store, filmed, address):
    """Each page is a connection of its own, as on several computers."""
    serve_id = int(store.serves()["serve_id"].iloc[0])
    won: list[str] = []
    stale: list[str] = []
    start = threading.Barrier(6)

    def change(who: str) -> None:
        with Store(address) as page:
            start.wait()
            try:
                page.correct(serve_id, {"pace_m_s": 5.0}, who=who, seen_revision=0)
                won.append(who)
            except StaleError:
                stale.append(who)

    threads = [threading.Thread(target=change, args=(f"T{i}",)) for i in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(won), len(stale)) == (1, 5)
    assert list(store.corrections(filmed)["who"]) == won


def test_a_clip_brought_in_twice_at_once_is_there_once(address, tmp_path):
    folder = write_results(tmp_path / "out", two_turns())
    start = threading.Barrier(4)
    there: list[bool] = []

    def bring() -> None:
        with Store(address) as page:
            start.wait()
            there.append(page.import_results(folder).already_there)

    threads = [threading.Thread(target=bring) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(there) == [False, True, True, True]
    with Store(address) as store:
        assert len(store.drills()) == 1
        assert len(store.serves()) == 20


def test_nothing_of_a_forgotten_student_is_left_in_any_table(store, filmed):
    store.change_student("AB", name="Wholly Invented Qqzx")
    store.add_note("Qqzx was ill", who="LM", student_code="AB")
    others = store.serves(student_code="CD")
    store.forget("AB")
    with store._read() as connection:
        for table in metadata.sorted_tables:
            for row in connection.execute(select(table)):
                assert not {"AB", "Wholly Invented Qqzx", "Qqzx was ill"} & set(row)
    assert store.serves(student_code="CD").equals(others)


def test_a_change_that_fails_changes_nothing(store, filmed, tmp_path):
    before = _content(store)
    folder = write_results(tmp_path / "bad", [serve_row(1, 3.0)], clip="bad")
    (folder / "bounces.csv").unlink()
    with pytest.raises(RecordsError, match="missing"):
        store.import_results(folder)
    with pytest.raises(RecordsError, match="names ZZ"):
        store.set_turns(filmed, "ZZ 20")
    assert _content(store) == before


def test_what_only_a_file_can_do_is_a_sentence(store, tmp_path):
    with pytest.raises(StoreError, match="by the server's own means, or with `export`"):
        store.backup(tmp_path / "backup.sqlite")
    with pytest.raises(StoreError, match="only be brought back into a records file"):
        store.restore(tmp_path / "backup.sqlite")


def test_newer_records_and_other_databases_are_refused(server, address):
    with Store(address) as store, store._write() as connection:
        connection.execute(text("INSERT INTO schema_version VALUES (99, '')"))
    with pytest.raises(StoreError, match="newer"):
        Store(address)
    other = server.new_database()
    with Store(other) as store, store._write() as connection:
        connection.execute(text("ALTER TABLE schema_version RENAME TO something_else"))
    with pytest.raises(StoreError, match="other tables"):
        Store(other)


def test_a_database_that_is_not_there_is_one_sentence(server):
    for address in (server.address("none"), "postgresql+psycopg://tester@127.0.0.1:1/records"):
        with pytest.raises(StoreError, match="cannot be reached") as error:
            Store(address)
        assert "\n" not in str(error.value)
