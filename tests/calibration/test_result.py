"""A calibration: carried to and from JSON, turned round, and its covariance pushed to the table."""

import json

import numpy as np
import pytest

from calibration.given import calibrate_corners
from calibration.result import Calibration, CalibrationError, camera_parameters
from calibration.table import CORNERS
from tests.calibration.scene import look_at

CAMERA = look_at(np.array([-4.0, -0.9, 1.15]), np.array([0.0, 0, 0]), 1480, (1920, 1080), k1=-0.02)
FOUND = calibrate_corners(CAMERA.project(CORNERS), (1920, 1080), sd_px=0.3)
PIXELS = np.array([[900.0, 560.0], [1000.0, 620.0]])


def test_json_holds_the_corners_and_returns_the_same_calibration():
    text = FOUND.to_json()
    assert np.allclose(json.loads(text)["corners_px"], FOUND.corners_px, rtol=0, atol=1e-9)
    back = Calibration.from_json(text)
    for name in ("corners_px", "corners_covariance", "homography", "covariance"):
        assert np.allclose(getattr(back, name), getattr(FOUND, name), rtol=0, atol=1e-12)
    assert np.allclose(
        camera_parameters(back.camera), camera_parameters(FOUND.camera), rtol=0, atol=1e-9
    )
    assert (back.focal_source, back.evidence, back.net) == ("table", "corners", None)


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"camera": 3}', FOUND.to_json()[:-30]])
def test_other_text_is_refused(text):
    with pytest.raises(CalibrationError, match="not a calibration"):
        Calibration.from_json(text)


def test_homography_and_camera_agree_on_the_surface():
    undistorted = FOUND.camera.normalised(PIXELS) @ FOUND.camera.matrix[:2, :2].T
    undistorted += FOUND.camera.matrix[:2, 2]
    row = np.column_stack([undistorted, np.ones(2)]) @ FOUND.homography.T
    assert np.allclose(row[:, :2] / row[:, 2:], FOUND.ball_on_plane(PIXELS, 0), rtol=0, atol=1e-9)


def test_plane_covariance_is_the_scatter_of_sampled_cameras():
    samples = FOUND.camera_samples(3000, np.random.default_rng(2))
    places = np.array([c.cut_plane(PIXELS, 0.02) for c in samples])
    stated = FOUND.plane_covariance(PIXELS, 0.02)
    for k in range(2):
        # 3000 draws know an sd to 1.3 %
        assert np.allclose(places[:, k].std(axis=0), np.sqrt(np.diag(stated[k])), rtol=0.06, atol=0)


def test_turning_the_ends_turns_places_by_half_a_turn():
    turned = FOUND.turned()
    assert np.allclose(turned.corners_px, np.roll(FOUND.corners_px, 2, axis=0), rtol=0, atol=1e-9)
    assert np.allclose(turned.camera.project(CORNERS), turned.corners_px, rtol=0, atol=1e-9)
    assert np.allclose(
        turned.ball_on_plane(PIXELS, 0.02), -FOUND.ball_on_plane(PIXELS, 0.02), rtol=0, atol=1e-9
    )
    assert np.allclose(
        turned.plane_covariance(PIXELS, 0.02), FOUND.plane_covariance(PIXELS, 0.02),
        rtol=0, atol=1e-9,
    )  # fmt: skip
