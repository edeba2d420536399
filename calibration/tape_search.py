"""Find tables from behind whose far end's line the net hides: by near end, two sides and the tape.

Where a player hides a side line all the while, the centre line may stand for it.

From a low stand behind an end the net's tape lies before the far end's line. The near end's two
corners and the point in which the sides meet far away put the camera, for each focal length, in one
place; of these places that is taken from which the net's tape would be seen where a bright line is.
Coordinates are px of the reduced picture, see `calibration.lines`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.lines import Lines, glare_distance
from calibration.table import EDGE_LINE, HALF_LENGTH, HALF_WIDTH, NET_HEIGHT, NET_SPAN

MOST = 4  # tables told
FOCALS = np.geomspace(0.5, 2.2, 34)  # f / long side, tried
MOST_LINES = 60  # longest lines of a picture that are put together
SAME_COLOUR = 18.0  # Lab distance within which inner sides are of one table
BEYOND = 0.06  # of its length, and SLACK px, by which a line may seem to run past a corner
SLACK = 5.0
OTHER_HALF = 1.6  # of a half's length, that the other half of the near end may seem to have
TAPE_OFF, TAPE_TURN = 4.0, 0.04  # px and radians by which a line may be off for the net's tape
LEAST_TAPE = 0.25  # of the tape, that must be seen
LEAST_SEEN = 0.25  # of the near end and of each side up to the net
NEAREST, FARTHEST = 1.2, 12.0  # m from the phone to the near end


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """A table put together so.

    Attributes
    ----------
    corners : ndarray, shape (4, 2)
        px of the reduced picture: near right, far right, far left, near left.
    focal : float
        Focal length over the picture's long side.
    score : float
        Shares seen of three lines and the tape; 4 would be all.
    """

    corners: np.ndarray
    focal: float
    score: float


@dataclass(frozen=True, slots=True)
class _Sides:
    """Where the two lines that run along the table lie across it, m from its middle."""

    left: float
    right: float


_BOTH = _Sides(-HALF_WIDTH + EDGE_LINE / 2, HALF_WIDTH - EDGE_LINE / 2)
_HALVES = (_Sides(_BOTH.left, 0.0), _Sides(0.0, _BOTH.right))  # one of them is the centre line


def find_behind_net(lines: Lines, size: tuple[int, int], *, half: bool = False) -> list[Placed]:
    """Find tables by near end, sides and tape among a reduced picture's lines, best first.

    Parameters
    ----------
    lines : Lines
    size : (int, int)
        The picture's width and height, px.
    half : bool
        Whether by one side and the centre line instead.
    """
    triples = _triples(lines, half=half)
    found: list[Placed] = []
    if len(triples[0]):
        for sides in _HALVES if half else (_BOTH,):
            found += _placed(lines, triples, sides, size)
    found.sort(key=lambda p: -p.score)
    chosen: list[Placed] = []
    for one in found:
        if all(np.abs(one.corners[[0, 3]] - c.corners[[0, 3]]).max() > 8 for c in chosen):
            chosen.append(one)
        if len(chosen) == MOST:
            break
    return chosen


def _placed(
    lines: Lines,
    triples: tuple[np.ndarray, np.ndarray, np.ndarray],
    sides: _Sides,
    size: tuple[int, int],
) -> list[Placed]:
    """What is found with lines along the table that lie so across it."""
    width, height = size
    near, left, right = triples
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    # corners and the sides' vanishing point, from the picture's middle
    a, b = _cross(lines, near, left) - middle, _cross(lines, near, right) - middle
    far = _cross(lines, left, right) - middle
    # of a half table the near end may begin before the centre line
    before = OTHER_HALF if sides.left == 0.0 else 0.0
    base = _share(lines, near, a + middle, b + middle, before=before)
    found: list[Placed] = []
    for ratio in FOCALS:
        f = ratio * max(width, height)
        place, along, across, up = _pose(a, b, far, f, sides)
        net = place + HALF_LENGTH * along + HALF_WIDTH * across + NET_HEIGHT * up
        ends = np.stack([net - NET_SPAN / 2 * across, net + NET_SPAN / 2 * across], axis=1)
        feet = np.stack(
            [
                place + HALF_LENGTH * along + (HALF_WIDTH + y) * across
                for y in (sides.left, sides.right)
            ],
            axis=1,
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            ends = f * ends[..., :2] / ends[..., 2:] + middle
            feet = f * feet[..., :2] / feet[..., 2:] + middle
        distance = np.linalg.norm(place + HALF_WIDTH * across, axis=1)
        good = (up[:, 1] < -0.5) & (distance > NEAREST) & (distance < FARTHEST)
        good &= (place * up).sum(axis=1) < -0.12  # seen from above
        seen = [base, _share(lines, left, a + middle, feet[:, 0])]
        seen.append(_share(lines, right, b + middle, feet[:, 1]))
        good &= np.min(seen, axis=0) > LEAST_SEEN
        for i in np.flatnonzero(good):
            tape = _tape_share(lines, ends[i])
            if tape < LEAST_TAPE:
                continue
            corners = np.array([place[i], place[i] + 2 * HALF_WIDTH * across[i]])
            corners = np.concatenate([corners, corners[::-1] + 2 * HALF_LENGTH * along[i]])
            corners = np.roll(corners, -1, axis=0)
            found.append(
                Placed(
                    corners=f * corners[:, :2] / corners[:, 2:] + middle, focal=float(ratio),
                    score=float(sum(min(s[i], 1.0) for s in seen) + tape),
                )
            )  # fmt: skip
    return found


def _triples(lines: Lines, *, half: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Numbers of lines that may be a near end, the side left and the side right of it.

    Of a half table, one of these is the centre line, which has the table's colour on both sides.
    """
    longest = np.argsort(-lines.seen)
    longest = longest[lines.width[longest] > 0][:MOST_LINES]
    direction = lines.direction[longest]
    halfway = ((lines.start + lines.stop)[longest] / 2)[:, None]
    middle = lines.point[longest] + halfway * direction
    backward, downward = direction[:, :1] < 0, direction[:, 1:] > 0
    rightward, upward = np.where(backward, -direction, direction), direction.copy()
    upward[downward[:, 0]] *= -1
    # of a near end what is above it, of a side what lies towards the other, is the table's
    one, other = lines.left[longest], lines.right[longest]
    upper = np.where(backward, other, one)
    west, east = np.where(downward, other, one), np.where(downward, one, other)
    above = middle[None, :, 1] < middle[:, None, 1] - 3  # [near end, side]
    turn = rightward[:, None, 0] * upward[None, :, 1] - rightward[:, None, 1] * upward[None, :, 0]
    may = above & (np.abs(turn) > 0.1) & (np.abs(rightward[:, :1]) > 0.8)
    left = may & (glare_distance(upper[:, None], east[None]) < SAME_COLOUR)
    right = may & (glare_distance(upper[:, None], west[None]) < SAME_COLOUR)
    apart = (middle[:, None, 0] < middle[None, :, 0] - 10) & (
        upward[:, None, 0] > upward[None, :, 0]
    )
    if half:
        apart &= (left & right).any(axis=0)[:, None] | (left & right).any(axis=0)[None]
    near, i, j = np.nonzero(left[:, :, None] & right[:, None, :] & apart[None])
    return longest[near], longest[i], longest[j]


