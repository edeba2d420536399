"""Spread and bias against Rayleigh's and Hotelling's closed forms, and by simulation."""

import numpy as np
import pytest
from scipy.stats import norm

from placement.plots_table import CHI2_95
from placement.spread import (
    CEP_FACTOR,
    DRMS_FACTOR,
    MEAN_RADIUS_FACTOR,
    RADIUS_95_FACTOR,
    circular_error,
    mean_spot_factor,
    measure_bias,
    measure_spread,
    median_distance,
    next_serve_factor,
)


def test_factors_of_a_circular_normal():
    # Rayleigh's distribution: median, mean, root mean square, 95 % point for sd 1.
    got = (CEP_FACTOR, MEAN_RADIUS_FACTOR, DRMS_FACTOR, RADIUS_95_FACTOR)
    assert got == pytest.approx((1.17741, 1.25331, 1.41421, 2.44775), abs=1e-5)


@pytest.mark.parametrize(
    ("n", "next_serve", "mean_spot"),
    [(10, 11.036, 1.0033), (20, 7.8793, 0.37520), (30, 7.150, 0.2306)],
)
def test_small_sample_ellipse_factors(n, next_serve, mean_spot):
    # Hotelling: 2 (n^2 - 1) / (n (n - 2)) F_0.95(2, n - 2), and divided by n + 1 for the mean.
    assert next_serve_factor(n) == pytest.approx(next_serve, abs=5.1e-4 if n != 20 else 5.1e-5)
    assert mean_spot_factor(n) == pytest.approx(mean_spot, abs=5.1e-5)


def test_next_serve_factor_tends_to_the_known_normals():
    assert next_serve_factor(10**6) == pytest.approx(CHI2_95, abs=1e-4)
    assert pytest.approx(5.9915, abs=5e-5) == CHI2_95  # chi-squared table, 2 degrees of freedom


@pytest.mark.parametrize("n", [10, 20, 60])
def test_ellipses_cover_by_simulation(n):
    rng = np.random.default_rng(n)
    cov = np.array([[0.02, 0.006], [0.006, 0.01]])
    trials = 1000
    held_next = held_mean = 0
    for _ in range(trials):
        xy = rng.multivariate_normal([0.8, 0.1], cov, size=n + 1)
        found = measure_spread(xy[:n], measurement=1e-6)
        inverse = np.linalg.inv(found.seen)
        off, centre = xy[n] - found.mean, np.array([0.8, 0.1]) - found.mean
        held_next += off @ inverse @ off <= found.next_serve_factor
        held_mean += centre @ inverse @ centre <= found.mean_spot_factor
    # Three standard errors of 1000 trials: 0.0207.
    assert held_next / trials == pytest.approx(0.95, abs=0.0207)
    assert held_mean / trials == pytest.approx(0.95, abs=0.0207)


def test_circular_error_of_a_circle_is_1_17741_sd():
    assert circular_error(np.eye(2) * 0.1**2) == pytest.approx(0.117741, abs=1e-6)


def test_circular_error_of_a_line_is_the_median_of_one_normal():
    # No scatter in one direction: half of a normal lies within 0.67449 sd.
    assert circular_error([[0.04, 0.0], [0.0, 0.0]]) == pytest.approx(
        0.2 * norm.ppf(0.75), rel=2e-3
    )
    assert circular_error(np.zeros((2, 2))) == 0.0


def test_circular_error_of_an_ellipse_agrees_with_simulation_and_the_rule_of_thumb():
    cov = np.array([[0.09, 0.02], [0.02, 0.04]])
    radii = np.hypot(*np.random.default_rng(3).multivariate_normal([0, 0], cov, 400_000).T)
    got = circular_error(cov)
    assert got == pytest.approx(np.median(radii), rel=0.005)  # four standard errors
    sds = np.sqrt(np.linalg.eigvalsh(cov))
    # Rule of thumb 0.589 (s1 + s2), from memory; exact for a circle, a few per cent otherwise.
    assert got == pytest.approx(0.589 * sds.sum(), rel=0.03)


