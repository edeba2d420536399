"""The hall: floor with game lines, walls, ceiling with lamps, surrounds. Colours are linear RGB."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calibration import table

from .textures import hashed, noise, photograph, sample

FLOOR = -table.HEIGHT
Colour = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Box:
    """An upright block: barrier, bench, crate."""

    low: tuple[float, float, float]
    high: tuple[float, float, float]
    colour: Colour
    band: Colour | None = None  # a stripe along the upper third


@dataclass(frozen=True, slots=True)
class Hall:
    """How one hall looks."""

    seed: int = 1
    room: tuple[float, float, float, float] = (-9.0, 8.0, -6.5, 7.5)  # x0, x1, y0, y1
    ceiling: float = 5.2  # m above the table's surface
    floor: str = "wood"  # "wood", "lino", "boards"
    floor_colour: Colour = (0.42, 0.25, 0.12)
    gloss: float = 0.6
    walls: tuple[str, str, str, str] = ("plaster", "brick", "curtain", "panel")  # -x, +x, -y, +y
    wall_colours: tuple[Colour, Colour, Colour, Colour] = (
        (0.5, 0.47, 0.40),
        (0.42, 0.2, 0.13),
        (0.06, 0.12, 0.10),
        (0.45, 0.33, 0.2),
    )
    windows: tuple[int, ...] = ()  # walls with a strip of windows
    lines: bool = True
    posters: int = 5
    boxes: tuple[Box, ...] = ()
    lamp_rows: tuple[int, int] = (3, 4)
    warmth: float = 0.0  # + warmer, - colder light
    even: float = 0.5  # 0 = pools of light, 1 = even
    _cache: dict = field(default_factory=dict, compare=False, hash=False)

    def lamps(self) -> np.ndarray:
        """Centres of the lamps, (N, 2), m."""
        x0, x1, y0, y1 = self.room
        nx, ny = self.lamp_rows
        gx = x0 + (np.arange(nx) + 0.5) * (x1 - x0) / nx
        gy = y0 + (np.arange(ny) + 0.5) * (y1 - y0) / ny
        return np.stack(np.meshgrid(gx, gy, indexing="ij"), -1).reshape(-1, 2)

    def light(self, x: np.ndarray, y: np.ndarray, z: float | np.ndarray = 0.0) -> np.ndarray:
        """Illumination of a level surface, about 1."""
        h2 = np.float32((self.ceiling - np.mean(z)) ** 2)
        total = np.zeros_like(x, dtype=np.float32)
        for lx, ly in self.lamps():
            total += (h2 / ((x - lx) ** 2 + (y - ly) ** 2 + h2)) ** 2
        mean = self._cache.get("mean")
        if mean is None:
            gx, gy = np.meshgrid(np.linspace(-2, 2, 9), np.linspace(-1.5, 1.5, 7))
            mean = self._cache["mean"] = float(
                sum(
                    ((h2 / ((gx - lx) ** 2 + (gy - ly) ** 2 + h2)) ** 2).mean()
                    for lx, ly in self.lamps()
                )
            )
        return np.float32(self.even) + np.float32(1 - self.even) * total / np.float32(mean)

    def trace(self, origin: np.ndarray, rays: np.ndarray) -> np.ndarray:
        """Radiance along rays (N, 3) from `origin` inside the room, (N, 3) float32."""
        return self._trace(np.asarray(origin, np.float32), rays.astype(np.float32), 0)

    def _exit(self, origin: np.ndarray, rays: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Which face of the room a ray leaves by (0..3 walls, 4 floor, 5 ceiling), and how far."""
        x0, x1, y0, y1 = self.room
        low = np.array([x0, y0, FLOOR], np.float32)
        high = np.array([x1, y1, self.ceiling], np.float32)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where(rays > 0, (high - origin) / rays, (low - origin) / rays)
        t = np.where(np.isfinite(t), t, np.float32(1e6))
        axis = np.argmin(t, axis=1)
        near = np.take_along_axis(t, axis[:, None], 1)[:, 0]
        positive = np.take_along_axis(rays, axis[:, None], 1)[:, 0] > 0
        face = np.where(axis < 2, 2 * axis + positive, 4 + positive)
        return face, near

    def _trace(self, origin: np.ndarray, rays: np.ndarray, depth: int) -> np.ndarray:
        face, t = self._exit(origin, rays)
        start = origin if origin.ndim == 2 else origin[None]
        hit = start + rays * t[:, None]
        out = np.zeros((len(rays), 3), np.float32)
        length = t * np.sqrt((rays**2).sum(1))
        for f in range(6):
            m = face == f
            if not m.any():
                continue
            p = hit[m]
            if f == 4:
                out[m] = self._floor(p, rays[m], length[m], depth)
            elif f == 5:
                out[m] = self._roof(p, depth)
            else:
                out[m] = self._wall(f, p, length[m], depth)
        if depth == 0:
            for box in self.boxes:
                self._box(box, origin, rays, t, out)
        return out

    def _floor(self, p: np.ndarray, rays: np.ndarray, far: np.ndarray, depth: int) -> np.ndarray:
        x, y = p[:, 0], p[:, 1]
        base = np.array(self.floor_colour, np.float32)
        down = np.abs(rays[:, 2]) / np.sqrt((rays**2).sum(1))
        fine = np.clip(0.006 / (far * 0.0007 / np.maximum(down, 0.05)), 0, 1)
        if self.floor == "wood":
            width, long = 0.075, 1.3
            row = np.floor(y / width)
            shift = hashed(row) * long
            plank = np.floor((x + shift) / long)
            tone = 1 + 0.22 * (hashed(row, plank) - 0.5)
            grain = sample(noise(self.seed + 1, 0.9), x * 60 + 97 * row, y * 900)
            knots = sample(noise(self.seed + 2, 1.2), x * 30, y * 40)
            tone *= 1 + (0.09 * grain * np.minimum(1, fine * 1.5)) + 0.05 * knots
            gap = np.abs(y / width - row - 0.5) > 0.485
            tone *= 1 - 0.4 * gap * fine
        elif self.floor == "boards":
            row, col = np.floor(y / 0.45), np.floor(x / 0.45)
            strip = np.where((row + col) % 2 == 0, np.floor(y / 0.075), np.floor(x / 0.075))
            tone = 1 + 0.28 * (hashed(strip, row * 3 + col) - 0.5)
            tone *= 1 + 0.08 * sample(noise(self.seed + 1, 0.8), x * 400, y * 400) * fine
        else:
            tone = 1 + 0.10 * sample(noise(self.seed + 3, 0.3), x * 260, y * 260) * fine
            tone += 0.05 * sample(noise(self.seed + 4, 1.4), x * 25, y * 25)
            tone += 0.25 * (sample(photograph("gravel"), x * 500, y * 500) - 1) * fine * 0.5
        dirt = sample(noise(self.seed + 5, 1.5), x * 18, y * 18)
        tone *= 1 + 0.06 * dirt
        colour = base * tone[:, None]
        if self.lines:
            self._paint(x, y, colour, fine)
        light = self.light(x, y, FLOOR)
        for cx, cy in self._cache.get("tables", [(0.0, 0.0)]):
            edge = np.minimum(1.72 - np.abs(x - cx), 1.12 - np.abs(y - cy))
            light = light * (1 - 0.55 * np.clip(edge / 0.7, 0, 1) ** 1.3)
        x0, x1, y0, y1 = self.room
        wall = np.minimum(np.minimum(x - x0, x1 - x), np.minimum(y - y0, y1 - y))
        light = light * (1 - 0.35 * np.exp(-wall / 0.35))
        colour *= light[:, None]
        if depth == 0 and self.gloss > 0:
            mirror = rays * np.array([1, 1, -1], np.float32)
            wob = 0.006 * sample(noise(self.seed + 6, 0.7), x * 90, y * 90)
            mirror[:, 0] += wob * np.abs(mirror[:, 2])
            seen = self._trace(p + np.array([0, 0, 1e-3], np.float32), mirror, 1)
            fresnel = self.gloss * (0.04 + 0.75 * (1 - down) ** 4)
            colour = colour * (1 - fresnel[:, None]) + seen * fresnel[:, None]
        return colour

    def _paint(self, x: np.ndarray, y: np.ndarray, colour: np.ndarray, fine: np.ndarray) -> None:
        rng = np.random.default_rng(self.seed + 50)
        paints = [
            (0.75, 0.75, 0.72),
            (0.55, 0.05, 0.04),
            (0.75, 0.5, 0.03),
            (0.03, 0.12, 0.45),
            (0.03, 0.3, 0.12),
        ]
        wear = 0.9 + 0.1 * np.clip(sample(noise(self.seed + 7, 1.0), x * 50, y * 50), -2, 1)
        for k in range(6):
            paint = np.array(paints[k % len(paints)], np.float32)
            cx, cy = rng.uniform(-4, 4, 2)
            half = 0.025 if k else 0.04
            if k % 3 == 0:
                m = np.abs(np.hypot(x - cx, y - cy) - rng.uniform(1.5, 3.2)) < half
            elif k % 3 == 1:
                m = np.abs(x - cx) < half
                m |= (np.abs(y - cy) < half) & (x > cx)
            else:
                a, b = rng.uniform(2, 5), rng.uniform(1.5, 4)
                dx, dy = np.abs(x - cx), np.abs(y - cy)
                m = ((np.abs(dx - a) < half) & (dy < b + half)) | (
                    (np.abs(dy - b) < half) & (dx < a + half)
                )
            colour[m] = paint * wear[m, None]

    def _roof(self, p: np.ndarray, depth: int) -> np.ndarray:
        x, y = p[:, 0], p[:, 1]
        tone = 0.32 + 0.03 * sample(noise(self.seed + 8, 0.6), x * 60, y * 60)
        tone = tone * (1 - 0.5 * (np.abs(np.mod(x, 1.5) - 0.75) < 0.07))
        out = np.repeat(tone[:, None], 3, 1).astype(np.float32)
        soft = 0.5 if depth else 0.02
        glow = np.array([1 + 0.12 * self.warmth, 1.0, 1 - 0.2 * self.warmth], np.float32)
        for lx, ly in self.lamps():
            inside = np.minimum(0.15 - np.abs(x - lx), 0.75 - np.abs(y - ly))
            out += (7.0 * np.clip(inside / soft + (0.5 if depth else 0), 0, 1))[:, None] * glow
        return out

    def _wall(self, f: int, p: np.ndarray, far: np.ndarray, depth: int) -> np.ndarray:
        s = p[:, 1] if f < 2 else p[:, 0]
        z = p[:, 2] - FLOOR
        high = self.ceiling - FLOOR
        base = np.array(self.wall_colours[f], np.float32)
        kind = self.walls[f]
        k = self.seed * 7 + f
        if kind == "curtain":
            wave = s * 9 + 1.6 * sample(noise(k, 1.3), s * 22, z * 2)
            tone = 0.75 + 0.30 * np.sin(wave) + 0.10 * np.sin(2.7 * wave + 1)
            tone += 0.07 * sample(noise(k + 1, 0.5), s * 300, z * 30)
        elif kind == "brick":
            tone = 0.3 + 0.7 * sample(photograph("brick"), z * 260, s * 260)
            tone *= 1 + 0.08 * sample(noise(k, 1.2), s * 20, z * 20)
        elif kind == "panel":
            board = np.floor(s / 0.16)
            tone = 1 + 0.25 * (hashed(board, k) - 0.5)
            tone *= 1 + 0.10 * sample(noise(k + 1, 0.9), s * 700 + board * 31, z * 45)
            tone *= 1 - 0.6 * (np.abs(s / 0.16 - board - 0.5) > 0.47)
        elif kind == "block":
            row = np.floor(z / 0.2)
            col = np.floor((s + 0.2 * (row % 2)) / 0.4)
            tone = (
                1 + 0.10 * (hashed(row, col) - 0.5) + 0.06 * sample(noise(k, 0.5), s * 200, z * 200)
            )
            joint = (np.abs(z / 0.2 - row - 0.5) > 0.47) | (
                np.abs((s + 0.2 * (row % 2)) / 0.4 - col - 0.5) > 0.485
            )
            tone *= 1 - 0.25 * joint
        else:
            tone = 1 + 0.04 * sample(noise(k, 0.6), s * 150, z * 150)
            tone += 0.06 * sample(noise(k + 1, 1.5), s * 15, z * 15)
        colour = base * tone[:, None]
        if kind in ("plaster", "block"):
            dado = z < 1.35
            colour[dado] *= np.array([0.55, 0.6, 0.7], np.float32)
            colour[np.abs(z - 1.35) < 0.03] *= 0.5
        colour[z < 0.1] *= 0.35
        if depth == 0:
            self._hang(f, s, z, colour)
        rise = 0.62 + 0.45 * np.clip(z / high, 0, 1) + 0.10 * np.sin(s * 1.1 + f)
        rise *= 1 - 0.4 * np.exp(-z / 0.5)
        colour *= rise[:, None].astype(np.float32)
        if f in self.windows:
            pane = np.floor(s / 1.2)
            soft = 0.28 if depth else 0.004
            inner = np.minimum(0.85 - np.abs(z - 3.85), 0.53 - 1.2 * np.abs(s / 1.2 - pane - 0.5))
            share = np.clip(inner / soft + 0.5, 0, 1)[:, None]
            sky = 2.2 + 0.5 * sample(noise(k + 3, 1.4), s * 30, z * 30)
            day = sky[:, None] * np.array([0.85, 0.97, 1.1], np.float32)
            colour = colour * (1 - share) + day * share
        return colour

    def _hang(self, f: int, s: np.ndarray, z: np.ndarray, colour: np.ndarray) -> None:
        rng = np.random.default_rng(self.seed * 11 + f)
        if self.walls[f] == "curtain":
            return
        low, high = self.room[2:] if f < 2 else self.room[:2]
        for _ in range(self.posters):
            c, w, h = rng.uniform(low + 1, high - 1), rng.uniform(0.3, 0.8), rng.uniform(0.35, 0.6)
            zc = rng.uniform(1.7, 2.5)
            tint = rng.uniform(0.05, 0.8, 3).astype(np.float32)
            other = rng.uniform(0.02, 0.9, 3).astype(np.float32)
            pattern = int(rng.integers(1000))
            m = (np.abs(s - c) < w) & (np.abs(z - zc) < h)
            if not m.any():
                continue
            u, v = (s[m] - c) / w, (z[m] - zc) / h
            blob = sample(noise(pattern % 12 + 200, 1.6), u * 90 + 100 * c, v * 90) > 0.4
            text = (
                (np.mod(v * 9, 1) < 0.5)
                & (v < -0.2)
                & (np.abs(u) < 0.8)
                & (sample(noise(3, 0.2), u * 60, np.floor(v * 9) * 17) > -0.3)
            )
            paint = np.where(blob[:, None], other, tint)
            paint[text] = 0.8 if tint.mean() < 0.4 else 0.04
            paint[np.maximum(np.abs(u), np.abs(v)) > 0.97] = 0.75
            colour[m] = paint
        c = rng.uniform(low + 1.5, high - 1.5)  # a door
        m = (np.abs(s - c) < 0.48) & (z < 2.1)
        colour[m] = np.array(rng.uniform(0.08, 0.35, 3), np.float32)
        m = (np.abs(np.abs(s - c) - 0.5) < 0.04) & (z < 2.14)
        colour[m] = 0.5
        c2 = c + 3.0  # wall bars
        m = (np.abs(s - c2) < 1.0) & (z < 2.6) & (np.abs(np.mod(z, 0.14) - 0.07) < 0.02)
        m |= (np.abs(np.mod(s - c2, 0.9)) < 0.05) & (np.abs(s - c2) < 1.0) & (z < 2.6)
        colour[m] = np.array([0.48, 0.3, 0.14], np.float32)

    def _box(
        self, box: Box, origin: np.ndarray, rays: np.ndarray, t: np.ndarray, out: np.ndarray
    ) -> None:
        near, axis, m = hit_box(box.low, box.high, origin, rays)
        m &= near < t
        if not m.any():
            return
        p = origin + rays[m] * near[m, None]
        facing = np.array([0.55, 0.62, 1.0], np.float32)[axis[m]]
        tone = facing * (
            1 + 0.06 * sample(noise(self.seed + 20, 0.9), p[:, 0] * 90 + p[:, 1] * 90, p[:, 2] * 90)
        )
        z = (p[:, 2] - box.low[2]) / (box.high[2] - box.low[2])
        colour = np.array(box.colour, np.float32) * tone[:, None] * (0.65 + 0.35 * z[:, None])
        if box.band is not None:
            m2 = (z > 0.62) & (z < 0.86)
            colour[m2] = np.array(box.band, np.float32) * tone[m2, None]
        out[m] = colour
        t[m] = near[m]


def hit_box(
    low: tuple, high: tuple, origin: np.ndarray, rays: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Distance, axis of the face met and whether met, for rays against an upright box."""
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = np.float32(1.0) / rays
        a = (np.array(low, np.float32) - origin) * inverse
        b = (np.array(high, np.float32) - origin) * inverse
    near_each, far_each = np.minimum(a, b), np.maximum(a, b)
    near = np.nanmax(near_each, axis=1)
    far = np.nanmin(far_each, axis=1)
    return near, np.argmax(near_each, axis=1), (near < far) & (near > 0)
