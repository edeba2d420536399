"""How wide the net's tape is, as a picture shows it.

The law fixes the net's top, not the width of the band along it: bands of 10 to 20 mm are sold.
Their middle, which is what a picture shows best, so lies some millimetres higher or lower. As wide
as the band looks, lines of known width in the same picture tell how wide it is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.profiles import (
    PROFILE_STEP,
    LineLook,
    Stations,
    fit_profiles,
    sample_neighbours,
)

WIDTHS = np.array([0.007, 0.009, 0.011, 0.013, 0.015, 0.017, 0.020, 0.024])  # m, tried
NARROWEST_PX = 2.0  # a band that looks narrower may as well be blur
FEWEST, ENOUGH = 12, 45  # stations
STANDS_OUT = 0.3  # of the band's usual height: a station that stands out less is hidden
TOLD = 2.0  # times the misfit of the best width, that the narrowest and the widest must reach


def measure_width(
    luma: np.ndarray, stations: Stations, offset: np.ndarray, px_per_m: np.ndarray, look: LineLook
) -> float | None:
    """The width, m, that explains best how a band looks; None where the picture does not tell.

    Parameters
    ----------
    luma : ndarray, shape (height, width)
        Grey levels.
    stations : Stations
        On the band, those where it was seen.
    offset : ndarray, shape (M,)
        Of its middle from each of them, px.
    px_per_m : ndarray, shape (M,)
        How many px a metre across the band is.
    look : LineLook
        Of lines of known width in the same picture.
    """
    if len(offset) < FEWEST:
        return None
    some = slice(None, None, max(1, len(offset) // ENOUGH))
    stations, offset, px_per_m = stations.of(some), offset[some], px_per_m[some]
    half = float(px_per_m.max() * WIDTHS[-1]) / 2 + 5.5
    offsets = np.arange(-half, half + PROFILE_STEP, PROFILE_STEP)
    on_it = replace(stations, centre=stations.centre + offset[:, None] * stations.normal)
    profiles = sample_neighbours(luma, on_it, offsets).light(look.gamma)
    misfit = np.array(
        [_misfit(profiles, offsets, w * px_per_m + look.extra, look.blur) for w in WIDTHS]
    )
    best = int(np.argmin(misfit))
    ends = min(misfit[0], misfit[-1])
    if (
        not 0 < best < len(WIDTHS) - 1
        or not np.isfinite(misfit[best])
        or ends < TOLD * misfit[best]
    ):
        return None
    three = slice(best - 1, best + 2)
    a, b, _ = np.polyfit(WIDTHS[three], misfit[three], 2)
    width = float(-b / (2 * a))
    return width if width * float(np.median(px_per_m)) > NARROWEST_PX else None


def _misfit(profiles: np.ndarray, offsets: np.ndarray, width: np.ndarray, blur: float) -> float:
    """Median square of what bands of these widths, px, leave over."""
    delta, _, rms, levels = fit_profiles(profiles, offsets, width, blur, n_steps=3)
    height = levels[:, 1] - np.maximum(levels[:, 0], levels[:, 2])
    good = (height > STANDS_OUT * np.nanpercentile(height, 80)) & (np.abs(delta) < 2)
    return float(np.median(rms[good] ** 2)) if good.sum() >= FEWEST else float("inf")
