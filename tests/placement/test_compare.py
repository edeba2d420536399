"""Comparison of drills against SciPy, dcor, enumeration, and false alarms by simulation."""

import numpy as np
import pytest
from scipy.stats import energy_distance as scipy_energy_distance

from placement.compare import (
    compare_places,
    compare_rates,
    energy_distance,
    energy_test,
    map_difference,
    rate_test_by_turns,
    say_chance,
)
from placement.density import half_bounds

HALF = half_bounds(-1)
TOY = ([[0.0, 0.0], [1.0, 0.0]], [[0.0, 3.0], [1.0, 3.0], [2.0, 3.0]])


def column(values):
    return np.asarray(values, dtype=float)[:, None]


def drill(rng, n_turns=6, n_serves=5, centre=(0.7, 0.0), between=0.05, within=0.12):
    """Serves of alike turns: (points, turns); the turn's own shift is half of what a serve's is."""
    shift = rng.normal(0, between, size=(n_turns, 2))
    turns = np.repeat(np.arange(n_turns), n_serves)
    xy = np.asarray(centre) + shift[turns] + rng.normal(0, within, size=(len(turns), 2))
    return np.clip(xy, [0.01, -0.75], [1.36, 0.75]), turns


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        # The three examples of SciPy's documentation of energy_distance, which is the root of E
        # in one dimension; its weights 3, 1 and 2, 2 are written out as repeated points.
        ([0], [2], 2.0),
        ([0, 0, 0, 8], [0, 0, 8, 8], 1.0),
    ],
)
def test_scipys_documented_examples(first, second, expected):
    assert np.sqrt(energy_distance(column(first), column(second))) == pytest.approx(
        expected, abs=1e-9
    )


def test_scipys_weighted_example_is_met_by_repeated_points():
    values, weights = [0.7, 7.4, 2.4, 6.8], [2.1, 4.2, 7.4, 8.0]
    others, weights_2 = [1.4, 8.0], [7.6, 8.8]
    first = np.repeat(values, np.round(np.multiply(weights, 10)).astype(int))
    second = np.repeat(others, np.round(np.multiply(weights_2, 10)).astype(int))
    found = np.sqrt(energy_distance(column(first), column(second)))
    assert found == pytest.approx(0.880033, abs=1e-6)


def test_toy_in_two_dimensions():
    # Worked by hand: two and three points on lines 3 m apart.
    assert energy_distance(*TOY) == pytest.approx(4.975239, abs=1e-6)
    found = energy_test(*TOY, rng=np.random.default_rng(0))
    assert found.statistic == pytest.approx(5.970287, abs=1e-6)
    assert found.is_exact
    assert found.p_value == pytest.approx(0.1, abs=0)  # 1 of the 10 ways to split 5 into 2 and 3
    assert found.smallest_p == pytest.approx(0.1, abs=0)


@pytest.mark.parametrize("seed", range(5))
def test_energy_distance_is_dcors_and_scipys(seed):
    # Here, not above: it compiles when imported, and of processes that do so at once, as when tests
    # are collected, one can be left with machine code of another form of a function, and crash.
    import dcor

    rng = np.random.default_rng(seed)
    x, y = rng.normal(size=(17, 2)), rng.normal(0.5, 2.0, size=(23, 2))
    assert energy_distance(x, y) == pytest.approx(float(dcor.energy_distance(x, y)), abs=1e-12)
    one = np.sqrt(energy_distance(x[:, :1], y[:, :1]))
    assert one == pytest.approx(scipy_energy_distance(x[:, 0], y[:, 0]), abs=1e-9)


def test_smallest_p_of_equal_drills_counts_the_mirror_picture():
    # 3 against 3: 2 of 20 ways; 5 against 5: 2 of 252 (0.0079).
    rng = np.random.default_rng(0)
    for n, expected in ((3, 0.1), (5, 2 / 252)):
        found = energy_test(rng.normal(size=(n, 2)), rng.normal(9, 1, size=(n, 2)), rng=rng)
        assert found.p_value == pytest.approx(expected, abs=1e-12)
        assert found.smallest_p == pytest.approx(expected, abs=1e-12)


def test_clear_change_of_place_is_found_and_said():
    rng = np.random.default_rng(3)
    (x, turns_1), (y, turns_2) = drill(rng), drill(rng, centre=(1.1, 0.3))
    found = energy_test(x, y, rng=rng, turns_1=turns_1, turns_2=turns_2)
    assert found.p_value == pytest.approx(2 / 924, abs=1e-12)  # the least of 12 choose 6 ways
    assert "more than chance" in found.sentence()


