"""What became of serves (Laws 2.5 to 2.9), who served, and what is no serve, by flown balls.

A good service touches first the server's court and then, passing over the net, the receiver's (Law
2.6.3); one that touches the net on its way is a let (2.9.1.1); any other loses the point
(2.10.1.1).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.special import ndtr

from calibration import calibrate_corners, table
from placement.doubles import without_doubles
from placement.serves import find_serves
from placement.tracing import expected_of
from placement.trajectory import Sightings
from tests.placement.flown import (
    DRAG,
    Flown,
    G,
    calibrated,
    camera_beside,
    good_serve,
    seen,
    times_of,
)
from tests.placement.tosses import SIZE, film, followed

CAMERA = camera_beside()
CALIBRATION = calibrated(CAMERA)
NET = 0.1525  # m, Law 2.2.3


def told(*paths, **more):
    return find_serves(CALIBRATION, list(paths), **more)


def height_at_net(flown: Flown) -> float:
    times = np.linspace(*flown.span, 4000)
    at = flown.at(times)
    k = int(np.flatnonzero(at[:, 0] > 0)[0])
    return float(at[k, 2])


def over_net_by(clearance: float, until: float) -> Flown:
    """A serve whose lowest point passes the net's top by `clearance` m, by where it is struck."""

    def missing(height: float) -> float:
        flown = Flown().leg(1.0, (-1.57, 0.1, height), (4.5, 0.0, 0.0), 1.9)
        return height_at_net(flown) - 0.02 - NET - clearance

    height = brentq(missing, 0.14, 0.30, xtol=1e-6)
    return Flown().leg(1.0, (-1.57, 0.1, height), (4.5, 0.0, 0.0), until)


def time_at_net(flown: Flown) -> float:
    times = np.linspace(*flown.span, 8000)
    return float(times[np.flatnonzero(flown.at(times)[:, 0] > 0)[0]])


def test_good():
    flown = good_serve()
    _, (serve,) = told(seen(CAMERA, flown, times_of(1.0, 2.05), np.random.default_rng(1)))
    assert serve.outcome == "good"
    assert serve.outcome_probability > 0.9
    assert serve.server_end == -1
    assert serve.landing == pytest.approx(flown.touches[1].place, abs=8e-3)
    assert serve.second_bounce_seen
    assert serve.second_bounce == pytest.approx(flown.touches[2].place, abs=8e-3)
    # worked serve: 6.40 cm from the centre to the net's top, so 4.40 cm below the ball
    assert serve.net_clearance_m == pytest.approx(0.0440, abs=4e-3)
    assert serve.pace_m_s == pytest.approx(np.hypot(4.5, 0.3), abs=3 * serve.pace_sd_m_s)


def test_good_with_the_second_bounce_foretold():
    # the receiver plays it 0.1 s after its bounce: the second bounce is where SciPy has it anyway
    flown = good_serve()
    _, (serve,) = told(seen(CAMERA, flown, times_of(1.0, 1.75), np.random.default_rng(2)))
    assert serve.outcome == "good"
    assert not serve.second_bounce_seen
    assert "predicted-second-bounce" in serve.flags
    off = serve.second_bounce - flown.touches[2].place
    assert abs(off[0]) < 3 * np.sqrt(serve.second_bounce_covariance[0, 0])
    assert abs(off[0]) < 0.10


def test_let():
    flown = over_net_by(-0.004, 1.9)  # 4 mm too low: it brushes the cord
    at_net = time_at_net(flown)
    state = flown._state(np.array([at_net]))[0]
    after = Flown().leg(
        at_net, state[:3], (0.55 * state[3], state[4], state[5] + 0.5), at_net + 0.7
    )
    rng = np.random.default_rng(3)
    first = seen(CAMERA, flown, times_of(1.0, at_net), rng, n=1)
    until = after.touches[0].time + 0.2
    second = seen(CAMERA, after, times_of(at_net + 0.02, until), rng, n=1)
    _, (serve,) = told(first, second)
    assert serve.outcome == "let"
    assert serve.landing == pytest.approx(after.touches[0].place, abs=0.01)


