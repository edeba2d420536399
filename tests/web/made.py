"""Films and results made for the tests of the page.

The film shows one of the project's sample stills, whose corners are known because it was drawn,
with the number of each frame written into it as 16 black or white squares.
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np

from calibration import Calibration, calibrate_corners
from tests.records.samples import serve_row, write_results

SAMPLES = Path(__file__).parents[2] / "sample_frames"
SIZE = (1280, 720)
FPS = 30
_BLOCK = 16  # px; survives compression


@cache
def true_corners() -> list[list[float]]:
    """The corners of the table in the film, px, known from its drawing."""
    text = (SAMPLES / "still_behind.corners.json").read_text(encoding="utf-8")
    corners: list[list[float]] = json.loads(text)["corners_px"]
    return corners


def make_film(path: Path, n_frames: int = 60, *, gop: int = 30) -> Path:
    """Write an H.264 film of the sample still with its frame numbers in it."""
    still = cv2.imread(str(SAMPLES / "still_behind.jpg"))
    path.parent.mkdir(parents=True, exist_ok=True)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=FPS, options={"preset": "ultrafast"})
        stream.width, stream.height = SIZE
        stream.pix_fmt = "yuv420p"
        stream.gop_size = gop
        for n in range(n_frames):
            picture = still.copy()
            for bit in range(16):
                left = bit * _BLOCK
                picture[0:_BLOCK, left : left + _BLOCK] = 255 if n >> bit & 1 else 0
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="bgr24")))
        container.mux(stream.encode(None))
    return path


def read_number(jpeg: bytes) -> int:
    """The frame number written into a whole frame."""
    picture = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
    middle = _BLOCK // 2
    return sum(1 << b for b in range(16) if picture[middle, b * _BLOCK + middle] > 128)


def calibration() -> Calibration:
    """The calibration of the film."""
    return calibrate_corners(true_corners(), SIZE, sd_px=0.3)


def make_results(folder: Path, film: Path, serves: list[dict[str, Any]] | None = None) -> Path:
    """A results folder for a film, as an analysis would write it: six serves in 2 s."""
    rows = [serve_row(i, 0.2 + 0.3 * (i - 1)) for i in range(1, 7)] if serves is None else serves
    if serves is None:
        rows[1] |= {"outcome": "unclear", "outcome_probability": 0.5}
        rows[3] |= {"side_probability": 0.6}
    digest = hashlib.sha256(film.read_bytes()).hexdigest()
    target = write_results(folder / film.stem, rows, clip=film.stem, sha256=digest, path=str(film))
    (target / "calibration.json").write_text(calibration().to_json(), encoding="utf-8")
    return target
