"""Who served: turns laid over the serves that were found.

A turn is a run of serves by one student. Where turns are listed by counts, the borders are put
where the counts and the pauses agree best: a dynamic programme over all ways to cut the serves
into runs (Bellman's principle), each cut earning the logarithm of its pause over the usual one and
a bonus where the server's end changes, each serve too many or too few costing a fixed amount.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from placement.records.errors import RecordsError

_COUNT_COST = 0.5  # for each serve too many or too few, in units of log(pause / usual pause)
_END_BONUS = 1.0  # for a cut where the server's end changes
_PAUSE_RANGE = (-1.0, 2.0)  # a pause of many minutes is no better a border than one of one minute
_MISSED_GAP = 1.6  # a gap this many times the usual one in a turn may hide a serve
_TURN_GAP = 2.5  # a pause this many times the usual gap is proposed as a border


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A run of serves by one student, as listed or as proposed."""

    student: str  # code; empty in a proposal
    listed: int | None = None  # number of serves that were to be served
    depth: str = ""  # called zone
    side: str = ""  # as the server sees it
    landing: str = ""
    stroke: str = ""
    tags: tuple[str, ...] = ()
    t_from_s: float | None = None
    t_to_s: float | None = None
    serves: tuple[int, ...] | None = None  # numbers of its serves, if assigned one by one


@dataclass(frozen=True, slots=True, kw_only=True)
class Mismatch:
    """A turn whose serves do not add up."""

    position: int  # of the turn in the list, from 1; 0 for serves of no turn
    student: str
    listed: int | None
    found: int
    doubtful: tuple[int, ...]  # numbers of serves that may be none, most doubtful first
    gaps_s: tuple[tuple[float, float], ...]  # times between which a serve may have been missed
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Assignment:
    """Turns laid over serves."""

    turns: tuple[Turn, ...]  # with their times
    turn_of: dict[int, int]  # index of the turn by number of the serve; serves of nobody are absent
    mismatches: tuple[Mismatch, ...]


def assign_turns(
    serves: pd.DataFrame, turns: Sequence[Turn], *, duration_s: float | None = None
) -> Assignment:
    """Say which turn each serve belongs to.

    Parameters
    ----------
    serves : DataFrame
        ``number, t_start_s, server_end, outcome, outcome_probability`` of one clip, by moment.
    turns : sequence of Turn
        Listed by counts, by times or by serves; the three kinds are not mixed in one list.
    duration_s : float, optional
        Length of the clip, s.

    Returns
    -------
    Assignment
        The turns with their times, the serves' turns, and what does not add up.

    Raises
    ------
    RecordsError
        If kinds are mixed, times overlap, or a serve is named twice or not there.
    """
    if not turns:
        raise RecordsError("the turn list is empty")
    serves = serves.sort_values("t_start_s", kind="stable", ignore_index=True)
    by_serves = [turn.serves is not None for turn in turns]
    by_times = [t.serves is None and t.t_from_s is not None and t.listed is None for t in turns]
    if all(by_serves):
        turn_of = _by_serves(serves, turns)
    elif all(by_times):
        turn_of = _by_times(serves, turns)
    elif any(by_serves) or any(by_times):
        raise RecordsError(
            "the turn list mixes counts, times and serve numbers; use one kind for all turns"
        )
    else:
        turn_of = _by_counts(serves, turns)
    timed = _with_times(serves, turns, turn_of, duration_s, keep=all(by_times))
    return Assignment(
        turns=tuple(timed), turn_of=turn_of, mismatches=tuple(_mismatches(serves, timed, turn_of))
    )


def propose_turns(serves: pd.DataFrame, *, duration_s: float | None = None) -> list[Turn]:
    """Propose turns from the pauses and the changes of the server's end.

    Parameters
    ----------
    serves : DataFrame
        As for `assign_turns`.
    duration_s : float, optional
        Length of the clip, s.

    Returns
    -------
    list of Turn
        Without students. Where two servers alternate, each end is one turn, with its serves named.
    """
    serves = serves.sort_values("t_start_s", kind="stable", ignore_index=True)
    if not len(serves):
        return []
    ends = serves["server_end"].to_numpy(float)
    gaps = np.diff(serves["t_start_s"].to_numpy(float))
    changes = (ends[1:] != ends[:-1]) & ~np.isnan(ends[1:]) & ~np.isnan(ends[:-1])
    numbers = serves["number"].to_numpy(int)
    if len(gaps) >= 4 and changes.mean() > 0.4:
        runs = [tuple(numbers[ends == end].tolist()) for end in (-1.0, 1.0)]
        turns = [Turn(student="", serves=run) for run in runs if run]
    else:
        usual = _usual(gaps)
        cuts = [0, *(np.flatnonzero((gaps > _TURN_GAP * usual) | changes) + 1), len(serves)]
        turns = [
            Turn(student="", listed=int(b - a), serves=tuple(numbers[a:b].tolist()))
            for a, b in pairwise(cuts)
        ]
        turn_of = _by_serves(serves, turns)
        return [
            replace(turn, serves=None, listed=None)
            for turn in _with_times(serves, turns, turn_of, duration_s, keep=False)
        ]
    return turns