@pytest.mark.parametrize(("kept", "up"), [(0.85, 0.2), (0.9, 0.5), (0.9, 0.6)])
def test_a_let_followed_as_one_path(kept, up):
    # a slight brush: one flight through both halves still fits, but two fit far better; a harder
    # one lifts the flight through both well over the net
    at_net = time_at_net(over_net_by(-0.004, 1.9))
    flown = over_net_by(-0.004, at_net)
    state = flown._state(np.array([at_net]))[0]
    flown.leg(at_net, state[:3], (kept * state[3], state[4], state[5] + up), at_net + 0.8)
    until = flown.touches[1].time + 0.2
    rng = np.random.default_rng(15)
    _, (serve,) = told(seen(CAMERA, flown, times_of(1.12, until), rng, n=2))
    assert serve.outcome == "let"


def seen_beyond_the_net(flown: Flown, seed: int):
    """The path of a ball of which nothing is seen before the net."""
    path = seen(CAMERA, flown, times_of(1.0, 1.95), np.random.default_rng(seed))
    later = path.sightings.times > time_at_net(flown)
    return replace(
        path, frames=path.frames[later], measured=path.measured[later],
        pictures=tuple(p for p, use in zip(path.pictures, later, strict=True) if use),
        first_seen=float(path.sightings.times[later][0]),
        sightings=Sightings(
            path.sightings.times[later], path.sightings.points[later],
            path.sightings.covariances[later],
        ),
    )  # fmt: skip


def test_a_serve_drawn_back_to_the_net_s_top_is_not_surely_good():
    # nothing is seen before the net: it may have brushed it, or the flight drawn back be off
    _, (sure,) = told(
        seen(CAMERA, over_net_by(0.03, 2.0), times_of(1.0, 1.95), np.random.default_rng(16))
    )
    _, (serve,) = told(seen_beyond_the_net(over_net_by(-0.003, 2.0), 16))
    assert serve.outcome == "good"
    assert serve.outcome_probability < 0.7 < 0.9 < sure.outcome_probability


def test_a_serve_whose_flight_beyond_the_net_leads_through_the_tape_brushed_it():
    # it landed, so that it came over: the ball was lower before the net than it can have been
    _, (serve,) = told(seen_beyond_the_net(over_net_by(-0.03, 2.0), 16))
    assert serve.outcome == "let"
    assert serve.net_clearance_m < 0
    assert serve.outcome_probability < 0.9


def test_a_low_serve_that_keeps_its_speed_is_good():
    flown = over_net_by(0.006, 2.0)
    _, (serve,) = told(seen(CAMERA, flown, times_of(1.0, 1.95), np.random.default_rng(4)))
    assert serve.outcome == "good"


def test_a_low_serve_seen_in_two_parts_is_no_let():
    # the net's post hides it for two frames: both parts are one flight
    flown = over_net_by(0.006, 2.0)
    at_net, rng = time_at_net(flown), np.random.default_rng(14)
    parts = [
        seen(CAMERA, flown, times_of(1.0, at_net - 0.015), rng),
        seen(CAMERA, flown, times_of(at_net + 0.025, 1.9), rng),
    ]
    _, (serve,) = told(*without_doubles(CAMERA, parts, expected_of(CAMERA)))
    assert serve.outcome == "good"


@pytest.mark.parametrize("drops", [False, True])
def test_net(drops):
    flown = over_net_by(-0.06, 1.9)
    at_net = time_at_net(flown)
    rng = np.random.default_rng(5)
    paths = [seen(CAMERA, flown, times_of(1.0, at_net - 0.02), rng, n=1)]
    if drops:
        off = Flown().leg(at_net, (-0.03, 0.1, 0.12), (-0.5, 0.0, 0.0), at_net + 0.5)
        paths.append(seen(CAMERA, off, times_of(at_net + 0.02, at_net + 0.45), rng, n=1))
    bounces, (serve,) = told(*paths)
    assert serve.outcome == "net"
    assert np.isnan(serve.landing).all()
    assert bounces[0].kind == "serve"


@pytest.mark.parametrize("end", [-1, 1])
def test_a_ball_of_which_only_the_drop_off_the_net_was_seen_bounced_on_the_servers_half(end):
    off = Flown().leg(2.0, (end * 0.03, 0.1, 0.12), (end * 0.5, 0.0, 0.0), 2.4)
    path = seen(CAMERA, off, times_of(2.0, 2.35), np.random.default_rng(16), n=1)
    bounces, (serve,) = told(path)
    assert (serve.outcome, serve.server_end) == ("net", end)
    assert [(b.kind, b.half, b.serve) for b in bounces] == [("other", "server", None)]


