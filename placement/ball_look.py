"""How the ball looks in a film: exposure, blur and shading, learnt from its pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from placement.ball_image import MARGIN
from placement.ball_model import DEFAULT_SHADING, Look, covered_sphere, shade, tone
from placement.compiled import uncompiled
from placement.shading_fit import fit_shading

_LEARN_FROM = 80  # pictures, spread over what there is
# first steps of what is learnt, in doublings of the exposure; the second ones are half as long
_STEPS = {"exposure": 1.0, "blur": 0.25, "shoulder": 0.4, "right": 0.04, "down": 0.04}
_SHOULDERS = (0.0, 0.85)  # where to begin
_ODD = 30.0  # squared residuals per pixel: a few odd pictures must not decide
# Light in a hall comes from above. How much brighter a matt ball's top is than where it slants half
# towards the camera: 1.2 under a ceiling that shines all over, 1.4 under one lamp, and more where
# its skin mirrors (worked out from Lambert's law); what counts against a look in which it is not.
_FROM_ABOVE, _AGAINST = 1.3, 2.5
_REFINED = 3  # at most so many steps for all at once
_RANGES = {
    "exposure": (1e-5, 0.05), "blur": (0.3, 3.0), "shoulder": (0.0, 0.98),
    "right": (-0.4, 0.4), "down": (-0.4, 0.4),
}  # fmt: skip
_brightness = uncompiled(shade)  # of one surface


def learn_look(
    patches: np.ndarray,
    origins: np.ndarray,
    centres: np.ndarray,
    radii: np.ndarray,
    velocities: np.ndarray,
    look: Look,
    zenith: np.ndarray | None = None,
) -> Look:
    """The exposure, blur and shading that explain the pictures best.

    Centres fitted under a wrong shading are all off by the same share of a radius, and shading
    learnt at those centres keeps them there; so a common shift is tried along with the rest.

    Parameters
    ----------
    patches, origins, radii, velocities
        See `measure`.
    centres : ndarray, shape (N, 2)
        (u, v), px, under `look`; none may be NaN.
    look : Look
        Where to begin.
    zenith : ndarray, shape (3,), optional
        The way up, as the ball's surface is told: to the image's right, up, towards the camera.
        Where given, light is taken to come from above, which tells where a ball ends whose dark
        side hardly shows: a skin that mirrors brightens its upper rim, as being farther up would.
    """
    chosen = np.linspace(0, len(patches) - 1, min(len(patches), _LEARN_FROM)).round().astype(int)
    patches, origins, centres = patches[chosen], origins[chosen], centres[chosen]
    radii, velocities = radii[chosen], velocities[chosen]
    reach = 1.3 * np.percentile(radii, 90) + MARGIN
    reach += 0.4 * look.exposure_s * np.percentile(np.hypot(*velocities.T), 90)
    side = min(patches.shape[2], 2 * int(np.ceil(reach)) + 1)
    pictures = _cut_out(patches, centres - origins, side)
    tried: dict[Guess, _Shaded] = {}

    def shaded(guess: Guess) -> _Shaded:
        if guess not in tried:
            begin = replace(
                look, exposure_s=guess.exposure, blur_px=guess.blur, shoulder=guess.shoulder
            )
            shift = radii[:, None] * np.array([guess.right, guess.down])
            tried[guess] = _lit(_shade(pictures, shift, radii, velocities, begin), zenith)
        return tried[guess]

    def cost(guess: Guess) -> float:
        return shaded(guess).cost

    ends = []
    for shoulder in _SHOULDERS:  # the cost has a valley for each
        best = Guess(look.exposure_s, look.blur_px, shoulder, 0.0, 0.0)
        for narrow in (1.0, 0.5):
            for name, step in _STEPS.items():
                best = _better(cost, best, name, narrow * step)
        for _ in range(_REFINED):
            there = _newton(shaded, best)
            if cost(there) >= cost(best):
                break
            best = there
        ends.append(best)
    return shaded(min(ends, key=cost)).look


class Guess(NamedTuple):
    """What the pictures may share; the shift in radii, the rest as in `Look`."""

    exposure: float
    blur: float
    shoulder: float
    right: float
    down: float


def _moved(guess: Guess, name: str, step: float) -> Guess | None:
    """One step on; None where that leads nowhere."""
    value = getattr(guess, name)
    value = value * 2.0**step if name == "exposure" else round(value + step, 6)
    low, high = _RANGES[name]
    return guess._replace(**{name: value}) if low <= value <= high else None


def _better(cost: Callable[[Guess], float], best: Guess, name: str, step: float) -> Guess:
    """Step down while that lowers the cost; at most five steps each way."""
    for way in (-step, step):
        for _ in range(5):
            there = _moved(best, name, way)
            if there is None or cost(there) >= cost(best):
                break
            best = there
    return best


class _Shaded(NamedTuple):
    """Shading fitted under a guess: the cost that remains, the look, the residuals."""

    cost: float
    look: Look
    rest: np.ndarray


def _newton(shaded: Callable[[Guess], _Shaded], best: Guess) -> Guess:
    """A step of Gauss and Newton's for all guesses at once, as what one is off another takes up."""
    here = shaded(best).rest
    slopes, names = [], []
    for name, step in _STEPS.items():
        small = 0.1 * step
        for sign in (1, -1):
            there = _moved(best, name, sign * small)
            if there is not None:
                slopes.append((shaded(there).rest - here) / sign)
                names.append((name, small))
                break
    jacobian = np.stack([x.ravel() for x in slopes])
    gram = (jacobian @ jacobian.T).astype(float)
    ridge = 1e-3 * np.diag(np.diag(gram)) + 1e-9 * np.eye(len(gram))
    steps = -np.linalg.solve(gram + ridge, (jacobian @ here.ravel()).astype(float))
    for (name, small), step in zip(names, steps, strict=True):
        low, high = _RANGES[name]
        value = getattr(best, name)
        way = float(np.clip(step, -10, 10)) * small
        value = value * 2.0**way if name == "exposure" else value + way
        best = best._replace(**{name: float(np.clip(value, low, high))})
    return best


