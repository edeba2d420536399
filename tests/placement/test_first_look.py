"""What the first paths of a film teach of its ball: which way is up on its pictures."""

from __future__ import annotations

import numpy as np
import pytest

from placement.first_look import _zenith
from tests.placement.balls import camera_behind, opencv_pixels


def test_the_way_up_is_told_as_the_surface_of_a_ball_is():
    camera, spot, rise = camera_behind(), np.array([0.4, 0.2, 0.3]), 1e-3
    at, above = opencv_pixels(camera, np.stack([spot, spot + np.array([0, 0, rise])]))
    right, up, front = _zenith(camera, at[None])
    to_camera = (camera.centre - spot) / np.linalg.norm(camera.centre - spot)
    assert front == pytest.approx(to_camera[2], abs=1e-6)
    assert np.linalg.norm([right, up, front]) == pytest.approx(1)
    # what rises moves so in the picture, as far as it is not towards the camera
    moved = (above - at) * np.linalg.norm(camera.centre - spot) / camera.matrix[0, 0] / rise
    assert [right, up] == pytest.approx([moved[0], -moved[1]], abs=0.03)
    assert up > 0.9
