"""Profiles across lines, on drawn strips."""

import cv2
import numpy as np
import pytest
from scipy.special import ndtr

from calibration.edges import lay_stations
from calibration.profiles import PROFILE_STEP, fit_profiles, sample_profiles
from tests.calibration.halls import grey, hall


@pytest.mark.parametrize("width", [1.0, 2.0, 4.0, 7.0])
@pytest.mark.parametrize("shift", [-0.4, 0.0, 0.3])
def test_a_blurred_line_is_placed_within_a_twentieth_of_a_pixel(width, shift):
    # drawn at 20 samples a px, blurred by 0.8 px, so independent of the fitted error functions
    fine = np.arange(-20, 20, 0.05)
    ideal = np.where(np.abs(fine - shift) < width / 2, 230.0, np.where(fine < shift, 120.0, 40.0))
    blurred = cv2.GaussianBlur(ideal[None].astype(np.float32), (0, 0), 0.8 / 0.05)[0]
    offsets = np.arange(-10, 10 + PROFILE_STEP, PROFILE_STEP)
    profile = np.interp(offsets, fine, blurred)[None]
    found, _, _, levels = fit_profiles(profile, offsets, np.array([width]), 0.8, n_steps=6)
    assert found[0] == pytest.approx(shift, abs=0.05)
    if width > 2:
        assert levels[0] == pytest.approx([120, 230, 40], abs=4)  # grey levels


def test_many_blurs_at_once_find_what_was_put_in():
    # three levels joined by two normal distributions, by SciPy's
    offsets = np.arange(-10, 10 + PROFILE_STEP, PROFILE_STEP)
    shift, width = np.array([-0.4, 0.1, 0.35]), np.array([3.0, 5.0, 8.0])
    blur, true = np.array([0.6, 0.9, 1.4]), np.array([120.0, 230.0, 40.0])
    s = offsets - shift[:, None]
    first = ndtr((s + width[:, None] / 2) / blur[:, None])
    second = ndtr((s - width[:, None] / 2) / blur[:, None])
    profiles = true[0] * (1 - first) + true[1] * (first - second) + true[2] * second
    found, _, rms, levels = fit_profiles(profiles, offsets, width, blur, n_steps=8)
    assert np.allclose(found, shift, rtol=0, atol=2e-4)  # px
    assert np.allclose(levels, true, rtol=0, atol=0.02)  # grey levels
    assert rms.max() < 0.02


def test_grey_levels_are_the_same_from_whole_numbers_and_from_floats():
    scene, picture = hall("behind")
    s = lay_stations(scene.camera)
    offsets = np.arange(-6, 6.1, PROFILE_STEP)
    whole = sample_profiles(grey(picture), s, offsets)
    assert np.array_equal(
        whole, sample_profiles(grey(picture).astype(np.float32), s, offsets), equal_nan=True
    )


def test_profiles_outside_the_picture_are_nan():
    scene, picture = hall("behind")
    s = lay_stations(scene.camera)
    values = sample_profiles(grey(picture).astype(np.float32), s, np.array([-5000.0, 0.0]))
    assert np.isnan(values[:, 0]).all()
    assert np.isfinite(values[:, 1]).all()
