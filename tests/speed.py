"""Speed benchmark: wall time of an analysis against bare decoding, and the memory it needs.

``python -m tests.speed CLIP`` measures each in a process of its own, in turn, so that neither warms
up for the other; wall time of the whole command, from start to pictures, is printed too.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.accuracy.tables import table

_DECODE = """
import json, sys, time
import av
from tests.peak import peak_mb
began = time.perf_counter()
n = 0
with av.open(sys.argv[1]) as container:
    stream = container.streams.video[0]
    stream.thread_type = "AUTO"
    for frame in container.decode(stream):
        n += 1
print(json.dumps({"seconds": time.perf_counter() - began, "frames": n, "peak_mb": peak_mb()}))
"""
_ANALYSE = """
import json, sys, time
from placement import analyse
from tests.peak import peak_mb
began = time.perf_counter()
analysis = analyse(sys.argv[1])
print(json.dumps({"seconds": time.perf_counter() - began, "frames": analysis.clip.n_frames,
                  "peak_mb": peak_mb(), "timings": dict(analysis.timings)}))
"""


def main() -> None:
    """Measure one clip several times over."""
    parser = argparse.ArgumentParser(prog="python -m tests.speed", description=__doc__)
    parser.add_argument("clip", type=Path)
    parser.add_argument("--repeats", type=int, default=3)
    args = parser.parse_args()
    clip = args.clip.resolve()
    if not clip.is_file():
        parser.error(f"there is no clip {clip}")
    runs = []
    for _ in range(args.repeats):
        decode, analysis = _run(_DECODE, clip), _run(_ANALYSE, clip)
        runs.append((decode, analysis, _command_seconds(clip)))
    heads = ["run", "frames", "decode s", "analysis s", "ratio", "command s", "ratio", "decode MB",
             "analysis MB"]  # fmt: skip
    rows = [_row(str(k), *run) for k, run in enumerate(runs, start=1)]
    best = min(runs, key=lambda run: run[1]["seconds"] / run[0]["seconds"])
    rows.append(_row("best", *best))
    print(f"{clip.name}: whole processes, nothing shared between them")
    print(table(heads, rows))
    stages = best[1]["timings"]
    print("stages, s: " + ", ".join(f"{name} {value:.2f}" for name, value in stages.items()))


def _row(name: str, decode: dict, analysis: dict, command: float) -> list[str]:
    bare = decode["seconds"]
    return [
        name, str(decode["frames"]), f"{bare:.2f}", f"{analysis['seconds']:.2f}",
        f"{analysis['seconds'] / bare:.2f}", f"{command:.2f}", f"{command / bare:.2f}",
        f"{decode['peak_mb']:.0f}", f"{analysis['peak_mb']:.0f}",
    ]  # fmt: skip


def _run(code: str, clip: Path) -> dict:
    done = subprocess.run(
        [sys.executable, "-c", code, str(clip)], capture_output=True, text=True, check=False,
        cwd=Path(__file__).resolve().parents[1],
    )  # fmt: skip
    if done.returncode:
        sys.exit(done.stderr.strip())
    return json.loads(done.stdout.splitlines()[-1])


def _command_seconds(clip: Path) -> float:
    with tempfile.TemporaryDirectory() as out:
        began = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "placement.cli", "analyse", str(clip), "--out", out],
            capture_output=True, check=True,
        )  # fmt: skip
        return time.perf_counter() - began


if __name__ == "__main__":
    main()
