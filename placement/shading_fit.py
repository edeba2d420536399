"""The shading that many pictures of balls share, fitted where the balls are said to be, compiled.

How bright each ball is and the nine numbers of the shading are solved for in turn; what a picture
counts for falls as it fits worse. All pixels are in single precision. A sum over them is many sums
side by side, added up at the end: one sum alone keeps its order, so each term waits for the last.
"""

from __future__ import annotations

import numpy as np

from placement.ball_fit import BRIGHTEST
from placement.ball_model import against, shade
from placement.compiled import compiled
from placement.small_linear import solve

_ROUNDS = 2
_ODD = 10.0  # squared residuals per pixel, from which a picture teaches half as much
_PULL = 0.003  # towards the shading before anything is learnt, for films with few pictures
_TERMS = 9
_LANES = 64  # sums side by side


@compiled
def fit_shading(
    grey: np.ndarray,
    covered: np.ndarray,
    light: np.ndarray,
    slope: np.ndarray,
    usual: np.ndarray,
    shading: np.ndarray,
    rest: np.ndarray,
) -> None:
    """Fit the shading of pictures whose geometry is known.

    Parameters
    ----------
    grey : ndarray of uint8, shape (N, 3, P)
        Luma of the pixels before, in and after each frame.
    covered : ndarray of float32, shape (4, N, P)
        Share of the exposure that the ball covers each pixel, and the surface's direction there,
        see `placement.ball_model.covered_sphere`.
    light, slope : ndarray of float32, shape (256,)
        See `placement.ball_model.tone`.
    usual : ndarray of float32, shape (9,)
        The shading that there is a gentle pull to.
    shading : ndarray of float32, shape (9,)
        Where to begin; filled in.
    rest : ndarray of float32, shape (N, P)
        Filled in: residuals in units of the assumed noise.
    """
    n, pixels = rest.shape
    root, target = np.empty((n, pixels), np.float32), np.empty((n, pixels), np.float32)
    for k in range(n):
        for p in range(pixels):
            change, behind, root[k, p] = against(
                light, slope, grey[k, 0, p], grey[k, 1, p], grey[k, 2, p]
            )
            target[k, p] = root[k, p] * (change + behind * covered[0, k, p])
    design = np.empty((_TERMS, pixels), np.float32)
    gram, aim = np.empty((_TERMS, _TERMS)), np.empty((_TERMS, 1))
    sums = np.empty(_LANES, np.float32)
    for _ in range(_ROUNDS):
        for i in range(_TERMS):
            aim[i, 0] = 0.0
            for j in range(_TERMS):
                gram[i, j] = 0.0
        for k in range(n):
            level, left = _leave(covered[:, k], root[k], target[k], shading, rest[k], sums)
            # pictures that do not fit at all teach nothing
            trust = np.sqrt(np.float32(1.0 / (1.0 + left / (_ODD * pixels))))
            _design(covered[:, k], root[k], np.float32(trust * level), design)
            for i in range(_TERMS):
                for j in range(i + 1):
                    gram[i, j] += _product(design[i], design[j], sums)
                aim[i, 0] += trust * _product(design[i], target[k], sums)
        ridge = _PULL * gram[0, 0] + 1e-9
        for i in range(_TERMS):
            for j in range(i):
                gram[j, i] = gram[i, j]
            gram[i, i] += ridge
            aim[i, 0] += ridge * usual[i]
        if not solve(gram, aim):
            break
        scale = max(aim[0, 0] + aim[3, 0], 1e-3)
        for i in range(_TERMS):
            shading[i] = np.float32(aim[i, 0] / scale)
    for k in range(n):
        _leave(covered[:, k], root[k], target[k], shading, rest[k], sums)


@compiled
def _leave(
    covered: np.ndarray, root: np.ndarray, target: np.ndarray, shading: np.ndarray,
    rest: np.ndarray, sums: np.ndarray,
) -> tuple[np.float32, np.float32]:  # fmt: skip
    """One picture's residuals; how bright its ball is, and the sum of their squares."""
    for p in range(len(rest)):
        lit = shade(shading, covered[1, p], covered[2, p], covered[3, p])
        rest[p] = root[p] * covered[0, p] * lit
    energy = np.float32(1e-6) + _product(rest, rest, sums)
    level = np.float32(min(max(_product(rest, target, sums) / energy, np.float32(1)), BRIGHTEST))
    for p in range(len(rest)):
        rest[p] = target[p] - level * rest[p]
    return level, _product(rest, rest, sums)


@compiled
def _design(covered: np.ndarray, root: np.ndarray, level: np.float32, design: np.ndarray) -> None:
    """How one picture's pixels depend on the nine numbers, see `placement.ball_model.shade`."""
    for p in range(design.shape[1]):
        rate = level * root[p] * covered[0, p]
        right, up, front = covered[1, p], covered[2, p], covered[3, p]
        design[0, p], design[1, p] = rate, rate * right
        design[2, p], design[3, p] = rate * up, rate * front
        design[4, p], design[5, p] = rate * up * front, rate * up * up
        design[6, p], design[7, p] = rate * up * right, rate * right * front
        design[8, p] = rate * right * right


@compiled
def _product(one: np.ndarray, other: np.ndarray, sums: np.ndarray) -> np.float32:
    """Sum of products; `sums` is room for the sums side by side."""
    for lane in range(_LANES):
        sums[lane] = np.float32(0)
    whole = len(one) - len(one) % _LANES
    for begin in range(0, whole, _LANES):
        for lane in range(_LANES):
            sums[lane] += one[begin + lane] * other[begin + lane]
    for lane in range(len(one) - whole):
        sums[lane] += one[whole + lane] * other[whole + lane]
    first, second, third, fourth = np.float32(0), np.float32(0), np.float32(0), np.float32(0)
    for lane in range(0, _LANES, 4):
        first += sums[lane]
        second += sums[lane + 1]
        third += sums[lane + 2]
        fourth += sums[lane + 3]
    return (first + second) + (third + fourth)
