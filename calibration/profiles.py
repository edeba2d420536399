"""Look across lines of a picture and fit three grey levels joined by two blurred steps.

A station is a place on a line's middle; offsets across the line are px along its normal, from the
outer to the inner side. Many stations are fitted at once, without a loop over them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

GAMMA = 2.2  # of stored pictures (ITU-R BT.709 and sRGB, nearly), where lines cannot tell
PROFILE_STEP = 0.5  # px between samples across a line
_GAMMAS = np.arange(1.0, 3.1, 0.25)
_BLURS = (0.5, 0.7, 1.0, 1.4)  # px, standard deviations
_TABLE_SD, _PER_SD = 8.0, 1024  # reach of the table of the normal distribution, values an sd
_NEAR = 3.0  # px beyond a line's sides that are compared


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stations:
    """Places along the four lines' middles at which the picture is measured.

    Attributes
    ----------
    points : ndarray, shape (M, 3)
        Table points on the middles of the lines, m.
    line : ndarray of int, shape (M,)
        0 the side line -y, 1 the end line +x, 2 the side line +y, 3 the end line -x.
    centre : ndarray, shape (M, 2)
        Their pixels.
    normal : ndarray, shape (M, 2)
        Inward unit normals in the picture.
    width : ndarray, shape (M,)
        Projected width of the line, px.
    """

    points: np.ndarray
    line: np.ndarray
    centre: np.ndarray
    normal: np.ndarray
    width: np.ndarray

    def of(self, which: np.ndarray | slice) -> Stations:
        """Those of the stations that are asked for."""
        return Stations(
            points=self.points[which],
            line=self.line[which],
            centre=self.centre[which],
            normal=self.normal[which],
            width=self.width[which],
        )


@dataclass(frozen=True, slots=True)
class LineLook:
    """How a picture shows lines of known width.

    Attributes
    ----------
    gamma : float
        The power of its grey levels in which light mixes.
    blur : float
        Standard deviation, px.
    extra : float
        By how much lines look wider than they are, px.
    """

    gamma: float = GAMMA
    blur: float = 0.75
    extra: float = 0.0


def _across(stations: Stations, offsets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pixels (M, K) along u and v at `offsets` (K,) px from the stations."""
    return (
        stations.centre[:, :1] + stations.normal[:, :1] * offsets,
        stations.centre[:, 1:] + stations.normal[:, 1:] * offsets,
    )


