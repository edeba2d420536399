"""Measure the four white edge lines to a fraction of a pixel and fit the camera to them.

A white line has two sides: outside it the surroundings, inside it the table's colour. Across the
line the picture is three levels joined by two blurred steps a known distance apart (20 mm, Law
2.1.4, projected). That profile is fitted at hundreds of stations along the lines; its free numbers
are the levels and the place of the line's middle. The middle is used, not one side, because glare
and gamma make a bright line look wider on both sides alike. Stations hidden by people, the net or
a bright background fall out by a robust fit of all lines together.

Offsets across a line are in px along the inward normal: from outside to inside.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from calibration.bright_lines import Strip, find_bright_line
from calibration.camera import Camera
from calibration.camera_fit import CameraFit, LensPrior, fit_camera
from calibration.profiles import (
    GAMMA,
    PROFILE_STEP,
    LineLook,
    Stations,
    blur_and_excess,
    fit_profiles,
    learn_gamma,
    sample_neighbours,
)
from calibration.table import CORNERS, EDGE_LINE, HALF_LENGTH, HALF_WIDTH

STATION_STEP = 2.0  # px between stations
MAX_STATIONS = 320  # per line
FLOOR_PX = 0.08  # sd of what the profile model does not know, each station
CORRELATION = 4.0  # neighbouring stations share pixels, blur and coding blocks
LINE_SD_PX = 0.05  # sd of the offset that a whole line shares, which no number of stations removes
THIN_LINE_SD_PX = 0.2  # added for a line of no width
THIN_PX = 1.5  # below this width a line cannot be told from a step behind it
RIDGE_SHARE = 0.35  # of a line's usual height: a station that stands out less is hidden
FOUND = 0.4  # of a line, seen: it should have a say in the first fit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeEvidence:
    """What the lines showed.

    Attributes
    ----------
    stations : Stations
    offset : ndarray, shape (M,)
        Measured offset of the line's middle from its projection, px; NaN where not seen.
    sd : ndarray, shape (M,)
        px.
    weight : ndarray, shape (M,)
        Robust weight in the fit, 0 to 1.
    support : ndarray, shape (4,)
        Share of each line, inside the frame, that agreed with the fit.
    contrast : float
        Median height of the lines above their surroundings, grey levels.
    residual_px : float
        Rms offset of the stations that agreed.
    look : LineLook
        How this picture shows lines.
    """

    stations: Stations
    offset: np.ndarray
    sd: np.ndarray
    weight: np.ndarray
    support: np.ndarray
    contrast: float
    residual_px: float
    look: LineLook


def lay_stations(
    camera: Camera, *, step_px: float = STATION_STEP, most: int = MAX_STATIONS
) -> Stations:
    """Lay stations evenly in the picture along the four lines, inside the frame only."""
    inset = EDGE_LINE / 2
    points, lines = [], []
    for k in range(4):
        a, b = CORNERS[k], CORNERS[(k + 1) % 4]
        dense = np.linspace(0.004, 0.996, 400)[:, None]
        candidates = a + (b - a) * dense
        pixels = camera.project(candidates)
        inside = _inside(pixels, camera.size, 3.0)
        if inside.sum() < 2:
            continue
        seg = np.where(inside[1:] & inside[:-1], np.hypot(*np.diff(pixels, axis=0).T), 0.0)
        along = np.concatenate([[0.0], np.cumsum(seg)])
        n = int(np.clip(along[-1] / step_px, 4, most))
        t = np.interp((np.arange(n) + 0.5) / n * along[-1], along, dense[:, 0])
        points.append(a + (b - a) * t[:, None])
        lines.append(np.full(n, k))
    if not points:
        empty = np.empty((0, 2))
        return Stations(points=np.empty((0, 3)), line=np.empty(0, int), centre=empty,
                        normal=empty, width=np.empty(0))  # fmt: skip
    outer, line = np.vstack(points), np.concatenate(lines)
    inward = np.array([[0, 1, 0], [-1, 0, 0], [0, -1, 0], [1, 0, 0]], dtype=float)[line]
    middle = np.clip(
        outer + inset * inward,
        [-HALF_LENGTH + inset, -HALF_WIDTH + inset, 0],
        [HALF_LENGTH - inset, HALF_WIDTH - inset, 0],
    )
    tangent_m = np.array([[1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0]], dtype=float)[line]
    centre = camera.project(middle)
    tangent = camera.project(middle + 1e-3 * tangent_m) - centre
    across = camera.project(middle + 1e-3 * inward) - centre
    tangent /= np.hypot(*tangent.T)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    side = np.sign((normal * across).sum(axis=1))
    normal *= side[:, None]
    width = np.abs((normal * across).sum(axis=1)) * (EDGE_LINE / 1e-3)
    return Stations(points=middle, line=line, centre=centre, normal=normal, width=width)


def fit_edges(
    luma: np.ndarray,
    start: Camera,
    prior: LensPrior,
    *,
    search_px: tuple[float, ...] = (7.0, 2.5, 1.0),
    strip: Strip | None = None,
) -> tuple[CameraFit, EdgeEvidence]:
    """Fit the camera to both sides of the white lines of one picture.

    Parameters
    ----------
    luma : ndarray, shape (height, width)
        Grey levels, uint8 or float32.
    start : Camera
        Near the truth: the lines are looked for within `search_px[0]` of where it puts them.
    prior : LensPrior
        Of the lens.
    search_px : tuple of float
        Half range of the search in each pass.
    strip : Strip, optional
        Where no line is looked for.

    Returns
    -------
    tuple of CameraFit and EdgeEvidence
        The evidence belongs to the last pass; its stations lie where the camera before that pass
        put them.

    Raises
    ------
    ValueError
        When the table lies outside the picture or has no white lines there.
    """
    camera = start
    fit: CameraFit | None = None
    look = LineLook()
    for number, reach in enumerate(search_px):
        last = number == len(search_px) - 1
        first = number == 0
        stations = lay_stations(camera, step_px=STATION_STEP * (4 if first else 1 if last else 2))
        if len(stations.line) < 16:
            break
        guess, contrast = find_bright_line(
            luma, stations, reach, by_line=first, borders=True, strip=strip
        )
        if first:
            offset = np.where(contrast > 6, guess, np.nan)
            sd = np.full(len(offset), 1.0)
        else:
            offset, sd, contrast, look = _fine(luma, stations, guess, reach, learn=last)
            if not last:  # so that a whole line off by some px pulls, and is not an outlier
                sd = np.hypot(sd, reach / 4)
        centre, normal, width = stations.centre, stations.normal, stations.width
        points = stations.points
        if strip is not None:
            offset = np.where(strip.covers(centre + offset[:, None] * normal), np.nan, offset)

        weigh, target = across_lines(stations, offset, sd)
        fit = fit_camera(
            points, weigh, target, camera, prior, robust=True, inflate=CORRELATION, n_steps=12
        )
        if first and _left_out(stations, offset, fit.weights) > 1:
            # so few lines leave the camera open: those off by some px are no outliers
            wide = np.full(len(offset), np.hypot(1.0, reach / 4))
            weigh, target = across_lines(stations, offset, wide)
            fit = fit_camera(
                points, weigh, target, camera, prior, robust=True, inflate=CORRELATION, n_steps=12
            )
        moved = ((fit.camera.project(points) - centre) * normal).sum(axis=1)
        camera = fit.camera
        if not last and _support(stations, np.abs(moved - offset) < 2.0 + 0.1 * width).sum() < 1.2:
            raise ValueError("there are no white lines where the table should be")
    if fit is None:
        raise ValueError("the table lies outside the picture")
    fit = replace(fit, covariance=fit.covariance + line_errors(fit, stations, sd))
    agree = (np.abs(moved - offset) < 1.0 + 0.1 * width) & np.isfinite(offset)
    support = _support(stations, agree)
    good = agree & (fit.weights > 0)
    rms = float(np.sqrt(np.mean((moved - offset)[good] ** 2))) if good.any() else float("nan")
    evidence = EdgeEvidence(
        stations=stations,
        offset=offset,
        sd=sd,
        weight=fit.weights,
        support=support,
        contrast=float(np.median(contrast[good])) if good.any() else 0.0,
        residual_px=rms,
        look=look,
    )
    return fit, evidence


def _left_out(stations: Stations, offset: np.ndarray, weights: np.ndarray) -> int:
    """How many lines were found, but have no weight in a fit."""
    found = _support(stations, np.isfinite(offset)) > FOUND
    return int((found & (_support(stations, weights > 0) < FOUND / 4)).sum())


def _support(stations: Stations, agree: np.ndarray) -> np.ndarray:
    """Share of each line's stations that agree, shape (4,)."""
    total = np.bincount(stations.line, minlength=4)
    return np.bincount(stations.line, weights=agree, minlength=4) / np.maximum(total, 1)


