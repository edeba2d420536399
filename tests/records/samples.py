"""Results folders of invented clips, as an analysis would write them."""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

SERVE_COLUMNS = (
    "clip", "serve", "t_start_s", "server_end", "outcome", "depth", "depth_probability", "side",
    "side_probability", "landing_x_m", "landing_y_m", "pace_m_s", "second_bounce_x_m",
    "second_bounce_sd_m", "outcome_probability", "pace_sd_m_s", "toss_rise_m", "toss_rise_sd_m",
    "net_clearance_m", "second_bounce_y_m", "topspin_rad_s", "topspin_lo", "topspin_hi",
    "sidespin_rad_s", "sidespin_lo", "sidespin_hi",
)  # fmt: skip
BOUNCE_COLUMNS = (
    "clip", "time_s", "x_m", "y_m", "sd_x_m", "sd_y_m", "cov_xy_m2", "half", "kind", "probability",
)  # fmt: skip


def serve_row(number: int, start: float, *, end: int = -1, **changes: Any) -> dict[str, Any]:
    """A good short serve to the left, as the machine might report it."""
    row: dict[str, Any] = dict.fromkeys(SERVE_COLUMNS, "")
    row |= {
        "clip": "clip", "serve": number, "t_start_s": start, "server_end": end,
        "outcome": "good", "outcome_probability": 0.98, "depth": "short",
        "depth_probability": 0.95, "side": "left", "side_probability": 0.9,
        "landing_x_m": round(-end * (0.5 + 0.01 * number), 4),
        "landing_y_m": round(-end * 0.5, 4), "pace_m_s": 4.5, "pace_sd_m_s": 0.1,
        "second_bounce_x_m": -end * 1.1, "second_bounce_y_m": -end * 0.55,
        "second_bounce_sd_m": 0.05,
    }  # fmt: skip
    return row | changes


def write_results(
    folder: Path,
    serves: Sequence[dict[str, Any]],
    *,
    clip: str = "clip",
    sha256: str = "",
    version: str = "0.1.0",
    settings: dict[str, Any] | None = None,
    path: str = "",
) -> Path:
    """Write a results folder with two bounces for each serve."""
    folder.mkdir(parents=True, exist_ok=True)
    bounces = []
    for row in serves:
        if row["landing_x_m"] == "":
            continue
        start, end = float(row["t_start_s"]), int(row["server_end"])
        places = ((0.15, end * 0.6, end * 0.2), (0.5, row["landing_x_m"], row["landing_y_m"]))
        for delay, x, y in places:
            bounces.append(
                {
                    "clip": clip, "time_s": start + delay, "x_m": x, "y_m": y, "sd_x_m": 0.008,
                    "sd_y_m": 0.004, "cov_xy_m2": 1e-5, "half": "near" if x < 0 else "far",
                    "kind": "serve", "probability": 0.97,
                }
            )  # fmt: skip
    for name, columns, rows in (
        ("serves", SERVE_COLUMNS, serves),
        ("bounces", BOUNCE_COLUMNS, bounces),
    ):
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, columns)
            writer.writeheader()
            writer.writerows({**row, "clip": clip} for row in rows)
    calibration = {"corners_px": [[100, 900], [1800, 900], [1300, 400], [600, 400]]}
    (folder / "calibration.json").write_text(json.dumps(calibration), encoding="utf-8")
    run = {
        "version": version,
        "settings": settings or {"band_m": 0.15},
        "clip": {
            "name": f"{clip}.mp4", "path": path or str(folder / f"{clip}.mp4"),
            "sha256": sha256 or hashlib.sha256(clip.encode()).hexdigest(),
            "duration_s": 120.0, "width": 1920, "height": 1080, "fps": 60.0,
        },
        "calibration": {"net_residual_px": 0.4, "net_residual_mm": 3.0},
        "timings": {"ball": 3.2},
    }  # fmt: skip
    (folder / "run.json").write_text(json.dumps(run), encoding="utf-8")
    return folder


def two_turns(*, missed: int | None = None) -> list[dict[str, Any]]:
    """Twenty serves of two students, ten each, one every 5 s, with a pause of 20 s between them."""
    starts = [2 + 5.0 * i for i in range(10)] + [67 + 5.0 * i for i in range(10)]
    if missed is not None:
        del starts[missed]
    return [serve_row(i, start) for i, start in enumerate(starts, start=1)]
