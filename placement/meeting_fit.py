"""The fit of one bounce to the sightings around it, compiled.

The unknowns are when and where (x, y), and the velocities before and after (three each). Over the
short time that runs last a series in time stands for the flight, to the third power.

Units: m, s, px.
"""

from __future__ import annotations

import numpy as np

from calibration import table
from placement import flight
from placement.compiled import compiled, inlined
from placement.projection import seen_at
from placement.small_linear import solve

_UNKNOWNS = 9
_STEPS = np.array([1e-4] * 3 + [1e-3] * 6)
_ROUNDS = 12
# misfit after so many rounds from which no fit ever got below 2
_HOPELESS = np.array([np.inf] * 3 + [6.0, 5.0, 3.5, 3.0, 2.5, 2.2] + [np.inf] * 3)
_FAR = 3.0  # standard deviations beyond which a sighting loses weight
_EXPECTED = 6  # rows of what is expected of a bounce
# restitution; change of horizontal speed along x, y, m/s; speed before, m/s
_PRIOR_SD = (0.1, 1.0, 1.0, 6.0, 4.0, 4.0)
_R = table.BALL_RADIUS
_G = flight.GRAVITY
_K = flight.drag_constant()  # 1/m
_RESTITUTION = flight.RESTITUTION


@compiled
def fit_bounce(
    start: np.ndarray, times: np.ndarray, points: np.ndarray, sd: float, camera: np.ndarray
) -> tuple[np.ndarray, float]:
    """Levenberg and Marquardt's method with Huber's weights.

    Parameters
    ----------
    start : ndarray, shape (9,)
    times : ndarray, shape (N,)
    points : ndarray, shape (N, 2)
    sd : float
        px, expected scatter.
    camera : ndarray, shape (21,)
        See `placement.projection.packed`.

    Returns
    -------
    unknowns : ndarray, shape (9,)
    misfit : float
        Root mean square residual over the expected scatter; infinite where no ball does it.
    """
    n, m = 2 * len(times), 2 * len(times) + _EXPECTED
    free = max(2.0, n - 5.0)
    kept, theta = start.copy(), start.copy()
    trial = np.empty(_UNKNOWNS)
    rows, moved, weights = np.empty(m), np.empty(m), np.ones(m)
    jacobian = np.empty((_UNKNOWNS, m))
    normal, gradient = np.zeros((_UNKNOWNS, _UNKNOWNS)), np.zeros(_UNKNOWNS)
    scaled, step = np.empty((_UNKNOWNS, _UNKNOWNS)), np.empty((_UNKNOWNS, 1))
    damping, cost = 1e-3, np.inf
    for k in range(_ROUNDS):
        _residuals(theta, times, points, sd, camera, rows)
        if not _finite(rows) or cost > _HOPELESS[k] ** 2 * free:
            return kept, np.inf
        new_cost = 0.0
        for i in range(m):
            if i < n:
                weights[i] = _FAR / max(abs(rows[i]), _FAR)
            new_cost += weights[i] * rows[i] * rows[i]
        if new_cost > cost * 1.0001:
            damping *= 10
        else:
            settled = cost - new_cost < 1e-3 * max(1.0, new_cost)
            cost = new_cost
            if settled:
                break
            for j in range(_UNKNOWNS):
                kept[j] = theta[j]
            damping = max(damping / 5, 1e-6)
            for j in range(_UNKNOWNS):
                for i in range(_UNKNOWNS):
                    trial[i] = theta[i]
                trial[j] += _STEPS[j]
                _residuals(trial, times, points, sd, camera, moved)
                if not _finite(moved):
                    return kept, np.inf
                for i in range(m):
                    jacobian[j, i] = (moved[i] - rows[i]) / _STEPS[j]
            for j in range(_UNKNOWNS):
                gradient[j] = _weighed(jacobian[j], weights, rows)
                for i in range(j + 1):
                    normal[i, j] = normal[j, i] = _weighed(jacobian[j], weights, jacobian[i])
        if damping > 1e6:
            break
        for j in range(_UNKNOWNS):
            for i in range(_UNKNOWNS):
                scaled[i, j] = normal[i, j]
            scaled[j, j] *= 1 + damping
            step[j, 0] = gradient[j]
        if not solve(scaled, step):
            break
        for j in range(_UNKNOWNS):
            theta[j] = kept[j] - step[j, 0]
    return kept, np.sqrt(cost / free)


@compiled
def _residuals(
    theta: np.ndarray, times: np.ndarray, points: np.ndarray, sd: float, camera: np.ndarray,
    out: np.ndarray,
) -> None:  # fmt: skip
    """Sightings against the model, then what is expected of a bounce, in standard deviations.

    Time decides on which side of the bounce a sighting lies, not the run it came in: a run may
    reach past the bounce by a sighting.
    """
    before = _bent(theta[3], theta[4], theta[5])
    after = _bent(theta[6], theta[7], theta[8])
    for i in range(len(times)):
        t = times[i] - theta[0]
        v, p, j = after if t > 0 else before
        half, sixth = t * t / 2, t * t * t / 6
        u, w = seen_at(
            theta[1] + v[0] * t + p[0] * half + j[0] * sixth,
            theta[2] + v[1] * t + p[1] * half + j[1] * sixth,
            _R + v[2] * t + p[2] * half + j[2] * sixth,
            camera,
        )
        out[2 * i], out[2 * i + 1] = (u - points[i, 0]) / sd, (w - points[i, 1]) / sd
    n = 2 * len(times)
    fall = max(-theta[5], 0.3)
    out[n] = (theta[8] + _RESTITUTION * theta[5]) / (_PRIOR_SD[0] * fall)
    for k in range(2):
        out[n + 1 + k] = (theta[6 + k] - theta[3 + k]) / (_PRIOR_SD[1 + k] * max(fall, 1.0) / 2)
    for k in range(3):
        out[n + 3 + k] = theta[3 + k] / _PRIOR_SD[3 + k]


@compiled
def _finite(rows: np.ndarray) -> bool:
    total = 0.0
    for row in rows:
        total += 0.0 * row  # infinity and NaN do not become zero
    return total == 0.0


@compiled
def _weighed(one: np.ndarray, weights: np.ndarray, other: np.ndarray) -> float:
    total = 0.0
    for i in range(len(weights)):
        total += one[i] * weights[i] * other[i]
    return total


_Vector = tuple[float, float, float]


@inlined
def _bent(vx: float, vy: float, vz: float) -> tuple[_Vector, _Vector, _Vector]:
    """Velocity, acceleration by drag and gravity, and how that changes."""
    speed = np.sqrt(vx * vx + vy * vy + vz * vz)
    px, py, pz = -_K * speed * vx, -_K * speed * vy, -_K * speed * vz - _G
    along = (vx * px + vy * py + vz * pz) / max(speed, 1e-9)
    jerk = (
        -_K * (along * vx + speed * px), -_K * (along * vy + speed * py),
        -_K * (along * vz + speed * pz),
    )  # fmt: skip
    return (vx, vy, vz), (px, py, pz), jerk
