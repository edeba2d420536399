"""Small formulas of a phone's lens and shutter: field of view, blur, rows read one after another.

Lengths on the sensor are px, in the hall m; times are s.
"""

from __future__ import annotations

import numpy as np

from calibration.result import CalibrationError

FULL_FRAME_WIDTH = 0.036  # m, of the 36 x 24 mm frame that "35 mm equivalent" refers to


def field_to_focal(fov_deg: float, width: int) -> float:
    """Focal length, px, of a horizontal field of view, degrees, across `width` px."""
    if not 1 <= fov_deg <= 175:
        raise CalibrationError(
            f"the field of view must lie between 1 and 175 degrees, got {fov_deg:g}"
        )
    return width / 2 / float(np.tan(np.radians(fov_deg) / 2))


def focal_to_field(focal_px: float, width: int) -> float:
    """Horizontal field of view, degrees, of a focal length in px across `width` px."""
    return float(np.degrees(2 * np.arctan(width / 2 / focal_px)))


def equivalent_to_field(equivalent_mm: float) -> float:
    """Horizontal field of view, degrees, of a "35 mm equivalent" focal length, mm."""
    if not 3 <= equivalent_mm <= 2000:
        raise CalibrationError(
            f"a 35 mm equivalent focal length lies between 3 and 2000 mm, got {equivalent_mm:g}"
        )
    return float(np.degrees(2 * np.arctan(FULL_FRAME_WIDTH / 2 / (equivalent_mm * 1e-3))))


def blur_length(speed: float, exposure: float, focal_px: float, distance: float) -> float:
    """Length, px, of the streak of a thing that crosses the view at `speed`, m/s.

    Parameters
    ----------
    speed : float
        m/s, across the line of sight.
    exposure : float
        s.
    focal_px : float
        px.
    distance : float
        Along the optical axis, m.
    """
    return speed * exposure * focal_px / distance


def row_delay(row: float, height: int, readout: float) -> float:
    """How much later than the first row, s, a rolling shutter reads `row` of `height`."""
    return readout * row / height
