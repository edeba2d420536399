"""Rates and their intervals, differences of rates, corrections for many comparisons, bootstrap.

A rate is k hits of n serves. All intervals are two-sided, 95 % unless told otherwise. Serves of one
turn are alike, so what is resampled is the turn, not the serve.

Sources: Wilson, J. Am. Statist. Assoc. 22:209 (1927); Brown, Cai and DasGupta, Statist. Sci.
16:101 (2001), for Jeffreys; Newcombe, Statist. Med. 17:873 (1998), method 10; Zou, Huang and
Zhang, Comput. Statist. Data Anal. 53:1080 (2009), for sums of rates (from memory); Holm, Scand. J.
Statist. 6:65 (1979); Benjamini and Hochberg, J. R. Statist. Soc. B 57:289 (1995); Efron and
Tibshirani, An Introduction to the Bootstrap (1993), for the percentile interval.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri
from scipy.stats import beta

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rate:
    """k hits of n serves, with the Wilson interval; all NaN when there are no serves."""

    hits: int
    n: int
    low: float
    high: float
    level: float = 0.95

    @property
    def value(self) -> float:
        """The share of hits, NaN when there are no serves."""
        return self.hits / self.n if self.n else float("nan")

    def __str__(self) -> str:
        if not self.n:
            return "no serves"
        return (
            f"{self.hits} of {self.n}, {self.value:.0%} "
            f"({self.level:.0%} interval {self.low:.0%} to {self.high:.0%})"
        )


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with the ends of its interval."""

    value: float
    low: float
    high: float
    level: float = 0.95

    def excludes(self, value: float) -> bool:
        """Whether `value` lies outside the interval."""
        return not self.low <= value <= self.high


def rate(hits: int, n: int, *, level: float = 0.95) -> Rate:
    """Make a rate with its Wilson interval; no serves give NaN ends."""
    if n == 0 and hits == 0:
        return Rate(0, 0, float("nan"), float("nan"), level)
    low, high = wilson(hits, n, level=level)
    return Rate(int(hits), int(n), low, high, level)


