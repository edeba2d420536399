"""Bounces as they stand now: where the machine saw them, or where a person said they are."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd
from sqlalchemy import Connection, Select, select

from placement.records.base import rows_of
from placement.records.errors import RecordsError
from placement.records.schema import (
    BOUNCE_PLACE,
    analysis,
    bounce,
    correction,
    serve,
    student,
    turn,
)
from placement.records.serves import HAND_SD_M, ServesMixin


class BouncesMixin(ServesMixin):
    """What `Store` answers about bounces."""

    def bounces(
        self,
        *,
        student_code: str | None = None,
        drill_id: int | None = None,
        serve_id: int | None = None,
        machine_only: bool = False,
    ) -> pd.DataFrame:
        """Bounces of a student's serves, of a drill or of one serve, of the analyses in use.

        Parameters
        ----------
        student_code : str, optional
            Only those of this student's serves.
        drill_id, serve_id : int, optional
            Only those of this filmed drill, during this serve.
        machine_only : bool
            The machine's first answers, without those moved by hand.

        Returns
        -------
        DataFrame
            The columns of the table `bounce` with ``drill_id``, ``code`` and ``moved`` (bool: a
            person said where it is), sorted by moment. A serve's landing and second bounce that a
            person moved are told by `serves`.
        """
        with self._read() as connection:
            statement: Select[Any] = select(
                bounce, analysis.c.drill_id, student.c.code
            ).select_from(
                bounce.join(analysis, analysis.c.analysis_id == bounce.c.analysis_id)
                .outerjoin(serve, serve.c.serve_id == bounce.c.serve_id)
                .outerjoin(turn, turn.c.turn_id == serve.c.turn_id)
                .outerjoin(student, student.c.student_id == turn.c.student_id)
            )
            statement = self._narrowed(connection, statement, student_code, None, drill_id, None)
            if serve_id is not None:
                statement = statement.where(bounce.c.serve_id == serve_id)
            frame = self._frame(statement, connection)
            these = statement.with_only_columns(bounce.c.bounce_id).subquery()
            moves = self._frame(
                select(correction.c.bounce_id, correction.c.field, correction.c.new_value)
                .where(
                    correction.c.undone_at == "",
                    correction.c.bounce_id.in_(select(these.c.bounce_id)),
                )
                .order_by(correction.c.correction_id),
                connection,
            )
        frame["code"] = frame["code"].fillna("")
        frame["moved"] = False
        if not machine_only:
            frame = _move(frame, moves)
        return frame.sort_values(["drill_id", "time_s"], ignore_index=True)


def _move(frame: pd.DataFrame, moves: pd.DataFrame) -> pd.DataFrame:
    """Put bounces where a person said they are, the last word winning."""
    if not len(moves):
        return frame
    frame = frame.set_index("bounce_id", drop=False)
    for row in rows_of(moves):
        frame.loc[row.bounce_id, BOUNCE_PLACE[row.field]] = json.loads(row.new_value)
    moved = moves["bounce_id"].unique()
    frame.loc[moved, ["sd_x_m", "sd_y_m"]] = HAND_SD_M
    frame.loc[moved, "cov_xy_m2"] = 0.0
    frame.loc[moved, "moved"] = True
    return frame.reset_index(drop=True)


def machine_bounce(connection: Connection, bounce_id: int, serve_id: int) -> dict[str, Any]:
    """The row of a bounce during a serve as the machine first gave it.

    Raises
    ------
    RecordsError
        If there is no such bounce during that serve.
    """
    row = (
        connection.execute(
            select(bounce).where(bounce.c.bounce_id == bounce_id, bounce.c.serve_id == serve_id)
        )
        .mappings()
        .first()
    )
    if row is None:
        raise RecordsError(f"there is no bounce with key {bounce_id} during this serve")
    return dict(row)
