"""Meetings of two runs on the table, against flights that SciPy traced."""

import numpy as np
import pytest

from placement.bounces import find_meetings, fit_meeting
from tests.placement.balls import as_run, camera_behind, trace

PLACE, VELOCITY = np.array([-1.0, 0.1, 0.25]), np.array([4.0, 0.3, 0.8])
TIMES = np.arange(0, 0.62, 1 / 60)


def truth() -> tuple[float, np.ndarray]:
    fine = np.arange(0, 0.62, 1e-4)
    places = trace(PLACE, VELOCITY, fine)
    k = int(np.argmin(places[:4500, 2]))
    return float(fine[k]), places[k, :2]


def halves(times: np.ndarray):
    camera = camera_behind()
    places = trace(PLACE, VELOCITY, times)
    when, _ = truth()
    early = times < when
    return (
        camera,
        as_run(camera, times[early], places[early]),
        as_run(camera, times[~early], places[~early], int(early.sum())),
    )


def test_a_bounce_between_frames_is_placed_in_space_and_time():
    camera, before, after = halves(TIMES)
    meeting = fit_meeting(camera, before, after)
    when, where = truth()
    assert meeting is not None
    assert meeting.time == pytest.approx(when, abs=2e-3)
    # exact pictures; expectations of restitution and friction pull by about a millimetre
    assert meeting.place == pytest.approx(where, abs=4e-3)
    assert meeting.incoming[2] < 0 < meeting.outgoing[2]


def test_thirty_frames_a_second_are_enough():
    camera, before, after = halves(np.arange(0, 0.62, 1 / 30))
    meeting = fit_meeting(camera, before, after)
    assert meeting is not None
    assert meeting.place == pytest.approx(truth()[1], abs=0.012)


def test_two_halves_of_one_flight_are_no_bounce():
    camera = camera_behind()
    times = np.arange(0, 0.30, 1 / 60)
    places = trace(PLACE, VELOCITY, times)
    before, after = as_run(camera, times[:9], places[:9]), as_run(camera, times[9:], places[9:], 9)
    assert fit_meeting(camera, before, after) is None


@pytest.mark.parametrize(("rate", "found"), [(30, 1), (60, 0)])
def test_three_sightings_on_either_side_tell_a_fast_bounce_of_a_slow_film(rate, found):
    # a serve into the net shows for so few frames at 30 a second; at 60 there are always more
    when, where = truth()
    times = when + np.array([-2.5, -1.5, -0.5, 0.5, 1.5, 2.5]) / rate
    camera, places = camera_behind(), trace(PLACE, VELOCITY, times)
    before = as_run(camera, times[:3], places[:3])
    after = as_run(camera, times[3:], places[3:], 3)
    meetings = find_meetings(camera, [], [before, after])
    assert len(meetings) == found
    for m in meetings:
        assert m.place == pytest.approx(where, abs=0.02)


def test_nothing_to_join_gives_nothing():
    assert find_meetings(camera_behind(), [], []) == []
