"""Figures of a student from drawn serves whose truth is known; coverage of the intervals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from placement import figures, spread, zones


def serves_at(
    points: np.ndarray,
    *,
    end: int = -1,
    outcome: str = "good",
    target: tuple[str, str, str] = ("", "left", ""),
    sd: float = 0.004,
) -> pd.DataFrame:
    """Rows as `Store.serves` gives them, for landings drawn by the test; table (x, y), m."""
    n = len(points)
    side = zones.classify_side(points[:, 1], np.full(n, sd), np.full(n, end))
    return pd.DataFrame(
        {
            "serve_id": range(n), "turn_id": np.arange(n) // 5, "drill_id": 1, "clip": "c",
            "filmed_on": "2026-01-12", "t_start_s": np.arange(n) * 5.0, "outcome": outcome,
            "outcome_probability": 0.99, "server_end": float(end), "landing_x_m": points[:, 0],
            "landing_y_m": points[:, 1], "landing_sd_x_m": sd, "landing_sd_y_m": sd,
            "landing_cov_xy_m2": 0.0, "depth": "short", "depth_probability": 0.95,
            "side": side.label, "side_probability": side.best_probability,
            "second_bounce_x_m": 1.1 * -end, "second_bounce_sd_m": 0.03, "pace_m_s": 4.5,
            "pace_sd_m_s": 0.1, "target_depth": target[0], "target_side": target[1],
            "target_landing": target[2], "stroke": "forehand", "tags": "", "corrected": "",
        }
    ).astype({"outcome": object})  # fmt: skip


LEFT = np.array([[0.6, 0.5]])  # server at -x: +y is on the left (right-handed axes, +x away)


def test_a_hit_needs_a_good_serve_in_the_called_zone():
    judged = figures.judge(serves_at(np.repeat(LEFT, 4, axis=0)))
    assert judged["hit"].tolist() == [1.0] * 4
    missed = serves_at(np.repeat(LEFT, 4, axis=0), outcome="net")
    assert figures.judge(missed)["hit"].tolist() == [0.0] * 4
    right = serves_at(np.array([[0.6, -0.5]]))
    assert figures.judge(right)["hit"].tolist() == [0.0]


@pytest.mark.parametrize("outcome", ["let", "unclear"])
def test_lets_and_unclear_serves_do_not_count(outcome):
    judged = figures.judge(serves_at(np.repeat(LEFT, 3, axis=0), outcome=outcome))
    assert judged["hit"].isna().all()
    assert figures.hit_rate(judged).n == 0


def test_from_either_end_the_same_serve_is_the_same():
    near = figures.judge(serves_at(LEFT, end=-1))
    far = figures.judge(serves_at(-LEFT, end=1))
    for name in ("hit", "side", "x_m", "y_m", "landing"):
        assert near[name].tolist() == far[name].tolist()


def test_a_zone_that_is_not_known_leaves_the_hit_open_unless_another_part_is_wrong():
    serves = serves_at(np.vstack([LEFT, -LEFT * [-1, 1]]), target=("short", "left", ""))
    serves["depth"] = ""
    # On the left: the depth decides and is not known. On the right: missed whatever the depth.
    assert np.isnan(figures.judge(serves)["hit"].iloc[0])
    assert figures.judge(serves)["hit"].iloc[1] == 0.0


def test_close_calls_are_those_below_four_fifths():
    edge = -1.525 / 2 + 2 * 1.525 / 3  # y of the line between middle and left, thirds of 1.525 m
    points = np.array([[0.6, edge + 0.001], [0.6, edge + 0.02]])
    judged = figures.judge(serves_at(points, sd=0.004))
    assert judged["close"].tolist() == [True, False]


def test_bias_and_scatter_are_told_apart():
    rng = np.random.default_rng(3)
    aim = np.array([0.685, 1.525 / 3])  # middle of the half's length and of the left third
    points = rng.normal(aim - np.array([0.0, 0.08]), 0.05, (400, 2))
    judged = figures.judge(serves_at(points, target=("", "left", "middle")))
    found = {f.key: f for f in figures.student_figures(judged, rng=rng)}
    # 8 cm towards -y is to the right of a server at -x; half-width 1.96 * 5 / 20 = 0.5 cm.
    assert found["bias_side"].value == pytest.approx(8.0, abs=0.7)
    assert abs(found["bias_length"].value) < 0.7
    assert "right" in found["bias_side"].words
    # Circular normal: half lie within 1.17741 sd (Rayleigh); 400 serves leave about 4 %.
    assert found["circular_error"].value == pytest.approx(1.17741 * 5.0, rel=0.06)


def test_the_measurements_scatter_is_taken_out():
    rng = np.random.default_rng(4)
    true = rng.normal([0.7, 0.5], 0.06, (3000, 2))
    seen = true + rng.normal(0, 0.04, true.shape)
    judged = figures.judge(serves_at(seen, sd=0.04))
    found = figures.student_spread(judged)
    assert found is not None
    assert found.circular_error_m == pytest.approx(1.17741 * 0.06, rel=0.03)


@pytest.mark.parametrize("n", [10, 20, 60])
def test_the_interval_of_the_circular_error_covers_the_truth(n):
    """Simulation: 95 % nominal; 600 drawings leave an error of 0.9 %, so 92.5 to 97.5 % is met."""
    rng = np.random.default_rng(n)
    inside = 0
    for _ in range(600):
        xy = rng.normal(0, 0.1, (n, 2))
        found = spread.measure_spread(xy, measurement=0.005)
        ends = figures.circular_error_interval(found)
        inside += ends.low <= 1.17741 * np.sqrt(0.1**2) <= ends.high
    assert 0.925 <= inside / 600 <= 0.98


@pytest.mark.parametrize("n", [10, 20, 60])
def test_the_interval_of_depth_control_covers_the_truth(n):
    """As above; 1500 drawings leave an error of 0.6 %."""
    rng = np.random.default_rng(100 + n)
    measured = 0.03**2
    inside = 0
    for drawn in rng.normal(1.0, np.hypot(0.15, 0.03), (1500, n)):
        found = figures._sd_figure("", "", float(drawn.var(ddof=1)), measured, n - 1, n, "")
        inside += found.low <= 15.0 <= found.high
    assert 0.93 <= inside / 1500 <= 0.97
    judged = figures.judge(serves_at(np.repeat(LEFT, n, axis=0)))
    judged["second_bounce_x_m"] = drawn
    assert figures._depth_control(judged).low == pytest.approx(found.low, abs=1e-9)


def test_every_figure_has_words_a_meaning_and_an_interval_that_holds_it():
    rng = np.random.default_rng(5)
    judged = figures.judge(serves_at(rng.normal([0.6, 0.4], 0.1, (30, 2))))
    for figure in figures.student_figures(judged, rng=rng):
        assert figure.words
        assert figure.meaning.endswith(".")
        if figure.n and not np.isnan(figure.value):
            assert figure.low <= figure.value + 1e-9 <= figure.high + 2e-9


def test_no_serves_give_no_figures_but_words():
    empty = serves_at(np.empty((0, 2)))
    found = figures.student_figures(empty, rng=np.random.default_rng(0))
    assert {f.key for f in found} >= {"hit_rate", "good_rate", "circular_error", "pace"}
    assert found[0].words == "no serves yet"


def test_shares_of_the_zones_sum_to_one():
    rng = np.random.default_rng(6)
    judged = figures.judge(serves_at(rng.normal([0.6, 0.0], 0.3, (50, 2))))
    table = figures.zone_shares(judged)
    for _, part in table.groupby("kind"):
        assert part["share"].sum() == pytest.approx(1.0, abs=1e-12)


def test_of_a_handful_of_serves_neither_bias_nor_pace_is_said():
    """An interval of metres says nothing: below five landed serves there is a sentence instead."""
    four = figures.student_figures(
        serves_at(np.repeat(LEFT, 4, axis=0)), rng=np.random.default_rng(0)
    )
    words = {figure.key: figure.words for figure in four}
    assert words["bias_side"] == "too few landed serves"
    assert words["pace"] == "too few serves with a pace"
