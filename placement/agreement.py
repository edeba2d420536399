"""Which sightings a fitted path may keep, and whether its bounces are such as a table gives."""

from __future__ import annotations

import numpy as np

from placement.trajectory import Path, Sightings

_GAP, _GAP_FRAMES = 0.1, 3.5  # s and frames without the ball in which a stroke may hide
_POORER = 0.6  # times the share of balls in the rest of a path
_RESTITUTION, _MOST_RUB = (0.7, 1.08), 0.8  # what a bounce may be; m/s


def only(sightings: Sightings, keep: np.ndarray) -> Sightings:
    """The chosen sightings."""
    return Sightings(sightings.times[keep], sightings.points[keep], sightings.covariances[keep])


def agreeing(path: Path, sightings: Sightings, scale: float) -> np.ndarray:
    """Which sightings the path explains; at either end the outermost go first, a few at a time.

    A stroke, or another thing that moves, pulls the whole end of a path away: with its outermost
    sightings gone the next fit agrees with the rest again.
    """
    sd = np.sqrt(np.trace(sightings.covariances, axis1=1, axis2=2) / 2 + (0.3 * scale) ** 2)
    off = np.hypot(*path.residuals.T) / sd
    typical = max(1.0, float(np.median(off)) / 1.2)
    good = off < 4.0 * typical
    keep = np.ones(len(good), bool)
    most = max(2, len(good) // 12)
    for order in (np.arange(len(good)), np.arange(len(good))[::-1]):
        run, settled = 0, len(order)
        for k, i in enumerate(order):
            run = run + 1 if good[i] else 0
            if run == 3:
                settled = k - 2
                break
        keep[order[: min(settled, most)]] = False
        inner = order[settled:]
        keep[inner] &= good[inner] | (np.arange(len(inner)) >= len(inner) - most)
    return keep


def without_strangers(
    path: Path, times: np.ndarray, good: np.ndarray, faint: np.ndarray
) -> np.ndarray:
    """Which sightings belong to one flight: a stroke may hide in a long gap at either end.

    Before the first bounce and after the last, what lies beyond a gap is left out.
    """
    keep = np.ones(len(times), bool)
    if len(times) < 2:
        return keep
    longest = max(_GAP, _GAP_FRAMES * float(np.median(np.diff(times))))
    first, last = float(path.bounce_times[0]), float(path.bounce_times[-1])
    seen = times[good]
    if len(seen) < 2:
        return keep
    gaps = np.diff(seen)
    wide = np.flatnonzero(gaps > longest)
    before = wide[seen[wide] < first]
    if len(before):
        keep &= times > seen[before[-1]]
    after = wide[seen[wide] > last]
    if len(after):
        keep &= times < seen[after[0] + 1]
    # an arm that happens to lie where the ball would be does not look like one
    for end in (times < first, times > last):
        here, rest = keep & end & ~faint, keep & ~end & ~faint
        if here.any() and rest.any() and good[here].mean() < _POORER * good[rest].mean():
            keep &= ~end
    return keep


def plausible(path: Path) -> bool:
    """Whether all bounces are such as a table gives, and not strokes."""
    each = path.theta[12:].reshape(-1, 3)
    kept = (each[:, 0] > _RESTITUTION[0]) & (each[:, 0] < _RESTITUTION[1])
    return bool(kept.all() and (np.abs(each[:, 1:]) < _MOST_RUB).all())
