"""What a ball's picture looks like: a lit sphere, drawn out by the shutter, stored by a camera.

The outline is a disc of the radius that the ball must have at its distance, moved along its path
while the shutter was open, shaded like a matt sphere in the hall's light, and blurred by the lens.
Cameras store about the 2.2th root of the light, and press bright light together so that it does not
burn out; shutter and lens add up light, not grey levels, so pictures are first turned back into it.

Coordinates are px; `along` is the direction of motion and `across` is normal to it.

Source of the shading: a matt surface in any distant light is described to about 1 % by nine numbers
(Ramamoorthi and Hanrahan, SIGGRAPH 2001).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

NOISE = 2.0  # grey levels, least noise assumed of a pixel
_GAMMA = 2.2  # of stored pictures (ITU-R BT.709 and sRGB, nearly)
# chords beside one another, and the weight of each, that stand for the blur across the path:
# three of like weight, spread as the blur is
_ASIDE = (-1.2247449, 0.0, 1.2247449)
_SHARES = (1 / 3, 1 / 3, 1 / 3)

#: Shading before anything is learnt: brighter above. Order: see `shading_of`.
DEFAULT_SHADING = (0.75, 0.0, 0.45, 0.25, 0.0, 0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """What the ball's pictures of one film share.

    Attributes
    ----------
    exposure_s : float
        How long the shutter is open.
    blur_px : float
        Standard deviation of the blur by lens and pixels.
    shading : tuple of 9 floats
        Brightness over the ball as second-order harmonics of the surface's direction.
    shoulder : float
        How strongly the camera presses bright light together, see `tone`.
    tinted : bool
        Whether the red difference is added to luma: an orange ball may be as bright as the table.
    """

    exposure_s: float = 1 / 250
    blur_px: float = 0.8
    shading: tuple[float, ...] = DEFAULT_SHADING
    shoulder: float = 0.0
    tinted: bool = False


@lru_cache(maxsize=8)
def tone(shoulder: float) -> tuple[np.ndarray, np.ndarray]:
    """Light of each grey level, shape (256,), and its slope.

    Parameters
    ----------
    shoulder : float
        0 for a plain power; towards 1 the more strongly the camera pressed bright light together,
        as film does: grey ** 2.2 = (1 - exp(-shoulder * light)) / shoulder.
    """
    grey = np.arange(256) / 255
    power = grey**_GAMMA
    light = power if shoulder == 0 else -np.log1p(-shoulder * power) / shoulder
    slope = _GAMMA * grey ** (_GAMMA - 1) / (1 - shoulder * power)
    return (255 * light).astype(np.float32), np.maximum(slope, 0.1).astype(np.float32)


def linear_light(
    before: np.ndarray, shown: np.ndarray, after: np.ndarray, shoulder: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Light of a picture and of its background, and the weight of each pixel."""
    light, slope = tone(shoulder)
    earlier, now, later = light[before], light[shown], light[after]
    spread = NOISE**2 * (slope[shown] ** 2 + slope[before] ** 2 / 2)
    return now, (earlier + later) / 2, 1 / (spread + (earlier - later) ** 2 / 2)


def surely_seen(before: np.ndarray, after: np.ndarray, shoulder: float) -> np.ndarray:
    """How well it is known what lies behind a pixel, 0 to 1: well if it was alike at both times."""
    light, slope = tone(shoulder)
    return np.asarray(
        1 / (1 + (light[before] - light[after]) ** 2 / (2 * NOISE * slope[before]) ** 2)
    )


Chords = list[tuple[np.ndarray, np.ndarray]]
Direction = tuple[np.ndarray, np.ndarray, np.ndarray]


def covered_sphere(
    du: np.ndarray,
    dv: np.ndarray,
    radius: np.ndarray,
    heading: np.ndarray,
    streak: np.ndarray,
    blur_px: float,
) -> tuple[np.ndarray, Direction]:
    """Share of the exposure that the ball covers a pixel, and the surface's direction there.

    The direction is (to the image's right, up, towards the camera), averaged over what of the ball
    the pixel sees.

    Parameters
    ----------
    du, dv : ndarray, shape (N, P)
        Pixels' places from the ball's centre.
    radius, streak : ndarray, shape (N, 1)
    heading : ndarray, shape (N, 2)
        Unit vectors.
    blur_px : float
    """
    along = du * heading[:, :1] + dv * heading[:, 1:]
    across = dv * heading[:, :1] - du * heading[:, 1:]
    return covered(along, chords(across, radius, blur_px), radius, heading, streak, blur_px)


def chords(across: np.ndarray, radius: np.ndarray, blur_px: float) -> Chords:
    """Half the disc's length along the path, and where, for chords near `across`."""
    square = radius**2
    out = []
    for shift in _ASIDE:
        place = across + np.float32(shift * blur_px) if shift else across
        half = place * place
        np.subtract(square, half, out=half)
        np.maximum(half, 0, out=half)
        out.append((np.sqrt(half, out=half), place))
    return out


def covered(
    along: np.ndarray,
    beside: Chords,
    radius: np.ndarray,
    heading: np.ndarray,
    streak: np.ndarray,
    blur_px: float,
) -> tuple[np.ndarray, Direction]:
    """See `covered_sphere`; takes places along the path and the chords beside them."""
    # a box as wide as the streak, or as the blur, stands for both along the path
    length = np.sqrt(streak**2 + 12 * np.float32(blur_px) ** 2)
    ahead, behind = length / 2, -length / 2
    cover, right, up = (np.zeros_like(along) for _ in range(3))
    for (half, place), share in zip(beside, _SHARES, strict=True):
        low = np.maximum(along - half, behind)
        high = along + half
        np.minimum(high, ahead, out=high)
        low += high
        high *= 2
        high -= low  # what lies in the box: its length,
        np.maximum(high, 0, out=high)
        high *= np.float32(share)
        cover += high
        low *= np.float32(-0.5)
        low += along  # and its middle, from the disc's
        low *= high
        right += low
        high *= place
        up += high
    inverse = 1 / np.maximum(cover, np.float32(1e-6))
    inverse /= radius
    cover /= length
    right *= inverse  # along the path, in radii, as yet
    up *= inverse  # across it
    seen, aside = right, up
    square = seen * seen
    square += aside * aside
    over = np.maximum(square, 1)
    np.minimum(square, 1, out=square)
    np.sqrt(over, out=over)
    seen /= over
    aside /= over
    front = np.sqrt(np.subtract(1, square, out=square), out=square)
    hu, hv = heading[:, :1], heading[:, 1:]
    return cover, (seen * hu - aside * hv, seen * -hv - aside * hu, front)  # image v runs down


def shading_of(
    shading: tuple[float, ...], right: np.ndarray, up: np.ndarray, front: np.ndarray
) -> np.ndarray:
    """Brightness for surface directions: 1, r, u, f, u f, u u, r u, r f, r r."""
    c0, cr, cu, cf, cuf, cuu, cru, crf, crr = (np.float32(c) for c in shading)
    out = cuf * front
    out += cu
    out += cuu * up
    out += cru * right
    out *= up
    aside = crf * front
    aside += cr
    aside += crr * right
    aside *= right
    out += aside
    out += cf * front
    out += c0
    return np.asarray(out)
