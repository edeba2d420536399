"""Where points are seen in the picture, and how that moves with them."""

from __future__ import annotations

import numpy as np

from calibration.camera import Camera
from placement.compiled import compiled, inlined


def project_with_slopes(
    camera: Camera, points: np.ndarray, whiten: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Image points (N, 2) of table points (N, 3), and their derivatives (N, 2, 3).

    The same model as `Camera.project`: NaN behind the camera.

    Parameters
    ----------
    camera : Camera
    points : ndarray, shape (N, 3)
    whiten : ndarray, shape (N, 2, 2), optional
        Lower triangular matrices to multiply the derivatives with.
    """
    points = np.ascontiguousarray(points, dtype=float)
    seen, slopes = np.empty((len(points), 2)), np.empty((len(points), 2, 3))
    _project(points, packed(camera), seen, slopes)
    if whiten is not None:
        slopes[:, 1] *= whiten[:, 1, 1:]
        slopes[:, 1] += whiten[:, 1, :1] * slopes[:, 0]
        slopes[:, 0] *= whiten[:, 0, :1]
    return seen, slopes


def packed(camera: Camera) -> np.ndarray:
    """A camera's numbers in a row, shape (21,): fx, fy, cx, cy; k1, k2, p1, p2, k3; R; t."""
    m = camera.matrix
    return np.concatenate(
        [
            (m[0, 0], m[1, 1], m[0, 2], m[1, 2]),
            camera.distortion,
            camera.rotation.ravel(),
            camera.translation,
        ]
    )


@inlined
def _turned(x: float, y: float, z: float, c: np.ndarray) -> tuple[float, float, float]:
    """Coordinates in a camera's axes over the distance, and its inverse; NaN behind it."""
    far = c[15] * x + c[16] * y + c[17] * z + c[20]
    inverse = 1 / far if far > 1e-6 else np.nan
    return (
        (c[9] * x + c[10] * y + c[11] * z + c[18]) * inverse,
        (c[12] * x + c[13] * y + c[14] * z + c[19]) * inverse,
        inverse,
    )


@inlined
def _bent(x: float, y: float, c: np.ndarray) -> tuple[float, float, float, float]:
    """Image point of coordinates over the distance, the radial factor, and how that grows."""
    r2 = x * x + y * y
    k1, k2, p1, p2, k3 = c[4], c[5], c[6], c[7], c[8]
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    u = c[0] * (x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)) + c[2]
    v = c[1] * (y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y) + c[3]
    return u, v, radial, 2 * (k1 + r2 * (2 * k2 + 3 * k3 * r2))


@inlined
def seen_at(x: float, y: float, z: float, camera: np.ndarray) -> tuple[float, float]:
    """Image point of a table point by a `packed` camera; NaN behind it."""
    right, down, _ = _turned(x, y, z, camera)
    u, v, _, _ = _bent(right, down, camera)
    return u, v


@compiled
def _project(points: np.ndarray, camera: np.ndarray, seen: np.ndarray, slopes: np.ndarray) -> None:
    c = camera
    fx, fy, p1, p2 = c[0], c[1], c[6], c[7]
    for i in range(len(points)):
        x, y, inverse = _turned(points[i, 0], points[i, 1], points[i, 2], c)
        seen[i, 0], seen[i, 1], radial, growth = _bent(x, y, c)
        mixed = (growth * x * y + 2 * p1 * x + 2 * p2 * y) * inverse
        ux = fx * (radial + growth * x * x + 2 * p1 * y + 6 * p2 * x) * inverse
        vy = fy * (radial + growth * y * y + 6 * p1 * y + 2 * p2 * x) * inverse
        uy, vx = fx * mixed, fy * mixed
        uz, vz = -ux * x - uy * y, -vx * x - vy * y
        for j in range(3):
            slopes[i, 0, j] = ux * c[9 + j] + uy * c[12 + j] + uz * c[15 + j]
            slopes[i, 1, j] = vx * c[9 + j] + vy * c[12 + j] + vz * c[15 + j]
