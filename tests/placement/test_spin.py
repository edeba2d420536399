"""Spin with intervals: by hand, and how often they hold the truth in simulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from placement.spin import spin_interval
from placement.trajectory import Expectations, Model, Path, Sightings, fit_path
from tests.placement.test_trajectory import SERVE, pictures, view


def fitted(velocity, spin, sd, cost=0.0) -> Path:
    """A path of one bounce whose spin is known to `sd` about each axis."""
    theta = SERVE[:15].copy()
    theta[3:6], theta[6:9] = velocity, spin
    variances = np.full(15, 1e-8)
    variances[6:9] = np.square(sd)
    one = np.zeros(1)
    return Path(
        theta, np.diag(variances), 1, one, np.zeros((1, 2)), np.zeros((1, 2, 2)), 0.0,
        np.zeros((9, 2)), 9, cost=cost,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("velocity", "spin", "topspin"),
    [
        # topspin turns the top of the ball forwards: for travel along +x the axis is +y
        ((4, 0, -2), (0, 90, 5), 90.0), ((-4, 0, -2), (0, 90, 5), -90.0),
        ((0, 3, -2), (-70, 0, 5), 70.0),
    ],
)  # fmt: skip
def test_topspin_is_about_the_axis_to_the_left_of_the_travel(velocity, spin, topspin):
    top, side = spin_interval(fitted(velocity, spin, 10.0))
    assert top.value == pytest.approx(topspin, abs=1e-9)
    assert side.value == pytest.approx(5.0, abs=1e-9)
    assert top.high - top.low == pytest.approx(2 * 1.959964 * 10.0, abs=0.01)  # normal quantile


def test_what_hardly_narrows_the_expectation_is_not_given():
    top, side = spin_interval(fitted((4, 0, -2), (0, 50, 0), (5.0, 20.0, 100.0)))
    assert np.isfinite([top.value, top.low, top.high]).all()
    assert np.isnan([side.value, side.low, side.high]).all()


def test_a_rival_widens_the_interval_by_its_probability():
    # 0.8 N(-40, 10) + 0.2 N(60, 10): costs are minus twice the logarithm of the density
    best = fitted((4, 0, -2), (0, -40, 0), 10.0)
    rival = fitted((4, 0, -2), (0, 60, 0), 10.0, cost=2 * np.log(4.0))
    top, _ = spin_interval(replace(best, others=(rival,)))
    below = 0.8 * norm.cdf(top.low, -40, 10) + 0.2 * norm.cdf(top.low, 60, 10)
    above = 0.8 * norm.sf(top.high, -40, 10) + 0.2 * norm.sf(top.high, 60, 10)
    assert (below, above) == pytest.approx((0.025, 0.025), abs=1e-6)
    assert top.value == -40.0


@pytest.mark.parametrize("level", [0.0, 1.0, 95.0])
def test_a_level_that_is_no_probability_is_refused(level):
    with pytest.raises(ValueError, match="level must lie between 0 and 1"):
        spin_interval(fitted((4, 0, -2), (0, 50, 0), 5.0), level=level)


def draw(rng) -> np.ndarray:
    """A serve drawn from the expectations, so that intervals should hold at their level."""
    e = Expectations()
    theta = SERVE.copy()
    theta[1:6] += rng.normal(0, 1, 5) * (0.1, 0.1, 0.6, 0.3, 0.3)
    theta[6:9] = rng.normal(0, 1, 3) * (40, 130, 100)
    theta[9:12] = rng.normal((e.friction[0], e.drag[0], e.lift[0]), (0.05, 0.03, 0.25))
    theta[11] = max(theta[11], 0.2)
    theta[12::3] = rng.normal(0.9, 0.04, 2)
    theta[13::3], theta[14::3] = rng.normal(0, 0.12, 2), rng.normal(0, 0.12, 2)
    return theta


@pytest.mark.parametrize(
    ("serves", "least"),
    [
        # of up to 200 intervals of 95 % at least 0.91 hold: 2.6 standard deviations of the count
        # below 0.95; of up to 30, 2.5 of them
        pytest.param(100, 0.91, marks=pytest.mark.slow),
        (15, 0.85),
    ],
)
def test_intervals_hold_the_spin_as_often_as_they_say(serves, least):
    # from a start without spin; that they are no wider than they must be shows in that, of many,
    # not all hold
    camera, rng = view(), np.random.default_rng(8)
    inside, given = [], 0
    for _ in range(serves):
        theta = draw(rng)
        seen = pictures(camera, theta, 2, np.arange(0.1, 0.95, 1 / 60), 0.25, rng)
        start = theta + rng.normal(0, 1, 18) * np.array(
            [0.004, 0.03, 0.03, 0.3, 0.2, 0.2, 0, 0, 0, 0, 0, 0] + [0.02, 0.1, 0.1] * 2
        )
        start[6:9], start[9:12] = 0.0, (0.25, 0.45, 0.7)
        path = fit_path(camera, seen, start, 2, Expectations(), thorough=True)
        assert path is not None
        speed = np.hypot(*theta[3:5])
        truth = (theta[3] * theta[7] - theta[4] * theta[6]) / speed, theta[8]
        for true, found in zip(truth, spin_interval(path), strict=True):
            if np.isfinite(found.value):
                given += 1
                inside.append(found.low <= true <= found.high)
    assert given > 1.5 * serves
    assert np.mean(inside) >= least
    if serves >= 100:
        assert np.mean(inside) < 1.0


def test_more_starts_find_a_spin_that_one_start_misses():
    # a long serve with topspin, begun at backspin on the other side of slip and grip
    camera, rng = view((5.2, -0.6, 0.94)), np.random.default_rng(4)
    theta = SERVE.copy()
    theta[3:9] = (5.5, 0.3, -2.3, -10, 165, 120)
    theta[11] = 0.4
    times = np.arange(0.1, 0.9, 1 / 60)
    costs = []
    for _ in range(6):
        seen = pictures(camera, theta, 2, times, 0.25, rng)
        start = theta.copy()
        start[6:9] = (0, -120, 0)
        single = fit_path(camera, seen, start, 2, Expectations())
        more = fit_path(camera, seen, start, 2, Expectations(), thorough=True)
        assert single is not None
        assert more is not None
        assert more.cost <= single.cost + 1e-9
        assert all(more.cost <= rival.cost for rival in more.others)
        costs.append(single.cost - more.cost)
    assert max(costs) > 1.0


@pytest.mark.parametrize(
    ("draws", "slack"), [pytest.param(160, 0.25, marks=pytest.mark.slow), (40, 0.5)]
)
def test_errors_that_pictures_share_are_in_the_covariance(draws, slack):
    # a common offset of 0.2 px and a slow wave of 0.1 px beside noise of 0.15 px: the places'
    # errors over the stated ones keep unit variance; of 160 draws of 2 places x 2 axes within
    # 25 %, and of a quarter of them, whose mean square scatters twice as widely, within 50 %
    camera, rng = view(), np.random.default_rng(5)
    expect = Expectations(offset_px=0.2, drift_px=0.1)
    times = np.arange(0.1, 1.0, 1 / 60)
    truth = np.array([p[0, :2] for p in Model(SERVE[None], 2).places])
    ratios = []
    for _ in range(draws):
        seen = pictures(camera, SERVE, 2, times, 0.15, rng)
        phase = 2 * np.pi * ((times - times[0]) / (times[-1] - times[0]) + rng.random())
        shared = rng.normal(0, 0.2, 2) + 0.1 * np.sqrt(2) * np.sin(phase)[:, None]
        seen = Sightings(seen.times, seen.points + shared, seen.covariances)
        path = fit_path(camera, seen, SERVE, 2, expect)
        assert path is not None
        sd = np.sqrt(np.stack([np.diag(c) for c in path.bounce_covariances]))
        ratios.append((path.bounce_places - truth) / sd)
    assert np.mean(np.square(ratios)) == pytest.approx(1.0, abs=slack)