def test_too_few_turns_cannot_tell_and_say_so():
    rng = np.random.default_rng(3)
    (x, turns_1), (y, turns_2) = drill(rng, n_turns=2), drill(rng, n_turns=2, centre=(1.1, 0.3))
    found = energy_test(x, y, rng=rng, turns_1=turns_1, turns_2=turns_2)
    assert found.smallest_p == pytest.approx(2 / 6, abs=1e-12)
    assert found.sentence().startswith("too few turns")


def test_other_targets_are_not_taken_for_a_change():
    # The same student at the same two targets, but the second drill has more turns at one of them.
    rng = np.random.default_rng(5)
    a = [drill(rng, 1, centre=(0.4, 0.5))[0] for _ in range(9)]
    b = [drill(rng, 1, centre=(1.1, -0.5))[0] for _ in range(9)]
    first, called_1 = np.vstack(a[:6] + b[:3]), np.repeat(["a"] * 6 + ["b"] * 3, 5)
    second, called_2 = np.vstack(a[6:] + b[3:]), np.repeat(["a"] * 3 + ["b"] * 6, 5)
    turns = np.repeat(np.arange(9), 5)
    kept = energy_test(
        first, second, rng=rng, turns_1=turns, turns_2=turns, targets_1=called_1,
        targets_2=called_2,
    )  # fmt: skip
    assert kept.p_value > 0.05


def false_alarms(one_test, n, between):
    rng = np.random.default_rng(2024)
    return np.mean([one_test(rng, drill(rng, between=between), drill(rng, between=between))
                    for _ in range(n)])  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("between", [0.0, 0.08])
def test_energy_test_gives_5_percent_false_alarms(between):
    def one(rng, first, second):
        found = energy_test(
            first[0], second[0], rng=rng, turns_1=first[1], turns_2=second[1], n_shuffles=999
        )
        return found.p_value <= 0.05

    # Nominal 23 of 462 pairs of ways, 4.98 %; 2000 drills give a standard error of 0.49 %.
    assert 0.04 < false_alarms(one, 2000, between) < 0.06


def test_shuffling_single_serves_would_raise_false_alarms():
    # Why turns: with turns that differ, serves shuffled one by one cry wolf far too often.
    def one(rng, first, second):
        return energy_test(first[0], second[0], rng=rng, n_shuffles=199).p_value <= 0.05

    assert false_alarms(one, 150, 0.10) > 0.12


@pytest.mark.slow
def test_difference_map_gives_5_percent_false_alarms_anywhere():
    def one(rng, first, second):
        found = map_difference(
            first[0], second[0], bounds=HALF, measurement=0.01, rng=rng, turns_1=first[1],
            turns_2=second[1], n_shuffles=999, cell_m=0.10,
        )  # fmt: skip
        return found.beyond_chance.any()

    # Nominal 46 of 924 ways, 4.98 %; 4000 pairs of drills give a standard error of 0.34 %.
    assert 0.04 < false_alarms(one, 4000, 0.06) < 0.06


@pytest.mark.slow
def test_rate_interval_and_turn_test_give_5_percent_false_alarms():
    rng = np.random.default_rng(7)
    hits = rng.binomial(5, 0.6, size=(2000, 16))
    n, second = np.full(16, 5), np.arange(16) >= 8
    alarms = [rate_test_by_turns(k, n, second, rng=rng, n_shuffles=999) <= 0.05 for k in hits]
    # 2000 pairs of drills give a standard error of 0.49 %.
    assert 0.04 < np.mean(alarms) < 0.06
    by_interval = [compare_rates(k[:8].sum(), 40, k[8:].sum(), 40).is_beyond_chance for k in hits]
    assert 0.04 < np.mean(by_interval) < 0.06


@pytest.mark.parametrize(("turns", "serves", "rate"), [((4, 4), 5, 0.6), ((3, 4), 10, 0.8)])
def test_turn_test_gives_5_percent_false_alarms_with_few_turns_too(turns, serves, rate):
    rng = np.random.default_rng(11)
    n, second = np.full(sum(turns), serves), np.arange(sum(turns)) >= turns[0]
    hits = rng.binomial(serves, rate, size=(3000, len(n)))
    alarms = [rate_test_by_turns(k, n, second, rng=rng) <= 0.05 for k in hits]
    assert 0.04 < np.mean(alarms) < 0.06  # 3000 pairs of drills: standard error 0.40 %


def test_turn_test_is_right_where_turns_differ_and_the_interval_is_not():
    # Turns of the same drill swing between 30 and 90 %: counting serves as independent cries wolf.
    rng = np.random.default_rng(9)
    n, second = np.full(12, 10), np.arange(12) >= 6
    by_turn = by_interval = 0
    for _ in range(300):
        hits = rng.binomial(10, rng.uniform(0.3, 0.9, size=12))
        by_turn += rate_test_by_turns(hits, n, second, rng=rng, n_shuffles=999) <= 0.05
        by_interval += compare_rates(hits[:6].sum(), 60, hits[6:].sum(), 60).is_beyond_chance
    assert by_turn / 300 < 0.08  # 5 % and three standard errors, less what ties take
    assert by_interval / 300 > 0.10