@pytest.mark.parametrize(("speed", "outcome"), [(4.0, "good"), (0.6, "net")])
def test_a_serve_that_was_played_back_came_over_though_its_landing_was_not_seen(speed, outcome):
    # followed as far as the net; then a ball comes to the server's half, fast or as off the net
    flown = over_net_by(0.03, 1.9)
    first, at_net = flown.touches[0].time, time_at_net(flown)
    rng = np.random.default_rng(15)
    played = Flown().leg(at_net + 0.3, (-0.05, 0.1, 0.3), (-speed, 0.0, -1.0), at_net + 0.8)
    assert played.touches[0].place[0] < 0
    assert played.touches[0].time - first < 1.0
    paths = [
        seen(CAMERA, flown, times_of(1.0, at_net), rng, n=1),
        seen(CAMERA, played, times_of(at_net + 0.32, at_net + 0.7), rng, n=1),
    ]
    _, (serve,) = told(*paths)
    assert serve.outcome == outcome
    assert serve.outcome_probability < 0.9


def test_missed():
    # over the net and past the end line
    flown = Flown().leg(1.0, (-1.5, 0.0, 0.35), (9.0, 0.2, -2.2), 1.75)
    _, (serve,) = told(seen(CAMERA, flown, times_of(1.0, 1.6), np.random.default_rng(6), n=1))
    assert len(flown.touches) == 1
    assert serve.outcome == "missed"


def test_own_side_twice():
    flown = Flown().leg(1.0, (-1.5, 0.0, 0.25), (1.6, 0.1, 0.0), 1.85)
    assert [t.place[0] < 0 for t in flown.touches] == [True, True]
    _, (serve,) = told(seen(CAMERA, flown, times_of(1.0, 1.8), np.random.default_rng(7)))
    assert serve.outcome == "own-twice"
    assert np.isnan(serve.landing).all()


@pytest.mark.parametrize(("film_ends", "cut_off"), [(10.0, False), (1.9, True)])
def test_unclear_where_it_should_have_landed_but_did_not(film_ends, cut_off):
    # a gust, a string: it goes on through where the table is, and was watched all the while
    flown = good_serve(until=0.55)
    first = flown.touches[0]
    through = Flown(legs=flown.legs[:1], touches=[first])
    state = flown._state(np.array([first.time + 1e-6]))[0]
    # the same flight on, its last pictures below the table's plane
    solved = solve_ivp(
        lambda _, y: np.concatenate([y[3:], -DRAG * np.linalg.norm(y[3:]) * y[3:] - [0, 0, G]]),
        (first.time, first.time + 0.6), state, "DOP853", rtol=1e-9, dense_output=True,
    )  # fmt: skip
    through.legs.append((first.time, first.time + 0.6, solved.sol))
    _, (serve,) = told(
        seen(CAMERA, through, times_of(1.0, first.time + 0.55), np.random.default_rng(8), n=1),
        last_s=film_ends,
    )
    assert serve.outcome == "unclear"
    assert serve.outcome_probability == 0.5
    # a film that goes on for less than a flight's time after it may have missed what followed
    assert ("cut-off" in serve.flags) is cut_off


def test_landing_foretold_where_the_film_saw_no_more():
    # the receiver stands before the camera: nothing is seen beyond the net
    flown = good_serve()
    _, (serve,) = told(seen(CAMERA, flown, times_of(1.0, 1.5), np.random.default_rng(9)))
    assert serve.outcome == "good"
    assert "landing-predicted" in serve.flags
    off = serve.landing - flown.touches[1].place
    assert abs(off[0]) < 3 * np.sqrt(serve.landing_covariance[0, 0])
    # and with it the second bounce: a fall, a bounce and a fall by SciPy have it there
    assert "predicted-second-bounce" in serve.flags
    off = serve.second_bounce - flown.touches[2].place
    spread = serve.second_bounce_covariance
    assert off @ np.linalg.solve(spread, off) < 9.21  # chi-square, 2 degrees of freedom, 99 %
    # a bounce nobody saw may be livelier or rougher than others: that alone is some centimetres
    assert 0.04 < np.sqrt(spread[0, 0]) < 0.3
    # and the class is no surer than the place: its edges lie 0.15 m to each side of the end line
    nearest = np.abs(serve.second_bounce[0] - 1.37 - np.array([-0.15, 0.15])).min()
    assert serve.depth_probability <= ndtr(nearest / np.sqrt(spread[0, 0])) + 0.02


