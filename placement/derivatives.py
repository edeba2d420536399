"""One ball's path over its bounces, with derivatives by all unknowns in the same pass.

A fit needs the path and how each of its unknowns moves it. A flight between two contacts is stepped
by the classical Runge-Kutta method from one Gauss point of its time to the next, in plain numbers,
for so few points are slower as arrays; the path between is the polynomial in time whose
acceleration agrees at the points: exact to about 1e-6 m over half a second. Its derivatives solve
the variational equations by collocation at the same points, for all flights of a path at once. Time
and place of the first bounce only shift the path; later unknowns reach later flights only, through
the chain rule at each bounce.

Units and the order of the unknowns: see `placement.trajectory`. Source: Hairer, Norsett and Wanner,
Solving Ordinary Differential Equations I, 2nd ed. (1993), sections I.14, II.1 and II.7.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import hypot, sqrt

import numpy as np

from calibration import table
from calibration.camera import Camera
from placement import flight

_R = table.BALL_RADIUS
_FORCE = flight.drag_constant(1.0)  # 1/m
_G = flight.GRAVITY
_LONGEST_ARC = 1.2  # s, a flight that has not landed by then is taken to last so long
_NODES, _NODES_LONG = 6, 12
_LONG = 0.55  # s
_GRIP = flight.SHELL / (1 + flight.SHELL)
_TURN = 1 / (flight.SHELL * _R)
#: Where unknowns are held, so that a wild trial step cannot leave what balls can do at all.
SPEED_LIMIT, SPIN_LIMIT = 25.0, 900.0
SHARED_LOW, SHARED_HIGH = (0.02, 0.2, 0.15), (0.9, 0.8, 4.0)  # friction, drag, lift
RESTITUTION_LIMITS = (0.3, 1.3)

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
        self.n = _NODES if abs(h) <= _LONG else _NODES_LONG
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


def _rates(flights: list[Flight], drag: float, lift: float) -> np.ndarray:
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


@dataclass(frozen=True, slots=True, eq=False)
class _Contact:
    """A bounce: when, where, and the velocities and spins before and after."""

    time: float
    place: Vector
    incoming: Vector
    spin: Vector
    outgoing: Vector
    spin_after: Vector


@dataclass(frozen=True, slots=True, eq=False)
class _Slopes:
    """Derivatives of a path by its P unknowns, in the form with velocities after bounces.

    Attributes
    ----------
    chain : ndarray, shape (K + 1, 12, P)
        At the beginning of each flight; rows place, velocity, spin (3 each), drag, lift, time.
    contacts : ndarray, shape (K, 4, P)
        Time and place of each bounce.
    theta : ndarray, shape (P, P)
        The unknowns in the other form.
    rates : dict
        Accelerations by what a flight begins with, shape (3 n, 8), by flight.
    """

    chain: np.ndarray
    contacts: np.ndarray
    theta: np.ndarray
    rates: dict[int, np.ndarray]


class Traced:
    """A path traced through its bounces.

    Inside, the velocity after each bounce takes the place of its restitution and unexplained
    change of speed: pictures depend on it almost linearly, and each flight begins from unknowns of
    its own. Restitution, friction and grip then only tell which velocities are likely.

    Parameters
    ----------
    unknowns : ndarray, shape (12 + 3 K,)
        See `placement.trajectory`.
    n_bounces : int
        K.
    leaving : bool
        Whether the last three of each bounce are the velocity after it, (z, x, y), m/s, instead of
        its restitution and unexplained changes.

    Attributes
    ----------
    theta, left : ndarray, shape (12 + 3 K,)
        The unknowns in either form, held within what balls can do.
    contacts : list
        Per bounce: time, place, velocities and spins.
    """

    __slots__ = ("_drag", "_flights", "_held", "_lift", "_slopes", "contacts", "left", "theta")

    def __init__(self, unknowns: np.ndarray, n_bounces: int, *, leaving: bool = False) -> None:
        t = unknowns.tolist()
        self._held = held = _held(t, _LEAVING_LIMITS if leaving else _EACH_LIMITS)
        self._drag, self._lift = t[10], t[11]
        self._slopes: _Slopes | None = None
        #: 0 is the flight before the first bounce, k that after the kth
        self._flights: dict[int, Flight] = {}
        self.contacts: list[_Contact] = []
        other = list(t)
        time, place = t[0], (t[1], t[2], _R)
        velocity, spin = (t[3], t[4], t[5]), (t[6], t[7], t[8])
        for k in range(n_bounces):
            i = 12 + 3 * k
            fall = max(abs(velocity[2]), 1e-3)
            if leaving:
                after = (t[i + 1], t[i + 2], t[i])
                plain = _rubbed(velocity, spin, t[9] * (fall + after[2]))
                other[i : i + 3] = (after[2] / fall, after[0] - plain[0], after[1] - plain[1])
            else:
                plain = _rubbed(velocity, spin, t[9] * (1 + t[i]) * fall)
                after = (plain[0] + t[i + 1], plain[1] + t[i + 2], t[i] * fall)
                other[i : i + 3] = (after[2], after[0], after[1])
            turned = (
                spin[0] + _TURN * (after[1] - velocity[1]),
                spin[1] - _TURN * (after[0] - velocity[0]),
                spin[2],
            )
            self.contacts.append(_Contact(time, place, velocity, spin, after, turned))
            if k + 1 < n_bounces:
                arc, (since, offset, velocity) = self._flown(after, turned)
                self._flights[k + 1] = arc
                time += since
                place = (place[0] + offset[0], place[1] + offset[1], place[2] + offset[2])
                spin = turned
        self.theta, self.left = np.array(other if leaving else t), np.array(t if leaving else other)
        if held and not leaving:
            self._held = [k for k in held if k < 12]  # the others are given by the velocities after

    def _flown(self, velocity: Vector, spin: Vector) -> tuple[Flight, tuple[float, Vector, Vector]]:
        """The flight to the next bounce, with its duration, offset and last velocity."""
        # without air it would last so long; where spin presses it down, less
        lift = self._lift * _FORCE * _R * (spin[0] * velocity[1] - spin[1] * velocity[0])
        weight = max(0.5 * _G, _G - 0.7 * lift)
        span = min(_LONGEST_ARC, max(0.02, 2.0 * velocity[2] / weight))
        for _ in range(3):
            arc = Flight(velocity, spin, self._drag, self._lift, span)
            found = arc.lands()
            if (found is not None and found[0] <= 1.1 * span) or span >= _LONGEST_ARC:
                break
            span = min(_LONGEST_ARC, 1.4 * span)
        if found is None or not 0.0 < found[0] <= _LONGEST_ARC:
            found = arc.end(_LONGEST_ARC)
        return arc, found

    def at(self, times: np.ndarray) -> tuple[np.ndarray, np.ndarray, Parts]:
        """Positions and velocities at `times` (N,), each (N, 3), and how they came about."""
        order = None
        if len(times) > 1 and (times[1:] < times[:-1]).any():
            order = np.argsort(times, kind="stable")
            times = times[order]
        n = len(times)
        edges = [0, *np.searchsorted(times, [c.time for c in self.contacts]).tolist(), n]
        position, velocity = np.empty((n, 3)), np.empty((n, 3))
        pieces = []
        for k in range(len(edges) - 1):
            a, b = edges[k], edges[k + 1]
            if a == b:
                continue
            here = self.contacts[max(0, k - 1)]
            since = times[a:b] - here.time
            arc = self._flight(k, float(since[0] if k == 0 else since[-1]))
            far, quick = arc.weights(since)
            bend = arc.nodes[:, 3:6]
            position[a:b] = far @ bend
            position[a:b] += since[:, None] * arc.begin
            position[a:b] += here.place
            velocity[a:b] = quick @ bend
            velocity[a:b] += arc.begin
            pieces.append((k, a, b, since, far))
        parts = Parts(pieces, order)
        if order is None:
            return position, velocity, parts
        back = np.argsort(order)
        return position[back], velocity[back], parts

    def _flight(self, k: int, reach: float) -> Flight:
        """Flight `k`, which lasts to `reach` at least if it is the first or the last."""
        known = self._flights.get(k)
        outer = k in (0, len(self.contacts))
        if known is not None and (not outer or 0.3 < reach / known.span <= 1.05):
            return known
        first = self.contacts[0]
        if k == 0:
            reach, begin, spin = min(reach, -1e-3), first.incoming, first.spin
        else:
            here = self.contacts[k - 1]
            reach, begin, spin = max(reach, 1e-3), here.outgoing, here.spin_after
        self._slopes = None
        self._flights[k] = Flight(begin, spin, self._drag, self._lift, reach)
        return self._flights[k]

    def _differentiated(self) -> _Slopes:
        """Derivatives by the unknowns in the form with velocities after bounces."""
        if self._slopes is not None:
            return self._slopes
        rates: dict[int, np.ndarray] = {}
        for n in (_NODES, _NODES_LONG):
            ks = [k for k, x in self._flights.items() if x.n == n]
            if ks:
                found = _rates([self._flights[k] for k in ks], self._drag, self._lift)
                rates.update(zip(ks, found, strict=True))
        last, p = len(self.contacts), len(self.left)
        chain = np.zeros((last + 1, 12, p))
        at_contact = np.empty((last, 4, p))
        back = np.eye(p)
        chain[0, _ROWS, _COLUMNS] = 1.0
        if self._held:
            chain[0][:, self._held] = 0.0
        state = chain[0]  # just before bounce k
        for k, contact in enumerate(self.contacts):
            i = 12 + 3 * k
            at_contact[k, 0], at_contact[k, 1:] = state[11], state[:3]
            _rub_slopes(back[i : i + 3], state, contact, self.left[9], i, self._held)
            after = chain[k + 1]
            after[:] = state
            after[3:6] = 0.0
            for row, column in ((3, i + 1), (4, i + 2), (5, i)):
                after[row, column] = 0.0 if column in self._held else 1.0
            after[6] += _TURN * (after[4] - state[4])
            after[7] -= _TURN * (after[3] - state[3])
            if k + 1 < last:
                arc = self._flights[k + 1]
                state = _flight_slopes(arc, rates[k + 1], after, contact, self.contacts[k + 1])
        self._slopes = _Slopes(chain, at_contact, back, rates)
        return self._slopes

    def contact_slopes(self) -> np.ndarray:
        """Derivatives of time, x, y and z of each bounce by `left`, shape (K, 4, P)."""
        return self._differentiated().contacts

    def theta_slopes(self) -> np.ndarray:
        """Derivatives of `theta` by `left`, shape (P, P)."""
        return self._differentiated().theta

    def by_theta(self, slopes: np.ndarray) -> np.ndarray:
        """Derivatives (..., P) by `left` turned into derivatives by `theta`."""
        return slopes @ np.linalg.inv(self.theta_slopes())

    def state_slopes(self, velocity: np.ndarray, parts: Parts) -> np.ndarray:
        """Derivatives of positions and velocities by `left`, shape (N, 6, P).

        `velocity` and `parts` are those that `at` has returned for sorted times.
        """
        slopes = self._differentiated()
        out = np.empty((len(velocity), 6, slopes.chain.shape[2]))
        for k, a, b, since, far in parts.pieces:
            begin, arc = slopes.chain[k], self._flights[k]
            bent = (slopes.rates[k] @ begin[3:11]).reshape(far.shape[1], 3, -1)
            quick = arc.weights(since)[1]
            pull = np.array([arc.acceleration(v) for v in velocity[a:b].tolist()])
            out[a:b, :3] = begin[:3] + since[:, None, None] * begin[3:6]
            out[a:b, :3] += np.tensordot(far, bent, axes=1) - velocity[a:b, :, None] * begin[11]
            out[a:b, 3:] = begin[3:6] + np.tensordot(quick, bent, axes=1)
            out[a:b, 3:] -= pull[:, :, None] * begin[11]
        return out

    def picture_slopes(self, gain: np.ndarray, velocity: np.ndarray, parts: Parts) -> np.ndarray:
        """`gain` (N, 2, 3) times the derivatives of the positions by `left`, shape (N, 2, P).

        `velocity` and `parts` are those that `at` has returned.
        """
        slopes = self._differentiated()
        chain, rates = slopes.chain, slopes.rates
        if parts.order is not None:
            gain, velocity = gain[parts.order], velocity[parts.order]
        count, p = len(gain), chain.shape[2]
        out = np.empty((count, 2, p))
        v = velocity[:, None]
        later = gain[:, :, 0] * v[:, :, 0] + gain[:, :, 1] * v[:, :, 1] + gain[:, :, 2] * v[:, :, 2]
        for k, a, b, since, far in parts.pieces:
            begin, n = chain[k], far.shape[1]
            # what a row of `right` does to the position: shifts it, bends it, speeds it, delays it
            left = np.empty((b - a, 2, 3 * n + 7))
            left[:, :, :3] = gain[a:b]
            left[:, :, 3:6] = since[:, None, None] * gain[a:b]
            left[:, :, 6] = -later[a:b]
            np.multiply(
                far[:, None, :, None],
                gain[a:b, :, None, :],
                out=left[:, :, 7:].reshape(b - a, 2, n, 3),
            )
            right = np.empty((3 * n + 7, p))
            right[:6], right[6] = begin[:6], begin[11]
            np.matmul(rates[k], begin[3:11], out=right[7:])
            np.matmul(left.reshape(2 * (b - a), -1), right, out=out[a:b].reshape(-1, p))
        if parts.order is not None:
            out = out[np.argsort(parts.order)]
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """How positions at some times came about: which lie in which flight."""

    #: flight, first and last row (exclusive), times since its beginning, weights of accelerations
    pieces: list[tuple[int, int, int, np.ndarray, np.ndarray]]
    order: np.ndarray | None  # that sorts the times; None if they are sorted


# the unknowns as rows of the state: place, velocity, spin, drag, lift, time
_ROWS = np.array([11, 0, 1, 3, 4, 5, 6, 7, 8, 9, 10])
_COLUMNS = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 10, 11])


_SHARED_LIMITS = (
    [(-SPEED_LIMIT, SPEED_LIMIT)] * 3
    + [(-SPIN_LIMIT, SPIN_LIMIT)] * 3
    + list(zip(SHARED_LOW, SHARED_HIGH, strict=True))
)
_EACH_LIMITS = (RESTITUTION_LIMITS, (-SPEED_LIMIT, SPEED_LIMIT), (-SPEED_LIMIT, SPEED_LIMIT))
_LEAVING_LIMITS = ((0.02, SPEED_LIMIT), (-SPEED_LIMIT, SPEED_LIMIT), (-SPEED_LIMIT, SPEED_LIMIT))


def _held(t: list[float], each: tuple[tuple[float, float], ...]) -> list[int]:
    """Hold unknowns within what balls can do, in place; which ones were beyond it."""
    held = []
    for k in range(3, len(t)):
        low, high = _SHARED_LIMITS[k - 3] if k < 12 else each[k % 3]
        if not low <= t[k] <= high:
            t[k] = min(max(t[k], low), high)
            held.append(k)
    return held


def _rubbed(velocity: Vector, spin: Vector, slip: float) -> tuple[float, float]:
    """Speeds along x and y after friction, as by `flight.bounce`.

    `slip` is the change of speed that sliding all the way gives.
    """
    sx, sy = velocity[0] - _R * spin[1], velocity[1] + _R * spin[0]
    speed = hypot(sx, sy)
    part = slip / speed if slip < _GRIP * speed else _GRIP
    return velocity[0] - part * sx, velocity[1] - part * sy


def _rub_slopes(
    out: np.ndarray,
    before: np.ndarray,
    contact: _Contact,
    friction: float,
    i: int,
    held: list[int],
) -> None:
    """Derivatives (3, P) of restitution and of what friction leaves unexplained, into `out`.

    `before` (12, P) are those of the state before the bounce; the velocity after it are the
    unknowns from `i` on, in the order z, x, y.
    """
    vz, up = contact.incoming[2], contact.outgoing[2]
    fall, sign = max(abs(vz), 1e-3), (1.0 if vz > 0 else -1.0)
    sx = contact.incoming[0] - _R * contact.spin[1]
    sy = contact.incoming[1] + _R * contact.spin[0]
    speed = hypot(sx, sy)
    slip = friction * (fall + up)
    slips = slip < _GRIP * speed
    part = slip / speed if slips else _GRIP
    free = [0.0 if k in held else 1.0 for k in (9, i, i + 1, i + 2)]
    out[0] = (-sign * up / (fall * fall)) * before[5]
    out[0, i] += free[1] / fall
    slide = before[3:5].copy()
    slide[0] -= _R * before[7]
    slide[1] += _R * before[6]
    np.multiply(slide, part, out=out[1:])
    out[1:] -= before[3:5]
    if slips:
        nx, ny = sx / speed, sy / speed
        inward = (part * nx) * slide[0] + (part * ny) * slide[1]
        inward -= (friction * sign) * before[5]
        inward[9] -= free[0] * (fall + up)
        inward[i] -= free[1] * friction
        out[1] -= nx * inward
        out[2] -= ny * inward
    out[1, i + 1] += free[2]
    out[2, i + 2] += free[3]


def _flight_slopes(
    arc: Flight, rates: np.ndarray, begin: np.ndarray, here: _Contact, there: _Contact
) -> np.ndarray:
    """Lead derivatives of the state (12, P) on to just before the next bounce."""
    since = there.time - here.time
    far, quick = arc.weights(np.array([since]))
    ends = (np.concatenate([far, quick]) @ rates.reshape(arc.n, 24)).reshape(6, 8) @ begin[3:11]
    state = begin.copy()
    state[:3] += ends[:3]
    state[:3] += since * begin[3:6]
    state[3:6] += ends[3:]
    if since < _LONGEST_ARC:  # else it has not landed
        vx, vy, vz = there.incoming
        later = state[2] * (-1 / vz)
        bend = arc.acceleration(there.incoming)
        state[:3] += np.multiply.outer((vx, vy, vz), later)
        state[3:6] += np.multiply.outer(bend, later)
        state[11] += later
    return state


def project_with_slopes(
    camera: Camera, points: np.ndarray, whiten: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Image points (N, 2) of table points (N, 3), and their derivatives (N, 2, 3).

    The same model as `Camera.project`: NaN behind the camera.

    Parameters
    ----------
    camera : Camera
    points : ndarray, shape (N, 3)
    whiten : ndarray, shape (N, 2, 2), optional
        Lower triangular matrices to multiply the derivatives with.
    """
    p = points @ camera.rotation.T
    p += camera.translation
    z = p[:, 2]
    if not (z > 1e-6).all():
        z = np.where(z > 1e-6, z, np.nan)
    inverse = 1 / z
    x, y = p[:, 0] * inverse, p[:, 1] * inverse
    k1, k2, p1, p2, k3 = camera.distortion.tolist()
    fx, fy = float(camera.matrix[0, 0]), float(camera.matrix[1, 1])
    seen = np.empty((len(p), 2))
    xx, yy, xy = x * x, y * y, x * y
    r2 = xx + yy
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    seen[:, 0] = fx * (x * radial + (2 * p1) * xy + p2 * (r2 + 2 * xx)) + camera.matrix[0, 2]
    seen[:, 1] = fy * (y * radial + p1 * (r2 + 2 * yy) + (2 * p2) * xy) + camera.matrix[1, 2]
    growth = 2 * (k1 + r2 * (2 * k2 + (3 * k3) * r2))
    mixed = (growth * xy + (2 * p1) * x + (2 * p2) * y) * inverse
    inner = np.empty((len(p), 2, 3))
    inner[:, 0, 0] = fx * ((radial + growth * xx + (2 * p1) * y + (6 * p2) * x) * inverse)
    inner[:, 0, 1] = fx * mixed
    inner[:, 1, 0] = fy * mixed
    inner[:, 1, 1] = fy * ((radial + growth * yy + (6 * p1) * y + (2 * p2) * x) * inverse)
    inner[:, :, 2] = inner[:, :, 0] * -x[:, None] - inner[:, :, 1] * y[:, None]
    if whiten is not None:
        inner[:, 1] *= whiten[:, 1, 1:]
        inner[:, 1] += whiten[:, 1, :1] * inner[:, 0]
        inner[:, 0] *= whiten[:, 0, :1]
    return seen, (inner.reshape(-1, 3) @ camera.rotation).reshape(-1, 2, 3)
