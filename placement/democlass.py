"""An invented class of twelve students and five weeks, so that a newcomer sees every picture.

Nobody in it is real and there is no film: places, paces and faults are drawn at random about each
invented student's habits, with the scatter that a measurement from a phone would add. It goes into
the records by the same road as real films: results folders, turn lists, corrections.
"""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from calibration import table
from placement import zones
from placement.records import Store
from placement.records.results import BOUNCE_REALS, BOUNCE_TEXTS, SERVE_REALS, SERVE_TEXTS

GROUP = "Demo class (invented)"
PLACE = "Invented sports hall"
_FIRST_DAY = date(2026, 1, 12)
_KEEP_DAYS = 365  # from the day it is made: an invented class is nothing to be reminded of
_SECONDS_BETWEEN = 5.0
_SD = (0.009, 0.004)  # m, of a landing along and across, as for a stand behind the end
_SECOND_SD = 0.04  # m


@dataclass(frozen=True, slots=True, kw_only=True)
class _Habits:
    """How one invented student serves."""

    code: str
    hand: str
    sd_m: float  # scatter, the same in both directions
    right_m: float  # bias to the right as the server sees it
    fault: float  # rate in the first week
    progress: float  # factor on scatter and faults from week to week
    pace_m_s: float
    tag: str
    away: tuple[int, ...] = ()  # weeks missed


_CLASS = (
    _Habits(code="AK", hand="right", sd_m=0.17, right_m=0.03, fault=0.16, progress=0.84,
            pace_m_s=4.3, tag="pendulum"),
    _Habits(code="BN", hand="right", sd_m=0.21, right_m=-0.05, fault=0.22, progress=0.92,
            pace_m_s=4.6, tag="plain"),
    _Habits(code="CO", hand="left", sd_m=0.15, right_m=0.00, fault=0.10, progress=0.95,
            pace_m_s=4.1, tag="hook"),
    _Habits(code="DL", hand="right", sd_m=0.26, right_m=0.10, fault=0.30, progress=0.86,
            pace_m_s=5.2, tag="plain"),
    _Habits(code="EV", hand="right", sd_m=0.13, right_m=0.02, fault=0.07, progress=1.00,
            pace_m_s=4.0, tag="pendulum", away=(2,)),
    _Habits(code="FW", hand="right", sd_m=0.23, right_m=-0.02, fault=0.25, progress=1.00,
            pace_m_s=4.9, tag="plain"),
    _Habits(code="GR", hand="right", sd_m=0.19, right_m=0.06, fault=0.18, progress=0.90,
            pace_m_s=4.4, tag="plain"),
    _Habits(code="HY", hand="left", sd_m=0.22, right_m=-0.08, fault=0.20, progress=0.93,
            pace_m_s=4.7, tag="plain"),
    _Habits(code="IT", hand="right", sd_m=0.16, right_m=0.00, fault=0.12, progress=0.97,
            pace_m_s=4.2, tag="tomahawk"),
    _Habits(code="JU", hand="right", sd_m=0.28, right_m=0.05, fault=0.33, progress=0.90,
            pace_m_s=5.0, tag="plain", away=(0, 3)),
    _Habits(code="KZ", hand="right", sd_m=0.20, right_m=-0.03, fault=0.17, progress=1.04,
            pace_m_s=4.5, tag="plain"),
    _Habits(code="LP", hand="right", sd_m=0.18, right_m=0.02, fault=0.14, progress=0.90,
            pace_m_s=4.3, tag="pendulum"),
)  # fmt: skip

#: Called in the rounds of each week; the first two targets come back every week.
_ROUNDS: tuple[tuple[str, str, str], ...] = (
    ("short", "left", "forehand"),
    ("long", "right", "forehand"),
    ("short", "left", "forehand"),
    ("long", "right", "forehand"),
    ("short", "left", "forehand"),
    ("long", "right", "forehand"),
    ("short", "right", "backhand"),
)
_SERVES_A_TURN = 4
_FAULTS = ("net", "missed", "own-twice")


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoFilm:
    """One invented clip: its results folder and who served."""

    folder: Path
    filmed_on: str
    turn_list: str


