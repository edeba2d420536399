"""The error expected before filming, against Monte Carlo through the whole camera fit."""

import numpy as np
import pytest

from calibration.camera_fit import fit_camera, lens_prior
from calibration.edges import CORRELATION, lay_stations
from calibration.result import CalibrationError
from calibration.stand import bounce_px, error_map_of, expected_error, radius_95, stand_camera
from calibration.table import CORNERS


def test_95_percent_radius_of_known_shapes():
    # Rayleigh: sqrt(-2 ln 0.05) = 2.44775; a needle: 1.95996
    assert radius_95(np.diag([1.0, 1.0])) == pytest.approx(2.44775, abs=1e-3)
    assert radius_95(np.diag([1.0, 1e-8])) == pytest.approx(1.95996, abs=2e-3)
    rng = np.random.default_rng(4)
    c = np.array([[4.0, 1.0], [1.0, 1.5]])
    r = np.hypot(*rng.multivariate_normal([0, 0], c, size=200_000).T)
    assert radius_95(c) == pytest.approx(np.percentile(r, 95), rel=0.01)  # 200 000 draws: 0.5 %


def test_expected_error_agrees_with_monte_carlo():
    stand = (-4.0, -0.9, 1.8)
    fps, ball, edge = 60.0, 0.5, 0.3
    expected = expected_error(stand, fps=fps, ball_px=ball, edge_px=edge, grid=(3, 3))
    camera = expected.camera
    prior = lens_prior(camera.size)
    stations = lay_stations(camera)
    rng = np.random.default_rng(8)
    place = np.array([expected.x[2], expected.y[2], 0.02])
    pixel = camera.project(place[None])
    errors = []
    for _ in range(150):
        # CORRELATION stations share one error; a shared error of a line is drawn beside it
        m = len(stations.line)
        block = int(CORRELATION)
        noise = np.repeat(rng.normal(0, edge, m // block + 1), block)[:m]
        noise = noise + rng.normal(0, 0.05, 4)[stations.line]

        def weigh(pixels):
            return (pixels * stations.normal[:, :, None]).sum(axis=1) / edge

        target = weigh(stations.centre[:, :, None])[:, 0] + noise / edge
        # the prior too is drawn: its middle scatters about the true lens
        shifted = lens_prior(camera.size)
        fit = fit_camera(stations.points, weigh, target, camera, shifted, inflate=CORRELATION)
        seen = pixel + rng.normal(0, bounce_px(ball, fps), (1, 2))
        errors.append(fit.camera.cut_plane(seen, 0.02)[0] - place[:2])
    errors = np.array(errors)
    assert prior.sd == 0.2
    found = np.percentile(np.hypot(*errors.T), 95)
    # 150 draws know the 95th percentile to about 8 %; shared line errors are approximated
    assert expected.error_95[2, 2] == pytest.approx(found, rel=0.25)


def test_a_higher_stand_and_more_frames_are_better_and_the_advice_says_so():
    low = expected_error((-3.9, 0.3, 1.3), grid=(5, 3))
    high = expected_error((-3.9, 0.3, 2.1), grid=(5, 3))
    fast = expected_error((-3.9, 0.3, 1.3), fps=240, grid=(5, 3))
    assert high.worst < low.worst
    assert fast.worst < low.worst
    assert "raising the lens" in low.advice
    far = low.error_95[:, -1].max()
    assert far > low.error_95[:, 0].max()  # the far end is worse


def test_whole_table_is_aimed_at_and_out_of_view_is_said():
    camera = stand_camera((-4.0, 1.0, 1.8), size=(1920, 1080), focal_px=1450)
    corners = camera.project(CORNERS)
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    assert np.allclose(middle, [959.5, 539.5], rtol=0, atol=25)
    near = expected_error((-2.0, -1.0, 1.6), grid=(3, 3))
    assert not near.in_view
    assert "out of the picture" in near.advice


def test_map_of_an_existing_calibration():
    from calibration.given import calibrate_corners

    camera = stand_camera((-4.0, 1.0, 1.8), size=(1920, 1080), focal_px=1450)
    sharp = error_map_of(calibrate_corners(camera.project(CORNERS), (1920, 1080), sd_px=0.1))
    crude = error_map_of(calibrate_corners(camera.project(CORNERS), (1920, 1080), sd_px=1.0))
    assert sharp.worst < crude.worst
    assert sharp.error_95.shape == (17, 29)


@pytest.mark.parametrize(
    ("stand", "words"),
    [((-4, 0, 0.7), "above the surface"), ((0.5, 0.2, 2.0), "on the table")],
)
def test_impossible_stands_are_refused(stand, words):
    with pytest.raises(CalibrationError, match=words):
        expected_error(stand)
    with pytest.raises(CalibrationError, match="not both"):
        expected_error((-4, 0, 1.8), fov_deg=60, focal_px=1400)
