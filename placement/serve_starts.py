"""Bounces that begin a serve.

The laws make a serve recognisable: it is the one stroke whose first bounce is on the striker's own
half while the ball travels towards the net (Laws 2.6.3 and 2.7.1; a return bounces first beyond the
net). Idle bouncing has no such travel. A ball that drops off the net with nothing seen before it
was served into the net.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from placement.contacts import Contact
from placement.paths import FollowedPath

SERVE_SPEED = 0.8  # m/s along the table, slower is idle bouncing
_APART = 0.9  # s, shortest time between two serves
_QUIET = 1.2  # s after a ball came towards this end: then a stroke is a return, not a serve
# a ball that drops off the net: m from it and high, m/s along the table, m to its bounce
_OFF_X, _OFF_Z, _OFF_SPEED, _OFF_BOUNCE = 0.15, 0.4, 2.5, 0.6
_BEFORE_NET = 1.5  # s without a bounce before it


def serve_starts(contacts: Sequence[Contact]) -> list[int]:
    """Contacts that only a serve makes: on the striker's own half, on the way to the net."""
    may = []
    for i, c in enumerate(contacts):
        away = -c.half
        if c.incoming[0] * away < SERVE_SPEED * 0.6 or c.outgoing[0] * away < SERVE_SPEED:
            continue
        came = any(
            o.seen and c.time - o.time < _QUIET and o.half == c.half and o.incoming[0] * away < -1.0
            for o in contacts[:i]
        )
        if c.seen or not came:
            may.append(i)
    starts: list[int] = []
    for i in may:
        c = contacts[i]
        # what is only inferred gives way to what was seen
        better = any(
            contacts[k].seen
            and contacts[k].half == c.half
            and 0 < contacts[k].time - c.time < _APART
            for k in may
        )
        if not c.seen and better:
            continue
        # nobody serves twice so soon: what went nowhere was a toss
        served = any(
            contacts[k].half == c.half
            and 0 < contacts[k].time - c.time < _APART
            and _goes_over(contacts, k)
            for k in may
        )
        if served and not _goes_over(contacts, i):
            continue
        if starts and c.time - contacts[starts[-1]].time < _APART:
            continue
        starts.append(i)
    return starts


def _goes_over(contacts: Sequence[Contact], i: int) -> bool:
    """Whether the same flight is known to bounce next beyond the net."""
    c = contacts[i]
    return any(
        o.path == c.path and o.order == c.order + 1 and o.half == -c.half for o in contacts[i + 1 :]
    )


def off_net_starts(
    contacts: Sequence[Contact], paths: Sequence[FollowedPath], starts: Sequence[int]
) -> list[int]:
    """Contacts of balls that dropped off the net, with nothing seen of how they came there.

    Parameters
    ----------
    contacts : sequence of Contact
    paths : sequence of FollowedPath
    starts : sequence of int
        Contacts that begin a serve in the usual way.
    """
    found: list[int] = []
    # a toss that met the bat, and no table, is no flight that the ball could have come by
    met = [paths[k] for k in sorted({c.path for c in contacts})]
    for i, c in enumerate(contacts):
        followed = paths[c.path]
        if c.order or not c.seen or abs(c.point[0]) > _OFF_BOUNCE:
            continue
        began = followed.first_seen
        if began > c.time - 0.02:
            continue
        at, speed = (
            f(np.array([began]))[0] for f in (followed.path.positions, followed.path.velocities)
        )
        if abs(at[0]) > _OFF_X or at[2] > _OFF_Z or abs(speed[0]) > _OFF_SPEED:
            continue
        quiet = all(not 0 < began - o.time < _BEFORE_NET for o in contacts)
        quiet &= all(not 0 < began - p.last_seen < _BEFORE_NET for p in met)
        if quiet and all(abs(contacts[k].time - c.time) > _BEFORE_NET for k in starts):
            found.append(i)
    return found
