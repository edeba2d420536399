"""Trouble with disks, files and other programs: one sentence each, and nothing lost."""

from __future__ import annotations

import contextlib
import multiprocessing
import random
import re
import sqlite3
import time
from contextlib import closing
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from placement.records import Store, StoreError, base
from placement.records.errors import sentence_for
from tests.records.samples import serve_row, two_turns, write_results


def _one_sentence(error: pytest.ExceptionInfo[StoreError]) -> None:
    text = str(error.value)
    assert "\n" not in text
    assert "Traceback" not in text
    assert "sqlite3" not in text


def test_a_full_disk_is_said_and_changes_nothing(store, filmed, tmp_path):
    # SQLite raises its own "database or disk is full" at this limit, as for a full disk.
    many = [serve_row(i, 3.0 * i) for i in range(1, 900)]
    folder = write_results(tmp_path / "big", many, clip="b")
    with store._engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages + 2}")
    with pytest.raises(StoreError, match=r"disk that holds .* is full") as error:
        store.import_results(folder)
    _one_sentence(error)
    assert len(store.drills()) == 1
    assert len(store.serves()) == 20


@pytest.mark.parametrize("what", ["file", "folder"])
def test_a_place_that_cannot_be_written_is_said(tmp_path, monkeypatch, what):
    if what == "folder":
        (tmp_path / "place").write_text("a file where a folder is needed")
        with pytest.raises(StoreError) as error:
            Store(tmp_path / "place" / "records.sqlite")
    else:
        Store(tmp_path / "records.sqlite").close()

        def denied(path: Path) -> None:
            raise PermissionError(13, "Permission denied", str(path))

        monkeypatch.setattr(base, "make_private", denied)
        with pytest.raises(StoreError, match="read-only") as error:
            Store(tmp_path / "records.sqlite")
    _one_sentence(error)


def test_a_read_only_file_is_said(tmp_path):
    path = tmp_path / "records.sqlite"
    Store(path).close()
    with Store(path) as store:
        with store._engine.connect() as connection:
            # The same answer of SQLite as for a read-only file, also for the superuser.
            connection.exec_driver_sql("PRAGMA query_only = ON")
        with pytest.raises(StoreError, match="read-only; choose another place") as error:
            store.add_student("AB")
    _one_sentence(error)


def test_a_second_program_that_writes_is_waited_for_and_then_said(store, filmed, monkeypatch):
    with closing(sqlite3.connect(store.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with store._engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA busy_timeout = 100")
        begun = time.monotonic()
        with pytest.raises(StoreError, match="another program is writing") as error:
            store.add_student("EF")
        assert time.monotonic() - begun < 4.0
        _one_sentence(error)
        assert len(store.serves()) == 20  # reading goes on
        other.execute("ROLLBACK")
    store.add_student("EF")


def test_a_file_that_is_something_else_is_said(tmp_path):
    path = tmp_path / "records.sqlite"
    path.write_text("these are no records\n" * 100)
    with pytest.raises(StoreError, match="is not a records file") as error:
        Store(path)
    _one_sentence(error)
    with pytest.raises(StoreError, match="is a folder"):
        Store(tmp_path)


@pytest.mark.parametrize("place", ["nonsense://x", "postgresql+nodriver://h/db"])
def test_an_address_that_cannot_be_used_is_said(place):
    with pytest.raises(StoreError) as error:
        Store(place)
    _one_sentence(error)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("database is locked", "another program is writing"),
        ("attempt to write a readonly database", "read-only"),
        ("unable to open database file", "cannot be opened"),
        ("database or disk is full", "is full"),
        ("disk I/O error", "could not be read or written"),
        ("file is not a database", "not a records file"),
        ("database disk image is malformed", "damaged"),
        ("connection failed: Connection refused", "cannot be reached"),
    ],
)
def test_each_trouble_of_a_database_has_its_sentence(text, match):
    """The texts are those of SQLite's result codes (sqlite.org) and of PostgreSQL's libpq."""
    said = sentence_for(sqlite3.OperationalError(text), "FILE")
    assert said is not None
    assert re.search(match, said)
    assert "FILE" in said


def test_a_slip_of_the_programmer_keeps_its_traceback():
    assert sentence_for(sqlite3.OperationalError("no such column: x"), "FILE") is None


def _write_for_ever(folder: Path, count: int, told: Connection) -> None:
    """Correct and import without end; tell of each change after it was confirmed."""
    with Store(folder / "records.sqlite") as store:
        drill = int(store.drills()["drill_id"].iloc[0])
        serves = store.serves(drill_id=drill)
        ids = serves["serve_id"].tolist()
        revision = dict(zip(ids, serves["revision"].tolist(), strict=True))
        while True:
            serve_id = ids[count % len(ids)]
            revision[serve_id] = store.correct(
                serve_id,
                {"pace_m_s": float(count % 30), "outcome": "let"},
                who="LM",
                seen_revision=revision[serve_id],
            )
            told.send(("correction", serve_id, revision[serve_id]))
            results = write_results(folder / "out" / f"c{count}", two_turns(), clip=f"c{count}")
            told.send(("import", store.import_results(results).drill_id, 0))
            count += 1


def _confirmed_until_killed(
    tmp_path: Path, count: int, after_s: float
) -> list[tuple[str, int, int]]:
    methods = multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_write_for_ever, args=(tmp_path, count, there))
    process.start()
    there.close()
    confirmed = [here.recv()]  # it is at work now; kill it at a random moment
    time.sleep(after_s)
    process.kill()
    process.join()
    with contextlib.suppress(EOFError, OSError):
        while here.poll():
            confirmed.append(here.recv())
    here.close()
    assert process.exitcode != 0
    process.close()
    return confirmed


def _kill_at_random(tmp_path: Path, times: int, seed: int) -> None:
    rng = random.Random(seed)
    if "forkserver" in multiprocessing.get_all_start_methods():
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload([__name__])
    with Store(tmp_path / "records.sqlite") as store:
        store.import_results(write_results(tmp_path / "out" / "first", two_turns(), clip="first"))
    confirmed_revision: dict[int, int] = {}
    confirmed_drills: set[int] = set()
    for attempt in range(times):
        told = _confirmed_until_killed(tmp_path, 1 + 1000 * attempt, rng.uniform(0.0, 0.15))
        for what, key, revision in told:
            if what == "correction":
                confirmed_revision[key] = revision
            else:
                confirmed_drills.add(key)
        with closing(sqlite3.connect(tmp_path / "records.sqlite")) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        with Store(tmp_path / "records.sqlite") as store:
            serves = store.serves()
            assert confirmed_drills <= set(store.drills()["drill_id"])
            # Every drill came in whole.
            assert set(serves.groupby("drill_id").size()) == {20}
            now = dict(zip(serves["serve_id"], serves["revision"], strict=True))
            for serve_id, revision in confirmed_revision.items():
                assert now[serve_id] >= revision
            # A correction is there with all of its values or with none.
            drill = int(store.drills()["drill_id"].iloc[0])
            log = store.corrections(drill)
            if len(log):
                assert set(log.groupby("batch").size()) == {2}
    assert confirmed_revision


def test_killed_at_random_moments_nothing_confirmed_is_lost(tmp_path):
    _kill_at_random(tmp_path, 20, seed=4)


@pytest.mark.slow
def test_killed_two_hundred_times_nothing_confirmed_is_lost(tmp_path):
    _kill_at_random(tmp_path, 200, seed=5)
