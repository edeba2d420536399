"""Corrections by hand: beside the machine's answer, never over it, each with who and when.

Every change names the revision of the serve that the person was looking at. If someone else changed
the serve in the meantime the change is refused, so that two windows never lose a correction.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from sqlalchemy import Connection, func, insert, select, update

from calibration import table
from placement.records.base import now
from placement.records.bounces import BouncesMixin, machine_bounce
from placement.records.errors import RecordsError, StaleError
from placement.records.schema import (
    BOUNCE_PLACE,
    DEPTHS,
    OUTCOMES,
    SIDES,
    analysis,
    bounce,
    correction,
    serve,
)
from placement.records.serves import machine_answer
from placement.records.texts import clean_text

_WORDS = {"outcome": OUTCOMES, "depth": ("", *DEPTHS), "side": ("", *SIDES)}
_FLAGS = ("removed", "checked")
_LANDING = ("landing_x_m", "landing_y_m")
_FARTHEST_M = 5.0  # m from the centre of the table; a bounce farther off is a slip of the hand
_REALS = {
    "t_start_s": (0.0, math.inf),
    "landing_x_m": (-_FARTHEST_M, _FARTHEST_M),
    "landing_y_m": (-_FARTHEST_M, _FARTHEST_M),
    "landing_sd_x_m": (0.0, 1.0),
    "landing_sd_y_m": (0.0, 1.0),
    "second_bounce_x_m": (-_FARTHEST_M, _FARTHEST_M),
    "second_bounce_y_m": (-_FARTHEST_M, _FARTHEST_M),
    "second_bounce_sd_m": (0.0, 2.0),
    "pace_m_s": (0.0, 40.0),
}

#: The columns of a serve that a person may correct.
CORRECTABLE: tuple[str, ...] = (*_WORDS, *_REALS, "server_end", *_FLAGS)


class CorrectionsMixin(BouncesMixin):
    """What `Store` does with corrections."""

    def correct(
        self,
        serve_id: int,
        changes: Mapping[str, Any],
        *,
        who: str,
        seen_revision: int,
        why: str = "",
        bounces: Mapping[int, Sequence[float]] | None = None,
    ) -> int:
        """Correct a serve, and where its bounces are.

        Parameters
        ----------
        serve_id : int
            Key of the serve.
        changes : mapping
            New values by column (`CORRECTABLE`); None for a number that is not known.
            ``removed=True`` says that it is no serve, ``checked=True`` that the answer was looked
            at.
        who : str
            Who says so.
        seen_revision : int
            The serve's revision that was on the screen.
        why : str
            Reason, if one is given.
        bounces : mapping, optional
            New places (x, y), m, of bounces during this serve, by their key. Its landing and its
            second bounce are columns of the serve and belong into `changes`.

        Returns
        -------
        int
            The new revision.

        Raises
        ------
        StaleError
            If the serve was changed by someone else since.
        RecordsError
            If a value cannot be.
        """
        wanted = {name: check_value(name, value) for name, value in changes.items()}
        places = {key: _check_place(place) for key, place in (bounces or {}).items()}
        if not wanted and not places:
            raise RecordsError("nothing to correct: name at least one value")
        who = _who(who)
        with self._write() as connection:
            row = machine_answer(connection, serve_id)
            revision = _next_revision(connection, row, seen_revision)
            shown = _shown(connection, serve_id)
            batch = _next_batch(connection)
            said: list[tuple[str, int | None, Any, Any]]
            said = [(name, None, row.get(name, False), value) for name, value in wanted.items()]
            for key, place in places.items():
                seen = machine_bounce(connection, key, serve_id)
                said += [
                    (name, key, seen[column], value)
                    for (name, column), value in zip(BOUNCE_PLACE.items(), place, strict=True)
                ]
            for name, bounce_id, machine, value in said:
                connection.execute(
                    insert(correction).values(
                        serve_id=serve_id,
                        bounce_id=bounce_id,
                        field=name,
                        machine_value=json.dumps(machine),
                        old_value=json.dumps(shown.get((name, bounce_id), machine)),
                        new_value=json.dumps(value),
                        who=who,
                        made_at=now(),
                        why=clean_text(why, "the reason"),
                        batch=batch,
                    )
                )
        return revision

    def add_serve(
        self, drill_id: int, values: Mapping[str, Any], *, who: str, why: str = ""
    ) -> int:
        """Add a serve that the machine did not find.

        Parameters
        ----------
        drill_id : int
            Filmed drill.
        values : mapping
            At least ``t_start_s``; other columns of `CORRECTABLE` where known.
        who, why : str
            Who adds it and the reason.

        Returns
        -------
        int
            Key of the new serve. It belongs to nobody until `assign` says so.
        """
        row = {name: check_value(name, value) for name, value in values.items()}
        if row.get("t_start_s") is None:
            raise RecordsError("a serve that is added needs its moment, t_start_s")
        if any(name in row for name in _FLAGS):
            raise RecordsError("a new serve cannot be marked as removed or checked")
        who = _who(who)
        with self._write() as connection:
            analysis_id = self._check_drill(connection, drill_id)
            number = connection.execute(
                select(func.max(serve.c.number)).where(serve.c.analysis_id == analysis_id)
            ).scalar()
            certain = {f"{name}_probability": 1.0 for name in _WORDS if row.get(name)}
            serve_id = connection.execute(
                insert(serve)
                .values(
                    analysis_id=analysis_id,
                    number=(number or 0) + 1,
                    origin="person",
                    revision=1,
                    **row,
                    **certain,
                )
                .returning(serve.c.serve_id)
            ).scalar_one()
            connection.execute(
                insert(correction).values(
                    serve_id=serve_id,
                    field="added",
                    machine_value="null",
                    old_value="null",
                    new_value="true",
                    who=who,
                    made_at=now(),
                    why=clean_text(why, "the reason"),
                    batch=_next_batch(connection),
                )
            )
        return int(serve_id)

    def undo(self, drill_id: int, *, who: str, batch: int | None = None) -> str:
        """Take back the last correction of a drill that is in force.

        Parameters
        ----------
        drill_id : int
            Filmed drill.
        who : str
            Who takes it back.
        batch : int, optional
            A certain one instead of the last (column ``batch`` of `corrections`).

        Returns
        -------
        str
            What was taken back, in words.

        Raises
        ------
        RecordsError
            If there is nothing to take back.
        """
        who = _who(who)
        with self._write() as connection:
            mine = self._of_drill(connection, drill_id).where(correction.c.undone_at == "")
            if batch is None:
                batch = connection.execute(
                    mine.with_only_columns(func.max(correction.c.batch))
                ).scalar()
            rows = connection.execute(mine.where(correction.c.batch == batch)).mappings().all()
            if not rows:
                raise RecordsError(f"drill {drill_id} has no correction to take back")
            moment = now()
            for row in rows:
                connection.execute(
                    update(correction)
                    .where(correction.c.correction_id == row["correction_id"])
                    .values(undone_at=moment, undone_by=who)
                )
            _count_up(connection, rows)
        return "; ".join(
            f"serve {row['number']}: {row['field']} is {json.loads(row['old_value'])!r} again"
            for row in rows
        )

    def redo(self, drill_id: int, *, who: str) -> str:
        """Put the correction that was taken back last in force again; words as `undo`.

        Raises
        ------
        RecordsError
            If nothing was taken back, or a later correction stands in its place.
        """
        who = _who(who)
        with self._write() as connection:
            mine = self._of_drill(connection, drill_id)
            last = (
                connection.execute(
                    mine.where(correction.c.undone_at != "")
                    .order_by(correction.c.undone_at.desc(), correction.c.batch)
                    .limit(1)
                )
                .mappings()
                .first()
            )
            newest = connection.execute(
                mine.with_only_columns(func.max(correction.c.made_at)).where(
                    correction.c.undone_at == ""
                )
            ).scalar()
            if last is None or (newest is not None and newest > last["undone_at"]):
                raise RecordsError(f"drill {drill_id} has no correction to put back in force")
            rows = (
                connection.execute(
                    mine.where(correction.c.batch == last["batch"], correction.c.undone_at != "")
                )
                .mappings()
                .all()
            )
            for row in rows:
                connection.execute(
                    update(correction)
                    .where(correction.c.correction_id == row["correction_id"])
                    .values(undone_at="", undone_by="")
                )
            _count_up(connection, rows)
        return "; ".join(
            f"serve {row['number']}: {row['field']} is {json.loads(row['new_value'])!r} again"
            for row in rows
        )

    def corrections(self, drill_id: int) -> pd.DataFrame:
        """All corrections of a drill's present analysis, oldest first, those taken back too.

        Returns
        -------
        DataFrame
            The columns of the table `correction` with ``number`` and ``t_start_s`` of the serve
            and ``time_s`` of the bounce, NaN where it is the serve itself.
        """
        with self._read() as connection:
            return self._frame(
                self._of_drill(connection, drill_id).order_by(correction.c.correction_id),
                connection,
            )

    def _of_drill(self, connection: Connection, drill_id: int) -> Any:
        self._check_drill(connection, drill_id)
        return (
            select(correction, serve.c.number, serve.c.t_start_s, bounce.c.time_s)
            .join(serve, serve.c.serve_id == correction.c.serve_id)
            .join(analysis, analysis.c.analysis_id == serve.c.analysis_id)
            .outerjoin(bounce, bounce.c.bounce_id == correction.c.bounce_id)
            .where(analysis.c.drill_id == drill_id, analysis.c.current == 1)
        )


def check_value(name: str, value: Any) -> Any:
    """A value that a person gave for a column of a serve, checked.

    Raises
    ------
    RecordsError
        If the column cannot be corrected or the value cannot be.
    """
    if name in _WORDS:
        if value not in _WORDS[name]:
            listed = ", ".join(word for word in _WORDS[name] if word)
            raise RecordsError(f"{name} is one of {listed}, not {value!r}")
        return value
    if name in _FLAGS:
        return bool(value)
    if name == "server_end":
        if value not in (-1, 1):
            raise RecordsError(f"server_end is -1 or 1, not {value!r}")
        return int(value)
    if name not in _REALS:
        raise RecordsError(f"{name!r} cannot be corrected; {', '.join(CORRECTABLE)} can")
    if value is None and name != "t_start_s":
        return None
    low, high = _REALS[name]
    try:
        number = float(value)
    except (TypeError, ValueError) as error:
        raise RecordsError(f"{name} is a number, not {value!r}") from error
    if not low <= number <= high or math.isinf(number):
        raise RecordsError(f"{name} cannot be {number:g}; the table is {table.LENGTH} m long")
    return number


def _check_place(place: Sequence[float]) -> tuple[float, float]:
    """A place on the table that a person gave, m, checked."""
    x, y = (check_value(name, value) for name, value in zip(_LANDING, place, strict=True))
    if x is None or y is None:
        raise RecordsError("a bounce needs a place, two numbers")
    return x, y


def _shown(connection: Connection, serve_id: int) -> dict[tuple[str, int | None], Any]:
    """What was corrected in a serve and its bounces before a change, by column and bounce."""
    rows = connection.execute(
        select(correction.c.field, correction.c.bounce_id, correction.c.new_value)
        .where(correction.c.serve_id == serve_id, correction.c.undone_at == "")
        .order_by(correction.c.correction_id)
    )
    return {(row.field, row.bounce_id): json.loads(row.new_value) for row in rows}


def _next_revision(connection: Connection, row: Mapping[str, Any], seen: int) -> int:
    changed = connection.execute(
        update(serve)
        .where(serve.c.serve_id == row["serve_id"], serve.c.revision == seen)
        .values(revision=seen + 1)
    ).rowcount
    if not changed:
        last = connection.execute(
            select(correction.c.who, correction.c.made_at)
            .where(correction.c.serve_id == row["serve_id"])
            .order_by(correction.c.correction_id.desc())
            .limit(1)
        ).first()
        by = f" by {last.who} at {last.made_at[11:16]} UTC" if last else ""
        raise StaleError(
            f"serve {row['number']} was changed{by} after it was shown here; look at it again"
        )
    return seen + 1


def _count_up(connection: Connection, rows: Sequence[Mapping[Any, Any]]) -> None:
    """Count one revision more for each serve among these corrections."""
    for serve_id in {row["serve_id"] for row in rows}:
        connection.execute(
            update(serve).where(serve.c.serve_id == serve_id).values(revision=serve.c.revision + 1)
        )


def _next_batch(connection: Connection) -> int:
    return int(connection.execute(select(func.max(correction.c.batch))).scalar() or 0) + 1


def _who(who: str) -> str:
    who = clean_text(who, "your initials", limit=100)
    if not who:
        raise RecordsError("say who corrects: initials are enough")
    return who
