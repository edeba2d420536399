"""A table from behind whose far end the net hides: found by near end, sides and tape."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.camera_fit import lens_prior, start_camera
from calibration.given import order_ends
from calibration.lines import find_lines, reduce_picture
from calibration.measured import measure_behind_net
from calibration.tape_search import find_behind_net
from tests.calibration.halls import SIZE, grey, plain, rms
from tests.calibration.scene import draw


@pytest.mark.parametrize("height", [0.55, 0.62])
@pytest.mark.parametrize("y", [0.0, -0.5])
def test_near_end_sides_and_tape_put_the_camera(height, y):
    scene = plain(eye=(-4.4, y, height), n_people=0)
    picture = draw(scene)
    small, factor = reduce_picture(picture, 960)
    best = find_behind_net(find_lines(small), small.shape[1::-1])[0]
    corners = order_ends((best.corners + 0.5) / factor - 0.5, SIZE[1])
    # the near end's corners are where its lines cross, the far ones follow from the tape
    assert rms(corners[[0, 3]], order_ends(scene.corners, SIZE[1])[[0, 3]]) < 3
    assert rms(corners, scene.corners) < 12
    assert best.focal * max(SIZE) == pytest.approx(scene.camera.matrix[0, 0], rel=0.2)
    prior = lens_prior(SIZE)
    start = start_camera(corners, SIZE, prior)
    found = measure_behind_net(grey(picture), start, prior, (6.0, 2.5, 1.0))
    assert found is not None
    assert rms(found.corners, scene.corners) < 1.0
    assert found.behind_net


def test_a_hall_without_a_net_shows_no_such_table():
    noise = np.random.default_rng(5).integers(90, 110, (540, 960, 3)).astype(np.uint8)
    noise[400:404, 200:760] = 240  # a single white line
    assert find_behind_net(find_lines(noise), noise.shape[1::-1]) == []
    nothing = np.full_like(noise, 100)
    assert find_behind_net(find_lines(nothing), nothing.shape[1::-1]) == []


@pytest.mark.parametrize("side", [-1, 1])
def test_of_a_half_table_the_near_end_may_be_seen_beyond_the_centre_line(side):
    # a player hides one side line, but not all of that half of the near end
    scene = plain(eye=(-4.4, -0.3 * side, 0.9), n_people=0)
    picture = draw(scene)
    u = scene.camera.project(np.array([[-1.37, 0.42 * side, 0.0], [-1.37, 1.4 * side, 0.0]]))[:, 0]
    low, high = np.clip(np.sort(u).round().astype(int), 0, SIZE[0])
    cloth = np.random.default_rng(7).normal((50, 60, 90), 4, (SIZE[1], high - low, 3))
    picture[:, low:high] = cloth.clip(0, 255)
    small, factor = reduce_picture(picture, 960)
    placed = find_behind_net(find_lines(small), small.shape[1::-1], half=True)
    errors = [
        rms(order_ends((p.corners + 0.5) / factor - 0.5, SIZE[1]), scene.corners) for p in placed
    ]
    assert min(errors) < 15