def test_measurement_scatter_is_taken_out_and_said():
    rng = np.random.default_rng(1)
    true = rng.normal(0, 0.10, size=(4000, 2))
    noise = rng.normal(0, [0.06, 0.01], size=(4000, 2))
    found = measure_spread(true + noise, measurement=np.diag([0.06**2, 0.01**2]))
    sd = np.sqrt(np.diag(found.student))
    assert sd == pytest.approx(np.array([0.10, 0.10]), abs=0.004)  # three standard errors
    assert np.sqrt(found.seen[0, 0]) > 0.11
    assert found.note == "measuring error of 43 mm taken out"  # rms of 60 and 10 mm


def test_scatter_below_the_measurement_is_never_negative_and_is_said():
    xy = np.random.default_rng(1).normal(0, [0.10, 0.01], size=(30, 2))
    found = measure_spread(xy, measurement=0.02)
    assert np.linalg.eigvalsh(found.student).min() >= -1e-15
    assert found.is_measurement_limited
    assert "as large as what was seen" in found.note


def test_spread_is_about_each_targets_own_mean():
    rng = np.random.default_rng(8)
    one = rng.normal([0.3, 0.4], 0.05, size=(200, 2))
    other = rng.normal([1.1, -0.4], 0.05, size=(200, 2))
    called = ["a"] * 200 + ["b"] * 200
    found = measure_spread(np.vstack([one, other]), measurement=1e-6, targets=called)
    assert np.sqrt(np.diag(found.seen)) == pytest.approx(np.array([0.05, 0.05]), abs=0.006)
    assert found.n == 399


def test_bias_has_the_servers_words_at_either_end():
    # 4 cm beyond the spot and 7 cm towards +y: to the left of a server at negative x.
    rng = np.random.default_rng(0)
    noise = rng.normal(0, 0.02, size=(50, 2))
    noise -= noise.mean(axis=0)
    aim = np.array([0.9, 0.2])
    offset = np.array([0.04, 0.07])
    near = measure_bias(aim + offset + noise, aim, server_end=-1)
    assert near.words == "4 ± 1 cm long, 7 ± 1 cm to the server's left"
    far = measure_bias(-aim + offset + noise, -aim, server_end=1)
    assert far.words == "4 ± 1 cm short, 7 ± 1 cm to the server's right"


def test_bias_within_its_interval_is_no_clear_bias():
    xy = np.random.default_rng(0).normal(0, 0.2, size=(12, 2))
    assert "no clear bias" in measure_bias(xy, [0.0, 0.0], server_end=-1).words


def test_bias_without_a_called_length_is_sideways_alone():
    found = measure_bias([[0.5, 0.3], [0.9, 0.31]], [np.nan, 0.2], server_end=-1)
    assert np.isnan(found.long_m)
    assert "long" not in found.words
    assert found.right_m == pytest.approx(-0.105, abs=1e-12)


def test_single_serve_has_a_bias_but_no_interval():
    assert measure_bias([[1.0, 0.0]], [0.9, 0.0], server_end=-1).words.startswith("10 cm long")


@pytest.mark.parametrize("n", [10, 20, 60])
def test_bias_interval_covers(n):
    rng = np.random.default_rng(n)
    held = 0
    for _ in range(1000):
        found = measure_bias(rng.normal(0.03, 0.1, size=(n, 2)), [0, 0], server_end=-1)
        held += abs(found.long_m - 0.03) <= found.long_half_width_m
    assert held / 1000 == pytest.approx(0.95, abs=0.0207)  # three standard errors


def test_one_wild_serve_does_not_move_the_median_distance():
    xy = [[0.1, 0.0], [0.0, 0.1], [-0.1, 0.0], [0.0, 9.0], [np.nan, np.nan]]
    assert median_distance(xy, [0.0, 0.0]) == pytest.approx(0.1, abs=1e-12)
    assert median_distance(xy[:3], [np.nan, 0.0]) == pytest.approx(0.0, abs=1e-12)
    assert np.isnan(median_distance([[np.nan, np.nan]], [0.0, 0.0]))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: measure_spread([[0, 0], [1, 1]], measurement=0.01), "at least 3"),
        (lambda: next_serve_factor(2), "at least 3"),
        (lambda: measure_bias([[np.nan, 0.0]], [0, 0], server_end=-1), "at least one"),
    ],
)
def test_bad_input_is_one_sentence(call, message):
    with pytest.raises(ValueError, match=message):
        call()
