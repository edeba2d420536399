"""One flight between two contacts, and how its accelerations move with what it begins with.

A flight is stepped by the classical Runge-Kutta method from one Gauss point of its time to the
next, in plain numbers, for so few points are slower as arrays; the path between is the polynomial
in time whose acceleration agrees at the points: exact to about 1e-6 m over half a second. Its
derivatives solve the variational equations by collocation at the same points, for all flights of a
path at once.

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
    the time (integrated once) and 2 .. n + 1 (twice); `both` has them one above the other.
    """

    points: np.ndarray  # (n,)
    steps: tuple[float, ...]
    integral: np.ndarray  # (n, n), to each point
    once: np.ndarray  # (n, n), row: power, column: point
    twice: np.ndarray
    both: np.ndarray  # (2 n, n)

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
        steps=tuple(np.diff(nodes, prepend=0.0).tolist()),
        integral=nodes[:, None] ** (power + 1) @ once,
        once=once,
        twice=twice,
        both=np.concatenate([twice, once]),
    )


class Flight:
    """One flight from a contact on.

    Parameters
    ----------
    velocity, spin : sequence of 3 floats
        At its beginning, m/s and rad/s.
    drag, lift : float
        Drag coefficient and factor on the lift.
    duration : float
        s; negative for a flight traced backwards. It may be asked for somewhat beyond that.
    """

    __slots__ = ("_down", "_turn", "begin", "n", "nodes", "span", "spin", "twice")

    def __init__(
        self, velocity: Vector, spin: Vector, drag: float, lift: float, duration: float
    ) -> None:
        h = self.span = duration
        self.n = NODES if abs(h) <= _LONG else NODES_LONG
        vx, vy, vz = self.begin = (float(velocity[0]), float(velocity[1]), float(velocity[2]))
        wx, wy, wz = self.spin = (float(spin[0]), float(spin[1]), float(spin[2]))
        twice = self.twice = 2 * _R * sqrt(wx * wx + wy * wy + wz * wz) + 1e-9
        scale = lift * _FORCE * _R
        wx, wy, wz = self._turn = (scale * wx, scale * wy, scale * wz)
        down = self._down = -drag * _FORCE
        s = sqrt(vx * vx + vy * vy + vz * vz)
        q, d = s / (twice + s), down * s
        ax = d * vx + q * (wy * vz - wz * vy)
        ay = d * vy + q * (wz * vx - wx * vz)
        az = d * vz + q * (wx * vy - wy * vx) - _G
        rows: list[float] = []
        for share in scheme(self.n).steps:
            g = share * h
            k = g / 2
            x, y, z = vx + k * ax, vy + k * ay, vz + k * az
            s = sqrt(x * x + y * y + z * z)
            q, d = s / (twice + s), down * s
            bx = d * x + q * (wy * z - wz * y)
            by = d * y + q * (wz * x - wx * z)
            bz = d * z + q * (wx * y - wy * x) - _G
            x, y, z = vx + k * bx, vy + k * by, vz + k * bz
            s = sqrt(x * x + y * y + z * z)
            q, d = s / (twice + s), down * s
            cx = d * x + q * (wy * z - wz * y)
            cy = d * y + q * (wz * x - wx * z)
            cz = d * z + q * (wx * y - wy * x) - _G
            x, y, z = vx + g * cx, vy + g * cy, vz + g * cz
            s = sqrt(x * x + y * y + z * z)
            q, d = s / (twice + s), down * s
            k = g / 6
            vx += k * (ax + 2 * (bx + cx) + d * x + q * (wy * z - wz * y))
            vy += k * (ay + 2 * (by + cy) + d * y + q * (wz * x - wx * z))
            vz += k * (az + 2 * (bz + cz) + d * z + q * (wx * y - wy * x) - _G)
            s = sqrt(vx * vx + vy * vy + vz * vz)
            q, d = s / (twice + s), down * s
            ax = d * vx + q * (wy * vz - wz * vy)
            ay = d * vy + q * (wz * vx - wx * vz)
            az = d * vz + q * (wx * vy - wy * vx) - _G
            rows += (vx, vy, vz, ax, ay, az, s)
        #: At each point: velocity, acceleration and speed, shape (n, 7).
        self.nodes = np.array(rows).reshape(self.n, 7)

    def acceleration(self, velocity: Vector) -> Vector:
        """At one velocity, m/s^2."""
        vx, vy, vz = velocity
        wx, wy, wz = self._turn
        s = sqrt(vx * vx + vy * vy + vz * vz)
        q, d = s / (self.twice + s), self._down * s
        return (
            d * vx + q * (wy * vz - wz * vy),
            d * vy + q * (wz * vx - wx * vz),
            d * vz + q * (wx * vy - wy * vx) - _G,
        )

    def weights(self, since: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """What accelerations at the points weigh in offset and velocity at `since` (N,), (N, n)."""
        h = self.span
        far, quick = scheme(self.n).weights(since / h)
        far *= h * h
        quick *= h
        return far, quick

    def at(self, since: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Offset from the beginning, m, and velocity, m/s, at times `since` (N,), each (N, 3)."""
        far, quick = self.weights(since)
        bend = self.nodes[:, 3:6]
        return since[:, None] * self.begin + far @ bend, self.begin + quick @ bend

    def lands(self) -> tuple[float, Vector, Vector] | None:
        """When the ball is back at the height of its beginning, the offset and velocity there.

        None if it does not fall back. Newton's method from the end of the span.
        """
        n, h = self.n, self.span
        both = (scheme(n).both @ self.nodes[:, 3:6]).T.tolist()
        vz, z = self.begin[2], both[2]
        s = 1.0
        for _ in range(12):
            value = slope = 0.0
            for k in range(n - 1, -1, -1):
                value = value * s + z[k]
                slope = slope * s + z[n + k]
            height = (h * value * s + vz) * s
            slope = h * slope * s + vz
            if not slope < -1e-9:
                return None
            step = height / slope
            s -= step
            if abs(step) < 1e-9:
                break
        else:
            return None
        return s * h, self._offset(both, s), self._speed(both, s)

    def end(self, since: float) -> tuple[float, Vector, Vector]:
        """As `lands`, at the time `since`."""
        both = (scheme(self.n).both @ self.nodes[:, 3:6]).T.tolist()
        s = since / self.span
        return since, self._offset(both, s), self._speed(both, s)

    def _offset(self, both: list[list[float]], s: float) -> Vector:
        h, out = self.span, []
        for c, v in zip(both, self.begin, strict=True):
            value = 0.0
            for k in range(self.n - 1, -1, -1):
                value = value * s + c[k]
            out.append(h * s * (v + h * s * value))
        return out[0], out[1], out[2]

    def _speed(self, both: list[list[float]], s: float) -> Vector:
        h, out = self.span, []
        for c, v in zip(both, self.begin, strict=True):
            value = 0.0
            for k in range(2 * self.n - 1, self.n - 1, -1):
                value = value * s + c[k]
            out.append(v + h * s * value)
        return out[0], out[1], out[2]


def acceleration_slopes(flights: list[Flight], drag: float, lift: float) -> np.ndarray:
    """Derivatives of the accelerations at the points of flights with equally many, (F, n, 3, 8).

    By the velocity (3) and spin (3) at the beginning, drag and lift.
    """
    n, f = flights[0].n, len(flights)
    nodes = np.array([x.nodes for x in flights])
    v, bend, speed = nodes[:, :, :3], nodes[:, :, 3:6], nodes[:, :, 6:]
    spin = np.array([(*x.spin, x.twice, x.span) for x in flights])[:, None]
    twice, span = spin[:, :, 3:4], spin[:, :, 4:]
    under = 1 / (twice + speed)
    share = speed * under
    pull = (-drag * _FORCE) * speed
    turned = bend - pull * v  # the lift, share times spin across velocity
    turned[:, :, 2] += _G
    out = np.zeros((f, n, 3, 8))
    inner = out[:, :, :, :3]
    np.multiply(
        (((-drag * _FORCE) * v + (twice * under / speed) * turned) / speed)[:, :, :, None],
        v[:, :, None, :],
        out=inner,
    )
    scale = lift * _FORCE * _R
    weight = scale * share
    turn = weight * spin[:, :, :3]
    x, y, z = turn[:, :, 0], turn[:, :, 1], turn[:, :, 2]
    inner[:, :, 0, 1] -= z
    inner[:, :, 0, 2] += y
    inner[:, :, 1, 0] += z
    inner[:, :, 1, 2] -= x
    inner[:, :, 2, 0] -= y
    inner[:, :, 2, 1] += x
    for i in range(3):
        inner[:, :, i, i] += pull[:, :, 0]
    # by spin: the arm of the lift, and that more spin lifts less for its size
    by_spin = out[:, :, :, 3:6]
    thinner = (-4 * _R * _R) * under / twice * turned
    np.multiply(thinner[:, :, :, None], spin[:, :, None, :3], out=by_spin)
    moved = weight * v
    x, y, z = moved[:, :, 0], moved[:, :, 1], moved[:, :, 2]
    by_spin[:, :, 0, 1] += z
    by_spin[:, :, 0, 2] -= y
    by_spin[:, :, 1, 0] -= z
    by_spin[:, :, 1, 2] += x
    by_spin[:, :, 2, 0] += y
    by_spin[:, :, 2, 1] -= x
    out[:, :, :, 6] = (-_FORCE * speed) * v
    np.divide(turned, lift, out=out[:, :, :, 7])
    # the acceleration's change is that by what changed at the beginning and by what it did so far
    weights = (-span * scheme(n).integral)[:, :, None, :, None]
    matrix = (weights * inner[:, :, :, None, :]).reshape(f, 3 * n, 3 * n)
    matrix.reshape(f, -1)[:, :: 3 * n + 1] += 1.0
    return np.asarray(np.linalg.solve(matrix, out.reshape(f, 3 * n, 8)))
