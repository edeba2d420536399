"""Probabilities of the normal distribution, in one dimension and in two.

Source: D. B. Owen, Ann. Math. Statist. 27:1075 (1956).
"""

from __future__ import annotations

from math import erfc

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_SURE = 1e-12  # chance of the opposite below which something is taken for granted
TINY_SD = 1e-9  # m; an exact point is treated as one known to a nanometre


_erfc = np.frompyfunc(erfc, 1, 1)


def normal_cdf(values: ArrayLike) -> Floats:
    """Probability that a standard normal number is no greater than each of `values`.

    The standard library's error function does for the few that an analysis asks for: loading
    SciPy's special functions takes as long as judging several serves.
    """
    return np.asarray(0.5 * _erfc(np.asarray(values, float) / -np.sqrt(2.0)), float)


def rectangle_probability(
    mean: ArrayLike,
    covariance: ArrayLike,
    first: tuple[float, float],
    second: tuple[float, float],
) -> Floats:
    """Probability that a two-dimensional normal point lies in a rectangle.

    By Owen's T function (D. B. Owen, Ann. Math. Statist. 27:1075, 1956), to about 1e-12.

    Parameters
    ----------
    mean : array_like, shape (N, 2)
        Means, m.
    covariance : array_like, shape (N, 2, 2) or (2, 2)
        Covariances, m^2; a zero variance means an exact point.
    first, second : tuple of float
        Low and high limits of each coordinate, m; may be infinite.

    Returns
    -------
    ndarray, shape (N,)
        Probabilities; NaN where a mean is NaN.
    """
    mean = np.asarray(mean, dtype=float)
    if mean.ndim != 2 or mean.shape[1] != 2:
        raise ValueError(f"mean must have shape (N, 2), got {mean.shape}; one mean is [[x, y]]")
    cov = np.broadcast_to(np.asarray(covariance, float), (len(mean), 2, 2))
    sd = np.maximum(np.sqrt(np.diagonal(cov, axis1=1, axis2=2)), TINY_SD)
    rho = np.clip(cov[:, 0, 1] / (sd[:, 0] * sd[:, 1]), -1 + 1e-12, 1 - 1e-12)
    low_1, high_1 = ((edge - mean[:, 0]) / sd[:, 0] for edge in first)
    low_2, high_2 = ((edge - mean[:, 1]) / sd[:, 1] for edge in second)
    one, other = (
        normal_cdf(high) - normal_cdf(low) for low, high in ((low_1, high_1), (low_2, high_2))
    )
    # where one coordinate is all but sure to be within, or without, the other alone decides
    total = np.minimum(one, other)
    both = (np.minimum(one, other) > _SURE) & (np.maximum(one, other) < 1 - _SURE)
    if both.any():
        h1, l1, h2, l2, r = (v[both] for v in (high_1, low_1, high_2, low_2, rho))
        total[both] = (
            _bivariate_cdf(h1, h2, r)
            - _bivariate_cdf(l1, h2, r)
            - _bivariate_cdf(h1, l2, r)
            + _bivariate_cdf(l1, l2, r)
        )
    return np.clip(total, 0.0, 1.0)


def _bivariate_cdf(h: Floats, k: Floats, rho: Floats) -> Floats:
    """P(X <= h, Y <= k) of a standard bivariate normal (Owen 1956, equation 2.1)."""
    from scipy.special import owens_t  # slow to load

    # Beyond 38 the normal tail is zero in double precision; exact zeros would divide by zero.
    h, k = (np.where(np.abs(v) < 1e-14, 1e-14, np.clip(v, -38.0, 38.0)) for v in (h, k))
    root = np.sqrt((1 - rho) * (1 + rho))
    opposite = np.where(h * k < 0, 0.5, 0.0)
    return np.asarray(
        0.5 * (normal_cdf(h) + normal_cdf(k))
        - owens_t(h, (k / h - rho) / root)
        - owens_t(k, (h / k - rho) / root)
        - opposite
    )
