"""A strip of stills for the printed page: cropped to the table, people blurred.

Frames are arrays of shape (height, width, 3), uint8, RGB. What lies outside the playing area (the
table with a margin, up to the height of a serve) is blurred beyond recognition before it is
cropped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

Image = NDArray[np.uint8]

MOST_FRAMES = 6
_MARGIN = 0.06  # of the table's width in the picture, kept sharp around the surface
_BLUR = 0.05  # sd of the blur, as a share of the crop's width: a face is gone at that
_COARSE = 24  # blocks across the crop before blurring, so that no sharpening brings a face back


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Still:
    """One picture of the strip."""

    image: Image  # shape (height, width, 3), RGB
    caption: str
    alt: str  # what it shows, for those who do not see it


def pick_serves(judged: pd.DataFrame, *, most: int = MOST_FRAMES) -> pd.DataFrame:
    """Serves for the strip: the typical ones and the best ones, by a rule and not by hand.

    Best are hits that landed nearest to the middle of what the student's hits show for that target;
    typical are the good serves nearest to the median place of their target. A rule that is stated
    keeps the page from showing lucky pictures only.

    Parameters
    ----------
    judged : DataFrame
        From `figures.judge`.
    most : int
        Most serves wanted.

    Returns
    -------
    DataFrame
        Rows of `judged` with ``why`` (typical or best), at most `most`.
    """
    landed = judged[judged["x_m"].notna() & judged["y_m"].notna() & (judged["target"] != "")]
    if not len(landed):
        return landed.assign(why="")
    middle = landed.groupby("target")[["x_m", "y_m"]].transform("median")
    off = np.hypot(landed["x_m"] - middle["x_m"], landed["y_m"] - middle["y_m"])
    landed = landed.assign(_off=off)
    sure = landed[(landed["hit"] == 1.0) & ~landed["close"]].sort_values("_off")
    best = sure.groupby("target", sort=False).head(1).head(most // 2).assign(why="best")
    rest = landed.drop(index=best.index)
    # The serve whose distance from the usual place is itself the usual one.
    usual = rest.groupby("target")["_off"].transform("median")
    rest = rest.assign(_off=(rest["_off"] - usual).abs()).sort_values("_off")
    typical = rest.groupby("target", sort=False).head(2).head(most - len(best))
    chosen = pd.concat([typical.assign(why="typical"), best]).drop(columns="_off")
    return chosen.sort_values(["why", "drill_id", "t_start_s"], ascending=[False, True, True])


def private_crop(
    frame: Image, corners_px: Sequence[Sequence[float]], *, blur_outside: bool = True
) -> Image:
    """Crop a frame to the table and blur everything outside the playing area.

    Parameters
    ----------
    frame : ndarray, shape (height, width, 3)
        Upright frame.
    corners_px : sequence of (u, v)
        The table's four corners in order, px.
    blur_outside : bool
        False only where the school asked for it.

    Returns
    -------
    ndarray, shape (h, w, 3)

    Raises
    ------
    ValueError
        If the corners do not lie in the frame's neighbourhood.
    """
    corners = np.asarray(corners_px, dtype=float).reshape(-1, 2)
    height, width = frame.shape[:2]
    size = float(np.ptp(corners[:, 0]))
    low = corners.min(axis=0) - (0.10 * size, 0.35 * size)
    high = corners.max(axis=0) + 0.10 * size
    left, top = np.clip(np.floor(low), 0, (width, height)).astype(int)
    right, bottom = np.clip(np.ceil(high), 0, (width, height)).astype(int)
    if right - left < 8 or bottom - top < 8:
        raise ValueError(f"the table's corners {corners.tolist()} do not lie in the frame")
    crop = np.ascontiguousarray(frame[top:bottom, left:right])
    if not blur_outside:
        return crop
    h, w = crop.shape[:2]
    small = cv2.resize(
        crop, (_COARSE, max(2, round(_COARSE * h / w))), interpolation=cv2.INTER_AREA
    )
    blurred = cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)
    blurred = cv2.GaussianBlur(blurred, (0, 0), max(1.0, _BLUR * w))
    sharp = _playing_area(corners - (left, top), (h, w), _MARGIN * size)
    weight = cv2.GaussianBlur(sharp, (0, 0), max(1.0, 0.004 * w))[:, :, None]
    # Softening only eats into the sharp region: nothing outside it may shine through.
    weight = np.minimum(weight, sharp[:, :, None])
    return np.asarray(np.round(crop * weight + blurred * (1 - weight)), dtype=np.uint8)


def mark_ball(crop: Image, place_px: tuple[float, float], *, radius: int = 14) -> Image:
    """A copy with a ring around the ball, white with a dark seam so that it prints."""
    marked = crop.copy()
    centre = (round(place_px[0]), round(place_px[1]))
    cv2.circle(marked, centre, radius, (20, 20, 20), 5, cv2.LINE_AA)
    cv2.circle(marked, centre, radius, (255, 255, 255), 2, cv2.LINE_AA)
    return marked


def fit_width(crop: Image, width: int = 480) -> Image:
    """The crop at a width that is enough for print, never enlarged."""
    if crop.shape[1] <= width:
        return crop
    height = max(1, round(crop.shape[0] * width / crop.shape[1]))
    return np.asarray(cv2.resize(crop, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


def _playing_area(corners: np.ndarray, shape: tuple[int, int], margin: float) -> np.ndarray:
    """1 within the table's outline grown by a margin, 0 outside, shape (h, w), float."""
    mask = np.zeros(shape, dtype=np.uint8)
    hull = cv2.convexHull(np.round(corners).astype(np.int32).reshape(-1, 1, 2))
    cv2.fillConvexPoly(mask, hull, 1)
    reach = max(1, round(margin))
    grown = cv2.dilate(
        mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    )
    return grown.astype(np.float32)
