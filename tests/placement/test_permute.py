"""Shuffled turns: listed exactly when few, counted as Phipson and Smyth (2010) say."""

from math import comb

import numpy as np
import pytest

from placement.permute import number_turns, shuffle_turns, stratum_of_turns


def rng():
    return np.random.default_rng(0)


def test_few_turns_are_listed_exactly_once_with_what_happened_first():
    seen = np.array([False, True, False, True, True])
    found = shuffle_turns(seen, rng=rng())
    assert found.is_exact
    assert found.second.shape == (comb(5, 3), 5)
    assert len({tuple(r) for r in found.second.tolist()}) == 10
    assert found.second[0].tolist() == seen.tolist()


def test_many_turns_are_drawn_and_keep_their_number():
    seen = np.arange(40) < 15
    found = shuffle_turns(seen, rng=rng(), n_shuffles=199)
    assert not found.is_exact
    assert found.second.shape == (200, 40)
    assert (found.second.sum(axis=1) == 15).all()


@pytest.mark.parametrize("n_shuffles", [10, 999])
def test_turns_change_places_only_within_a_target(n_shuffles):
    seen = np.array([True, False, True, False, False, True, True, False])
    target = np.array(["a", "a", "a", "a", "b", "b", "b", "b"])
    found = shuffle_turns(seen, rng=rng(), strata=target, n_shuffles=n_shuffles)
    assert (found.second[:, :4].sum(axis=1) == 2).all()
    assert (found.second[:, 4:].sum(axis=1) == 2).all()
    assert found.is_exact == (n_shuffles == 999)  # 6 x 6 ways


def test_p_value_counts_what_happened_among_the_ways():
    found = shuffle_turns(np.arange(40) < 20, rng=rng(), n_shuffles=99)
    statistic = np.zeros(100)
    statistic[0] = 1.0
    assert found.p_value(statistic) == pytest.approx(1 / 100, abs=0)  # (b + 1) / (m + 1), b = 0
    statistic[1:5] = 2.0
    assert found.p_value(statistic) == pytest.approx(5 / 100, abs=0)


def test_ties_are_broken_by_lot_between_the_two_ends():
    found = shuffle_turns(np.arange(40) < 20, rng=rng(), n_shuffles=99)
    statistic = np.zeros(100)
    statistic[0:10] = 1.0  # what happened and nine ties
    statistic[10:12] = 2.0
    lots = rng()
    p = np.array([found.p_value(statistic, ties=lots) for _ in range(2000)])
    assert p.min() > 2 / 100
    assert p.max() <= 12 / 100
    assert p.mean() == pytest.approx(7 / 100, abs=0.002)  # 3 standard errors: 0.1 / sqrt(12 * 2000)
    assert found.p_value(statistic, ties=rng()) == found.p_value(statistic, ties=rng())


@pytest.mark.parametrize("n", [1, 2, 3])
def test_too_few_turns_are_never_beyond_chance_whatever_the_lot(n):
    found = shuffle_turns(np.arange(2 * n) >= n, rng=rng())
    theirs = found.second[:, n:].sum(axis=1)
    statistic = np.abs(theirs - n / 2)  # what happened is the most different, with its mirror
    assert found.smallest_p > 0.05
    for seed in range(20):
        p = found.p_value(statistic, ties=np.random.default_rng(seed))
        assert p == found.p_value(statistic) > 0.05


def test_smallest_p_counts_the_mirror_picture():
    # 4 v 4: 70 ways, each with its mirror picture; 3 v 4: 35 ways without.
    assert shuffle_turns(np.arange(8) >= 4, rng=rng()).smallest_p == pytest.approx(2 / 70)
    assert shuffle_turns(np.arange(7) >= 3, rng=rng()).smallest_p == pytest.approx(1 / 35)


def test_threshold_is_exceeded_by_at_most_5_of_100():
    found = shuffle_turns(np.arange(40) < 20, rng=rng(), n_shuffles=99)
    statistic = np.arange(100.0)
    assert (statistic > found.threshold(statistic)).sum() == 5


def test_turns_of_two_drills_are_numbered_through():
    index, second = number_turns(["x", "x", "y"], [7, 8], 3, 2)
    assert index.tolist() == [0, 0, 1, 2, 3]
    assert second.tolist() == [False, False, True, True]
    assert stratum_of_turns(index, ["a", "a", "b", "b", "a"]).tolist() == ["a", "b", "b", "a"]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: shuffle_turns([True, True], rng=rng()), "at least one turn in each"),
        (lambda: shuffle_turns([True, False], rng=rng(), strata=["a"]), "strata must name"),
        (lambda: number_turns([1, 2], None, 3, 1), "turns must name"),
        (lambda: stratum_of_turns(np.array([0, 0]), ["a", "b"]), "more than one target"),
    ],
)
def test_bad_input_is_one_sentence(call, message):
    with pytest.raises(ValueError, match=message):
        call()
