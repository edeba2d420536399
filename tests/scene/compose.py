"""Puts what moves between the still layers, one rectangle of the frame at a time.

Order, from far to near, for each table: floor with shadows; what stands behind the table; the
table; what is above it beyond the net; the net; the rest. Within each, a depth buffer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration import table
from calibration.camera import Camera

from .draw import Patch, ball_shadow, body_shadow, draw_ball, draw_people
from .furniture import Table
from .hall import FLOOR
from .people import Blade, Limb, Person, Walker
from .physics import RADIUS
from .stage import Stage

MARGIN = 8  # px around what moves, room for the lens's blur
Box = tuple[float, float, float, float]  # x0, y0, x1, y1, px


@dataclass(slots=True, eq=False)
class Actor:
    """A person in one frame."""

    table: int  # whose table
    takes: list[list[Limb | Blade]]  # parts at times spread over the exposure
    box: Box
    person: Person | Walker
    feet: np.ndarray  # (2,), m


@dataclass(slots=True, eq=False)
class Sphere:
    """A ball in one frame."""

    table: int
    places: np.ndarray  # (N, 3), m, spread over the exposure
    box: Box | None  # None: out of the picture
    number: int  # of the drill's balls, -1 for others

    @property
    def middle(self) -> np.ndarray:
        """Where it is in mid-exposure, to within a part of its streak."""
        return self.places[len(self.places) // 2]


def compose(
    st: Stage,
    actors: list[Actor],
    spheres: list[Sphere],
    box: tuple[int, int, int, int],
    colour: np.ndarray,
    under: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Linear light in one rectangle, and the depth buffer of mid-exposure."""
    x0, y0, x1, y1 = box
    inside = [a for a in actors if _touch(a.box, box)]
    here = [b for b in spheres if b.box is not None and _touch(b.box, box)]
    n = max([len(a.takes) for a in inside], default=1)
    ground = st.floor[y0:y1, x0:x1].copy()
    patch = Patch(x0, y0, ground)
    for a in actors:
        body_shadow(patch, st.camera, st.rays, a.feet, 0.32, 0.42, FLOOR)
    for b in spheres:
        if b.middle[2] < 0:
            ball_shadow(patch, st.camera, st.rays, b.middle, FLOOR, 0.45)
    total = np.zeros_like(ground)
    middle = np.empty(ground.shape[:2], np.float32)
    for take in range(n):
        patch = Patch(x0, y0, ground.copy())
        zbuf = np.full(ground.shape[:2], np.float32(1e6))
        for k in far_to_near(st):
            _one_table(st, k, patch, zbuf, inside, here, spheres, take, n, colour, under)
        if take == n // 2:
            middle = zbuf
        total += patch.colour
    return total / np.float32(n), middle


