"""Balls drawn on a made film are among the candidates, where they were drawn."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from placement.ball import BallFinder, Candidates


class Still:
    """A frame as the finder needs it."""

    def __init__(self, index: int, luma: np.ndarray) -> None:
        self.index, self.time_s, self.luma = index, index / 60, luma
        self.red = np.full((luma.shape[0] // 2, luma.shape[1] // 2), 128, np.uint8)


def film(n=30, balls=True):
    rng = np.random.default_rng(8)
    ground = cv2.GaussianBlur(rng.integers(40, 110, (540, 960)).astype(np.uint8), (0, 0), 9)
    for i in range(n):
        luma = cv2.add(ground, rng.integers(0, 3, ground.shape).astype(np.uint8))
        if balls:
            u, v = 100 + 22.0 * i, 300 - 12 * i + 0.5 * i * i
            where = (round(u * 16), round(v * 16))
            cv2.circle(luma, where, 5 * 16, 230, -1, cv2.LINE_AA, shift=4)
        yield Still(i, luma)


def found_in(frames) -> list[Candidates]:
    finder = BallFinder(960, 540, 60.0)
    return [*(c for f in frames if (c := finder.push(f)) is not None), *finder.finish()]


def test_a_flying_ball_is_the_strongest_candidate():
    found = found_in(film())
    # in the first frames too, which have none before them, and in the last
    assert [c.frame for c in found] == list(range(30))
    for c in found:
        i = c.frame
        truth = np.array([100 + 22.0 * i, 300 - 12 * i + 0.5 * i * i])
        # half its radius of 5 px: near enough for the fit of its picture to begin there
        assert np.hypot(*(c.points[0] - truth)) < 2.5
        assert c.compactness[0] > 0.5


def test_an_empty_scene_has_no_candidates():
    assert sum(len(c.points) for c in found_in(film(balls=False))) == 0


def test_a_film_shorter_than_the_steps_ends_without_its_last_frames():
    lag = BallFinder(960, 540, 60.0).lag
    assert [c.frame for c in found_in(film(n=2 * lag))] == list(range(lag))


@pytest.mark.parametrize("k", [0, 5, 28])
def test_patches_hold_the_frames_around(k):
    frames = list(film())
    c = found_in(frames)[k]
    u, v = c.origins[0]
    side = c.patches[0].shape[1]
    np.testing.assert_array_equal(c.patches[0][2], frames[c.frame].luma[v : v + side, u : u + side])
    assert c.patches[0].shape == (5, side, side)


def test_an_emptied_frame_keeps_its_place_in_the_film_alone():
    c = found_in(film())[0]
    bare = c.emptied()
    assert (bare.frame, bare.time_s, bare.near_s) == (c.frame, c.time_s, c.near_s)
    assert sum(a.nbytes for a in (bare.points, bare.strengths, bare.compactness, bare.origins)) == 0
    assert len(bare.patches) == 0
    assert len(c.patches) == len(c.points) > 0
