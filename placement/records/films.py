"""Filmed drills: when, where and of whom, where the clip and its results are now."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import Connection, select, update

from placement.records.errors import RecordsError
from placement.records.people import PeopleMixin
from placement.records.results import results_hash
from placement.records.schema import analysis, class_group, drill, turn
from placement.records.texts import clean_text


@dataclass(frozen=True, slots=True, kw_only=True)
class Drill:
    """One filmed drill."""

    drill_id: int
    group: str
    clip: str
    clip_path: str
    clip_sha256: str
    duration_s: float | None
    width: int | None
    height: int | None
    fps: float | None
    filmed_on: str
    place: str
    asked: str
    keep_until: str
    analysis_id: int
    version: str
    imported_at: str
    results_path: str  # folder that the results were read from
    settings: dict[str, Any] = field(hash=False)
    calibration_summary: dict[str, Any] = field(hash=False)
    calibration: dict[str, Any] = field(hash=False)


class FilmsMixin(PeopleMixin):
    """What `Store` does with filmed drills."""

    def drill(self, drill_id: int) -> Drill:
        """One filmed drill with the analysis in use.

        Raises
        ------
        RecordsError
            If there is no such drill.
        """
        statement = (
            select(
                drill,
                class_group.c.name.label("group"),
                analysis.c.analysis_id,
                analysis.c.version,
                analysis.c.imported_at,
                analysis.c.results_path,
                analysis.c.settings,
                analysis.c.calibration,
                analysis.c.calibration_summary,
            )
            .join(analysis, (analysis.c.drill_id == drill.c.drill_id) & (analysis.c.current == 1))
            .outerjoin(class_group, class_group.c.group_id == drill.c.group_id)
            .where(drill.c.drill_id == drill_id)
        )
        with self._read() as connection:
            row = connection.execute(statement).mappings().first()
        if row is None:
            raise RecordsError(f"there is no filmed drill {drill_id}; `drills` lists them")
        names = [name for name in Drill.__slots__ if name not in _JSON_FIELDS]
        values = {name: row[name] for name in names}
        values["group"] = values["group"] or ""
        return Drill(**values, **{name: json.loads(row[name] or "{}") for name in _JSON_FIELDS})

    def drills(self, *, group: str | None = None, student: str | None = None) -> pd.DataFrame:
        """Filmed drills, oldest first.

        Parameters
        ----------
        group : str, optional
            Only those of this group.
        student : str, optional
            Only those in which this student served.

        Returns
        -------
        DataFrame
            ``drill_id, filmed_on, group, clip, place, asked, keep_until, analysis_id, version``.
        """
        statement = (
            select(
                drill.c.drill_id,
                drill.c.filmed_on,
                class_group.c.name.label("group"),
                drill.c.clip,
                drill.c.place,
                drill.c.asked,
                drill.c.keep_until,
                analysis.c.analysis_id,
                analysis.c.version,
            )
            .join(analysis, (analysis.c.drill_id == drill.c.drill_id) & (analysis.c.current == 1))
            .outerjoin(class_group, class_group.c.group_id == drill.c.group_id)
            .order_by(drill.c.filmed_on, drill.c.drill_id)
        )
        with self._read() as connection:
            if group is not None:
                statement = statement.where(drill.c.group_id == self._group_id(connection, group))
            if student is not None:
                statement = statement.where(
                    drill.c.drill_id.in_(
                        select(turn.c.drill_id).where(
                            turn.c.student_id == self._student_id(connection, student)
                        )
                    )
                )
            frame = self._frame(statement, connection)
        frame["group"] = frame["group"].fillna("")
        return frame

    def describe_drill(
        self,
        drill_id: int,
        *,
        group: str | None = None,
        filmed_on: str | None = None,
        place: str | None = None,
        asked: str | None = None,
        keep_until: str | None = None,
    ) -> None:
        """Say when, where and what was filmed; what is left out stays as it is."""
        given = {
            "group": group,
            "filmed_on": filmed_on,
            "place": place,
            "asked": asked,
            "keep_until": keep_until,
        }
        with self._write() as connection:
            self._check_drill(connection, drill_id)
            values = self._about({k: v for k, v in given.items() if v is not None}, connection)
            if values:
                connection.execute(
                    update(drill).where(drill.c.drill_id == drill_id).values(**values)
                )

    def locate_clip(self, drill_id: int, path: str | Path | None = None) -> Path:
        """Where the clip of a drill is now.

        Parameters
        ----------
        drill_id : int
            Filmed drill.
        path : str or Path, optional
            New place of a clip that was moved; it is kept if its hash is that of the clip.

        Returns
        -------
        Path
            The clip.

        Raises
        ------
        RecordsError
            If the clip is not where it was, or the file given is another one.
        """
        film = self.drill(drill_id)
        if path is None:
            where = Path(film.clip_path)
            if film.clip_path and where.is_file():
                return where
            raise RecordsError(
                f"the clip of drill {drill_id} is no longer at {film.clip_path or '(no path)'}; "
                f"say where it is with `locate {drill_id} FILE`"
            )
        where = Path(path).absolute()
        if not where.is_file():
            raise RecordsError(f"there is no file {where}")
        if file_sha256(where) != film.clip_sha256:
            raise RecordsError(
                f"{where} is not the clip of drill {drill_id}: its content (SHA-256) is different"
            )
        with self._write() as connection:
            connection.execute(
                update(drill).where(drill.c.drill_id == drill_id).values(clip_path=str(where))
            )
        return where

    def results_folder(self, drill_id: int) -> Path | None:
        """The results folder of a drill's present analysis, if it is still there.

        Parameters
        ----------
        drill_id : int
            Filmed drill.

        Returns
        -------
        Path or None
            None where the folder has gone, or holds another analysis by now.

        Raises
        ------
        RecordsError
            If there is no such drill.
        """
        statement = (
            select(analysis.c.results_path, analysis.c.settings_hash, drill.c.clip_sha256)
            .join(drill, drill.c.drill_id == analysis.c.drill_id)
            .where(drill.c.drill_id == drill_id, analysis.c.current == 1)
        )
        with self._read() as connection:
            row = connection.execute(statement).first()
        if row is None:
            raise RecordsError(f"there is no filmed drill {drill_id}; `drills` lists them")
        if not row.results_path or not (Path(row.results_path) / "run.json").is_file():
            return None
        try:
            there = results_hash(row.results_path)
        except RecordsError:
            return None
        same = (row.clip_sha256, row.settings_hash)
        return Path(row.results_path) if there == same else None

    def calibration_text(self, drill_id: int) -> str:
        """The calibration of a drill's present analysis, JSON as the analysis wrote it."""
        return json.dumps(self.drill(drill_id).calibration)

    def _about(self, given: Mapping[str, str], connection: Connection) -> dict[str, Any]:
        values: dict[str, Any] = {}
        for key, text in given.items():
            if key == "group":
                values["group_id"] = self._group_id(connection, text, make=True) if text else None
            elif key in ("filmed_on", "keep_until"):
                values[key] = clean_day(text, key.replace("_", " ")) if text else ""
            else:
                values[key] = clean_text(text, key)
        return values

    def _check_drill(self, connection: Connection, drill_id: int) -> int:
        """The analysis in use of a drill; raises where there is no such drill."""
        found = connection.execute(
            select(analysis.c.analysis_id).where(
                analysis.c.drill_id == drill_id, analysis.c.current == 1
            )
        ).scalar()
        if found is None:
            raise RecordsError(f"there is no filmed drill {drill_id}; `drills` lists them")
        return int(found)


_JSON_FIELDS = ("settings", "calibration_summary", "calibration")


def clean_day(text: str, what: str) -> str:
    """A day as YYYY-MM-DD.

    Raises
    ------
    RecordsError
        If it is not one.
    """
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError as error:
        raise RecordsError(f"{what}: {text!r} is not a day; write it as 2026-03-31") from error


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
