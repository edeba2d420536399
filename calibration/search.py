"""Find the quadrilaterals in a reduced still that could be the white border of a table.

Four lines with one colour on their inner side are put together, tested as the picture of a 2.74 by
1.525 m rectangle by a camera that a phone could be, and scored by what the whole regulation model
would show along its four white lines. Coordinates are px of the reduced picture, see
`calibration.lines`.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.camera_fit import FOCAL_PER_WIDTH, FOCAL_SD
from calibration.lines import (
    Lines,
    colour_distance,
    find_lines,
    glare_distance,
    like_colours,
    to_lab,
)
from calibration.table import CORNERS, EDGE_LINE, HALF_LENGTH, HALF_WIDTH

SAME_COLOUR = 16.0  # Lab distance within which inner sides are of one table
MOST_LINES = 34  # oriented lines tried with one seed
MOST_SEEDS = 60
MOST_SCORED = 260
SLACK = 5.0  # px: a line of the table may seem to run past a corner by so much
FIELDS = np.array([0.42, 0.5, 0.6, 0.7, 0.8, 0.95, 1.15, 1.4, 1.7, 2.1])  # f / long side, tried


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A quadrilateral that could be the table.

    Attributes
    ----------
    corners : ndarray, shape (4, 2)
        px of the reduced picture, counter-clockwise as seen, side 0 to 1 a long one.
    score : float
        Higher is better; 4 would be four lines seen whole.
    support : ndarray, shape (4,)
        Share of each side that looks like a white line with the table's colour inside it.
    """

    corners: np.ndarray
    score: float
    support: np.ndarray


def find_candidates(
    picture: np.ndarray, *, most: int = 14, lines: Lines | None = None, glare: bool = False
) -> list[Candidate]:
    """Find up to `most` table-like quadrilaterals of a reduced BGR picture, best first.

    Parameters
    ----------
    picture : ndarray of uint8, shape (H, W, 3)
    most : int
    lines : Lines, optional
        The picture's, if these are known.
    glare : bool
        Whether a table may mirror lamps and bright walls, so that its colour is not one.
    """
    lines = find_lines(picture) if lines is None else lines
    if len(lines) < 4:
        return []
    quads, prior_score = _quads(lines, picture.shape[1], picture.shape[0], glare=glare)
    if not len(quads):
        return []
    order = np.argsort(-prior_score)[:MOST_SCORED]
    quads = quads[order]
    score, support = score_quads(picture, quads, glare=glare)
    score = score + 0.15 * prior_score[order]
    chosen: list[Candidate] = []
    for i in np.argsort(-score):
        near = [np.abs(quads[i] - c.corners).max() < 8 for c in chosen]
        if not any(near):
            chosen.append(Candidate(corners=quads[i], score=float(score[i]), support=support[i]))
        if len(chosen) == most:
            break
    return chosen


