"""Which runs fly like a ball: arcs in space from one camera.

Gravity sets the scale. A run of image points of a free ball has six unknowns, its place and its
velocity at one time, and every sighting gives two equations that are linear in them once the
acceleration is known; drag is put in from a first solution. Weak expectations of where balls near a
table are and how fast they go keep short runs sensible, and what then does not fit is no ball: a
hand, a shirt, a lamp do not fall at 9.8 m/s^2 at that distance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration import table
from calibration.camera import Camera
from placement import flight
from placement.tracks import Run

SIGHTING_SD = 1.5  # px at 1920 px width: scatter of an unrefined candidate
_PLACE_SD = np.array([2.0, 1.2, 0.7])  # m, where balls near a table are, about (0, 0, 0.3)
_PLACE = np.array([0.0, 0.0, 0.3])
_SPEED_SD = np.array([5.0, 2.5, 2.5])  # m/s
_PRIOR = 1 / np.concatenate([_PLACE_SD, _SPEED_SD])
_EXPECTED = np.concatenate([_PLACE, np.zeros(3)]) * _PRIOR
_GRAVITY = np.array([0.0, 0.0, -flight.GRAVITY])
_FASTEST = 20.0  # m/s
_WORST = 2.2  # times the expected scatter, above which a run does not fly like a ball


@dataclass(frozen=True, slots=True, eq=False)
class BallArc:
    """A run that a ball in free flight explains.

    Attributes
    ----------
    run : Run
    time : float
        s, the instant of `position` and `velocity`: the run's middle.
    position, velocity, acceleration : ndarray, shape (3,)
        m, m/s, m/s^2.
    misfit : float
        Root mean square residual over the expected scatter.
    vague : float
        Standard deviation of its depth, as a share of it: small where gravity shows the scale.
    """

    run: Run
    time: float
    position: np.ndarray
    velocity: np.ndarray
    acceleration: np.ndarray
    misfit: float
    vague: float

    def at(self, times: np.ndarray) -> np.ndarray:
        """Positions at `times` (N,), s, shape (N, 3), m."""
        dt = np.asarray(times)[:, None] - self.time
        return self.position + self.velocity * dt + self.acceleration * dt**2 / 2


def fit_arc(
    camera: Camera, run: Run, *, distance: tuple[float, float] | None = None
) -> BallArc | None:
    """The flight that explains a run, or None where no ball near the table flies so.

    Parameters
    ----------
    camera : Camera
    run : Run
    distance : tuple of float, optional
        Depth of the run's middle along the optical axis and its standard deviation, m, where the
        size of the ball's picture tells it.
    """
    scale = max(camera.size) / 1920
    rays = camera.normalised(run.points)
    centre = float((run.times[0] + run.times[-1]) / 2)
    dt = run.times - centre
    rotation, translation = camera.rotation, camera.translation
    # (r_x - n_x r_z) . X = n_x t_z - t_x, and the same along v
    rows = np.concatenate(
        [rotation[0] - rays[:, :1] * rotation[2], rotation[1] - rays[:, 1:] * rotation[2]]
    )
    right = np.concatenate(
        [rays[:, 0] * translation[2] - translation[0], rays[:, 1] * translation[2] - translation[1]]
    )
    lag = np.concatenate([dt, dt])[:, None]
    design = np.concatenate([rows, rows * lag], axis=1)
    bent = rows * (lag**2 / 2)  # times the acceleration, moves the right-hand side
    square, toward, by_bend = design.T @ design, design.T @ right, design.T @ bent
    acceleration = _GRAVITY
    depth = float(camera.depths(_PLACE[None])[0])
    focal = camera.matrix[0, 0]
    noise = SIGHTING_SD * scale
    known = np.diag(_PRIOR**2)
    expected = _PRIOR * _EXPECTED
    if distance is not None:
        axis = np.concatenate([rotation[2], np.zeros(3)]) / distance[1]
        known = known + np.outer(axis, axis)
        expected = expected + axis * (distance[0] - translation[2]) / distance[1]
    for _ in range(3):
        weight = focal / (noise * depth)
        target = right - bent @ acceleration
        normal = weight**2 * square + known
        aim = weight**2 * (toward - by_bend @ acceleration) + expected
        solution = np.linalg.solve(normal, aim)
        position, velocity = solution[:3], solution[3:]
        depth = float(position @ rotation[2] + translation[2])
        speed = math.sqrt(velocity @ velocity)
        if depth < 0.3 or speed > _FASTEST:
            return None
        acceleration = _GRAVITY - flight.drag_constant() * speed * velocity
    gap = (weight * (design @ solution - target)) ** 2
    pull = (solution * _PRIOR - _EXPECTED) ** 2
    free = max(2.0, 2 * len(dt) - 3.0)
    misfit = float(np.sqrt((gap.sum() + pull.sum()) / free))
    if not misfit <= _WORST:
        return None  # nor where a sighting is no number
    axis = np.concatenate([rotation[2], np.zeros(3)])
    vague = float(np.sqrt(axis @ np.linalg.solve(normal, axis))) / depth
    return BallArc(run, centre, position, velocity, acceleration, misfit, vague)


def split_at_kinks(run: Run, scatter: float) -> list[Run]:
    """Cut a run where its path or pace breaks, as at a bounce or a stroke.

    Each piece is fitted by a parabola along u and along v; a cut stands if it lowers the squared
    misfit well beyond what `scatter` (px) explains.
    """
    n = len(run.times)
    least = 3
    if n < 2 * least:
        return [run]
    t = run.times - run.times.mean()
    whole, left, right = _parabola_costs(t, run.points, least)
    both = left + right
    cut = int(np.argmin(both))
    gain = whole - both[cut]
    # three more numbers a side and coordinate; demand far more than their share
    if gain < 25 * scatter**2 or gain < 2.0 * both[cut] * 6 / max(1, 2 * n - 12):
        return [run]
    at = cut + least
    first, second = run.part(slice(0, at)), run.part(slice(at, n))
    return [*split_at_kinks(first, scatter), *split_at_kinks(second, scatter)]


def _parabola_costs(
    t: np.ndarray, points: np.ndarray, least: int
) -> tuple[float, np.ndarray, np.ndarray]:
    """Squared misfits of one parabola, and of two for every cut, from running sums."""
    scaled = t / max(np.abs(t).max(), 1e-9)
    basis = np.stack([np.ones_like(scaled), scaled, scaled**2], axis=1)
    points = points - points.mean(axis=0)
    gram = np.cumsum(basis[:, :, None] * basis[:, None, :], axis=0)
    cross = np.cumsum(basis[:, :, None] * points[:, None, :], axis=0)
    power = np.cumsum((points**2).sum(axis=1))

    ends = np.arange(least, len(t) - least + 1) - 1
    parts = np.concatenate([ends, [len(t) - 1]])
    # first parts, the whole, then last parts, solved at once
    g = np.concatenate([gram[parts], gram[-1] - gram[ends]])
    c = np.concatenate([cross[parts], cross[-1] - cross[ends]])
    p = np.concatenate([power[parts], power[-1] - power[ends]])
    solved = np.linalg.solve(g + 1e-9 * np.eye(3), c)
    costs = np.maximum(p - (c * solved).sum((1, 2)), 0.0)
    n = len(ends)
    return float(costs[n]), costs[:n], costs[n + 1 :]


def ball_arcs(camera: Camera, runs: Sequence[Run], *, shortest: int = 5) -> list[BallArc]:
    """Cut runs at kinks and keep the pieces that fly like a ball, by start time."""
    scatter = SIGHTING_SD * max(camera.size) / 1920
    arcs = []
    for run in runs:
        for piece in split_at_kinks(run, scatter):
            if len(piece.times) >= shortest:
                arc = fit_arc(camera, piece)
                if arc is not None:
                    arcs.append(arc)
    return sorted(arcs, key=lambda arc: arc.run.times[0])


def near_table(points: np.ndarray, margin: float = 0.05) -> np.ndarray:
    """Which (x, y) points (N, 2) lie on the table or within `margin` m of it."""
    points = np.asarray(points)
    return (np.abs(points[:, 0]) <= table.HALF_LENGTH + margin) & (
        np.abs(points[:, 1]) <= table.HALF_WIDTH + margin
    )
