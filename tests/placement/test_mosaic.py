"""Pictures put together from squares are those that lie in the frames; none is copied twice."""

from __future__ import annotations

import pickle
from dataclasses import dataclass

import numpy as np
import pytest

from placement.mosaic import Album, Cutter, Cuttings, Pictures

SIDE = 40  # px, not a whole number of squares


@dataclass
class Still:
    """A frame as the cutter needs it."""

    index: int
    luma: np.ndarray
    red: np.ndarray


def film(width: int, height: int, n: int = 9) -> list[Still]:
    rng = np.random.default_rng(3)
    half = (n, (height + 1) // 2, (width + 1) // 2)  # as 4:2:0 sampling rounds (ITU-T H.264, 6.2)
    luma = rng.integers(0, 256, (n, height, width), np.uint8)
    red = rng.integers(0, 256, half, np.uint8)
    return [Still(k, luma[k], red[k]) for k in range(n)]


def corners(width: int, height: int, rng: np.random.Generator) -> np.ndarray:
    """Where pictures begin: the frame's four corners, and places between."""
    far = np.array([width - SIDE, height - SIDE]) // 2 * 2
    inside = 2 * rng.integers(0, far // 2 + 1, (6, 2))
    return np.concatenate([[[0, 0], [far[0], 0], [0, far[1]], far], inside])


@pytest.mark.parametrize("size", [(320, 240), (322, 246), (333, 251)])
def test_pictures_are_cut_from_the_frames(size):
    frames = film(*size)
    rng = np.random.default_rng(5)
    cutter, album = Cutter(SIDE, *size), Album()
    told: list[tuple[int, np.ndarray, tuple[Pictures, Pictures]]] = []
    for k in range(2, 7):
        origins = corners(*size, rng)
        cuttings = cutter.cut(frames[k - 2 : k + 3], origins)
        told.append((k, origins, album.pictures(cuttings, origins)))
    for k, origins, (patches, reds) in told:  # only when all have gone by
        assert len(patches) == len(reds) == len(origins)
        for m, (u, v) in enumerate(origins):
            for j, frame in enumerate(frames[k - 2 : k + 3]):
                np.testing.assert_array_equal(patches[m][j], frame.luma[v : v + SIDE, u : u + SIDE])
                u2, v2, half = u // 2, v // 2, SIDE // 2
                np.testing.assert_array_equal(reds[m][j], frame.red[v2 : v2 + half, u2 : u2 + half])


def test_no_square_of_a_frame_is_copied_twice():
    frames = film(320, 240)
    origins = np.array([[100, 60], [104, 66], [110, 60]])  # they overlap
    cutter = Cutter(SIDE, 320, 240)
    seen: set[tuple[int, int]] = set()
    for k in range(2, 7):
        cuttings = cutter.cut(frames[k - 2 : k + 3], origins)
        numbers = np.repeat(cuttings.frames, cuttings.counts).tolist()
        new = set(zip(numbers, cuttings.cells.tolist(), strict=True))
        assert len(new) == len(cuttings.cells) == len(cuttings.luma) == len(cuttings.red)
        assert not new & seen
        seen |= new
        # after the first, only the frame that is new brings squares
        assert k == 2 or set(numbers) == {k + 2}


def test_cuttings_can_be_sent():
    frames = film(320, 240)
    origins = np.array([[280, 200], [10, 20]])
    cuttings = Cutter(SIDE, 320, 240).cut(frames[:5], origins)
    there: Cuttings = pickle.loads(pickle.dumps(cuttings, protocol=5))
    patches, _ = Album().pictures(there, origins)
    for picture, (u, v) in zip(patches, origins, strict=True):
        np.testing.assert_array_equal(picture[4], frames[4].luma[v : v + SIDE, u : u + SIDE])
    np.testing.assert_array_equal(patches[-1], patches[1])
    np.testing.assert_array_equal(patches[:1][0], patches[0])
    with pytest.raises(IndexError):
        patches[2]


def test_nothing_is_cut_where_there_are_no_candidates():
    cuttings = Cutter(SIDE, 320, 240).cut(film(320, 240)[:5], np.empty((0, 2), int))
    assert len(cuttings.cells) == 0
    patches, reds = Album().pictures(cuttings, np.empty((0, 2), int))
    assert list(patches) == list(reds) == []
