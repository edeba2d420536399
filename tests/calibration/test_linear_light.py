"""Lines whose light was mixed by the lens before the camera stored some root of it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from calibration.camera import Camera
from calibration.camera_fit import lens_prior
from calibration.edges import fit_edges, lay_stations
from calibration.profiles import Stations, learn_gamma, linear_light, sample_neighbours
from calibration.table import CORNERS, EDGE_LINE, HALF_WIDTH
from tests.calibration.scene import look_at

GAMMA = 2.2  # of stored pictures (ITU-R BT.709 and sRGB, nearly)
SIZE, BLUR = (1280, 720), 0.8  # px; standard deviation, px, of lens and pixels
WHITE, TOP, BRIGHT, DARK = 230, 80, 200, 40  # grey levels as stored: lines, table top, floors


def test_light_is_the_power_of_grey_and_what_is_unknown_stays_so():
    # by hand: 255 * (128 / 255) ** 2.2 = 55.98
    light = linear_light(np.array([0.0, 128.0, 255.0, np.nan, -3.0, 270.0]))
    assert light == pytest.approx([0, 55.98, 255, np.nan, 0, 255], abs=0.01, nan_ok=True)


def picture_of(camera: Camera, gamma: float = GAMMA) -> np.ndarray:
    """A table whose floor is nearly as bright as its lines on the side of negative y alone.

    The lens leaves straight lines straight, so that a blurred edge is the normal distribution of
    the distance to it, in light; a blurred surface is the product of its four edges.
    """
    width, height = camera.size
    v, u = np.mgrid[:height, :width]
    ways = np.stack(
        [
            (u - camera.matrix[0, 2]) / camera.matrix[0, 0],
            (v - camera.matrix[1, 2]) / camera.matrix[1, 1],
            np.ones((height, width)),
        ],
        axis=-1,
    )
    side = camera.centre[1] - camera.centre[2] * (ways @ camera.rotation[:, 1]) / np.minimum(
        ways @ camera.rotation[:, 2], -1e-6
    )  # where the ray of a pixel meets the table's plane, along y
    outer, inner = (_covered(camera, u, v, inset) for inset in (0.0, EDGE_LINE))
    floor, white, top = (
        (g / 255) ** gamma for g in (np.where(side < -0.4 * HALF_WIDTH, BRIGHT, DARK), WHITE, TOP)
    )
    light = floor * (1 - outer) + white * (outer - inner) + top * inner
    noise = np.random.default_rng(2).normal(0, 1.0, light.shape)
    return np.rint(np.clip(255 * light ** (1 / gamma) + noise, 0, 255)).astype(np.uint8)


def _covered(camera: Camera, u: np.ndarray, v: np.ndarray, inset: float) -> np.ndarray:
    """Share of each pixel's light that comes from the table top, but for `inset` m at its edges."""
    corners = camera.project(CORNERS - np.sign(CORNERS) * inset)
    out, middle = np.ones(u.shape), corners.mean(axis=0)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        normal = np.array([a[1] - b[1], b[0] - a[0]]) / np.hypot(*(b - a))
        normal *= np.sign((middle - a) @ normal)
        out *= ndtr(((u - a[0]) * normal[0] + (v - a[1]) * normal[1]) / BLUR)
    return out


@pytest.mark.parametrize("eye", [(-3.0, -2.4, 1.2), (-3.8, -0.6, 1.3)], ids=["diagonal", "behind"])
def test_corners_beside_a_bright_floor_are_where_they_are(eye):
    camera = look_at(np.array(eye), np.zeros(3), 980, SIZE)
    fit, _ = fit_edges(picture_of(camera), camera, lens_prior(SIZE))
    off = fit.camera.project(CORNERS) - camera.project(CORNERS)
    assert np.hypot(*off.T).max() < 0.25  # px; mixed as grey levels it is about twice that


@pytest.mark.parametrize("gamma", [1.5, 2.2, 2.75])
def test_the_power_of_a_camera_is_told_by_the_width_that_the_rules_give_a_line(gamma):
    # Law 2.1.4: the lines are 20 mm wide
    camera = look_at(np.array((-3.0, -2.4, 1.2)), np.zeros(3), 980, SIZE)
    stations = lay_stations(camera)
    wide = stations.width > 3.0
    few = Stations(
        points=stations.points[wide],
        line=stations.line[wide],
        centre=stations.centre[wide],
        normal=stations.normal[wide],
        width=stations.width[wide],
    )
    offsets = np.arange(-8.0, 8.1, 0.5)
    seen = sample_neighbours(picture_of(camera, gamma), few, offsets)
    assert learn_gamma(seen, offsets, few.width) == pytest.approx(gamma, abs=0.51)


@pytest.mark.parametrize("gamma", [1.4, 2.8])
def test_corners_are_where_they_are_in_pictures_of_softer_or_harder_cameras(gamma):
    camera = look_at(np.array((-3.0, -2.4, 1.2)), np.zeros(3), 980, SIZE)
    fit, _ = fit_edges(picture_of(camera, gamma), camera, lens_prior(SIZE))
    off = fit.camera.project(CORNERS) - camera.project(CORNERS)
    assert np.hypot(*off.T).max() < 0.25  # px; under the standards' power 0.56 for the soft one
