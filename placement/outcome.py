"""What became of a serve: from what was seen and from what its flight foretells."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from calibration import table
from placement import flight
from placement.normal import normal_cdf
from placement.paths import FollowedPath
from placement.trajectory import Expectations, Model, Path

if TYPE_CHECKING:
    from placement.contacts import Contact

# s between paths that part at the net, by how much they may overlap; m from its top, along, up
_AT_NET_S, _OVERLAP, _AT_NET_X, _AT_NET_Z = 0.08, 0.02, 0.2, 0.06
_LONG = 1.6  # s, longer than any flight between bounces
_TOUCH = 0.012  # m: clearances nearer than this to none may have touched the net


def fall_of(model: Model, order: int) -> np.ndarray:
    """Time and place (x, y) where the ball next meets the plane after a bounce, (B, 3)."""
    arc = model.arc_after(order, _LONG)
    since = arc.falls_to(table.BALL_RADIUS)
    at = arc.at(np.nan_to_num(since, nan=_LONG)[:, None])[:, 0]
    return np.column_stack([model.starts[order] + since, at[:, :2]])


def two_falls_of(model: Model, order: int) -> np.ndarray:
    """Time and place of the next fall after a bounce, and of the one after it, (B, 6).

    The bounce between is foretold as well.
    """
    arc = model.arc_after(order, _LONG)
    first = fall_of(model, order)
    since = np.nan_to_num(first[:, 0] - model.starts[order], nan=_LONG)[:, None]
    place, velocity = arc.at(since)[:, 0], arc.velocity_at(since)[:, 0]
    outgoing, spin = flight.bounce(velocity, model.spins[order + 1], friction=model.batch[:, 9])
    after = flight.fly(place, outgoing, spin, _LONG, **model.physics())
    next_since = after.falls_to(table.BALL_RADIUS)
    at = after.at(np.nan_to_num(next_since, nan=_LONG)[:, None])[:, 0]
    return np.column_stack([first, first[:, 0] + next_since, at[:, :2]])


def foretold_second(path: Path, order: int) -> tuple[np.ndarray, np.ndarray]:
    """Place (x, y) of the second fall after a bounce, and its covariance, m^2.

    What the bounce between may do otherwise than foretold widens it.
    """
    value, spread = path.propagate(lambda m: two_falls_of(m, order))
    usual = Expectations()
    lively = usual.restitution[1] / usual.restitution[0] * (value[4:] - value[1:3])
    rubbed = usual.rub[1] * float(value[3] - value[0])
    return value[4:], spread[4:, 4:] + np.outer(lively, lively) + rubbed**2 * np.eye(2)


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


def outcome_of(
    end: int,
    landed: int | None,
    own: int | None,
    contacts: Sequence[Contact],
    first: Contact,
    fall: np.ndarray,
    fall_cov: np.ndarray,
    clearance: float,
    clearance_sd: float,
    paths: Sequence[FollowedPath],
) -> tuple[str, float]:
    """Outcome and its probability from what was seen and what the flight foretells."""
    far = -end
    reaches_net = np.isfinite(clearance)
    over = float(normal_cdf(clearance / clearance_sd)) if reaches_net else 0.0
    if landed is not None:
        before, after = paths[first.path], paths[contacts[landed].path]
        low = reaches_net and clearance < _TOUCH + 2 * clearance_sd
        touched = before is not after and (
            (low and _changed_at_net(paths, first, contacts[landed]))
            or _parted_at_net(before, after)
        )
        if touched:
            return "let", 0.85
        return "good", 0.98 if contacts[landed].seen else 0.85
    falls_short = fall[1] * far < 0
    if own is not None and falls_short and (not reaches_net or fall[1] * end > 0.05):
        return "own-twice", 0.9
    if reaches_net and over < 0.5:
        return "net", max(0.5, 1 - over)
    if own is not None and contacts[own].incoming[0] * -end < 1.0:
        return "net", 0.7  # it comes off the net and drops on the server's half
    if falls_short:
        return ("own-twice", 0.6) if own is not None else ("net", 0.6)
    sd = np.sqrt(np.maximum(np.diag(fall_cov)[1:], 1e-6))
    on_length = float(normal_cdf((table.HALF_LENGTH - fall[1] * far) / sd[0]))
    inside = normal_cdf((table.HALF_WIDTH - fall[2]) / sd[1]) - normal_cdf(
        (-table.HALF_WIDTH - fall[2]) / sd[1]
    )
    on_table = on_length * float(inside)
    if on_table < 0.5:
        return "missed", max(0.5, 1 - on_table)
    # it should have landed, yet no bounce was seen
    watched = paths[first.path].last_seen - first.time
    return ("good", 0.6) if watched < fall[0] - first.time + 0.05 else ("unclear", 0.5)


def _parted_at_net(before: FollowedPath, after: FollowedPath) -> bool:
    """Whether one path ends and the next begins at the net's top: no one flight explains both."""
    ends, begins = before.last_seen, after.first_seen
    if not -_OVERLAP < begins - ends < _AT_NET_S:
        return False
    at = [before.path.positions(np.array([ends]))[0], after.path.positions(np.array([begins]))[0]]
    top = table.NET_HEIGHT + table.BALL_RADIUS
    return all(abs(p[0]) < _AT_NET_X and abs(p[2] - top) < _AT_NET_Z for p in at)


def _changed_at_net(paths: Sequence[FollowedPath], first: Contact, landed: Contact) -> bool:
    """Whether the speed along the table before and after the net disagrees."""
    before, before_cov = paths[first.path].path.propagate(lambda m: at_net(m, first.order))
    sd = float(np.sqrt(max(before_cov[1, 1], 0.0)))
    after = paths[landed.path].path.velocities(np.array([landed.time - 0.12]))[0]
    expected = before[1] * np.exp(-flight.drag_constant() * 0.5)
    return bool(abs(after[0] - expected) > max(0.5, 4 * sd))