def sample_profiles(luma: np.ndarray, stations: Stations, offsets: np.ndarray) -> np.ndarray:
    """Grey levels (M, K) at `offsets` (K,) px from the stations; NaN outside the picture."""
    u, v = _across(stations, offsets)
    height, width = luma.shape[:2]
    with np.errstate(invalid="ignore"):
        outside = ~((u >= 0) & (v >= 0) & (u <= width - 1) & (v <= height - 1))
    if outside.all():
        return np.full(u.shape, np.nan)
    u, v = u.astype(np.float32), v.astype(np.float32)
    # only what is looked at is made float: that of a whole picture takes longer than the look
    left, top = max(0, int(u[~outside].min())), max(0, int(v[~outside].min()))
    right, bottom = int(u[~outside].max()) + 2, int(v[~outside].max()) + 2
    part = luma[top:bottom, left:right].astype(np.float32, copy=False)
    values = cv2.remap(
        part, u - np.float32(left), v - np.float32(top), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return np.where(outside, np.nan, values.astype(float))


def linear_light(grey: np.ndarray, gamma: float = GAMMA) -> np.ndarray:
    """Light, 0 to 255, of grey levels as cameras store them; NaN stays NaN."""
    if grey.dtype == np.uint8:  # few levels: each is computed once
        return np.asarray(linear_light(np.arange(256.0), gamma)[grey])
    return np.asarray(255.0 * (np.clip(grey, 0.0, 255.0) / 255.0) ** gamma)


@dataclass(frozen=True, slots=True, eq=False)
class Neighbours:
    """The pixels about samples across lines, so that light is mixed between them and not grey.

    Attributes
    ----------
    grey : ndarray, shape (4, M, K)
        Grey levels of the four pixels about every sample.
    share : ndarray, shape (4, M, K)
        What each contributes; NaN outside the picture.
    """

    grey: np.ndarray
    share: np.ndarray

    def of(self, rows: np.ndarray) -> Neighbours:
        """Those of some of the profiles."""
        return Neighbours(self.grey[:, rows], self.share[:, rows])

    def light(self, gamma: float) -> np.ndarray:
        """Profiles (M, K) in light, 0 to 255."""
        return np.asarray((self.share * linear_light(self.grey, gamma)).sum(axis=0))


def sample_neighbours(luma: np.ndarray, stations: Stations, offsets: np.ndarray) -> Neighbours:
    """The pixels about `offsets` (K,) px from the stations."""
    u, v = _across(stations, offsets)
    height, width = luma.shape[:2]
    with np.errstate(invalid="ignore"):
        outside = ~((u >= 0) & (v >= 0) & (u <= width - 1) & (v <= height - 1))
    u, v = np.where(outside, 0.0, u), np.where(outside, 0.0, v)
    left = np.minimum(u.astype(int), width - 2)
    top = np.minimum(v.astype(int), height - 2)
    right_share, lower_share = u - left, v - top
    share = np.stack(
        [
            (1 - right_share) * (1 - lower_share),
            right_share * (1 - lower_share),
            (1 - right_share) * lower_share,
            right_share * lower_share,
        ]
    )
    grey = np.stack(
        [luma[top, left], luma[top, left + 1], luma[top + 1, left], luma[top + 1, left + 1]]
    )
    return Neighbours(grey, np.where(outside, np.nan, share))


def learn_gamma(seen: Neighbours, offsets: np.ndarray, width: np.ndarray) -> float:
    """The power of the grey levels in which lines are as wide as the rules make them.

    Cameras bend the tones more or less than the standards say. Blur mixes light: under the right
    power a line of known width fits three levels joined by two like steps; under a smaller one it
    looks wider, under a greater one narrower.

    Parameters
    ----------
    seen : Neighbours
        M profiles of lines wide enough to show both sides.
    offsets : ndarray, shape (K,)
        px.
    width : ndarray, shape (M,)
        Projected, px.
    """
    misfits = []
    blurs = np.array(_BLURS)
    for gamma in _GAMMAS:
        misfit = _misfits_in_grey(seen.light(gamma), gamma, offsets, width, blurs)
        best = int(np.argmin(misfit))
        misfits.append(misfit[best])
        # a greater power makes edges sharper, by less than one of these blurs at a time
        blurs = blurs[max(0, best - 1) : best + 1]
    return float(_GAMMAS[int(np.argmin(misfits))])


def _misfits_in_grey(
    light: np.ndarray, gamma: float, offsets: np.ndarray, width: np.ndarray, blurs: np.ndarray
) -> np.ndarray:
    """Median square of what the fits leave over, in grey levels: these compare between powers.

    For each of B blurs, shape (B,).
    """
    n = len(blurs)
    blur, width = np.repeat(blurs, len(light)), np.tile(width, n)
    delta, _, _, levels = fit_profiles(np.tile(light, (n, 1)), offsets, width, blur, n_steps=2)
    s = offsets - delta[:, None]
    half = width[:, None] / 2
    first, second = _blurred_step(s + np.stack([half, -half]), blur)[0]
    outer, white, inner = (levels[:, k : k + 1] for k in range(3))
    model = outer + (white - outer) * first + (inner - white) * second
    # the inverse power leads back to grey
    gap = linear_light(model, 1 / gamma) - np.tile(linear_light(light, 1 / gamma), (n, 1))
    near = np.isfinite(gap) & (np.abs(s) < half + _NEAR)
    square = (np.where(near, gap, 0.0) ** 2).sum(axis=1) / np.maximum(near.sum(axis=1), 1)
    height = levels[:, 1] - np.maximum(levels[:, 0], levels[:, 2])
    square, height = square.reshape(n, -1), height.reshape(n, -1)
    keep = height > 0.3 * np.percentile(height, 80, axis=1, keepdims=True)
    return np.array(
        [np.median(q[k]) if k.any() else np.inf for q, k in zip(square, keep, strict=True)]
    )


def fit_profiles(
    profiles: np.ndarray,
    offsets: np.ndarray,
    width: np.ndarray,
    blur: float | np.ndarray,
    *,
    n_steps: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Gauss-Newton on (outer, white, inner, offset) at every station at once.

    Parameters
    ----------
    profiles : ndarray, shape (M, K)
        NaN outside the picture.
    offsets : ndarray, shape (K,)
        px.
    width : ndarray, shape (M,)
        Of the lines, px.
    blur : float or ndarray, shape (M,)
        Standard deviation, px.
    n_steps : int
        Steps after the first, in which the offset stays nought.

    Returns
    -------
    tuple of ndarray, shapes (M,), (M,), (M,) and (M, 3)
        Offset, px, and its variance, px^2; rms of what is left over; the three levels.
    """
    delta = np.zeros(len(profiles))
    half = width[:, None] / 2
    low, high = -half - np.clip(width[:, None] + 1.0, 2.5, 4.5), half + 4.0
    sides = np.stack([half, -half])
    y = np.nan_to_num(profiles)
    finite = np.isfinite(profiles)
    levels = np.zeros((3, len(y)))
    # of each profile: one, the two steps, the derivative by the offset, and what was seen, all
    # nought where it is not compared; their products hold all sums that a step needs
    rows = np.zeros((len(y), 5, len(offsets)))
    for step in range(n_steps + 1):
        s = offsets - delta[:, None]
        weight = finite & (s > low) & (s < high)
        steps, slopes = _blurred_step(s + sides, blur)
        rows[:, 0] = weight
        rows[:, 1:3] = steps.transpose(1, 0, 2)
        rows[:, 4] = y
        if step > 0:
            slopes *= (levels[:2] - levels[1:])[:, :, None]
            np.add(slopes[0], slopes[1], out=rows[:, 3])
        rows[:, 1:] *= weight[:, None]
        sums = _by_levels(rows @ rows.transpose(0, 2, 1))
        solution, last = _solve_four(sums)
        levels = solution[:3]
        if step > 0:
            delta = delta + np.clip(solution[3], -0.7, 0.7)
    # what the levels leave over, at the offset of before the last step
    right = sums[:3, 4] - (sums[:3, :3] * levels).sum(axis=1)
    square = sums[4, 4] - (levels * (sums[:3, 4] + right)).sum(axis=0)
    rms = np.sqrt(np.maximum(square, 0.0) / np.maximum(rows[:, 0].sum(axis=1) - 4, 1))
    # samples half a pixel apart through bilinear interpolation are not independent: twice
    variance = np.maximum(rms, 0.7) ** 2 * last * 2
    return delta, variance, rms, levels.T


def _blurred_step(s: np.ndarray, blur: float | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A step from 0 to 1 at s = 0 px, (..., M, K), blurred by `blur` px, and its slope, 1 / px.

    The normal distribution from a table, carried on to its place by its density: right to 3e-8.
    """
    below, density = _normal_table()
    sharp = 1 / np.reshape(blur, (-1, 1))
    place = s * (_PER_SD * sharp)
    place += _TABLE_SD * _PER_SD + 0.5
    index = place.astype(np.intp)
    place -= index
    place -= 0.5
    place *= 1 / _PER_SD
    slope = density.take(index, mode="clip")
    place *= slope
    place += below.take(index, mode="clip")
    slope *= sharp
    return place, slope


@cache
def _normal_table() -> tuple[np.ndarray, np.ndarray]:
    """The normal distribution and its density, `_PER_SD` values an sd."""
    x = np.arange(-_TABLE_SD * _PER_SD, _TABLE_SD * _PER_SD + 1) / _PER_SD
    below = np.array([0.5 * math.erfc(-v) for v in (x / math.sqrt(2)).tolist()])
    return below, np.exp(-x * x / 2) / math.sqrt(2 * math.pi)


def _by_levels(sums: np.ndarray) -> np.ndarray:
    """Sums of products (M, 5, 5) of (1, first, second, ...) as (5, 5, M) of the levels' shares.

    The shares of the outer, white and inner level are 1 - first, first - second and second.
    """
    sums = np.ascontiguousarray(sums.transpose(1, 2, 0))
    sums[:2] -= sums[1:3]
    sums[:, :2] -= sums[:, 1:3]
    return sums


def _solve_four(sums: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Solve M symmetric systems of four unknowns, (5, 5, M) with the right sides in [:4, 4].

    Returns the unknowns (4, M) and the last entry (M,) of each inverse. A slight ridge keeps what
    a profile does not show at nought.
    """
    a = sums[:4].copy()
    a[range(4), range(4)] += 1e-6 * ((a[0, 0] + a[1, 1] + a[2, 2]) / 3 + 1e-9)
    for k in range(3):
        a[k + 1 :] -= (a[k + 1 :, k] / a[k, k])[:, None] * a[k]
    unknowns = np.empty((4, a.shape[2]))
    for k in (3, 2, 1, 0):
        known = (a[k, k + 1 : 4] * unknowns[k + 1 :]).sum(axis=0)
        unknowns[k] = (a[k, 4] - known) / a[k, k]
    return unknowns, 1 / a[3, 3]


def blur_and_excess(
    profiles: np.ndarray, offsets: np.ndarray, width: np.ndarray
) -> tuple[float, float]:
    """The blur's sd and how much wider than projected the lines look, px, by the smallest rms."""
    blurs = np.array([0.5, 0.75, 1.05, 1.5, 2.1])

    def median_squares(blur: np.ndarray, extra: np.ndarray) -> np.ndarray:
        n = len(blur)
        each = np.repeat(np.arange(n), len(width))
        _, _, rms, levels = fit_profiles(
            np.tile(profiles, (n, 1)), offsets, np.tile(width, n) + extra[each], blur[each],
            n_steps=2,
        )  # fmt: skip
        contrast = levels[:, 1] - np.maximum(levels[:, 0], levels[:, 2])
        rms, contrast = rms.reshape(n, -1), contrast.reshape(n, -1)
        keep = contrast > 0.3 * np.percentile(contrast, 80, axis=1, keepdims=True)
        return np.array(
            [np.median((r[k] if k.any() else r) ** 2) for r, k in zip(rms, keep, strict=True)]
        )

    blur = blurs[int(np.argmin(median_squares(blurs, np.zeros(len(blurs)))))]
    if np.median(width) <= 3.0:
        return float(blur), 0.0
    trials = np.array([-0.4, 0.2, 0.8])
    a, b, _ = np.polyfit(trials, median_squares(np.full(3, blur), trials), 2)
    return float(blur), float(np.clip(-b / (2 * a), -0.6, 1.0)) if a > 0 else 0.0
