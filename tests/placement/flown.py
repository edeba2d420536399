"""Balls flown by SciPy, seen by OpenCV and drawn as lit spheres: what a film yields, without one.

Flight with drag, and the bounce of a thin shell with Coulomb's friction or rolling (in the form of
Garwin, Am. J. Phys. 37:88, 1969), are written out here anew: nothing of the tool's own physics is
used to judge it. Sizes of table and ball: Laws 2.1.1, 2.3.1 and 2.3.2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from scipy.integrate import solve_ivp

from calibration import Calibration, Camera, calibrate_corners, field_to_focal, stand_camera, table
from placement.arcs import BallArc, fit_arc
from placement.ball import Candidates
from placement.ball_model import Look
from placement.paths import FollowedPath
from placement.sightings import Member, Window
from placement.tracing import expected_of
from placement.tracks import Run
from placement.trajectory import Sightings, first_guess, fit_path

RADIUS, G = 0.020, 9.80665
DRAG = 1.2041 * 0.45 * np.pi * RADIUS**2 / (2 * 0.0027)  # 1/m, air of 20 °C
SHELL = 2 / 3  # moment of inertia over m r^2
SIZE, PATCH, RATE = (1280, 720), 40, 60.0
EXPOSURE, GAMMA = 1 / 250, 2.2
TABLE_LIGHT, BALL_LIGHT = 0.06, 0.8
#: What `drawn` draws: an edge 1.6 px wide, and its shading.
LOOK = Look(
    exposure_s=EXPOSURE, blur_px=1.6 / 12**0.5, shading=(0.55, 0, 0.35, 0.10, 0, 0, 0, 0, 0)
)


def camera_beside(stand: tuple[float, float, float] = (-2.9, -2.7, 1.9)) -> Camera:
    """A phone behind and beside the negative end, 720p; height above the floor."""
    return stand_camera(stand, size=SIZE, focal_px=field_to_focal(62.0, SIZE[0]))


def calibrated(camera: Camera) -> Calibration:
    """As from corners known to 0.2 px."""
    return calibrate_corners(camera.project(table.CORNERS), SIZE, sd_px=0.2)


@dataclass(frozen=True, slots=True, eq=False)
class Touch:
    """A true bounce."""

    time: float
    place: np.ndarray  # (x, y), m
    incoming: np.ndarray
    outgoing: np.ndarray


def rebound(velocity: np.ndarray, spin: np.ndarray, e: float, mu: float):
    """Velocity and spin after a bounce on a level table."""
    slip = velocity[:2] + RADIUS * np.array([-spin[1], spin[0]])
    grip = -slip * SHELL / (1 + SHELL)
    most = mu * (1 + e) * abs(velocity[2])
    push = grip * min(1.0, most / max(float(np.hypot(*grip)), 1e-12))
    turn = np.array([push[1], -push[0], 0.0]) / (SHELL * RADIUS)
    return np.array([*(velocity[:2] + push), -e * velocity[2]]), spin + turn


@dataclass(slots=True, eq=False)
class Flown:
    """Flights of one ball, one after the other, and its bounces on the table."""

    drag: float = DRAG
    e: float = 0.9
    mu: float = 0.25
    legs: list = field(default_factory=list)
    touches: list[Touch] = field(default_factory=list)

    def leg(
        self, begin: float, place: Sequence[float], velocity: Sequence[float], end: float,
        spin: Sequence[float] = (0.0, 0.0, 0.0),
    ):  # fmt: skip
        """A free flight from a stroke, a net or a hand on, with all its bounces; returns itself.

        A ball that turns at `spin`, rad/s, is lifted across its flight by a coefficient of
        1 / (2 + v / (r w)), as measured on smooth spheres (value from memory); one that is sent off
        without spin is never lifted, which leaves its flight one to be worked out by hand.
        """
        lifted = bool(np.any(spin))

        def rate(_: float, y: np.ndarray) -> np.ndarray:
            pace, turning = float(np.linalg.norm(y[3:])), float(np.linalg.norm(spin))
            pull = -self.drag * pace * y[3:]
            if lifted and turning > 1e-9:
                lift = 1 / (2 + pace / (RADIUS * turning))
                pull = pull + DRAG / 0.45 * lift * pace * np.cross(spin, y[3:]) / turning
            return np.concatenate([y[3:], pull - [0, 0, G]])

        def touch(_: float, y: np.ndarray) -> float:
            return float(y[2] - RADIUS)

        touch.terminal, touch.direction = True, -1  # type: ignore[attr-defined]
        state, spin = np.array([*place, *velocity], float), np.array(spin, float)
        while begin < end - 1e-9:
            below = state[2] < RADIUS - 1e-6
            solved = solve_ivp(
                rate, (begin, end), state, "DOP853", events=None if below else touch, rtol=1e-9,
                atol=1e-10, dense_output=True,
            )  # fmt: skip
            until = float(solved.t[-1])
            self.legs.append((begin, until, solved.sol))
            if until >= end - 1e-9:
                break
            state = solved.y[:, -1].copy()
            if abs(state[0]) <= 1.37 and abs(state[1]) <= 0.7625:
                after, spin = rebound(state[3:], spin, self.e, self.mu)
                self.touches.append(Touch(until, state[:2].copy(), state[3:].copy(), after))
                state = np.array([*state[:2], RADIUS + 1e-9, *after])
            else:
                state[2] = RADIUS - 2e-6  # past the edge it falls on
            begin = until
        return self

    def at(self, times: np.ndarray) -> np.ndarray:
        """Places (N, 3) at `times`; NaN when there is no ball."""
        return self._state(times)[:, :3]

    def _state(self, times: np.ndarray) -> np.ndarray:
        out = np.full((len(times), 6), np.nan)
        for begin, end, sol in self.legs:
            inside = (times >= begin) & (times <= end)
            if inside.any():
                out[inside] = sol(times[inside]).T
        return out

    @property
    def span(self) -> tuple[float, float]:
        return self.legs[0][0], self.legs[-1][1]


def pixels(camera: Camera, places: np.ndarray) -> np.ndarray:
    """Pictures of `places` (N, 3) by OpenCV; NaN where a place is NaN."""
    out = np.full((len(places), 2), np.nan)
    known = np.isfinite(places).all(axis=1)
    if known.any():
        turn, _ = cv2.Rodrigues(camera.rotation)
        found, _ = cv2.projectPoints(
            places[known], turn, camera.translation, camera.matrix, camera.distortion
        )
        out[known] = found.reshape(-1, 2)
    return out


def good_serve(begin: float = 1.0, end: int = -1, y: float = 0.0, until: float = 1.1) -> Flown:
    """A short serve from an end: 20 cm behind the line, 30 cm high, level at 4.5 m/s."""
    side = -end
    return Flown().leg(begin, (end * 1.57, y, 0.30), (side * 4.5, 0.3 * side, 0.0), begin + until)


def seen(
    camera: Camera,
    flown: Flown,
    times: np.ndarray,
    rng: np.random.Generator,
    *,
    sd: float = 0.25,
    n: int | None = None,
) -> FollowedPath:
    """The path fitted to a ball's pictures at `times`, each off by `sd` px, as if followed.

    Parameters
    ----------
    n : int, optional
        Bounces that the path has: those between the first and the last of `times`, if not given.
    """
    points = pixels(camera, flown.at(times))
    touches = [t for t in flown.touches if times[0] < t.time < times[-1]]
    if n is not None:
        touches = touches[:n]
    sightings = Sightings(
        times,
        points + rng.normal(0, sd, points.shape),
        np.tile(sd**2 * np.eye(2), (len(times), 1, 1)),
    )
    start = first_guess(
        [t.time for t in touches], touches[0].place, touches[0].incoming,
        [t.outgoing for t in touches], expected_of(camera),
    )  # fmt: skip
    path = fit_path(camera, sightings, start, len(touches), expected_of(camera))
    assert path is not None
    frames = np.rint(times * RATE).astype(int)
    return FollowedPath(
        path, frames, sightings, np.ones(len(times), bool),
        tuple((blank(int(f), float(t)), 0) for f, t in zip(frames, times, strict=True)),
        float(times[0]), float(times[-1]),
    )  # fmt: skip


def blank(frame: int, time: float) -> Candidates:
    """A frame of which nothing but the time is kept."""
    return Candidates(
        frame=frame, time_s=time, points=np.empty((0, 2)), strengths=np.empty(0),
        compactness=np.empty(0), patches=(), near_s=2 / RATE, origins=np.empty((0, 2), int),
    )  # fmt: skip


def drawn(
    places: Sequence[tuple[np.ndarray, float, np.ndarray] | None],
    origin: np.ndarray,
    rng: np.random.Generator,
    light: float = BALL_LIGHT,
) -> np.ndarray:
    """Luma (5, P, P) about a ball lit from above at five instants.

    Each of `places` is centre, radius, px, and velocity, px/s; or None without a ball. The light is
    added up over the exposure and then stored by the 2.2th root (ITU-R BT.709 and sRGB, nearly).
    """
    u = np.arange(PATCH)[None, :] + origin[0]
    v = np.arange(PATCH)[:, None] + origin[1]
    out = np.empty((5, PATCH, PATCH), np.uint8)
    for k, ball in enumerate(places):
        light_here = np.full((PATCH, PATCH), TABLE_LIGHT)
        if ball is not None:
            centre, radius, velocity = ball
            moments = (np.linspace(-0.5, 0.5, 9) * EXPOSURE)[:, None, None]
            du, dv = u - centre[0] - velocity[0] * moments, v - centre[1] - velocity[1] * moments
            far_2 = du * du + dv * dv
            cover = ((radius - np.sqrt(far_2)) / 1.6 + 0.5).clip(0, 1)
            front = np.sqrt(np.maximum(1 - far_2 / radius**2, 0))
            shade = (0.55 - 0.35 * dv / radius + 0.10 * front).clip(0.05, 1.0)
            light_here += (cover * (light * shade - TABLE_LIGHT)).mean(axis=0)
        grey = 255 * np.maximum(light_here, 0) ** (1 / GAMMA) + rng.normal(0, 1.2, (PATCH, PATCH))
        out[k] = np.rint(grey).clip(0, 255)
    return out


def candidates(
    camera: Camera,
    flown: Flown | None,
    times: np.ndarray,
    rng: np.random.Generator,
    *,
    clutter: int = 0,
    light: float = BALL_LIGHT,
    hidden: Sequence[tuple[float, float]] = (),
) -> tuple[dict[int, Candidates], dict[int, int]]:
    """Frames at `times` (one every 1 / RATE) and, by frame, which candidate is the ball.

    The ball's candidate lies above its centre by 0.3 radii, where its bright half is, and scatters
    by half a pixel. Others lie anywhere in the picture and show a bar that comes and goes.
    """
    near, far = 2 / RATE, 8 / RATE
    others = _bars(rng) if clutter else np.empty((0, 5, PATCH, PATCH), np.uint8)
    frames, ball_of = {}, {}
    for t in times.tolist():
        frame = round(t * RATE)
        points = rng.uniform((0, 0), SIZE, (clutter, 2))
        patches = others[rng.integers(0, len(others), clutter)] if clutter else others
        strengths, compact = rng.uniform(15, 90, clutter), rng.uniform(0.3, 0.8, clutter)
        origins = _origins(points)
        covered = any(low <= t <= high for low, high in hidden)
        instants = t + np.array([-far, -near, 0.0, near, far])
        balls = [None] * 5 if flown is None else _balls(camera, flown, instants)
        if balls[2] is not None and not covered:
            centre, radius, _ = balls[2]
            point = centre + rng.normal(0, 0.5, 2)
            point[1] -= 0.3 * radius
            origin = _origins(point[None])
            m = int(rng.integers(0, clutter + 1))
            points = np.insert(points, m, point, axis=0)
            patches = np.insert(patches, m, drawn(balls, origin[0], rng, light), axis=0)
            strengths, compact = np.insert(strengths, m, 40.0), np.insert(compact, m, 0.7)
            origins = np.insert(origins, m, origin[0], axis=0)
            ball_of[frame] = m
        frames[frame] = Candidates(
            frame=frame, time_s=t, points=points, strengths=strengths, compactness=compact,
            patches=patches, near_s=near, origins=origins,
            reds=np.full((len(points), 5, PATCH // 2, PATCH // 2), 128, np.uint8),
        )  # fmt: skip
    return frames, ball_of


def _balls(camera: Camera, flown: Flown, instants: np.ndarray):
    step = 1e-3
    both = flown.at(np.concatenate([instants, instants - step, instants + step]))
    at = pixels(camera, both)
    depth = camera.depths(both[: len(instants)])
    out = []
    for k in range(len(instants)):
        centre, before, after = at[k], at[k + 5], at[k + 10]
        inside = (
            np.isfinite(centre).all() and (centre > 4).all() and (centre < np.array(SIZE) - 4).all()
        )
        if not inside:
            out.append(None)
            continue
        ends = [(before, -step), (centre, 0.0), (after, step)]
        ends = [e for e in ends if np.isfinite(e[0]).all()]
        speed = (ends[-1][0] - ends[0][0]) / max(ends[-1][1] - ends[0][1], 1e-9)
        out.append((centre, float(camera.matrix[0, 0] * RADIUS / depth[k]), speed))
    return out


def _origins(points: np.ndarray) -> np.ndarray:
    most = np.array([SIZE[0] - PATCH, SIZE[1] - PATCH])
    return np.clip(2 * np.rint((points - (PATCH - 1) / 2) / 2).astype(int), 0, most)


def _bars(rng: np.random.Generator) -> np.ndarray:
    """Pictures of something that is no ball: a bright bar across, in the frame alone."""
    out = np.clip(rng.normal(70, 1.5, (12, 5, PATCH, PATCH)), 0, 255)
    u, v = np.meshgrid(np.arange(PATCH) - PATCH / 2, np.arange(PATCH) - PATCH / 2)
    for k in range(len(out)):
        turn = np.pi * k / len(out)
        out[k, 2][np.abs(u * np.cos(turn) + v * np.sin(turn)) < 4] += 110
    return np.rint(np.clip(out, 0, 255)).astype(np.uint8)


def window_of(camera: Camera, frames: dict[int, Candidates], look) -> Window:
    return Window(camera, frames, look, expected_of(camera))


def run_of(frames: dict[int, Candidates], members: Sequence[Member]) -> Run:
    """A run of chosen candidates."""
    chosen = sorted(members)
    return Run(
        np.array([f for f, _ in chosen]),
        np.array([m for _, m in chosen]),
        np.array([frames[f].time_s for f, _ in chosen]),
        np.array([frames[f].points[m] for f, m in chosen]),
    )


def arc_between(
    camera: Camera, frames: dict[int, Candidates], ball_of: dict[int, int], low: float, high: float
) -> BallArc:
    """The arc of the ball's sightings between two times, s."""
    arc = fit_arc(
        camera,
        run_of(frames, [(f, m) for f, m in ball_of.items() if low < frames[f].time_s < high]),
    )
    assert arc is not None
    return arc


def times_of(begin: float, end: float) -> np.ndarray:
    """Frames' times between two instants."""
    return np.arange(np.ceil(begin * RATE), np.floor(end * RATE) + 1) / RATE
