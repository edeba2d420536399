"""A group at a glance: figures of each student, gaps in the evidence, pairs, and what to film next.

Students stand in the order of their codes, never of their figures: where intervals overlap the
figures do not tell two students apart, and a page that ranks would say that they do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations

import numpy as np
import pandas as pd
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from placement import figures, intervals, zones
from placement.records import Store

ENOUGH = 10  # serves of one kind below which evidence is called thin; common practice, no source
_PAIR_FROM = 10  # attempts below which no pair is suggested
_WEAK_BELOW = 0.7  # hit rate below which a called target is worth another lesson
_LISTED_GAPS = 4
_COLUMNS = [
    "code", "hand", "serve_id", "turn_id", "filmed_on", "outcome",
    "outcome_probability", "server_end", "landing_x_m", "landing_y_m", "landing_sd_x_m",
    "landing_sd_y_m", "landing_cov_xy_m2", "depth", "depth_probability", "side", "side_probability",
    "target_depth", "target_side", "target_landing", "stroke", "tags",
]  # fmt: skip
_NEEDED = [
    "filmed_on", "attempt", "good", "hit", "close", "target", "stroke", "target_depth",
    "target_side", "depth", "side", "x_m", "y_m", "landing_sd_x_m", "landing_sd_y_m",
    "landing_cov_xy_m2",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class StudentLine:
    """One student in the overview."""

    code: str
    hand: str
    serves: int
    last_filmed: str
    hits: intervals.Rate
    good: intervals.Rate
    scatter_m: intervals.Interval | None  # circular error; None with too few landed serves
    zones_used: int  # of nine
    gaps: tuple[str, ...]
    next_targets: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two students (or three, in an odd group) suggested to practise together."""

    codes: tuple[str, ...]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupOverview:
    """All that the overview of a group says."""

    group: str
    made_on: str
    is_demo: bool
    films: int
    first_day: str
    last_day: str
    lines: tuple[StudentLine, ...]
    pairs: tuple[Pair, ...]
    unpaired: tuple[str, ...]  # codes of students with too few serves for a suggestion


def gather_group(store: Store, group: str, *, today: str | None = None) -> GroupOverview:
    """Gather the overview of a group.

    Parameters
    ----------
    store : Store
        The records.
    group : str
        Name of the group.
    today : str, optional
        Day to print, YYYY-MM-DD.

    Returns
    -------
    GroupOverview

    Raises
    ------
    RecordsError
        If there is no such group.
    """
    people = store.students(group)
    drills = store.drills(group=group)
    judged = figures.judge(store.serves(group=group, columns=())[_COLUMNS])
    rows_of = judged.groupby("code", sort=False).indices
    judged = judged[_NEEDED]  # fewer columns to pick rows from, thirty times
    lines = []
    for code, hand in zip(people["code"], people["hand"], strict=True):
        lines.append(student_line(code, hand, judged.iloc[rows_of.get(code, [])]))
    pairs, unpaired = suggest_pairs(lines)
    days = sorted(filter(None, drills["filmed_on"]))
    return GroupOverview(
        group=group,
        made_on=today or date.today().isoformat(),
        is_demo=bool((drills["version"] == "demo").any()),
        films=len(drills),
        first_day=days[0] if days else "",
        last_day=days[-1] if days else "",
        lines=tuple(lines),
        pairs=tuple(pairs),
        unpaired=tuple(unpaired),
    )


def overview_table(overview: GroupOverview) -> pd.DataFrame:
    """The overview as a DataFrame, one row a student."""
    nan = float("nan")
    return pd.DataFrame(
        [
            {
                "code": line.code,
                "hand": line.hand,
                "serves": line.serves,
                "last_filmed": line.last_filmed,
                "hits": line.hits.hits,
                "called": line.hits.n,
                "hit_rate": line.hits.value,
                "hit_low": line.hits.low,
                "hit_high": line.hits.high,
                "good": line.good.hits,
                "attempts": line.good.n,
                "good_rate": line.good.value,
                "good_low": line.good.low,
                "good_high": line.good.high,
                "scatter_m": line.scatter_m.value if line.scatter_m else nan,
                "scatter_low_m": line.scatter_m.low if line.scatter_m else nan,
                "scatter_high_m": line.scatter_m.high if line.scatter_m else nan,
                "zones_used": line.zones_used,
                "gaps": "; ".join(line.gaps),
                "next_targets": "; ".join(line.next_targets),
            }
            for line in overview.lines
        ]
    )


