"""Calibrate from four corners that someone marked, and say plainly what is wrong with bad ones.

Corners are (u, v) in px of the upright frame, the outer corners of the white lines, in the order
(-x, -y), (+x, -y), (+x, +y), (-x, +y): counter-clockwise as seen, beginning with an end line.
"""

from __future__ import annotations

import numpy as np

from calibration.camera_fit import (
    CameraFit,
    LensPrior,
    corners_of,
    fit_camera,
    lens_prior,
    plane_of,
    start_camera,
)
from calibration.lens import focal_to_field
from calibration.result import Calibration, CalibrationError, NetCheck
from calibration.table import CORNERS

ORDER = "(-x,-y), (+x,-y), (+x,+y), (-x,+y)"
LEVEL_SHARE = 0.05  # of the picture's height: ends closer than this in v are level
MAX_FIT_SIGMA = 6.0  # marked corners may disagree with a rectangle by so many sd, no more
SMALLEST_SIDE_PX = 12.0


def check_corners(corners_px: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """Return four corners as floats (4, 2), or say in one sentence what is wrong with them.

    Parameters
    ----------
    corners_px : array_like, shape (4, 2)
    size : tuple of int
        Width and height of the frame, px.

    Raises
    ------
    CalibrationError
        For a wrong shape, numbers that are not finite, corners far outside the frame, coinciding,
        collinear, crossed, not convex, or clockwise.
    """
    try:
        c = np.asarray(corners_px, dtype=float)
    except (TypeError, ValueError) as error:
        raise CalibrationError(
            "the corners must be four pairs of numbers, [[u, v], [u, v], [u, v], [u, v]]"
        ) from error
    if c.shape != (4, 2):
        raise CalibrationError(
            f"four corners [u, v] are needed in the order {ORDER}, got an array of shape {c.shape}"
        )
    if not np.isfinite(c).all():
        raise CalibrationError("a corner is not a finite number; mark it again")
    width, height = size
    beyond = np.maximum(np.maximum(-c, c - np.array([width - 1, height - 1])), 0)
    if (beyond > np.array([width, height])).any():
        k = int(np.argmax(beyond.max(axis=1)))
        raise CalibrationError(
            f"corner {k + 1} at ({c[k, 0]:.0f}, {c[k, 1]:.0f}) lies far outside the frame of "
            f"{width} x {height} px; were the corners marked in a picture of another size?"
        )
    inside = (beyond == 0).all(axis=1)
    if not inside.any():
        raise CalibrationError(
            f"all four corners lie outside the frame of {width} x {height} px; film the whole table"
        )
    sides = np.roll(c, -1, axis=0) - c
    lengths = np.hypot(*sides.T)
    if lengths.min() < SMALLEST_SIDE_PX:
        k = int(np.argmin(lengths))
        raise CalibrationError(
            f"corners {k + 1} and {(k + 1) % 4 + 1} are only {lengths[k]:.1f} px apart; "
            "mark four different corners, or film the table larger"
        )
    nxt = np.roll(sides, -1, axis=0)
    cross = sides[:, 0] * nxt[:, 1] - sides[:, 1] * nxt[:, 0]
    sine = cross / (lengths * np.roll(lengths, -1))
    if (np.abs(sine) < 0.01).any():
        k = int(np.argmin(np.abs(sine)))
        raise CalibrationError(
            f"corners {k + 1}, {(k + 1) % 4 + 1} and {(k + 2) % 4 + 1} lie on one line; "
            "mark the four outer corners of the white lines"
        )
    positive = int((cross > 0).sum())
    if positive == 2:
        raise CalibrationError(
            f"the sides between the corners cross; give the corners in the order {ORDER}"
        )
    if positive in (1, 3):
        raise CalibrationError(
            "one corner lies inside the triangle of the other three, which no table shows; "
            "mark the four outer corners again"
        )
    if positive == 4:
        raise CalibrationError(
            "the corners run clockwise in the picture, as if the table were seen from below; "
            f"give them in the order {ORDER}, counter-clockwise"
        )
    return c


def order_ends(corners_px: np.ndarray, height: int) -> np.ndarray:
    """Turn four corners by half a turn, if need be, so that the nearer end is the negative-x one.

    Parameters
    ----------
    corners_px : ndarray, shape (4, 2)
        Counter-clockwise as seen, side 0 to 1 a long one.
    height : int
        Of the picture, px.

    Returns
    -------
    ndarray, shape (4, 2)
        The negative-x end (corners 3 and 0) is the one whose mid-point is lower in the picture;
        where the two differ by less than 5 % of the height, the left one.
    """
    negative, positive = corners_px[[3, 0]].mean(axis=0), corners_px[[1, 2]].mean(axis=0)
    if abs(negative[1] - positive[1]) >= LEVEL_SHARE * height:
        turn = negative[1] < positive[1]
    else:
        turn = negative[0] > positive[0]
    return np.roll(corners_px, 2, axis=0) if turn else corners_px


def calibrate_corners(
    corners_px: np.ndarray,
    size: tuple[int, int],
    *,
    sd_px: float = 1.0,
    covariance: np.ndarray | None = None,
    fov_deg: float | None = None,
) -> Calibration:
    """Calibrate from four corners alone; nothing in the picture is looked at.

    Parameters
    ----------
    corners_px : array_like, shape (4, 2)
        In the order of `calibration.table.CORNERS`; the ends stay as they are given.
    size : tuple of int
        Width and height of the frame, px.
    sd_px : float
        Of each coordinate, when `covariance` is left out.
    covariance : ndarray, shape (8, 8), optional
        Of the corners, px^2.
    fov_deg : float, optional
        Horizontal field of view, degrees, from the container or the user.

    Returns
    -------
    Calibration
        `net` is None.

    Raises
    ------
    CalibrationError
        See `check_corners`; also when no phone camera could see a table so.
    """
    c = check_corners(corners_px, size)
    s = np.eye(8) * sd_px**2 if covariance is None else np.asarray(covariance, dtype=float)
    prior = lens_prior(size, fov_deg)
    fit, chi = fit_corners(c, size, s, prior)
    if chi > MAX_FIT_SIGMA:
        turned = np.roll(c, 1, axis=0)
        if fit_corners(turned, size, s, prior)[1] < min(0.5 * chi, MAX_FIT_SIGMA):
            raise CalibrationError(
                "the long and the short sides of the table are exchanged; begin with the side line "
                f"from (-x,-y) to (+x,-y), so that the order is {ORDER}"
            )
        raise CalibrationError(
            f"the corners do not fit a table of 2.74 by 1.525 m (off by {chi:.0f} times their sd); "
            "mark the outer corners of the white lines again, or use a lens without distortion"
        )
    residual = fit.camera.project(CORNERS) - c
    return assemble(
        fit,
        residual_px=float(np.sqrt((residual**2).sum(axis=1).mean())),
        evidence="corners",
        prior=prior,
    )


def assemble(
    fit: CameraFit,
    *,
    residual_px: float,
    evidence: str,
    prior: LensPrior,
    net: NetCheck | None = None,
    warnings: tuple[str, ...] = (),
) -> Calibration:
    """Put a fitted camera into a `Calibration`, with the sentences its focal length deserves."""
    corners, corners_covariance = corners_of(fit.camera, fit.covariance)
    source = "table" if fit.focal_from_table else "given" if prior.given else "assumed"
    focal = fit.camera.matrix[0, 0]
    field = focal_to_field(focal, fit.camera.size[0])
    if source == "assumed":
        warnings = (
            *warnings,
            f"This view does not show the lens's focal length; a horizontal field of {field:.0f} "
            "degrees is assumed: give the camera's field of view for better heights.",
        )
    elif source == "given":
        warnings = (
            *warnings,
            f"This view does not show the lens's focal length; the given field of view is used "
            f"({field:.0f} degrees after the fit).",
        )
    return Calibration(
        corners_px=corners,
        corners_covariance=corners_covariance,
        homography=plane_of(fit.camera),
        camera=fit.camera,
        covariance=fit.covariance,
        focal_source=source,
        residual_px=residual_px,
        evidence=evidence,
        net=net,
        warnings=warnings,
    )


def fit_corners(
    corners: np.ndarray, size: tuple[int, int], covariance: np.ndarray, prior: LensPrior
) -> tuple[CameraFit, float]:
    """Fit the camera to four corners alone.

    Parameters
    ----------
    corners : ndarray, shape (4, 2)
        px, in the order of `calibration.table.CORNERS`.
    size : tuple of int
        Of the picture.
    covariance : ndarray, shape (8, 8)
        Of the corners, px^2.
    prior : LensPrior
        Of the lens.

    Returns
    -------
    tuple of CameraFit and float
        The float is by how many of their standard deviations the corners are off.
    """
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))

    def weigh(pixels: np.ndarray) -> np.ndarray:
        return np.asarray(whiten @ pixels.reshape(8, -1))

    target = whiten @ corners.ravel()
    sd = float(np.sqrt(np.trace(covariance) / 8))
    start = start_camera(corners, size, prior, sd_px=sd)
    fit = fit_camera(CORNERS, weigh, target, start, prior)
    off = weigh(fit.camera.project(CORNERS) - corners)
    return fit, float(np.sqrt((off**2).sum()))
