"""All that a student's evidence page says, gathered from the records as plain values."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np
import pandas as pd

from placement import density, figures, zones
from placement.evidence import pictures
from placement.evidence.strip import Still
from placement.evidence.weeks import DayComparison, by_day, compare_days, hit_trend
from placement.records import RecordsError, Store
from placement.records.base import rows_of
from placement.records.turns import clock

_NET = {"net_residual_mm": "mm", "net_residual_px": "px"}  # the check that the fit did not use
_ERROR = ("expected_error_95_typical_mm", "expected_error_95_mm")
_QUALITY = (*_NET, "residual_px")
_MARKS = {1.0: "+", 0.0: "−"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """One filmed drill as the page names it."""

    drill_id: int
    filmed_on: str
    clip: str
    place: str
    asked: str
    picture: str  # such as 1920 × 1080, 60 frames/s
    n_serves: int
    quality: str
    corrected: int  # serves changed by hand
    close: int
    unclear: int
    sha256: str
    version: str
    band_m: float  # half-width of the half-long band


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnTrace:
    """The serves of one turn with their times in the clip."""

    clip: str
    called: str
    serves: str  # such as 0:11.2 +, 0:16.5 −


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """A picture with its words."""

    name: str
    png: bytes
    caption: str
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudentEvidence:
    """Everything on the page of one student."""

    code: str
    hand: str
    groups: tuple[str, ...]
    made_on: str
    version: str
    is_demo: bool
    n_serves: int
    films: tuple[Film, ...]
    figures: tuple[figures.Figure, ...]
    targets: tuple[Mapping[str, Any], ...]
    shares: pd.DataFrame
    days: pd.DataFrame
    comparison: DayComparison | None
    trend_words: str
    pictures: tuple[Picture, ...]
    stills: tuple[Still, ...]
    stills_missing: str  # why there are no stills; empty where there are
    trace: tuple[TurnTrace, ...]
    depth_rule: str


def gather_student(
    store: Store,
    code: str,
    *,
    stills: Sequence[Still] = (),
    stills_missing: str = "",
    view: zones.View = "server",
    today: str | None = None,
) -> StudentEvidence:
    """Gather what the page of a student says.

    Parameters
    ----------
    store : Store
        The records.
    code : str
        Initials or candidate number; names are never printed.
    stills : sequence of Still
        Stills for the strip, already cropped and blurred; six at most are shown.
    stills_missing : str
        Why there are none.
    view : {"server", "receiver"}
        From whose side the maps are seen.
    today : str, optional
        Day to print, YYYY-MM-DD.

    Returns
    -------
    StudentEvidence

    Raises
    ------
    RecordsError
        If there is no such student or no serve of theirs.
    """
    who = store.student(code)
    serves = store.serves(student_code=code)
    if not len(serves):
        raise RecordsError(f"no serves of {code} are in the records; say who served with `turns`")
    judged = figures.judge(serves)
    # The same page from the same records: the shuffles are seeded by the student's code.
    rng = np.random.default_rng(zlib.crc32(code.encode()))
    days = by_day(judged)
    comparison = None
    if len(days) > 1:
        comparison = compare_days(judged, days["day"].iloc[0], days["day"].iloc[-1], rng=rng)
    films = tuple(_films(store, judged))
    band = {film.band_m for film in films}
    return StudentEvidence(
        code=who.code,
        hand=who.hand,
        groups=who.groups,
        made_on=today or date.today().isoformat(),
        version=_version(),
        is_demo=any(film.version == "demo" for film in films),
        n_serves=len(judged),
        films=films,
        figures=tuple(figures.student_figures(judged, rng=rng)),
        targets=tuple(_targets(judged)),
        shares=figures.zone_shares(judged),
        days=days,
        comparison=comparison,
        trend_words=hit_trend(days)[1],
        pictures=tuple(_pictures(judged, days, comparison, view)),
        stills=tuple(stills)[:6],
        stills_missing="" if stills else _why_none(films, stills_missing),
        trace=tuple(_trace(judged)),
        depth_rule="; ".join(zones.depth_rule(width) for width in sorted(band)),
    )


def half_long_band(settings: Mapping[str, Any]) -> float:
    """The half-width of the half-long band in the settings of an analysis, m."""
    for name in ("half_long_band_m", "band_m", "band"):
        value = settings.get(name)
        if isinstance(value, int | float):
            return float(value)
    return zones.HALF_LONG_BAND


def quality_words(summary: Mapping[str, Any]) -> str:
    """What a calibration summary says of the measurement, in words."""
    known = {name: f"{summary[name]:.2g}" for name in _QUALITY if _is_number(summary.get(name))}
    said = []
    net = [known[name] + f" {unit}" for name, unit in _NET.items() if name in known]
    if net:
        said.append(f"net found within {net[0]}" + (f" ({net[1]})" if net[1:] else ""))
    if "residual_px" in known:
        said.append(f"table's lines fitted to {known['residual_px']} px")
    typical, worst = (
        f"{summary[name]:.0f} mm" if _is_number(summary.get(name)) else "" for name in _ERROR
    )
    if worst:
        over = f"{typical} over most of the table, " if typical else ""
        said.append(f"19 bounces in 20 are expected within {over}{worst} at worst")
    return "; ".join(said) or "accuracy not stated by the analysis"


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _why_none(films: Sequence[Film], given: str) -> str:
    if any(film.version == "demo" for film in films):
        return "the data are invented, there is no film"
    return given or "no film of these serves is at hand"


def _films(store: Store, judged: pd.DataFrame) -> list[Film]:
    found = []
    for drill_id in judged["drill_id"].unique().tolist():
        part = judged[judged["drill_id"] == drill_id]
        film = store.drill(drill_id)
        size = f"{film.width} × {film.height}" if film.width and film.height else ""
        rate = f"{film.fps:.0f} frames/s" if film.fps else ""
        found.append(
            Film(
                drill_id=film.drill_id,
                filmed_on=film.filmed_on or "day not given",
                clip=film.clip,
                place=film.place,
                asked=film.asked,
                picture=", ".join(filter(None, (size, rate))),
                n_serves=len(part),
                quality=quality_words(film.calibration_summary),
                corrected=int((part["corrected"] != "").sum()),
                close=int(part["close"].sum()),
                unclear=int((part["outcome"] == "unclear").sum()),
                sha256=film.clip_sha256,
                version=film.version,
                band_m=half_long_band(film.settings),
            )
        )
    return found


def _targets(judged: pd.DataFrame) -> list[Mapping[str, Any]]:
    table = figures.hits_by_target(judged)
    return [
        {str(k): v for k, v in row.items()} | {"letter": letter}
        for letter, row in zip(pictures.target_key(judged), table.to_dict("records"), strict=True)
    ]


def _pictures(
    judged: pd.DataFrame,
    days: pd.DataFrame,
    comparison: DayComparison | None,
    view: zones.View,
) -> list[Picture]:
    landed = int((judged["x_m"].notna() & judged["y_m"].notna()).sum())
    found = [
        Picture(
            name="map",
            png=pictures.as_png(pictures.map_figure(judged, view=view)),
            caption=_map_caption(landed, view),
            alt=f"Map of the receiver's half with {landed} landed serves and the called zones.",
        )
    ]
    if (days["n"] > 0).sum() > 1:
        found.append(
            Picture(
                name="trend",
                png=pictures.as_png(pictures.trend_figure(days)),
                caption="Called targets hit on each day; upright line: where the true rate lies, "
                "19 times in 20; line and band across: the trend, where three days or more were "
                "filmed.",
                alt="Hit rate by day: "
                + "; ".join(f"{r.day} {r.hits} of {r.n}" for r in rows_of(days) if r.n),
            )
        )
    if comparison is not None:
        found.append(
            Picture(
                name="weeks",
                png=pictures.as_png(pictures.weeks_figure(judged, comparison, view=view)),
                caption="First and last day on one scale; the solid line holds half of the landed "
                "serves, the dashed one nine tenths. Right, the difference: dark blue, + "
                "at its peak, where the last day has more serves; orange, −, where it has fewer; "
                "outlined where that is more than chance.",
                alt=f"Maps of {comparison.first} and {comparison.second} and their difference. "
                + comparison.sentences[-1],
            )
        )
    return found


def _map_caption(landed: int, view: zones.View) -> str:
    where = f"Where the good serves landed on the receiver's half, seen from the {view}'s side. "
    called = "Broken frames: called zones, by letter as in the table."
    if landed < density.MIN_POINTS:
        return (
            f"{where}The ring about each holds its true place 19 times in 20; open dots: close "
            f"calls. {called}"
        )
    return (
        f"{where}Dark: many. {called} Dotted: 19 of 20 further serves to that zone would land "
        "inside, measuring error taken out."
    )


def _trace(judged: pd.DataFrame) -> list[TurnTrace]:
    needed = [
        "drill_id", "turn_id", "clip", "target", "stroke", "t_start_s", "outcome", "good", "hit",
        "corrected",
    ]  # fmt: skip
    turns: dict[tuple[int, int], list[Any]] = {}
    for row in rows_of(judged[needed]):
        turns.setdefault((row.drill_id, row.turn_id), []).append(row)
    return [
        TurnTrace(
            clip=rows[0].clip,
            called=" ".join(filter(None, (rows[0].target or "nothing called", rows[0].stroke))),
            serves=", ".join(
                f"{clock(row.t_start_s)} {_mark(row)}" + ("*" if row.corrected else "")
                for row in rows
            ),
        )
        for rows in turns.values()
    ]


def _mark(row: Any) -> str:
    if row.outcome in ("let", "unclear"):
        return str(row.outcome)
    if np.isnan(row.hit):
        return "good" if row.good else str(row.outcome)
    return _MARKS[row.hit] if row.good else f"− {row.outcome}"


def _version() -> str:
    try:
        return version("serve-placement")
    except PackageNotFoundError:
        return "unknown"
