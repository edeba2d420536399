"""Draw stills of an invented sports hall with a table in it, seen by a known camera.

For tests only: every pixel's rays are cut with the hall's planes (walls, floor, table tops, nets,
slab sides), 2 x 2 rays a pixel, with lens distortion; then people, blur, noise and compression.
Rays and cuts are in single precision: a cut moves by a ten thousandth of a pixel at most.
Nothing here is taken from a film; colours and places are drawn at random from a seed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from calibration.camera import Camera
from calibration.camera_fit import make_camera
from calibration.table import CORNERS

VIEWS = ("behind", "side", "diagonal", "balcony", "corner")
TABLES = {"blue": (120, 60, 20), "green": (60, 90, 15), "grey": (88, 84, 80), "dark": (70, 40, 28)}


@dataclass(frozen=True, kw_only=True, eq=False)
class Scene:
    """What is drawn and by which camera."""

    camera: Camera
    table_bgr: tuple[int, int, int]
    floor_bgr: tuple[int, int, int]
    wall_bgr: tuple[int, int, int]
    seed: int
    n_people: int = 2
    second_table: bool = False
    glare: float = 0.0
    light: float = 1.0
    blur: float = 0.6
    noise: float = 1.5
    quality: int = 85
    line_m: float = 0.02
    net_offset: float = 0.0
    tape: float = 0.015  # m, width of the white band along the net's top
    shirts: tuple[tuple[int, int, int], ...] = field(
        default=((60, 180, 200), (225, 225, 225), (60, 50, 170), (60, 110, 50))
    )

    @property
    def corners(self) -> np.ndarray:
        """True corners, px, shape (4, 2)."""
        return self.camera.project(CORNERS)


def look_at(
    eye: np.ndarray, aim: np.ndarray, focal: float, size: tuple[int, int], *,
    k1: float = 0.0, roll_deg: float = 0.0,
) -> Camera:  # fmt: skip
    """A camera at `eye` that looks at `aim`, both table points in m."""
    eye, aim = np.asarray(eye, float), np.asarray(aim, float)
    z = (aim - eye) / np.linalg.norm(aim - eye)
    x = np.cross(z, [0, 0, 1.0])
    x /= np.linalg.norm(x)
    y = np.cross(z, x)
    a = np.radians(roll_deg)
    rotation = np.array([np.cos(a) * x + np.sin(a) * y, -np.sin(a) * x + np.cos(a) * y, z])
    return make_camera(focal, rotation, -rotation @ eye, size, k1=k1)


def random_scene(seed: int, *, size: tuple[int, int] = (1920, 1080), view: str = "") -> Scene:
    """A random hall and a camera that has the whole table in its frame."""
    rng = np.random.default_rng(seed)
    view = view or VIEWS[int(rng.integers(len(VIEWS)))]
    for _ in range(500):
        side = float(rng.choice([-1.0, 1.0]))
        end = float(rng.choice([-1.0, 1.0]))
        height = rng.uniform(0.55, 1.3)
        if view == "behind":
            eye = [end * rng.uniform(3.4, 5.2), rng.uniform(-1.3, 1.3), height]
        elif view == "side":
            eye = [rng.uniform(-0.7, 0.7), side * rng.uniform(3.0, 4.6), height]
        elif view == "diagonal":
            eye = [end * rng.uniform(2.2, 3.4), side * rng.uniform(2.0, 3.2), height]
        elif view == "corner":
            eye = [end * rng.uniform(3.0, 4.2), side * rng.uniform(1.2, 2.0), height]
        else:
            eye = [end * rng.uniform(0.5, 6.0), side * rng.uniform(2.5, 5.5), rng.uniform(2.2, 4.0)]
        aim = [rng.uniform(-0.4, 0.4), rng.uniform(-0.3, 0.3), rng.uniform(-0.1, 0.35)]
        focal = max(size) * rng.uniform(0.68, 0.95)
        camera = look_at(
            np.array(eye), np.array(aim), focal, size,
            k1=rng.uniform(-0.04, 0.03), roll_deg=rng.normal(0, 1.0),
        )  # fmt: skip
        corners = camera.project(CORNERS)
        margin = 0.02 * max(size)
        if (
            np.isfinite(corners).all()
            and ((corners > margin) & (corners < np.array(size) - margin)).all()
            and np.ptp(corners, axis=0).max() > 0.3 * size[0]
        ):
            break
    tables = list(TABLES.values())
    floors = [(80, 120, 165), (95, 105, 110), (120, 105, 80), (70, 85, 70), (60, 80, 140)]
    walls = [(120, 125, 130), (170, 175, 180), (90, 80, 70), (60, 75, 60), (200, 205, 210)]
    return Scene(
        camera=camera,
        table_bgr=tables[int(rng.integers(len(tables)))],
        floor_bgr=floors[int(rng.integers(len(floors)))],
        wall_bgr=walls[int(rng.integers(len(walls)))],
        seed=seed,
        n_people=int(rng.integers(0, 4)),
        second_table=bool(rng.random() < 0.4),
        glare=float(rng.choice([0.0, 0.0, 0.25, 0.5])),
        light=float(rng.choice([1.0, 0.8, 0.45])),
        blur=float(rng.uniform(0.35, 1.0)),
        noise=float(rng.uniform(0.5, 3.0)),
        quality=int(rng.integers(60, 95)),
    )


def draw(scene: Scene) -> np.ndarray:
    """Draw a scene: BGR uint8 of the camera's size."""
    camera = scene.camera
    width, height = camera.size
    rng = np.random.default_rng(scene.seed + 1)
    hall = _Hall(scene, rng)
    out = np.zeros((height, width, 3), np.float32)
    for du in (-0.25, 0.25):
        for dv in (-0.25, 0.25):
            u, v = np.meshgrid(np.arange(width) + du, np.arange(height) + dv)
            out += hall.shade(_rays(camera, u, v)).reshape(height, width, 3) / 4
    _people(out, scene, rng)
    if scene.blur > 0:
        out = cv2.GaussianBlur(out, (0, 0), scene.blur)
    out = 255 * np.clip(scene.light * out / 255, 0, 1)
    out = out + rng.normal(0, scene.noise, out.shape).astype(np.float32)
    image = np.clip(np.rint(out), 0, 255).astype(np.uint8)
    coded = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, scene.quality])[1]
    return cv2.imdecode(coded, cv2.IMREAD_COLOR)


