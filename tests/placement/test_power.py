"""Numbers of serves against the normal formula and R's published example."""

import pytest

from placement.power import round_for_people, serves_needed


@pytest.mark.parametrize(
    ("rates", "power", "corrected", "expected", "tolerance"),
    [
        # Normal formula, and Fleiss' correction, worked by hand.
        pytest.param((0.5, 0.7), 0.80, False, 92.999, 0.01, id="normal"),
        pytest.param((0.5, 0.7), 0.80, True, 102.76, 0.01, id="fleiss"),
        # The example of R's help page of power.prop.test: n = 76.7 in each group.
        pytest.param((0.50, 0.75), 0.90, False, 76.7, 0.05, id="r-power-prop-test"),
    ],
)
def test_serves_needed_to_tell_two_rates_apart(rates, power, corrected, expected, tolerance):
    got = serves_needed(*rates, power=power, corrected=corrected)
    assert got == pytest.approx(expected, abs=tolerance)


def test_direction_of_the_change_does_not_matter():
    assert serves_needed(0.5, 0.7) == pytest.approx(serves_needed(0.7, 0.5), abs=1e-9)


@pytest.mark.parametrize(
    ("n", "said"), [(19.2, 20), (30.0, 30), (92.999, 90), (46.0, 50), (312.0, 300), (1234.0, 1250)]
)
def test_numbers_are_said_round(n, said):
    assert round_for_people(n) == said


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: serves_needed(0.5, 0.5), "equal rates"),
        (lambda: serves_needed(0.5, 1.2), "rate_2"),
        (lambda: serves_needed(0.5, 0.7, power=1.0), "power"),
    ],
)
def test_bad_input_is_one_sentence(call, message):
    with pytest.raises(ValueError, match=message):
        call()
