"""check.png: the film's still with the table, the net and every bounce drawn where they should be.

What is drawn is what was measured, put back through the camera: if the lines lie on the lines and
the ellipses where the ball met the table, the figures can be trusted. The still is cropped to the
table, and blurred outside the playing area unless asked otherwise: pupils stand there.
"""

from __future__ import annotations

import cv2
import numpy as np

from calibration import Calibration, table
from placement.analysis import Analysis
from placement.canvas import WHITE, Canvas, Colour, ellipse_points

_WIDTH = (1000, 1600)  # px, least and most
_SIDE, _ABOVE, _BELOW = 0.09, 0.30, 0.09  # margins, as shares of the table's width in the picture
_MARKINGS: Colour = (200, 30, 255)  # stands out from white lines and from any table
_BOUNCE: Colour = (60, 200, 255)
_SEAM: Colour = (30, 24, 18)
_CAPTION = 52  # px
_COARSE = 24  # blocks across a picture whose people nobody can know
_RIM = 0.05  # kept sharp about the table, as a share of its width in the picture


def draw_check(analysis: Analysis, *, whole_still: bool = False) -> np.ndarray:
    """Draw the table, the net and every bounce back into the film's still.

    Parameters
    ----------
    analysis : Analysis
    whole_still : bool
        Neither crop nor blur.

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
        BGR.
    """
    calibration = analysis.calibration
    picture, origin = _still(analysis.still, calibration, whole=whole_still)
    scale = float(np.clip(picture.shape[1], *_WIDTH)) / picture.shape[1]
    if scale != 1:
        way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
        picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=way)
    captioned = cv2.copyMakeBorder(
        picture, 0, _CAPTION, 0, 0, cv2.BORDER_CONSTANT, value=(255, 255, 255)
    )
    canvas = Canvas.over(captioned)

    def seen(points: np.ndarray) -> np.ndarray:
        # pixel centres lie at integers, so that scaling moves the picture by half a pixel's growth
        return (calibration.camera.project(points) - origin + 0.5) * scale - 0.5

    for line in table_lines():
        canvas.line(seen(line), _MARKINGS, 1)
    _name_ends(canvas, seen)
    for bounce in analysis.bounces:
        outline = ellipse_points(bounce.point, bounce.covariance)
        height = np.full((len(outline), 1), table.BALL_RADIUS)
        ring = seen(np.hstack([outline, height]))
        canvas.line(ring, _SEAM, 3, closed=True)
        canvas.line(ring, _BOUNCE, 1, closed=True)
        (centre,) = seen(np.append(bounce.point, table.BALL_RADIUS)[None])
        if bounce.kind == "serve":
            canvas.ring(centre, 2.5, _SEAM, -1)
            canvas.ring(centre, 1.8, _BOUNCE, -1)
        if bounce.kind == "serve" and bounce.serve is not None and len(analysis.serves) <= 30:
            canvas.text(
                (float(centre[0]) + 7, float(centre[1]) - 5), str(bounce.serve), size=14,
                colour=WHITE, halo=_SEAM,
            )  # fmt: skip
    _write_caption(canvas, analysis)
    return canvas.image


def table_lines(n: int = 24) -> list[np.ndarray]:
    """The outline, the centre line and the net as lines of `n` points, each (n, 3), m."""
    w, h, net, top = table.HALF_WIDTH, table.HALF_LENGTH, table.NET_SPAN / 2, table.NET_HEIGHT
    ends = [
        ((-h, -w, 0), (h, -w, 0)), ((h, -w, 0), (h, w, 0)), ((h, w, 0), (-h, w, 0)),
        ((-h, w, 0), (-h, -w, 0)), ((-h, 0, 0), (h, 0, 0)), ((0, -net, top), (0, net, top)),
        ((0, -net, 0), (0, -net, top)), ((0, net, 0), (0, net, top)), ((0, -w, 0), (0, w, 0)),
    ]  # fmt: skip
    return [np.linspace(a, b, n) for a, b in ends]


def _still(
    still: np.ndarray, calibration: Calibration, *, whole: bool
) -> tuple[np.ndarray, np.ndarray]:
    """The picture to draw on and the pixel of the still at its upper left corner."""
    if whole:
        return still, np.zeros(2)
    height, width = still.shape[:2]
    low, high = calibration.corners_px.min(axis=0), calibration.corners_px.max(axis=0)
    size = float(high[0] - low[0])
    low = np.clip(np.floor(low - size * np.array([_SIDE, _ABOVE])), 0, (width, height)).astype(int)
    high = np.clip(np.ceil(high + size * np.array([_SIDE, _BELOW])), 0, (width, height)).astype(int)
    part = np.ascontiguousarray(still[low[1] : high[1], low[0] : high[0]])
    return blur_outside(part, calibration.corners_px - low), low.astype(float)


def blur_outside(picture: np.ndarray, corners_px: np.ndarray) -> np.ndarray:
    """Blur a picture beyond recognition outside the table and a narrow rim about it.

    Parameters
    ----------
    picture : ndarray of uint8, shape (H, W, 3)
    corners_px : ndarray, shape (4, 2)
        Of the table in it.

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
    """
    height, width = picture.shape[:2]
    # a face is gone when the picture is this coarse; smoothing then hides the blocks
    coarse = (_COARSE, max(2, round(_COARSE * height / width)))
    fine = (8 * coarse[0], 8 * coarse[1])
    small = cv2.resize(picture, coarse, interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(cv2.resize(small, fine, interpolation=cv2.INTER_LINEAR), (0, 0), 8)
    soft = cv2.resize(soft, (width, height), interpolation=cv2.INTER_LINEAR)
    mask = np.zeros((height, width), np.uint8)
    outline = np.round(cv2.convexHull(corners_px.astype(np.float32))).astype(np.int32)
    rim = 2 * round(_RIM * float(np.ptp(corners_px[:, 0]))) + 1
    cv2.fillPoly(mask, [outline], 255)
    cv2.polylines(mask, [outline], True, 255, rim, cv2.LINE_AA)
    return np.where(mask[:, :, None] > 127, picture, soft)


def _name_ends(canvas: Canvas, seen: object) -> None:
    assert callable(seen)
    for x, words in ((-1.0, "negative-x end"), (1.0, "positive-x end")):
        (place,) = seen(np.array([[x * (table.HALF_LENGTH + 0.14), 0.0, 0.0]]))
        if np.isfinite(place).all():
            canvas.text(
                (float(place[0]), float(place[1])), words, size=14, colour=WHITE, align="centre",
                halo=_SEAM,
            )  # fmt: skip


def _write_caption(canvas: Canvas, analysis: Analysis) -> None:
    level = canvas.size[1] - _CAPTION
    net = analysis.calibration.net
    words = "The drawn lines must lie on the table's lines, the upper line on the net's tape."
    if net is not None and np.isfinite(net.residual_px):
        words += f" Net off by {net.residual_px:.2f} px, {net.residual_mm:.1f} mm."
    canvas.text((14, level + 21), words, size=15)
    n = len(analysis.bounces)
    count = "1 bounce" if n == 1 else f"{n} bounces, each"
    words = f"{count} with the ellipse that holds it with 95 %; dots and numbers: serves."
    canvas.text((14, level + 42), words, size=15)