def student_line(code: str, hand: str, judged: pd.DataFrame) -> StudentLine:
    """The line of one student; `judged` from `figures.judge`, only this student's serves."""
    gaps = find_gaps(judged)
    found = figures.student_spread(judged) if len(judged) else None
    attempts = judged["attempt"]
    return StudentLine(
        code=code,
        hand=hand,
        serves=len(judged),
        last_filmed=max(judged["filmed_on"], default=""),
        hits=figures.hit_rate(judged),
        good=intervals.rate(int((judged["good"] & attempts).sum()), int(attempts.sum())),
        scatter_m=figures.circular_error_interval(found) if found else None,
        zones_used=sum(n > 0 for n in figures.zone_counts(judged).values()),
        gaps=tuple(gaps[:_LISTED_GAPS]),
        next_targets=tuple(suggest_targets(judged, gaps)),
    )


def find_gaps(judged: pd.DataFrame) -> list[str]:
    """What has not been filmed yet, or hardly, in the order of its weight.

    Parameters
    ----------
    judged : DataFrame
        Serves of one student, from `figures.judge`.

    Returns
    -------
    list of str
        Such as "no backhand long serve filmed yet".
    """
    if not len(judged):
        return ["not filmed yet"]
    stroke, depth, side = (
        judged[name].to_numpy(str) for name in ("stroke", "target_depth", "target_side")
    )
    missing, thin = [], []
    for word in figures.STROKES:
        for length in ("short", "long"):
            n = int(((stroke == word) & (depth == length)).sum())
            kind = f"{word} {length} serve"
            if n == 0:
                missing.append(f"no {kind} filmed yet")
            elif n < ENOUGH:
                thin.append(f"only {n} {kind}{'s' if n > 1 else ''}")
    for word in zones.SIDES:
        if not (side == word).any():
            missing.append(f"nothing called to the {word} yet")
    return missing + thin


def suggest_targets(judged: pd.DataFrame, gaps: Sequence[str]) -> list[str]:
    """At most two targets for the next lesson, by a rule: fill a gap, work on the weakest target.

    Parameters
    ----------
    judged : DataFrame
        Serves of one student, from `figures.judge`.
    gaps : sequence of str
        From `find_gaps`.

    Returns
    -------
    list of str
        Suggestions in words.
    """
    said = []
    if gaps:
        first = gaps[0]
        for start, words in (
            ("no ", f"{ENOUGH} {{}}s"),
            ("only ", f"{ENOUGH} more: {{}}"),
            ("nothing called to the ", f"{ENOUGH} called to the {{}}"),
        ):
            if first.startswith(start):
                rest = first.removeprefix(start).removesuffix(" filmed yet").removesuffix(" yet")
                if start == "only ":
                    rest = rest.split(" ", 1)[1]
                said.append(words.format(rest))
                break
        else:
            said.append(f"a first {ENOUGH} serves to any called target")
    known = [row for row in figures.target_rows(judged) if row["n"] >= ENOUGH]
    weakest = min(known, key=lambda row: row["rate"], default=None)
    if weakest is not None and weakest["rate"] < _WEAK_BELOW:
        called = " ".join(filter(None, (weakest["target"], weakest["stroke"])))
        said.append(f"{called} again ({weakest['hits']} of {weakest['n']} hit)")
    elif known and not gaps:
        said.append("a smaller target or a new serve type")
    return said


