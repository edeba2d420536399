"""One strip per serve and sheets of all: what was fitted, so that a person sees if it is right.

A strip shows the serve from the side (height over length, with the net), from above to the same
scale, and the film's own pixels at the bounces with the fitted path drawn in: the ball must lie in
the ring. The server is always on the left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration import Camera, table
from placement.analysis import Analysis, Bounce, Crop, Serve
from placement.canvas import (
    INK,
    MARK,
    RIM,
    SOFT,
    SURFACE,
    WARM,
    WHITE,
    Canvas,
    Colour,
    Frame,
    ellipse_points,
)
from placement.serve_words import describe_serve, describe_spin, flag_words, name_serve

PER_SHEET = 40

_LENGTH = (-2.05, 2.65)  # m that is drawn, server on the left
_LOWEST, _WIDEST = -0.12, 0.95  # m: beyond lie the words; a ball may fly on past the table
_NEAR_S = 0.06  # s: a crop further from a bounce does not show it
_AROUND_S = 0.14  # s of the path drawn on each side of a bounce
_BALL: Colour = (40, 190, 255)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """Where the parts of a strip lie, px."""

    size: tuple[int, int]
    scale: float  # px per m
    side: float  # level of the table's surface in the side view
    plan: float  # level of the table's middle in the plan
    head: int  # size of the first line of words
    lines: bool  # all the words, not the first line alone
    crop: int  # side of a crop
    crop_place: tuple[int, int]
    crop_columns: int
    most_crops: int

    @property
    def margin(self) -> int:
        return 24 if self.lines else 12

    def frame(self, level: float) -> Frame:
        """Where table lengths lie in the view whose zero is at a level of the picture."""
        return Frame(origin=(self.margin - _LENGTH[0] * self.scale, level), scale=self.scale)


_STRIP = _Layout(size=(1280, 596), scale=172.0, side=232.0, plan=408.0, head=20, lines=True,
                 crop=200, crop_place=(850, 96), crop_columns=2, most_crops=4)  # fmt: skip
_CELL = _Layout(size=(600, 292), scale=84.0, side=112.0, plan=210.0, head=15, lines=False,
                crop=112, crop_place=(440, 34), crop_columns=1, most_crops=2)  # fmt: skip


class StripPen:
    """Draws the serves of one clip; what all strips share is drawn once.

    Parameters
    ----------
    analysis : Analysis
    """

    def __init__(self, analysis: Analysis) -> None:
        self._analysis = analysis
        band = float(analysis.settings.get("band_m", 0.15) or 0.15)
        self._strip, self._cell = _ground(_STRIP, band), _ground(_CELL, band)
        self._times = np.array([crop.time_s for crop in analysis.crops])

    def draw_strip(self, serve: Serve) -> np.ndarray:
        """Draw one serve.

        Parameters
        ----------
        serve : Serve
            Of this clip.

        Returns
        -------
        ndarray of uint8, shape (H, W, 3)
            BGR.
        """
        return self._draw(serve, _STRIP, self._strip).image

    def draw_sheets(self) -> list[np.ndarray]:
        """Draw all serves, at most 40 to a picture.

        Returns
        -------
        list of ndarray of uint8, shape (H, W, 3)
            BGR; one that says so when there is no serve.
        """
        serves = self._analysis.serves
        return [
            self._draw_sheet(serves[k : k + PER_SHEET])
            for k in range(0, max(1, len(serves)), PER_SHEET)
        ]

    def _draw_sheet(self, serves: Sequence[Serve]) -> np.ndarray:
        width, height = _CELL.size
        head = 70
        rows = max(1, -(-len(serves) // 2))
        canvas = Canvas(2 * width, head + rows * height)
        words = f"{self._analysis.clip.path.stem}: "
        words += (
            f"serves {serves[0].number} to {serves[-1].number}" if serves
            else "no serve was found"
        )  # fmt: skip
        canvas.text((24, 42), words, size=22, weight=600)
        for k, serve in enumerate(serves):
            cell = self._draw(serve, _CELL, self._cell)
            left, top = width * (k % 2), head + height * (k // 2)
            canvas.paste(cell.image, left, top)
            canvas.line(np.array([[left + 12, top], [left + width - 12, top]]), RIM)
        return canvas.image

    def _draw(self, serve: Serve, layout: _Layout, ground: np.ndarray) -> Canvas:
        canvas = Canvas.over(ground)
        margin = layout.margin
        canvas.text((margin, 14 + layout.head), name_serve(serve), size=layout.head, weight=600)
        if layout.lines:
            canvas.text((margin, 60), describe_serve(serve), size=15)
            more = "   ".join(w for w in (describe_spin(serve), flag_words(serve.flags)) if w)
            canvas.text((margin, 82), more, size=15)
        bounces = _bounces(self._analysis, serve)
        serve = _with_contacts(serve, bounces)
        _draw_side(canvas, serve, bounces, layout.frame(layout.side), words=layout.lines)
        _draw_plan(canvas, serve, bounces, layout.frame(layout.plan))
        chosen = _choose_crops(self._analysis.crops, self._times, bounces)
        _draw_crops(canvas, self._analysis, serve, chosen[: layout.most_crops], layout)
        return canvas


def _ground(layout: _Layout, band: float) -> np.ndarray:
    """What all serves share: the table from the side and from above."""
    canvas = Canvas(*layout.size)
    h, w, line, thick = table.HALF_LENGTH, table.HALF_WIDTH, table.EDGE_LINE, 0.03
    at = layout.frame(layout.side)
    canvas.fill(at(_box(-h, -thick, h, 0)), SURFACE)
    canvas.fill(at(_box(h - band, -2 * thick, h + band, -thick)), WARM, 0.35)
    canvas.line(at(np.array([[-h, 0], [h, 0]])), INK, 2)
    canvas.line(at(np.array([[0, 0], [0, table.NET_HEIGHT]])), INK, 2)
    at = layout.frame(layout.plan)
    canvas.fill(at(_box(-h, -w, h, w)), WHITE)
    canvas.fill(at(_box(line - h, line - w, h - line, w - line)), SURFACE)
    canvas.line(at(_box(-h, -w, h, w)), RIM, closed=True)
    canvas.fill(at(_box(h - band, -w, h + band, w)), WARM, 0.12)
    canvas.line(at(np.array([[-h, 0], [h, 0]])), WHITE)
    canvas.line(at(np.array([[0, -table.NET_SPAN / 2], [0, table.NET_SPAN / 2]])), INK, 2)
    for y in (-w / 3, w / 3):
        canvas.dashes(at(np.array([[0, y], [h, y]])), SOFT, dash=2, gap=6)
    if layout.lines:
        for y, words in ((2 * w / 3, "left"), (0.0, "middle"), (-2 * w / 3, "right")):
            u, v = at(np.array([[0.04, y]]))[0]
            canvas.text((u, v + 5), words, size=13, colour=SOFT)
        canvas.text(
            (layout.margin, layout.size[1] - 12), "Figures with ± hold the truth with 95 %; "
            "shaded: half-long. Side view and plan to the same scale, server on the left.", size=13,
            colour=SOFT,
        )  # fmt: skip
    return canvas.image


def _box(x0: float, y0: float, x1: float, y1: float) -> np.ndarray:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def _bounces(analysis: Analysis, serve: Serve) -> list[Bounce]:
    return [analysis.bounces[k] for k in serve.bounces if 0 <= k < len(analysis.bounces)]


def _with_contacts(serve: Serve, bounces: Sequence[Bounce]) -> Serve:
    """The serve with its bounces set into the path, so that it is drawn down to the table."""
    if not len(serve.times):
        return serve
    inside = [b for b in bounces if serve.times[0] < b.time_s < serve.times[-1]]
    times = np.concatenate([serve.times, [b.time_s for b in inside]])
    contacts = np.array([[*b.point, table.BALL_RADIUS] for b in inside]).reshape(-1, 3)
    order = np.argsort(times, kind="stable")
    return replace(serve, times=times[order], path=np.vstack([serve.path, contacts])[order])


def _until(inside: np.ndarray) -> int:
    """How many of a path's first points lie inside what is drawn."""
    return len(inside) if inside.all() else int(np.argmin(inside))


