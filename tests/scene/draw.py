"""Draws people, balls and shadows into patches of linear light."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.camera import Camera

from .people import Blade, Limb
from .physics import RADIUS
from .textures import SIZE, noise

LAMP = np.array([0.15, -0.1, 1.0]) / np.linalg.norm([0.15, -0.1, 1.0])


@dataclass(slots=True, eq=False)
class Patch:
    """A rectangle of the frame: linear RGB, its place, and depth of what was drawn last."""

    x: int
    y: int
    colour: np.ndarray  # (h, w, 3) float32

    @property
    def box(self) -> tuple[int, int, int, int]:
        """x0, y0, x1, y1."""
        h, w = self.colour.shape[:2]
        return self.x, self.y, self.x + w, self.y + h


def _window(
    patch: Patch, box: tuple[float, float, float, float]
) -> tuple[int, int, int, int] | None:
    x0, y0 = max(0, int(np.floor(box[0])) - patch.x), max(0, int(np.floor(box[1])) - patch.y)
    x1 = min(patch.colour.shape[1], int(np.ceil(box[2])) + 1 - patch.x)
    y1 = min(patch.colour.shape[0], int(np.ceil(box[3])) + 1 - patch.y)
    return (x0, y0, x1, y1) if x0 < x1 and y0 < y1 else None


def limbs_box(
    camera: Camera, parts: list[Limb | Blade]
) -> tuple[float, float, float, float] | None:
    """Bounding box in px of a person's parts; None if out of sight."""
    points, radii = [], []
    for p in parts:
        if isinstance(p, Limb):
            points += [p.a, p.b]
            radii += [p.ra, p.rb]
        else:
            points.append(p.centre)
            radii.append(p.radius)
    depth = camera.depths(np.array(points))
    ok = depth > 0.25
    if not ok.any():
        return None
    px = camera.project(np.array(points)[ok])
    r = np.array(radii)[ok] * camera.matrix[0, 0] / depth[ok] + 2
    low, high = (px - r[:, None]).min(0), (px + r[:, None]).max(0)
    w, h = camera.size
    if high[0] < 0 or high[1] < 0 or low[0] > w or low[1] > h:
        return None
    return max(low[0], 0), max(low[1], 0), min(high[0], w - 1), min(high[1], h - 1)


