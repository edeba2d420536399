"""A clip from end to end where nothing is to be found, and where the caller has had enough."""

from __future__ import annotations

import subprocess
import sys

import av
import cv2
import numpy as np
import pytest

from calibration import CalibrationError, table
from placement.pipeline import Cancelled, Progress, _parted, analyse
from placement.settings import Settings
from placement.video import file_sha256
from tests.placement.flown import camera_beside

SMALL = (640, 360)


def empty_table(path, shifts):
    """A table without a ball, with grain, 640 x 360, each picture shifted by so many px.

    Returns its corners where it is not shifted.
    """
    corners = camera_beside().project(table.CORNERS) / 2 - 0.25
    picture = np.full((*SMALL[::-1], 3), (96, 110, 118), np.uint8)
    cv2.fillPoly(picture, [np.round(corners).astype(np.int32)], (150, 84, 30), cv2.LINE_AA)
    cv2.polylines(
        picture, [np.round(corners).astype(np.int32)], True, (240, 240, 240), 2, cv2.LINE_AA
    )
    rng = np.random.default_rng(1)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height = SMALL
        stream.pix_fmt = "yuv420p"
        for shift in shifts:
            grain = np.roll(picture, shift, axis=1) + rng.normal(0, 2, picture.shape)
            frame = np.clip(grain, 0, 255).astype(np.uint8)
            for packet in stream.encode(av.VideoFrame.from_ndarray(frame, format="bgr24")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return corners


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    """Two seconds of a table."""
    path = tmp_path_factory.mktemp("film") / "empty_table.mp4"
    return path, empty_table(path, [0] * 60)


def test_a_film_without_a_ball_has_no_bounce_and_says_so(film):
    path, corners = film
    told: list[Progress] = []
    done = analyse(path, Settings(corners_px=corners, refine=False), progress=told.append)
    assert done.bounces == ()
    assert done.serves == ()
    assert any("No bounce" in w for w in done.warnings)
    assert done.sha256 == file_sha256(path)
    assert done.clip.n_frames == 60
    # the stand held still for as long as the film lasts
    (stand,) = done.stands
    assert (stand.start_s, stand.end_s) == (0.0, pytest.approx(59 / 30, abs=0.01))
    assert told[0].done == 0.0
    assert all(0 <= p.done <= 1 for p in told)


def test_what_was_filmed_before_the_phone_came_to_rest_is_no_stand(tmp_path):
    path = tmp_path / "from_the_hand.mp4"
    corners = empty_table(path, [3 * k for k in range(30, 0, -1)] + [0] * 150)
    done = analyse(path, Settings(corners_px=corners, refine=False))
    (stand,) = done.stands
    assert stand.start_s == pytest.approx(1.0, abs=0.3)
    assert any("came to rest" in w for w in done.warnings)


def test_a_damaged_file_is_measured_as_far_as_it_goes_and_said_to_be_damaged(film, tmp_path):
    path, corners = film
    whole = analyse(path, Settings(corners_px=corners, refine=False))
    assert not any("damaged" in w for w in whole.warnings)
    data = bytearray(path.read_bytes())
    with av.open(str(path)) as container:
        packets = [p for p in container.demux(container.streams.video[0]) if p.size]
    # as where a card's sector went bad: bytes in the middle of some pictures of the second second
    for p in packets[35:45:3]:
        at = p.pos + p.size // 2
        data[at : at + p.size // 4] = bytes(p.size // 4)
    bad = tmp_path / "bad.mp4"
    bad.write_bytes(data)
    told = [w for w in analyse(bad, Settings(corners_px=corners, refine=False)).warnings
            if "damaged" in w]  # fmt: skip
    assert len(told) == 1
    first = float(told[0].split("from ")[1].split(" s")[0])
    assert first == pytest.approx(35 / 30, abs=0.2)  # s; pictures are stored a little out of order


def test_the_callers_no_ends_it(film):
    path, corners = film
    asked = []

    def no() -> bool:
        asked.append(1)
        return len(asked) > 1

    with pytest.raises(Cancelled):
        analyse(path, Settings(corners_px=corners, refine=False), cancelled=no)
    assert len(asked) == 2


@pytest.mark.parametrize(
    "corners",
    [np.full((4, 2), np.nan), np.zeros((4, 2)), np.array([[0, 0], [9, 9], [18, 18], [27, 27.0]])],
    ids=["nan", "one-point", "a-line"],
)
def test_corners_that_are_no_table_are_refused_before_anything_is_read(film, corners):
    path, _ = film
    with pytest.raises(CalibrationError):
        analyse(path, Settings(corners_px=corners))


def test_settings_are_plain_values(film):
    _, corners = film
    values = Settings(corners_px=corners, near=(3.0, 4.0)).as_json()
    assert np.asarray(values["corners_px"]) == pytest.approx(corners)
    assert values["near"] == [3.0, 4.0]


@pytest.mark.parametrize(
    ("shifts", "before"),
    [
        # two people walk about and seem to shift the picture, px; the stand is bumped, or not
        ([0.0, 0.8, 0.5, 0.5, 1.3, 0.9, 1.6, 1.5, 14.1, 13.7, 16.1, 15.4, 15.9], 8),
        ([0.0, 0.5, 2.1, 1.6, 0.9, 1.3, 2.7, 2.7, 2.1, 2.2, 4.4, 4.6, 3.6], 13),
        ([0.0, 0.1, 0.2, 0.5, 0.7, 0.7, 1.1, 1.2, 1.2, 1.8, 2.0, 3.1, 3.3], 13),
        ([0.0, 0.1, 0.1, 1.2, 1.3, 1.2], 3),
        ([0.0, 0.1, 0.1, 1.2, 0.1, 1.2], 6),
    ],
)
def test_a_bump_parts_the_stills_though_people_seem_to_shift_them(shifts, before):
    assert _parted(np.array(shifts)) == before


def test_the_fits_are_loaded_only_once_the_film_is_being_read():
    # they take a fifth of a second and more, in which the film's reader would wait to be started
    words = "import sys, placement.pipeline; print(sorted({'numba', 'scipy'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
