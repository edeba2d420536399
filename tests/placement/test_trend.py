"""Trends against statsmodels, and their false alarms and coverage by simulation."""

import re

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.special import expit

from placement.trend import fit_rate_trend, fit_trend

WEEKS = np.array([0.0, 1.0, 2.0, 3.0, 5.0])


def test_rate_line_is_the_logistic_regression_of_statsmodels_for_many_serves():
    # Firth's correction shrinks with the serves: at 6000 each it is gone to three figures.
    hits = np.array([2800, 3100, 3300, 3500, 4100])
    n = np.full(5, 6000)
    model = sm.GLM(
        np.column_stack([hits, n - hits]), sm.add_constant(WEEKS - WEEKS.mean()),
        family=sm.families.Binomial(),
    ).fit()  # fmt: skip
    found = fit_rate_trend(WEEKS, hits, n)
    assert found.coefficients == pytest.approx(model.params, abs=2e-4)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(model.bse, rel=1e-3)


def test_other_figures_follow_the_weighted_line_of_statsmodels():
    value, sd = np.array([5.0, 5.2, 5.1, 5.6, 5.9]), np.array([0.1, 0.2, 0.1, 0.2, 0.1])
    model = sm.WLS(value, sm.add_constant(WEEKS - WEEKS.mean()), weights=1 / sd**2).fit()
    found = fit_trend(WEEKS, value, sd)
    assert found.coefficients == pytest.approx(model.params, abs=1e-9)
    # statsmodels scales by the scatter, 3 degrees of freedom; here the wider one is kept.
    half = (model.conf_int()[1, 1] - model.conf_int()[1, 0]) / 2
    low, high = found.slope_interval
    assert (high - low) / 2 >= half - 1e-9


def test_drills_all_hit_or_all_missed_do_no_harm():
    found = fit_rate_trend([0, 1, 2], [0, 0, 0], [10, 10, 10])
    _, fitted, low, high = found.band([0.0, 1.0, 2.0])
    assert np.isfinite([fitted, low, high]).all()
    # In the middle all 30 serves count: 0 of 30 has a Wilson end of 0.114 and a Jeffreys end of
    # 0.080; the line's two coefficients widen it.
    assert 0.08 < high[1] < 0.30
    assert (low >= 0).all()
    separated = fit_rate_trend([0, 1, 2, 3], [0, 0, 10, 10], [10, 10, 10, 10])
    assert np.isfinite(separated.coefficients).all()
    assert separated.coefficients[1] > 0


def test_drills_on_a_line_by_luck_do_not_get_a_band_of_no_width():
    # Exactly on the line: the scatter is nil, but 30 serves each are still 30 serves each.
    found = fit_rate_trend([0, 1, 2], [15, 15, 15], [30, 30, 30])
    _, _, low, high = found.band([1.0])
    # At the middle all 90 serves count: 0.5 +- 1.96 sqrt(0.25 / 90), to first order.
    assert (high - low)[0] / 2 == pytest.approx(1.96 * np.sqrt(0.25 / 90), abs=0.005)


@pytest.mark.parametrize("day_to_day", [0.0, 0.4])
def test_level_rates_are_rarely_called_a_trend(day_to_day):
    rng = np.random.default_rng(3)
    alarms = 0
    for _ in range(600):
        hits = rng.binomial(30, expit(0.3 + day_to_day * rng.normal(size=6)))
        alarms += fit_rate_trend(np.arange(6.0), hits, np.full(6, 30)).is_beyond_chance
    assert alarms / 600 < 0.06  # errs to the safe side: the wider of two bands


def test_band_covers_the_true_line():
    rng = np.random.default_rng(4)
    truth = expit(-0.4 + 0.25 * np.arange(6.0))
    held = np.zeros(6)
    for hits in rng.binomial(30, truth, size=(600, 6)):
        _, _, low, high = fit_rate_trend(np.arange(6.0), hits, np.full(6, 30)).band(np.arange(6.0))
        held += (low <= truth) & (truth <= high)
    assert (held / 600 > 0.925).all()  # 0.95 less three standard errors


def test_clear_rise_is_found_and_said():
    found = fit_rate_trend([0, 1, 2, 3], [12, 24, 34, 48], [60, 60, 60, 60])
    assert found.is_beyond_chance
    assert found.sentence(0, 3).startswith("rising over 4 drills, from about 2")
    assert "more than chance" in found.sentence(0, 3)
    assert re.search(r"from about 2\d% to about [78]\d%:", found.sentence(0, 3))


def test_doubtful_rise_is_said_to_be_doubtful():
    found = fit_rate_trend([0, 1, 2], [15, 17, 18], [30, 30, 30])
    assert found.sentence(0, 2).endswith("this could still be chance")


def test_time_may_be_in_any_unit():
    hits, n = [12, 24, 34, 48], [60, 60, 60, 60]
    weeks = fit_rate_trend([0, 1, 2, 3], hits, n)
    days = fit_rate_trend([0, 7, 14, 21], hits, n)
    assert days.coefficients[1] * 7 == pytest.approx(weeks.coefficients[1], abs=1e-9)
    assert days.band([14.0])[1] == pytest.approx(weeks.band([2.0])[1], abs=1e-9)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: fit_rate_trend([0, 1], [1, 2], [3, 3]), "at least 3 drills"),
        (lambda: fit_rate_trend([1, 1, 1], [1, 2, 2], [3, 3, 3]), "different days"),
        (lambda: fit_rate_trend([0, 1, 2], [1, 4, 2], [3, 3, 3]), "0 <= hits <= serves"),
        (lambda: fit_trend([0, 1, 2], [1.0, 2.0, 3.0], [0.1, 0.0, 0.1]), "standard error"),
    ],
)
def test_bad_input_is_one_sentence(call, message):
    with pytest.raises(ValueError, match=message):
        call()
