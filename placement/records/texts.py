"""What people type, checked and made fit to be stored: texts, codes, hands."""

from __future__ import annotations

import re
import unicodedata

from placement.records.errors import RecordsError
from placement.records.schema import HANDS

_CODE = re.compile(r"[\w.\-]{1,32}")


def clean_text(value: str, what: str, *, limit: int = 2000) -> str:
    """Text fit to be stored: composed characters, no control characters but tab and line feed.

    Parameters
    ----------
    value : str
        What was typed.
    what : str
        Its name, for the sentence.
    limit : int
        Most characters allowed.

    Returns
    -------
    str
        The text without spaces at its ends.

    Raises
    ------
    RecordsError
        If it is too long or holds characters that cannot be printed.
    """
    text = composed(value).replace("\r\n", "\n")
    if len(text) > limit:
        raise RecordsError(f"{what} has {len(text)} characters, at most {limit} are kept")
    for character in text:
        if unicodedata.category(character) in {"Cc", "Cs"} and character not in "\t\n":
            raise RecordsError(f"{what} holds a character that cannot be printed: {character!r}")
    return text


def composed(text: str) -> str:
    """A text as it is kept: letters and their accents in one (Unicode's form C), no spaces at ends.

    Some keyboards and file systems send the accents apart.
    """
    return unicodedata.normalize("NFC", text).strip()


def clean_code(code: str) -> str:
    """A student's initials or candidate number: letters, digits, dot, dash; no spaces.

    Raises
    ------
    RecordsError
        If it is anything else.
    """
    code = composed(code)
    if not _CODE.fullmatch(code):
        raise RecordsError(
            f"{code!r} is not initials or a candidate number: use up to 32 letters, digits, dots "
            "and dashes, without spaces"
        )
    return code


def clean_hand(hand: str) -> str:
    """A playing hand: right, left, or empty where it is not given; r and l will do.

    Raises
    ------
    RecordsError
        If it is anything else.
    """
    hand = {"r": "right", "l": "left"}.get(hand.strip().lower(), hand.strip().lower())
    if hand not in HANDS:
        raise RecordsError(f"the playing hand is right, left or empty, not {hand!r}")
    return hand
