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

import av

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
    parser.add_argument(
        "--memory", metavar="MIN,MIN", help="instead: peak memory for the clip played over and "
        "over for so many minutes, such as 1,20",
    )  # fmt: skip
    args = parser.parse_args()
    clip = args.clip.resolve()
    if not clip.is_file():
        parser.error(f"there is no clip {clip}")
    if args.memory:
        _compare_memory(clip, [float(part) for part in args.memory.split(",")])
        return
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


def _compare_memory(clip: Path, minutes: list[float]) -> None:
    rows: list[list[str]] = []
    first = float("nan")
    with tempfile.TemporaryDirectory() as folder:
        for length in minutes:
            film = Path(folder) / f"film_{length:g}.mp4"
            loop_film(clip, film, 60 * length)
            run = _run(_ANALYSE, film)
            first = run["peak_mb"] if not rows else first
            rows.append([
                f"{length:g} min", str(run["frames"]), f"{run['seconds']:.1f}",
                f"{run['peak_mb']:.0f}", f"{run['peak_mb'] / first:.2f}",
            ])  # fmt: skip
    print(f"{clip.name}, played over and over")
    print(table(["length", "frames", "analysis s", "peak MB", "ratio"], rows))


def loop_film(source: Path, target: Path, seconds: float) -> None:
    """Write a film that plays `source` over and over, its packets copied as they are."""
    with av.open(str(target), "w") as out:
        stream = None
        shift = 0
        while stream is None or shift * stream.time_base < seconds:
            with av.open(str(source)) as film:
                from_stream = film.streams.video[0]
                if stream is None:
                    stream = out.add_stream_from_template(from_stream)
                    stream.time_base = from_stream.time_base
                ends = []
                for packet in film.demux(from_stream):
                    if packet.dts is None or packet.pts is None:
                        continue
                    ends.append(packet.pts + (packet.duration or 1))
                    packet.pts += shift
                    packet.dts += shift
                    packet.stream = stream
                    out.mux(packet)
                shift += max(ends)


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
