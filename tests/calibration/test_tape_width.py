"""The width of a bright band, drawn as a camera shows it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from calibration.profiles import LineLook, Stations
from calibration.tape_width import measure_width

SCALE = 320.0  # px per m


def band(
    width_m: float, *, above: float = 60.0, below: float = 25.0, blur: float = 0.7, noise: float = 1
) -> tuple[np.ndarray, Stations]:
    """A picture (120, 200) of a level band whose middle is at row 60.3, and stations on row 60."""
    fine = np.full(120 * 50, above)
    row = (np.arange(len(fine)) + 0.5) / 50 - 0.5
    fine[row > 60.3] = below
    fine[np.abs(row - 60.3) < width_m * SCALE / 2] = 230.0
    light = 255 * (fine / 255) ** 2.2  # blur mixes light, not grey levels
    column = gaussian_filter1d(light, blur * 50).reshape(120, 50).mean(axis=1)
    grey = 255 * (column / 255) ** (1 / 2.2)
    picture = grey[:, None] + np.random.default_rng(3).normal(0, noise, (120, 200))
    u = np.linspace(10, 190, 60)
    stations = Stations(
        points=np.column_stack([0 * u, u / SCALE, 0 * u]),
        line=np.zeros(60, int),
        centre=np.column_stack([u, np.full(60, 60.0)]),
        normal=np.tile([0.0, 1.0], (60, 1)),
        width=np.full(60, 0.015 * SCALE),
    )
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8), stations


def measured(width_m: float, look: LineLook, **how: float) -> float | None:
    luma, stations = band(width_m, **how)
    return measure_width(luma, stations, np.full(60, 0.3), np.full(60, SCALE), look)


@pytest.mark.parametrize("width_mm", [10, 12, 15, 19])
@pytest.mark.parametrize("above", [25.0, 110.0])
def test_a_band_is_as_wide_as_it_was_drawn(width_mm, above):
    found = measured(1e-3 * width_mm, LineLook(), above=above)
    assert found == pytest.approx(1e-3 * width_mm, abs=0.8e-3)


def test_what_makes_lines_look_wider_makes_the_band_so_too():
    # half a px at 320 px per m is 1.6 mm
    plain = measured(0.013, LineLook())
    wider = measured(0.013, LineLook(extra=0.5))
    assert plain is not None
    assert wider is not None
    assert plain - wider == pytest.approx(1.6e-3, abs=0.4e-3)


def test_a_band_of_a_pixel_does_not_tell_its_width():
    assert measured(0.004, LineLook()) is None


def test_a_picture_without_a_band_tells_nothing():
    luma, stations = band(0.015)
    flat = np.full_like(luma, 70)
    assert measure_width(flat, stations, np.zeros(60), np.full(60, SCALE), LineLook()) is None


def test_too_few_places_tell_nothing():
    luma, stations = band(0.015)
    few = stations.of(slice(0, 6))
    assert measure_width(luma, few, np.full(6, 0.3), np.full(6, SCALE), LineLook()) is None
