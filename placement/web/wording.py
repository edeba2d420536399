"""Words for the screen: moments, days, outcomes, and what stands beside each figure."""

from __future__ import annotations

import json
import re
from datetime import UTC, date, datetime

OUTCOMES = {
    "good": "good",
    "let": "let",
    "net": "in the net",
    "missed": "missed the table",
    "own-twice": "own half twice",
    "unclear": "unclear",
}
#: What a person may have said of a serve, by the records' name for it.
SAID_OF = {
    "outcome": "outcome",
    "depth": "depth",
    "side": "side",
    "t_start_s": "start",
    "landing_x_m": "landing, along the table",
    "landing_y_m": "landing, across the table",
    "landing_sd_x_m": "landing, uncertainty along",
    "landing_sd_y_m": "landing, uncertainty across",
    "second_bounce_x_m": "second bounce, along the table",
    "second_bounce_y_m": "second bounce, across the table",
    "second_bounce_sd_m": "second bounce, uncertainty",
    "bounce_x_m": "along the table",
    "bounce_y_m": "across the table",
    "pace_m_s": "pace",
    "server_end": "server's end",
    "removed": "no serve",
    "checked": "looked at",
    "added": "added",
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


def moment(text: str) -> str:
    """When something was kept, in this computer's time: 12 January 2026, 14:05."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return text
    found = (found if found.tzinfo else found.replace(tzinfo=UTC)).astimezone()
    return f"{day(found.date().isoformat())}, {found:%H:%M}"


def said_value(value: str, name: str) -> str:
    """A value out of the log of corrections, JSON there, as a person says it."""
    try:
        found = json.loads(value)
    except ValueError:
        return value
    if found is None or found == "":
        return "–"
    if isinstance(found, bool):
        return "yes" if found else "no"
    if isinstance(found, str):
        return OUTCOMES.get(found, found)
    if name == "t_start_s":
        return clock(found)
    if name == "pace_m_s":
        return f"{found:.1f} m/s"
    if name.endswith("_m"):
        return f"{found * 100:.0f} cm"
    return f"{found:+g}" if name == "server_end" else str(found)


def said_of(name: str, bounce_s: float | None = None) -> str:
    """What a correction is about, in words; `bounce_s` is the moment of a bounce that was moved."""
    words = SAID_OF.get(name, name)
    return (
        words
        if bounce_s is None or bounce_s != bounce_s
        else f"bounce at {clock(bounce_s)}, {words}"
    )


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
    text = re.sub(r"[;,](?:(?![;`]).)*`[^`]*`[^;.]*", "", text).strip().replace("`", "'")
    text = text.replace("run the command again", "try again")
    first = text.split(" ", 1)[0]
    if first.isalpha() and first.islower():
        text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else text + "."
