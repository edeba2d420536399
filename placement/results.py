"""The results folder of one analysed clip, written whole or not at all.

`DIR/<clip stem>/` holds bounces.csv, serves.csv, calibration.json, run.json, map.png, check.png,
sheet.png (sheet_2.png and on for many serves), strips/serve_NNN.png, paths.csv (the fitted flight
of every serve) and crops.npz (small pictures around the bounces, so that they can be looked at
again without decoding the film). Numbers are rounded to 0.1 mm and 0.1 ms, well below what a film
can measure; what is not known is empty.
"""

from __future__ import annotations

import csv
import io
import json
import os
import secrets
import shutil
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration import error_map_of
from placement.analysis import BOUNCE_COLUMNS, SERVE_COLUMNS, Analysis, Crop
from placement.canvas import encode_png
from placement.check_picture import draw_check
from placement.map_picture import ENDS, draw_map
from placement.strips import StripPen

RUN = "run.json"
CROPS = "crops.npz"

_CROP_QUALITY = 92  # JPEG
_ERROR_GRID = (9, 5)  # places along and across at which the expected error is worked out
#: Digits after the point, by the end of a column's name.
_DIGITS = (
    ("cov_xy_m2", 9), ("probability", 4), ("_rad_s", 1), ("_lo", 1), ("_hi", 1), ("_m_s", 4),
    ("_m", 4), ("_s", 4),
)  # fmt: skip
_PATH_COLUMNS = ("serve", "time_s", "x_m", "y_m", "z_m")


class ResultsError(ValueError):
    """Results cannot be written or read; one sentence says where and what to do."""


def write_results(analysis: Analysis, folder: str | Path, *, whole_still: bool = False) -> Path:
    """Write the results folder of a clip below `folder`, replacing an older one.

    Parameters
    ----------
    analysis : Analysis
    folder : str or Path
        Made if missing.
    whole_still : bool
        Leave check.png neither cropped to the table nor blurred outside it.

    Returns
    -------
    Path
        `folder/<clip stem>`.

    Raises
    ------
    ResultsError
        If a folder of that name holds something else, or the place cannot be written to.
    """
    target = results_place(folder, analysis.clip.path)
    mark = f"{os.getpid()}-{secrets.token_hex(4)}"
    part = target.with_name(f".{target.name}.part-{mark}")
    old = target.with_name(f".{target.name}.old-{mark}")
    try:
        part.mkdir(parents=True)
        _write_files(analysis, part, whole_still=whole_still)
        if target.exists():
            target.rename(old)
        part.rename(target)
    except OSError as error:
        raise ResultsError(
            f"the results cannot be written to {target} ({error.strerror or error}); name another "
            "folder, or close the programs that have its files open"
        ) from error
    finally:
        if old.exists() and not target.exists():  # stopped between the two renamings
            old.rename(target)
        shutil.rmtree(part, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)
    return target


def results_place(folder: str | Path, clip: str | Path) -> Path:
    """Where the results of a clip go: `folder/<clip stem>`.

    Raises
    ------
    ResultsError
        If something that is not an earlier result is there.
    """
    folder = Path(folder)
    target = folder / Path(clip).stem
    for place in (folder, target):
        if place.exists() and not place.is_dir():
            raise ResultsError(f"{place} is a file, not a folder; name another folder for results")
    if target.is_dir() and not (target / RUN).is_file() and any(target.iterdir()):
        raise ResultsError(
            f"{target} holds files that are not results of an analysis; name another folder"
        )
    return target


def read_crops(folder: str | Path) -> tuple[Crop, ...]:
    """The small pictures around the bounces of an analysed clip.

    Parameters
    ----------
    folder : str or Path
        As returned by `write_results`.

    Returns
    -------
    tuple of Crop
        In time order.

    Raises
    ------
    ResultsError
        If they are missing or damaged.
    """
    place = Path(folder) / CROPS
    try:
        with np.load(place, allow_pickle=False) as stored:
            times, frames, origins, ends, data = (
                stored[name] for name in ("time_s", "frame", "origin_px", "end", "jpeg")
            )
    except (OSError, ValueError, KeyError) as error:
        raise ResultsError(
            f"{place} holds no pictures of bounces ({error}); run `analyse` on the clip again"
        ) from error
    starts = [0, *ends[:-1]]
    return tuple(
        Crop(
            time_s=float(time),
            frame=int(frame),
            luma=np.asarray(cv2.imdecode(data[start:end], cv2.IMREAD_GRAYSCALE)),
            origin=(int(origin[0]), int(origin[1])),
        )
        for time, frame, origin, start, end in zip(
            times, frames, origins, starts[: len(ends)], ends, strict=True
        )
    )


def _write_files(analysis: Analysis, folder: Path, *, whole_still: bool) -> None:
    strips = folder / "strips"
    strips.mkdir()
    # drawing holds the interpreter, packing PNG does not: one packs while the next is drawn
    with ThreadPoolExecutor(max_workers=2) as pool:
        jobs = []

        def keep(name: str, picture: np.ndarray, *, photo: bool = False) -> None:
            jobs.append(pool.submit(_write_picture, folder / name, picture, photo=photo))

        keep("check.png", draw_check(analysis, whole_still=whole_still), photo=True)
        keep("map.png", draw_map(analysis))
        pen = StripPen(analysis)
        for serve in analysis.serves:
            keep(f"strips/serve_{serve.number:03d}.png", pen.draw_strip(serve))
        for k, sheet in enumerate(pen.draw_sheets(), start=1):
            keep("sheet.png" if k == 1 else f"sheet_{k}.png", sheet)
        for name, columns, rows in (
            ("bounces.csv", BOUNCE_COLUMNS, analysis.bounce_rows()),
            ("serves.csv", SERVE_COLUMNS, analysis.serve_rows()),
        ):
            _write_text(folder / name, csv_text(columns, rows))
        _write_text(folder / "paths.csv", csv_text(_PATH_COLUMNS, _path_rows(analysis)))
        _write_text(folder / "calibration.json", calibration_text(analysis))
        _write_text(folder / RUN, run_text(analysis))
        _write_crops(analysis.crops, folder / CROPS)
        for job in jobs:
            job.result()


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """A table as CSV (RFC 4180, lines end in a line feed); not known is empty.

    Parameters
    ----------
    columns : sequence of str
        Names; the end of a name says the unit and with it the rounding.
    rows : iterable of sequence
        One value a column.
    """
    digits = [next((d for end, d in _DIGITS if name.endswith(end)), None) for name in columns]
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(v, d) for v, d in zip(row, digits, strict=True)])
    return stream.getvalue()