def test_difference_map_outlines_where_the_serves_went():
    rng = np.random.default_rng(1)
    (x, turns_1), (y, turns_2) = drill(rng, centre=(0.4, 0.4)), drill(rng, centre=(1.0, -0.4))
    found = map_difference(
        x, y, bounds=HALF, measurement=0.01, rng=rng, turns_1=turns_1, turns_2=turns_2
    )
    cell = (found.x[1] - found.x[0]) * (found.y[1] - found.y[0])
    assert found.difference.sum() * cell == pytest.approx(0.0, abs=1e-9)  # both hold mass 1
    more = found.beyond_chance & (found.difference > 0)
    fewer = found.beyond_chance & (found.difference < 0)
    assert found.x[np.nonzero(more)[0]].mean() == pytest.approx(1.0, abs=0.1)
    assert found.y[np.nonzero(fewer)[1]].mean() == pytest.approx(0.4, abs=0.1)
    assert found.p_value < 0.05


def test_difference_of_a_drill_with_itself_is_nowhere_beyond_chance():
    rng = np.random.default_rng(1)
    x, turns = drill(rng)
    found = map_difference(
        x, x, bounds=HALF, measurement=0.01, rng=rng, turns_1=turns, turns_2=turns
    )
    assert np.abs(found.difference).max() < 1e-9
    assert not found.beyond_chance.any()
    assert found.p_value == 1.0


def test_three_drills_are_compared_pair_by_pair_with_correction():
    rng = np.random.default_rng(2)
    found = compare_places([drill(rng), drill(rng), drill(rng, centre=(1.1, 0.4))], rng=rng)
    assert sorted(found) == [(0, 1), (0, 2), (1, 2)]
    assert found[0, 2].p_value == pytest.approx(3 * 2 / 924, abs=1e-12)  # Holm: times 3
    assert found[0, 1].p_value > 0.05


def test_sentence_for_a_rise_that_could_still_be_chance():
    # 15 against 21 of 30: Newcombe's interval holds 0; the normal formula asks 93 serves each.
    assert compare_rates(15, 30, 21, 30).sentence() == (
        "up from 15 to 21 of 30: this could still be chance; "
        "about 90 serves each would settle a change of this size"
    )


@pytest.mark.parametrize(
    ("p_value", "words"),
    [
        (0.39, "39 times in 100"), (1.0, "100 times in 100"), (0.1, "10 times in 100"),
        (0.012, "12 times in 1000"), (0.001, "once in 1000"), (0.0001, "less than once in 1000"),
    ],
)  # fmt: skip
def test_chance_is_said_as_a_count(p_value, words):
    assert say_chance(p_value) == words


def test_sentence_for_a_change_beyond_chance():
    # Newcombe (1998): 48/80 against 56/70, 0.0524 to 0.3339.
    assert compare_rates(48, 80, 56, 70).sentence() == (
        "up from 48 of 80 (60%) to 56 of 70 (80%): more than chance alone would do "
        "(+20 points; the true change likely lies between +5 and +33)"
    )


def test_sentence_for_no_change_says_what_could_go_unseen():
    # Newcombe for 15/30 twice: -0.24 to 0.24.
    assert compare_rates(15, 30, 15, 30).sentence() == (
        "no change, from 15 to 15 of 30: with this many serves a change of up to 24 points "
        "could go unseen"
    )


def test_sentence_for_a_small_fall_does_not_promise_an_answer():
    assert compare_rates(16, 30, 15, 30).sentence() == (
        "down from 16 to 15 of 30: this could still be chance; "
        "a change this small is more than a drill can settle"
    )


def test_rates_of_several_targets_are_paired():
    found = compare_rates([21, 2], [30, 10], [9, 12], [10, 30])
    assert found.is_paired
    assert found.change.value == pytest.approx(0.20, abs=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: energy_distance([[0.0, 0.0]], [[0.0]]), "must match"),
        (lambda: energy_distance(np.empty((0, 2)), [[0.0, 0.0]]), "without gaps"),
        (
            lambda: energy_test(*TOY, rng=np.random.default_rng(0), targets_1=["a", "b"]),
            "both drills",
        ),
        (
            lambda: map_difference(
                *TOY, bounds=HALF, measurement=0.01, rng=np.random.default_rng(0)
            ),
            "15 landed serves in each",
        ),
    ],
)
def test_bad_input_is_one_sentence(call, message):
    with pytest.raises(ValueError, match=message):
        call()
