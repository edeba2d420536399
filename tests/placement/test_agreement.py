"""Sightings that belong to no ball are told from those of the flight on either side of a bounce."""

from __future__ import annotations

import numpy as np
import pytest

from placement.agreement import without_strangers
from tests.placement.flown import camera_beside, good_serve, seen, times_of

CAMERA = camera_beside()


@pytest.fixture(scope="module")
def path():
    """One bounce."""
    return seen(CAMERA, good_serve(), times_of(1.0, 1.45), np.random.default_rng(1)).path


def kept(path, before: str, after: str) -> str:
    """Which sightings stay; `G` looks like a ball, `b` does not, `g` and `.` are faint likewise."""
    told = before + after
    bounce = float(path.bounce_times[0])
    times = bounce + (np.arange(len(told)) - len(before) + 0.5) / 60
    good = np.array([c in "Gg" for c in told])
    faint = np.array([c in "g." for c in told])
    keep = without_strangers(path, times, good, faint)
    return "".join(c if k else "-" for c, k in zip(told, keep, strict=True))


def test_what_looks_like_a_ball_all_along_stays(path):
    assert kept(path, "GGGbGG", "GGGGbG") == "GGGbGGGGGGbG"


def test_an_arm_before_the_bounce_is_left_out(path):
    assert kept(path, "bbbGbb", "GGGGGG") == "------GGGGGG"


def test_the_flight_next_to_the_bounce_stays_where_a_body_was_before_it(path):
    assert kept(path, "bbGbbbbbGGGGG", "GGGG") == "--------GGGGGGGGG"
    assert kept(path, "GGGG", "GGGGGbbbbbGbb") == "GGGGGGGGG--------"


def test_a_faint_picture_that_looks_like_a_ball_counts_and_one_that_does_not_tells_nothing(path):
    assert kept(path, "GGG", "gggggGbbb") == "GGGgggggGbbb"
    assert kept(path, "GGGG", "....b") == "GGGG-----"
    assert kept(path, "GGGG", ".....") == "GGGG....."
