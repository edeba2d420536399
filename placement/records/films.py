"""Filmed drills and their analyses: bring in, compare versions, find a clip that moved."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import Connection, insert, select, update

from placement.records.base import now
from placement.records.errors import RecordsError
from placement.records.people import PeopleMixin, clean_text
from placement.records.reanalysis import carry_over, compare_analyses, describe_changes
from placement.records.results import Results, read_results, results_hash
from placement.records.schema import analysis, bounce, class_group, drill, serve, turn


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What happened as a results folder was brought in."""

    drill_id: int
    analysis_id: int
    clip: str
    n_serves: int
    n_bounces: int
    already_there: bool  # nothing was changed
    replaced: int | None = None  # analysis that was in use before; it is kept
    changed: tuple[str, ...] = ()  # what is different from it, one sentence each
    lost_corrections: tuple[str, ...] = ()  # corrections that found no serve in the new analysis


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
    """What `Store` does with filmed drills and their analyses."""

    def import_results(
        self,
        folder: str | Path,
        *,
        group: str = "",
        filmed_on: str = "",
        place: str = "",
        asked: str = "",
        keep_until: str = "",
    ) -> Imported:
        """Bring in the results of one clip.

        The same results are taken once: clip hash, version of the tool, settings and results
        decide. New results of a known clip become the ones in use; the earlier analysis is kept.
        Turns and corrections go with the serves, which are recognised by their moment.

        Parameters
        ----------
        folder : str or Path
            Results folder of one clip.
        group, place, asked : str
            Group that was filmed, where, and what was asked of the students.
        filmed_on, keep_until : str
            Days, YYYY-MM-DD.

        Returns
        -------
        Imported
            What was stored and what changed.

        Raises
        ------
        RecordsError
            If the folder cannot be understood.
        """
        results = read_results(folder)
        return self.import_read_results(
            results,
            group=group,
            filmed_on=filmed_on,
            place=place,
            asked=asked,
            keep_until=keep_until,
        )

    def import_read_results(self, results: Results, **about: str) -> Imported:
        """Bring in results that are already read; see `import_results`."""
        values = {key: text for key, text in about.items() if text}
        with self._write() as connection:
            drill_id = self._drill_for(connection, results, values)
            known = connection.execute(
                select(analysis.c.analysis_id).where(
                    analysis.c.drill_id == drill_id,
                    analysis.c.version == results.version,
                    analysis.c.settings_hash == results.settings_hash,
                )
            ).scalar()
            if known is not None:
                connection.execute(  # the folder may have been moved
                    update(analysis)
                    .where(analysis.c.analysis_id == known)
                    .values(results_path=str(results.folder))
                )
                return Imported(
                    drill_id=drill_id,
                    analysis_id=known,
                    clip=results.clip,
                    n_serves=len(results.serves),
                    n_bounces=len(results.bounces),
                    already_there=True,
                )
            before = connection.execute(
                select(analysis.c.analysis_id).where(
                    analysis.c.drill_id == drill_id, analysis.c.current == 1
                )
            ).scalar()
            connection.execute(
                update(analysis).where(analysis.c.drill_id == drill_id).values(current=0)
            )
            analysis_id = _insert_analysis(connection, drill_id, results)
            lost: list[str] = []
            changed: list[str] = []
            if before is not None:
                lost = carry_over(connection, before, analysis_id)
                changed = describe_changes(compare_analyses(connection, before, analysis_id))
            return Imported(
                drill_id=drill_id,
                analysis_id=analysis_id,
                clip=results.clip,
                n_serves=len(results.serves),
                n_bounces=len(results.bounces),
                already_there=False,
                replaced=before,
                changed=tuple(changed),
                lost_corrections=tuple(lost),
            )

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

    def analyses(self, drill_id: int) -> pd.DataFrame:
        """All analyses of a drill, oldest first: ``analysis_id, version, imported_at, current``."""
        return self._frame(
            select(
                analysis.c.analysis_id,
                analysis.c.version,
                analysis.c.imported_at,
                analysis.c.settings,
                analysis.c.current,
            )
            .where(analysis.c.drill_id == drill_id)
            .order_by(analysis.c.analysis_id)
        )

    def changes(self, earlier: int, later: int) -> pd.DataFrame:
        """What is different between two analyses of one clip, serve by serve.

        Parameters
        ----------
        earlier, later : int
            Analyses.

        Returns
        -------
        DataFrame
            ``t_start_s, number_earlier, number_later, what, earlier, later``; ``what`` is
            ``found``, ``lost`` or a column of the serves. The machine's answers are compared, not
            corrections.
        """
        with self._read() as connection:
            return compare_analyses(connection, earlier, later)

    def _drill_for(self, connection: Connection, results: Results, about: Mapping[str, str]) -> int:
        found = connection.execute(
            select(drill.c.drill_id).where(drill.c.clip_sha256 == results.sha256)
        ).scalar()
        values = self._about(about, connection)
        if found is not None:
            if values:
                connection.execute(update(drill).where(drill.c.drill_id == found).values(**values))
            return int(found)
        return int(
            connection.execute(
                insert(drill)
                .values(
                    clip=results.clip,
                    clip_path=results.clip_path,
                    clip_sha256=results.sha256,
                    duration_s=results.duration_s,
                    width=results.width,
                    height=results.height,
                    fps=results.fps,
                    added_at=now(),
                    **values,
                )
                .returning(drill.c.drill_id)
            ).scalar_one()
        )

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


def _insert_analysis(connection: Connection, drill_id: int, results: Results) -> int:
    analysis_id = connection.execute(
        insert(analysis)
        .values(
            drill_id=drill_id,
            version=results.version,
            settings_hash=results.settings_hash,
            settings=results.settings,
            calibration=results.calibration,
            calibration_summary=results.calibration_summary,
            timings=results.timings,
            results_path=str(results.folder),
            imported_at=now(),
            current=1,
        )
        .returning(analysis.c.analysis_id)
    ).scalar_one()
    numbers = results.serves["serve"]
    if numbers.isna().any() or not numbers.is_unique:
        numbers = results.serves["index"] + 1
    rows = records_of(results.serves.drop(columns=["index", "serve"]))
    for number, row in zip(numbers.astype(int).tolist(), rows, strict=True):
        end = row["server_end"]
        row |= {
            "analysis_id": analysis_id,
            "number": number,
            "origin": "machine",
            "server_end": None if end is None else int(end),
        }
    if rows:
        connection.execute(insert(serve), rows)
    ids = connection.execute(
        select(serve.c.serve_id)
        .where(serve.c.analysis_id == analysis_id)
        .order_by(serve.c.t_start_s, serve.c.serve_id)
    ).scalars()
    serve_ids: list[int | None] = [*ids, None]  # index -1: before the first serve
    rows = records_of(results.bounces)
    for row in rows:
        row |= {"analysis_id": analysis_id, "serve_id": serve_ids[int(row.pop("serve_index"))]}
    if rows:
        connection.execute(insert(bounce), rows)
    return int(analysis_id)


def records_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a DataFrame as plain Python values, NaN as None."""
    columns = [
        [None if isinstance(v, float) and math.isnan(v) else v for v in frame[name].tolist()]
        for name in frame
    ]
    names = [str(name) for name in frame]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
