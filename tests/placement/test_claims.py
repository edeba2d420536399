"""No sighting is explained twice, and a touch of the net is no bounce."""

from __future__ import annotations

import numpy as np

from calibration import table
from placement.bounces import Meeting
from placement.claims import Claims
from placement.tracks import Run
from tests.placement.flown import RATE, Flown, camera_beside, good_serve, seen, times_of


def run_of(path, which):
    members = [path.members[k] for k in which]
    frames, numbers = (np.array(parts) for parts in zip(*members, strict=True))
    return Run(frames, numbers, frames / RATE, np.zeros((len(which), 2)))


def test_what_a_path_rests_on_is_not_explained_again():
    camera = camera_beside()
    path = seen(camera, good_serve(), times_of(1.0, 1.9), np.random.default_rng(3))
    claims = Claims(camera, RATE)
    own = run_of(path, range(10))
    beside = Run(own.frames, own.members + 7, own.times, own.points)
    later = Run(own.frames + 500, own.members, own.times, own.points)
    assert not claims.explain([own])
    claims.add(path)
    assert claims.explain([own])
    assert not claims.explain([own, later])  # half of them
    assert [claims.explain([r]) for r in (beside, later)] == [False, False]
    # in those frames the ball was where the path has it
    assert [claims.place_elsewhere(r) for r in (beside, later)] == [True, False]
    claims.forget(int(path.frames[-1]))
    assert not claims.explain([own])
    assert not claims.place_elsewhere(beside)


def test_where_a_known_path_ends_at_the_nets_top_no_bounce_is_sought():
    # 19 mm high over the cord (152.5 mm, Law 2.2.3) a ball touches it; in the picture that is a
    # place on the table beyond, where the line of sight over the net's top meets it
    camera, flown = camera_beside(), Flown().leg(1.0, (-1.57, 0.1, 0.2428), (4.5, 0.0, 0.0), 1.9)
    times = np.linspace(1.3, 1.7, 8001)
    at_net = float(times[np.flatnonzero(flown.at(times)[:, 0] > 0)[0]])
    path = seen(camera, flown, times_of(1.0, at_net), np.random.default_rng(3))
    place = camera.cut_plane(camera.project(flown.at(np.array([at_net]))), table.BALL_RADIUS)[0]
    nowhere = Run(np.zeros(0, int), np.zeros(0, int), np.zeros(0), np.zeros((0, 2)))

    def kink(place, time):
        return Meeting(nowhere, nowhere, time, np.array(place), np.zeros(3), np.zeros(3), 1.0)

    claims = Claims(camera, RATE)
    assert not claims.touched_net([kink(place, at_net)])  # nothing is known yet
    claims.add(path)
    assert claims.touched_net([kink(place, at_net)])
    assert not claims.touched_net([kink(place, at_net + 0.2)])
    assert not claims.touched_net([kink((0.9, 0.0), at_net)])
    assert not claims.touched_net([kink(place, at_net), kink(place, at_net + 0.2)])
