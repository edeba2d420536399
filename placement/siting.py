"""Where a film's colour samples lie along a row: found from the film, as files seldom tell.

Colour is stored half as fine. Its samples lie midway between two rows; along a row they lie on the
even columns (type 0 of ITU-T H.264, E.2.1, taken where nothing is said), or midway between two
columns (type 1), as where a program averaged blocks of four. The half pixel between is a quarter of
a pixel in an orange ball's place. Edges of things are where they are in luma and in colour alike,
however blurred: the middles of their slopes tell which of the two it is.
"""

from __future__ import annotations

import numpy as np

ON_EVEN, MIDWAY = 0.0, 0.5  # px of luma from the even column

_REACH = 3  # columns of colour to either side over which an edge may be drawn out
_CLEAR = 12.0  # levels that it must rise or fall in both
_STEEP = 6.0  # levels from one sample of colour to the next
_ALONE = 0.85  # share of all ups and downs within reach that must be the edge's own
_OFF = 2.0  # px beyond which two edges are not the same
_FEWEST = 40  # edges from which the film decides


def colour_siting(luma: np.ndarray, red: np.ndarray) -> float:
    """How far from the even columns colour samples lie, px of luma.

    Parameters
    ----------
    luma : ndarray of uint8, shape (N, H, W)
        Pictures whose first column is even; H and W even.
    red : ndarray of uint8, shape (N, H / 2, W / 2)
        The red difference.

    Returns
    -------
    float
        `ON_EVEN` or `MIDWAY`; the former where too few edges tell.
    """
    found = _offsets(luma, red)
    if len(found) < _FEWEST:
        return ON_EVEN
    return MIDWAY if float(np.median(found)) > (ON_EVEN + MIDWAY) / 2 else ON_EVEN


def _offsets(luma: np.ndarray, red: np.ndarray) -> np.ndarray:
    """By how much each edge says that samples lie beside the even column, px."""
    rows = (luma[:, 0::2].astype(np.float32) + luma[:, 1::2]) / 2
    grey = np.diff(rows, axis=2)  # from column j to j + 1: its middle is at j + 0.5
    tint = np.diff(red.astype(np.float32), axis=2)  # from 2 i to 2 (i + 1), and as much aside
    size = np.abs(tint)
    inner = size[:, :, _REACH:-_REACH]
    highest = (
        (inner > _STEEP)
        & (inner >= size[:, :, _REACH - 1 : -_REACH - 1])
        & (inner > size[:, :, _REACH + 1 : size.shape[2] - _REACH + 1])
    )
    n, v, i = np.nonzero(highest)
    i = i + _REACH
    near = np.arange(-_REACH, _REACH + 1)
    fine = np.arange(-2 * _REACH, 2 * _REACH + 2)
    of_tint = tint[n[:, None], v[:, None], i[:, None] + near]
    of_grey = grey[n[:, None], v[:, None], 2 * i[:, None] + fine]
    middles, clear = [], np.ones(len(n), bool)
    for steps, at in ((of_tint, 2.0 * near + 1.0), (of_grey, fine + 0.5)):
        total = steps.sum(axis=1)
        clear &= np.abs(total) > np.maximum(_CLEAR, _ALONE * np.abs(steps).sum(axis=1))
        middles.append((steps @ at) / np.where(total == 0, 1, total))
    aside = (middles[1] - middles[0])[clear]
    return np.asarray(aside[np.abs(aside) < _OFF])
