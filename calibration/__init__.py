"""Where the table is: find it in a still, fit the camera to it, watch that neither moves.

Everything that the rest of the project may use is exported here; `calibration.table` holds the
regulation's numbers and is imported by its name.
"""

from calibration import table
from calibration.camera import Camera
from calibration.camera_fit import FocalFormulas, LensPrior, focal_from_rectangle, same_lens
from calibration.check import check_net
from calibration.corners import detect_table, refine_corners
from calibration.drift import StandEvent, StandWatch
from calibration.given import calibrate_corners, check_corners, order_ends
from calibration.lens import (
    blur_length,
    equivalent_to_field,
    field_to_focal,
    focal_to_field,
    row_delay,
)
from calibration.plane import (
    apply_homography,
    fit_homography,
    homography_covariance,
    point_covariance,
)
from calibration.result import PARAMETERS, Calibration, CalibrationError, NetCheck
from calibration.stand import ExpectedError, error_map_of, expected_error, radius_95, stand_camera
from calibration.stills import median_still

__all__ = [
    "PARAMETERS",
    "Calibration",
    "CalibrationError",
    "Camera",
    "ExpectedError",
    "FocalFormulas",
    "LensPrior",
    "NetCheck",
    "StandEvent",
    "StandWatch",
    "apply_homography",
    "blur_length",
    "calibrate_corners",
    "check_corners",
    "check_net",
    "detect_table",
    "equivalent_to_field",
    "error_map_of",
    "expected_error",
    "field_to_focal",
    "fit_homography",
    "focal_from_rectangle",
    "focal_to_field",
    "homography_covariance",
    "median_still",
    "order_ends",
    "point_covariance",
    "radius_95",
    "refine_corners",
    "row_delay",
    "same_lens",
    "stand_camera",
    "table",
]
