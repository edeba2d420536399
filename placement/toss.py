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
from placement.collocation import scheme
from placement.projection import project_with_slopes

_WIDE = 0.55  # m to each side of the stroke in which a toss is looked for
_BELOW, _ABOVE = 0.45, 1.3  # m
_STEP = 0.05  # s between the candidates of a triple
_BEND = 0.3  # share by which a triple's bend may differ from gravity's
_FASTEST = 5.0  # m/s
_WILD = 3 * _FASTEST  # speed along an axis at which a fit has lost its throw
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
_NODES, _ROUNDS = 10, 7  # Gauss points, and rounds, with which a throw is traced


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
        u = np.ascontiguousarray(self.points[:, :, 0]) - at[..., None, 0]
        v = np.ascontiguousarray(self.points[:, :, 1]) - at[..., None, 1]
        u *= u
        v *= v
        u += v
        k = np.argmin(u, axis=-1)
        found = self.points[np.arange(len(self.times)), k]
        return found, np.sqrt(np.take_along_axis(u, k[..., None], axis=-1)[..., 0])


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
        place, velocity = fly(_spread(self.state[None]), np.asarray(times) - self.time_s)
        out = np.zeros((len(times), 6, 8))
        out[:, :3, :3] = np.eye(3)
        out[:, :3, 3:6] = _by_speed(place)
        out[:, 3:, 3:6] = _by_speed(velocity)
        return out

    def candidates(self, camera: Camera, times: np.ndarray) -> np.ndarray:
        """Where candidates of the ball are expected at `times` (N,), px, shape (N, 2)."""
        return np.asarray(camera.project(self.at(times)[0]) + self.state[6:])