def write_demo_results(folder: str | Path, *, seed: int = 20260112) -> list[DemoFilm]:
    """Write the results folders of the invented class, two clips a week for five weeks.

    Parameters
    ----------
    folder : str or Path
        Where the results folders go.
    seed : int
        Of the random numbers.

    Returns
    -------
    list of DemoFilm
        In the order of filming.
    """
    rng = np.random.default_rng(seed)
    films = []
    for week in range(5):
        day = (_FIRST_DAY + timedelta(weeks=week)).isoformat()
        for half, students in enumerate((_CLASS[:6], _CLASS[6:])):
            there = [student for student in students if week not in student.away]
            name = f"demo-week{week + 1}-{'ab'[half]}"
            serves, turns = _film(there, week, rng)
            target = Path(folder) / name
            _write(target, name, serves, rng)
            films.append(DemoFilm(folder=target, filmed_on=day, turn_list=", ".join(turns)))
    return films


def make_demo_class(store: Store, folder: str | Path, *, seed: int = 20260112) -> list[int]:
    """Put the invented class into the records.

    Parameters
    ----------
    store : Store
        Records without these students.
    folder : str or Path
        Where the results folders go.
    seed : int
        Of the random numbers.

    Returns
    -------
    list of int
        The filmed drills.

    Raises
    ------
    RecordsError
        If one of the invented codes is a student of these records already.
    """
    for habits in _CLASS:
        store.add_student(habits.code, hand=habits.hand, groups=[GROUP])
    drills = []
    keep_until = (date.today() + timedelta(days=_KEEP_DAYS)).isoformat()
    for film in write_demo_results(folder, seed=seed):
        done = store.import_results(
            film.folder,
            group=GROUP,
            filmed_on=film.filmed_on,
            place=PLACE,
            asked="Invented drill: four serves a turn to the called zone, one ball every 5 s.",
            keep_until=keep_until,
        )
        store.set_turns(done.drill_id, film.turn_list)
        unclear = store.serves(drill_id=done.drill_id)
        for serve_id in unclear.loc[unclear["outcome"] == "unclear", "serve_id"].head(2).tolist():
            store.correct(
                serve_id,
                {"outcome": "let"},
                who="invented teacher",
                seen_revision=0,
                why="invented: the net was seen to move",
            )
        drills.append(done.drill_id)
    return drills


def _film(
    students: Sequence[_Habits], week: int, rng: np.random.Generator
) -> tuple[list[dict[str, Any]], list[str]]:
    serves: list[dict[str, Any]] = []
    turns = []
    moment = 6.0
    for round_, (depth, side, stroke) in enumerate(_ROUNDS):
        if stroke == "backhand" and week not in (1, 3):
            continue
        for index, student in enumerate(students):
            if stroke == "backhand" and index % 3 == 2:
                continue  # leaves a gap in the evidence for the overview to show
            found = 0
            for _ in range(_SERVES_A_TURN):
                moment += _SECONDS_BETWEEN + rng.uniform(-0.6, 0.8)
                serves.append(_serve(student, week, depth, side, stroke, moment, rng))
                found += 1
            moment += 14.0
            tag = f" #{student.tag}" if stroke == "forehand" else ""
            turns.append(f"{student.code} {found} {depth} {side} {stroke}{tag}")
        if round_ == 0 and week == 2:
            del serves[2]  # one serve was not found: 3 where 4 were listed
    _classify([row for row in serves if "landing_x_m" in row])
    return serves, turns


def _classify(landed: list[dict[str, Any]]) -> None:
    """Add side and depth with their probabilities, as an analysis would."""
    y = [row["landing_y_m"] for row in landed]
    sides = zones.classify_side(y, _SD[1], np.full(len(y), -1))
    depths = zones.classify_depth(
        [row["second_bounce_x_m"] for row in landed],
        _SECOND_SD,
        np.full(len(y), -1),
        y=[row["second_bounce_y_m"] for row in landed],
        sd_y=_SECOND_SD,
    )
    for index, row in enumerate(landed):
        for name, classes in (("side", sides), ("depth", depths)):
            row[name] = classes.label[index]
            row[f"{name}_probability"] = float(classes.best_probability[index])


