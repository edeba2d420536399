"""What lies behind a ball where people move: drawn pictures, with the truth known."""

from __future__ import annotations

import numpy as np
import pytest

from placement.background import disagreeing, put_together
from placement.ball import Candidates
from placement.ball_image import gather, measure
from placement.ball_model import Look
from tests.placement.test_ball_image import drawn

SIDE = 64
WALL, BODY, BALL = 120, 40, 220


def _planes(shift, *, body_after, body_before=64):
    """A wall with a ball of 6 px radius in mid-flight, and a dark body from a column on."""
    v, u = np.mgrid[:SIDE, :SIDE]
    planes = np.full((5, SIDE, SIDE), WALL, np.uint8)
    for k, steps in enumerate((-4, -1, 0, 1, 4)):
        du, dv = u - 32 - steps * shift[0], v - 32 - steps * shift[1]
        planes[k][du**2 + dv**2 < 36] = BALL
    planes[4][:, body_after:] = BODY
    planes[0][:, body_before:] = BODY
    return planes


def _made(planes, shift, near):
    out = np.empty((3, SIDE, SIDE), np.uint8)
    put_together(
        planes, np.array([32.0, 32.0]), 6.0, np.array(shift, float), 0.0, near, out
    )  # fmt: skip
    return out


def test_a_body_that_came_later_is_replaced_by_what_was_there_shortly_before_and_after():
    planes = _planes((0.0, 11.0), body_after=20)
    out = _made(planes, (0.0, 11.0), near=False)
    v, u = np.mgrid[:SIDE, :SIDE]
    # where the ball was 11 px away, or will be, does not show what is behind it
    free = (np.hypot(u - 32, v - 21) > 9) & (np.hypot(u - 32, v - 43) > 9)
    assert (out[0][free] == WALL).all()
    assert (out[2][free] == WALL).all()
    np.testing.assert_array_equal(out[1], planes[2])


def test_a_ball_that_hardly_moves_is_not_taken_for_its_own_background():
    planes = _planes((0.0, 1.0), body_after=64)
    planes[0], planes[4] = WALL, BODY
    out = _made(planes, (0.0, 1.0), near=False)
    assert (out[0, 27:38, 27:38] == WALL).all()
    assert (out[2, 27:38, 27:38] == BODY).all()


def test_a_body_that_passes_shortly_after_is_replaced_by_longer_before_and_after():
    planes = _planes((0.0, 25.0), body_after=64)
    planes[3][:, 28:] = BODY
    out = _made(planes, (0.0, 25.0), near=True)
    assert (out[[0, 2]][:, 24:41] == WALL).all()


def test_where_the_usual_pair_agrees_nothing_else_is_looked_at():
    planes = _planes((0.0, 25.0), body_after=10)
    out = _made(planes, (0.0, 25.0), near=True)
    np.testing.assert_array_equal(out, planes[1:4])


@pytest.mark.parametrize(("body", "doubted"), [(64, False), (45, False), (33, True), (0, True)])
def test_a_pair_is_doubted_where_it_differs_behind_the_ball(body, doubted):
    planes = _planes((0.0, 25.0), body_after=body)
    out = np.empty(1, bool)
    disagreeing(planes[[0, 2, 4]][None], np.array([[32.0, 32.0]]), np.array([6.0]), out)
    assert out[0] == doubted


def test_a_ball_before_a_body_that_comes_is_measured():
    look = Look(exposure_s=1 / 250, blur_px=0.8, shading=(0.55, 0, 0.35, 0.10, 0, 0, 0, 0, 0))
    rng = np.random.default_rng(8)
    centre, step = np.array([31.4, 32.3]), np.array([0.0, 13.0])
    near_s = 1 / 30
    velocity = step / near_s
    planes = []
    for steps in (-4, -1, 0, 1, 4):
        planes.append(
            drawn(centre + steps * step, 6.0, velocity, look.exposure_s, look.blur_px, rng)[1]
        )
    planes[4][:, 15:] = 15  # someone dark has walked in
    found = Candidates(
        frame=0, time_s=0.0, points=centre[None], strengths=np.ones(1), compactness=np.ones(1),
        patches=np.array(planes)[None], near_s=near_s, origins=np.zeros((1, 2), int),
    )  # fmt: skip
    patches, origins = gather([(found, 0)], np.array([6.0]), velocity[None], look)
    got = measure(patches, origins, centre[None] + 0.6, np.array([6.0]), velocity[None], look)
    assert got.misfits[0] < 0.35
    assert np.hypot(*(got.centres[0] - centre)) < 0.15