def wilson(hits: int, n: int, *, level: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a rate (1927).

    Parameters
    ----------
    hits, n : int
        k of n; n at least 1.
    level : float
        Coverage, such as 0.95.

    Returns
    -------
    tuple of float
        Low and high end, between 0 and 1.

    Raises
    ------
    ValueError
        If not 0 <= hits <= n, n >= 1, 0 < level < 1.
    """
    _check(hits, n, level)
    z = _z(level)
    centre = (hits + z**2 / 2) / (n + z**2)
    half = z * np.sqrt(hits * (n - hits) / n + z**2 / 4) / (n + z**2)
    # At 0 and n an end is exact; rounding must not leave 1e-17 there.
    low = 0.0 if hits == 0 else float(centre - half)
    high = 1.0 if hits == n else float(centre + half)
    return low, high


def jeffreys(hits: int, n: int, *, level: float = 0.95) -> tuple[float, float]:
    """Jeffreys' interval of a rate, its end set to 0 at no hit and to 1 at all hits.

    Parameters and errors as in `wilson`.
    """
    _check(hits, n, level)
    tail = (1 - level) / 2
    low = 0.0 if hits == 0 else float(beta.ppf(tail, hits + 0.5, n - hits + 0.5))
    high = 1.0 if hits == n else float(beta.ppf(1 - tail, hits + 0.5, n - hits + 0.5))
    return low, high


def newcombe_difference(
    hits_1: int, n_1: int, hits_2: int, n_2: int, *, level: float = 0.95
) -> Interval:
    """The second rate less the first, with Newcombe's hybrid score interval (method 10).

    Parameters
    ----------
    hits_1, n_1, hits_2, n_2 : int
        Hits of serves, first and second drill.
    level : float
        Coverage.

    Returns
    -------
    Interval
    """
    return paired_difference([hits_1], [n_1], [hits_2], [n_2], level=level)


def paired_difference(
    hits_1: ArrayLike,
    n_1: ArrayLike,
    hits_2: ArrayLike,
    n_2: ArrayLike,
    *,
    level: float = 0.95,
) -> Interval:
    """Mean change of a rate over targets, each target compared with itself.

    A drill with more easy targets must not look like progress: the change is taken target by
    target and averaged with weights n1 n2 / (n1 + n2). The interval recovers the variances from
    each rate's Wilson interval (Zou, Huang and Zhang 2009); with one target it is Newcombe's.

    Parameters
    ----------
    hits_1, n_1, hits_2, n_2 : array_like of int, shape (T,)
        Hits of serves for each target, first and second drill. Targets without serves in either
        drill are left out.
    level : float
        Coverage.

    Returns
    -------
    Interval
        Second less first.

    Raises
    ------
    ValueError
        If no target was served in both drills, or a count is impossible.
    """
    k1, m1, k2, m2 = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (hits_1, n_1, hits_2, n_2))
    both = (m1 > 0) & (m2 > 0)
    if not both.any():
        raise ValueError("no target was served in both drills; a change needs serves in each")
    k1, m1, k2, m2 = k1[both], m1[both], k2[both], m2[both]
    weight = m1 * m2 / (m1 + m2)
    weight /= weight.sum()
    p1, p2 = k1 / m1, k2 / m2
    first = np.array([wilson(int(k), int(n), level=level) for k, n in zip(k1, m1, strict=True)])
    second = np.array([wilson(int(k), int(n), level=level) for k, n in zip(k2, m2, strict=True)])
    change = float(weight @ (p2 - p1))
    down = weight**2 @ ((p2 - second[:, 0]) ** 2 + (first[:, 1] - p1) ** 2)
    up = weight**2 @ ((second[:, 1] - p2) ** 2 + (p1 - first[:, 0]) ** 2)
    return Interval(change, change - float(np.sqrt(down)), change + float(np.sqrt(up)), level)


def holm(p_values: ArrayLike) -> Floats:
    """Holm's adjusted p-values: the chance of any false alarm stays at the level.

    Parameters
    ----------
    p_values : array_like, shape (K,)

    Returns
    -------
    ndarray, shape (K,)
        In the same order.
    """
    p = _as_p(p_values)
    order = np.argsort(p)
    raised = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(raised, 1.0)
    return adjusted


def benjamini_hochberg(p_values: ArrayLike) -> Floats:
    """Benjamini and Hochberg's adjusted p-values: the share of false alarms among alarms.

    Parameters and result as in `holm`.
    """
    p = _as_p(p_values)
    order = np.argsort(p)[::-1]
    lowered = np.minimum.accumulate(p[order] * len(p) / np.arange(len(p), 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(lowered, 1.0)
    return adjusted


def bootstrap_interval(
    values: ArrayLike,
    statistic: Callable[[NDArray[np.generic]], float],
    *,
    rng: np.random.Generator,
    turns: ArrayLike | None = None,
    n_resamples: int = 2000,
    level: float = 0.95,
) -> Interval:
    """Percentile bootstrap interval of any figure, resampling whole turns.

    Below about 15 serves, or 5 turns, such an interval is too narrow; say so where it is shown.

    Parameters
    ----------
    values : array_like, shape (N, ...)
        One row a serve.
    statistic : callable
        From rows to one number; NaN results are left out.
    rng : Generator
        The caller's, seeded.
    turns : array_like, shape (N,), optional
        The turn of each serve; without it each serve is its own.
    n_resamples : int
        Number of resamples.
    level : float
        Coverage.

    Returns
    -------
    Interval

    Raises
    ------
    ValueError
        If there are no serves, or `turns` is of another length.
    """
    rows = np.asarray(values)
    if len(rows) == 0:
        raise ValueError("a bootstrap needs at least one serve")
    labels = np.arange(len(rows)) if turns is None else np.asarray(turns)
    if len(labels) != len(rows):
        raise ValueError(f"turns must name each of the {len(rows)} serves, got {len(labels)}")
    _, index = np.unique(labels, return_inverse=True)
    members = [np.flatnonzero(index == t) for t in range(index.max() + 1)]
    found = np.empty(n_resamples)
    for r in range(n_resamples):
        drawn = rng.integers(0, len(members), len(members))
        found[r] = statistic(rows[np.concatenate([members[d] for d in drawn])])
    tail = (1 - level) / 2
    low, high = np.nanquantile(found, [tail, 1 - tail])
    return Interval(float(statistic(rows)), float(low), float(high), level)


def _check(hits: int, n: int, level: float) -> None:
    if not (n >= 1 and 0 <= hits <= n):
        raise ValueError(f"a rate needs 0 <= hits <= n and n >= 1, got {hits} of {n}")
    if not 0 < level < 1:
        raise ValueError(f"level must be between 0 and 1, got {level}; 0.95 is usual")


def _z(level: float) -> float:
    return float(ndtri(0.5 + level / 2))


def _as_p(p_values: ArrayLike) -> Floats:
    p = np.asarray(p_values, dtype=float)
    if p.ndim != 1 or ((p < 0) | (p > 1) | np.isnan(p)).any():
        raise ValueError("p-values must be a list of numbers between 0 and 1")
    return p
