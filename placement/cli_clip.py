"""Sub-commands for a clip: analyse, demo, probe. Each is read, call, print."""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from placement.analysis import Analysis
    from placement.settings import Settings

SAMPLE = Path("sample_frames") / "sample_drill.mp4"


class UsageError(ValueError):
    """The command line asks for something that cannot be done; one sentence."""


def add_commands(subparsers: Any) -> None:
    """Add `analyse`, `demo` and `probe` to what `ArgumentParser.add_subparsers` returned."""
    words = "Measure the serves of clips filmed from a fixed stand; write tables, maps, pictures."
    p = subparsers.add_parser("analyse", help=words, description=words)
    p.add_argument("clip", nargs="+", help="film clip as the phone recorded it")
    p.add_argument("--out", required=True, metavar="DIR", help="results go to DIR/<clip's name>/")
    _add_settings(p)
    p.set_defaults(run=_analyse)

    words = "Analyse the sample clip and say where the pictures are; or make an invented class."
    p = subparsers.add_parser("demo", help=words, description=words)
    p.add_argument("--out", metavar="DIR", help="folder for the results (results, or demo-class)")
    p.add_argument(
        "--class", dest="demo_class", action="store_true",
        help="make an invented class of 12 students and its evidence pages instead",
    )  # fmt: skip
    p.add_argument("--store", metavar="FILE", help="records of that class")
    p.set_defaults(run=_demo)

    words = "Say what a clip is and what in it will hurt: rate, shutter, table, stand."
    p = subparsers.add_parser("probe", help=words, description=words)
    p.add_argument("clip", nargs="+", help="film clip")
    _add_slow_motion(p)
    p.set_defaults(run=_probe)


def _add_settings(p: argparse.ArgumentParser) -> None:
    p.add_argument("--corners", metavar="FILE", help="JSON with corners_px, if not found unaided")
    p.add_argument("--no-refine", action="store_true", help="use the corners exactly as given")
    p.add_argument(
        "--near", type=_place, metavar="U,V",
        help="pixel on the table that is meant, where several are in view",
    )  # fmt: skip
    p.add_argument(
        "--camera-fov", type=_between(10, 150), metavar="DEG",
        help="horizontal field of view, for a view that does not show it (from straight above)",
    )  # fmt: skip
    p.add_argument(
        "--band", type=_between(0, 1), default=0.15, metavar="M",
        help="half-long: second bounce within this of the end line, m (0.15)",
    )  # fmt: skip
    p.add_argument(
        "--readout", type=_between(0, 100), default=0.0, metavar="MS",
        help="time in which the phone reads a picture's rows, ms (found from the ball if 0)",
    )  # fmt: skip
    _add_slow_motion(p)
    p.add_argument(
        "--receiver-hand", choices=("right", "left"),
        help="also name the sides as the receiver's forehand, middle, backhand",
    )  # fmt: skip
    p.add_argument(
        "--whole-still", action="store_true",
        help="check.png neither cropped to the table nor blurred outside it",
    )  # fmt: skip


def _add_slow_motion(p: argparse.ArgumentParser) -> None:
    p.add_argument(
        "--slow-motion", type=_between(1, 40), metavar="TIMES",
        help="the clip plays so many times slower than it was filmed (found from the ball's fall)",
    )  # fmt: skip


