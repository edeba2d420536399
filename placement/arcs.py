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
from placement.small_linear import solve
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
_SHORTEST = 3  # sightings of a piece of a run
# sightings left out before and after of a run that is no arc; left, at least; the misfit then
_TRIMS, _FEWEST, _TRIMMED = ((1, 0), (0, 1), (2, 0), (0, 2), (1, 1)), 5, 1.0
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
    near, sure = (0.0, 0.0) if distance is None else (distance[0], 1 / distance[1] ** 2)
    found = np.empty(9)
    misfit, vague = _solved(
        rays, run.times - centre, camera.rotation, camera.translation,
        camera.matrix[0, 0] / (SIGHTING_SD * scale), near, sure, found,
    )  # fmt: skip
    if not misfit <= _WORST:
        return None  # nor where a sighting is no number
    return BallArc(run, centre, found[:3], found[3:6], found[6:], misfit, vague)


@compiled
def _solved(
    rays: np.ndarray, times: np.ndarray, rotation: np.ndarray, translation: np.ndarray,
    share: float, near: float, sure: float, found: np.ndarray,
) -> tuple[float, float]:  # fmt: skip
    """Place and velocity of a ball at time 0 from its rays (N, 2), by weighted linear equations.

    Parameters
    ----------
    share : float
        Standard deviations per unit of distance at 1 m.
    near, sure : float
        Depth at time 0 as known beforehand, m, and one over its variance.
    found : ndarray, shape (9,)
        Filled with place, velocity and acceleration.

    Returns
    -------
    misfit, vague : float
        See `BallArc`; infinite where no ball flies so.
    """
    n = len(times)
    # (r_x - n_x r_z) . X = n_x t_z - t_x, and the same along v; the acceleration bends it
    design, right = np.empty((2 * n, 6)), np.empty((2 * n, 4))
    for i in range(n):
        for k in range(2):
            row = 2 * i + k
            right[row, 0] = rays[i, k] * translation[2] - translation[k]
            for j in range(3):
                slope = rotation[k, j] - rays[i, k] * rotation[2, j]
                design[row, j], design[row, 3 + j] = slope, slope * times[i]
                right[row, 1 + j] = -slope * times[i] * times[i] / 2
    square, toward = np.empty((6, 6)), np.empty((6, 4))
    for i in range(6):
        for j in range(6):
            square[i, j] = 0.0
            for row in range(2 * n):
                square[i, j] += design[row, i] * design[row, j]
        for j in range(4):
            toward[i, j] = 0.0
            for row in range(2 * n):
                toward[i, j] += design[row, i] * right[row, j]
    normal, aim = np.empty((6, 6)), np.empty((6, 2))
    bend_x, bend_y, bend_z, weight = 0.0, 0.0, -_G, 0.0
    depth = rotation[2, 2] * _HEIGHT + translation[2]
    for _ in range(3):
        weight = share / depth
        bent_x, bent_y, bent_z = bend_x, bend_y, bend_z
        for i in range(6):
            for j in range(6):
                normal[i, j] = weight * weight * square[i, j]
            toward_i = (
                toward[i, 0] + toward[i, 1] * bent_x + toward[i, 2] * bent_y + toward[i, 3] * bent_z
            )
            aim[i, 0] = weight * weight * toward_i + _EXPECTED[i] * _PRIOR[i]
            normal[i, i] += _PRIOR[i] * _PRIOR[i]
            aim[i, 1] = 0.0
        for i in range(3):
            for j in range(3):
                normal[i, j] += sure * rotation[2, i] * rotation[2, j]
            aim[i, 0] += sure * rotation[2, i] * (near - translation[2])
            aim[i, 1] = rotation[2, i]
        if not solve(normal, aim):
            return np.inf, np.inf
        depth = translation[2]
        for j in range(3):
            depth += aim[j, 0] * rotation[2, j]
        vx, vy, vz = aim[3, 0], aim[4, 0], aim[5, 0]
        speed = math.sqrt(vx * vx + vy * vy + vz * vz)
        if not (depth >= 0.3 and speed <= _FASTEST):
            return np.inf, np.inf
        bend_x, bend_y, bend_z = (
            -_DRAG * speed * vx, -_DRAG * speed * vy, -_DRAG * speed * vz - _G
        )  # fmt: skip
    squares = 0.0
    for row in range(2 * n):
        gap = -(
            right[row, 0] + right[row, 1] * bent_x + right[row, 2] * bent_y + right[row, 3] * bent_z
        )
        for j in range(6):
            gap += design[row, j] * aim[j, 0]
        squares += weight * weight * gap * gap
    spread = 0.0
    for j in range(6):
        squares += (aim[j, 0] * _PRIOR[j] - _EXPECTED[j]) ** 2
        found[j] = aim[j, 0]
        if j < 3:
            spread += rotation[2, j] * aim[j, 1]
    found[6], found[7], found[8] = bend_x, bend_y, bend_z
    return math.sqrt(squares / max(2.0, 2 * n - 3.0)), math.sqrt(spread) / depth


