"""Whether a ball flew a path that was followed: by the better paths of the same film.

How closely paths fit differs from film to film, with light and compression, and so does how bright
a ball stands before what lies behind it. Before any path was followed the limits are wide.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from placement.agreement import on_table
from placement.paths import FollowedPath

GOOD_PATH = 1.7  # misfit up to which a path is a ball's
PALEST = 5.0  # grey levels of contrast that any ball has
ROUGHEST = 2.0  # misfit of the film's better paths beyond which no allowance is made
_MANY = 20  # measured pictures with which a path may fit more loosely
_MOSTLY = 0.75  # and share of its sightings
_SELDOM = 1.3  # misfit up to which a path is believed whose sightings often show no ball
_PLENTY = 40  # pictures of a ball with which it may fit as any other all the same
_LOOSER = 1.3  # times the limit, for a path to many pictures
_EACH = 8  # more of them for each further bounce
_FEWEST, _FEWEST_S = 5, 0.125  # pictures of a ball that a path needs, and s of them
_FOR_BOUNCE = 3  # more for each further bounce, which has as many unknowns
_PALE = 0.3  # times the film's contrast of balls, below which a path is none's
_PALER = 0.8  # times that, for a path with plenty of pictures
_ENOUGH = 3  # paths that tell how closely the film's paths fit


def plentiful(followed: FollowedPath) -> bool:
    """Whether many pictures were measured, most of those that there are."""
    return bool(followed.measured.sum() >= _MANY and followed.measured.mean() >= _MOSTLY)


def typical_misfit(paths: Sequence[FollowedPath]) -> float:
    """That of the better paths."""
    return float(np.percentile([p.path.misfit for p in paths], 25))


class Belief:
    """What is asked of a path in a film.

    Parameters
    ----------
    fps : float
    look_known : bool
        Whether the ball's look is known from the start: what has hardly any contrast is no ball.

    Attributes
    ----------
    palest : float
        Contrast of the palest path that is believed, grey levels.
    """

    def __init__(self, fps: float, *, look_known: bool) -> None:
        self.palest = PALEST if look_known else 0.0
        self._fewest = max(_FEWEST, round(_FEWEST_S * fps))
        self._limit = GOOD_PATH

    def learn(self, paths: Sequence[FollowedPath]) -> None:
        """Take the film's first paths as a measure, fitted with the look that they taught."""
        telling = [p for p in paths if plentiful(p)]
        contrast = float(np.median([p.contrast for p in telling])) if telling else 0.0
        self.palest = max(_PALE * contrast, PALEST)
        if len(telling) >= _ENOUGH:
            self._limit = GOOD_PATH * float(np.clip(typical_misfit(telling), 1.0, ROUGHEST))

    def holds(self, followed: FollowedPath, *, led_on: bool = False, sized: bool = False) -> bool:
        """Whether a ball flew so: a close fit, or a looser one to many pictures.

        A path `led_on` from one that is believed may have come before a ground as bright as the
        ball. One whose pictures are surely of the right size (`sized`) may fit as one to many.
        """
        pictures, further = followed.measured.sum(), followed.path.n_bounces - 1
        palest = self.palest * (_PALER if pictures >= _PLENTY else 1.0)
        if followed.contrast < (PALEST if led_on else max(palest, PALEST)):
            return False  # an arm in a sleeve
        if pictures < self._fewest + _FOR_BOUNCE * further:
            return False
        if not on_table(followed.path):
            return False  # a toss, or a hand
        misfit = followed.path.misfit
        seldom = followed.measured.mean() < _MOSTLY and pictures < _PLENTY
        if seldom and misfit > _SELDOM:
            return False
        many = sized or (plentiful(followed) and pictures >= _MANY + _EACH * further)
        return bool(misfit < self._limit or (many and misfit < _LOOSER * self._limit))
