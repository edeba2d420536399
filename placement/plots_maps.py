"""Maps over the table: density, difference of two drills, expected error of a stand.

Every function takes and returns an Axes on which `plots_table.plot_table` has drawn the table with
the same `server_end` and `view`; it only draws. Colours are perceptually uniform and light where
there is little, so that a grey print keeps the order.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import QuadMesh
from matplotlib.colorbar import Colorbar
from matplotlib.colors import ListedColormap, Normalize
from matplotlib.patheffects import withStroke
from numpy.typing import ArrayLike, NDArray

from calibration import table
from placement.density import MIN_POINTS, DensityMap
from placement.plots_table import INK, SOFT, plot_bounces, to_picture
from placement.zones import View

Floats = NDArray[np.float64]

_PALE = np.array([90.3, -2.3, -3.8])  # CIELAB of the table's tint
_DEEP = np.array([17.0, 8.0, -31.0])  # CIELAB of the dark end
_WHITE_D65 = np.array([0.95047, 1.0, 1.08883])
_XYZ_TO_RGB = np.array(
    [
        [3.2404542, -1.5371385, -0.4985314],
        [-0.9692660, 1.8760108, 0.0415560],
        [0.0556434, -0.2040259, 1.0572252],
    ]
)
_SQUARE = 0.01  # m^2: densities are read as shares of a square of 10 cm


class DifferenceLike(Protocol):
    """What `plot_difference` needs: `compare.DifferenceMap`, or the like."""

    @property
    def x(self) -> Floats: ...  # noqa: D102
    @property
    def y(self) -> Floats: ...  # noqa: D102
    @property
    def difference(self) -> Floats: ...  # noqa: D102
    @property
    def threshold(self) -> float: ...  # noqa: D102


def plot_density(
    ax: Axes,
    density: DensityMap,
    *,
    server_end: int = -1,
    view: View = "server",
    misses: Mapping[str, int] | None = None,
    top: float | None = None,
    colorbar: bool = True,
    key: bool = True,
    beside_m: float = 0.05,
) -> Axes:
    """Draw where the landed serves fall; below 15 of them, the points alone.

    Two outlines hold half and nine tenths of the landed serves. The misses are counted beside the
    table and never drawn in.

    Parameters
    ----------
    ax : Axes
        As left by `plot_table`.
    density : DensityMap
        From `density.estimate_density`.
    server_end, view
        As in `plot_table`.
    misses : mapping of str to int, optional
        What became of the serves that did not land, such as {"net": 2}; the map's own number of
        misses when not given.
    top : float, optional
        Density at the dark end of the scale, per m^2: the same for maps side by side.
    colorbar : bool
        Draw the scale beside the table.
    key : bool
        Say beside the table what the two outlines are.
    beside_m : float
        How far right of the table the counts stand, m: farther where ellipses reach over its edge.

    Returns
    -------
    Axes
    """
    if density.density is None:
        plot_bounces(ax, density.points, server_end=server_end, view=view)
    else:
        share = density.density * _SQUARE * 100
        limit = float(share.max()) if top is None else top * _SQUARE * 100
        mesh, right, up, nodes = _mesh(ax, density.x, density.y, share, server_end, view)
        mesh.set(cmap=paper_colours(), norm=Normalize(0.0, limit))
        for held, colour, style in ((0.9, INK, "dashed"), (0.5, "white", "solid")):
            level = density.level_holding(held) * _SQUARE * 100
            outline = ax.contour(
                right, up, nodes, levels=[level], colors=[colour], linewidths=1.1,
                linestyles=[style], zorder=2.5,
            )  # fmt: skip
            if colour == "white":  # a dark seam keeps it readable on a pale ground
                outline.set_path_effects([withStroke(linewidth=2.4, foreground=INK)])
        if colorbar:
            _scale(ax, mesh, "% of landed serves in a 10 cm square")
    _count_beside(ax, density, misses, view, key=key, beside_m=beside_m)
    return ax


def plot_difference(
    ax: Axes,
    difference: DifferenceLike,
    *,
    server_end: int = -1,
    view: View = "server",
    colorbar: bool = True,
) -> Axes:
    """Draw where the second drill has more serves (dark) or fewer (hatched) than the first.

    Only the region beyond chance is outlined; elsewhere the colours are faint on purpose.

    Parameters
    ----------
    ax : Axes
        As left by `plot_table`.
    difference : compare.DifferenceMap
        Density of the second less that of the first, per m^2, and where it is beyond chance.
    server_end, view
        As in `plot_table`.
    colorbar : bool
        Draw the scale beside the table.

    Returns
    -------
    Axes
    """
    share = difference.difference * _SQUARE * 100
    threshold = difference.threshold * _SQUARE * 100
    limit = float(max(np.abs(share).max(), 1e-12))
    mesh, right, up, nodes = _mesh(ax, difference.x, difference.y, share, server_end, view)
    mesh.set(cmap="PuOr", norm=Normalize(-limit, limit))
    said = []
    # Sign and certainty must survive a grey print: lines and hatching carry both, colour helps.
    if (nodes > threshold).any():
        ax.contour(right, up, nodes, levels=[threshold], colors=[INK], linewidths=1.6, zorder=2.8)
        said.append("outlined:\nmore, beyond chance")
    if (nodes < -threshold).any():
        ax.contour(
            right, up, nodes, levels=[-threshold], colors=[INK], linewidths=1.4,
            linestyles=["dashed"], zorder=2.8,
        )  # fmt: skip
        ax.contourf(
            right, up, nodes, levels=[-2 * limit, -threshold], colors="none", hatches=["////"],
            zorder=2.7,
        ).set(edgecolor=INK, linewidth=0.0)  # fmt: skip
        said.append("hatched:\nfewer, beyond chance")
    for sign, peak in (("+", share.argmax()), ("−", share.argmin())):
        if abs(share.flat[peak]) > 0.1 * limit:  # the sign of each side, for a grey print
            column, row = np.unravel_index(peak, share.shape)
            ((across, along),) = to_picture(
                [[difference.x[column], difference.y[row]]], server_end=server_end, view=view
            )
            ax.text(
                across, along, sign, fontsize=10, color=INK, ha="center", va="center", zorder=3,
                path_effects=[withStroke(linewidth=2.5, foreground="white")], gid="sign",
            )  # fmt: skip
    _beside(ax, "\n".join(said) or "nowhere beyond\nchance", view)
    if colorbar:
        _scale(ax, mesh, "change, percentage points in a 10 cm square")
    return ax


def plot_expected_error(
    ax: Axes,
    grid: tuple[ArrayLike, ArrayLike, ArrayLike],
    *,
    server_end: int = -1,
    view: View = "server",
    colorbar: bool = True,
) -> Axes:
    """Draw the 95 % error that a stand place is expected to give, over the table.

    Parameters
    ----------
    ax : Axes
        As left by `plot_table`.
    grid : tuple
        x (n,), m, along the length; y (m,), m, across the width; error_95_m (m, n), m.
    server_end, view
        As in `plot_table`.
    colorbar : bool
        Draw the scale beside the table.

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If the error is not of shape (len(y), len(x)).
    """
    x, y, error = (np.asarray(part, dtype=float) for part in grid)
    if error.shape != (len(y), len(x)):
        raise ValueError(f"error_95_m must have shape ({len(y)}, {len(x)}), got {error.shape}")
    millimetres = error.T * 1000
    worst = float(np.nanmax(millimetres))
    mesh, right, up, nodes = _mesh(ax, x, y, millimetres, server_end, view)
    # The dark end stays unused: outlines and their figures must be read over the colours.
    mesh.set(cmap=paper_colours(), norm=Normalize(0.0, 1.6 * worst))
    rounds = np.array([2, 5, 10, 15, 20, 30, 40, 50, 75, 100, 150, 200, 300, 500])
    inside = rounds[(rounds > np.nanmin(millimetres)) & (rounds < worst)]
    if len(inside):
        lines = ax.contour(
            right, up, nodes, levels=inside, colors=[INK], linewidths=0.8, zorder=2.5
        )
        for text in ax.clabel(lines, fmt="%g mm", fontsize=7.5, inline=True):
            text.set_path_effects([withStroke(linewidth=2.0, foreground="white")])
    if colorbar:
        bar = _scale(ax, mesh, "expected error, mm: 95 of 100 bounces lie closer")
        bar.ax.set_ylim(0.0, worst)
    return ax


def paper_colours() -> ListedColormap:
    """A perceptually uniform scale for paper: the table's pale tint to a deep ink blue.

    A straight line in CIELAB, so that equal steps of the value are equal steps to the eye and
    lightness falls evenly in a grey print; one hue, so that colour-blind readers lose nothing.
    """
    steps = np.linspace(0.0, 1.0, 256)[:, None]
    return ListedColormap(_lab_to_rgb(_PALE + steps * (_DEEP - _PALE)), name="paper")


def _lab_to_rgb(lab: Floats) -> Floats:
    """From CIELAB (D65) to sRGB (IEC 61966-2-1, CIE 15), shape (N, 3)."""
    fy = (lab[:, 0] + 16) / 116
    f = np.column_stack([fy + lab[:, 1] / 500, fy, fy - lab[:, 2] / 200])
    xyz = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * _WHITE_D65
    linear = np.clip(xyz @ _XYZ_TO_RGB.T, 0.0, 1.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def _grid(x: ArrayLike, y: ArrayLike, server_end: int, view: View) -> tuple[Floats, Floats]:
    """Picture coordinates of the grid's nodes, each of shape (nx, ny)."""
    gx, gy = np.meshgrid(np.asarray(x, float), np.asarray(y, float), indexing="ij")
    seen = to_picture(np.column_stack([gx.ravel(), gy.ravel()]), server_end=server_end, view=view)
    return seen[:, 0].reshape(gx.shape), seen[:, 1].reshape(gx.shape)


