"""Whether the pictures of an arc show a ball.

Arms and shirts may swing like a ball for some frames; their pictures do not look like one of the
right size. A long flight that falls at one distance exactly as gravity asks needs no picture.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from placement import ball_image
from placement.arcs import BallArc, fit_arc
from placement.sightings import Window, radii_px

_SIZES = (0.75, 1.33, 0.58)  # sizes tried where the expected one does not fit
_LOOKS = 3  # pictures of an arc that are looked at
_LOOKS_LIKE = 0.75  # misfit of a picture up to which it may be a ball's
_LEAST_CONTRAST = 3.0
_STRICTER = 0.25  # less than that, to be looked at in other sizes
_VAGUE = 0.1  # of its depth; an arc less sure than that is also looked at in other sizes
# so is one of so many sightings, or so long, that gravity alone explains worse than that: where
# spin bends a flight up or down, its distance comes out a third wrong, however sure it seems
_LONG, _LONG_S, _SPUN = 10, 0.25, 0.5  # sightings, s, misfit
# a flight that needs no picture to be believed: sightings, s, misfit, vagueness of its depth
_SURE, _SURE_S, _SURE_MISFIT, _SURE_VAGUE = 10, 0.12, 0.6, 0.15
_PLAIN, _BENT = 1.0, 0.05  # misfit up to which an arc is looked at; more by sighting
SMOOTH = 0.8  # misfit of a whole run below which it may have no kink


def ball_like(window: Window, arcs: Sequence[BallArc]) -> list[BallArc]:
    """Those arcs whose pictures show a ball of the right size; its distance corrected by it.

    A flight along the line of sight tells little of its distance; then the size of the
    pictures does.

    Parameters
    ----------
    window : Window
        With all frames of the arcs.
    arcs : sequence of BallArc

    Returns
    -------
    list of BallArc
        By start time.
    """
    # a spinning ball bends a long arc a little; a short one has no excuse
    arcs = [a for a in arcs if a.misfit < _loosest(a)]
    good = [
        fits or _flies(arc) for fits, arc in zip(_look_at(window, arcs, 1.0), arcs, strict=True)
    ]
    rest = [
        a
        for a, g in zip(arcs, good, strict=True)
        if not g and a.misfit < _loosest(a) - _STRICTER and (a.vague > _VAGUE or _spun(a))
    ]
    found = [a for a, g in zip(arcs, good, strict=True) if g]
    for factor in _SIZES:
        if not rest:
            break
        fits = _look_at(window, rest, factor)
        for arc, fit in zip(rest, fits, strict=True):
            if fit:
                depth = float(window.camera.depths(arc.position[None])[0]) / factor
                again = fit_arc(window.camera, arc.run, distance=(depth, 0.1 * depth))
                if again is not None:
                    found.append(again)
        rest = [a for a, f in zip(rest, fits, strict=True) if not f]
    return sorted(found, key=lambda a: a.run.times[0])


def _look_at(window: Window, arcs: Sequence[BallArc], factor: float) -> list[bool]:
    """Whether most of a few pictures of each arc fit a ball of `factor` times its size."""
    pictures, owners, guesses, radii, speeds = [], [], [], [], []
    for k, arc in enumerate(arcs):
        n = len(arc.run.times)
        chosen = np.unique(np.linspace(0, n - 1, _LOOKS + 2).round().astype(int)[1:-1])
        at = arc.at(arc.run.times[chosen])
        ahead = arc.at(arc.run.times[chosen] + 1e-3)
        radius = factor * radii_px(window.camera, at)
        if not np.all((radius > 1) & (radius < 80)):
            continue
        guess = arc.run.points[chosen] + np.column_stack([0 * radius, 0.3 * radius])
        for j, i in enumerate(chosen):
            pictures.append((window.frames[int(arc.run.frames[i])], int(arc.run.members[i])))
            owners.append(k)
            guesses.append(guess[j])
            radii.append(radius[j])
        speeds.append((window.camera.project(ahead) - window.camera.project(at)) / 1e-3)
    if not pictures:
        return [False] * len(arcs)
    sizes, pace = np.array(radii), np.concatenate(speeds)
    patches, origins = ball_image.gather(pictures, sizes, pace, window.look)
    images = ball_image.measure(
        patches, origins, np.array(guesses), sizes, pace, window.look, steps=2
    )
    fits = (images.misfits < _LOOKS_LIKE) & (images.contrasts > _LEAST_CONTRAST)
    total = np.bincount(owners, minlength=len(arcs))
    good = np.bincount(owners, weights=fits, minlength=len(arcs))
    return [bool(n and g >= n / 2) for n, g in zip(total, good, strict=True)]


def _flies(arc: BallArc) -> bool:
    """Whether a run falls so well at one distance that nothing but a ball can do it.

    A ball as bright as what lies behind it has a picture that shows nothing.
    """
    long = len(arc.run.times) >= _SURE and arc.run.times[-1] - arc.run.times[0] > _SURE_S
    return long and arc.misfit < _SURE_MISFIT and arc.vague < _SURE_VAGUE


def _spun(arc: BallArc) -> bool:
    """Whether spin may have bent the flight."""
    times = arc.run.times
    return (len(times) >= _LONG or times[-1] - times[0] > _LONG_S) and arc.misfit > _SPUN


def smoothest(arc: BallArc) -> float:
    """Misfit of a whole run up to which it is kept as one arc, besides its pieces."""
    return SMOOTH + _BENT / 2 * len(arc.run.times)


def _loosest(arc: BallArc) -> float:
    return _PLAIN + _BENT * len(arc.run.times)
