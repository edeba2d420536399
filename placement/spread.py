"""How far off and how scattered: bias and spread of a student's serves, kept apart.

Bias is the mean offset from the called spot; spread is the scatter about the student's own mean.
What was seen holds the measurement's scatter too: it is taken out, and `Spread.note` says so.
Points are table (x, y), m; words are the server's: long and short along the length, left and right
as the server sees them.

Sources: Hotelling's T-squared for the ellipses (Johnson and Wichern, Applied Multivariate
Statistical Analysis, chapter 5, from memory); the Rayleigh distribution for circles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.stats import f as f_distribution
from scipy.stats import t as t_distribution

from placement.density import measurement_covariance
from placement.zones import to_server_frame

Floats = NDArray[np.float64]

CEP_FACTOR = float(np.sqrt(2 * np.log(2)))  # median radius of a circular normal, in its sd
MEAN_RADIUS_FACTOR = float(np.sqrt(np.pi / 2))
DRMS_FACTOR = float(np.sqrt(2))
RADIUS_95_FACTOR = float(np.sqrt(-2 * np.log(0.05)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Bias:
    """Mean offset from the called spot with its interval, as the server sees it."""

    n: int
    long_m: float  # positive: beyond the spot; NaN where the target calls no length
    long_half_width_m: float  # half of the interval's width
    right_m: float  # positive: to the server's right; NaN where the target calls no side
    right_half_width_m: float
    level: float = 0.95

    @property
    def words(self) -> str:
        """Such as "4 ± 3 cm long, 7 ± 5 cm to the server's left"; within its interval, so said."""
        parts = []
        for value, half, positive, negative in (
            (self.long_m, self.long_half_width_m, "long", "short"),
            (self.right_m, self.right_half_width_m, "to the server's right",
             "to the server's left"),
        ):  # fmt: skip
            if np.isnan(value):
                continue
            size = f"{abs(value) * 100:.0f}"
            if np.isnan(half):
                parts.append(f"{size} cm {positive if value > 0 else negative}")
            elif abs(value) <= half:
                across = "in length" if positive == "long" else "sideways"
                parts.append(f"no clear bias {across} ({value * 100:+.0f} ± {half * 100:.0f} cm)")
            else:
                parts.append(f"{size} ± {half * 100:.0f} cm {positive if value > 0 else negative}")
        return ", ".join(parts) if parts else "no spot was called"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """Scatter about the student's own mean, with the measurement's share taken out."""

    n: int
    mean: Floats  # shape (2,), m, table (x, y)
    seen: Floats  # shape (2, 2), m^2, sample covariance of what was seen
    measurement: Floats  # shape (2, 2), m^2, mean covariance of the measurement
    student: Floats  # shape (2, 2), m^2, seen less measurement, never negative
    level: float = 0.95

    @property
    def is_measurement_limited(self) -> bool:
        """Whether, in some direction, the film cannot tell the student's scatter from its own."""
        return bool(np.linalg.eigvalsh(self.seen - self.measurement)[0] <= 0)

    @property
    def next_serve_factor(self) -> float:
        """Of the student's covariance, for the ellipse that holds the next serve."""
        return next_serve_factor(self.n, level=self.level)

    @property
    def mean_spot_factor(self) -> float:
        """Of the seen covariance, for the ellipse that holds the student's long-run mean spot."""
        return mean_spot_factor(self.n, level=self.level)

    @property
    def circular_error_m(self) -> float:
        """Radius about the student's own mean that holds half of the serves, m."""
        return circular_error(self.student)

    @property
    def area_m2(self) -> float:
        """Area of the next-serve ellipse, m^2."""
        return float(
            np.pi * self.next_serve_factor * np.sqrt(max(np.linalg.det(self.student), 0.0))
        )

    @property
    def note(self) -> str:
        """What was taken out, in words, to print beside the figure."""
        sd_mm = float(np.sqrt(np.trace(self.measurement) / 2) * 1000)
        said = f"measuring error of {sd_mm:.0f} mm taken out"
        if self.is_measurement_limited:
            said += "; in one direction it is as large as what was seen"
        return said


def next_serve_factor(n: int, *, level: float = 0.95) -> float:
    """Factor of the sample covariance for the ellipse that holds the next serve (Hotelling).

    Parameters
    ----------
    n : int
        Serves behind the covariance, at least 3.
    level : float
        Coverage.

    Returns
    -------
    float
        2 (n^2 - 1) / (n (n - 2)) F(2, n - 2); 5.99 for very many serves.

    Raises
    ------
    ValueError
        If n < 3.
    """
    _check_n(n)
    quantile = float(f_distribution.ppf(level, 2, n - 2))
    return 2 * (n**2 - 1) / (n * (n - 2)) * quantile


def mean_spot_factor(n: int, *, level: float = 0.95) -> float:
    """Factor of the sample covariance for the ellipse that holds the long-run mean (Hotelling).

    Parameters and errors as in `next_serve_factor`.
    """
    return next_serve_factor(n, level=level) / (n + 1)


