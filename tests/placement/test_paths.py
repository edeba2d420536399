"""Chains of meetings followed through drawn candidates of SciPy's flights."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from placement.agreement import plausible
from placement.bounces import Meeting, fit_meeting
from placement.paths import (
    MOST_BOUNCES,
    chains_of,
    extended,
    follow,
    follow_chain,
    refined,
    weight_of,
)
from placement.tracing import expected_of
from placement.tracks import Run
from placement.trajectory import first_guess
from tests.placement import flown as made
from tests.placement.flown import (
    BALL_LIGHT,
    LOOK,
    PATCH,
    RADIUS,
    TABLE_LIGHT,
    Flown,
    camera_beside,
    candidates,
    drawn,
    good_serve,
    run_of,
    seen,
    times_of,
    window_of,
)


def bare_run(begin: float, n: int = 8) -> Run:
    times = begin + np.arange(n) / 60
    return Run(np.rint(times * 60).astype(int), np.zeros(n, int), times, np.zeros((n, 2)))


def bare_meeting(before: Run, after: Run, misfit: float = 1.0) -> Meeting:
    time = (before.times[-1] + after.times[0]) / 2
    return Meeting(before, after, time, np.zeros(2), np.zeros(3), np.zeros(3), misfit)


def test_meetings_that_share_a_run_are_one_chain():
    a, b, c, d = (bare_run(0.3 * k) for k in range(4))
    first, second, third = bare_meeting(a, b), bare_meeting(b, c), bare_meeting(c, d)
    assert chains_of([third, first, second]) == [[first, second, third]]


def test_of_two_meetings_of_one_run_the_closer_stands():
    a, b, c = (bare_run(0.3 * k) for k in range(3))
    good, bad = bare_meeting(a, b, 0.5), bare_meeting(a, c, 1.5)
    assert chains_of([bad, good]) == [[good]]


def test_a_long_chain_is_cut_and_no_bounce_is_lost():
    runs = [bare_run(0.3 * k) for k in range(MOST_BOUNCES + 3)]
    meetings = [bare_meeting(x, y) for x, y in pairwise(runs)]
    chains = chains_of(meetings)
    assert [len(c) for c in chains] == [MOST_BOUNCES, 2]
    assert [m for c in chains for m in c] == meetings


def test_no_meetings_make_no_chain():
    assert chains_of([]) == []


@pytest.fixture(scope="module")
def serve():
    camera, rng, flown = camera_beside(), np.random.default_rng(7), good_serve()
    frames, ball_of = candidates(camera, flown, times_of(0.8, 2.3), rng, clutter=4)
    return camera, flown, frames, ball_of


def meetings_of(camera, flown, frames, ball_of) -> list[Meeting]:
    """The true runs between bounces, met by the tool."""
    edges = [flown.span[0] - 1e-6, *(t.time for t in flown.touches[:2]), flown.touches[2].time]
    runs = [
        run_of(frames, [(f, m) for f, m in ball_of.items() if low < frames[f].time_s < high])
        for low, high in pairwise(edges)
    ]
    met = [fit_meeting(camera, x, y) for x, y in pairwise(runs)]
    assert None not in met
    return met  # type: ignore[return-value]


def test_a_chain_becomes_the_path_that_was_flown(serve):
    camera, flown, frames, ball_of = serve
    followed = follow_chain(window_of(camera, frames, LOOK), meetings_of(*serve))
    assert followed is not None
    assert followed.path.n_bounces == 2
    for k, true in enumerate(flown.touches[:2]):
        assert followed.path.bounce_times[k] == pytest.approx(true.time, abs=2e-3)
        # m: a fifth of a pixel here, and the expectations' pull; a tenth of the 50 mm asked for
        assert followed.path.bounce_places[k] == pytest.approx(true.place, abs=5e-3)
    right = [ball_of.get(f) == m for f, m in followed.members]
    assert np.mean(right) > 0.97
    # measured once more with the same look, nothing moves
    again = refined(window_of(camera, frames, LOOK), followed)
    assert again is not None
    assert again.path.bounce_places == pytest.approx(followed.path.bounce_places, abs=1e-3)
    assert weight_of(again) == pytest.approx(weight_of(followed), rel=0.2)


def test_a_stroke_in_the_chain_is_cut_off():
    # the receiver hits the ball back low over the table, 60 ms after its bounce
    camera, rng = camera_beside(), np.random.default_rng(8)
    flown = good_serve(until=0.705)
    at = flown.at(np.array([1.705]))[0]
    flown.leg(1.705, at, (-5.0, 0.6, 0.9), 2.0)
    frames, ball_of = candidates(camera, flown, times_of(0.9, 2.1), rng)
    first, second = flown.touches[:2]
    edges = (0.999, first.time, second.time, 1.705, 2.0)
    runs = [
        run_of(frames, [(f, m) for f, m in ball_of.items() if low < frames[f].time_s <= high])
        for low, high in pairwise(edges)
    ]
    meetings = [fit_meeting(camera, runs[k], runs[k + 1]) for k in range(2)]
    assert None not in meetings
    stroke = Meeting(
        runs[2], runs[3], 1.705, at[:2], np.array([2.0, 0.2, -1.0]), np.array([-2.0, 0.3, 0.9]), 1.0
    )
    followed = follow_chain(window_of(camera, frames, LOOK), [*meetings, stroke])
    assert followed is not None
    assert np.abs(followed.path.bounce_times - 1.705).min() > 0.05
    # what was cut off with it is found again where the path is led on
    whole = extended(window_of(camera, frames, LOOK), followed)
    assert whole.path.n_bounces == 2
    assert whole.path.bounce_places[0] == pytest.approx(first.place, abs=5e-3)
    assert whole.path.bounce_places[1] == pytest.approx(second.place, abs=0.02)


def test_what_flies_like_no_ball_is_not_followed(serve):
    camera, _, frames, ball_of = serve
    # candidates of the true frames, but each from another, random one
    rng = np.random.default_rng(9)
    order = sorted(ball_of)
    runs = [
        run_of(frames, [(f, int(rng.integers(0, len(frames[f].points)))) for f in part])
        for part in (order[:12], order[12:24])
    ]
    meeting = replace(
        bare_meeting(*runs), incoming=np.array([4.0, 0, -2]), outgoing=np.array([3.0, 0, 1.8])
    )
    assert follow_chain(window_of(camera, frames, LOOK), [meeting]) is None


@pytest.mark.parametrize(
    ("restitution", "rub", "expected"),
    [
        # Law 2.1.3 (0.23 m from 0.30 m) gives 0.876, with drag put back 0.905
        (0.876, 0.0, True), (0.905, 0.0, True), (0.3, 0.0, False), (1.3, 0.0, False),
        (0.9, 1.5, False),  # a stroke changes the speed along the table by metres a second
    ],
)  # fmt: skip
def test_bounces_of_a_table_are_told_from_strokes(restitution, rub, expected):
    path = seen(camera_beside(), good_serve(), times_of(1.0, 1.6), np.random.default_rng(2)).path
    theta = path.theta.copy()
    theta[12:15] = restitution, rub, 0.0
    assert plausible(replace(path, theta=theta)) is expected


def test_fewer_than_six_sightings_are_no_path():
    camera, rng = camera_beside(), np.random.default_rng(3)
    flown = Flown().leg(1.0, (-1.57, 0, 0.3), (4.5, 0, 0), 1.4)
    frames, ball_of = candidates(camera, flown, times_of(1.2, 1.27), rng)
    order = sorted(ball_of.items())
    meeting = replace(
        bare_meeting(run_of(frames, order[:2]), run_of(frames, order[2:])),
        incoming=np.array([4.0, 0, -2]), outgoing=np.array([3.0, 0, 1.8]),
    )  # fmt: skip
    assert follow_chain(window_of(camera, frames, LOOK), [meeting]) is None


@pytest.mark.parametrize(("rate", "n_bounces"), [(120, 1), (30, 2)])
def test_a_ball_caught_just_above_the_table_did_not_bounce_where_frames_would_have_shown_it(
    monkeypatch, rate, n_bounces
):
    # taken 33 ms before its second bounce: at 120 a second three more frames should have shown it
    # on its way down, at 30 a second none
    monkeypatch.setattr(made, "RATE", float(rate))
    camera, rng = camera_beside(), np.random.default_rng(10)
    flown = good_serve()
    second = flown.touches[1].time
    last = 50 / 30  # a frame's time at either rate
    begin = 1.0 + last - (second - 0.033)
    flown = good_serve(begin, until=last + 1e-6 - begin)
    first = flown.touches[0]
    frames, ball_of = candidates(camera, flown, times_of(begin, last + 0.3), rng)
    assert frames[max(ball_of)].time_s == pytest.approx(last, abs=1e-9)
    runs = [
        run_of(frames, [(f, m) for f, m in ball_of.items() if low < frames[f].time_s < high])
        for low, high in ((begin, first.time), (first.time, last + 0.01))
    ]
    meeting = fit_meeting(camera, *runs)
    assert meeting is not None
    window = window_of(camera, frames, LOOK)
    followed = follow_chain(window, [meeting])
    assert followed is not None
    assert followed.path.n_bounces == 1
    assert followed.last_seen == pytest.approx(last, abs=1e-9)
    led_on = extended(window, followed).path
    assert led_on.n_bounces == n_bounces
    if n_bounces == 2:
        assert led_on.bounce_times[1] == pytest.approx(last + 0.033, abs=0.004)


def test_however_many_bounces_follow_the_first_ones_are_found():
    # a serve that stays on its own side; known from its third bounce on
    camera, rng = camera_beside(), np.random.default_rng(4)
    flown = Flown().leg(1.0, (-1.3, 0.1, 0.35), (0.7, 0.0, 0.0), 3.5)
    times = [t.time for t in flown.touches]
    frames, ball_of = candidates(camera, flown, times_of(1.0, 3.5), rng)
    late = flown.touches[2:7]
    theta = first_guess(
        [t.time for t in late], late[0].place, late[0].incoming, [t.outgoing for t in late],
        expected_of(camera),
    )  # fmt: skip
    members = [
        (f, m) for f, m in ball_of.items() if times[1] + 0.02 < frames[f].time_s < times[6] + 0.1
    ]
    window = window_of(camera, frames, LOOK)
    known = follow(window, theta, 5, members)
    assert known.path.bounce_times == pytest.approx(times[2:7], abs=1e-3)
    found = extended(window, known).path.bounce_times
    assert found[:3] == pytest.approx(times[:3], abs=1e-3)


def test_what_leads_on_beneath_the_table_is_no_ball():
    # known from after its first bounce on; something like a ball lies where that flight, led back
    # through the table's top, would have been
    camera, rng, flown = camera_beside(), np.random.default_rng(11), good_serve()
    first, second = flown.touches[:2]
    times = times_of(0.9, 2.0)
    frames, ball_of = candidates(camera, flown, times, rng, hidden=[(0.9, first.time - 1e-9)])
    theta = first_guess(
        [second.time], second.place, second.incoming, [second.outgoing], expected_of(camera)
    )
    members = [(f, m) for f, m in ball_of.items() if frames[f].time_s < second.time + 0.15]
    known = follow(window_of(camera, frames, LOOK), theta, 1, members)
    for f in [f for f in frames if 0.03 < first.time - frames[f].time_s < 0.09]:
        frames[f] = showing(frames[f], camera, known.path.positions, BALL_LIGHT, rng)
    window = window_of(camera, frames, LOOK)
    followed = follow(window, theta, 1, members)
    assert followed.first_seen > first.time
    times_found = extended(window, followed).path.bounce_times
    assert times_found[:2] == pytest.approx([first.time, second.time], abs=3e-3)


def test_two_pictures_of_nothing_tell_no_bounce():
    # caught a tenth of a second before it would have met the table again; where it would have been
    # then, there is hardly any change
    camera, rng, flown = camera_beside(), np.random.default_rng(12), good_serve()
    first, second = flown.touches[:2]
    until = first.time + 0.75 * (second.time - first.time)
    frames, ball_of = candidates(camera, flown, times_of(0.9, 2.0), rng, hidden=[(until, 2.0)])
    theta = first_guess(
        [first.time, second.time], first.place, first.incoming, [first.outgoing, second.outgoing],
        expected_of(camera),
    )  # fmt: skip
    beyond = sorted(f for f in frames if frames[f].time_s > second.time)[:2]
    for light, there in ((BALL_LIGHT, True), (1.3 * TABLE_LIGHT, False)):
        for f in beyond:
            frames[f] = showing(frames[f], camera, flown.at, light, rng)
        members = [*ball_of.items(), *((f, 0) for f in beyond)]
        followed = follow(window_of(camera, frames, LOOK), theta, 2, members)
        assert (followed.last_seen > second.time) == there


def showing(frame, camera, place_at, light, rng):
    """The frame with a ball's picture, and no other, at a time's place."""
    at = place_at(frame.time_s + np.array([-1e-3, 0.0, 1e-3]))
    centre = camera.project(at)
    radius = float(camera.matrix[0, 0] * RADIUS / camera.depths(at)[1])
    ball = (centre[1], radius, (centre[2] - centre[0]) / 2e-3)
    point = centre[1] - [0, 0.3 * radius]
    origin = np.clip(2 * np.rint((point - (PATCH - 1) / 2) / 2).astype(int), 0, None)
    patches = drawn([None, None, ball, None, None], origin, rng, light)[None]
    return replace(
        frame, points=point[None], strengths=np.array([40.0]), compactness=np.array([0.7]),
        patches=patches, origins=origin[None],
        reds=np.full((1, 5, PATCH // 2, PATCH // 2), 128, np.uint8),
    )  # fmt: skip
