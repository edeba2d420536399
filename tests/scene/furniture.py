"""The table and its net as layers: premultiplied linear RGB and coverage, exact at the edges.

The table's top, apron and legs are one layer, the net and its posts another, so that people and
balls can be put between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration import table

from .hall import FLOOR, Hall, hit_box
from .textures import noise, sample

#: Where within a pixel light is gathered: 34 points, no two in one row or column (a Fibonacci
#: lattice), so that an edge at any angle is placed to about a hundredth of a pixel.
LATTICE = np.column_stack(
    [(np.arange(34) + 0.5) / 34 - 0.5, (np.arange(34) * 21 % 34 + 0.5) / 34 - 0.5]
)


@dataclass(frozen=True, slots=True)
class Table:
    """One table; the first in a scene stands at the origin, unturned."""

    colour: tuple[float, float, float] = (0.02, 0.08, 0.32)
    place: tuple[float, float] = (0.0, 0.0)
    turned: float = 0.0  # rad
    seed: int = 0
    net_colour: tuple[float, float, float] = (0.015, 0.015, 0.02)
    line: float = 0.72
    sheen: float = 0.05
    wear: float = 1.0

    def to_local(self, points: np.ndarray) -> np.ndarray:
        """Into the table's own axes."""
        c, s = np.cos(self.turned), np.sin(self.turned)
        out = np.array(points, np.float32)
        x, y = points[..., 0] - self.place[0], points[..., 1] - self.place[1]
        out[..., 0], out[..., 1] = c * x + s * y, -s * x + c * y
        return out

    def to_world(self, points: np.ndarray) -> np.ndarray:
        """Out of the table's own axes."""
        c, s = np.cos(self.turned), np.sin(self.turned)
        p = np.asarray(points, float)
        out = p.copy()
        out[..., 0] = c * p[..., 0] - s * p[..., 1] + self.place[0]
        out[..., 1] = s * p[..., 0] + c * p[..., 1] + self.place[1]
        return out

    def turn_rays(self, rays: np.ndarray) -> np.ndarray:
        """Directions into the table's own axes."""
        c, s = np.float32(np.cos(self.turned)), np.float32(np.sin(self.turned))
        out = rays.astype(np.float32)
        x, y = rays[..., 0].astype(np.float32), rays[..., 1].astype(np.float32)
        out[..., 0], out[..., 1] = c * x + s * y, c * y - s * x
        return out


L, W = table.HALF_LENGTH, table.HALF_WIDTH
_LEGS = [
    ((sx * 1.05 - 0.03, sy * 0.6 - 0.03, FLOOR), (sx * 1.05 + 0.03, sy * 0.6 + 0.03, -0.045))
    for sx in (-1, 1)
    for sy in (-1, 1)
]
_BARS = [((sx * 1.05 - 0.02, -0.6, -0.6), (sx * 1.05 + 0.02, 0.6, -0.56)) for sx in (-1, 1)] + [
    ((-1.05, sy * 0.6 - 0.015, -0.14), (1.05, sy * 0.6 + 0.015, -0.1)) for sy in (-1, 1)
]
BLOCKS = [
    ((-L, -W, -0.025), (L, W, -1e-6)),
    ((-L + 0.06, -W + 0.05, -0.075), (L - 0.06, W - 0.05, -0.025)),
]
BLOCKS += _LEGS + _BARS
NET_END = table.NET_SPAN / 2


def top_colour(t: Table, hall: Hall, p: np.ndarray, rays: np.ndarray) -> np.ndarray:
    """Radiance of the playing surface at local points (N, 3)."""
    x, y = p[:, 0], p[:, 1]
    base = np.array(t.colour, np.float32)
    tone = 1 + 0.05 * sample(noise(t.seed + 30, 0.2), x * 700, y * 700)
    tone += t.wear * 0.05 * sample(noise(t.seed + 31, 1.4), x * 60, y * 60)
    scuff = sample(noise(t.seed + 32, 0.8), x * 70 + y * 25, y * 90 - x * 30)
    tone += t.wear * 0.35 * np.clip(scuff - 2.3, 0, 1)
    colour = base * tone[:, None]
    m = (np.abs(x) > L - table.EDGE_LINE) | (np.abs(y) > W - table.EDGE_LINE)
    m |= np.abs(y) < table.CENTRE_LINE / 2
    white = t.line * (1 + 0.04 * sample(noise(t.seed + 33, 1.0), x * 120, y * 120))
    colour[m] = (white[:, None] * np.array([1.0, 1.0, 0.98], np.float32))[m]
    world = t.to_world(p)
    light = hall.light(world[:, 0].astype(np.float32), world[:, 1].astype(np.float32))
    light = light * (1 - 0.35 * np.exp(-np.abs(x) / 0.05) - 0.10 * np.exp(-np.abs(x) / 0.25))
    colour *= light[:, None]
    down = np.abs(rays[:, 2]) / np.sqrt((rays**2).sum(1))
    sheen = t.sheen * (1 - down) ** 3 * (1.2 + 0.4 * np.sin(x * 1.3 + y * 0.7))
    return colour + sheen[:, None].astype(np.float32)


