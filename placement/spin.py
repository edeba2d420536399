"""How much spin a serve had, as far as its path tells.

Topspin is the spin about the level axis to the left of the travel, sidespin that about the
vertical (counter-clockwise from above is positive), rad/s, both at the first bounce: air takes
little of it in a serve's time. Pictures do not show the spin itself. It shows in how the ball
slips or grips on the table and, weakly, in the lift, so that two different spins may explain a
path equally well: each rival of the best fit counts by how probable it is (Laplace's
approximation, Tierney and Kadane, J. Am. Stat. Assoc. 81:82, 1986).
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from placement.normal import normal_cdf
from placement.trajectory import Expectations, Path

_SHARE = 0.6  # of its expected spread; a spin less narrowed than that says nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Spin:
    """One component of the spin, rad/s; NaN where the path does not tell.

    Attributes
    ----------
    value : float
        Most probable.
    low, high : float
        Ends of the interval.
    """

    value: float = np.nan
    low: float = np.nan
    high: float = np.nan


def spin_interval(
    path: Path,
    *,
    expectations: Expectations | None = None,
    level: float = 0.95,
    wider: float = 1.0,
) -> tuple[Spin, Spin]:
    """Topspin and sidespin before a path's first bounce, with intervals.

    Parameters
    ----------
    path : Path
        Fitted with ``thorough=True``; otherwise rivals of the fit are unknown, and the intervals
        too narrow where there are any.
    expectations : Expectations, optional
        Those the path was fitted with.
    level : float
        Probability that the interval holds the spin.
    wider : float
        Times the fits' own standard deviations, for what no fit knows of.

    Returns
    -------
    topspin, sidespin : Spin

    Raises
    ------
    ValueError
        If `level` is not between 0 and 1.
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, got {level}")
    most = _SHARE * (expectations or Expectations()).spin[1]
    fits = (path, *path.others)
    parts = np.array([_components(fit) for fit in fits])  # (M, 2, 2): value, sd of each
    weights = _weights(fits)
    out = []
    for k in (0, 1):
        values, spreads = parts[:, k, 0], wider * parts[:, k, 1]
        low, high = (_quantile(p, values, spreads, weights) for p in _tails(level))
        # so wide an interval as this has the expectation alone, narrowed by the share
        if not (high - low) / 2 < most * -NormalDist().inv_cdf((1 - level) / 2):
            out.append(Spin())
            continue
        value = float(np.clip(values[0], low, high))
        out.append(Spin(value=value, low=low, high=high))
    return out[0], out[1]


def _tails(level: float) -> tuple[float, float]:
    return (1 - level) / 2, (1 + level) / 2


def _components(path: Path) -> list[tuple[float, float]]:
    """Value and standard deviation of topspin and sidespin of one fit."""
    vx, vy = path.theta[3:5].tolist()
    wx, wy, wz = path.theta[6:9].tolist()
    speed = max(float(np.hypot(vx, vy)), 1e-9)
    hx, hy = vx / speed, vy / speed
    slopes = np.zeros((2, len(path.theta)))
    # the heading turns with the velocity's part across it
    along = hx * wx + hy * wy
    slopes[0, 3:5] = (along * hy / speed, -along * hx / speed)
    slopes[0, 6:8] = (-hy, hx)
    slopes[1, 8] = 1.0
    spreads = np.sqrt(np.einsum("ij,jk,ik->i", slopes, path.covariance, slopes))
    return [(hx * wy - hy * wx, float(spreads[0])), (wz, float(spreads[1]))]


def _weights(fits: tuple[Path, ...]) -> np.ndarray:
    """Probabilities of rival fits, by height and width of each valley."""
    if len(fits) == 1:
        return np.ones(1)
    size = np.array([np.linalg.slogdet(f.covariance)[1] for f in fits])
    log = -np.array([f.cost for f in fits]) / 2 + size / 2
    weights = np.exp(log - log.max())
    return np.asarray(weights / weights.sum())


def _quantile(
    probability: float, values: np.ndarray, spreads: np.ndarray, weights: np.ndarray
) -> float:
    """Of a mixture of normal distributions, by halving."""
    reach = 9 * spreads
    low, high = float((values - reach).min()), float((values + reach).max())
    for _ in range(60):
        middle = (low + high) / 2
        if float(weights @ normal_cdf((middle - values) / spreads)) < probability:
            low = middle
        else:
            high = middle
    return (low + high) / 2
