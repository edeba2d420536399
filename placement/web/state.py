"""What the page has to remember beside the records: films brought in, jobs, changes of turns.

One SQLite file in the page's own folder, written by the page and by the process that measures, so
that neither loses anything when the other is ended. Every method is one transaction, and what it
confirmed is on the disk (WAL with `synchronous=FULL`; sqlite.org, "Write-Ahead Logging").
"""

from __future__ import annotations

import json
import secrets
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from placement.records.base import make_private, now

_SCHEMA = """
CREATE TABLE IF NOT EXISTS clip (
    clip_id TEXT PRIMARY KEY, name TEXT NOT NULL, path TEXT NOT NULL, owned INTEGER NOT NULL,
    added_at TEXT NOT NULL, info TEXT NOT NULL DEFAULT '{}', corners TEXT NOT NULL DEFAULT '',
    refine INTEGER NOT NULL DEFAULT 1, about TEXT NOT NULL DEFAULT '{}', drill_id INTEGER);
CREATE TABLE IF NOT EXISTS upload (
    upload_id TEXT PRIMARY KEY, name TEXT NOT NULL, bytes INTEGER NOT NULL, mark TEXT NOT NULL,
    made_at TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS job (
    job_id INTEGER PRIMARY KEY AUTOINCREMENT, clip_id TEXT NOT NULL REFERENCES clip(clip_id),
    state TEXT NOT NULL, done REAL NOT NULL DEFAULT 0, stage TEXT NOT NULL DEFAULT '',
    time_left_s REAL, message TEXT NOT NULL DEFAULT '', beat REAL NOT NULL DEFAULT 0,
    attempts INTEGER NOT NULL DEFAULT 0, cancel INTEGER NOT NULL DEFAULT 0, added_at TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS turn_change (
    change_id INTEGER PRIMARY KEY AUTOINCREMENT, drill_id INTEGER NOT NULL, before TEXT NOT NULL,
    after TEXT NOT NULL, state TEXT NOT NULL, made_at TEXT NOT NULL);
"""

WAITING, RUNNING, DONE, FAILED, CANCELLED = "waiting", "running", "done", "failed", "cancelled"


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """A film that was brought in."""

    clip_id: str
    name: str
    path: Path
    owned: bool  # it lies in the page's own folder
    added_at: str
    info: dict[str, Any]  # what the probe found
    corners: list[list[float]] | None  # as left by a person; None: found by the machine
    refine: bool  # follow the white lines from there
    about: dict[str, str]  # group, day, place, asked, keep until
    drill_id: int | None  # filmed drill in the records, once measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """The measuring of one film."""

    job_id: int
    clip_id: str
    name: str  # of the film
    state: str
    done: float
    stage: str
    time_left_s: float | None
    message: str
    beat: float  # s, clock of the machine, when the process last gave a sign
    attempts: int
    cancel: bool
    drill_id: int | None

    @property
    def is_open(self) -> bool:
        """Whether it is still waiting or running."""
        return self.state in (WAITING, RUNNING)


