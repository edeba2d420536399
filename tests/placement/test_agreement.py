"""What a path and its sightings must agree with: table, net, friction, pictures of a ball."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placement.agreement import on_table, plausible, through_net, without_strangers
from tests.placement.flown import camera_beside, good_serve, seen, times_of

CAMERA = camera_beside()
SERVE = seen(CAMERA, good_serve(), times_of(1.0, 1.9), np.random.default_rng(3))


@pytest.mark.parametrize(
    ("x", "sd", "slack", "there"),
    [
        (-1.0, 0.003, 0.0, True),
        # half the table is 1.37 m long (Law 2.1.1)
        (-1.67, 0.003, 0.0, False),
        (-1.67, 0.15, 0.0, True),  # within two standard deviations of it
        (-1.67, 0.003, 0.3, True),
        (-2.20, 2.0, 0.0, False),  # doubt does not excuse all
    ],
)
def test_a_path_whose_first_bounce_lies_beside_the_table_is_told(x, sd, slack, there):
    places, covariances = (
        SERVE.path.bounce_places.copy(), SERVE.path.bounce_covariances.copy()
    )  # fmt: skip
    places[0, 0] = x
    covariances[0] = np.diag([sd**2, 1e-6])
    moved = replace(SERVE.path, bounce_places=places, bounce_covariances=covariances)
    assert on_table(moved, slack) is there


@pytest.mark.parametrize(("friction", "there"), [(0.25, True), (1.5, False)])
def test_a_bounce_takes_no_more_speed_than_friction_does(friction, there):
    # a thin shell with backspin that slips at 10 m/s loses 0.4 of it where it grips (Garwin, Am. J.
    # Phys. 37:88, 1969), but only what friction allows where it slides
    theta = SERVE.path.theta.copy()
    theta[6:9] = 0.0, -300.0, 0.0  # rad/s
    theta[9] = friction
    turned = replace(SERVE.path, theta=theta)
    model = turned.model()
    lost = float((model.incoming[0] - model.outgoing[0])[0, 0])
    assert (lost > 3.0) is not there  # m/s
    assert plausible(turned) is there


@pytest.mark.parametrize(("rise", "through"), [(2.6, False), (0.9, True)])
def test_no_ball_passes_the_meshes_between_two_bounces(rise, through):
    # the net is 152.5 mm high (Law 2.2.3); a ball that leaves at 0.9 m/s rises 20 + 41 mm
    first = float(SERVE.path.bounce_times[0])
    theta = SERVE.path.theta.copy()
    theta[1], theta[3], theta[5] = -0.4, 4.0, -rise / 0.9
    path = replace(
        SERVE.path, theta=theta, n_bounces=2,
        bounce_times=np.array([first, first + 0.17]),
    )  # fmt: skip
    assert path.positions(np.array([first + 0.17]))[0, 0] > 0
    assert through_net(path) is through


@pytest.fixture(scope="module")
def path():
    """One bounce."""
    return seen(CAMERA, good_serve(), times_of(1.0, 1.45), np.random.default_rng(1)).path


def kept(path, before: str, after: str) -> str:
    """Which sightings stay; `G` looks like a ball, `b` does not, `g` and `.` are faint likewise."""
    told = before + after
    bounce = float(path.bounce_times[0])
    times = bounce + (np.arange(len(told)) - len(before) + 0.5) / 60
    good = np.array([c in "Gg" for c in told])
    faint = np.array([c in "g." for c in told])
    keep = without_strangers(path, times, good, faint)
    return "".join(c if k else "-" for c, k in zip(told, keep, strict=True))


def test_what_looks_like_a_ball_all_along_stays(path):
    assert kept(path, "GGGbGG", "GGGGbG") == "GGGbGGGGGGbG"


def test_an_arm_before_the_bounce_is_left_out(path):
    assert kept(path, "bbbGbb", "GGGGGG") == "------GGGGGG"


def test_the_flight_next_to_the_bounce_stays_where_a_body_was_before_it(path):
    assert kept(path, "bbGbbbbbGGGGG", "GGGG") == "--------GGGGGGGGG"
    assert kept(path, "GGGG", "GGGGGbbbbbGbb") == "GGGGGGGGG--------"


def test_a_faint_picture_that_looks_like_a_ball_counts_and_one_that_does_not_tells_nothing(path):
    assert kept(path, "GGG", "gggggGbbb") == "GGGgggggGbbb"
    assert kept(path, "GGGG", "....b") == "GGGG-----"
    assert kept(path, "GGGG", ".....") == "GGGG....."
