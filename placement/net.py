"""The net's plane: how high a flight crosses it, and whether the ball touched the net there.

A ball that brushes the tape goes on slower and at another slope. Of a path that goes on after it,
no single flight then explains the pictures on both sides; of two paths, one ends where the other
begins.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from calibration import table
from calibration.camera import Camera
from placement import flight
from placement.normal import normal_cdf
from placement.paths import FollowedPath
from placement.trajectory import Expectations, Model, Path, Sightings, first_guess, fit_path

if TYPE_CHECKING:
    from placement.contacts import Contact

# s between paths that part at the net, by how much they may overlap; m from its top, along, up
_AT_NET_S, _OVERLAP, _AT_NET_X, _AT_NET_Z = 0.08, 0.02, 0.2, 0.06
_TOUCH = 0.012  # m: clearances nearer than this to none may have touched the net
_GRAZE = 0.010  # m, of one flight fitted through both sides: a brush draws it down
_SAG_SD = 0.004  # m: nets hang a little lower or higher than the law asks (no source)
# a flight drawn back to the net is off by so many of its stated sd (three good serves of rendered
# film); one that leads through the tape so likely all the same touched it, as it came over
_DRAWN, _THROUGH = 1.6, 0.97
# by how much the loss falls where the flights on both sides are fitted alone, and its share
_PARTED, _PARTED_SHARE = 25.0, 0.1
# the same where one flight does not fit; its loss a sighting then
_TORN, _TORN_SHARE, _ROUGH = 40.0, 0.6, 4.0
_FEWEST = 5  # sightings on a side


def at_net(model: Model, order: int) -> np.ndarray:
    """Height of the centre and speed along x where the ball crosses the net's plane, (B, 2)."""
    arc = model.arc_after(order, 1.6)
    times = np.linspace(0, 1.6, 65)
    at = arc.at(np.broadcast_to(times, (len(model.batch), len(times))))
    x = at[:, :, 0]
    side = np.sign(x[:, :1])
    crossed = (x * side <= 0) & (np.arange(len(times)) > 0)
    k = np.maximum(np.argmax(crossed, axis=1), 1)
    rows = np.arange(len(x))
    share = x[rows, k - 1] / (x[rows, k - 1] - x[rows, k])
    z = at[rows, k - 1, 2] + share * (at[rows, k, 2] - at[rows, k - 1, 2])
    speed = arc.velocity_at((times[k - 1] + share * (times[1] - times[0]))[:, None])[:, 0, 0]
    return np.where(crossed.any(axis=1)[:, None], np.column_stack([z, speed]), np.nan)


def clearance_of(path: Path, order: int) -> tuple[float, float]:
    """How high above the net the ball's lowest point passes after a bounce, and its sd, m.

    NaN where it does not reach the net.
    """
    crossing, covariance = path.propagate(lambda m: at_net(m, order))
    sd = float(np.sqrt(max(covariance[0, 0], 1e-8)))
    return float(crossing[0]) - table.BALL_RADIUS - table.NET_HEIGHT, sd


def may_touch(clearance: float, clearance_sd: float) -> float:
    """Probability that a ball with this clearance brushed the net.

    Parameters
    ----------
    clearance, clearance_sd : float
        m, see `clearance_of`.
    """
    return float(normal_cdf(-clearance / np.hypot(clearance_sd, _SAG_SD)))


def touched_net(
    paths: Sequence[FollowedPath],
    first: Contact,
    landed: Contact,
    clearance: float,
    clearance_sd: float,
    camera: Camera,
    readout_s: float,
) -> bool:
    """Whether a ball that bounced on both sides of the net touched it between.

    It did if its flight as seen, on one side or both, leads through the tape; or breaks there.

    Parameters
    ----------
    paths : sequence of FollowedPath
    first, landed : Contact
        Its bounces before and after the net.
    clearance, clearance_sd : float
        m, see `clearance_of`.
    camera : Camera
    readout_s : float
        See `placement.trajectory.fit_path`.
    """
    before, after = paths[first.path], paths[landed.path]
    if before is after:
        if may_touch(clearance / _DRAWN, clearance_sd) > _THROUGH:
            return True
        grazes = bool(np.isfinite(clearance) and clearance < _GRAZE + clearance_sd)
        # of a flight that explains its pictures so badly, the clearance says nothing
        rough = before.path.cost > _ROUGH * len(before.frames)
        if not grazes and not rough:
            return False
        apart, together = _costs(before, first, landed, camera, readout_s)
        least, share = (_PARTED, _PARTED_SHARE) if grazes else (_TORN, _TORN_SHARE)
        return bool(together - apart > least + share * together)
    low = bool(np.isfinite(clearance) and clearance < _TOUCH + 2 * clearance_sd)
    return (low and _slowed(before, after, first, landed)) or _parted(before, after)


def _parted(before: FollowedPath, after: FollowedPath) -> bool:
    """Whether one path ends and the next begins at the net's top: no one flight explains both."""
    ends, begins = before.last_seen, after.first_seen
    if not -_OVERLAP < begins - ends < _AT_NET_S:
        return False
    at = [before.path.positions(np.array([ends]))[0], after.path.positions(np.array([begins]))[0]]
    top = table.NET_HEIGHT + table.BALL_RADIUS
    return all(abs(p[0]) < _AT_NET_X and abs(p[2] - top) < _AT_NET_Z for p in at)


def _slowed(before: FollowedPath, after: FollowedPath, first: Contact, landed: Contact) -> bool:
    """Whether the speed along the table before and after the net disagrees."""
    crossing, covariance = before.path.propagate(lambda m: at_net(m, first.order))
    sd = float(np.sqrt(max(covariance[1, 1], 0.0)))
    speed = after.path.velocities(np.array([landed.time - 0.12]))[0]
    expected = crossing[1] * np.exp(-flight.drag_constant() * 0.5)
    return bool(abs(speed[0] - expected) > max(0.5, 4 * sd))


def _costs(
    followed: FollowedPath, first: Contact, landed: Contact, camera: Camera, readout_s: float
) -> tuple[float, float]:
    """Losses of two flights that part at the net, and of one; NaN where either fits not."""
    path, seen = followed.path, followed.sightings
    fine = np.linspace(first.time, landed.time, 200)
    over = path.positions(fine)[:, 0] * np.sign(landed.point[0])
    crossing = float(np.interp(0.0, over, fine))
    bounces = path.bounce_times
    since = bounces[first.order - 1] if first.order else -np.inf
    until = bounces[landed.order + 1] if landed.order + 1 < len(bounces) else np.inf
    sides = (
        ((seen.times > since) & (seen.times < crossing), [first]),
        ((seen.times > crossing) & (seen.times < until), [landed]),
    )
    if min(used.sum() for used, _ in sides) < _FEWEST:
        return np.nan, np.nan
    whole = (sides[0][0] | sides[1][0], [first, landed])
    costs = [_cost(camera, seen, *some, readout_s) for some in (*sides, whole)]
    return costs[0] + costs[1], costs[2]


def _cost(
    camera: Camera, seen: Sightings, used: np.ndarray, bounces: Sequence[Contact], readout_s: float
) -> float:
    """Loss of a flight over these bounces, fitted to some of the sightings; NaN if none fits."""
    some = Sightings(seen.times[used], seen.points[used], seen.covariances[used])
    usual = Expectations()
    start = first_guess(
        [b.time for b in bounces], bounces[0].point, bounces[0].incoming,
        [b.outgoing for b in bounces], usual,
    )  # fmt: skip
    path = fit_path(camera, some, start, len(bounces), usual, readout_s=readout_s)
    return np.nan if path is None else path.cost