def suggest_pairs(lines: Sequence[StudentLine]) -> tuple[list[Pair], list[str]]:
    """Practice pairs of like standard: the matching whose differences sum to the least.

    Standard is hit rate, good-serve rate and scatter, each on a scale on which steps are alike
    (log odds, logarithm) and in units of the group's own spread. In an odd group the one left over
    joins the nearest pair.

    Parameters
    ----------
    lines : sequence of StudentLine
        The group.

    Returns
    -------
    (list of Pair, list of str)
        Pairs, and the codes of those with fewer than ten attempts, for whom nothing is suggested.
    """
    ready = [line for line in lines if line.good.n >= _PAIR_FROM]
    unpaired = [line.code for line in lines if line.good.n < _PAIR_FROM]
    if len(ready) < 2:
        return [], unpaired + [line.code for line in ready]
    place = _standard(ready)
    apart = np.sqrt(((place[:, None] - place[None]) ** 2).sum(axis=2))
    groups = [list(pair) for pair in match_pairs(apart)]
    left = set(range(len(ready))) - {i for pair in groups for i in pair}
    for i in left:  # one at most
        min(groups, key=lambda pair: apart[i, pair].mean()).append(i)
    pairs = [
        Pair(
            codes=tuple(ready[i].code for i in group), words=_pair_words([ready[i] for i in group])
        )
        for group in sorted(groups)
    ]
    return pairs, unpaired


def match_pairs(apart: np.ndarray) -> list[tuple[int, int]]:
    """The pairs that make the sum of distances least (exact, by integer programming).

    Parameters
    ----------
    apart : ndarray, shape (N, N)
        Distances, symmetric.

    Returns
    -------
    list of (int, int)
        N // 2 pairs; with N odd, one index is in none.

    Raises
    ------
    ValueError
        If there are fewer than two.
    """
    n = len(apart)
    if n < 2:
        raise ValueError(f"pairs need at least two, got {n}")
    edges = np.array(list(combinations(range(n), 2)))
    count = len(edges)
    rows = np.concatenate([edges[:, 0], edges[:, 1], np.full(count, n)])
    columns = np.tile(np.arange(count), 3)
    table = coo_array((np.ones(3 * count), (rows, columns)), shape=(n + 1, count))
    least = np.append(np.full(n, 1.0 if n % 2 == 0 else 0.0), n // 2)
    most = np.append(np.ones(n), n // 2)
    found = milp(
        apart[edges[:, 0], edges[:, 1]],
        integrality=np.ones(count, dtype=int),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(table.tocsr(), least, most),
    )
    if found.x is None:
        raise ValueError(f"no pairs were found: {found.message}")
    return [(int(a), int(b)) for a, b in edges[found.x > 0.5]]


def _standard(lines: Sequence[StudentLine]) -> np.ndarray:
    def log_odds(rate: intervals.Rate) -> float:
        return float(np.log((rate.hits + 0.5) / (rate.n - rate.hits + 0.5)))

    raw = np.array(
        [
            (
                log_odds(line.hits) if line.hits.n else np.nan,
                log_odds(line.good),
                np.log(max(line.scatter_m.value, 0.01)) if line.scatter_m else np.nan,
            )
            for line in lines
        ]
    )
    known = ~np.isnan(raw)
    n = np.maximum(known.sum(axis=0), 1)
    mean = np.where(known, raw, 0.0).sum(axis=0) / n
    raw = np.where(known, raw, mean)  # what is not known pulls nobody either way
    return (raw - mean) / np.maximum(raw.std(axis=0), 1e-9)


def _pair_words(members: Sequence[StudentLine]) -> str:
    def listed(rates: Sequence[intervals.Rate]) -> str:
        return " and ".join(f"{r.value:.0%}" if r.n else "none called" for r in rates)

    said = [
        f"targets hit {listed([m.hits for m in members])}",
        f"good serves {listed([m.good for m in members])}",
    ]
    left = [m.code for m in members if m.hand == "left"]
    if left and len(left) == len(members):
        said.append("both left-handed" if len(left) == 2 else "all left-handed")
    elif left:
        said.append(f"{' and '.join(left)} left-handed: sides are mirrored for the other")
    return "; ".join(said)


def gap_counts(overview: GroupOverview) -> Mapping[str, int]:
    """How many students have each gap, the most frequent first."""
    counts: dict[str, int] = {}
    for line in overview.lines:
        for gap in line.gaps:
            if not gap.startswith("only"):
                counts[gap] = counts.get(gap, 0) + 1
    return dict(sorted(counts.items(), key=lambda item: -item[1]))
