"""Serves as they stand now: the machine's answer with the corrections in force."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection, Select, func, select

from placement import zones
from placement.records.errors import RecordsError
from placement.records.imports import ImportsMixin
from placement.records.schema import (
    BOUNCE_PLACE,
    analysis,
    correction,
    drill,
    membership,
    serve,
    student,
    turn,
)

_TURN_COLUMNS = (
    turn.c.student_id,
    turn.c.position,
    turn.c.target_depth,
    turn.c.target_side,
    turn.c.target_landing,
    turn.c.stroke,
    turn.c.tags,
)

#: Columns of `serve` that are always read: keys, what orders the rows, what a correction touches.
_ALWAYS = (
    "serve_id", "analysis_id", "turn_id", "number", "origin", "revision", "t_start_s", "server_end",
    "outcome", "outcome_probability", "depth", "depth_probability", "side", "side_probability",
    "landing_x_m", "landing_y_m", "landing_sd_x_m", "landing_sd_y_m", "landing_cov_xy_m2",
    "second_bounce_x_m", "second_bounce_y_m", "second_bounce_sd_m", "pace_m_s",
)  # fmt: skip
_REAL_NAMES = tuple(c.name for c in serve.c if c.type.python_type is float)

#: A correction of the left column makes the machine's answer in the right ones a guess no longer
#: wanted: the class is made anew from the corrected place.
_PLACES = {
    "side": ("landing_y_m", "server_end"),
    "depth": ("second_bounce_x_m", "second_bounce_y_m", "server_end"),
}
#: Set by hand, a class is certain.
_PROBABILITY = {
    "outcome": "outcome_probability",
    "depth": "depth_probability",
    "side": "side_probability",
}
HAND_SD_M = 0.02  # m, standard deviation of a bounce placed by hand; common practice, no source


class ServesMixin(ImportsMixin):
    """What `Store` answers about serves."""

    def serves(
        self,
        *,
        student_code: str | None = None,
        group: str | None = None,
        drill_id: int | None = None,
        analysis_id: int | None = None,
        serve_id: int | None = None,
        machine_only: bool = False,
        removed: bool = False,
        columns: Sequence[str] | None = None,
    ) -> pd.DataFrame:
        """Serves with who served them, what was called, and the corrections in force.

        Parameters
        ----------
        student_code, group : str, optional
            Only those of this student, or of the students of this group.
        drill_id : int, optional
            Only those of this filmed drill.
        analysis_id : int, optional
            An analysis other than the ones in use.
        serve_id : int, optional
            Only this one.
        machine_only : bool
            The machine's first answers, without corrections.
        removed : bool
            Also serves that a person said are none.
        columns : sequence of str, optional
            Only these columns of the table `serve`, which is quicker for many serves; the rest of
            what is returned stays.

        Returns
        -------
        DataFrame
            The columns of the table `serve`, of `turn` (``position, target_depth, target_side,
            target_landing, stroke, tags``), ``code, hand, drill_id, clip, filmed_on``, and
            ``corrected`` (names of the corrected columns, separated by spaces), ``checked`` and
            ``removed`` (bool); sorted by drill and moment. Text that is not known is empty.

        Raises
        ------
        RecordsError
            If there is no such student, group or drill.
        """
        of_people = student_code is not None or group is not None
        with self._read() as connection:
            chosen = _ALWAYS if columns is None else [*_ALWAYS, *columns]
            wanted = [c for c in serve.c if columns is None or c.name in chosen]
            statement: Select[Any] = select(
                *wanted,
                *_TURN_COLUMNS,
                student.c.code,
                student.c.hand,
                analysis.c.drill_id,
                drill.c.clip,
                drill.c.filmed_on,
            ).select_from(
                # Where people are asked for, the turns lead to the serves: without an outer join
                # the database starts from the few turns and not from all serves.
                serve.join(analysis, analysis.c.analysis_id == serve.c.analysis_id)
                .join(drill, drill.c.drill_id == analysis.c.drill_id)
                .join(turn, turn.c.turn_id == serve.c.turn_id, isouter=not of_people)
                .join(student, student.c.student_id == turn.c.student_id, isouter=not of_people)
            )
            statement = self._narrowed(
                connection, statement, student_code, group, drill_id, analysis_id
            )
            if serve_id is not None:
                statement = statement.where(serve.c.serve_id == serve_id)
            frame = self._frame(statement, connection)
            changes = pd.DataFrame()
            if frame["revision"].any():
                these = statement.with_only_columns(serve.c.serve_id).subquery()
                changes = self._frame(
                    select(correction.c.serve_id, correction.c.field, correction.c.new_value)
                    .where(
                        correction.c.undone_at == "",
                        correction.c.serve_id.in_(select(these.c.serve_id)),
                    )
                    .order_by(correction.c.correction_id),
                    connection,
                )
        frame = _tidy(frame)
        if not machine_only:
            frame = _apply(frame, changes)
        if not removed:
            frame = frame[~frame["removed"]]
        return frame.sort_values(
            ["filmed_on", "drill_id", "t_start_s", "serve_id"], ignore_index=True, kind="stable"
        )

    def drill_marks(self, drill_ids: Sequence[int]) -> dict[int, tuple[int, ...]]:
        """A short mark of each filmed drill that changes whenever its serves do.

        Parameters
        ----------
        drill_ids : sequence of int
            Filmed drills.

        Returns
        -------
        dict
            By drill: the analysis in use, how many serves it has, how often they were corrected,
            how many belong to a turn, and the sum of their moments, ms. Drills without serves are
            absent.
        """
        with self._read() as connection:
            rows = connection.execute(
                select(
                    analysis.c.drill_id,
                    analysis.c.analysis_id,
                    func.count(),
                    func.sum(serve.c.revision),
                    func.count(serve.c.turn_id),
                    func.sum(serve.c.t_start_s) * 1000,
                )
                .select_from(serve.join(analysis, analysis.c.analysis_id == serve.c.analysis_id))
                .where(analysis.c.current == 1, analysis.c.drill_id.in_(list(drill_ids)))
                .group_by(analysis.c.drill_id, analysis.c.analysis_id)
            ).all()
        return {int(row[0]): tuple(int(value) for value in row[1:]) for row in rows}

    def _narrowed(
        self,
        connection: Connection,
        statement: Select[Any],
        student_code: str | None,
        group: str | None,
        drill_id: int | None,
        analysis_id: int | None,
    ) -> Select[Any]:
        if analysis_id is not None:
            statement = statement.where(analysis.c.analysis_id == analysis_id)
        else:
            statement = statement.where(analysis.c.current == 1)
        if drill_id is not None:
            self._check_drill(connection, drill_id)
            statement = statement.where(analysis.c.drill_id == drill_id)
        if student_code is not None:
            student_id = self._student_id(connection, student_code)
            statement = statement.where(turn.c.student_id == student_id)
        if group is not None:
            group_id = self._group_id(connection, group)
            statement = statement.where(
                turn.c.student_id.in_(
                    select(membership.c.student_id).where(membership.c.group_id == group_id)
                )
            )
        return statement


def _tidy(frame: pd.DataFrame) -> pd.DataFrame:
    texts = (
        "target_depth", "target_side", "target_landing", "stroke", "tags", "code", "hand",
    )  # fmt: skip
    for name in texts:
        frame[name] = frame[name].fillna("").astype(object)
    for name in frame.columns.intersection([*_REAL_NAMES, "server_end"]):
        frame[name] = frame[name].astype(float)
    frame["corrected"] = ""
    frame["checked"] = False
    # An addition that was taken back leaves the row of a serve that is none.
    frame["removed"] = frame["origin"] == "person"
    return frame


def _apply(frame: pd.DataFrame, changes: pd.DataFrame) -> pd.DataFrame:
    """Lay the corrections in force over the machine's answers, the last one winning."""
    if not len(changes):
        return frame
    row_of = {serve_id: i for i, serve_id in enumerate(frame["serve_id"].tolist())}
    columns: dict[str, list[Any]] = {}
    fields: dict[int, dict[str, None]] = {}
    for serve_id, name, value in zip(
        changes["serve_id"], changes["field"], changes["new_value"], strict=True
    ):
        row = row_of[serve_id]
        fields.setdefault(row, {})[name] = None
        if name in BOUNCE_PLACE:  # of a bounce during the serve
            continue
        target = "removed" if name == "added" else name
        column = columns.setdefault(target, frame[target].tolist())
        column[row] = False if name == "added" else json.loads(value)
    corrected = frame["corrected"].tolist()
    for row, names in fields.items():
        corrected[row] = " ".join(n for n in names if n not in ("checked", "removed"))
    frame = frame.assign(**columns, corrected=corrected)
    for name in columns:
        if name in serve.c and serve.c[name].type.python_type is float:
            frame[name] = frame[name].astype(float)
    return _reclassify(frame, fields)


