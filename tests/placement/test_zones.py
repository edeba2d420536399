"""Zones against the trade's definitions, worked serves, and SciPy's multivariate normal."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import multivariate_normal, norm

from calibration import table
from placement import zones
from placement.normal import normal_cdf
from placement.zones import (
    Target,
    classify_depth,
    classify_landing,
    classify_receiver_side,
    classify_side,
    face_one_way,
    is_edge_undecided,
    rectangle_probability,
    to_server_frame,
)

finite = st.floats(-3, 3)
sds = st.floats(0.001, 0.5)


@pytest.mark.parametrize(
    ("y", "server_end", "label"),
    [
        (0.5, -1, "left"),  # a server at negative x looks to +x: +y is on the left
        (-0.5, -1, "right"),
        (0.5, 1, "right"),  # the other end turns by 180 degrees
        (-0.5, 1, "left"),
        (0.25, -1, "middle"),  # a third of 1.525 m is 0.508 m: the middle reaches to 0.254 m
        (0.26, -1, "left"),
    ],
)
def test_side_is_named_as_the_server_sees_it(y, server_end, label):
    assert classify_side(y, 0.0, server_end).label == [label]


def test_receiver_sees_left_and_right_exchanged():
    y = np.array([-0.5, 0.0, 0.5])
    assert classify_side(y, 0.01, -1, view="receiver").label == ["left", "middle", "right"]
    assert classify_side(y, 0.01, -1, view="server").label == ["right", "middle", "left"]


def test_right_handers_forehand_is_on_the_servers_left():
    # Common practice, no source: the players face each other, both right-handed.
    y = np.array([0.5, 0.0, -0.5])
    right = classify_receiver_side(y, 0.01, -1, receiver_hand="right")
    left = classify_receiver_side(y, 0.01, -1, receiver_hand="left")
    assert right.label == ["forehand", "middle", "backhand"]
    assert left.label == ["backhand", "middle", "forehand"]


def test_point_on_a_third_line_is_a_close_call_with_half_and_half():
    sides = classify_side(table.WIDTH / 6, 0.02, -1)
    assert sides.probability[0] == pytest.approx([0.5, 0.5, 0.0], abs=1e-9)
    assert sides.is_close_call.tolist() == [True]


def test_close_call_begins_below_probability_0_8():
    # norm.ppf(0.8) standard deviations inside the line: probability 0.8.
    inside = norm.ppf(0.8) * 0.03
    line = table.WIDTH / 6
    sides = classify_side([line + inside + 1e-6, line + inside - 1e-6], 0.03, -1)
    assert sides.is_close_call.tolist() == [False, True]


@given(finite, sds, st.sampled_from([-1, 1]))
def test_zones_cover_the_line_once(value, sd, end):
    for found in (
        classify_side(value, sd, end),
        classify_landing(value, sd, end),
        classify_depth(value, sd, end),
        classify_depth(value, sd, end, y=0.7, sd_y=sd, cov_xy=0.4 * sd * sd),
    ):
        assert found.probability.sum() == pytest.approx(1.0, abs=1e-12)
        assert (found.probability >= 0).all()


# The second bounce on the receiver's side ("third bounce" counted from the bat) of the worked
# serves P11, P13, P15 and P11 at 4.2 m/s: drag 0.45, e 0.9, mu 0.25, integrated by DOP853 at
# 1e-12; distances from the server's end line. Definitions: coaching articles by L. Hodges.
WORKED = (2.41591, 2.59155, 2.74000, 3.26397)


@pytest.mark.parametrize(
    ("band", "expected"),
    [
        (0.10, ["short", "short", "half-long", "long"]),
        (0.20, ["short", "half-long", "half-long", "long"]),
    ],
)
@pytest.mark.parametrize("end", [-1, 1])
def test_worked_serves_have_their_length_class(band, expected, end):
    x = -end * (np.array(WORKED) - table.HALF_LENGTH)
    assert classify_depth(x, 0.0, end, band=band).label == expected


def test_depth_probability_is_the_normal_share_of_each_band():
    found = classify_depth(1.37 - 0.05, 0.10, -1).probability[0]
    assert found[0] == pytest.approx(norm.cdf(-1.0), abs=1e-12)  # 10 cm from the band's edge
    assert found[2] == pytest.approx(norm.sf(2.0), abs=1e-12)


def test_second_bounce_beside_the_table_is_long_not_short():
    beside = classify_depth([0.9, 0.9], 0.03, -1, y=[0.9, 0.3], sd_y=0.03)
    assert beside.label == ["long", "short"]
    assert beside.over_side == pytest.approx([1.0, 0.0], abs=1e-5)


def test_second_bounce_past_the_end_line_is_long_wherever_across():
    assert classify_depth(1.8, 0.03, -1, y=1.2, sd_y=0.03).label == ["long"]


def test_unknown_second_bounce_across_leaves_the_length_to_decide():
    found = classify_depth(0.9, 0.03, -1, y=np.nan, sd_y=np.nan)
    assert found.label == ["short"]
    assert np.isnan(found.over_side).all()


def test_over_side_probability_respects_the_covariance_at_both_ends():
    mean, cov = np.array([1.15, 0.74]), np.array([[0.0064, 0.003], [0.003, 0.0025]])
    within = multivariate_normal(mean, cov)
    inside = within.cdf([1.22, 0.7625], lower_limit=[-9, -0.7625])
    expected = norm.cdf(1.22, 1.15, 0.08) - inside
    for end in (-1, 1):
        x, y = -end * mean  # the same serve from either end: turned by 180 degrees
        got = classify_depth(x, 0.08, end, y=y, sd_y=0.05, cov_xy=0.003)
        assert got.over_side[0] == pytest.approx(expected, abs=1e-5)  # SciPy's own error


@pytest.mark.parametrize("rho", [-0.95, -0.3, 0.0, 0.6, 0.99])
@pytest.mark.parametrize("mean", [(0.0, 0.0), (0.3, -0.2), (1.0, 0.5)])
def test_rectangle_probability_agrees_with_scipy(rho, mean):
    cov = np.array([[0.04, rho * 0.06], [rho * 0.06, 0.09]])
    expected = multivariate_normal(mean, cov).cdf([0.5, 0.25], lower_limit=[0.0, -0.25])
    got = rectangle_probability([mean], cov, (0.0, 0.5), (-0.25, 0.25))
    assert got[0] == pytest.approx(expected, abs=2e-5)  # SciPy integrates to 1e-5


def test_the_normal_distribution_is_scipys():
    values = np.linspace(-37, 37, 1481)
    assert normal_cdf(values) == pytest.approx(norm.cdf(values), rel=1e-12)
    assert np.isnan(normal_cdf([np.nan])[0])
    assert normal_cdf([-np.inf, np.inf]).tolist() == [0.0, 1.0]


def test_where_one_coordinate_is_sure_the_other_decides():
    cov = np.array([[0.01, 0.009], [0.009, 0.01]])
    within = norm.cdf(1) - norm.cdf(-1)
    got = rectangle_probability([[0.0, 0.0], [0.0, 9.0], [np.nan, 0.0]], cov, (-0.1, 0.1), (-2, 2))
    assert got[:2] == pytest.approx([within, 0.0], abs=1e-12)
    assert np.isnan(got[2])


def test_rectangles_of_all_targets_cover_the_receivers_half_once():
    mean, cov = np.array([[0.6, 0.1]]), np.array([[0.05, 0.01], [0.01, 0.03]])
    parts = sum(
        rectangle_probability(mean, cov, *Target(side=s, landing=d).rectangle(-1))
        for s in zones.SIDES
        for d in zones.LANDINGS
    )
    whole = rectangle_probability(mean, cov, (0.0, 1.37), (-0.7625, 0.7625))
    assert parts == pytest.approx(whole, abs=1e-12)


@pytest.mark.parametrize(
    ("point", "expected"),
    [
        ((1.37, 0.0), True),
        ((1.351, 0.0), True),  # 19 mm inside: within a ball's radius (Law 2.3.1: 40 mm across)
        ((1.349, 0.0), False),
        ((1.389, 0.0), True),
        ((1.391, 0.0), False),
        ((0.5, -0.77), True),
        ((1.385, 0.7775), False),  # 15 mm out both ways: 21 mm from the corner
        ((0.0, 0.0), False),
        ((np.nan, 0.0), False),
    ],
)
def test_ball_within_its_radius_of_the_edge_is_not_decided(point, expected):
    assert is_edge_undecided([point]).tolist() == [expected]


def test_landing_thirds_are_0_457_m_each():
    x = [0.45, 0.46, 0.91, 0.92]
    assert classify_landing(x, 0.0, -1).label == ["near net", "middle", "middle", "end"]


def test_nan_in_is_unknown_out():
    found = classify_side([np.nan, 0.0], [0.01, 0.01], -1)
    assert found.label == ["", "middle"]
    assert found.is_close_call.tolist() == [False, False]
    assert found.counts() == {"left": 0, "middle": 1, "right": 0}


@given(st.lists(st.tuples(finite, finite), min_size=1, max_size=5), st.sampled_from([-1, 1]))
def test_facing_one_way_keeps_what_the_server_sees(points, end):
    turned = face_one_way(points, end, to=-1)
    assert to_server_frame(turned, -1) == pytest.approx(to_server_frame(points, end), abs=0)


def test_target_rectangle_is_on_the_receivers_half_as_the_server_sees_it():
    target = Target(side="left", landing="end")
    assert target.rectangle(-1)[0] == pytest.approx((2.74 / 3, 1.37))
    assert target.rectangle(-1)[1] == pytest.approx((1.525 / 6, 0.7625))
    assert target.rectangle(1)[0] == pytest.approx((-1.37, -2.74 / 3))
    assert target.rectangle(1)[1] == pytest.approx((-0.7625, -1.525 / 6))
    assert target.aim(-1) == pytest.approx([1.37 * 5 / 6, 1.525 / 3])


def test_target_of_depth_alone_has_no_aim_for_the_first_bounce():
    assert np.isnan(Target(depth="short").aim(-1)).all()


def test_target_is_named_as_a_coach_would_call_it():
    assert Target(depth="short", side="left").name == "short left"
    assert Target(side="left", landing="middle").name == "left, middle third"
    assert Target(landing="near net").name == "near net third"


def test_hit_needs_every_called_word():
    target = Target(side="left", depth="short")
    assert target.is_hit(side="left", depth="short") is True
    assert target.is_hit(side="left", depth="long") is False
    assert target.is_hit(side="right", depth="") is False  # already wrong, whatever the depth
    assert target.is_hit(side="left", depth="") is None


def test_column_covariance_is_symmetric():
    cov = zones.covariance_from_columns([0.01], [0.02], [0.0001])
    assert cov[0] == pytest.approx(np.array([[1e-4, 1e-4], [1e-4, 4e-4]]), abs=1e-15)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: classify_side(0.0, 0.01, 0), "server_end must be -1 or"),
        (lambda: classify_side(0.0, 0.01, -1, view="umpire"), "view must be"),
        (lambda: classify_side(0.0, -0.01, -1), "must not be negative"),
        (lambda: classify_side([0.0, 1.0], [0.1, 0.1, 0.1], -1), "must match"),
        (lambda: classify_depth(0.0, 0.1, -1, band=15), "band must be between"),
        (lambda: classify_receiver_side(0.0, 0.1, -1, receiver_hand="both"), "receiver_hand"),
        (lambda: to_server_frame([0.0, 1.0], -1), "shape"),
        (lambda: Target(side="wide"), "side must be one of"),
        (lambda: Target(), "needs a side"),
        (lambda: Target(side="left").rectangle(0), "server_end"),
    ],
)
def test_bad_input_is_one_sentence(call, message):
    with pytest.raises(ValueError, match=message):
        call()