def _one_table(
    st: Stage,
    k: int,
    patch: Patch,
    zbuf: np.ndarray,
    actors: list[Actor],
    here: list[Sphere],
    spheres: list[Sphere],
    take: int,
    n: int,
    colour: np.ndarray,
    under: float,
) -> None:
    t, cam = st.tables[k], st.camera
    people: list[list[Limb | Blade]] = [[], [], []]
    for a in actors:
        if a.table == k:
            for p in a.takes[min(take * len(a.takes) // n, len(a.takes) - 1)]:
                people[phase(cam, t, _telling(p), isinstance(a.person, Walker))].append(p)
    balls: list[list[np.ndarray]] = [[], [], []]
    for b in here:
        if b.table == k:
            first = take * len(b.places) // n
            part = b.places[first : max((take + 1) * len(b.places) // n, first + 1)]
            balls[phase(cam, t, part[len(part) // 2], False)].append(part)
    for step in range(3):
        if step == 1:
            st.tops[k].over(patch.colour, patch.x, patch.y)
            for b in spheres:
                q = t.to_local(b.middle.astype(np.float32))
                level = abs(q[0]) < 1.5 and abs(q[1]) < 0.9 and q[2] > 0
                if b.table == k and level and t.turned == 0:
                    ends = (table.HALF_LENGTH, table.HALF_WIDTH) if k == 0 else None
                    ball_shadow(
                        patch, cam, st.rays, b.middle, 0.0, 0.5, shift=(0.12, -0.08), bounds=ends
                    )
        if step == 2:
            st.nets[k].over(patch.colour, patch.x, patch.y)
        if people[step]:
            p = people[step][0]
            light = _light(st, p.centre if isinstance(p, Blade) else p.a)
            draw_people(patch, cam, people[step], 0.95 * light, zbuf)
        for part in balls[step]:
            c = part[len(part) // 2]
            blocked = (zbuf < cam.depths(c[None])[0]).astype(np.float32)
            draw_ball(
                patch, cam, st.rays, part, colour, _light(st, c), under=under, blocked=blocked
            )


def _light(st: Stage, p: np.ndarray) -> float:
    return float(st.hall.light(np.array([p[0]], np.float32), np.array([p[1]], np.float32))[0])


def share_seen(st: Stage, place: np.ndarray, zbuf: np.ndarray, x0: int, y0: int) -> float | None:
    """How much of the ball at `place` nothing hides, 0..1; None if it is outside this rectangle."""
    cam = st.camera
    u, v = cam.project(place[None])[0]
    depth = cam.depths(place[None])[0]
    h, w = zbuf.shape
    iu, iv = round(float(u)) - x0, round(float(v)) - y0
    if not (0 <= iu < w and 0 <= iv < h):
        return None
    if phase(cam, st.tables[0], place, False) == 0:
        return 0.0
    r = max(1, int(0.6 * cam.matrix[0, 0] * RADIUS / depth))
    area = zbuf[max(0, iv - r) : iv + r + 1, max(0, iu - r) : iu + r + 1]
    return float((area > depth).mean())


def far_to_near(st: Stage) -> list[int]:
    """Numbers of the tables, the farthest first."""
    eye = st.camera.centre[:2]
    far = [float(np.hypot(*(np.array(t.place) - eye))) for t in st.tables]
    return sorted(range(len(far)), key=lambda k: -far[k])


def phase(cam: Camera, t: Table, place: np.ndarray, walker: bool) -> int:
    """0: behind the table as the camera sees it; 1: above it, beyond the net; 2: before all."""
    q = t.to_local(np.asarray(place, np.float32)).astype(float)
    eye = t.to_local(cam.centre.astype(np.float32)).astype(float)
    if walker:
        return 0 if np.hypot(*(q - eye)[:2]) > np.hypot(*eye[:2]) else 2
    if q[2] < 0.02 and eye[2] > 0:
        s = eye[2] / (eye[2] - q[2])
        x, y = eye[0] + s * (q[0] - eye[0]), eye[1] + s * (q[1] - eye[1])
        if abs(x) < table.HALF_LENGTH + 0.1 and abs(y) < table.HALF_WIDTH + 0.1 and s < 1:
            return 0
        if _across_top(eye[:2], q[:2]):
            return 0  # a shin, say, that is seen past the edge which it stands behind
    return 1 if q[0] * eye[0] < 0 else 2


def _across_top(eye: np.ndarray, at: np.ndarray) -> bool:
    """Whether the table lies, as seen from above, between the camera and a place or under it."""
    half = np.array([table.HALF_LENGTH, table.HALF_WIDTH])
    way = at - eye
    way = np.where(np.abs(way) < 1e-9, 1e-9, way)
    near, far = np.sort(np.stack([(-half - eye) / way, (half - eye) / way]), axis=0)
    return bool(max(near.max(), 0.0) < min(far.min(), 1.0))


def _telling(p: Limb | Blade) -> np.ndarray:
    """The point that decides what a part is behind: its lower end if that is under the table."""
    if isinstance(p, Blade):
        return p.centre
    low, r = (p.a, p.ra) if p.a[2] < p.b[2] else (p.b, p.rb)
    return low - np.array([0.0, 0.0, 0.5 * r]) if low[2] < 0.0 else (p.a + p.b) / 2


def feet_of(person: Person | Walker, time: float) -> np.ndarray:
    """Where someone stands, (2,), m."""
    if isinstance(person, Walker):
        way = np.asarray(person.end, float) - person.start
        length = float(np.linalg.norm(way))
        done = float(np.clip((time - person.begins) * person.pace, 0, length))
        return person.start + way / length * done
    return person.place + (person.body.at(time)[:2] if person.body else 0.0)


def boxes_of(st: Stage, actors: list[Actor], spheres: list[Sphere]) -> list[Box]:
    """Boxes of all that moves, with the shadows it throws."""
    cam = st.camera
    out: list[Box] = [a.box for a in actors] + [b.box for b in spheres if b.box is not None]
    rings = []
    for b in spheres:
        p = b.middle
        for t in st.tables:
            q = t.to_local(p.astype(np.float32))
            level = abs(q[0]) < table.HALF_LENGTH + 0.1 and abs(q[1]) < table.HALF_WIDTH + 0.1
            if level and 0 < q[2] < 0.7:
                rings.append(_square(p[0], p[1], 2.6 * (RADIUS * 0.55 + 0.10 * q[2]), 0.0))
    rings += [_square(a.feet[0], a.feet[1], 0.7, FLOOR) for a in actors]
    for ring in rings:
        if cam.depths(ring).min() > 0.3:
            px = cam.project(ring)
            out.append((*px.min(0), *px.max(0)))
    return out


def _square(x: float, y: float, r: float, z: float) -> np.ndarray:
    return np.array([[x + a * r, y + b * r, z] for a in (-1, 1) for b in (-1, 1)])


def _touch(a: Box, b: tuple[int, int, int, int]) -> bool:
    return a[0] < b[2] and a[2] >= b[0] and a[1] < b[3] and a[3] >= b[1]


def merge(boxes: list[Box], size: tuple[int, int]) -> list[tuple[int, int, int, int]]:
    """Few rectangles with even corners that cover all boxes and do not overlap."""
    w, h = size
    out = []
    for b in boxes:
        x0, y0 = max(0, int(b[0]) - MARGIN) // 2 * 2, max(0, int(b[1]) - MARGIN) // 2 * 2
        x1, y1 = (
            min(w, (int(b[2]) + MARGIN) // 2 * 2 + 2),
            min(h, (int(b[3]) + MARGIN) // 2 * 2 + 2),
        )
        if x1 > x0 and y1 > y0:
            out.append((x0, y0, x1, y1))
    changed = True
    while changed:
        changed = False
        for i in range(len(out)):
            for j in range(i + 1, len(out)):
                a, b = out[i], out[j]
                if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]:
                    out[i] = (min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3]))
                    del out[j]
                    changed = True
                    break
            if changed:
                break
    return out
