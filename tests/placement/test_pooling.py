"""What paths of one film tell together, against films made from known values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placement.pooling import Pool
from placement.trajectory import Expectations, fit_path
from tests.placement.test_spin import fitted
from tests.placement.test_trajectory import SERVE, pictures, view

BEFORE = Expectations()


def known(value: float, sd: float):
    """A path that tells drag only: its own knowledge and the expectation's, multiplied."""
    path = fitted((4, 0, -2), (0, 0, 0), 10.0)
    e = BEFORE
    shares = np.array([e.friction, e.drag, e.lift, e.restitution])
    theta, covariance = path.theta.copy(), path.covariance.copy()
    theta[[9, 10, 11, 12]] = shares[:, 0]
    covariance[[9, 10, 11, 12], [9, 10, 11, 12]] = shares[:, 1] ** 2
    weight = 1 / e.drag[1] ** 2 + 1 / sd**2
    theta[10] = (e.drag[0] / e.drag[1] ** 2 + value / sd**2) / weight
    covariance[10, 10] = 1 / weight
    return replace(path, theta=theta, covariance=covariance)


def test_two_measurements_are_weighed_with_the_expectation():
    # by hand: 0.48 and 0.46, each sd 0.02 and 0.01 among paths, with 0.45 sd 0.03 before
    pool = Pool(BEFORE)
    for value in (0.48, 0.46):
        assert pool.add(known(value, 0.02))
    weights = np.array([1 / 0.03**2, *[1 / (0.02**2 + 0.01**2)] * 2])
    mean = weights @ (0.45, 0.48, 0.46) / weights.sum()
    drag = pool.expectations().drag
    assert drag == pytest.approx((mean, np.sqrt(1 / weights.sum() + 0.01**2)), abs=1e-9)
    # what the paths do not tell stays as it was
    assert pool.expectations().friction == pytest.approx(BEFORE.friction, abs=1e-6)


def test_an_empty_pool_knows_what_was_expected():
    assert Pool(BEFORE).expectations() == BEFORE


def test_a_path_does_not_count_for_itself():
    pool, one, other = Pool(BEFORE), known(0.48, 0.02), known(0.43, 0.02)
    pool.add(one)
    alone = pool.expectations()
    pool.add(other)
    assert len(pool) == 2
    assert pool.expectations(without=other) == alone


def test_paths_that_disagree_widen_the_spread():
    calm, torn = Pool(BEFORE), Pool(BEFORE)
    for k in range(8):
        calm.add(known(0.45, 0.01))
        torn.add(known(0.45 + (0.05 if k % 2 else -0.05), 0.01))
    assert torn.expectations().drag[1] > 1.5 * calm.expectations().drag[1]


def test_a_doubtful_path_teaches_nothing():
    pool, path = Pool(BEFORE), known(0.48, 0.02)
    assert not pool.add(replace(path, chi2=1e4))
    assert not pool.add(replace(path, others=(path,)))
    assert pool.expectations() == BEFORE


@pytest.mark.parametrize(
    ("films", "slack"), [pytest.param(14, 0.45, marks=pytest.mark.slow), (4, 0.84)]
)
def test_films_of_known_values_are_learnt_with_honest_spreads(films, slack):
    # films of 10 serves; each film's values are drawn from the expectations, each serve's near its
    # film's. What the pool expects of a further serve is off by its stated spread (variance 1; of
    # 14 films 56 values, sd of their mean square 0.19, so within 0.45; of 4 films 16 values, sd
    # 0.35, so within 0.84), and is narrower than before
    camera, rng = view(), np.random.default_rng(3)
    among = np.array([0.015, 0.01, 0.10, 0.015])
    before = np.array([BEFORE.friction, BEFORE.drag, BEFORE.lift, BEFORE.restitution])
    off, narrower = [], []
    times = np.arange(0.1, 0.95, 1 / 60)
    for _ in range(films):
        film = rng.normal(*before.T)
        film[2] = max(film[2], 0.4)  # lift is never held at its lower limit
        pool = Pool(BEFORE)
        for _ in range(10):
            theta = SERVE.copy()
            theta[1:6] += rng.normal(0, 1, 5) * (0.1, 0.1, 0.4, 0.3, 0.2)
            theta[6:9] = rng.normal(0, 1, 3) * (30, 100, 80)
            theta[9:12] = rng.normal(film[:3], among[:3])
            theta[12::3] = rng.normal(film[3], among[3], 2)
            theta[13::3], theta[14::3] = rng.normal(0, 0.12, 2), rng.normal(0, 0.12, 2)
            seen = pictures(camera, theta, 2, times, 0.25, rng)
            path = fit_path(camera, seen, theta, 2, BEFORE)
            assert path is not None
            pool.add(path)
        after = pool.expectations()
        found = np.array([after.friction, after.drag, after.lift, after.restitution])
        off.append((found[:, 0] - rng.normal(film, among)) / found[:, 1])
        narrower.append(found[:, 1] / before[:, 1])
    assert np.mean(np.square(off)) == pytest.approx(1.0, abs=slack)
    assert np.mean(narrower, axis=0).max() < 0.9