def calibration_text(analysis: Analysis) -> str:
    """calibration.json: the calibration that held longest, and every stand's with its times."""
    data = json.loads(analysis.calibration.to_json())
    data["stands"] = [
        {
            "start_s": round(stand.start_s, 4),
            "end_s": round(stand.end_s, 4),
            "calibration": json.loads(stand.calibration.to_json()),
        }
        for stand in analysis.stands
    ]
    return json.dumps(data, indent=1, allow_nan=False) + "\n"


def run_text(analysis: Analysis) -> str:
    """run.json: what was analysed, how, how long it took, and what to be wary of."""
    clip, found = analysis.clip, analysis.calibration
    net = found.net
    fps = clip.fps * float(analysis.settings.get("slow_motion") or 1)
    expected = error_map_of(found, fps=fps if np.isfinite(fps) else 60.0, grid=_ERROR_GRID)
    counted = [s for s in analysis.serves if "cut-off" not in s.flags]
    data = {
        "version": analysis.version,
        "clip": {
            "name": clip.path.name,
            "path": str(clip.path.absolute()),
            "sha256": analysis.sha256,
            "width": clip.width,
            "height": clip.height,
            "fps": _plain(round(clip.fps, 3)),
            "duration_s": _plain(round(clip.duration_s, 4)),
            "codec": clip.codec,
            "bit_depth": clip.bit_depth,
            "frames": clip.n_frames,
            "rotation_deg": clip.rotation_deg,
            "uneven_share": _plain(round(clip.uneven_share, 4)),
        },
        "settings": {k: _plain(v) for k, v in analysis.settings.items()},
        "counts": {
            "bounces": dict(Counter(b.kind for b in analysis.bounces)),
            "serves": len(counted),
            "outcomes": dict(Counter(s.outcome for s in counted)),
            "serves_cut_off": len(analysis.serves) - len(counted),
        },
        "calibration": {
            "evidence": found.evidence,
            "focal_source": found.focal_source,
            "focal_px": round(float(found.camera.matrix[0, 0]), 2),
            "camera_m": [round(float(c), 4) for c in found.camera.centre],
            "residual_px": _plain(found.residual_px),
            "net_residual_px": None if net is None else _plain(net.residual_px),
            "net_residual_mm": None if net is None else _plain(net.residual_mm),
            # radius about a bounce that holds the true place with 95 %, over the table
            "expected_error_95_mm": _plain(round(1e3 * expected.worst, 1)),
            "expected_error_95_typical_mm": _plain(round(1e3 * expected.typical, 1)),
            "ends": ENDS,
            "stands": len(analysis.stands),
        },
        "timings": {k: _plain(round(float(v), 4)) for k, v in analysis.timings.items()},
        "warnings": list(analysis.warnings),
    }
    return json.dumps(data, indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def _path_rows(analysis: Analysis) -> Iterable[tuple[float, ...]]:
    for serve in analysis.serves:
        for time, place in zip(serve.times, serve.path, strict=True):
            yield (serve.number, float(time), *map(float, place))


def _write_crops(crops: Sequence[Crop], place: Path) -> None:
    quality = [cv2.IMWRITE_JPEG_QUALITY, _CROP_QUALITY]
    pieces = [cv2.imencode(".jpg", crop.luma, quality)[1].ravel() for crop in crops]
    np.savez(
        place,
        time_s=np.array([c.time_s for c in crops], dtype=float),
        frame=np.array([c.frame for c in crops], dtype=np.int64),
        origin_px=np.array([c.origin for c in crops], dtype=np.int64).reshape(-1, 2),
        end=np.cumsum([len(p) for p in pieces], dtype=np.int64),
        jpeg=np.concatenate([*pieces, np.empty(0, np.uint8)]),
    )


def _write_picture(place: Path, picture: np.ndarray, *, photo: bool) -> None:
    place.write_bytes(encode_png(picture, photo=photo))


def _write_text(place: Path, text: str) -> None:
    place.write_text(text, encoding="utf-8", newline="\n")


def _cell(value: Any, digits: int | None) -> Any:
    if value is None:
        return ""
    if isinstance(value, (float, np.floating)):
        if not np.isfinite(value):
            return ""
        if digits is None:
            return repr(float(value))
        return f"{round(float(value), digits) + 0.0:.{digits}f}"  # + 0.0: no minus before a zero
    return value


def _plain(value: Any) -> Any:
    """A value as JSON can hold it; not finite is null."""
    if isinstance(value, np.ndarray):
        return [_plain(v) for v in value.tolist()]
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, (np.integer, np.bool_)):
        return value.item()
    if isinstance(value, (float, np.floating)):
        return float(value) if np.isfinite(value) else None
    return value
