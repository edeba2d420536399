"""Variety against Shannon's closed forms, SciPy's entropy, and by simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import entropy as scipy_entropy

from placement.variety import (
    entropy,
    evenness,
    evenness_interval,
    good_rate,
    longest_run,
    shares,
    zones_used,
)

SKEWED = np.array([0.4, 0.2, 0.15, 0.1, 0.05, 0.04, 0.03, 0.02, 0.01])


def true_evenness(share):
    return scipy_entropy(share) / np.log(len(share))


@given(st.lists(st.integers(0, 30), min_size=2, max_size=9).filter(any))
def test_plain_entropy_is_scipys(counts):
    assert entropy(counts, corrected=False) == pytest.approx(scipy_entropy(counts), abs=1e-12)
    assert 0 <= evenness(counts) <= 1 + 1e-12


def test_evenness_of_the_extremes():
    assert evenness([10, 0, 0]) == 0.0
    assert evenness([10, 10, 10], corrected=False) == pytest.approx(1.0, abs=1e-12)
    assert np.isnan(evenness([0, 0, 0]))


def test_correction_of_miller_and_madow_by_hand():
    # Two of three zones, 2 and 2 of 4: log 2 + 1 / 8.
    assert entropy([2, 2, 0]) == pytest.approx(np.log(2) + 0.125, abs=1e-12)


@pytest.mark.parametrize(("n", "plain_off", "corrected_off"), [(10, 0.16, 0.10), (20, 0.09, 0.05),
                                                               (60, 0.03, 0.01)])  # fmt: skip
def test_correction_takes_most_of_the_bias_out(n, plain_off, corrected_off):
    # First order theory: the plain estimate lies (K - 1) / (2 n log K) too low, K = 9 zones:
    # 0.18, 0.09, 0.03; the correction leaves the next order, about a third to a half of it.
    counts = np.random.default_rng(n).multinomial(n, SKEWED, size=3000)
    truth = true_evenness(SKEWED)
    plain = truth - np.mean([evenness(c, corrected=False) for c in counts])
    corrected = truth - np.mean([evenness(c) for c in counts])
    assert plain == pytest.approx(plain_off, abs=0.02)
    assert 0 <= corrected < corrected_off
    assert corrected < 0.6 * plain


@pytest.mark.slow
@pytest.mark.parametrize("n", [10, 20, 60])
@pytest.mark.parametrize(
    "share",
    [np.ones(9) / 9, SKEWED, np.array([0.5, 0.5] + [0.0] * 7), np.array([0.6, 0.3, 0.1])],
    ids=["even", "skewed", "two of nine", "three"],
)
def test_evenness_interval_covers(share, n):
    rng = np.random.default_rng(n)
    held = 0
    for counts in rng.multinomial(n, share, size=300):
        found = evenness_interval(counts, rng=rng, n_draws=300)
        held += found.low - 1e-9 <= true_evenness(share) <= found.high + 1e-9
    assert held / 300 > 0.91  # 0.95 less three standard errors; counts make it wide at the ends


def test_evenness_interval_holds_the_value_and_shrinks_with_serves():
    rng = np.random.default_rng(0)
    few = evenness_interval([4, 2, 2, 1, 1, 0, 0, 0, 0], rng=rng)
    many = evenness_interval([40, 20, 20, 10, 10, 0, 0, 0, 0], rng=rng)
    assert few.low <= few.value <= few.high
    assert many.high - many.low < 0.5 * (few.high - few.low)


def test_zones_used_leaves_out_the_empty():
    assert zones_used({"left": 3, "middle": 0, "right": 1}) == ["left", "right"]


def test_shares_leave_unknown_labels_out_of_n():
    found = shares(["forehand", "backhand", "forehand", ""], ["forehand", "backhand"])
    assert (found["forehand"].hits, found["forehand"].n) == (2, 3)
    assert found["backhand"].value == pytest.approx(1 / 3, abs=1e-12)


def test_good_rate_counts_neither_lets_nor_unclear_serves():
    # Law 2.9: a let is played again. net and missed are faults.
    found = good_rate(["good", "let", "net", "unclear", "good", "missed"])
    assert (found.hits, found.n) == (2, 4)


@pytest.mark.parametrize(
    ("outcomes", "sure", "possible"),
    [
        (["good", "good", "net", "good"], 2, 2),
        (["good", "let", "good"], 2, 2),  # a let is served again and does not end the run
        (["good", "unclear", "good", "good"], 2, 4),
        (["net", "missed"], 0, 0),
        ([], 0, 0),
    ],
)
def test_longest_run_without_a_fault(outcomes, sure, possible):
    found = longest_run(outcomes)
    assert (found.length, found.possible) == (sure, possible)


def test_run_with_unclear_serves_says_both_lengths():
    assert str(longest_run(["good", "unclear", "good", "good"])) == "2, perhaps 4"
    assert str(longest_run(["good"])) == "1"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: entropy([1, -1]), "must not be negative"),
        (lambda: evenness([5]), "at least 2 zones"),
        (lambda: shares(["push"], ["forehand", "backhand"]), "unknown label"),
    ],
)
def test_bad_input_is_one_sentence(call, message):
    with pytest.raises(ValueError, match=message):
        call()
