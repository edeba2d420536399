"""What the page is started with."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path

GIB = 1 << 30


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSettings:
    """What the page is started with.

    Attributes
    ----------
    store : str
        Records file or database address.
    data : Path
        Folder of the page's own: films brought in, results, stills, and what it has to remember.
    roots : tuple of Path
        Folders whose films may be chosen by path; nothing outside them is ever opened by name.
    hosts : tuple of str
        Names under which the page answers.
    password : str
        Asked for before anything else; empty on the own machine.
    most_bytes : int
        Largest film that may be brought in.
    worker : tuple of str
        Command of the process that measures; the state file and the job's number are added.
    """

    store: str
    data: Path
    roots: tuple[Path, ...] = ()
    hosts: tuple[str, ...] = ("127.0.0.1", "localhost", "[::1]")
    password: str = field(default="", repr=False)
    most_bytes: int = 16 * GIB
    worker: tuple[str, ...] = (sys.executable, "-m", "placement.web.worker")
