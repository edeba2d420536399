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
# the blur across the path: three chords beside one another, spread as the blur is
_ASIDE = np.float32(1.4)
_OUTER = np.float32(0.5 / 1.4**2)
_MIDDLE = np.float32(1 - 1 / 1.4**2)
_TENT = np.float32(np.sqrt(6))  # of the blur: half the foot of a tent spread as the blur is
_LEAST_STREAK = np.float32(0.25)  # px

#: Where samples of colour may lie along a row, px of luma from the even column, and where they are
#: taken to lie until it is known; see `placement.siting`.
ON_EVEN, MIDWAY, BETWEEN = 0.0, 0.5, 0.25
#: Shading before anything is learnt: brighter above. Order: see `shade`.
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
    siting : float
        Where the red difference's samples lie, see `placement.siting`; px.
    """

    exposure_s: float = 1 / 250
    blur_px: float = 0.8
    shading: tuple[float, ...] = DEFAULT_SHADING
    shoulder: float = 0.0
    tinted: bool = False
    siting: float = ON_EVEN


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


@inlined
def against(
    light: np.ndarray, slope: np.ndarray, before: int, shown: int, after: int
) -> tuple[Single, Single, Single]:
    """One pixel's light beyond its background, the background, and the weight's root.

    Parameters
    ----------
    light, slope : ndarray of float32, shape (256,)
        See `tone`.
    before, shown, after : uint8
        Luma before, in and after the frame.
    """
    half = np.float32(0.5)
    gap, behind = light[before] - light[after], half * (light[before] + light[after])
    spread = np.float32(NOISE * NOISE) * (
        slope[shown] * slope[shown] + half * slope[before] * slope[before]
    )
    return light[shown] - behind, behind, np.float32(1) / np.sqrt(spread + half * gap * gap)


@inlined
def _tented(y: Single, tent: Single) -> tuple[Single, Single]:
    """A tent of area 1 with half its foot `tent` wide, integrated twice and three times up to y."""
    none, half = np.float32(0), np.float32(0.5)
    left, past = max(tent - abs(y), none), max(y, none)
    slope = left * left * left / (np.float32(6) * tent * tent)
    bend = slope * left * np.float32(0.25)
    far = tent * tent / np.float32(12) - bend if y > none else bend
    return past + slope, half * past * past + far


@inlined
def ball_over(
    along: Single, across: Single, radius: Single, streak: Single, blur: Single
) -> tuple[Single, Single, Single, Single]:
    """Share of the exposure that the ball covers a pixel, and the surface's direction there.

    For one pixel, and single precision throughout. Along the path the blur is a tent, which falls
    to nothing softly: a ball's dark side says little of where its outline is, so a foot that is
    missing on the bright side draws the ball there by hundredths of its radius.

    Parameters
    ----------
    along, across : float32
        Of the pixel from the ball's centre, px.
    radius : float32
        px.
    streak : float32
        How far the ball moves while the shutter is open, px.
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
    moved, tent = max(streak, _LEAST_STREAK), _TENT * blur
    cover, seen, aside = none, none, none
    for k in range(3):
        share = _MIDDLE if k == 1 else _OUTER
        place = across + np.float32(k - 1) * _ASIDE * blur
        chord = np.sqrt(max(radius * radius - place * place, none))
        low, high = along - chord, along + chord
        # of the chord while the shutter is open, and where its middle was then
        a, a_moment = _tented(low - half * moved, tent)
        b, b_moment = _tented(low + half * moved, tent)
        c, c_moment = _tented(high - half * moved, tent)
        d, d_moment = _tented(high + half * moved, tent)
        inside = share * ((d - c) - (b - a))
        moment = high * (d - c) - low * (b - a) - ((d_moment - c_moment) - (b_moment - a_moment))
        cover += inside
        seen += inside * along - share * moment
        aside += inside * place
    inverse = one / (max(cover, np.float32(1e-6)) * radius)
    seen *= inverse
    aside *= inverse
    square = seen * seen + aside * aside
    over = one / np.sqrt(max(square, one))
    front = np.sqrt(one - min(square, one))
    return cover / moved, seen * over, aside * over, front


@inlined
def reach(radius: Single, streak: Single, blur: Single) -> tuple[Single, Single]:
    """How far from its centre a ball is seen along its path and across it; single precision, px."""
    ahead = radius + np.float32(0.5) * max(streak, _LEAST_STREAK) + _TENT * blur
    return ahead, radius + _ASIDE * blur


@compiled
def _covered(
    du: np.ndarray, dv: np.ndarray, radius: np.ndarray, heading: np.ndarray, streak: np.ndarray,
    blur: Single, out: np.ndarray,
) -> None:  # fmt: skip
    for n in range(out.shape[1]):
        hu, hv = heading[n, 0], heading[n, 1]
        for p in range(out.shape[2]):
            u, v = du[n, p], dv[n, p]
            cover, seen, aside, front = ball_over(
                hu * u + hv * v, hu * v - hv * u, radius[n], streak[n], blur
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
) -> np.ndarray:
    """Share of the exposure that the ball covers a pixel, and the surface's direction there.

    Returns these four, shape (4, N, P), in single precision. The direction is (to the image's
    right, up, towards the camera), averaged over what of the ball the pixel sees.

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
    return out


@inlined
def shade(s: np.ndarray, right: Single, up: Single, front: Single) -> Single:
    """Brightness of a surface turned that way: 1, r, u, f, u f, u u, r u, r f, r r; one pixel."""
    above = up * (s[2] + s[4] * front + s[5] * up + s[6] * right)
    return s[0] + s[3] * front + above + right * (s[1] + s[7] * front + s[8] * right)
