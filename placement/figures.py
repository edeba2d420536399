"""Figures of one student's serves, each with its interval, its n and its meaning in plain words.

What counts, and what a hit is, stands in `judged`, whose functions are to be had here too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np
import pandas as pd
from scipy.stats import chi2
from scipy.stats import t as t_distribution

from calibration import table
from placement import intervals, variety
from placement.figure_meanings import MEANINGS
from placement.judged import (
    ATTEMPTS,
    LEVEL,
    MIN_SPREAD,
    circular_error_interval,
    hit_rate,
    hits_by_target,
    judge,
    landed_points,
    student_bias,
    student_spread,
    target_of,
    target_rows,
    zone_counts,
    zone_shares,
)

__all__ = [
    "ATTEMPTS",
    "MIN_SPREAD",
    "STROKES",
    "Figure",
    "circular_error_interval",
    "figure_table",
    "hit_rate",
    "hits_by_target",
    "judge",
    "landed_points",
    "student_bias",
    "student_figures",
    "student_spread",
    "target_of",
    "target_rows",
    "zone_counts",
    "zone_shares",
]

STROKES = ("forehand", "backhand")


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure with its interval; NaN where there is nothing to show."""

    key: str
    label: str
    value: float
    low: float
    high: float
    n: int  # serves behind it
    unit: str  # "%" (value between 0 and 1), "cm", "m/s" or "" for a count or an index
    words: str  # the figure as a sentence
    meaning: str  # what it says and what it does not


def student_figures(serves: pd.DataFrame, *, rng: np.random.Generator) -> list[Figure]:
    """All figures of one student.

    Parameters
    ----------
    serves : DataFrame
        As from `records.Store.serves`, of one student.
    rng : Generator
        For the interval of the evenness.

    Returns
    -------
    list of Figure
        In the order in which a page shows them; a figure that cannot be had is there with NaN and
        says why.
    """
    judged = serves if "hit" in serves else judge(serves)
    return [
        _hit_figure(judged),
        *_good_figures(judged),
        *_bias_figures(judged),
        _spread_figure(judged),
        _depth_control(judged),
        *_variety_figures(judged, rng),
        *_pace_figures(judged),
    ]


def figure_table(figures: Sequence[Figure]) -> pd.DataFrame:
    """Figures as a DataFrame, one row each."""
    return pd.DataFrame([asdict(figure) for figure in figures])


def _count(n: int, one: str, many: str = "") -> str:
    return f"{n} {one if n == 1 else many or one + 's'}"


def _rate_figure(key: str, label: str, found: intervals.Rate, extra: str, meaning: str) -> Figure:
    words = "no serves yet"
    if found.n:
        words = (
            f"{found.hits} of {found.n}, {found.value:.0%}; the true rate is likely between "
            f"{found.low:.0%} and {found.high:.0%}{extra}"
        )
    return Figure(
        key=key,
        label=label,
        value=found.value,
        low=found.low,
        high=found.high,
        n=found.n,
        unit="%",
        words=words,
        meaning=meaning,
    )


def _hit_figure(judged: pd.DataFrame) -> Figure:
    called = judged[(judged["target"] != "") & judged["attempt"]]
    extra = ""
    if len(called):
        close, open_ = int(called["close"].sum()), int(called["hit"].isna().sum())
        extra += f"; {_count(close, 'close call')} counted by the likelier zone" if close else ""
        extra += f"; {_count(open_, 'serve')} not decided and left out" if open_ else ""
    return _rate_figure(
        "hit_rate",
        "Called target hit",
        hit_rate(judged),
        extra,
        MEANINGS["hit_rate"],
    )


