"""Say what a clip is and what in it will hurt, before an hour is spent on it.

The first seconds are looked at: the table is found, the stand watched, the ball followed, and from
the pictures of the ball the shutter is told by how far it draws the ball out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration import (
    Calibration,
    CalibrationError,
    StandWatch,
    detect_table,
    error_map_of,
    median_still,
)
from placement.ball import BallFinder
from placement.paths import FollowedPath
from placement.sightings import picture_speeds, radii_px
from placement.steady import Steadier, Tremble, steadied, steady_still, trembling
from placement.timing import find_factor, hinted_factor, slow_motion_note
from placement.tracing import Tracer
from placement.video import ClipInfo, probe_clip, read_frames

LOOK_S = 20.0  # s of the clip that are looked at
_STILLS, _STILLS_S = 15, 10.0
_WATCH_EVERY_S = 0.25
_SLOW_FPS = 50.0
_LOW_SIDE = 720  # px
_SMALL_TABLE = 0.30  # of the picture's width
_DRAWN_OUT = 1.5  # ball widths: a streak longer than this hurts
_SLOW_LOOK = 4  # times as far is looked where a slow film is suspected
_UNEVEN = 0.05
_KEYFRAMES_S = 2.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClipLook:
    """What the first seconds of a clip show.

    Attributes
    ----------
    info : ClipInfo
    looked_s : float
        How far was looked.
    calibration : Calibration or None
        None where no table was found; `trouble` says why.
    trouble : str
    n_paths : int
        Stretches in which the ball was followed over at least one bounce.
    exposure_s : float
        How long the shutter was open; NaN where too few pictures of the ball told it.
    streak : float
        Median length of the ball's picture, in its own widths: 1 is a sharp ball.
    motions : tuple of str
        One sentence for each time the stand moved.
    tremble : Tremble
        By how much the picture moves between stills (`placement.steady.trembling`).
    slow_motion : float
        By how many times the clip plays slower than it was filmed.
    """

    info: ClipInfo
    looked_s: float
    calibration: Calibration | None
    trouble: str
    n_paths: int
    exposure_s: float
    streak: float
    motions: tuple[str, ...]
    tremble: Tremble
    slow_motion: float = 1.0


def look_at_clip(
    path: str | Path, *, seconds: float = LOOK_S, slow_motion: float | None = None
) -> ClipLook:
    """Look at the first seconds of a clip.

    Parameters
    ----------
    path : str or Path
    seconds : float
        How far to look.
    slow_motion : float, optional
        By how many times the clip plays slower than it was filmed; found from the file's words and
        the ball's flight if not given.

    Returns
    -------
    ClipLook

    Raises
    ------
    VideoError
        If the file is no usable film.
    """
    info = probe_clip(path)
    seconds = min(seconds, info.duration_s)
    stills = _stills(info, _STILLS_S)
    still, tremble = _calm(stills), trembling(stills)
    try:
        calibration = detect_table(still)
    except CalibrationError as error:
        return ClipLook(
            info=info, looked_s=seconds, calibration=None, trouble=str(error), n_paths=0,
            exposure_s=float("nan"), streak=float("nan"), motions=(), tremble=tremble,
        )  # fmt: skip
    factor = slow_motion or hinted_factor(info)
    look = _followed(info, seconds, still, tremble, calibration, factor)
    if not look.n_paths and slow_motion is None:
        far = min(_SLOW_LOOK * seconds, info.duration_s)
        other = find_factor(info, calibration.camera, until_s=far, known=factor)
        if other != factor:
            look = _followed(info, far, still, tremble, calibration, other)
    return look


def _followed(
    info: ClipInfo,
    seconds: float,
    still: np.ndarray,
    tremble: Tremble,
    calibration: Calibration,
    factor: float,
) -> ClipLook:
    """The look at a clip that plays `factor` times slower than it was filmed."""
    fps = info.fps * factor
    tracer = Tracer(calibration.camera, fps)
    luma = np.ascontiguousarray(still[:, :, 1])  # green is the better part of luma
    watch = StandWatch(calibration, luma)
    finder = BallFinder(info.width, info.height, fps)
    paths: list[FollowedPath] = []
    motions: list[str] = []
    due = 0.0
    steadier = Steadier(luma) if tremble else None
    for frame in read_frames(info.path):
        if frame.time_s > seconds:
            break
        if steadier is not None:
            frame = steadied(frame, steadier)
        if frame.time_s >= due:
            due = frame.time_s + _WATCH_EVERY_S
            event = watch.add(frame.time_s, np.ascontiguousarray(frame.luma))
            if event is not None:
                motions.append(event.message)
        found = finder.push(replace(frame, time_s=frame.time_s / factor))
        traced = tracer.push(found) if found is not None else None
        if traced is not None:
            paths += traced.paths
    paths += tracer.finish().paths
    exposure = tracer.look.exposure_s if tracer.learnt else float("nan")
    return ClipLook(
        info=info, looked_s=seconds, calibration=calibration, trouble="", n_paths=len(paths),
        exposure_s=exposure, streak=_streak(calibration, paths, exposure), motions=tuple(motions),
        tremble=tremble, slow_motion=factor,
    )  # fmt: skip


def describe_clip(look: ClipLook) -> list[str]:
    """What a clip is and what in it will hurt, in lines for the terminal."""
    info = look.info
    lines = [
        f"{info.path.name}: {info.width} x {info.height} px, {info.fps:.4g} frames a second, "
        f"{info.duration_s:.1f} s, {info.codec}, {info.bit_depth} bit"
        + (f", turned by {info.rotation_deg % 360} degrees" if info.rotation_deg % 360 else "")
    ]
    found = look.calibration
    if found is not None:
        expected = error_map_of(found, fps=info.fps * look.slow_motion, grid=(9, 5))
        lines.append(
            f"  table found, its lines to {found.residual_px:.2f} px; expect bounces within "
            f"{1e3 * expected.typical:.0f} mm over most of it, {1e3 * expected.worst:.0f} mm at "
            "worst (95 %)"
        )
        lines.append(
            f"  ball followed over {look.n_paths} stretches with a bounce in the first "
            f"{look.looked_s:.0f} s"
        )
    if np.isfinite(look.exposure_s):
        lines.append(
            f"  shutter open for about 1/{1 / look.exposure_s:.0f} s: the flying ball is drawn out "
            f"to {look.streak:.1f} of its widths"
        )
    if look.slow_motion != 1:
        lines.append(f"  {slow_motion_note(look.slow_motion)}")
    troubles = clip_troubles(look)
    lines += [f"  mind: {sentence}" for sentence in troubles]
    if not troubles:
        lines.append("  nothing that will hurt")
    return lines


def clip_troubles(look: ClipLook) -> list[str]:
    """Sentences on what in a clip will hurt, the worst first."""
    info, found = look.info, look.calibration
    troubles = []
    if found is None:
        troubles.append(look.trouble)
    else:
        outside = _outside(found)
        if outside:
            troubles.append(
                f"the table is cropped: {outside} of its corners lie outside the picture; film "
                "the whole table."
            )
        width = float(np.ptp(found.corners_px[:, 0])) / info.width
        if width < _SMALL_TABLE:
            troubles.append(
                f"the table fills only {width:.0%} of the picture's width; move the stand nearer."
            )
        if look.n_paths == 0:
            troubles.append("no ball was seen to bounce on the table in this part of the clip.")
    troubles += look.motions
    if look.tremble.grows_px > look.tremble.by_px and look.tremble:
        troubles.append(
            "the picture grows and shrinks as the phone focuses, by about "
            f"{look.tremble.grows_px:.1f} px at a time: lock the focus."
        )
    elif look.tremble:
        troubles.append(
            f"the stand trembles, by about {look.tremble.by_px:.1f} px at a time: put it where "
            "nobody shakes the floor, or weigh it down."
        )
    fps = info.fps * look.slow_motion
    if fps < _SLOW_FPS:
        troubles.append(
            f"{fps:.4g} frames a second is slow: the ball flies "
            f"{8e2 / fps:.0f} cm between frames at 8 m/s; film at 60 or more."
        )
    if look.streak > _DRAWN_OUT:
        troubles.append(
            f"the shutter is long: the ball is drawn out to {look.streak:.1f} times its width; "
            "more light, or a shorter shutter (1/500 s) in the camera's settings."
        )
    if min(info.width, info.height) < _LOW_SIDE:
        troubles.append(f"{info.width} x {info.height} px is coarse; film in 1080p.")
    if info.uneven_share > _UNEVEN:
        troubles.append(
            f"the frame rate varies ({info.uneven_share:.0%} of the gaps are uneven): times are "
            "taken from the stamps, but places between frames far apart are less exact."
        )
    if info.keyframe_gap_s > _KEYFRAMES_S:
        troubles.append(
            f"key frames stand {info.keyframe_gap_s:.0f} s apart: stepping through it will be slow."
        )
    if found is not None:
        troubles += found.warnings
    return troubles


def calm_still(info: ClipInfo, seconds: float = _STILLS_S) -> np.ndarray:
    """A still of the first seconds of a clip without people, BGR, shape (H, W, 3)."""
    return _calm(_stills(info, seconds))


def _calm(pictures: list[np.ndarray]) -> np.ndarray:
    return (steady_still if trembling(pictures) else median_still)(pictures)


def _stills(info: ClipInfo, seconds: float) -> list[np.ndarray]:
    """Frames of the first seconds, BGR."""
    seconds = min(seconds, info.duration_s)
    pictures: list[np.ndarray] = []
    due = 0.0
    for frame in read_frames(info.path):
        if frame.time_s > seconds:
            break
        if frame.time_s >= due:
            pictures.append(frame.bgr())
            due += seconds / _STILLS
    return pictures


def _streak(calibration: Calibration, paths: list[FollowedPath], exposure_s: float) -> float:
    """Median length of the ball's picture over all followed paths, in ball widths."""
    lengths = []
    for followed in paths:
        times = followed.sightings.times
        speeds = np.hypot(*picture_speeds(calibration.camera, followed.path, times).T)
        radii = radii_px(calibration.camera, followed.path.positions(times))
        lengths.append(1 + speeds * exposure_s / (2 * radii))
    return float(np.median(np.concatenate(lengths))) if lengths else float("nan")


def _outside(calibration: Calibration) -> int:
    """How many corners lie outside the picture."""
    limit = np.array(calibration.camera.size) - 1
    inside = ((calibration.corners_px >= 0) & (calibration.corners_px <= limit)).all(axis=1)
    return int((~inside).sum())
