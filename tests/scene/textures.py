"""Noise and photographs to paint surfaces with; all tiles repeat without a seam."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

SIZE = 512


@lru_cache(maxsize=64)
def noise(seed: int, slope: float = 1.0, low: int = 1) -> np.ndarray:
    """A repeating tile of noise whose spectrum falls as 1/f^slope, mean 0, deviation 1."""
    rng = np.random.default_rng(seed)
    f = np.hypot(np.fft.fftfreq(SIZE)[:, None], np.fft.rfftfreq(SIZE)[None]) * SIZE
    gain = np.where(f < low, 0.0, 1.0 / np.maximum(f, 1.0) ** slope)
    spectrum = np.fft.rfft2(rng.standard_normal((SIZE, SIZE))) * gain
    tile = np.fft.irfft2(spectrum, s=(SIZE, SIZE))
    return np.ascontiguousarray((tile - tile.mean()) / tile.std(), dtype=np.float32)


@lru_cache(maxsize=4)
def photograph(name: str) -> np.ndarray:
    """A grey photograph that scikit-image ships ("brick", "gravel"), mean 1, made to repeat."""
    from skimage import data

    image = getattr(data, name)().astype(np.float32)
    image = (image / 255.0) ** 2.2
    image /= cv2.GaussianBlur(image, (0, 0), 80)
    ramp = np.minimum(1.0, np.minimum(np.arange(SIZE), np.arange(SIZE)[::-1]) / 40.0)
    for axis in (0, 1):  # cross-fade the seam
        shape = (SIZE, 1) if axis == 0 else (1, SIZE)
        weight = ramp.reshape(shape).astype(np.float32)
        image = weight * image + (1 - weight) * np.roll(image, SIZE // 2, axis)
    return np.ascontiguousarray(image / image.mean())


def sample(tile: np.ndarray, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Bilinear values of a repeating tile at texel coordinates (N,)."""
    n = len(u)
    width = 4096
    rows = -(-max(n, 1) // width)
    maps = np.zeros((2, rows * width), np.float32)
    maps[0, :n] = np.mod(u, tile.shape[1])
    maps[1, :n] = np.mod(v, tile.shape[0])
    out = np.empty(rows * width, np.float32)
    for start in range(0, rows, 8192):
        part = slice(start * width, min(rows, start + 8192) * width)
        out[part] = cv2.remap(
            tile,
            maps[0, part].reshape(-1, width),
            maps[1, part].reshape(-1, width),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_WRAP,
        ).ravel()
    return out[:n]


def hashed(a: np.ndarray, b: np.ndarray | float = 0.0) -> np.ndarray:
    """A fixed pseudo-random number in 0..1 for each pair of integers."""
    s = (
        np.sin(np.asarray(a, np.float64) * 12.9898 + np.asarray(b, np.float64) * 78.233)
        * 43758.5453
    )
    return (s - np.floor(s)).astype(np.float32)
