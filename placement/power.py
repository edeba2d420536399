"""How many serves a question needs.

Source: Fleiss, Levin and Paik, Statistical Methods for Rates and Proportions, 3rd ed. (2003),
chapter 4 (from memory): the normal formula and its continuity correction.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri


def serves_needed(
    rate_1: float,
    rate_2: float,
    *,
    level: float = 0.95,
    power: float = 0.80,
    corrected: bool = False,
) -> float:
    """Serves in each of two drills to tell two rates apart, before rounding up.

    Parameters
    ----------
    rate_1, rate_2 : float
        The two rates, between 0 and 1, different.
    level : float
        One less the two-sided chance of a false alarm.
    power : float
        Chance of seeing the difference.
    corrected : bool
        With Fleiss' continuity correction, closer to an exact test.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        If the rates are equal, or anything is not between 0 and 1.
    """
    if rate_1 == rate_2:
        raise ValueError("no number of serves tells two equal rates apart")
    for value, name, closed in (
        (rate_1, "rate_1", True),
        (rate_2, "rate_2", True),
        (level, "level", False),
        (power, "power", False),
    ):
        if not (0 <= value <= 1 if closed else 0 < value < 1):
            raise ValueError(f"{name} must be between 0 and 1, got {value}")
    mean = (rate_1 + rate_2) / 2
    gap = abs(rate_1 - rate_2)
    root = float(ndtri(0.5 + level / 2)) * np.sqrt(2 * mean * (1 - mean)) + float(
        ndtri(power)
    ) * np.sqrt(rate_1 * (1 - rate_1) + rate_2 * (1 - rate_2))
    n = (root / gap) ** 2
    if corrected:
        n = n / 4 * (1 + np.sqrt(1 + 4 / (n * gap))) ** 2
    return float(n)


def round_for_people(n: float) -> int:
    """Round a number of serves to one that can be planned: to tens, above 30; up to 30, upwards.

    Parameters
    ----------
    n : float
        From `serves_needed`.
    """
    if n <= 30:
        return int(np.ceil(n))
    step = 10 if n < 300 else 50
    return int(step * max(1, round(n / step)))
