"""How fast are a student's page and a group's overview with a school year in one file?

    python -m tests.benchmark_records [--keep FILE]

Thirty groups of thirty students, twelve filmed drills of sixty serves each: about 650,000 serves.
Prints a plain table. Wanted: a student's page within 2 s, a group's overview within 1 s, on two
cores.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import insert, text

from placement import figures, zones
from placement.evidence.group import gather_group
from placement.evidence.overview import overview_html, overview_pdf
from placement.evidence.pages import student_html, student_pdf
from placement.evidence.student import gather_student
from placement.records import Store
from placement.records.schema import (
    analysis,
    bounce,
    class_group,
    drill,
    membership,
    serve,
    student,
    turn,
)

GROUPS, STUDENTS, DRILLS, SERVES, TURNS = 30, 30, 12, 60, 4


def fill(store: Store, *, groups: int = GROUPS, seed: int = 1) -> int:
    """Fill empty records with drawn serves; returns their number."""
    rng = np.random.default_rng(seed)
    keys = {"drill": 0, "turn": 0, "serve": 0}
    for group in range(1, groups + 1):
        with store._write() as connection:
            connection.execute(insert(class_group), [{"group_id": group, "name": f"G{group:02}"}])
            ids = [(group - 1) * STUDENTS + i for i in range(1, STUDENTS + 1)]
            people = [{"student_id": i, "code": f"S{i:04}", "hand": "right", "uid": f"u{i}"}
                      for i in ids]  # fmt: skip
            connection.execute(insert(student), people)
            members = [{"group_id": group, "student_id": i} for i in ids]
            connection.execute(insert(membership), members)
            for week in range(DRILLS):
                _fill_drill(connection, group, week, ids, keys, rng)
    return keys["serve"]


def _fill_drill(
    connection: Any, group: int, week: int, ids: list[int], keys: dict[str, int], rng: Any
) -> None:
    keys["drill"] += 1
    number = keys["drill"]
    day = f"2026-{1 + week // 4:02}-{1 + 7 * (week % 4):02}"
    connection.execute(
        insert(drill).values(
            drill_id=number, group_id=group, clip=f"c{number}", clip_sha256=f"{number:064x}",
            filmed_on=day, width=1920, height=1080, fps=60.0,
        )
    )  # fmt: skip
    connection.execute(
        insert(analysis).values(
            analysis_id=number, drill_id=number, version="0", settings_hash="h", settings="{}",
            calibration="{}", calibration_summary="{}", current=1,
        )
    )  # fmt: skip
    n = len(ids) * SERVES
    side = np.tile(np.repeat(["left", "right"] * (TURNS // 2), SERVES // TURNS), len(ids))
    depth = np.where(side == "left", "short", "long")
    turns, first = [], keys["turn"] + 1
    for i in ids:
        for part in range(TURNS):
            keys["turn"] += 1
            turns.append(
                {"turn_id": keys["turn"], "drill_id": number, "student_id": i,
                 "position": keys["turn"] - first + 1, "target_side": ("left", "right")[part % 2],
                 "target_depth": ("short", "long")[part % 2], "stroke": "forehand"}
            )  # fmt: skip
    connection.execute(insert(turn), turns)
    y = np.where(side == "left", 0.5, -0.5) + rng.normal(0, 0.2, n)
    x = np.where(depth == "short", 0.45, 1.0) + rng.normal(0, 0.15, n)
    good = (rng.random(n) < 0.8) & (np.abs(y) < 0.76) & (x > 0) & (x < 1.37)
    classes = zones.classify_side(y, np.full(n, 0.005), np.full(n, -1))
    start = keys["serve"]
    keys["serve"] += n
    rows = [
        {"serve_id": start + 1 + k, "analysis_id": number,
         "turn_id": first + k // (SERVES // TURNS), "number": k + 1, "origin": "machine",
         "t_start_s": 5.0 * k, "server_end": -1,
         "outcome": "good" if good[k] else "missed", "outcome_probability": 0.97,
         "depth": str(depth[k]) if good[k] else "", "depth_probability": 0.95,
         "side": classes.label[k] if good[k] else "", "side_probability": 0.97,
         "landing_x_m": float(x[k]) if good[k] else None,
         "landing_y_m": float(y[k]) if good[k] else None,
         "landing_sd_x_m": 0.009, "landing_sd_y_m": 0.004, "landing_cov_xy_m2": 0.0,
         "pace_m_s": 4.5, "pace_sd_m_s": 0.1,
         "second_bounce_x_m": float(x[k]) + 0.7 if good[k] else None, "second_bounce_sd_m": 0.04}
        for k in range(n)
    ]  # fmt: skip
    connection.execute(insert(serve), rows)
    bounces = [
        {"analysis_id": number, "serve_id": start + 1 + k, "time_s": 5.0 * k + late, "x_m": bx,
         "y_m": 0.1, "sd_x_m": 0.009, "sd_y_m": 0.004, "cov_xy_m2": 0.0, "kind": "serve"}
        for k in range(n) for late, bx in ((0.2, -0.6), (0.5, float(x[k])))
    ]  # fmt: skip
    connection.execute(insert(bounce), bounces)


def _timed(work: Callable[[], Any], repeats: int = 5) -> tuple[float, float, float]:
    """Median and longest wall time and median processor time, s; the first call is not counted."""
    work()
    taken, used = [], []
    for _ in range(repeats):
        begun, begun_cpu = time.perf_counter(), time.process_time()
        work()
        taken.append(time.perf_counter() - begun)
        used.append(time.process_time() - begun_cpu)
    return float(np.median(taken)), max(taken), float(np.median(used))


def main() -> None:
    """Fill a file, time the pages, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--keep", help="keep the file here, and use it again if it is there")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(args.keep or Path(folder) / "year.sqlite")
        with Store(path) as store:
            begun = time.perf_counter()
            if not len(store.students()):
                fill(store)
            with store._read() as connection:
                n = connection.execute(text("SELECT COUNT(*) FROM serve")).scalar()
            size, taken = path.stat().st_size / 1e6, time.perf_counter() - begun
            print(f"{n} serves, {size:.0f} MB, opened in {taken:.0f} s")
            print(f"load of the machine {os.getloadavg()[0]:.1f}")
            codes = iter(["S0007", "S0455", "S0890"] * 20)
            groups = iter(["G01", "G15", "G30"] * 20)
            rows = (
                ("student: serves and figures", 2.0, lambda: figures.student_figures(
                    store.serves(student_code=next(codes)), rng=np.random.default_rng(0))),
                ("student: page as HTML", 2.0, lambda: student_html(
                    gather_student(store, next(codes)))),
                ("student: page as PDF", 2.0, lambda: student_pdf(
                    gather_student(store, next(codes)))),
                ("group: overview as HTML", 1.0, lambda: overview_html(
                    gather_group(store, next(groups)))),
                ("group: overview as PDF", 1.0, lambda: overview_pdf(
                    gather_group(store, next(groups)))),
                ("list of drills of a group", 2.0, lambda: store.drills(group=next(groups))),
                ("serves of one drill", 2.0, lambda: store.serves(drill_id=100)),
            )  # fmt: skip
            print(
                f"{'page':32}{'median s':>10}{'longest s':>11}{'processor s':>13}{'wanted s':>10}"
            )
            for name, wanted, work in rows:
                median, longest, used = _timed(work)
                print(f"{name:32}{median:10.2f}{longest:11.2f}{used:13.2f}{wanted:10.1f}")


if __name__ == "__main__":
    main()
