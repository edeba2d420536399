"""Reading and writing turn lists, typed or CSV.

A typed list reads

    AB 10 short left, CD 10 short left, EF 8 long right backhand #hook

code, number of serves, then in any order the called depth, side, landing (`landing:end`), stroke,
and declared serve types after `#`. Instead of a number a turn may have clock times (`0:30-1:45`)
or the numbers of its serves (`serves 1-9;11`).
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from placement.records.errors import RecordsError
from placement.records.schema import DEPTHS, LANDINGS, SIDES, STROKES
from placement.records.texts import clean_code
from placement.records.turns import Turn, clock, number_ranges

_TAG = re.compile(r"#([\w\-]{1,32})")
_CLOCK = re.compile(r"(?:(\d+):)?(\d{1,4}):(\d{1,2}(?:\.\d+)?)")
_SHORT_WORDS = {"fh": "forehand", "bh": "backhand", "center": "middle", "centre": "middle"}


def parse_turns(text: str) -> list[Turn]:
    """Read a turn list, typed or CSV.

    Parameters
    ----------
    text : str
        A typed list (turns separated by commas or line ends), or CSV with a heading row that has
        ``student`` and any of ``count, from, to, serves, depth, side, landing, stroke, tags``.

    Returns
    -------
    list of Turn
        In the order of the list.

    Raises
    ------
    RecordsError
        If a word is not understood; the sentence names it and its turn.
    """
    lines = text.strip().lstrip("\ufeff").splitlines()
    if lines and "student" in [cell.strip().lower() for cell in lines[0].split(",")]:
        turns = _parse_csv("\n".join(lines))
    else:
        parts = [part.strip() for part in re.split(r"[,\n]", text) if part.strip()]
        turns = [_parse_turn(part, position) for position, part in enumerate(parts, start=1)]
    if not turns:
        raise RecordsError("the turn list is empty; write it like `AB 10 short left, CD 10 long`")
    return turns


def format_turns(turns: Sequence[Turn]) -> str:
    """A turn list as it would be typed; `parse_turns` reads it back."""
    parts = []
    for turn in turns:
        words = [turn.student or "?"]
        if turn.serves is not None:
            words.append("serves " + number_ranges(turn.serves))
        elif turn.listed is not None:
            words.append(str(turn.listed))
        elif turn.t_from_s is not None and turn.t_to_s is not None:
            words.append(f"{clock(turn.t_from_s)}-{clock(turn.t_to_s)}")
        words += [word for word in (turn.depth, turn.side) if word]
        if turn.landing:
            words.append("landing:" + turn.landing.replace(" ", "-"))
        words += [turn.stroke] if turn.stroke else []
        words += [f"#{tag}" for tag in turn.tags]
        parts.append(" ".join(words))
    return ", ".join(parts)


def parse_numbers(text: str, what: str) -> tuple[int, ...]:
    """Numbers of serves written as ranges, such as 1-9;11; `what` names them in an error."""
    numbers: list[int] = []
    for part in text.split(";"):
        match = re.fullmatch(r"\s*(\d{1,6})\s*(?:-\s*(\d{1,6})\s*)?", part)
        if not match:
            raise RecordsError(f"{what}: {text!r} are not serve numbers; write them as 1-9;11")
        first, last = int(match[1]), int(match[2] or match[1])
        if last < first or last - first > 10_000:
            raise RecordsError(f"{what}: serves {part.strip()} run backwards or are too many")
        numbers += range(first, last + 1)
    return tuple(numbers)


def _seconds(text: str, what: str) -> float:
    match = _CLOCK.fullmatch(text.strip())
    if match:
        return int(match[1] or 0) * 3600 + int(match[2]) * 60 + float(match[3])
    try:
        value = float(text)
    except ValueError as error:
        raise RecordsError(f"{what}: {text!r} is not a time; write it as 1:05 or 65") from error
    if not 0 <= value < 1e6:
        raise RecordsError(f"{what}: {text!r} is not a time within a clip")
    return value


def _parse_turn(part: str, position: int) -> Turn:
    what = f"turn {position} ({part})"
    words = part.split()
    turn = Turn(student=clean_code(words[0]))
    words = words[1:]
    while words:
        word = words.pop(0)
        lower = word.lower()
        if lower == "serves" and words:
            turn = replace(turn, serves=parse_numbers(words.pop(0), what))
        elif word.isascii() and word.isdigit():
            turn = replace(turn, listed=_count(word, what))
        elif re.fullmatch(r"[\d:.]+-[\d:.]+", word):
            start, end = word.split("-")
            turn = replace(turn, t_from_s=_seconds(start, what), t_to_s=_seconds(end, what))
        else:
            turn = _with_word(turn, lower, what)
    return turn


def _with_word(turn: Turn, word: str, what: str) -> Turn:
    word = _SHORT_WORDS.get(word, word)
    tag = _TAG.fullmatch(word)
    if tag:
        return replace(turn, tags=(*turn.tags, tag[1]))
    if word.startswith("landing:"):
        return replace(turn, landing=_landing(word.removeprefix("landing:"), what))
    for field, allowed in (("depth", DEPTHS), ("side", SIDES), ("stroke", STROKES)):
        if word in allowed:
            if getattr(turn, field):
                raise RecordsError(f"{what}: names two of {', '.join(allowed)}")
            changed: dict[str, Any] = {field: word}
            return replace(turn, **changed)
    raise RecordsError(
        f"{what}: the word {word!r} is not known; use short, half-long or long, left, middle or "
        "right, forehand or backhand, landing:end, and # before a serve type"
    )


def _landing(word: str, what: str) -> str:
    word = word.strip().lower().replace("-", " ")
    if word not in LANDINGS:
        raise RecordsError(f"{what}: the landing is one of {', '.join(LANDINGS)}, not {word!r}")
    return word


def _count(text: str, what: str) -> int:
    number = int(text)
    if not 1 <= number <= 1000:
        raise RecordsError(f"{what}: {number} serves cannot be; a turn has 1 to 1000")
    return number


def _parse_csv(text: str) -> list[Turn]:
    reader = csv.DictReader(io.StringIO(text), skipinitialspace=True)
    reader.fieldnames = [name.strip().lower() for name in reader.fieldnames or []]
    turns = []
    for position, raw in enumerate(reader, start=1):
        row = {k: (v or "").strip() for k, v in raw.items() if isinstance(k, str)}
        if not any(row.values()):
            continue
        what = f"turn {position} ({row['student']})"
        turn = Turn(student=clean_code(row["student"]))
        if row.get("count"):
            if not row["count"].isdigit():
                raise RecordsError(f"{what}: the count {row['count']!r} is not a whole number")
            turn = replace(turn, listed=_count(row["count"], what))
        if row.get("serves"):
            turn = replace(turn, serves=parse_numbers(row["serves"], what))
        for column, field in (("from", "t_from_s"), ("to", "t_to_s")):
            if row.get(column):
                timed: dict[str, Any] = {field: _seconds(row[column], what)}
                turn = replace(turn, **timed)
        if row.get("landing"):
            turn = replace(turn, landing=_landing(row["landing"], what))
        words = [row.get(name, "") for name in ("depth", "side", "stroke")]
        words += [f"#{tag.lstrip('#')}" for tag in row.get("tags", "").split()]
        for word in words:
            if word:
                turn = _with_word(turn, word.lower(), what)
        turns.append(turn)
    return turns