class _Hall:
    """Planes of the hall and their colours."""

    def __init__(self, scene: Scene, rng: np.random.Generator) -> None:
        self.scene = scene
        self.eye = scene.camera.centre.astype(np.float32)
        reach = np.abs(scene.camera.centre) + 1.5
        self.box = np.array([max(6.5, reach[0]), max(5.0, reach[1])])
        self.floor = -0.76
        self.stripe = rng.uniform(0.15, 0.9)
        self.fold = rng.uniform(0.0, 0.25)
        self.posters = [
            (rng.uniform(-6, 6), rng.uniform(0.4, 1.6), rng.uniform(0.5, 1.4),
             rng.uniform(0.4, 0.9), rng.integers(30, 230, 3).astype(np.float32)) for _ in range(10)
        ]  # fmt: skip
        colours = [(235, 235, 235), (40, 40, 190), (40, 190, 215), (170, 110, 40), (60, 150, 50)]
        self.marks = [
            (int(rng.integers(2)), rng.uniform(-4.5, 4.5), rng.uniform(0.02, 0.05),
             np.array(colours[int(rng.integers(len(colours)))], np.float32)) for _ in range(9)
        ]  # fmt: skip
        self.circle = (rng.uniform(-1, 1), rng.uniform(-1, 1), rng.uniform(0.9, 1.8))
        self.places = [np.zeros(2)]
        if scene.second_table:
            self.places.append(
                np.array([rng.uniform(-1.5, 1.5), rng.choice([-1, 1]) * rng.uniform(2.8, 3.6)])
            )

    def shade(self, rays: np.ndarray) -> np.ndarray:
        """Colours (N, 3) seen along rays (N, 3)."""
        eye = self.eye
        colour = np.zeros((len(rays), 3), np.float32)
        depth = np.full(len(rays), np.inf, np.float32)
        with np.errstate(divide="ignore", invalid="ignore"):
            for axis in (0, 1):
                for sign in (-1, 1):
                    s = (float(sign * self.box[axis]) - eye[axis]) / rays[:, axis]
                    z = eye[2] + s * rays[:, 2]
                    on = np.flatnonzero((s > 0) & (s < depth) & (z > self.floor))
                    s = s[on]
                    a = eye[1 - axis] + s * rays[on, 1 - axis]
                    depth[on], colour[on] = s, self._wall(a, z[on], axis, sign)
            s = (self.floor - eye[2]) / rays[:, 2]
            on = np.flatnonzero((s > 0) & (s < depth))
            depth[on] = s[on]
            colour[on] = self._floor(eye[:2] + s[on, None] * rays[on, :2])
            order = sorted(self.places, key=lambda p: -np.hypot(*(p - eye[:2])))
            for place in order:
                part = self._rows_of(place)
                self._table(rays[part], place, colour[part], depth[part])
        return colour

    def _rows_of(self, place: np.ndarray) -> slice:
        """The rays of the rows that show the table at `place`, its net and its legs."""
        width, height = self.scene.camera.size
        box = np.array([(x, y, z) for x in (-1.4, 1.4) for y in (-0.95, 0.95) for z in (-0.8, 0.2)])
        rows = self.scene.camera.project(box + np.array([*place, 0]))[:, 1]
        if not np.isfinite(rows).all():  # a part of it is behind the camera
            return slice(None)
        low, high = np.clip([rows.min() - 3, rows.max() + 4], 0, height).astype(int)
        return slice(low * width, high * width)

    def _wall(self, a: np.ndarray, z: np.ndarray, axis: int, sign: int) -> np.ndarray:
        tone = 1 + self.fold * np.sin(2 * np.pi * a / self.stripe + np.sin(3 * a))
        out = np.array(self.scene.wall_bgr, np.float32) * tone[:, None]
        for x, low, w, h, colour in self.posters:
            on = (np.abs(a - x * (1 if sign > 0 else 0.8)) < w / 2) & (z > low) & (z < low + h)
            out[on] = colour
        out[z < self.floor + 0.08] = (50, 55, 60)
        return out

    def _floor(self, p: np.ndarray) -> np.ndarray:
        board = np.floor(p[:, 1] / 0.14)
        tone = 1 + 0.06 * np.sin(board * 12.9898) + 0.05 * np.sin(p[:, 0] * 1.7 + board)
        near = np.exp(-((p[:, 0] / 1.5) ** 2) - (p[:, 1] / 1.0) ** 2)
        tone = tone * (1 - 0.55 * near)
        out = np.array(self.scene.floor_bgr, np.float32) * tone[:, None]
        for axis, place, w, colour in self.marks:
            out[np.abs(p[:, axis] - place) < w] = colour
        cx, cy, r = self.circle
        out[np.abs(np.hypot(p[:, 0] - cx, p[:, 1] - cy) - r) < 0.03] = (225, 225, 225)
        return out

    def _table(
        self, rays: np.ndarray, place: np.ndarray, colour: np.ndarray, depth: np.ndarray
    ) -> None:
        eye = self.eye - np.array([*place, 0], np.float32)
        paint = np.array(self.scene.table_bgr, np.float32)
        for low, high, dark in ((-0.028, 0.0, 0.55),):
            for axis, half in ((0, 1.37), (1, 0.7625)):
                for sign in (-1, 1):
                    s = (sign * half - eye[axis]) / rays[:, axis]
                    a = eye[1 - axis] + s * rays[:, 1 - axis]
                    z = eye[2] + s * rays[:, 2]
                    other = 0.7625 if axis == 0 else 1.37
                    on = (s > 0) & (s < depth) & (z > low) & (z < high) & (np.abs(a) < other)
                    depth[on], colour[on] = s[on], paint * dark
        for x in (-1.15, 1.15):
            for y in (-0.6, 0.6):
                s = (y - eye[1]) / rays[:, 1]
                a, z = eye[0] + s * rays[:, 0], eye[2] + s * rays[:, 2]
                on = (s > 0) & (s < depth) & (np.abs(a - x) < 0.03) & (z < -0.02) & (z > self.floor)
                depth[on], colour[on] = s[on], (25, 25, 25)
        s = -eye[2] / rays[:, 2]
        p = eye[:2] + s[:, None] * rays[:, :2]
        on = (s > 0) & (s < depth) & (np.abs(p[:, 0]) < 1.37) & (np.abs(p[:, 1]) < 0.7625)
        depth[on] = s[on]
        q = p[on]
        tint = np.tile(paint, (len(q), 1))
        line = self.scene.line_m
        white = (np.abs(q[:, 0]) > 1.37 - line) | (np.abs(q[:, 1]) > 0.7625 - line)
        white |= np.abs(q[:, 1]) < 0.0015
        tint[white] = (228, 230, 232)
        if self.scene.glare > 0:
            far = float(np.linalg.norm(eye[:2]))
            away = (q - eye[:2]) @ (-eye[:2] / far)
            veil = self.scene.glare / (1 + np.exp(-(away - far) / 0.25))
            tint = tint * (1 - veil[:, None] * 0.6) + 140 * veil[:, None] * 0.6
        colour[on] = tint
        s = (self.scene.net_offset - eye[0]) / rays[:, 0]
        y, z = eye[1] + s * rays[:, 1], eye[2] + s * rays[:, 2]
        on = (s > 0) & (s <= depth) & (np.abs(y) < 0.915) & (z > 0) & (z < 0.1525)
        tape = on & (z > 0.1525 - self.scene.tape)
        post = on & (np.abs(y) > 0.9)
        mesh = on & ~tape & ~post
        colour[mesh] = 0.3 * colour[mesh] + 0.7 * np.array([22, 20, 20], np.float32)
        colour[tape], colour[post] = (215, 215, 215), (30, 30, 30)
        depth[on] = s[on]


