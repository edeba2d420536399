"""A figure over the weeks, with its line and band.

Rates follow a logistic line, fitted with Firth's correction so that a drill of all hits does no
harm; other figures follow a straight line by weighted least squares. Days differ: the scatter of
the drills about the line widens the band when it exceeds what the serves' own chance explains, and
never narrows it below that.

Sources: Firth, Biometrika 80:27 (1993); McCullagh and Nelder, Generalized Linear Models, 2nd ed.
(1989), section 4.5, for the dispersion (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, ndtri
from scipy.stats import t as t_distribution

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trend:
    """A fitted line over time, on the logit scale for rates."""

    is_rate: bool
    coefficients: Floats  # shape (2,): at `centre`, and per unit of time
    covariance: Floats  # shape (2, 2)
    centre: float  # time, in the caller's unit
    quantile: float  # half-width of the interval in standard errors
    n_drills: int
    level: float

    @property
    def slope_interval(self) -> tuple[float, float]:
        """Ends of the slope's interval (log odds for rates), per unit of time."""
        half = self.quantile * float(np.sqrt(self.covariance[1, 1]))
        return float(self.coefficients[1]) - half, float(self.coefficients[1]) + half

    @property
    def is_beyond_chance(self) -> bool:
        """Whether the slope's interval excludes a level line."""
        low, high = self.slope_interval
        return not low <= 0.0 <= high

    def band(self, when: ArrayLike) -> tuple[Floats, Floats, Floats, Floats]:
        """The line and the ends of its band, ready for `plots.plot_trend`.

        Parameters
        ----------
        when : array_like, shape (M,)
            Times, in the unit of the fit.

        Returns
        -------
        tuple of ndarray
            (when, fitted, low, high), each of shape (M,); rates between 0 and 1.
        """
        t = np.asarray(when, dtype=float)
        design = np.column_stack([np.ones_like(t), t - self.centre])
        line = design @ self.coefficients
        error = np.sqrt(np.einsum("ij,jk,ik->i", design, self.covariance, design))
        ends = (line, line - self.quantile * error, line + self.quantile * error)
        fitted, low, high = (expit(e) if self.is_rate else e for e in ends)
        return t, np.asarray(fitted), np.asarray(low), np.asarray(high)

    def sentence(self, first: float, last: float, *, unit: str = "%") -> str:
        """What can and cannot be concluded from the first to the last drill, in plain words.

        Parameters
        ----------
        first, last : float
            Times of the two drills.
        unit : str
            Of the figure, for other figures than rates.
        """
        _, fitted, _, _ = self.band([first, last])
        said = f" {unit}".rstrip()
        before, after = (f"{v:.0%}" if self.is_rate else f"{v:.3g}{said}" for v in fitted)
        way = "rising" if fitted[1] > fitted[0] else "falling"
        if self.is_beyond_chance:
            return (
                f"{way} over {self.n_drills} drills, from about {before} to about {after}: "
                "more than chance alone would do"
            )
        return (
            f"from about {before} to about {after} over {self.n_drills} drills: "
            "this could still be chance"
        )


def fit_rate_trend(when: ArrayLike, hits: ArrayLike, n: ArrayLike, *, level: float = 0.95) -> Trend:
    """Fit a rate over time by a logistic line.

    Parameters
    ----------
    when : array_like, shape (N,)
        Time of each drill, as a number of days or weeks.
    hits, n : array_like of int, shape (N,)
        Hits of serves in each drill. Drills without serves are left out.
    level : float
        Coverage of the band at each time.

    Returns
    -------
    Trend

    Raises
    ------
    ValueError
        With fewer than 3 drills at two or more times, or impossible counts.
    """
    t, k, m = (np.asarray(v, dtype=float) for v in (when, hits, n))
    if (k < 0).any() or (k > m).any():
        raise ValueError("each drill needs 0 <= hits <= serves")
    served = m > 0
    t, k, m = t[served], k[served], m[served]
    centre = _centre(t)
    unit = float(t.std())
    design = np.column_stack([np.ones_like(t), (t - centre) / unit])
    beta, inverse = _logistic(design, k, m, firth=True)
    # The scatter is that about the plain fit: it is nil where all drills are all hits or none,
    # while the corrected fit, drawn off the ends, would show a scatter of its own making.
    plain, _ = _logistic(design, k, m, firth=False)
    p = _chance(design, plain)
    dispersion = float(((k - m * p) ** 2 / (m * p * (1 - p))).sum()) / (len(t) - 2)
    back = np.diag([1.0, 1.0 / unit])
    return Trend(
        is_rate=True,
        coefficients=back @ beta,
        covariance=back @ inverse @ back,
        centre=centre,
        quantile=_quantile(dispersion, len(t), level),
        n_drills=len(t),
        level=level,
    )


