"""Which candidates show the ball of a path, and where in them its centre lies.

A path tells where the ball must be in every frame, how large and how fast. The candidate nearest to
that is taken, its picture fitted as a lit sphere of that size, and what does not fit is left as the
rough place that it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calibration import table
from calibration.camera import Camera
from placement import ball_image
from placement.ball import Candidates
from placement.ball_model import Look
from placement.bent import bent_by
from placement.trajectory import Expectations, Path, Sightings

#: Radii by which an unmeasured candidate sits above the ball's centre.
SHADE_SHIFT = 0.3
_RAW_SD = 1.2  # px at 1920 px width, of an unmeasured candidate
_GATE_PX = 5.0  # px at 1920 px width, beside three predicted standard deviations
_WORST_PICTURE = 0.75  # misfit of a ball's picture above which it is not used
_VAGUE = 2.0  # radii by which a path may be unsure of a ball that it adds
# frames in a row, and s, without the ball after which a path is not followed on
_STRANGERS, _STRANGERS_S = 3, 0.08
_BEYOND = 0.35  # s before and after its sightings that a path is followed on
_TINTED_SD = 0.25  # px at 1920 px width, what the coarser red difference adds
_FAINT = 8.0  # grey levels of contrast below which a picture is too faint to judge
_SAME_SIZE = 0.015  # change of size, as a share, with which a picture need not be fitted again
_SAME_STREAK = 0.2  # px, change of its streak likewise
_MOVED = 0.5  # px by which its expected place must have moved to be looked at again
_BESIDE = 1.0  # px between a picture and its expected place, up to which it is believed

Member = tuple[int, int]  # frame, candidate


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """A stretch of film with all that is known of it before a path is followed.

    Attributes
    ----------
    camera : Camera
    frames : mapping of int to Candidates
        By frame index.
    look : Look
    expectations : Expectations
    readout_s : float
        See `placement.trajectory.fit_path`.
    palest : float
        Contrast that the film's balls have at least, grey levels; 0 while unknown.
    """

    camera: Camera
    frames: Mapping[int, Candidates]
    look: Look
    expectations: Expectations
    readout_s: float = 0.0
    palest: float = 0.0

    @property
    def scale(self) -> float:
        """Pixels for one pixel of a picture 1920 px wide."""
        return max(self.camera.size) / 1920


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """One measured picture, and the size and streak that it was measured for."""

    point: np.ndarray
    covariance: np.ndarray
    good: bool
    contrast: float
    radius: float
    streak: np.ndarray
    guess: np.ndarray


def radii_px(camera: Camera, positions: np.ndarray) -> np.ndarray:
    """Radius of the ball's picture at positions (N, 3), px, shape (N,)."""
    return camera.matrix[0, 0] * table.BALL_RADIUS / camera.depths(positions)


def picture_speeds(camera: Camera, path: Path, times: np.ndarray) -> np.ndarray:
    """Speed of the ball's picture at `times` (N,), px/s, shape (N, 2)."""
    step = 5e-4
    at, speed = path.positions(times), path.velocities(times)
    ends = camera.project(np.concatenate([at + step * speed, at - step * speed]))
    return (ends[: len(at)] - ends[len(at) :]) / (2 * step)


def raw_sightings(window: Window, path: Path, members: Sequence[Member]) -> Sightings:
    """Candidates as they are, moved down from the bright top of the ball to its centre."""
    members = sorted(members)
    times = np.array([window.frames[f].time_s for f, _ in members])
    points = np.array([window.frames[f].points[m] for f, m in members])
    radii = np.clip(radii_px(window.camera, path.positions(times)), 2, 60)
    points[:, 1] += SHADE_SHIFT * radii
    sd = np.hypot(_RAW_SD * window.scale, 0.1 * radii)
    return Sightings(times, points, sd[:, None, None] ** 2 * np.eye(2))


def when_seen(window: Window, path: Path, times: np.ndarray) -> np.ndarray:
    """When the rows were read in which the ball is seen in frames of `times`, s."""
    if not window.readout_s:
        return times
    share = window.camera.row_shares(window.camera.project(path.positions(times)))
    return times + window.readout_s * np.clip(np.nan_to_num(share, nan=-0.5), -0.5, 0.5)