def _rays(camera: Camera, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Directions in table axes, by fixed-point undistortion; not the package's own way."""
    m, k1 = camera.matrix, float(camera.distortion[0])
    xd = ((u.ravel() - m[0, 2]) / m[0, 0]).astype(np.float32)
    yd = ((v.ravel() - m[1, 2]) / m[1, 1]).astype(np.float32)
    x, y = xd, yd
    for _ in range(6):  # each leaves less than a tenth of the error of the one before
        radial = 1 + k1 * (x * x + y * y)
        x, y = xd / radial, yd / radial
    return np.column_stack([x, y, np.ones_like(x)]) @ camera.rotation.astype(np.float32)


def _people(out: np.ndarray, scene: Scene, rng: np.random.Generator) -> None:
    """People who stood still long enough to stay in a median; one may hide a corner."""
    camera = scene.camera
    near = -1.0 if camera.centre[0] < 0 else 1.0
    side = -np.sign(camera.centre[1] + 1e-9)
    spots = [(-near * 2.0, rng.uniform(-0.6, 0.6)), (near * 1.75, rng.uniform(-0.75, 0.75)),
             (rng.uniform(-2, 2), side * rng.uniform(1.2, 3.0))]  # fmt: skip
    chosen = sorted(spots[: scene.n_people], key=lambda s: -np.hypot(*(s - camera.centre[:2])))
    for x, y in chosen:
        body = np.array([[x, y, -0.76], [x, y, 0.05], [x, y, 0.62], [x, y, 0.86]])
        p = camera.project(body)
        if not np.isfinite(p).all():
            continue
        scale = camera.matrix[0, 0] / float(camera.depths(body)[1])
        shirt = scene.shirts[int(rng.integers(len(scene.shirts)))]
        layers = [(p[0], p[1], 0.13, (45, 35, 35)), (p[1], p[2], 0.20, shirt),
                  (p[3], p[3], 0.11, (120, 150, 190))]  # fmt: skip
        for a, b, radius, colour in layers:
            thick = max(1, int(2 * radius * scale))
            ends = np.rint([a, b]).astype(int)
            reach = thick // 2 + 40  # px: twice as far as the blur spreads, and it sees no border
            low = np.clip(ends.min(axis=0) - reach, 0, camera.size)
            high = np.clip(ends.max(axis=0) + reach, 0, camera.size)
            if (low >= high).any():
                continue
            part = out[low[1] : high[1], low[0] : high[0]]
            hard = np.zeros(part.shape[:2], np.float32)
            cv2.line(hard, *(ends - low).tolist(), 1.0, thick, cv2.LINE_AA)
            soft = cv2.GaussianBlur(hard, (0, 0), 2.5)[..., None]
            part[:] = part * (1 - soft) + np.array(colour, np.float32) * soft
