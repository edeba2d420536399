"""The pictures of a student's page; `as_png` makes bytes of a figure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import cv2
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from calibration import table
from placement import density, figures, plots, zones
from placement.canvas import encode_png
from placement.evidence.weeks import DayComparison, hit_trend, with_days
from placement.records.base import rows_of

_DPI = 160
_MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
_CLEAR_M = 0.27  # m right of the table, beyond what the Axes show
_FAULTS = {"net": "in the net", "missed": "off the half", "own-twice": "own half twice"}


def as_png(figure: Figure, *, dpi: int = _DPI) -> bytes:
    """A figure as PNG, the same bytes for the same data.

    It is drawn once and packed by OpenCV: matplotlib's own way draws it twice, the first time to
    lay it out, which these figures do not need.
    """
    figure.set_dpi(dpi)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return encode_png(cv2.cvtColor(np.asarray(canvas.buffer_rgba()), cv2.COLOR_RGBA2BGR))


def draw_student_map(
    ax: Axes, judged: pd.DataFrame, *, view: zones.View = "server", top: float | None = None,
    ellipses: bool = True, names: bool = True, captions: bool = True, key: bool = True,
) -> Axes:  # fmt: skip
    """Draw where a student's good serves land, the called zones, and the scatter about each.

    Parameters
    ----------
    ax : Axes
        Empty.
    judged : DataFrame
        From `figures.judge`.
    view : {"server", "receiver"}
        Who stands at the bottom.
    top : float, optional
        Density at the dark end of the scale, per m^2, for maps on one scale.
    ellipses, names, captions, key : bool
        Draw the next-serve ellipses, the names of the ends, the called zones by letter; say what
        the outlines of the density are.

    Returns
    -------
    Axes
    """
    plots.plot_table(ax, view=view, half_only=True, thirds=True, names=names)
    points, cov, targets = figures.landed_points(judged)
    faults = judged.loc[judged["attempt"] & ~judged["good"], "outcome"].tolist()
    missed = {word: faults.count(name) for name, word in _FAULTS.items() if name in faults}
    if len(points):
        found = _density(judged)
        if found.density is None:
            close = judged.loc[judged["x_m"].notna() & judged["y_m"].notna(), "close"].to_numpy()
            plots.plot_bounces(ax, points, cov, view=view, doubtful=close)
        # An ellipse may reach over the edge of the table, never over the words beside it.
        plots.plot_density(
            ax, found, view=view, misses=missed, top=top, colorbar=False, key=key,
            beside_m=_CLEAR_M if ellipses else 0.05,
        )  # fmt: skip
        if ellipses:
            _draw_ellipses(ax, judged, points, targets, view)
    if captions:
        _draw_targets(ax, judged, view)
    return ax


def draw_trend(ax: Axes, days: pd.DataFrame) -> Axes:
    """Draw the hit rate by day of filming with its trend; `days` from `weeks.by_day`."""
    called = days[days["n"] > 0]
    fitted, _ = hit_trend(days)
    band = None
    if fitted is not None:
        grid = np.linspace(float(called["when"].min()), float(called["when"].max()), 60)
        band = fitted.band(grid)
    labels = [short_day(day) for day in called["day"]]
    labels = [f"{text}\n{n} serves" for text, n in zip(labels, called["n"], strict=True)]
    return plots.plot_trend(
        ax,
        called["when"],
        called["rate"],
        called["low"],
        called["high"],
        band=band,
        tick_labels=labels,
        title="Called targets hit, by day of filming",
    )


def map_figure(judged: pd.DataFrame, *, view: zones.View = "server") -> Figure:
    """The map of all serves of a student, called zones marked by the letters of `target_key`."""
    figure, (ax,) = _panels(1, width=4.4, height=2.55, used=0.69)
    draw_student_map(ax, judged, view=view)
    return figure


def trend_figure(days: pd.DataFrame) -> Figure:
    """The hit rate over the weeks; `days` from `weeks.by_day`."""
    figure, (ax,) = _panels(1, width=4.6, height=2.2, used=0.86, left=0.11, bottom=0.19, top=0.88)
    draw_trend(ax, days)
    return figure


def weeks_figure(
    judged: pd.DataFrame, comparison: DayComparison, *, view: zones.View = "server"
) -> Figure:
    """Two days side by side on one scale, and their difference."""
    dated = with_days(judged)
    parts = [dated[dated["day"] == day] for day in (comparison.first, comparison.second)]
    maps = [_density(part) if part["x_m"].notna().any() else None for part in parts]
    tops = [m.density.max() for m in maps if m is not None and m.density is not None]
    n_panels = 3 if comparison.difference is not None else 2
    figure, axes = _panels(n_panels, width=2.5 * n_panels, height=1.7, used=0.66)
    for ax, part, day in zip(axes, parts, (comparison.first, comparison.second), strict=False):
        draw_student_map(
            ax, part, view=view, top=max(tops) if tops else None, ellipses=False, names=False,
            captions=False, key=False,
        )  # fmt: skip
        n = int((part["x_m"].notna() & part["y_m"].notna()).sum())
        _head(ax, f"{short_day(day)}: {n} landed")
    if comparison.difference is not None:
        plots.plot_table(axes[2], view=view, half_only=True, names=False)
        plots.plot_difference(axes[2], comparison.difference, view=view, colorbar=False)
        _head(axes[2], f"{short_day(comparison.second)} less {short_day(comparison.first)}")
    return figure


def target_key(judged: pd.DataFrame) -> list[str]:
    """A letter for each row of `figures.hits_by_target`."""
    return [chr(ord("A") + i) for i in range(len(figures.hits_by_target(judged)))]


def short_day(day: str) -> str:
    """A day as 12 Jan; other words as they are."""
    try:
        found = date.fromisoformat(day)
    except ValueError:
        return day
    return f"{found.day} {_MONTHS[found.month - 1]}"


def _panels(
    n: int,
    *,
    width: float,
    height: float,
    used: float,
    left: float = 0.01,
    bottom: float = 0.02,
    top: float = 0.98,
) -> tuple[Figure, list[Axes]]:
    """A figure with n Axes in a row, each with room for words on its right; no layout to solve."""
    figure = plots.new_figure(width, height)
    figure.set_layout_engine("none")
    axes = [figure.add_axes((i / n + left / n, bottom, used / n, top - bottom)) for i in range(n)]
    return figure, axes


def _head(ax: Axes, words: str) -> None:
    """Words above the table's left edge, where `plot_table` leaves its margin."""
    ax.text(
        -table.HALF_WIDTH, ax.get_ylim()[1] - 0.05, words, fontsize=8.5, color=plots.INK, va="top"
    )