def split_at_kinks(run: Run, scatter: float) -> list[Run]:
    """Cut a run where its path or pace breaks, as at a bounce or a stroke.

    Each piece is fitted by a parabola along u and along v; a cut stands if it lowers the squared
    misfit well beyond what `scatter` (px) explains.
    """
    n = len(run.times)
    if n < 2 * _SHORTEST:
        return [run]
    at, whole, both = _best_cut(run)
    gain = whole - both
    # three more numbers a side and coordinate; demand far more than their share
    if gain < 25 * scatter**2 or gain < 2.0 * both * 6 / max(1, 2 * n - 12):
        return [run]
    first, second = run.part(slice(0, at)), run.part(slice(at, n))
    return [*split_at_kinks(first, scatter), *split_at_kinks(second, scatter)]


def trimmed_arc(camera: Camera, run: Run) -> BallArc | None:
    """The flight that explains a run but for one or two sightings at an end, or None.

    A kink so near an end leaves too few sightings for a piece of their own.
    """
    n = len(run.times)
    best = None
    for ends in _TRIMS:
        if n - sum(ends) < _FEWEST:
            continue
        arc = fit_arc(camera, run.part(slice(ends[0], n - ends[1])))
        if arc is not None and arc.misfit < _TRIMMED and (best is None or arc.misfit < best.misfit):
            best = arc
    return best


def split_in_two(run: Run) -> list[Run]:
    """Cut a run that is no arc where it most likely breaks; nothing where it is too short."""
    n = len(run.times)
    if n < 2 * _SHORTEST:
        return []
    at = _best_cut(run)[0]
    return [run.part(slice(0, at)), run.part(slice(at, n))]


def _best_cut(run: Run) -> tuple[int, float, float]:
    """Where two parabolas fit best; squared misfits of one over the whole, and of the two."""
    t = run.times - run.times.mean()
    whole, left, right = _parabola_costs(t, np.ascontiguousarray(run.points), _SHORTEST)
    both = left + right
    cut = int(np.argmin(both))
    return cut + _SHORTEST, whole, float(both[cut])


@compiled
def _parabola_costs(
    t: np.ndarray, points: np.ndarray, least: int
) -> tuple[float, np.ndarray, np.ndarray]:
    """Squared misfits of one parabola, and of two for every cut, from running sums."""
    n = len(t)
    span, middle_u, middle_v = 1e-9, 0.0, 0.0
    for i in range(n):
        span = max(span, abs(t[i]))
        middle_u += points[i, 0] / n
        middle_v += points[i, 1] / n
    # powers of the time up to the fourth; these times u and v up to the second; squares
    sums = np.zeros((n + 1, 12))
    for i in range(n):
        u, v = points[i, 0] - middle_u, points[i, 1] - middle_v
        for k in range(12):
            sums[i + 1, k] = sums[i, k]
        power = 1.0
        for k in range(5):
            sums[i + 1, k] += power
            if k < 3:
                sums[i + 1, 5 + k] += power * u
                sums[i + 1, 8 + k] += power * v
            power *= t[i] / span
        sums[i + 1, 11] += u * u + v * v
    cuts = n - 2 * least + 1
    first, second, rest = np.empty(cuts), np.empty(cuts), np.empty(12)
    for i in range(cuts):
        for k in range(12):
            rest[k] = sums[n, k] - sums[least + i, k]
        first[i] = _parabola_cost(sums[least + i])
        second[i] = _parabola_cost(rest)
    return _parabola_cost(sums[n]), first, second


@compiled
def _parabola_cost(sums: np.ndarray) -> float:
    gram, cross = np.empty((3, 3)), np.empty((3, 2))
    for i in range(3):
        for j in range(3):
            gram[i, j] = sums[i + j]
        gram[i, i] += 1e-9
        cross[i, 0], cross[i, 1] = sums[5 + i], sums[8 + i]
    if not solve(gram, cross):
        return sums[11]
    explained = 0.0
    for i in range(3):
        explained += sums[5 + i] * cross[i, 0] + sums[8 + i] * cross[i, 1]
    return max(sums[11] - explained, 0.0)


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
