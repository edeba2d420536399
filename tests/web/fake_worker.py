"""A worker that makes results up, quickly or slowly: `python -m tests.web.fake_worker`.

The film's name says how: "slow" takes some seconds, "bad" cannot be measured, "crash" ends at once
with an error that nobody expects.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

from placement.video import VideoError
from placement.web.state import Clip
from placement.web.worker import run_job
from tests.web.made import make_results

SLOW_S = 4.0


def measure(
    clip: Clip,
    folder: Path,
    progress: Callable[[float, str, float | None], None],
    cancelled: Callable[[], bool],
) -> Path | None:
    """Pretend to measure."""
    if "bad" in clip.name:
        raise VideoError("no table was found in this film; film the whole table.")
    if "crash" in clip.name:
        os._exit(9)
    seconds = SLOW_S if "slow" in clip.name else 0.1
    began = time.monotonic()
    while (spent := time.monotonic() - began) < seconds:
        if cancelled():
            return None
        progress(spent / seconds, "reading the film", seconds - spent)
        time.sleep(0.05)
    return make_results(folder, clip.path)


if __name__ == "__main__":
    run_job(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), measure)
