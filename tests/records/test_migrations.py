"""Every earlier version is brought up to date with its data, and looks like new records then."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import inspect, text

from placement.records import Store, StoreError, migrations
from tests.records import old_schemas


def _old(path: Path, version: int) -> Path:
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(getattr(old_schemas, f"VERSION_{version}"))
        connection.executescript(getattr(old_schemas, f"ROWS_{version}"))
        connection.commit()
    return path


def _shape(store: Store) -> dict[str, object]:
    found = inspect(store._engine)

    def keys(table: str) -> list[tuple[str, str, str, str]]:
        with store._read() as connection:
            rows = connection.exec_driver_sql(f"PRAGMA foreign_key_list({table})").mappings()
            return [(r["from"], r["table"], r["to"], r["on_delete"]) for r in rows]

    return {
        name: (
            {
                c["name"]: (str(c["type"]), c["nullable"], str(c["default"]).strip("'"))
                for c in found.get_columns(name)
            },
            found.get_pk_constraint(name)["constrained_columns"],
            sorted(keys(name)),
            sorted(i["column_names"] for i in found.get_indexes(name)),
            sorted(u["column_names"] for u in found.get_unique_constraints(name)),
        )
        for name in sorted(found.get_table_names())
    }


@pytest.mark.parametrize("version", [1, 2, 3, 4])
def test_an_old_file_takes_the_shape_of_a_new_one(tmp_path, version):
    with Store(_old(tmp_path / "old.sqlite", version)) as old, Store(tmp_path / "n.sqlite") as new:
        assert _shape(old) == _shape(new)


@pytest.mark.parametrize("version", [1, 2, 3, 4])
def test_the_data_of_an_old_file_are_carried_over(tmp_path, version):
    with Store(_old(tmp_path / "old.sqlite", version)) as store:
        assert store.student("AB").name == "An Invented Name"
        assert store.student("CD").name == ""
        serves = store.serves(student_code="AB")
        assert list(serves["outcome"]) == ["let", "good"]
        assert list(serves["revision"]) == [1, 0]
        assert list(serves["landing_sd_x_m"]) == [0.008, 0.009]
        assert list(serves["landing_time_s"]) == [2.5, 7.5]
        assert list(store.bounces()["serve_id"].fillna(0)) == [0, 1, 2]
        assert store.notes(student_code="AB").loc[0, "text"] == "a note"
        with store._read() as connection:
            uids = connection.execute(text("SELECT uid FROM student")).scalars().all()
            steps = connection.execute(text("SELECT version FROM schema_version")).scalars().all()
            assert connection.exec_driver_sql("PRAGMA foreign_key_check").all() == []
        assert len(set(uids)) == 2
        assert min(map(len, uids)) >= 32
        assert steps == list(range(version, 6))
        store.undo(1, who="LM")
        assert store.serves().iloc[0]["outcome"] == "good"
        assert "AB" in str(store.forget("AB"))


def test_a_step_that_fails_leaves_the_file_as_it_was(tmp_path, monkeypatch):
    path = _old(tmp_path / "old.sqlite", 1)

    def broken(connection):
        connection.execute(text("ALTER TABLE student ADD COLUMN half_done VARCHAR"))
        raise StoreError("stopped half-way")

    monkeypatch.setitem(migrations._STEPS, 3, broken)
    with pytest.raises(StoreError, match="half-way"):
        Store(path)
    with closing(sqlite3.connect(path)) as connection:
        columns = [row[1] for row in connection.execute("PRAGMA table_info(student)")]
        versions = connection.execute("SELECT version FROM schema_version").fetchall()
    assert columns == ["student_id", "code", "hand", "added_at", "name"]
    assert versions == [(1,)]


def test_a_database_of_something_else_is_left_alone(tmp_path):
    path = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
    with pytest.raises(StoreError, match="other tables"):
        Store(path)
