"""One student over the weeks: figures by day of filming, two days compared, and words for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations

import numpy as np
import pandas as pd

from placement import compare, density, figures, intervals, trend

_LEVEL = 0.95
_DAY_COLUMNS = [
    "day", "serves", "hits", "n", "rate", "low", "high", "good", "attempts", "good_rate",
    "good_low", "good_high", "circular_error_m", "ce_low_m", "ce_high_m",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DayComparison:
    """Two days of one student."""

    first: str
    second: str
    hits: compare.RateChange | None  # None where no target was called on both days
    hits_p: float  # by shuffling whole turns; NaN where it cannot be had
    good: compare.RateChange | None
    places: compare.EnergyTest | None
    difference: compare.DifferenceMap | None  # None below 15 landed serves on either day
    sentences: tuple[str, ...]


def with_days(judged: pd.DataFrame) -> pd.DataFrame:
    """Add ``day``: the day of filming, or the clip where no day was given."""
    named = judged["filmed_on"].where(judged["filmed_on"] != "", judged["clip"])
    return judged.assign(day=named)


def by_day(judged: pd.DataFrame) -> pd.DataFrame:
    """Figures of each day of filming.

    Parameters
    ----------
    judged : DataFrame
        From `figures.judge`.

    Returns
    -------
    DataFrame
        ``day, when`` (days from the first one, or the number of the film where days are not known),
        ``serves, hits, n, rate, low, high, good, attempts, good_rate, good_low, good_high,
        circular_error_m, ce_low_m, ce_high_m``.
    """
    rows = []
    for day, part in with_days(judged).groupby("day", sort=True):
        hit = figures.hit_rate(part)
        good = intervals.rate(int(part["good"].sum()), int(part["attempt"].sum()))
        found = figures.student_spread(part)
        ends = (
            intervals.Interval(np.nan, np.nan, np.nan)
            if found is None
            else figures.circular_error_interval(found)
        )
        rows.append(
            {
                "day": day,
                "serves": len(part),
                "hits": hit.hits,
                "n": hit.n,
                "rate": hit.value,
                "low": hit.low,
                "high": hit.high,
                "good": good.hits,
                "attempts": good.n,
                "good_rate": good.value,
                "good_low": good.low,
                "good_high": good.high,
                "circular_error_m": ends.value,
                "ce_low_m": ends.low,
                "ce_high_m": ends.high,
            }
        )
    frame = pd.DataFrame(rows, columns=_DAY_COLUMNS)
    frame.insert(1, "when", _numbers(frame["day"].tolist()))
    return frame


def hit_trend(days: pd.DataFrame) -> tuple[trend.Trend | None, str]:
    """The trend of the hit rate over the days, and what it says.

    Parameters
    ----------
    days : DataFrame
        From `by_day`.

    Returns
    -------
    (Trend or None, str)
        None with fewer than three days on which a target was called.
    """
    called = days[days["n"] > 0]
    if len(called) < 3:
        return None, "A trend needs three days of filming with called targets."
    found = trend.fit_rate_trend(called["when"], called["hits"], called["n"])
    first, last = float(called["when"].iloc[0]), float(called["when"].iloc[-1])
    return found, f"Trend of called targets hit: {found.sentence(first, last)}."


def compare_days(
    judged: pd.DataFrame, first: str, second: str, *, rng: np.random.Generator
) -> DayComparison:
    """Compare two days of one student, target by target, by whole turns.

    Parameters
    ----------
    judged : DataFrame
        From `figures.judge`, of one student.
    first, second : str
        Days, as in `by_day`.
    rng : Generator
        For the shuffles.

    Returns
    -------
    DayComparison
        Only targets that were called on both days are compared.

    Raises
    ------
    ValueError
        If the student did not serve on one of the days.
    """
    dated = with_days(judged)
    one, two = (dated[dated["day"] == day] for day in (first, second))
    for day, part in ((first, one), (second, two)):
        if not len(part):
            raise ValueError(f"no serves were filmed on {day}")
    hits, p_value = _compare_hits(one, two, rng)
    good = None
    if one["attempt"].any() and two["attempt"].any():
        good = compare.compare_rates(
            int(one["good"].sum()),
            int(one["attempt"].sum()),
            int(two["good"].sum()),
            int(two["attempt"].sum()),
        )
    places, difference = _compare_places(one, two, rng)
    return DayComparison(
        first=first,
        second=second,
        hits=hits,
        hits_p=p_value,
        good=good,
        places=places,
        difference=difference,
        sentences=tuple(_sentences(hits, p_value, good, places, difference)),
    )


def compare_all_days(judged: pd.DataFrame, *, rng: np.random.Generator) -> pd.DataFrame:
    """Every pair of days compared by the hit rate and by place, corrected for their number (Holm).

    Returns
    -------
    DataFrame
        ``first, second, change, low, high, p_hits, p_hits_corrected, p_places,
        p_places_corrected, words``.
    """
    days = by_day(judged)["day"].tolist()
    rows = []
    for first, second in combinations(days, 2):
        found = compare_days(judged, first, second, rng=rng)
        change = found.hits.change if found.hits else intervals.Interval(np.nan, np.nan, np.nan)
        rows.append(
            {
                "first": first,
                "second": second,
                "change": change.value,
                "low": change.low,
                "high": change.high,
                "p_hits": found.hits_p,
                "p_places": found.places.p_value if found.places else np.nan,
                "words": found.sentences[0],
            }
        )
    columns = ["first", "second", "change", "low", "high", "p_hits", "p_places", "words"]
    frame = pd.DataFrame(rows, columns=columns)
    for name in ("p_hits", "p_places"):
        known = frame[name].notna()
        corrected = pd.Series(np.nan, index=frame.index)
        if known.any():
            corrected[known] = intervals.holm(frame.loc[known, name].to_numpy(float))
        frame[f"{name}_corrected"] = corrected
    return frame


def _numbers(days: Sequence[str]) -> list[float]:
    try:
        dates = [date.fromisoformat(day) for day in days]
    except ValueError:
        return [float(i) for i in range(len(days))]
    return [float((day - dates[0]).days) for day in dates]


def _common(one: pd.DataFrame, two: pd.DataFrame) -> list[tuple[str, str]]:
    """Targets, each with its stroke, that were called on both days."""
    keys = [
        set(zip(part["target"], part["stroke"], strict=True)) - {("", "")} for part in (one, two)
    ]
    return sorted(key for key in keys[0] & keys[1] if key[0])


def _of(part: pd.DataFrame, keys: Sequence[tuple[str, str]]) -> pd.DataFrame:
    mask = [key in keys for key in zip(part["target"], part["stroke"], strict=True)]
    return part[np.array(mask, dtype=bool)]


def _label(part: pd.DataFrame) -> list[str]:
    return (part["target"] + "|" + part["stroke"]).tolist()


def _compare_hits(
    one: pd.DataFrame, two: pd.DataFrame, rng: np.random.Generator
) -> tuple[compare.RateChange | None, float]:
    keys = _common(one, two)
    one, two = (_of(part, keys) for part in (one, two))
    one, two = (part[part["hit"].notna()] for part in (one, two))
    counts = []
    for target, stroke in keys:
        pair = [p[(p["target"] == target) & (p["stroke"] == stroke)] for p in (one, two)]
        if all(len(p) for p in pair):
            counts.append([v for p in pair for v in (int(p["hit"].sum()), len(p))])
    if not counts:
        return None, float("nan")
    k1, n1, k2, n2 = np.array(counts).T
    change = compare.compare_rates(k1, n1, k2, n2)
    turns = pd.concat([one.assign(second=False), two.assign(second=True)])
    grouped = turns.groupby("turn_id")
    p_value = compare.rate_test_by_turns(
        grouped["hit"].sum(),
        grouped["hit"].size(),
        grouped["second"].first().astype(bool),
        rng=rng,
        targets=(grouped["target"].first() + "|" + grouped["stroke"].first()).to_numpy(str),
    )
    return change, p_value


def _compare_places(
    one: pd.DataFrame, two: pd.DataFrame, rng: np.random.Generator
) -> tuple[compare.EnergyTest | None, compare.DifferenceMap | None]:
    keys = _common(one, two)
    if keys:
        one, two = _of(one, keys), _of(two, keys)
    landed = [part[part["x_m"].notna() & part["y_m"].notna()] for part in (one, two)]
    if min(map(len, landed)) < 2:
        return None, None
    (xy1, cov1, _), (xy2, cov2, _) = (figures.landed_points(part) for part in landed)
    turns = [part["turn_id"].to_numpy() for part in landed]
    labels = [np.array(_label(part)) for part in landed]
    places = compare.energy_test(
        xy1,
        xy2,
        rng=rng,
        turns_1=turns[0],
        turns_2=turns[1],
        targets_1=labels[0],
        targets_2=labels[1],
    )
    if min(len(xy1), len(xy2)) < density.MIN_POINTS:
        return places, None
    difference = compare.map_difference(
        xy1,
        xy2,
        bounds=density.half_bounds(-1),
        measurement=np.concatenate([cov1, cov2]),
        rng=rng,
        turns_1=turns[0],
        turns_2=turns[1],
        targets_1=labels[0],
        targets_2=labels[1],
        n_shuffles=499,
        cell_m=0.025,
    )
    return places, difference


def _sentences(
    hits: compare.RateChange | None,
    p_value: float,
    good: compare.RateChange | None,
    places: compare.EnergyTest | None,
    difference: compare.DifferenceMap | None,
) -> list[str]:
    said = []
    if hits is None:
        said.append("Called targets hit: no target was called on both days, so nothing can be said")
    elif hits.is_beyond_chance and not p_value <= 1 - _LEVEL:
        way = "up" if hits.change.value > 0 else "down"
        said.append(
            f"Called targets hit: {way} from {hits.first.hits} of {hits.first.n} to "
            f"{hits.second.hits} of {hits.second.n}; counted serve by serve that is more than "
            f"chance, but turns differ among themselves, and taken turn by turn it could still be "
            f"chance, which alone would do as much {compare.say_chance(p_value)}"
        )
    else:
        said.append(f"Called targets hit: {hits.sentence()}")
    if good is not None:
        said.append(f"Good serves: {good.sentence()}")
    if places is not None:
        said.append(f"Places: {places.sentence()}")
    if difference is not None and not difference.beyond_chance.any():
        said.append("Map: nowhere on the half is the difference more than chance alone would do")
    elif difference is not None:
        said.append("Map: in the outlined region the difference is more than chance alone would do")
    return [sentence + "." for sentence in said]
