"""Stills for the strip out of the films themselves, where the films are still at hand."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pandas as pd

from calibration import Calibration, CalibrationError, table
from placement import figures
from placement.evidence.strip import Image, Still, fit_width, mark_ball, pick_serves, private_crop
from placement.records import RecordsError, Store
from placement.records.base import rows_of
from placement.records.turns import clock


def stills_from_films(
    store: Store, code: str, *, blur_outside: bool = True
) -> tuple[list[Still], str]:
    """Stills of typical and best serves of a student, cropped to the table and blurred outside it.

    Parameters
    ----------
    store : Store
        The records.
    code : str
        Initials or candidate number.
    blur_outside : bool
        False only where the school asked for it.

    Returns
    -------
    (list of Still, str)
        The stills, and why some or all are missing; empty where none is.
    """
    chosen = pick_serves(figures.judge(store.serves(student_code=code)))
    stills: list[Still] = []
    missing: list[str] = []
    moved: dict[int, None] = {}
    needed = [
        "drill_id", "clip", "filmed_on", "t_start_s", "landing_time_s", "landing_x_m",
        "landing_y_m", "target", "why", "hit",
    ]  # fmt: skip
    for row in rows_of(chosen.reindex(columns=needed)):
        try:
            film = store.drill(int(row.drill_id))
            try:
                path = store.locate_clip(film.drill_id)
            except RecordsError:
                moved[film.drill_id] = None
                continue
            moment = row.t_start_s if pd.isna(row.landing_time_s) else row.landing_time_s
            found = calibration_at(film.calibration, float(moment))
            frame = frame_at(path, float(moment))
            place = np.array([[row.landing_x_m, row.landing_y_m, table.BALL_RADIUS]])
            ball = found.camera.project(place)[0]
            marked = mark_ball(frame, (float(ball[0]), float(ball[1])))
            crop = private_crop(marked, found.corners_px.tolist(), blur_outside=blur_outside)
        except (RecordsError, CalibrationError, OSError, ValueError) as error:
            missing.append(str(error))
            continue
        hit = "hit" if row.hit == 1.0 else "not hit"
        stills.append(
            Still(
                image=fit_width(crop),
                caption=f"{row.why}: called {row.target}, {hit}; {row.filmed_on or row.clip}, "
                f"{row.clip} at {clock(float(moment))}",
                alt=f"The table at the moment a serve called {row.target} lands; a ring marks the "
                "ball.",
            )
        )
    if moved:
        drills = ", ".join(map(str, moved))
        missing.append(f"the films are not where they were (drill {drills})")
    reason = "; ".join(dict.fromkeys(missing))
    return stills, reason or ("" if stills else "no serve with a place and a called target")


def calibration_at(stored: Mapping[str, Any], moment_s: float) -> Calibration:
    """The calibration that held at a moment: after a bump of the stand there is another one.

    Parameters
    ----------
    stored : mapping
        As in calibration.json: a calibration, with ``stands`` where there were several.
    moment_s : float
        From the clip's first frame, s.

    Returns
    -------
    Calibration

    Raises
    ------
    CalibrationError
        If it cannot be read.
    """
    for stand in stored.get("stands", ()):
        if stand["start_s"] <= moment_s <= stand["end_s"]:
            return Calibration.from_json(json.dumps(stand["calibration"]))
    return Calibration.from_json(json.dumps(dict(stored)))


def frame_at(path: str | Path, moment_s: float) -> Image:
    """The frame of a clip nearest to a moment, upright, RGB.

    Parameters
    ----------
    path : str or Path
        Clip.
    moment_s : float
        From the clip's first frame, s.

    Returns
    -------
    ndarray, shape (height, width, 3), uint8

    Raises
    ------
    ValueError
        If the clip cannot be read or holds no such moment.
    """
    try:
        with av.open(str(path)) as container:
            stream = container.streams.video[0]
            base = float(stream.time_base or 0)
            origin = next(container.decode(stream)).pts or 0
            container.seek(origin + int(moment_s / base), stream=stream)
            best = None
            for frame in container.decode(stream):
                if frame.pts is None:
                    continue
                off = abs((frame.pts - origin) * base - moment_s)
                if best is not None and off >= best[0]:
                    break
                best = (off, frame)
    except (av.error.FFmpegError, StopIteration, IndexError) as error:
        raise ValueError(f"{Path(path).name} cannot be read as a film") from error
    if best is None:
        raise ValueError(f"{Path(path).name} has no frame at {clock(moment_s)}")
    picture = np.asarray(best[1].to_ndarray(format="rgb24"), dtype=np.uint8)
    return _upright(picture, best[1].rotation)


def _upright(picture: Image, rotation_deg: float) -> Image:
    turns: Sequence[int | None] = (
        None,
        cv2.ROTATE_90_COUNTERCLOCKWISE,
        cv2.ROTATE_180,
        cv2.ROTATE_90_CLOCKWISE,
    )
    code = turns[round(rotation_deg / 90) % 4]
    return picture if code is None else np.asarray(cv2.rotate(picture, code), dtype=np.uint8)
