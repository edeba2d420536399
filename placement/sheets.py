"""Field check: measure A4 sheets that lie on the table at stated places.

A sheet is 297 by 210 mm (ISO 216), known better than any film can measure it, so its measured size
tests the calibration on the user's own table; its measured place tests it together with the user's
tape. The table is looked at from straight above, as the calibration says it is; there the sheet's
four edges are found where the brightness is half way between paper and table.

Table points are (x, y) in m; angles are degrees, counter-clockwise seen from above, of the sheet's
long side against the table's length.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration import Calibration, CalibrationError, radius_95

A4 = (0.297, 0.210)  # m, ISO 216
_CELL = 0.001  # m, of the view from above
_REACH = 0.10  # m around the stated place in which a sheet is looked for
_PROFILE = 0.030  # m looked at on each side of an edge
_LEAST_CONTRAST = 25  # grey levels between paper and table
_AREA = (0.6, 1.5)  # of the sheet's own
_SIZE_OFF = 0.12  # share by which a side may be off: more is another thing, or half covered


class SheetError(CalibrationError):
    """A sheet cannot be measured; one sentence says which and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """Where a sheet was laid.

    Attributes
    ----------
    place : tuple of float
        (x, y) of its middle, m.
    angle_deg : float
    """

    place: tuple[float, float]
    angle_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredSheet:
    """What was measured of it.

    Attributes
    ----------
    sheet : Sheet
        As stated.
    corners : ndarray, shape (4, 2)
        (x, y), m, in order round the sheet.
    place : ndarray, shape (2,)
        (x, y) of its middle, m.
    size : ndarray, shape (2,)
        Long and short side, m.
    expected_95 : float
        Radius within which the calibration alone should place its middle with 95 %, m.
    """

    sheet: Sheet
    corners: np.ndarray
    place: np.ndarray
    size: np.ndarray
    expected_95: float

    @property
    def place_error(self) -> np.ndarray:
        """Measured less stated (x, y), m."""
        return self.place - np.array(self.sheet.place)

    @property
    def size_error(self) -> np.ndarray:
        """Measured less true sides, m."""
        return self.size - np.array(A4)


def measure_sheet(luma: np.ndarray, calibration: Calibration, sheet: Sheet) -> MeasuredSheet:
    """Measure one sheet in a still.

    Parameters
    ----------
    luma : ndarray of uint8, shape (H, W)
        Upright still without people over the sheet.
    calibration : Calibration
        Of that still.
    sheet : Sheet
        Where it was laid.

    Returns
    -------
    MeasuredSheet

    Raises
    ------
    SheetError
        If no bright rectangle of about that size lies there.
    """
    view = _from_above(luma, calibration, sheet)
    rough = _find(view, sheet)
    corners = _to_table(_refine(view, rough), view.shape, sheet)
    middle = corners.mean(axis=0)
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    if np.abs(sides / np.array([*A4, *A4]) - 1).max() > _SIZE_OFF:
        raise SheetError(
            f"what lies at {_words(sheet)} measures {1e3 * sides[0]:.0f} by "
            f"{1e3 * sides[1]:.0f} mm and is no whole A4 sheet; keep it clear of lines, net and "
            "players, and check the angle"
        )
    pixel = calibration.camera.project(np.append(middle, 0.0)[None])
    covariance = calibration.plane_covariance(pixel, 0.0)
    return MeasuredSheet(
        sheet=sheet,
        corners=corners,
        place=middle,
        size=np.array([sides[[0, 2]].mean(), sides[[1, 3]].mean()]),
        expected_95=float(radius_95(covariance)[0]),
    )


def draw_sheets(
    still: np.ndarray, calibration: Calibration, measured: Sequence[MeasuredSheet]
) -> np.ndarray:
    """The still with every sheet outlined where it was measured and where it was stated to lie.

    Parameters
    ----------
    still : ndarray of uint8, shape (H, W, 3)
        BGR.
    calibration : Calibration
    measured : sequence of MeasuredSheet

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
    """
    from placement.canvas import INK, WARM, WHITE, Canvas
    from placement.check_picture import table_lines

    canvas = Canvas.over(still)
    for line in table_lines():
        canvas.line(calibration.camera.project(line), WARM)
    for k, m in enumerate(measured, start=1):
        for corners, colour in ((_outline(m.sheet), INK), (m.corners, WARM)):
            points = np.column_stack([corners, np.zeros(4)])
            canvas.line(calibration.camera.project(points), colour, 1, closed=True)
        u, v = calibration.camera.project(np.append(m.place, 0.0)[None])[0]
        canvas.text((float(u), float(v) + 5), str(k), size=18, align="centre", halo=WHITE)
    return canvas.image


def _outline(sheet: Sheet) -> np.ndarray:
    """The stated corners, shape (4, 2), m."""
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(A4) / 2
    return corners @ _turn(sheet).T + np.array(sheet.place)


def _turn(sheet: Sheet) -> np.ndarray:
    a = np.radians(sheet.angle_deg)
    return np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])


