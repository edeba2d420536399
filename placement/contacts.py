"""Bounces of followed paths: which of them were, where, and how surely.

A path may be led over a stroke, the net or a hand as over a table; such bounces do not count, nor
do those that another path contradicts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration import Calibration, table
from placement import flight
from placement.agreement import oddness, table_bounces
from placement.arcs import near_table
from placement.net import at_net
from placement.paths import INSIDE, FollowedPath, longest_unseen, pinned
from placement.trajectory import Model

_SOUND = 2  # first bounces of a path that must be a table's
_ODDEST = 30.0  # chi-square (3): of true bounces 1 in a million are odder
_BOTH_SIDES = 2  # sightings on either side of a bounce that show it
_GLIMPSE = 0.25  # s of a flight that say too little of the bounce that it may have come from
_HIDDEN_GAP = 0.05  # s without the ball beside a bounce up to which the bounce counts as seen
_ABOUT = 0.075  # s from a bounce, within which a ball that is seen shows it
_LEAST_BALLS = 0.5  # share of a path's pictures that must look like a ball
_UNSURE = 0.04  # m: of a path with no bounce seen from both sides, where it may as well be caught
_BRIEF = 0.02  # s of a flight after a bounce that do not show it to rise
_JUST = 0.3  # frames before a bounce in which a sighting may as well be after it
_ACROSS = 0.25  # of an inferred bounce's doubt along its flight, what there is across it
_UNPINNED = 0.6  # frames by which the instant of an inferred bounce may be off
_BESIDE_NET, _NET_SD = 0.06, 0.03  # m: so near the net it may be touched; what that may move
# sightings before a bounce that may be a stroke, s back to the flight before it, m between both
_FEW_BEFORE, _STROKE, _MEETS = 4, 0.25, 0.12
# s, or frames, by which that flight may seem to have gone on, and m from there to the ball after it
_LATE, _FRAMES_LATE, _SAME_BALL = 0.03, 1.1, 0.35
_NO_WITNESS = 1.6  # times a path's misfit, of another that tells nothing of it
# a ball seen so few s before a bounce, and foretold so many m from it, does not bounce there
_JUST_SEEN, _ELSEWHERE = 0.08, 0.15
# a ball that is seen on another way for so many s after a bounce, and so many m/s off its own
_OWN_WAY, _TURNED = 0.05, 2.0
# m between two paths at the same time, of which one may yet be the other's ball
_WITHIN_REACH = 1.5
_BEHIND = 0.15  # m from the table's far edge, where a ball from behind it comes into sight
_FARTHEST = 0.6  # m beyond the edge where a vague bounce may seem to lie
_SLOWEST = 0.5  # m/s downwards; a serve meets the table with 1.4 or more
_VAGUE = 0.25  # m: of a bounce less sure than that only that it was is known
_AT_NET = 0.2  # m along the table from the net, where a path begins that may have touched it


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """A bounce of a followed path, with what the rules need."""

    path: int
    order: int  # of the bounce in its path
    time: float
    point: np.ndarray
    covariance: np.ndarray
    incoming: np.ndarray
    outgoing: np.ndarray
    seen: bool
    vague: bool = False  # too little is known of where it was: only that it was

    @property
    def half(self) -> int:
        """-1 or +1: the sign of x."""
        return 1 if self.point[0] > 0 else -1


def contacts_of(calibration: Calibration, paths: Sequence[FollowedPath]) -> list[Contact]:
    """All bounces of a stretch of film on or near the table, in time order.

    Parameters
    ----------
    calibration : Calibration
    paths : sequence of FollowedPath
    """
    contacts = []
    for p, followed in enumerate(paths):
        if followed.measured.mean() < _LEAST_BALLS:
            continue  # too few of its pictures look like a ball
        path = followed.path
        sound = table_bounces(path)
        if not sound[:_SOUND].all():
            continue  # its last fit took a hand, or a stroke, for the table
        if _odd_and_alone(followed):
            continue
        model = path.model()
        spots = np.stack([x[0] for x in model.places])
        # the calibration moves all bounces of a film together: that belongs to each one's spread
        pixels = calibration.camera.project(spots)
        shared = calibration.plane_covariance(pixels, table.BALL_RADIUS)
        seen_at = followed.sightings.times
        step = float(np.median(np.diff(seen_at)))
        seen_first = bool(seen_at[0] < path.bounce_times[0] - _JUST * step)
        struck = _off_net(followed, model, paths) or _struck(followed, paths)
        for k, time in enumerate(path.bounce_times):
            if k == 0 and struck:
                continue
            if not sound[k]:
                break  # a stroke at the end of a ball's path
            if _only_guessed(followed, time):
                continue
            gap = float(np.abs(seen_at - time).min())
            own = path.bounce_covariances[k]
            before = int((seen_at < time - _JUST * step).sum())
            if k == 0 and not seen_first and _behind_table(calibration, path.bounce_places[0]):
                continue
            if k == 0 and before < 2 and _from_nowhere(followed, model, paths):
                continue
            glimpse = path.n_bounces == 1 and followed.last_seen - time < _GLIMPSE
            if before < 2 and glimpse and not _goes_on_from_net(followed, paths):
                continue  # a toss may look so
            if k == 0 and before < 2:
                # only inferred from what follows: little on the other side pins its instant
                gap *= 2.5 if before == 0 else 1.0
                slip = model.outgoing[k][0, :2] * _UNPINNED * step / (1 + before)
                own = own + _along(slip)
            after = int((seen_at > time + _JUST * step).sum())
            if k == path.n_bounces - 1 and seen_at[-1] - time < _BRIEF:
                inside = INSIDE + 2 * float(np.sqrt(np.trace(own)))
                if not near_table(path.bounce_places[k][None], -inside)[0]:
                    continue  # it may have fallen past the edge
                unseen = time - seen_at[-1] > longest_unseen(step)
                unsure = not pinned(followed) and np.trace(own) > _UNSURE**2
                # a second bounce on one side is where the other player reaches for the ball
                again = k and path.bounce_places[k - 1][0] * path.bounce_places[k][0] > 0
                if not after and (unseen or unsure or again):
                    continue  # it may have been caught
            if k and _played_before(followed, k, paths):
                break
            if k == path.n_bounces - 1 and after < 2:
                slip = model.incoming[k][0, :2] * _UNPINNED * step / (1 + after)
                own = own + _along(slip)
            if k and (k > 1 or seen_first) and _through_net(model, k - 1):
                break  # no ball flies so: what follows is not known
            if abs(path.bounce_places[k][0]) < _BESIDE_NET:
                own = own + np.diag([_NET_SD**2, _NET_SD**2])
            vague = bool(np.trace(own) > _VAGUE**2)
            reach = min(2 * float(np.sqrt(np.trace(own))), _FARTHEST) if vague else 0.016
            if not near_table(path.bounce_places[k][None], reach)[0]:
                continue
            if vague and (k or (before and not gap > _HIDDEN_GAP)):
                continue
            if abs(model.incoming[k][0, 2]) < _SLOWEST:
                continue  # it rolls, or is in a hand
            contacts.append(
                Contact(
                    p,
                    k,
                    float(time),
                    path.bounce_places[k],
                    own + shared[k],
                    model.incoming[k][0],
                    model.outgoing[k][0],
                    gap < _HIDDEN_GAP and not vague,
                    vague,
                )
            )
    return _without_doubles(sorted(contacts, key=lambda c: c.time))


def _odd_and_alone(followed: FollowedPath) -> bool:
    """Whether a path shows no bounce but odd ones: a toss and a stroke may be led over one."""
    path, times = followed.path, followed.sightings.times
    odd = oddness(path) > _ODDEST
    if not odd.any():
        return False
    before = (times[:, None] < path.bounce_times).sum(axis=0)
    shown = np.minimum(before, len(times) - before) >= _BOTH_SIDES
    return not bool((shown & ~odd).any())


def _only_guessed(followed: FollowedPath, time: float) -> bool:
    """Whether all that is seen on either side of a bounce does not look like a ball.

    One that a player hides is seen by nothing at all, or on one side only.
    """
    since = followed.sightings.times - time
    other = since[~followed.measured & (np.abs(since) < _ABOUT)]
    balls = np.abs(since[followed.measured])
    return bool((other < 0).any() and (other > 0).any() and balls.min() > _ABOUT)


def _from_nowhere(followed: FollowedPath, model: Model, paths: Sequence[FollowedPath]) -> bool:
    """Whether a ball that bounces on its way from the net did not look like one there, nor before.

    What rises from a hand may be drawn back to such a bounce.
    """
    bounce, place = float(followed.path.bounce_times[0]), followed.path.bounce_places[0]
    balls = followed.sightings.times[followed.measured]
    if float(model.incoming[0][0, 0]) * place[0] <= 0 or np.abs(balls - bounce).min() < _HIDDEN_GAP:
        return False
    return not any(
        o is not followed
        and -_late(followed) < bounce - o.last_seen < _STROKE
        and o.first_seen < bounce
        for o in paths
    )


def _late(followed: FollowedPath) -> float:
    """By how much the flight before a path may seem to have gone on into it, s."""
    return max(_LATE, _FRAMES_LATE * float(np.median(np.diff(followed.sightings.times))))


def _along(slip: np.ndarray) -> np.ndarray:
    """Covariance of a shift along `slip` (2,), m, with a share across it."""
    return np.outer(slip, slip) + (_ACROSS * float(np.hypot(*slip))) ** 2 * np.eye(2)


def _struck(followed: FollowedPath, paths: Sequence[FollowedPath]) -> bool:
    """Whether what passes for a path's first bounce is the stroke that sent the ball on its way.

    Then the flight after it, drawn back, meets the flight before the stroke in the air.
    """
    path = followed.path
    bounce = float(path.bounce_times[0])
    if (followed.sightings.times < bounce).sum() > _FEW_BEFORE:
        return False
    before = [
        o
        for o in paths
        if o is not followed
        and -_late(followed) < bounce - o.last_seen < _STROKE
        and o.first_seen <= bounce - 0.1
        and o.path.misfit < _NO_WITNESS * max(1.0, path.misfit)
    ]
    gaps = [_apart(o, followed, o.last_seen) for o in before]
    # one that ends where this one comes from is the same ball's, and others are not
    same = [
        o.last_seen < bounce and gap < (_SAME_BALL if _share(o, followed) else _MEETS)
        for o, gap in zip(before, gaps, strict=True)
    ]
    for other, gap, mine in zip(before, gaps, same, strict=True):
        end = other.last_seen
        # and so is not the ball of this path, seen elsewhere at the same time
        elsewhere = end > followed.first_seen + 1e-3 and gap > _SAME_BALL
        elsewhere |= gap > _ELSEWHERE and _beside(other, followed)
        if (any(same) and not mine) or elsewhere:
            continue
        there = other.path.positions(np.array([bounce]))[0]
        spot = np.array([*path.bounce_places[0], table.BALL_RADIUS])
        away = float(np.linalg.norm(there - spot)) > _ELSEWHERE
        near = gap < _WITHIN_REACH
        if bounce - end < _JUST_SEEN and away and near and not mine:
            return True  # the ball was in the air, elsewhere, and not struck down from there
        times = np.arange(min(end, bounce) - 0.02, bounce + 0.05, 0.004)
        model = path.model()
        back = flight.fly(
            model.places[0], model.outgoing[0], model.spins[1], float(times[0] - bounce) - 1e-3
        )
        since = np.minimum(times - bounce, 0.0)
        after = back.at(since[None])[0] + model.outgoing[0] * np.maximum(times - bounce, 0)[:, None]
        there = other.path.positions(times)
        off = np.linalg.norm(after - there, axis=1)
        own = np.linalg.norm(path.positions(times[times < bounce]) - there[times < bounce], axis=1)
        if off.min() < _MEETS and off.min() < own.min() / 2:
            return True
    return False


def _played_before(followed: FollowedPath, order: int, paths: Sequence[FollowedPath]) -> bool:
    """Whether the ball was on another way before a bounce: someone played it there.

    Another path begins where this one's ball then was, goes elsewhere, and is seen better.
    """
    path = followed.path
    bounce = float(path.bounce_times[order])
    for other in paths:
        began = other.first_seen
        if other is followed or not path.bounce_times[order - 1] < began < bounce:
            continue
        if other.last_seen < bounce + _OWN_WAY or _apart(followed, other, began) > _SAME_BALL:
            continue
        since = [int((p.measured & (p.sightings.times >= began)).sum()) for p in (followed, other)]
        at = np.array([bounce + 1e-3])
        turned = path.velocities(at)[0] - other.path.velocities(at)[0]
        if since[1] > 2 * since[0] and float(np.linalg.norm(turned)) > _TURNED:
            return True
    return False


def _share(one: FollowedPath, other: FollowedPath) -> bool:
    """Whether two paths rest on a picture of the same ball, if perhaps at another distance."""
    return not {(c.frame, m) for c, m in one.pictures}.isdisjoint(
        (c.frame, m) for c, m in other.pictures
    )


def _beside(one: FollowedPath, other: FollowedPath) -> bool:
    """Whether in some frame each shows a ball of its own."""
    seen = [
        {c.frame: m for (c, m), ball in zip(p.pictures, p.measured, strict=True) if ball}
        for p in (one, other)
    ]
    return any(seen[0][frame] != seen[1][frame] for frame in seen[0].keys() & seen[1].keys())


def _apart(one: FollowedPath, other: FollowedPath, time: float) -> float:
    """Distance between two paths at `time`, m."""
    at = np.array([time])
    return float(np.linalg.norm(one.path.positions(at) - other.path.positions(at)))


def _off_net(followed: FollowedPath, model: Model, paths: Sequence[FollowedPath]) -> bool:
    """Whether a path that begins at the net was drawn back through it to a bounce nobody saw.

    Another path ends where it begins: the ball touched the net there.
    """
    bounce, began = float(followed.path.bounce_times[0]), followed.first_seen
    if began <= bounce or followed.path.n_bounces < 2:
        return False
    at = followed.path.positions(np.array([began]))[0]
    through = _through_net(model, 0) and at[0] * model.places[0][0, 0] <= 0
    return any(
        _leads_to(other, followed)
        # drawn back through the net, or to a bounce while the ball was seen in the air
        and (through or (abs(at[0]) < _AT_NET and other.first_seen < bounce < other.last_seen))
        for other in paths
        if other is not followed
    )


def _goes_on_from_net(followed: FollowedPath, paths: Sequence[FollowedPath]) -> bool:
    """Whether another path begins at the net where this one ends."""
    at = followed.path.positions(np.array([followed.last_seen]))[0]
    return abs(at[0]) < _AT_NET and any(
        _leads_to(followed, other) for other in paths if other is not followed
    )


def _leads_to(one: FollowedPath, other: FollowedPath) -> bool:
    """Whether a path begins about when and where another ends."""
    ends, begins = one.last_seen, other.first_seen
    gap = one.path.positions(np.array([ends]))[0] - other.path.positions(np.array([begins]))[0]
    return bool(abs(begins - ends) < _STROKE / 2 and np.linalg.norm(gap) < 2 * _MEETS)


def _behind_table(calibration: Calibration, place: np.ndarray) -> bool:
    """Whether a ball that only seems to rise from a place may have come up behind the table."""
    away = place - calibration.camera.centre[:2]
    beyond = place + _BEHIND * away / max(float(np.hypot(*away)), 1e-9)
    return not near_table(beyond[None], 0.0)[0]


def _through_net(model: Model, order: int) -> bool:
    """Whether the flight after a bounce crosses the net's plane below its top."""
    height = float(at_net(model, order)[0, 0])
    since = float(model.starts[order + 1][0] - model.starts[order][0])
    crosses = model.places[order][0, 0] * model.places[order + 1][0, 0] < 0
    return bool(crosses and since > 0 and height < table.NET_HEIGHT - table.BALL_RADIUS / 2)


def _without_doubles(contacts: list[Contact]) -> list[Contact]:
    """Two paths may end and begin with the same bounce: keep the surer one."""
    kept: list[Contact] = []
    for c in contacts:
        twin = next(
            (
                i
                for i, other in enumerate(kept[-3:], start=max(0, len(kept) - 3))
                if c.time - other.time < 0.035 and float(np.hypot(*(c.point - other.point))) < 0.25
            ),
            None,
        )
        if twin is None:
            kept.append(c)
        elif np.trace(c.covariance) < np.trace(kept[twin].covariance):
            kept[twin] = c
    return kept
