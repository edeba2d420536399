"""map.png: where the serves of one clip landed, on the table to scale, with what was counted.

The server stands at the bottom, serves from the other end are turned by half a turn, and left and
right are the server's. From 15 landed serves on their density is drawn under the points, see
`placement.density`; misses are counted beside the table and never drawn in.
"""

from __future__ import annotations

from collections import Counter
from typing import Literal

import cv2
import numpy as np

from calibration import radius_95, table
from placement.analysis import Analysis, Serve
from placement.canvas import (
    INK,
    MARK,
    RIM,
    SOFT,
    SURFACE,
    WHITE,
    Canvas,
    Frame,
    ellipse_points,
    paper_scale,
)
from placement.density import MIN_POINTS, DensityMap, estimate_density, half_bounds
from placement.zones import (
    classify_receiver_side,
    depth_rule,
    face_one_way,
    to_server_frame,
)

LANDED = ("good", "let")
MISSED = ("net", "missed", "own-twice")
ENDS = "negative-x end: the lower one in the film's picture, the left one when level"

_SIZE = (1080, 1130)  # px
_TABLE = Frame(origin=(315.0, 574.0), scale=322.0)
_COLUMN = 640  # px, where the words begin
_MOST_NUMBERS = 30  # serves beyond which their numbers would cover each other
_SQUARE = 0.01  # m^2: densities are read as shares of a square of 10 cm


def draw_map(analysis: Analysis) -> np.ndarray:
    """Draw where the serves of a clip landed.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
        BGR.
    """
    serves = [s for s in analysis.serves if "cut-off" not in s.flags]
    landed = [s for s in serves if s.outcome in LANDED and np.isfinite(s.landing).all()]
    canvas = Canvas(*_SIZE)
    _draw_surface(canvas)
    density = _density(landed)
    if density is not None and density.density is not None:
        _draw_density(canvas, density)
    _draw_lines(canvas)
    _draw_first_bounces(canvas, analysis, serves)
    _draw_landings(canvas, landed, faint=density is not None and density.density is not None)
    canvas.text((40, 48), analysis.clip.path.stem, size=26, weight=600)
    outcomes = Counter(s.outcome for s in serves)
    named = ", ".join(
        f"{outcomes[o]} {o}" for o in (*LANDED, *MISSED, "unclear") if outcomes.get(o)
    )
    canvas.text((40, 76), f"{len(serves)} serves" + (f": {named}" if named else ""), size=17)
    _write_column(canvas, analysis, serves, landed, density)
    _write_foot(canvas, serves)
    return canvas.image


def _density(landed: list[Serve]) -> DensityMap | None:
    if len(landed) < MIN_POINTS:
        return None
    points = face_one_way(np.array([s.landing for s in landed]), [s.server_end for s in landed])
    sure = [s.landing_covariance for s in landed if np.isfinite(s.landing_covariance).all()]
    return estimate_density(
        points, bounds=half_bounds(-1), measurement=np.array(sure) if sure else 0.02
    )


def _draw_surface(canvas: Canvas) -> None:
    canvas.fill(_TABLE(_rectangle(-1, 1)), SURFACE)


def _rectangle(low: float, high: float) -> np.ndarray:
    """Corners of the part of the table between two shares of the half length, picture axes."""
    w, h = table.HALF_WIDTH, table.HALF_LENGTH
    return np.array([[-w, low * h], [w, low * h], [w, high * h], [-w, high * h]])


