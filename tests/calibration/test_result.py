"""A calibration: carried to and from JSON, turned round, and its covariance pushed to the table."""

import json

import numpy as np
import pytest

from calibration.given import calibrate_corners
from calibration.result import (
    Calibration,
    CalibrationError,
    camera_from_parameters,
    camera_parameters,
)
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


def test_derivatives_are_the_limits_of_differences():
    # of projections and of cut rays, which are computed without the derivatives
    parameters = camera_parameters(FOUND.camera)
    _, by_camera, by_place = FOUND.camera.derivatives(CORNERS)
    on_plane, by_pixel = FOUND.plane_slopes(PIXELS, 0.02)
    steps = np.array([1e-2, 1e-5, *[1e-6] * 6, 1e-2, 1e-2])
    for k, shift in enumerate(np.diag(steps)):
        plus, minus = (
            camera_from_parameters(parameters + way * shift, FOUND.camera) for way in (1, -1)
        )
        by_k = (plus.project(CORNERS) - minus.project(CORNERS)) / (2 * steps[k])
        assert np.allclose(by_camera[:, :, k], by_k, rtol=1e-5, atol=1e-5 * np.abs(by_k).max())
        by_k = (plus.cut_plane(PIXELS, 0.02) - minus.cut_plane(PIXELS, 0.02)) / (2 * steps[k])
        assert np.allclose(on_plane[:, :, k], by_k, rtol=1e-5, atol=1e-5 * np.abs(by_k).max())
    for k, way in enumerate(1e-5 * np.eye(3)):
        by_k = (FOUND.camera.project(CORNERS + way) - FOUND.camera.project(CORNERS - way)) / 2e-5
        assert np.allclose(by_place[:, :, k], by_k, rtol=1e-5, atol=1e-3)
    for k, way in enumerate(1e-2 * np.eye(2)):
        by_k = FOUND.ball_on_plane(PIXELS + way, 0.02) - FOUND.ball_on_plane(PIXELS - way, 0.02)
        assert np.allclose(by_pixel[:, :, k], by_k / 2e-2, rtol=1e-5, atol=1e-8)


def test_behind_the_camera_there_is_no_pixel_and_no_derivative():
    behind = (2 * CAMERA.centre - CORNERS[0])[None]
    assert all(np.isnan(part).all() for part in CAMERA.derivatives(behind))


def test_plane_covariance_is_the_scatter_of_sampled_cameras():
    samples = FOUND.camera_samples(3000, np.random.default_rng(2))
    places = np.array([c.cut_plane(PIXELS, 0.02) for c in samples])
    stated = FOUND.plane_covariance(PIXELS, 0.02)
    for k in range(2):
        # 3000 draws know an sd to 1.3 %
        assert np.allclose(places[:, k].std(axis=0), np.sqrt(np.diag(stated[k])), rtol=0.06, atol=0)


def test_a_calibration_from_before_the_principal_point_was_fitted_is_read():
    written = json.loads(FOUND.to_json())
    written["covariance"] = np.array(written["covariance"])[:8, :8].tolist()
    read = Calibration.from_json(json.dumps(written))
    assert np.allclose(read.covariance[:8, :8], FOUND.covariance[:8, :8], rtol=1e-12)
    assert not read.covariance[8:].any()
    written["covariance"] = np.eye(9).tolist()
    with pytest.raises(CalibrationError, match="not a calibration"):
        Calibration.from_json(json.dumps(written))


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
