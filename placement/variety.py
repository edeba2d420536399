"""How varied and how steady: evenness over zones, zones and serve types used, runs without a fault.

Evenness is Shannon's entropy of the zones' shares over its greatest value: 1 when all zones are
served alike, 0 when it is always the same one. Few serves make a student look less varied than they
are; the correction of Miller and Madow takes most of that out.

Source: Miller, "Note on the bias of information estimates", in Information Theory in Psychology
(1955), and Pielou, J. Theor. Biol. 13:131 (1966), for the evenness (both from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from placement.intervals import Interval, Rate, rate

GOOD = ("good",)
PLAYED_AGAIN = ("let",)  # Law 2.9: the serve is repeated, it neither counts nor breaks a run
NOT_KNOWN = ("unclear", "")


@dataclass(frozen=True, slots=True)
class Run:
    """The longest run without a fault.

    Serves whose outcome is unclear are taken once as faults and once as good ones.
    """

    length: int  # sure
    possible: int  # if every unclear serve was good

    def __str__(self) -> str:
        if self.possible > self.length:
            return f"{self.length}, perhaps {self.possible}"
        return str(self.length)


def entropy(counts: ArrayLike, *, corrected: bool = True) -> float:
    """Shannon's entropy of zone counts, in natural units.

    Parameters
    ----------
    counts : array_like of int, shape (K,)
        Serves in each of the K zones, zeros included.
    corrected : bool
        Add Miller and Madow's (zones used - 1) / (2 n), at most up to log K.

    Returns
    -------
    float
        NaN without serves.

    Raises
    ------
    ValueError
        If a count is negative.
    """
    n_zones, used, total = _as_counts(counts)
    if total == 0:
        return float("nan")
    share = used / total
    value = float(-(share * np.log(share)).sum())
    if corrected:
        value = min(value + (len(used) - 1) / (2 * total), float(np.log(n_zones)))
    return value


def evenness(counts: ArrayLike, *, corrected: bool = True) -> float:
    """Entropy over its greatest value, 0 to 1; parameters and errors as in `entropy`."""
    n_zones, _, _ = _as_counts(counts)
    if n_zones < 2:
        raise ValueError("evenness needs at least 2 zones")
    return entropy(counts, corrected=corrected) / float(np.log(n_zones))


def evenness_interval(
    counts: ArrayLike,
    *,
    rng: np.random.Generator,
    level: float = 0.95,
    n_draws: int = 600,
) -> Interval:
    """Evenness with the interval of all values that could well have given these counts.

    The shares seen are sharpened and flattened step by step, from perfectly even to a single zone;
    for each step drills of the same size are drawn, and the step is kept when the evenness seen is
    neither among their lowest nor their highest. Unlike a bootstrap this holds at the ends, where
    few serves always look less even than the student is.

    Parameters
    ----------
    counts : array_like of int, shape (K,)
        Serves in each of the K zones, zeros included.
    rng : Generator
        The caller's, seeded.
    level : float
        Coverage.
    n_draws : int
        Drills drawn for each step.

    Returns
    -------
    Interval
        The value is the corrected evenness.
    """
    value = evenness(counts)
    if np.isnan(value):
        return Interval(value, value, value, level)
    seen = np.asarray(counts, dtype=float).ravel()
    n, n_zones = int(seen.sum()), len(seen)
    # Half a serve in each zone keeps unused zones possible; the slight order among equal zones
    # lets the sharpest step end in a single one.
    base = np.log((seen + 0.5) / (n + n_zones / 2)) + 0.03 * np.argsort(np.argsort(-seen))[::-1]
    powers = np.concatenate([[0.0], np.geomspace(0.05, 120.0, 70)])
    steps = np.exp(powers[:, None] * (base - base.max()))
    steps /= steps.sum(axis=1, keepdims=True)
    drawn = _entropies(rng.multinomial(n, steps, size=(n_draws, len(steps))) / n)
    observed = float(_entropies(seen / n))
    tail = (1 - level) / 2
    # A tie counts on both sides: counts take few values, and the interval errs to the wide side.
    lower = (drawn < observed - 1e-9).mean(axis=0)
    equal = (np.abs(drawn - observed) <= 1e-9).mean(axis=0)
    kept = (lower + equal > tail) & (1 - lower > tail)
    # An end lies between the last step kept and the next: the next is taken.
    kept = kept | np.append(kept[1:], False) | np.append(False, kept[:-1])
    true = _entropies(steps)[kept] / np.log(n_zones) if kept.any() else np.array([value])
    return Interval(
        float(value), float(min(true.min(), value)), float(max(true.max(), value)), level
    )


def _entropies(share: np.ndarray) -> np.ndarray:
    """Entropy along the last axis."""
    return np.asarray(-(share * np.log(np.where(share > 0, share, 1.0))).sum(axis=-1))


def zones_used(counts: Mapping[str, int]) -> list[str]:
    """Names of the zones with at least one serve, in the order given."""
    return [name for name, count in counts.items() if count > 0]


def shares(labels: Sequence[str], names: Sequence[str], *, level: float = 0.95) -> dict[str, Rate]:
    """Share of each zone, serve type, or stroke side, with its interval.

    Parameters
    ----------
    labels : sequence of str
        One for each serve; "" where it is not known, which leaves the serve out of n.
    names : sequence of str
        All that there could be, in the order wanted.
    level : float
        Coverage.

    Returns
    -------
    dict of str to Rate

    Raises
    ------
    ValueError
        If a label is none of `names`.
    """
    known = [label for label in labels if label]
    strange = sorted(set(known) - set(names))
    if strange:
        raise ValueError(f"unknown label {strange[0]!r}; expected one of {', '.join(names)}")
    return {name: rate(known.count(name), len(known), level=level) for name in names}


def good_rate(outcomes: Sequence[str], *, level: float = 0.95) -> Rate:
    """Good serves of all that counted; lets and unclear serves are left out of n."""
    counted = [o for o in outcomes if o not in PLAYED_AGAIN and o not in NOT_KNOWN]
    return rate(sum(o in GOOD for o in counted), len(counted), level=level)


def longest_run(outcomes: Sequence[str]) -> Run:
    """Find the longest run of good serves without a fault, in the order served.

    Parameters
    ----------
    outcomes : sequence of str
        good, let, net, missed, own-twice or unclear, as in serves.csv. A let is served again and
        neither adds to a run nor ends it.

    Returns
    -------
    Run
    """
    sure = possible = best_sure = best_possible = 0
    for outcome in outcomes:
        if outcome in PLAYED_AGAIN:
            continue
        if outcome in GOOD:
            sure, possible = sure + 1, possible + 1
        elif outcome in NOT_KNOWN:
            sure, possible = 0, possible + 1
        else:
            sure = possible = 0
        best_sure, best_possible = max(best_sure, sure), max(best_possible, possible)
    return Run(best_sure, best_possible)


def _as_counts(counts: ArrayLike) -> tuple[int, np.ndarray, float]:
    found = np.asarray(counts, dtype=float).ravel()
    if (found < 0).any():
        raise ValueError("a count of serves must not be negative")
    return len(found), found[found > 0], float(found.sum())