def _draw_density(canvas: Canvas, density: DensityMap) -> None:
    assert density.density is not None
    (u0, v0), (u1, v1) = _TABLE(np.array([[-table.HALF_WIDTH, table.HALF_LENGTH],
                                          [table.HALF_WIDTH, 0.0]]))  # fmt: skip
    width, height = round(u1 - u0), round(v1 - v0)
    # rows are x from the net, columns y; the picture shows x upwards and +y to the left
    seen = np.ascontiguousarray(density.density[::-1, ::-1]).astype(np.float32)
    fine = cv2.resize(seen, (width, height), interpolation=cv2.INTER_CUBIC)
    top = float(fine.max())
    shade = np.clip(fine / top * 255, 0, 255).astype(np.uint8)
    canvas.paste(paper_scale()[shade], round(u0), round(v0))
    for share, colour, dashed in ((0.9, INK, True), (0.5, WHITE, False)):
        inside = (fine >= density.level_holding(share)).astype(np.uint8)
        # one pixel of rim closes outlines at the table's edge
        rimmed = cv2.copyMakeBorder(inside, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
        for outline in cv2.findContours(rimmed, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)[0]:
            points = _smooth(outline.reshape(-1, 2) + np.array([u0 - 1, v0 - 1]))
            points = np.clip(points, (u0, v0), (u1, v1))
            if dashed:
                canvas.dashes(np.vstack([points, points[:1]]), colour, 1)
            else:
                canvas.line(points, INK, 4, closed=True)
                canvas.line(points, colour, 2, closed=True)
    _draw_scale(canvas, top)


def _smooth(points: np.ndarray, reach: int = 3) -> np.ndarray:
    """A closed outline without the steps of its pixels."""
    if len(points) < 4 * reach:
        return points
    sums = sum(np.roll(points, k, axis=0) for k in range(-reach, reach + 1))
    return np.asarray(sums / (2 * reach + 1))


def _draw_scale(canvas: Canvas, top: float) -> None:
    left, right, level = _COLUMN, _COLUMN + 220, 980
    ramp = paper_scale()[np.linspace(0, 255, right - left).astype(int)][None]
    canvas.paste(np.repeat(ramp, 14, axis=0), left, level)
    canvas.line(np.array([[left, level], [right, level], [right, level + 14], [left, level + 14]]),
                RIM, closed=True)  # fmt: skip
    canvas.text((left, level + 32), "0", size=13, colour=SOFT)
    canvas.text((right, level + 32), f"{top * _SQUARE:.0%}", size=13, colour=SOFT, align="right")
    canvas.text((left, level - 28), "share of the landed serves in a", size=14, colour=SOFT)
    canvas.text((left, level - 9), "10 cm square; solid line holds half,", size=14, colour=SOFT)
    canvas.text((left, level + 54), "dashed line nine tenths of them", size=14, colour=SOFT)


def _draw_lines(canvas: Canvas) -> None:
    w, h, line = table.HALF_WIDTH, table.HALF_LENGTH, table.EDGE_LINE
    for x0, y0, x1, y1 in (
        (-w, -h, -w + line, h), (w - line, -h, w, h), (-w, -h, w, -h + line), (-w, h - line, w, h),
    ):  # fmt: skip
        canvas.fill(_TABLE(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])), WHITE)
    canvas.line(_TABLE(_rectangle(-1, 1)), RIM, closed=True)
    canvas.line(_TABLE(np.array([[0, -h], [0, h]])), WHITE, 1)  # 3 mm to scale is one pixel
    for x in (-w / 3, w / 3):
        canvas.dashes(_TABLE(np.array([[x, 0], [x, h]])), SOFT, dash=2, gap=6)
    for y in (h / 3, 2 * h / 3):
        canvas.dashes(_TABLE(np.array([[-w, y], [w, y]])), SOFT, dash=2, gap=6)
    net = table.NET_SPAN / 2
    canvas.line(_TABLE(np.array([[-net, 0], [net, 0]])), INK, 3)
    ((u, v),) = _TABLE(np.array([[net, 0.0]]))
    canvas.text((u + 6, v + 5), "net", size=14, colour=SOFT)
    middle, bottom = _TABLE(np.array([[0.0, -h]]))[0]
    canvas.text((middle, bottom + 24), "server's end", size=15, colour=SOFT, align="centre")
    canvas.text(
        (middle, bottom + 44), "left and right as the server sees them", size=14, colour=SOFT,
        align="centre",
    )  # fmt: skip
    top = _TABLE(np.array([[0.0, h]]))[0, 1]
    canvas.text((middle, top - 12), "receiver's end", size=15, colour=SOFT, align="centre")


def _draw_first_bounces(canvas: Canvas, analysis: Analysis, serves: list[Serve]) -> None:
    """Small crosses where serves met the server's own half."""
    for serve in serves:
        for k in serve.bounces:
            bounce = analysis.bounces[k]
            if bounce.kind == "serve" and bounce.point[0] * serve.server_end > 0:
                (place,) = _TABLE(to_server_frame(bounce.point[None], serve.server_end))
                for arm in np.array([[4, 4], [4, -4]]):
                    canvas.line(np.array([place - arm, place + arm]), SOFT)


def _draw_landings(canvas: Canvas, landed: list[Serve], *, faint: bool) -> None:
    turn = np.array([[0.0, -1.0], [1.0, 0.0]])
    places = {}
    for serve in landed:
        seen = to_server_frame(serve.landing[None], serve.server_end)
        (places[serve.number],) = _TABLE(seen)
        if np.isfinite(serve.landing_covariance).all():
            covariance = turn @ serve.landing_covariance @ turn.T
            outline = _TABLE(ellipse_points(seen[0], covariance))
            canvas.fill(outline, MARK, 0.12 if faint else 0.25)
            canvas.line(outline, MARK, closed=True)
    for serve in landed:
        draw_depth_mark(canvas, places[serve.number], serve.depth)
    if len(landed) <= _MOST_NUMBERS:
        for serve in landed:
            u, v = places[serve.number]
            canvas.text((u + 9, v - 6), str(serve.number), size=13, halo=WHITE)


