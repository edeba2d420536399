"""A table that has been found: its corners, its camera, how sure both are, and what the net says.

Image points are (u, v) in px of the upright frame as filmed (lens distortion included), u right,
v down, pixel centres at integers. Table points are (x, y, z) in m, see `calibration.table`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from calibration.camera import Camera

#: Names of the ten camera parameters, in the order of `Calibration.covariance`.
PARAMETERS = ("f", "k1", "rx", "ry", "rz", "tx", "ty", "tz", "cx", "cy")


class CalibrationError(ValueError):
    """The table cannot be used as given or seen; one sentence says what and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NetCheck:
    """How far the net is from where the calibration, which did not use it, puts it.

    Attributes
    ----------
    residual_px : float
        Rms distance between the white tape's top edge and its projection, px; NaN if not seen.
    residual_mm : float
        The same at the net, mm.
    seen : float
        Share of the net's top, 0 to 1, on which the tape was found along one line.
    centre_line_px : float
        Rms distance of the centre line from its projection, px; NaN if not seen.
    posts_mm : float
        Distance of the seen ends of the net from the posts by law, mm; NaN if not seen.
    """

    residual_px: float
    residual_mm: float
    seen: float
    centre_line_px: float
    posts_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Calibration:
    """The table and the camera of one still.

    Attributes
    ----------
    corners_px : ndarray, shape (4, 2)
        The outer corners of the white lines, px, in the order of `calibration.table.CORNERS`.
    corners_covariance : ndarray, shape (8, 8)
        Of (u0, v0, u1, v1, ...), px^2.
    homography : ndarray, shape (3, 3)
        From undistorted image points, px, to table points, m.
    camera : Camera
        Intrinsics and pose.
    covariance : ndarray, shape (10, 10)
        Of the camera's parameters, in the order of `PARAMETERS`: f in px, k1, rotation vector in
        rad, translation in m, principal point in px.
    focal_source : str
        "table" when the rectangle fixed the focal length, "given" when it rests on a field of view
        that was handed in, "assumed" when it rests on a usual phone's.
    residual_px : float
        Rms distance of the evidence (edge points or corners) from the fitted table, px.
    evidence : str
        "edges" when the white lines were measured, "corners" when four corners were all there was.
    net : NetCheck or None
        The check that the fit did not use; None when there was no picture to look at.
    warnings : tuple of str
        Sentences for the user.
    """

    corners_px: np.ndarray
    corners_covariance: np.ndarray
    homography: np.ndarray
    camera: Camera
    covariance: np.ndarray
    focal_source: str
    residual_px: float
    evidence: str
    net: NetCheck | None = None
    warnings: tuple[str, ...] = ()

    def ball_on_plane(self, points_px: np.ndarray, height: float) -> np.ndarray:
        """Where the rays through image points (N, 2) meet z = `height`, m: (N, 2), NaN if never."""
        return self.camera.cut_plane(points_px, height)

    def plane_jacobian(self, points_px: np.ndarray, height: float) -> np.ndarray:
        """Derivative of `ball_on_plane` by the eight camera parameters.

        Parameters
        ----------
        points_px : ndarray, shape (N, 2)
            Image points, px.
        height : float
            Of the plane above the table, m.

        Returns
        -------
        ndarray, shape (N, 2, 8)
            m per unit of each parameter, in the order of `PARAMETERS`.
        """
        by_camera, _ = self.plane_slopes(points_px, height)
        return by_camera

    def plane_slopes(self, points_px: np.ndarray, height: float) -> tuple[np.ndarray, np.ndarray]:
        """Derivatives of `ball_on_plane` by the camera's parameters and by the image point.

        A place that keeps its pixel while the camera changes moves so that both changes of the
        pixel cancel (the implicit function theorem).

        Parameters
        ----------
        points_px : ndarray, shape (N, 2)
            Image points, px.
        height : float
            Of the plane above the table, m.

        Returns
        -------
        tuple of ndarray, shapes (N, 2, 10) and (N, 2, 2)
            m per unit of each parameter, in the order of `PARAMETERS`, and m per px.
        """
        points_px = np.asarray(points_px, dtype=float).reshape(-1, 2)
        places = self.camera.cut_plane(points_px, height)
        places = np.column_stack([places, np.full(len(places), float(height))])
        _, by_camera, by_place = self.camera.derivatives(places)
        (a, b), (c, d) = by_place[:, 0, :2].T, by_place[:, 1, :2].T
        with np.errstate(divide="ignore", invalid="ignore"):
            inverse = np.stack([d, -b, -c, a], axis=-1) / (a * d - b * c)[:, None]
        by_point = inverse.reshape(-1, 2, 2)
        return -by_point @ by_camera, by_point

    def plane_covariance(self, points_px: np.ndarray, height: float) -> np.ndarray:
        """Covariance of `ball_on_plane` by the calibration alone, m^2, shape (N, 2, 2)."""
        j = self.plane_jacobian(points_px, height)
        return j @ self.covariance @ j.transpose(0, 2, 1)

    def turned(self) -> Calibration:
        """The same table with its ends' names exchanged: half a turn about z."""
        half = np.diag([-1.0, -1.0, 1.0])
        camera = replace(self.camera, rotation=self.camera.rotation @ half)
        before, after = camera_parameters(self.camera), camera_parameters(camera)
        jacobian = np.eye(len(PARAMETERS))
        for k, step in ((2, 1e-6), (3, 1e-6), (4, 1e-6)):
            shift = np.zeros(len(PARAMETERS))
            shift[k] = step
            plus = cv2.Rodrigues(before[2:5] + shift[2:5])[0] @ half
            jacobian[2:5, k] = (_near_vector(plus, after[2:5]) - after[2:5]) / step
        order = np.r_[4:8, 0:4]
        return replace(
            self,
            corners_px=np.roll(self.corners_px, 2, axis=0),
            corners_covariance=self.corners_covariance[np.ix_(order, order)],
            homography=half @ self.homography,
            camera=camera,
            covariance=jacobian @ self.covariance @ jacobian.T,
        )

    def camera_samples(self, n_samples: int, rng: np.random.Generator) -> list[Camera]:
        """Draw cameras from the calibration's uncertainty, for what is not nearly linear in it."""
        mean = camera_parameters(self.camera)
        draws = rng.multivariate_normal(mean, self.covariance, size=n_samples, method="eigh")
        return [camera_from_parameters(draw, self.camera) for draw in draws]

    def to_json(self) -> str:
        """Write as JSON: `corners_px` and all else that `from_json` needs; units as above."""
        net = None
        if self.net is not None:
            net = {k: _finite(getattr(self.net, k)) for k in NetCheck.__dataclass_fields__}
        data: dict[str, Any] = {
            "corners_px": self.corners_px.tolist(),
            "corners_covariance_px2": self.corners_covariance.tolist(),
            "corners_order": "(-x,-y), (+x,-y), (+x,+y), (-x,+y); the outer corners of the lines",
            "ends": "the negative-x end is the lower one in the picture, the left one when level",
            "homography": self.homography.tolist(),
            "camera": {
                "width": self.camera.size[0],
                "height": self.camera.size[1],
                "matrix": self.camera.matrix.tolist(),
                "distortion": self.camera.distortion.tolist(),
                "rotation": self.camera.rotation.tolist(),
                "translation_m": self.camera.translation.tolist(),
            },
            "parameters": list(PARAMETERS),
            "covariance": self.covariance.tolist(),
            "focal_source": self.focal_source,
            "residual_px": _finite(self.residual_px),
            "evidence": self.evidence,
            "net": net,
            "warnings": list(self.warnings),
        }
        return json.dumps(data, indent=1, allow_nan=False)

    @staticmethod
    def from_json(text: str) -> Calibration:
        """Read what `to_json` wrote; CalibrationError when it is something else."""
        try:
            data = json.loads(text)
            seen = data["camera"]
            camera = Camera(
                matrix=_array(seen["matrix"], (3, 3)),
                distortion=_array(seen["distortion"], (5,)),
                rotation=_array(seen["rotation"], (3, 3)),
                translation=_array(seen["translation_m"], (3,)),
                size=(int(seen["width"]), int(seen["height"])),
            )
            net = None
            if data["net"] is not None:
                net = NetCheck(**{k: _number(v) for k, v in data["net"].items()})
            return Calibration(
                corners_px=_array(data["corners_px"], (4, 2)),
                corners_covariance=_array(data["corners_covariance_px2"], (8, 8)),
                homography=_array(data["homography"], (3, 3)),
                camera=camera,
                covariance=_parameters_covariance(data["covariance"]),
                focal_source=str(data["focal_source"]),
                residual_px=_number(data["residual_px"]),
                evidence=str(data["evidence"]),
                net=net,
                warnings=tuple(str(w) for w in data["warnings"]),
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise CalibrationError(
                f"this is not a calibration written by this program ({error}); calibrate again"
            ) from error


def camera_parameters(camera: Camera) -> np.ndarray:
    """The ten parameters of a camera, in the order of `PARAMETERS`, shape (10,)."""
    rotation_vector = cv2.Rodrigues(camera.rotation)[0].ravel()
    m = camera.matrix
    return np.concatenate(
        [[m[0, 0], camera.distortion[0]], rotation_vector, camera.translation, m[:2, 2]]
    )


def camera_from_parameters(parameters: np.ndarray, like: Camera) -> Camera:
    """A camera with these ten parameters; its size is that of `like`."""
    f, k1 = float(parameters[0]), float(parameters[1])
    matrix = np.array([[f, 0, parameters[8]], [0, f, parameters[9]], [0, 0, 1.0]])
    return Camera(
        matrix=matrix,
        distortion=np.array([k1, *like.distortion[1:]]),
        rotation=np.asarray(cv2.Rodrigues(np.asarray(parameters[2:5], dtype=float))[0]),
        translation=np.asarray(parameters[5:8], dtype=float),
        size=like.size,
    )


def _parameters_covariance(value: Any) -> np.ndarray:
    """As it was written; before the principal point was fitted, it was taken for certain."""
    array = np.asarray(value, dtype=float)
    if array.shape == (8, 8):
        array = np.pad(array, (0, 2))
    return _array(array, (len(PARAMETERS), len(PARAMETERS)))


def _near_vector(rotation: np.ndarray, near: np.ndarray) -> np.ndarray:
    """Rotation vector of `rotation`, of the two about half a turn the one closer to `near`."""
    vector = cv2.Rodrigues(rotation)[0].ravel()
    angle = float(np.linalg.norm(vector))
    other = vector * (1 - 2 * np.pi / angle) if angle > 1e-9 else vector
    return other if np.linalg.norm(other - near) < np.linalg.norm(vector - near) else vector


def _array(value: Any, shape: tuple[int, ...]) -> np.ndarray:
    array = np.asarray(value, dtype=float)
    if array.shape != shape or not np.isfinite(array).all():
        raise ValueError(f"expected finite numbers of shape {shape}, got shape {array.shape}")
    return array


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)
