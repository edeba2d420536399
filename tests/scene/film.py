"""Renders a scenario frame by frame: what moves is drawn into patches between the still layers."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration import table
from calibration.camera import Camera

from .draw import Patch, ball_box, ball_shadow, body_shadow, draw_ball, draw_people, limbs_box
from .drill import Cast, build_cast
from .hall import FLOOR
from .path import BallPath
from .people import Blade, Limb, Walker
from .physics import RADIUS
from .scenario import Scenario
from .sensor import TICKS, Sensor, Writer
from .stage import Stage, build_stage, look
from .truth import truth_of

MARGIN = 8


def cameras(s: Scenario) -> list[Camera]:
    """The camera, and the one after the bump if there is one."""
    first = look(s.eye, s.at, focal=s.focal, size=s.size, k1=s.k1, roll=s.roll)
    if s.bump is None:
        return [first]
    eye = tuple(np.add(s.eye, s.bump_eye))
    at = tuple(np.add(s.at, s.bump_at))
    return [first, look(eye, at, focal=s.focal, size=s.size, k1=s.k1, roll=s.roll + s.bump_roll)]


def frame_ticks(s: Scenario) -> np.ndarray:
    """Time stamps of the frames, uneven where the film has a variable rate."""
    n = round(s.duration * s.fps)
    if not s.variable_rate:
        return np.round(np.arange(n) * TICKS / s.fps).astype(np.int64)
    rng = np.random.default_rng(s.seed + 99)
    gap = TICKS / s.fps * (1 + 0.06 * rng.standard_normal(n).clip(-2, 2))
    slow = (np.arange(n) // round(1.7 * s.fps)) % 3 == 1  # stretches where the phone slows down
    gap = np.where(slow, gap * 1.25, gap)
    gap[rng.random(n) < 0.01] *= 2  # a frame left out
    ticks = np.concatenate([[0], np.cumsum(np.round(gap))])[:n].astype(np.int64)
    return ticks[ticks < s.duration * TICKS]


class _Film:
    """One film in the making."""

    def __init__(self, s: Scenario, cast: Cast, stages: list[Stage]) -> None:
        self.s, self.cast, self.stages = s, cast, stages
        self.sensor = Sensor(
            s.size,
            exposure=s.exposure,
            contrast=s.contrast,
            noise=s.noise,
            blur=s.blur,
            sharpen=s.sharpen,
            vignette=s.vignette,
            tint=s.tint,
            bits=s.bits,
            seed=s.seed,
        )
        self.still = []
        for st in stages:
            whole = st.floor.copy()
            for k in _far_to_near(st):
                st.tops[k].over(whole, 0, 0)
                st.nets[k].over(whole, 0, 0)
            planes = self.sensor.develop(whole, 0, 0)
            self.still.append((planes, self.sensor.amplitude(planes[0])))
        self.ball = np.array(s.ball)
        self.seen: list[dict[int, tuple[bool, float, float]]] = [{} for _ in cast.balls]

    def row_time(self, camera: Camera, time: float, place: Callable[[float], np.ndarray]) -> float:
        """When the rolling shutter reads the row that `place` is in."""
        if not self.s.readout:
            return time
        t, h = time, self.s.size[1]
        for _ in range(3):
            v = camera.project(place(t)[None])[0, 1]
            if np.isnan(v):
                return time
            t = time + float(np.clip(v, -h, 2 * h)) / h * self.s.readout
        return t

    def ball_places(self, camera: Camera, path: BallPath, time: float) -> np.ndarray | None:
        """Centres of the ball over the exposure, (N, 3)."""
        if not path.exists(time):
            return None
        mid = self.row_time(camera, time, path.at)
        a, b = mid - self.s.shutter / 2, mid + self.s.shutter / 2
        ends = np.array([path.at(a), path.at(mid), path.at(b)])
        if camera.depths(ends).min() < 0.3:
            return None
        px = camera.project(ends)
        move = float(np.hypot(*(px[2] - px[0])))
        n = int(np.clip(np.ceil(move / 0.8), 1, 64))
        out = []
        for k in range(n):  # each sub-exposure reads the row where the ball then is
            t = a + (k + 0.5) / n * (b - a)
            out.append(path.at(t))
        return np.array(out)

    def frame(self, number: int, time: float) -> np.ndarray:
        """One finished picture, planes stacked."""
        s = self.s
        bumped = s.bump is not None and time >= s.bump
        st = self.stages[1 if bumped else 0]
        planes, amp = self.still[1 if bumped else 0]
        now = time + s.starts_at
        cam = st.camera
        actors = []  # (table, parts at sub-times, box, feet)
        for k, person in self.cast.people:
            feet = np.array(
                [*getattr(person, "place", getattr(person, "start", None)), FLOOR + 0.7]
            )
            t0 = now
            if s.readout:
                px = cam.project(feet[None])[0, 1]
                t0 += float(np.clip(0 if np.isnan(px) else px / s.size[1], 0, 1)) * s.readout
            first, last = person.limbs(t0 - s.shutter / 2), person.limbs(t0 + s.shutter / 2)
            box = limbs_box(cam, first + last)
            if box is None:
                continue
            move = _motion(cam, first, last)
            n = int(np.clip(np.ceil(move / 3.0), 1, 5))
            takes = [person.limbs(t0 + ((j + 0.5) / n - 0.5) * s.shutter) for j in range(n)]
            actors.append((k, takes, box, person, t0))
        balls = []
        for j, path in enumerate(self.cast.balls):
            places = self.ball_places(cam, path, now)
            if places is not None:
                balls.append((0, places, ball_box(cam, places), j))
        for k, path in self.cast.other_balls:
            places = self.ball_places(cam, path, now)
            if places is not None:
                balls.append((k, places, ball_box(cam, places), -1))
        boxes = [a[2] for a in actors] + [b[2] for b in balls if b[2] is not None]
        for _, places, _, _ in balls:
            shadow = self._shadow_box(cam, places)
            if shadow is not None:
                boxes.append(shadow)
        for a in actors:
            pool = self._pool_box(cam, a[3], a[4])
            if pool is not None:
                boxes.append(pool)
        out = [p.copy() for p in planes]
        for x0, y0, x1, y1 in _merge(boxes, s.size):
            patch = self._compose(st, actors, balls, (x0, y0, x1, y1), number)
            y, cb, cr = self.sensor.develop(patch, x0, y0)
            m = 4  # the blur's reach: keep the inside only, unless at the frame's edge
            a0, b0 = (0 if x0 == 0 else m), (0 if y0 == 0 else m)
            a1 = (x1 - x0) - (0 if x1 == s.size[0] else m)
            b1 = (y1 - y0) - (0 if y1 == s.size[1] else m)
            out[0][y0 + b0 : y0 + b1, x0 + a0 : x0 + a1] = y[b0:b1, a0:a1]
            half = np.s_[(y0 + b0) // 2 : (y0 + b1) // 2, (x0 + a0) // 2 : (x0 + a1) // 2]
            inner = np.s_[b0 // 2 : b1 // 2, a0 // 2 : a1 // 2]
            out[1][half], out[2][half] = cb[inner], cr[inner]
        for k, path in enumerate(self.cast.balls):
            self._note(cam, path, k, number, now)
        if bumped and time < s.bump + 0.45:
            age = time - s.bump
            dx = 26 * np.exp(-age / 0.14) * np.sin(age * 55)
            dy = 18 * np.exp(-age / 0.16) * np.sin(age * 47 + 1)
            out[0] = np.roll(out[0], (round(dy) // 2 * 2, round(dx) // 2 * 2), (0, 1))
            for q in (1, 2):
                out[q] = np.roll(out[q], (round(dy) // 2, round(dx) // 2), (0, 1))
        gain = 1.0 + s.flicker * np.sin(2 * np.pi * 100.0 * now)
        return self.sensor.expose((out[0], out[1], out[2]), amp, gain)

    def _shadow_box(self, cam: Camera, places: np.ndarray) -> tuple | None:
        p = places[len(places) // 2]
        for t in self.s.tables:
            q = t.to_local(p.astype(np.float32))
            if (
                abs(q[0]) < table.HALF_LENGTH + 0.1
                and abs(q[1]) < table.HALF_WIDTH + 0.1
                and 0 < q[2] < 0.7
            ):
                r = 2.6 * (RADIUS * 0.55 + 0.10 * q[2])
                ring = np.array(
                    [[p[0] + a * r, p[1] + b * r, 0.0] for a in (-1, 1) for b in (-1, 1)]
                )
                px = cam.project(ring)
                return None if np.isnan(px).any() else (*px.min(0), *px.max(0))
        return None

    def _pool_box(self, cam: Camera, person: object, time: float) -> tuple | None:
        place = _feet(person, time)
        ring = np.array(
            [[place[0] + a, place[1] + b, FLOOR] for a in (-0.7, 0.7) for b in (-0.7, 0.7)]
        )
        if cam.depths(ring).min() < 0.3:
            return None
        px = cam.project(ring)
        return (*px.min(0), *px.max(0))

    def _compose(
        self, st: Stage, actors: list, balls: list, box: tuple[int, int, int, int], number: int
    ) -> np.ndarray:
        x0, y0, x1, y1 = box
        inside = [a for a in actors if _touch(a[2], box)]
        here = [b for b in balls if b[2] is not None and _touch(b[2], box)]
        n = max([len(a[1]) for a in inside], default=1)
        cam, hall, s = st.camera, st.hall, self.s
        total = None
        ground = st.floor[y0:y1, x0:x1].copy()
        patch = Patch(x0, y0, ground)
        for a in actors:
            body_shadow(patch, cam, st.rays, _feet(a[3], a[4]), 0.32, 0.42, FLOOR)
        for _, places, _, _ in balls:
            p = places[len(places) // 2]
            if p[2] < 0:
                ball_shadow(patch, cam, st.rays, p, FLOOR, 0.45)
        for take in range(n):
            patch = Patch(x0, y0, ground.copy() if n > 1 else ground)
            zbuf = np.full(ground.shape[:2], np.float32(1e6))
            for k in _far_to_near(st):
                t = st.tables[k]
                groups: list[list] = [[], [], []]
                for a in inside:
                    if a[0] != k:
                        continue
                    parts = a[1][min(take * len(a[1]) // n, len(a[1]) - 1)]
                    for p in parts:
                        mid = _telling(p)
                        groups[_phase(cam, t, mid, isinstance(a[3], Walker))].append(p)
                spheres: list[list] = [[], [], []]
                for bk, places, _, _ in here:
                    if bk == k:
                        part = places[
                            take * len(places) // n : max(
                                (take + 1) * len(places) // n, take * len(places) // n + 1
                            )
                        ]
                        if len(part):
                            spheres[_phase(cam, t, part[len(part) // 2], False)].append(part)
                for phase in range(3):
                    if phase == 1:
                        st.tops[k].over(patch.colour, x0, y0)
                        for bk, places, _, _ in balls:
                            p = places[len(places) // 2]
                            q = t.to_local(p.astype(np.float32))
                            if bk == k and q[2] > 0 and t.turned == 0:
                                shifted = np.array([p[0], p[1], p[2]])
                                if abs(q[0]) < 1.5 and abs(q[1]) < 0.9:
                                    ball_shadow(
                                        patch,
                                        cam,
                                        st.rays,
                                        shifted,
                                        0.0,
                                        0.5,
                                        (0.12, -0.08),
                                        _bounds(t),
                                    )
                    if phase == 2:
                        st.nets[k].over(patch.colour, x0, y0)
                    if groups[phase]:
                        g = groups[phase]
                        m = g[0].centre if isinstance(g[0], Blade) else g[0].a
                        light = float(
                            hall.light(np.array([m[0]], np.float32), np.array([m[1]], np.float32))[
                                0
                            ]
                        )
                        draw_people(patch, cam, g, 0.95 * light, zbuf)
                    for part in spheres[phase]:
                        c = part[len(part) // 2]
                        light = float(
                            hall.light(np.array([c[0]], np.float32), np.array([c[1]], np.float32))[
                                0
                            ]
                        )
                        near = cam.depths(c[None])[0]
                        blocked = (zbuf < near).astype(np.float32)
                        draw_ball(
                            patch,
                            cam,
                            st.rays,
                            part,
                            self.ball,
                            light,
                            under=s.under,
                            blocked=blocked,
                        )
            for _, _, _, j in here:
                if j >= 0 and take == n // 2:
                    self._look(cam, st, j, number, zbuf, x0, y0, here)
            total = patch.colour if total is None else total + patch.colour
        assert total is not None
        return total / np.float32(n) if n > 1 else total

    def _look(
        self,
        cam: Camera,
        st: Stage,
        j: int,
        number: int,
        zbuf: np.ndarray,
        x0: int,
        y0: int,
        here: list,
    ) -> None:
        places = next(b[1] for b in here if b[3] == j)
        c = places[len(places) // 2]
        u, v = cam.project(c[None])[0]
        h, w = zbuf.shape
        iu, iv = round(float(u)) - x0, round(float(v)) - y0
        if not (0 <= iu < w and 0 <= iv < h):
            return
        r = max(1, int(0.6 * cam.matrix[0, 0] * RADIUS / cam.depths(c[None])[0]))
        area = zbuf[max(0, iv - r) : iv + r + 1, max(0, iu - r) : iu + r + 1]
        free = float((area > cam.depths(c[None])[0]).mean())
        if _phase(cam, st.tables[0], c, False) == 0:
            free = 0.0
        fw, fh = self.s.size
        inside = 0 <= u <= fw - 1 and 0 <= v <= fh - 1
        self.seen[j][number] = (free > 0.5 and inside, float(u), float(v))

    def _note(self, cam: Camera, path: BallPath, j: int, number: int, now: float) -> None:
        if number not in self.seen[j] and path.exists(now):
            p = path.at(self.row_time(cam, now, path.at))
            u, v = cam.project(p[None])[0]
            self.seen[j][number] = (False, float(u), float(v))


def _feet(person: object, time: float) -> np.ndarray:
    if isinstance(person, Walker):
        way = person.end - person.start
        length = float(np.linalg.norm(way))
        return person.start + way / length * float(
            np.clip((time - person.begins) * person.pace, 0, length)
        )
    body = person.body.at(time)[:2] if person.body else 0.0  # type: ignore[attr-defined]
    return person.place + body  # type: ignore[attr-defined]


def _bounds(t: object) -> tuple[float, float] | None:
    return (table.HALF_LENGTH, table.HALF_WIDTH) if t.place == (0.0, 0.0) else None  # type: ignore[attr-defined]


def _touch(a: tuple, b: tuple) -> bool:
    return a[0] < b[2] and a[2] >= b[0] and a[1] < b[3] and a[3] >= b[1]


def _far_to_near(st: Stage) -> list[int]:
    eye = st.camera.centre[:2]
    return sorted(
        range(len(st.tables)), key=lambda k: -float(np.hypot(*(np.array(st.tables[k].place) - eye)))
    )


def _phase(cam: Camera, t: object, place: np.ndarray, walker: bool) -> int:
    """0: behind the table as the camera sees it; 1: above it, beyond the net; 2: before all."""
    q = t.to_local(np.asarray(place, np.float32)).astype(float)  # type: ignore[attr-defined]
    eye = t.to_local(cam.centre.astype(np.float32)).astype(float)  # type: ignore[attr-defined]
    if walker:
        return 0 if np.hypot(*(q - eye)[:2]) > np.hypot(*eye[:2]) else 2
    if q[2] < 0.02 and eye[2] > 0:
        s = eye[2] / (eye[2] - q[2])
        x, y = eye[0] + s * (q[0] - eye[0]), eye[1] + s * (q[1] - eye[1])
        if abs(x) < table.HALF_LENGTH + 0.1 and abs(y) < table.HALF_WIDTH + 0.1 and s < 1:
            return 0
        if abs(q[0]) < table.HALF_LENGTH and abs(q[1]) < table.HALF_WIDTH:
            return 0
    return 1 if q[0] * eye[0] < 0 else 2


def _telling(p: Limb | Blade) -> np.ndarray:
    """The point that decides what a part is behind: its lower end if that is under the table."""
    if isinstance(p, Blade):
        return p.centre
    low, r = (p.a, p.ra) if p.a[2] < p.b[2] else (p.b, p.rb)
    return low - np.array([0.0, 0.0, 0.5 * r]) if low[2] < 0.0 else (p.a + p.b) / 2


def _motion(cam: Camera, first: list, last: list) -> float:
    ends = [[(p.centre if isinstance(p, Blade) else p.b) for p in parts] for parts in (first, last)]
    a, b = cam.project(np.array(ends[0])), cam.project(np.array(ends[1]))
    return float(np.nan_to_num(np.hypot(*(a - b).T)).max())


def _merge(boxes: list, size: tuple[int, int]) -> list[tuple[int, int, int, int]]:
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


def render(s: Scenario, folder: Path, *, say: Callable[[str], None] | None = None) -> Path:
    """Render `s` to folder/NAME.mp4 and NAME.truth.json; returns the film's path."""
    folder.mkdir(parents=True, exist_ok=True)
    cast = build_cast(s)
    stages = [build_stage(c, s.hall, list(s.tables)) for c in cameras(s)]
    film = _Film(s, cast, stages)
    ticks = frame_ticks(s)
    path = folder / f"{s.name}.mp4"
    writer = Writer(
        path,
        s.size,
        fps=s.fps,
        codec=s.codec,
        bits=s.bits,
        crf=s.crf,
        preset=s.preset,
        rotate=s.rotate,
    )
    for k, tick in enumerate(ticks):
        writer.write(film.frame(k, tick / TICKS), int(tick))
        if say and k % 60 == 0:
            say(f"{s.name}: frame {k} of {len(ticks)}")
    writer.close()
    truth = truth_of(s, cast, [st.camera for st in stages], ticks / TICKS, film.seen)
    part = folder / f"{s.name}.truth.part"
    part.write_text(json.dumps(truth))
    part.replace(folder / f"{s.name}.truth.json")
    return path


def still(s: Scenario, time: float) -> tuple[np.ndarray, Camera]:
    """One frame of a film as 8-bit BGR, with its camera."""
    import cv2

    s = replace(s, bits=8)
    cams = cameras(s)
    stages = [build_stage(c, s.hall, list(s.tables)) for c in cams]
    film = _Film(s, build_cast(s), stages)
    planes = film.frame(0, time)
    w, h = s.size
    n = w * h
    flat = planes.reshape(-1)
    y = flat[:n].reshape(h, w).astype(np.float32)
    up = [
        cv2.resize(
            p.reshape(h // 2, w // 2).astype(np.float32), (w, h), interpolation=cv2.INTER_LINEAR
        )
        - 128
        for p in (flat[n : n + n // 4], flat[n + n // 4 :])
    ]
    luma, cb, cr = (y - 16) * (255 / 219), up[0] * (255 / 224), up[1] * (255 / 224)
    bgr = np.stack([luma + 1.8556 * cb, luma - 0.1873 * cb - 0.4681 * cr, luma + 1.5748 * cr], -1)
    bumped = s.bump is not None and time >= s.bump
    return np.clip(bgr + 0.5, 0, 255).astype(np.uint8), cams[1 if bumped else 0]
