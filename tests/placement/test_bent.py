"""Pictures of balls that bounce while the shutter is open, drawn point by point."""

from __future__ import annotations

import numpy as np
import pytest

from calibration import table
from placement.ball_image import measure
from placement.ball_model import Look
from placement.bent import bent_by
from tests.placement.flown import camera_beside, good_serve, seen, times_of
from tests.placement.lit import seen_of, stored

EXPOSURE, BLUR, SIDE = 1 / 80, 0.8, 64
LOOK = Look(exposure_s=EXPOSURE, blur_px=BLUR, shading=(0.25, 0, 0, 0.7, 0, 0, 0, 0, 0))
LAMP = (0.0, 0.0, 1.0)  # beside the camera, so that no side of the ball is the brighter one
CAMERA = camera_beside((0.2, -3.2, 1.6))  # side on, where a bounce shows best


@pytest.fixture(scope="module")
def path():
    return seen(CAMERA, good_serve(), times_of(1.0, 1.9), np.random.default_rng(3)).path


def drawn(path, time: float) -> tuple[np.ndarray, np.ndarray, float, np.ndarray]:
    """The picture of an exposure about `time`, where its ball is then, its radius and speed, px."""
    moments = time + EXPOSURE * ((np.arange(60) + 0.5) / 60 - 0.5)
    at = CAMERA.project(path.positions(moments))
    here = CAMERA.project(path.positions(np.array([time])))[0]
    ahead = CAMERA.project(path.positions(np.array([time])) + 1e-3 * path.velocities([time]))[0]
    radius = CAMERA.matrix[0, 0] * table.BALL_RADIUS
    radius /= CAMERA.depths(path.positions(np.array([time])))[0]
    corner = np.rint(here) - SIDE // 2
    light = np.zeros((SIDE, SIDE))
    for spot in at:
        cover, ball = seen_of(
            spot - corner, radius, (0.0, 0.0), exposure=0.0, blur=BLUR, lamp=LAMP, side=SIDE
        )
        light += ((1 - cover) * 0.03 + ball * 0.8) / len(at)
    return stored(light), here - corner, radius, (ahead - here) / 1e-3


def off(path, time: float) -> np.ndarray:
    """How far a straight picture's centre, fitted to such a picture, is from the ball, px."""
    picture, here, radius, speed = drawn(path, time)
    ground = np.full((SIDE, SIDE), stored(np.array(0.03)))
    patches = np.rint(255 * np.stack([ground, picture, ground])[None]).astype(np.uint8)
    found = measure(
        patches, np.zeros((1, 2)), here[None], np.array([radius]), speed[None], LOOK, steps=12
    )
    return found.centres[0] - here


@pytest.mark.parametrize("late_s", [-0.004, -0.002, -0.0003, 0.0003, 0.002, 0.004])
def test_a_bounce_in_the_exposure_moves_a_picture_as_told(path, late_s):
    time = float(path.bounce_times[0]) + late_s
    told, spread = bent_by(CAMERA, path, np.array([time]), EXPOSURE)
    true = off(path, time)
    sd = np.sqrt(np.diag(spread[0]))
    assert np.abs(true - told[0]).max() < 0.05 + 2 * sd.max()  # px
    # and the better for being told
    assert np.hypot(*(true - told[0])) < 0.85 * np.hypot(*true) + 0.05


def test_without_a_bounce_in_the_exposure_nothing_moves(path):
    quiet = float(path.bounce_times[0]) + np.array([-0.51, 0.51]) * EXPOSURE
    told, spread = bent_by(CAMERA, path, quiet, EXPOSURE)
    assert not told.any()
    assert not spread.any()
    # a short shutter sees no bounce bent
    told, _ = bent_by(CAMERA, path, path.bounce_times, 1e-5)
    assert np.abs(told).max() < 0.01


def test_a_look_of_a_longer_shutter_bends_more(path):
    at = path.bounce_times[:1]
    short, long = (bent_by(CAMERA, path, at, e)[0][0, 1] for e in (EXPOSURE / 2, EXPOSURE))
    assert long < short < 0  # px: a bounce turns the way up, and v runs down
    assert long == pytest.approx(2 * short, rel=1e-6)
