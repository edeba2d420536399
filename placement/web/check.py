"""The serves of a film as the checking page shows them: plain values, ready for the screen."""

from __future__ import annotations

from typing import Any

import pandas as pd

from calibration import Calibration
from placement import zones
from placement.records import Store
from placement.records.base import rows_of
from placement.records.turns import clock
from placement.web.bounces import bounce_rows
from placement.web.wording import OUTCOMES

SURE = zones.CLOSE_CALL_BELOW
_LANDED = ("good", "let")


def needs_look(serves: pd.DataFrame) -> pd.Series:
    """Whether the machine is not sure of a serve and nobody has looked at it yet.

    Parameters
    ----------
    serves : DataFrame
        From `records.Store.serves`.

    Returns
    -------
    Series of bool
    """
    landed = serves["outcome"].isin(_LANDED)
    doubtful = (serves["outcome"] == "unclear") | (serves["outcome_probability"] < SURE)
    for name in ("depth_probability", "side_probability"):
        doubtful |= landed & (serves[name] < SURE)
    return doubtful & ~serves["checked"].astype(bool) & ~serves["removed"].astype(bool)


def doubt(row: Any) -> float:
    """How doubtful a serve is; the most doubtful come first."""
    sure = [_number(row.outcome_probability, 1.0)]
    if row.outcome in _LANDED:
        sure += [_number(row.depth_probability, 1.0), _number(row.side_probability, 1.0)]
    return (1.0 if row.outcome == "unclear" else 0.0) + 1.0 - min(sure)


def doubt_words(row: Any) -> list[str]:
    """Why a serve should be looked at."""
    said = []
    if row.outcome == "unclear":
        said.append("what became of it was not clear")
    elif _number(row.outcome_probability, 1.0) < SURE:
        said.append(f"{OUTCOMES.get(row.outcome, row.outcome)}: {row.outcome_probability:.0%} sure")
    if row.outcome in _LANDED:
        for name, value in (("depth", row.depth), ("side", row.side)):
            sure = _number(getattr(row, f"{name}_probability"), 1.0)
            if sure < SURE and value:
                said.append(f"close call: {value} with {sure:.0%}")
    return said


def serve_rows(
    store: Store, drill_id: int, *, calibration: Calibration | None, only: int | None = None
) -> list[dict[str, Any]]:
    """The serves of a film, or one of them, for the checking page.

    Parameters
    ----------
    store : Store
        The records.
    drill_id : int
        Filmed drill.
    calibration : Calibration or None
        For the places in the picture; None where it is not known.
    only : int, optional
        Key of one serve.

    Returns
    -------
    list of dict
        In the order filmed; serves that a person said are none are there too.
    """
    frame = store.serves(drill_id=drill_id, serve_id=only, removed=True)
    machine = frame
    if frame["corrected"].any():
        machine = store.serves(drill_id=drill_id, serve_id=only, removed=True, machine_only=True)
    first = {row.serve_id: row for row in rows_of(machine)}
    now = store.bounces(drill_id=drill_id, serve_id=only)
    seen = now
    if now["moved"].any():
        seen = store.bounces(drill_id=drill_id, serve_id=only, machine_only=True)
    bounces = bounce_rows(frame, machine, now, seen, calibration)
    return [
        _row(row, first[row.serve_id], bounces.get(int(row.serve_id), []), look)
        for row, look in zip(rows_of(frame), needs_look(frame).tolist(), strict=True)
    ]


def _row(row: Any, first: Any, bounces: list[dict[str, Any]], look: bool) -> dict[str, Any]:
    end = int(row.server_end) if row.server_end in (-1, 1) else -1
    target = " ".join(filter(None, (row.target_depth, row.target_side, row.target_landing)))
    return {
        "id": int(row.serve_id), "number": int(row.number), "rev": int(row.revision),
        "t": round(float(row.t_start_s), 3), "clock": clock(float(row.t_start_s)),
        "code": row.code, "turn": None if pd.isna(row.turn_id) else int(row.turn_id),
        "called": " ".join(filter(None, (target, row.stroke))), "end": end,
        "end_known": bool(row.server_end in (-1, 1)),
        "outcome": row.outcome, "depth": row.depth, "side": row.side,
        "pace": None if pd.isna(row.pace_m_s) else round(float(row.pace_m_s), 1),
        "corrected": row.corrected.split(), "checked": bool(row.checked),
        "removed": bool(row.removed), "by_hand": row.origin == "person",
        "machine": {"outcome": first.outcome, "depth": first.depth, "side": first.side},
        "look": look, "doubt": round(doubt(row), 4), "why": doubt_words(row),
        "bounces": bounces,
    }  # fmt: skip


def _number(value: float, otherwise: float) -> float:
    return otherwise if pd.isna(value) else float(value)
