"""One still without people: the per-pixel median of frames spread over a clip.

A person who moves is gone from the median; one who stands still for half the frames stays. The
median of an even number of frames is the lower middle one, so that no new grey levels appear.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

STRIP = 1 << 16  # values of one frame sorted together: small enough for the processor's cache


def median_still(frames: Sequence[np.ndarray]) -> np.ndarray:
    """Per-pixel median of frames, by a sorting network of byte-wise minima and maxima.

    Parameters
    ----------
    frames : sequence of ndarray, uint8
        All of one shape, (height, width) or (height, width, 3); 9 to 25 are plenty.

    Returns
    -------
    ndarray, uint8
        Of the frames' shape.

    Raises
    ------
    ValueError
        For no frames, or frames of unequal shape or of another type.
    """
    if not len(frames):
        raise ValueError("a median needs at least one frame, got none")
    shape = frames[0].shape
    for frame in frames:
        if frame.shape != shape or frame.dtype != np.uint8:
            raise ValueError(
                f"frames must all be uint8 of shape {shape}, got {frame.dtype} of {frame.shape}"
            )
    flat = [np.ascontiguousarray(frame).reshape(-1) for frame in frames]
    exchanges = _median_exchanges(len(flat))
    out = np.empty(flat[0].shape, np.uint8)
    middle = (len(flat) - 1) // 2
    low_buffer = np.empty(STRIP, np.uint8)
    for first in range(0, len(out), STRIP):
        rows = [f[first : first + STRIP].copy() for f in flat]
        low = low_buffer[: len(rows[0])]
        for i, j in exchanges:
            np.minimum(rows[i], rows[j], out=low)
            np.maximum(rows[i], rows[j], out=rows[j])
            rows[i][:] = low
        out[first : first + STRIP] = rows[middle]
    return out.reshape(shape)


def _median_exchanges(n: int) -> list[tuple[int, int]]:
    """Compare-exchanges that bring the median of n to its place.

    Batcher's odd-even merge sort (Knuth, The Art of Computer Programming, vol. 3, 5.2.2, algorithm
    M), less those exchanges whose results never reach the middle.
    """
    exchanges: list[tuple[int, int]] = []
    p = 1
    while p < n:
        p *= 2
    t = p
    p = t // 2
    while p > 0:
        q, r, d = t // 2, 0, p
        while True:
            exchanges.extend((i, i + d) for i in range(n - d) if i & p == r)
            if q == p:
                break
            d, q, r = q - p, q // 2, p
        p //= 2
    needed = {(n - 1) // 2}
    kept = []
    for i, j in reversed(exchanges):
        if i in needed or j in needed:
            kept.append((i, j))
            needed |= {i, j}
    return kept[::-1]