def _place(text: str) -> tuple[float, float]:
    from placement.given import parse_place

    try:
        return parse_place(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def _between(low: float, high: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not between {low:g} and {high:g}")
        return value

    return read


def _analyse(args: argparse.Namespace) -> int:
    _get_ready()
    from placement.results import results_place

    clips = [Path(clip) for clip in args.clip]
    _refuse_same_names(clips)
    status = 0
    for clip in clips:
        try:
            results_place(args.out, clip)
            settings = _settings(args, clip)
            _analyse_one(clip, Path(args.out), settings, whole_still=args.whole_still)
        except ValueError as error:
            if len(clips) == 1 or not _is_user_error(error):
                raise
            print(f"serve-placement: {error}", file=sys.stderr)  # the other clips still go on
            status = 2
    return status


def _demo(args: argparse.Namespace) -> int:
    if args.demo_class:
        from placement.evidence import commands

        for path in commands.write_demo_class(args.store, args.out or "demo-class"):
            print(path)
        return 0
    clip = Path(__file__).resolve().parents[1] / SAMPLE
    if not clip.is_file():
        raise UsageError(
            f"the sample clip {SAMPLE} is not here; run `demo` from a copy of the project, or "
            "`analyse` a clip of your own"
        )
    _get_ready()
    from placement.settings import Settings

    _analyse_one(clip, Path(args.out or "results"), Settings(), whole_still=False)
    return 0


def _probe(args: argparse.Namespace) -> int:
    from placement.probe import describe_clip, look_at_clip

    for clip in args.clip:
        for line in describe_clip(look_at_clip(clip, slow_motion=args.slow_motion)):
            print(line)
    return 0


def _settings(args: argparse.Namespace, clip: Path) -> Settings:
    from placement.given import read_corners
    from placement.settings import Settings
    from placement.video import probe_clip

    corners = None
    if args.corners:
        info = probe_clip(clip)
        corners = read_corners(args.corners, (info.width, info.height))
    elif args.no_refine:
        raise UsageError("--no-refine is about corners that are given; name them with --corners")
    return Settings(
        corners_px=corners,
        refine=not args.no_refine,
        near=args.near,
        fov_deg=args.camera_fov,
        band_m=args.band,
        readout_s=args.readout / 1e3,
        receiver_hand=args.receiver_hand,
        slow_motion=args.slow_motion,
    )


def _get_ready() -> None:
    """Begin what takes time before libraries are loaded that take time themselves."""
    from placement import reader_process

    # read when NumPy is loaded: `analyse` uses one thread for its sums, the others only wait
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    reader_process.prepare()


def _analyse_one(clip: Path, out: Path, settings: Settings, *, whole_still: bool) -> None:
    from placement.pipeline import analyse
    from placement.progress_bar import ProgressBar
    from placement.results import write_results

    with ProgressBar(clip.stem) as bar:
        analysis = analyse(clip, settings, progress=bar)
        folder = write_results(analysis, out, whole_still=whole_still)
    for line in summary(analysis):
        print(line)
    print(f"  pictures and tables: {folder} (map.png, check.png, sheet.png, strips, serves.csv)")


def summary(analysis: Analysis) -> list[str]:
    """What was found in a clip, in a few lines for the terminal."""
    import numpy as np

    from calibration import error_map_of
    from placement.serve_words import describe_serve, describe_spin, name_serve
    from placement.zones import depth_rule

    serves = analysis.serves
    counted = [s for s in serves if "cut-off" not in s.flags]
    outcomes = Counter(s.outcome for s in counted)
    named = ", ".join(f"{n} {outcome}" for outcome, n in outcomes.most_common())
    lines = [
        f"{analysis.clip.path.stem}: {_number(len(counted), 'serve')}"
        + (f" ({named})" if named else "") + f", {_number(len(analysis.bounces), 'bounce')}"
    ]  # fmt: skip
    if not analysis.bounces:
        lines.append("  No ball was seen to bounce on the table; the tables are empty.")
    for s in serves[:12]:
        lines += [f"  {name_serve(s)}", f"    {describe_serve(s)}   {describe_spin(s)}"]
    if len(serves) > 12:
        lines.append(f"  and {len(serves) - 12} more, see sheet.png")
    if counted:
        band = float(analysis.settings.get("band_m", 0.15) or 0.15)
        lines.append(f"  {depth_rule(band)}; figures with ± hold the truth with 95 %")
    net = analysis.calibration.net
    if net is not None and np.isfinite(net.residual_px):
        lines.append(
            f"  check at the net: off by {net.residual_px:.2f} px, {net.residual_mm:.1f} mm"
        )
    fps = analysis.clip.fps * float(analysis.settings.get("slow_motion") or 1)
    expected = error_map_of(analysis.calibration, fps=fps, grid=(9, 5))
    lines.append(
        f"  from this stand a bounce is known to {1e3 * expected.typical:.0f} mm over most of the "
        f"table, to {1e3 * expected.worst:.0f} mm at worst (95 %)"
    )
    lines += [f"  note: {sentence}" for sentence in analysis.warnings]
    return lines


def _number(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def _refuse_same_names(clips: list[Path]) -> None:
    seen: dict[str, Path] = {}
    for clip in clips:
        other = seen.setdefault(clip.stem.lower(), clip)
        if other is not clip:
            raise UsageError(
                f"{other} and {clip} have the same name, so that one's results would replace the "
                "other's; rename one or analyse them into different folders"
            )


def _is_user_error(error: ValueError) -> bool:
    from calibration import CalibrationError
    from placement.results import ResultsError
    from placement.video import VideoError

    return isinstance(error, (CalibrationError, ResultsError, VideoError, UsageError))
