"""Meetings of two runs on the table, against flights that SciPy traced."""

import numpy as np
import pytest

from calibration import stand_camera
from placement.bounces import Meeting, find_meetings, fit_meeting
from placement.tracks import Run
from tests.placement.balls import as_run, camera_behind, trace

PLACE, VELOCITY = np.array([-1.0, 0.1, 0.25]), np.array([4.0, 0.3, 0.8])
TIMES = np.arange(0, 0.62, 1 / 60)


def truth(velocity: np.ndarray = VELOCITY) -> tuple[float, np.ndarray]:
    fine = np.arange(0, 0.62, 1e-4)
    places = trace(PLACE, velocity, fine)
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
    meetings = of_short_runs(times, VELOCITY, 3)
    assert [m.place for m in meetings] == [pytest.approx(where, abs=0.02)] * found


@pytest.mark.parametrize(("along", "found"), [(2.2, 1), (4.0, 0)])
def test_two_short_runs_of_a_fast_film_tell_a_bounce_but_not_at_the_net(along, found):
    # there a ball that drops off the net looks alike; the faster one comes down within 0.2 m of it
    velocity = np.array([along, 0.3, 0.8])
    when, where = truth(velocity)
    times = when + (np.arange(10) - 5.5) / 60
    meetings = of_short_runs(times, velocity, 6)
    assert [m.place for m in meetings] == [pytest.approx(where, abs=0.02)] * found


def of_short_runs(times: np.ndarray, velocity: np.ndarray, first: int) -> list[Meeting]:
    """Meetings of the first so many sightings with the rest, neither of them an arc."""
    camera, places = camera_behind(), trace(PLACE, velocity, times)
    before = as_run(camera, times[:first], places[:first])
    after = as_run(camera, times[first:], places[first:], first)
    return find_meetings(camera, [], [before, after])


@pytest.mark.parametrize(("rate", "found"), [(30, 1), (60, 0)])
def test_runs_of_a_slow_film_may_share_the_sighting_nearest_to_the_bounce(rate, found):
    camera = camera_behind()
    when, where = truth()
    times = when + (np.arange(-3, 5) - 0.1) / rate
    places = trace(PLACE, VELOCITY, np.concatenate([[0.0], times]))[1:]
    runs = [as_run(camera, times[:4], places[:4]), as_run(camera, times[3:], places[3:], 3)]
    meetings = find_meetings(camera, [], runs)
    assert len(meetings) == found
    assert all(m.place == pytest.approx(where, abs=0.02) for m in meetings)


def test_bounces_seen_from_behind_need_no_good_first_guess():
    # along the line of sight a few scattered pictures say little of how fast the ball goes
    rng = np.random.default_rng(0)
    camera = stand_camera((-5.5, 0.27, 1.3), size=(1920, 1080), focal_px=2900.0)
    for _ in range(60):
        ahead, number = rng.choice([-1, 1]), int(rng.integers(4, 14))
        times = np.arange(0, 0.6, 1 / 60)
        start = np.array([-ahead, rng.uniform(-0.5, 0.5), 0.25])
        velocity = np.array([ahead * rng.uniform(3, 6), rng.uniform(-0.3, 0.3), 0.3])
        places = trace(start, velocity, times)
        rises = np.diff(places[:, 2]) > 0
        low = next(k for k in range(6, 30) if rises[k] and not rises[k - 1])
        head, tail = slice(max(0, low - number), low), slice(low + 2, low + 13)
        before, after = (scattered(camera, times, places, part, rng) for part in (head, tail))
        meeting = fit_meeting(camera, before, after)
        assert meeting is not None
        assert abs(meeting.time - times[low]) < 1.5 / 60


def scattered(camera, times, places, part: slice, rng: np.random.Generator) -> Run:
    exact = as_run(camera, times[part], places[part], part.start)
    points = exact.points + rng.normal(0, 1.5, exact.points.shape)
    return Run(exact.frames, exact.members, exact.times, points)


def test_nothing_to_join_gives_nothing():
    assert find_meetings(camera_behind(), [], []) == []
