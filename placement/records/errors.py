"""What can go wrong with the records, each as one sentence a teacher can act on.

SQLite reports trouble by message text only; the texts matched here are those of its result codes
SQLITE_BUSY, SQLITE_LOCKED, SQLITE_READONLY, SQLITE_CANTOPEN, SQLITE_FULL, SQLITE_IOERR,
SQLITE_NOTADB and SQLITE_CORRUPT (sqlite.org, "Result and Error Codes").
"""

from __future__ import annotations

from sqlalchemy.exc import DBAPIError


class RecordsError(ValueError):
    """Such as: no student "QX" in the records; add them with `students add QX`."""


class StaleError(RecordsError):
    """Such as: serve 12 was changed by LM at 10:31 after it was shown here; look again."""


class StoreError(RecordsError):
    """Such as: the records file is being written by another program; try again in a moment."""


_SENTENCES = (
    (
        ("database is locked", "database table is locked"),
        "the records file {where} is in use: another program is writing to it; "
        "close that program or try again in a moment",
    ),
    (
        ("readonly database", "read-only", "permission denied"),
        "the records file {where} cannot be written: the file or its folder is read-only; "
        "choose another place with --store or change its permissions",
    ),
    (
        ("unable to open database file",),
        "the records file {where} cannot be opened: the folder is missing, read-only or not yours; "
        "choose another place with --store",
    ),
    (
        ("connection failed", "connection refused", "could not translate host", "password"),
        "the database {where} cannot be reached: check the address, the user and the network",
    ),
    (
        ("database or disk is full", "no space left"),
        "the disk that holds {where} is full: nothing was changed; "
        "free some space and run the command again",
    ),
    (
        ("disk i/o error",),
        "the disk that holds {where} could not be read or written (full, unplugged or failing): "
        "nothing was changed; check the disk and run the command again",
    ),
    (
        ("file is not a database", "malformed"),
        "{where} is not a records file of this tool, or it is damaged: "
        "name another file, or bring back a backup with `restore`",
    ),
)


def sentence_for(error: BaseException, where: str) -> str | None:
    """One clear sentence for an error of the database or the disk.

    Parameters
    ----------
    error : BaseException
        What was raised.
    where : str
        The records file or address, as the user knows it.

    Returns
    -------
    str or None
        None where the error is not trouble of the machine (a programming error keeps its
        traceback).
    """
    text = str(error.orig if isinstance(error, DBAPIError) else error).lower()
    for needles, sentence in _SENTENCES:
        if any(needle in text for needle in needles):
            return sentence.format(where=where)
    return None
