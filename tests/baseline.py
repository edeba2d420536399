"""The baseline to beat: a plain pipeline of general-purpose parts.

Background subtraction and blob finder from OpenCV, particle linking from trackpy, a homography from
the four true corners, no height, no physics, no covariance. A bounce is where a linked blob stops
falling in the picture and rises again; two bounces on different halves within 0.8 s are a serve.
It is handed the true corners, so that what it loses it loses to the ball alone.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import av
import cv2
import numpy as np
import pandas as pd
import trackpy

from calibration import apply_homography, fit_homography, table
from placement.analysis import BOUNCE_COLUMNS, SERVE_COLUMNS

_AREA = (12.0, 900.0)  # px^2 of a blob at 1920 px width
_REACH = 90.0  # px between frames at 60 frames a second and 1920 px width
_SHORTEST = 6  # frames of a track
_TURN = 2.0  # px a frame: least fall before and rise after a bounce
_PAIR_S = 0.8


def baseline(film: Path, corners_px: np.ndarray) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Bounces and serves of a film.

    Parameters
    ----------
    film : Path
    corners_px : ndarray, shape (4, 2)
        In the order of `calibration.table.CORNERS`.

    Returns
    -------
    tuple of DataFrame
        With the columns of bounces.csv and serves.csv; what it cannot measure is NaN.
    """
    blobs, times, width = _find_blobs(film)
    if blobs.empty:
        return _bounces_frame([]), _serves_frame([])
    rate = 1 / float(np.median(np.diff(times)))
    reach = _REACH * width / 1920 * 60 / rate
    linked = _link(blobs, reach)
    homography = fit_homography(corners_px, table.CORNERS[:, :2])
    found: list[tuple[float, float, float]] = []
    for _, track in linked.groupby("particle"):
        if len(track) >= _SHORTEST:
            found += _turns(track.sort_values("frame"), times, homography)
    found.sort()
    return _bounces_frame(found), _serves_frame(found)


def _link(blobs: pd.DataFrame, reach: float) -> pd.DataFrame:
    """The blobs with the number of the particle each belongs to.

    Among crowds of blobs the library shortens its reach by itself.
    """
    trackpy.quiet()
    frames = [blobs[blobs["frame"] == k] for k in range(int(blobs["frame"].max()) + 1)]
    # over arrays: trackpy's own way through a DataFrame uses what pandas is about to drop
    names = trackpy.link_iter(
        [f[["x", "y"]].to_numpy() for f in frames],
        reach,
        memory=2,
        adaptive_stop=reach / 20,
        adaptive_step=0.7,
    )
    return pd.concat(
        [f.assign(particle=particles) for f, (_, particles) in zip(frames, names, strict=True)]
    )


def _find_blobs(film: Path) -> tuple[pd.DataFrame, np.ndarray, int]:
    ground = cv2.createBackgroundSubtractorMOG2(history=120, varThreshold=30, detectShadows=False)
    finder = None
    rows: list[tuple[int, float, float]] = []
    times: list[float] = []
    width = 1920
    with av.open(str(film)) as container:
        for index, frame in enumerate(container.decode(video=0)):
            picture = np.rot90(frame.to_ndarray(format="gray"), round(frame.rotation / 90) % 4)
            times.append(frame.time)
            width = picture.shape[1]
            mask = ground.apply(np.ascontiguousarray(picture), learningRate=0.01)
            if finder is None:
                finder = _blob_finder(width)
            if index > 10:
                rows += [(index, *point.pt) for point in finder.detect(mask)]
    stamps = np.array(times, dtype=float)
    return pd.DataFrame(rows, columns=["frame", "x", "y"]), stamps - stamps[0], width


def _blob_finder(width: int) -> cv2.SimpleBlobDetector:
    choice = cv2.SimpleBlobDetector_Params()
    scale = (width / 1920) ** 2
    choice.filterByColor = True
    choice.blobColor = 255
    choice.filterByArea = True
    choice.minArea, choice.maxArea = _AREA[0] * scale, _AREA[1] * scale
    choice.filterByCircularity = True
    choice.minCircularity = 0.5
    choice.filterByConvexity = False
    choice.filterByInertia = False
    choice.minThreshold, choice.maxThreshold, choice.thresholdStep = 100, 200, 50
    choice.minRepeatability = 1
    return cv2.SimpleBlobDetector_create(choice)


def _turns(
    track: pd.DataFrame, times: np.ndarray, homography: np.ndarray
) -> list[tuple[float, float, float]]:
    """Moments and table places where a track stops falling and rises, on the table only."""
    frame, x, y = (track[name].to_numpy() for name in ("frame", "x", "y"))
    found = []
    for k in range(2, len(track) - 2):
        fall, rise = (y[k] - y[k - 2]) / 2, (y[k] - y[k + 2]) / 2
        if y[k] >= y[k - 1] and y[k] > y[k + 1] and min(fall, rise) > _TURN:
            (place,) = apply_homography(homography, np.array([[x[k], y[k]]]))
            if abs(place[0]) < table.HALF_LENGTH and abs(place[1]) < table.HALF_WIDTH:
                found.append((float(times[frame[k]]), float(place[0]), float(place[1])))
    return found


def _bounces_frame(found: list[tuple[float, float, float]]) -> pd.DataFrame:
    times, x, y = np.array(found, dtype=float).reshape(-1, 3).T
    frame = pd.DataFrame({"clip": "", "time_s": times, "x_m": x, "y_m": y})
    return frame.reindex(columns=list(BOUNCE_COLUMNS)).assign(
        half="", kind="serve", probability=1.0
    )


def _serves_frame(found: list[tuple[float, float, float]]) -> pd.DataFrame:
    rows = []
    last = -np.inf
    for (t0, x0, _), (t1, x1, y1) in pairwise(found):
        if t1 - t0 < _PAIR_S and x0 * x1 < 0 and t0 - last > _PAIR_S:
            last = t1
            end = 1 if x0 > 0 else -1
            rows.append(_serve(len(rows) + 1, t0, t1, end, x1, y1, found))
    words = ("clip", "outcome", "depth", "side", "landing_third", "flags")
    return pd.DataFrame(
        {
            name: pd.Series(
                [row.get(name, "" if name in words else np.nan) for row in rows],
                dtype=object if name in words else float,
            )
            for name in SERVE_COLUMNS
        }
    )


def _serve(
    number: int, t0: float, t1: float, end: int, x: float, y: float,
    found: list[tuple[float, float, float]],
) -> dict[str, object]:  # fmt: skip
    leftward = -end * y
    side = (
        "middle" if abs(leftward) < table.HALF_WIDTH / 3 else ("left" if leftward > 0 else "right")
    )
    later = [f for f in found if t1 < f[0] < t1 + _PAIR_S and f[1] * x > 0]
    row: dict[str, object] = {
        "serve": number, "t_start_s": t0 - 0.3, "server_end": end, "outcome": "good",
        "side": side, "landing_x_m": x, "landing_y_m": y,
        # the ball leaves the picture's table before its second bounce, or it is the next turn
        "depth": "short" if later else "long",
    }  # fmt: skip
    if later:
        row |= {"second_bounce_x_m": later[0][1], "second_bounce_y_m": later[0][2]}
    return row
