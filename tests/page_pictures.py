"""Makes README.md's three pictures of the page, in Chromium: `python -m tests.page_pictures`.

The checking page shows the sample clip, which is rendered; students and groups are those of the
invented class. With ``--results DIR`` the sample clip is not measured again.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from pathlib import Path
from urllib.parse import quote

import cv2
import numpy as np
from playwright.sync_api import sync_playwright

from placement import analyse, write_results
from placement.democlass import GROUP
from placement.records import Store
from tests.demo_class import put_demo_class
from tests.web.browser.conftest import Running

SAMPLES = Path(__file__).resolve().parents[1] / "sample_frames"
CLIP = SAMPLES / "sample_drill.mp4"
SIZE = {"width": 1366, "height": 768}
MOST_BYTES = 150_000
_QUALITY = range(86, 40, -4)


def main() -> None:
    """Start a page on records of its own, look at three screens, write them beside the samples."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--results", type=Path, help="results folder of the sample clip")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, sync_playwright() as play:
        folder = Path(name)
        running = Running(folder)
        film = running.films / CLIP.name
        shutil.copy(CLIP, film)
        results = args.results or write_results(analyse(film), folder / "results")
        with Store(put_demo_class(folder / "records.sqlite")) as store:
            drill = store.import_results(results, group="Sample").drill_id
            store.locate_clip(drill, film)
            store.set_turns(drill, "AB 3 short left, CD 2 long right", make_students=True)
            third = int(store.serves(drill_id=drill)["serve_id"].iloc[-1])
        browser = play.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        try:
            running.start()
            page = browser.new_page(viewport=SIZE, color_scheme="light")
            for screen, path in (
                ("check", f"/films/{drill}/check?serve={third}"),
                ("student", "/student?code=AK"),
                ("group", f"/group?name={quote(GROUP)}"),
            ):
                page.goto(running.url + path, wait_until="networkidle")
                page.wait_for_timeout(1500)
                _write(SAMPLES / f"page_{screen}.jpg", page.screenshot())
        finally:
            browser.close()
            running.stop()


def _write(place: Path, png: bytes) -> None:
    """Write a picture as JPEG, as good as its size allows."""
    picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    for quality in _QUALITY:
        done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
        if done and len(data) <= MOST_BYTES:
            break
    part = place.with_name(f".{place.name}.part")
    part.write_bytes(data.tobytes())
    part.replace(place)
    print(place, len(data))


if __name__ == "__main__":
    main()
