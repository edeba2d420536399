"""What became of a serve: from what was seen and from what its flight foretells."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from calibration import table
from placement import flight
from placement.net import may_touch
from placement.normal import normal_cdf
from placement.paths import FollowedPath
from placement.trajectory import Expectations, Model, Path

if TYPE_CHECKING:
    from placement.contacts import Contact

_LONG = 1.6  # s, longer than any flight between bounces


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
    *,
    touched: bool,
    returned: bool,
) -> tuple[str, float]:
    """Outcome and its probability from what was seen and what the flight foretells.

    Parameters
    ----------
    end : int
        The server's, -1 or +1.
    landed, own : int or None
        Among `contacts`, the bounce beyond the net and the second on the server's half.
    contacts : sequence of Contact
    first : Contact
        The serve's first bounce.
    fall, fall_cov : ndarray, shapes (3,) and (3, 3)
        Time and place of the next fall as foretold, see `fall_of`.
    clearance, clearance_sd : float
        m, see `placement.net.clearance_of`.
    paths : sequence of FollowedPath
    touched : bool
        Whether a ball that landed touched the net on its way.
    returned : bool
        Whether it was played back: then it came over, though its landing was not seen.
    """
    far = -end
    reaches_net = np.isfinite(clearance)
    over = float(normal_cdf(clearance / clearance_sd)) if reaches_net else 0.0
    if landed is not None:
        if touched:
            return "let", 0.85
        # where too little is seen before the net to tell, the flight alone may speak for a touch
        clear = 1 - may_touch(clearance, clearance_sd) if reaches_net else 1.0
        return "good", min(0.98 if contacts[landed].seen else 0.85, max(0.5, clear))
    falls_short = fall[1] * far < 0
    if own is not None and falls_short and (not reaches_net or fall[1] * end > 0.05):
        return "own-twice", 0.9
    if reaches_net and over < 0.5 and not returned:
        return "net", max(0.5, 1 - over)
    if own is not None and contacts[own].incoming[0] * -end < 1.0:
        return "net", 0.7  # it comes off the net and drops on the server's half
    if falls_short and not returned:
        return ("own-twice", 0.6) if own is not None else ("net", 0.6)
    sd = np.sqrt(np.maximum(np.diag(fall_cov)[1:], 1e-6))
    on_length = float(normal_cdf((table.HALF_LENGTH - fall[1] * far) / sd[0]))
    inside = normal_cdf((table.HALF_WIDTH - fall[2]) / sd[1]) - normal_cdf(
        (-table.HALF_WIDTH - fall[2]) / sd[1]
    )
    on_table = on_length * float(inside)
    if on_table < 0.5:
        return "missed", max(0.5, 1 - on_table)
    if returned:
        return "good", 0.85
    # it should have landed, yet no bounce was seen
    watched = paths[first.path].last_seen - first.time
    return ("good", 0.6) if watched < fall[0] - first.time + 0.05 else ("unclear", 0.5)
