"""Forgetting a student in one step, and what is due to be removed.

What is removed: name, membership, turns, the serves and bounces of those turns in every analysis,
corrections of them, notes, the pages this tool wrote about the student, and a drill in which nobody
else served; in the records and in every backup that this tool made and that is still where it was
put. SQLite overwrites what is removed (`secure_delete`), and the file is rewritten afterwards.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import pandas as pd
from sqlalchemy import Connection, delete, func, insert, select

from placement.records.base import StoreBase, now
from placement.records.errors import RecordsError
from placement.records.films import clean_day
from placement.records.reanalysis import SAME_SERVE_S
from placement.records.schema import (
    analysis,
    bounce,
    class_group,
    correction,
    drill,
    forgotten,
    note,
    serve,
    student,
    student_name,
    turn,
    written_file,
)
from placement.records.turnbook import TurnsMixin


@dataclass(frozen=True, slots=True, kw_only=True)
class Forgotten:
    """What was removed, and what only the user can remove."""

    code: str
    removed: dict[str, int] = field(hash=False)  # number of rows by what they are
    drills: tuple[str, ...]  # clips whose records were removed whole
    backups: tuple[str, ...]  # backups that were cleaned
    pages: tuple[str, ...]  # files that were deleted
    to_do: tuple[str, ...]  # sentences on what this tool cannot reach

    def __str__(self) -> str:
        """What was removed, in sentences."""
        rows = ", ".join(f"{n} {what}" for what, n in self.removed.items() if n)
        lines = [f"Removed of {self.code}: {rows or 'nothing'}."]
        if self.drills:
            lines.append("Records removed whole: " + ", ".join(self.drills) + ".")
        if self.backups:
            lines.append("Also removed from the backups " + ", ".join(self.backups) + ".")
        if self.pages:
            lines.append("Deleted " + ", ".join(self.pages) + ".")
        return "\n".join([*lines, *self.to_do])


class ForgetMixin(TurnsMixin):
    """What `Store` does to forget and to keep only what may be kept."""

    def forget(self, code: str) -> Forgotten:
        """Remove all that is kept about a student.

        Parameters
        ----------
        code : str
            Initials or candidate number.

        Returns
        -------
        Forgotten
            What was removed, and what only the user can remove: the clips themselves.

        Raises
        ------
        RecordsError
            If there is no such student.
        """
        with self._read() as connection:
            student_id = self._student_id(connection, code)
            uid = connection.execute(
                select(student.c.uid).where(student.c.student_id == student_id)
            ).scalar_one()
            clips, results = _places_of(connection, student_id)
            files = connection.execute(select(written_file)).all()
        # Files first: if this is interrupted, the student is still there to be forgotten again.
        pages = [row.path for row in files if row.student_uid == uid and _delete(Path(row.path))]
        cleaned: list[str] = []
        to_do: list[str] = []
        for row in files:
            if row.kind == "backup":
                if _clean_backup(row.path, uid):
                    cleaned.append(row.path)
                else:
                    to_do.append(
                        f"The backup {row.path} is not there or cannot be written: delete it "
                        "wherever it is; brought back, it would not bring the student back."
                    )
            elif row.kind in ("export", "overview") and Path(row.path).exists():
                to_do.append(f"The {row.kind} {row.path} may still name {code}: delete it.")
        with self._write() as connection:
            removed, drills = _remove_student(connection, student_id)
            connection.execute(insert(forgotten).values(uid=uid, forgotten_on=now()[:10]))
            connection.execute(delete(written_file).where(written_file.c.student_uid == uid))
        self._compact()
        if clips:
            to_do.append("The clips are left alone; cut or delete them: " + ", ".join(clips) + ".")
        if results:
            to_do.append(
                "The results folders name nobody but belong to these clips: "
                + ", ".join(results)
                + "."
            )
        return Forgotten(
            code=code,
            removed=removed,
            drills=tuple(drills),
            backups=tuple(cleaned),
            pages=tuple(pages),
            to_do=tuple(to_do),
        )

    def remove_drill(self, drill_id: int) -> dict[str, int]:
        """Remove a filmed drill with its analyses, turns, serves, corrections and notes.

        Returns
        -------
        dict
            Number of rows removed by what they are. The clip itself is left alone.
        """
        with self._write() as connection:
            self._check_drill(connection, drill_id)
            removed = _remove_drill(connection, drill_id)
        self._compact()
        return removed

    def due(self, on: str | None = None) -> pd.DataFrame:
        """Filmed drills that may no longer be kept.

        Parameters
        ----------
        on : str, optional
            A day, YYYY-MM-DD; today if left out.

        Returns
        -------
        DataFrame
            ``drill_id, keep_until, filmed_on, group, clip, clip_path``, and whether the clip is
            still where it was (``clip_there``); the longest overdue first.
        """
        day = clean_day(on, "the day") if on else date.today().isoformat()
        frame = self._frame(
            select(
                drill.c.drill_id,
                drill.c.keep_until,
                drill.c.filmed_on,
                class_group.c.name.label("group"),
                drill.c.clip,
                drill.c.clip_path,
            )
            .outerjoin(class_group, class_group.c.group_id == drill.c.group_id)
            .where(drill.c.keep_until != "", drill.c.keep_until < day)
            .order_by(drill.c.keep_until, drill.c.drill_id)
        )
        frame["group"] = frame["group"].fillna("")
        frame["clip_there"] = [bool(p) and Path(p).is_file() for p in frame["clip_path"]]
        return frame

    def without_date(self) -> pd.DataFrame:
        """Filmed drills for which no last day was set: ``drill_id, filmed_on, clip``."""
        return self._frame(
            select(drill.c.drill_id, drill.c.filmed_on, drill.c.clip)
            .where(drill.c.keep_until == "")
            .order_by(drill.c.drill_id)
        )

    def note_written(self, path: str | Path, kind: str, *, student_code: str = "") -> None:
        """Remember a file this tool wrote, so that it can be cleaned or deleted later.

        Parameters
        ----------
        path : str or Path
            File or folder.
        kind : str
            ``backup``, ``export``, ``page`` or ``overview``.
        student_code : str
            The one student it is about.
        """
        text = str(Path(path).absolute())
        with self._write() as connection:
            uid = ""
            if student_code:
                uid = connection.execute(
                    select(student.c.uid).where(
                        student.c.student_id == self._student_id(connection, student_code)
                    )
                ).scalar_one()
            connection.execute(delete(written_file).where(written_file.c.path == text))
            connection.execute(
                insert(written_file).values(path=text, kind=kind, student_uid=uid, made_at=now())
            )

    def written_files(self) -> pd.DataFrame:
        """Files this tool wrote: ``path, kind, made_at`` and whether they are still ``there``."""
        frame = self._frame(
            select(written_file.c.path, written_file.c.kind, written_file.c.made_at).order_by(
                written_file.c.file_id
            )
        )
        return frame.assign(there=[Path(p).exists() for p in frame["path"]])

    def _compact(self) -> None:
        """Rewrite the file, so that nothing removed is left in it or in its log."""
        if self.path is None:
            return
        with self._translated(), self._writing, self._engine.connect() as connection:
            driver = connection.connection.dbapi_connection
            if driver is not None:
                driver.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                driver.execute("VACUUM")
                driver.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def forget_uids(connection: Connection, uids: list[str]) -> int:
    """Remove the students with these marks, where they are present; returns how many were."""
    found = connection.execute(select(student.c.student_id).where(student.c.uid.in_(uids)))
    ids = found.scalars().all()
    for student_id in ids:
        _remove_student(connection, student_id)
    return len(ids)


def _clean_backup(path: str, uid: str) -> bool:
    file = Path(path)
    if not file.is_file():
        return False
    try:
        with _Backup(file) as backup:
            backup.forget_uid(uid)
    except (RecordsError, OSError):
        return False
    return True


class _Backup(StoreBase):
    """A backup, opened only to remove a student from it."""

    def forget_uid(self, uid: str) -> None:
        with self._write() as connection:
            forget_uids(connection, [uid])
            known = connection.execute(select(forgotten.c.uid).where(forgotten.c.uid == uid))
            if known.first() is None:
                connection.execute(insert(forgotten).values(uid=uid, forgotten_on=now()[:10]))
        ForgetMixin._compact(self)  # type: ignore[arg-type]
        with self._engine.connect() as connection:
            driver = connection.connection.dbapi_connection
            if driver is not None:  # a backup is one file: no log beside it
                driver.execute("PRAGMA journal_mode = DELETE")


def _places_of(connection: Connection, student_id: int) -> tuple[list[str], list[str]]:
    """Clips in which a student served, and the results folders of those clips."""
    mine = select(turn.c.drill_id).where(turn.c.student_id == student_id)
    clips = connection.execute(
        select(drill.c.clip, drill.c.clip_path).where(drill.c.drill_id.in_(mine))
    )
    results = connection.execute(
        select(analysis.c.results_path).where(analysis.c.drill_id.in_(mine)).distinct()
    ).scalars()
    return [row.clip_path or row.clip for row in clips], [path for path in results if path]


def _delete(path: Path) -> bool:
    if path.is_dir():
        shutil.rmtree(path)
        return True
    try:
        path.unlink()
    except FileNotFoundError:
        return False
    return True


def _remove_student(connection: Connection, student_id: int) -> tuple[dict[str, int], list[str]]:
    turns = connection.execute(select(turn).where(turn.c.student_id == student_id)).all()
    drill_ids = sorted({row.drill_id for row in turns})
    alone = [
        drill_id
        for drill_id in drill_ids
        if not connection.execute(
            select(func.count()).where(turn.c.drill_id == drill_id, turn.c.student_id != student_id)
        ).scalar()
    ]
    removed: dict[str, int] = {}
    clips = []
    for drill_id in alone:
        clips.append(
            connection.execute(
                select(drill.c.clip).where(drill.c.drill_id == drill_id)
            ).scalar_one()
        )
        _add(removed, _remove_drill(connection, drill_id))
    for row in turns:
        if row.drill_id not in alone:
            _add(removed, _remove_turn(connection, row))
    name = connection.execute(
        delete(student_name).where(student_name.c.student_id == student_id)
    ).rowcount
    notes = connection.execute(delete(note).where(note.c.student_id == student_id)).rowcount
    connection.execute(delete(student).where(student.c.student_id == student_id))
    _add(removed, {"notes": notes, "names": name, "students": 1})
    return removed, clips


def _remove_turn(connection: Connection, row: object) -> dict[str, int]:
    turn_id, drill_id = row.turn_id, row.drill_id  # type: ignore[attr-defined]
    start, end = row.t_from_s, row.t_to_s  # type: ignore[attr-defined]
    analyses = select(analysis.c.analysis_id).where(analysis.c.drill_id == drill_id)
    # Serves of earlier analyses that belong to no turn now, but are the same serves.
    known = serve.alias()
    mine = (serve.c.turn_id == turn_id) | (
        serve.c.analysis_id.in_(analyses)
        & serve.c.turn_id.is_(None)
        & select(known.c.serve_id)
        .where(
            known.c.turn_id == turn_id,
            func.abs(known.c.t_start_s - serve.c.t_start_s) < SAME_SERVE_S,
        )
        .exists()
    )
    if start is not None and end is not None:
        mine = mine | (
            serve.c.analysis_id.in_(analyses)
            & serve.c.turn_id.is_(None)
            & (serve.c.t_start_s >= start)
            & (serve.c.t_start_s < end)
        )
    ids = connection.execute(select(serve.c.serve_id).where(mine)).scalars().all()
    theirs = bounce.c.serve_id.in_(ids)
    if start is not None and end is not None:
        theirs = theirs | (
            bounce.c.analysis_id.in_(analyses)
            & bounce.c.serve_id.is_(None)
            & (bounce.c.time_s >= start)
            & (bounce.c.time_s < end)
        )
    removed = {
        "corrections": connection.execute(
            delete(correction).where(correction.c.serve_id.in_(ids))
        ).rowcount,
        "bounces": connection.execute(delete(bounce).where(theirs)).rowcount,
    }
    removed["serves"] = connection.execute(delete(serve).where(serve.c.serve_id.in_(ids))).rowcount
    removed["turns"] = connection.execute(delete(turn).where(turn.c.turn_id == turn_id)).rowcount
    return removed


def _remove_drill(connection: Connection, drill_id: int) -> dict[str, int]:
    analyses = select(analysis.c.analysis_id).where(analysis.c.drill_id == drill_id)
    serves = select(serve.c.serve_id).where(serve.c.analysis_id.in_(analyses))
    removed = {}
    for what, statement in (
        ("corrections", delete(correction).where(correction.c.serve_id.in_(serves))),
        ("bounces", delete(bounce).where(bounce.c.analysis_id.in_(analyses))),
        ("serves", delete(serve).where(serve.c.analysis_id.in_(analyses))),
        ("turns", delete(turn).where(turn.c.drill_id == drill_id)),
        ("notes", delete(note).where(note.c.drill_id == drill_id)),
        ("analyses", delete(analysis).where(analysis.c.drill_id == drill_id)),
        ("drills", delete(drill).where(drill.c.drill_id == drill_id)),
    ):
        removed[what] = connection.execute(statement).rowcount
    return removed


def _add(total: dict[str, int], more: dict[str, int]) -> None:
    for what, n in more.items():
        total[what] = total.get(what, 0) + n