def _serve(
    student: _Habits,
    week: int,
    depth: str,
    side: str,
    stroke: str,
    moment: float,
    rng: np.random.Generator,
) -> dict[str, Any]:
    skill = student.progress**week * (1.25 if stroke == "backhand" else 1.0)
    right = {"left": -1, "middle": 0, "right": 1}[side] * table.WIDTH / 3 + student.right_m
    past = 0.42 if depth == "short" else 0.98
    right, past = rng.normal((right, past), student.sd_m * skill * np.array([1.0, 0.85]))
    hop = 0.62 + 0.10 * rng.normal() if depth == "short" else 1.0 + 0.12 * rng.normal()
    # The server stands at the negative-x end: past the net is +x, the server's right is -y.
    x, y = past, -right
    second = (past + hop, y + 0.35 * (y - 0.15) * hop)
    pace = rng.normal(student.pace_m_s + (1.6 if depth == "long" else 0.0), 0.25)
    row: dict[str, Any] = {"t_start_s": moment, "server_end": -1, "pace_m_s": pace}
    row |= {"pace_sd_m_s": 0.1, "toss_rise_m": rng.normal(0.24, 0.05), "toss_rise_sd_m": 0.02}
    landed = 0.0 < x < table.HALF_LENGTH and abs(y) < table.HALF_WIDTH
    if not landed or rng.random() < student.fault * skill:
        row |= {"outcome": "missed" if not landed else str(rng.choice(_FAULTS, p=(0.6, 0.3, 0.1)))}
        row |= {"outcome_probability": rng.uniform(0.9, 0.99)}
        return row
    seen = rng.normal((x, y), _SD)
    seen_second = rng.normal(second, _SECOND_SD)
    draw = rng.random()
    row |= {
        "outcome": "let" if draw < 0.03 else "unclear" if draw < 0.045 else "good",
        "outcome_probability": 0.55 if 0.03 <= draw < 0.045 else rng.uniform(0.9, 0.995),
        "landing_x_m": seen[0], "landing_y_m": seen[1],
        "second_bounce_x_m": seen_second[0], "second_bounce_y_m": seen_second[1],
        "second_bounce_sd_m": _SECOND_SD, "net_clearance_m": abs(rng.normal(0.07, 0.03)),
    }  # fmt: skip
    return row


def _write(
    folder: Path, name: str, serves: Sequence[dict[str, Any]], rng: np.random.Generator
) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    bounces = []
    for row in serves:
        own = {"time_s": row["t_start_s"] + 0.16, "x_m": -0.55 + 0.05 * rng.normal()}
        own |= {"y_m": 0.1 * rng.normal(), "half": "-1"}
        bounces.append(own)
        if "landing_x_m" in row:
            far = {"time_s": row["t_start_s"] + 0.55, "half": "1"}
            bounces.append(far | {"x_m": row["landing_x_m"], "y_m": row["landing_y_m"]})
    for row in bounces:
        row |= {"sd_x_m": _SD[0], "sd_y_m": _SD[1], "cov_xy_m2": 4e-6}
        row |= {"kind": "serve", "probability": 0.98}
    tables = (
        ("serves", ("clip", "serve", "server_end", *SERVE_REALS, *SERVE_TEXTS), serves),
        ("bounces", ("clip", *BOUNCE_REALS, *BOUNCE_TEXTS), bounces),
    )
    for stem, columns, rows in tables:
        with (folder / f"{stem}.csv").open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, columns, restval="")
            writer.writeheader()
            for number, row in enumerate(rows, start=1):
                extra = {"clip": name, "serve": number} if stem == "serves" else {"clip": name}
                writer.writerow(extra | {k: _short(v) for k, v in row.items()})
    calibration = {
        "corners_px": [[612.4, 934.1], [1305.2, 936.8], [1120.7, 458.3], [797.1, 457.5]],
        "invented": True,
    }
    (folder / "calibration.json").write_text(json.dumps(calibration), encoding="utf-8")
    worst = rng.uniform(18.0, 26.0)
    run = {
        "version": "demo",
        "settings": {"invented": True, "half_long_band_m": zones.HALF_LONG_BAND},
        "clip": {
            "name": f"{name}.mp4",
            "path": "",
            "sha256": hashlib.sha256(f"invented film {name}".encode()).hexdigest(),
            "duration_s": serves[-1]["t_start_s"] + 10.0,
            "width": 1920,
            "height": 1080,
            "fps": 60.0,
        },
        "calibration": {
            "net_residual_mm": round(float(rng.uniform(1.5, 5.0)), 1),
            "net_residual_px": round(float(rng.uniform(0.2, 0.7)), 2),
            "expected_error_95_mm": round(float(worst), 0),
            "expected_error_95_typical_mm": round(float(worst) * 0.6, 0),
        },
        "timings": {},
    }
    (folder / "run.json").write_text(json.dumps(run, indent=1), encoding="utf-8")


def _short(value: Any) -> Any:
    return f"{value:.5f}" if isinstance(value, float) else value
