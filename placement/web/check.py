"""The serves of a film as the checking page shows them: plain values, ready for the screen.

Places on the drawing are cm, (to the server's right, down the screen), with the server at the
bottom and the net at zero; places in the picture are px of the upright frame.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from calibration import Calibration, table
from placement import zones
from placement.records import Store
from placement.records.base import rows_of
from placement.records.turns import clock
from placement.web.wording import OUTCOMES

SURE = zones.CLOSE_CALL_BELOW
_CHI = math.sqrt(5.991464547107979)  # 95 % of a normal in two directions
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
    frame = store.serves(drill_id=drill_id, removed=True)
    machine = store.serves(drill_id=drill_id, removed=True, machine_only=True)
    first = {row.serve_id: row for row in rows_of(machine)}
    bounces = store.bounces(drill_id=drill_id)
    of: dict[int, list[Any]] = {}
    for bounce in rows_of(bounces):
        if not pd.isna(bounce.serve_id):
            of.setdefault(int(bounce.serve_id), []).append(bounce)
    look = dict(zip(frame["serve_id"], needs_look(frame), strict=True))
    rows = []
    for row in rows_of(frame):
        if only is not None and row.serve_id != only:
            continue
        mine = of.get(int(row.serve_id), [])
        rows.append(_row(row, first[row.serve_id], mine, bool(look[row.serve_id]), calibration))
    return rows


def _row(
    row: Any, first: Any, bounces: list[Any], look: bool, calibration: Calibration | None
) -> dict[str, Any]:
    end = int(row.server_end) if row.server_end in (-1, 1) else -1
    target = " ".join(filter(None, (row.target_depth, row.target_side, row.target_landing)))
    landing = _place(row.landing_x_m, row.landing_y_m, end)
    was = _place(first.landing_x_m, first.landing_y_m, end)
    return {
        "id": int(row.serve_id), "number": int(row.number), "rev": int(row.revision),
        "t": round(float(row.t_start_s), 3), "clock": clock(float(row.t_start_s)),
        "code": row.code, "turn": None if pd.isna(row.turn_id) else int(row.turn_id),
        "called": " ".join(filter(None, (target, row.stroke))), "end": end,
        "end_known": bool(row.server_end in (-1, 1)),
        "outcome": row.outcome, "depth": row.depth, "side": row.side,
        "pace": _short(row.pace_m_s, 1), "landing": landing,
        "ellipse": _ellipse(row.landing_sd_x_m, row.landing_sd_y_m, row.landing_cov_xy_m2)
        if landing else None,
        "second": _place(row.second_bounce_x_m, row.second_bounce_y_m, end),
        "corrected": row.corrected.split(), "checked": bool(row.checked),
        "removed": bool(row.removed), "by_hand": row.origin == "person",
        "machine": {"outcome": first.outcome, "depth": first.depth, "side": first.side,
                    "landing": was},
        "look": look, "doubt": round(doubt(row), 4), "why": doubt_words(row),
        "bounces": [_bounce(b, end, calibration) for b in bounces],
        "at": _in_picture(row.landing_x_m, row.landing_y_m, calibration) if landing else None,
    }  # fmt: skip


def _bounce(row: Any, end: int, calibration: Calibration | None) -> dict[str, Any]:
    return {
        "t": round(float(row.time_s), 3), "kind": row.kind,
        "sure": _short(row.probability, 2),
        "place": _place(row.x_m, row.y_m, end),
        "ellipse": _ellipse(row.sd_x_m, row.sd_y_m, row.cov_xy_m2),
        "at": _in_picture(row.x_m, row.y_m, calibration),
        "ring": _ring(row, calibration),
    }  # fmt: skip


def _place(x: float, y: float, end: int) -> list[float] | None:
    if pd.isna(x) or pd.isna(y):
        return None
    # As `zones.to_server_frame`, one point at a time: a film may hold two thousand serves.
    return [round(end * float(y) * 100, 2), round(end * float(x) * 100, 2)]


def _ellipse(sd_x: float, sd_y: float, cov: float) -> list[float] | None:
    """Half-axes, cm, and angle, degrees clockwise on the screen, of the 95 % ellipse."""
    if pd.isna(sd_x) or pd.isna(sd_y):
        return None
    c = 0.0 if pd.isna(cov) else float(cov)
    # On the screen right is +-y and down is +-x, both with one sign: the ellipse of (y, x).
    values, vectors = np.linalg.eigh(np.array([[sd_y**2, c], [c, sd_x**2]]))
    half = np.sqrt(np.maximum(values, 0.0)) * _CHI * 100
    angle = math.degrees(math.atan2(vectors[1, 1], vectors[0, 1]))
    return [round(float(half[1]), 2), round(float(half[0]), 2), round(angle, 1)]


def _in_picture(x: float, y: float, calibration: Calibration | None) -> list[float] | None:
    if calibration is None or pd.isna(x) or pd.isna(y):
        return None
    point = calibration.camera.project(np.array([[x, y, table.BALL_RADIUS]]))[0]
    return [round(float(v), 1) for v in point] if np.isfinite(point).all() else None


def _ring(row: Any, calibration: Calibration | None) -> list[list[float]]:
    """Outline in the picture of where the bounce is with 95 %, px."""
    if calibration is None or pd.isna(row.sd_x_m) or pd.isna(row.sd_y_m):
        return []
    c = 0.0 if pd.isna(row.cov_xy_m2) else float(row.cov_xy_m2)
    values, vectors = np.linalg.eigh(np.array([[row.sd_x_m**2, c], [c, row.sd_y_m**2]]))
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    circle = np.column_stack([np.cos(angle), np.sin(angle)]) * _CHI
    around = circle * np.sqrt(np.maximum(values, 0.0)) @ vectors.T + (row.x_m, row.y_m)
    points = calibration.camera.project(
        np.column_stack([around, np.full(len(around), table.BALL_RADIUS)])
    )
    if not np.isfinite(points).all():
        return []
    return [[round(float(u), 1), round(float(v), 1)] for u, v in points]


def _number(value: float, otherwise: float) -> float:
    return otherwise if pd.isna(value) else float(value)


def _short(value: float, digits: int) -> float | None:
    return None if pd.isna(value) else round(float(value), digits)
