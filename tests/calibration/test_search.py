"""Lines and quadrilaterals of a reduced picture."""

import numpy as np

from calibration.lines import WORK_SIZE, find_lines, reduce_picture
from calibration.search import find_candidates, rectangle_misfit
from tests.calibration.halls import hall, rms
from tests.calibration.scene import random_scene


def test_reduced_pictures_keep_their_shape():
    small, factor = reduce_picture(np.zeros((1080, 1920), np.uint8))
    assert small.shape == (540, WORK_SIZE, 3)
    assert factor == 0.5
    same, factor = reduce_picture(np.zeros((360, 640, 3), np.uint8))
    assert same.shape == (360, 640, 3)
    assert factor == 1


def test_each_edge_line_is_found_as_a_bright_line():
    scene, picture = hall("diagonal")
    small, factor = reduce_picture(picture)
    lines = find_lines(small)
    corners = (scene.corners + 0.5) * factor - 0.5
    for k in range(4):
        a, b = corners[k], corners[(k + 1) % 4]
        along = (b - a) / np.hypot(*(b - a))
        normal = np.array([along[1], -along[0]])
        ends = [lines.point + t[:, None] * lines.direction for t in (lines.start, lines.stop)]
        off = np.maximum(*[np.abs((e - a) @ normal) for e in ends])
        assert ((off < 4) & (lines.width > 0) & (lines.seen > 0.3 * np.hypot(*(b - a)))).any()


def test_the_table_is_among_the_first_candidates():
    scene, picture = hall("side")
    small, factor = reduce_picture(picture)
    candidates = find_candidates(small)
    corners = (scene.corners + 0.5) * factor - 0.5
    assert min(rms(c.corners, corners) for c in candidates[:3]) < 5
    assert all(candidates[0].score >= c.score for c in candidates)


def test_true_tables_fit_a_rectangle_and_their_half_turns_too():
    for seed in range(12):
        scene = random_scene(seed)
        c = scene.corners
        both = np.stack([c, np.roll(c, 2, axis=0)])
        misfit = rectangle_misfit(both, *scene.camera.size)
        assert (misfit < 10).all()
        wrong = np.stack([c[::-1], c[[1, 0, 2, 3]]])  # seen from below; crossed
        assert (rectangle_misfit(wrong, *scene.camera.size) > 10).all()


def test_a_plain_wall_has_no_candidates():
    assert find_candidates(np.full((540, 960, 3), 128, np.uint8)) == []
