"""Command: analyse clips with truth, print how far off the tool is, and the baseline beside it."""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import av
import numpy as np
import pandas as pd

from calibration import CalibrationError
from placement import analyse, write_results
from placement.analysis import BOUNCE_COLUMNS, SERVE_COLUMNS
from placement.compiled import made_before
from tests.baseline import baseline

from .bound import bounds_of
from .score import Score, Truth, score_clip
from .tables import by_clip, markdown, overall


def main() -> None:
    """Analyse every NAME.mp4 that lies beside its NAME.truth.json."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy", description=__doc__)
    parser.add_argument("folder", type=Path, help="holds NAME.mp4 and NAME.truth.json")
    parser.add_argument("--only", default="", help="clips whose name contains this")
    parser.add_argument("--notes", action="store_true", help="also name every single mistake")
    parser.add_argument("--no-baseline", action="store_true", help="the tool alone")
    parser.add_argument("--readme", action="store_true", help="put the table into README.md")
    parser.add_argument("--out", type=Path, help="keep the results folders here")
    args = parser.parse_args()
    clips = [
        p for p in sorted(args.folder.glob("*.truth.json"))
        if args.only in p.name and _film(p).is_file()
    ]  # fmt: skip
    if not clips:
        parser.error(f"{args.folder} holds no NAME.mp4 with a NAME.truth.json beside it")
    if not made_before():
        # compiling the fits, once an installation, must not pass for the time that a film takes
        flown = (p for p in clips if json.loads(p.read_text(encoding="utf-8"))["serves"])
        analyse(_film(next(flown, clips[0])))
    tool: dict[str, Score] = {}
    plain: dict[str, Score] = {}
    for place in clips:
        truth = json.loads(place.read_text(encoding="utf-8"))
        name = truth["clip"]
        tool[name] = _score_tool(_film(place), truth, args.out)
        if args.notes:
            print("\n".join([name, *(f"  {note}" for note in tool[name].notes)]), flush=True)
        if not args.no_baseline:
            plain[name] = _score_baseline(_film(place), truth)
    print(by_clip(tool))
    columns = {"this tool": _added(tool)}
    if plain:
        print("\nbaseline: general-purpose parts, see tests/baseline.py")
        print(by_clip(plain))
        columns["baseline"] = _added(plain)
    print(f"\nover {len(tool)} clips, rendered with exact truth")
    print(overall(columns))
    if args.readme:
        _into_readme(columns, len(tool))


def _into_readme(columns: dict[str, Score], n_clips: int) -> None:
    """Put the overall table between its marks in README.md."""
    place = Path(__file__).resolve().parents[2] / "README.md"
    before, begin, rest = place.read_text(encoding="utf-8").partition("<!-- accuracy: begin -->\n")
    _, end, after = rest.partition("<!-- accuracy: end -->")
    if not begin or not end:
        raise SystemExit("README.md has no marks for the accuracy table")
    score = columns["this tool"]
    words = (
        f"Measured on **rendered film**, not on real film: {n_clips} films of `tests/scene` with "
        f"exact truth, {score.serves} serves, {score.wanted} bounces of serves and returns in "
        "plain sight.\n\n"
    )
    text = f"{before}{begin}{words}{markdown(columns)}\n{end}{after}"
    part = place.with_name(".README.md.part")
    part.write_text(text, encoding="utf-8", newline="\n")
    part.replace(place)


def _film(truth: Path) -> Path:
    return truth.with_name(truth.name.replace(".truth.json", ".mp4"))


def _score_tool(film: Path, truth: Truth, out: Path | None) -> Score:
    decode = decode_seconds(film)
    began = time.perf_counter()
    try:
        analysis = analyse(film)  # as a user would: told nothing
    except CalibrationError as error:
        score = score_clip(truth, _empty(BOUNCE_COLUMNS), _empty(SERVE_COLUMNS), None)
        score.notes.append(f"no table: {error}")
        return score
    seconds = time.perf_counter() - began
    if out is not None:
        write_results(analysis, out)
    first = analysis.stands[0].calibration.corners_px
    score = score_clip(
        truth, analysis.bounces_table(), analysis.serves_table(), first, bounds=bounds_of(truth)
    )
    score.seconds, score.decode_seconds = seconds, decode
    return score


def _score_baseline(film: Path, truth: Truth) -> Score:
    decode = decode_seconds(film)
    began = time.perf_counter()
    bounces, serves = baseline(film, np.array(truth["camera"]["corners_px"]))
    seconds = time.perf_counter() - began
    score = score_clip(truth, bounces, serves, None, bounds=bounds_of(truth))
    score.seconds, score.decode_seconds = seconds, decode
    return score


def decode_seconds(film: Path) -> float:
    """Wall time of decoding every frame of a film and nothing else, s."""
    began = time.perf_counter()
    with av.open(str(film)) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        for _ in container.decode(stream):
            pass
    return time.perf_counter() - began


def _added(scores: dict[str, Score]) -> Score:
    total = Score()
    for score in scores.values():
        total.add(score)
    return total


def _empty(columns: tuple[str, ...]) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype=float) for name in columns})


if __name__ == "__main__":
    main()
