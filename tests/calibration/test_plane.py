"""Homography against OpenCV, worked cameras and Monte Carlo."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.plane import (
    apply_homography,
    fit_homography,
    homography_covariance,
    homography_slopes,
    point_covariance,
)
from tests.calibration.worked import CAMERA_A, CAMERA_B, CORNERS_THERE, POINT_THERE

WORKED = [pytest.param(CAMERA_A, id="A"), pytest.param(CAMERA_B, id="B")]


@pytest.mark.parametrize("camera", WORKED)
def test_worked_corners_and_an_interior_point_map_to_the_table(camera):
    h = fit_homography(camera["corners"], CORNERS_THERE)
    # px are given to three decimals: 1e-5 m at the corners
    assert np.allclose(apply_homography(h, camera["corners"]), CORNERS_THERE, rtol=0, atol=1e-5)
    assert np.allclose(apply_homography(h, camera["point"]), POINT_THERE, rtol=0, atol=1e-4)


@pytest.mark.parametrize("camera", WORKED)
def test_homography_is_opencvs(camera):
    ours = fit_homography(camera["corners"], CORNERS_THERE)
    theirs, _ = cv2.findHomography(camera["corners"], CORNERS_THERE)  # OpenCV 5, plain DLT
    points = np.array([[700.0, 560.0], [1000.0, 520.0]])
    expected = cv2.perspectiveTransform(points[None], theirs)[0]
    # OpenCV stops its own refinement at about 1e-7 m here
    assert np.allclose(apply_homography(ours, points), expected, rtol=0, atol=1e-6)


@pytest.mark.parametrize("camera", WORKED)
def test_covariance_from_one_pixel_of_corner_noise(camera):
    h = fit_homography(camera["corners"], CORNERS_THERE)
    s = homography_covariance(camera["corners"], CORNERS_THERE, np.eye(8))
    c = point_covariance(h, camera["point"], homography_covariance=s)[0] * 1e6  # mm^2
    # worked by the first-order formula of Criminisi, Reid and Zisserman (1999); two decimals
    assert np.allclose([c[0, 0], c[0, 1], c[1, 1]], camera["covariance_mm2"], rtol=0, atol=0.02)


@pytest.mark.parametrize("camera", WORKED)
def test_covariance_agrees_with_monte_carlo(camera):
    rng = np.random.default_rng(5)
    found = np.array(
        [
            apply_homography(
                fit_homography(camera["corners"] + rng.normal(0, 1, (4, 2)), CORNERS_THERE),
                camera["point"],
            )[0]
            for _ in range(2000)
        ]
    )
    sd = 1e3 * found.std(axis=0)
    # 2000 draws know an sd to 1.6 %; first order adds a little: 5 % as the worked example states
    assert np.allclose(sd, camera["sd_mm"], rtol=0.05, atol=0)


@pytest.mark.parametrize("camera", WORKED)
def test_own_noise_of_a_point_maps_as_a_finite_difference_does(camera):
    h = fit_homography(camera["corners"], CORNERS_THERE)
    p = camera["point"]
    j = np.column_stack(
        [
            (apply_homography(h, p + d) - apply_homography(h, p - d))[0] / 2e-3
            for d in (np.array([1e-3, 0]), np.array([0, 1e-3]))
        ]
    )
    c = point_covariance(h, p, point_covariances=np.diag([0.25, 0.04]))[0]
    assert np.allclose(c, j @ np.diag([0.25, 0.04]) @ j.T, rtol=0, atol=1e-10)


coordinate = st.floats(-2.0, 2.0)


@settings(max_examples=60, deadline=None)
@given(x=coordinate, y=st.floats(-1.2, 1.2), camera=st.sampled_from([CAMERA_A, CAMERA_B]))
def test_table_to_image_to_table_returns_the_point(x, y, camera):
    forward = fit_homography(CORNERS_THERE, camera["corners"])
    back = fit_homography(camera["corners"], CORNERS_THERE)
    p = np.array([[x, y]])
    image = apply_homography(forward, p)
    if np.isfinite(image).all() and np.abs(image).max() < 1e5:
        assert np.allclose(apply_homography(back, image), p, rtol=0, atol=1e-6)


def test_nan_in_is_nan_out_and_the_horizon_is_nan():
    h = np.array([[1.0, 0, 0], [0, 1, 0], [0, 1, -5]])
    out = apply_homography(h, np.array([[np.nan, 1], [3, 5], [3, 6]]))
    assert np.isnan(out[:2]).all()
    assert np.allclose(out[2], [3, 6], rtol=0, atol=1e-12)


@pytest.mark.parametrize(
    ("source", "words"),
    [
        (np.zeros((3, 2)), "four or more"),
        (np.array([[0.0, 0], [1, 1], [2, 2], [0, 5]]), "one line"),
        (np.ones((4, 2)), "coincide"),
        (np.array([[0.0, 0], [1, np.nan], [2, 2], [0, 5]]), "finite"),
    ],
)
def test_points_that_fix_nothing_are_refused(source, words):
    with pytest.raises(ValueError, match=words):
        fit_homography(source, CORNERS_THERE[: len(source)].astype(float))


def test_wrong_shape_is_refused():
    with pytest.raises(ValueError, match=r"shape \(N, 2\)"):
        apply_homography(np.eye(3), np.zeros(2))


@pytest.mark.parametrize("camera", WORKED)
def test_slopes_are_the_limits_of_differences(camera):
    corners = np.asarray(camera["corners"], dtype=float)
    h = fit_homography(CORNERS_THERE, corners)
    slopes = homography_slopes(h, CORNERS_THERE, corners)
    for k, way in enumerate(1e-3 * np.eye(8).reshape(8, 4, 2)):
        plus, minus = (fit_homography(CORNERS_THERE, corners + sign * way) for sign in (1, -1))
        by_k = (plus - minus).ravel() / 2e-3
        assert np.allclose(slopes[:, k], by_k, rtol=1e-4, atol=1e-5 * np.abs(by_k).max())