def _by_serves(serves: pd.DataFrame, turns: Sequence[Turn]) -> dict[int, int]:
    known = set(serves["number"].tolist())
    turn_of: dict[int, int] = {}
    for index, turn in enumerate(turns):
        for number in turn.serves or ():
            if number not in known:
                raise RecordsError(f"turn {index + 1} names serve {number}, which was not found")
            if number in turn_of:
                raise RecordsError(
                    f"serve {number} is in turn {turn_of[number] + 1} and in turn {index + 1}"
                )
            turn_of[number] = index
    return turn_of


def _by_times(serves: pd.DataFrame, turns: Sequence[Turn]) -> dict[int, int]:
    spans: list[tuple[float, float]] = []
    for index, turn in enumerate(turns):
        start, end = turn.t_from_s, turn.t_to_s
        if start is None or end is None or end <= start:
            raise RecordsError(f"turn {index + 1} needs a first and a later last time")
        for other, (a, b) in enumerate(spans):
            if start < b and a < end:
                raise RecordsError(f"the times of turns {other + 1} and {index + 1} overlap")
        spans.append((start, end))
    return {
        int(number): index
        for number, moment in zip(serves["number"], serves["t_start_s"], strict=True)
        for index, (start, end) in enumerate(spans)
        if start <= moment < end
    }


def _by_counts(serves: pd.DataFrame, turns: Sequence[Turn]) -> dict[int, int]:
    n = len(serves)
    if not n:
        return {}
    bonus = _cut_scores(serves)
    lengths = np.arange(n + 1)[None, :] - np.arange(n + 1)[:, None]  # [from, to]
    best = np.full(n + 1, -np.inf)
    best[0] = 0.0
    came_from: list[np.ndarray] = []
    for turn in turns:
        cost = np.zeros(lengths.shape)
        if turn.listed is not None:
            cost = _COUNT_COST * np.abs(lengths - turn.listed)
        # An empty turn moves no border and earns nothing.
        score = best[:, None] - cost + np.where(lengths > 0, bonus[None, :], 0.0)
        score[lengths < 0] = -np.inf
        came_from.append(score.argmax(axis=0))
        best = score.max(axis=0)
    cuts = [n]
    for previous in reversed(came_from):
        cuts.append(int(previous[cuts[-1]]))
    cuts.reverse()
    numbers = serves["number"].to_numpy(int)
    return {
        int(numbers[i]): index
        for index, (start, end) in enumerate(pairwise(cuts))
        for i in range(start, end)
    }


def _cut_scores(serves: pd.DataFrame) -> np.ndarray:
    """What a border before each serve earns, shape (N + 1,); nothing at either end."""
    moments = serves["t_start_s"].to_numpy(float)
    ends = serves["server_end"].to_numpy(float)
    gaps = np.diff(moments)
    score = np.zeros(len(moments) + 1)
    if len(gaps):
        pause = np.log(np.maximum(gaps, 1e-3) / _usual(gaps))
        change = (ends[1:] != ends[:-1]) & ~np.isnan(ends[1:]) & ~np.isnan(ends[:-1])
        score[1:-1] = np.clip(pause, *_PAUSE_RANGE) + _END_BONUS * change
    return score


def _usual(gaps: np.ndarray) -> float:
    """The usual time between two serves of one turn, s."""
    return float(max(np.median(gaps), 0.1)) if len(gaps) else 1.0


