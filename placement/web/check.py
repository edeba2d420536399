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
_RING = np.linspace(0, 2 * np.pi, 16, endpoint=False)  # directions in which a ring has its points
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
    bounces = store.bounces(drill_id=drill_id, serve_id=only)
    bounces = bounces[bounces["serve_id"].notna()]
    ends = dict(zip(frame["serve_id"].tolist(), frame["server_end"].tolist(), strict=True))
    of: dict[int, list[dict[str, Any]]] = {}
    shapes = zip(
        rows_of(bounces),
        _ellipses(bounces, ""),
        _in_picture(bounces[["x_m", "y_m"]].to_numpy(float), calibration),
        _rings(bounces, calibration),
        strict=True,
    )
    for bounce, ellipse, seen, ring in shapes:
        serve_id = int(bounce.serve_id)
        end = int(ends[serve_id]) if ends.get(serve_id) in (-1, 1) else -1
        of.setdefault(serve_id, []).append(
            {"t": round(float(bounce.time_s), 3), "kind": bounce.kind,
             "sure": _short(bounce.probability, 2), "place": _place(bounce.x_m, bounce.y_m, end),
             "ellipse": ellipse, "at": seen, "ring": ring}
        )  # fmt: skip
    landings = frame[["landing_x_m", "landing_y_m"]].to_numpy(float)
    return [
        _row(row, first[row.serve_id], of.get(int(row.serve_id), []), look, ellipse, seen)
        for row, look, ellipse, seen in zip(
            rows_of(frame),
            needs_look(frame).tolist(),
            _ellipses(frame, "landing_"),
            _in_picture(landings, calibration),
            strict=True,
        )
    ]


def _row(
    row: Any,
    first: Any,
    bounces: list[dict[str, Any]],
    look: bool,
    ellipse: list[float] | None,
    seen: list[float] | None,
) -> dict[str, Any]:
    end = int(row.server_end) if row.server_end in (-1, 1) else -1
    target = " ".join(filter(None, (row.target_depth, row.target_side, row.target_landing)))
    landing = _place(row.landing_x_m, row.landing_y_m, end)
    return {
        "id": int(row.serve_id), "number": int(row.number), "rev": int(row.revision),
        "t": round(float(row.t_start_s), 3), "clock": clock(float(row.t_start_s)),
        "code": row.code, "turn": None if pd.isna(row.turn_id) else int(row.turn_id),
        "called": " ".join(filter(None, (target, row.stroke))), "end": end,
        "end_known": bool(row.server_end in (-1, 1)),
        "outcome": row.outcome, "depth": row.depth, "side": row.side,
        "pace": _short(row.pace_m_s, 1), "landing": landing,
        "ellipse": ellipse if landing else None,
        "second": _place(row.second_bounce_x_m, row.second_bounce_y_m, end),
        "corrected": row.corrected.split(), "checked": bool(row.checked),
        "removed": bool(row.removed), "by_hand": row.origin == "person",
        "machine": {"outcome": first.outcome, "depth": first.depth, "side": first.side,
                    "landing": _place(first.landing_x_m, first.landing_y_m, end)},
        "look": look, "doubt": round(doubt(row), 4), "why": doubt_words(row),
        "bounces": bounces, "at": seen,
    }  # fmt: skip


def _place(x: float, y: float, end: int) -> list[float] | None:
    if pd.isna(x) or pd.isna(y):
        return None
    # As `zones.to_server_frame`, one point at a time: a film may hold two thousand serves.
    return [round(end * float(y) * 100, 2), round(end * float(x) * 100, 2)]


def _spreads(rows: pd.DataFrame, prefix: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Covariances of the places of rows, m^2: sd along and across, and their covariance."""
    names = (f"{prefix}sd_x_m", f"{prefix}sd_y_m", f"{prefix}cov_xy_m2")
    sd_x, sd_y, cov = (rows[name].to_numpy(float) for name in names)
    return sd_x, sd_y, np.nan_to_num(cov)


def _ellipses(rows: pd.DataFrame, prefix: str) -> list[list[float] | None]:
    """Half-axes, cm, and angle, degrees clockwise on the screen, of the 95 % ellipses."""
    sd_x, sd_y, cov = _spreads(rows, prefix)
    known = ~(np.isnan(sd_x) | np.isnan(sd_y))
    # On the screen right is +-y and down is +-x, both with one sign: the ellipse of (y, x).
    values, vectors = _axes(sd_y[known] ** 2, cov[known], sd_x[known] ** 2)
    half = np.sqrt(np.maximum(values, 0.0)) * _CHI * 100
    angle = np.degrees(np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1]))
    found = iter(np.column_stack([half[:, 1], half[:, 0], angle]).tolist())
    return [_ellipse(*next(found)) if here else None for here in known.tolist()]


def _ellipse(long: float, short: float, angle: float) -> list[float]:
    return [round(long, 2), round(short, 2), round(angle, 1)]


def _axes(a: np.ndarray, b: np.ndarray, d: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Eigenvalues, growing, and eigenvectors of the matrices [[a, b], [b, d]]."""
    return np.linalg.eigh(np.stack([a, b, b, d], axis=-1).reshape(-1, 2, 2))


def _in_picture(places: np.ndarray, calibration: Calibration | None) -> list[list[float] | None]:
    """Where balls that touch the table at places (N, 2), m, are in the picture, px."""
    if calibration is None:
        return [None] * len(places)
    points = _project(places, calibration)
    seen = np.isfinite(points).all(axis=1).tolist()
    return [p if here else None for p, here in zip(points.round(1).tolist(), seen, strict=True)]


def _rings(bounces: pd.DataFrame, calibration: Calibration | None) -> list[list[list[float]]]:
    """Outlines in the picture of where the bounces are with 95 %, px."""
    if calibration is None:
        return [[] for _ in range(len(bounces))]
    sd_x, sd_y, cov = _spreads(bounces, "")
    known = ~(np.isnan(sd_x) | np.isnan(sd_y))
    values, vectors = _axes(sd_x[known] ** 2, cov[known], sd_y[known] ** 2)
    circle = np.column_stack([np.cos(_RING), np.sin(_RING)]) * _CHI
    around = (circle * np.sqrt(np.maximum(values, 0.0))[:, None]) @ np.swapaxes(vectors, 1, 2)
    around += bounces.loc[known, ["x_m", "y_m"]].to_numpy(float)[:, None]
    points = _project(around.reshape(-1, 2), calibration).reshape(-1, len(_RING), 2)
    whole = np.isfinite(points).all(axis=(1, 2)).tolist()
    found = iter(zip(points.round(1).tolist(), whole, strict=True))
    rings: list[list[list[float]]] = []
    for here in known.tolist():
        ring, good = next(found) if here else ([], True)
        rings.append(ring if good else [])
    return rings


def _project(places: np.ndarray, calibration: Calibration) -> np.ndarray:
    height = np.full(len(places), table.BALL_RADIUS)
    return calibration.camera.project(np.column_stack([places, height]))


def _number(value: float, otherwise: float) -> float:
    return otherwise if pd.isna(value) else float(value)


def _short(value: float, digits: int) -> float | None:
    return None if pd.isna(value) else round(float(value), digits)
