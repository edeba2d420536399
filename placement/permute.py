"""Which turns belonged to which drill, shuffled: the yardstick of every test of change.

Serves of one turn are alike (same warm-up, same mood, same target), so the turn is what is
shuffled, never the serve. Turns may be kept within strata, such as the called target, so that a
drill with other targets is not taken for a change.

Source: Phipson and Smyth, Stat. Appl. Genet. Mol. Biol. 9:39 (2010), for (b + 1) / (m + 1).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, product
from math import comb, prod

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_LOT_BELOW = 0.05  # the level at which sentences speak of more than chance


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shuffles:
    """Ways to share the turns out between two drills; the first row is what happened."""

    second: NDArray[np.bool_]  # shape (1 + m, T): whether a turn counts for the second drill
    is_exact: bool  # every way once, else m random ones beside what happened

    @property
    def smallest_p(self) -> float:
        """The least p-value; with as many turns in both drills, each split has its mirror."""
        mirrored = self.is_exact and bool((self.second == ~self.second[0]).all(axis=1).any())
        return (2 if mirrored else 1) / len(self.second)

    def p_value(self, statistic: ArrayLike, *, ties: np.random.Generator | None = None) -> float:
        """Share of the ways whose statistic is at least the one seen.

        What happened is one of them: (b + 1) / (m + 1), exact when all ways are listed.

        Parameters
        ----------
        statistic : array_like, shape (1 + m,)
            For each row of `second`; large means different.
        ties : Generator, optional
            The caller's, seeded: what happened takes its place among the ways that tie with it by
            lot. Few turns of few serves tie so often that the chance of a false alarm falls to a
            half of what was meant; by lot it is met exactly (Lehmann and Romano, Testing
            Statistical Hypotheses, 3rd ed. (2005), section 15.2, from memory). No lot is drawn
            where even the most different way would not be beyond chance at 95 %.
        """
        found = np.asarray(statistic, dtype=float)
        # The same split met in another order of sums differs by rounding only: it is a tie.
        tie = 1e-9 * max(float(np.abs(found).max()), 1e-300)
        at_least = float((found >= found[0] - tie).mean())
        if ties is None or self.smallest_p > _LOT_BELOW:
            return at_least
        more = float((found > found[0] + tie).mean())
        return more + (1.0 - float(ties.random())) * (at_least - more)

    def threshold(self, statistic: ArrayLike, *, level: float = 0.95) -> float:
        """The value that a statistic exceeds by chance with probability 1 - level at most.

        Parameters
        ----------
        statistic : array_like, shape (1 + m,)
            For each row of `second`.
        level : float
            One less the chance of a false alarm.
        """
        found = np.sort(np.asarray(statistic, dtype=float))
        rank = int(np.ceil(level * len(found) - 1e-9))
        return float(found[rank - 1])


def shuffle_turns(
    second: ArrayLike,
    *,
    rng: np.random.Generator,
    strata: ArrayLike | None = None,
    n_shuffles: int = 1999,
) -> Shuffles:
    """Share out the turns anew, each drill keeping its number of turns in every stratum.

    Parameters
    ----------
    second : array_like of bool, shape (T,)
        Whether each turn belonged to the second drill.
    rng : Generator
        The caller's, seeded.
    strata : array_like, shape (T,), optional
        The target of each turn; turns change places only within a target.
    n_shuffles : int
        Random ways to draw; when no more ways than this exist, all are listed instead.

    Returns
    -------
    Shuffles

    Raises
    ------
    ValueError
        If either drill has no turns, or `strata` is of another length.
    """
    seen = np.asarray(second, dtype=bool)
    if seen.ndim != 1 or seen.all() or not seen.any():
        raise ValueError("a comparison needs at least one turn in each of the two drills")
    names = np.zeros(len(seen), dtype=int) if strata is None else np.asarray(strata)
    if len(names) != len(seen):
        raise ValueError(f"strata must name each of the {len(seen)} turns, got {len(names)}")
    groups = [np.flatnonzero(names == name) for name in np.unique(names)]
    n_ways = prod(comb(len(g), int(seen[g].sum())) for g in groups)
    if n_ways <= n_shuffles + 1:
        choices = [
            [np.array(c, dtype=int) for c in combinations(g.tolist(), int(seen[g].sum()))]
            for g in groups
        ]
        rows = np.zeros((n_ways, len(seen)), dtype=bool)
        for row, chosen in zip(rows, product(*choices), strict=True):
            row[np.concatenate(chosen)] = True
        happened = (rows == seen).all(axis=1)
        rows = np.vstack([rows[happened], rows[~happened]])
        return Shuffles(second=rows, is_exact=True)
    rows = np.tile(seen, (n_shuffles + 1, 1))
    for g in groups:
        rows[1:, g] = rng.permuted(rows[1:, g], axis=1)
    return Shuffles(second=rows, is_exact=False)


def number_turns(
    first: ArrayLike | None, second: ArrayLike | None, n_1: int, n_2: int
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Number the turns of two drills through; without turns, each serve is its own.

    Parameters
    ----------
    first, second : array_like, shapes (N1,), (N2,), or None
        The turn of each serve within its drill.
    n_1, n_2 : int
        Serves in each drill.

    Returns
    -------
    tuple
        The turn number of each serve, shape (N1 + N2,), and whether each turn is of the second
        drill, shape (T,).

    Raises
    ------
    ValueError
        If turns are given for another number of serves.
    """
    numbers = []
    for turns, n in ((first, n_1), (second, n_2)):
        names = np.arange(n) if turns is None else np.asarray(turns)
        if len(names) != n:
            raise ValueError(f"turns must name each of the {n} serves, got {len(names)}")
        numbers.append(np.unique(names, return_inverse=True)[1])
    t_1 = int(numbers[0].max()) + 1 if n_1 else 0
    t_2 = int(numbers[1].max()) + 1 if n_2 else 0
    index = np.concatenate([numbers[0], numbers[1] + t_1])
    return index, np.arange(t_1 + t_2) >= t_1


def stratum_of_turns(index: NDArray[np.intp], targets: ArrayLike | None) -> NDArray | None:
    """The target of each turn, from the target of each serve.

    Parameters
    ----------
    index : ndarray of int, shape (N,)
        The turn of each serve.
    targets : array_like, shape (N,), or None
        The target of each serve.

    Returns
    -------
    ndarray or None

    Raises
    ------
    ValueError
        If one turn has serves at several targets.
    """
    if targets is None:
        return None
    names, number = np.unique(np.asarray(targets), return_inverse=True)
    first = np.full(int(index.max()) + 1, -1)
    first[index] = number
    if (first[index] != number).any():
        raise ValueError("a turn has serves at more than one target; name a turn for each target")
    return np.asarray(names[first])