def draw_depth_mark(canvas: Canvas, place: np.ndarray, depth: str, radius: float = 5.0) -> None:
    """Full for short, half-full for half-long, open for long, a small cross for unknown."""
    if depth not in ("short", "half-long", "long"):
        for arm in radius * np.array([[1, 1], [1, -1]]):
            canvas.line(np.array([place - arm, place + arm]), MARK, 2)
        return
    canvas.ring(place, radius + 1.2, WHITE, -1)
    if depth == "short":
        canvas.ring(place, radius, MARK, -1)
    else:
        canvas.ring(place, radius, MARK, 2)
        if depth == "half-long":
            angle = np.linspace(np.pi / 2, 3 * np.pi / 2, 16)
            half = radius * np.column_stack([np.cos(angle), np.sin(angle)])
            canvas.fill(place + half, MARK)


def _write_column(
    canvas: Canvas,
    analysis: Analysis,
    serves: list[Serve],
    landed: list[Serve],
    density: DensityMap | None,
) -> None:
    level = 142.0

    def write(words: str, *, size: int = 16, weight: int = 400, soft: bool = False,
              gap: float = 24.0, indent: float = 0.0) -> None:  # fmt: skip
        nonlocal level
        canvas.text((_COLUMN + indent, level), words, size=size, weight=weight,
                    colour=SOFT if soft else INK)  # fmt: skip
        level += gap

    missed = Counter(s.outcome for s in serves if s.outcome in MISSED)
    write(f"landed {len(landed)}, missed {missed.total()}", size=20, weight=600, gap=26)
    if missed:
        write(", ".join(f"{missed[o]} {o}" for o in MISSED if missed[o]), soft=True)
    unclear = sum(s.outcome == "unclear" for s in serves)
    if unclear:
        write(f"unclear {unclear}, not in the map", soft=True)
    if density is None and landed:
        write(f"fewer than {MIN_POINTS} landed: points only", soft=True)
    level += 14
    band = float(analysis.settings.get("band_m", 0.15) or 0.15)
    write("Depth, by the second bounce", weight=600)
    for name in ("short", "half-long", "long"):
        draw_depth_mark(canvas, np.array([_COLUMN + 8.0, level - 5]), name)
        write(_counted(landed, "depth", name), indent=24)
    for words in _wrap(depth_rule(band), 46):
        write(words, size=14, soft=True, gap=19)
    level += 18
    write("Side, where it landed", weight=600)
    for name in ("left", "middle", "right"):
        write(_counted(landed, "side", name), indent=24)
    hand = analysis.settings.get("receiver_hand")
    if hand in ("left", "right"):
        write(_receiver_sides(landed, hand), size=15, indent=24)
    level += 14
    write("Third of the receiver's half", weight=600)
    for name in ("near net", "middle", "end"):
        write(f"{name}  {sum(s.landing_third == name for s in landed)}", indent=24)
    level += 14
    sure = [s.landing_covariance for s in landed if np.isfinite(s.landing_covariance).all()]
    if sure:
        radius = float(np.median(radius_95(np.array(sure)))) * 1e3
        write("How sure", weight=600)
        write(f"half of these places are known to {radius:.0f} mm", size=15, gap=20)
        write("or better (95 %); see each place's ellipse", size=15, gap=24)
    net = analysis.calibration.net
    if net is not None and np.isfinite(net.residual_mm):
        write(f"check at the net: {net.residual_mm:.1f} mm, {net.residual_px:.2f} px off", size=15)


def _receiver_sides(landed: list[Serve], hand: Literal["left", "right"]) -> str:
    """How many serves fell to the receiver's forehand, middle and backhand."""
    sides = classify_receiver_side(
        [s.landing[1] for s in landed],
        [np.sqrt(s.landing_covariance[1, 1]) for s in landed],
        [s.server_end for s in landed],
        receiver_hand=hand,
    )
    counts = ", ".join(f"{name} {n}" for name, n in sides.counts().items())
    return f"to a {hand}-hander: {counts}"


def _counted(landed: list[Serve], field: str, name: str) -> str:
    chosen = [s for s in landed if getattr(s, field) == name]
    close = sum(f"close-call-{field}" in s.flags for s in chosen)
    doubt = f"  ({close} close call{'s' * (close > 1)})" if close else ""
    return f"{name}  {len(chosen)}{doubt}"


def _write_foot(canvas: Canvas, serves: list[Serve]) -> None:
    words = ENDS
    ends = Counter(s.server_end for s in serves)
    if ends:
        words += f"; {ends[-1]} served from there, {ends[1]} from the other end (turned)"
    canvas.text((40, 1092), words, size=14, colour=SOFT)
    canvas.text(
        (40, 1112), "Cross: first bounce. This supports a teacher's judgement; it is not a mark.",
        size=14, colour=SOFT,
    )  # fmt: skip


def _wrap(words: str, most: int) -> list[str]:
    lines = [""]
    for word in words.split():
        if len(lines[-1]) + len(word) + 1 > most and lines[-1]:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines
