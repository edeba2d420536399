"""Fits of whole paths: simulated pictures give back the path, and errors are as large as stated."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from calibration.camera import Camera
from placement import flight
from placement.collocation import NODES_LONG, fly, moved
from placement.derivatives import Traced
from placement.projection import project_with_slopes
from placement.trajectory import Expectations, Model, Sightings, first_guess, fit_path

# a serve of two bounces: t, x, y, velocity, spin, friction, drag, lift; restitution, rub each
SERVE = np.array(
    [0.30, -0.9, 0.1, 4.5, 0.4, -2.2, 0, 60, 0, 0.25, 0.45, 1.0, 0.9, 0, 0, 0.9, 0, 0], float
)  # fmt: skip
ONE = SERVE[:15]


def view(eye=(-2.2, -3.2, 1.3), aim=(0.0, 0.0, 0.0), focal=1400.0, k1=-0.03) -> Camera:
    """A camera at `eye` that looks at `aim`, z up, 1920 x 1080."""
    eye, aim = np.array(eye), np.array(aim)
    front = (aim - eye) / np.linalg.norm(aim - eye)
    right = np.cross(front, [0, 0, 1])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(front, right), front])
    return Camera(
        matrix=np.array([[focal, 0, 960], [0, focal, 540], [0, 0, 1.0]]),
        distortion=np.array([k1, 0.01, 0.001, -0.001, 0.0]),
        rotation=rotation, translation=-rotation @ eye, size=(1920, 1080),
    )  # fmt: skip


def pictures(camera, theta, n, times, sd, rng) -> Sightings:
    exact = camera.project(Model(theta[None], n).at(times)[0])
    noise = rng.normal(0, 1, exact.shape) * sd
    covariance = np.tile((sd**2 - 0.1**2) * np.eye(2), (len(times), 1, 1))  # 0.1 px is the model's
    return Sightings(times, exact + noise, covariance)


@pytest.mark.parametrize("duration", [-0.35, 0.25, 0.5, 0.9])
def test_collocated_flight_agrees_with_scipy(duration):
    v, w = np.array([6.0, 0.8, 1.5]), np.array([120.0, -200.0, 150.0])

    def rates(_, y):
        pull = flight.acceleration(y[None, 3:], w[None], drag_coefficient=0.45)
        return np.concatenate([y[3:], pull[0]])

    exact = solve_ivp(
        rates, (0, duration), np.concatenate([np.zeros(3), v]), method="DOP853",
        rtol=1e-12, atol=1e-13, dense_output=True,
    ).sol  # fmt: skip
    times = np.linspace(0, duration, 25)
    begin, nodes = tuple(v.tolist()), np.empty((NODES_LONG, 7))
    far, quick = np.empty((2, NODES_LONG))
    n = fly(begin, tuple(w.tolist()), 0.45, 1.0, duration, nodes)
    both = [moved(float(t), begin, duration, n, nodes, far, quick) for t in times]
    offset, velocity = (np.array(x) for x in zip(*both, strict=True))
    np.testing.assert_allclose(offset, exact(times)[:3].T, rtol=0, atol=1e-6)  # m
    np.testing.assert_allclose(velocity, exact(times)[3:].T, rtol=0, atol=1e-5)  # m/s


def test_traced_path_agrees_with_the_batch_model():
    times = np.linspace(0.0, 1.1, 60)
    position, velocity, _ = Traced(SERVE, 2).at(times)
    model = Model(SERVE[None], 2)
    # the batch is integrated at 100 ms steps, good to 5e-5 m
    np.testing.assert_allclose(position, model.at(times)[0], rtol=0, atol=1e-4)
    np.testing.assert_allclose(velocity, model.velocity_at(times)[0], rtol=0, atol=1e-3)


@pytest.mark.parametrize("spin", [60.0, -150.0])
def test_derivatives_agree_with_differences(spin):
    camera = view()
    theta = SERVE.copy()
    theta[6:9] = (30, spin, -40)
    times = np.linspace(0.05, 1.0, 40)
    traced = Traced(theta, 2)
    position, velocity, parts = traced.at(times)
    _, slopes = project_with_slopes(camera, position)
    jacobian = traced.by_theta(traced.picture_slopes(slopes, velocity, parts))
    for j, step in enumerate([1e-6] * 3 + [1e-5] * 3 + [1e-3] * 3 + [1e-5] * 9):
        ahead, behind = theta.copy(), theta.copy()
        ahead[j] += step
        behind[j] -= step
        difference = (
            camera.project(Traced(ahead, 2).at(times)[0])
            - camera.project(Traced(behind, 2).at(times)[0])
        ) / (2 * step)
        size = np.abs(difference).max() + 1e-3
        np.testing.assert_allclose(jacobian[:, :, j], difference, rtol=0, atol=3e-3 * size)


def test_exact_pictures_give_back_the_path():
    camera = view()
    times = np.arange(0.1, 1.0, 1 / 60)
    seen = pictures(camera, SERVE, 2, times, 0.15, np.random.default_rng(0))
    exact = Sightings(
        seen.times, camera.project(Model(SERVE[None], 2).at(times)[0]), seen.covariances
    )
    wide = Expectations(spin=(0.0, 1e4), speed=(0.0, 1e3), lift=(1.0, 0.4))
    start = first_guess(
        [0.31, 0.72], np.array([-0.85, 0.15]), np.array([4.0, 0.2, -2.0]),
        [np.array([3.5, 0.2, 1.8]), np.array([3.0, 0.2, 1.6])], wide,
    )  # fmt: skip
    path = fit_path(camera, exact, start, 2, wide)
    assert path is not None
    model = Model(SERVE[None], 2)
    np.testing.assert_allclose(path.bounce_times, [t[0] for t in model.starts], rtol=0, atol=2e-4)
    truth = np.array([p[0, :2] for p in model.places])
    np.testing.assert_allclose(path.bounce_places, truth, rtol=0, atol=1e-3)  # m


def test_own_solver_and_scipy_find_the_same_path():
    camera = view()
    rng = np.random.default_rng(3)
    times = np.arange(0.1, 1.0, 1 / 60)
    seen = pictures(camera, SERVE, 2, times, 0.3, rng)
    seen.points[7] += 12.0  # one wrong picture, for the robust loss
    start = SERVE + rng.normal(0, 1, 18) * 0.3 * np.array(
        [0.01, 0.05, 0.05, 0.3, 0.3, 0.3, 20, 20, 20, 0.02, 0.02, 0.2] + [0.03, 0.05, 0.05] * 2
    )
    own, other = (
        fit_path(camera, seen, start, 2, Expectations(), solver=name) for name in ("own", "scipy")
    )
    assert own is not None
    assert other is not None
    sd = np.sqrt(np.diag(other.covariance))
    # the own solver stops where a step is worth less than a tenth of a standard deviation
    assert np.abs((own.theta - other.theta) / sd).max() < 0.1
    np.testing.assert_allclose(own.bounce_places, other.bounce_places, rtol=0, atol=3e-4)


def test_unknown_solver_is_named():
    seen = Sightings(np.arange(3.0), np.zeros((3, 2)), np.tile(np.eye(2), (3, 1, 1)))
    with pytest.raises(ValueError, match="solver must be one of"):
        fit_path(view(), seen, ONE, 1, Expectations(), solver="none")


@pytest.mark.parametrize(
    ("draws", "slack"), [pytest.param(500, 0.10, marks=pytest.mark.slow), (100, 0.22)]
)
def test_stated_errors_are_as_large_as_the_errors(draws, slack):
    # unknowns drawn from the expectations, pictures with noise: errors over stated sd have unit
    # variance, within 10 % for 500 draws of 2 places x 2 axes, and within 22 % for a fifth of them,
    # whose mean square scatters sqrt(5) times as widely. Begun at the truth, so that the spread of
    # the best fit is tested, not the way there
    camera = view()
    rng = np.random.default_rng(11)
    expect = Expectations(spin=(0.0, 40.0))
    times = np.arange(0.1, 1.0, 1 / 60)
    ratios = []
    for _ in range(draws):
        theta = SERVE.copy()
        theta[1:6] += rng.normal(0, 1, 5) * (0.1, 0.1, 0.4, 0.3, 0.2)
        theta[6:9] = rng.normal(0, 40, 3)
        theta[9:12] = rng.normal((0.25, 0.45, 0.7), (0.05, 0.03, 0.4))
        theta[12::3] = rng.normal(0.9, 0.04, 2)
        theta[13::3], theta[14::3] = rng.normal(0, 0.12, 2), rng.normal(0, 0.12, 2)
        seen = pictures(camera, theta, 2, times, 0.3, rng)
        path = fit_path(camera, seen, theta, 2, expect)
        assert path is not None
        truth = np.array([p[0, :2] for p in Model(theta[None], 2).places])
        sd = np.sqrt(np.stack([np.diag(c) for c in path.bounce_covariances]))
        ratios.append((path.bounce_places - truth) / sd)
    variance = np.mean(np.array(ratios) ** 2)
    assert variance == pytest.approx(1.0, abs=slack)


def test_pictures_of_a_path_come_with_their_spread():
    camera = view()
    times = np.arange(0.1, 1.0, 1 / 60)
    seen = pictures(camera, SERVE, 2, times, 0.3, np.random.default_rng(2))
    path = fit_path(camera, seen, SERVE, 2, Expectations())
    assert path is not None
    later = np.array([0.2, 0.5, 1.1])
    points, covariances = path.pictures(camera, later)

    def by_batch(model):
        return camera.project(model.at(later)).reshape(len(model.batch), -1)

    values, spread = path.propagate(by_batch)  # by differences over a batch of paths
    np.testing.assert_allclose(points.ravel(), values, rtol=0, atol=0.05)  # px
    np.testing.assert_allclose(
        np.concatenate([np.diag(c) for c in covariances]), np.diag(spread), rtol=0.05, atol=1e-4
    )


def test_states_of_a_path_come_with_their_spread():
    camera = view()
    rng = np.random.default_rng(5)
    seen = pictures(camera, SERVE, 2, np.arange(0.05, 0.85, 1 / 60), 0.4, rng)
    path = fit_path(camera, seen, SERVE, 2, Expectations())
    times = np.array([-0.15, -0.02, 0.12, 0.3]) + path.bounce_times[0]

    def by_batch(model):
        both = np.concatenate([model.at(times), model.velocity_at(times)], axis=2)
        return both.reshape(len(model.batch), -1)

    values, spread = path.propagate(by_batch)  # by differences over a batch of paths
    states, covariance = path.states(times)
    np.testing.assert_allclose(states.ravel(), values, atol=2e-4)
    scale = np.sqrt(np.diag(spread))
    np.testing.assert_allclose(
        covariance / np.outer(scale, scale), spread / np.outer(scale, scale), atol=0.03
    )


def test_first_guess_holds_what_it_is_given():
    guess = first_guess(
        [0.4], np.array([0.1, 0.2]), np.array([3.0, 0.0, -2.0]), [np.array([2.1, 0.0, 1.8])],
        Expectations(),
    )  # fmt: skip
    np.testing.assert_allclose(guess[:6], [0.4, 0.1, 0.2, 3.0, 0.0, -2.0], rtol=0, atol=0)
    assert guess[12] == pytest.approx(0.9, abs=1e-12)  # 1.8 up over 2.0 down
