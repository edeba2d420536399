"""One ball's path over its bounces, with derivatives by all unknowns in the same pass.

A fit needs the path and how each of its unknowns moves it. Here the flight between two contacts is
solved by collocation: the acceleration is a polynomial through a few Gauss points, Newton's method
makes it agree with the forces, and the same matrix gives the derivatives (the variational
equations). Time and place of the first bounce only shift the path; later unknowns reach later
flights only, through the chain rule at each bounce. Between the points the path is a polynomial in
time, exact to about 1e-8 m over half a second.

Units and the order of the unknowns: see `placement.trajectory`. Source: Hairer, Norsett and Wanner,
Solving Ordinary Differential Equations I, 2nd ed. (1993), sections I.14 and II.7.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import hypot

import numpy as np

from calibration import table
from calibration.camera import Camera
from placement import flight

_R = table.BALL_RADIUS
_FORCE = flight.drag_constant(1.0)  # 1/m
_LONGEST_ARC = 1.2  # s, a flight that has not landed by then is taken to last so long
_NODES, _NODES_LONG = 6, 10
_LONG = 0.7  # s
_ROUNDS = 8  # of Newton's method, 3 are usual
_NEAR = 2e-3  # m/s off the solution at which one more round is the last
_GRIP = flight.SHELL / (1 + flight.SHELL)
#: Where unknowns are held, so that a wild trial step cannot leave what balls can do at all.
SPEED_LIMIT, SPIN_LIMIT = 25.0, 900.0
SHARED_LOW, SHARED_HIGH = (0.02, 0.2, 0.15), (0.9, 0.8, 4.0)  # friction, drag, lift
RESTITUTION_LIMITS = (0.3, 1.3)


@lru_cache(maxsize=4)
def _scheme(n: int) -> tuple[np.ndarray, ...]:
    """Gauss points on 0 .. 1, integrals to each, and coefficients of single and double integrals.

    The coefficients take n values at the points to the powers 1 .. n (once integrated) and 2 .. n+1
    (twice integrated) of the time. Last comes a column of unit matrices.
    """
    nodes = (np.polynomial.legendre.leggauss(n)[0] + 1) / 2
    power = np.arange(n)
    lagrange = np.linalg.inv(nodes[:, None] ** power)  # row: power, column: point
    once = lagrange / (power + 1)[:, None]
    twice = once / (power + 2)[:, None]
    integral = nodes[:, None] ** (power + 1) @ once
    return nodes, integral, once, twice, np.tile(np.eye(3), (n, 1))


class Flight:
    """One flight from a contact on, and its derivatives.

    Parameters
    ----------
    velocity, spin : ndarray, shape (3,)
        At its beginning.
    drag, lift : float
        Drag coefficient and factor on the lift.
    duration : float
        s; negative for a flight traced backwards. It may be asked for somewhat beyond that.
    slopes : bool
        Whether derivatives are wanted.
    """

    __slots__ = ("_bend", "_once", "_span", "_twice", "_velocity", "rates")

    def __init__(
        self,
        velocity: np.ndarray,
        spin: np.ndarray,
        drag: float,
        lift: float,
        duration: float,
        *,
        slopes: bool = True,
    ) -> None:
        n = _NODES if abs(duration) <= _LONG else _NODES_LONG
        nodes, integral, self._once, self._twice, tiled = _scheme(n)
        h = self._span = duration
        self._velocity = velocity
        x, y, z = spin.tolist()
        size = (x * x + y * y + z * z) ** 0.5
        twice = 2 * _R * size + 1e-9
        cross = (_FORCE * _R) * np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])  # v @ it
        down = np.array([0.0, 0.0, -flight.GRAVITY])
        quick = float(velocity @ velocity) ** 0.5
        begin = (-drag * _FORCE * quick) * velocity + down
        begin += (lift * quick / (twice + quick + 1e-12)) * (velocity @ cross)
        v = velocity + (h * nodes)[:, None] * begin
        last = np.inf
        minus = -h * integral
        for _ in range(_ROUNDS):
            speed = np.sqrt((v * v).sum(axis=1))[:, None] + 1e-12
            turn = v @ cross
            under = 1 / (twice + speed)
            share = speed * under
            pull = (-drag * _FORCE) * speed
            force = pull * v + (lift * share) * turn + down
            direction = v / speed
            along = (-drag * _FORCE) * v + (lift * twice * under * under) * turn
            inner = along[:, :, None] * direction[:, None, :] + (lift * share)[:, :, None] * cross.T
            inner[:, (0, 1, 2), (0, 1, 2)] += pull
            # row (m, i), column (n, j): h S[m, n] A_n[i, j]
            matrix = (minus[:, None, :, None] * inner.transpose(1, 0, 2)).reshape(3 * n, 3 * n)
            matrix.flat[:: 3 * n + 1] += 1.0
            gap = velocity + h * (integral @ force) - v
            size_of_gap = float(np.abs(gap).max())
            # what is left is squared by each round: 2e-3 m/s here is about 3e-7 after it
            final = size_of_gap < _NEAR or not size_of_gap < 1e3 or size_of_gap > 2 * last
            last = size_of_gap
            if final and slopes:
                right = np.empty((3 * n, 9))
                right[:, 0] = gap.ravel()
                source = np.empty((n, 3, 5))  # of the forces by spin, drag, lift
                weight = (lift * _FORCE * _R) * share[:, 0]
                source[:, (0, 1, 2), (0, 1, 2)] = 0.0
                source[:, 0, 1], source[:, 0, 2] = weight * v[:, 2], -weight * v[:, 1]
                source[:, 1, 0], source[:, 1, 2] = -weight * v[:, 2], weight * v[:, 0]
                source[:, 2, 0], source[:, 2, 1] = weight * v[:, 1], -weight * v[:, 0]
                thinner = (-lift * 2 * _R / max(size, 1e-9)) * share * under * turn
                source[:, :, :3] += thinner[:, :, None] * spin
                source[:, :, 3] = -_FORCE * speed * v
                source[:, :, 4] = share * turn
                right[:, 1:4] = tiled
                right[:, 4:] = h * (integral @ source.reshape(n, 15)).reshape(3 * n, 5)
                solved = np.linalg.solve(matrix, right)
                step, rates = solved[:, 0].reshape(n, 3), solved[:, 1:].reshape(n, 3, 8)
                slope = inner @ rates
                slope[:, :, 3:] += source
                self.rates = slope.reshape(n, 24)
            else:
                step = np.linalg.solve(matrix, gap.ravel()).reshape(n, 3)
            if final:
                # the force moves with the last correction
                self._bend = force + (inner @ step[:, :, None])[:, :, 0]
                break
            v = v + step
        else:
            self._bend = np.full((n, 3), np.nan)
            self.rates = np.full((n, 24), np.nan)

    def _powers(self, since: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        s = since / self._span
        n = len(self._bend)
        powers = np.empty((len(s), n + 1))
        powers[:, 0] = s
        for k in range(1, n + 1):
            np.multiply(powers[:, k - 1], s, out=powers[:, k])
        return powers[:, :n], powers[:, 1:]

    def at(self, since: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Offset from the beginning, m, and velocity, m/s, at times `since` (N,), each (N, 3)."""
        first, second = self._powers(since)
        velocity = self._velocity + self._span * (first @ (self._once @ self._bend))
        offset = since[:, None] * self._velocity + self._span**2 * (
            second @ (self._twice @ self._bend)
        )
        return offset, velocity

    def slopes_at(self, since: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Derivatives of offset and velocity, each (N, 3, 8).

        By the velocity (3) and spin (3) at the beginning, drag and lift.
        """
        first, second = self._powers(since)
        n = len(since)
        velocity = (self._span * (first @ (self._once @ self.rates))).reshape(n, 3, 8)
        offset = (self._span**2 * (second @ (self._twice @ self.rates))).reshape(n, 3, 8)
        velocity[:, (0, 1, 2), (0, 1, 2)] += 1
        offset[:, (0, 1, 2), (0, 1, 2)] += since[:, None]
        return offset, velocity

    def falls_by(self, depth: float) -> float:
        """When the ball is `depth` below its beginning and falling, s; NaN if it never is.

        Newton's method from the end of the span.
        """
        h = self._span
        rise = float(self._velocity[2])
        c = (h * h * (self._twice @ self._bend[:, 2])).tolist()
        s = 1.0
        for _ in range(12):
            value = slope = 0.0
            for k in range(len(c) - 1, -1, -1):
                value = value * s + c[k]
                slope = slope * s + (k + 2) * c[k]
            height = (value * s + h * rise) * s + depth
            slope = slope * s + h * rise
            if not slope < -1e-9:
                return float("nan")
            step = height / slope
            s -= step
            if abs(step) < 1e-9:
                return s * h
        return float("nan")


@dataclass(slots=True, eq=False)
class _Contact:
    """A bounce: its values, and their derivatives by all unknowns (rows)."""

    time: float
    place: np.ndarray  # (3,)
    d_time: np.ndarray  # (P,)
    d_place: np.ndarray  # (3, P)


class Traced:
    """A path traced through its bounces.

    Parameters
    ----------
    theta : ndarray, shape (12 + 3 K,)
        The unknowns, see `placement.trajectory`.
    n_bounces : int
        K.
    slopes : bool
        Whether derivatives are wanted.

    Attributes
    ----------
    contacts : list
        Per bounce: time, place, and derivatives.
    """

    def __init__(self, theta: np.ndarray, n_bounces: int, *, slopes: bool = True) -> None:
        self._slopes = slopes
        t = theta.astype(float, copy=True)
        np.clip(t[3:6], -SPEED_LIMIT, SPEED_LIMIT, out=t[3:6])
        np.clip(t[6:9], -SPIN_LIMIT, SPIN_LIMIT, out=t[6:9])
        np.clip(t[9:12], SHARED_LOW, SHARED_HIGH, out=t[9:12])
        np.clip(t[12::3], *RESTITUTION_LIMITS, out=t[12::3])
        self._theta = t
        p = len(t)
        unit = np.eye(p)
        unit[:, t != theta] = 0.0  # what is held does not move
        self._unit = unit
        self._drag, self._lift = float(t[10]), float(t[11])
        place = np.array([t[1], t[2], _R])
        d_place = np.zeros((3, p))
        d_place[:2] = unit[1:3]
        self.contacts = [_Contact(float(t[0]), place, unit[0], d_place)]
        # velocity, spin, and both their derivatives (6, P), at the beginning of each flight
        self._begins = [(t[3:6], t[6:9], unit[3:9])]
        self._lasts: list[float] = []
        self._flights: dict[int, Flight] = {}
        velocity, spin, slope = self._begins[0]
        for k in range(n_bounces):
            velocity, spin, slope = self._bounced(k, velocity, spin, slope)
            self._begins.append((velocity, spin, slope))
            if k + 1 < n_bounces:
                velocity, spin, slope = self._flown(k, velocity, spin, slope)

    def _bounced(
        self, k: int, velocity: np.ndarray, spin: np.ndarray, slope: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """After a bounce; the derivatives are those of `flight.bounce`."""
        t, unit = self._theta, self._unit
        e, rub_x, rub_y = t[12 + 3 * k : 15 + 3 * k].tolist()
        vx, vy, vz = velocity.tolist()
        wx, wy, wz = spin.tolist()
        friction = float(t[9])
        fall, sign = (vz, 1.0) if vz > 0 else (-vz, -1.0)
        sx, sy = vx - _R * wy, vy + _R * wx
        speed = hypot(sx, sy)
        slip, grip = friction * (1 + e) * fall, _GRIP * speed
        slips = slip < grip
        part = slip / speed if slips else _GRIP
        cx, cy = -sx * part + rub_x, -sy * part + rub_y
        turn = 1 / (flight.SHELL * _R)
        after = np.array([vx + cx, vy + cy, e * fall])
        turned = np.array([wx + cy * turn, wy - cx * turn, wz])
        if not self._slopes:
            return after, turned, slope
        out = slope.copy()
        slide = slope[:2].copy()
        slide[0] -= _R * slope[4]
        slide[1] += _R * slope[3]
        change = -part * slide
        if slips:
            nx, ny = sx / speed, sy / speed
            inward = part * (nx * slide[0] + ny * slide[1])
            inward -= (
                ((1 + e) * fall) * unit[9]
                + (friction * fall) * unit[12 + 3 * k]
                + (friction * (1 + e) * sign) * slope[2]
            )
            change[0] += nx * inward
            change[1] += ny * inward
        change += unit[13 + 3 * k : 15 + 3 * k]
        out[:2] += change
        out[2] = (e * sign) * slope[2] + fall * unit[12 + 3 * k]
        out[3] += turn * change[1]
        out[4] -= turn * change[0]
        return after, turned, out

    def _chain(self, slope: np.ndarray) -> np.ndarray:
        """Derivatives of what `Flight` takes: velocity, spin, drag, lift, shape (8, P)."""
        return np.concatenate([slope, self._unit[10:12]])

    def _flown(
        self, k: int, velocity: np.ndarray, spin: np.ndarray, slope: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """On to the next bounce: adds its contact and returns the state just before it."""
        span = min(_LONGEST_ARC, max(0.02, 2.0 * float(velocity[2]) / flight.GRAVITY))
        since = float("nan")
        for _ in range(3):
            arc = Flight(velocity, spin, self._drag, self._lift, span, slopes=self._slopes)
            since = arc.falls_by(0.0)
            if since <= 1.1 * span or span >= _LONGEST_ARC:
                break
            span = min(_LONGEST_ARC, 1.4 * span)
        landed = 0.0 < since <= _LONGEST_ARC
        if not landed:
            since = _LONGEST_ARC
        self._flights[k + 1] = arc
        at = np.array([since])
        offset, speed = (x[0] for x in arc.at(at))
        here = self.contacts[k]
        place = here.place + offset
        contact = _Contact(here.time + since, place, here.d_time, here.d_place)
        after = slope
        if self._slopes:
            chain = self._chain(slope)
            d_offset, d_speed = (x[0] @ chain for x in arc.slopes_at(at))
            d_place = here.d_place + d_offset
            after = slope.copy()
            after[:3] = d_speed
            if landed:
                later = -d_place[2] / speed[2]
                bend = flight.acceleration(
                    speed[None], spin[None], drag_coefficient=self._drag, lift_scale=self._lift
                )[0]
                contact.d_time = here.d_time + later
                d_place += speed[:, None] * later
                after[:3] += bend[:, None] * later
            contact.d_place = d_place
        self.contacts.append(contact)
        return speed, spin, after

    def at(self, times: np.ndarray) -> tuple[np.ndarray, np.ndarray, list[_Part]]:
        """Positions and velocities at `times` (N,), each (N, 3), and the flights they lie in."""
        starts = [c.time for c in self.contacts]
        owner = np.searchsorted(starts, times, side="right")  # 0 is before the first bounce
        position, velocity = np.empty((len(times), 3)), np.empty((len(times), 3))
        parts = []
        for k in range(len(starts) + 1):
            rows = np.flatnonzero(owner == k)
            if not len(rows):
                continue
            here = self.contacts[max(0, k - 1)]
            since = times[rows] - here.time
            arc = self._flights.get(k)
            if arc is None:
                far = float(since.min() if k == 0 else since.max())
                far = min(far, -1e-3) if k == 0 else max(far, 1e-3)
                speed, spin, _ = self._begins[k]
                arc = Flight(speed, spin, self._drag, self._lift, far, slopes=self._slopes)
            offset, velocity[rows] = arc.at(since)
            position[rows] = here.place + offset
            parts.append(_Part(k, rows, since, arc))
        return position, velocity, parts

    def picture_slopes(
        self, gain: np.ndarray, velocity: np.ndarray, parts: list[_Part]
    ) -> np.ndarray:
        """`gain` (N, 2, 3) times the derivatives of the positions, shape (N, 2, P)."""
        p = len(self._theta)
        out = np.empty((len(gain), 2, p))
        for part in parts:
            here = self.contacts[max(0, part.flight - 1)]
            own = gain[part.rows]
            inner = np.empty((len(own), 2, 12))
            inner[:, :, :3] = own
            inner[:, :, 3:11] = own @ part.arc.slopes_at(part.since)[0]
            inner[:, :, 11] = -(own @ velocity[part.rows, :, None])[:, :, 0]
            chain = np.concatenate(
                [here.d_place, self._chain(self._begins[part.flight][2]), here.d_time[None]]
            )
            out[part.rows] = (inner.reshape(-1, 12) @ chain).reshape(-1, 2, p)
        return out


@dataclass(slots=True, eq=False)
class _Part:
    """The times that lie in one flight: 0 is that before the first bounce, k that after the kth."""

    flight: int
    rows: np.ndarray
    since: np.ndarray
    arc: Flight


def project_with_slopes(camera: Camera, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Image points (N, 2) of table points (N, 3), and their derivatives (N, 2, 3).

    The same model as `Camera.project`: NaN behind the camera.
    """
    p = points @ camera.rotation.T + camera.translation
    z = np.where(p[:, 2] > 1e-6, p[:, 2], np.nan)
    x, y = p[:, 0] / z, p[:, 1] / z
    k1, k2, p1, p2, k3 = camera.distortion.tolist()
    xx, yy, xy = x * x, y * y, x * y
    r2 = xx + yy
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    fx, fy = float(camera.matrix[0, 0]), float(camera.matrix[1, 1])
    seen = np.empty((len(p), 2))
    seen[:, 0] = fx * (x * radial + 2 * p1 * xy + p2 * (r2 + 2 * xx)) + camera.matrix[0, 2]
    seen[:, 1] = fy * (y * radial + p1 * (r2 + 2 * yy) + 2 * p2 * xy) + camera.matrix[1, 2]
    growth = 2 * (k1 + r2 * (2 * k2 + 3 * r2 * k3))
    mixed = growth * xy + 2 * p1 * x + 2 * p2 * y
    ux, vy = (
        radial + growth * xx + 2 * p1 * y + 6 * p2 * x,
        (radial + growth * yy + 6 * p1 * y + 2 * p2 * x),
    )
    inner = np.empty((len(p), 2, 3))
    inner[:, 0, 0], inner[:, 0, 1] = fx * ux / z, fx * mixed / z
    inner[:, 1, 0], inner[:, 1, 1] = fy * mixed / z, fy * vy / z
    inner[:, 0, 2] = -(inner[:, 0, 0] * x + inner[:, 0, 1] * y)
    inner[:, 1, 2] = -(inner[:, 1, 0] * x + inner[:, 1, 1] * y)
    return seen, inner @ camera.rotation