def gather(window: Window, path: Path, members: Sequence[Member]) -> list[Member]:
    """The candidate nearest to the path in every frame, as far out as the ball is still there.

    Parameters
    ----------
    window : Window
    path : Path
    members : sequence of (int, int)
        Frames and candidates that the path was fitted to.
    """
    frames, scale = window.frames, window.scale
    known = sorted(f for f, _ in members)
    first, last = known[0], known[-1]
    order = sorted(frames)
    position = {f: i for i, f in enumerate(order)}
    low, high = position[first], position[last]
    rate = (len(order) - 1) / max(1e-3, frames[order[-1]].time_s - frames[order[0]].time_s)
    beyond = max(4, int(_BEYOND * rate))
    longest = max(_STRANGERS, round(_STRANGERS_S * rate))
    span = order[max(0, low - beyond) : high + beyond + 1]
    times = np.array([frames[f].time_s for f in span])

    predicted, spread = path.pictures(window.camera, when_seen(window, path, times))
    variance = np.diagonal(spread, axis1=1, axis2=2)
    radii = np.clip(radii_px(window.camera, path.positions(times)), 2, 60)
    vague = np.sqrt(np.nan_to_num(variance.max(axis=1), nan=np.inf))
    reach = 3 * vague + _GATE_PX * scale
    reach = np.minimum(reach, 3 * radii + _GATE_PX * scale)
    # far out only what lies right there: the next round, led by what lies nearer, will know better
    outside = (np.array(span) < first) | (np.array(span) > last)
    unsure = outside & (vague > _VAGUE * radii + _GATE_PX * scale)
    reach[unsure] = radii[unsure] / 2 + _GATE_PX * scale
    aim = predicted - np.column_stack([0 * radii, SHADE_SHIFT * radii])
    hits: dict[int, int] = {}
    for k, f in enumerate(span):
        points = frames[f].points
        if not len(points) or not np.isfinite(aim[k]).all():
            continue
        gap = ((points - aim[k]) ** 2).sum(axis=1)
        m = int(np.argmin(gap))
        if gap[m] < reach[k] ** 2:
            hits[f] = m
    # within the known stretch every hit counts; beyond it only while the ball keeps being there
    kept = [f for f in span if f in hits and first <= f <= last]
    for side in (range(position[last] + 1, len(order)), range(position[first] - 1, -1, -1)):
        missed = 0
        for i in side:
            f = order[i]
            if f in hits:
                kept.append(f)
                missed = 0
            else:
                missed += 1
                if missed >= longest or f not in span:
                    break
    return sorted((f, hits[f]) for f in set(kept))


def measured(
    window: Window, path: Path, members: Sequence[Member], known: dict[Member, Picture]
) -> tuple[Sightings, np.ndarray, np.ndarray]:
    """Measure the picture of every member; unmeasured where no ball of that size fits.

    Parameters
    ----------
    window : Window
    path : Path
    members : sequence of (int, int)
    known : dict
        Pictures measured before; those that the path now sees alike are not measured again. New
        ones are added.

    Returns
    -------
    sightings : Sightings
    good : ndarray of bool, shape (N,)
        Which of them were measured.
    faint : ndarray of bool, shape (N,)
        Which show so little that they could not look like a ball.
    """
    frames = window.frames
    times = np.array([frames[f].time_s for f, _ in members])
    seen = when_seen(window, path, times)
    positions = path.positions(seen)
    radii = np.clip(radii_px(window.camera, positions), 1.5, 60)
    speeds = picture_speeds(window.camera, path, seen)
    predicted = window.camera.project(positions)
    streaks = speeds * window.look.exposure_s
    new = [
        k
        for k, key in enumerate(members)
        if not _alike(known.get(key), radii[k], streaks[k], predicted[k])
    ]
    if new:
        patches, origins = ball_image.gather(
            [(frames[f], m) for f, m in (members[k] for k in new)],
            radii[new],
            speeds[new],
            window.look,
        )
        coarse = _TINTED_SD * window.scale if window.look.tinted else 0.0
        images = ball_image.measure(
            patches, origins, predicted[new], radii[new], speeds[new], window.look
        )
        good = np.isfinite(images.centres[:, 0]) & (images.misfits < _WORST_PICTURE)
        for i, k in enumerate(new):
            known[members[k]] = Picture(
                images.centres[i],
                images.covariances[i] + coarse**2 * np.eye(2),
                bool(good[i]),
                float(images.contrasts[i]),
                float(radii[k]),
                streaks[k],
                predicted[k],
            )
    pictures = [known[key] for key in members]
    good = np.array([p.good for p in pictures])
    shift, bent = bent_by(window.camera, path, seen, window.look.exposure_s)
    points = np.array([p.point for p in pictures]) - shift
    covariances = np.array([p.covariance for p in pictures]) + bent
    if not good.all():
        raw = np.array([frames[f].points[m] for f, m in members])
        raw[:, 1] += SHADE_SHIFT * radii
        points[~good] = raw[~good]
        sd = np.hypot(_RAW_SD * window.scale, 0.15 * radii[~good])
        covariances[~good] = sd[:, None, None] ** 2 * np.eye(2)
    faint = np.array([p.contrast < _FAINT for p in pictures])
    return Sightings(times, points, covariances), good, faint


def _alike(
    picture: Picture | None, radius: float, streak: np.ndarray, predicted: np.ndarray
) -> bool:
    if picture is None or abs(radius / picture.radius - 1) > _SAME_SIZE:
        return False
    if np.abs(streak - picture.streak).max() > _SAME_STREAK:
        return False
    if not picture.good:
        return False  # a better guess may find the ball
    if np.abs(predicted - picture.guess).max() < _MOVED:
        return True
    # begun from too far off, a fit may have ended beside the ball
    return bool(np.abs(predicted - picture.point).max() < _BESIDE)