class PageState:
    """The page's own memory.

    Parameters
    ----------
    path : Path
        File, made where it is new, readable by its owner only.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        make_private(path)
        with self._connection() as connection:
            connection.executescript(_SCHEMA)

    @contextmanager
    def _connection(self) -> Iterator[sqlite3.Connection]:
        connection = sqlite3.connect(self.path, timeout=10.0, isolation_level=None)
        connection.row_factory = sqlite3.Row
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            yield connection
        finally:
            connection.close()

    @contextmanager
    def _write(self) -> Iterator[sqlite3.Connection]:
        with self._connection() as connection:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
            except BaseException:
                connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")

    # films brought in

    def add_clip(self, name: str, path: Path, info: dict[str, Any], *, owned: bool) -> str:
        """Remember a film; the same path is remembered once. Returns its key."""
        with self._write() as connection:
            known = connection.execute(
                "SELECT clip_id FROM clip WHERE path = ?", (str(path),)
            ).fetchone()
            if known:
                return str(known["clip_id"])
            clip_id = secrets.token_hex(6)
            connection.execute(
                "INSERT INTO clip (clip_id, name, path, owned, added_at, info) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (clip_id, name, str(path), int(owned), now(), json.dumps(info)),
            )
            return clip_id

    def clip(self, clip_id: str) -> Clip | None:
        """One film, or None."""
        with self._connection() as connection:
            row = connection.execute("SELECT * FROM clip WHERE clip_id = ?", (clip_id,)).fetchone()
        return _clip(row) if row else None

    def clips(self) -> list[Clip]:
        """All films, the newest first."""
        with self._connection() as connection:
            rows = connection.execute("SELECT * FROM clip ORDER BY added_at DESC").fetchall()
        return [_clip(row) for row in rows]

    def clip_of_drill(self, drill_id: int) -> Clip | None:
        """The film of a filmed drill, where it came in through the page."""
        with self._connection() as connection:
            row = connection.execute(
                "SELECT * FROM clip WHERE drill_id = ?", (drill_id,)
            ).fetchone()
        return _clip(row) if row else None

    def change_clip(self, clip_id: str, **values: Any) -> None:
        """Change columns of a film: ``corners, refine, about, drill_id``."""
        stored = {
            name: json.dumps(value) if name in ("corners", "about") and value is not None else value
            for name, value in values.items()
        }
        if "corners" in stored and stored["corners"] is None:
            stored["corners"] = ""
        unknown = set(stored) - {"corners", "refine", "about", "drill_id"}
        if unknown:
            raise ValueError(f"a film has no {', '.join(sorted(unknown))} to change")
        assignments = ", ".join(f"{name} = ?" for name in stored)
        with self._write() as connection:
            connection.execute(
                f"UPDATE clip SET {assignments} WHERE clip_id = ?",
                (*stored.values(), clip_id),
            )

    def remove_clip(self, clip_id: str) -> None:
        """Forget a film and its jobs; files are not touched here."""
        with self._write() as connection:
            connection.execute("DELETE FROM job WHERE clip_id = ?", (clip_id,))
            connection.execute("DELETE FROM clip WHERE clip_id = ?", (clip_id,))

    # films on their way in

    def begin_upload(self, name: str, n_bytes: int, mark: str) -> str:
        """Key of the upload of this very file, a new one or one that was broken off."""
        with self._write() as connection:
            row = connection.execute(
                "SELECT upload_id FROM upload WHERE name = ? AND bytes = ? AND mark = ?",
                (name, n_bytes, mark),
            ).fetchone()
            if row:
                return str(row["upload_id"])
            upload_id = secrets.token_hex(12)
            connection.execute(
                "INSERT INTO upload VALUES (?, ?, ?, ?, ?)", (upload_id, name, n_bytes, mark, now())
            )
            return upload_id

    def upload(self, upload_id: str) -> tuple[str, int, str] | None:
        """Name, size and mark of a file on its way in, or None."""
        with self._connection() as connection:
            row = connection.execute(
                "SELECT name, bytes, mark FROM upload WHERE upload_id = ?", (upload_id,)
            ).fetchone()
        return (str(row["name"]), int(row["bytes"]), str(row["mark"])) if row else None

    def uploads(self) -> list[str]:
        """Keys of the films that are on their way in or were broken off."""
        with self._connection() as connection:
            rows = connection.execute("SELECT upload_id FROM upload ORDER BY made_at").fetchall()
        return [str(row["upload_id"]) for row in rows]

    def end_upload(self, upload_id: str) -> None:
        """Forget an upload that is complete or was refused."""
        with self._write() as connection:
            connection.execute("DELETE FROM upload WHERE upload_id = ?", (upload_id,))

    # jobs

    def add_job(self, clip_id: str) -> int:
        """Put a film in the queue; one that is waiting or running already is left alone."""
        with self._write() as connection:
            row = connection.execute(
                "SELECT job_id FROM job WHERE clip_id = ? AND state IN (?, ?)",
                (clip_id, WAITING, RUNNING),
            ).fetchone()
            if row:
                return int(row["job_id"])
            added = connection.execute(
                "INSERT INTO job (clip_id, state, added_at) VALUES (?, ?, ?)",
                (clip_id, WAITING, now()),
            )
            return int(added.lastrowid or 0)

    def job(self, job_id: int) -> Job | None:
        """One job, or None."""
        found = [job for job in self.jobs() if job.job_id == job_id]
        return found[0] if found else None

    def jobs(self, *, open_only: bool = False) -> list[Job]:
        """Jobs in the order of the queue."""
        only = "WHERE job.state IN ('waiting', 'running')" if open_only else ""
        with self._connection() as connection:
            rows = connection.execute(
                "SELECT job.*, clip.name, clip.drill_id FROM job JOIN clip USING (clip_id) "
                f"{only} ORDER BY job_id"
            ).fetchall()
        return [_job(row) for row in rows]

    def latest_job(self, clip_id: str) -> Job | None:
        """The last job of a film, or None."""
        found = [job for job in self.jobs() if job.clip_id == clip_id]
        return found[-1] if found else None

    def claim_job(self) -> int | None:
        """Take the next waiting job, unless one is running; None where there is none."""
        with self._write() as connection:
            if connection.execute("SELECT 1 FROM job WHERE state = ?", (RUNNING,)).fetchone():
                return None
            row = connection.execute(
                "SELECT job_id FROM job WHERE state = ? ORDER BY job_id", (WAITING,)
            ).fetchone()
            if row is None:
                return None
            connection.execute(
                "UPDATE job SET state = ?, beat = ?, attempts = attempts + 1, message = '', "
                "done = 0, stage = 'starting', time_left_s = NULL WHERE job_id = ?",
                (RUNNING, time.time(), row["job_id"]),
            )
            return int(row["job_id"])

    def tell_job(
        self,
        job_id: int,
        *,
        done: float | None = None,
        stage: str | None = None,
        time_left_s: float | None = None,
    ) -> bool:
        """Give a sign of life and how far it is; returns whether it should stop."""
        with self._write() as connection:
            connection.execute(
                "UPDATE job SET beat = ?, done = COALESCE(?, done), stage = COALESCE(?, stage), "
                "time_left_s = CASE WHEN ? IS NULL THEN time_left_s ELSE ? END WHERE job_id = ?",
                (time.time(), done, stage, done, time_left_s, job_id),
            )
            row = connection.execute(
                "SELECT cancel, state FROM job WHERE job_id = ?", (job_id,)
            ).fetchone()
            return row is None or bool(row["cancel"]) or row["state"] != RUNNING

    def end_job(
        self, job_id: int, state: str, message: str = "", *, drill_id: int | None = None
    ) -> None:
        """Say how a job ended, and which filmed drill came of it."""
        with self._write() as connection:
            connection.execute(
                "UPDATE job SET state = ?, message = ?, done = CASE WHEN ? THEN 1.0 ELSE done END "
                "WHERE job_id = ? AND state = ?",
                (state, message, state == DONE, job_id, RUNNING),
            )
            if drill_id is not None:
                connection.execute(
                    "UPDATE clip SET drill_id = ? WHERE clip_id = "
                    "(SELECT clip_id FROM job WHERE job_id = ?)",
                    (drill_id, job_id),
                )

    def requeue_job(self, job_id: int) -> None:
        """Put a running job back at its place in the queue."""
        with self._write() as connection:
            connection.execute(
                "UPDATE job SET state = ?, done = 0, stage = '' WHERE job_id = ? AND state = ?",
                (WAITING, job_id, RUNNING),
            )

    def cancel_job(self, job_id: int) -> None:
        """Ask a running job to stop; take a waiting one out of the queue."""
        with self._write() as connection:
            connection.execute(
                "UPDATE job SET cancel = 1, state = CASE WHEN state = 'waiting' THEN 'cancelled' "
                "ELSE state END WHERE job_id = ? AND state IN ('waiting', 'running')",
                (job_id,),
            )

    # changes of turns: written before they are made, so that none is lost half-way

    def begin_turn_change(self, drill_id: int, before: str, after: str) -> int:
        """Note a change of turns that is about to be made."""
        with self._write() as connection:
            connection.execute(
                "DELETE FROM turn_change WHERE drill_id = ? AND state = 'undone'", (drill_id,)
            )
            added = connection.execute(
                "INSERT INTO turn_change (drill_id, before, after, state, made_at) "
                "VALUES (?, ?, ?, 'pending', ?)",
                (drill_id, before, after, now()),
            )
            return int(added.lastrowid or 0)

    def mark_turn_change(self, change_id: int, state: str) -> None:
        """Set a change to ``done`` or ``undone``, or remove one that was refused (``refused``)."""
        with self._write() as connection:
            if state == "refused":
                connection.execute("DELETE FROM turn_change WHERE change_id = ?", (change_id,))
            else:
                connection.execute(
                    "UPDATE turn_change SET state = ? WHERE change_id = ?", (state, change_id)
                )

    def turn_changes(self, state: str, drill_id: int | None = None) -> list[sqlite3.Row]:
        """Changes of turns in a state, oldest first."""
        with self._connection() as connection:
            return connection.execute(
                "SELECT * FROM turn_change WHERE state = ? AND drill_id = COALESCE(?, drill_id) "
                "ORDER BY change_id",
                (state, drill_id),
            ).fetchall()

    def forget_turn_changes(self, drill_ids: list[int] | None = None) -> None:
        """Drop the undo of turns, of some drills or of all: it holds students' codes."""
        with self._write() as connection:
            if drill_ids is None:
                connection.execute("DELETE FROM turn_change")
            for drill_id in drill_ids or ():
                connection.execute("DELETE FROM turn_change WHERE drill_id = ?", (drill_id,))


def _clip(row: sqlite3.Row) -> Clip:
    return Clip(
        clip_id=row["clip_id"],
        name=row["name"],
        path=Path(row["path"]),
        owned=bool(row["owned"]),
        added_at=row["added_at"],
        info=json.loads(row["info"]),
        corners=json.loads(row["corners"]) if row["corners"] else None,
        refine=bool(row["refine"]),
        about=json.loads(row["about"]),
        drill_id=row["drill_id"],
    )


def _job(row: sqlite3.Row) -> Job:
    names = ("job_id", "clip_id", "name", "state", "done", "stage", "time_left_s", "message")
    return Job(
        **{name: row[name] for name in names},
        beat=row["beat"],
        attempts=row["attempts"],
        cancel=bool(row["cancel"]),
        drill_id=row["drill_id"],
    )
