"""Turn lists and their fit to the serves; expected values are worked by hand from the lists."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from placement.records import RecordsError, Turn, assign_turns, format_turns, parse_turns
from placement.records import propose_turns as propose
from placement.records.schema import DEPTHS, LANDINGS, SIDES, STROKES


def _serves(starts: list[float], ends: list[int] | None = None) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "number": range(1, len(starts) + 1),
            "t_start_s": starts,
            "server_end": [-1.0] * len(starts) if ends is None else ends,
            "outcome": "good",
            "outcome_probability": 0.95,
        }
    )


def _sizes(assignment, n: int) -> list[int]:
    return [list(assignment.turn_of.values()).count(i) for i in range(n)]


def test_a_typed_list_is_read():
    turns = parse_turns("AB 10 short left, CD 8 long right bh #hook #fast\n0417 half-long")
    assert turns == [
        Turn(student="AB", listed=10, depth="short", side="left"),
        Turn(
            student="CD", listed=8, depth="long", side="right", stroke="backhand",
            tags=("hook", "fast"),
        ),
        Turn(student="0417", depth="half-long"),
    ]  # fmt: skip


def test_csv_with_clock_times_is_read():
    turns = parse_turns("student,from,to,depth,landing\nAB,0:30,1:45.5,short,\nCD,2:00,3:00,,end\n")
    assert turns[0] == Turn(student="AB", t_from_s=30.0, t_to_s=105.5, depth="short")
    assert turns[1] == Turn(student="CD", t_from_s=120.0, t_to_s=180.0, landing="end")


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("AB 10 shrot left", "shrot"),
        ("AB 10 short long", "names two of"),
        ("AB 0", "1 to 1000"),
        ("", "empty"),
        ("AB serves 9-2", "backwards"),
        ("A/B 10", "candidate number"),
        ("student,count\nAB,ten\n", "whole number"),
    ],
)
def test_what_is_not_understood_is_named(text, match):
    with pytest.raises(RecordsError, match=match):
        parse_turns(text)


_turns = st.builds(
    Turn,
    student=st.from_regex(r"[A-Za-z0-9ÄÉ][A-Za-z0-9ÄÉ.\-]{0,8}", fullmatch=True).filter(
        lambda s: s.lower() != "student"
    ),
    listed=st.none() | st.integers(1, 1000),
    depth=st.sampled_from(("", *DEPTHS)),
    side=st.sampled_from(("", *SIDES)),
    landing=st.sampled_from(("", *LANDINGS)),
    stroke=st.sampled_from(("", *STROKES)),
    tags=st.lists(st.from_regex(r"[a-z0-9]{1,6}", fullmatch=True), max_size=2).map(tuple),
)


@given(st.lists(_turns, min_size=1, max_size=6))
def test_a_list_reads_back_as_it_was_written(turns):
    assert parse_turns(format_turns(turns)) == turns


def test_counts_that_add_up_put_the_border_at_the_pause():
    serves = _serves([0, 5, 10, 40, 45, 50, 55])
    assignment = assign_turns(serves, parse_turns("AB 3, CD 4"))
    assert [assignment.turn_of[n] for n in range(1, 8)] == [0, 0, 0, 1, 1, 1, 1]
    assert assignment.mismatches == ()
    assert assignment.turns[0].t_to_s == pytest.approx(25.0)  # half-way from 10 s to 40 s


def test_nine_found_where_ten_were_listed_says_where_one_may_be_missing():
    # AB's fifth serve, at 20 s, was not found: the gap from 15 s to 25 s is twice the usual 5 s.
    starts = [5.0 * i for i in range(10) if i != 4] + [70 + 5.0 * i for i in range(10)]
    assignment = assign_turns(_serves(starts), parse_turns("AB 10, CD 10"))
    assert _sizes(assignment, 2) == [9, 10]
    (problem,) = assignment.mismatches
    assert (problem.student, problem.listed, problem.found) == ("AB", 10, 9)
    assert problem.gaps_s == ((15.0, 25.0),)
    assert "9 found where 10 were listed" in problem.sentence
    assert "0:15.0 and 0:25.0" in problem.sentence


def test_eleven_found_where_ten_were_listed_names_the_most_doubtful():
    serves = _serves([5.0 * i for i in range(11)] + [80 + 5.0 * i for i in range(10)])
    serves.loc[6, ["outcome", "outcome_probability"]] = ["unclear", 0.4]
    assignment = assign_turns(serves, parse_turns("AB 10, CD 10"))
    (problem,) = assignment.mismatches
    assert problem.doubtful == (7,)
    assert _sizes(assignment, 2) == [11, 10]


def test_one_missed_in_each_of_two_neighbours_still_finds_the_pause():
    starts = [4.0 * i for i in range(10) if i != 3] + [70 + 4.0 * i for i in range(11)]
    assignment = assign_turns(_serves(starts), parse_turns("AB 10, CD 10"))
    assert _sizes(assignment, 2) == [9, 11]


def test_a_change_of_end_marks_a_border_without_a_pause():
    serves = _serves([5.0 * i for i in range(8)], [-1] * 4 + [1] * 4)
    assignment = assign_turns(serves, parse_turns("AB 4, CD 4"))
    assert _sizes(assignment, 2) == [4, 4]


def test_counts_agree_with_trying_every_way_to_cut():
    """The dynamic programme against brute force over all cuts, on seeded random clips."""
    from placement.records.turns import _COUNT_COST, _cut_scores

    rng = np.random.default_rng(7)
    for _ in range(40):
        n = int(rng.integers(3, 10))
        starts = np.cumsum(rng.choice([4.0, 5.0, 9.0, 25.0], n)).tolist()
        serves = _serves(starts, rng.choice([-1, 1], n).tolist())
        listed = rng.integers(1, 5, 3).tolist()
        score = _cut_scores(serves)

        def worth(cuts, score=score, listed=listed, n=n):
            edges = [0, *cuts, n]
            total = 0.0
            for a, b, count in zip(edges[:-1], edges[1:], listed, strict=True):
                total -= _COUNT_COST * abs(b - a - count)
                if b > a:
                    total += score[b]
            return total

        best = max(map(worth, itertools.combinations_with_replacement(range(n + 1), 2)))
        found = assign_turns(serves, [Turn(student="X", listed=k) for k in listed])
        sizes = _sizes(found, 3)
        assert worth((sizes[0], sizes[0] + sizes[1])) == pytest.approx(best, abs=1e-12)


def test_clock_times_leave_serves_outside_them_to_nobody():
    assignment = assign_turns(_serves([1, 5, 9, 30]), parse_turns("AB 0:00-0:06, CD 0:06-0:20"))
    assert assignment.turn_of == {1: 0, 2: 0, 3: 1}
    assert "1 serve belongs to no turn: 4" in assignment.mismatches[-1].sentence


def test_serves_named_one_by_one():
    assignment = assign_turns(_serves([1, 5, 9]), parse_turns("AB serves 1;3, CD serves 2"))
    assert assignment.turn_of == {1: 0, 3: 0, 2: 1}


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("AB serves 1-2, CD serves 2-3", "in turn 1 and in turn 2"),
        ("AB serves 1-9", "names serve 4"),
        ("AB 0:00-0:30, CD 0:20-0:40", "overlap"),
        ("AB 3, CD serves 2", "mixes"),
    ],
)
def test_turns_that_contradict_each_other_are_refused(text, match):
    with pytest.raises(RecordsError, match=match):
        assign_turns(_serves([1, 5, 9]), parse_turns(text))


def test_turns_are_proposed_at_long_pauses():
    starts = [5.0 * i for i in range(6)] + [60 + 5.0 * i for i in range(7)]
    turns = propose(_serves(starts), duration_s=120.0)
    assert len(turns) == 2
    assert turns[0].t_to_s == pytest.approx(42.5)
    assert turns[1].t_to_s == 120.0


def test_two_servers_who_alternate_are_one_turn_each():
    turns = propose(_serves([3.0 * i for i in range(8)], [-1, 1] * 4))
    assert [turn.serves for turn in turns] == [(1, 3, 5, 7), (2, 4, 6, 8)]
