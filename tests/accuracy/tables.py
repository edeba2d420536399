"""Scores as plain tables: one line a clip, then everything over all clips beside what is asked."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from .score import Score

NONE = "-"


def _share(hits: int, of: int) -> float:
    return hits / of if of else float("nan")


def _mean(values: list[bool]) -> float:
    return float(np.mean(values)) if values else float("nan")


def _median(values: list[float], factor: float = 1.0) -> float:
    return factor * float(np.median(values)) if values else float("nan")


def _percentile(values: list[float], share: float, factor: float = 1.0) -> float:
    return factor * float(np.percentile(values, share)) if values else float("nan")


def _worst(values: list[float]) -> float:
    return max(values, default=float("nan"))


def _ratio(score: Score) -> float:
    return _median(score.bounded_m) / _median(score.bound_m)


Measure = Callable[[Score], float]

#: What is measured: words, how, number format, must and goal as the project's issues ask.
MEASURES: tuple[tuple[str, Measure, str, str, str], ...] = (
    ("corners, worst clip, px rms", lambda s: _worst(s.corners_px), ".2f", "1.0", "0.4"),
    ("bounce recall", lambda s: _share(s.found, s.wanted), ".3f", "0.98", "0.995"),
    ("bounce precision", lambda s: 1 - _share(s.false, s.reported), ".3f", "0.98", "0.995"),
    ("bounce position, median, mm", lambda s: _median(s.error_m, 1e3), ".1f", "10", "6"),
    ("bounce position, 95 %, mm", lambda s: _percentile(s.error_m, 95, 1e3), ".1f", "30", "20"),
    ("reprojected, worst clip's median, px", lambda s: _worst(s.median_px), ".2f", "0.6", "0.35"),
    ("median error / bound at 0.1 px", _ratio, ".2f", "2.5", "1.5"),
    ("truth inside the 95 % ellipse", lambda s: _mean(s.inside), ".3f", "0.90-0.985", "0.93-0.97"),
    ("serve recall", lambda s: _share(s.serves_found, s.serves), ".3f", "0.97", "0.99"),
    ("serve precision", lambda s: _share(s.serves_found, s.serves_reported), ".3f", "0.95", "0.99"),
    ("outcome right", lambda s: _mean(s.outcome), ".3f", "0.95", "0.98"),
    ("depth right, off the band's edge", lambda s: _mean(s.depth), ".3f", "0.95", "0.99"),
    ("side right, outside close calls", lambda s: _mean(s.side), ".3f", "0.99", "1.00"),
    ("share of close calls, side", lambda s: _mean(s.side_close), ".3f", "0.10", "0.06"),
    ("second bounce, median, mm", lambda s: _median(s.second_m, 1e3), ".0f", "80", "40"),
    ("pace, median error, %", lambda s: _median(s.pace, 100), ".1f", "4", "2"),
    ("toss rise, median error, cm", lambda s: _median(s.toss_m, 100), ".1f", "3", "1.5"),
    ("spin inside its interval", lambda s: _mean(s.spin_inside), ".3f", "0.90-0.99", "0.93-0.97"),
    ("time / bare decoding", lambda s: _share(s.seconds, s.decode_seconds), ".2f", "2.0", "1.25"),
)


def overall(scores: Mapping[str, Score]) -> str:
    """A table of every measure: one column for each named score, then what is asked.

    Parameters
    ----------
    scores : mapping of str to Score
        Column heads and scores added up over clips.
    """
    return table(*_overall(scores))


def markdown(scores: Mapping[str, Score]) -> str:
    """The same table in Markdown, for README.md."""
    heads, rows = _overall(scores)
    lines = [heads, ["---", *["---:"] * (len(heads) - 1)], *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _overall(scores: Mapping[str, Score]) -> tuple[list[str], list[list[str]]]:
    rows = [
        [words, *(_write(how(s), form) for s in scores.values()), must, goal]
        for words, how, form, must, goal in MEASURES
    ]
    return ["", *scores, "must", "goal"], rows


def by_clip(scores: Mapping[str, Score]) -> str:
    """One line a clip."""
    heads = [
        "clip", "bounces", "false", "mm 50 %", "mm 95 %", "px", "/ bound", "in 95 %", "serves",
        "false", "outcome", "depth", "side", "2nd mm", "pace %", "toss cm", "corners", "time",
    ]  # fmt: skip
    rows = []
    for name, s in scores.items():
        rows.append([
            name, f"{s.found}/{s.wanted}", str(s.false), _write(_median(s.error_m, 1e3), ".1f"),
            _write(_percentile(s.error_m, 95, 1e3), ".1f"), _write(_worst(s.median_px), ".2f"),
            _write(_ratio(s), ".1f"), _write(_mean(s.inside), ".2f"),
            f"{s.serves_found}/{s.serves}", str(s.serves_reported - s.serves_found),
            _hits(s.outcome), _hits(s.depth), _hits(s.side),
            _write(_median(s.second_m, 1e3), ".0f"),
            _write(_median(s.pace, 100), ".1f"), _write(_median(s.toss_m, 100), ".1f"),
            _write(_worst(s.corners_px), ".2f"),
            _write(_share(s.seconds, s.decode_seconds), ".2f"),
        ])  # fmt: skip
    return table(heads, rows)


def table(heads: list[str], rows: list[list[str]]) -> str:
    """Rows of words in columns, the first to the left and the others to the right."""
    widths = [max(len(row[k]) for row in [heads, *rows]) for k in range(len(heads))]
    lines = []
    for row in [heads, *rows]:
        cells = [row[0].ljust(widths[0])]
        cells += [cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True)]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def _hits(values: list[bool]) -> str:
    return f"{sum(values)}/{len(values)}" if values else NONE


def _write(value: float, form: str) -> str:
    return format(value, form) if np.isfinite(value) else NONE