def fit_trend(when: ArrayLike, value: ArrayLike, sd: ArrayLike, *, level: float = 0.95) -> Trend:
    """Fit any other figure over time by a weighted straight line.

    Parameters
    ----------
    when : array_like, shape (N,)
        Time of each drill, as a number of days or weeks.
    value, sd : array_like, shape (N,)
        The figure of each drill and its standard error, in the figure's unit.
    level : float
        Coverage of the band at each time.

    Returns
    -------
    Trend

    Raises
    ------
    ValueError
        With fewer than 3 drills at two or more times, or a standard error that is not positive.
    """
    t, v, s = (np.asarray(a, dtype=float) for a in (when, value, sd))
    known = ~(np.isnan(v) | np.isnan(s))
    t, v, s = t[known], v[known], s[known]
    if (s <= 0).any():
        raise ValueError("each drill needs a standard error above 0")
    centre = _centre(t)
    design = np.column_stack([np.ones_like(t), t - centre]) / s[:, None]
    inverse = np.linalg.inv(design.T @ design)
    beta = inverse @ (design.T @ (v / s))
    dispersion = float(((v / s - design @ beta) ** 2).sum()) / (len(t) - 2)
    return Trend(
        is_rate=False,
        coefficients=beta,
        covariance=inverse,
        centre=centre,
        quantile=_quantile(dispersion, len(t), level),
        n_drills=len(t),
        level=level,
    )


def _logistic(design: Floats, hits: Floats, n: Floats, *, firth: bool) -> tuple[Floats, Floats]:
    """Coefficients and their covariance; without Firth's correction they may run off to the ends.

    The plain fit is stopped there after 30 steps of at most 1.
    """
    beta = np.zeros(design.shape[1])
    inverse: Floats = np.eye(design.shape[1])
    for _ in range(200 if firth else 30):
        p = _chance(design, beta)
        weight = n * p * (1 - p)
        inverse = np.asarray(np.linalg.inv(design.T @ (weight[:, None] * design)), dtype=float)
        score = hits - n * p
        if firth:
            leverage = weight * np.einsum("ij,jk,ik->i", design, inverse, design)
            score = score + leverage * (0.5 - p)
        step = inverse @ (design.T @ score)
        beta = beta + np.clip(step, -1.0, 1.0)
        if np.abs(step).max() < 1e-10:
            break
    return beta, inverse


def _chance(design: Floats, beta: Floats) -> Floats:
    """The rate on the line, kept 1e-11 away from 0 and 1 so that its variance is never nil."""
    return np.asarray(expit(np.clip(design @ beta, -25.0, 25.0)), dtype=float)


def _centre(t: Floats) -> float:
    if len(t) < 3 or len(np.unique(t)) < 2:
        raise ValueError(f"a trend needs at least 3 drills on different days, got {len(t)}")
    return float(t.mean())


def _quantile(dispersion: float, n: int, level: float) -> float:
    """The wider of what the serves' own chance gives and what the drills' scatter gives.

    A handful of drills may lie on a line by luck: their scatter alone would then give a band of
    no width, so the normal quantile of the counts is the floor.
    """
    normal = float(ndtri(0.5 + level / 2))
    scatter = float(t_distribution.ppf(0.5 + level / 2, n - 2)) * float(np.sqrt(dispersion))
    return max(normal, scatter)
