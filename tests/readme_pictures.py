"""Makes the pictures that README.md shows, from the sample clip: run as a module."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from placement import analyse
from placement.canvas import encode_png
from placement.check_picture import draw_check
from placement.map_picture import draw_map
from placement.strips import StripPen

SAMPLES = Path(__file__).resolve().parents[1] / "sample_frames"


def main() -> None:
    """Analyse the sample clip and write map, strip and check still beside it."""
    analysis = analyse(SAMPLES / "sample_drill.mp4")
    if not analysis.serves:
        raise SystemExit("no serve was found in the sample clip: nothing to show")
    # the serve with the most to see: landed, and most of its figures measured
    shown = max(analysis.serves, key=lambda s: (s.outcome == "good", len(s.bounces), len(s.times)))
    drawings = {
        "result_map.png": draw_map(analysis),
        "result_strip.png": StripPen(analysis).draw_strip(shown),
    }
    for name, picture in drawings.items():
        _write(SAMPLES / name, encode_png(picture))
    done, data = cv2.imencode(".jpg", draw_check(analysis), [cv2.IMWRITE_JPEG_QUALITY, 85])
    assert done
    _write(SAMPLES / "result_check.jpg", np.asarray(data).tobytes())


def _write(place: Path, data: bytes) -> None:
    part = place.with_name(f".{place.name}.part")
    part.write_bytes(data)
    part.replace(place)
    print(place)


if __name__ == "__main__":
    main()
