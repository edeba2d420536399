"""Where a film's colour samples lie along a row: found from its balls, as files seldom tell.

Colour is stored half as fine. Its samples lie midway between two rows; along a row they lie on the
even columns (type 0 of ITU-T H.264, E.2.1, taken where nothing is said), or midway between two
columns (type 1), as where a program averaged blocks of four. The half pixel between is a quarter of
a pixel in an orange ball's place. A ball is in one place, in luma and in colour alike: with samples
taken to lie between the two, it is on the side of the one that is true.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from placement import ball_image
from placement.ball import Candidates
from placement.ball_model import BETWEEN, MIDWAY, ON_EVEN, Look

_FEWEST = 12  # balls from which the film decides
_WORST = 0.75  # misfit of a ball's picture above which it does not count
_FAR = 1.5  # px: in two places so far apart there is not one ball
_SURE = 2.0  # standard errors of the middle from none, from which it is told
_MEDIANS = 1.25  # times a mean's standard error, a median's, where errors are normal
_SOFTER, _SHARPEST = 0.3, 0.3  # px by which colour is more blurred than luma; luma's least blur


def colour_siting(
    pictures: Sequence[tuple[Candidates, int]],
    guesses: np.ndarray,
    radii: np.ndarray,
    velocities: np.ndarray,
    look: Look,
) -> float:
    """How far from the even columns colour samples lie, px of luma.

    Parameters
    ----------
    pictures : sequence of (Candidates, int)
    guesses, radii, velocities : ndarray
        See `placement.ball_image.measure`.
    look : Look
        How the balls look in the red channel.

    Returns
    -------
    float
        `ON_EVEN` or `MIDWAY`; `ON_EVEN` where hardly a ball tells, and `BETWEEN` where they do not
        agree: then a ball is a quarter of a pixel aside at most.
    """
    by_luma = replace(look, tinted=False, blur_px=max(_SHARPEST, look.blur_px - _SOFTER))
    places, good = [], np.ones(len(pictures), bool)
    for how in (by_luma, replace(look, siting=BETWEEN)):
        patches, origins = ball_image.gather(pictures, radii, velocities, how)
        images = ball_image.measure(patches, origins, guesses, radii, velocities, how)
        places.append(images.centres)
        good &= images.misfits < _WORST
    aside = places[1] - places[0]
    good &= np.hypot(*aside.T) < _FAR
    if good.sum() < _FEWEST:
        return ON_EVEN
    told = aside[good, 0]
    middle, spread = float(np.median(told)), _MEDIANS * float(told.std()) / np.sqrt(len(told))
    if abs(middle) < _SURE * spread:
        return BETWEEN
    return ON_EVEN if middle > 0 else MIDWAY
