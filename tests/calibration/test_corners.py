"""The table found without help in drawn halls whose camera is known."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.camera_fit import lens_prior
from calibration.corners import (
    _is_clear,
    _measure_all,
    detect_table,
    refine_corners,
)
from calibration.given import order_ends
from calibration.in_play import may_be_another, prefers
from calibration.result import Calibration, CalibrationError
from calibration.search import Candidate
from calibration.table import CORNERS
from tests.calibration.halls import SIZE, found, grey, hall, plain, rms
from tests.calibration.scene import draw, look_at

VIEWS = ("behind", "side", "diagonal", "corner", "balcony", "grey on grey", "drawn at random")


@pytest.mark.parametrize("name", VIEWS)
def test_corners_are_found_to_the_goal_of_0_4_px(name):
    scene, _ = hall(name)
    seen = found(name)
    assert rms(seen.corners_px, scene.corners) < 0.4
    assert seen.evidence == "edges"
    assert seen.net is not None
    assert seen.net.residual_mm < 5  # the drawn net stands where the law puts it


@pytest.mark.parametrize("name", ["behind", "diagonal", "corner"])
def test_stated_corner_uncertainty_covers_the_error(name):
    scene, _ = hall(name)
    seen = found(name)
    true = order_ends(scene.corners, SIZE[1])
    error = (seen.corners_px - true).ravel()
    # 8 numbers: the 99.9 % point of chi squared is 26.1
    assert error @ np.linalg.pinv(seen.corners_covariance) @ error < 26.1


def test_the_lower_end_is_negative():
    c = found("behind").corners_px
    assert c[[3, 0], 1].mean() > c[[1, 2], 1].mean()


def test_a_grey_picture_will_do():
    scene, picture = hall("behind")
    assert rms(detect_table(grey(picture)).corners_px, scene.corners) < 0.4


def test_what_stands_upright_is_no_table():
    # the same hall hung on a wall: a door, a poster or a pattern of bricks may have its shape, but
    # phones on stands do not lean by a right angle
    scene, picture = hall("balcony")
    height, width = picture.shape[:2]
    side = np.ascontiguousarray(np.rot90(picture[:, (width - height) // 2 :][:, :height]))
    with pytest.raises(CalibrationError, match="no table was found"):
        detect_table(side)
    # corners given by hand are taken at their word
    upright = np.column_stack(
        [scene.corners[:, 1], height - 1 - (scene.corners[:, 0] - (width - height) // 2)]
    )
    assert rms(refine_corners(side, upright).corners_px, upright) < 0.4


@pytest.mark.parametrize("eye", [(-3.4, -1.8, 0.75), (-2.7, -2.6, 1.2)])
def test_a_lens_that_sits_aside_moves_no_place_on_the_table(eye):
    centred = plain(eye=eye)
    matrix = centred.camera.matrix.copy()
    matrix[:2, 2] += np.array([8.0, -5.0])  # taken for centred, places would be 0.5 px off
    scene = replace(centred, camera=replace(centred.camera, matrix=matrix))
    seen = detect_table(draw(scene))
    x, y = np.meshgrid(np.linspace(-1.3, 1.3, 7), np.linspace(-0.7, 0.7, 5))
    places = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    off = np.linalg.norm(seen.camera.project(places) - scene.camera.project(places), axis=1)
    assert off.max() < 0.25


def test_another_table_can_be_pointed_at():
    scene, picture = hall("balcony")
    middle = scene.corners.mean(axis=0)
    near = detect_table(picture, near=(middle[0], middle[1]))
    assert rms(near.corners_px, scene.corners) < 0.4


def test_a_corner_out_of_the_frame_is_known_from_its_lines():
    scene, picture = hall("behind")
    low = picture[: int(scene.corners[:, 1].max()) - 12]  # the nearest corner is cut off
    # the principal point is taken at the middle, so the top is cut alike
    top = picture.shape[0] - low.shape[0]
    cropped = np.ascontiguousarray(low[top:])
    seen = detect_table(cropped)
    true = scene.corners - [0, top]
    assert true[:, 1].max() > cropped.shape[0]
    assert rms(seen.corners_px, true) < 0.6


def test_marked_corners_are_refined_and_keep_their_order():
    scene, picture = hall("diagonal")
    rng = np.random.default_rng(6)
    for turn in (0, 2):
        true = np.roll(scene.corners, turn, axis=0)
        refined = refine_corners(picture, true + rng.uniform(-4, 4, (4, 2)))
        assert np.abs(refined.corners_px - true).max() < 0.5


def test_marked_corners_where_there_is_no_table_are_refused():
    blank = np.full((720, 1280, 3), 90, np.uint8)
    corners = plain().camera.project(CORNERS)
    with pytest.raises(CalibrationError, match="no white lines"):
        refine_corners(blank, corners)


def test_a_net_that_contradicts_the_corners_is_refused():
    scene, picture = hall("net slipped")
    with pytest.raises(CalibrationError, match=r"the net is \d+ mm"):
        refine_corners(picture, scene.corners)


@pytest.mark.parametrize("value", [0, 90, 255])
def test_an_empty_picture_has_no_table(value):
    with pytest.raises(CalibrationError, match="no table was found"):
        detect_table(np.full((360, 640, 3), value, np.uint8))


def test_noise_has_no_table():
    rng = np.random.default_rng(9)
    with pytest.raises(CalibrationError, match="no table was found"):
        detect_table(rng.integers(0, 256, (360, 640, 3), dtype=np.uint8))


@pytest.mark.parametrize(
    ("picture", "words"),
    [
        (np.zeros((16, 16, 3), np.uint8), "too small"),
        (np.zeros((200, 200, 3), float), "uint8"),
        (np.zeros((200, 200, 4), np.uint8), "uint8"),
        (np.zeros(200, np.uint8), "uint8"),
    ],
)
def test_other_arrays_are_refused(picture, words):
    with pytest.raises(CalibrationError, match=words):
        detect_table(picture)


def test_odd_sizes_will_do():
    scene, picture = hall("side")
    odd = np.ascontiguousarray(picture[1:-2, 1:-2])  # 1277 x 717, about the same middle
    seen = detect_table(odd)
    assert rms(seen.corners_px, scene.corners - 1) < 0.4
    assert seen.camera.size == (1277, 717)


def test_json_round_trip_of_a_found_table():
    seen = found("behind")
    back = Calibration.from_json(seen.to_json())
    assert back.net == seen.net
    assert back.warnings == seen.warnings


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 130))
def test_random_halls(seed):
    from tests.calibration.scene import random_scene

    scene = random_scene(seed, size=SIZE)
    assert rms(detect_table(draw(scene)).corners_px, scene.corners) < 1.0


@pytest.mark.parametrize("eye", [(-0.54, -4.7, 0.42), (0.3, -4.2, 0.4), (2.6, 3.4, 0.5)])
def test_a_low_stand_sees_the_table_all_the_same(eye):
    # the lines are nearly one in the picture, and both ends converge to the same side
    scene = plain(eye=eye)
    assert rms(detect_table(draw(scene)).corners_px, scene.corners) < 1.0


@pytest.mark.parametrize("eye", [(-2.9, -8.0, 2.2), (-1.2, -7.4, 3.6)])
def test_a_long_lens_is_told_from_the_lines(eye):
    scene = plain(eye=eye)
    camera = look_at(np.array(eye), np.array([0.1, 0.0, 0.0]), 1900, SIZE)
    scene = replace(scene, camera=camera)
    seen = detect_table(draw(scene))
    assert rms(seen.corners_px, scene.corners) < 0.4
    assert seen.camera.matrix[0, 0] == pytest.approx(1900, rel=0.03)


@pytest.mark.parametrize("name", ["diagonal", "corner", "balcony"])
@pytest.mark.parametrize("below_px", [12, 16])
def test_a_start_at_the_underside_of_an_end_still_finds_the_white_line_above(name, below_px):
    # three lines fit from there too, and the fourth is simply not seen: not to be believed at once
    scene, picture = hall(name)
    start = scene.corners.copy()
    start[np.argsort(-start[:, 1])[:2], 1] += below_px
    candidate = Candidate(corners=start, score=4.0, support=np.ones(4))
    found = _measure_all(grey(picture), [candidate], 1.0, lens_prior(SIZE), [])
    assert rms(found[0].corners, scene.corners) < 0.4
    assert found[0].evidence.support.min() > 0.5


def test_four_lines_and_a_net_without_a_centre_line_are_not_clearly_a_table():
    # lines of a floor may pass for two of a table's (Law 2.1.6: each court is halved by a line)
    scene, picture = hall("diagonal")
    candidate = Candidate(corners=scene.corners, score=4.0, support=np.ones(4))
    found = _measure_all(grey(picture), [candidate], 1.0, lens_prior(SIZE), [])[0]
    assert _is_clear(found)
    assert not _is_clear(replace(found, net=replace(found.net, centre_line_px=np.nan)))
    assert not _is_clear(replace(found, net=replace(found.net, centre_line_px=3.0)))


def test_what_stands_in_for_a_line_counts_where_tables_are_compared():
    scene, picture = hall("diagonal")
    candidate = Candidate(corners=scene.corners, score=4.0, support=np.ones(4))
    found = _measure_all(grey(picture), [candidate], 1.0, lens_prior(SIZE), [])[0]
    behind = replace(found, merit=found.merit - 1.0, behind_net=True)
    assert behind.merit < behind.standing < found.standing == found.merit


def test_a_net_s_tape_beside_a_centre_line_off_its_place_confirms_nothing():
    scene, picture = hall("diagonal")
    candidate = Candidate(corners=scene.corners, score=4.0, support=np.ones(4))
    found = _measure_all(grey(picture), [candidate], 1.0, lens_prior(SIZE), [])[0]
    unseen = replace(found.net, seen=0.0, centre_line_px=np.nan)
    assert not replace(found, net=unseen).confirmed
    assert replace(found, net=unseen, behind_net=True).confirmed
    crossed = replace(found, net=replace(unseen, centre_line_px=4.0), behind_net=True)
    assert not crossed.confirmed


def test_a_table_that_is_small_or_aside_may_be_another_of_the_hall():
    scene, _ = hall("diagonal")
    assert not may_be_another(scene.corners, SIZE)
    middle = scene.corners.mean(axis=0)
    assert may_be_another(middle + 0.3 * (scene.corners - middle), SIZE)
    assert may_be_another(scene.corners + np.array([0.35 * SIZE[0], 0.0]), SIZE)
    assert may_be_another(scene.corners - np.array([0.0, 0.2 * SIZE[1]]), SIZE)  # high up


def test_the_nearer_table_is_taken_though_a_farther_one_is_seen_better():
    scene, picture = hall("diagonal")
    candidate = Candidate(corners=scene.corners, score=4.0, support=np.ones(4))
    found = _measure_all(grey(picture), [candidate], 1.0, lens_prior(SIZE), [])[0]
    away = 0.3 * found.corners + np.array([900.0, 20.0])
    other = replace(found, corners=away)
    assert prefers(replace(found, merit=0.9 * found.merit), [other], SIZE)
    assert not prefers(other, [found], SIZE)
    assert not prefers(found, [replace(found, merit=0.8 * found.merit)], SIZE)  # the same table
