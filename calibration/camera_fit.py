"""Fit a camera to the table: focal length from the rectangle, pose, and refinement of both.

The camera has ten parameters, (f, k1, rotation vector, translation, principal point): square
pixels, one term of radial distortion. Four corners give eight numbers, so that two combinations of
them rest on what is believed of lenses.

A weak prior keeps a poorly determined view sensible: phones film with a horizontal field of about
55 to 75 degrees, so f / width is taken as log-normal about `FOCAL_PER_WIDTH` with `FOCAL_SD`, and
k1 of corrected phone video as normal about 0 with `K1_SD`, and the principal point as normal about
the image's centre ((w - 1) / 2, (h - 1) / 2): lenses sit a little aside, and stabilisation moves
them.

Sources: Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000) 1330, for
the two constraints of a plane and the pose; Zhang and He, MSR-TR-2003-39, section 3.2, for a
rectangle's focal length. The priors are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.camera import Camera, project_with_slopes
from calibration.lens import field_to_focal
from calibration.plane import as_points, fit_homography, homography_slopes
from calibration.result import (
    Calibration,
    camera_from_parameters,
    camera_parameters,
)
from calibration.table import CORNERS

FOCAL_PER_WIDTH = 0.78  # f / longer side: a horizontal field of 65 degrees
FOCAL_SD = 0.20  # of ln f, about a usual phone's field
GIVEN_FOCAL_SD = 0.05  # of ln f, about a field of view handed in (stabilisation crops)
K1_SD = 0.03  # of k1, about none
PRINCIPAL_SD = 0.003  # of the longer side, about the picture's middle
# of the longer side, a film's crop included; no phone films with a lens outside them
FIELD_LIMITS_DEG = (20.0, 110.0)
_BELIEVED = [0, 1, 8, 9]  # parameters of which something is believed before
UNUSABLE_FOCAL_SD = 0.25  # relative; above it a focal formula is called degenerate


@dataclass(frozen=True, slots=True, kw_only=True)
class FocalFormulas:
    """The focal length by the two constraints of a rectangle; NaN where the view is degenerate.

    Attributes
    ----------
    orthogonal_px, equal_px : float
        f from the right angle and from the equal scale of the two axes, px.
    orthogonal_sd_px, equal_sd_px : float
        Their first-order sd, px; infinite where degenerate.
    """

    orthogonal_px: float
    equal_px: float
    orthogonal_sd_px: float
    equal_sd_px: float

    @property
    def best_px(self) -> float:
        """The better conditioned of the two, px; NaN when neither can be used."""
        if np.isnan(self.orthogonal_px) and np.isnan(self.equal_px):
            return float("nan")
        return self.orthogonal_px if self.orthogonal_sd_px <= self.equal_sd_px else self.equal_px


def focal_from_rectangle(
    corners_px: np.ndarray,
    principal: np.ndarray,
    *,
    corners_covariance: np.ndarray | None = None,
) -> FocalFormulas:
    """Focal length from the four corners by both constraints (Zhang and He 2003, section 3.2).

    Parameters
    ----------
    corners_px : ndarray, shape (4, 2)
        Undistorted, in the order of `calibration.table.CORNERS`.
    principal : ndarray, shape (2,)
        The principal point, px.
    corners_covariance : ndarray, shape (8, 8), optional
        px^2; 1 px sd each when left out.

    Returns
    -------
    FocalFormulas
        A formula whose f would carry a relative sd above `UNUSABLE_FOCAL_SD` is degenerate: the
        right angle when the camera faces a side squarely, the equal scale when it looks along the
        diagonal of a square, both from straight above.
    """
    corners = as_points(corners_px, "corners_px") - np.asarray(principal, dtype=float)
    covariance = np.eye(8) if corners_covariance is None else np.asarray(corners_covariance)
    return _focal_formulas(fit_homography(CORNERS[:, :2], corners), corners, covariance)


def _focal_formulas(h: np.ndarray, corners: np.ndarray, covariance: np.ndarray) -> FocalFormulas:
    """Both formulas for corners about the principal point and their homography."""
    squares, by_entries = _focal_squares(h)
    with np.errstate(invalid="ignore"):  # squarely from above both are without bound
        jacobian = by_entries @ homography_slopes(h, CORNERS[:, :2], corners)
        variances = np.einsum("ik,kl,il->i", jacobian, covariance, jacobian)
    values = [float("nan"), float("nan")]
    sds = [float("inf"), float("inf")]
    for i in range(2):
        if np.isfinite(squares[i]) and squares[i] > 0:
            f = float(np.sqrt(squares[i]))
            sd = float(np.sqrt(variances[i])) / (2 * f)
            if sd < UNUSABLE_FOCAL_SD * f:
                values[i], sds[i] = f, sd
    return FocalFormulas(
        orthogonal_px=values[0], equal_px=values[1], orthogonal_sd_px=sds[0], equal_sd_px=sds[1]
    )


def pose_from_plane(corners_px: np.ndarray, focal_px: float, size: tuple[int, int]) -> Camera:
    """Pose of a camera of known focal length from four undistorted corners (Zhang 2000).

    Returns
    -------
    Camera
        Without distortion; the nearest rotation is taken by SVD.
    """
    corners = as_points(corners_px, "corners_px") - image_centre(size)
    return _pose(fit_homography(CORNERS[:, :2], corners), focal_px, size)


def _pose(h: np.ndarray, focal_px: float, size: tuple[int, int]) -> Camera:
    """The camera of a homography from table points to px about the principal point."""
    columns = h / np.array([[focal_px], [focal_px], [1.0]])
    scale = 2 / (np.linalg.norm(columns[:, 0]) + np.linalg.norm(columns[:, 1]))
    columns = columns * scale
    if columns[2, 2] < 0:
        columns = -columns
    rotation = np.column_stack(
        [columns[:, 0], columns[:, 1], np.cross(columns[:, 0], columns[:, 1])]
    )
    u, _, vt = np.linalg.svd(rotation)
    rotation = u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt
    return make_camera(focal_px, rotation, columns[:, 2], size)


def image_centre(size: tuple[int, int]) -> np.ndarray:
    """Where the principal point is as a rule: the middle of the frame, px, shape (2,)."""
    return np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])


def make_camera(
    focal_px: float,
    rotation: np.ndarray,
    translation: np.ndarray,
    size: tuple[int, int],
    *,
    k1: float = 0.0,
) -> Camera:
    """A camera with square pixels and the principal point at the image's centre."""
    cx, cy = image_centre(size)
    return Camera(
        matrix=np.array([[focal_px, 0, cx], [0, focal_px, cy], [0, 0, 1.0]]),
        distortion=np.array([k1, 0.0, 0.0, 0.0, 0.0]),
        rotation=np.asarray(rotation, dtype=float),
        translation=np.asarray(translation, dtype=float),
        size=(int(size[0]), int(size[1])),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LensPrior:
    """What is believed of the lens before the table is looked at.

    Attributes
    ----------
    focal_px : float
        Median of the log-normal, px.
    sd : float
        Of ln f.
    given : bool
        True when a field of view was handed in.
    principal : tuple of float
        Mean of the principal point, px.
    principal_sd : float
        Its standard deviation along u and along v, px.
    k1, k1_sd : float
        Mean and sd of the distortion.
    """

    focal_px: float
    sd: float
    given: bool
    principal: tuple[float, float]
    principal_sd: float
    k1: float = 0.0
    k1_sd: float = K1_SD


def lens_prior(size: tuple[int, int], fov_deg: float | None = None) -> LensPrior:
    """The prior for a frame of `size`, about `fov_deg` (horizontal, degrees) when it is given."""
    u, v = image_centre(size)
    given = fov_deg is not None
    return LensPrior(
        focal_px=FOCAL_PER_WIDTH * max(size)
        if fov_deg is None
        else field_to_focal(fov_deg, size[0]),
        sd=GIVEN_FOCAL_SD if given else FOCAL_SD,
        given=given,
        principal=(float(u), float(v)),
        principal_sd=PRINCIPAL_SD * max(size),
    )


def same_lens(calibration: Calibration) -> LensPrior:
    """The prior that a calibration makes for a later one by the same lens, in the same clip."""
    focal = float(calibration.camera.matrix[0, 0])
    sds = np.sqrt(np.diag(calibration.covariance))
    focal_sd, k1_sd = sds[:2]
    u, v = calibration.camera.matrix[:2, 2]
    return LensPrior(
        focal_px=focal,
        sd=float(np.hypot(focal_sd / focal, 0.001)),
        given=calibration.focal_source != "assumed",
        principal=(float(u), float(v)),
        principal_sd=float(np.hypot(sds[8:].max(), 0.1)),
        k1=float(calibration.camera.distortion[0]),
        k1_sd=float(np.hypot(k1_sd, 0.001)),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CameraFit:
    """A fitted camera.

    Attributes
    ----------
    camera : Camera
    covariance : ndarray, shape (10, 10)
        Of the parameters, prior included.
    weights : ndarray, shape (M,)
        Robust weight of each residual, 0 to 1.
    gain : ndarray, shape (10, M)
        How the parameters answer to a change of each residual.
    focal_from_table : bool
        True when the data alone know f better than the prior.
    """

    camera: Camera
    covariance: np.ndarray
    weights: np.ndarray
    gain: np.ndarray
    focal_from_table: bool


def fit_camera(
    points: np.ndarray,
    weigh: Callable[[np.ndarray], np.ndarray],
    target: np.ndarray,
    start: Camera,
    prior: LensPrior,
    *,
    robust: bool = False,
    inflate: float = 1.0,
    n_steps: int = 30,
) -> CameraFit:
    """Fit the ten parameters to residuals by Levenberg-Marquardt steps, with the priors.

    Parameters
    ----------
    points : ndarray, shape (N, 3)
        Table points that were seen, m.
    weigh : callable
        Linear: from pixels of the points, or changes of them, (N, 2, K), to (M, K) in units of the
        sd of what was measured.
    target : ndarray, shape (M,)
        What `weigh` would give for the true pixels, as measured; NaN counts as absent. The
        residuals are what the camera gives less this.
    start : Camera
        Where to begin.
    prior : LensPrior
        Of the focal length, k1 and the principal point.
    robust : bool
        Tukey's biweight (cut at 4.685 robust sd) instead of plain squares.
    inflate : float
        Data covariance is multiplied by this: residuals that are not independent count less.
    n_steps : int
        At most so many.

    Returns
    -------
    CameraFit
    """
    like = start
    p = camera_parameters(start)
    p[0] = np.log(p[0])  # ln f inside: the prior is normal there and f stays positive
    prior_mean = np.array([np.log(prior.focal_px), prior.k1, *prior.principal])
    prior_weight = np.array([prior.sd, prior.k1_sd, prior.principal_sd, prior.principal_sd]) ** -2

    def evaluate(q: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Residuals (M,) and their derivatives (M, 10)."""
        f = float(np.exp(q[0]))
        matrix = np.array([[f, 0, q[8]], [0, f, q[9]], [0, 0, 1.0]])
        distortion = np.array([q[1], *like.distortion[1:]])
        pixels, slopes = project_with_slopes(points, q[2:5], q[5:8], matrix, distortion)
        slopes[:, :, 0] *= f  # by ln f
        both = weigh(np.concatenate([pixels[:, :, None], slopes], axis=2))
        return both[:, 0] - target, both[:, 1:]

    def cost(r: np.ndarray, w: np.ndarray, q: np.ndarray) -> float:
        return float(
            np.nansum(w * r * r) / inflate + prior_weight @ (q[_BELIEVED] - prior_mean) ** 2
        )

    r, jacobian = evaluate(p)
    w = _tukey(r) if robust else np.ones_like(r)
    damping = 1e-4
    for _ in range(n_steps):
        ok = np.isfinite(r) & np.isfinite(jacobian).all(axis=1)
        weight = np.where(ok, w, 0.0) / inflate
        jw = np.where(ok[:, None], jacobian, 0.0)
        rw = np.where(ok, r, 0.0)
        normal = (jw * weight[:, None]).T @ jw
        gradient = jw.T @ (weight * rw)
        normal[_BELIEVED, _BELIEVED] += prior_weight
        gradient[_BELIEVED] += prior_weight * (p[_BELIEVED] - prior_mean)
        before = cost(r, w, p)
        improved = False
        for _ in range(8):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -gradient)
            step[0] = np.clip(step[0], -0.3, 0.3)
            trial, trial_jacobian = evaluate(p + step)
            if np.isfinite(trial).sum() >= ok.sum() * 0.98 and cost(trial, w, p + step) <= before:
                improved = True
                break
            damping *= 10
        if not improved:
            break
        p, r, jacobian = p + step, trial, trial_jacobian
        damping = max(damping / 10, 1e-9)
        after = cost(r, w, p)
        if robust:
            w = _tukey(r)
        if before - after < 1e-6 * before + 1e-7:  # in units of chi squared
            break

    ok = np.isfinite(r) & np.isfinite(jacobian).all(axis=1)
    weight = np.where(ok, w, 0.0) / inflate
    jw = np.where(ok[:, None], jacobian, 0.0)
    data = (jw * weight[:, None]).T @ jw
    full = data.copy()
    full[_BELIEVED, _BELIEVED] += prior_weight
    covariance = _inverse(full)
    f = float(np.exp(p[0]))
    scale = np.array([f, *[1.0] * (len(p) - 1)])
    # what the table says of f by itself: the information left when only the others keep their prior
    alone = full.copy()
    alone[0, 0] -= prior_weight[0]
    own = float(alone[0, 0] - alone[0, 1:] @ np.linalg.pinv(alone[1:, 1:]) @ alone[1:, 0])
    return CameraFit(
        camera=_from_log(p, like),
        covariance=covariance * np.outer(scale, scale),
        weights=np.where(ok, w, 0.0),
        gain=scale[:, None] * (covariance @ (jw * weight[:, None]).T),
        focal_from_table=own > prior_weight[0],
    )


def corners_of(camera: Camera, covariance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The four corners' pixels (4, 2) and their covariance (8, 8), px^2, for a fitted camera."""
    corners, by_parameters, _ = camera.derivatives(CORNERS)
    jacobian = by_parameters.reshape(8, -1)
    return corners, jacobian @ covariance @ jacobian.T


def plane_of(camera: Camera) -> np.ndarray:
    """The homography from undistorted image points, px, to table points, m, shape (3, 3)."""
    forward = camera.matrix @ np.column_stack([camera.rotation[:, :2], camera.translation])
    inverse = np.linalg.inv(forward)
    return inverse / np.linalg.norm(inverse)


def start_camera(
    corners_px: np.ndarray, size: tuple[int, int], prior: LensPrior, *, sd_px: float = 2.0
) -> Camera:
    """A first camera from four corners: the rectangle's focal length weighed with the prior's."""
    corners = as_points(corners_px, "corners_px") - image_centre(size)
    h = fit_homography(CORNERS[:, :2], corners)
    formulas = _focal_formulas(h, corners, np.eye(8) * sd_px**2)
    weights, logs = [prior.sd**-2], [np.log(prior.focal_px)]
    for f, sd in (
        (formulas.orthogonal_px, formulas.orthogonal_sd_px),
        (formulas.equal_px, formulas.equal_sd_px),
    ):
        if np.isfinite(f):
            weights.append((f / sd) ** 2)
            logs.append(np.log(f))
    f = float(np.exp(np.average(logs, weights=weights)))
    low, high = (field_to_focal(x, max(size)) for x in FIELD_LIMITS_DEG[::-1])
    return _pose(h, float(np.clip(f, low, high)), size)


def _focal_squares(h: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Squares of f by both constraints, (2,), and their derivatives by the entries of h, (2, 9)."""
    (a, b), (c, d), (e, g) = h[:, :2]
    top, bottom = -(a * b + c * d), e * g
    top_2, bottom_2 = -(a * a + c * c - b * b - d * d), e * e - g * g
    by_entries = np.zeros((2, 3, 3))
    with np.errstate(divide="ignore", invalid="ignore"):
        squares = np.array([np.divide(top, bottom), np.divide(top_2, bottom_2)])
        by_entries[0, :, :2] = [[-b, -a], [-d, -c], [-squares[0] * g, -squares[0] * e]]
        by_entries[1, :, :2] = [[-a, b], [-c, d], [-squares[1] * e, squares[1] * g]]
        by_entries[0] /= bottom
        by_entries[1] /= bottom_2 / 2
    return squares, by_entries.reshape(2, 9)


def _from_log(p: np.ndarray, like: Camera) -> Camera:
    """The camera of parameters whose first is ln f."""
    return camera_from_parameters(np.concatenate([[np.exp(p[0])], p[1:]]), like)


def _tukey(residuals: np.ndarray) -> np.ndarray:
    """Biweight weights at a scale that is never below one, the residuals' stated sd."""
    finite = np.abs(residuals[np.isfinite(residuals)])
    scale = max(1.0, 1.4826 * float(np.median(finite))) if len(finite) else 1.0
    u = np.abs(np.nan_to_num(residuals, nan=np.inf)) / (4.685 * scale)
    return np.where(u < 1, (1 - np.minimum(u, 1) ** 2) ** 2, 0.0)


def _inverse(normal: np.ndarray) -> np.ndarray:
    """Inverse of a positive matrix whose rows have very different scales."""
    d = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = np.linalg.pinv(normal * np.outer(d, d), rcond=1e-14, hermitian=True)
    return inverse * np.outer(d, d)
