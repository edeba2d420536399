"""Lines and quadrilaterals of a reduced picture."""

import cv2
import numpy as np

from calibration.corners import detect_table
from calibration.lines import WORK_SIZE, colour_distance, find_lines, glare_distance, reduce_picture
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


def test_a_table_half_hidden_is_a_candidate_beside_whole_panels_of_a_wall():
    scene, picture = hall("behind")
    picture, corners = picture.copy(), scene.corners
    low, high = corners.min(axis=0), corners.max(axis=0)
    for k in range(6):  # white-framed panels above, in the shape of the table
        place = 40 + (k % 4) * 250, 30 + (k // 4) * 105
        panel = np.round(16 * (0.4 * (corners - low) + place)).astype(np.int32)
        cv2.fillPoly(picture, [panel], (110, 90, 40), cv2.LINE_AA, 4)
        cv2.polylines(picture, [panel], True, (235, 235, 235), 4, cv2.LINE_AA, 4)
    near = corners[np.argsort(-corners[:, 1])[:2]]  # a player stands before most of the near line
    middle, half = near.mean(axis=0), 0.3 * np.ptp(near[:, 0])
    player = np.array([[-half, -0.6 * (high - low)[1]], [half, 90.0]]) + middle
    cv2.rectangle(picture, *player.astype(int).tolist(), (60, 50, 70), -1)
    small, factor = reduce_picture(picture)
    candidates = find_candidates(small)
    assert min(rms((c.corners + 0.5) / factor - 0.5, corners) for c in candidates) < 8
    assert rms((candidates[0].corners + 0.5) / factor - 0.5, corners) > 50


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


def test_colours_that_a_lamp_veils_are_near_and_others_are_not():
    # light that is mirrored adds to the table's own (Shafer 1985): BGR mixed with a bright grey
    own = np.array([[150, 90, 30], [60, 110, 25], [95, 90, 85]], float)
    for share in (0.2, 0.5, 0.8):
        veiled = own + share * (245 - own)
        both = np.stack([own, veiled]).astype(np.uint8)
        lab = cv2.cvtColor(both, cv2.COLOR_BGR2Lab)
        assert (glare_distance(lab[0], lab[1]) < 12).all()
        assert (glare_distance(lab[1], lab[0]) < 12).all()
    blue, orange, red = (
        cv2.cvtColor(np.uint8([[c]]), cv2.COLOR_BGR2Lab)[0, 0]
        for c in ((150, 90, 30), (60, 130, 200), (60, 60, 180))
    )
    assert colour_distance(blue, orange) > 30 < glare_distance(blue, orange)
    assert glare_distance(blue, red) > 30


def test_a_table_that_mirrors_a_bright_wall_is_among_the_candidates():
    scene, picture = hall("diagonal")
    # the far half is veiled by most of what it mirrors, the lines as well
    veil = np.zeros(picture.shape[:2], np.float32)
    cv2.fillConvexPoly(veil, np.round(scene.corners).astype(np.int32), 1.0)
    away = np.linspace(1.0, 0.0, picture.shape[0], dtype=np.float32)[:, None]
    middle = 1 - float(scene.corners[:, 1].mean()) / picture.shape[0]
    veil *= 0.75 / (1 + np.exp(-(away - middle) / 0.02))
    bright = float(np.percentile(picture, 99.5))
    shiny = picture + veil[..., None] * np.maximum(bright - picture.astype(np.float32), 0)
    small, factor = reduce_picture(shiny.astype(np.uint8))
    corners = (scene.corners + 0.5) * factor - 0.5
    assert not any(rms(c.corners, corners) < 5 for c in find_candidates(small))
    assert any(rms(c.corners, corners) < 5 for c in find_candidates(small, glare=True))
    assert rms(detect_table(shiny.astype(np.uint8)).corners_px, scene.corners) < 0.6
