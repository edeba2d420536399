"""What belongs to a filmed drill beside its serves: film, calibration, paths, small pictures."""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from calibration import Calibration, CalibrationError
from placement.analysis import Crop
from placement.records import Drill, RecordsError
from placement.results import CROPS, RUN, ResultsError, read_crops
from placement.video import VideoError
from placement.web.films import Film, Region
from placement.web.site import Site
from placement.web.tables import plain_warning, region_of

_KEPT = 3
_MOST_WARNINGS = 20
_MOST_POINTS = 60  # of a path on the screen


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrillParts:
    """What was read once for a drill."""

    drill: Drill
    calibration: Calibration | None
    clip_path: Path | None  # None where the film is not at hand
    missing: str  # why; empty where it is
    region: Region | None  # part of the picture in which is played
    crops: tuple[Crop, ...]
    warnings: tuple[str, ...] = ()  # what the measuring said, a sentence each
    paths: dict[int, list[list[float]]] = field(default_factory=dict)  # (u, v, t) by serve number


def parts_of(site: Site, drill_id: int) -> DrillParts:
    """All that belongs to a drill, read once.

    Raises
    ------
    RecordsError
        If there is no such drill.
    """
    drill = site.store.drill(drill_id)
    key = (drill_id, drill.analysis_id)
    with site.parts_lock:
        kept = site.parts.get(key)
    if kept is not None and (kept.clip_path is None or kept.clip_path.is_file()):
        return kept if kept.clip_path is not None else _with_film(site, kept)
    found = _read(site, drill)
    with site.parts_lock:
        site.parts[key] = found
        while len(site.parts) > _KEPT:
            site.parts.popitem(last=False)
    return found


def film_of(site: Site, parts: DrillParts) -> Film:
    """The film of a drill, open.

    Raises
    ------
    VideoError
        If it is not at hand or cannot be read.
    """
    if parts.clip_path is None:
        raise VideoError(parts.missing)
    return site.films.film(parts.clip_path)


def crop_picture(crop: Crop) -> bytes:
    """A small picture as JPEG."""
    done, data = cv2.imencode(".jpg", crop.luma, [cv2.IMWRITE_JPEG_QUALITY, 90])
    if not done:
        raise VideoError("the small picture could not be packed.")
    return data.tobytes()


def _read(site: Site, drill: Drill) -> DrillParts:
    try:
        calibration = Calibration.from_json(site.store.calibration_text(drill.drill_id))
    except CalibrationError:
        calibration = None
    folder = site.store.results_folder(drill.drill_id)
    crops: tuple[Crop, ...] = ()
    if folder is not None and (folder / CROPS).is_file():
        try:
            crops = read_crops(folder)
        except ResultsError:
            crops = ()
    path, missing = _place(site, drill.drill_id)
    region = None
    if calibration is not None:
        region = region_of(calibration.corners_px, calibration.camera.size)
    return DrillParts(
        drill=drill,
        calibration=calibration,
        clip_path=path,
        missing=missing,
        region=region,
        crops=crops,
        warnings=_warnings(folder),
        paths=_paths(folder, calibration),
    )


def _with_film(site: Site, parts: DrillParts) -> DrillParts:
    path, missing = _place(site, parts.drill.drill_id)
    return parts if path is None and missing == parts.missing else _read(site, parts.drill)


def _place(site: Site, drill_id: int) -> tuple[Path | None, str]:
    try:
        return site.store.locate_clip(drill_id), ""
    except RecordsError:
        return None, "The film of this drill is not at hand."


def _warnings(folder: Path | None) -> tuple[str, ...]:
    """What the measuring said of the film: that the stand moved, that it plays slower."""
    if folder is None:
        return ()
    try:
        run = json.loads((folder / RUN).read_text(encoding="utf-8"))
        said = run.get("warnings", [])
        return tuple(plain_warning(str(one)) for one in said[:_MOST_WARNINGS])
    except (OSError, ValueError, AttributeError, TypeError):
        return ()  # no folder of ours, or from a version that told none


def _paths(folder: Path | None, calibration: Calibration | None) -> dict[int, list[list[float]]]:
    if folder is None or calibration is None or not (folder / "paths.csv").is_file():
        return {}
    rows: dict[int, list[tuple[float, ...]]] = {}
    try:
        with (folder / "paths.csv").open(newline="", encoding="utf-8") as stream:
            for row in csv.DictReader(stream):
                values = tuple(float(row[name]) for name in ("time_s", "x_m", "y_m", "z_m"))
                rows.setdefault(int(row["serve"]), []).append(values)
    except (KeyError, ValueError):
        return {}
    found = {}
    for number, points in rows.items():
        chosen = np.array(points)[:: max(1, len(points) // _MOST_POINTS)]
        places = calibration.camera.project(chosen[:, 1:])
        found[number] = [
            [round(float(u), 1), round(float(v), 1), round(float(t), 3)]
            for (u, v), t in zip(places, chosen[:, 0], strict=True)
            if np.isfinite(u) and np.isfinite(v)
        ]
    return found
