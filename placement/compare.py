"""Has it changed? Two or more drills of one student compared, with words for the answer.

Where the serves land is compared by the energy distance in two dimensions and by a difference map
whose outlined region is beyond chance anywhere on the half; rates by Newcombe's interval. Chance is
what shuffling whole turns between the drills gives (`permute`).

Sources: Szekely and Rizzo, InterStat 5 (2004) and J. Statist. Plann. Inference 143:1249 (2013),
for the energy statistic; Nichols and Holmes, Hum. Brain Mapp. 15:1 (2002), for the correction by
the greatest difference of each shuffle (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from placement.density import (
    MIN_POINTS,
    Bounds,
    grid_axes,
    kernel_covariance,
    kernel_sum,
    scott_factor,
)
from placement.intervals import holm
from placement.permute import Shuffles, number_turns, shuffle_turns, stratum_of_turns
from placement.rate_change import RateChange, compare_rates, rate_test_by_turns

__all__ = [
    "DifferenceMap",
    "EnergyTest",
    "RateChange",
    "compare_places",
    "compare_rates",
    "energy_distance",
    "energy_test",
    "map_difference",
    "rate_test_by_turns",
    "say_chance",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyTest:
    """Whether two drills land differently, judged by shuffling turns."""

    distance: float  # m, the energy distance E, 0 for the same distribution
    statistic: float  # m, nm / (n + m) E
    p_value: float
    smallest_p: float  # the least p that so few turns can give
    n_shuffles: int
    is_exact: bool

    def sentence(self, *, level: float = 0.95) -> str:
        """What can and cannot be concluded, in plain words."""
        if self.smallest_p > 1 - level:
            return (
                "too few turns to tell whether the places have changed: "
                "film more, at least 4 turns in each drill"
            )
        if self.p_value <= 1 - level:
            return (
                "the serves land in other places than before, which is more than chance: alone it "
                f"would do as much {say_chance(self.p_value)}"
            )
        return (
            "the places where the serves land may be the same as before: chance alone would do as "
            f"much {say_chance(self.p_value)}"
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DifferenceMap:
    """Density of the second drill less that of the first, given that serves landed."""

    x: Floats  # shape (nx,), m, centres of the cells along the length
    y: Floats  # shape (ny,), m, across the width
    difference: Floats  # shape (nx, ny), per m^2
    threshold: float  # per m^2: chance alone exceeds it anywhere in 5 of 100 pairs at most
    p_value: float  # of the greatest difference anywhere
    level: float
    bandwidth: Floats  # shape (2, 2), m^2

    @property
    def beyond_chance(self) -> NDArray[np.bool_]:
        """Where the difference is beyond chance, shape (nx, ny)."""
        return np.abs(self.difference) > self.threshold


def energy_distance(first: ArrayLike, second: ArrayLike) -> float:
    """Energy distance E = 2 E|X - Y| - E|X - X'| - E|Y - Y'| between two sets of points.

    Parameters
    ----------
    first, second : array_like, shapes (N, d), (M, d)
        Points, m.

    Returns
    -------
    float
        m; 0 for the same distribution.

    Raises
    ------
    ValueError
        If a set is empty or their dimensions differ.
    """
    x, y = _as_sample(first), _as_sample(second)
    if x.shape[1] != y.shape[1]:
        raise ValueError(
            f"the two drills have {x.shape[1]} and {y.shape[1]} columns; they must match"
        )
    return float(2 * _distances(x, y).mean() - _distances(x, x).mean() - _distances(y, y).mean())


def energy_test(
    first: ArrayLike,
    second: ArrayLike,
    *,
    rng: np.random.Generator,
    turns_1: ArrayLike | None = None,
    turns_2: ArrayLike | None = None,
    targets_1: ArrayLike | None = None,
    targets_2: ArrayLike | None = None,
    n_shuffles: int = 1999,
) -> EnergyTest:
    """Test whether two drills land differently, by shuffling whole turns.

    Parameters
    ----------
    first, second : array_like, shapes (N, d), (M, d)
        Landed bounces, m, all turned to one end.
    rng : Generator
        The caller's, seeded.
    turns_1, turns_2 : array_like, shapes (N,), (M,), optional
        The turn of each serve; without them each serve is its own turn.
    targets_1, targets_2 : array_like, shapes (N,), (M,), optional
        The target of each serve: turns are then shuffled within targets only.
    n_shuffles : int
        Random shuffles; all are listed when there are no more.

    Returns
    -------
    EnergyTest
    """
    x, y = _as_sample(first), _as_sample(second)
    distance = energy_distance(x, y)
    index, shuffles = _shuffled(
        len(x), len(y), turns_1, turns_2, targets_1, targets_2, rng, n_shuffles
    )
    member = np.zeros((shuffles.second.shape[1], len(index)))
    member[index, np.arange(len(index))] = 1.0
    points = np.vstack([x, y])
    # Sums of distances between turns are all a shuffle needs: no distance is computed twice.
    between = member @ _distances(points, points) @ member.T
    b = shuffles.second.astype(float)
    a = 1.0 - b
    size = member.sum(axis=1)
    n, m = a @ size, b @ size
    s_aa, s_bb = ((a @ between) * a).sum(axis=1), ((b @ between) * b).sum(axis=1)
    s_ab = ((a @ between) * b).sum(axis=1)
    statistic = n * m / (n + m) * (2 * s_ab / (n * m) - s_aa / n**2 - s_bb / m**2)
    return EnergyTest(
        distance=distance,
        statistic=float(statistic[0]),
        p_value=shuffles.p_value(statistic),
        smallest_p=shuffles.smallest_p,
        n_shuffles=len(shuffles.second) - 1,
        is_exact=shuffles.is_exact,
    )


def compare_places(
    drills: Sequence[tuple[ArrayLike, ArrayLike | None]],
    *,
    rng: np.random.Generator,
    n_shuffles: int = 1999,
) -> dict[tuple[int, int], EnergyTest]:
    """Test every pair of drills, with p-values corrected for their number (Holm).

    Parameters
    ----------
    drills : sequence of (points, turns)
        Landed bounces, shape (N, 2), m, and the turn of each, or None.
    rng : Generator
        The caller's, seeded.
    n_shuffles : int
        As in `energy_test`.

    Returns
    -------
    dict
        From (i, j), i < j, to the test with its corrected p-value.
    """
    pairs = list(combinations(range(len(drills)), 2))
    found = [
        energy_test(
            drills[i][0],
            drills[j][0],
            rng=rng,
            turns_1=drills[i][1],
            turns_2=drills[j][1],
            n_shuffles=n_shuffles,
        )
        for i, j in pairs
    ]
    corrected = holm([t.p_value for t in found])
    return {
        pair: replace(t, p_value=float(p), smallest_p=min(1.0, t.smallest_p * len(pairs)))
        for pair, t, p in zip(pairs, found, corrected, strict=True)
    }


def map_difference(
    first: ArrayLike,
    second: ArrayLike,
    *,
    bounds: Bounds,
    measurement: ArrayLike,
    rng: np.random.Generator,
    turns_1: ArrayLike | None = None,
    turns_2: ArrayLike | None = None,
    targets_1: ArrayLike | None = None,
    targets_2: ArrayLike | None = None,
    level: float = 0.95,
    n_shuffles: int = 999,
    cell_m: float = 0.02,
) -> DifferenceMap:
    """Map where the second drill lands more, or less, often than the first.

    The threshold is that of the greatest difference anywhere on the map, so that the chance of
    outlining anything at all when nothing has changed is 1 - level.

    Parameters
    ----------
    first, second : array_like, shapes (N, 2), (M, 2)
        Landed bounces within `bounds`, m, turned to one end.
    bounds : tuple
        As in `density.estimate_density`.
    measurement : float or array_like
        As in `density.estimate_density`.
    rng, turns_1, turns_2, targets_1, targets_2
        As in `energy_test`.
    level : float
        One less the chance of a false alarm.
    n_shuffles : int
        Random shuffles; all are listed when there are no more.
    cell_m : float
        Side of a grid cell, m.

    Returns
    -------
    DifferenceMap

    Raises
    ------
    ValueError
        With fewer than 15 landed serves in either drill.
    """
    x, y = _as_sample(first), _as_sample(second)
    if min(len(x), len(y)) < MIN_POINTS:
        raise ValueError(
            f"a difference map needs {MIN_POINTS} landed serves in each drill, "
            f"got {len(x)} and {len(y)}; show the points instead"
        )
    (x_low, x_high), (y_low, y_high) = bounds
    points = np.clip(np.vstack([x, y]), [x_low, y_low], [x_high, y_high])
    called = _joined(targets_1, targets_2)
    # One kernel for both, as wide as the smaller drill needs.
    widen = scott_factor(min(len(x), len(y))) / scott_factor(len(points))
    bandwidth = widen**2 * kernel_covariance(points, measurement, groups=called)
    index, shuffles = _shuffled(
        len(x), len(y), turns_1, turns_2, targets_1, targets_2, rng, n_shuffles
    )
    gx, gy = grid_axes(bounds, cell_m)
    n_turns = shuffles.second.shape[1]
    maps = np.stack(
        [kernel_sum(points[index == t], bandwidth, gx, gy, bounds).ravel() for t in range(n_turns)]
    )
    size = np.bincount(index, minlength=n_turns).astype(float)
    greatest = np.empty(len(shuffles.second))
    seen = np.zeros(maps.shape[1])
    for start in range(0, len(greatest), 200):
        b = shuffles.second[start : start + 200].astype(float)
        n, m = (1 - b) @ size, b @ size
        part = (b / m[:, None] - (1 - b) / n[:, None]) @ maps
        greatest[start : start + 200] = np.abs(part).max(axis=1)
        if start == 0:
            seen = part[0]
    return DifferenceMap(
        x=gx,
        y=gy,
        difference=seen.reshape(len(gx), len(gy)),
        threshold=shuffles.threshold(greatest, level=level),
        p_value=shuffles.p_value(greatest),
        level=level,
        bandwidth=bandwidth,
    )


def _shuffled(
    n_1: int,
    n_2: int,
    turns_1: ArrayLike | None,
    turns_2: ArrayLike | None,
    targets_1: ArrayLike | None,
    targets_2: ArrayLike | None,
    rng: np.random.Generator,
    n_shuffles: int,
) -> tuple[NDArray[np.intp], Shuffles]:
    index, second = number_turns(turns_1, turns_2, n_1, n_2)
    strata = stratum_of_turns(index, _joined(targets_1, targets_2))
    return index, shuffle_turns(second, rng=rng, strata=strata, n_shuffles=n_shuffles)


def _joined(first: ArrayLike | None, second: ArrayLike | None) -> NDArray | None:
    if first is None and second is None:
        return None
    if first is None or second is None:
        raise ValueError("targets must be given for both drills, or for neither")
    return np.concatenate([np.asarray(first), np.asarray(second)])


def _distances(x: Floats, y: Floats) -> Floats:
    # Differences, not the expanded square: no loss of figures for close points.
    return np.sqrt(sum((x[:, None, a] - y[None, :, a]) ** 2 for a in range(x.shape[1])))


def _as_sample(points: ArrayLike) -> Floats:
    sample = np.asarray(points, dtype=float)
    if sample.ndim != 2 or len(sample) == 0 or np.isnan(sample).any():
        raise ValueError(
            f"a drill's landed serves must be of shape (N, 2) without gaps, got {sample.shape}"
        )
    return sample


def say_chance(p_value: float) -> str:
    """How often chance alone would do as much, in words: 39 times in 100, 12 times in 1000."""
    of = 100 if p_value >= 0.0995 else 1000
    n = round(p_value * of)
    if n < 1:
        return f"less than once in {of}"
    return f"once in {of}" if n == 1 else f"{n} times in {of}"
