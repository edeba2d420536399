"""The baseline does what it says: a film of a plain disc that falls and rises is a bounce."""

import av
import cv2
import numpy as np
import pytest

from calibration import table
from placement.analysis import BOUNCE_COLUMNS, SERVE_COLUMNS
from tests.baseline import _serves_frame, baseline

# the table seen from straight above, 200 px a metre, its middle at (320, 240)
CORNERS = table.CORNERS[:, :2] * np.array([200.0, -200.0]) + np.array([320.0, 240.0])


def _film(path, places):
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=60, options={"crf": "10"})
        stream.width, stream.height, stream.pix_fmt = 640, 480, "yuv420p"
        for place in places:
            picture = np.full((480, 640, 3), 60, np.uint8)
            if place is not None:
                cv2.circle(picture, (round(place[0]), round(place[1])), 5, (240, 240, 240), -1)
            for packet in stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)


def test_a_disc_that_turns_in_the_picture_is_one_bounce(tmp_path):
    path = tmp_path / "disc.mp4"
    still = [None] * 30
    flight = [(250 + 5 * k, 262 - 6 * abs(k - 15)) for k in range(31)]
    _film(path, [*still, *flight, *still])
    bounces, serves = baseline(path, CORNERS)
    assert len(bounces) == 1
    assert len(serves) == 0
    row = bounces.iloc[0]
    assert row["time_s"] == pytest.approx((30 + 15) / 60, abs=1 / 60)
    # frame 15 of the flight lies at (325, 262) px: x 0.025 m, y -0.11 m; a frame is 25 mm
    assert row["x_m"] == pytest.approx(0.025, abs=0.026)
    assert row["y_m"] == pytest.approx(-0.110, abs=0.031)
    assert list(bounces.columns) == list(BOUNCE_COLUMNS)


def test_a_film_in_which_nothing_moves_has_no_bounce(tmp_path):
    path = tmp_path / "still.mp4"
    _film(path, [None] * 40)
    bounces, serves = baseline(path, CORNERS)
    assert len(bounces) == len(serves) == 0


def test_two_bounces_on_different_halves_are_a_serve():
    serves = _serves_frame([(1.0, -0.7, 0.1), (1.4, 0.6, 0.4), (1.8, 1.0, 0.5), (5.0, 0.3, 0.0)])
    assert len(serves) == 1
    row = serves.iloc[0]
    # the server stands at -x and looks along +x: +y is to the left
    assert (row["server_end"], row["side"], row["depth"]) == (-1, "left", "short")
    assert list(serves.columns) == list(SERVE_COLUMNS)
