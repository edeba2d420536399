"""Has a rate changed? Two drills compared by Newcombe's interval or by shuffled turns, in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from placement.intervals import Interval, Rate, newcombe_difference, paired_difference, rate
from placement.permute import shuffle_turns
from placement.power import round_for_people, serves_needed

_MANY = 300  # serves each beyond which a drill cannot settle a change


@dataclass(frozen=True, slots=True, kw_only=True)
class RateChange:
    """A rate in two drills, and its change."""

    first: Rate
    second: Rate
    change: Interval  # second less first; target by target when the drills had several
    is_paired: bool = False

    @property
    def is_beyond_chance(self) -> bool:
        """Whether the interval of the change excludes none."""
        return self.change.excludes(0.0)

    def sentence(self) -> str:
        """What can and cannot be concluded, in plain words.

        Such as "up from 15 to 21 of 30: this could still be chance; about 90 serves each would
        settle a change of this size".
        """
        before, after, change = self.first, self.second, self.change
        if before.n == after.n:
            counts = f"from {before.hits} to {after.hits} of {after.n}"
        else:
            counts = (
                f"from {before.hits} of {before.n} ({before.value:.0%}) "
                f"to {after.hits} of {after.n} ({after.value:.0%})"
            )
        points = f"{change.value * 100:+.0f} points" + (
            ", target by target" if self.is_paired else ""
        )
        ends = f"{change.low * 100:+.0f} and {change.high * 100:+.0f}"
        if self.is_beyond_chance:
            way = "up" if change.value > 0 else "down"
            return (
                f"{way} {counts}: more than chance alone would do "
                f"({points}; the true change likely lies between {ends})"
            )
        if round(change.value * 100) == 0:
            unseen = max(abs(change.low), abs(change.high)) * 100
            return (
                f"no change, {counts}: with this many serves a change of up to "
                f"{unseen:.0f} points could go unseen"
            )
        way = "up" if change.value > 0 else "down"
        return f"{way} {counts}: this could still be chance; {self._advice()}"

    def _advice(self) -> str:
        # The size of the change that was seen, centred so that both rates stay between 0 and 1.
        middle = (self.first.value + self.second.value) / 2
        half = abs(self.change.value) / 2
        low, high = max(middle - half, 0.0), min(middle + half, 1.0)
        needed = serves_needed(low, high)
        have = min(self.first.n, self.second.n)
        if needed > _MANY:
            return "a change this small is more than a drill can settle"
        if needed <= have:
            return "the same drill filmed once more may settle it"
        return f"about {round_for_people(needed)} serves each would settle a change of this size"


def compare_rates(
    hits_1: ArrayLike, n_1: ArrayLike, hits_2: ArrayLike, n_2: ArrayLike, *, level: float = 0.95
) -> RateChange:
    """Compare a rate in two drills; with several targets, each with itself.

    Parameters
    ----------
    hits_1, n_1, hits_2, n_2 : int, or array_like of int, shape (T,)
        Hits of serves in each drill, or for each target.
    level : float
        Coverage of the intervals.

    Returns
    -------
    RateChange

    Raises
    ------
    ValueError
        If a drill has no serves, or no target was served in both.
    """
    k1, m1, k2, m2 = (np.atleast_1d(np.asarray(v, dtype=int)) for v in (hits_1, n_1, hits_2, n_2))
    is_paired = len(k1) > 1
    change = (
        paired_difference(k1, m1, k2, m2, level=level)
        if is_paired
        else newcombe_difference(int(k1[0]), int(m1[0]), int(k2[0]), int(m2[0]), level=level)
    )
    return RateChange(
        first=rate(int(k1.sum()), int(m1.sum()), level=level),
        second=rate(int(k2.sum()), int(m2.sum()), level=level),
        change=change,
        is_paired=is_paired,
    )


def rate_test_by_turns(
    hits: ArrayLike,
    n: ArrayLike,
    second: ArrayLike,
    *,
    rng: np.random.Generator,
    targets: ArrayLike | None = None,
    n_shuffles: int = 1999,
) -> float:
    """Test a change of a rate by shuffling turns: right even when turns differ among themselves.

    Parameters
    ----------
    hits, n : array_like of int, shape (T,)
        Hits of serves in each turn.
    second : array_like of bool, shape (T,)
        Whether each turn belonged to the second drill.
    rng : Generator
        The caller's, seeded: for the shuffles, and for the lot among ties.
    targets : array_like, shape (T,), optional
        The target of each turn; turns are then shuffled within targets only.
    n_shuffles : int
        As in `permute.shuffle_turns`.

    Returns
    -------
    float
        Two-sided p-value; ties, which rates of few serves make often, are broken by lot.
    """
    k, m = np.asarray(hits, dtype=float), np.asarray(n, dtype=float)
    shuffles = shuffle_turns(second, rng=rng, strata=targets, n_shuffles=n_shuffles)
    b = shuffles.second.astype(float)
    difference = (b @ k) / (b @ m) - ((1 - b) @ k) / ((1 - b) @ m)
    return shuffles.p_value(np.abs(difference), ties=rng)
