"""The toss before a serve: when the ball left the hand, how high it rose, when the bat met it.

The stroke's place is known from the path that follows, and a toss goes nearly straight up from near
it (Law 2.6.2): that fixes the distance, which the toss alone hardly shows. Gravity is known, so a
toss through the stroke has only its falling speed and a little drift as unknowns. Many such tosses
are laid over the candidates of the second before, the one that meets most of them without a gap is
fitted, and the release is where the ball first follows it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration import table
from calibration.camera import Camera
from placement import flight

_LONGEST = 0.95  # s from release to stroke
_FALLS = np.linspace(-3.2, 0.4, 15)  # m/s, vertical speeds at the stroke that are tried
_DRIFTS = np.array([-0.6, 0.0, 0.6])  # m/s, level speeds that are tried
_FEWEST = 5  # frames that must show the toss
_STRANGERS = 2  # frames in a row without the ball that end it
_SHADE_SHIFT = 0.3  # radii by which a candidate sits above the ball's centre


@dataclass(frozen=True, slots=True, kw_only=True)
class Toss:
    """One toss.

    Attributes
    ----------
    release_s : float
        When the ball left the hand.
    contact_s : float
        When the bat met it.
    rise_m, rise_sd_m : float
        From the hand to the top.
    n_frames : int
        Frames that show it.
    """

    release_s: float
    contact_s: float
    rise_m: float
    rise_sd_m: float
    n_frames: int


def find_toss(
    camera: Camera,
    place: np.ndarray,
    time_s: float,
    history: Sequence[tuple[float, np.ndarray]],
) -> Toss | None:
    """The toss that ends at a stroke, or None where too little of it is seen.

    Parameters
    ----------
    camera : Camera
    place : ndarray, shape (3,)
        Where the ball was struck, m.
    time_s : float
        When, s.
    history : sequence of (float, ndarray of shape (N, 2))
        Times and candidate points, px, of the frames before, in time order.
    """
    frames = [(t, p) for t, p in history if -_LONGEST < t - time_s < -0.004 and len(p)]
    if len(frames) < _FEWEST:
        return None
    times = np.array([t for t, _ in frames]) - time_s
    most = max(len(p) for _, p in frames)
    points = np.full((len(frames), most, 2), np.inf)
    for k, (_, p) in enumerate(frames):
        points[k, : len(p)] = p
    radius = float(camera.matrix[0, 0] * table.BALL_RADIUS / camera.depths(place[None])[0])
    points[:, :, 1] += _SHADE_SHIFT * radius
    fall, drift_x, drift_y = (a.ravel() for a in np.meshgrid(_FALLS, _DRIFTS, _DRIFTS))
    unknown = np.column_stack(
        [np.zeros(len(fall)), np.zeros(len(fall)), np.zeros(len(fall)), drift_x, drift_y, fall]
    )
    reach = np.full(len(unknown), 1.3 * radius + 3)
    near, hit = _meets(camera, place, unknown, times, points, reach)
    best = int(np.argmax(_unbroken(hit)))
    theta = unknown[best]
    keep = hit[best]
    for gate in (1.2, 0.8, 0.5):
        keep = _without_gaps(keep)
        if keep.sum() < _FEWEST:
            return None
        theta, covariance = _fit(camera, place, theta, times[keep], near[best][keep], radius)
        near, hit = _meets(
            camera, place, theta[None], times, points, np.array([gate * radius + 1.5])
        )
        best, keep = 0, hit[0]
    keep = _without_gaps(keep)
    if keep.sum() < _FEWEST:
        return None
    step = float(np.median(np.diff(times)))
    release = float(times[np.flatnonzero(keep)[0]]) - step / 2
    top = theta[5] / flight.GRAVITY  # s after the stroke; negative before
    up = max(0.0, top - release)
    rise = flight.GRAVITY * up**2 / 2
    sd_up = np.hypot(step * 0.6, np.sqrt(covariance[5, 5]) / flight.GRAVITY)
    return Toss(
        release_s=time_s + release,
        contact_s=time_s,
        rise_m=rise,
        rise_sd_m=float(flight.GRAVITY * up * sd_up + 0.005),
        n_frames=int(keep.sum()),
    )


def _positions(place: np.ndarray, theta: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Places of tosses (K, 6) at `times` (N,) before the stroke, shape (K, N, 3)."""
    t = times[None, :, None]
    drop = np.array([0.0, 0.0, -flight.GRAVITY / 2]) * t**2
    return place + theta[:, None, :3] + theta[:, None, 3:] * t + drop


def _meets(
    camera: Camera,
    place: np.ndarray,
    theta: np.ndarray,
    times: np.ndarray,
    points: np.ndarray,
    reach: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Nearest candidate to each toss in each frame (K, N, 2), and whether it is within reach."""
    at = camera.project(_positions(place, theta, times))
    gap = np.hypot(
        points[None, :, :, 0] - at[:, :, None, 0], points[None, :, :, 1] - at[:, :, None, 1]
    )
    nearest = np.nanargmin(np.where(np.isfinite(gap), gap, np.inf), axis=2)
    rows = np.arange(len(times))[None]
    close = np.take_along_axis(gap, nearest[:, :, None], axis=2)[:, :, 0] < reach[:, None]
    return points[rows, nearest], close


def _without_gaps(hit: np.ndarray) -> np.ndarray:
    """Hits back from the stroke until the ball is missed several frames in a row."""
    keep = hit.copy()
    missed = 0
    for k in range(len(hit) - 1, -1, -1):
        missed = 0 if hit[k] else missed + 1
        if missed >= _STRANGERS and hit[k + missed :].any():
            keep[: k + missed] = False
            break
    return keep


def _unbroken(hit: np.ndarray) -> np.ndarray:
    """How many hits each toss (K, N) has before its first long gap, counted back."""
    back = hit[:, ::-1]
    missed = ~back
    gap = missed[:, :-1] & missed[:, 1:]
    # a gap right at the stroke, before any hit, does not count: the hand may hide the ball there
    gap &= np.cumsum(back, axis=1)[:, :-1] > 0
    first = np.where(gap.any(axis=1), np.argmax(gap, axis=1), back.shape[1])
    return np.asarray((back & (np.arange(back.shape[1]) < first[:, None])).sum(axis=1))


def _fit(
    camera: Camera,
    place: np.ndarray,
    theta: np.ndarray,
    times: np.ndarray,
    seen: np.ndarray,
    radius: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Least squares of a toss to its sightings; its place and drift may give a little."""
    sd = max(0.7, 0.15 * radius)
    prior_sd = np.array([0.12, 0.12, 0.12, 0.5, 0.5, 3.0])
    steps = np.array([1e-3] * 6)
    covariance = np.eye(6)
    for _ in range(3):
        batch = np.concatenate([theta[None], theta + np.diag(steps)])
        rows = ((camera.project(_positions(place, batch, times)) - seen) / sd).reshape(7, -1)
        jacobian = ((rows[1:] - rows[0]) / steps[:, None]).T
        weight = 1 / np.maximum(1, np.abs(rows[0]) / 2)
        normal = jacobian.T @ (weight[:, None] * jacobian) + np.diag(1 / prior_sd**2)
        slope = jacobian.T @ (weight * rows[0]) + theta / prior_sd**2
        covariance = np.linalg.inv(normal)
        theta = theta - covariance @ slope
    return theta, covariance
