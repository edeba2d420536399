"""Two worked cameras with hand-made numbers, in the axes in which they were computed.

Computed with NumPy and checked with OpenCV's findHomography and solvePnP before this code was
written: f 1400 px, 1920 x 1080, principal point (960, 540), no distortion. Their axes: origin at
the server's left-hand corner, x to the right (0 to 1.525 m), y towards the receiver (0 to 2.74 m).
In the project's axes x = y_there - 1.37 and y = 0.7625 - x_there.
"""

from __future__ import annotations

import numpy as np

FOCAL = 1400.0
PRINCIPAL = np.array([960.0, 540.0])
SIZE = (1921, 1081)  # whose image centre ((w - 1) / 2, (h - 1) / 2) is (960, 540)
CORNERS_THERE = np.array([[0, 0], [1.525, 0], [1.525, 2.74], [0, 2.74]])
POINT_THERE = np.array([[0.7625, 2.0]])

CAMERA_A = {  # faces a side squarely: the first focal formula cannot be used
    "centre": (4.2, 1.37, 1.1),
    "corners": np.array(
        [[517.599, 464.956], [294.718, 652.851], [1625.282, 652.851], [1402.401, 464.956]]
    ),
    "point": np.array([[1204.375, 540.000]]),
    "ball": np.array([[1204.788, 532.599]]),
    "shift_mm": 64.7,
    "covariance_mm2": (23.85, 3.50, 38.52),
    "sd_mm": (4.88, 6.21),
}
CAMERA_B = {  # from a corner: both formulas hold
    "centre": (3.2, -1.6, 1.2),
    "corners": np.array(
        [[314.977, 634.853], [759.582, 813.850], [1352.792, 501.499], [981.398, 440.563]]
    ),
    "point": np.array([[1035.362, 511.718]]),
    "ball": np.array([[1035.458, 505.715]]),
    "shift_mm": 73.7,
    "covariance_mm2": (20.73, -25.79, 54.09),
    "sd_mm": (4.55, 7.35),
}


def to_project(points: np.ndarray) -> np.ndarray:
    """From the worked axes to the project's."""
    points = np.asarray(points, dtype=float)
    out = points.copy()
    out[..., 0], out[..., 1] = points[..., 1] - 1.37, 0.7625 - points[..., 0]
    return out


def project_corners(camera: dict) -> np.ndarray:
    """The worked corner px in the project's order (-x,-y), (+x,-y), (+x,+y), (-x,+y)."""
    # there: (0,0) is (-x,+y) here, (1.525,0) is (-x,-y), (1.525,2.74) is (+x,-y), (0,2.74) (+x,+y)
    return camera["corners"][[1, 2, 3, 0]]
