"""Map points between the image and the table plane, with covariance.

Image points are (u, v) in px, free of lens distortion: u right, v down, pixel centres at integers.
Table points are (x, y) in m: origin at the centre of the playing surface, x along the length, y
across the width. A homography is a 3 x 3 matrix known up to scale; here it is kept with a unit
Frobenius norm and a positive last row sum at the points that made it.

Source: Hartley and Zisserman, Multiple View Geometry, 2nd ed. (2004), sections 4.1 and 4.4 and
chapter 5; Criminisi, Reid and Zisserman, "A plane measuring device", Image and Vision Computing 17
(1999) 625, for the covariance of a measured point.
"""

from __future__ import annotations

import numpy as np


def as_points(points: np.ndarray, name: str) -> np.ndarray:
    """Return `points` as floats of shape (N, 2); raise ValueError naming `name` otherwise."""
    points = np.asarray(points, dtype=float)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(
            f"{name} must have shape (N, 2), got {points.shape}; one point is [[u, v]]"
        )
    return points


def fit_homography(source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Fit the homography that takes `source` to `target`: normalised DLT (Algorithm 4.2).

    Parameters
    ----------
    source, target : ndarray, shape (N, 2)
        N >= 4 corresponding points, no three of any four on one line.

    Returns
    -------
    ndarray, shape (3, 3)
        Unit Frobenius norm; its third coordinate is positive at the first source point.

    Raises
    ------
    ValueError
        For fewer than four points, unequal shapes, or points that do not fix a homography.
    """
    source, target = as_points(source, "source"), as_points(target, "target")
    if source.shape != target.shape or len(source) < 4:
        raise ValueError(
            f"a homography needs four or more pairs of points, got {len(source)} and {len(target)}"
        )
    if not (np.isfinite(source).all() and np.isfinite(target).all()):
        raise ValueError("a homography needs finite points; remove the NaN rows")
    to_unit, from_unit = _normaliser(source), _normaliser(target)
    s, t = _apply(to_unit, source), _apply(from_unit, target)
    one, zero = np.ones((len(s), 1)), np.zeros((len(s), 3))
    row = np.hstack([s, one])
    design = np.vstack(
        [np.hstack([row, zero, -t[:, :1] * row]), np.hstack([zero, row, -t[:, 1:] * row])]
    )
    _, singular, vt = np.linalg.svd(design)
    if singular[7] < 1e-9 * singular[0]:
        raise ValueError("the points do not fix a homography; three of them lie on one line")
    unit = vt[-1].reshape(3, 3)
    if abs(np.linalg.det(unit)) < 1e-9:
        raise ValueError("the points do not fix a homography; three of them lie on one line")
    homography = np.linalg.inv(from_unit) @ unit @ to_unit
    homography /= np.linalg.norm(homography)
    if homography[2] @ np.append(source[0], 1.0) < 0:
        homography = -homography
    return homography


def homography_slopes(homography: np.ndarray, source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Derivative of a four-point homography by the eight coordinates of its target points.

    Each pair fixes two linear equations in the entries; their change by the target is balanced by
    that of the entries, whose norm stays one (the implicit function theorem).

    Parameters
    ----------
    homography : ndarray, shape (3, 3)
        That takes `source` to `target`, of unit Frobenius norm.
    source, target : ndarray, shape (4, 2)

    Returns
    -------
    ndarray, shape (9, 8)
        Of the entries row by row, by (u0, v0, u1, v1, ...).
    """
    row = np.column_stack([source, np.ones(len(source))])
    scale = row @ homography[2]
    design, change = np.zeros((9, 9)), np.zeros((9, 8))
    for k in range(2):
        design[k:8:2, 3 * k : 3 * k + 3] = row
        design[k:8:2, 6:] = -target[:, k : k + 1] * row
    design[8] = homography.ravel()
    change[np.arange(8), np.arange(8)] = np.repeat(scale, 2)
    return np.asarray(np.linalg.solve(design, change))


def apply_homography(homography: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Map points through a homography (Hartley and Zisserman, section 2.3).

    Parameters
    ----------
    homography : ndarray, shape (3, 3)
        Known up to scale.
    points : ndarray, shape (N, 2)
        Points of the source plane; for image to table these are undistorted px of marks on the
        surface, not of a ball 20 mm above it.

    Returns
    -------
    ndarray, shape (N, 2)
        Points of the target plane; NaN for a point on the horizon, and NaN in is NaN out.

    Raises
    ------
    ValueError
        If `points` is not of shape (N, 2).
    """
    return _apply(np.asarray(homography, dtype=float), as_points(points, "points"))


def homography_covariance(
    source: np.ndarray, target: np.ndarray, source_covariance: np.ndarray
) -> np.ndarray:
    """Covariance of the nine entries of a four-point homography from that of its source points.

    First order, by central differences of `fit_homography` in the eight coordinates.

    Parameters
    ----------
    source, target : ndarray, shape (4, 2)
        The four pairs; the target points are exact.
    source_covariance : ndarray, shape (8, 8)
        Of (u0, v0, u1, v1, ...), in the square of the source's unit.

    Returns
    -------
    ndarray, shape (9, 9)
        Of the entries row by row, at unit Frobenius norm.
    """
    source = as_points(source, "source")
    jacobian = np.empty((9, source.size))
    step = 1e-4 * max(1.0, float(np.ptp(source, axis=0).max()) / 1e3)
    for k in range(source.size):
        shift = np.zeros(source.size)
        shift[k] = step
        plus = fit_homography(source + shift.reshape(-1, 2), target)
        minus = fit_homography(source - shift.reshape(-1, 2), target)
        jacobian[:, k] = (plus - minus).ravel() / (2 * step)
    return jacobian @ np.asarray(source_covariance, dtype=float) @ jacobian.T


def point_covariance(
    homography: np.ndarray,
    points: np.ndarray,
    *,
    homography_covariance: np.ndarray | None = None,
    point_covariances: np.ndarray | None = None,
) -> np.ndarray:
    """Covariance of mapped points, first order: B S_h B' + J S_x J' (Criminisi et al. 1999).

    Parameters
    ----------
    homography : ndarray, shape (3, 3)
        From source to target.
    points : ndarray, shape (N, 2)
        Source points.
    homography_covariance : ndarray, shape (9, 9), optional
        Of the entries row by row.
    point_covariances : ndarray, shape (2, 2) or (N, 2, 2), optional
        Of the source points themselves.

    Returns
    -------
    ndarray, shape (N, 2, 2)
        In the square of the target's unit.
    """
    points = as_points(points, "points")
    h = np.asarray(homography, dtype=float)
    row = np.column_stack([points, np.ones(len(points))])
    mapped = row @ h.T
    scale = np.where(mapped[:, 2] == 0, np.nan, mapped[:, 2])
    image = mapped[:, :2] / scale[:, None]
    out = np.zeros((len(points), 2, 2))
    if homography_covariance is not None:
        b = np.zeros((len(points), 2, 9))
        b[:, 0, 0:3] = b[:, 1, 3:6] = row / scale[:, None]
        b[:, :, 6:9] = -image[:, :, None] * (row / scale[:, None])[:, None, :]
        out += b @ np.asarray(homography_covariance, dtype=float) @ b.transpose(0, 2, 1)
    if point_covariances is not None:
        j = (h[None, :2, :2] - image[:, :, None] * h[None, 2:, :2]) / scale[:, None, None]
        out += j @ np.asarray(point_covariances, dtype=float) @ j.transpose(0, 2, 1)
    return out


def _normaliser(points: np.ndarray) -> np.ndarray:
    """The similarity that takes points to their centroid and mean distance sqrt(2)."""
    centre = points.mean(axis=0)
    distance = float(np.hypot(*(points - centre).T).mean())
    if distance == 0:
        raise ValueError("the points do not fix a homography; they all coincide")
    s = np.sqrt(2) / distance
    return np.array([[s, 0, -s * centre[0]], [0, s, -s * centre[1]], [0, 0, 1]])


def _apply(homography: np.ndarray, points: np.ndarray) -> np.ndarray:
    mapped = np.column_stack([points, np.ones(len(points))]) @ homography.T
    scale = np.where(mapped[:, 2:] == 0, np.nan, mapped[:, 2:])
    return mapped[:, :2] / scale
