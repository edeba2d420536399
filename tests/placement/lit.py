"""Pictures of matt balls in any light, as a shutter adds them up and a camera stores them.

Drawn by counting points: nothing of the tool's own picture of a ball is used to judge it.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

GAMMA = 2.2  # of stored pictures (ITU-R BT.709 and sRGB, nearly)
FINE = 5  # points a pixel, along u and along v


def seen_of(
    centre: Sequence[float],
    radius: float,
    velocity: Sequence[float],
    *,
    exposure: float,
    blur: float,
    lamp: tuple[float, float, float] = (0.0, 0.8, 0.6),
    gloss: float = 0.0,
    side: int = 40,
) -> tuple[np.ndarray, np.ndarray]:
    """How much of each pixel the ball covers, and what light it sends there, shape (side, side).

    Parameters
    ----------
    centre : (u, v)
        px, from the first pixel's middle, at mid-exposure.
    velocity : (u, v)
        px/s.
    exposure : float
        s.
    blur : float
        Standard deviation of the lens's blur, px.
    lamp : (right, up, towards the camera)
        Unit vector to the lamp: the ball sends back 0.7 times the cosine (Lambert) where the lamp
        shines, and 0.25 everywhere from the rest of the hall.
    gloss : float
        Light that a smooth skin mirrors towards its upper rim, times Schlick's fifth power.
    """
    grid = (np.arange(side * FINE) + 0.5) / FINE - 0.5
    cover, light = np.zeros((2, side * FINE, side * FINE), np.float32)
    far = float(np.hypot(*velocity)) * exposure
    moments = 1 + 2 * int(np.ceil(2 * far))  # at most a quarter of a pixel apart
    for t in (np.arange(moments) + 0.5) / moments - 0.5:
        right = ((grid - centre[0] - velocity[0] * t * exposure) / radius)[None, :]
        up = (-(grid - centre[1] - velocity[1] * t * exposure) / radius)[:, None]
        square = right**2 + up**2
        front = np.sqrt(np.maximum(1 - square, 0))
        shine = np.maximum(lamp[0] * right + lamp[1] * up + lamp[2] * front, 0)
        inside = square < 1
        cover += inside / moments
        mirrored = gloss * (1 - front) ** 5 * np.maximum(up, 0)
        light += inside * (0.25 + 0.7 * shine + mirrored) / moments
    out = []
    for fine in (cover, light):
        if blur:
            fine = cv2.GaussianBlur(fine, (0, 0), blur * FINE)
        out.append(fine.reshape(side, FINE, side, FINE).mean(axis=(1, 3)))
    return out[0], out[1]


def stored(light: np.ndarray, shoulder: float = 0.0) -> np.ndarray:
    """Grey levels, 0 to 1, of light: its 2.2th root, bright light pressed together before."""
    pressed = (1 - np.exp(-shoulder * light)) / shoulder if shoulder else light
    return np.asarray(np.clip(pressed, 0, 1) ** (1 / GAMMA))