def _good_figures(judged: pd.DataFrame) -> list[Figure]:
    outcomes = judged["outcome"].tolist()
    unclear = outcomes.count("unclear")
    lets = outcomes.count("let")
    extra = f"; {_count(lets, 'let')} not counted" if lets else ""
    extra += f"; {_count(unclear, 'unclear serve')} left out" if unclear else ""
    run = variety.longest_run(outcomes)
    return [
        _rate_figure(
            "good_rate",
            "Good serves",
            variety.good_rate(outcomes),
            extra,
            MEANINGS["good_rate"],
        ),
        Figure(
            key="longest_run",
            label="Longest run without a fault",
            value=float(run.length),
            low=float(run.length),
            high=float(run.possible),
            n=len(outcomes),
            unit="",
            words=f"{run} {'serve' if run.possible == 1 else 'serves'} in a row",
            meaning=MEANINGS["longest_run"],
        ),
    ]


def _bias_figures(judged: pd.DataFrame) -> list[Figure]:
    found = student_bias(judged)
    meaning = MEANINGS["bias"]
    if found is None:
        return [_nothing("bias_side", "Off target to the side", "no side was called yet", meaning)]
    if found.n < MIN_SPREAD:
        return [_nothing("bias_side", "Off target to the side", "too few landed serves", meaning)]
    rows = []
    for key, label, value, half, plus, minus in (
        (
            "bias_side",
            "Off target to the side",
            found.right_m,
            found.right_half_width_m,
            "right",
            "left",
        ),
        (
            "bias_length",
            "Off target in length",
            found.long_m,
            found.long_half_width_m,
            "long",
            "short",
        ),
    ):
        if np.isnan(value):
            continue
        cm, width = value * 100, half * 100
        if abs(cm) <= width:
            words = f"not clearly off: {abs(cm):.0f} ± {width:.0f} cm {plus if cm > 0 else minus}"
        else:
            words = f"{abs(cm):.0f} ± {width:.0f} cm {plus if cm > 0 else minus}"
            words += " as the server sees it" if key == "bias_side" else " of the called third"
        rows.append(
            Figure(
                key=key,
                label=label,
                value=cm,
                low=cm - width,
                high=cm + width,
                n=found.n,
                unit="cm",
                words=words,
                meaning=meaning,
            )
        )
    return rows


def _nothing(key: str, label: str, words: str, meaning: str, unit: str = "cm") -> Figure:
    nan = float("nan")
    return Figure(
        key=key,
        label=label,
        value=nan,
        low=nan,
        high=nan,
        n=0,
        unit=unit,
        words=words,
        meaning=meaning,
    )


def _spread_figure(judged: pd.DataFrame) -> Figure:
    meaning = MEANINGS["circular_error"]
    found = student_spread(judged)
    label = "Spread about the usual spot"
    if found is None:
        return _nothing("circular_error", label, "too few landed serves for a spread", meaning)
    ends = circular_error_interval(found)
    return Figure(
        key="circular_error",
        label=label,
        value=ends.value * 100,
        low=ends.low * 100,
        high=ends.high * 100,
        n=found.n,
        unit="cm",
        words=f"half of the serves land within {ends.value * 100:.0f} cm of it "
        f"({ends.low * 100:.0f} to {ends.high * 100:.0f} cm); {found.note}",
        meaning=meaning,
    )


def _depth_control(judged: pd.DataFrame) -> Figure:
    label, key = "Depth control", "depth_control"
    meaning = MEANINGS["depth_control"]
    rows = judged[judged["good"] & judged["second_bounce_x_m"].notna()]
    past = -rows["server_end"] * rows["second_bounce_x_m"] - table.HALF_LENGTH
    groups = past.groupby(rows["target_depth"])
    freedom = len(rows) - groups.ngroups
    if freedom < MIN_SPREAD - 1:
        return _nothing(key, label, "too few serves with a second bounce", meaning)
    seen = float(((past - groups.transform("mean")) ** 2).sum() / freedom)
    return _sd_figure(
        key, label, seen, _mean_square(rows["second_bounce_sd_m"]), freedom, len(rows), meaning
    )


def _mean_square(sd: pd.Series) -> float:
    known = sd.dropna()
    return float((known**2).mean()) if len(known) else 0.0


