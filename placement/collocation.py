"""One flight between two contacts, and how its accelerations move with what it begins with.

A flight is stepped by the classical Runge-Kutta method from one Gauss point of its time to the
next; the path between is the polynomial in time whose acceleration agrees at the points: exact to
about 1e-6 m over half a second. Its derivatives solve the variational equations by collocation at
the same points. What is done for every point is compiled.

A flight is held in `nodes`, shape (12, 7): velocity, acceleration and speed at each of its first
`n` rows' points.

Units: m, s, rad. Source: Hairer, Norsett and Wanner, Solving Ordinary Differential Equations I,
2nd ed. (1993), sections II.1 and II.7.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

import numpy as np

from calibration import table
from placement import flight
from placement.compiled import compiled, inlined
from placement.small_linear import solve

_R = table.BALL_RADIUS
_FORCE = flight.drag_constant(1.0)  # 1/m
_G = flight.GRAVITY
LONGEST_ARC = 1.2  # s, a flight that has not landed by then is taken to last so long
NODES, NODES_LONG = 6, 12
_LONG = 0.55  # s

Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Scheme:
    """Gauss points on 0 .. 1 and what integrates a polynomial through them.

    `once` and `twice` are the coefficients, by the values at the points, of the powers 1 .. n of
    the time (integrated once) and 2 .. n + 1 (twice).
    """

    points: np.ndarray  # (n,)
    steps: np.ndarray  # (n,), from each point to the next
    integral: np.ndarray  # (n, n), to each point
    once: np.ndarray  # (n, n), row: power, column: point
    twice: np.ndarray

    def weights(self, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """What values at the points weigh in the integrals up to `at` (N,), (N, n) each.

        Integrated twice, and once.
        """
        n = len(self.points)
        powers = np.empty((len(at), n + 1))
        powers[:] = at[:, None]
        np.multiply.accumulate(powers, axis=1, out=powers)
        return powers[:, 1:] @ self.twice, powers[:, :-1] @ self.once


@lru_cache(maxsize=4)
def scheme(n: int) -> Scheme:
    """Of `n` Gauss points."""
    nodes = (np.polynomial.legendre.leggauss(n)[0] + 1) / 2
    power = np.arange(n)
    lagrange = np.linalg.inv(nodes[:, None] ** power)
    once = lagrange / (power + 1)[:, None]
    twice = once / (power + 2)[:, None]
    return Scheme(
        points=nodes,
        steps=np.diff(nodes, prepend=0.0),
        integral=nodes[:, None] ** (power + 1) @ once,
        once=once,
        twice=twice,
    )


def _padded(name: str) -> np.ndarray:
    """An array of the two schemes in use, one above the other."""
    out = np.zeros((2, *[NODES_LONG] * np.ndim(getattr(scheme(NODES), name))))
    for row, n in zip(out, (NODES, NODES_LONG), strict=True):
        row[tuple(slice(n) for _ in row.shape)] = getattr(scheme(n), name)
    return out


_STEPS, _INTEGRAL, _ONCE, _TWICE = map(_padded, ("steps", "integral", "once", "twice"))


@inlined
def acceleration(
    vx: float, vy: float, vz: float, wx: float, wy: float, wz: float, drag: float, lift: float
) -> Vector:
    """Of a ball with a velocity, m/s, and spin, rad/s; m/s^2."""
    twice = 2 * _R * sqrt(wx * wx + wy * wy + wz * wz) + 1e-9
    s = sqrt(vx * vx + vy * vy + vz * vz)
    q, d = lift * _FORCE * _R * s / (twice + s), -drag * _FORCE * s
    return (
        d * vx + q * (wy * vz - wz * vy),
        d * vy + q * (wz * vx - wx * vz),
        d * vz + q * (wx * vy - wy * vx) - _G,
    )


@compiled
def fly(
    velocity: Vector, spin: Vector, drag: float, lift: float, span: float, nodes: np.ndarray
) -> int:
    """Step along one flight from a contact on.

    Parameters
    ----------
    velocity, spin : tuple of 3 floats
        At its beginning, m/s and rad/s.
    drag, lift : float
        Drag coefficient and factor on the lift.
    span : float
        s; negative for a flight traced backwards. It may be asked for somewhat beyond that.
    nodes : ndarray, shape (12, 7)
        Filled in, see the module's head.

    Returns
    -------
    int
        n, how many rows of `nodes` are used.
    """
    n, row = (NODES, 0) if abs(span) <= _LONG else (NODES_LONG, 1)
    vx, vy, vz = velocity
    wx, wy, wz = spin
    ax, ay, az = acceleration(vx, vy, vz, wx, wy, wz, drag, lift)
    for i in range(n):
        g = _STEPS[row, i] * span
        k = g / 2
        bx, by, bz = acceleration(vx + k * ax, vy + k * ay, vz + k * az, wx, wy, wz, drag, lift)
        cx, cy, cz = acceleration(vx + k * bx, vy + k * by, vz + k * bz, wx, wy, wz, drag, lift)
        dx, dy, dz = acceleration(vx + g * cx, vy + g * cy, vz + g * cz, wx, wy, wz, drag, lift)
        k = g / 6
        vx += k * (ax + 2 * (bx + cx) + dx)
        vy += k * (ay + 2 * (by + cy) + dy)
        vz += k * (az + 2 * (bz + cz) + dz)
        ax, ay, az = acceleration(vx, vy, vz, wx, wy, wz, drag, lift)
        nodes[i, 0], nodes[i, 1], nodes[i, 2] = vx, vy, vz
        nodes[i, 3], nodes[i, 4], nodes[i, 5] = ax, ay, az
        nodes[i, 6] = sqrt(vx * vx + vy * vy + vz * vz)
    return n


@compiled
def weigh(since: float, span: float, n: int, far: np.ndarray, quick: np.ndarray) -> None:
    """What accelerations at the points weigh in offset and velocity at a time, into (n,) each."""
    row = 0 if n == NODES else 1
    s = since / span
    for j in range(n):
        far[j] = quick[j] = 0.0
    power = s
    for i in range(n):
        higher = power * s
        for j in range(n):
            far[j] += higher * _TWICE[row, i, j]
            quick[j] += power * _ONCE[row, i, j]
        power = higher
    for j in range(n):
        far[j] *= span * span
        quick[j] *= span


@compiled
def moved(
    since: float, velocity: Vector, span: float, n: int, nodes: np.ndarray,
    far: np.ndarray, quick: np.ndarray,
) -> tuple[Vector, Vector]:  # fmt: skip
    """Offset from the beginning, m, and velocity, m/s, at a time; see `weigh` for the weights."""
    weigh(since, span, n, far, quick)
    px, py, pz = since * velocity[0], since * velocity[1], since * velocity[2]
    vx, vy, vz = velocity
    for j in range(n):
        px += far[j] * nodes[j, 3]
        py += far[j] * nodes[j, 4]
        pz += far[j] * nodes[j, 5]
        vx += quick[j] * nodes[j, 3]
        vy += quick[j] * nodes[j, 4]
        vz += quick[j] * nodes[j, 5]
    return (px, py, pz), (vx, vy, vz)


@compiled
def landing(up: float, span: float, n: int, nodes: np.ndarray) -> float:
    """When the ball is back at the height of its beginning, s; NaN if it does not fall back.

    `up` is its vertical speed at the beginning. Newton's method from the end of the span.
    """
    row = 0 if n == NODES else 1
    z, slope_z = np.zeros(NODES_LONG), np.zeros(NODES_LONG)
    for i in range(n):
        for j in range(n):
            z[i] += _TWICE[row, i, j] * nodes[j, 5]
            slope_z[i] += _ONCE[row, i, j] * nodes[j, 5]
    s = 1.0
    for _ in range(12):
        value = slope = 0.0
        for k in range(n - 1, -1, -1):
            value = value * s + z[k]
            slope = slope * s + slope_z[k]
        height = (span * value * s + up) * s
        slope = span * slope * s + up
        if not slope < -1e-9:
            return np.nan
        step = height / slope
        s -= step
        if abs(step) < 1e-9:
            return s * span
    return np.nan


@compiled
def acceleration_slopes(
    spin: Vector, drag: float, lift: float, span: float, n: int, nodes: np.ndarray, out: np.ndarray
) -> None:
    """Derivatives of the accelerations at a flight's points, into `out` (3 n, 8).

    By the velocity (3) and spin (3) at the beginning, drag and lift.
    """
    row = 0 if n == NODES else 1
    wx, wy, wz = spin
    twice = 2 * _R * sqrt(wx * wx + wy * wy + wz * wz) + 1e-9
    scale = lift * _FORCE * _R
    matrix = np.empty((3 * n, 3 * n))
    inner, turned = np.empty((3, 3)), np.empty(3)
    for i in range(n):
        speed = nodes[i, 6]
        under = 1 / (twice + speed)
        weight = scale * speed * under
        pull = -drag * _FORCE * speed
        for a in range(3):
            # the lift, share times spin across velocity
            turned[a] = nodes[i, 3 + a] - pull * nodes[i, a]
        turned[2] += _G
        for a in range(3):
            along = (-drag * _FORCE * nodes[i, a] + twice * under / speed * turned[a]) / speed
            # by spin: the arm of the lift, and that more spin lifts less for its size
            thinner = -4 * _R * _R * under / twice * turned[a]
            for b in range(3):
                inner[a, b] = along * nodes[i, b]
                out[3 * i + a, 3 + b] = thinner * spin[b]
            inner[a, a] += pull
            out[3 * i + a, 6] = -_FORCE * speed * nodes[i, a]
            out[3 * i + a, 7] = turned[a] / lift
        for a in range(3):
            b, c = (a + 1) % 3, (a + 2) % 3
            inner[a, b] -= weight * spin[c]
            inner[a, c] += weight * spin[b]
            out[3 * i + a, 3 + b] += weight * nodes[i, c]
            out[3 * i + a, 3 + c] -= weight * nodes[i, b]
        for a in range(3):
            for b in range(3):
                out[3 * i + a, b] = inner[a, b]
            # the change is that by what changed at the beginning and by what it did so far
            for j in range(n):
                for b in range(3):
                    matrix[3 * i + a, 3 * j + b] = -span * _INTEGRAL[row, i, j] * inner[a, b]
            matrix[3 * i + a, 3 * i + a] += 1.0
    if not solve(matrix, out):  # a wild trial step
        for i in range(3 * n):
            for b in range(8):
                out[i, b] = np.nan
