"""How the ball looks in a film: exposure, blur and shading, learnt from its pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from placement.ball_image import (
    DEFAULT_SHADING,
    MARGIN,
    Look,
    covered_sphere,
    linear_light,
    shading_of,
)

_LEARN_FROM = 80  # pictures, spread over what there is


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
    tried: dict[tuple[float, float, float], tuple[float, Look]] = {}

    def attempt(exposure: float, blur: float, shift: float) -> float:
        key = (exposure, blur, shift)
        if key not in tried:
            begin = replace(look, exposure_s=exposure, blur_px=blur)
            moved = centres + np.column_stack([np.zeros(len(radii)), shift * radii])
            tried[key] = _shade(patches, origins, moved, radii, velocities, begin, side)
        return tried[key][0]

    exposure, blur, shift = look.exposure_s, look.blur_px, 0.0
    for narrow in (1.0, 0.5):
        twice = [2.0**-narrow, 2.0**narrow]
        exposure = _lowest(partial(_swapped, attempt, blur, shift), exposure, twice, times=True)
        finer = [-0.25 * narrow, 0.25 * narrow]
        blur = _lowest(partial(_between, attempt, exposure, shift), blur, finer)
        shift = _lowest(partial(attempt, exposure, blur), shift, [-0.06 * narrow, 0.06 * narrow])
    return tried[(exposure, blur, shift)][1]


def _swapped(
    attempt: Callable[[float, float, float], float], blur: float, shift: float, exposure: float
) -> float:
    return attempt(exposure, blur, shift)


def _between(
    attempt: Callable[[float, float, float], float], exposure: float, shift: float, blur: float
) -> float:
    return attempt(exposure, blur, shift)


def _lowest(
    cost: Callable[[float], float], start: float, moves: list[float], *, times: bool = False
) -> float:
    """Step down in fixed moves while that lowers the cost; at most five steps each way."""
    best, at = cost(start), start
    for move in moves:
        for _ in range(5):
            there = at * move if times else at + move
            if not times and there < -0.5:
                break
            if (value := cost(there)) >= best:
                break
            best, at = value, there
    return at


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
    now, background, weight = linear_light(before, shown, after)
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
        level = np.clip(np.einsum("np,np->n", weight * picture, target) / energy, 1, 800)
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
    level = np.clip(np.einsum("np,np->n", weight * picture, target) / energy, 1, 800)
    rest = root * (target - level[:, None] * picture)
    costs = np.einsum("np,np->n", rest, rest) / rest.shape[1]
    cost = float(np.mean(costs / (1 + costs / 30)))  # a few odd pictures must not decide
    return cost, replace(look, shading=shading)
