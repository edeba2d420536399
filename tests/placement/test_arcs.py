"""Arcs in space from one camera, against flights that SciPy traced."""

import numpy as np
import pytest

from placement.arcs import fit_arc, near_table, split_at_kinks, split_in_two, trimmed_arc
from placement.tracks import Run
from tests.placement.balls import as_run, camera_behind, opencv_pixels, trace

PLACE, VELOCITY = np.array([-1.0, 0.1, 0.25]), np.array([4.0, 0.3, 0.8])
TIMES = np.arange(0, 0.30, 1 / 60)  # before the first bounce


def test_pixels_of_the_flight_agree_with_opencv():
    camera = camera_behind()
    places = trace(PLACE, VELOCITY, TIMES)
    assert camera.project(places) == pytest.approx(opencv_pixels(camera, places), abs=1e-9)


def test_gravity_gives_the_scale_of_a_free_flight():
    camera = camera_behind()
    places = trace(PLACE, VELOCITY, TIMES)
    arc = fit_arc(camera, as_run(camera, TIMES, places))
    assert arc is not None
    # exact pictures: what is left is the constant acceleration taken for 0.3 s of drag
    assert arc.at(TIMES) == pytest.approx(places, abs=0.06)
    assert arc.misfit < 0.2


def test_a_walker_does_not_fly_like_a_ball():
    camera = camera_behind()
    times = np.arange(0, 1.2, 1 / 60)
    walk = np.column_stack([0.5 + 0 * times, -1.5 + 1.2 * times, 0.5 + 0 * times])
    assert fit_arc(camera, as_run(camera, times, walk)) is None


def test_a_bounce_is_found_as_a_kink():
    camera = camera_behind()
    times = np.arange(0, 0.7, 1 / 60)
    run = as_run(camera, times, trace(PLACE, VELOCITY, times))
    pieces = split_at_kinks(run, 1.0)
    assert len(pieces) >= 2
    assert sum(len(p.times) for p in pieces) == len(times)
    z = trace(PLACE, VELOCITY, times)[:, 2]
    lowest = times[np.flatnonzero(np.diff(np.sign(np.diff(z))) > 0)[0] + 1]
    assert min(abs(p.times[0] - lowest) for p in pieces[1:]) < 2.5 / 60


def test_a_smooth_run_is_left_whole():
    times = np.arange(12) / 60
    run = Run(
        np.arange(12), np.zeros(12, int), times, np.column_stack([900 * times, 400 * times**2])
    )
    assert split_at_kinks(run, 1.0) == [run]


def test_a_run_that_is_no_arc_is_cut_where_it_most_likely_breaks():
    times = np.arange(7) / 30
    v = np.where(times < 3.5 / 30, 300 * times, 300 * 3.5 / 30 - 20 * (times - 3.5 / 30))
    run = Run(np.arange(7), np.zeros(7, int), times, np.column_stack([900 * times, v]))
    assert split_at_kinks(run, 1.5) == [run]  # too little to be sure
    first, second = split_in_two(run)
    assert (len(first.times), len(second.times)) == (4, 3)
    assert split_in_two(run.part(slice(0, 5))) == []


@pytest.mark.parametrize("end", [0, 1])
def test_two_sightings_beyond_a_kink_are_left_out_of_a_flight(end):
    # too few for a piece of their own; of a toss, say, that ends where the serve begins
    camera = camera_behind()
    times = np.arange(9) / 30
    places = trace(PLACE, VELOCITY, times)
    points = camera.project(places)
    other = slice(0, 2) if end == 0 else slice(-2, None)
    points[other] += np.array([[25.0, -60.0], [15.0, -30.0]])[:: 1 - 2 * end]
    run = Run(np.arange(9), np.zeros(9, int), times, points)
    assert fit_arc(camera, run) is None
    arc = trimmed_arc(camera, run)
    assert arc is not None
    assert arc.run.frames.tolist() == [list(range(2, 9)), list(range(7))][end]
    assert arc.at(arc.run.times) == pytest.approx(places[arc.run.frames], abs=0.06)  # as above


@pytest.mark.parametrize(
    ("point", "on"),
    [((1.37, 0.7625), True), ((1.45, 0.0), False), ((0.0, -0.80), True), ((0.0, -0.82), False)],
)
def test_near_table_allows_a_margin(point, on):  # sizes: Law 2.1.1
    assert near_table(np.array([point]), 0.05)[0] == on
