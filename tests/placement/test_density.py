"""Density maps against SciPy's kernel density, closed forms, and the law that mass is kept."""

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import gaussian_kde

from placement.density import (
    MIN_POINTS,
    estimate_density,
    folded_density,
    grid_axes,
    half_bounds,
    kernel_covariance,
    measurement_covariance,
    scott_factor,
    table_bounds,
)

HALF = half_bounds(-1)
UNBOUNDED = ((-100.0, 100.0), (-100.0, 100.0))


def sample(n, seed=1, centre=(0.7, 0.0), sd=(0.12, 0.10), rho=0.5):
    rng = np.random.default_rng(seed)
    cov = [[sd[0] ** 2, rho * sd[0] * sd[1]], [rho * sd[0] * sd[1], sd[1] ** 2]]
    return rng.multivariate_normal(centre, cov, size=n)


def test_scott_factor_of_50_serves():
    # Scott (1992), Silverman (1986): 50 ** (-1/6) and (50 (d + 2) / 4) ** (-1/6) agree for d = 2.
    assert scott_factor(50) == pytest.approx(0.52100, abs=1e-5)
    assert scott_factor(20) == pytest.approx(0.6070, abs=5e-5)
    assert scott_factor(100) == pytest.approx(0.4642, abs=5e-5)


def test_reflection_doubles_the_density_at_an_edge():
    # One point on the edge, h 0.1, along one axis: 1 / (0.1 sqrt(2 pi)) = 3.9894 without and
    # 7.9788 with reflection (Silverman 1986, section 2.10). Across, far from any edge: 3.9894.
    along = 3.9894
    bounds = ((0.0, 10.0), (-5.0, 5.0))
    point, h = [[0.0, 0.0]], np.eye(2) * 0.1**2
    with_edge = folded_density(point, h, [0.0], [0.0], bounds)[0, 0]
    without = folded_density(point, h, [0.0], [0.0], UNBOUNDED)[0, 0]
    assert without / along == pytest.approx(3.9894, abs=1e-4)
    assert with_edge / along == pytest.approx(7.9788, abs=2e-4)  # `along` itself is rounded


@pytest.mark.parametrize("rho", [0.0, 0.5, -0.8])
def test_away_from_edges_it_is_scipys_kernel_density(rho):
    xy = sample(40, rho=rho)
    got_map = estimate_density(xy, bounds=UNBOUNDED, measurement=1e-6, cell_m=50.0)
    x, y = np.linspace(0.3, 1.1, 9), np.linspace(-0.4, 0.4, 7)
    expected = gaussian_kde(xy.T)(np.stack(np.meshgrid(x, y, indexing="ij")).reshape(2, -1))
    got = folded_density(xy, got_map.bandwidth, x, y, UNBOUNDED)
    assert got.ravel() == pytest.approx(expected, rel=1e-9, abs=1e-12)


@settings(max_examples=20, deadline=None)
@given(st.integers(15, 40), st.floats(0.0, 1.37), st.floats(-0.76, 0.76), st.floats(-0.9, 0.9))
def test_density_integrates_to_one_wherever_the_serves_land(n, x, y, rho):
    xy = sample(n, seed=n, centre=(x, y), sd=(0.2, 0.3), rho=rho)
    xy = np.clip(xy, [0.0, -0.7625], [1.37, 0.7625])
    found = estimate_density(xy, bounds=HALF, measurement=0.01)
    assert found.density.sum() * found.cell_area == pytest.approx(1.0, abs=1e-6)
    assert (found.density >= 0).all()


def test_mass_is_kept_by_a_kernel_wider_than_the_half_table():
    x, y = grid_axes(HALF, 0.01)
    density = folded_density([[0.1, 0.7], [1.3, -0.2]], [[1.0, 0.7], [0.7, 1.0]], x, y, HALF)
    assert density.sum() * (x[1] - x[0]) * (y[1] - y[0]) == pytest.approx(1.0, abs=1e-9)


def test_reflected_kernel_is_the_mirror_picture():
    # Folding the plain density by hand: the mirrored half is added point by point.
    bandwidth = np.array([[0.02, 0.012], [0.012, 0.02]])
    x, y = np.linspace(0.01, 0.4, 5), np.linspace(-0.3, 0.3, 7)
    point = [[0.05, 0.1]]
    plain = folded_density(point, bandwidth, np.r_[x, -x], y, UNBOUNDED)
    folded = folded_density(point, bandwidth, x, y, ((0.0, 50.0), (-50.0, 50.0)))
    assert folded == pytest.approx(plain[:5] + plain[5:], rel=1e-12, abs=0)


