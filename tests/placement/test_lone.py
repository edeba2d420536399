"""Bounces beside which too little was seen for a run of their own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placement.ball_model import Look
from placement.lone import follow_from_hidden, follow_on
from tests.placement.flown import (
    EXPOSURE,
    LOOK,
    RATE,
    Flown,
    arc_between,
    camera_beside,
    candidates,
    good_serve,
    times_of,
    window_of,
)


def ended_soon_after_its_bounce():
    """Camera, frames, an arc to the first bounce and that bounce; three sightings beyond it."""
    camera, rng, flown = camera_beside(), np.random.default_rng(2), good_serve()
    first = flown.touches[0]
    frames, ball_of = candidates(
        camera, flown, times_of(0.9, 1.6), rng, clutter=3, hidden=[(first.time + 4.2 / 60, 2.0)]
    )
    return camera, frames, arc_between(camera, frames, ball_of, 1.0, first.time), first


def test_a_hidden_first_bounce_is_inferred():
    # the server's body hides the ball until 40 ms after its bounce
    camera, rng, flown = camera_beside(), np.random.default_rng(1), good_serve(until=0.62)
    first = flown.touches[0]
    frames, ball_of = candidates(
        camera, flown, times_of(0.7, 1.7), rng, clutter=3, hidden=[(0.9, first.time + 0.04)]
    )
    arc = arc_between(camera, frames, ball_of, first.time, 1.62)
    found = follow_from_hidden(window_of(camera, frames, LOOK), arc)
    assert found is not None
    assert found.path.n_bounces == 1
    # a third of a second of flight tells little of its distance, and the fit says so: two
    # decimetres along the line of sight. It is off by no more than it says, and by less than a hand
    off = found.path.bounce_places[0] - first.place
    cov = found.path.bounce_covariances[0]
    assert off @ np.linalg.solve(cov, off) < 9.21  # chi-square, 2 degrees of freedom, 99 %
    assert np.hypot(*off) < 0.20
    # in the picture, across the line of sight, it is where it was
    there, true = (camera.project(np.array([[*p, 0.02]])) for p in (off + first.place, first.place))
    assert np.hypot(*(there - true)[0]) < 25  # px; the ball is 10 px wide and moves 9 px a frame
    assert found.path.bounce_times[0] == pytest.approx(first.time, abs=0.025)


@pytest.mark.parametrize("spin", [(0, -200, 0), (0, 0, 300), (0, 300, 200)])
def test_a_hidden_first_bounce_is_inferred_though_spin_bends_the_flight(spin):
    # seen from the side for 0.7 s: a flight without spin would not come from the table at all
    camera, rng = camera_beside((0.2, -5.0, 1.3)), np.random.default_rng(6)
    flown = Flown().leg(1.0, (-1.5, 0.3, 0.25), (5.5, 1.4, -2.5), 1.9, spin)
    first = flown.touches[0]
    hidden, until = first.time + 0.015, first.time + 0.74
    frames, ball_of = candidates(camera, flown, times_of(0.7, 2.0), rng, hidden=[(0.9, hidden)])
    arc = arc_between(camera, frames, ball_of, hidden, until)
    found = follow_from_hidden(window_of(camera, frames, LOOK), arc)
    assert found is not None
    assert found.path.bounce_times[0] == pytest.approx(first.time, abs=4e-3)
    assert found.path.bounce_places[0] == pytest.approx(first.place, abs=0.08)


def test_a_bounce_after_the_last_run_is_found():
    # three sightings beyond the bounce only: too few for a run of their own
    camera, frames, arc, first = ended_soon_after_its_bounce()
    found = follow_on(window_of(camera, frames, LOOK), arc)
    assert found is not None
    assert found.path.bounce_times[0] == pytest.approx(first.time, abs=4e-3)
    assert found.path.bounce_places[0] == pytest.approx(first.place, abs=0.015)


def test_a_toss_comes_from_no_hidden_bounce():
    # rises from 5 cm above the table, straight up, as a ball bounced idly or thrown
    camera, rng = camera_beside(), np.random.default_rng(3)
    flown = Flown().leg(1.0, (-1.2, 0.1, 0.05), (0.1, 0.0, 2.2), 1.4)
    frames, ball_of = candidates(camera, flown, times_of(0.8, 1.6), rng)
    arc = arc_between(camera, frames, ball_of, 1.0, 1.4)
    assert follow_from_hidden(window_of(camera, frames, LOOK), arc) is None


def test_a_flight_high_over_the_table_leads_to_no_bounce():
    camera, rng = camera_beside(), np.random.default_rng(4)
    flown = Flown().leg(1.0, (-1.0, 0.0, 0.6), (5.0, 0.2, 1.5), 1.3)
    frames, ball_of = candidates(camera, flown, times_of(0.8, 1.6), rng)
    arc = arc_between(camera, frames, ball_of, 1.0, 1.3)
    window = window_of(camera, frames, LOOK)
    assert follow_on(window, arc) is None
    assert follow_from_hidden(window, arc) is None


@pytest.mark.parametrize("look", [LOOK, Look(exposure_s=EXPOSURE)], ids=["known", "nearly-known"])
@pytest.mark.parametrize("lead", [0.5, 0.9])
def test_an_arc_that_begins_one_sighting_before_its_bounce_is_followed(lead, look):
    # the first sighting is from `lead` frames before the bounce: with it the run is no flight
    # that comes from the table
    camera, rng, step = camera_beside(), np.random.default_rng(2), 1 / RATE
    at = good_serve(until=0.3).touches[0].time
    flown = good_serve(begin=1.0 + step * np.ceil(at / step) + step * lead - at - step, until=0.62)
    first = flown.touches[0]
    frames, ball_of = candidates(
        camera, flown, times_of(0.7, 1.7), rng, clutter=3, hidden=[(0.9, first.time - 1.05 * step)]
    )
    arc = arc_between(camera, frames, ball_of, first.time - step, 1.62)
    assert arc.run.times[0] - first.time == pytest.approx(-lead * step, abs=1e-6)
    found = follow_from_hidden(window_of(camera, frames, look), arc)
    assert found is not None
    assert found.path.bounce_times[0] == pytest.approx(first.time, abs=step / 2)
    assert found.path.bounce_places[0] == pytest.approx(first.place, abs=0.05)


def test_a_flight_from_beside_the_table_is_given_up_soon():
    # thrown from the floor beyond the end: it flies like a ball, but bounced on no table
    camera, rng = camera_beside(), np.random.default_rng(4)
    flown = Flown().leg(1.0, (2.6, 0.2, -0.4), (-1.2, 0.1, 4.0), 1.5)
    frames, ball_of = candidates(camera, flown, times_of(0.8, 1.7), rng)
    arc = arc_between(camera, frames, ball_of, 1.0, 1.5)
    assert follow_from_hidden(window_of(camera, frames, LOOK), arc) is None


def test_what_is_too_pale_for_the_films_ball_is_not_followed():
    camera, frames, arc, _ = ended_soon_after_its_bounce()
    window = window_of(camera, frames, LOOK)
    found = follow_on(window, arc)
    assert found is not None
    assert follow_on(replace(window, palest=0.9 * found.contrast), arc) is not None
    assert follow_on(replace(window, palest=1.5 * found.contrast), arc) is None
