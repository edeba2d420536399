"""Makes the samples that the project ships: one clip and four stills, with their truth."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2

from .catalogue import ALL, SAMPLE
from .film import render, still
from .truth import camera_truth

#: file name, the film it is a frame of, time in s
STILLS = (
    ("still_side", "d2_side_720p120", 2.1),
    ("still_balcony", "d3_balcony_1080p30", 7.95),
    ("still_behind", "e4_rolling_hevc10_1080p60", 2.30),
    ("still_diagonal", "e5_multiball_1080p60", 5.8),
)
SIZE = (1280, 720)


def write_stills(folder: Path) -> list[Path]:
    """Write the stills as JPEG, each with NAME.corners.json as `--corners` reads it."""
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for name, film, time in STILLS:
        s = ALL[film]
        s = replace(s, size=SIZE, focal=s.focal * SIZE[0] / s.size[0], noise=min(s.noise, 1.5))
        picture, camera = still(s, time)
        part = folder / f"{name}.part.jpg"
        if not cv2.imwrite(str(part), picture, [cv2.IMWRITE_JPEG_QUALITY, 88]):
            raise OSError(f"{part} could not be written; is the disk full?")
        path = part.replace(folder / f"{name}.jpg")
        truth = camera_truth(camera)
        text = json.dumps({"corners_px": truth["corners_px"], "camera": truth}, indent=1)
        (folder / f"{name}.corners.json").write_text(text + "\n")
        out.append(path)
    return out


def write_samples(folder: Path, *, say: Callable[[str], None] | None = None) -> None:
    """Write the sample clip and the stills to `folder`; takes some minutes."""
    write_stills(folder)
    render(SAMPLE, folder, say=say)
