"""Reading the results folder of one analysed clip.

The folder holds `bounces.csv`, `serves.csv`, `calibration.json` and `run.json`. Columns that an
older analysis did not write are read as unknown; columns that are not known here are left alone.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from placement.records.errors import RecordsError

BOUNCE_REALS = ("time_s", "x_m", "y_m", "sd_x_m", "sd_y_m", "cov_xy_m2", "probability")
BOUNCE_TEXTS = ("half", "kind")
SERVE_REALS = (
    "t_start_s", "outcome_probability", "depth_probability", "side_probability", "landing_x_m",
    "landing_y_m", "pace_m_s", "pace_sd_m_s", "toss_rise_m", "toss_rise_sd_m", "net_clearance_m",
    "second_bounce_x_m", "second_bounce_y_m", "second_bounce_sd_m", "topspin_rad_s", "topspin_lo",
    "topspin_hi", "sidespin_rad_s", "sidespin_lo", "sidespin_hi",
)  # fmt: skip
SERVE_TEXTS = ("outcome", "depth", "side", "flags")
_LANDING = ("landing_time_s", "landing_sd_x_m", "landing_sd_y_m", "landing_cov_xy_m2")
_SAME_PLACE_M = 0.0005  # the same number, written twice with rounding


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Results:
    """What an analysis said about one clip."""

    folder: Path
    clip: str  # stem of the clip's name
    clip_path: str
    sha256: str  # of the clip
    duration_s: float | None
    width: int | None
    height: int | None
    fps: float | None
    version: str
    settings: str  # JSON
    settings_hash: str  # of the settings and of the results themselves
    calibration: str  # JSON
    calibration_summary: str  # JSON
    timings: str  # JSON
    serves: pd.DataFrame  # columns of `serve`, plus `index` from 0
    bounces: pd.DataFrame  # columns of `bounce`, plus `serve_index`, -1 before the first serve


def read_results(folder: str | Path) -> Results:
    """Read the results folder of one clip.

    Parameters
    ----------
    folder : str or Path
        As written by an analysis.

    Returns
    -------
    Results
        Checked and ready to be stored.

    Raises
    ------
    RecordsError
        If a file is missing or cannot be understood.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise RecordsError(f"{folder} is not a folder of results; run `analyse` on the clip first")
    run = _json(folder / "run.json")
    clip = run.get("clip")
    if not isinstance(clip, dict) or not isinstance(clip.get("sha256"), str):
        raise RecordsError(f"{folder / 'run.json'} does not name the clip; run `analyse` again")
    bounces = _table(folder / "bounces.csv", BOUNCE_REALS, BOUNCE_TEXTS)
    serves = _table(folder / "serves.csv", SERVE_REALS, SERVE_TEXTS)
    calibration = _canonical(_json(folder / "calibration.json"))
    settings = _canonical(run.get("settings", {}))
    serves = _with_landings(serves.sort_values("t_start_s", kind="stable"), bounces)
    path = _storable(str(clip.get("path", "")))
    return Results(
        folder=folder.absolute(),
        clip=Path(_storable(str(clip.get("name") or path or folder.name))).stem,
        clip_path=path,
        sha256=clip["sha256"],
        duration_s=_number(clip.get("duration_s")),
        width=_whole(clip.get("width")),
        height=_whole(clip.get("height")),
        fps=_number(clip.get("fps")),
        version=_storable(str(run.get("version", ""))),
        settings=settings,
        settings_hash=_hash_of(folder, settings, calibration),
        calibration=calibration,
        calibration_summary=_canonical(run.get("calibration", {})),
        timings=_canonical(run.get("timings", {})),
        serves=serves,
        bounces=_with_serves(bounces, serves),
    )


def results_hash(folder: str | Path) -> tuple[str, str]:
    """What tells one analysis from another.

    Parameters
    ----------
    folder : str or Path
        Results folder of one clip.

    Returns
    -------
    (str, str)
        SHA-256 of the clip, and of settings and results, as `Results` has them.

    Raises
    ------
    RecordsError
        If a file is missing or cannot be understood.
    """
    folder = Path(folder)
    run = _json(folder / "run.json")
    clip = run.get("clip")
    settings = _canonical(run.get("settings", {}))
    calibration = _canonical(_json(folder / "calibration.json"))
    try:
        digest = _hash_of(folder, settings, calibration)
    except OSError as error:
        raise RecordsError(f"{folder} cannot be read: {error}") from error
    return str(clip.get("sha256", "")) if isinstance(clip, dict) else "", digest


