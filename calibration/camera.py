"""A camera that sees the table: project 3-D points, cut a pixel's ray with a plane z = h.

Image points are (u, v) in px of the upright frame, u right, v down, pixel centres at integers.
Table points are (x, y, z) in m (see `calibration.table`). The model is OpenCV's: fx, fy, cx, cy and
(k1, k2, p1, p2, k3); a camera point is R @ table point + t.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Camera:
    """Intrinsics and pose of one camera.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
        fx, fy, cx, cy, px.
    distortion : ndarray, shape (5,)
        k1, k2, p1, p2, k3.
    rotation : ndarray, shape (3, 3)
        From table to camera axes.
    translation : ndarray, shape (3,)
        m; the table's origin in camera axes.
    size : tuple of int
        Width and height of the upright frame, px.
    """

    matrix: np.ndarray
    distortion: np.ndarray
    rotation: np.ndarray
    translation: np.ndarray
    size: tuple[int, int]

    @property
    def centre(self) -> np.ndarray:
        """The centre of projection in table coordinates, m, shape (3,)."""
        return -self.rotation.T @ self.translation

    def depths(self, points: np.ndarray) -> np.ndarray:
        """Distance of table points (N, 3) along the optical axis, m, shape (N,)."""
        return np.asarray(points) @ self.rotation[2] + self.translation[2]

    def project(self, points: np.ndarray) -> np.ndarray:
        """Project table points (N, 3), m, to image points (N, 2), px; NaN behind the camera."""
        p = np.asarray(points, dtype=float) @ self.rotation.T + self.translation
        z = np.where(p[..., 2] > 1e-6, p[..., 2], np.nan)
        x, y = p[..., 0] / z, p[..., 1] / z
        k1, k2, p1, p2, k3 = self.distortion
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        m = self.matrix
        return np.stack([m[0, 0] * xd + m[0, 2], m[1, 1] * yd + m[1, 2]], axis=-1)

    def derivatives(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Project table points and tell how their pixels answer to the camera and to their places.

        Parameters
        ----------
        points : ndarray, shape (N, 3)
            m.

        Returns
        -------
        tuple of ndarray, shapes (N, 2), (N, 2, 10) and (N, 2, 3)
            Image points, px; their derivatives by the ten parameters of a fitted camera, in the
            order of `calibration.result.PARAMETERS`; and by the points' coordinates, px per m. NaN
            behind the camera.
        """
        points = np.asarray(points, dtype=float)
        vector = cv2.Rodrigues(self.rotation)[0]
        pixels, by_parameters = project_with_slopes(
            points, vector, self.translation, self.matrix, self.distortion
        )
        # a camera point is R @ table point + t: by the place it is R times that by t
        return pixels, by_parameters, by_parameters[:, :, 5:8] @ self.rotation

    def normalised(self, points_px: np.ndarray) -> np.ndarray:
        """Undistorted image points on the plane at distance 1, shape (N, 2)."""
        points = np.asarray(points_px, dtype=float).reshape(-1, 1, 2)
        if not len(points):
            return np.empty((0, 2))
        criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 1e-12)
        out = cv2.undistortPoints(
            points, self.matrix, self.distortion, R=np.eye(3), P=np.eye(3), criteria=criteria
        )
        return np.asarray(out).reshape(-1, 2)

    def rays(self, points_px: np.ndarray) -> np.ndarray:
        """Directions in table axes of the rays through image points (N, 2), shape (N, 3)."""
        n = self.normalised(points_px)
        return np.column_stack([n, np.ones(len(n))]) @ self.rotation

    def row_shares(self, points_px: np.ndarray) -> np.ndarray:
        """Where image points (N, 2) lie among the sensor's rows, -0.5 to 0.5 from edge to edge.

        A sensor's rows run along its longer side, whichever way up a phone was held: a picture
        higher than wide is read from side to side.
        """
        across = int(self.size[0] >= self.size[1])
        return np.asarray(points_px)[:, across] / self.size[across] - 0.5

    def cut_plane(self, points_px: np.ndarray, height: float = 0.0) -> np.ndarray:
        """Cut the rays through image points (N, 2) with the plane z = `height`, m.

        Returns
        -------
        ndarray, shape (N, 2)
            (x, y), m; NaN where the ray does not meet the plane in front of the camera.
        """
        rays = self.rays(points_px)
        centre = self.centre
        with np.errstate(divide="ignore", invalid="ignore"):
            s = (height - centre[2]) / rays[:, 2]
        s = np.where(np.isfinite(s) & (s > 0), s, np.nan)
        return centre[:2] + s[:, None] * rays[:, :2]


def project_with_slopes(
    points: np.ndarray,
    vector: np.ndarray,
    translation: np.ndarray,
    matrix: np.ndarray,
    distortion: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Project table points and derive by (f, k1, rotation, translation, cx, cy), as OpenCV does.

    Parameters
    ----------
    points : ndarray, shape (N, 3)
        m.
    vector, translation : ndarray, shape (3,)
        Rotation vector, rad, and translation, m.
    matrix, distortion : ndarray, shapes (3, 3) and (5,)
        See `Camera`.

    Returns
    -------
    tuple of ndarray, shapes (N, 2) and (N, 2, 10)
        Image points, px, and their derivatives; NaN behind the camera.
    """
    if not len(points):
        return np.empty((0, 2)), np.empty((0, 2, 10))
    pixels, slopes = cv2.projectPoints(
        np.ascontiguousarray(points), vector, translation, matrix, distortion
    )
    pixels = np.asarray(pixels).reshape(-1, 2)
    # by rotation, translation, fx, fy, cx, cy, k1, ...
    slopes = np.asarray(slopes).reshape(len(points), 2, -1)
    by_parameters = np.concatenate(
        [
            slopes[:, :, 6:7] + slopes[:, :, 7:8],
            slopes[:, :, 10:11],
            slopes[:, :, :6],
            slopes[:, :, 8:10],
        ],
        axis=2,
    )
    depth = points @ cv2.Rodrigues(vector)[0][2] + np.ravel(translation)[2]
    behind = ~(depth > 1e-6)
    if behind.any():
        pixels[behind], by_parameters[behind] = np.nan, np.nan
    return pixels, by_parameters
