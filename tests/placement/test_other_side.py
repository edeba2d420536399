"""The ball beyond a bounce that a path knows from one side alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placement.lone import follow_from_hidden
from placement.other_side import pinned_down, with_first_flight, with_last_flight
from placement.paths import extended
from placement.tracing import Tracer
from tests.placement.flown import (
    LOOK,
    RATE,
    arc_between,
    camera_beside,
    candidates,
    good_serve,
    times_of,
    window_of,
)


def test_a_bounce_known_from_one_side_is_looked_for_on_the_other():
    # as if fitted first without what lies before the bounce, which leaves decimetres open
    camera, rng, flown = camera_beside(), np.random.default_rng(1), good_serve(until=0.62)
    first = flown.touches[0]
    frames, ball_of = candidates(camera, flown, times_of(0.7, 1.7), rng, clutter=3)
    veiled = {f: c.emptied() if c.time_s < first.time + 0.03 else c for f, c in frames.items()}
    arc = arc_between(camera, frames, ball_of, first.time + 0.03, 1.62)
    vague = follow_from_hidden(window_of(camera, veiled, LOOK), arc)
    assert vague is not None
    assert vague.first_seen > first.time
    assert pinned_down(window_of(camera, veiled, LOOK), vague) is vague  # nothing is found
    sure = pinned_down(window_of(camera, frames, LOOK), vague)
    assert (sure.sightings.times < first.time).sum() >= 3
    assert sure.path.bounce_times[0] == pytest.approx(first.time, abs=3e-3)
    assert sure.path.bounce_places[0] == pytest.approx(first.place, abs=0.012)
    assert pinned_down(window_of(camera, frames, LOOK), sure) is sure  # it is known already


def test_the_flight_before_a_first_bounce_is_found_where_it_was_left_out():
    # 30 frames a second: three sightings between the stroke and the bounce
    camera, rng, flown = camera_beside(), np.random.default_rng(12), good_serve()
    first, second = flown.touches[:2]
    frames, ball_of = candidates(camera, flown, times_of(0.9, 1.6)[::2], rng, clutter=3)
    veiled = {f: c.emptied() if c.time_s < first.time else c for f, c in frames.items()}
    arc = arc_between(camera, frames, ball_of, first.time, second.time)
    late = follow_from_hidden(window_of(camera, veiled, LOOK), arc)
    assert late is not None
    assert late.first_seen > first.time
    assert with_first_flight(window_of(camera, veiled, LOOK), late) is late  # nothing is found
    window = window_of(camera, frames, LOOK)
    whole = with_first_flight(window, late)
    assert (whole.sightings.times < first.time).sum() >= 2
    assert whole.path.bounce_times[0] == pytest.approx(first.time, abs=2e-3)
    assert whole.path.bounce_places[0] == pytest.approx(first.place, abs=0.01)
    assert with_first_flight(window, whole) is whole


def test_the_flight_after_a_last_bounce_is_found_though_its_instant_was_a_little_wrong():
    # the ball comes towards the phone: how low it flies is told badly, and so when it bounces
    camera = camera_beside((3.4, 0.6, 1.75))
    rng, flown = np.random.default_rng(13), good_serve()
    first, second = flown.touches[:2]
    frames, ball_of = candidates(camera, flown, times_of(0.9, second.time + 0.2), rng, clutter=3)
    veiled = {f: c.emptied() if c.time_s > second.time else c for f, c in frames.items()}
    hidden, window = window_of(camera, veiled, LOOK), window_of(camera, frames, LOOK)
    early = follow_from_hidden(
        hidden, arc_between(camera, frames, ball_of, first.time, second.time)
    )
    assert early is not None
    inferred = extended(hidden, early)
    assert inferred.path.n_bounces == 2
    assert inferred.last_seen < second.time
    assert with_last_flight(hidden, inferred) is inferred  # nothing is found
    # or as if it bounced three quarters of a frame later
    way = np.zeros(len(inferred.path.theta))
    way[12] = 1.0  # after a livelier first bounce
    slope = inferred.path.model((inferred.path.theta + 1e-3 * way)[None]).starts[1][0]
    slope = (slope - inferred.path.bounce_times[1]) / 1e-3
    late = second.time + 0.75 / RATE - inferred.path.bounce_times[1]
    theta = inferred.path.theta + late / slope * way
    model = inferred.path.model(theta[None])
    path = replace(
        inferred.path, theta=theta, bounce_times=np.concatenate(model.starts),
        bounce_places=np.concatenate(model.places)[:, :2],
    )  # fmt: skip
    wrong = replace(inferred, path=path)
    assert wrong.path.bounce_times[1] > second.time + 0.6 / RATE
    for known in (inferred, wrong):
        whole = with_last_flight(window, known)
        assert (whole.sightings.times > second.time).sum() >= 3
        assert whole.path.bounce_times[1] == pytest.approx(second.time, abs=1e-3)
        assert whole.path.bounce_places[1] == pytest.approx(second.place, abs=0.01)
        assert with_last_flight(window, whole) is whole
    led_on = Tracer(camera, RATE, look=LOOK)._led_on(window, wrong)
    assert led_on.path.bounce_times[1] == pytest.approx(second.time, abs=1e-3)


def test_a_single_picture_before_a_bounce_tells_when_it_was():
    # the frames before it show the hand: candidates near the ball's way, and farther and farther
    # off it, without a ball
    camera, rng, flown = camera_beside(), np.random.default_rng(12), good_serve()
    first, second = flown.touches[:2]
    frames, ball_of = candidates(camera, flown, times_of(0.9, 1.6), rng, clutter=0)
    shown = {}
    for f, c in frames.items():
        early = first.time - 1.2 / RATE - c.time_s
        if early <= 0 or f not in ball_of:
            shown[f] = c
            continue
        points, patches = c.points.copy(), np.array([*c.patches])
        points[ball_of[f]] += [1.5, 1.5] if early < 2.5 / RATE else [20.0, 9.0]
        patches[ball_of[f]] = patches[ball_of[f], :1]  # nothing moves there
        shown[f] = replace(c, points=points, patches=patches)
    veiled = {f: c.emptied() if c.time_s < first.time else c for f, c in shown.items()}
    arc = arc_between(camera, frames, ball_of, first.time, second.time)
    late = follow_from_hidden(window_of(camera, veiled, LOOK), arc)
    assert late is not None
    assert late.first_seen > first.time
    whole = with_first_flight(window_of(camera, shown, LOOK), late)
    assert (whole.measured & (whole.sightings.times < first.time)).sum() == 1
    assert whole.path.bounce_times[0] == pytest.approx(first.time, abs=2e-3)
    assert whole.path.bounce_places[0] == pytest.approx(first.place, abs=0.01)