def _with_times(
    serves: pd.DataFrame,
    turns: Sequence[Turn],
    turn_of: dict[int, int],
    duration_s: float | None,
    *,
    keep: bool,
) -> list[Turn]:
    """Give each turn that is a run without holes its times: half-way to its neighbours."""
    if keep:
        return list(turns)
    moments = serves["t_start_s"].to_numpy(float)
    of = np.array([turn_of.get(int(number), -1) for number in serves["number"]])
    timed = []
    for index, turn in enumerate(turns):
        rows = np.flatnonzero(of == index)
        if not len(rows) or rows[-1] - rows[0] + 1 != len(rows):
            timed.append(replace(turn, t_from_s=None, t_to_s=None))
            continue
        first, last = int(rows[0]), int(rows[-1])
        start = 0.0 if first == 0 else (moments[first - 1] + moments[first]) / 2
        if last + 1 < len(moments):
            end = (moments[last] + moments[last + 1]) / 2
        else:
            end = max(duration_s or 0.0, float(moments[last]) + 5.0)
        timed.append(replace(turn, t_from_s=float(start), t_to_s=float(end)))
    return timed


def _mismatches(
    serves: pd.DataFrame, turns: Sequence[Turn], turn_of: dict[int, int]
) -> list[Mismatch]:
    of = np.array([turn_of.get(int(number), -1) for number in serves["number"]], dtype=int)
    problems = []
    for index, turn in enumerate(turns):
        mine = serves[of == index]
        listed = len(turn.serves) if turn.serves is not None else turn.listed
        if listed is None or len(mine) == listed:
            continue
        problems.append(_mismatch(index + 1, turn, listed, mine))
    nobody = serves[of < 0]
    if len(nobody):
        n = len(nobody)
        problems.append(
            Mismatch(
                position=0,
                student="",
                listed=None,
                found=n,
                doubtful=tuple(nobody["number"].astype(int)),
                gaps_s=(),
                sentence=f"{n} {'serve belongs' if n == 1 else 'serves belong'} to no turn: "
                f"{number_ranges(nobody['number'].astype(int).tolist())}",
            )
        )
    return problems


def _mismatch(position: int, turn: Turn, listed: int, mine: pd.DataFrame) -> Mismatch:
    found = len(mine)
    moments = mine["t_start_s"].to_numpy(float)
    gaps = np.diff(moments)
    usual = _usual(gaps)
    doubtful: list[int] = []
    spans: list[tuple[float, float]] = []
    if found < listed:
        order = np.argsort(-gaps, kind="stable")[: listed - found]
        spans = sorted(
            (float(moments[i]), float(moments[i + 1]))
            for i in order
            if gaps[i] > _MISSED_GAP * usual
        )
        if spans:
            hint = "one may have been missed between " + " or ".join(
                f"{clock(a)} and {clock(b)}" for a, b in spans
            )
        else:
            hint = "no gap in the turn is long enough to hide one: look at its start and end"
    else:
        doubtful = _most_doubtful(mine, usual)[: found - listed]
        hint = f"most doubtful: serve {number_ranges(sorted(doubtful))}"
    unclear = mine.loc[mine["outcome"] == "unclear", "number"].astype(int).tolist()
    if unclear and found < listed:
        hint += f"; unclear: serve {number_ranges(unclear)}"
        doubtful = unclear
    return Mismatch(
        position=position,
        student=turn.student,
        listed=listed,
        found=found,
        doubtful=tuple(doubtful),
        gaps_s=tuple(spans),
        sentence=f"{turn.student or f'turn {position}'}: {found} found where {listed} were listed; "
        f"{hint}",
    )


def _most_doubtful(mine: pd.DataFrame, usual: float) -> list[int]:
    """Numbers of serves, the one most likely to be none first."""
    before = np.diff(mine["t_start_s"].to_numpy(float), prepend=-np.inf)
    probability = mine["outcome_probability"].fillna(1.0).to_numpy(float)
    doubt = (1 - probability) + (mine["outcome"].to_numpy() == "unclear") + (before < 0.5 * usual)
    return [int(n) for n in mine["number"].to_numpy(int)[np.argsort(-doubt, kind="stable")]]


def number_ranges(numbers: Sequence[int]) -> str:
    """Numbers as ranges, such as 1-9;11."""
    parts: list[list[int]] = []
    for number in sorted(numbers):
        if parts and number == parts[-1][1] + 1:
            parts[-1][1] = number
        else:
            parts.append([number, number])
    return ";".join(str(a) if a == b else f"{a}-{b}" for a, b in parts)


def clock(seconds: float) -> str:
    """A moment of the clip as minutes and seconds, such as 1:05.2."""
    minutes, rest = divmod(round(seconds, 1), 60)
    return f"{int(minutes)}:{rest:04.1f}"
