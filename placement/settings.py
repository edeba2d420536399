"""What a user may choose for an analysis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from placement import zones


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Settings:
    """What a user may choose.

    Attributes
    ----------
    corners_px : ndarray, shape (4, 2), optional
        The table's corners in the order of `calibration.table.CORNERS`; found if not given.
    refine : bool
        Whether given corners are refined on the picture.
    near : tuple of float, optional
        A pixel on or near the table in play, where several are in view.
    fov_deg : float, optional
        Horizontal field of view, degrees, for views that do not show the focal length.
    band_m : float
        Half-width of the half-long band about the end line, m.
    readout_s : float
        Time in which the sensor's rows are read, s, whichever way the phone was held; found from
        the paths, as far as they tell it, if 0.
    receiver_hand : str, optional
        "left" or "right"; adds nothing to the classes by thirds.
    slow_motion : float, optional
        By how many times the clip plays slower than it was filmed; found from the file's words and
        the ball's flight if not given.
    """

    corners_px: np.ndarray | None = None
    refine: bool = True
    near: tuple[float, float] | None = None
    fov_deg: float | None = None
    band_m: float = zones.HALF_LONG_BAND
    readout_s: float = 0.0
    receiver_hand: str | None = None
    slow_motion: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Plain values, for a record of what was chosen."""
        return {
            "corners_px": None if self.corners_px is None else np.asarray(self.corners_px).tolist(),
            "refine": self.refine,
            "near": None if self.near is None else list(self.near),
            "fov_deg": self.fov_deg,
            "band_m": self.band_m,
            "readout_s": self.readout_s,
            "receiver_hand": self.receiver_hand,
            "slow_motion": self.slow_motion,
        }
