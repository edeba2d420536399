"""Check a calibration against what it did not use: the net's white tape, its ends, the centre line.

The net's top stands 15.25 cm above the surface along its whole length and ends 15.25 cm outside the
side lines (Laws 2.2.2, 2.2.3); the centre line is 3 mm wide (Law 2.1.6). The tape is 15 mm wide
(common practice, no source) unless the picture shows another width.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.bright_lines import Strip, find_bright_line
from calibration.camera import Camera
from calibration.profiles import (
    PROFILE_STEP,
    LineLook,
    Stations,
    fit_profiles,
    sample_profiles,
)
from calibration.result import NetCheck
from calibration.table import CENTRE_LINE, HALF_LENGTH, HALF_WIDTH, NET_HEIGHT, NET_SPAN
from calibration.tape_width import measure_width

TAPE = 0.015  # m, white band along the net's top; common practice
NET_REACH_M = 0.09  # the tape is looked for so far from where the law puts it
NET_FAR = 3.0  # times that, for a net that contradicts the corners
NET_FAR_SEEN = 0.6  # share of it, and of its ends, that must be seen
NET_REFUSE_M = 0.030  # a net clearly seen farther off than this contradicts the corners
NET_REFUSE_PX = 4.0
_NET_PLACES, _LINE_PLACES = 90, 60  # looked at along the tape, along each half of the centre line
CENTRE_REACH_PX = 5.0  # the centre line is looked for so far from where the corners put it
CENTRE_SEEN = 0.25  # share of it on one line that counts as seen
BESIDE_M = 0.02  # from the side line, beyond which nothing but the net's tape is white
NET_CLEAR = 0.5  # share of the tape on one line that counts as clearly seen


def check_net(
    luma: np.ndarray,
    camera: Camera,
    *,
    every: int = 1,
    look: LineLook | None = None,
    besides: Strip | None = None,
) -> NetCheck:
    """Measure the net's tape and the centre line in a picture against a camera fitted without them.

    Parameters
    ----------
    luma : ndarray, shape (height, width)
        Grey levels.
    camera : Camera
        Fitted to the white edge lines.
    every : int
        Looks at every so-manieth place only: quicker and less exact, while a hand moves corners.
    look : LineLook, optional
        Of the table's lines: by it the tape's width is measured, which else is taken as usual.
    besides : Strip, optional
        See `find_tape`.

    Returns
    -------
    NetCheck
        NaN for what was not found.
    """
    luma = np.asarray(luma)
    residual_px = residual_mm = posts_mm = float("nan")
    seen = 0.0
    stations, offset, good, share = find_tape(luma, camera, every=every, look=look, besides=besides)
    if len(offset):
        scale = _scale(camera, stations)
        seen = float(good.mean()) * share
        if good.sum() >= 8 // every:
            residual_px = float(np.sqrt(np.mean(offset[good] ** 2)))
            residual_mm = float(1e3 * np.sqrt(np.mean((offset / scale)[good] ** 2)))
            ends = stations.points[good, 1]
            posts_mm = float(1e3 * max(NET_SPAN / 2 - ends.max(), NET_SPAN / 2 + ends.min()))
    stations, offset, good = find_centre_line(luma, camera, every=every)
    centre_px = float("nan")
    if len(offset) and good.mean() > CENTRE_SEEN:
        centre_px = float(np.sqrt(np.mean(offset[good] ** 2)))
    return NetCheck(
        residual_px=residual_px,
        residual_mm=residual_mm,
        seen=seen,
        centre_line_px=centre_px,
        posts_mm=posts_mm,
    )


def find_centre_line(
    luma: np.ndarray, camera: Camera, *, every: int = 1
) -> tuple[Stations, np.ndarray, np.ndarray]:
    """Look for the centre line where a camera puts it.

    Parameters
    ----------
    luma : ndarray, shape (height, width)
        Grey levels.
    camera : Camera
        May be off by some px there.
    every : int
        See `check_net`.

    Returns
    -------
    stations : Stations
        Along the line, those inside the frame.
    offset : ndarray, shape (M,)
        Of a bright line from each of them, px; empty where too few are inside.
    good : ndarray of bool, shape (M,)
        Which of them lie on one straight line.
    """
    x = np.linspace(0.1, 0.97, _LINE_PLACES // every) * HALF_LENGTH
    x = np.concatenate([-x[::-1], x])
    centre = np.column_stack([x, np.zeros_like(x), np.zeros_like(x)])
    stations = _along(camera, centre, np.array([0, 1.0, 0]), CENTRE_LINE)
    if len(stations.line) < 10 // every:
        return stations, np.empty(0), np.empty(0, bool)
    return stations, *_line_offset(luma, stations, CENTRE_REACH_PX)


def find_tape(
    luma: np.ndarray,
    camera: Camera,
    *,
    every: int = 1,
    look: LineLook | None = None,
    besides: Strip | None = None,
) -> tuple[Stations, np.ndarray, np.ndarray, float]:
    """Look for the net's tape where a camera puts it.

    Parameters
    ----------
    luma : ndarray, shape (height, width)
        Grey levels.
    camera : Camera
        May be off by some px at the net.
    every : int
        See `check_net`.
    look : LineLook, optional
        See `check_net`.
    besides : Strip, optional
        Another bright line, that is not taken for it.

    Returns
    -------
    stations : Stations
        Along the tape's middle, those inside the frame.
    offset : ndarray, shape (M,)
        Of a bright line from each of them, px; empty where too few are inside.
    good : ndarray of bool, shape (M,)
        Which of them lie on one straight line.
    share : float
        Of the tape, that is inside the frame.
    """
    y = np.linspace(-NET_SPAN / 2 + 0.02, NET_SPAN / 2 - 0.02, _NET_PLACES // every)
    middle = np.column_stack([np.zeros_like(y), y, np.full_like(y, NET_HEIGHT - TAPE / 2)])
    stations = _along(camera, middle, np.array([0, 0, -1.0]), TAPE)
    share = len(stations.line) / len(y)
    if len(stations.line) < 10 // every:
        return stations, np.empty(0), np.empty(0, bool), share
    reach = float(np.clip(NET_REACH_M * np.median(_scale(camera, stations)), 5.0, 60.0))
    offset, good = _line_offset(luma, stations, reach, besides)
    if good.mean() < NET_CLEAR:
        # farther off, only a line that overhangs both side lines, as no line of the table does
        far, far_good = _line_offset(luma, stations, reach * NET_FAR, besides)
        beyond = np.abs(stations.points[:, 1]) > HALF_WIDTH + BESIDE_M
        if far_good.mean() > NET_FAR_SEEN and far_good[beyond].mean() > NET_FAR_SEEN:
            offset, good = far, far_good
    if look is not None:
        on_it = stations.of(good)
        width_m = measure_width(luma, on_it, offset[good], on_it.width / TAPE, look)
        if width_m is not None:
            stations, offset = _of_width(width_m, stations, offset)
    return stations, offset, good, share


def _of_width(
    width_m: float, stations: Stations, offset: np.ndarray
) -> tuple[Stations, np.ndarray]:
    """The same tape, whose middle lies elsewhere as it has another width; its top stays."""
    lower = (width_m - TAPE) / 2
    lower_px = stations.width / TAPE * lower
    stations = replace(
        stations,
        points=stations.points - np.array([0.0, 0.0, lower]),
        centre=stations.centre + lower_px[:, None] * stations.normal,
        width=stations.width / TAPE * width_m,
    )
    return stations, offset - lower_px


def _scale(camera: Camera, stations: Stations) -> np.ndarray:
    """How many px a metre is at each station."""
    return np.asarray(camera.matrix[0, 0] / camera.depths(stations.points))


def net_contradicts(net: NetCheck) -> bool:
    """True when the net is clearly seen and clearly not where the corners put it."""
    return (
        net.seen >= NET_CLEAR
        and net.residual_mm > 1e3 * NET_REFUSE_M
        and net.residual_px > NET_REFUSE_PX
    )


def _along(camera: Camera, points: np.ndarray, across_m: np.ndarray, width_m: float) -> Stations:
    """Stations along a straight mark through table points, those well inside the frame only."""
    pixels = camera.project(points)
    margin = 4.0
    with np.errstate(invalid="ignore"):
        inside = ((pixels > margin) & (pixels < np.array(camera.size) - 1 - margin)).all(axis=1)
    points, pixels = points[inside], pixels[inside]
    if len(points) < 3:
        empty = np.empty((0, 2))
        return Stations(points=np.empty((0, 3)), line=np.empty(0, int), centre=empty,
                        normal=empty, width=np.empty(0))  # fmt: skip
    tangent = np.gradient(pixels, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    across = camera.project(points + 1e-3 * across_m) - pixels
    normal *= np.where((normal * across).sum(axis=1) < 0, -1.0, 1.0)[:, None]
    width = np.abs((normal * across).sum(axis=1)) * (width_m / 1e-3)
    return Stations(
        points=points, line=np.zeros(len(points), int), centre=pixels, normal=normal, width=width
    )


def _line_offset(
    luma: np.ndarray, stations: Stations, reach: float, besides: Strip | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Offsets (M,) of a bright line from the stations, px, and which of them lie on one line."""
    guess, height = find_bright_line(luma, stations, reach, by_line=True, strip=besides)
    moved = Stations(
        points=stations.points,
        line=stations.line,
        centre=stations.centre + guess[:, None] * stations.normal,
        normal=stations.normal,
        width=stations.width,
    )
    half = float(stations.width.max()) / 2 + 5.5
    offsets = np.arange(-half, half + PROFILE_STEP, PROFILE_STEP)
    profiles = sample_profiles(luma, moved, offsets)
    delta, variance, _, levels = fit_profiles(profiles, offsets, stations.width, 0.75, n_steps=4)
    usual = np.percentile(height, 75)
    rise = levels[:, 1] - np.maximum(levels[:, 0], levels[:, 2])
    good = (
        np.isfinite(delta)
        & (np.abs(delta) < 2)
        & (variance < 1)
        & (height > max(4.0, 0.3 * usual))
        & (rise > 4)
    )
    offset = guess + delta
    if good.sum() < 5:
        return offset, np.zeros(len(offset), dtype=bool)
    t = np.linspace(-1, 1, len(offset))
    for _ in range(4):  # one straight line, those far from it left out
        middle, level = t[good].mean(), offset[good].mean()
        away = t[good] - middle
        slope = (away @ (offset[good] - level)) / (away @ away)
        off = np.abs(offset - level - slope * (t - middle))
        limit = max(1.0, 3 * 1.4826 * float(np.median(off[good])))
        keep = good & (off < min(limit, 2.5))
        if keep.sum() < 5 or (keep == good).all():
            break
        good = keep
    return offset, good
