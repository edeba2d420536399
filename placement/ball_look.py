"""How the ball looks in a film: exposure, blur and shading, learnt from its pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from placement.ball_fit import BRIGHTEST
from placement.ball_image import MARGIN
from placement.ball_model import (
    DEFAULT_SHADING,
    Look,
    covered_sphere,
    linear_light,
    shading_of,
)

_LEARN_FROM = 80  # pictures, spread over what there is
# first steps of what is learnt, doublings of the exposure; the second ones are half as long
_STEPS = {"exposure": 1.0, "blur": 0.25, "shoulder": 0.85, "right": 0.04, "down": 0.04}
_RANGES = {
    "exposure": (1e-5, 0.05), "blur": (0.3, 3.0), "shoulder": (0.0, 0.86),
    "right": (-0.4, 0.4), "down": (-0.4, 0.4),
}  # fmt: skip


def learn_look(
    patches: np.ndarray,
    origins: np.ndarray,
    centres: np.ndarray,
    radii: np.ndarray,
    velocities: np.ndarray,
    look: Look,
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
    """
    chosen = np.linspace(0, len(patches) - 1, min(len(patches), _LEARN_FROM)).round().astype(int)
    patches, origins, centres = patches[chosen], origins[chosen], centres[chosen]
    radii, velocities = radii[chosen], velocities[chosen]
    reach = 1.3 * np.percentile(radii, 90) + MARGIN
    reach += 0.4 * look.exposure_s * np.percentile(np.hypot(*velocities.T), 90)
    side = min(patches.shape[2], 2 * int(np.ceil(reach)) + 1)
    tried: dict[Guess, tuple[float, Look]] = {}

    def cost(guess: Guess) -> float:
        if guess not in tried:
            begin = replace(
                look, exposure_s=guess.exposure, blur_px=guess.blur, shoulder=guess.shoulder
            )
            moved = centres + radii[:, None] * np.array([guess.right, guess.down])
            tried[guess] = _shade(patches, origins, moved, radii, velocities, begin, side)
        return tried[guess][0]

    best = Guess(look.exposure_s, look.blur_px, look.shoulder, 0.0, 0.0)
    for narrow in (1.0, 0.5):
        for name, step in _STEPS.items():
            best = _better(cost, best, name, narrow * step)
    for name in ("right", "down"):
        best = _between(cost, best, name, 0.5 * _STEPS[name])
    cost(best)
    return tried[best][1]


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


def _between(cost: Callable[[Guess], float], best: Guess, name: str, step: float) -> Guess:
    """The lowest point of the parabola through the best and both its neighbours."""
    before, after = _moved(best, name, -step), _moved(best, name, step)
    if before is None or after is None:
        return best
    low, here, high = cost(before), cost(best), cost(after)
    bend = low - 2 * here + high
    if bend <= 0:
        return best
    return _moved(best, name, step * float(np.clip((low - high) / (2 * bend), -0.5, 0.5))) or best


def _shade(
    patches: np.ndarray,
    origins: np.ndarray,
    centres: np.ndarray,
    radii: np.ndarray,
    velocities: np.ndarray,
    look: Look,
    side: int,
) -> tuple[float, Look]:
    """Shading fitted at given centres, and the cost that remains with it."""
    local = centres - origins
    corner = np.clip(np.rint(local - (side - 1) / 2).astype(int), 0, patches.shape[2] - side)
    span = np.arange(side)
    v = corner[:, 1, None, None] + span[:, None]
    u = corner[:, 0, None, None] + span[None, :]
    rows = np.arange(len(patches))[:, None, None]
    before, shown, after = (patches[rows, k, v, u].reshape(len(patches), -1) for k in range(3))
    now, background, weight = linear_light(before, shown, after, look.shoulder)
    at = (local - corner).astype(np.float32)
    grid_u = np.broadcast_to(span[None, :], (side, side)).reshape(1, -1).astype(np.float32)
    grid_v = np.broadcast_to(span[:, None], (side, side)).reshape(1, -1).astype(np.float32)
    speed = np.hypot(*velocities.T)
    heading = (velocities / np.maximum(speed, 1e-6)[:, None]).astype(np.float32)
    streak = (speed * look.exposure_s).astype(np.float32)[:, None]
    cover, normal = covered_sphere(
        grid_u - at[:, :1],
        grid_v - at[:, 1:],
        radii.astype(np.float32)[:, None],
        heading,
        streak,
        look.blur_px,
    )
    right, up, front = normal
    target = now - background * (1 - cover)
    root = np.sqrt(weight)
    terms = (
        np.ones_like(up),
        right,
        up,
        front,
        up * front,
        up * up,
        right * up,
        right * front,
        right * right,
    )
    shading = look.shading
    for _ in range(2):
        picture = cover * shading_of(shading, right, up, front)
        energy = np.einsum("np,np->n", weight * picture, picture) + 1e-6
        level = np.clip(np.einsum("np,np->n", weight * picture, target) / energy, 1, BRIGHTEST)
        rest = root * (target - level[:, None] * picture)
        # pictures that do not fit at all teach nothing
        trust = 1 / (1 + np.einsum("np,np->n", rest, rest) / rest.shape[1] / 10)
        rate = (np.sqrt(trust)[:, None] * root * cover) * level[:, None]
        design = np.stack([(rate * t).ravel() for t in terms])
        gram = (design @ design.T).astype(float)
        aim = (np.sqrt(trust)[:, None] * root * target).ravel()
        # a gentle pull to the default, for films with few pictures
        ridge = 0.003 * gram[0, 0] + 1e-9
        solved = np.linalg.solve(
            gram + ridge * np.eye(9), (design @ aim) + ridge * np.array(DEFAULT_SHADING)
        )
        shading = tuple(float(x) for x in solved / max(solved[0] + solved[3], 1e-3))
    picture = cover * shading_of(shading, right, up, front)
    energy = np.einsum("np,np->n", weight * picture, picture) + 1e-6
    level = np.clip(np.einsum("np,np->n", weight * picture, target) / energy, 1, BRIGHTEST)
    rest = root * (target - level[:, None] * picture)
    costs = np.einsum("np,np->n", rest, rest) / rest.shape[1]
    cost = float(np.mean(costs / (1 + costs / 30)))  # a few odd pictures must not decide
    return cost, replace(look, shading=shading)