def predict_fit(camera: Camera, prior: LensPrior, *, sd_px: float) -> CameraFit:
    """The fit that this camera's lines would give, measured with an sd of `sd_px` at a station.

    Raises
    ------
    ValueError
        When hardly any line lies inside the frame.
    """
    stations = lay_stations(camera)
    if len(stations.line) < 16:
        raise ValueError("the table lies outside the picture")

    sd = np.full(len(stations.line), sd_px)
    weigh, target = across_lines(stations, np.zeros(len(sd)), sd)
    # the prior's middle is put where the camera is, so that nothing pulls the fit away from it
    u, v = camera.matrix[:2, 2]
    prior = replace(
        prior,
        focal_px=float(camera.matrix[0, 0]),
        k1=float(camera.distortion[0]),
        principal=(float(u), float(v)),
    )
    fit = fit_camera(stations.points, weigh, target, camera, prior, inflate=CORRELATION, n_steps=0)
    return replace(fit, covariance=fit.covariance + line_errors(fit, stations, sd))


def across_lines(
    stations: Stations, offset: np.ndarray, sd: np.ndarray
) -> tuple[Callable[[np.ndarray], np.ndarray], np.ndarray]:
    """What `fit_camera` asks for, of offsets across the lines.

    Parameters
    ----------
    stations : Stations
    offset, sd : ndarray, shape (M,)
        Measured at each station and its standard deviation, px; NaN where nothing was.

    Returns
    -------
    weigh : callable
    target : ndarray, shape (M,)
        See `calibration.camera_fit.fit_camera`.
    """
    rows = (stations.normal / sd[:, None])[:, :, None]

    def weigh(pixels: np.ndarray) -> np.ndarray:
        return np.asarray(rows[:, 0] * pixels[:, 0] + rows[:, 1] * pixels[:, 1])

    return weigh, weigh(stations.centre[:, :, None])[:, 0] + offset / sd


