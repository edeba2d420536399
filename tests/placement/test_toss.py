"""The toss before a stroke, against throws drawn from the law of falling bodies."""

import numpy as np
import pytest

from placement import flight
from placement.toss import find_toss
from tests.placement.balls import camera_behind

STROKE = np.array([-1.5, 0.2, 0.30])


def history(rise: float, fall: float, rate: float, seed: int):
    """Candidates of a ball held, thrown `rise` m up, and struck after falling `fall` m."""
    camera = camera_behind()
    rng = np.random.default_rng(seed)
    up, down = np.sqrt(2 * rise / flight.GRAVITY), np.sqrt(2 * fall / flight.GRAVITY)
    times = np.arange(-1.0, -0.002, 1 / rate)
    rows = []
    for t in times:
        since_top = t + down
        drop = flight.GRAVITY / 2 * min(since_top**2, up**2 if since_top < 0 else np.inf)
        place = STROKE + np.array([0, 0, fall - drop])
        ball = camera.project(place[None]) + rng.normal(0, 0.6, (1, 2))
        ball[:, 1] -= 0.3 * 1450 * 0.02 / camera.depths(STROKE[None])[0]  # the bright top
        others = rng.uniform((0, 0), (1920, 1080), (12, 2))
        rows.append((float(t) + 5.0, np.concatenate([others, ball])))
    return camera, rows


@pytest.mark.parametrize(("rise", "rate"), [(0.20, 60), (0.35, 60), (0.30, 120)])
def test_rise_and_release_are_those_of_the_throw(rise, rate):
    camera, rows = history(rise, 0.18, rate, seed=3)
    toss = find_toss(camera, STROKE, 5.0, rows)
    assert toss is not None
    # the release is known to about a frame: dh = g t dt
    assert toss.rise_m == pytest.approx(rise, abs=9.8 * np.sqrt(2 * rise / 9.8) * 2.5 / rate)
    assert toss.contact_s == 5.0


def test_no_ball_before_the_stroke_is_no_toss():
    rng = np.random.default_rng(5)
    rows = [(4.0 + k / 60, rng.uniform((0, 0), (1920, 1080), (6, 2))) for k in range(60)]
    assert find_toss(camera_behind(), STROKE, 5.0, rows) is None
