"""The camera model against OpenCV, and project-then-cut as the identity."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.calibration.scene import look_at
from tests.calibration.worked import CAMERA_A, CAMERA_B, FOCAL, SIZE, to_project

cameras = st.builds(
    lambda x, y, z, f, k1, roll: look_at(
        np.array([x, y, z]), np.array([0.1, -0.1, 0.0]), f, (1920, 1080), k1=k1, roll_deg=roll
    ),
    st.floats(-5, -3), st.floats(-2, 2), st.floats(0.5, 3), st.floats(1000, 2000),
    st.floats(-0.04, 0.04), st.floats(-5, 5),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(cameras, st.floats(-1.37, 1.37), st.floats(-0.7625, 0.7625), st.floats(0, 0.3))
def test_project_then_cut_the_plane_is_the_identity(camera, x, y, z):
    pixel = camera.project(np.array([[x, y, z]]))
    assert np.allclose(camera.cut_plane(pixel, z), [[x, y]], rtol=0, atol=1e-6)  # 1 µm


@settings(max_examples=30, deadline=None)
@given(cameras)
def test_projection_is_opencvs(camera):
    rng = np.random.default_rng(3)
    points = np.column_stack(
        [rng.uniform(-1.4, 1.4, 20), rng.uniform(-0.8, 0.8, 20), rng.uniform(0, 0.5, 20)]
    )
    expected, _ = cv2.projectPoints(  # OpenCV 5
        points, cv2.Rodrigues(camera.rotation)[0], camera.translation, camera.matrix,
        camera.distortion,
    )  # fmt: skip
    assert np.allclose(camera.project(points), expected[:, 0], rtol=0, atol=1e-6)


@pytest.mark.parametrize("worked", [CAMERA_A, CAMERA_B])
def test_ball_centre_is_cut_where_it_was_and_not_where_the_surface_would_put_it(worked):
    aim = {4.2: (0.7625, 1.37, 0.0), 3.2: (0.7625, 1.6, 0.0)}[worked["centre"][0]]
    camera = look_at(to_project(np.array(worked["centre"])), to_project(np.array(aim)), FOCAL, SIZE)
    place = to_project(np.array([[0.7625, 2.0]]))
    assert np.allclose(camera.project(np.append(place, 0.02)[None]), worked["ball"], atol=1e-3)
    naive = camera.cut_plane(worked["ball"], 0.0)
    shift = 1e3 * np.hypot(*(naive - place)[0])
    assert shift == pytest.approx(worked["shift_mm"], abs=0.1)  # D h / (H - h), worked by hand
    right = camera.cut_plane(worked["ball"], 0.020)
    assert 1e3 * np.hypot(*(right - place)[0]) < 0.1


def test_parallax_rule():
    # D h / (H - h): 2 m × 20 mm / (840 - 20) mm = 48.8 mm
    camera = look_at(np.array([-2.0, 0, 0.84]), np.array([0.0, 0, 0]), 1400, (1920, 1080))
    pixel = camera.project(np.array([[0.0, 0.0, 0.02]]))
    assert 1e3 * camera.cut_plane(pixel, 0.0)[0, 0] == pytest.approx(48.8, abs=0.1)


def test_a_ray_above_the_horizon_never_lands_and_behind_is_not_seen():
    camera = look_at(np.array([-4.0, 0, 1.0]), np.array([0.0, 0, 1.0]), 1400, (1920, 1080))
    assert np.isnan(camera.cut_plane(np.array([[960.0, 100.0]]), 0.0)).all()
    assert np.isnan(camera.project(np.array([[-6.0, 0, 1.0]]))).all()
