"""The overview of a group as self-contained HTML and as A4 PDF."""

from __future__ import annotations

from typing import Any

from placement import intervals
from placement.evidence import words
from placement.evidence.group import GroupOverview, StudentLine, gap_counts
from placement.evidence.pages import compile_pdf, render
from placement.evidence.parts import percent

_PAIR_KEY = (
    "Of like standard by targets hit, good serves and spread, as far as these figures tell; the "
    "differences of all pairs together are the least possible. The teacher knows who works well "
    "with whom."
)
_KEY = (
    "Point: the figure; thick line: where the true one lies, 19 times in 20. Where two students' "
    "lines overlap, the figures do not tell them apart. Spread: half of the serves land within "
    "this distance of the student's usual spot for the target, measuring error taken out; small "
    "is steady. Zones: of the nine "
    "zones (depth by side), those with at least one good serve."
)


def overview_html(overview: GroupOverview) -> str:
    """The overview of a group as one HTML file; see `group.gather_group`."""
    return render(
        "overview.html.j2",
        o=overview,
        words=words,
        key=_KEY,
        pair_key=_PAIR_KEY,
        gaps=gap_counts(overview),
        scatter_top=scatter_top(overview),
    )


def overview_pdf(overview: GroupOverview) -> bytes:
    """The overview of a group as PDF, A4 across, tagged; see `group.gather_group`."""
    top = scatter_top(overview)
    films = "film" if overview.films == 1 else "films"
    span = f", {overview.first_day} to {overview.last_day}" if overview.first_day else ""
    unpaired = ""
    if overview.unpaired:
        unpaired = f" Too few serves for a suggestion: {', '.join(overview.unpaired)}."
    n = len(overview.lines)
    data = {
        "title": f"Overview: {overview.group}",
        "standing": words.STANDING,
        "demo": words.DEMO if overview.is_demo else "",
        "about": f"{n} students, {overview.films} {films}{span}. Page made on {overview.made_on}. "
        "For the teacher, not for the wall: in order of the codes, no rank is given.",
        "scatter": f"Spread, cm (0 to {top})",
        "lines": [_line(line, top) for line in overview.lines],
        "key": _KEY,
        "pairs": [{"codes": " + ".join(p.codes), "words": p.words} for p in overview.pairs],
        "pair_key": (_PAIR_KEY if overview.pairs else "") + unpaired,
        "fill": [f"{gap}: {k} of {n} students" for gap, k in gap_counts(overview).items()],
        "cautions": list(words.CAUTIONS[:4]),
    }
    return compile_pdf("overview.typ", data, {}, made_on=overview.made_on)


def scatter_top(overview: GroupOverview) -> int:
    """End of the scale for the scatter, cm: round, beyond every interval, 60 at most."""
    highs = [line.scatter_m.high * 100 for line in overview.lines if line.scatter_m]
    return int(min(60, max(20, -(-max(highs, default=0.0) // 10) * 10)))


def _line(line: StudentLine, top: int) -> dict[str, Any]:
    spread = line.scatter_m
    scaled = None
    if spread is not None:
        scaled = intervals.Interval(
            *(v * 100 / top for v in (spread.value, spread.low, spread.high))
        )
    return {
        "code": line.code,
        "left": line.hand == "left",
        "serves": str(line.serves),
        "last": line.last_filmed,
        "hits": _bar(line.hits if line.hits.n else None),
        "hit_words": _rate_words(line.hits, "none called"),
        "good": _bar(line.good if line.good.n else None),
        "good_words": _rate_words(line.good, "none yet"),
        "spread": _bar(scaled),
        "spread_words": "too few"
        if spread is None
        else f"{spread.value * 100:.0f} ({spread.low * 100:.0f} to {spread.high * 100:.0f})",
        "zones": f"{line.zones_used} of 9",
        "gaps": list(line.gaps) or ["none of those looked for"],
        "next": list(line.next_targets) or [""],
    }


def _bar(found: intervals.Rate | intervals.Interval | None) -> dict[str, float] | None:
    if found is None:
        return None
    ends = {"value": found.value, "low": found.low, "high": found.high}
    return {name: min(max(value, 0.0), 1.0) for name, value in ends.items()}


def _rate_words(rate: intervals.Rate, none: str) -> str:
    if not rate.n:
        return none
    return f"{rate.hits} of {rate.n}, {percent(rate.low)} to {percent(rate.high)}"