def _density(judged: pd.DataFrame) -> density.DensityMap:
    points, cov, targets = figures.landed_points(judged)
    missed = int((judged["attempt"] & ~judged["good"]).sum())
    return density.estimate_density(
        points,
        bounds=density.half_bounds(-1),
        measurement=cov,
        n_missed=missed,
        groups=targets,
        cell_m=0.02,
    )


def _draw_ellipses(
    ax: Axes, judged: pd.DataFrame, points: np.ndarray, targets: Sequence[str], view: zones.View
) -> None:
    found = figures.student_spread(judged)
    if found is None:
        return
    named = np.array(targets)
    for target in dict.fromkeys(targets):
        mine = points[named == target]
        if target and len(mine) >= figures.MIN_SPREAD:
            plots.plot_ellipse(
                ax,
                mine.mean(axis=0),
                found.student,
                factor=found.next_serve_factor,
                view=view,
                linestyle=":",
            )


def _draw_targets(ax: Axes, judged: pd.DataFrame, view: zones.View) -> None:
    called = judged[judged["target"] != ""].drop_duplicates(["target", "stroke"])
    names = ["target", "stroke", "target_depth", "target_side", "target_landing"]
    rows = {(row.target, row.stroke): row for row in rows_of(called[names])}
    table = figures.hits_by_target(judged)
    targets, letters = [], []
    for letter, *key in zip(target_key(judged), table["target"], table["stroke"], strict=True):
        target = figures.target_of(rows[(key[0], key[1])])
        if target is not None:
            targets.append(target)
            letters.append(letter)
    if targets:
        plots.plot_targets(ax, targets, view=view, captions=letters)
