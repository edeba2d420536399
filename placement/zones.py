"""Sort serves into side, depth and landing zones, each with its probability.

Table points are (x, y) in m as in `calibration.table`: x along the length, y across the width.
`server_end` is -1 or +1, the sign of x at the server's end. A server at the negative-x end looks
towards +x, so +y is on that server's left; for the other end everything turns by 180 degrees.

Words (common practice in the sport, no source; short and long as in L. Hodges' coaching articles,
2011-2014):

- side: left, middle, right thirds of the width, as the server sees them unless asked otherwise;
- landing: near net, middle, end: thirds of the receiver's half, by the bounce itself;
- depth, by the *second* bounce on the receiver's side, left alone: short on the table, long beyond
  the end line, half-long within a stated band of the end line (0.15 m either way by default).

A serve whose second bounce would fall beside the table, out over a side line before it reaches the
end line's band, is called **long** here and flagged. Short means "would bounce twice on the
table", and this one would not; to the receiver it is a ball that leaves the table and can be met
with a full stroke beside it, which is what a coach means by long. `Classes.over_side` holds the
probability, so that a page can say "long, out over the side".

The outer zones reach without limit, so the probabilities of the three zones always sum to one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration import table
from placement.normal import TINY_SD, normal_cdf, rectangle_probability
from placement.targets import DEPTHS, LANDINGS, SIDES, Target, as_end

__all__ = [
    "CLOSE_CALL_BELOW",
    "DEPTHS",
    "EDGE_NOT_DECIDED",
    "HALF_LONG_BAND",
    "LANDINGS",
    "RECEIVER_SIDES",
    "SIDES",
    "Classes",
    "Target",
    "classify_depth",
    "classify_landing",
    "classify_receiver_side",
    "classify_side",
    "covariance_from_columns",
    "depth_rule",
    "face_one_way",
    "is_edge_undecided",
    "rectangle_probability",
    "to_server_frame",
]

Floats = NDArray[np.float64]
View = Literal["server", "receiver"]
Hand = Literal["right", "left"]

RECEIVER_SIDES = ("forehand", "middle", "backhand")

HALF_LONG_BAND = 0.15  # m, half-width about the end line; a setting, common practice, no source
CLOSE_CALL_BELOW = 0.8  # probability of the best zone below which it is shown as a close call
EDGE_NOT_DECIDED = "edge, not decided"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Classes:
    """Zone probabilities of N serves.

    A row of NaN means that the serve has no such bounce or that it was not measured.
    """

    names: tuple[str, ...]  # the zones, in the order of the columns
    probability: Floats  # shape (N, len(names)); each row sums to one
    over_side: Floats | None = None  # shape (N,): probability of leaving over a side line (depth)
    rule: str = ""  # the definition in words, to print wherever the class is printed

    @property
    def label(self) -> list[str]:
        """The most probable zone of each serve, "" where it is not known."""
        best = np.argmax(np.where(np.isnan(self.probability), -1.0, self.probability), axis=1)
        known = ~np.isnan(self.probability[:, 0])
        return [self.names[b] if k else "" for b, k in zip(best, known, strict=True)]

    @property
    def best_probability(self) -> Floats:
        """The probability of the label, shape (N,); NaN where it is not known."""
        return np.asarray(self.probability.max(axis=1), dtype=float)

    @property
    def is_close_call(self) -> NDArray[np.bool_]:
        """Whether the best probability is below 0.8, shape (N,); False where it is not known."""
        return np.asarray(self.best_probability < CLOSE_CALL_BELOW)

    def counts(self) -> dict[str, int]:
        """How many serves fall in each zone, by label, with the unknown left out."""
        labels = self.label
        return {name: labels.count(name) for name in self.names}


def to_server_frame(points: ArrayLike, server_end: ArrayLike) -> Floats:
    """Turn table points so that the server looks up the page.

    Parameters
    ----------
    points : array_like, shape (N, 2)
        Table (x, y), m.
    server_end : int or array_like, shape (N,)
        -1 or +1.

    Returns
    -------
    ndarray, shape (N, 2)
        (to the server's right of the centre line, past the net), m.
    """
    xy = _as_points(points)
    end = _as_ends(server_end, len(xy))
    return np.column_stack([end * xy[:, 1], -end * xy[:, 0]])


def face_one_way(points: ArrayLike, server_end: ArrayLike, *, to: int = -1) -> Floats:
    """Turn the points of serves from either end as if all were served from one end.

    The turn is by 180 degrees, so covariances in (x, y) stay as they are.

    Parameters
    ----------
    points : array_like, shape (N, 2)
        Table (x, y), m.
    server_end : int or array_like, shape (N,)
        -1 or +1, the end of each serve.
    to : int
        The end to turn them to, -1 or +1.

    Returns
    -------
    ndarray, shape (N, 2)
        Table (x, y), m, as if served from the end `to`.
    """
    xy = _as_points(points)
    return xy * (_as_ends(server_end, len(xy)) * as_end(to))[:, None]


def covariance_from_columns(sd_x: ArrayLike, sd_y: ArrayLike, cov_xy: ArrayLike) -> Floats:
    """Build covariances from the columns sd_x_m, sd_y_m and cov_xy_m2 of bounces.csv.

    Returns
    -------
    ndarray, shape (N, 2, 2)
        m^2, of (x, y).
    """
    sx, sy, c = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(a, float)) for a in (sd_x, sd_y, cov_xy))
    )
    return np.stack([np.stack([sx**2, c], -1), np.stack([c, sy**2], -1)], -2)


def classify_side(
    y: ArrayLike, sd_y: ArrayLike, server_end: ArrayLike, *, view: View = "server"
) -> Classes:
    """Left, middle or right third of the width, from the landing point's normal distribution.

    The third depends on y alone, so the normal in (x, y) enters through its margin in y.

    Parameters
    ----------
    y : array_like, shape (N,)
        Landing point across the width, m.
    sd_y : array_like, shape (N,)
        Its standard deviation, m.
    server_end : int or array_like, shape (N,)
        -1 or +1.
    view : {"server", "receiver"}
        Whose left and right.

    Returns
    -------
    Classes
        Over ("left", "middle", "right").
    """
    y, sd_y, end = _with_ends(y, sd_y, server_end)
    right = end * y if _as_view(view) == "server" else -end * y
    return Classes(
        names=SIDES,
        probability=_bands(right, sd_y, -table.WIDTH / 6, table.WIDTH / 6),
        rule=f"thirds of the width (50.8 cm each) as the {view} sees them",
    )


def classify_receiver_side(
    y: ArrayLike, sd_y: ArrayLike, server_end: ArrayLike, *, receiver_hand: Hand
) -> Classes:
    """Forehand, middle or backhand third of the receiver.

    The receiver faces the server: a right-hander's forehand is on the server's left. The zones are
    fixed to the table; a receiver who moves takes the true crossover point along.

    Parameters
    ----------
    y, sd_y, server_end
        As in `classify_side`.
    receiver_hand : {"right", "left"}
        The receiver's playing hand.

    Returns
    -------
    Classes
        Over ("forehand", "middle", "backhand").

    Raises
    ------
    ValueError
        If `receiver_hand` is neither "right" nor "left".
    """
    if receiver_hand not in ("right", "left"):
        raise ValueError(f"receiver_hand must be 'right' or 'left', got {receiver_hand!r}")
    seen = classify_side(y, sd_y, server_end, view="receiver").probability
    return Classes(
        names=RECEIVER_SIDES,
        probability=seen[:, ::-1] if receiver_hand == "right" else seen,
        rule=f"thirds of the width for a {receiver_hand}-handed receiver",
    )


def classify_landing(x: ArrayLike, sd_x: ArrayLike, server_end: ArrayLike) -> Classes:
    """Near-net, middle or end third of the receiver's half, by the bounce itself.

    Parameters
    ----------
    x, sd_x : array_like, shape (N,)
        Landing point along the length and its standard deviation, m.
    server_end : int or array_like, shape (N,)
        -1 or +1.

    Returns
    -------
    Classes
        Over ("near net", "middle", "end").
    """
    x, sd_x, end = _with_ends(x, sd_x, server_end)
    third = table.HALF_LENGTH / 3
    return Classes(
        names=LANDINGS,
        probability=_bands(-end * x, sd_x, third, 2 * third),
        rule="thirds of the receiver's half (45.7 cm each) from the net, by the first bounce there",
    )


def depth_rule(band: float = HALF_LONG_BAND) -> str:
    """The definition of the depth classes in words, to print beside them.

    Parameters
    ----------
    band : float
        Half-width of the half-long band, m.
    """
    return (
        "depth by the second bounce, left alone: half-long within "
        f"{band * 100:.0f} cm of the end line, short before that, long beyond it "
        "or out over the side"
    )


def classify_depth(
    x: ArrayLike,
    sd_x: ArrayLike,
    server_end: ArrayLike,
    *,
    y: ArrayLike | None = None,
    sd_y: ArrayLike | None = None,
    cov_xy: ArrayLike = 0.0,
    band: float = HALF_LONG_BAND,
) -> Classes:
    """Short, half-long or long, from the distribution of the second bounce.

    Parameters
    ----------
    x, sd_x : array_like, shape (N,)
        Second bounce along the length on an endless table, and its standard deviation, m.
    server_end : int or array_like, shape (N,)
        -1 or +1.
    y, sd_y : array_like, shape (N,), optional
        The same across the width. With `y`, what would be short but falls beside the table counts
        as long (see the head of the module); where `y` is NaN, or not given, the length alone
        decides. `sd_y` is taken as `sd_x` when not given.
    cov_xy : array_like, shape (N,)
        Covariance of x and y, m^2.
    band : float
        Half-width of the half-long band about the end line, m.

    Returns
    -------
    Classes
        Over ("short", "half-long", "long"), with `over_side` filled when `y` is given.

    Raises
    ------
    ValueError
        If `band` is not a number of metres in 0 .. 1.
    """
    if not 0 <= band <= 1:
        raise ValueError(f"band must be between 0 and 1 m, got {band}; 0.15 is usual")
    x, sd_x, end = _with_ends(x, sd_x, server_end)
    past = -end * x - table.HALF_LENGTH
    probability = _bands(past, sd_x, -band, band)
    over_side = None
    if y is not None:
        y, sd_y, cov = _broadcast(y, sd_x if sd_y is None else sd_y, cov_xy)
        on_width = rectangle_probability(
            np.column_stack([past, end * y]),
            # The length runs with -end * x and the width with end * y: the sign of cov turns.
            covariance_from_columns(sd_x, sd_y, -cov),
            (-np.inf, -band),
            (-table.HALF_WIDTH, table.HALF_WIDTH),
        )
        beside = np.clip(probability[:, 0] - on_width, 0.0, 1.0)
        over_side = np.where(np.isnan(y), np.nan, beside)
        moved = np.nan_to_num(over_side, nan=0.0)
        probability = probability + np.column_stack([-moved, 0 * moved, moved])
    return Classes(
        names=DEPTHS, probability=probability, over_side=over_side, rule=depth_rule(band)
    )


def is_edge_undecided(points: ArrayLike, *, radius: float = table.BALL_RADIUS) -> NDArray[np.bool_]:
    """Whether a bounce lies within a ball's radius of the table's outer edge, on either side of it.

    The top edge is in, the side of the slab is out (Law 2.1.2), and one camera above the surface
    cannot tell them apart: the word is then "edge, not decided".

    Parameters
    ----------
    points : array_like, shape (N, 2)
        Table (x, y), m.
    radius : float
        Ball radius, m.

    Returns
    -------
    ndarray of bool, shape (N,)
        False where a point is NaN.
    """
    xy = np.abs(_as_points(points))
    outside = xy - np.array([table.HALF_LENGTH, table.HALF_WIDTH])
    inner = np.max(outside, axis=1)  # negative inside: minus the distance to the nearest edge
    outer = np.hypot(*np.maximum(outside, 0.0).T)  # distance from the table when outside it
    return np.asarray(np.where(inner > 0, outer, -inner) <= radius)


def _bands(value: Floats, sd: Floats, low: float, high: float) -> Floats:
    """Probabilities below `low`, between, and above `high`; shape (N, 3), rows sum to one."""
    sd = np.maximum(sd, TINY_SD)
    below = normal_cdf((low - value) / sd)
    above = normal_cdf((value - high) / sd)
    return np.column_stack([below, np.clip(1.0 - below - above, 0.0, 1.0), above])


def _as_points(points: ArrayLike) -> Floats:
    xy = np.asarray(points, dtype=float)
    if xy.ndim != 2 or xy.shape[1] != 2:
        raise ValueError(f"points must have shape (N, 2), got {xy.shape}; one point is [[x, y]]")
    return xy


def _as_ends(server_end: ArrayLike, n: int) -> Floats:
    end = np.broadcast_to(np.asarray(server_end, dtype=float), (n,))
    if not np.isin(end, (-1.0, 1.0)).all():
        raise ValueError(f"server_end must be -1 or +1, got {server_end!r}")
    return end


def _as_view(view: str) -> str:
    if view not in ("server", "receiver"):
        raise ValueError(f"view must be 'server' or 'receiver', got {view!r}")
    return view


def _with_ends(
    value: ArrayLike, sd: ArrayLike, server_end: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    value, sd, end = _broadcast(value, sd, server_end)
    return value, sd, _as_ends(end, len(value))


def _broadcast(value: ArrayLike, sd: ArrayLike, other: ArrayLike) -> tuple[Floats, Floats, Floats]:
    a, b, c = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (value, sd, other))
    try:
        a, b, c = np.broadcast_arrays(a, b, c)
    except ValueError:
        raise ValueError(
            f"values, standard deviations and ends must match, got {len(a)}, {len(b)}, {len(c)}"
        ) from None
    if (b < 0).any():
        raise ValueError("a standard deviation must not be negative")
    return a, b, c
