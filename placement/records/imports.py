"""Bringing in the results of an analysis, and what another analysis of a clip changed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import Connection, insert, select, update

from placement.records.base import now
from placement.records.films import FilmsMixin
from placement.records.reanalysis import carry_over, compare_analyses, describe_changes
from placement.records.results import Results, read_results
from placement.records.schema import analysis, bounce, drill, serve


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


class ImportsMixin(FilmsMixin):
    """What `Store` does with the results of analyses."""

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