def test_serves_from_alternating_ends():
    rng = np.random.default_rng(10)
    ends = [-1, 1, 1, -1]
    paths = [
        seen(CAMERA, good_serve(4.0 * k + 1, end), times_of(4.0 * k + 1, 4.0 * k + 1.95), rng)
        for k, end in enumerate(ends)
    ]
    bounces, serves = told(*paths)
    assert [s.server_end for s in serves] == ends
    assert [s.number for s in serves] == [1, 2, 3, 4]
    assert [s.outcome for s in serves] == ["good"] * 4
    for s in serves:
        assert [bounces[k].half for k in s.bounces][:2] == ["server", "receiver"]
        assert all(bounces[k].serve == s.number for k in s.bounces)
    # the same serve from either end lands on the same side as the server sees it
    assert len({s.side for s in serves}) == 1


@pytest.mark.parametrize("end", [-1, 1])
def test_idle_bouncing_before_a_serve_is_no_serve(end):
    # the server drops the ball on the table and catches it, twice, then serves
    rng = np.random.default_rng(11)
    idle = Flown().leg(1.0, (end * 1.1, 0.1, 0.35), (-end * 0.15, 0.0, 0.0), 1.9)
    serve = good_serve(4.0, end)
    bounces, serves = told(
        seen(CAMERA, idle, times_of(1.0, 1.85), rng), seen(CAMERA, serve, times_of(4.0, 4.95), rng)
    )
    assert len(serves) == 1
    assert serves[0].t_contact_s == pytest.approx(4.0, abs=0.05)
    assert [b.kind for b in bounces] == ["idle", "idle", "serve", "serve"]
    assert [b.half for b in bounces] == ["server"] * 3 + ["receiver"]


def test_a_return_is_no_serve():
    rng = np.random.default_rng(12)
    flown = good_serve(until=0.78)
    at = flown.at(np.array([1.78]))[0]
    back = Flown().leg(1.78, at, (-5.5, 0.2, 1.2), 2.6)
    assert back.touches[0].place[0] < 0
    bounces, serves = told(
        seen(CAMERA, flown, times_of(1.0, 1.77), rng),
        seen(CAMERA, back, times_of(1.80, back.touches[0].time + 0.25), rng, n=1),
    )
    assert len(serves) == 1
    assert [b.kind for b in bounces] == ["serve", "serve", "return"]
    assert bounces[2].half == "server"


def test_serves_cut_off_by_the_films_ends_are_flagged():
    rng = np.random.default_rng(13)
    whole = seen(CAMERA, good_serve(1.0), times_of(1.0, 1.9), rng)
    assert "cut-off" not in told(whole, first_s=0.0, last_s=60.0)[1][0].flags
    assert "cut-off" in told(whole, first_s=0.95, last_s=60.0)[1][0].flags
    # the film ends while the ball is on its way from the first bounce to the second
    flown = good_serve(1.0)
    end = flown.touches[1].time - 0.06
    part = seen(CAMERA, flown, times_of(1.0, end), rng, n=1)
    (serve,) = told(part, first_s=0.0, last_s=end)[1]
    assert serve.outcome == "good"
    assert "cut-off" in serve.flags
    assert "cut-off" not in told(part, first_s=0.0, last_s=60.0)[1][0].flags


def test_no_path_is_no_serve():
    assert told() == ([], [])


def test_a_serve_whose_toss_was_seen_is_whole_however_soon_the_film_begins():
    shown = film("side", 120, seed=7, rise=0.2)
    path, _ = followed(shown.camera, 120, shown.history, seed=107)
    calibration = calibrate_corners(shown.camera.project(table.CORNERS), SIZE)
    _, (serve,) = find_serves(calibration, [path], first_s=shown.release_s - 0.1, last_s=60.0)
    assert serve.toss_rise_m == pytest.approx(0.2, abs=0.05)
    assert "cut-off" not in serve.flags
