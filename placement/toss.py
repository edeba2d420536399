"""Throws among the candidates: the free flight of a ball between the hand and the bat.

A thrown ball falls as every ball does, so three candidates a little apart in time tell a throw from
other things: their picture bends as gravity asks at that distance. Each such triple is a guess; a
flight with drag is fitted to the candidates that lie on it, as far as it goes on without a gap.
What a throw alone shows badly, its distance from the camera, comes from the stroke's place, near
which a toss stays because it goes nearly straight up (Law 2.6.2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration import table
from calibration.camera import Camera
from placement import flight

_WIDE = 0.55  # m to each side of the stroke in which a toss is looked for
_BELOW, _ABOVE = 0.45, 1.3  # m
_STEP = 0.05  # s between the candidates of a triple
_BEND = 0.3  # share by which a triple's bend may differ from gravity's
_FASTEST = 5.0  # m/s
_SEEDS = 24  # triples that are followed
_SPAN = 0.10  # s to each side of a triple in which it is judged
_FEWEST = 5  # frames that must show a throw
_SHORTEST = 0.10  # s that it must be seen
_GAP_S, _GAP_FRAMES = 0.075, 2  # a throw is not followed across a longer gap
_RAW_SD = 0.6  # px at 1920 px width, scatter of a candidate
_RAW_SHARE = 0.06  # of the ball's radius, added to it
_SHADE, _SHADE_SD = 0.35, 0.15  # radii by which candidates sit above the ball's centre
_PLACE_SD = 0.15  # m, level distance between a toss and the stroke's place
_DRIFT_SD = 0.4  # m/s, level speed of a toss
_GATES = (0.6, 0.45, 0.35, 0.35)  # radii around a throw within which a candidate is on it
_GATE_PX = 2.5  # px at 1920 px width, added to it
_STEPS = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Toss:
    """One toss.

    Attributes
    ----------
    release_s, release_sd_s : float
        When the ball left the hand, and its standard deviation.
    contact_s : float
        When the bat met it.
    rise_m, rise_sd_m : float
        From the hand to the top.
    n_frames : int
        Frames that show it.
    """

    release_s: float
    release_sd_s: float
    contact_s: float
    rise_m: float
    rise_sd_m: float
    n_frames: int


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """Candidates of a stretch of film, padded to one array.

    Attributes
    ----------
    times : ndarray, shape (K,)
        s.
    points : ndarray, shape (K, M, 2)
        px; infinite where a frame has fewer than M.
    """

    times: np.ndarray
    points: np.ndarray

    @property
    def step(self) -> float:
        """Usual time between frames, s."""
        return float(np.median(np.diff(self.times)))

    def nearest(self, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Nearest candidates (..., K, 2) to places (..., K, 2), and how far, px, (..., K)."""
        gap = np.hypot(
            self.points[:, :, 0] - at[..., None, 0], self.points[:, :, 1] - at[..., None, 1]
        )
        k = np.argmin(gap, axis=-1)
        found = self.points[np.arange(len(self.times)), k]
        return found, np.take_along_axis(gap, k[..., None], axis=-1)[..., 0]


def frames_of(
    history: Sequence[tuple[float, np.ndarray]], first: float, last: float, *, late_s: float = 0.0
) -> Frames:
    """The frames between two times, s, as arrays; `late_s` after their stamps."""
    rows = [(t + late_s, p) for t, p in history if first <= t + late_s <= last]
    most = max((len(p) for _, p in rows), default=0)
    points = np.full((len(rows), max(1, most), 2), np.inf)
    for k, (_, p) in enumerate(rows):
        points[k, : len(p)] = p
    return Frames(np.array([t for t, _ in rows]), points)


