"""A toss and a stroke, traced by SciPy, and the candidates that a film of them would give."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.integrate import OdeSolution, solve_ivp

from calibration import Camera, field_to_focal, stand_camera, table
from placement import flight
from placement.paths import FollowedPath
from placement.trajectory import Expectations, Sightings, first_guess, fit_path
from tests.placement.balls import trace

STROKE = np.array([-1.50, 0.20, 0.24])
STRUCK = np.array([4.2, -0.5, 0.3])  # m/s, just after the bat
CONTACT = 5.0  # s
SIZE = (1920, 1080)
VIEWS = {
    "behind": (-3.8, -1.0, 1.25),
    "side": (-0.6, -3.6, 1.0),
    "diagonal": (3.0, -2.4, 1.5),
    "balcony": (-3.6, 2.2, 2.6),
}


@dataclass(frozen=True)
class Film:
    """What the camera saw, and what was so."""

    camera: Camera
    history: list[tuple[float, np.ndarray]]
    release_s: float
    rise_m: float


def camera_at(view: str) -> Camera:
    return stand_camera(VIEWS[view], size=SIZE, focal_px=field_to_focal(66.0, SIZE[0]))


def thrown(times: np.ndarray, falling: float) -> np.ndarray:
    """Places (N, 3) at `times` <= 0 before the stroke of a ball that meets the bat `falling`."""
    return np.asarray(_throw(falling)(times)[:3].T)


@cache
def _throw(falling: float) -> OdeSolution:
    """The 1.3 s before the stroke, traced once."""

    def rate(_: float, y: np.ndarray) -> np.ndarray:
        pull = -flight.drag_constant() * np.linalg.norm(y[3:]) * y[3:]
        return np.concatenate([y[3:], pull - [0, 0, flight.GRAVITY]])

    start = np.concatenate([STROKE, [0.06, -0.05, -falling]])
    return solve_ivp(
        rate, (0.0, -1.3), start, "DOP853", rtol=1e-10, atol=1e-10, dense_output=True
    ).sol


def film(
    view: str,
    rate: float,
    *,
    seed: int,
    rise: float = 0.30,
    falling: float = 2.0,
    covered_s: float = 0.0,
    with_hand: bool = True,
    clutter: int = 10,
) -> Film:
    """Candidates of the 1.1 s before the stroke: ball, hand and other things.

    The hand pushes evenly from rest for 0.1 s. For `covered_s` after the release, and all the time
    in the hand, the ball may be hidden by someone who stands before it.
    """
    camera, rng = camera_at(view), np.random.default_rng(seed)
    fine = np.arange(-1.2, 0.0, 5e-4)
    height = thrown(fine, falling)[:, 2]
    top = int(np.argmax(height))
    k = int(np.argmin(np.abs(height[:top] - (height[top] - rise))))
    release = float(fine[k])
    at = thrown(np.array([release, release + 1e-4]), falling)
    speed = (at[1] - at[0]) / 1e-4
    times = np.arange(-1.1 + rng.uniform(0, 1 / rate), -0.002, 1 / rate)
    radius = camera.matrix[0, 0] * table.BALL_RADIUS / camera.depths(STROKE[None])[0]
    rows = []
    for t in times:
        e = release - t
        if e <= 0:
            place = thrown(np.array([t]), falling)[0]
        else:
            pushed = min(e, 0.1)
            place = at[0] - speed * pushed + speed / 0.1 * pushed**2 / 2
        points = [rng.uniform((0, 0), SIZE, (clutter, 2))]
        seen = rng.uniform() < (0.95 if e <= 0 else 0.7)
        hidden = covered_s > 0 and e > -covered_s
        moving = e < 0.1  # a ball at rest is no candidate
        if seen and moving and not hidden:
            picture = camera.project(place[None])[0] - [0, 0.35 * radius]
            points.append(picture[None] + rng.normal(0, 0.3 + 0.05 * radius, (1, 2)))
        if with_hand and -0.1 < e < 0.15 and not hidden:
            wrist = at[0] - [0.05, 0.0, 0.07 + 0.6 * max(0.0, e)]
            points.append(camera.project(wrist[None]) + rng.normal(0, 2.0, (1, 2)))
        rows.append((float(t) + CONTACT, np.concatenate(points)))
    return Film(camera, rows, CONTACT + release, rise)


def followed(
    camera: Camera,
    rate: float,
    history: list[tuple[float, np.ndarray]],
    *,
    seed: int,
    late: int = 1,
) -> tuple[FollowedPath, float]:
    """The path after the stroke, fitted to its pictures from the `late`-th on; its first bounce."""
    rng = np.random.default_rng(seed)
    fine = np.arange(0.0, 0.7, 2e-4)
    places = trace(STROKE, STRUCK, fine)
    low = np.flatnonzero((places[1:-1, 2] < places[:-2, 2]) & (places[1:-1, 2] < places[2:, 2])) + 1
    bounces = fine[low[:2]]
    assert len(bounces) == 2
    times = np.arange(rng.uniform(0, 1 / rate), 0.6, 1 / rate)[late:]
    points = camera.project(trace(STROKE, STRUCK, times)) + rng.normal(0, 0.3, (len(times), 2))
    sightings = Sightings(CONTACT + times, points, np.tile(0.3**2 * np.eye(2), (len(times), 1, 1)))
    speeds = [(places[k + 1] - places[k]) / 2e-4 for b in low[:2] for k in (b - 3, b + 2)]
    start = first_guess(
        list(CONTACT + bounces), places[low[0], :2], speeds[0], [speeds[1], speeds[3]],
        Expectations(),
    )  # fmt: skip
    path = fit_path(camera, sightings, start, 2, Expectations())
    assert path is not None
    n = len(times)
    return FollowedPath(
        path=path, frames=np.arange(n), sightings=sightings, measured=np.ones(n, bool),
        pictures=(), first_seen=float(CONTACT + times[0]), last_seen=float(CONTACT + times[-1]),
        history=tuple(history),
    ), float(CONTACT + bounces[0])  # fmt: skip
