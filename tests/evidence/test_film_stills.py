"""Stills out of a drawn film through a known camera."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from calibration import calibrate_corners, stand_camera, table
from placement.evidence.film_stills import frame_at, stills_from_films
from placement.records import Store
from tests.records.samples import serve_row, write_results

SIZE = (640, 360)
LANDING = (0.6, 0.5)  # m, table: the left third for a server at -x


def _film(path: Path) -> np.ndarray:
    """Two seconds at 30 frames/s; frame k has the grey level 3 k in its top left corner."""
    camera = stand_camera((-3.4, 0.8, 1.9), size=SIZE, focal_px=480.0)
    corners = camera.project(table.CORNERS)
    ball = camera.project(np.array([[*LANDING, table.BALL_RADIUS]]))[0]
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        stream.options = {"crf": "12"}
        for k in range(60):
            frame = np.full((SIZE[1], SIZE[0], 3), 60, np.uint8)
            cv2.fillConvexPoly(frame, np.round(corners).astype(np.int32), (30, 60, 110))
            if k == 30:
                cv2.circle(frame, (round(ball[0]), round(ball[1])), 3, (255, 255, 255), -1)
            frame[:40, :40] = 3 * k
            for packet in stream.encode(av.VideoFrame.from_ndarray(frame, format="rgb24")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return corners


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, np.ndarray]:
    """The film and the table's corners in it; tests only read it."""
    path = tmp_path_factory.mktemp("film") / "film.mp4"
    return path, _film(path)


@pytest.fixture
def filmed(film: tuple[Path, np.ndarray], tmp_path: Path) -> tuple[Store, Path]:
    made, corners = film
    clip = Path(shutil.copy(made, tmp_path / "film.mp4"))
    rows = [
        serve_row(i, start, landing_x_m=x, landing_y_m=LANDING[1])
        for i, start, x in ((1, 0.1, 0.62), (2, 0.5, LANDING[0]), (3, 1.2, 0.61))
    ]
    folder = write_results(
        tmp_path / "out", rows, path=str(clip),
        sha256=hashlib.sha256(clip.read_bytes()).hexdigest(),
    )  # fmt: skip
    found = calibrate_corners(corners, SIZE, fov_deg=67.4)  # 2 atan(320 / 480), worked by hand
    (folder / "calibration.json").write_text(found.to_json())
    store = Store(tmp_path / "r.sqlite")
    done = store.import_results(folder)
    store.set_turns(done.drill_id, "AB 3 left", make_students=True)
    return store, clip


@pytest.mark.parametrize("k", [0, 7, 30, 59])
def test_the_frame_at_a_moment_is_that_frame(film, k):
    corner = frame_at(film[0], k / 30)[10:30, 10:30]
    assert corner.mean() == pytest.approx(3 * k, abs=2.5)  # limited range and compression


def test_stills_show_the_moment_of_the_landing_with_a_ring(filmed):
    store, _ = filmed
    with store:
        stills, missing = stills_from_films(store, "AB")
        assert missing == ""
        assert 0 < len(stills) <= 6
        for still in stills:
            assert "called left" in still.caption
            assert "film at" not in still.alt
            # The ring is white on the table's dark blue.
            assert (still.image.min(axis=2) > 200).sum() > 10


def test_a_film_that_is_gone_is_said(filmed):
    store, clip = filmed
    clip.unlink()
    with store:
        stills, missing = stills_from_films(store, "AB")
        assert stills == []
        assert "not where they were (drill 1)" in missing


def test_a_file_that_is_no_film_is_refused(tmp_path):
    (tmp_path / "x.mp4").write_text("no film")
    with pytest.raises(ValueError, match="cannot be read as a film"):
        frame_at(tmp_path / "x.mp4", 1.0)
