"""Words for the screen: moments, days, outcomes, and what stands beside each figure."""

from __future__ import annotations

import re
from datetime import date

OUTCOMES = {
    "good": "good",
    "let": "let",
    "net": "in the net",
    "missed": "missed the table",
    "own-twice": "own half twice",
    "unclear": "unclear",
}
CAUTION = (
    "Supports the teacher's judgement; it is not a mark. The school's own safeguarding policy and "
    "the assessing body's rules come first."
)
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip


def clock(seconds: float | None) -> str:
    """A moment in a film as 1:05.2."""
    if seconds is None or seconds != seconds:
        return ""
    minutes, rest = divmod(round(float(seconds), 1), 60)
    return f"{int(minutes)}:{rest:04.1f}"


def span(seconds: float | None) -> str:
    """A length of time in words."""
    if seconds is None or seconds != seconds:
        return ""
    if seconds < 90:
        return f"{max(1, round(seconds))} s"
    return f"{round(seconds / 60)} min"


def day(text: str) -> str:
    """A day as 12 January 2026; other words as they are."""
    try:
        found = date.fromisoformat(text)
    except ValueError:
        return text
    return f"{found.day} {_MONTHS[found.month - 1]} {found.year}"


def count(n: int, one: str, many: str = "") -> str:
    """A number with its noun."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def size(n_bytes: int) -> str:
    """A file size in words."""
    return f"{n_bytes / 1e9:.1f} GB" if n_bytes >= 1e9 else f"{max(0.1, n_bytes / 1e6):.1f} MB"


def centimetres(metres: float) -> str:
    """A length as a person says it: 8 cm; below 2 cm with a half."""
    cm = metres * 100
    return f"{cm:.0f} cm" if cm >= 1.95 else f"{max(0.5, round(cm * 2) / 2):g} cm"


def sentence(text: str) -> str:
    """What went wrong, as a sentence for the screen: no commands, a capital and a full stop.

    The records' own sentences may end with the command that helps ("; add them with `students add
    AB`"); on the page that part only puzzles.
    """
    text = re.sub(r"[;,](?:(?![;`]).)*`[^`]*`[^;.]*", "", text).strip()
    first = text.split(" ", 1)[0]
    if first.isalpha() and first.islower():
        text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else text + "."