def line_errors(fit: CameraFit, stations: Stations, sd: np.ndarray) -> np.ndarray:
    """Covariance of the camera from errors that a whole line shares: light, blur, what is behind.

    Parameters
    ----------
    fit : CameraFit
    stations : Stations
        Those of the fit; numbers beyond the four lines' are left out.
    sd : ndarray, shape (M,)
        px, with which they were weighed.

    Returns
    -------
    ndarray, shape (10, 10)
    """
    out = np.zeros_like(fit.covariance)
    for k in range(4):
        rows = stations.line == k
        if not rows.any():
            continue
        thin = np.clip(1 - np.median(stations.width[rows]) / THIN_PX, 0, 1)
        answer = fit.gain[:, rows] @ (1 / sd[rows])
        out += (LINE_SD_PX + THIN_LINE_SD_PX * thin) ** 2 * np.outer(answer, answer)
    return out


def _fine(
    luma: np.ndarray, stations: Stations, guess: np.ndarray, reach: float, *, learn: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray, LineLook]:
    """Fit the three-level profile at every station: offset, its sd, px, and the line's height.

    Also how the lines looked.
    """
    width = stations.width
    half_range = float(width.max()) / 2 + 5.5
    offsets = np.arange(-half_range, half_range + PROFILE_STEP, PROFILE_STEP)
    moved = Stations(
        points=stations.points,
        line=stations.line,
        centre=stations.centre + guess[:, None] * stations.normal,
        normal=stations.normal,
        width=width,
    )
    # blur mixes light: in grey levels a bright line looks wider, towards a dark side alone
    about = sample_neighbours(luma, moved, offsets)
    wide = np.flatnonzero(width > 3.0)
    enough = len(wide) >= 30
    sample = wide if enough else np.arange(len(width))
    sample = sample[:: max(1, len(sample) // 100)]
    gamma = GAMMA
    if learn and enough:
        gamma = learn_gamma(about.of(sample), offsets, width[sample])
    profiles = about.light(gamma)
    blur, extra = blur_and_excess(profiles[sample], offsets, width[sample])
    # where no line is much wider than its blur, a line may seem narrower; none is made so
    look = LineLook(gamma, blur, max(extra, 0.0))
    effective = np.where(width > 3.0, width + extra, width)
    delta, variance, rms, levels = fit_profiles(profiles, offsets, effective, blur, n_steps=4)
    outer, white, inner = levels.T
    plain = (
        np.isfinite(delta)
        & np.isfinite(profiles[:, len(offsets) // 2])
        & (np.abs(delta) < 2.0)
        & (np.abs(delta + guess) <= reach + 1.0)
        & (white - inner > 3 * rms)
        & (white - inner > 5)
        & (variance < 1.0)
    )
    height = white - np.maximum(outer, inner)
    usual = float(np.percentile((white - inner)[plain], 70)) if plain.any() else 0.0
    seen = np.zeros(len(width), dtype=bool)
    extra_sd = np.zeros(len(width))
    for k in range(4):
        rows = stations.line == k
        candidates = rows & plain
        if candidates.sum() < 3:
            continue
        ridge = candidates & (height > RIDGE_SHARE * np.percentile(height[candidates], 80))
        ridge &= height > RIDGE_SHARE / 2 * usual
        seen |= ridge
        if ridge.sum() < 0.2 * rows.sum():
            # no line stands out here: a bright ground behind it; its inner side still counts
            step = candidates & ~ridge & (np.abs(white - inner - usual) < 0.35 * usual)
            seen |= step
            extra_sd[step] = 0.5
    offset = np.where(seen, delta + guess, np.nan)
    sd = np.sqrt(np.where(seen, variance, 1.0) + FLOOR_PX**2 + extra_sd**2)
    return offset, sd, height, look


def _inside(pixels: np.ndarray, size: tuple[int, int], margin: float) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        return (
            (pixels[:, 0] >= margin)
            & (pixels[:, 1] >= margin)
            & (pixels[:, 0] <= size[0] - 1 - margin)
            & (pixels[:, 1] <= size[1] - 1 - margin)
        )