def _cross(lines: Lines, one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Where pairs of lines cross, (Q, 2)."""
    d, e = lines.direction[one], lines.direction[other]
    gap = lines.point[other] - lines.point[one]
    turn = d[:, 0] * e[:, 1] - d[:, 1] * e[:, 0]
    turn = np.where(np.abs(turn) < 1e-6, 1e-6, turn)
    along = (gap[:, 0] * e[:, 1] - gap[:, 1] * e[:, 0]) / turn
    return np.asarray(lines.point[one] + along[:, None] * d)


def _pose(
    a: np.ndarray, b: np.ndarray, far: np.ndarray, f: float, sides: _Sides
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """The near left corner, m, and unit vectors along, across and up, (Q, 3), as the camera sees.

    The lines along the table point to the point where they meet, the near end is square to them and
    as wide as the laws ask; what was found are the middles of lines.
    """
    rays = [np.column_stack([p, np.full(len(p), f)]) for p in (a, b, far)]
    along = rays[2] / np.linalg.norm(rays[2], axis=1, keepdims=True)
    slant = [(r * along).sum(axis=1, keepdims=True) for r in rays[:2]]
    edge = slant[0] / slant[1] * rays[1] - rays[0]
    length = np.linalg.norm(edge, axis=1, keepdims=True)
    across = edge / length
    begin = (sides.right - sides.left) / length * rays[0]
    place = begin - EDGE_LINE / 2 * along - (HALF_WIDTH + sides.left) * across
    return place, along, across, np.cross(across, along)


def _share(
    lines: Lines, which: np.ndarray, begin: np.ndarray, end: np.ndarray, *, before: float = 0.0
) -> np.ndarray:
    """Share of the way from `begin` to `end` (Q, 2) that lines show; 0 if they begin before it.

    By `before`, of the way's length, they may.
    """
    way = end - begin
    length = np.maximum(np.linalg.norm(way, axis=1), 1e-9)
    ahead = way / length[:, None]
    point, direction = lines.point[which], lines.direction[which]
    ends = [point + t[:, None] * direction for t in (lines.start[which], lines.stop[which])]
    along = np.stack([((e - begin) * ahead).sum(axis=1) for e in ends])
    early = along.min(axis=0) < -SLACK - (BEYOND + before) * length
    beside = along.min(axis=0) > length
    return np.where(early | beside | ~np.isfinite(length), 0.0, lines.seen[which] / length)


def _tape_share(lines: Lines, ends: np.ndarray) -> float:
    """Share of a net's tape, foretold between two places, that bright lines show."""
    way = ends[1] - ends[0]
    length = float(np.hypot(*way))
    if not np.isfinite(length) or length < 20:
        return 0.0
    ahead = way / length
    across = np.array([-ahead[1], ahead[0]])
    turn = np.abs(lines.direction @ across)
    tips = [lines.point + t[:, None] * lines.direction for t in (lines.start, lines.stop)]
    off = np.max([np.abs((t - ends[0]) @ across) for t in tips], axis=0)
    low, high = np.sort([(t - ends[0]) @ ahead for t in tips], axis=0)
    inside = (low > -SLACK - BEYOND * length) & (high < (1 + BEYOND) * length + SLACK)
    on_it = (turn < TAPE_TURN) & (off < TAPE_OFF) & inside & (lines.width > 0)
    return min(1.0, float(lines.seen[on_it].sum()) / length)
