"""Before filming: how exact the places will be, for a stand here with that lens and mode.

The same camera fit and covariance as after filming are used: the white lines are laid out as the
camera would see them, measured with a stated noise, and the uncertainty of the camera is carried to
a ball on the table together with that of the ball's own place in the picture. Places are m in table
coordinates; the stand's height is that of the lens above the floor, which lies 0.76 m below the
surface (Law 2.1.1).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from calibration.camera import Camera
from calibration.camera_fit import (
    corners_of,
    lens_prior,
    make_camera,
    plane_of,
)
from calibration.edges import predict_fit
from calibration.lens import field_to_focal
from calibration.result import Calibration, CalibrationError
from calibration.table import BALL_RADIUS, CORNERS, HALF_LENGTH, HALF_WIDTH, HEIGHT

BALL_PX = 0.5  # px, sd of a ball's centre in one frame, sharp and well lit
ARC_S = 0.12  # s of flight used on each side of a bounce
GOOD_M = 0.025  # a 95 % error below this over the whole table needs no advice
GRID = (29, 17)  # places along and across


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExpectedError:
    """Expected error of a bounce over the table.

    Attributes
    ----------
    x, y : ndarray, shape (NX,), (NY,)
        Places on the table, m.
    covariance : ndarray, shape (NY, NX, 2, 2)
        Of a bounce there, m^2.
    error_95 : ndarray, shape (NY, NX)
        Radius that holds it with 95 %, m.
    calibration_95 : ndarray, shape (NY, NX)
        The same for the calibration's part alone, m.
    camera : Camera
        That films.
    in_view : bool
        Whether all four corners lie in the frame.
    advice : str
        Plain words for the one who sets up the stand.
    """

    x: np.ndarray
    y: np.ndarray
    covariance: np.ndarray
    error_95: np.ndarray
    calibration_95: np.ndarray
    camera: Camera
    in_view: bool
    advice: str

    @property
    def worst(self) -> float:
        """Largest 95 % error over the table, m."""
        return float(self.error_95.max())

    @property
    def typical(self) -> float:
        """Median 95 % error over the table, m."""
        return float(np.median(self.error_95))


def expected_error(
    stand: tuple[float, float, float],
    *,
    size: tuple[int, int] = (1920, 1080),
    fps: float = 60.0,
    fov_deg: float | None = None,
    focal_px: float | None = None,
    edge_px: float = 0.25,
    ball_px: float = BALL_PX,
    grid: tuple[int, int] = GRID,
) -> ExpectedError:
    """Expected error over the table for a stand that is not yet up.

    Parameters
    ----------
    stand : tuple of float
        (x, y, height): the lens, m; height above the floor.
    size : tuple of int
        Width and height of the film, px.
    fps : float
        Frames per second.
    fov_deg, focal_px : float, optional
        Horizontal field of view, degrees, or focal length, px, at most one; a usual phone's 65
        degrees otherwise.
    edge_px : float
        sd of the place of a line at one station, px.
    ball_px : float
        sd of the ball's centre in one frame, px.
    grid : tuple of int
        Number of places along and across.

    Returns
    -------
    ExpectedError

    Raises
    ------
    CalibrationError
        When the lens is not above the table's surface, stands over the table, or sees too little
        of it.
    """
    if fov_deg is not None and focal_px is not None:
        raise CalibrationError("give the field of view or the focal length of the lens, not both")
    if fov_deg is not None:
        focal_px = field_to_focal(fov_deg, size[0])
    elif focal_px is None:
        focal_px = field_to_focal(65.0, max(size))
    camera = stand_camera(stand, size=size, focal_px=focal_px)
    result = _expected(camera, fps=fps, edge_px=edge_px, ball_px=ball_px, grid=grid)
    choices = []
    if result.worst > GOOD_M or not result.in_view:
        for words, changed, rate in _changes(stand, fps):
            try:
                other = _expected(
                    stand_camera(changed, size=size, focal_px=focal_px),
                    fps=rate, edge_px=edge_px, ball_px=ball_px, grid=(9, 5),
                )  # fmt: skip
            except CalibrationError:
                continue
            if other.in_view:
                choices.append((other.worst, words))
    return _with_advice(result, choices)


def error_map_of(
    calibration: Calibration,
    *,
    fps: float = 60.0,
    ball_px: float = BALL_PX,
    grid: tuple[int, int] = GRID,
) -> ExpectedError:
    """Expected error over the table for a calibration that exists."""
    return _with_advice(_map_errors(calibration, fps=fps, ball_px=ball_px, grid=grid), [])


def stand_camera(
    stand: tuple[float, float, float], *, size: tuple[int, int], focal_px: float
) -> Camera:
    """A level camera on a stand at (x, y, height above the floor), m, aimed so the table fits best.

    Raises
    ------
    CalibrationError
        When the lens is not above the surface or stands over the table.
    """
    eye = np.array([stand[0], stand[1], stand[2] - HEIGHT], dtype=float)
    if not np.isfinite(eye).all() or eye[2] < 0.1:
        raise CalibrationError(
            f"the lens must be at least 0.1 m above the surface, which is {HEIGHT:g} m above the "
            f"floor; got a height of {stand[2]:g} m"
        )
    if abs(eye[0]) < HALF_LENGTH and abs(eye[1]) < HALF_WIDTH:
        raise CalibrationError(
            f"the stand at ({stand[0]:g}, {stand[1]:g}) would be on the table, which reaches "
            f"{HALF_LENGTH:g} m along and {HALF_WIDTH:g} m across"
        )
    aim = np.zeros(3)
    camera = _aimed(eye, aim, focal_px, size)
    for _ in range(3):  # bring the middle of the corners' picture to the image's centre
        corners = camera.project(CORNERS)
        if not np.isfinite(corners).all():
            break
        middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
        aim = np.append(camera.cut_plane(middle[None], 0.0)[0], 0.0)
        if not np.isfinite(aim).all() or np.abs(aim).max() > 2:
            aim = np.zeros(3)
            break
        camera = _aimed(eye, aim, focal_px, size)
    return camera


def radius_95(covariance: np.ndarray) -> np.ndarray:
    """Radius about the mean that holds 95 % of a Gaussian with `covariance` (..., 2, 2).

    The probability outside a circle is an integral over directions, solved for the radius by
    bisection; equal sds give 2.4477 sd, a needle 1.96 sd.
    """
    covariance = np.asarray(covariance, dtype=float)
    mean = (covariance[..., 0, 0] + covariance[..., 1, 1]) / 2
    half = np.hypot((covariance[..., 0, 0] - covariance[..., 1, 1]) / 2, covariance[..., 0, 1])
    large = np.sqrt(mean + half)
    ratio = np.sqrt(np.clip((mean - half) / np.maximum(mean + half, 1e-300), 4e-4, 1.0))
    ratios, radii = _radii_of_ratios()
    return np.asarray(large * np.interp(ratio, ratios, radii))


@cache
def _radii_of_ratios() -> tuple[np.ndarray, np.ndarray]:
    """Ratios of the smaller sd to the larger, and the radius in units of the larger."""
    ratio = np.linspace(0.02, 1.0, 500)
    angle = (np.arange(720) + 0.5) * np.pi / 2 / 720
    k = np.cos(angle) ** 2 + np.sin(angle) ** 2 / ratio[:, None] ** 2
    low, high = np.full(ratio.shape, 1.8), np.full(ratio.shape, 2.6)
    for _ in range(30):
        r = (low + high) / 2
        outside = (np.exp(-(r[:, None] ** 2) * k / 2) / k).mean(axis=1) / ratio
        low, high = np.where(outside > 0.05, r, low), np.where(outside > 0.05, high, r)
    return ratio, (low + high) / 2


def bounce_px(ball_px: float, fps: float) -> float:
    """sd, px, of the place in the picture where two fitted arcs meet, from that of one frame.

    The end of a parabola fitted to n points has 9 / n of a point's variance (n large); two arcs
    that meet share it.
    """
    n = max(2.0, ARC_S * fps)
    return float(ball_px * np.sqrt(4.5 / n))


def _aimed(eye: np.ndarray, aim: np.ndarray, focal_px: float, size: tuple[int, int]) -> Camera:
    z = aim - eye
    z = z / np.linalg.norm(z)
    x = np.cross(z, [0.0, 0.0, 1.0])
    if np.linalg.norm(x) < 1e-6:
        raise CalibrationError("the stand would look straight down; set it beside the table")
    x = x / np.linalg.norm(x)
    rotation = np.array([x, np.cross(z, x), z])
    return make_camera(focal_px, rotation, -rotation @ eye, size)


def _expected(
    camera: Camera, *, fps: float, edge_px: float, ball_px: float, grid: tuple[int, int]
) -> ExpectedError:
    # a field as wide as this camera's is common knowledge only as far as the usual prior goes
    prior = lens_prior(camera.size)
    try:
        fit = predict_fit(camera, prior, sd_px=edge_px)
    except ValueError as error:
        raise CalibrationError(
            "too little of the table would be in the picture; move the stand or turn the phone"
        ) from error
    corners, corners_covariance = corners_of(camera, fit.covariance)
    calibration = Calibration(
        corners_px=corners,
        corners_covariance=corners_covariance,
        homography=plane_of(camera),
        camera=camera,
        covariance=fit.covariance,
        focal_source="table" if fit.focal_from_table else "assumed",
        residual_px=edge_px,
        evidence="edges",
    )
    return _map_errors(calibration, fps=fps, ball_px=ball_px, grid=grid)


def _map_errors(
    calibration: Calibration, *, fps: float, ball_px: float, grid: tuple[int, int]
) -> ExpectedError:
    camera = calibration.camera
    x = np.linspace(-HALF_LENGTH, HALF_LENGTH, grid[0])
    y = np.linspace(-HALF_WIDTH, HALF_WIDTH, grid[1])
    xx, yy = np.meshgrid(x, y)
    places = np.column_stack([xx.ravel(), yy.ravel(), np.full(xx.size, BALL_RADIUS)])
    pixels = camera.project(places)
    by_camera, j = calibration.plane_slopes(pixels, BALL_RADIUS)
    by_calibration = by_camera @ calibration.covariance @ by_camera.transpose(0, 2, 1)
    by_ball = bounce_px(ball_px, fps) ** 2 * j @ j.transpose(0, 2, 1)
    shape = (*xx.shape, 2, 2)
    total = (by_calibration + by_ball).reshape(shape)
    corners = camera.project(CORNERS)
    inside = bool(
        np.isfinite(corners).all()
        and (corners > 0).all()
        and (corners < np.array(camera.size) - 1).all()
    )
    return ExpectedError(
        x=x,
        y=y,
        covariance=total,
        error_95=radius_95(total),
        calibration_95=radius_95(by_calibration.reshape(shape)),
        camera=camera,
        in_view=inside,
        advice="",
    )


def _changes(
    stand: tuple[float, float, float], fps: float
) -> list[tuple[str, tuple[float, float, float], float]]:
    x, y, height = stand
    plan = float(np.hypot(x, y))
    nearer, farther = max(0.5, 1 - 0.8 / max(plan, 0.8)), 1 + 1.0 / max(plan, 0.5)
    changes = [
        (f"raising the lens to {height + 0.4:.1f} m", (x, y, height + 0.4), fps),
        (f"raising the lens to {height + 0.8:.1f} m", (x, y, height + 0.8), fps),
        ("moving 0.8 m nearer", (x * nearer, y * nearer, height), fps),
        ("moving 1 m away", (x * farther, y * farther, height), fps),
    ]
    if fps < 100:
        changes.append((f"filming at {2 * fps:.0f} frames a second", stand, 2 * fps))
    return changes


def _with_advice(result: ExpectedError, choices: list[tuple[float, str]]) -> ExpectedError:
    j, i = np.unravel_index(int(np.argmax(result.error_95)), result.error_95.shape)
    words = (
        f"Expect bounces within {1e3 * result.typical:.0f} mm (95 %) over most of the table and "
        f"{1e3 * result.worst:.0f} mm at worst, near x {result.x[i]:+.2f}, y {result.y[j]:+.2f} m."
    )
    if not result.in_view:
        words += " Part of the table is out of the picture: that is where it cannot measure."
    if choices:
        best, how = min(choices)
        if best < 0.85 * result.worst or not result.in_view:
            words += f" Better: {how}, which makes the worst {1e3 * best:.0f} mm."
        else:
            words += " No small change of the stand would help much."
    elif result.worst <= GOOD_M:
        words += " Good as it is."
    return ExpectedError(
        x=result.x,
        y=result.y,
        covariance=result.covariance,
        error_95=result.error_95,
        calibration_95=result.calibration_95,
        camera=result.camera,
        in_view=result.in_view,
        advice=words,
    )
