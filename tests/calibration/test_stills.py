"""The median still against NumPy's sort."""

import numpy as np
import pytest

from calibration.stills import median_still


@pytest.mark.parametrize("n", [1, 2, 3, 4, 9, 15, 16, 21, 25])
@pytest.mark.parametrize("shape", [(37, 41), (23, 30, 3), (300, 400)])
def test_median_is_numpys_lower_median(n, shape):
    rng = np.random.default_rng(n)
    frames = [rng.integers(0, 256, shape, dtype=np.uint8) for _ in range(n)]
    expected = np.sort(np.array(frames), axis=0)[(n - 1) // 2]
    kept = [f.copy() for f in frames]
    assert (median_still(frames) == expected).all()
    assert all((a == b).all() for a, b in zip(frames, kept, strict=True))


def test_a_walker_leaves_the_picture():
    hall = np.full((60, 90), 80, np.uint8)
    frames = []
    for k in range(15):
        frame = hall.copy()
        frame[20:50, 6 * k : 6 * k + 12] = 230
        frames.append(frame)
    assert (median_still(frames) == hall).all()


def test_bad_frames_are_refused():
    with pytest.raises(ValueError, match="at least one"):
        median_still([])
    with pytest.raises(ValueError, match="uint8 of shape"):
        median_still([np.zeros((4, 4), np.uint8), np.zeros((4, 5), np.uint8)])
    with pytest.raises(ValueError, match="uint8 of shape"):
        median_still([np.zeros((4, 4), float)])
