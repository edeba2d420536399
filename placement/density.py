"""Density maps of landed bounces: a Gaussian kernel folded back at the table's edges.

Table points are (x, y) in m; densities are per m^2. The map says where a serve lands, *given that
it landed*: misses are counted beside it and never enter it.

The kernel's covariance is Scott's factor squared times the sample covariance, never narrower in
any direction than the measurement itself. At an edge the kernel is reflected, so that all its mass
stays on the table. Below 15 bounces there is no density, only the points.

Source: Silverman, Density Estimation for Statistics and Data Analysis (1986), sections 2.10 and
4.2 (from memory); Scott, Multivariate Density Estimation (1992), for the factor.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration import table

Floats = NDArray[np.float64]
Bounds = tuple[tuple[float, float], tuple[float, float]]

MIN_POINTS = 15  # below this the points say more than a smoothed map; common practice, no source

_REACH = 8.0  # standard deviations at which a kernel ends: its tail there is 1e-15 of it
_FINEST_CELL, _COARSEST_CELL = 0.005, 0.02  # m
_CHUNK = 2_000_000  # kernel values held at once, to bound the memory


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DensityMap:
    """Where serves land, given that they landed."""

    points: Floats  # shape (N, 2), m: the bounces it was made from
    bounds: Bounds  # ((x_low, x_high), (y_low, y_high)), m
    x: Floats  # shape (nx,), m, centres of the cells along the length
    y: Floats  # shape (ny,), m, centres of the cells across the width
    density: Floats | None  # shape (nx, ny), per m^2; None below 15 bounces
    bandwidth: Floats | None  # shape (2, 2), m^2, the kernel's covariance
    n_missed: int  # serves that did not land here, and are not in the map

    @property
    def n_landed(self) -> int:
        """Number of bounces in the map."""
        return len(self.points)

    @property
    def cell_area(self) -> float:
        """Area of one cell, m^2."""
        return float((self.x[1] - self.x[0]) * (self.y[1] - self.y[0]))

    def level_holding(self, share: float) -> float:
        """The density above which `share` of the landed serves is expected, per m^2.

        Parameters
        ----------
        share : float
            Between 0 and 1, such as 0.5 for the half that lies closest together.

        Raises
        ------
        ValueError
            If the map holds points only, or `share` is not between 0 and 1.
        """
        if self.density is None:
            raise ValueError(f"no density below {MIN_POINTS} bounces, got {self.n_landed}")
        if not 0 < share < 1:
            raise ValueError(f"share must be between 0 and 1, got {share}")
        ordered = np.sort(self.density, axis=None)[::-1]
        mass = np.cumsum(ordered)
        return float(ordered[np.searchsorted(mass, share * mass[-1])])


def half_bounds(server_end: int) -> Bounds:
    """The receiver's half of the table.

    Parameters
    ----------
    server_end : int
        -1 or +1.

    Returns
    -------
    tuple
        ((x_low, x_high), (y_low, y_high)), m.
    """
    if server_end not in (-1, 1):
        raise ValueError(f"server_end must be -1 or +1, got {server_end!r}")
    x = (0.0, table.HALF_LENGTH) if server_end == -1 else (-table.HALF_LENGTH, 0.0)
    return x, (-table.HALF_WIDTH, table.HALF_WIDTH)


def table_bounds() -> Bounds:
    """The whole playing surface, ((x_low, x_high), (y_low, y_high)), m."""
    return (-table.HALF_LENGTH, table.HALF_LENGTH), (-table.HALF_WIDTH, table.HALF_WIDTH)


def scott_factor(n: int, dimensions: int = 2) -> float:
    """Scott's factor n ** (-1 / (d + 4)); the same as Silverman's in two dimensions."""
    return float(n ** (-1.0 / (dimensions + 4)))


def kernel_covariance(
    points: ArrayLike, measurement: ArrayLike, *, groups: ArrayLike | None = None
) -> Floats:
    """The kernel's covariance: Scott's rule, floored at the measurement covariance.

    The floor is taken in the measurement's own directions: the result minus `measurement` is never
    negative. A pupil cannot be mapped finer than the film can measure.

    Parameters
    ----------
    points : array_like, shape (N, 2)
        Bounces, m.
    measurement : float or array_like, shape (2, 2) or (N, 2, 2)
        Measurement sd, m, or covariance, m^2; of many, the mean is taken.
    groups : array_like, shape (N,), optional
        The target called for each serve. The spread is then taken within targets: two targets far
        apart would otherwise widen the kernel and blur both.

    Returns
    -------
    ndarray, shape (2, 2)
        m^2.

    Raises
    ------
    ValueError
        With fewer than two points, or a measurement covariance that is not positive definite.
    """
    xy = _as_points(points)
    if len(xy) < 2:
        raise ValueError(f"a kernel width needs at least 2 bounces, got {len(xy)}")
    floor = measurement_covariance(measurement)
    rule = scott_factor(len(xy)) ** 2 * _within(xy, groups)
    root = np.linalg.cholesky(floor)
    whitened = np.linalg.solve(root, np.linalg.solve(root, rule).T)
    values, vectors = np.linalg.eigh((whitened + whitened.T) / 2)
    floored = vectors * np.maximum(values, 1.0) @ vectors.T
    return np.asarray(root @ floored @ root.T)


def _within(xy: Floats, groups: ArrayLike | None) -> Floats:
    """Sample covariance, pooled within groups when there are any, shape (2, 2)."""
    index = np.zeros(len(xy), dtype=int)
    if groups is not None:
        names, index = np.unique(np.asarray(groups), return_inverse=True)
        if len(index) != len(xy):
            raise ValueError(f"groups must name each of the {len(xy)} bounces, got {len(index)}")
        if len(xy) - len(names) < 2:  # nothing to pool: each bounce has a target of its own
            index = np.zeros(len(xy), dtype=int)
    size = np.bincount(index)
    centre = np.column_stack([np.bincount(index, weights=xy[:, a]) / size for a in (0, 1)])
    rest = xy - centre[index]
    return np.asarray(rest.T @ rest / (len(xy) - len(size)))


def measurement_covariance(measurement: ArrayLike) -> Floats:
    """One measurement covariance, m^2, from an sd, a covariance or the mean of many.

    Parameters
    ----------
    measurement : float or array_like, shape (2, 2) or (N, 2, 2)
        Measurement sd, m, or covariances, m^2; rows with NaN are left out.

    Returns
    -------
    ndarray, shape (2, 2)

    Raises
    ------
    ValueError
        If it is not positive definite.
    """
    cov = np.asarray(measurement, dtype=float)
    if cov.ndim == 0:
        cov = np.eye(2) * cov**2
    if cov.ndim == 3 and cov.shape[1:] == (2, 2):
        known = ~np.isnan(cov).any(axis=(1, 2))
        cov = cov[known].mean(axis=0) if known.any() else np.full((2, 2), np.nan)
    if cov.shape != (2, 2):
        raise ValueError(
            f"measurement must be an sd or of shape (2, 2) or (N, 2, 2), got {cov.shape}"
        )
    if not (np.isfinite(cov).all() and (np.linalg.eigvalsh(cov) > 0).all()):
        raise ValueError("the measurement covariance must be positive definite; give an sd above 0")
    return cov


def estimate_density(
    points: ArrayLike,
    *,
    bounds: Bounds,
    measurement: ArrayLike,
    n_missed: int = 0,
    groups: ArrayLike | None = None,
    cell_m: float | None = None,
) -> DensityMap:
    """Map where serves land, given that they landed.

    Parameters
    ----------
    points : array_like, shape (N, 2)
        Landed bounces, table (x, y), m, of serves turned to one end (`zones.face_one_way`). An
        edge ball measured up to a ball's radius outside is drawn in to the edge; a row that is
        NaN, or lies farther out, is counted as missed.
    bounds : tuple
        The rectangle to map, as from `half_bounds`.
    measurement : float or array_like, shape (2, 2) or (N, 2, 2)
        Measurement sd, m, or covariance, m^2: the kernel is never narrower.
    n_missed : int
        Serves that did not land, to be counted beside the map.
    groups : array_like, shape (N,), optional
        The target called for each serve, so that several targets do not blur each other (see
        `kernel_covariance`).
    cell_m : float, optional
        Side of a grid cell, m. By default no wider than the kernel's narrowest sd, so that the sum
        over the cells is the integral to about 1e-8, within 5 to 20 mm.

    Returns
    -------
    DensityMap
        With `density` None below 15 bounces.
    """
    xy = _as_points(points)
    (x_low, x_high), (y_low, y_high) = bounds
    low, high = np.array([x_low, y_low]), np.array([x_high, y_high])
    floor = measurement_covariance(measurement)
    near = ((xy >= low - table.BALL_RADIUS) & (xy <= high + table.BALL_RADIUS)).all(axis=1)
    landed = np.clip(xy[near], low, high)
    bandwidth = None
    if len(landed) >= MIN_POINTS:
        named = None if groups is None else np.asarray(groups)[near]
        bandwidth = kernel_covariance(landed, floor, groups=named)
    if cell_m is None:
        narrowest = 0.0 if bandwidth is None else np.sqrt(np.linalg.eigvalsh(bandwidth)[0])
        cell_m = float(np.clip(narrowest, _FINEST_CELL, _COARSEST_CELL))
    x, y = grid_axes(bounds, cell_m)
    return DensityMap(
        points=landed,
        bounds=bounds,
        x=x,
        y=y,
        density=None if bandwidth is None else folded_density(landed, bandwidth, x, y, bounds),
        bandwidth=bandwidth,
        n_missed=n_missed + int((~near).sum()),
    )


def grid_axes(bounds: Bounds, cell_m: float) -> tuple[Floats, Floats]:
    """Centres of equal cells that fill `bounds`, each side at most `cell_m` long, m."""
    axes = []
    for low, high in bounds:
        n = max(2, int(np.ceil((high - low) / cell_m - 1e-9)))
        axes.append(low + (np.arange(n) + 0.5) * (high - low) / n)
    return axes[0], axes[1]


def folded_density(
    points: ArrayLike, bandwidth: ArrayLike, x: ArrayLike, y: ArrayLike, bounds: Bounds
) -> Floats:
    """Kernel density on a grid, reflected at the edges of `bounds`; integrates to one there.

    A reflected kernel is the mirror picture of the kernel: the sign of the bandwidth's covariance
    turns with each single reflection. Reflections are followed as far as the kernel reaches, so
    the mass is kept for any width.

    Parameters
    ----------
    points : array_like, shape (N, 2)
        Bounces within `bounds`, m.
    bandwidth : array_like, shape (2, 2)
        The kernel's covariance, m^2.
    x, y : array_like, shapes (nx,), (ny,)
        Where to evaluate, m.
    bounds : tuple
        ((x_low, x_high), (y_low, y_high)), m.

    Returns
    -------
    ndarray, shape (nx, ny)
        Per m^2.

    Raises
    ------
    ValueError
        If there are no points.
    """
    xy = _as_points(points)
    if not len(xy):
        raise ValueError("a density needs at least one bounce")
    return kernel_sum(xy, bandwidth, x, y, bounds) / len(xy)


def kernel_sum(
    points: ArrayLike, bandwidth: ArrayLike, x: ArrayLike, y: ArrayLike, bounds: Bounds
) -> Floats:
    """Sum the folded kernels of all points, shape (nx, ny), per m^2; see `folded_density`."""
    xy = _as_points(points)
    cov = np.asarray(bandwidth, dtype=float)
    gx, gy = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    reach = _REACH * np.sqrt(np.diag(cov))
    orders = [
        range(-int(np.ceil(r / (high - low))), int(np.ceil(r / (high - low))) + 1)
        for r, (low, high) in zip(reach, bounds, strict=True)
    ]
    total = np.zeros((len(gx), len(gy)))
    for i, j in product(*orders):
        image = np.column_stack([_image(xy[:, 0], i, bounds[0]), _image(xy[:, 1], j, bounds[1])])
        near = np.ones(len(image), dtype=bool)
        for axis, (low, high) in enumerate(bounds):
            near &= (image[:, axis] > low - reach[axis]) & (image[:, axis] < high + reach[axis])
        if near.any():
            mirrored = cov * np.array([[1, (-1) ** (i + j)], [(-1) ** (i + j), 1]])
            _add_kernels(total, image[near], mirrored, gx, gy)
    return total


def _image(value: Floats, order: int, bounds: tuple[float, float]) -> Floats:
    """The `order`-th reflection of coordinates at the two ends of `bounds` in turn."""
    low, high = bounds
    mirrored = value if order % 2 == 0 else low + high - value
    return np.asarray(mirrored + order * (high - low))


def _add_kernels(total: Floats, xy: Floats, cov: Floats, gx: Floats, gy: Floats) -> None:
    """Add a Gaussian of covariance `cov` at each point to `total`, in place."""
    # Conditioning on x makes one factor depend on x alone: N * (nx + nx * ny) exponentials at
    # worst, and a matrix product when the kernel is not tilted.
    slope = cov[0, 1] / cov[0, 0]
    sd_x = np.sqrt(cov[0, 0])
    sd_rest = np.sqrt(cov[1, 1] - slope * cov[0, 1])
    scale = 1.0 / (2 * np.pi * sd_x * sd_rest)
    along = np.exp(-0.5 * ((gx[:, None] - xy[:, 0]) / sd_x) ** 2)  # (nx, N)
    if slope == 0.0:
        across = np.exp(-0.5 * ((gy[:, None] - xy[:, 1]) / sd_rest) ** 2)
        total += scale * along @ across.T
        return
    step = max(1, _CHUNK // (len(gx) * len(gy)))
    for start in range(0, len(xy), step):
        part = slice(start, start + step)
        mean = xy[part, 1] + slope * (gx[:, None] - xy[part, 0])  # (nx, n)
        rest = (gy[:, None] - mean[:, None, :]) / sd_rest  # (nx, ny, n)
        np.square(rest, out=rest)
        rest *= -0.5
        np.exp(rest, out=rest)
        total += scale * np.einsum("xn,xyn->xy", along[:, part], rest)


def _as_points(points: ArrayLike) -> Floats:
    xy = np.asarray(points, dtype=float)
    if xy.ndim != 2 or xy.shape[1] != 2:
        raise ValueError(f"points must have shape (N, 2), got {xy.shape}; one point is [[x, y]]")
    return xy
