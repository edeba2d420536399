"""When the bat met the ball, from the path after it and the toss before it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.camera import Camera
from placement.paths import FollowedPath
from placement.toss import Toss, find_toss

_STROKES = 7  # instants of the stroke that are tried


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """The instant when the bat met the ball.

    Attributes
    ----------
    contact_s, contact_sd_s : float
        When, and its standard deviation, s.
    toss : Toss or None
        The toss before it, where it could be measured.
    """

    contact_s: float
    contact_sd_s: float
    toss: Toss | None


def find_stroke(camera: Camera, followed: FollowedPath, first_bounce_time: float) -> Stroke:
    """When the bat met the ball, and the toss before it.

    Parameters
    ----------
    camera : Camera
    followed : FollowedPath
        The path that the stroke began.
    first_bounce_time : float
        s, of the first bounce after the stroke.
    """
    times = followed.sightings.times
    gap = float(np.median(np.diff(times)))
    before = times[times < first_bounce_time - 0.5 * gap]
    if len(before):
        # seen nearly along the flight, the end of the toss may pass for the path's beginning: the
        # stroke is where the longest toss ends
        guesses = [before[0] - k * gap for k in (2.5, 1.5, 0.5)]
        guesses += [float(t) for t in (before[1:] + before[:-1]) / 2]
        step = max(1, round(0.014 / gap), len(guesses) // _STROKES)
        guesses = guesses[::step]
        plain, plain_sd = float(before[0] - 0.5 * gap), 0.03
    else:
        guesses = [first_bounce_time - d for d in (0.3, 0.22, 0.15, 0.08)]
        plain, plain_sd = guesses[1], 0.08
    tosses = []
    for time in guesses:
        place = followed.path.positions(np.array([time]))[0]
        toss = find_toss(camera, place, time, followed.history)
        if toss is not None:
            # a later stroke lends the toss the frames in between: they do not count for it
            tosses.append((toss.n_frames - (time - guesses[0]) / gap, toss))
    if not tosses:
        return Stroke(contact_s=plain, contact_sd_s=plain_sd, toss=None)
    most = max(score for score, _ in tosses)
    best = next(toss for score, toss in tosses if score >= most - 2.5)
    return Stroke(contact_s=best.contact_s, contact_sd_s=gap, toss=best)
