"""Pictures of a drill and of the weeks: the one place to import plot functions from.

Every function takes and returns an Axes, and only draws; `new_figure` makes a figure without a
window, and `save_figure` writes it whole or not at all.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import ArrayLike

from placement.plots_maps import (
    paper_colours,
    plot_density,
    plot_difference,
    plot_expected_error,
)
from placement.plots_table import (
    CALLED,
    INK,
    MARK,
    RIM,
    SOFT,
    plot_bounces,
    plot_ellipse,
    plot_table,
    plot_targets,
    to_picture,
)

__all__ = [
    "new_figure",
    "paper_colours",
    "plot_bounces",
    "plot_density",
    "plot_difference",
    "plot_ellipse",
    "plot_expected_error",
    "plot_rate_interval",
    "plot_table",
    "plot_targets",
    "plot_trend",
    "save_figure",
    "to_picture",
]


def new_figure(width: float = 5.0, height: float = 7.0) -> Figure:
    """Make a white figure with an Agg canvas; no window, no global state.

    Parameters
    ----------
    width, height : float
        Inches.
    """
    figure = Figure(figsize=(width, height), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def plot_trend(
    ax: Axes,
    when: Sequence[float] | ArrayLike,
    value: ArrayLike,
    low: ArrayLike,
    high: ArrayLike,
    *,
    band: tuple[ArrayLike, ArrayLike, ArrayLike, ArrayLike] | None = None,
    tick_labels: Sequence[str] | None = None,
    unit: str = "%",
    scale: float = 100.0,
    title: str = "",
) -> Axes:
    """Draw a figure week by week with its intervals, and the fitted line with its band.

    Parameters
    ----------
    ax : Axes
    when : array_like, shape (N,)
        Days or weeks, as numbers.
    value, low, high : array_like, shape (N,)
        The figure of each drill and the ends of its interval.
    band : tuple of array_like, optional
        (when, fitted, low, high), each of shape (M,), as from `compare.Trend.band`.
    tick_labels : sequence of str, optional
        What to write at each of `when`, such as dates.
    unit, scale
        Written on the axis; values are multiplied by `scale`. With "%" the axis is 0 to 100.
    title : str
        What the figure is.

    Returns
    -------
    Axes
    """
    t = np.asarray(when, dtype=float)
    mid, lo, hi = (np.asarray(v, dtype=float) * scale for v in (value, low, high))
    if band is not None:
        bt, fitted, band_lo, band_hi = (np.asarray(v, dtype=float) for v in band)
        ax.fill_between(bt, band_lo * scale, band_hi * scale, color=MARK, alpha=0.15, linewidth=0)
        ax.plot(bt, fitted * scale, color=MARK, linewidth=1.4, label="fitted line and its band")
    ax.vlines(t, lo, hi, color=INK, linewidth=1.1)
    ax.plot(
        t, mid, "o", color=INK, markersize=4.5, label="drill, and where its true figure likely lies"
    )
    if unit == "%":
        ax.set_ylim(0, 100)
        ax.set_yticks([0, 25, 50, 75, 100])
    ax.set_ylabel(unit, fontsize=8, color=INK)
    ax.set_title(title, fontsize=9, color=INK, loc="left")
    if tick_labels is not None:
        ax.set_xticks(t, list(tick_labels))
    ax.tick_params(labelsize=7.5, length=2.5, color=SOFT, labelcolor=INK)
    ax.grid(axis="y", color=RIM, linewidth=0.5, alpha=0.6)
    ax.set_axisbelow(True)
    ax.spines[["top", "right"]].set_visible(False)
    ax.spines[["left", "bottom"]].set_color(RIM)
    return ax


def plot_rate_interval(
    ax: Axes,
    rate: float,
    low: float,
    high: float,
    *,
    reference: float | None = None,
    n: int | None = None,
) -> Axes:
    """Draw one rate with its interval on a line from 0 to 100 %, small enough for a table cell.

    Parameters
    ----------
    ax : Axes
    rate, low, high : float
        Between 0 and 1; NaN when there is nothing yet, which is then said in words.
    reference : float, optional
        A rate to compare with, such as the group's, as a fine tick.
    n : int, optional
        Serves behind the rate, written at the end of the line.

    Returns
    -------
    Axes
    """
    ax.set_xlim(-2, 118)
    ax.set_ylim(-1, 1)
    ax.set_axis_off()
    ax.plot([0, 100], [0, 0], color=RIM, linewidth=1.0, zorder=1, solid_capstyle="butt")
    for end in (0, 50, 100):
        ax.plot([end, end], [-0.25, 0.25], color=RIM, linewidth=0.8, zorder=1)
    if np.isnan(rate):
        ax.text(50, 0.15, "no serves yet", ha="center", va="bottom", fontsize=6.5, color=SOFT)
        return ax
    if reference is not None:
        x = reference * 100
        ax.plot([x, x], [-0.8, 0.8], color=CALLED, linewidth=1.0, zorder=2)
    ax.plot([low * 100, high * 100], [0, 0], color=MARK, linewidth=3.5, alpha=0.45, zorder=3,
            solid_capstyle="butt")  # fmt: skip
    ax.plot([rate * 100], [0], "o", color=INK, markersize=4.5, zorder=4)
    if n is not None:
        ax.text(104, 0, str(n), ha="left", va="center", fontsize=6.5, color=SOFT)
    return ax


def save_figure(figure: Figure, path: str | os.PathLike[str], *, dpi: float = 150.0) -> Path:
    """Write a figure whole or not at all, in the format that the name ends in.

    Parameters
    ----------
    figure : Figure
    path : str or path-like
        Such as "map.png", "map.svg" or "map.pdf"; an older file of that name is replaced.
    dpi : float
        Dots per inch of the pixel formats.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    ValueError
        If the name has no ending that a picture can have.
    OSError
        If the folder is missing or cannot be written to.
    """
    target = Path(path)
    kind = target.suffix.lower().lstrip(".")
    if kind not in ("png", "svg", "pdf"):
        raise ValueError(f"{target.name}: a picture's name must end in .png, .svg or .pdf")
    # The same data must give the same bytes: no date goes into the file.
    metadata = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind)
    handle, temporary = tempfile.mkstemp(
        dir=target.parent, prefix=f".{target.stem}-", suffix=f".{kind}"
    )
    os.close(handle)
    try:
        figure.savefig(temporary, format=kind, dpi=dpi, metadata=metadata)
        os.replace(temporary, target)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return target