def fly(
    states: np.ndarray, since: np.ndarray, begun: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Places and velocities of balls without spin, at times common to all.

    What drag does is a polynomial through Gauss points of the time, found by Picard's iteration
    (Hairer, Norsett and Wanner, Solving Ordinary Differential Equations I, 1993, section I.8), for
    all balls at once: to about 1e-5 m over a second.

    Parameters
    ----------
    states : ndarray, shape (B, 6 or more)
        Places, m, and velocities, m/s.
    since : ndarray, shape (N,)
        s.
    begun : ndarray, shape (B,), optional
        When, on the same clock, each ball has its state; 0 otherwise.

    Returns
    -------
    places, velocities : ndarray, shape (B, N, 3)
    """
    begun = np.zeros(len(states)) if begun is None else begun
    low = float(min(since.min(initial=np.inf), begun.min()))
    span = float(max(since.max(initial=-np.inf), begun.max())) - low + 1e-3
    nodes = scheme(_NODES)
    velocity = states[:, None, 3:6]
    begin = (begun - low) / span
    far0, quick0 = nodes.weights(begin)  # (B, n)
    free = np.zeros((len(states), _NODES, 3))
    free[:, :, 2] = -flight.GRAVITY * span * (nodes.points - begin[:, None])
    free += velocity
    inner = span * (nodes.integral - quick0[:, None])  # (B, n, n)
    drag = -flight.drag_constant()
    moving = free
    for _ in range(_ROUNDS):
        speed = np.minimum(np.sqrt((moving * moving).sum(axis=2, keepdims=True)), _WILD)
        moving = free + inner @ (drag * speed * moving)
    speed = np.minimum(np.sqrt((moving * moving).sum(axis=2, keepdims=True)), _WILD)
    slowed = (drag * span) * speed * moving
    at = (since - low) / span
    far, quick = nodes.weights(at)
    lag = at - begin[:, None]  # (B, N)
    beyond = far - far0[:, None] - lag[:, :, None] * quick0[:, None]
    fall = (-flight.GRAVITY * span) * lag
    place = (span * beyond) @ slowed
    place += states[:, None, :3]
    place += (span * lag)[:, :, None] * velocity
    place[:, :, 2] += (span / 2) * lag * fall
    speeds = (quick - quick0[:, None]) @ slowed
    speeds += velocity
    speeds[:, :, 2] += fall
    return place, speeds


def _spread(states: np.ndarray) -> np.ndarray:
    """States (B, 8) and, for each, three of a little other velocity, shape (4 B, 8)."""
    out = np.repeat(states, 4, axis=0)
    for k in range(3):
        out[k + 1 :: 4, 3 + k] += _STEPS
    return out


def _by_speed(values: np.ndarray) -> np.ndarray:
    """Derivatives (N, 3, 3) of vectors (4, N, 3) of one spread state by its velocity."""
    return np.asarray(((values[1:] - values[0]) / _STEPS).transpose(1, 2, 0))


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
    # a path that was drawn back too far may lie behind the camera: no throw is seen there
    in_sight = np.isfinite(camera.project(place + 1e-2 * np.eye(3))).all()
    if len(frames.times) < _FEWEST or not in_sight:
        return []
    frames = Frames(frames.times, _near(camera, place, frames.points))
    seeds = _seeds(camera, place, frames)
    throws: list[Throw] = []
    for (time, at, _), throw in zip(seeds, _followed(camera, place, frames, seeds), strict=True):
        if throw is not None and not any(_is_on(camera, t, time, at) for t in throws):
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
    before, after = times[middle] - times[middle - d], times[middle + d] - times[middle]
    noise = 2.5 * (1.0 * scale + _RAW_SHARE * px_per_m * table.BALL_RADIUS)
    with np.errstate(invalid="ignore"):
        first = (b[:, :, None] - a[:, None]) / before[:, None, None, None]  # (K, B, A, 2)
        second = (c[:, None] - b[:, :, None]) / after[:, None, None, None]  # (K, B, C, 2)
        slow = [(v * v).sum(axis=-1) < (_FASTEST * px_per_m) ** 2 for v in (first, second)]
    # slow pairs are few: of these, those with a candidate in common are looked at
    n, i = np.nonzero(slow[0].reshape(-1, slow[0].shape[2]))  # n counts the candidates in between
    follow, m = np.nonzero(slow[1].reshape(-1, slow[1].shape[2]))
    begin, end = np.searchsorted(follow, n), np.searchsorted(follow, n, side="right")
    count = end - begin
    n, i = np.repeat(n, count), np.repeat(i, count)
    m = m[np.arange(len(n)) + np.repeat(begin - np.cumsum(count) + count, count)]
    k, j = np.divmod(n, b.shape[1])
    half = (before + after)[k, None] / 2
    off = second[k, j, m] - first[k, j, i] - pull * half
    limit = noise / half[:, 0] + _BEND * float(np.linalg.norm(pull)) * half[:, 0]
    good = np.hypot(off[:, 0], off[:, 1]) < limit
    k, i, j, m = k[good], i[good], j[good], m[good]
    order = np.lexsort((m, j, i, k))
    k, i, j, m = k[order], i[order], j[order], m[order]
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
        gap = wanted[:, None] - points[f][np.isfinite(points[f, :, 0])]
        gap *= gap
        support[close] += (gap.sum(axis=-1) < reach**2).any(axis=1)
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
    seeds: Sequence[tuple[float, np.ndarray, np.ndarray]],
) -> list[Throw | None]:
    """Fit flights to the candidates around triples, then to ever more of them; all at once."""
    if not seeds:
        return []
    time = np.array([t for t, _, _ in seeds])
    radius = ball_radius_px(camera, place)
    scale = max(camera.size) / 1920
    shade = np.array([0.0, -_SHADE * radius])
    sd = float(np.hypot(_RAW_SD * scale, _RAW_SHARE * radius))
    depth = float(camera.depths(place[None])[0])
    at = np.array([x for _, x, _ in seeds]) - shade
    here = _lifted(camera, at, depth)
    ahead = _lifted(camera, at + np.array([v for _, _, v in seeds]) * 1e-2, depth)
    states = np.column_stack([here, (ahead - here) / 1e-2, np.tile(shade, (len(seeds), 1))])
    prior = states.copy()
    prior[:, :2], prior[:, 3:5] = place[:2], 0.0
    shade_sd = np.array([0.08, _SHADE_SD]) * radius + 0.2
    prior_sd = np.concatenate([[_PLACE_SD, _PLACE_SD, 5.0, _DRIFT_SD, _DRIFT_SD, 9.0], shade_sd])
    hits = np.abs(frames.times - time[:, None]) <= _SPAN + 1e-6
    alive = np.arange(len(seeds))
    for gate in _GATES:
        reach = gate * radius + _GATE_PX * scale
        seen, gap = frames.nearest(_pictures(camera, states, frames.times, time))
        hits = np.array(
            [_unbroken(g < reach, h, frames.times) for g, h in zip(gap, hits, strict=True)]
        )
        enough = hits.sum(axis=1) >= _FEWEST - 1
        states, time, hits, alive = states[enough], time[enough], hits[enough], alive[enough]
        if not len(alive):
            return [None] * len(seeds)
        seen = seen[enough]
        for _ in range(2):
            states, covariances, rows = _step(
                camera, states, time, frames.times, np.where(hits[..., None], seen, 0.0), hits, sd,
                prior[alive], prior_sd,
            )  # fmt: skip
        sane = np.isfinite(states).all(axis=1) & (np.abs(states[:, 3:6]).max(axis=1) <= _WILD)
        states, time, hits, alive = states[sane], time[sane], hits[sane], alive[sane]
        covariances, rows = covariances[sane], rows[sane]
        if not len(alive):
            return [None] * len(seeds)
    _, gap = frames.nearest(_pictures(camera, states, frames.times, time))
    out: list[Throw | None] = [None] * len(seeds)
    for n, k in enumerate(alive.tolist()):
        fitted, on = hits[n], _unbroken(gap[n] < reach, hits[n], frames.times)
        first, last = frames.times[on][[0, -1]] if on.any() else (0.0, 0.0)
        if on.sum() < _FEWEST or last - first < _SHORTEST:
            continue
        off = np.minimum(np.abs(rows[n][fitted]), 4.0)
        excess = float(np.sqrt(max(1.0, np.mean(off**2))))
        inside = (frames.times >= first) & (frames.times <= last)
        out[k] = Throw(
            time_s=float(time[n]),
            state=states[n],
            covariance=covariances[n] * excess**2,
            first_s=float(first),
            last_s=float(last),
            n_frames=int(on.sum()),
            scatter_px=sd * excess,
            share=float(on.sum() / inside.sum()),
            prior=np.stack([prior[k], prior_sd]),
        )
    return out


def _lifted(camera: Camera, points: np.ndarray, depth: float) -> np.ndarray:
    """The places (N, 3) at a depth, m, that are seen at points (N, 2), px."""
    rays = camera.rays(points)
    return np.asarray(camera.centre + rays * (depth / (rays @ camera.rotation[2]))[:, None])


def _pictures(
    camera: Camera, states: np.ndarray, times: np.ndarray, begun: np.ndarray
) -> np.ndarray:
    """Where candidates of throws (B, 8) with these states at `begun` are seen, (B, N, 2)."""
    return np.asarray(camera.project(fly(states, times, begun)[0]) + states[:, None, 6:])


def _unbroken(near: np.ndarray, seed: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Frames that show the throw on both sides of the seed until the ball is missed too long."""
    out = np.zeros(len(near), bool)
    shown, chosen = np.flatnonzero(near), np.flatnonzero(seed)
    if not len(shown) or not len(chosen):
        return out
    middle = int(np.median(chosen))
    for side, ahead in ((shown[shown <= middle][::-1], -1), (shown[shown >= middle], 1)):
        stops = np.concatenate([[middle], side])
        # missed between two that show it: the frames up to the first beyond the longest gap
        skipped = np.abs(np.diff(stops)) - 1
        skipped[:1] += 1 if len(side) and side[0] != middle else 0
        wide = np.abs(times[stops[1:] - ahead] - times[stops[:-1]]) > _GAP_S
        lost = np.flatnonzero((skipped > _GAP_FRAMES) & wide)
        out[side[: lost[0]] if len(lost) else side] = True
    return out


def _step(
    camera: Camera,
    states: np.ndarray,
    begun: np.ndarray,
    times: np.ndarray,
    seen: np.ndarray,
    hits: np.ndarray,
    sd: float,
    prior: np.ndarray,
    prior_sd: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """One step of Gauss and Newton's method with Huber's weights, for B throws.

    Returns
    -------
    states : ndarray, shape (B, 8)
    covariances : ndarray, shape (B, 8, 8)
    rows : ndarray, shape (B, N, 2)
        Residuals before the step, in standard deviations.
    """
    pictures, slopes = _pictures_with_slopes(camera, states, times, begun)
    rows = (pictures - seen) / sd
    rows[~hits] = 0.0
    weight = 1 / np.maximum(1.0, np.abs(rows) / 2)
    weight[~hits] = 0.0
    design = (slopes / sd).reshape(len(states), -1, 8)
    design[~np.isfinite(design)] = 0.0
    weighted = (design * weight.reshape(len(states), -1, 1)).transpose(0, 2, 1)
    normal = weighted @ design + np.diag(1 / prior_sd**2)
    slope = (weighted @ rows.reshape(len(states), -1, 1))[..., 0] + (states - prior) / prior_sd**2
    covariance = np.linalg.inv(normal)
    return states - (covariance @ slope[..., None])[..., 0], covariance, rows


def _pictures_with_slopes(
    camera: Camera, states: np.ndarray, times: np.ndarray, begun: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """See `_pictures`; also derivatives by the states, (B, N, 2, 8)."""
    b, n = len(states), len(times)
    places = fly(_spread(states), times, np.repeat(begun, 4))[0].reshape(b, 4, n, 3)
    seen, slopes = project_with_slopes(camera, places[:, 0].reshape(-1, 3))
    by_speed = ((places[:, 1:] - places[:, :1]) / _STEPS).transpose(0, 2, 3, 1)  # (B, N, 3, 3)
    out = np.zeros((b, n, 2, 8))
    out[..., :3] = slopes.reshape(b, n, 2, 3)
    out[..., 3:6] = out[..., :3] @ by_speed
    out[..., 0, 6] = out[..., 1, 7] = 1.0
    return seen.reshape(b, n, 2) + states[:, None, 6:], out


def picture_slopes(
    camera: Camera, throw: Throw, times: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Where candidates of a throw are expected at `times` (K,), and derivatives by its state.

    Shapes (K, 2) and (K, 2, 8).
    """
    seen, slopes = _pictures_with_slopes(
        camera, throw.state[None], np.asarray(times), np.array([throw.time_s])
    )
    return seen[0], slopes[0]