def results_folders(folder: str | Path) -> list[Path]:
    """The results folders at or just below a folder, sorted by name.

    Raises
    ------
    RecordsError
        If there is none.
    """
    folder = Path(folder)
    if (folder / "run.json").is_file():
        return [folder]
    found = sorted(p.parent for p in folder.glob("*/run.json")) if folder.is_dir() else []
    if not found:
        raise RecordsError(
            f"{folder} holds no results of an analysis (no run.json); run `analyse` first"
        )
    return found


def _hash_of(folder: Path, settings: str, calibration: str) -> str:
    digest = hashlib.sha256(settings.encode())
    tables = (_bytes(folder / f"{name}.csv") for name in ("bounces", "serves"))
    for part in (calibration.encode(), *tables):
        digest.update(hashlib.sha256(part).digest())
    return digest.hexdigest()


def _with_landings(serves: pd.DataFrame, bounces: pd.DataFrame) -> pd.DataFrame:
    """Add moment and covariance of the landing from the bounce at that very place."""
    serves = serves.reset_index(drop=True)
    place = ["landing_x_m", "landing_y_m"]
    apart = np.abs(serves[place].to_numpy()[:, None] - bounces[["x_m", "y_m"]].to_numpy()[None])
    same = (apart < _SAME_PLACE_M).all(axis=2)
    found: dict[str, np.ndarray] = {}
    for name, source in zip(_LANDING, ("time_s", "sd_x_m", "sd_y_m", "cov_xy_m2"), strict=True):
        found[name] = np.full(len(serves), np.nan)
        if len(bounces):
            first = bounces[source].to_numpy()[same.argmax(axis=1)]
            found[name] = np.where(same.any(axis=1), first, np.nan)
    return serves.assign(**found, index=range(len(serves)))


def _with_serves(bounces: pd.DataFrame, serves: pd.DataFrame) -> pd.DataFrame:
    """Say during which serve each bounce happened: the last that began before it."""
    starts = serves["t_start_s"].to_numpy()
    after = starts.searchsorted(bounces["time_s"].to_numpy(), side="right") - 1
    return bounces.assign(serve_index=after)


def _table(path: Path, reals: tuple[str, ...], texts: tuple[str, ...]) -> pd.DataFrame:
    try:
        raw = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    except FileNotFoundError as error:
        raise RecordsError(f"{path} is missing; run `analyse` on the clip again") from error
    except pd.errors.EmptyDataError:
        raw = pd.DataFrame()
    except (ValueError, UnicodeDecodeError) as error:
        raise RecordsError(f"{path} is not a table of this tool: {error}") from error
    frame = pd.DataFrame(index=raw.index)
    for name in texts:
        frame[name] = raw[name].str.strip().str.replace("\0", "") if name in raw else ""
    for name in (*reals, *(("server_end", "serve") if "outcome" in texts else ())):
        column = raw[name] if name in raw else pd.Series("", index=raw.index, dtype=str)
        try:
            frame[name] = pd.to_numeric(column.replace("", None)).astype(float)
        except ValueError as error:
            raise RecordsError(f"{path}, column {name}: {error}") from error
    when = "t_start_s" if "outcome" in texts else "time_s"
    if frame[when].isna().any():
        raise RecordsError(f"{path}: every row needs a moment in column {when}")
    return frame


def _json(path: Path) -> dict[str, Any]:
    try:
        value = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise RecordsError(f"{path} is missing; run `analyse` on the clip again") from error
    except (ValueError, OSError) as error:
        raise RecordsError(f"{path} cannot be read: {error}") from error
    if not isinstance(value, dict):
        raise RecordsError(f"{path} does not hold a JSON object; run `analyse` on the clip again")
    return value


def _canonical(value: Any) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"))


def _bytes(path: Path) -> bytes:
    return path.read_bytes().replace(b"\r\n", b"\n")


def _storable(text: str) -> str:
    """A text as any database takes it: a file name may hold bytes that are no UTF-8."""
    return text.encode("utf-8", "backslashreplace").decode().replace("\0", "")


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _whole(value: Any) -> int | None:
    return None if value is None else int(value)
