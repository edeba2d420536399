from __future__ import annotations

import cv2
import numpy as np
import pytest

from placement import figures
from placement.evidence.strip import fit_width, mark_ball, pick_serves, private_crop
from tests.evidence.test_figures import serves_at

CORNERS = [[200.0, 400.0], [600.0, 400.0], [500.0, 250.0], [300.0, 250.0]]


def _frame(rng: np.random.Generator) -> np.ndarray:
    """A frame of fine stripes everywhere: whatever is blurred loses its contrast."""
    frame = np.zeros((600, 800, 3), np.uint8)
    frame[:, ::4] = frame[:, 1::4] = 255
    return frame


def test_outside_the_playing_area_nothing_can_be_made_out():
    crop = private_crop(_frame(np.random.default_rng(0)), CORNERS)
    edges = np.abs(np.diff(crop[:, :, 0].astype(int), axis=1))
    # The crop begins 0.10 of the table's width left of its corners and 0.35 above: u 160, v 110.
    inside = edges[330 - 110 : 380 - 110, 350 - 160 : 450 - 160]
    outside = edges[: 200 - 110, :]
    assert inside.max() == 255
    assert outside.max() <= 3


def test_a_face_beside_the_table_is_gone_even_after_sharpening():
    frame = np.full((600, 800, 3), 90, np.uint8)
    cv2.circle(frame, (400, 160), 26, (225, 190, 170), -1)
    for eye in (390, 410):
        cv2.circle(frame, (eye, 155), 4, (20, 20, 20), -1)
    crop = private_crop(frame, CORNERS).astype(np.float32)
    sharpened = crop + 3 * (crop - cv2.GaussianBlur(crop, (0, 0), 8))
    face = sharpened[20:80, 210:270, 0]
    # The eyes stood 200 grey levels under the skin; what is left differs by less than a tenth.
    assert np.abs(face - cv2.GaussianBlur(face, (0, 0), 6)).max() < 20


def test_blur_can_be_left_off_where_the_school_asks():
    frame = _frame(np.random.default_rng(0))
    crop = private_crop(frame, CORNERS, blur_outside=False)
    assert np.array_equal(crop, frame[110 : 110 + crop.shape[0], 160 : 160 + crop.shape[1]])


def test_corners_outside_the_frame_are_refused():
    with pytest.raises(ValueError, match="do not lie in the frame"):
        private_crop(np.zeros((100, 100, 3), np.uint8), np.array(CORNERS) + 5000)


def test_marks_and_sizes():
    crop = np.zeros((100, 900, 3), np.uint8)
    marked = mark_ball(crop, (50.0, 50.0))
    assert marked.any()
    assert not crop.any()
    assert fit_width(marked, 300).shape == (33, 300, 3)


def test_stills_are_chosen_by_the_rule():
    rng = np.random.default_rng(1)
    judged = figures.judge(serves_at(rng.normal([0.6, 0.5], 0.05, (20, 2))))
    chosen = pick_serves(judged)
    assert 0 < len(chosen) <= 6
    assert set(chosen["why"]) == {"typical", "best"}
    best = chosen[chosen["why"] == "best"]
    off = np.hypot(*(judged[["x_m", "y_m"]] - judged[["x_m", "y_m"]].median()).to_numpy().T)
    assert best["serve_id"].tolist() == [judged["serve_id"].iloc[int(off.argmin())]]
