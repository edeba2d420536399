"""Where the centre of a ball's picture is: a lit sphere, drawn out by the shutter, fitted.

A ball lit from above is as dark below as the table, so the centre of its brightness lies above its
true centre, by one to three pixels. Here its whole picture is fitted (`placement.ball_model`)
over the background seen before and after. Size and motion come from the flight; exposure, blur and
the light are shared by all pictures of a film and learnt from them (`placement.ball_look`), so that
only the centre and one brightness are free for each picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from placement.background import disagreeing, put_together
from placement.ball import Candidates
from placement.ball_fit import fit_pictures
from placement.ball_model import NOISE, Look, tone

_RED_NEUTRAL = np.uint8(138)  # Cr above this counts as ball colour; 128 is grey
_RED_SHARE = (
    1.5397  # of the red difference, to make red of luma (ITU-R BT.709, in the range of luma)
)
MARGIN = 2.5  # px around the outline that are looked at
_LEAST_SD = 0.06  # px: what compression and a ball's stamp leave
_STEPS = 5
_KNOWN = 0.05  # share of the ball's disc behind which must be known what there is
_FARTHEST = 1.2  # radii: a centre that wanders farther than this from its guess is not believed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BallImages:
    """Measured ball pictures.

    Attributes
    ----------
    centres : ndarray, shape (N, 2)
        (u, v), px, at mid-exposure; NaN where no ball could be fitted.
    covariances : ndarray, shape (N, 2, 2)
        px^2.
    contrasts : ndarray, shape (N,)
        Root mean square of the ball's picture against its background, grey levels.
    misfits : ndarray, shape (N,)
        Root mean square of what the model leaves beyond the film's grain, as a share of
        `contrasts`: below about 0.35 for a ball, near 1 for anything else.
    costs : ndarray, shape (N,)
        Weighted squared residual per pixel, for choosing the look.
    """

    centres: np.ndarray
    covariances: np.ndarray
    contrasts: np.ndarray
    misfits: np.ndarray
    costs: np.ndarray


def gather(
    sightings: Sequence[tuple[Candidates, int]],
    radii: np.ndarray,
    velocities: np.ndarray,
    look: Look | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Stack the pictures of chosen candidates with the background to compare them with.

    The background is taken shortly before and after where the ball has left its place by then, so
    that people have moved little; else from longer before and after. Where these two do not agree
    on it, others of the four may (`placement.background`).

    Parameters
    ----------
    sightings : sequence of (Candidates, int)
    radii : ndarray, shape (N,)
        px.
    velocities : ndarray, shape (N, 2)
        px/s.
    look : Look, optional
        Of which all but what the ball looks like counts.

    Returns
    -------
    patches : ndarray of uint8, shape (N, 3, P, P)
        Before, in and after the frame.
    origins : ndarray of int, shape (N, 2)
        (u, v) of each patch's first pixel.
    """
    near = np.array([c.near_s for c, _ in sightings])
    gone = np.hypot(*velocities.T) * near > 2.3 * radii + 3
    choice = np.where(gone[:, None], (1, 2, 3), (0, 2, 4))
    chosen = list(zip(sightings, choice, strict=True))
    patches = np.stack([c.patches[m][k] for (c, m), k in chosen])
    origins = np.stack([c.origins[m] for c, m in sightings])
    centres = np.stack([c.points[m] for c, m in sightings]) - origins
    doubted = np.empty(len(patches), bool)
    disagreeing(patches, centres, np.asarray(radii, float), doubted)
    tinted = look is not None and look.tinted
    if look is not None and tinted:
        reds = np.stack([c.reds[m][k] for (c, m), k in chosen])
        patches = _tinted(patches, reds, look.siting)
    exposure = 0.0 if look is None else look.exposure_s
    for k in np.flatnonzero(doubted).tolist():
        c, m = sightings[k]
        planes = np.asarray(c.patches[m])
        if look is not None and tinted:
            planes = _tinted(planes[None], np.asarray(c.reds[m])[None], look.siting)[0]
        put_together(
            planes, centres[k], float(radii[k]), velocities[k] * near[k],
            float(np.hypot(*velocities[k])) * exposure, bool(gone[k]), patches[k],
        )  # fmt: skip
    return patches, origins


def redness(sightings: Sequence[tuple[Candidates, int]], centres: np.ndarray) -> np.ndarray:
    """How much redder each ball is than what lies behind it, levels of Cr, shape (N,)."""
    out = []
    for (c, m), centre in zip(sightings, centres, strict=True):
        red = c.reds[m]
        u, v = np.clip(np.rint((centre - c.origins[m]) / 2 - 0.25), 0, red.shape[1] - 1).astype(int)
        here = red[:, v, u].astype(int)
        out.append(here[2] - max(_RED_NEUTRAL, here[0], here[4]))
    return np.array(out)