def _draw_side(
    canvas: Canvas, serve: Serve, bounces: Sequence[Bounce], at: Frame, *, words: bool
) -> None:
    turn = -serve.server_end
    if len(serve.path):
        path = at(np.column_stack([turn * serve.path[:, 0], serve.path[:, 2]]))
        canvas.line(path[: _until(serve.path[:, 2] > _LOWEST)], MARK, 2)
        canvas.ring(path[0], 3.5, INK, -1)
        canvas.text((path[0, 0] - 6, path[0, 1] - 7), "bat", size=13, colour=SOFT, align="right")
    for bounce in bounces:
        (place,) = at(np.array([[turn * bounce.point[0], table.BALL_RADIUS]]))
        canvas.ring(place, 4, MARK, -1)
    if np.isfinite(serve.second_bounce[0]):
        x = turn * float(serve.second_bounce[0])
        (place,) = at(np.array([[x, table.BALL_RADIUS]]))
        sd = float(np.sqrt(serve.second_bounce_covariance[0, 0]))
        if np.isfinite(sd):
            reach = at(np.array([[x - 1.96 * sd, 0.0], [x + 1.96 * sd, 0.0]]))
            canvas.line(reach + np.array([0, 9]), WARM, 3)
        canvas.ring(place, 5, WARM, 2)
        if words:
            seen = "seen" if serve.second_bounce_seen else "predicted"
            # to the left, as the pictures may begin close to its right
            canvas.text(
                (place[0] + 45, place[1] + 32), f"second bounce, {seen}", size=13, colour=SOFT,
                align="right",
            )  # fmt: skip


