"""How a table tennis ball flies and bounces.

Positions are table coordinates in m, velocities m/s, spins rad/s as vectors (right-hand rule); a
ball that travels along +x with topspin has a positive y component of spin. All functions take many
balls at once: arrays of shape (B, 3).

Flight: m a = m g - drag - plus a lift normal to spin and velocity (Magnus). Drag is quadratic with
a constant coefficient: serves fly at Reynolds numbers of 8e3 to 3e4, where a smooth sphere's is
about 0.4 to 0.5 (Achenbach, J. Fluid Mech. 54:565, 1972; from memory). Lift follows
C_L = scale / (2 + v / (r w)), the rule of thumb of Cross and Lindsey (from memory); serves lie
below the measured range (Miyazaki et al., Eur. J. Phys. 38:024001, 2017), so its scale is an
uncertain quantity wherever a fit uses it.

Bounce: restitution, and friction that either slips (Coulomb) or grips; a hollow ball has the
moment of inertia (2/3) m r^2 (Garwin, Am. J. Phys. 37:88, 1969; Cross, Am. J. Phys. 70:1093, 2002).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration import table

GRAVITY = 9.80665  # m/s^2, standard gravity (CGPM 1901)
AIR_DENSITY = 1.2041  # kg/m^3, dry air at 20 C and 101.325 kPa
DRAG_COEFFICIENT = 0.45  # sphere, see the module's head
RESTITUTION = 0.90  # ball on table at serve speeds, 0.89 to 0.93 (from memory; cf. Law 2.1.3)
FRICTION = 0.25  # ball on table, sliding, 0.2 to 0.3 (from memory)
SHELL = 2.0 / 3.0  # I / (m r^2) of a thin shell

_AREA = np.pi * table.BALL_RADIUS**2
_FORCE = AIR_DENSITY * _AREA / (2 * table.BALL_MASS)  # 1/m; times C v^2 is an acceleration
_G = np.array([0.0, 0.0, -GRAVITY])


def drag_constant(drag_coefficient: float = DRAG_COEFFICIENT) -> float:
    """The constant k in the drag deceleration k v^2, 1/m."""
    return _FORCE * drag_coefficient


def acceleration(
    velocity: np.ndarray,
    spin: np.ndarray,
    *,
    drag_coefficient: np.ndarray | float = DRAG_COEFFICIENT,
    lift_scale: np.ndarray | float = 1.0,
) -> np.ndarray:
    """Acceleration of a ball in flight, m/s^2, shape (B, 3).

    Parameters
    ----------
    velocity, spin : ndarray, shape (B, 3)
        m/s and rad/s.
    drag_coefficient : float or ndarray, shape (B,)
    lift_scale : float or ndarray, shape (B,)
        Factor on the rule of thumb for the lift coefficient.
    """
    return _Air(np.asarray(spin, dtype=float), drag_coefficient, lift_scale)(
        np.asarray(velocity, dtype=float).T
    ).T


class _Air:
    """Acceleration for given spins: what does not change along a flight is worked out once.

    Components come first here, shape (3, B): sums over them need no loop over balls.
    """

    def __init__(
        self,
        spin: np.ndarray,
        drag_coefficient: np.ndarray | float,
        lift_scale: np.ndarray | float,
    ) -> None:
        self._drag = -_FORCE * np.asarray(drag_coefficient)
        x, y, z = spin.T
        # |lift| = F C_L v^2 along spin x velocity; C_L v^2 / (w v) = scale r v / (2 r w + v)
        self._twice = 2 * table.BALL_RADIUS * np.sqrt(x * x + y * y + z * z) + 1e-9
        scale = _FORCE * table.BALL_RADIUS * np.asarray(lift_scale)
        self._x, self._y, self._z = x * scale, y * scale, z * scale

    def __call__(self, velocity: np.ndarray) -> np.ndarray:
        x, y, z = velocity
        speed = np.sqrt(x * x + y * y + z * z)
        share = speed / (self._twice + speed)
        out = (self._drag * speed) * velocity
        out[0] += share * (self._y * z - self._z * y)
        out[1] += share * (self._z * x - self._x * z)
        out[2] += share * (self._x * y - self._y * x) - GRAVITY
        return np.asarray(out)


@dataclass(frozen=True, slots=True, eq=False)
class Arc:
    """Flights between two contacts, as states at evenly spaced times.

    Between nodes a position is the quintic that agrees with position, velocity and acceleration
    at both ends: good to about 1e-6 m.

    Attributes
    ----------
    step : float
        s between nodes; negative for a flight traced backwards.
    position, velocity, acceleration : ndarray, shape (N, B, 3)
    """

    step: float
    position: np.ndarray
    velocity: np.ndarray
    acceleration: np.ndarray

    def at(self, since: np.ndarray) -> np.ndarray:
        """Positions at times `since` the first node, shape (B, M) -> (B, M, 3)."""
        c, s = self._quintic(since)
        return np.asarray(c[0] + s * (c[1] + s * (c[2] + s * (c[3] + s * (c[4] + s * c[5])))))

    def velocity_at(self, since: np.ndarray) -> np.ndarray:
        """Velocities at times `since` the first node, shape (B, M) -> (B, M, 3)."""
        c, s = self._quintic(since)
        slope = c[1] + s * (2 * c[2] + s * (3 * c[3] + s * (4 * c[4] + s * (5 * c[5]))))
        return np.asarray(slope / self.step)

    def _coefficients(self, node: np.ndarray, balls: np.ndarray) -> tuple[np.ndarray, ...]:
        """Of the quintic in s = 0 .. 1 after each node."""
        h = self.step
        p0, p1 = self.position[node, balls], self.position[node + 1, balls]
        v0, v1 = h * self.velocity[node, balls], h * self.velocity[node + 1, balls]
        a0, a1 = h * h * self.acceleration[node, balls], h * h * self.acceleration[node + 1, balls]
        gap = p1 - p0 - v0 - a0 / 2
        turn = v1 - v0 - a0
        bend = a1 - a0
        return (
            p0,
            v0,
            a0 / 2,
            10 * gap - 4 * turn + bend / 2,
            -15 * gap + 7 * turn - bend,
            6 * gap - 3 * turn + bend / 2,
        )

    def _quintic(self, since: np.ndarray) -> tuple[tuple[np.ndarray, ...], np.ndarray]:
        s = np.asarray(since) / self.step
        node = np.clip(np.floor(s), 0, len(self.position) - 2).astype(int)
        balls = np.arange(self.position.shape[1])[:, None]
        return self._coefficients(node, balls), (s - node)[..., None]

    def falls_to(self, height: float) -> np.ndarray:
        """When each ball first falls through `height`, s after the first node, shape (B,).

        NaN where it does not.

        The first node itself may lie on the height, as it does after a bounce.
        """
        z = self.position[:, :, 2]
        below = (z[1:] < height) & (self.velocity[1:, :, 2] < 0)
        found = below.any(axis=0)
        node = np.argmax(below, axis=0)
        balls = np.arange(z.shape[1])
        c = [k[:, 2] for k in self._coefficients(node, balls)]
        # Newton from the end of the step, where the ball surely falls; others stay there
        s = np.ones(len(balls))
        for _ in range(7):
            value = c[0] + s * (c[1] + s * (c[2] + s * (c[3] + s * (c[4] + s * c[5])))) - height
            slope = c[1] + s * (2 * c[2] + s * (3 * c[3] + s * (4 * c[4] + s * (5 * c[5]))))
            step = np.where(found, value / np.where(slope < -1e-9, slope, -1e-9), 0.0)
            s = s - step
            if np.abs(step).max(initial=0.0) < 1e-11:
                break
        return np.where(found, (node + s) * self.step, np.nan)


def fly(
    position: np.ndarray,
    velocity: np.ndarray,
    spin: np.ndarray,
    duration: float,
    *,
    drag_coefficient: np.ndarray | float = DRAG_COEFFICIENT,
    lift_scale: np.ndarray | float = 1.0,
    step: float = 0.1,
) -> Arc:
    """Trace flights by the classical Runge-Kutta method.

    Parameters
    ----------
    position, velocity, spin : ndarray, shape (B, 3)
    duration : float
        s; negative traces backwards in time.
    drag_coefficient, lift_scale
        See `acceleration`.
    step : float
        Longest step, s. At 100 ms the error over a serve is about 1e-5 m.
    """
    n = max(1, int(np.ceil(abs(duration) / step - 1e-9)))
    h = duration / n if duration else step
    p = np.array(np.transpose(position), dtype=float, order="C")
    v = np.array(np.transpose(velocity), dtype=float, order="C")
    force = _Air(np.asarray(spin, dtype=float), drag_coefficient, lift_scale)
    k1 = force(v)
    half, sixth = h / 2, h / 6
    states = [(p, v, k1)]
    for _ in range(n):
        v2 = v + half * k1
        k2 = force(v2)
        v3 = v + half * k2
        k3 = force(v3)
        v4 = v + h * k3
        p = p + sixth * (v + v4 + 2 * (v2 + v3))
        v = v + sixth * (k1 + force(v4) + 2 * (k2 + k3))
        k1 = force(v)
        states.append((p, v, k1))
    nodes = np.array(states).transpose(1, 0, 3, 2)  # (3, N, B, 3)
    return Arc(h, nodes[0], nodes[1], nodes[2])


def bounce(
    velocity: np.ndarray,
    spin: np.ndarray,
    *,
    restitution: np.ndarray | float = RESTITUTION,
    friction: np.ndarray | float = FRICTION,
    grip_return: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Velocity and spin after a bounce on the table, shapes (B, 3).

    Parameters
    ----------
    velocity, spin : ndarray, shape (B, 3)
        Just before; the ball falls (negative z).
    restitution, friction : float or ndarray, shape (B,)
    grip_return : float
        Share of tangential speed given back when the ball grips: 0 rolls off, 1 is Garwin's
        perfectly rough ball.

    Notes
    -----
    Horizontal velocity + SHELL r (spin turned into the plane) is unchanged in every case: the
    contact exerts no torque about itself.
    """
    r = table.BALL_RADIUS
    fall = np.abs(velocity[:, 2])
    slide = velocity[:, :2] + r * np.column_stack([-spin[:, 1], spin[:, 0]])
    speed = np.hypot(slide[:, 0], slide[:, 1])
    slip = friction * (1 + restitution) * fall
    grip = (1 + grip_return) * speed * SHELL / (1 + SHELL)
    change = -slide * (np.minimum(slip, grip) / np.maximum(speed, 1e-12))[:, None]
    after = np.column_stack([velocity[:, :2] + change, restitution * fall])
    turned = spin.astype(float, copy=True)
    turned[:, 0] += change[:, 1] / (SHELL * r)
    turned[:, 1] -= change[:, 0] / (SHELL * r)
    return after, turned
