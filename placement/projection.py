"""Where points are seen in the picture, and how that moves with them."""

from __future__ import annotations

import numpy as np

from calibration.camera import Camera


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
    p = points @ camera.rotation.T
    p += camera.translation
    z = p[:, 2]
    if not (z > 1e-6).all():
        z = np.where(z > 1e-6, z, np.nan)
    inverse = 1 / z
    x, y = p[:, 0] * inverse, p[:, 1] * inverse
    k1, k2, p1, p2, k3 = camera.distortion.tolist()
    fx, fy = float(camera.matrix[0, 0]), float(camera.matrix[1, 1])
    seen = np.empty((len(p), 2))
    xx, yy, xy = x * x, y * y, x * y
    r2 = xx + yy
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    seen[:, 0] = fx * (x * radial + (2 * p1) * xy + p2 * (r2 + 2 * xx)) + camera.matrix[0, 2]
    seen[:, 1] = fy * (y * radial + p1 * (r2 + 2 * yy) + (2 * p2) * xy) + camera.matrix[1, 2]
    growth = 2 * (k1 + r2 * (2 * k2 + (3 * k3) * r2))
    mixed = (growth * xy + (2 * p1) * x + (2 * p2) * y) * inverse
    inner = np.empty((len(p), 2, 3))
    inner[:, 0, 0] = fx * ((radial + growth * xx + (2 * p1) * y + (6 * p2) * x) * inverse)
    inner[:, 0, 1] = fx * mixed
    inner[:, 1, 0] = fy * mixed
    inner[:, 1, 1] = fy * ((radial + growth * yy + (6 * p1) * y + (2 * p2) * x) * inverse)
    inner[:, :, 2] = inner[:, :, 0] * -x[:, None] - inner[:, :, 1] * y[:, None]
    if whiten is not None:
        inner[:, 1] *= whiten[:, 1, 1:]
        inner[:, 1] += whiten[:, 1, :1] * inner[:, 0]
        inner[:, 0] *= whiten[:, 0, :1]
    return seen, (inner.reshape(-1, 3) @ camera.rotation).reshape(-1, 2, 3)
