"""An end line behind the net's tape, or beside it, in drawn halls whose camera is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.behind_net import end_on_tape, hides_line, tape_strip
from calibration.bright_lines import Strip
from calibration.camera_fit import lens_prior
from calibration.corners import detect_table
from calibration.edges import fit_edges
from calibration.given import order_ends
from calibration.table import HALF_LENGTH, NET_HEIGHT
from tests.calibration.halls import SIZE, grey, plain, rms
from tests.calibration.scene import draw, look_at

# from 4.4 m before the net the sight line over its top meets the far end line, 1.37 m behind it,
# where it starts so high: by similar triangles
HIDING = NET_HEIGHT * (4.4 + HALF_LENGTH) / HALF_LENGTH


def behind(height: float, y: float = -0.9):
    return plain(eye=(-4.4, y, height), n_people=0)


@pytest.mark.parametrize("above", [0.08, 0.12, 0.2])
def test_the_tape_beside_an_end_line_does_not_pass_for_it(above):
    scene = behind(HIDING + above)
    seen = detect_table(draw(scene))
    assert rms(seen.corners_px, scene.corners) < 0.6
    assert not seen.warnings


@pytest.mark.parametrize("above", [-0.08, -0.02])
def test_the_tape_stands_for_the_line_that_it_hides(above):
    scene = behind(HIDING + above)
    seen = detect_table(draw(scene))
    assert rms(seen.corners_px, scene.corners) < 1.0
    assert any("hides the far end" in warning for warning in seen.warnings)
    error = (seen.corners_px - order_ends(scene.corners, SIZE[1])).ravel()
    # 8 numbers: the 99.9 % point of chi squared is 26.1
    assert error @ np.linalg.pinv(seen.corners_covariance) @ error < 26.1


@pytest.mark.parametrize(("tape", "px"), [(0.010, 1.0), (0.012, 0.75), (0.018, 0.5)])
def test_a_narrow_or_wide_tape_does_not_move_the_far_corners(tape, px):
    # believed to be 15 mm wide, these put them 1.5, 0.9 and 0.9 px off
    scene = replace(behind(HIDING - 0.05), tape=tape)
    seen = detect_table(draw(scene))
    assert any("hides the far end" in warning for warning in seen.warnings)
    assert rms(seen.corners_px, scene.corners) < px


def test_a_long_lens_behind_the_end_is_no_hindrance():
    # a field of 30 degrees, as phones have with their second lens: half as wide again as the table
    camera = look_at(np.array((-6.2, -0.3, 0.62)), np.array([0.1, 0.0, 0.0]), 2380, SIZE)
    scene = replace(behind(HIDING), camera=camera)
    seen = detect_table(draw(scene))
    assert rms(seen.corners_px, scene.corners) < 1.0
    assert seen.camera.matrix[0, 0] == pytest.approx(2380, rel=0.02)


@pytest.mark.parametrize("sideways", [-0.15, 0.0, 0.15])
def test_a_player_before_the_near_end_leaves_the_net_s_ends(sideways):
    scene = behind(HIDING + 0.15, y=-0.1)
    picture = draw(scene)
    body = scene.camera.project(np.array([[-1.5, sideways + y, 0.0] for y in (-0.35, 0.35)]))
    low, high = np.sort(body[:, 0]).round().astype(int)
    rng = np.random.default_rng(5)
    picture[:, low:high] = rng.normal((60, 50, 70), 4, (SIZE[1], high - low, 3)).clip(0, 255)
    seen = detect_table(picture)
    assert rms(seen.corners_px, scene.corners) < 0.5


def test_where_the_tape_lies_is_told():
    scene = behind(HIDING + 0.3)
    luma = grey(draw(scene))
    strip = tape_strip(luma, scene.camera)
    assert strip is not None
    middle = scene.camera.project(np.array([[0.0, 0.0, NET_HEIGHT - 0.0075]]))
    assert strip.covers(middle).all()
    assert not strip.covers(middle + np.array([0.0, 8.0])).any()
    assert not hides_line(strip, scene.camera)
    _, evidence = fit_edges(luma, scene.camera, lens_prior(SIZE))
    assert end_on_tape(strip, evidence) is None
    assert hides_line(strip, behind(HIDING).camera) is False  # of another stand


def test_a_strip_has_two_ends_and_two_sides():
    strip = Strip(ends=np.array([[10.0, 10.0], [40.0, 50.0]]), half_width=2.0)  # 3 : 4 : 5
    assert strip.covers(np.array([[25.0, 30.0]])).all()
    off = np.array([0.8, -0.6])  # its normal
    assert strip.covers(np.array([25.0, 30.0]) + 1.9 * off)
    assert not strip.covers(np.array([25.0, 30.0]) + 2.1 * off)
    assert not strip.covers(np.array([[8.0, 7.3], [42.0, 52.7]])).any()