@dataclass(frozen=True, slots=True, eq=False)
class Throw:
    """A ball's free flight, fitted to candidates.

    Attributes
    ----------
    time_s : float
        Of the state.
    state : ndarray, shape (8,)
        Place, m, velocity, m/s, and by how much candidates lie beside the ball, px.
    covariance : ndarray, shape (8, 8)
    first_s, last_s : float
        Between which it is seen.
    n_frames : int
        Frames that show it.
    scatter_px : float
        Standard deviation of the candidates on it, px on each axis.
    share : float
        Of the frames between, those that show it.
    prior : ndarray, shape (2, 8)
        Mean and standard deviation of the state as expected before it was seen.
    """

    time_s: float
    state: np.ndarray
    covariance: np.ndarray
    first_s: float
    last_s: float
    n_frames: int
    scatter_px: float
    share: float
    prior: np.ndarray

    def moved(self, state: np.ndarray) -> Throw:
        """The throw with another state."""
        return replace(self, state=state)

    def at(self, times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Places and velocities at `times` (N,), each of shape (N, 3)."""
        place, velocity = fly(self.state[None], np.asarray(times) - self.time_s)
        return place[0], velocity[0]

    def slopes(self, times: np.ndarray) -> np.ndarray:
        """Derivatives of places and velocities by the state, shape (N, 6, 8)."""
        since = np.asarray(times) - self.time_s
        place, velocity = fly(self.state + _STEPS * np.eye(8), since)
        back = fly(self.state - _STEPS * np.eye(8), since)
        both = np.concatenate([place - back[0], velocity - back[1]], axis=2) / (2 * _STEPS)
        return np.asarray(both.transpose(1, 2, 0))

    def candidates(self, camera: Camera, times: np.ndarray) -> np.ndarray:
        """Where candidates of the ball are expected at `times` (N,), px, shape (N, 2)."""
        return np.asarray(camera.project(self.at(times)[0]) + self.state[6:])


def fly(states: np.ndarray, since: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places and velocities of balls without spin, from states (B, 6 or more), at `since` (N,).

    Returns two arrays of shape (B, N, 3).
    """
    shape = (len(states), len(since), 3)
    place, velocity = np.empty(shape), np.empty(shape)
    for side in (since < 0, since >= 0):
        if not side.any():
            continue
        far = float(since[side][np.argmax(np.abs(since[side]))])
        far = far if abs(far) > 1e-3 else 1e-3 * (-1 if since[side][0] < 0 else 1)
        arc = flight.fly(states[:, :3], states[:, 3:6], np.zeros((len(states), 3)), far)
        wanted = np.broadcast_to(since[side], (len(states), int(side.sum())))
        place[:, side], velocity[:, side] = arc.at(wanted), arc.velocity_at(wanted)
    return place, velocity


def ball_radius_px(camera: Camera, place: np.ndarray) -> float:
    """Radius of the ball's picture at a place (3,), px."""
    return float(camera.matrix[0, 0] * table.BALL_RADIUS / camera.depths(place[None])[0])


def find_throws(camera: Camera, place: np.ndarray, frames: Frames, *, most: int = 4) -> list[Throw]:
    """Throws near a place, longest first.

    Parameters
    ----------
    camera : Camera
    place : ndarray, shape (3,)
        Where the ball is struck later, roughly, m.
    frames : Frames
        Of the second before.
    most : int
        So many at most are returned.
    """
    if len(frames.times) < _FEWEST:
        return []
    frames = Frames(frames.times, _near(camera, place, frames.points))
    throws: list[Throw] = []
    for time, at, velocity in _seeds(camera, place, frames):
        if any(_is_on(camera, t, time, at) for t in throws):
            continue
        throw = _followed(camera, place, frames, time, at, velocity)
        if throw is not None:
            throws.append(throw)
    return sorted(throws, key=lambda t: t.n_frames, reverse=True)[:most]


def _near(camera: Camera, place: np.ndarray, points: np.ndarray) -> np.ndarray:
    """The candidates within the part of the picture where a toss can be; others are infinite."""
    sides = np.array([-_WIDE, _WIDE])
    box = np.stack(np.meshgrid(sides, sides, [-_BELOW, _ABOVE], indexing="ij"), axis=-1)
    seen = camera.project(place + box.reshape(-1, 3))
    seen = seen[np.isfinite(seen).all(axis=1)]
    if not len(seen):
        return points
    low, high = seen.min(axis=0), seen.max(axis=0)
    inside = ((points >= low) & (points <= high)).all(axis=-1)
    kept = np.where(inside[..., None], points, np.inf)
    order = np.argsort(~inside, axis=1, kind="stable")
    width = max(1, int(inside.sum(axis=1).max()))
    return np.asarray(np.take_along_axis(kept, order[:, :width, None], axis=1))


def _seeds(
    camera: Camera, place: np.ndarray, frames: Frames
) -> list[tuple[float, np.ndarray, np.ndarray]]:
    """Time, picture and its speed of triples that bend as gravity asks, most borne out first."""
    times, points = frames.times, frames.points
    axes = np.eye(3) * 1e-2
    slope = (camera.project(place + axes) - camera.project(place - axes)).T / 2e-2  # (2, 3) px/m
    pull = slope @ np.array([0.0, 0.0, -flight.GRAVITY])
    scale = max(camera.size) / 1920
    px_per_m = float(np.linalg.norm(slope, 2))
    d = max(1, round(_STEP / frames.step))
    middle = np.arange(d, len(times) - d)
    if not len(middle):
        return []
    a, b, c = points[middle - d], points[middle], points[middle + d]
    before = (times[middle] - times[middle - d])[:, None, None, None]
    after = (times[middle + d] - times[middle])[:, None, None, None]
    with np.errstate(invalid="ignore"):
        first = (b[:, None, :, :] - a[:, :, None, :]) / before  # (K, A, B, 2)
        second = (c[:, None, :, :] - b[:, :, None, :]) / after  # (K, B, C, 2)
        slow = [np.hypot(v[..., 0], v[..., 1]) < _FASTEST * px_per_m for v in (first, second)]
        bend = second[:, None] - first[:, :, :, None]  # (K, A, B, C, 2)
        half = ((before + after) / 2)[..., None]
        off = bend - pull * half
        size = np.hypot(off[..., 0], off[..., 1])
        noise = 2.5 * (1.0 * scale + _RAW_SHARE * px_per_m * table.BALL_RADIUS)
        limit = noise / half[..., 0] + _BEND * np.linalg.norm(pull) * half[..., 0]
        good = (size < limit) & slow[0][:, :, :, None] & slow[1][:, None]
        k, i, j, m = np.nonzero(good)
    if not len(k):
        return []
    at = b[k, j]
    speed = (c[k, m] - a[k, i]) / (times[middle[k] + d] - times[middle[k] - d])[:, None]
    when = times[middle[k]]
    support = np.zeros(len(k))
    reach = noise + 0.15 * px_per_m * table.BALL_RADIUS
    since = times[None] - when[:, None]
    for f in range(len(times)):
        close = np.flatnonzero(np.abs(since[:, f]) <= _SPAN + 1e-6)
        if not len(close):
            continue
        s = since[close, f][:, None]
        wanted = at[close] + speed[close] * s + pull * s**2 / 2
        gap = wanted[:, None] - points[f][None]
        support[close] += (np.hypot(gap[..., 0], gap[..., 1]) < reach).any(axis=1)
    order = np.argsort(-support, kind="stable")
    taken: list[int] = []
    for n in order.tolist():
        if support[n] < min(_FEWEST - 1, 2 * _SPAN / frames.step * 0.6) or len(taken) == _SEEDS:
            break
        # another triple of the same throw adds nothing
        same = False
        for o in taken:
            s = when[n] - when[o]
            wanted = at[o] + speed[o] * s + pull * s**2 / 2
            if abs(s) < 2 * _SPAN and np.hypot(*(wanted - at[n])) < 2 * reach:
                same = True
                break
        if not same:
            taken.append(n)
    return [(float(when[n]), at[n], speed[n]) for n in taken]


def _is_on(camera: Camera, throw: Throw, time: float, at: np.ndarray) -> bool:
    if not throw.first_s <= time <= throw.last_s:
        return False
    wanted = throw.candidates(camera, np.array([time]))[0]
    radius = ball_radius_px(camera, throw.state[:3])
    return bool(np.hypot(*(wanted - at)) < 0.5 * radius + _GATE_PX)


def _followed(
    camera: Camera,
    place: np.ndarray,
    frames: Frames,
    time: float,
    at: np.ndarray,
    speed: np.ndarray,
) -> Throw | None:
    """Fit a flight to the candidates around a triple, then to ever more of them."""
    radius = ball_radius_px(camera, place)
    scale = max(camera.size) / 1920
    shade = np.array([0.0, -_SHADE * radius])
    sd = float(np.hypot(_RAW_SD * scale, _RAW_SHARE * radius))
    depth = float(camera.depths(place[None])[0])
    here = _lifted(camera, at - shade, depth)
    ahead = _lifted(camera, at - shade + speed * 1e-2, depth)
    state = np.concatenate([here, (ahead - here) / 1e-2, shade])
    prior = np.concatenate([np.append(place[:2], here[2]), np.zeros(2), state[5:6], shade])
    shade_sd = np.array([0.08, _SHADE_SD]) * radius + 0.2
    prior_sd = np.concatenate([[_PLACE_SD, _PLACE_SD, 5.0, _DRIFT_SD, _DRIFT_SD, 9.0], shade_sd])
    since = frames.times - time
    hits = np.abs(since) <= _SPAN + 1e-6
    covariance = np.eye(8)
    for gate in _GATES:
        reach = gate * radius + _GATE_PX * scale
        seen, gap = frames.nearest(_pictures(camera, state[None], since)[0])
        hits = _unbroken(gap < reach, hits, frames.times)
        if hits.sum() < _FEWEST - 1:
            return None
        for _ in range(2):
            state, covariance, rows = _step(
                camera, state, since[hits], seen[hits], sd, prior, prior_sd
            )
        if not np.isfinite(state).all() or np.abs(state[3:6]).max() > 3 * _FASTEST:
            return None
    seen, gap = frames.nearest(_pictures(camera, state[None], since)[0])
    hits = _unbroken(gap < reach, hits, frames.times)
    first, last = frames.times[hits][[0, -1]]
    if hits.sum() < _FEWEST or last - first < _SHORTEST:
        return None
    excess = float(np.sqrt(max(1.0, np.mean(np.minimum(np.abs(rows), 4.0) ** 2))))
    inside = (frames.times >= first) & (frames.times <= last)
    return Throw(
        time_s=time,
        state=state,
        covariance=covariance * excess**2,
        first_s=float(first),
        last_s=float(last),
        n_frames=int(hits.sum()),
        scatter_px=sd * excess,
        share=float(hits.sum() / inside.sum()),
        prior=np.stack([prior, prior_sd]),
    )


def _lifted(camera: Camera, point: np.ndarray, depth: float) -> np.ndarray:
    """The place at a depth, m, that is seen at a point, px."""
    ray = camera.rays(point[None])[0]
    return np.asarray(camera.centre + ray * (depth / float(camera.rotation[2] @ ray)))


def _pictures(camera: Camera, states: np.ndarray, since: np.ndarray) -> np.ndarray:
    return np.asarray(camera.project(fly(states, since)[0]) + states[:, None, 6:])


def _unbroken(near: np.ndarray, seed: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Frames that show the throw on both sides of the seed until the ball is missed too long."""
    out = np.zeros(len(near), bool)
    middle = int(np.median(np.flatnonzero(seed)))
    for way in (range(middle, -1, -1), range(middle, len(near))):
        last, missed = times[middle], 0
        for k in way:
            if near[k]:
                out[k] = True
                last, missed = times[k], 0
                continue
            missed += 1
            if missed > _GAP_FRAMES and abs(times[k] - last) > _GAP_S:
                break
    return out


def _step(
    camera: Camera,
    state: np.ndarray,
    since: np.ndarray,
    seen: np.ndarray,
    sd: float,
    prior: np.ndarray,
    prior_sd: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """One step of Gauss and Newton's method with Huber's weights; also residuals before it."""
    steps = np.array([1e-3] * 6 + [1e-2] * 2)
    batch = np.concatenate([state[None], state + np.diag(steps)])
    values = ((_pictures(camera, batch, since) - seen) / sd).reshape(9, -1)
    jacobian = ((values[1:] - values[0]) / steps[:, None]).T
    rows = values[0]
    weight = 1 / np.maximum(1.0, np.abs(rows) / 2)
    normal = jacobian.T @ (weight[:, None] * jacobian) + np.diag(1 / prior_sd**2)
    slope = jacobian.T @ (weight * rows) + (state - prior) / prior_sd**2
    covariance = np.linalg.inv(normal)
    return state - covariance @ slope, covariance, rows


def picture_slopes(
    camera: Camera, throw: Throw, times: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Where candidates of a throw are expected at `times` (K,), and derivatives by its state.

    Shapes (K, 2) and (K, 2, 8).
    """
    steps = np.array([1e-3] * 6 + [1e-2] * 2)
    batch = np.concatenate([throw.state[None], throw.state + np.diag(steps)])
    values = _pictures(camera, batch, np.asarray(times) - throw.time_s)
    return values[0], ((values[1:] - values[0]) / steps[:, None, None]).transpose(1, 2, 0)
