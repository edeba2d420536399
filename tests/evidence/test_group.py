from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
import pytest

from placement import figures, intervals
from placement.evidence.group import (
    StudentLine,
    find_gaps,
    gap_counts,
    gather_group,
    match_pairs,
    overview_table,
    suggest_pairs,
    suggest_targets,
)
from tests.evidence.test_figures import LEFT, serves_at


def _matchings(items: list[int]) -> Iterator[list[tuple[int, int]]]:
    if not items:
        yield []
        return
    first, rest = items[0], items[1:]
    for i, other in enumerate(rest):
        for more in _matchings(rest[:i] + rest[i + 1 :]):
            yield [(first, other), *more]


@pytest.mark.parametrize("n", [2, 4, 6, 8])
def test_pairs_are_the_best_of_all_ways_to_pair(n):
    """Against brute force over all perfect matchings, on seeded random places."""
    rng = np.random.default_rng(n)
    for _ in range(5):
        place = rng.normal(size=(n, 3))
        apart = np.linalg.norm(place[:, None] - place[None], axis=2)
        best = min(sum(apart[a, b] for a, b in m) for m in _matchings(list(range(n))))
        found = match_pairs(apart)
        assert sorted(i for pair in found for i in pair) == list(range(n))
        assert sum(apart[a, b] for a, b in found) == pytest.approx(best, abs=1e-9)


def _line(code: str, hits: int, *, hand: str = "right", n: int = 40) -> StudentLine:
    return StudentLine(
        code=code, hand=hand, serves=n, last_filmed="", hits=intervals.rate(hits, n),
        good=intervals.rate(min(n, hits + 5), n), scatter_m=None, zones_used=1, gaps=(),
        next_targets=(),
    )  # fmt: skip


def test_like_goes_with_like_and_left_handers_are_noted():
    lines = [_line("A", 10), _line("B", 30), _line("C", 11, hand="left"), _line("D", 29)]
    pairs, unpaired = suggest_pairs(lines)
    assert [pair.codes for pair in pairs] == [("A", "C"), ("B", "D")]
    assert "C left-handed" in pairs[0].words
    assert "left" not in pairs[1].words
    assert unpaired == []


def test_an_odd_group_makes_one_three_and_few_serves_make_no_suggestion():
    lines = [_line("A", 10), _line("B", 30), _line("C", 11), _line("D", 2, n=5)]
    pairs, unpaired = suggest_pairs(lines)
    assert [len(pair.codes) for pair in pairs] == [3]
    assert unpaired == ["D"]


def test_gaps_name_what_was_never_called():
    serves = serves_at(np.repeat(LEFT, 12, axis=0), target=("short", "left", ""))
    gaps = find_gaps(figures.judge(serves))
    assert "no backhand long serve filmed yet" in gaps
    assert "no forehand long serve filmed yet" in gaps
    assert "nothing called to the right yet" in gaps
    assert not any("forehand short" in gap for gap in gaps)
    assert find_gaps(figures.judge(serves_at(np.empty((0, 2))))) == ["not filmed yet"]


def test_the_next_lesson_fills_a_gap_and_returns_to_the_weakest_target():
    weak = serves_at(np.repeat(-LEFT * [-1, 1], 12, axis=0), target=("short", "left", ""))
    judged = figures.judge(weak)
    said = suggest_targets(judged, find_gaps(judged))
    assert said == ["10 forehand long serves", "short left forehand again (0 of 12 hit)"]


def test_the_overview_agrees_with_each_students_own_figures(demo):
    overview = gather_group(demo, "Demo class (invented)", today="2026-02-20")
    table = overview_table(overview).set_index("code")
    for code in ("AK", "JU"):
        own = {
            f.key: f
            for f in figures.student_figures(
                demo.serves(student_code=code), rng=np.random.default_rng(0)
            )
        }
        assert table.loc[code, "hit_rate"] == pytest.approx(own["hit_rate"].value, abs=1e-12)
        assert table.loc[code, "good_low"] == pytest.approx(own["good_rate"].low, abs=1e-12)
        ours = table.loc[code, "scatter_m"] * 100
        assert ours == pytest.approx(own["circular_error"].value, abs=1e-9)
    assert gap_counts(overview)["no backhand long serve filmed yet"] == 12
    assert not pd.isna(table["scatter_m"]).any()
