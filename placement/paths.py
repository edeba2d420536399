"""From meetings of runs to fitted paths of the ball.

Meetings that share a run are one path over several bounces. A path is first fitted to rough
candidates; it then tells where the ball must be in every frame, how large and how fast, so that
missing sightings are found, each picture is measured properly, and the fit is repeated. What a
real ball did fits to a fraction of a pixel, with pictures that look like a ball of the right size;
what did not is dropped.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calibration import table
from calibration.camera import Camera
from placement import ball_image, flight
from placement.arcs import BallArc, near_table
from placement.ball import Candidates
from placement.ball_image import Look
from placement.bounces import Meeting
from placement.trajectory import (
    Expectations,
    Path,
    Sightings,
    first_guess,
    fit_path,
)

_RAW_SD = 1.2  # px at 1920 px width, of an unmeasured candidate
_SHADE_SHIFT = 0.3  # radii by which an unmeasured candidate sits above the ball's centre
_MOST_BOUNCES = 4  # longer chains are cut: what follows adds nothing to a serve
_GATE_PX = 5.0  # px at 1920 px width, beside three predicted standard deviations
_WORST_PICTURE = 0.75  # misfit of a ball's picture above which it is not used
_LONGEST_HIDDEN = 0.35  # s from a hidden bounce to the first sighting after it
_FOLLOWS = 0.1  # s between the end of one path and the beginning of the next that may be its own
_TRIMS = 4  # fits of one round, with fewer sightings each
_LEAVES = 1.0  # m/s along the table
_SOON = 0.2  # s beyond the last sighting within which a path is led on through a bounce
_FEWEST = 6  # sightings that a path needs
_LEAST_BALLS = 0.4  # share of sightings that must look like a ball
_STRANGERS = 3  # frames in a row without the ball after which a path is not followed on


@dataclass(frozen=True, slots=True, eq=False)
class FollowedPath:
    """A path with what it was fitted to.

    Attributes
    ----------
    path : Path
    frames : ndarray of int, shape (N,)
    sightings : Sightings
    measured : ndarray of bool, shape (N,)
        Whether a sighting's picture was fitted, not only its brightness centred.
    pictures : tuple of (Candidates, int)
        The candidate behind each sighting.
    first_seen, last_seen : float
        s, of the stretch in which the path holds.
    history : tuple of (float, ndarray of shape (M, 2))
        Times and candidate points of the frames of the second before, for the toss.
    """

    path: Path
    frames: np.ndarray
    sightings: Sightings
    measured: np.ndarray
    pictures: tuple[tuple[Candidates, int], ...]
    first_seen: float
    last_seen: float
    history: tuple[tuple[float, np.ndarray], ...] = ()


def chains_of(meetings: Sequence[Meeting]) -> list[list[Meeting]]:
    """Join meetings that share a run, best first; each run is used once on either side."""

    def worth(m: Meeting) -> float:
        return min(len(m.before.times), 12) + min(len(m.after.times), 12) - 6 * m.misfit

    ordered = sorted(meetings, key=worth, reverse=True)
    ending: dict[int, Meeting] = {}
    beginning: dict[int, Meeting] = {}
    for m in ordered:
        if id(m.before) in ending or id(m.after) in beginning:
            continue
        ending[id(m.before)] = m
        beginning[id(m.after)] = m
    chains: list[list[Meeting]] = []
    starts = [m for m in ending.values() if id(m.before) not in beginning]
    for m in sorted(starts, key=lambda m: m.time):
        chain = [m]
        while id(chain[-1].after) in ending and len(chain) < 64:
            chain.append(ending[id(chain[-1].after)])
        chains.extend(chain[i : i + _MOST_BOUNCES] for i in range(0, len(chain), _MOST_BOUNCES))
    return chains


def follow_chain(
    camera: Camera,
    chain: Sequence[Meeting],
    frames: Mapping[int, Candidates],
    look: Look,
    expectations: Expectations,
    *,
    readout_s: float = 0.0,
    rounds: int = 2,
) -> FollowedPath | None:
    """Fit a chain of meetings, gather its sightings, measure them and fit again.

    Parameters
    ----------
    camera : Camera
    chain : sequence of Meeting
        In time order; each after-run is the next before-run.
    frames : mapping of int to Candidates
        By frame index; at least those of the chain's time.
    look : Look
    expectations : Expectations
    readout_s : float
        See `placement.trajectory.fit_path`.
    rounds : int
        How often to measure and fit again.

    Returns
    -------
    FollowedPath or None
        None where no ball's path fits.
    """
    runs = [chain[0].before, *(m.after for m in chain)]
    members = [
        (int(f), int(m)) for run in runs for f, m in zip(run.frames, run.members, strict=True)
    ]
    start = first_guess(
        [m.time for m in chain],
        chain[0].place,
        chain[0].incoming,
        [m.outgoing for m in chain],
        expectations,
    )
    n = len(chain)
    return _follow(camera, start, n, members, frames, look, expectations, readout_s, rounds)


def _follow(
    camera: Camera,
    start: np.ndarray,
    n: int,
    members: list[tuple[int, int]],
    frames: Mapping[int, Candidates],
    look: Look,
    expectations: Expectations,
    readout_s: float,
    rounds: int,
) -> FollowedPath | None:
    scale = max(camera.size) / 1920
    members = [fm for fm in dict(members).items() if fm[0] in frames]
    if len(members) < _FEWEST:
        return None
    guess = Path(
        start,
        np.diag(np.full(len(start), 1e-4)),
        n,
        np.empty(0),
        np.empty((0, 2)),
        np.empty((0, 2, 2)),
        0.0,
        np.empty((0, 2)),
        0,
    )
    rough = _raw_sightings(camera, guess, members, frames, scale)
    path = fit_path(camera, rough, start, n, expectations, readout_s=readout_s)
    if path is None or path.misfit > 3.0:
        return None
    for last in range(rounds):
        members = _gather(camera, path, frames, members, scale)
        if len(members) < _FEWEST:
            return None
        sightings, measured = _measured(camera, path, members, frames, look, scale)
        for attempt in range(_TRIMS):
            fitted = fit_path(camera, sightings, path.theta, n, expectations, readout_s=readout_s)
            if fitted is None:
                return None
            path = fitted
            keep = _agreeing(path, sightings, scale)
            if keep.all() or attempt == _TRIMS - 1:
                break
            if keep.sum() < _FEWEST:
                return None
            members = [m for m, k in zip(members, keep, strict=True) if k]
            sightings = Sightings(
                sightings.times[keep], sightings.points[keep], sightings.covariances[keep]
            )
            measured = measured[keep]
        if last == 0 and measured.mean() < _LEAST_BALLS:
            return None
    return FollowedPath(
        path,
        np.array([f for f, _ in members]),
        sightings,
        measured,
        tuple((frames[f], m) for f, m in members),
        float(sightings.times[0]),
        float(sightings.times[-1]),
    )


def follow_flight(
    camera: Camera,
    arc: BallArc,
    frames: Mapping[int, Candidates],
    look: Look,
    expectations: Expectations,
    *,
    readout_s: float = 0.0,
) -> FollowedPath | None:
    """A flight whose first bounce nobody saw: trace it back to the table and fit it from there.

    Returns
    -------
    FollowedPath or None
        None where the flight does not come from the table a short while before it was first seen.
    """
    start = arc.run.times[0]
    back = arc.at(np.array([start - t for t in np.arange(0.0, _LONGEST_HIDDEN, 0.01)]))
    low = np.flatnonzero(back[:, 2] < table.BALL_RADIUS)
    if not len(low) or not near_table(back[low[:1], :2], 0.1)[0]:
        return None
    time = float(start - 0.01 * low[0])
    outgoing = arc.velocity + arc.acceleration * (time - arc.time)
    if outgoing[2] < 0.3 or np.abs(outgoing[0]) < 1.0:
        return None
    incoming = np.array([outgoing[0] * 1.15, outgoing[1] * 1.15, -outgoing[2] / 0.9])
    theta = first_guess([time], back[low[0], :2], incoming, [outgoing], expectations)
    members = [(int(f), int(m)) for f, m in zip(arc.run.frames, arc.run.members, strict=True)]
    return _follow(camera, theta, 1, members, frames, look, expectations, readout_s, 2)


def extended(
    camera: Camera,
    followed: FollowedPath,
    frames: Mapping[int, Candidates],
    look: Look,
    expectations: Expectations,
    *,
    readout_s: float = 0.0,
) -> FollowedPath:
    """The path, led on through a bounce before or after it if the ball is found there.

    A flight that comes from the table, or falls onto it, had a bounce there, even where too few
    sightings beyond it made a run of their own.
    """
    for later in (True, False):
        if followed.path.n_bounces >= _MOST_BOUNCES + 1:
            break
        theta = _with_later(followed) if later else _with_earlier(followed)
        if theta is None:
            continue
        members = [(c.frame, m) for c, m in followed.pictures]
        n = followed.path.n_bounces + 1
        more = _follow(camera, theta, n, members, frames, look, expectations, readout_s, 1)
        if more is None or more.path.misfit > max(1.2, 1.5 * followed.path.misfit):
            continue
        times, bounces = more.sightings.times, more.path.bounce_times
        beyond = times > bounces[-1] if later else times < bounces[0]
        # before a flight that leaves the table at speed there was a bounce, seen or not
        leaves = not later and abs(float(more.path.model().outgoing[0][0, 0])) > _LEAVES
        if (more.measured & beyond).sum() >= 2 or leaves:
            followed = more
    return followed


def _with_later(followed: FollowedPath) -> np.ndarray | None:
    """Unknowns with one more bounce at the end, if the path falls to the table soon."""
    path = followed.path
    arc = path.model().arc_after(path.n_bounces - 1, 1.2)
    since = float(arc.falls_to(table.BALL_RADIUS)[0])
    time = float(path.bounce_times[-1]) + since
    if not np.isfinite(since) or not -0.1 < time - followed.last_seen < _SOON:
        return None
    place = arc.at(np.array([[since]]))[0, 0]
    if since < 0.08 or not near_table(place[None, :2], 0.1)[0]:
        return None
    return np.concatenate([path.theta, [0.9, 0.0, 0.0]])


def _with_earlier(followed: FollowedPath) -> np.ndarray | None:
    """Unknowns with one more bounce at the beginning, if the path rose from the table there."""
    path = followed.path
    first = float(path.bounce_times[0])
    times = np.arange(first - 0.02, followed.first_seen - _SOON, -0.005)
    if not len(times):
        return None
    at = path.positions(times)
    speed = path.velocities(times)
    low = np.flatnonzero((at[:, 2] < table.BALL_RADIUS) & (speed[:, 2] > 0.3))
    if not len(low) or not near_table(at[low[:1], :2], 0.1)[0]:
        return None
    k = int(low[0])
    if times[k] > followed.first_seen + 0.1 or first - times[k] < 0.08:
        return None
    outgoing = speed[k]
    incoming = np.array([outgoing[0] * 1.15, outgoing[1] * 1.15, -outgoing[2] / 0.9])
    theta = path.theta
    after, _ = flight.bounce(incoming[None], theta[None, 6:9], restitution=0.9, friction=theta[9])
    rub = np.clip(outgoing[:2] - after[0, :2], -1.0, 1.0)
    head = np.concatenate([[times[k]], at[k, :2], incoming, theta[6:12], [0.9], rub])
    return np.concatenate([head, theta[12:]])


def without_doubles(camera: Camera, paths: Sequence[FollowedPath]) -> list[FollowedPath]:
    """Paths of which no two rest on the same pictures: joined where they follow on, else the surer.

    Parameters
    ----------
    camera : Camera
    paths : sequence of FollowedPath
    """
    kept: list[FollowedPath] = []
    for new in sorted(paths, key=_worth, reverse=True):
        mine = _pictures_of(new)
        rival = None
        for k, old in enumerate(kept):
            shared = len(mine & _pictures_of(old))
            follows = min(abs(new.first_seen - old.last_seen), abs(old.first_seen - new.last_seen))
            if shared < 3 and follows > _FOLLOWS:
                continue
            joined = _joined(camera, old, new)
            if joined is not None:
                kept[k] = joined
                rival = k
                break
            # what happened beyond the other's bounces is news, even where the two share pictures
            first, last = old.path.bounce_times[0] - 0.1, old.path.bounce_times[-1] + 0.1
            news = (new.path.bounce_times < first) | (new.path.bounce_times > last)
            if shared > 0.3 * min(len(mine), len(old.frames)) and not news.any():
                rival = k
                break
        if rival is None:
            kept.append(new)
    return sorted(kept, key=lambda f: f.first_seen)


def _worth(followed: FollowedPath) -> float:
    pictures = float(followed.measured.sum()) / max(1.0, followed.path.misfit)
    return pictures + 12 * followed.path.n_bounces


def _pictures_of(followed: FollowedPath) -> set[tuple[int, int]]:
    return {(c.frame, m) for c, m in followed.pictures}


def _joined(camera: Camera, one: FollowedPath, other: FollowedPath) -> FollowedPath | None:
    """One path through the bounces of two that follow on from each other, if it fits as well."""
    first, second = sorted((one, other), key=lambda f: float(f.path.bounce_times[0]))
    n, m = first.path.n_bounces, second.path.n_bounces
    gap = second.path.bounce_times[0] - first.path.bounce_times[-1]
    if gap < 0.08 or n + m > _MOST_BOUNCES + 1:
        return None
    theta = np.concatenate([first.path.theta, second.path.theta[-3 * m :]])
    frames, take = np.unique(np.concatenate([first.frames, second.frames]), return_index=True)
    both = [
        np.concatenate(pair)[take]
        for pair in (
            (first.sightings.times, second.sightings.times),
            (first.sightings.points, second.sightings.points),
            (first.sightings.covariances, second.sightings.covariances),
            (first.measured, second.measured),
        )
    ]
    pictures = [*first.pictures, *second.pictures]
    path = fit_path(camera, Sightings(both[0], both[1], both[2]), theta, n + m, Expectations())
    limit = max(first.path.misfit, second.path.misfit, 0.9) * 1.4
    if path is None or path.misfit > limit:
        return None
    return FollowedPath(
        path,
        frames,
        Sightings(both[0], both[1], both[2]),
        both[3],
        tuple(pictures[i] for i in take.tolist()),
        float(both[0][0]),
        float(both[0][-1]),
        first.history,
    )


def _agreeing(path: Path, sightings: Sightings, scale: float) -> np.ndarray:
    """Which sightings the path explains; at either end the outermost go first, a few at a time.

    A stroke, or another thing that moves, pulls the whole end of a path away: with its outermost
    sightings gone the next fit agrees with the rest again.
    """
    sd = np.sqrt(np.trace(sightings.covariances, axis1=1, axis2=2) / 2 + (0.3 * scale) ** 2)
    off = np.hypot(*path.residuals.T) / sd
    typical = max(1.0, float(np.median(off)) / 1.2)
    good = off < 4.0 * typical
    keep = np.ones(len(good), bool)
    most = max(2, len(good) // 12)
    for order in (np.arange(len(good)), np.arange(len(good))[::-1]):
        run, settled = 0, len(order)
        for k, i in enumerate(order):
            run = run + 1 if good[i] else 0
            if run == 3:
                settled = k - 2
                break
        keep[order[: min(settled, most)]] = False
        inner = order[settled:]
        keep[inner] &= good[inner] | (np.arange(len(inner)) >= len(inner) - most)
    return keep


def radii_px(camera: Camera, positions: np.ndarray) -> np.ndarray:
    """Radius of the ball's picture at positions (N, 3), px, shape (N,)."""
    return camera.matrix[0, 0] * table.BALL_RADIUS / camera.depths(positions)


