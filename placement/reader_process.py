"""The process beside this one that decodes: started before it is known what it is to read.

Python and its libraries take a third of a second to load. The film is looked at meanwhile.
"""

from __future__ import annotations

import atexit
import os
import subprocess
import sys
from pathlib import Path

_ENTRY = "from placement.reading import main; main()"  # under its own name, so that pickles fit

_ready: subprocess.Popen[bytes] | None = None


def prepare() -> None:
    """Start one for the next film that is read, if none is waiting for it."""
    global _ready
    if _ready is None:
        _ready = _started()
        atexit.register(discard)


def taken() -> subprocess.Popen[bytes] | None:
    """The one that is waiting, or a new one; None where none can be started.

    It reads from its standard input what it is to do, and belongs to the caller.
    """
    global _ready
    process, _ready = _ready, None
    return process or _started()


def discard() -> None:
    """End the one that is waiting, if nothing was read."""
    global _ready
    process, _ready = _ready, None
    atexit.unregister(discard)
    if process is not None:
        process.kill()
        for end in (process.stdin, process.stdout):
            assert end is not None
            end.close()
        process.wait()


def _started() -> subprocess.Popen[bytes] | None:
    """None where the system or the way Python was packed allows none."""
    if not sys.executable or getattr(sys, "frozen", False):
        return None
    home = str(Path(__file__).resolve().parents[1])
    places = [home, *(p for p in sys.path if p)]
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(dict.fromkeys(places)),
        "OPENBLAS_NUM_THREADS": "1",  # its threads would only wait, and take time from the decoder
    }
    try:
        return subprocess.Popen(
            [sys.executable, "-P", "-c", _ENTRY],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment, bufsize=0,
        )  # fmt: skip
    except OSError:
        return None
