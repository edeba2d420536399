"""The ball followed through streams of drawn candidates: found, not made up, and soon forgotten."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration import table
from placement.arcs import fit_arc
from placement.doubles import without_doubles
from placement.serves import find_serves
from placement.tracing import Tracer, expected_of
from placement.tracks import Linker
from tests.placement.balls import camera_behind
from tests.placement.flown import (
    LOOK,
    RATE,
    SIZE,
    Flown,
    calibrated,
    camera_beside,
    candidates,
    good_serve,
    run_of,
    times_of,
)


def follow(tracer, frames, watch=None):
    paths = []
    for f in sorted(frames):
        traced = tracer.push(frames[f])
        if traced is not None:
            paths += traced.paths
        if watch is not None:
            watch(tracer)
    return paths + tracer.finish().paths


@pytest.fixture(scope="module")
def two_serves():
    camera, rng = camera_beside(), np.random.default_rng(1)
    first, second = good_serve(1.0), good_serve(4.5, end=1, y=0.1)
    frames, _ = candidates(camera, first, times_of(0.0, 3.0), rng, clutter=5)
    more, _ = candidates(camera, second, times_of(3.0 + 1 / RATE, 6.5), rng, clutter=5)
    return camera, (first, second), {**frames, **more}


@pytest.mark.parametrize("look", [LOOK, None], ids=["known-look", "learnt-look"])
def test_serves_among_clutter_are_followed(two_serves, look):
    camera, flowns, frames = two_serves
    tracer = Tracer(camera, RATE, look=look)
    found = [
        (t, p)
        for f in follow(tracer, frames)
        for t, p in zip(f.path.bounce_times, f.path.bounce_places, strict=True)
    ]
    assert tracer.learnt
    true = [t for flown in flowns for t in flown.touches[:2]]
    for touch in true:
        (near,) = [p for t, p in found if abs(t - touch.time) < 0.01]
        assert near == pytest.approx(touch.place, abs=0.010)  # m, at 720p
    # and nothing but bounces that were
    every = [t.time for flown in flowns for t in flown.touches]
    assert all(min(abs(t - s) for s in every) < 0.02 for t, _ in found)


def linked(frames):
    """Candidates of each frame with the runs that had ended before it; the last with all."""
    linker = Linker(max(SIZE))
    shown = [frames[f] for f in sorted(frames)]
    runs = [linker.push(found) for found in shown]
    runs[-1] = [*runs[-1], *linker.finish()]
    return list(zip(shown, runs, strict=True))


def test_runs_linked_elsewhere_give_the_same_paths():
    camera, rng = camera_beside(), np.random.default_rng(7)
    frames, _ = candidates(camera, good_serve(), times_of(0.9, 1.8), rng, clutter=1)
    tracer = Tracer(camera, RATE, look=LOOK)
    there = []
    for found, runs in linked(frames):
        traced = tracer.push(found, runs)
        there += [] if traced is None else traced.paths
    there += tracer.finish().paths
    # it does not link again: told of no runs, it follows nothing
    told_none = Tracer(camera, RATE, look=LOOK)
    for found, _ in linked(frames):
        told_none.push(found, ())
    assert told_none.finish().paths == []
    here = follow(Tracer(camera, RATE, look=LOOK), frames)
    assert len(here) > 0
    assert [p.members for p in there] == [p.members for p in here]
    for one, other in zip(there, here, strict=True):
        np.testing.assert_array_equal(one.path.theta, other.path.theta)


def test_runs_from_before_the_first_frame_are_left_out():
    # as after a stand that moved: the film was linked from its beginning, this stretch begins later
    camera, rng = camera_beside(), np.random.default_rng(8)
    frames, _ = candidates(camera, good_serve(), times_of(0.9, 1.7), rng)
    later = [(found, runs) for found, runs in linked(frames) if found.time_s > 1.1]
    first = later[0][0].frame
    began = [int(r.frames[0]) for _, runs in later for r in runs]
    assert min(began) < first < max(began)
    tracer = Tracer(camera, RATE, look=LOOK)
    for found, runs in later:
        tracer.push(found, runs)
    for path in tracer.finish().paths:
        assert path.frames.min() >= first


def test_paths_bring_what_was_seen_before_them(two_serves):
    camera, _, frames = two_serves
    paths = follow(Tracer(camera, RATE, look=LOOK), frames)
    second = max(paths, key=lambda p: p.first_seen)
    times = [t for t, _ in second.history]
    assert min(times) < second.first_seen - 1.0
    assert max(times) < second.first_seen + 0.06
    assert all(
        len(c) >= len(h) for (_, h), (_, c) in zip(second.history, second.crowd, strict=True)
    )


def test_a_minute_of_random_candidates_holds_no_path_and_no_memory():
    # 1800 frames of 10 candidates anywhere, each with a picture that is no ball; a quarter of a
    # gigabyte of pictures goes through
    camera, rng = camera_beside(), np.random.default_rng(2)
    tracer = Tracer(camera, 30.0, look=LOOK)
    held: list[int] = []
    frames, _ = candidates(camera, None, times_of(0, 2.0), rng, clutter=10)
    pool = list(frames.values())
    paths, flights = [], []
    for k in range(1800):
        some = pool[int(rng.integers(len(pool)))]
        points = rng.uniform((0, 0), SIZE, (10, 2))
        traced = tracer.push(_renamed(some, k, k / 30, points))
        held.append(len(tracer._frames))
        if traced is not None:
            paths += traced.paths
            flights += traced.flights
    last = tracer.finish()
    assert paths + last.paths == []
    assert len(flights + last.flights) == 0
    # s of film held at any time: it does not grow with the film
    assert max(held) < 8 * 30
    assert max(held[900:]) <= 1.25 * max(held[:900])


def _renamed(found, frame, time, points):
    origins = np.clip(2 * np.rint((points - 19.5) / 2).astype(int), 0, np.array(SIZE) - 40)
    return replace(found, frame=frame, time_s=time, points=points, origins=origins)


def test_the_window_does_not_grow_while_balls_are_followed(two_serves):
    camera, _, frames = two_serves
    held: list[int] = []
    tracer = Tracer(camera, RATE, look=LOOK)
    shown = sorted(frames)
    for repeat in range(3):
        shift = repeat * (shown[-1] + 1)
        for f in shown:
            tracer.push(_later(frames[f], shift))
            held.append(len(tracer._frames))
    once = len(shown)
    assert max(held[2 * once :]) <= 1.1 * max(held[:once])
    assert max(held) / RATE < 5.5  # s


def _later(found, shift):
    return replace(found, frame=found.frame + shift, time_s=found.time_s + shift / RATE)


def test_nothing_pushed_is_nothing_found():
    traced = Tracer(camera_beside(), RATE).finish()
    assert traced.paths == []
    assert traced.flights == []


def test_shared_errors_of_pictures_grow_with_large_pictures_alone():
    # lens and light spoil a small picture by as many pixels as one of 1920 px
    small, large = camera_beside(), camera_behind()  # 1280 and 1920 px wide
    huge = replace(large, size=(3840, 2160))
    narrow, wide, widest = expected_of(small), expected_of(large), expected_of(huge)
    assert narrow.offset_px == wide.offset_px
    assert narrow.drift_px == wide.drift_px
    assert widest.offset_px == pytest.approx(2 * wide.offset_px)
    assert widest.drift_px == pytest.approx(2 * wide.drift_px)


def test_a_serve_that_brushes_the_net_is_followed_to_both_sides_and_is_a_let():
    # a let (Law 2.9.1.1): 4 mm too low, it loses 45 % of its speed at the cord and is thrown up
    camera, rng = camera_beside(), np.random.default_rng(6)
    flown = Flown().leg(1.0, (-1.57, 0.1, 0.2428), (4.5, 0.0, 0.0), 1.9)
    times = np.linspace(1.3, 1.7, 8001)
    at_net = float(times[np.flatnonzero(flown.at(times)[:, 0] > 0)[0]])
    place, before = flown.at(np.array([at_net]))[0], flown.at(np.array([at_net - 1e-4]))[0]
    speed = (place - before) / 1e-4
    assert place[2] - 0.02 - table.NET_HEIGHT == pytest.approx(-0.004, abs=1e-3)
    let = Flown().leg(1.0, (-1.57, 0.1, 0.2428), (4.5, 0.0, 0.0), at_net)
    let.leg(at_net, place, (0.55 * speed[0], speed[1], speed[2] + 0.5), at_net + 0.75)
    frames, _ = candidates(camera, let, times_of(0.0, 3.0), rng, clutter=3)
    paths = without_doubles(camera, follow(Tracer(camera, RATE, look=LOOK), frames))
    _, serves = find_serves(calibrated(camera), paths)
    assert [s.outcome for s in serves] == ["let"]
    assert serves[0].landing == pytest.approx(let.touches[1].place, abs=0.02)


def test_a_glimpse_whose_pictures_do_not_fit_its_distance_may_still_be_part_of_a_path():
    # five sightings on the way to the first bounce, the first of them drawn aside by the bat: alone
    # they bend like a ball at half the distance, and are too small for that
    camera, rng, flown = camera_beside(), np.random.default_rng(12), good_serve()
    first = flown.touches[0].time
    frames, ball_of = candidates(camera, flown, times_of(first - 5 / RATE, first), rng)
    begun = min(ball_of)
    points = frames[begun].points.copy()
    points[ball_of[begun]] += (3.0, -2.0)  # px
    frames[begun] = replace(frames[begun], points=points)
    run = run_of(frames, list(ball_of.items()))
    arc = fit_arc(camera, run)
    depths = [camera.depths(at[None])[0] for at in (arc.position, flown.at(run.times[2:3])[0])]
    assert depths[0] < 0.5 * depths[1]
    tracer = Tracer(camera, RATE, look=LOOK)
    for frame in sorted(frames):
        tracer.push(frames[frame], [])
    tracer._take([run])
    tracer._settle(first)
    assert run in tracer._pieces
    assert not tracer._arcs


@pytest.mark.parametrize("step", [1, 2], ids=["60-a-second", "30-a-second"])
def test_how_the_ball_looks_is_learnt_from_flights_that_met_no_other(step):
    # a player hides each ball until its first bounce, and a hand takes it before the second
    camera, rng = camera_beside(), np.random.default_rng(15)
    frames = {}
    for flown in (good_serve(1.0), good_serve(4.5, end=1, y=0.1)):
        first, second = (t.time for t in flown.touches[:2])
        times = times_of(flown.legs[0][0], second + 0.5)[::step]
        hidden = [(0.0, first), (second - 0.1, np.inf)]
        more, ball_of = candidates(camera, flown, times, rng, hidden=hidden)
        assert 8 <= len(ball_of) <= 22 / step
        frames |= more
    tracer = Tracer(camera, RATE / step)
    paths = follow(tracer, frames)
    assert tracer.look.shading != Tracer(camera, RATE / step).look.shading
    assert tracer.look.exposure_s == pytest.approx(LOOK.exposure_s, rel=0.3)
    assert len(paths) == 2
