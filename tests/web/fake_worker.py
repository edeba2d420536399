"""A worker that makes results up, quickly or slowly: `python -m tests.web.fake_worker`.

The film's name says how: "slow" takes some seconds, "bad" cannot be measured, "crash" ends at once
with an error that nobody expects, "sixty" has sixty serves with a pause after each ten.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from placement.video import VideoError
from placement.web.state import Clip
from placement.web.worker import run_job
from tests.records.samples import serve_row
from tests.web.made import make_results

SLOW_S = 4.0
MOVED = "The picture shook from 0.4 to 0.6 s and came back."


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
    if "none" in clip.name:
        return make_results(folder, clip.path, [])
    results = make_results(folder, clip.path, _sixty() if "sixty" in clip.name else None)
    if "moved" in clip.name:
        run = json.loads((results / "run.json").read_text(encoding="utf-8"))
        run["warnings"] = [MOVED]
        (results / "run.json").write_text(json.dumps(run), encoding="utf-8")
    return results


def _sixty() -> list[dict[str, Any]]:
    """Sixty serves in 30 s, nine of them doubtful."""
    rows = [serve_row(i + 1, 0.3 + 0.45 * i + 0.4 * (i // 10)) for i in range(60)]
    for k, row in enumerate(rows):
        row |= {"landing_x_m": 0.2 + 0.018 * k, "landing_y_m": -0.6 + 0.02 * k}
        if k % 7 == 3:
            row |= {"outcome": "unclear", "outcome_probability": 0.5}
    return rows


if __name__ == "__main__":
    run_job(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), measure)
