"""Turns in the records: lay a list over a drill's serves, propose one, move a serve."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import pandas as pd
from sqlalchemy import Connection, delete, func, insert, select, update

from placement.records.base import rows_of
from placement.records.corrections import CorrectionsMixin
from placement.records.errors import RecordsError
from placement.records.schema import analysis, drill, serve, student, turn
from placement.records.texts import clean_code
from placement.records.turnlist import parse_turns
from placement.records.turns import Assignment, Turn, assign_turns, propose_turns


class TurnsMixin(CorrectionsMixin):
    """What `Store` does with turns."""

    def set_turns(
        self, drill_id: int, turns: str | Sequence[Turn], *, make_students: bool = False
    ) -> Assignment:
        """Say who served in a filmed drill; takes the place of what was said before.

        Parameters
        ----------
        drill_id : int
            Filmed drill.
        turns : str or sequence of Turn
            A turn list as `placement.records.turns.parse_turns` reads it, or turns; an empty
            sequence takes all turns away, an empty list typed is an error.
        make_students : bool
            Add students that are not in the records, to the drill's group where it has one.

        Returns
        -------
        Assignment
            Who served what, and what does not add up.

        Raises
        ------
        RecordsError
            If the list cannot be understood, or names a student who is not in the records.
        """
        listed = parse_turns(turns) if isinstance(turns, str) else list(turns)
        found = self.serves(drill_id=drill_id)
        if listed:
            assignment = assign_turns(found, listed, duration_s=self.drill(drill_id).duration_s)
        else:
            assignment = Assignment(turns=(), turn_of={}, mismatches=())
        serve_id = dict(zip(found["number"].tolist(), found["serve_id"].tolist(), strict=True))
        with self._write() as connection:
            analysis_id = self._check_drill(connection, drill_id)
            group_id = connection.execute(
                select(drill.c.group_id).where(drill.c.drill_id == drill_id)
            ).scalar()
            connection.execute(delete(turn).where(turn.c.drill_id == drill_id))
            connection.execute(
                update(serve).where(serve.c.analysis_id == analysis_id).values(turn_id=None)
            )
            ids = []
            for position, one in enumerate(assignment.turns, start=1):
                ids.append(self._insert_turn(connection, drill_id, position, one, make_students))
                if make_students and group_id is not None:
                    self._join(connection, self._student_id(connection, one.student), group_id)
            for index, turn_id in enumerate(ids):
                mine = [serve_id[n] for n, i in assignment.turn_of.items() if i == index]
                _give(connection, mine, turn_id)
        return assignment

    def turns(self, drill_id: int) -> pd.DataFrame:
        """The turns of a drill in their order.

        Returns
        -------
        DataFrame
            ``turn_id, position, code, listed, found, t_from_s, t_to_s, target_depth, target_side,
            target_landing, stroke, tags``.
        """
        counts = (
            select(serve.c.turn_id, func.count().label("n"))
            .join(analysis, analysis.c.analysis_id == serve.c.analysis_id)
            .where(analysis.c.drill_id == drill_id, analysis.c.current == 1)
            .group_by(serve.c.turn_id)
            .subquery()
        )
        frame = self._frame(
            select(
                turn.c.turn_id,
                turn.c.position,
                student.c.code,
                turn.c.listed,
                counts.c.n.label("found"),
                turn.c.t_from_s,
                turn.c.t_to_s,
                turn.c.target_depth,
                turn.c.target_side,
                turn.c.target_landing,
                turn.c.stroke,
                turn.c.tags,
            )
            .join(student, student.c.student_id == turn.c.student_id)
            .outerjoin(counts, counts.c.turn_id == turn.c.turn_id)
            .where(turn.c.drill_id == drill_id)
            .order_by(turn.c.position)
        )
        return frame.assign(found=frame["found"].fillna(0).astype(int))

    def turn_list(self, drill_id: int) -> list[Turn]:
        """The turns of a drill as `Turn`, with the numbers of their serves as they stand now."""
        found = self.serves(drill_id=drill_id)
        result = []
        for row in rows_of(self.turns(drill_id)):
            numbers = found.loc[found["turn_id"] == row.turn_id, "number"]
            served = tuple(sorted(numbers.astype(int).tolist()))
            result.append(replace(turn_from_row(row), serves=served))
        return result

    def owners(self, drill_id: int) -> dict[int, int | None]:
        """Which turn each serve of a filmed drill belongs to, without reading the serves.

        Parameters
        ----------
        drill_id : int
            Filmed drill.

        Returns
        -------
        dict
            Key of the turn, or None, by key of the serve; also of serves that a person said are
            none.

        Raises
        ------
        RecordsError
            If there is no such drill.
        """
        with self._read() as connection:
            self._check_drill(connection, drill_id)
            rows = connection.execute(
                select(serve.c.serve_id, serve.c.turn_id)
                .join(analysis, analysis.c.analysis_id == serve.c.analysis_id)
                .where(analysis.c.drill_id == drill_id, analysis.c.current == 1)
                .order_by(serve.c.t_start_s, serve.c.serve_id)
            ).all()
        return {int(serve_id): turn_id for serve_id, turn_id in rows}

    def propose_turns(self, drill_id: int) -> list[Turn]:
        """Turns proposed from pauses and changes of end; nothing is stored."""
        return propose_turns(
            self.serves(drill_id=drill_id), duration_s=self.drill(drill_id).duration_s
        )

    def assign(self, serve_ids: Iterable[int], turn_id: int | None) -> None:
        """Give serves to a turn of their drill, or to nobody.

        Raises
        ------
        RecordsError
            If a serve is of another drill than the turn.
        """
        wanted = list(serve_ids)
        with self._write() as connection:
            if turn_id is not None:
                drill_id = connection.execute(
                    select(turn.c.drill_id).where(turn.c.turn_id == turn_id)
                ).scalar()
                here = connection.execute(
                    select(func.count())
                    .select_from(serve.join(analysis))
                    .where(serve.c.serve_id.in_(wanted), analysis.c.drill_id == drill_id)
                ).scalar()
                if drill_id is None or here != len(set(wanted)):
                    raise RecordsError("a serve can only be given to a turn of its own drill")
            _give(connection, wanted, turn_id)

    def _insert_turn(
        self,
        connection: Connection,
        drill_id: int,
        position: int,
        one: Turn,
        make_students: bool,
    ) -> int:
        code = clean_code(one.student)
        known = connection.execute(
            select(student.c.student_id).where(student.c.code == code)
        ).scalar()
        if known is None:
            if not make_students:
                raise RecordsError(
                    f"the turn list names {code}, who is not in the records; add them with "
                    f"`students add {code}` or say --add-students"
                )
            known = self._insert_student(connection, code)
        return int(
            connection.execute(
                insert(turn)
                .values(
                    drill_id=drill_id,
                    student_id=known,
                    position=position,
                    listed=len(one.serves) if one.serves is not None else one.listed,
                    t_from_s=one.t_from_s,
                    t_to_s=one.t_to_s,
                    target_depth=one.depth,
                    target_side=one.side,
                    target_landing=one.landing,
                    stroke=one.stroke,
                    tags=" ".join(one.tags),
                )
                .returning(turn.c.turn_id)
            ).scalar_one()
        )


def turn_from_row(row: Any) -> Turn:
    """A turn as it was listed, from a row of `TurnsMixin.turns`; times and serves are left out."""
    return Turn(
        student=str(row.code),
        listed=None if pd.isna(row.listed) else int(row.listed),
        depth=row.target_depth,
        side=row.target_side,
        landing=row.target_landing,
        stroke=row.stroke,
        tags=tuple(row.tags.split()),
    )


def _give(connection: Connection, serve_ids: Sequence[int], turn_id: int | None) -> None:
    for start in range(0, len(serve_ids), 500):  # SQLite allows some thousand values in one list
        connection.execute(
            update(serve)
            .where(serve.c.serve_id.in_(serve_ids[start : start + 500]))
            .values(turn_id=turn_id)
        )