def _from_above(luma: np.ndarray, calibration: Calibration, sheet: Sheet) -> np.ndarray:
    """The place from straight above, the sheet's long side along the columns, 1 mm a pixel."""
    width, height = (round((side + 2 * _REACH) / _CELL) for side in A4)
    across, down = np.meshgrid(np.arange(width), np.arange(height))
    cells = np.column_stack([across.ravel(), down.ravel()]).astype(float)
    places = _to_table(cells, (height, width), sheet)
    pixels = calibration.camera.project(np.column_stack([places, np.zeros(len(places))]))
    limit = np.array(luma.shape[::-1]) - 1
    if not ((pixels >= 0) & (pixels <= limit)).all(axis=1).mean() > 0.9:
        raise SheetError(
            f"the sheet at {_words(sheet)} lies outside the picture; lay it where the film sees it"
        )
    u, v = (pixels[:, k].reshape(height, width).astype(np.float32) for k in (0, 1))
    return cv2.remap(luma, u, v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def _to_table(cells: np.ndarray, shape: tuple[int, ...], sheet: Sheet) -> np.ndarray:
    """Table places of cells (column, row) of the view from above; rows run towards -y."""
    middle = np.array([shape[1] - 1, shape[0] - 1]) / 2
    local = (cells - middle) * np.array([_CELL, -_CELL])
    return local @ _turn(sheet).T + np.array(sheet.place)


def _find(view: np.ndarray, sheet: Sheet) -> np.ndarray:
    """Corners of the bright rectangle nearest to the middle, cells, shape (4, 2)."""
    level, mask = cv2.threshold(
        cv2.GaussianBlur(view, (0, 0), 2), 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU
    )
    bright, dark = view[view > level], view[view <= level]
    contrast = float(np.median(bright)) - float(np.median(dark)) if len(bright) else 0.0
    n, _, stats, centres = cv2.connectedComponentsWithStats(mask)
    area = A4[0] * A4[1] / _CELL**2
    middle = np.array([view.shape[1] - 1, view.shape[0] - 1]) / 2
    likely = [
        k for k in range(1, n) if _AREA[0] * area < stats[k, cv2.CC_STAT_AREA] < _AREA[1] * area
    ]
    if not likely or contrast < _LEAST_CONTRAST:
        raise SheetError(
            f"no sheet was found at {_words(sheet)}; lay white A4 there, its long side as stated, "
            "clear of lines and net, and mind that negative x is the end lower in the picture, the "
            "left one when level"
        )
    best = min(likely, key=lambda k: float(np.hypot(*(centres[k] - middle))))
    labels = cv2.connectedComponents(mask)[1]
    outline = cv2.findContours(
        (labels == best).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )[0][0]
    corners = cv2.boxPoints(cv2.minAreaRect(outline)).astype(float)
    # from the corner at the lower left, round by the lower right one: the order of the outline
    start = int(np.argmin(corners @ [1.0, -1.0]))
    corners = np.roll(corners, -start, axis=0)
    (a, b), (c, d) = corners[1] - corners[0], corners[2] - corners[0]
    if a * d - b * c > 0:
        corners = np.roll(corners[::-1], 1, axis=0)
    return corners


def _refine(view: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """Corners from straight lines through the points of half brightness along each side."""
    lines = []
    offsets = np.arange(-_PROFILE, _PROFILE + _CELL / 2, _CELL / 2) / _CELL
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = (b - a) / np.hypot(*(b - a))
        outward = np.array([-along[1], along[0]])
        if outward @ ((a + b) / 2 - corners.mean(axis=0)) < 0:
            outward = -outward
        stations = a + np.linspace(0.12, 0.88, 80)[:, None] * (b - a)
        at = stations[:, None] + offsets[None, :, None] * outward
        profiles = cv2.remap(
            view, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ).astype(float)  # fmt: skip
        crossing = np.array([_half_way(p, offsets) for p in profiles])
        good = np.isfinite(crossing)
        if good.sum() < 20:
            raise SheetError("an edge of a sheet is not clear; flatten it and light it evenly")
        lines.append(_line(stations[good] + crossing[good, None] * outward))
    previous = [lines[-1], *lines[:-1]]
    return np.array([_meet(p, q) for p, q in zip(previous, lines, strict=True)])


def _half_way(profile: np.ndarray, offsets: np.ndarray) -> float:
    """Where a profile from paper to table passes the middle of the two; NaN if it does not."""
    n = len(profile) // 4
    paper, ground = float(np.median(profile[:n])), float(np.median(profile[-n:]))
    if paper - ground < _LEAST_CONTRAST / 2:
        return float("nan")
    level = (paper + ground) / 2
    below = np.flatnonzero((profile[:-1] >= level) & (profile[1:] < level))
    if len(below) != 1:
        return float("nan")
    k = int(below[0])
    share = (profile[k] - level) / (profile[k] - profile[k + 1])
    return float(offsets[k] + share * (offsets[k + 1] - offsets[k]))


def _line(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A robust straight line: a point and a direction."""
    vx, vy, x, y = cv2.fitLine(points.astype(np.float32), cv2.DIST_HUBER, 0, 1e-4, 1e-6).ravel()
    return np.array([x, y], dtype=float), np.array([vx, vy], dtype=float)


def _meet(p: tuple[np.ndarray, np.ndarray], q: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    share = np.linalg.solve(np.column_stack([p[1], -q[1]]), q[0] - p[0])
    return p[0] + share[0] * p[1]


def _words(sheet: Sheet) -> str:
    return f"({sheet.place[0]:+.2f}, {sheet.place[1]:+.2f})"