def picture_speeds(camera: Camera, path: Path, times: np.ndarray) -> np.ndarray:
    """Speed of the ball's picture at `times` (N,), px/s, shape (N, 2)."""
    step = 5e-4
    at, speed = path.positions(times), path.velocities(times)
    return (camera.project(at + step * speed) - camera.project(at - step * speed)) / (2 * step)


def _raw_sightings(
    camera: Camera,
    path: Path,
    members: Sequence[tuple[int, int]],
    frames: Mapping[int, Candidates],
    scale: float,
) -> Sightings:
    """Candidates as they are, moved down from the bright top of the ball to its centre."""
    members = sorted(members)
    times = np.array([frames[f].time_s for f, _ in members])
    points = np.array([frames[f].points[m] for f, m in members])
    radii = np.clip(radii_px(camera, path.positions(times)), 2, 60)
    points[:, 1] += _SHADE_SHIFT * radii
    sd = np.hypot(_RAW_SD * scale, 0.1 * radii)
    return Sightings(times, points, sd[:, None, None] ** 2 * np.eye(2))


def _gather(
    camera: Camera,
    path: Path,
    frames: Mapping[int, Candidates],
    members: Sequence[tuple[int, int]],
    scale: float,
) -> list[tuple[int, int]]:
    """The candidate nearest to the path in every frame, as far out as the ball is still there."""
    known = sorted(f for f, _ in members)
    first, last = known[0], known[-1]
    order = sorted(frames)
    position = {f: i for i, f in enumerate(order)}
    low, high = position[first], position[last]
    rate = (len(order) - 1) / max(1e-3, frames[order[-1]].time_s - frames[order[0]].time_s)
    beyond = max(4, int(0.35 * rate))
    span = order[max(0, low - beyond) : high + beyond + 1]
    times = np.array([frames[f].time_s for f in span])

    predicted, spread = path.pictures(camera, times)
    variance = np.diagonal(spread, axis1=1, axis2=2)
    radii = np.clip(radii_px(camera, path.positions(times)), 2, 60)
    reach = 3 * np.sqrt(np.nan_to_num(variance.max(axis=1), nan=0.0)) + _GATE_PX * scale
    reach = np.minimum(reach, 3 * radii + _GATE_PX * scale)
    hits: dict[int, int] = {}
    for k, f in enumerate(span):
        found = frames[f]
        if not len(found.points) or not np.isfinite(predicted[k]).all():
            continue
        shifted = found.points + np.array([0.0, _SHADE_SHIFT * radii[k]])
        gap = np.hypot(*(shifted - predicted[k]).T)
        m = int(np.argmin(gap))
        if gap[m] < reach[k]:
            hits[f] = m
    # within the known stretch every hit counts; beyond it only while the ball keeps being there
    kept = [f for f in span if f in hits and first <= f <= last]
    for side in (range(position[last] + 1, len(order)), range(position[first] - 1, -1, -1)):
        missed = 0
        for i in side:
            f = order[i]
            if f in hits:
                kept.append(f)
                missed = 0
            else:
                missed += 1
                if missed >= _STRANGERS or f not in span:
                    break
    return sorted((f, hits[f]) for f in set(kept))


def _measured(
    camera: Camera,
    path: Path,
    members: Sequence[tuple[int, int]],
    frames: Mapping[int, Candidates],
    look: Look,
    scale: float,
) -> tuple[Sightings, np.ndarray]:
    """Measure the picture of every member; unmeasured where no ball of that size fits."""
    times = np.array([frames[f].time_s for f, _ in members])
    positions = path.positions(times)
    radii = np.clip(radii_px(camera, positions), 1.5, 60)
    speeds = picture_speeds(camera, path, times)
    predicted = camera.project(positions)
    patches, origins = ball_image.gather([(frames[f], m) for f, m in members], radii, speeds)
    images = ball_image.measure(patches, origins, predicted, radii, speeds, look)
    good = np.isfinite(images.centres[:, 0]) & (images.misfits < _WORST_PICTURE)
    points = images.centres.copy()
    raw = np.array([frames[f].points[m] for f, m in members])
    raw[:, 1] += _SHADE_SHIFT * radii
    points[~good] = raw[~good]
    covariances = images.covariances.copy()
    sd = np.hypot(_RAW_SD * scale, 0.15 * radii)
    covariances[~good] = sd[~good, None, None] ** 2 * np.eye(2)
    return Sightings(times, points, covariances), good
