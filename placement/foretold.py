"""Candidates where a ball is foretold next to a bounce, before it or after it."""

from __future__ import annotations

import numpy as np

from calibration import table
from placement import flight
from placement.paths import LONGEST_HIDDEN
from placement.sightings import SHADE_SHIFT, Member, Window, radii_px

#: s after the last sighting up to which a bounce is sought.
SOON = 0.1

_LOOK_ON = 6  # frames beyond a bounce in which the ball is looked for
_FOUND = 3  # of them that must show it
_FOUND_SLOW, _SLOW_FILM = 2, 0.025  # likewise with frames so many s apart: a serve's first is near
_BEND, _BEND_BACK = 0.12, 0.25  # share of the falling speed, after a bounce and before it
#: px at 1920 px width: how near to where it is foretold a ball is, but for what bends its flight.
GATE_PX = 9.0


def near_foretold(
    window: Window,
    first: int,
    time: float,
    place: np.ndarray,
    velocity: np.ndarray,
    gap: float,
    way: int,
) -> list[tuple[Member, float] | None]:
    """The candidate nearest to where the ball is foretold next to a bounce, and how far off, px.

    Frame by frame away from the bounce; None where it is too far off. After it and after frame
    `first` for `way` 1, where `velocity` is that after the bounce; before them for -1.
    """
    camera, frames = window.camera, window.frames
    reach = 1 + _LOOK_ON + round((SOON if way > 0 else LONGEST_HIDDEN) / gap)
    beyond = [
        f
        for f in range(first, first + way * reach, way)
        if f in frames and way * (frames[f].time_s - time) > 0
    ][:_LOOK_ON]
    if not beyond:
        return []
    lag = np.array([frames[f].time_s for f in beyond]) - time
    at = np.array([*place, table.BALL_RADIUS]) + velocity * lag[:, None]
    at[:, 2] -= flight.GRAVITY * lag**2 / 2
    aim = camera.project(at)
    aim[:, 1] -= SHADE_SHIFT * radii_px(camera, at)
    # friction is not known yet: it bends the path by a share of the falling speed
    bend = _BEND if way > 0 else _BEND_BACK
    slack = camera.matrix[0, 0] / camera.depths(at) * bend * abs(velocity[2]) * np.abs(lag)
    found: list[tuple[Member, float] | None] = []
    for k, f in enumerate(beyond):
        off = np.hypot(*(frames[f].points - aim[k]).T)
        m = int(np.argmin(off)) if len(off) else 0
        within = len(off) > 0 and off[m] < GATE_PX * window.scale + slack[k]
        found.append(((f, m), float(off[m])) if within else None)
    return found


def told_by(near: list[tuple[Member, float] | None], gap: float) -> list[Member]:
    """The candidates among what is `near_foretold`; none if they are few."""
    found = [one[0] for one in near if one is not None]
    return found if len(found) >= enough(gap) else []


def enough(gap: float) -> int:
    """How many sightings tell the ball, in a film whose frames are `gap` s apart."""
    return _FOUND_SLOW if gap > _SLOW_FILM else _FOUND
