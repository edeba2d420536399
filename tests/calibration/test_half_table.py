"""A table of which a player hides one side line, in drawn halls whose camera is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.camera_fit import lens_prior
from calibration.corners import _finish, detect_table
from calibration.given import calibrate_corners
from calibration.half_table import measure_doubled, measure_half
from calibration.table import HALF_WIDTH
from tests.calibration.halls import SIZE, grey, plain, rms
from tests.calibration.scene import Scene, draw

REACH = (6.0, 2.5, 1.0)


def scene_of(side: int) -> Scene:
    return plain(eye=(-4.2, -0.9 * side, 1.2))


def hidden(scene: Scene, side: int) -> np.ndarray:
    """The picture, its side line at y of that sign hidden by something upright before the table."""
    picture = draw(scene)
    u = scene.camera.project(np.array([[-1.37, 0.25 * side, 0.0], [-1.37, 1.3 * side, 0.0]]))[:, 0]
    low, high = np.clip(np.sort(u).round().astype(int), 0, SIZE[0])
    dress(picture, 0, low, high, (50, 60, 90))
    return picture


def dress(picture: np.ndarray, top: int, low: int, high: int, bgr: tuple[int, int, int]) -> None:
    """Hide what lies below `top` and between two columns behind cloth."""
    cloth = np.random.default_rng(7).normal(bgr, 4, (SIZE[1] - top, high - low, 3))
    picture[top:, low:high] = cloth.clip(0, 255)


@pytest.mark.parametrize("side", [-1, 1])
def test_the_centre_line_stands_for_a_side_that_a_player_hides(side):
    scene = scene_of(side)
    seen = detect_table(hidden(scene, side))
    error = np.linalg.norm(seen.corners_px - scene.corners, axis=1)
    on_it = np.array([-1, -1, 1, 1]) == side
    assert error[~on_it].max() < 0.7
    assert error[on_it].max() < 3.0
    # and is told to be less sure there
    sd = np.sqrt(np.diag(seen.corners_covariance).reshape(4, 2).sum(axis=1))
    assert sd[on_it].max() > sd[~on_it].max()
    assert any("side line" in warning for warning in seen.warnings)


@pytest.mark.parametrize("side", [-1, 1])
def test_half_a_table_is_no_other_half(side):
    # moved by half a table's width, side and centre line fit as well; the net's end does not
    scene = scene_of(side)
    luma = grey(hidden(scene, side))
    prior = lens_prior(SIZE)
    own = measure_half(luma, scene.camera, prior, REACH)
    assert own is not None
    assert own.half
    assert rms(own.corners, scene.corners) < 2.0
    # the tape is part of the fit, and no check of it
    assert any("cannot check" in warning for warning in _finish(own, prior).warnings)
    moved = np.array(
        [
            [x, y + HALF_WIDTH * -side, 0.0]
            for x, y in (
                (-1.37, -HALF_WIDTH),
                (1.37, -HALF_WIDTH),
                (1.37, HALF_WIDTH),
                (-1.37, HALF_WIDTH),
            )
        ]
    )
    other = calibrate_corners(scene.camera.project(moved), SIZE, sd_px=1.0).camera
    assert measure_half(luma, other, prior, REACH) is None


@pytest.mark.parametrize("side", [-1, 1])
def test_half_a_table_that_passed_for_a_whole_one_is_doubled_to_the_right_side(side):
    # near end, side, far end and the centre line make a table's outline as well
    scene = scene_of(side)
    luma = grey(hidden(scene, side))
    own = measure_half(luma, scene.camera, lens_prior(SIZE), REACH)
    edges = sorted((0.0, -side * HALF_WIDTH))
    half = [(-1.37, edges[0]), (1.37, edges[0]), (1.37, edges[1]), (-1.37, edges[1])]
    corners = scene.camera.project(np.array([[x, y, 0.0] for x, y in half]))
    corners += np.random.default_rng(3).uniform(-1, 1, (4, 2))
    found = measure_doubled(luma, [replace(own, corners=corners)], lens_prior(SIZE))
    assert found
    assert all(f.half for f in found)
    assert rms(max(found, key=lambda f: f.merit).corners, scene.corners) < 1.0


def test_a_table_is_found_one_half_of_which_a_player_hides():
    # three lines and a usual lens alone would put the fourth tens of px off
    scene = plain(eye=(-4.6, -0.2, 1.17))
    picture = draw(scene)
    at = scene.camera.project(np.array([[-1.37, 0.3, 0.0], [1.37, 1.2, 0.0], [1.37, 0.3, 0.0]]))
    low, high = np.sort(np.clip([at[0, 0], 0.0], 0, SIZE[0])).astype(int)
    top = int(at[1:, 1].min()) - 60
    dress(picture, top, low, high, (40, 30, 190))
    seen = detect_table(picture)
    assert rms(seen.corners_px, scene.corners) < 0.6
    assert any("centre line stands in its place" in warning for warning in seen.warnings)


def test_without_a_net_half_a_table_is_none():
    scene = scene_of(1)
    bare = replace(scene, net_offset=3.0)  # far beyond
    luma = grey(hidden(bare, 1))
    assert measure_half(luma, scene.camera, lens_prior(SIZE), REACH) is None


@pytest.mark.parametrize(
    ("stand_y", "height", "from_y"), [(0.2, 1.3, 0.45), (-0.3, 1.3, 0.45), (-0.9, 1.0, 0.3)]
)
def test_a_side_of_which_nothing_but_its_far_corner_is_seen_is_told_by_the_centre_line(
    stand_y, height, from_y
):
    # the table is found by its three other lines; an edge of the player's would pass for the fourth
    scene = plain(eye=(-4.4, stand_y, height))
    picture = draw(scene)
    at = scene.camera.project(np.array([[-1.37, from_y, 0.0], [-1.37, 1.3, 0.0], [1.37, 0.8, 0.0]]))
    low, high = np.clip([at[1, 0], max(at[0, 0], at[2, 0])], 0, SIZE[0]).astype(int)
    top = int(at[2, 1]) + 12
    dress(picture, top, low, high, (40, 30, 190))
    seen = detect_table(picture)
    assert rms(seen.corners_px, scene.corners) < 0.3
    assert any("centre line stands in its place" in warning for warning in seen.warnings)