class _Pictures(NamedTuple):
    """Squares around the balls: their pixels' luma, (N, 3, P), and places from the centres, px."""

    grey: np.ndarray
    right: np.ndarray
    down: np.ndarray


def _cut_out(patches: np.ndarray, local: np.ndarray, side: int) -> _Pictures:
    """The middles of patches, `side` px wide."""
    corner = np.clip(np.rint(local - (side - 1) / 2).astype(int), 0, patches.shape[2] - side)
    grey = np.stack(
        [p[:, v : v + side, u : u + side] for p, (u, v) in zip(patches, corner, strict=True)]
    ).reshape(len(patches), 3, -1)
    right, down = np.meshgrid(np.arange(side), np.arange(side))
    at = local - corner
    return _Pictures(grey, right.reshape(1, -1) - at[:, :1], down.reshape(1, -1) - at[:, 1:])


def _lit(shaded: _Shaded, zenith: np.ndarray | None) -> _Shaded:
    """The same, the dearer the less its ball is lit from above."""
    if zenith is None:
        return shaded
    level = np.array([0.0, 0.0, 1.0]) - zenith[2] * zenith
    shown = float(np.linalg.norm(level))  # little of the height, seen from above
    slanting = (zenith + level / max(shown, 1e-6)) / np.sqrt(2)
    shading = np.array(shaded.look.shading)
    top, aslant = (float(_brightness(shading, *way)) for way in (zenith, slanting))
    off = shown * float(np.clip(top / max(aslant, 0.1) - _FROM_ABOVE, -1, 1))
    return _Shaded(
        shaded.cost + _AGAINST * off**2,
        shaded.look,
        np.append(shaded.rest, np.float32(np.sqrt(_AGAINST) * off)),
    )


def _shade(
    pictures: _Pictures, shift: np.ndarray, radii: np.ndarray, velocities: np.ndarray, look: Look
) -> _Shaded:
    """Shading fitted with all centres shifted, and what remains with it."""
    speed = np.hypot(*velocities.T)
    covered = covered_sphere(
        pictures.right - shift[:, :1],
        pictures.down - shift[:, 1:],
        radii[:, None],
        velocities / np.maximum(speed, 1e-6)[:, None],
        (speed * look.exposure_s)[:, None],
        look.blur_px,
    )
    light, slope = tone(look.shoulder)
    shading = np.array(look.shading, np.float32)
    rest = np.empty_like(covered[0])
    fit_shading(
        pictures.grey, covered, light, slope, np.array(DEFAULT_SHADING, np.float32), shading, rest
    )
    costs = np.einsum("np,np->n", rest, rest) / rest.shape[1]
    rest *= (1 / (1 + costs / _ODD) / np.sqrt(rest.size))[:, None]
    return _Shaded(
        float(np.mean(costs / (1 + costs / _ODD))),
        replace(look, shading=tuple(float(x) for x in shading)),
        rest,
    )