def draw_people(
    patch: Patch, camera: Camera, parts: list[Limb | Blade], light: float, zbuf: np.ndarray
) -> None:
    """Draw people's parts; those who fill much of the picture at half size, softly enlarged.

    Nobody measures a shirt to a fraction of a pixel, and near people are out of focus anyway.
    """
    depth = camera.depths(np.array([p.centre if isinstance(p, Blade) else p.a for p in parts]))
    if camera.matrix[0, 0] * 0.1 / max(float(np.median(depth)), 0.3) < 24:
        draw_parts(patch, camera, parts, light, zbuf)
        return
    box = limbs_box(camera, parts)
    win = None if box is None else _window(patch, (box[0] - 4, box[1] - 4, box[2] + 4, box[3] + 4))
    if win is None:
        return
    x0, y0 = win[0] // 2 * 2, win[1] // 2 * 2
    x1, y1 = (win[2] + 1) // 2 * 2, (win[3] + 1) // 2 * 2
    x1, y1 = min(x1, patch.colour.shape[1]), min(y1, patch.colour.shape[0])
    matrix = camera.matrix.copy()
    matrix[:2] *= 0.5
    matrix[:2, 2] -= 0.25  # the middle of a 2 x 2 block is half a pixel on
    small = replace(camera, matrix=matrix, size=(camera.size[0] // 2, camera.size[1] // 2))
    shape = ((y1 - y0) // 2, (x1 - x0) // 2)
    layer = Patch((patch.x + x0) // 2, (patch.y + y0) // 2, np.zeros((*shape, 4), np.float32))
    z = np.ascontiguousarray(zbuf[y0:y1:2, x0:x1:2][: shape[0], : shape[1]])
    draw_parts(layer, small, parts, light, z)
    size = (shape[1] * 2, shape[0] * 2)
    big = cv2.resize(layer.colour, size, interpolation=cv2.INTER_LINEAR)
    area = np.s_[y0 : y0 + size[1], x0 : x0 + size[0]]
    c = patch.colour[area]
    c *= 1 - big[..., 3:]
    c += big[..., :3]
    deep = cv2.resize(z, size, interpolation=cv2.INTER_NEAREST)
    np.copyto(zbuf[area], deep, where=big[..., 3] > 0.5)


def draw_parts(
    patch: Patch, camera: Camera, parts: list[Limb | Blade], light: float, zbuf: np.ndarray
) -> None:
    """Draw limbs far to near, with a depth buffer so that they grow into one another."""
    lamp = (camera.rotation @ LAMP).astype(np.float32)
    if not parts:
        return
    a = np.array([p.a if isinstance(p, Limb) else p.centre for p in parts])
    b = np.array([p.b if isinstance(p, Limb) else p.centre for p in parts])
    da, db = camera.depths(a), camera.depths(b)
    pa, pb = camera.project(a), camera.project(b)
    order = np.argsort(-(da + db))
    focal = camera.matrix[0, 0]
    for i in order:
        p = parts[i]
        if min(da[i], db[i]) < 0.3:
            continue
        if isinstance(p, Blade):
            _blade(patch, camera, p, light, zbuf, da[i])
        else:
            _limb(
                patch,
                p,
                pa[i],
                pb[i],
                focal * p.ra / da[i],
                focal * p.rb / db[i],
                da[i],
                db[i],
                lamp,
                light,
                zbuf,
            )


def _limb(
    patch: Patch,
    p: Limb,
    a: np.ndarray,
    b: np.ndarray,
    ra: float,
    rb: float,
    da: float,
    db: float,
    lamp: np.ndarray,
    light: float,
    zbuf: np.ndarray,
) -> None:
    r = max(ra, rb) + 1.5
    win = _window(
        patch, (min(a[0], b[0]) - r, min(a[1], b[1]) - r, max(a[0], b[0]) + r, max(a[1], b[1]) + r)
    )
    if win is None:
        return
    x0, y0, x1, y1 = win
    u = np.arange(x0, x1, dtype=np.float32)[None] + np.float32(patch.x - a[0])
    v = np.arange(y0, y1, dtype=np.float32)[:, None] + np.float32(patch.y - a[1])
    d = (b - a).astype(np.float32)
    n2 = float(d @ d)
    if n2 < 1e-6:
        t = np.zeros((y1 - y0, x1 - x0), np.float32)
    else:
        t = np.clip(u * (d[0] / n2) + v * (d[1] / n2), 0, 1)
    radius = np.float32(ra) + t * np.float32(rb - ra)
    ex, ey = u - t * d[0], v - t * d[1]
    cover = np.sqrt(ex * ex + ey * ey)
    cover = np.clip(radius - cover + 0.5, 0, 1)
    inv = 1 / radius
    nx, ny = ex * inv, ey * inv
    nz = np.sqrt(np.maximum(0.0, 1 - nx * nx - ny * ny))
    real = p.ra + (p.rb - p.ra) * t
    z = np.float32(da) + t * np.float32(db - da) - nz * real
    zb = zbuf[y0:y1, x0:x1]
    cover *= z < zb + 0.004
    if not cover.any():
        return
    lit = nx * lamp[0] + ny * lamp[1] - nz * lamp[2]
    shade = 0.34 + 0.26 * nz + 0.62 * np.maximum(lit, -0.1)
    if p.cloth and ra + rb > 10:
        tile = noise(70 + p.seed % 5, 1.25)
        scale = np.float32(0.9 * SIZE / 200 / max(ra, rb) * 30)
        iu = (np.abs(ex * scale + 40 * p.seed)).astype(np.int32) % SIZE
        iv = (np.abs(t * np.float32(np.sqrt(n2)) * scale + ey * scale)).astype(np.int32) % SIZE
        shade = shade * (1 + 0.10 * p.cloth * tile[iv, iu])
    colour = (np.float32(light) * shade)[..., None] * p.colour.astype(np.float32)
    if p.stripe is not None:
        m = (t > 0.55) & (t < 0.68)
        colour[m] = (np.float32(light) * shade[m])[:, None] * p.stripe.astype(np.float32)
    c = patch.colour[y0:y1, x0:x1]
    c *= 1 - cover[..., None]
    c[..., :3] += cover[..., None] * colour
    if c.shape[2] == 4:
        c[..., 3] += cover
    np.copyto(zb, np.minimum(zb, z), where=cover > 0.5)


def _blade(
    patch: Patch, camera: Camera, p: Blade, light: float, zbuf: np.ndarray, depth: float
) -> None:
    e1 = np.cross(p.normal, [0.3, 0.2, 1.0])
    e1 /= np.linalg.norm(e1)
    e2 = np.cross(p.normal, e1)
    angle = np.linspace(0, 2 * np.pi, 28, endpoint=False)
    ring = p.centre + p.radius * (np.cos(angle)[:, None] * e1 + 0.97 * np.sin(angle)[:, None] * e2)
    px = camera.project(ring)
    if np.isnan(px).any():
        return
    win = _window(patch, (*(px.min(0) - 2), *(px.max(0) + 2)))
    if win is None:
        return
    x0, y0, x1, y1 = win
    mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
    points = np.round((px - [patch.x + x0, patch.y + y0]) * 256).astype(np.int32)
    cv2.fillConvexPoly(mask, points, 255, cv2.LINE_AA, 8)
    cover = mask.astype(np.float32) / 255
    zb = zbuf[y0:y1, x0:x1]
    cover *= depth - 0.02 < zb
    facing = 0.5 + 0.5 * abs(float(p.normal @ LAMP))
    # one rubber is black by the laws: show it when the blade is seen from its back
    back = float((p.centre - camera.centre) @ p.normal) > 0
    colour = np.array([0.012, 0.012, 0.013]) if back else p.colour
    c = patch.colour[y0:y1, x0:x1]
    c *= 1 - cover[..., None]
    c[..., :3] += cover[..., None] * (light * facing * colour).astype(np.float32)
    if c.shape[2] == 4:
        c[..., 3] += cover
    np.copyto(zb, np.float32(depth), where=cover > 0.5)


def ball_box(camera: Camera, places: np.ndarray) -> tuple[float, float, float, float] | None:
    """Bounding box in px of the ball at several places (N, 3)."""
    depth = camera.depths(places)
    if depth.min() < 0.2:
        return None
    px = camera.project(places)
    r = camera.matrix[0, 0] * RADIUS / depth.min() * 1.1 + 2
    box = (px[:, 0].min() - r, px[:, 1].min() - r, px[:, 0].max() + r, px[:, 1].max() + r)
    w, h = camera.size
    if box[2] < 0 or box[3] < 0 or box[0] > w - 1 or box[1] > h - 1:
        return None
    return max(box[0], 0), max(box[1], 0), min(box[2], w - 1), min(box[3], h - 1)


def draw_ball(
    patch: Patch,
    camera: Camera,
    rays: np.ndarray,
    places: np.ndarray,
    colour: np.ndarray,
    light: float,
    *,
    shaded: bool = True,
    under: float = 0.25,
    blocked: np.ndarray | None = None,
) -> None:
    """Draw the ball at each of `places` (N, 3), each for an equal part of the exposure.

    Every pixel's ray is cut with the sphere, so the outline has its true perspective; `blocked`
    (h, w of the patch) is the share of each pixel hidden by what is nearer.
    """
    box = ball_box(camera, places)
    if box is None:
        return
    win = _window(patch, box)
    if win is None:
        return
    x0, y0, x1, y1 = win
    ray = rays[patch.y + y0 : patch.y + y1, patch.x + x0 : patch.x + x1].astype(np.float64)
    d = np.concatenate([ray, np.ones((*ray.shape[:2], 1))], -1)
    d /= np.sqrt((d**2).sum(-1, keepdims=True))
    total = np.zeros((*ray.shape[:2], 3))
    share = np.zeros(ray.shape[:2])
    lamp = camera.rotation @ LAMP
    up = camera.rotation @ np.array([0.0, 0.0, 1.0])
    for place in places:
        c = camera.rotation @ place + camera.translation
        along = d @ c
        off = d * along[..., None] - c
        miss = np.sqrt((off**2).sum(-1))
        pixel = c[2] / camera.matrix[0, 0]
        cover = np.clip((RADIUS - miss) / pixel + 0.5, 0, 1)
        if shaded:
            deep = np.sqrt(np.maximum(0.0, RADIUS**2 - miss**2))
            normal = (off - d * deep[..., None]) / RADIUS
            lit = np.maximum(0.0, normal @ lamp)
            sky = 0.5 + 0.5 * (normal @ up)
            shade = 0.62 * lit + (1 - under) * 0.40 * sky + under * (1 - sky) * 0.9 + 0.12
        else:
            shade = np.ones_like(miss)
        total += (cover * shade)[..., None] * colour
        share += cover
    total *= light / len(places)
    share /= len(places)
    if blocked is not None:
        free = 1 - blocked[y0:y1, x0:x1]
        total *= free[..., None]
        share *= free
    p = patch.colour[y0:y1, x0:x1]
    p *= (1 - share[..., None]).astype(np.float32)
    p += total.astype(np.float32)


def ball_shadow(
    patch: Patch,
    camera: Camera,
    rays: np.ndarray,
    place: np.ndarray,
    plane: float,
    strength: float,
    shift: tuple[float, float] = (0.0, 0.0),
    bounds: tuple[float, float] | None = None,
) -> None:
    """Darken the plane z = `plane` under the ball; softer the higher the ball is."""
    height = place[2] - plane
    if height < 0 or height > 1.5:
        return
    spread = RADIUS * 0.55 + 0.10 * height
    peak = strength * min(1.0, (RADIUS / (spread * 1.9)) ** 2 * 3.2)
    if peak < 0.01:
        return
    foot = np.array([place[0] + shift[0] * height, place[1] + shift[1] * height, plane])
    reach = 2.6 * spread
    ring = foot + reach * np.array([[1, 1, 0], [1, -1, 0], [-1, 1, 0], [-1, -1, 0]])
    if camera.depths(ring).min() < 0.2:
        return
    px = camera.project(ring)
    win = _window(patch, (*(px.min(0) - 1), *(px.max(0) + 1)))
    if win is None:
        return
    x0, y0, x1, y1 = win
    ray = rays[patch.y + y0 : patch.y + y1, patch.x + x0 : patch.x + x1]
    r = camera.rotation.astype(np.float32)
    world = ray[..., :1] * r[0] + ray[..., 1:] * r[1] + r[2]
    eye = camera.centre
    t = (plane - eye[2]) / world[..., 2]
    x, y = eye[0] + t * world[..., 0], eye[1] + t * world[..., 1]
    dark = peak * np.exp(-((x - foot[0]) ** 2 + (y - foot[1]) ** 2) / (2 * spread**2))
    dark = np.where(t > 0, dark, 0.0)
    if bounds is not None:
        dark *= (np.abs(x) < bounds[0]) & (np.abs(y) < bounds[1])
    patch.colour[y0:y1, x0:x1] *= (1 - dark[..., None]).astype(np.float32)


def body_shadow(
    patch: Patch,
    camera: Camera,
    rays: np.ndarray,
    place: np.ndarray,
    size: float,
    strength: float,
    plane: float,
) -> None:
    """A soft pool of shade on the floor under a person."""
    ring = np.array([place[0], place[1], plane]) + 2.2 * size * np.array(
        [[1, 1, 0], [1, -1, 0], [-1, 1, 0], [-1, -1, 0]]
    )
    if camera.depths(ring).min() < 0.3:
        return
    px = camera.project(ring)
    win = _window(patch, (*px.min(0), *px.max(0)))
    if win is None:
        return
    x0, y0, x1, y1 = win
    ray = rays[patch.y + y0 : patch.y + y1, patch.x + x0 : patch.x + x1]
    r = camera.rotation.astype(np.float32)
    world = ray[..., :1] * r[0] + ray[..., 1:] * r[1] + r[2]
    eye = camera.centre.astype(np.float32)
    t = (np.float32(plane) - eye[2]) / world[..., 2]
    x, y = eye[0] + t * world[..., 0], eye[1] + t * world[..., 1]
    x -= np.float32(place[0])
    y -= np.float32(place[1])
    rest = np.maximum(0, 1 - (x * x + y * y) * np.float32(1 / (2.2 * size) ** 2))
    dark = np.float32(strength) * rest * rest * (t > 0)
    patch.colour[y0:y1, x0:x1] *= 1 - dark[..., None]