def measure_spread(
    points: ArrayLike,
    *,
    measurement: ArrayLike,
    level: float = 0.95,
    targets: ArrayLike | None = None,
) -> Spread:
    """Scatter of landed serves about their mean, with the measurement's scatter taken out.

    Parameters
    ----------
    points : array_like, shape (N, 2)
        Landed bounces of serves turned to one end, table (x, y), m; rows of NaN are left out.
    measurement : float or array_like, shape (2, 2) or (N, 2, 2)
        Measurement sd, m, or covariance, m^2.
    level : float
        Coverage of the ellipses.
    targets : array_like, shape (N,), optional
        The target of each serve. The scatter is then about each target's own mean, pooled.

    Returns
    -------
    Spread

    Raises
    ------
    ValueError
        With fewer than 3 landed serves (beyond one for each target).
    """
    xy = np.asarray(points, dtype=float).reshape(-1, 2)
    known = ~np.isnan(xy).any(axis=1)
    xy = xy[known]
    index = np.zeros(len(xy), dtype=int)
    if targets is not None:
        _, index = np.unique(np.asarray(targets)[known], return_inverse=True)
    n_means = int(index.max()) + 1 if len(index) else 1
    freedom = len(xy) - n_means
    _check_n(freedom + 1)
    size = np.bincount(index, minlength=n_means)
    means = np.column_stack([np.bincount(index, weights=xy[:, a]) / size for a in (0, 1)])
    rest = xy - means[index]
    seen = rest.T @ rest / freedom
    cov = np.asarray(measurement, dtype=float)
    floor = measurement_covariance(cov[known] if cov.ndim == 3 else cov)
    values, vectors = np.linalg.eigh(seen - floor)
    return Spread(
        n=freedom + 1,
        mean=xy.mean(axis=0),
        seen=seen,
        measurement=floor,
        student=vectors * np.maximum(values, 0.0) @ vectors.T,
        level=level,
    )


def measure_bias(
    points: ArrayLike, aim: ArrayLike, *, server_end: int, level: float = 0.95
) -> Bias:
    """Mean offset from the called spot, with a t interval along each direction.

    Parameters
    ----------
    points : array_like, shape (N, 2)
        Landed bounces, table (x, y), m; rows of NaN are left out.
    aim : array_like, shape (2,) or (N, 2)
        The called spot, or one for each serve (`Target.aim`); NaN where nothing was called.
    server_end : int
        -1 or +1.
    level : float
        Coverage of each direction's interval.

    Returns
    -------
    Bias
        With NaN half-widths where a single serve allows no interval.

    Raises
    ------
    ValueError
        If nothing landed.
    """
    xy = np.asarray(points, dtype=float).reshape(-1, 2)
    offset = to_server_frame(xy - np.asarray(aim, dtype=float), server_end)
    known = ~np.isnan(xy).any(axis=1)
    if not known.any():
        raise ValueError("a bias needs at least one landed serve")
    right, right_half = _mean_interval(offset[known, 0], level)
    long, long_half = _mean_interval(offset[known, 1], level)
    return Bias(
        n=int(known.sum()),
        long_m=long,
        long_half_width_m=long_half,
        right_m=right,
        right_half_width_m=right_half,
        level=level,
    )


def median_distance(points: ArrayLike, aim: ArrayLike) -> float:
    """Median distance of the landed serves from the called spot, m.

    Half of the serves lie closer; one wild serve does not move it, and it assumes no shape.

    Parameters
    ----------
    points : array_like, shape (N, 2)
        Table (x, y), m; rows of NaN are left out.
    aim : array_like, shape (2,) or (N, 2)
        The called spot; where one coordinate is NaN, the distance is along the other alone.

    Returns
    -------
    float
        NaN when nothing landed.
    """
    xy = np.asarray(points, dtype=float).reshape(-1, 2)
    offset = xy - np.asarray(aim, dtype=float)
    landed = ~np.isnan(xy).any(axis=1) & ~np.isnan(offset).all(axis=1)
    if not landed.any():
        return float("nan")
    return float(np.median(np.hypot(*np.nan_to_num(offset[landed]).T)))


def circular_error(covariance: ArrayLike) -> float:
    """Radius about the mean that holds half of a two-dimensional normal, m.

    For a circle it is 1.17741 sd. In general the share beyond radius R is the mean over all
    directions of exp(-R^2 q / 2) / (sqrt(det S) q), q = u' S^-1 u; R makes it one half.

    Parameters
    ----------
    covariance : array_like, shape (2, 2)
        m^2; a flat one (no scatter in one direction) is allowed.

    Returns
    -------
    float
    """
    small, large = np.sqrt(np.maximum(np.linalg.eigvalsh(np.asarray(covariance, float)), 0.0))
    if large == 0:
        return 0.0
    # Below a hundredth the radius is that of the flat case to four figures, and the mean over
    # directions would need ever more of them.
    ratio = max(float(small / large), 0.01)
    angle = (np.arange(4000) + 0.5) * (np.pi / 4000)
    q = np.cos(angle) ** 2 + (np.sin(angle) / ratio) ** 2
    weight = 1.0 / (ratio * q)

    def beyond(radius: float) -> float:
        return float(np.mean(np.exp(-0.5 * radius**2 * q) * weight)) - 0.5

    return float(large * brentq(beyond, 1e-3, 3.0, xtol=1e-12))


def _mean_interval(values: Floats, level: float) -> tuple[float, float]:
    values = values[~np.isnan(values)]
    if len(values) == 0:
        return float("nan"), float("nan")
    if len(values) == 1:
        return float(values[0]), float("nan")
    quantile = float(t_distribution.ppf(0.5 + level / 2, len(values) - 1))
    return float(values.mean()), float(quantile * values.std(ddof=1) / np.sqrt(len(values)))


def _check_n(n: int) -> None:
    if n < 3:
        raise ValueError(f"a spread needs at least 3 landed serves of one target, got {n}")
