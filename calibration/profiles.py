"""Look across lines of a picture and fit three grey levels joined by two blurred steps.

A station is a place on a line's middle; offsets across the line are px along its normal, from the
outer to the inner side. Many stations are fitted at once, without a loop over them.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

GAMMA = 2.2  # of stored pictures (ITU-R BT.709 and sRGB, nearly), where lines cannot tell
PROFILE_STEP = 0.5  # px between samples across a line
_GAMMAS = np.arange(1.0, 3.1, 0.25)
_BLURS = (0.5, 0.7, 1.0, 1.4)  # px, standard deviations
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


def _across(stations: Stations, offsets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pixels (M, K) along u and v at `offsets` (K,) px from the stations."""
    return (
        stations.centre[:, :1] + stations.normal[:, :1] * offsets,
        stations.centre[:, 1:] + stations.normal[:, 1:] * offsets,
    )


def sample_profiles(luma: np.ndarray, stations: Stations, offsets: np.ndarray) -> np.ndarray:
    """Grey levels (M, K) at `offsets` (K,) px from the stations; NaN outside the picture."""
    u, v = _across(stations, offsets)
    values = cv2.remap(
        luma, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    height, width = luma.shape[:2]
    outside = (u < 0) | (v < 0) | (u > width - 1) | (v > height - 1)
    return np.where(outside, np.nan, values.astype(float))


def linear_light(grey: np.ndarray, gamma: float = GAMMA) -> np.ndarray:
    """Light, 0 to 255, of grey levels as cameras store them; NaN stays NaN."""
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
    return Neighbours(grey.astype(float), np.where(outside, np.nan, share))


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

    def misfit(gamma: float) -> float:
        light = seen.light(gamma)
        return min(_misfit_in_grey(light, gamma, offsets, width, blur) for blur in _BLURS)

    return float(_GAMMAS[int(np.argmin([misfit(gamma) for gamma in _GAMMAS]))])


def _misfit_in_grey(
    light: np.ndarray, gamma: float, offsets: np.ndarray, width: np.ndarray, blur: float
) -> float:
    """Median square of what the fits leave over, in grey levels: these compare between powers."""
    from scipy.special import ndtr  # slow to load: not before it is needed

    delta, _, _, levels = fit_profiles(light, offsets, width, blur, n_steps=2)
    s = offsets - delta[:, None]
    half = width[:, None] / 2
    first, second = ndtr((s + half) / blur), ndtr((s - half) / blur)
    outer, white, inner = (levels[:, k : k + 1] for k in range(3))
    model = outer * (1 - first) + white * (first - second) + inner * second
    # the inverse power leads back to grey
    gap = linear_light(model, 1 / gamma) - linear_light(light, 1 / gamma)
    near = np.isfinite(gap) & (np.abs(s) < half + _NEAR)
    square = (np.where(near, gap, 0.0) ** 2).sum(axis=1) / np.maximum(near.sum(axis=1), 1)
    height = levels[:, 1] - np.maximum(levels[:, 0], levels[:, 2])
    keep = height > 0.3 * np.percentile(height, 80)
    return float(np.median(square[keep])) if keep.any() else np.inf


def fit_profiles(
    profiles: np.ndarray,
    offsets: np.ndarray,
    width: np.ndarray,
    blur: float,
    *,
    n_steps: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Gauss-Newton on (outer, white, inner, offset) at every station at once."""
    from scipy.special import ndtr  # slow to load: not before it is needed

    delta = np.zeros(len(profiles))
    half = width[:, None] / 2
    margin_out = np.clip(width[:, None] + 1.0, 2.5, 4.5)
    y = np.nan_to_num(profiles)
    finite = np.isfinite(profiles)
    levels = np.zeros((len(y), 3))
    eye = np.diag([1e-6, 1e-6, 1e-6, 1e-6])
    inverse = np.zeros((len(y), 4, 4))
    weight = np.zeros_like(y)
    for step in range(n_steps + 1):
        s = offsets - delta[:, None]
        weight = (finite & (s > -half - margin_out) & (s < half + 4.0)).astype(float)
        a, b = (s + half) / blur, (s - half) / blur
        first, second = ndtr(a), ndtr(b)
        slope = 1 / (blur * np.sqrt(2 * np.pi))
        d_first, d_second = slope * np.exp(-a * a / 2), slope * np.exp(-b * b / 2)
        if step == 0:
            d_delta = np.zeros_like(y)
        else:
            outer, white, inner = (levels[:, k : k + 1] for k in range(3))
            d_delta = (outer - white) * d_first + (white - inner) * d_second
        basis = np.stack([1 - first, first - second, second, d_delta], axis=1)
        weighted = basis * weight[:, None]
        normal = weighted @ basis.transpose(0, 2, 1)
        scale = np.trace(normal[:, :3, :3], axis1=1, axis2=2)[:, None, None] / 3 + 1e-9
        normal = normal + eye * scale
        right = (weighted @ y[:, :, None])[:, :, 0]
        inverse = np.linalg.inv(normal)
        if step == 0:
            normal3 = normal[:, :3, :3]
            levels = np.linalg.solve(normal3, right[:, :3, None])[:, :, 0]
            continue
        solution = (inverse @ right[:, :, None])[:, :, 0]
        levels = solution[:, :3]
        delta = delta + np.clip(solution[:, 3], -0.7, 0.7)
    model = (basis[:, :3] * levels[:, :, None]).sum(axis=1)
    freedom = np.maximum(weight.sum(axis=1) - 4, 1)
    rms = np.sqrt((weight * (y - model) ** 2).sum(axis=1) / freedom)
    # samples half a pixel apart through bilinear interpolation are not independent: twice
    variance = np.maximum(rms, 0.7) ** 2 * inverse[:, 3, 3] * 2
    return delta, variance, rms, levels


def blur_and_excess(
    profiles: np.ndarray, offsets: np.ndarray, width: np.ndarray
) -> tuple[float, float]:
    """The blur's sd and how much wider than projected the lines look, px, by the smallest rms."""
    blurs = np.array([0.5, 0.75, 1.05, 1.5, 2.1])

    def median_square(blur: float, extra: float) -> float:
        _, _, rms, levels = fit_profiles(profiles, offsets, width + extra, blur, n_steps=2)
        contrast = levels[:, 1] - np.maximum(levels[:, 0], levels[:, 2])
        keep = contrast > 0.3 * np.percentile(contrast, 80)
        return float(np.median(rms[keep] ** 2)) if keep.any() else float(np.median(rms**2))

    blur = float(blurs[int(np.argmin([median_square(b, 0.0) for b in blurs]))])
    if np.median(width) <= 3.0:
        return blur, 0.0
    trials = np.array([-0.4, 0.2, 0.8])
    a, b, _ = np.polyfit(trials, [median_square(blur, e) for e in trials], 2)
    return blur, float(np.clip(-b / (2 * a), -0.6, 1.0)) if a > 0 else 0.0