def _sd_figure(
    key: str, label: str, seen: float, measured: float, freedom: int, n: int, meaning: str
) -> Figure:
    ends = seen * freedom / chi2.ppf([1 - (1 - LEVEL) / 2, (1 - LEVEL) / 2], freedom)
    value, low, high = np.sqrt(np.maximum(np.append(seen, ends) - measured, 0.0)) * 100
    return Figure(
        key=key,
        label=label,
        value=float(value),
        low=float(low),
        high=float(high),
        n=n,
        unit="cm",
        words=f"two serves in three bounce within ± {value:.0f} cm of the usual depth "
        f"({low:.0f} to {high:.0f} cm); measuring error of {np.sqrt(measured) * 100:.0f} cm "
        "taken out",
        meaning=meaning,
    )


def _variety_figures(judged: pd.DataFrame, rng: np.random.Generator) -> list[Figure]:
    counts = zone_counts(judged)
    n = sum(counts.values())
    meaning = MEANINGS["evenness"]
    if n >= MIN_SPREAD:
        found = variety.evenness_interval(list(counts.values()), rng=rng)
        even = Figure(
            key="evenness",
            label="Variety over the zones",
            value=found.value,
            low=found.low,
            high=found.high,
            n=n,
            unit="",
            words=f"{found.value:.2f} of 1 ({found.low:.2f} to {found.high:.2f})",
            meaning=meaning,
        )
    else:
        even = _nothing("evenness", "Variety over the zones", "too few good serves", meaning, "")
    used = variety.zones_used(counts)
    types = sorted({tag for tags in judged["tags"] for tag in tags.split()})
    strokes = [stroke for stroke in STROKES if (judged["stroke"] == stroke).any()]
    return [
        even,
        Figure(
            key="zones_used",
            label="Zones used",
            value=float(len(used)),
            low=float(len(used)),
            high=float(len(used)),
            n=n,
            unit="",
            words=f"{len(used)} of {len(counts)}" + (": " + ", ".join(used) if used else ""),
            meaning=MEANINGS["zones_used"],
        ),
        Figure(
            key="serve_types",
            label="Serve types shown",
            value=float(len(types)),
            low=float(len(types)),
            high=float(len(types)),
            n=len(judged),
            unit="",
            words="; ".join(
                filter(None, [" and ".join(strokes), ", ".join(types) or "no type declared"])
            ),
            meaning=MEANINGS["serve_types"],
        ),
    ]


def _pace_figures(judged: pd.DataFrame) -> list[Figure]:
    rows = judged[judged["attempt"] & judged["pace_m_s"].notna()]
    pace = rows["pace_m_s"].to_numpy(float)
    n = len(pace)
    meaning = MEANINGS["pace"]
    if n < MIN_SPREAD:
        return [_nothing("pace", "Pace", "too few serves with a pace", meaning, "m/s")]
    seen, measured = float(pace.var(ddof=1)), _mean_square(rows["pace_sd_m_s"])
    half = float(t_distribution.ppf(0.5 + LEVEL / 2, n - 1) * np.sqrt(seen / n))
    mean = float(pace.mean())
    ends = seen * (n - 1) / chi2.ppf([1 - (1 - LEVEL) / 2, (1 - LEVEL) / 2], n - 1)
    sd, low, high = np.sqrt(np.maximum(np.append(seen, ends) - measured, 0.0))
    return [
        Figure(
            key="pace",
            label="Pace",
            value=mean,
            low=mean - half,
            high=mean + half,
            n=n,
            unit="m/s",
            words=f"{mean:.1f} ± {half:.1f} m/s ({mean * 3.6:.0f} km/h) on average",
            meaning=meaning,
        ),
        Figure(
            key="pace_spread",
            label="Spread of the pace",
            value=float(sd),
            low=float(low),
            high=float(high),
            n=n,
            unit="m/s",
            words=f"two serves in three within ± {sd:.1f} m/s of the average "
            f"({low:.1f} to {high:.1f}); measuring error taken out",
            meaning=MEANINGS["pace_spread"],
        ),
    ]
