"""The bounces of serves as the checking page shows them, each with a name by which it is moved.

Places on the drawing are cm, (to the server's right, down the screen), with the server at the
bottom and the net at zero; places in the picture are px of the upright frame.

A serve's landing and its second bounce stand in the records with the serve, and as bounces too
where they were seen: here they are one and the same.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from calibration import Calibration, table
from placement.records import RecordsError
from placement.records.base import rows_of

LANDING, SECOND = "landing", "second"
#: The columns of a serve that say where one of its bounces is.
_OF_SERVE = {
    LANDING: ("landing_x_m", "landing_y_m"),
    SECOND: ("second_bounce_x_m", "second_bounce_y_m"),
}
_DRAWN = ("x_m", "y_m", "sd_x_m", "sd_y_m", "cov_xy_m2")
_SAME_PLACE_M = 0.0005  # one number, written twice with rounding
_CHI = math.sqrt(5.991464547107979)  # 95 % of a normal in two directions
_RING = np.linspace(0, 2 * np.pi, 16, endpoint=False)  # directions in which a ring has its points
_LANDED = ("good", "let")


def bounce_rows(
    serves: pd.DataFrame,
    machine: pd.DataFrame,
    bounces: pd.DataFrame,
    seen: pd.DataFrame,
    calibration: Calibration | None,
) -> dict[int, list[dict[str, Any]]]:
    """The bounces of serves, in the order in which they happened.

    Parameters
    ----------
    serves, machine : DataFrame
        From `records.Store.serves`: as they stand, and as the machine found them.
    bounces, seen : DataFrame
        From `records.Store.bounces`: as they stand, and as the machine found them.
    calibration : Calibration or None
        For the places in the picture; None where it is not known.

    Returns
    -------
    dict
        By key of the serve: ``key`` (by which it is moved), ``name``, ``t`` (s; None: not known),
        ``place``, ``was`` (where the machine put it; None: it was not moved), ``ellipse``, ``at``
        and ``ring`` (in the picture).
    """
    of: dict[int, list[tuple[Any, Any]]] = {}
    for pair in zip(rows_of(bounces), rows_of(seen), strict=True):
        if not pd.isna(pair[0].serve_id):
            of.setdefault(int(pair[0].serve_id), []).append(pair)
    firsts = {int(row.serve_id): row for row in rows_of(machine)}  # a start may be corrected
    points = [
        point
        for serve in rows_of(serves)
        for point in _points(serve, firsts[int(serve.serve_id)], of.get(int(serve.serve_id), []))
    ]
    frame = pd.DataFrame(points, columns=list(_DRAWN)).astype(float)
    shapes = zip(
        points,
        ellipses(frame),
        _in_picture(frame[["x_m", "y_m"]].to_numpy(float), calibration),
        _rings(frame, calibration),
        strict=True,
    )
    found: dict[int, list[dict[str, Any]]] = {}
    for point, ellipse, at, ring in shapes:
        end, time, was = point["end"], point["time_s"], point["was"]
        found.setdefault(point["serve_id"], []).append(
            {"key": point["key"], "name": point["name"],
             "t": None if pd.isna(time) else round(float(time), 3),
             "place": _place(point["x_m"], point["y_m"], end),
             "was": _place(was[0], was[1], end) if point["moved"] else None,
             "ellipse": ellipse, "at": at, "ring": ring}
        )  # fmt: skip
    return found


def moved(key: Any, place: Any, end: int) -> tuple[dict[str, Any], dict[int, tuple[float, float]]]:
    """What a move on the drawing is in the records.

    Parameters
    ----------
    key : str
        Which bounce, as `bounce_rows` calls it.
    place : sequence of float or None
        Where it is on the drawing, cm; None: nowhere, for a landing that there was not.
    end : int
        End of the server.

    Returns
    -------
    changes : dict
        Columns of the serve.
    bounces : dict
        Places (x, y), m, of other bounces by their key.

    Raises
    ------
    RecordsError
        If there can be no such bounce, or the place is none.
    """
    names = _OF_SERVE.get(str(key))
    if names is None and not (isinstance(key, str) and key.isdigit()):
        raise RecordsError("say which bounce is meant")
    if place is None:
        if names is None:
            raise RecordsError("a bounce needs a place, two numbers")
        return dict.fromkeys(names), {}
    try:
        right, down = (float(v) / 100 for v in place)
    except (TypeError, ValueError) as error:
        raise RecordsError("a place needs two numbers") from error
    there = (end * down, end * right)
    return (dict(zip(names, there, strict=True)), {}) if names else ({}, {int(key): there})


def _points(serve: Any, first: Any, pairs: list[tuple[Any, Any]]) -> list[dict[str, Any]]:
    """The bounces of one serve: those that were seen, then what is only in the serve itself."""
    end = int(serve.server_end) if serve.server_end in (-1, 1) else -1
    corrected = serve.corrected.split()
    free = {key: _OF_SERVE[key] for key in (LANDING, SECOND)}
    points = []
    for now, seen in pairs:
        key = next((key for key, names in free.items() if _same(seen, first, names)), "")
        if key:
            names = free.pop(key)
            points.append(_of_serve(key, names, serve, first, corrected, end, now))
        else:
            points.append(
                {"serve_id": int(serve.serve_id), "end": end, "key": str(int(now.bounce_id)),
                 "name": _name(now, end), "time_s": now.time_s, "x_m": now.x_m, "y_m": now.y_m,
                 "sd_x_m": now.sd_x_m, "sd_y_m": now.sd_y_m, "cov_xy_m2": now.cov_xy_m2,
                 "was": (seen.x_m, seen.y_m), "moved": bool(now.moved)}
            )  # fmt: skip
    points += [
        _of_serve(key, names, serve, first, corrected, end, None) for key, names in free.items()
    ]
    return [point for point in points if not (pd.isna(point["x_m"]) or pd.isna(point["y_m"]))]


def _of_serve(
    key: str,
    names: tuple[str, str],
    serve: Any,
    first: Any,
    corrected: list[str],
    end: int,
    seen: Any,
) -> dict[str, Any]:
    """The landing or the second bounce of a serve."""
    by_hand = any(name in corrected for name in names)
    time = seen.time_s if seen is not None else math.nan
    if key == LANDING:
        name = "landing" if serve.outcome in _LANDED else "place on the table"
        spread = (serve.landing_sd_x_m, serve.landing_sd_y_m, serve.landing_cov_xy_m2)
        if seen is None:
            time = serve.landing_time_s
    else:
        name = "second bounce" if seen is not None or by_hand else "second bounce, worked out"
        spread = (math.nan, math.nan, math.nan)
        if by_hand:
            spread = (serve.second_bounce_sd_m, serve.second_bounce_sd_m, 0.0)
        elif seen is not None:
            spread = (seen.sd_x_m, seen.sd_y_m, seen.cov_xy_m2)
    return {
        "serve_id": int(serve.serve_id), "end": end, "key": key, "name": name, "time_s": time,
        "x_m": getattr(serve, names[0]), "y_m": getattr(serve, names[1]),
        "sd_x_m": spread[0], "sd_y_m": spread[1], "cov_xy_m2": spread[2],
        "was": (getattr(first, names[0]), getattr(first, names[1])), "moved": by_hand,
    }  # fmt: skip


def _same(bounce: Any, serve: Any, names: tuple[str, str]) -> bool:
    """Whether a bounce is the one whose place a serve holds."""
    return all(
        abs(here - getattr(serve, name)) < _SAME_PLACE_M
        for here, name in zip((bounce.x_m, bounce.y_m), names, strict=True)
    )


def _name(bounce: Any, end: int) -> str:
    """What a person calls a bounce that is neither the landing nor the second one."""
    if bounce.kind == "return":
        return "bounce after the return"
    if bounce.kind == "serve" and bounce.x_m * end > 0:
        return "bounce on the server's half"
    return "bounce before the serve" if bounce.kind == "idle" else "another bounce"


def _place(x: float, y: float, end: int) -> list[float] | None:
    if pd.isna(x) or pd.isna(y):
        return None
    # As `zones.to_server_frame`, one point at a time: a film may hold two thousand serves.
    return [round(end * float(y) * 100, 2), round(end * float(x) * 100, 2)]


def _spreads(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Covariances of the places of rows, m^2: sd along and across, and their covariance."""
    sd_x, sd_y, cov = (rows[n].to_numpy(float) for n in ("sd_x_m", "sd_y_m", "cov_xy_m2"))
    return sd_x, sd_y, np.nan_to_num(cov)


def ellipses(rows: pd.DataFrame) -> list[list[float] | None]:
    """Half-axes, cm, and angle, degrees clockwise on the screen, of the 95 % ellipses."""
    sd_x, sd_y, cov = _spreads(rows)
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
    sd_x, sd_y, cov = _spreads(bounces)
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
