"""Finds the stroke that makes a wanted serve or return, by shooting.

Canonical frame: the server stands at the negative end. `turn` brings it to the other end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import root

from calibration import table

from .physics import RADIUS, Air, Surface, bounce, fly


def turn(vector: np.ndarray, end: int) -> np.ndarray:
    """Turn by half a revolution about the vertical if the server stands at the positive end."""
    return np.asarray(vector, float) * (
        np.array([1.0, 1.0, 1.0]) if end < 0 else np.array([-1.0, -1.0, 1.0])
    )


@dataclass(frozen=True, slots=True, eq=False)
class Stroke:
    """Velocity and spin just after the bat, canonical frame."""

    velocity: np.ndarray
    spin: np.ndarray
    clearance: float  # m, of the ball's lowest point over the net


def _plane(s: np.ndarray) -> float:
    return float(s[2] - RADIUS)


def bounces_on_endless_table(
    place: np.ndarray, velocity: np.ndarray, spin: np.ndarray, n: int, air: Air, top: Surface
) -> list[tuple[float, np.ndarray, np.ndarray, np.ndarray]]:
    """Time, place, velocity and spin just before each of `n` bounces; no net, no edge."""
    out = []
    now, p, v, w = (
        0.0,
        np.asarray(place, float),
        np.asarray(velocity, float),
        np.asarray(spin, float),
    )
    for _ in range(n):
        arc = fly(
            p, v, w, start=now, longest=4.0, air=air, events={"plane": _plane}, rtol=1e-7, step=1.0
        )
        now, p, v = float(arc.times[-1]), arc.places[-1].copy(), arc.velocities[-1]
        out.append((now, p.copy(), v.copy(), w.copy()))
        p[2] = RADIUS
        v, w = bounce(v, w, top)
    return out


def height_at_net(
    place: np.ndarray, velocity: np.ndarray, spin: np.ndarray, air: Air
) -> tuple[float, float]:
    """Height of the centre and y where the flight crosses x = 0; NaN if it does not."""
    arc = fly(
        place,
        velocity,
        spin,
        longest=3.0,
        air=air,
        rtol=1e-7,
        step=1.0,
        events={"net": lambda s: -s[0], "plane": lambda s: s[2] + 0.5},
    )
    if arc.event != "net":
        return float("nan"), float("nan")
    return float(arc.places[-1, 2]), float(arc.places[-1, 1])


def find_serve(
    contact: np.ndarray,
    spin: np.ndarray,
    *,
    target: tuple[float, float],
    air: Air,
    top: Surface,
    net_height: float | None = None,
    first_bounces: tuple[float, ...] = (-0.95, -0.8, -0.65, -1.05, -0.5, -0.38, -1.15),
    fast: bool = False,
    clearance: tuple[float, float] = (0.015, 0.22),
) -> Stroke:
    """Velocity that bounces once on the own half and then does what is asked.

    With `net_height` the centre crosses the net's plane at that height and at y `target[1]`;
    otherwise the second contact is at `target` on an endless table.
    """
    contact, spin = np.asarray(contact, float), np.asarray(spin, float)
    best: Stroke | None = None
    for x1 in first_bounces:

        def miss(v: np.ndarray, x1: float = x1) -> np.ndarray:
            first = bounces_on_endless_table(contact, v, spin, 1, air, top)[0]
            p, after, w = first[1].copy(), *bounce(first[2], first[3], top)
            p[2] = RADIUS
            if net_height is not None:
                z, y = height_at_net(p, after, w, air)
                if np.isnan(z):
                    z, y = -1.0 + after[0] * 0.1, p[1]
                return np.array([first[1][0] - x1, z - net_height, y - target[1]])
            second = bounces_on_endless_table(p, after, w, 1, air, top)[0][1]
            return np.array([first[1][0] - x1, second[0] - target[0], second[1] - target[1]])

        aim = np.array([target[0], target[1]]) - contact[:2]
        for guess in ((8.0, -2.0), (5.5, -1.0)) if fast else ((3.8, 0.6), (4.8, -0.7), (2.6, 0.6)):
            v0 = np.array([guess[0], guess[0] * aim[1] / max(aim[0], 0.5), guess[1]])
            try:
                found = root(miss, v0, method="hybr", options={"xtol": 1e-5, "maxfev": 60})
            except (ValueError, IndexError):
                continue
            if np.abs(found.fun).max() > 2e-3 or found.x[0] < 0.8:
                continue
            first = bounces_on_endless_table(contact, found.x, spin, 1, air, top)[0]
            p, after, w = first[1].copy(), *bounce(first[2], first[3], top)
            p[2] = RADIUS
            z, _ = height_at_net(p, after, w, air)
            over = z - RADIUS - table.NET_HEIGHT
            stroke = Stroke(found.x, spin, over)
            if net_height is not None or target[0] < 0 or clearance[0] <= over <= clearance[1]:
                return stroke
            if best is None or abs(over - 0.06) < abs(best.clearance - 0.06):
                best = stroke
    if best is None or best.clearance < clearance[0]:
        raise ValueError(
            f"no serve from {contact} reaches {target}; move the target or the contact"
        )
    return best


def find_return(
    place: np.ndarray, spin: np.ndarray, target: tuple[float, float], duration: float, air: Air
) -> np.ndarray:
    """Velocity that flies from `place` to the table at `target` in about `duration` s."""
    place = np.asarray(place, float)

    def miss(v: np.ndarray) -> np.ndarray:
        arc = fly(place, v, spin, longest=duration, air=air, rtol=1e-7, step=1.0)
        return arc.places[-1] - np.array([target[0], target[1], RADIUS])

    level = (np.asarray(target) - place[:2]) / duration * 1.1
    up = (RADIUS - place[2]) / duration + 4.9 * duration
    return root(miss, np.array([*level, up]), options={"xtol": 1e-6}).x