def _draw_plan(canvas: Canvas, serve: Serve, bounces: Sequence[Bounce], at: Frame) -> None:
    turn = -serve.server_end
    if len(serve.path):
        shown = _until(np.abs(serve.path[:, 1]) < _WIDEST)
        canvas.line(at(turn * serve.path[:shown, :2]), MARK, 2)
    for bounce in bounces:
        ring = at(ellipse_points(turn * bounce.point, bounce.covariance))
        canvas.fill(ring, MARK, 0.25)
        canvas.ring(at(turn * bounce.point)[0], 3.5, MARK, -1)
    if np.isfinite(serve.second_bounce).all():
        if np.isfinite(serve.second_bounce_covariance).all():
            ring = at(ellipse_points(turn * serve.second_bounce, serve.second_bounce_covariance))
            canvas.line(ring, WARM, closed=True)
        canvas.ring(at(turn * serve.second_bounce)[0], 5, WARM, 2)


def _draw_crops(
    canvas: Canvas,
    analysis: Analysis,
    serve: Serve,
    chosen: Sequence[tuple[Crop, Bounce]],
    layout: _Layout,
) -> None:
    side = layout.crop
    step = side + (28 if layout.lines else 6)
    for k, (crop, bounce) in enumerate(chosen):
        left = layout.crop_place[0] + (side + 10) * (k % layout.crop_columns)
        top = layout.crop_place[1] + step * (k // layout.crop_columns)
        canvas.paste(_draw_crop(analysis, serve, crop, bounce, side), left, top)
        if layout.lines:
            words = f"{crop.time_s:.3f} s, bounce at {bounce.time_s:.3f} s"
            canvas.text((left, top + side + 17), words, size=13, colour=SOFT)


def _choose_crops(
    crops: Sequence[Crop], times: np.ndarray, bounces: Sequence[Bounce]
) -> list[tuple[Crop, Bounce]]:
    """The nearest crops of each bounce, two where there is room, in time order."""
    chosen: list[tuple[Crop, Bounce]] = []
    most = 2 if len(bounces) <= 2 else 1
    for bounce in bounces:
        near = np.flatnonzero(np.abs(times - bounce.time_s) < _NEAR_S)
        near = near[np.argsort(np.abs(times[near] - bounce.time_s))]
        chosen += [(crops[k], bounce) for k in sorted(near[:most])]
    return chosen


def _draw_crop(
    analysis: Analysis, serve: Serve, crop: Crop, bounce: Bounce, side: int
) -> np.ndarray:
    camera = _camera_at(analysis, crop.time_s)
    scale = side / max(crop.luma.shape)
    picture = cv2.resize(crop.luma, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    canvas = Canvas.over(cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR))

    def seen(points: np.ndarray) -> np.ndarray:
        return (camera.project(points) - crop.origin + 0.5) * scale - 0.5

    radius = 0.0
    near = np.abs(serve.times - bounce.time_s) < _AROUND_S
    if near.sum() > 1:
        canvas.line(seen(serve.path[near]), _BALL, 1)
    if len(serve.times) and serve.times[0] <= crop.time_s <= serve.times[-1]:
        ball = np.array([[np.interp(crop.time_s, serve.times, serve.path[:, k]) for k in range(3)]])
        radius = float(table.BALL_RADIUS * camera.matrix[0, 0] / camera.depths(ball)[0] * scale)
        canvas.ring(seen(ball)[0], radius + 4, _BALL, 1)
    outline = ellipse_points(bounce.point, bounce.covariance)
    ring = seen(np.hstack([outline, np.zeros((len(outline), 1))]))
    canvas.line(ring, WHITE, 1, closed=True)
    return canvas.image


def _camera_at(analysis: Analysis, time_s: float) -> Camera:
    for stand in analysis.stands:
        if stand.start_s <= time_s <= stand.end_s:
            return stand.calibration.camera
    return analysis.calibration.camera
