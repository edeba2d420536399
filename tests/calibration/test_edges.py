"""White lines measured to a fraction of a pixel in drawn halls."""

import numpy as np
import pytest

from calibration.camera_fit import lens_prior
from calibration.edges import fit_edges, lay_stations, predict_fit
from calibration.given import calibrate_corners
from calibration.table import CORNERS, EDGE_LINE, HALF_LENGTH, HALF_WIDTH
from tests.calibration.halls import SIZE, grey, hall, plain
from tests.calibration.scene import draw


def test_stations_lie_on_the_middle_of_the_lines():
    scene, _ = hall("behind")
    s = lay_stations(scene.camera)
    x, y = np.abs(s.points[:, 0]), np.abs(s.points[:, 1])
    on_side = np.isclose(y, HALF_WIDTH - EDGE_LINE / 2, rtol=0, atol=1e-12)
    on_end = np.isclose(x, HALF_LENGTH - EDGE_LINE / 2, rtol=0, atol=1e-12)
    assert (on_side | on_end).all()
    assert set(s.line.tolist()) == {0, 1, 2, 3}
    middle = scene.camera.project(np.zeros((1, 3)))[0]
    assert (((middle - s.centre) * s.normal).sum(axis=1) > 0).all()  # inward


def test_a_start_five_pixels_off_ends_at_the_true_corners():
    scene, picture = hall("diagonal")
    rng = np.random.default_rng(1)
    start = calibrate_corners(scene.corners + rng.uniform(-3.5, 3.5, (4, 2)), SIZE, sd_px=3).camera
    fit, evidence = fit_edges(grey(picture), start, lens_prior(SIZE))
    assert np.abs(fit.camera.project(CORNERS) - scene.corners).max() < 0.3
    assert evidence.support.min() > 0.6
    assert fit.camera.distortion[0] == pytest.approx(scene.camera.distortion[0], abs=0.02)


@pytest.mark.parametrize("eye", [(0.2, -4.2, 2.2), (0.3, -4.6, 3.3)])
def test_two_ends_off_by_some_pixels_pull_the_fit_and_are_no_outliers(eye):
    # most of the stations lie on the long sides, which are where the start puts them
    scene = plain(eye=eye)
    start = scene.corners.copy()
    for one, other in ((0, 1), (3, 2)):
        inward = (start[other] - start[one]) / np.hypot(*(start[other] - start[one]))
        start[one] += 7 * inward
        start[other] -= 7 * inward
    camera = calibrate_corners(start, SIZE, sd_px=3).camera
    luma = grey(draw(scene))
    fit, evidence = fit_edges(luma, camera, lens_prior(SIZE), search_px=(9.0, 2.5, 1.0))
    assert np.abs(fit.camera.project(CORNERS) - scene.corners).max() < 0.3
    assert evidence.support.min() > 0.9


def test_predicted_uncertainty_is_that_of_a_measured_fit():
    scene, picture = hall("diagonal")
    fit, evidence = fit_edges(grey(picture), scene.camera, lens_prior(SIZE))
    sd = float(np.median(evidence.sd[np.isfinite(evidence.offset)]))
    predicted = predict_fit(scene.camera, lens_prior(SIZE), sd_px=sd)
    ratio = np.sqrt(np.diag(fit.covariance) / np.diag(predicted.covariance))
    assert (ratio > 0.6).all()
    assert (ratio < 1.7).all()
