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

from placement.compiled import Single, compiled, inlined

NOISE = 2.0  # grey levels, least noise assumed of a pixel
_GAMMA = 2.2  # of stored pictures (ITU-R BT.709 and sRGB, nearly)
# the blur across the path: three chords beside one another of like weight, spread as the blur is
_ASIDE = np.float32(np.sqrt(1.5))
_SHARE = np.float32(1 / 3)

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


Direction = tuple[np.ndarray, np.ndarray, np.ndarray]


@inlined
def ball_over(
    along: Single, across: Single, radius: Single, length: Single, blur: Single
) -> tuple[Single, Single, Single, Single]:
    """Share of the exposure that the ball covers a pixel, and the surface's direction there.

    For one pixel, and single precision throughout.

    Parameters
    ----------
    along, across : float32
        Of the pixel from the ball's centre, px.
    radius : float32
        px.
    length : float32
        px, of a box that stands for the motion and the blur along it, see `box_length`.
    blur : float32
        px.

    Returns
    -------
    cover : float32
    seen, aside, front : float32
        The unit vector along the path, across it and towards the camera, averaged over what of the
        ball the pixel sees.
    """
    none, half, one = np.float32(0), np.float32(0.5), np.float32(1)
    ahead = half * length
    cover, seen, aside = none, none, none
    for k in range(3):
        place = across + np.float32(k - 1) * _ASIDE * blur
        chord = np.sqrt(max(radius * radius - place * place, none))
        low, high = max(along - chord, -ahead), min(along + chord, ahead)
        inside = _SHARE * max(high - low, none)  # of the chord in the box
        cover += inside
        seen += inside * (along - half * (low + high))  # its middle, from the disc's
        aside += inside * place
    inverse = one / (max(cover, np.float32(1e-6)) * radius)
    seen *= inverse
    aside *= inverse
    square = seen * seen + aside * aside
    over = one / np.sqrt(max(square, one))
    front = np.sqrt(one - min(square, one))
    return cover / length, seen * over, aside * over, front


@inlined
def box_length(streak: Single, blur: Single) -> Single:
    """Length of a box as wide as the streak, or as the blur; single precision, px."""
    return np.sqrt(streak * streak + np.float32(12) * blur * blur)


@compiled
def _covered(
    du: np.ndarray, dv: np.ndarray, radius: np.ndarray, heading: np.ndarray, streak: np.ndarray,
    blur: Single, out: np.ndarray,
) -> None:  # fmt: skip
    for n in range(out.shape[1]):
        hu, hv = heading[n, 0], heading[n, 1]
        length = box_length(streak[n], blur)
        for p in range(out.shape[2]):
            u, v = du[n, p], dv[n, p]
            cover, seen, aside, front = ball_over(
                hu * u + hv * v, hu * v - hv * u, radius[n], length, blur
            )
            out[0, n, p] = cover
            out[1, n, p] = seen * hu - aside * hv
            out[2, n, p] = -seen * hv - aside * hu  # image v runs down
            out[3, n, p] = front


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
    du, dv = np.broadcast_arrays(np.asarray(du, np.float32), np.asarray(dv, np.float32))
    n = len(du)
    each = (
        np.ascontiguousarray(np.broadcast_to(np.asarray(x, np.float32), shape))
        for x, shape in ((radius, (n, 1)), (heading, (n, 2)), (streak, (n, 1)))
    )
    radii, headings, streaks = each
    out = np.empty((4, *du.shape), np.float32)
    du, dv = np.ascontiguousarray(du), np.ascontiguousarray(dv)
    _covered(du, dv, radii[:, 0], headings, streaks[:, 0], np.float32(blur_px), out)
    return out[0], (out[1], out[2], out[3])


def _shade(s: np.ndarray, right: Single, up: Single, front: Single) -> Single:
    above = up * (s[2] + s[4] * front + s[5] * up + s[6] * right)
    return s[0] + s[3] * front + above + right * (s[1] + s[7] * front + s[8] * right)


#: `shading_of` one pixel, from a shading (9,) in single precision.
shade = inlined(_shade)


def shading_of(
    shading: tuple[float, ...], right: np.ndarray, up: np.ndarray, front: np.ndarray
) -> np.ndarray:
    """Brightness for surface directions: 1, r, u, f, u f, u u, r u, r f, r r."""
    return np.asarray(_shade(np.array(shading, np.float32), right, up, front))
