"""Flight and bounce of a table tennis ball, written apart from the tool's own.

Axes: the table's (x along the length, y across, z up from the surface), SI units, spin in rad/s.
Sources: quadratic drag and the lift of a spinning sphere as in any fluid mechanics text; grip and
slip at the bounce after R. Cross, American Journal of Physics 70:1093 (2002), with the shell's
moment of inertia (2/3) m r^2.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

GRAVITY = 9.80665  # m/s^2, standard gravity
RADIUS = 0.020  # m, Law 2.3.1
MASS = 0.0027  # kg, Law 2.3.2
AREA = np.pi * RADIUS**2  # m^2
SHELL = 2.0 / 3.0  # moment of inertia over m r^2, thin shell

Vector = np.ndarray


@dataclass(frozen=True, slots=True)
class Air:
    """What the air does to the ball; `lift` scales C_L = 1 / (2 + 1/S)."""

    density: float = 1.2041  # kg/m^3, 20 degrees C, 101.325 kPa
    drag: float = 0.45
    lift: float = 0.6  # below the measured range of speeds, so anything from 0 to 1 is believable


@dataclass(frozen=True, slots=True)
class Surface:
    """What the table, or the floor, does to the ball."""

    restitution: float = 0.90
    friction: float = 0.25
    tangential: float = 0.0  # 0 rolls off, 1 is the perfectly rough ball
    softening: float = 0.0  # loss of restitution per m/s of normal speed


@dataclass(frozen=True, slots=True, eq=False)
class Arc:
    """One free flight, sampled closely enough for cubic interpolation to be exact."""

    times: np.ndarray  # (N,), s
    places: np.ndarray  # (N, 3), m
    velocities: np.ndarray  # (N, 3), m/s
    spin: np.ndarray  # (3,), rad/s
    event: str | None  # what ended it


def acceleration(velocity: Vector, spin: Vector, air: Air) -> Vector:
    """Gravity, drag and lift, m/s^2, shape (3,)."""
    speed = float(np.sqrt(velocity @ velocity))
    per_mass = air.density * AREA / (2 * MASS)
    out = -per_mass * air.drag * speed * velocity
    out[2] -= GRAVITY
    w = float(np.sqrt(spin @ spin))
    if air.lift and w > 1e-9 and speed > 1e-9:
        cross = np.array(
            [
                spin[1] * velocity[2] - spin[2] * velocity[1],
                spin[2] * velocity[0] - spin[0] * velocity[2],
                spin[0] * velocity[1] - spin[1] * velocity[0],
            ]
        )
        size = float(np.sqrt(cross @ cross))
        if size > 1e-12:
            ratio = RADIUS * w / speed
            out += per_mass * air.lift * speed**2 / (2 + 1 / ratio) * cross / size
    return out


def bounce(velocity: Vector, spin: Vector, surface: Surface) -> tuple[Vector, Vector]:
    """Velocity and spin just after contact with a level surface.

    The contact point's speed along the surface decides: if friction can stop it within the
    contact the ball grips, otherwise it slips all the way.
    """
    v, w = np.array(velocity, float), np.array(spin, float)
    normal = -v[2]
    e = max(0.3, surface.restitution - surface.softening * max(0.0, normal))
    # contact point is r below the centre: u = v + w x (0, 0, -r)
    u = np.array([v[0] - RADIUS * w[1], v[1] + RADIUS * w[0]])
    size = float(np.hypot(*u))
    stop = (1 + surface.tangential) * size * SHELL / (1 + SHELL)
    slip = surface.friction * (1 + e) * normal
    impulse = min(stop, slip)
    if size > 1e-12:
        du = -impulse * u / size
        v[:2] += du
        # torque r_c x J with r_c = (0, 0, -r): dw = (r J_y, -r J_x) / I
        w[0] += du[1] / (SHELL * RADIUS)
        w[1] -= du[0] / (SHELL * RADIUS)
    v[2] = e * normal
    return v, w


def fly(
    place: Vector,
    velocity: Vector,
    spin: Vector,
    *,
    start: float = 0.0,
    longest: float = 3.0,
    air: Air | None = None,
    events: dict[str, Callable[[np.ndarray], float]] | None = None,
    rtol: float = 1e-9,
    step: float = 0.004,
) -> Arc:
    """Integrate until the first event falls through zero, or for `longest` seconds.

    Parameters
    ----------
    events : dict of str to callable
        Each maps the state (x, y, z, vx, vy, vz) to a number; the arc ends where the number
        changes from positive to negative.
    """
    air = air or Air()
    w = np.asarray(spin, float)
    names = list(events or {})

    def rate(_t: float, s: np.ndarray) -> np.ndarray:
        return np.concatenate([s[3:], acceleration(s[3:], w, air)])

    handlers = []
    for name in names:

        def handler(_t: float, s: np.ndarray, f: Callable = (events or {})[name]) -> float:
            return float(f(s))

        handler.terminal = True  # type: ignore[attr-defined]
        handler.direction = -1  # type: ignore[attr-defined]
        handlers.append(handler)
    state = np.concatenate([place, velocity]).astype(float)
    solved = solve_ivp(
        rate,
        (0.0, longest),
        state,
        method="DOP853",
        rtol=rtol,
        atol=rtol * 1e-2,
        events=handlers or None,
        dense_output=True,
    )
    end = float(solved.t[-1])
    event = None
    if handlers and solved.status == 1:
        event = next(n for n, t in zip(names, solved.t_events, strict=True) if len(t))
    t = np.linspace(0.0, end, max(2, int(np.ceil(end / step)) + 1))
    s = solved.sol(t)
    s[:, -1] = solved.y[:, -1]
    return Arc(start + t, s[:3].T.copy(), s[3:].T.copy(), w, event)
