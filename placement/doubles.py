"""Two readings of one flight: paths that rest on the same pictures, or that follow on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration import table
from calibration.camera import Camera
from placement.agreement import plausible
from placement.belief import GOOD_PATH
from placement.paths import MOST_BOUNCES, FollowedPath
from placement.sightings import radii_px
from placement.trajectory import Expectations, Sightings, fit_path

_A_BOUNCE = 12.0  # pictures that a bounce met is worth
_AT_ONCE = 0.3  # frames from a bounce within which a picture is of neither side
_CLOSER = 0.6  # share of the other's misfit up to which a path fits far closer
_MANY, _CLOSER_TO_MANY = 0.4, 0.75  # share of a path's pictures; the same, to so many of them
_JUST, _ELSEWHERE = 0.02, 0.15  # s beside its sightings, m from its ball
_SAME, _BESIDE = 0.8, 0.05  # share of a path's pictures that are the other's; m from its ball then
_JUST_STRUCK = 0.05  # s after the ball was seen
_IN_REACH = 0.6  # m, by the picture, that a ball flies between two frames
_MORE, _TURNED = 2, 2.0  # times as many pictures; m/s between two ways of a ball
_FOLLOWS = 0.1  # s between the end of one path and the beginning of the next that may be its own


def without_doubles(
    camera: Camera,
    paths: Sequence[FollowedPath],
    expectations: Expectations | None = None,
    *,
    readout_s: float = 0.0,
) -> list[FollowedPath]:
    """Paths of which no two rest on the same pictures: joined where they follow on, else the surer.

    Parameters
    ----------
    camera : Camera
    paths : sequence of FollowedPath
    expectations : Expectations, optional
        Those the paths were fitted with.
    readout_s : float
        See `placement.trajectory.fit_path`.
    """
    expectations = expectations or Expectations()
    kept: list[FollowedPath] = []
    for new in sorted(paths, key=_worth, reverse=True):
        mine = _pictures_of(new)
        rival = None
        for k, old in enumerate(kept):
            shared = len(mine & _pictures_of(old))
            follows = min(abs(new.first_seen - old.last_seen), abs(old.first_seen - new.last_seen))
            if new.path.misfit > GOOD_PATH and _contradicted(old, new, 0.0).all():
                rival = k  # there is one ball at a time; what flies beside it, poorly, is none
                break
            if _struck(old, new) or _struck_away(camera, new, old) or _taken_for_own(new, old):
                rival = k
                break
            if shared < 3 and follows > _FOLLOWS:
                continue
            joined = _joined(camera, old, new, expectations, readout_s)
            if joined is not None:
                kept[k] = joined
                rival = k
                break
            # what happened beyond the other's bounces is news, even where the two share pictures
            # (of what the other only inferred, this one may know more)
            surely = old.path.bounce_times[_met(old)]
            surely = surely if len(surely) else old.path.bounce_times
            first, last = surely[0] - 0.1, surely[-1] + 0.1
            news = (new.path.bounce_times < first) | (new.path.bounce_times > last)
            news &= ~_contradicted(old, new, shared / len(mine))
            if shared > 0.3 * min(len(mine), len(old.frames)) and not news.any():
                rival = k
                break
        if rival is None:
            kept.append(new)
    return sorted(kept, key=lambda f: f.first_seen)


def _worth(followed: FollowedPath) -> float:
    pictures = float(followed.measured.sum()) / max(1.0, followed.path.misfit)
    return pictures + _A_BOUNCE * float(_met(followed).sum())


def _met(followed: FollowedPath) -> np.ndarray:
    """Which bounces lie between sightings; one before the first or after the last is inferred."""
    bounces = followed.path.bounce_times
    # a picture of the bounce itself shows neither side of it
    within = _AT_ONCE * float(np.median(np.diff(followed.sightings.times)))
    return np.asarray(
        (bounces > followed.first_seen + within) & (bounces < followed.last_seen - within)
    )


def _contradicted(surer: FollowedPath, other: FollowedPath, shared: float) -> np.ndarray:
    """Which bounces of `other` fall where the surer path has the ball in flight.

    It must be a far closer fit, a closer one to many of the other's pictures, of which a share is
    `shared`, or one to all of them and more: what a hand does before it lets go may pass for a
    flight and a bounce, poorly, and so may a flight seen as a nearer or a farther one.
    """
    same = shared >= _SAME
    closer = _CLOSER if shared < _MANY else _CLOSER_TO_MANY
    times = other.path.bounce_times
    seen = (times > surer.first_seen - _JUST) & (times < surer.last_seen + _JUST)
    out = np.zeros(len(times), bool)
    if seen.any() and (same or surer.path.misfit < closer * other.path.misfit):
        places = np.column_stack(
            [other.path.bounce_places[seen], np.full(seen.sum(), table.BALL_RADIUS)]
        )
        off = np.linalg.norm(surer.path.positions(times[seen]) - places, axis=1)
        out[seen] = off > (_BESIDE if same else _ELSEWHERE)
    return out


def _struck(first: FollowedPath, then: FollowedPath) -> bool:
    """Whether the only bounce of `then`, not seen from before it, was a stroke: see `first`.

    That has just shown the ball, and had it elsewhere at that time.
    """
    begun = float(then.path.bounce_times[0])
    before = then.measured & (then.sightings.times < begun)
    if then.path.n_bounces > 1 or before.any() or not first.measured.any():
        return False
    last = float(first.sightings.times[first.measured][-1])
    if not last < begun < last + _JUST_STRUCK:
        return False
    place = np.array([*then.path.bounce_places[0], table.BALL_RADIUS])
    return bool(np.linalg.norm(first.path.positions(np.array([begun]))[0] - place) > _ELSEWHERE)


def _struck_away(camera: Camera, first: FollowedPath, then: FollowedPath) -> bool:
    """Whether the ball of `first` was struck before a bounce that is only inferred: see `then`.

    That shows the ball from there on, on a way of its own.
    """
    bounce = float(first.path.bounce_times[0])
    if first.last_seen >= bounce or not first.last_seen < then.first_seen < bounce:
        return False
    times = then.sightings.times
    use = then.measured & (times < bounce)
    if use.sum() < 2:
        return False
    led_on = first.path.positions(times[use])
    px_per_m = radii_px(camera, led_on) / table.BALL_RADIUS
    off = np.hypot(*(camera.project(led_on) - then.sightings.points[use]).T) / px_per_m
    return bool(off[0] < _IN_REACH and off[-1] > _ELSEWHERE)


def _taken_for_own(first: FollowedPath, then: FollowedPath) -> bool:
    """Whether all that shows the ball of `first` after its only bounce is that of `then`.

    That shows it from there on, on another way: the bounce was the net, or a bat.
    """
    bounce = float(first.path.bounce_times[0])
    after = first.measured & (first.sightings.times > bounce)
    before = then.measured & (then.sightings.times < bounce)
    if first.path.n_bounces > 1 or not after.any() or before.any():
        return False
    theirs = _pictures_of(then)
    own = [p for p, use in zip(first.pictures, after, strict=True) if use]
    if not all((c.frame, m) in theirs for c, m in own):
        return False
    times = first.sightings.times[after]
    turned = np.linalg.norm(first.path.velocities(times) - then.path.velocities(times), axis=1)
    more = (then.measured & (then.sightings.times > bounce)).sum() > _MORE * after.sum()
    return bool(more and turned.min() > _TURNED)


def _pictures_of(followed: FollowedPath) -> set[tuple[int, int]]:
    return {(c.frame, m) for c, m in followed.pictures}


def _joined(
    camera: Camera,
    one: FollowedPath,
    other: FollowedPath,
    expectations: Expectations,
    readout_s: float,
) -> FollowedPath | None:
    """One path through the bounces of two that follow on from each other, if it fits as well."""
    first, second = sorted((one, other), key=lambda f: float(f.path.bounce_times[0]))
    n, m = first.path.n_bounces, second.path.n_bounces
    gap = second.path.bounce_times[0] - first.path.bounce_times[-1]
    if gap < 0.08 or n + m > MOST_BOUNCES + 1:
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
    sightings = Sightings(both[0], both[1], both[2])
    path = fit_path(camera, sightings, theta, n + m, expectations, readout_s=readout_s)
    limit = max(first.path.misfit, second.path.misfit, 0.9) * 1.4
    if path is None or path.misfit > limit or not plausible(path):
        return None
    return FollowedPath(
        path,
        frames,
        sightings,
        both[3],
        tuple(pictures[i] for i in take.tolist()),
        float(both[0][0]),
        float(both[0][-1]),
        first.history,
        first.crowd,
        first.contrast,
    )
