"""Draw the table to scale and what lies on it: bounces, ellipses, targets.

Every function takes and returns an Axes and only draws. Points come in table coordinates (x, y),
m; in the picture the server stands at the bottom and looks up (view "server"), or the receiver
does (view "receiver"). Picture axes are (to the right, up), m.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.patches import Rectangle
from matplotlib.patheffects import withStroke
from numpy.typing import ArrayLike, NDArray

from calibration import table
from placement.zones import Target, View, to_server_frame

Floats = NDArray[np.float64]

INK = "#22303c"  # text and the net
SOFT = "#6b7884"  # secondary text
SURFACE = "#dce5ea"  # the table: pale, so that it prints with little ink
LINE = "#ffffff"
RIM = "#aab6bf"  # the outline that shows the white lines on white paper
MARK = "#1f5f8b"  # bounces
CALLED = "#b5541c"  # targets

CHI2_95 = 5.991464547107979  # 95 % point of chi-squared with 2 degrees of freedom
_MARGIN = 0.20  # m around the table


def to_picture(points: ArrayLike, *, server_end: int = -1, view: View = "server") -> Floats:
    """Turn table points into the picture's (right, up), m.

    Parameters
    ----------
    points : array_like, shape (N, 2)
        Table (x, y), m.
    server_end : int
        -1 or +1.
    view : {"server", "receiver"}
        Who stands at the bottom of the picture.

    Returns
    -------
    ndarray, shape (N, 2)

    Raises
    ------
    ValueError
        If `view` is neither word, or `server_end` neither -1 nor +1.
    """
    if view not in ("server", "receiver"):
        raise ValueError(f"view must be 'server' or 'receiver', got {view!r}")
    seen = to_server_frame(points, server_end)
    return seen if view == "server" else -seen


def plot_table(
    ax: Axes,
    *,
    server_end: int = -1,
    view: View = "server",
    half_only: bool = False,
    thirds: bool = False,
    names: bool = True,
    end_names: tuple[str, str] | None = None,
) -> Axes:
    """Draw the table to scale, with its lines and net, the server's end marked and the view stated.

    Parameters
    ----------
    ax : Axes
        Drawn on, and set to equal scales without a frame.
    server_end : int
        -1 or +1.
    view : {"server", "receiver"}
        Who stands at the bottom.
    half_only : bool
        Show the receiver's half alone, up to the net.
    thirds : bool
        Draw the thirds of the width and of the receiver's half as faint dotted lines.
    names : bool
        Write the ends, the net and the view beside the table.
    end_names : tuple of str, optional
        Other words for the end at the bottom and the end at the top, where nobody serves yet.

    Returns
    -------
    Axes
    """
    to_picture(np.zeros((1, 2)), server_end=server_end, view=view)  # refuses unknown words early
    up = 1.0 if view == "server" else -1.0
    w, h = table.HALF_WIDTH, table.HALF_LENGTH
    low, high = sorted((0.0 if half_only else -h * up, h * up))
    ax.add_patch(
        Rectangle((-w, low), 2 * w, high - low, facecolor=SURFACE, edgecolor="none", zorder=0.5)
    )
    ends = [edge for edge in (low, high) if edge != 0.0]
    for x, y, width, height in [
        (-w, low, table.EDGE_LINE, high - low),
        (w - table.EDGE_LINE, low, table.EDGE_LINE, high - low),
        *[(-w, e if e < 0 else e - table.EDGE_LINE, 2 * w, table.EDGE_LINE) for e in ends],
    ]:
        ax.add_patch(Rectangle((x, y), width, height, facecolor=LINE, edgecolor="none", zorder=1.2))
    ax.add_patch(
        Rectangle(
            (-w, low), 2 * w, high - low, fill=False, edgecolor=RIM, linewidth=0.8, zorder=1.3
        )
    )
    # 3 mm to scale would vanish in print: the centre line is drawn a hair wider than it is.
    (centre,) = ax.plot([0, 0], [low, high], color=LINE, linewidth=0.9, zorder=1.2)
    centre.set_gid("centre line")
    (net,) = ax.plot(
        [-table.NET_SPAN / 2, table.NET_SPAN / 2], [0, 0], color=INK, linewidth=1.8, zorder=3,
        solid_capstyle="butt",
    )  # fmt: skip
    net.set_gid("net")
    if thirds:
        _draw_thirds(ax, up)
    if names:
        _write_names(ax, view, half_only, low, high, end_names)
    ax.set_xlim(-w - _MARGIN - 0.05, w + _MARGIN + 0.05)
    ax.set_ylim(low - (_MARGIN if low < 0 else 0.12), high + (_MARGIN if high > 0 else 0.12))
    ax.set_aspect("equal")
    ax.set_axis_off()
    return ax


def plot_bounces(
    ax: Axes,
    points: ArrayLike,
    covariances: ArrayLike | None = None,
    *,
    server_end: int = -1,
    view: View = "server",
    doubtful: ArrayLike | None = None,
    color: str = MARK,
    label: str | None = None,
) -> Axes:
    """Draw bounces, each with the ellipse that holds it with 95 % probability.

    Parameters
    ----------
    ax : Axes
        As left by `plot_table` with the same `server_end` and `view`.
    points : array_like, shape (N, 2)
        Table (x, y), m; rows of NaN are left out.
    covariances : array_like, shape (N, 2, 2), optional
        m^2, of (x, y).
    server_end, view
        As in `plot_table`.
    doubtful : array_like of bool, shape (N,), optional
        Close calls and "edge, not decided": drawn as open rings.
    color : str
        Colour of the marks.
    label : str, optional
        For a legend; open rings then get the words "not certain".

    Returns
    -------
    Axes
    """
    xy = to_picture(points, server_end=server_end, view=view)
    known = ~np.isnan(xy).any(axis=1)
    unsure = np.zeros(len(xy), dtype=bool) if doubtful is None else np.asarray(doubtful, dtype=bool)
    if covariances is not None:
        cov = np.broadcast_to(np.asarray(covariances, dtype=float), (len(xy), 2, 2))
        sized = known & ~np.isnan(cov).any(axis=(1, 2))
        outlines = list(_outlines(xy[sized], _picture_covariance(cov[sized]), CHI2_95))
        ax.add_collection(
            PolyCollection(
                outlines, facecolor=color, edgecolor=color, alpha=0.22, linewidth=0.5, zorder=4
            )
        )
    sure, open_ring = known & ~unsure, known & unsure
    for choice, face, name in ((sure, color, label), (open_ring, "none", "not certain")):
        if choice.any():
            ax.scatter(
                xy[choice, 0], xy[choice, 1], s=15, facecolor=face, edgecolor=color,
                linewidth=0.9, zorder=5, label=name if label else None,
            )  # fmt: skip
    return ax


def plot_ellipse(
    ax: Axes,
    centre: ArrayLike,
    covariance: ArrayLike,
    *,
    factor: float = CHI2_95,
    server_end: int = -1,
    view: View = "server",
    color: str = INK,
    linestyle: str = "-",
    label: str | None = None,
) -> Axes:
    """Draw the outline of one ellipse: where (p - c)' S^-1 (p - c) = factor.

    Parameters
    ----------
    ax : Axes
    centre : array_like, shape (2,)
        Table (x, y), m.
    covariance : array_like, shape (2, 2)
        m^2, of (x, y).
    factor : float
        5.991 for the 95 % ellipse of a known normal; `spread.next_serve_factor` for a pupil's.
    server_end, view
        As in `plot_table`.
    color, linestyle, label
        As matplotlib's.

    Returns
    -------
    Axes
    """
    middle = to_picture(np.reshape(centre, (1, 2)), server_end=server_end, view=view)
    cov = _picture_covariance(np.reshape(np.asarray(covariance, dtype=float), (1, 2, 2)))
    outline = _outlines(middle, cov, factor)[0]
    closed = np.vstack([outline, outline[:1]])
    ax.plot(
        closed[:, 0], closed[:, 1], color=color, linestyle=linestyle, linewidth=1.3, zorder=6,
        label=label,
    )  # fmt: skip
    return ax


def plot_targets(
    ax: Axes,
    targets: Sequence[Target],
    *,
    server_end: int = -1,
    view: View = "server",
    captions: Sequence[str] | None = None,
) -> Axes:
    """Outline called zones on the receiver's half, each with its words.

    Parameters
    ----------
    ax : Axes
        As left by `plot_table` with the same `server_end` and `view`.
    targets : sequence of Target
        A depth is written, not drawn: it is about the second bounce.
    server_end, view
        As in `plot_table`.
    captions : sequence of str, optional
        Words for each zone, such as "7 of 10"; the target's own name when not given.

    Returns
    -------
    Axes
    """
    words = [t.name for t in targets] if captions is None else list(captions)
    # Targets that share a zone share its outline, and their words stand one under the other.
    together: dict[tuple[float, float, float, float], list[str]] = {}
    for target, text in zip(targets, words, strict=True):
        (x0, x1), (y0, y1) = target.rectangle(server_end)
        together.setdefault((x0, x1, y0, y1), []).append(text)
    for (x0, x1, y0, y1), texts in together.items():
        corners = to_picture([[x0, y0], [x1, y1]], server_end=server_end, view=view)
        (left, bottom), (right, top) = corners.min(axis=0), corners.max(axis=0)
        inset = 0.012
        ax.add_patch(
            Rectangle(
                (left + inset, bottom + inset),
                right - left - 2 * inset,
                top - bottom - 2 * inset,
                fill=False,
                edgecolor=CALLED,
                linewidth=1.4,
                linestyle=(0, (5, 2)),
                zorder=3.5,
            )
        )
        # Below the bounces: the words must not hide a serve.
        between = " " if max(map(len, texts)) <= 2 else "\n"  # letters stand side by side
        words_here = between.join(texts).replace(", ", "\n")
        ax.text(
            (left + right) / 2, top - 0.045, words_here, color=CALLED, fontsize=7, ha="center",
            va="top", zorder=3.4,
            path_effects=[withStroke(linewidth=2.0, foreground="white")],
        )  # fmt: skip
    return ax


def _draw_thirds(ax: Axes, up: float) -> None:
    style: dict[str, Any] = {
        "color": SOFT,
        "linewidth": 0.7,
        "linestyle": (0, (1, 2.5)),
        "zorder": 2.0,
    }
    far = up * table.HALF_LENGTH
    for x in (-table.WIDTH / 6, table.WIDTH / 6):
        ax.plot([x, x], [0, far], **style)
    for y in (far / 3, 2 * far / 3):
        ax.plot([-table.HALF_WIDTH, table.HALF_WIDTH], [y, y], **style)


def _write_names(
    ax: Axes,
    view: View,
    half_only: bool,
    low: float,
    high: float,
    end_names: tuple[str, str] | None,
) -> None:
    w = table.HALF_WIDTH
    small: dict[str, Any] = {"fontsize": 8, "color": SOFT, "zorder": 6}
    players = ("server's end", "receiver's end")
    bottom, top = end_names or (players if view == "server" else players[::-1])
    if low < 0:
        ax.text(0, low - 0.05, bottom, ha="center", va="top", **small)
    if high > 0:
        ax.text(0, high + 0.05, top, ha="center", va="bottom", **small)
    ax.text(w + 0.04, 0.03, "net", ha="left", va="bottom", **small)
    if end_names:
        return
    # The arrow says which way the serves go, where the picture shows both ends.
    if not half_only:
        tail, tip = (low + 0.1, low + 0.32) if view == "server" else (high - 0.1, high - 0.32)
        arrow = {"arrowstyle": "-|>", "color": SOFT, "linewidth": 1.0}
        ax.annotate("", xy=(-w - 0.1, tip), xytext=(-w - 0.1, tail), arrowprops=arrow)
        ax.text(-w - 0.13, (tail + tip) / 2, "serve", rotation=90, ha="right", va="center", **small)
    seen = f"left and right as the {view} sees them"
    ax.text(
        0, low - (0.14 if low < 0 else 0.05), seen, ha="center", va="top", fontsize=7,
        color=SOFT, style="italic", zorder=6,
    )  # fmt: skip


def _picture_covariance(cov: Floats) -> Floats:
    """Covariance of the picture's (right, up) = +-(y, -x): the same for either end and view."""
    turn = np.array([[0.0, 1.0], [-1.0, 0.0]])
    return np.asarray(turn @ cov @ turn.T)


def _outlines(centres: Floats, cov: Floats, factor: float) -> Floats:
    """Points on ellipses, shape (N, 48, 2)."""
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    circle = np.column_stack([np.cos(angle), np.sin(angle)])
    values, vectors = np.linalg.eigh(cov)
    axes = vectors * np.sqrt(np.maximum(values, 0.0) * factor)[:, None, :]
    return np.asarray(centres[:, None, :] + circle @ np.swapaxes(axes, -1, -2))