def test_kernel_is_never_narrower_than_the_measurement():
    xy = sample(30, sd=(0.002, 0.15), rho=0.0)  # far tighter along the length than can be measured
    measurement = np.array([[0.02**2, 0.0], [0.0, 0.005**2]])
    bandwidth = kernel_covariance(xy, measurement)
    assert np.linalg.eigvalsh(bandwidth - measurement).min() > -1e-12
    assert bandwidth[0, 0] == pytest.approx(0.02**2, rel=0.01)
    scott = scott_factor(30) ** 2 * np.cov(xy.T)[1, 1]
    assert bandwidth[1, 1] == pytest.approx(scott, rel=0.01)  # untouched where it is wide


def test_identical_bounces_give_the_measurement_itself():
    xy = np.full((20, 2), [0.8, 0.1])
    assert kernel_covariance(xy, 0.008) == pytest.approx(np.eye(2) * 0.008**2, abs=1e-15)


def test_two_targets_do_not_widen_each_others_kernel():
    one, other = sample(30, centre=(0.3, -0.4), sd=(0.05, 0.05)), sample(30, 2, (1.1, 0.4))
    together = np.vstack([one, other])
    called = ["short right"] * 30 + ["long left"] * 30
    pooled = (np.cov(one.T) + np.cov(other.T)) / 2 * scott_factor(60) ** 2
    assert kernel_covariance(together, 1e-6, groups=called) == pytest.approx(pooled, rel=1e-9)
    # One target, or one target per serve: the plain sample covariance.
    plain = scott_factor(30) ** 2 * np.cov(one.T)
    assert kernel_covariance(one, 1e-6, groups=["a"] * 30) == pytest.approx(plain, rel=1e-9)
    assert kernel_covariance(one, 1e-6, groups=range(30)) == pytest.approx(plain, rel=1e-9)


def test_few_bounces_are_points_not_a_density():
    few = estimate_density(sample(MIN_POINTS - 1), bounds=HALF, measurement=0.01, n_missed=2)
    enough = estimate_density(sample(MIN_POINTS), bounds=HALF, measurement=0.01)
    assert few.density is None
    assert few.n_landed == 14
    assert enough.density is not None
    with pytest.raises(ValueError, match="below 15"):
        few.level_holding(0.5)


def test_misses_are_counted_and_never_enter_the_map():
    landed = sample(20)
    away = [[np.nan, np.nan], [1.6, 0.0], [0.5, 0.9]]
    with_misses = estimate_density(
        np.vstack([landed, away]), bounds=HALF, measurement=0.01, n_missed=4
    )
    alone = estimate_density(landed, bounds=HALF, measurement=0.01)
    assert with_misses.n_missed == 7
    assert with_misses.n_landed == 20
    assert np.array_equal(with_misses.density, alone.density)


def test_edge_ball_measured_just_outside_is_drawn_in_to_the_edge():
    found = estimate_density([[1.385, 0.0]], bounds=HALF, measurement=0.01)
    assert found.points.tolist() == [[1.37, 0.0]]
    assert found.n_missed == 0


def test_half_of_the_serves_lie_above_the_half_level():
    found = estimate_density(sample(60), bounds=HALF, measurement=0.01)
    above = found.density[found.density >= found.level_holding(0.5)].sum() * found.cell_area
    assert above == pytest.approx(0.5, abs=0.01)  # one cell's share


def test_halves_and_table_have_the_laws_sizes():
    assert half_bounds(-1) == ((0.0, 1.37), (-0.7625, 0.7625))  # Laws 2.1.1 and 2.1.5
    assert half_bounds(1) == ((-1.37, 0.0), (-0.7625, 0.7625))
    assert table_bounds() == ((-1.37, 1.37), (-0.7625, 0.7625))


def test_mean_measurement_leaves_out_unknown_rows():
    many = np.array([np.eye(2) * 1e-4, np.full((2, 2), np.nan), np.eye(2) * 3e-4])
    assert measurement_covariance(many) == pytest.approx(np.eye(2) * 2e-4, abs=1e-18)


def test_a_season_of_serves_is_mapped_within_a_page_load():
    xy = sample(720)  # 12 drills of 60 serves
    start = time.process_time()
    estimate_density(xy, bounds=HALF, measurement=0.01)
    assert time.process_time() - start < 2.0  # s; a page may take 2 s


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: estimate_density([0.0, 1.0], bounds=HALF, measurement=0.01), "shape"),
        (lambda: estimate_density(sample(20), bounds=HALF, measurement=0.0), "positive definite"),
        (lambda: estimate_density(sample(20), bounds=HALF, measurement=[1.0]), "measurement must"),
        (lambda: kernel_covariance([[0.0, 0.0]], 0.01), "at least 2"),
        (lambda: folded_density(np.empty((0, 2)), np.eye(2), [0.0], [0.0], HALF), "at least one"),
        (lambda: half_bounds(0), "server_end"),
    ],
)
def test_bad_input_is_one_sentence(call, message):
    with pytest.raises(ValueError, match=message):
        call()
