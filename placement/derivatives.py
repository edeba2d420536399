"""One ball's path over its bounces, with derivatives by all unknowns in the same pass.

A fit needs the path and how each of its unknowns moves it. Flights between contacts are those of
`placement.collocation`. Time and place of the first bounce only shift the path; later unknowns
reach later flights only, through the chain rule at each bounce.

Units and the order of the unknowns: see `placement.trajectory`. Source: Hairer, Norsett and Wanner,
Solving Ordinary Differential Equations I, 2nd ed. (1993), section I.14.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

import numpy as np

from calibration import table
from placement import flight
from placement.collocation import (
    LONGEST_ARC,
    NODES,
    NODES_LONG,
    Flight,
    Vector,
    acceleration_slopes,
)

_R = table.BALL_RADIUS
_FORCE = flight.drag_constant(1.0)  # 1/m
_GRIP = flight.SHELL / (1 + flight.SHELL)
_TURN = 1 / (flight.SHELL * _R)
#: Where unknowns are held, so that a wild trial step cannot leave what balls can do at all.
SPEED_LIMIT, SPIN_LIMIT = 25.0, 900.0
SHARED_LOW, SHARED_HIGH = (0.02, 0.2, 0.15), (0.9, 0.8, 4.0)  # friction, drag, lift
RESTITUTION_LIMITS = (0.3, 1.3)


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
        lift = (
            self._lift
            * flight.drag_constant(1.0)
            * _R
            * (spin[0] * velocity[1] - spin[1] * velocity[0])
        )
        weight = max(0.5 * flight.GRAVITY, flight.GRAVITY - 0.7 * lift)
        span = min(LONGEST_ARC, max(0.02, 2.0 * velocity[2] / weight))
        for _ in range(3):
            arc = Flight(velocity, spin, self._drag, self._lift, span)
            found = arc.lands()
            if (found is not None and found[0] <= 1.1 * span) or span >= LONGEST_ARC:
                break
            span = min(LONGEST_ARC, 1.4 * span)
        if found is None or not 0.0 < found[0] <= LONGEST_ARC:
            found = arc.end(LONGEST_ARC)
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
        for n in (NODES, NODES_LONG):
            ks = [k for k, x in self._flights.items() if x.n == n]
            if ks:
                found = acceleration_slopes([self._flights[k] for k in ks], self._drag, self._lift)
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
    if since < LONGEST_ARC:  # else it has not landed
        vx, vy, vz = there.incoming
        later = state[2] * (-1 / vz)
        bend = arc.acceleration(there.incoming)
        state[:3] += np.multiply.outer((vx, vy, vz), later)
        state[3:6] += np.multiply.outer(bend, later)
        state[11] += later
    return state
