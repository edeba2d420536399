"""What a path must be like to be a ball's, as strict as its film allows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placement.belief import Belief
from tests.placement.flown import RATE, camera_beside, good_serve, seen, times_of


def test_before_a_bright_ground_a_path_is_led_on_but_none_is_begun():
    camera = camera_beside()
    path = seen(camera, good_serve(), times_of(1.0, 1.9), np.random.default_rng(3))
    belief = Belief(RATE, look_known=True)
    belief.learn([replace(path, contrast=40.0)])  # grey levels, of the film's other balls
    for contrast, begun, led_on in ((20.0, True, True), (8.0, False, True), (3.0, False, False)):
        pale = replace(path, contrast=contrast)
        assert belief.holds(pale) is begun
        assert belief.holds(pale, led_on=True) is led_on


def test_paths_may_fit_as_loosely_as_those_of_their_film():
    path = seen(camera_beside(), good_serve(), times_of(1.0, 1.9), np.random.default_rng(3))

    def fitting(misfit):
        free = 2 * path.path.n_sightings - 6
        return replace(path, path=replace(path.path, chi2=misfit**2 * free))

    strict, loose = (Belief(RATE, look_known=True) for _ in range(2))
    strict.learn([fitting(1.0)] * 3)
    loose.learn([fitting(1.9)] * 3)
    assert [b.holds(fitting(2.5)) for b in (strict, loose)] == [False, True]
    assert not loose.holds(fitting(9.0))


@pytest.mark.parametrize(
    ("pictures", "held"),
    [
        pytest.param(3, False, id="a-glimpse"),
        pytest.param(9, False, id="enough-for-one-bounce-but-it-has-two"),
        pytest.param(30, True, id="a-path"),
    ],
)
def test_a_path_needs_pictures_and_more_for_each_bounce(pictures, held):
    path = seen(camera_beside(), good_serve(), times_of(1.0, 1.9), np.random.default_rng(3))
    measured = np.arange(len(path.measured)) < pictures
    assert Belief(RATE, look_known=True).holds(replace(path, measured=measured)) is held


def test_a_close_fit_to_a_bounce_beside_the_table_is_no_balls():
    path = seen(camera_beside(), good_serve(), times_of(1.0, 1.9), np.random.default_rng(3))
    places = path.path.bounce_places.copy()
    places[0, 0] = -1.7  # half the table is 1.37 m long (Law 2.1.1)
    belief = Belief(RATE, look_known=True)
    assert belief.holds(path)
    assert not belief.holds(replace(path, path=replace(path.path, bounce_places=places)))


@pytest.mark.parametrize(
    ("share", "misfit", "held"), [(1.0, 1.6, True), (0.6, 1.6, False), (0.6, 1.1, True)]
)
def test_a_path_whose_sightings_often_show_no_ball_must_fit_closely(share, misfit, held):
    path = seen(camera_beside(), good_serve(), times_of(1.0, 1.9), np.random.default_rng(3))
    free = 2 * path.path.n_sightings - 6
    n = len(path.measured)
    poor = replace(
        path, measured=np.arange(n) % 5 < 5 * share,
        path=replace(path.path, chi2=misfit**2 * free),
    )  # fmt: skip
    assert Belief(RATE, look_known=True).holds(poor) is held


def test_of_many_bounces_only_many_pictures_excuse_a_loose_fit():
    path = seen(camera_beside(), good_serve(), times_of(1.0, 1.9), np.random.default_rng(3))
    free = 2 * path.path.n_sightings - 6
    loose = replace(path.path, chi2=2.0**2 * free)
    belief = Belief(RATE, look_known=True)
    few = np.arange(len(path.measured)) < 24
    some = replace(
        path, path=loose, measured=np.ones(24, bool),
        sightings=type(path.sightings)(*(a[few] for a in (
            path.sightings.times, path.sightings.points, path.sightings.covariances
        ))),
    )  # fmt: skip
    assert path.path.n_bounces == 2
    assert belief.holds(replace(path, path=loose))
    assert not belief.holds(some)
    assert belief.holds(replace(some, path=replace(loose, n_bounces=1)))


def test_forty_pictures_of_a_ball_excuse_those_that_show_none():
    path = seen(camera_beside(), good_serve(), times_of(1.0, 1.9), np.random.default_rng(3))
    n = len(path.measured)
    assert 40 / n < 0.75  # else the share alone would do
    free = 2 * path.path.n_sightings - 6
    loose = replace(path.path, chi2=1.6**2 * free)
    for pictures, held in ((36, False), (40, True)):
        seldom = replace(path, path=loose, measured=np.arange(n) < pictures)
        assert Belief(RATE, look_known=True).holds(seldom) is held


@pytest.mark.parametrize(("pictures", "held"), [(30, False), (54, True)])
def test_with_plenty_of_pictures_a_ball_may_be_a_little_paler(pictures, held):
    camera = camera_beside()
    path = seen(camera, good_serve(), times_of(1.0, 1.9), np.random.default_rng(3))
    belief = Belief(RATE, look_known=True)
    belief.learn([replace(path, contrast=40.0)])  # 12 grey levels are asked for then
    pale = replace(path, contrast=10.0, measured=np.arange(len(path.measured)) < pictures)
    assert belief.holds(pale) is held


def test_a_path_whose_pictures_are_surely_of_the_right_size_may_fit_more_loosely():
    path = seen(camera_beside(), good_serve(), times_of(1.0, 1.9), np.random.default_rng(3))
    belief = Belief(RATE, look_known=True)

    def fitting(misfit):
        free = 2 * path.path.n_sightings - 6
        # twenty pictures over two bounces do not make it one of many
        few = replace(path, measured=np.ones(20, bool))
        return replace(few, path=replace(path.path, chi2=misfit**2 * free))

    assert belief.holds(fitting(1.5))
    assert not belief.holds(fitting(1.9))
    assert belief.holds(fitting(1.9), sized=True)
    assert not belief.holds(fitting(9.0), sized=True)
