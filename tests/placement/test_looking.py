"""Which arcs show a ball: the size of their pictures, and what spin does to the size expected."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placement.arcs import fit_arc
from placement.looking import ball_like
from tests.placement.flown import (
    LOOK,
    Flown,
    arc_between,
    camera_beside,
    candidates,
    times_of,
    window_of,
)

CAMERA = camera_beside((0.2, -3.2, 1.6))  # side on: how fast the ball falls tells how far it is
TOPSPIN = (0.0, 400.0, 150.0)  # rad/s, and some of it sideways: 68 turns a second


def arc_of(spin):
    """A flight over the table of a ball that turns at `spin`, rad/s, its frames and its arc."""
    flown = Flown().leg(1.0, (-1.2, 0.1, 0.10), (5.0, 0.2, 2.6), 1.36, spin)
    rng = np.random.default_rng(11)
    frames, ball_of = candidates(CAMERA, flown, times_of(0.8, 1.6), rng, clutter=2)
    return flown, frames, arc_between(CAMERA, frames, ball_of, 1.0, 1.36)


def nearer(arc, share):
    """The same sightings, taken for those of a ball at a share of its distance, surely so."""
    return replace(
        arc,
        position=CAMERA.centre + share * (arc.position - CAMERA.centre),
        velocity=share * arc.velocity,
        acceleration=share * arc.acceleration,
        vague=0.02,
        misfit=max(arc.misfit, 0.7),
    )


@pytest.mark.parametrize("spin", [(0.0, 0.0, 0.0), TOPSPIN], ids=["no-spin", "topspin"])
def test_a_ball_is_known_by_its_pictures(spin):
    _, frames, arc = arc_of(spin)
    assert [a.run for a in ball_like(window_of(CAMERA, frames, LOOK), [arc])] == [arc.run]


def test_topspin_makes_a_ball_seem_nearer_and_surely_so():
    # why a sure distance is not believed where gravity alone does not explain the flight well
    flown, _, arc = arc_of(TOPSPIN)
    there = CAMERA.depths(flown.at(np.array([arc.time])))[0]
    assert CAMERA.depths(arc.position[None])[0] < 0.85 * there
    assert arc.vague < 0.05
    assert arc.misfit > 0.6


def test_a_long_flight_that_seems_too_near_is_known_by_a_smaller_ball():
    _, frames, arc = arc_of((0.0, 0.0, 0.0))
    window = window_of(CAMERA, frames, LOOK)
    assert [a.run for a in ball_like(window, [nearer(arc, 0.6)])] == [arc.run]
    # a short one that spin could hardly have bent has no such excuse
    short = fit_arc(CAMERA, arc.run.part(slice(0, 8)))
    assert short is not None
    middle = replace(short, position=arc.at(np.array([short.time]))[0], velocity=arc.velocity)
    assert len(ball_like(window, [nearer(middle, 1.0)])) == 1
    assert ball_like(window, [nearer(middle, 0.6)]) == []


def test_a_flight_is_long_by_its_time_as_well_as_by_its_sightings():
    # 20 frames a second: seven sightings, but spin had a third of a second to bend it
    _, frames, arc = arc_of((0.0, 0.0, 0.0))
    seldom = fit_arc(CAMERA, arc.run.part(slice(0, None, 3)))
    assert seldom is not None
    assert len(seldom.run.times) == 7
    (found,) = ball_like(window_of(CAMERA, frames, LOOK), [nearer(seldom, 0.6)])
    assert found.run is seldom.run


@pytest.mark.parametrize("spin", [(0.0, 0.0, 0.0), TOPSPIN])
def test_what_flies_like_a_ball_and_looks_like_none_is_none(spin):
    _, frames, arc = arc_of(spin)
    # the same sightings, but where the ball was there is nothing
    bare = {
        f: replace(c, patches=np.full_like(np.asarray(c.patches), 70)) for f, c in frames.items()
    }
    assert ball_like(window_of(CAMERA, bare, LOOK), [nearer(arc, 1.0)]) == []
