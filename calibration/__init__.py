"""Where the table is: find it in a still, fit the camera to it, watch that neither moves.

Everything that the rest of the project may use is exported here.
"""

from calibration.camera import Camera
from calibration.camera_fit import field_to_focal, focal_from_rectangle, focal_to_field
from calibration.check import check_net
from calibration.corners import detect_table, refine_corners
from calibration.given import calibrate_corners, check_corners, order_ends
from calibration.plane import (
    apply_homography,
    fit_homography,
    homography_covariance,
    point_covariance,
)
from calibration.result import PARAMETERS, Calibration, CalibrationError, NetCheck

__all__ = [
    "PARAMETERS",
    "Calibration",
    "CalibrationError",
    "Camera",
    "NetCheck",
    "apply_homography",
    "calibrate_corners",
    "check_corners",
    "check_net",
    "detect_table",
    "field_to_focal",
    "fit_homography",
    "focal_from_rectangle",
    "focal_to_field",
    "homography_covariance",
    "order_ends",
    "point_covariance",
    "refine_corners",
]