def _tinted(luma: np.ndarray, red: np.ndarray, siting: float) -> np.ndarray:
    """The red channel (N, 3, S, S) of luma and the red difference (N, 3, S/2, S/2).

    In it an orange ball is as bright as a white one, and a blue or green table dark.
    """
    tint = _RED_SHARE * (red.astype(np.float32) - 128)
    # columns 2 i and 2 i + 1 lie between the samples before, at and after 2 i + siting
    before = np.concatenate([tint[..., :1], tint[..., :-1]], axis=-1)
    after = np.concatenate([tint[..., 1:], tint[..., -1:]], axis=-1)
    even = tint + (before - tint) * (siting / 2)
    odd = tint + (after - tint) * ((1 - siting) / 2)
    wide = np.stack([even, odd], axis=-1).reshape(*tint.shape[:-1], -1)
    above = np.concatenate([wide[:, :, :1], wide[:, :, :-1]], axis=2)
    below = np.concatenate([wide[:, :, 1:], wide[:, :, -1:]], axis=2)
    rows = np.stack([0.75 * wide + 0.25 * above, 0.75 * wide + 0.25 * below], axis=3)
    return np.clip(luma + rows.reshape(luma.shape), 0, 255).astype(np.uint8)


def measure(
    patches: np.ndarray,
    origins: np.ndarray,
    guesses: np.ndarray,
    radii: np.ndarray,
    velocities: np.ndarray,
    look: Look,
    *,
    steps: int = _STEPS,
) -> BallImages:
    """Fit the ball's picture in each patch.

    Parameters
    ----------
    patches : ndarray of uint8, shape (N, 3, P, P)
        Luma before, in and after the frame.
    origins : ndarray, shape (N, 2)
        (u, v) of each patch's first pixel.
    guesses : ndarray, shape (N, 2)
        (u, v) near the centres.
    radii : ndarray, shape (N,)
        px, from the ball's distance.
    velocities : ndarray, shape (N, 2)
        px/s.
    look : Look
    steps : int
        Gauss-Newton steps.
    """
    n = len(patches)
    out = BallImages(
        centres=np.full((n, 2), np.nan),
        covariances=np.full((n, 2, 2), np.nan),
        contrasts=np.zeros(n),
        misfits=np.full(n, np.inf),
        costs=np.full(n, np.inf),
    )
    if not n:
        return out
    light, slope = tone(look.shoulder)
    places = np.ascontiguousarray(guesses - origins, dtype=float)
    radii = np.ascontiguousarray(radii, dtype=float)
    numbers = np.empty((n, 9))
    gaps = fit_pictures(
        np.ascontiguousarray(patches),
        places,
        radii,
        np.ascontiguousarray(velocities, dtype=float),
        light,
        slope,
        np.array(look.shading, np.float32),
        float(look.exposure_s),
        np.float32(look.blur_px),
        MARGIN,
        steps,
        numbers,
    )
    # in units of the assumed noise: the lower quartile of chi-square with one degree of freedom,
    # as people move in the rest
    grain = float(np.clip(np.percentile(gaps, 25) / 0.1015, 0.05, 25.0))
    best, left, pixels, known = numbers[:, :2], numbers[:, 2], numbers[:, 7], numbers[:, 8]
    energy = numbers[:, 3] / pixels
    variance = np.maximum(left / np.maximum(1, pixels - 4), 1e-6)
    inverse = np.linalg.inv(numbers[:, [4, 5, 5, 6]].reshape(n, 2, 2) + 1e-6 * np.eye(2))
    out.covariances[:] = inverse * np.maximum(variance, 1.0)[:, None, None]
    out.covariances[:] += _LEAST_SD**2 * np.eye(2)
    wandered = np.hypot(*(best - places).T) > np.maximum(_FARTHEST * radii, 3.0)
    bad = wandered | (energy <= 0) | (known <= _KNOWN)
    out.centres[:] = np.where(bad[:, None], np.nan, best + origins)
    out.contrasts[:] = np.sqrt(np.maximum(energy, 0)) * NOISE
    out.misfits[:] = np.where(
        bad, np.inf, np.sqrt(np.maximum(left / pixels - grain, 0) / np.maximum(energy, 1e-9))
    )
    out.costs[:] = left / pixels
    return out
