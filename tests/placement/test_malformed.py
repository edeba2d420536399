"""What the core's public functions do with nothing, and with numbers that are none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration import table
from placement.arcs import near_table, split_at_kinks
from placement.ball_image import measure
from placement.ball_model import Look
from placement.bounces import fit_meeting
from placement.tracks import Linker, Run
from placement.trajectory import Expectations, Sightings, fit_path
from tests.placement.flown import (
    blank,
    camera_beside,
    good_serve,
    pixels,
    times_of,
)

CAMERA = camera_beside()
TIMES = times_of(1.02, 1.2)
SEEN = pixels(CAMERA, good_serve().at(TIMES))
NOWHERE = np.full(SEEN.shape, np.nan)
THETA = np.array([1.24, -0.54, 0.07, 4.1, 0.3, -2.2, 0, 0, 0, 0.25, 0.45, 0.7, 0.9, 0, 0])


def run(points) -> Run:
    n = len(points)
    return Run(np.arange(n), np.zeros(n, int), TIMES[:n], points)


def test_runs_without_places_meet_nothing():
    assert fit_meeting(CAMERA, run(NOWHERE), run(NOWHERE)) is None
    assert fit_meeting(CAMERA, run(SEEN), run(NOWHERE)) is None


def test_an_empty_run_is_left_whole():
    empty = run(np.empty((0, 2)))
    assert split_at_kinks(empty, 1.0) == [empty]


def test_a_start_that_is_no_number_is_no_fit():
    sightings = Sightings(TIMES, SEEN, np.tile(np.eye(2), (len(TIMES), 1, 1)))
    assert fit_path(CAMERA, sightings, THETA * np.nan, 1, Expectations()) is None


def test_an_unknown_solver_is_named():
    sightings = Sightings(TIMES, SEEN, np.tile(np.eye(2), (len(TIMES), 1, 1)))
    with pytest.raises(ValueError, match=r"solver must be one of .* got 'best'"):
        fit_path(CAMERA, sightings, THETA, 1, Expectations(), solver="best")


def test_pictures_that_show_nothing_have_no_centre():
    dark = np.zeros((2, 3, 40, 40), np.uint8)
    images = measure(
        dark, np.zeros((2, 2), int), np.full((2, 2), 20.0), np.full(2, 5.0), np.ones((2, 2)), Look()
    )
    assert np.isnan(images.centres).all()
    assert not np.isfinite(images.misfits).any()


def test_no_pictures_are_measured_to_nothing():
    images = measure(
        np.zeros((0, 3, 40, 40), np.uint8), np.zeros((0, 2), int), np.empty((0, 2)), np.empty(0),
        np.empty((0, 2)), Look(),
    )  # fmt: skip
    assert images.centres.shape == (0, 2)


def linked(points_of) -> list[Run]:
    linker, out = Linker(1280), []
    for k in range(12):
        points = np.asarray(points_of(k), float).reshape(-1, 2)
        n = len(points)
        out += linker.push(
            replace(
                blank(k, k / 60),
                points=points,
                strengths=np.full(n, 40.0),
                compactness=np.full(n, 0.7),
            )
        )
    return out + linker.finish()


def test_candidates_nowhere_make_no_run():
    assert linked(lambda k: [[np.nan, np.nan]]) == []
    assert linked(lambda k: []) == []


def test_nowhere_is_not_near_the_table():
    assert not near_table(np.array([[np.nan, 0.0], [0.0, np.nan]])).any()
    assert near_table(np.empty((0, 2))).shape == (0,)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.floats(-1.37, 1.37), st.floats(-0.7625, 0.7625))
def test_a_bounces_picture_cut_with_its_plane_is_its_place(x, y):
    # by OpenCV into the picture, by the tool back to one radius above the table (Law 2.3.1)
    pixel = pixels(CAMERA, np.array([[x, y, table.BALL_RADIUS]]))
    assert CAMERA.cut_plane(pixel, table.BALL_RADIUS) == pytest.approx(np.array([[x, y]]), abs=1e-6)
