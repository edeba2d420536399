"""Pictures of a ball that bounces while the shutter is open: drawn out along two ways at once.

A picture's centre is taken for where the ball was in the middle of the exposure. If it bounced
shortly before or after that, part of the exposure shows it on the other side of the bounce, and the
picture's centre, the mean of the way, lies off the flight on either side of it: with a shutter of
1/70 s by more than a pixel.
"""

from __future__ import annotations

import numpy as np

from calibration.camera import Camera
from placement.trajectory import Path

_BESIDE = 1e-5  # s from a bounce, for the velocities on its sides
_STEP = 5e-4  # s, for speeds in the picture
_UNSURE = 0.6  # times the mean's shift, what a picture may be off by along u and v


def bent_by(
    camera: Camera, path: Path, times: np.ndarray, exposure_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """How far bounces move the pictures' centres off the flight, about, and the spread of that.

    With the ball's velocity changed by dv at a bounce, an exposure e whose middle is d from it
    shows the ball beyond the bounce for e / 2 - d, and dv times half the square of that, over e, is
    what it adds to the mean. The centre of a straight picture fitted to it lies at that mean, if
    the exposure shows all of the way (0.97 of it by balls drawn so); rendered films that show few
    moments of it had about half. So half is told, and the spread holds both.

    Parameters
    ----------
    camera : Camera
    path : Path
    times : ndarray, shape (N,)
        Middles of the exposures, s.
    exposure_s : float

    Returns
    -------
    shift : ndarray, shape (N, 2)
        px, half of the mean of the picture less the place at its middle.
    covariance : ndarray, shape (N, 2, 2)
        px^2.
    """
    mean = np.zeros((len(times), 2))
    for bounce in path.bounce_times:
        beyond = np.maximum(exposure_s / 2 - np.abs(times - bounce), 0.0)
        if not beyond.any():
            continue
        beside = bounce + np.array([-_BESIDE, _BESIDE])
        place, speeds = path.positions(beside), path.velocities(beside)
        ends = camera.project(place.mean(axis=0) + _STEP * speeds)
        change = (ends[1] - ends[0]) / _STEP
        if np.isfinite(change).all():
            mean += beyond[:, None] ** 2 / (2 * exposure_s) * change
    variance = _UNSURE**2 * np.sum(mean**2, axis=1)
    return mean / 2, variance[:, None, None] * np.eye(2)