def _padded(x: ArrayLike, y: ArrayLike, values: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """The grid with its outer half-cells filled, so that the picture reaches the edges."""
    axes = []
    for centres in (np.asarray(x, dtype=float), np.asarray(y, dtype=float)):
        half = (centres[1] - centres[0]) / 2
        axes.append(np.concatenate([[centres[0] - half], centres, [centres[-1] + half]]))
    x_limit, y_limit = table.HALF_LENGTH, table.HALF_WIDTH
    return (
        np.clip(axes[0], -x_limit, x_limit),
        np.clip(axes[1], -y_limit, y_limit),
        np.pad(np.asarray(values, dtype=float), 1, mode="edge"),
    )


def _mesh(
    ax: Axes, x: ArrayLike, y: ArrayLike, values: ArrayLike, server_end: int, view: View
) -> tuple[QuadMesh, Floats, Floats, Floats]:
    """Draw values and return the mesh and its nodes (right, up, values) for outlines."""
    x, y, values = _padded(x, y, values)
    right, up = _grid(x, y, server_end, view)
    # zorder between the surface and its lines: the lines stay readable over the colours.
    mesh = ax.pcolormesh(right, up, values, shading="gouraud", zorder=1.0, rasterized=True)
    return mesh, right, up, values


def _scale(ax: Axes, mesh: ScalarMappable, words: str) -> Colorbar:
    figure = ax.get_figure()
    if figure is None:
        raise ValueError("a scale needs an Axes that belongs to a figure")
    bar = figure.colorbar(mesh, ax=ax, shrink=0.42, pad=0.02, aspect=18, anchor=(0.0, 0.25))
    bar.set_label(words, fontsize=7.5, color=INK)
    bar.ax.tick_params(labelsize=7, length=2, color=SOFT, labelcolor=INK)
    bar.outline.set_visible(False)  # type: ignore[operator]
    return bar


def _count_beside(
    ax: Axes,
    density: DensityMap,
    misses: Mapping[str, int] | None,
    view: View,
    *,
    key: bool,
    beside_m: float,
) -> None:
    n_missed = sum(misses.values()) if misses is not None else density.n_missed
    lines = [f"landed {density.n_landed}", f"missed {n_missed}"]
    if misses:
        lines += [f"  {name} {count}" for name, count in misses.items() if count]
    if density.density is None:
        lines += ["", f"fewer than {MIN_POINTS}:", "points only"]
    elif key:
        lines += ["", "solid line holds half,", "dashed nine tenths"]
    _beside(ax, "\n".join(lines), view, beside_m)


def _beside(ax: Axes, text: str, view: View, beside_m: float = 0.05) -> None:
    # On the receiver's side of the net, right of the table, clear of everything drawn on it.
    up = 1.0 if view == "server" else -1.0
    ax.text(
        table.HALF_WIDTH + beside_m, up * table.HALF_LENGTH, text, fontsize=8, color=INK, ha="left",
        va="top" if up > 0 else "bottom", gid="beside", zorder=6,
    )  # fmt: skip
