"""Worked figures of phone lenses and shutters."""

import pytest

from calibration.lens import (
    blur_length,
    equivalent_to_field,
    field_to_focal,
    focal_to_field,
    row_delay,
)
from calibration.result import CalibrationError


def test_a_26_mm_equivalent_lens():
    # 2 atan(18 / 26) = 69.39 degrees; f = 960 / tan(34.695 deg) = 1386.7 px across 1920
    assert equivalent_to_field(26) == pytest.approx(69.39, abs=0.01)
    assert field_to_focal(equivalent_to_field(26), 1920) == pytest.approx(1386.7, abs=0.05)
    assert focal_to_field(1386.67, 1920) == pytest.approx(69.39, abs=0.01)


def test_blur_of_a_serve():
    # 6 m/s at 1/500 s, f 1400 px, 2.5 m away: 6 × 0.002 × 1400 / 2.5 = 6.72 px
    assert blur_length(6, 1 / 500, 1400, 2.5) == pytest.approx(6.72, abs=0.01)


def test_rows_are_read_one_after_another():
    # 20 ms over 1080 rows: 400 rows are 7.407 ms, in which 5 m/s is 37.0 mm
    delay = row_delay(800, 1080, 0.020) - row_delay(400, 1080, 0.020)
    assert 1e3 * delay == pytest.approx(7.407, abs=0.001)
    assert 5e3 * delay == pytest.approx(37.0, abs=0.05)


@pytest.mark.parametrize("fov", [0.0, -5.0, 180.0, float("nan")])
def test_impossible_fields_are_refused(fov):
    with pytest.raises(CalibrationError, match="field of view"):
        field_to_focal(fov, 1920)
    with pytest.raises(CalibrationError, match="equivalent"):
        equivalent_to_field(-1)