def _reclassify(frame: pd.DataFrame, fields: dict[int, dict[str, None]]) -> pd.DataFrame:
    for name, probability in _PROBABILITY.items():
        rows = [row for row, names in fields.items() if name in names]
        if rows:
            frame.loc[frame.index[rows], probability] = 1.0
    placed = [
        row
        for row, names in fields.items()
        if {"landing_x_m", "landing_y_m"} & set(names) and "landing_sd_y_m" not in names
    ]
    if placed:
        index = frame.index[placed]
        frame.loc[index, ["landing_sd_x_m", "landing_sd_y_m"]] = HAND_SD_M
        frame.loc[index, "landing_cov_xy_m2"] = 0.0
    seconds = {"second_bounce_x_m", "second_bounce_y_m"}
    placed = [
        row
        for row, names in fields.items()
        if seconds & set(names) and "second_bounce_sd_m" not in names
    ]
    if placed:
        frame.loc[frame.index[placed], "second_bounce_sd_m"] = HAND_SD_M
    for name, causes in _PLACES.items():
        rows = [
            row
            for row, names in fields.items()
            if name not in names and any(cause in names for cause in causes)
        ]
        part = frame.iloc[rows]
        part = part[part["server_end"].isin([-1.0, 1.0])]
        if not len(part):
            continue
        if name == "side":
            classes = zones.classify_side(
                part["landing_y_m"], part["landing_sd_y_m"].fillna(HAND_SD_M), part["server_end"]
            )
        else:
            classes = zones.classify_depth(
                part["second_bounce_x_m"],
                part["second_bounce_sd_m"].fillna(HAND_SD_M),
                part["server_end"],
                y=part["second_bounce_y_m"],
                sd_y=np.full(len(part), HAND_SD_M),
            )
        frame.loc[part.index, name] = classes.label
        frame.loc[part.index, f"{name}_probability"] = classes.best_probability
    return frame


def machine_answer(connection: Connection, serve_id: int) -> dict[str, Any]:
    """The row of a serve as the machine, or the person who added it, first gave it.

    Raises
    ------
    RecordsError
        If there is no such serve.
    """
    row = connection.execute(select(serve).where(serve.c.serve_id == serve_id)).mappings().first()
    if row is None:
        raise RecordsError(f"there is no serve with key {serve_id} in the records")
    return dict(row)
