"""Pictures that tremble: how they moved, told by pictures that OpenCV moved by known amounts."""

from __future__ import annotations

import json
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from placement import analyse
from placement.steady import TREMBLES_PX, Steadier, Tremble, steadied, steady_still, trembling
from placement.video import Frame, brought_back
from tests.calibration.halls import grey, hall

SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"
FILM_S = 3.2  # s of the sample, with a serve


@pytest.fixture(scope="module")
def still():
    return grey(hall("diagonal")[1])


def _matrix(shift, degrees=0.0, scale=1.0, size=(1920, 1080)):
    """From the still's pixels to the frame's: OpenCV's turn about the middle, then the shift."""
    middle = ((size[0] - 1) / 2, (size[1] - 1) / 2)
    turn = cv2.getRotationMatrix2D(middle, degrees, scale)
    turn[:, 2] += shift
    return turn


def _moved(picture, turn):
    """The picture with what was at x at turn(x)."""
    return cv2.warpAffine(
        picture, turn, picture.shape[1::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )


def _filmed(picture, turn, seed):
    rng = np.random.default_rng(seed)
    frame = _moved(picture, turn) + rng.normal(0, 2, picture.shape)
    u = int(rng.integers(200, 1200))
    frame[300:1000, u : u + 300] = rng.integers(20, 200)  # someone in the way
    return np.clip(np.rint(frame), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("shift", "degrees", "scale"),
    [((0, 0), 0, 1), ((0.4, -0.3), 0, 1), ((-2.6, 1.7), 0.05, 1), ((0.8, 0.9), -0.04, 1.0006)],
)
def test_a_turn_is_found_though_someone_is_in_the_way(still, shift, degrees, scale):
    h, w = still.shape
    true = _matrix(shift, degrees, scale, (w, h))
    got = Steadier(still).turn(_filmed(still, true, 3))
    places = np.array([[0, 0], [w, 0], [w, h], [0, h], [w / 2, h / 2]])
    there = np.column_stack([places, np.ones(5)])
    # a tenth of a pixel is what a ball's centre is measured to
    np.testing.assert_allclose(there @ got.T, there @ true.T, atol=0.06)


def test_light_that_came_or_went_moves_nothing(still):
    # and a still made of colours has another range than luma: 16 to 235 (ITU-R BT.709)
    true = _matrix((0.7, -0.4), size=still.shape[::-1])
    frame = _filmed(still, true, 3)
    darker = np.rint(16 + 0.86 * 0.8 * frame.astype(float)).astype(np.uint8)
    steadier = Steadier(still)
    np.testing.assert_allclose(steadier.shift(steadier.turn(darker)), (0.7, -0.4), atol=0.06)


def test_a_picture_far_away_or_without_marks_is_not_known(still):
    assert Steadier(still).turn(_moved(still, _matrix((15.0, 0.0)))) is None
    assert Steadier(np.full_like(still, 90)).turn(still) is None


def test_a_large_picture_is_looked_at_in_a_smaller_one(still):
    large = cv2.resize(still, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    h, w = large.shape
    true = _matrix((1.5, -0.7), 0.02, 1, (w, h))
    got = Steadier(large).turn(_moved(large, true))
    there = np.array([[0, 0, 1], [w, h, 1], [w, 0, 1]])
    np.testing.assert_allclose(there @ got.T, there @ true.T, atol=0.1)


def test_a_steadied_frame_lies_where_the_still_does(still):
    turn = _matrix((1.3, -0.6), size=still.shape[::-1])
    frame = Frame(
        index=0, time_s=0.0, luma=_moved(still, turn), red=np.full((540, 960), 128, np.uint8),
        damaged=False, _source=None,
    )  # fmt: skip
    done = steadied(frame, Steadier(still))
    inner = np.s_[20:-20, 20:-20]
    before = np.abs(frame.luma[inner].astype(float) - still[inner]).mean()
    after = np.abs(done.luma[inner].astype(float) - still[inner]).mean()
    assert after < 0.25 * before
    assert (done.red == 128).all()
    np.testing.assert_allclose(done.turn, turn, atol=0.05)


def test_the_plane_of_half_the_size_goes_half_as_far(still):
    turn = _matrix((3.0, -2.0), size=still.shape[::-1])
    red = np.full((540, 960), 128, np.uint8)
    red[200:210, 300:310] = 180
    frame = Frame(
        index=0, time_s=0.0, luma=_moved(still, turn), red=red, damaged=False, _source=None
    )
    done = steadied(frame, Steadier(still))
    weights = done.red.astype(float) - 128
    v, u = np.mgrid[:540, :960]
    middle = [(weights * u).sum() / weights.sum(), (weights * v).sum() / weights.sum()]
    np.testing.assert_allclose(middle, [304.5 - 1.5, 204.5 + 1.0], atol=0.1)


def _shaken(still, n, by, seed):
    rng = np.random.default_rng(seed)
    size = still.shape[::-1]
    return [_filmed(still, _matrix(rng.normal(0, by, 2), size=size), k) for k in range(n)]


def test_trembling_is_told_from_noise_people_and_a_bump(still):
    assert trembling(_shaken(still, 9, 0.0, 1)).by_px < TREMBLES_PX / 2
    assert trembling(_shaken(still, 9, 0.4, 1)).by_px > 2 * TREMBLES_PX
    size = still.shape[::-1]
    bumped = [_filmed(still, _matrix((4.0 * (k > 4), 0.0), size=size), k) for k in range(9)]
    assert trembling(bumped).by_px < TREMBLES_PX / 2
    assert trembling(bumped[:2]) == Tremble()  # too few to tell


def test_a_picture_that_grows_and_shrinks_is_told_from_one_that_trembles(still):
    # a lens that seeks its focus: places 320 px from the middle move by that many times
    sizes = 1 + 0.002 * np.array([0, 1, 0, 1, 0, 1, 0, 1, 0])
    size = still.shape[::-1]
    found = trembling(
        [_filmed(still, _matrix((0, 0), scale=s, size=size), k) for k, s in enumerate(sizes)]
    )
    assert found
    assert found.by_px < TREMBLES_PX / 2
    assert found.grows_px == pytest.approx(0.64, abs=0.08)
    assert "Lock the focus" in found.note()
    shaken = trembling(_shaken(still, 9, 0.4, 1))
    assert shaken.grows_px < TREMBLES_PX / 2
    assert "The stand trembled" in shaken.note()


def test_the_still_of_a_trembling_stand_lies_in_the_middle(still):
    places = [(-1.0, 0.5), (1.0, -0.5), (0.6, 0.6), (-0.6, -0.6), (0.0, 0.0)]
    size = still.shape[::-1]
    pictures = [_moved(still, _matrix(p, size=size)) for p in places]
    whole = steady_still(pictures)
    turn = Steadier(still).turn(whole)
    assert np.hypot(*Steadier(still).shift(turn)) < 0.05
    # and as sharp as one of them, which their median is not
    edges = [cv2.Laplacian(p, cv2.CV_64F).var() for p in (whole, pictures[1])]
    assert edges[0] > 0.8 * edges[1]


@pytest.fixture(scope="module")
def shaken_film(tmp_path_factory):
    """The sample's first serve, from a stand that swings by 0.9 px, 5.3 times a second."""
    path = tmp_path_factory.mktemp("film") / "shaken.mp4"
    with av.open(str(SAMPLES / "sample_drill.mp4")) as old, av.open(str(path), "w") as new:
        stream = old.streams.video[0]
        copy = new.add_stream("libx264", rate=stream.average_rate)
        copy.width, copy.height, copy.pix_fmt = stream.width, stream.height, "yuv420p"
        copy.codec_context.time_base = stream.time_base
        copy.options = {"crf": "17", "preset": "ultrafast"}
        for frame in old.decode(stream):
            if frame.time > FILM_S:
                break
            swing = 0.9 * np.sin(2 * np.pi * 5.3 * frame.time + np.array([0.0, 1.0]))
            turn = _matrix(swing, size=(frame.width, frame.height))
            planes = frame.to_ndarray(format="yuv420p")
            planes[: frame.height] = _moved(planes[: frame.height], turn)
            made = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            made.pts, made.time_base = frame.pts, frame.time_base
            new.mux(copy.encode(made))
        new.mux(copy.encode())
    return path


def test_a_film_that_trembles_is_measured_as_if_it_did_not(shaken_film):
    done = analyse(shaken_film)
    truth = json.loads((SAMPLES / "sample_drill.truth.json").read_text(encoding="utf-8"))
    true = np.array([[b["x_m"], b["y_m"]] for b in truth["bounces"] if b["time_s"] < FILM_S - 0.2])
    got = np.array([b.point for b in done.bounces])
    assert len(got) == len(true) == 2
    off = got - true
    assert np.hypot(*off.T).max() < 0.015
    assert any("trembled" in w for w in done.warnings)
    assert len(done.stands) == 1


@pytest.mark.parametrize("shift", [(0.3, 0.6), (-0.4, 1.7), (-1.8, -0.2), (3.6, 0.4)])
@pytest.mark.parametrize("shape", [(200, 300), (200, 300, 3)])
def test_a_shift_is_made_as_opencv_makes_it(shift, shape):
    picture = np.random.default_rng(5).integers(0, 256, shape).astype(np.uint8)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.5)
    turn = np.column_stack([np.eye(2), shift])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    size = picture.shape[1::-1]
    by_opencv = cv2.warpAffine(picture, turn, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    got = brought_back(picture, turn).astype(int)
    # OpenCV takes places to 1/32 px; in this picture that makes a level or two
    assert np.abs(got - by_opencv).max() <= 2
    assert np.abs(got - by_opencv).mean() < 0.3