def score_quads(
    picture: np.ndarray, quads: np.ndarray, *, glare: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Score quadrilaterals (Q, 4, 2) by their four white lines; also each line's share seen."""
    lab = to_lab(picture).astype(np.float32)
    n = len(quads)
    h = _square_homographies(quads)  # table metres to px
    t = (np.arange(24) + 0.5) / 24
    sides = []
    for k in range(4):
        a, b = CORNERS[k, :2], CORNERS[(k + 1) % 4, :2]
        sides.append(a + (b - a) * t[:, None])
    outer = np.concatenate(sides)  # 96, 2
    inward = np.repeat(np.array([[0, 1], [-1, 0], [0, -1], [1, 0]], float), len(t), axis=0)
    edge = _map(h, outer)
    middle = _map(h, outer + EDGE_LINE / 2 * inward)
    inner = _map(h, outer + EDGE_LINE * inward)
    across = inner - edge
    ahead = _map(h, outer + 0.01 * inward[:, ::-1] * np.array([1, -1]))
    along = ahead - edge
    normal = np.stack([-along[..., 1], along[..., 0]], axis=-1)
    normal /= np.maximum(np.hypot(normal[..., 0], normal[..., 1]), 1e-9)[..., None]
    normal *= np.where((normal * across).sum(-1) < 0, -1.0, 1.0)[..., None]
    thick = np.abs((normal * across).sum(-1))
    shifts = np.array([-1.5, -0.75, 0.0, 0.75, 1.5])
    half = thick[..., None] / 2
    out_at = middle[:, :, None] + normal[:, :, None] * (shifts - half - 2.0)[..., None]
    mid_at = middle[:, :, None] + normal[:, :, None] * (shifts + 0 * half)[..., None]
    in_at = middle[:, :, None] + normal[:, :, None] * (shifts + half + 2.0)[..., None]
    deep_at = middle + normal * (thick + 5.0)[..., None]
    out_l, mid_l, in_l = (_look(lab[:, :, 0], p) for p in (out_at, mid_at, in_at))
    deep = _look(lab, deep_at)  # Q, 96, 3
    inside = (
        (middle[..., 0] > 2)
        & (middle[..., 1] > 2)
        & (middle[..., 0] < picture.shape[1] - 3)
        & (middle[..., 1] < picture.shape[0] - 3)
    )
    # how sure the step up from each side is, best over a small shift across the line
    rise_in, rise_out = mid_l - in_l, mid_l - out_l
    both = np.minimum(rise_in, rise_out).max(axis=-1)
    # one paint: all four lines stand out alike, but for those thinner than a pixel or two
    thin = np.clip(thick / 1.3, 0.2, 1.0)
    usual_rise = np.percentile(both / thin, 75, axis=1, keepdims=True)
    need = np.maximum(4.0, 0.4 * usual_rise * thin)[..., None]
    ridge = np.clip(np.minimum(rise_in, rise_out) / need, -0.5, 1.0)
    step = np.clip(np.minimum(rise_in, np.abs(out_l - in_l)) / need, -0.5, 0.35)
    mark = np.maximum(ridge, step).max(axis=-1)
    # the table's own colour just inside the line: the usual one of this quad
    usual = np.median(deep, axis=1, keepdims=True)
    own = (glare_distance if glare else colour_distance)(deep, usual) < SAME_COLOUR
    mark = np.where(own, mark, np.minimum(mark, 0.0) + 0.0) * inside
    seen = np.maximum(inside.reshape(n, 4, -1).sum(-1), 1)
    support = np.clip(mark.reshape(n, 4, -1).sum(-1) / seen, 0, 1)
    present = inside.reshape(n, 4, -1).mean(-1)
    support = support * np.minimum(1.0, present * 2)
    # lines seen whole are worth more than one strong side: roots reward an even spread
    score = np.sqrt(support).sum(axis=1)
    # evenness of the surface: a table is one colour but for the net and the people before it
    score = score * (0.5 + 0.5 * own.mean(axis=1)) + _centre_line(lab, h)
    return score, support


def _centre_line(lab: np.ndarray, h: np.ndarray) -> np.ndarray:
    """Bonus, up to 0.4, for a thin bright line along the middle of the length."""
    x = np.concatenate([np.linspace(-0.93, -0.1, 20), np.linspace(0.1, 0.93, 20)]) * HALF_LENGTH
    middle = _map(h, np.column_stack([x, np.zeros_like(x)]))
    beside = _map(h, np.column_stack([x, np.full_like(x, 0.05)]))
    normal = beside - middle
    normal /= np.maximum(np.hypot(normal[..., 0], normal[..., 1]), 1e-9)[..., None]
    shifts = np.arange(-4, 5) * 0.75
    values = _look(lab[:, :, 0], middle[:, :, None] + normal[:, :, None] * shifts[:, None])
    centre = values[..., 2:7]
    sides = np.stack([centre - values[..., 0:5], centre - values[..., 4:9]]).min(axis=0)
    peak = np.clip(sides.max(axis=-1) / 5.0, 0, 1)
    return 0.4 * np.clip(peak.mean(axis=1) * 1.5 - 0.4, 0, 1)


def _look(source: np.ndarray, at: np.ndarray) -> np.ndarray:
    shape = at.shape[:-1]
    flat = at.reshape(shape[0], -1, 2).astype(np.float32)
    flat = np.nan_to_num(np.clip(flat, -1e4, 1e4), nan=-1e4)
    out = cv2.remap(
        source, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return out.reshape(*shape, *source.shape[2:])


def _quads(lines: Lines, width: int, height: int, *, glare: bool) -> tuple[np.ndarray, np.ndarray]:
    """Quadrilaterals (Q, 4, 2) that a table could be, and how much line they rest on (Q,)."""
    # every line twice, so that its inner side is to the left of its direction
    point = np.vstack([lines.point, lines.point])
    direction = np.vstack([lines.direction, -lines.direction])
    low = np.concatenate([lines.start, -lines.stop])
    high = np.concatenate([lines.stop, -lines.start])
    inner = np.vstack([lines.left, lines.right])
    thick = np.tile(lines.width, 2)
    ridge = thick > 0
    weight = np.tile(lines.seen, 2) * np.where(ridge, 1.0, 0.4)
    left = np.column_stack([direction[:, 1], -direction[:, 0]])
    middle = point + ((low + high) / 2)[:, None] * direction
    # two sides of one table: what was seen of each lies on the inner side of the other
    gap = middle @ left.T - (point * left).sum(axis=1)  # [j, i]: of j, inside i
    gap = np.minimum(gap, gap.T)
    turn = direction @ direction.T
    mutual = (gap > 2) & (turn < 0.998)
    if glare:
        one, other = np.nonzero(np.triu(mutual, 1))
        alike = glare_distance(inner[one], inner[other]) < SAME_COLOUR
        mutual[one, other] = mutual[other, one] = alike
    else:
        mutual &= like_colours(inner, SAME_COLOUR)
    # opposite sides may converge strongly but never point the same way
    opposite = mutual & (gap > 6) & (turn < 0.97)
    first = np.triu(np.ones((MOST_LINES, MOST_LINES), dtype=bool), 1)  # each pair once
    found: list[np.ndarray] = []
    order = np.argsort(-weight)
    for place, seed in enumerate(order):
        if not ridge[seed]:
            continue
        if len(found) == MOST_SEEDS:
            break
        # the seed is the heaviest of its four
        others = order[place + 1 :]
        others = others[mutual[seed, others]][:MOST_LINES]
        facing = others[opposite[seed, others]]
        if len(others) < 3 or not len(facing):
            continue
        a, b = np.nonzero(opposite[others][:, others] & first[: len(others), : len(others)])
        agree = mutual[facing][:, others]
        f, k = np.nonzero(agree[:, a] & agree[:, b])
        if len(f):
            found.append(
                np.column_stack([np.full(len(f), seed), facing[f], others[a[k]], others[b[k]]])
            )
    if not found:
        return np.empty((0, 4, 2)), np.empty(0)
    four = np.concatenate(found)
    return _assemble(four, point, direction, low, high, weight, thick, width, height)


def _assemble(
    four: np.ndarray,
    point: np.ndarray,
    direction: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    weight: np.ndarray,
    thick: np.ndarray,
    width: int,
    height: int,
) -> tuple[np.ndarray, np.ndarray]:
    """Corners of each set of four oriented lines (Q, 4), of those that a table could be."""
    ridge = thick > 0
    p, q = four[:, :2], four[:, 2:]
    # order them counter-clockwise as seen: p0, q?, p1, q?
    cross = (
        direction[p[:, 0], 0] * direction[q[:, 0], 1]
        - direction[p[:, 0], 1] * direction[q[:, 0], 0]
    )
    second = np.where(cross < 0, q[:, 0], q[:, 1])
    fourth = np.where(cross < 0, q[:, 1], q[:, 0])
    sides = np.column_stack([p[:, 0], second, p[:, 1], fourth])
    corners = np.stack(
        [_meet(point, direction, sides[:, k - 1], sides[:, k]) for k in range(4)], axis=1
    )
    ok = np.isfinite(corners).all(axis=(1, 2))
    ok &= (np.abs(corners - [width / 2, height / 2]) < [1.2 * width, 1.2 * height]).all(axis=(1, 2))
    sides, corners = sides[ok], corners[ok]
    # along each side, in its own direction, corners come in order and hold what was seen
    strength = np.zeros(len(corners))
    good = np.ones(len(corners), dtype=bool)
    plenty = np.zeros(len(corners))
    for k in range(4):
        s = sides[:, k]
        t0 = ((corners[:, k] - point[s]) * direction[s]).sum(1)
        t1 = ((corners[:, (k + 1) % 4] - point[s]) * direction[s]).sum(1)
        length = t1 - t0
        slack = SLACK + 0.02 * np.abs(length)
        held = np.minimum(t1 + slack, high[s]) - np.maximum(t0 - slack, low[s])
        good &= (length > 12) & (held > 0.8 * (high[s] - low[s]))
        share = np.clip(weight[s] / np.maximum(length, 1), 0, 1)
        good &= share > 0.05
        strength += np.sqrt(share)
        plenty += share
    good &= (strength > 1.6) & (plenty > 0.8)
    sides, corners, strength = sides[good], corners[good], strength[good]
    area = 0.5 * np.abs(
        np.sum(
            corners[:, :, 0] * np.roll(corners[:, :, 1], -1, axis=1)
            - corners[:, :, 1] * np.roll(corners[:, :, 0], -1, axis=1),
            axis=1,
        )
    )
    big = area > 0.002 * width * height
    sides, corners, strength = sides[big], corners[big], strength[big]
    if not len(corners):
        return np.empty((0, 4, 2)), np.empty(0)
    # either pair may be the long sides
    corners = np.concatenate([corners, np.roll(corners, -1, axis=1)])
    sides = np.concatenate([sides, np.roll(sides, -1, axis=1)])
    strength = np.tile(strength, 2)
    misfit = rectangle_misfit(corners, width, height)
    fits = misfit < 14
    corners, sides, strength = corners[fits], sides[fits], strength[fits] - 0.05 * misfit[fits]
    if not len(corners):
        return np.empty((0, 4, 2)), np.empty(0)
    # the lines' widths must be those of 20 mm
    h = _square_homographies(corners)
    mids = np.array([[0, -HALF_WIDTH], [HALF_LENGTH, 0], [0, HALF_WIDTH], [-HALF_LENGTH, 0]])
    inward = np.array([[0, 1], [-1, 0], [0, -1], [1, 0]])
    edge, inner = _map(h, mids), _map(h, mids + EDGE_LINE * inward)
    d = direction[sides]
    expected = np.abs((inner - edge)[..., 0] * d[..., 1] - (inner - edge)[..., 1] * d[..., 0])
    measured = thick[sides]
    off = np.abs(measured - np.maximum(expected, 1.0)) > 2.0 + 0.6 * expected
    wrong = (off & ridge[sides]).sum(axis=1)
    keep = wrong <= 1
    return corners[keep], (strength - 0.5 * wrong)[keep]


def rectangle_misfit(corners: np.ndarray, width: int, height: int) -> np.ndarray:
    """How unlike a table by a phone camera each quadrilateral (Q, 4, 2) is; below about 10 is like.

    The smallest, over focal lengths, of the squared angle and scale errors of the two axes in units
    of 0.03, with the lens's prior; infinite for a table seen from below or far too near or far.
    """
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    h = _square_homographies(corners - centre)
    best = np.full(len(corners), np.inf)
    for ratio in FIELDS:
        f = ratio * max(width, height)
        a = h / np.array([[f], [f], [1.0]])
        n1, n2 = np.linalg.norm(a[:, :, 0], axis=1), np.linalg.norm(a[:, :, 1], axis=1)
        cosine = (a[:, :, 0] * a[:, :, 1]).sum(1) / (n1 * n2)
        cost = (cosine / 0.05) ** 2 + (np.log(n1 / n2) / 0.05) ** 2
        cost += (np.log(ratio / FOCAL_PER_WIDTH) / (1.5 * FOCAL_SD)) ** 2
        scale = np.sign(a[:, 2, 2]) * 2 / (n1 + n2)
        r1, r2 = a[:, :, 0] * scale[:, None], a[:, :, 1] * scale[:, None]
        up = np.cross(r1, r2)
        t = a[:, :, 2] * scale[:, None]
        above = -(up * t).sum(1)
        distance = np.linalg.norm(t, axis=1)
        fine = (up[:, 1] < 0.15) & (above > 0.12) & (above < 8) & (distance > 1.2) & (distance < 16)
        # rolled cameras exist, but a phone on a stand is nearly level
        roll = np.degrees(np.arctan2(np.abs(up[:, 0]), np.maximum(-up[:, 1], 1e-3)))
        tilted = -up[:, 1] > 0.3
        cost += np.where(tilted, np.maximum(roll - 8, 0) / 4, 0)
        best = np.minimum(best, np.where(fine, cost, np.inf))
    return best


def _square_homographies(corners: np.ndarray) -> np.ndarray:
    """Homographies (Q, 3, 3) from table metres to the quadrilaterals' px, in closed form.

    Source: Heckbert, Fundamentals of Texture Mapping and Image Warping (1989), section 2.2.3.
    """
    p0, p1, p2, p3 = (corners[:, k] for k in range(4))
    d1, d2, s = p1 - p2, p3 - p2, p0 - p1 + p2 - p3
    den = d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]
    den = np.where(np.abs(den) < 1e-9, 1e-9, den)
    g = (s[:, 0] * d2[:, 1] - s[:, 1] * d2[:, 0]) / den
    k = (d1[:, 0] * s[:, 1] - d1[:, 1] * s[:, 0]) / den
    one = np.ones_like(g)
    unit = np.stack(
        [
            np.stack([p1[:, 0] - p0[:, 0] + g * p1[:, 0], p3[:, 0] - p0[:, 0] + k * p3[:, 0],
                      p0[:, 0]], axis=-1),
            np.stack([p1[:, 1] - p0[:, 1] + g * p1[:, 1], p3[:, 1] - p0[:, 1] + k * p3[:, 1],
                      p0[:, 1]], axis=-1),
            np.stack([g, k, one], axis=-1),
        ],
        axis=1,
    )  # fmt: skip
    to_unit = np.array(
        [[1 / (2 * HALF_LENGTH), 0, 0.5], [0, 1 / (2 * HALF_WIDTH), 0.5], [0, 0, 1.0]]
    )
    return unit @ to_unit


def _map(h: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Map table points (P, 2) through homographies (Q, 3, 3): (Q, P, 2)."""
    row = np.column_stack([points, np.ones(len(points))])
    mapped = row @ h.transpose(0, 2, 1)
    z = mapped[..., 2:]
    return mapped[..., :2] / np.where(np.abs(z) < 1e-9, np.nan, z)


def _meet(point: np.ndarray, direction: np.ndarray, i: np.ndarray, j: np.ndarray) -> np.ndarray:
    """Where lines i and j cross; NaN when parallel."""
    d = point[j] - point[i]
    cross = direction[i, 0] * direction[j, 1] - direction[i, 1] * direction[j, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (d[:, 0] * direction[j, 1] - d[:, 1] * direction[j, 0]) / np.where(
            np.abs(cross) < 0.02, np.nan, cross
        )
    return point[i] + s[:, None] * direction[i]