def trace_table(
    t: Table, hall: Hall, origin: np.ndarray, rays: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Colour, coverage (0 or 1) and a number for what was met, along local rays."""
    n = len(rays)
    out, what = np.zeros((n, 3), np.float32), np.zeros(n, np.int16)
    nearest = np.full(n, 1e6, np.float32)
    with np.errstate(divide="ignore", invalid="ignore"):
        t_top = -origin[2] / rays[:, 2]
    p = origin + rays * t_top[:, None]
    m = (t_top > 0) & (np.abs(p[:, 0]) <= L) & (np.abs(p[:, 1]) <= W)
    out[m] = top_colour(t, hall, p[m], rays[m])
    what[m], nearest[m] = 1, t_top[m]
    line = m & ((np.abs(p[:, 0]) > L - 0.02) | (np.abs(p[:, 1]) > W - 0.02))
    what[line] = 2
    for k, (low, high) in enumerate(BLOCKS):
        near, axis, m = hit_box(low, high, origin, rays)
        m &= near < nearest
        if not m.any():
            continue
        facing = np.array([0.75, 0.9, 1.2], np.float32)[axis[m]]
        if k == 0:
            shade = np.array([0.05, 0.05, 0.055], np.float32)
        elif k == 1:
            shade = np.array([0.012, 0.013, 0.02], np.float32)
        else:
            shade = np.array([0.05, 0.055, 0.06], np.float32)
        z = (origin[2] + rays[m, 2] * near[m] - FLOOR) / table.HEIGHT
        dark = 1.0 if k < 2 else (1.1 - 0.75 * z)
        out[m] = shade * (facing * dark)[:, None]
        what[m], nearest[m] = 3 + 3 * k + axis[m], near[m]
    return out, (what > 0).astype(np.float32), what


def trace_net(
    t: Table, origin: np.ndarray, rays: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """As `trace_table`, for the net and its posts."""
    n = len(rays)
    out, what = np.zeros((n, 3), np.float32), np.zeros(n, np.int16)
    with np.errstate(divide="ignore", invalid="ignore"):
        far = -origin[0] / rays[:, 0]
    y, z = origin[1] + rays[:, 1] * far, origin[2] + rays[:, 2] * far
    inside = (far > 0) & (np.abs(y) < NET_END) & (z > 0.004) & (z < table.NET_HEIGHT)
    tape = inside & (z > table.NET_HEIGHT - 0.014)
    foot = inside & (z < 0.012)
    pitch = 0.0125
    cord = 0.0011
    mesh = inside & (
        (np.abs(np.mod(y, pitch) - pitch / 2) > pitch / 2 - cord)
        | (np.abs(np.mod(z, pitch) - pitch / 2) > pitch / 2 - cord)
    )
    out[mesh | foot] = np.array(t.net_colour, np.float32)
    what[inside], what[mesh | foot] = -1, 1
    stitch = 1 + 0.06 * np.sin(y[tape] * 900)
    out[tape] = (0.62 * stitch)[:, None]
    what[tape] = 2
    for k, side in enumerate((-1, 1)):
        for j, (low, high) in enumerate(
            (
                (
                    (-0.012, side * NET_END - (0.025 if side > 0 else 0), -0.06),
                    (0.012, side * NET_END + (0 if side > 0 else 0.025), table.NET_HEIGHT),
                ),
                (
                    (-0.03, side * W - (0.04 if side > 0 else 0.16), -0.06),
                    (0.03, side * W + (0.16 if side > 0 else 0.04), -0.026),
                ),
            )
        ):
            _, axis, m = hit_box(low, high, origin, rays)
            out[m] = (
                np.array([0.06, 0.06, 0.065], np.float32) * np.array([1.0, 0.8, 2.0])[axis[m], None]
            )
            what[m] = 3 + 4 * k + 2 * j
    return out, (what > 0).astype(np.float32), what
