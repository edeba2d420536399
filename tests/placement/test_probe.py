"""Probe: what a clip is, and a sentence for each thing that will hurt."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from placement.probe import ClipLook, clip_troubles, describe_clip, look_at_clip
from placement.steady import Tremble

from .clips import restamped
from .made import made_analysis, made_calibration

SAMPLE = Path(__file__).resolve().parents[2] / "sample_frames" / "sample_drill.mp4"


def _look(**changes):
    info = replace(made_analysis(0).clip, width=1920, height=1080, **changes.pop("info", {}))
    base = {
        "info": info, "looked_s": 10.0, "calibration": made_calibration(), "trouble": "",
        "n_paths": 4, "exposure_s": 1 / 500, "streak": 1.2, "motions": (),
        "tremble": Tremble(by_px=0.03),
    }  # fmt: skip
    return ClipLook(**(base | changes))


def test_a_good_clip_has_no_troubles():
    assert clip_troubles(_look()) == []
    assert describe_clip(_look())[-1].strip() == "nothing that will hurt"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"info": {"fps": 30.0}}, "27 cm between frames at 8 m/s"),  # 8 / 30 m
        ({"info": {"uneven_share": 0.3}}, "30% of the gaps are uneven"),
        ({"info": {"keyframe_gap_s": 8.0}}, "key frames stand 8 s apart"),
        ({"streak": 2.4, "exposure_s": 1 / 60}, "drawn out to 2.4 times its width"),
        ({"n_paths": 0}, "no ball was seen"),
        ({"motions": ("The stand moved at 3.1 s.",)}, "The stand moved at 3.1 s."),
        ({"tremble": Tremble(by_px=0.6)}, "the stand trembles, by about 0.6 px at a time"),
        ({"tremble": Tremble(0.1, grows_px=0.4)}, "by about 0.4 px at a time: lock the focus"),
        ({"calibration": None, "trouble": "no table was found"}, "no table was found"),
    ],
)
def test_each_trouble_is_told(changes, words):
    assert any(words in sentence for sentence in clip_troubles(_look(**changes)))


def test_a_corner_outside_the_picture_is_told():
    calibration = made_calibration()
    corners = calibration.corners_px.copy()
    corners[1] = [-20.0, 300.0]
    cropped = replace(calibration, corners_px=corners)
    (words,) = [s for s in clip_troubles(_look(calibration=cropped)) if "cropped" in s]
    assert "1 of its corners" in words


def test_a_coarse_picture_is_told():
    look = _look()
    small = replace(look, info=replace(look.info, width=640, height=360))
    assert any("640 x 360 px is coarse" in s for s in clip_troubles(small))


def test_the_sample_clip_is_looked_at(tmp_path):
    clip = restamped(SAMPLE, tmp_path / "begin.mp4", 1, 3.3)  # the first serve alone
    look = look_at_clip(clip, seconds=3.2)
    assert look.info.codec == "h264"
    assert look.calibration is not None
    assert look.n_paths >= 1  # the first serve is struck at 1.98 s by the clip's truth
    assert look.motions == ()
    assert np.isfinite(look.calibration.residual_px)
