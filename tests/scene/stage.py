"""Renders what does not move, once per camera place: hall, tables, nets, as float layers."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration import table
from calibration.camera import Camera

from .furniture import LATTICE, NET_END, Table, trace_net, trace_table
from .hall import FLOOR, Hall

HALL_LATTICE = np.column_stack(
    [(np.arange(13) + 0.5) / 13 - 0.5, (np.arange(13) * 8 % 13 + 0.5) / 13 - 0.5]
)


def look(
    eye: tuple[float, float, float],
    at: tuple[float, float, float],
    *,
    focal: float,
    size: tuple[int, int],
    k1: float = 0.0,
    roll: float = 0.0,
) -> Camera:
    """A camera at `eye` looking at `at`; `roll` in rad turns the picture."""
    e = np.array(eye, float)
    forward = np.array(at, float) - e
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    c, s = np.cos(roll), np.sin(roll)
    rotation = np.array([c * right + s * down, -s * right + c * down, forward])
    w, h = size
    matrix = np.array([[focal, 0, (w - 1) / 2], [0, focal, (h - 1) / 2], [0, 0, 1.0]])
    return Camera(
        matrix=matrix,
        distortion=np.array([k1, 0, 0, 0, 0.0]),
        rotation=rotation,
        translation=-rotation @ e,
        size=size,
    )


@dataclass(slots=True, eq=False)
class Layer:
    """A crop of premultiplied linear RGB with its coverage."""

    x: int
    y: int
    colour: np.ndarray  # (h, w, 3)
    cover: np.ndarray  # (h, w)

    def over(self, patch: np.ndarray, x: int, y: int) -> None:
        """Lay this over a patch whose top left pixel is (x, y)."""
        h, w = patch.shape[:2]
        x0, y0 = max(x, self.x), max(y, self.y)
        x1 = min(x + w, self.x + self.cover.shape[1])
        y1 = min(y + h, self.y + self.cover.shape[0])
        if x0 >= x1 or y0 >= y1:
            return
        a = self.cover[y0 - self.y : y1 - self.y, x0 - self.x : x1 - self.x]
        c = self.colour[y0 - self.y : y1 - self.y, x0 - self.x : x1 - self.x]
        p = patch[y0 - y : y1 - y, x0 - x : x1 - x]
        p *= 1 - a[..., None]
        p += c


@dataclass(slots=True, eq=False)
class Stage:
    """All that stands still before one camera."""

    camera: Camera
    hall: Hall
    tables: list[Table]
    floor: np.ndarray  # (H, W, 3) linear RGB
    tops: list[Layer]
    nets: list[Layer]
    rays: np.ndarray  # (H, W, 2) float32 normalised, undistorted


def normalised_map(camera: Camera) -> np.ndarray:
    """Undistorted normalised coordinates of all pixel centres, (H, W, 2) float32."""
    w, h = camera.size
    m = camera.matrix
    x = ((np.arange(w) - m[0, 2]) / m[0, 0])[None, :] * np.ones((h, 1))
    y = ((np.arange(h) - m[1, 2]) / m[1, 1])[:, None] * np.ones((1, w))
    k1 = camera.distortion[0]
    xu, yu = x.copy(), y.copy()
    for _ in range(8 if k1 else 0):
        r = 1 + k1 * (xu * xu + yu * yu)
        xu, yu = x / r, y / r
    return np.stack([xu, yu], -1).astype(np.float32)


def _world(camera: Camera, n: np.ndarray) -> np.ndarray:
    """Directions in table axes for normalised points (N, 2)."""
    r = camera.rotation.astype(np.float32)
    return n[:, :1] * r[0] + n[:, 1:] * r[1] + r[2]


def build_stage(camera: Camera, hall: Hall, tables: list[Table]) -> Stage:
    """Render the layers. The slow part: some tens of seconds for 1920 x 1080."""
    hall._cache["tables"] = [t.place for t in tables]
    rays = normalised_map(camera)
    gu, gv = np.gradient(rays, axis=1), np.gradient(rays, axis=0)
    floor = _render_hall(camera, hall, rays, gu, gv)
    tops, nets = [], []
    for t in tables:
        tops.append(_render_layer(camera, hall, t, rays, gu, gv, net=False))
        nets.append(_render_layer(camera, hall, t, rays, gu, gv, net=True))
    return Stage(camera, hall, tables, floor, tops, nets, rays)


def _render_hall(
    camera: Camera, hall: Hall, rays: np.ndarray, gu: np.ndarray, gv: np.ndarray
) -> np.ndarray:
    h, w = rays.shape[:2]
    eye = camera.centre.astype(np.float32)
    out = np.empty((h, w, 3), np.float32)
    strip = max(1, 400_000 // w)
    for y in range(0, h, strip):
        part = rays[y : y + strip].reshape(-1, 2)
        out[y : y + strip] = hall.trace(eye, _world(camera, part)).reshape(-1, w, 3)
    tone = np.sqrt(np.clip(out, 0, 1.5)).sum(2) / 3
    kernel = np.ones((3, 3), np.uint8)
    contrast = cv2.dilate(tone, kernel) - cv2.erode(tone, kernel)
    limit = max(0.035, float(np.quantile(contrast, 0.82)))
    vs, us = np.nonzero(contrast > limit)
    for k in range(0, len(vs), 40_000):
        v, u = vs[k : k + 40_000], us[k : k + 40_000]
        total = np.zeros((len(v), 3), np.float32)
        for du, dv in HALL_LATTICE.astype(np.float32):
            n = rays[v, u] + du * gu[v, u] + dv * gv[v, u]
            total += np.minimum(hall.trace(eye, _world(camera, n)), 4.0)
        out[v, u] = total / len(HALL_LATTICE)
    return out


def _render_layer(
    camera: Camera,
    hall: Hall,
    t: Table,
    rays: np.ndarray,
    gu: np.ndarray,
    gv: np.ndarray,
    *,
    net: bool,
) -> Layer:
    h, w = rays.shape[:2]
    zs = (-0.08, table.NET_HEIGHT) if net else (FLOOR, 0.0)
    ends = (
        [(a, b) for a in (-0.04, 0.04) for b in (-NET_END, NET_END)]
        if net
        else [(a, b) for a in (-1.38, 1.38) for b in (-0.78, 0.78)]
    )
    corners = t.to_world(np.array([[a, b, z] for a, b in ends for z in zs]))
    px = camera.project(corners)
    if np.isnan(px).any():  # part of it is behind the camera
        front = camera.depths(corners) > 0.2
        if not front.any():
            return Layer(0, 0, np.zeros((0, 0, 3), np.float32), np.zeros((0, 0), np.float32))
        low, high = np.array([0, 0]), np.array([w, h])
    else:
        low, high = np.floor(px.min(0)) - 3, np.ceil(px.max(0)) + 4
    x0, y0 = (int(np.clip(low[0], 0, w)), int(np.clip(low[1], 0, h)))
    x1, y1 = (int(np.clip(high[0], 0, w)), int(np.clip(high[1], 0, h)))
    if x1 <= x0 or y1 <= y0:
        return Layer(0, 0, np.zeros((0, 0, 3), np.float32), np.zeros((0, 0), np.float32))
    eye = t.to_local(camera.centre).astype(np.float32)
    crop = np.s_[y0:y1, x0:x1]
    r, a, b = rays[crop], gu[crop], gv[crop]

    def trace(n: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        d = t.turn_rays(_world(camera, n))
        return trace_net(t, eye, d) if net else trace_table(t, hall, eye, d)

    shape = r.shape[:2]
    flat, fa, fb = r.reshape(-1, 2), a.reshape(-1, 2), b.reshape(-1, 2)
    colour, cover, what = trace(flat)
    rough = np.zeros(len(flat), bool)
    for du, dv in ((-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5)):
        rough |= trace(flat + du * fa + dv * fb)[2] != what
    if net:
        rough |= what != 0  # mesh: everywhere
    else:  # thin lines, that corners of pixels may step over
        for z in (0.0,):
            d = t.turn_rays(_world(camera, flat))
            with np.errstate(divide="ignore", invalid="ignore"):
                s = (z - eye[2]) / d[:, 2]
            x, y = eye[0] + s * d[:, 0], eye[1] + s * d[:, 1]
            gx = np.abs(np.gradient(x.reshape(shape))).sum(0).ravel()
            gy = np.abs(np.gradient(y.reshape(shape))).sum(0).ravel()
            near = (np.abs(x) < 1.4) & (np.abs(y) < 0.8) & (s > 0)
            rough |= near & (np.abs(y) < 0.0015 + gy)
            for edge in (table.HALF_LENGTH, table.HALF_LENGTH - table.EDGE_LINE):
                rough |= near & (np.abs(np.abs(x) - edge) < gx)
            for edge in (table.HALF_WIDTH, table.HALF_WIDTH - table.EDGE_LINE):
                rough |= near & (np.abs(np.abs(y) - edge) < gy)
    idx = np.nonzero(rough)[0]
    for k in range(0, len(idx), 60_000):
        i = idx[k : k + 60_000]
        total = np.zeros((len(i), 3), np.float32)
        share = np.zeros(len(i), np.float32)
        for du, dv in LATTICE.astype(np.float32):
            c, m, _ = trace(flat[i] + du * fa[i] + dv * fb[i])
            total += c
            share += m
        colour[i], cover[i] = total / len(LATTICE), share / len(LATTICE)
    return Layer(x0, y0, colour.reshape(*shape, 3), cover.reshape(shape))
