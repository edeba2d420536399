"""Renders a scenario frame by frame: what moves is drawn into patches between the still layers."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration.camera import Camera

from .compose import (
    Actor,
    Sphere,
    boxes_of,
    compose,
    far_to_near,
    feet_of,
    merge,
    share_seen,
)
from .draw import ball_box, limbs_box
from .drill import Cast, build_cast
from .hall import FLOOR
from .path import BallPath
from .people import Blade, Person, Walker
from .scenario import Scenario
from .sensor import TICKS, Sensor, Writer
from .stage import Stage, build_stage, look
from .truth import truth_of

SHAKE = 0.45  # s, for which the stand trembles after a bump


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
            for k in far_to_near(st):
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

    def sphere(
        self, camera: Camera, path: BallPath, k: int, time: float, number: int
    ) -> Sphere | None:
        """A ball over the exposure; None if it is not there."""
        if not path.exists(time):
            return None
        mid = self.row_time(camera, time, path.at)
        a, b = mid - self.s.shutter / 2, mid + self.s.shutter / 2
        ends = np.array([path.at(a), path.at(mid), path.at(b)])
        if camera.depths(ends).min() < 0.3:
            return None
        px = camera.project(ends)
        n = int(np.clip(np.ceil(np.hypot(*(px[2] - px[0])) / 0.8), 1, 64))
        places = np.array([path.at(a + (j + 0.5) / n * (b - a)) for j in range(n)])
        return Sphere(k, places, ball_box(camera, places), number)

    def actor(self, camera: Camera, k: int, person: Person | Walker, time: float) -> Actor | None:
        """A person over the exposure; None if out of the picture."""
        s = self.s
        feet = feet_of(person, time)
        if s.readout:
            v = camera.project(np.array([[*feet, FLOOR + 0.7]]))[0, 1]
            time += float(np.clip(np.nan_to_num(v) / s.size[1], 0, 1)) * s.readout
        first, last = person.limbs(time - s.shutter / 2), person.limbs(time + s.shutter / 2)
        box = limbs_box(camera, first + last)
        if box is None:
            return None
        n = int(np.clip(np.ceil(_motion(camera, first, last) / 3.0), 1, 5))
        takes = [person.limbs(time + ((j + 0.5) / n - 0.5) * s.shutter) for j in range(n)]
        return Actor(k, takes, box, person, feet)

    def frame(self, number: int, time: float) -> np.ndarray:
        """One finished picture, planes stacked."""
        s, cast = self.s, self.cast
        bumped = int(s.bump is not None and time >= s.bump)
        st, (planes, amp) = self.stages[bumped], self.still[bumped]
        cam, now = st.camera, time + s.starts_at
        actors = [a for k, p in cast.people if (a := self.actor(cam, k, p, now)) is not None]
        ways = [(0, j, p) for j, p in enumerate(cast.balls)]
        ways += [(k, -1, p) for k, p in cast.other_balls]
        spheres = [b for k, j, p in ways if (b := self.sphere(cam, p, k, now, j)) is not None]
        free = np.zeros(len(cast.balls))
        out = [p.copy() for p in planes]
        for box in merge(boxes_of(st, actors, spheres), s.size):
            patch, zbuf = compose(st, actors, spheres, box, self.ball, s.under)
            self._paste(out, patch, box)
            for b in spheres:
                if b.number >= 0:
                    share = share_seen(st, b.middle, zbuf, box[0], box[1])
                    free[b.number] = free[b.number] if share is None else share
        for j, path in enumerate(cast.balls):
            if path.exists(now):
                place = path.at(self.row_time(cam, now, path.at))
                u, v = cam.project(place[None])[0]
                inside = 0 <= u <= s.size[0] - 1 and 0 <= v <= s.size[1] - 1
                self.seen[j][number] = (bool(free[j] > 0.5 and inside), float(u), float(v))
        if s.bump is not None and bumped and time < s.bump + SHAKE:
            out = _shaken(out, time - s.bump)
        gain = 1.0 + s.flicker * np.sin(2 * np.pi * 100.0 * now)
        return self.sensor.expose((out[0], out[1], out[2]), amp, gain)

    def _paste(self, out: list[np.ndarray], patch: np.ndarray, box: tuple) -> None:
        x0, y0, x1, y1 = box
        w, h = self.s.size
        y, cb, cr = self.sensor.develop(patch, x0, y0)
        m = 4  # the blur's reach: keep the inside only, unless at the frame's edge
        a0, b0 = (0 if x0 == 0 else m), (0 if y0 == 0 else m)
        a1 = (x1 - x0) - (0 if x1 == w else m)
        b1 = (y1 - y0) - (0 if y1 == h else m)
        out[0][y0 + b0 : y0 + b1, x0 + a0 : x0 + a1] = y[b0:b1, a0:a1]
        half = np.s_[(y0 + b0) // 2 : (y0 + b1) // 2, (x0 + a0) // 2 : (x0 + a1) // 2]
        inner = np.s_[b0 // 2 : b1 // 2, a0 // 2 : a1 // 2]
        out[1][half], out[2][half] = cb[inner], cr[inner]


def _shaken(planes: list[np.ndarray], age: float) -> list[np.ndarray]:
    """The picture while the stand still trembles from a bump."""
    dx = 26 * np.exp(-age / 0.14) * np.sin(age * 55)
    dy = 18 * np.exp(-age / 0.16) * np.sin(age * 47 + 1)
    half = (round(dy) // 2, round(dx) // 2)
    full = (2 * half[0], 2 * half[1])
    return [np.roll(p, full if k == 0 else half, (0, 1)) for k, p in enumerate(planes)]


def _motion(cam: Camera, first: list, last: list) -> float:
    ends = [[(p.centre if isinstance(p, Blade) else p.b) for p in parts] for parts in (first, last)]
    a, b = cam.project(np.array(ends[0])), cam.project(np.array(ends[1]))
    return float(np.nan_to_num(np.hypot(*(a - b).T)).max())


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
