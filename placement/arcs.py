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
from placement.compiled import compiled
from placement.tracks import Run

SIGHTING_SD = 1.5  # px at 1920 px width: scatter of an unrefined candidate
_PLACE_SD = np.array([2.0, 1.2, 0.7])  # m, where balls near a table are, about (0, 0, 0.3)
_HEIGHT = 0.3
_PLACE = np.array([0.0, 0.0, _HEIGHT])
_SPEED_SD = np.array([5.0, 2.5, 2.5])  # m/s
_PRIOR = 1 / np.concatenate([_PLACE_SD, _SPEED_SD])
_EXPECTED = np.concatenate([_PLACE, np.zeros(3)]) * _PRIOR
_G = flight.GRAVITY
_DRAG = flight.drag_constant()  # 1/m
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
    known = np.diag(_PRIOR**2)
    expected = _PRIOR * _EXPECTED
    axis = np.concatenate([camera.rotation[2], np.zeros(3)])
    if distance is not None:
        known = known + np.outer(axis, axis) / distance[1] ** 2
        expected = expected + axis * (distance[0] - camera.translation[2]) / distance[1] ** 2
    solution, acceleration, depth, squares, normal = _solved(
        rays, run.times - centre, camera.rotation, camera.translation,
        camera.matrix[0, 0] / (SIGHTING_SD * scale), known, expected,
    )  # fmt: skip
    pull = (solution * _PRIOR - _EXPECTED) ** 2
    free = max(2.0, 2 * len(rays) - 3.0)
    misfit = float(np.sqrt((squares + pull.sum()) / free))
    if not misfit <= _WORST:
        return None  # nor where a sighting is no number
    vague = float(np.sqrt(axis @ np.linalg.solve(normal, axis))) / depth
    return BallArc(run, centre, solution[:3], solution[3:], acceleration, misfit, vague)


@compiled
def _solved(
    rays: np.ndarray, times: np.ndarray, rotation: np.ndarray, translation: np.ndarray,
    share: float, known: np.ndarray, expected: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, float, float, np.ndarray]:  # fmt: skip
    """Place and velocity of a ball at time 0 from its rays (N, 2), by weighted linear equations.

    Parameters
    ----------
    share : float
        Standard deviations per unit of distance at 1 m.
    known, expected : ndarray, shape (6, 6) and (6,)
        What is known beforehand: its part of the normal matrix and of the right-hand side.

    Returns
    -------
    solution, acceleration : ndarray, shape (6,) and (3,)
    depth : float
    squares : float
        Sum of the sightings' squares; infinite where no ball flies so.
    normal : ndarray, shape (6, 6)
    """
    n = len(times)
    # (r_x - n_x r_z) . X = n_x t_z - t_x, and the same along v; the acceleration bends it
    design, right, bent = np.empty((2 * n, 6)), np.empty(2 * n), np.empty((2 * n, 3))
    for i in range(n):
        for k in range(2):
            row = 2 * i + k
            right[row] = rays[i, k] * translation[2] - translation[k]
            for j in range(3):
                slope = rotation[k, j] - rays[i, k] * rotation[2, j]
                design[row, j], design[row, 3 + j] = slope, slope * times[i]
                bent[row, j] = slope * times[i] * times[i] / 2
    square = np.dot(design.T, design)
    toward, by_bend = np.dot(design.T, right), np.dot(design.T, bent)
    acceleration = np.array([0.0, 0.0, -_G])
    depth = rotation[2, 2] * _HEIGHT + translation[2]
    normal, solution, weight, bending = square, np.zeros(6), 0.0, right
    for _ in range(3):
        weight = share / depth
        normal = weight * weight * square + known
        aim = weight * weight * (toward - np.dot(by_bend, acceleration)) + expected
        if not np.isfinite(aim).all():
            return solution, acceleration, depth, np.inf, normal
        solution = np.linalg.solve(normal, aim)
        depth = np.dot(solution[:3], rotation[2]) + translation[2]
        velocity = solution[3:]
        speed = math.sqrt(np.dot(velocity, velocity))
        if depth < 0.3 or speed > _FASTEST:
            return solution, acceleration, depth, np.inf, normal
        bending = np.dot(bent, acceleration)
        acceleration = -_DRAG * speed * velocity
        acceleration[2] -= _G
    gap = weight * (np.dot(design, solution) - right + bending)
    return solution, acceleration, depth, np.dot(gap, gap), normal


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


@compiled
def _parabola_costs(
    t: np.ndarray, points: np.ndarray, least: int
) -> tuple[float, np.ndarray, np.ndarray]:
    """Squared misfits of one parabola, and of two for every cut, from running sums."""
    n = len(t)
    scaled = t / max(np.abs(t).max(), 1e-9)
    middle_u, middle_v = points[:, 0].mean(), points[:, 1].mean()
    # powers of the time up to the fourth; these times u and v up to the second; squares
    sums = np.zeros((n + 1, 12))
    for i in range(n):
        u, v = points[i, 0] - middle_u, points[i, 1] - middle_v
        sums[i + 1] = sums[i]
        power = 1.0
        for k in range(5):
            sums[i + 1, k] += power
            if k < 3:
                sums[i + 1, 5 + k] += power * u
                sums[i + 1, 8 + k] += power * v
            power *= scaled[i]
        sums[i + 1, 11] += u * u + v * v
    cuts = n - 2 * least + 1
    first, second = np.empty(cuts), np.empty(cuts)
    for i in range(cuts):
        first[i] = _parabola_cost(sums[least + i])
        second[i] = _parabola_cost(sums[n] - sums[least + i])
    return _parabola_cost(sums[n]), first, second


@compiled
def _parabola_cost(sums: np.ndarray) -> float:
    gram, cross = np.empty((3, 3)), np.empty((3, 2))
    for i in range(3):
        for j in range(3):
            gram[i, j] = sums[i + j]
        gram[i, i] += 1e-9
        cross[i, 0], cross[i, 1] = sums[5 + i], sums[8 + i]
    return max(sums[11] - (cross * np.linalg.solve(gram, cross)).sum(), 0.0)


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
