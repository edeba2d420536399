"""Find straight lines in a still that could be an edge of a table.

Works on a reduced picture (long side at most `WORK_SIZE` px); coordinates here are px of that
reduced picture. A line is kept with what lies on its two sides: a white edge line has the table's
colour on one side, the surroundings on the other, and is brighter than both.

Source of the segments: von Gioi, Jakubowicz, Morel and Randall, "LSD: a fast line segment detector
with a false detection control", IEEE PAMI 32 (2010) 722, as OpenCV has it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

WORK_SIZE = 960  # px, long side of the picture that is searched
SHORTEST = 0.015  # of the long side: shorter segments are texture
MAX_SEGMENTS = 700
REACH = 12  # px: the widest white line looked for
PIECE = 80.0  # px
BREAK = 14.0  # px: a wider gap starts another run of a line
RIDGE_HEIGHT = 7.0  # L* (0-255): a white line stands out by at least this
_NEUTRAL = 128.0  # of the two colour values of Lab
_MIRRORED = 250.0  # lightness of what is mirrored
_MOST_GLARE = 0.9  # share of it up to which a table's colour is still seen
_GREY = 3.0  # colours nearer than this to none have no hue


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """Lines of a picture, one row each.

    Attributes
    ----------
    point, direction : ndarray, shape (N, 2)
        A point on the line's middle and the unit vector along it.
    start, stop : ndarray, shape (N,)
        Extent of what was seen, px along `direction` from `point`.
    seen : ndarray, shape (N,)
        Length actually covered by segments, px.
    width : ndarray, shape (N,)
        Of the bright line, px; 0 for a plain step from one colour to another.
    height : ndarray, shape (N,)
        How far the line is brighter than both sides, L* in 0 to 255; 0 for a step.
    left, right : ndarray, shape (N, 3)
        Lab colour (0 to 255 each) beside it; left is to the left of `direction` with v down:
        the side of (direction_v, -direction_u).
    """

    point: np.ndarray
    direction: np.ndarray
    start: np.ndarray
    stop: np.ndarray
    seen: np.ndarray
    width: np.ndarray
    height: np.ndarray
    left: np.ndarray
    right: np.ndarray

    def __len__(self) -> int:
        """Number of lines."""
        return len(self.start)


def reduce_picture(image: np.ndarray, work_size: int = WORK_SIZE) -> tuple[np.ndarray, float]:
    """Reduce a BGR or grey uint8 picture to `work_size`; the factor maps full px to reduced."""
    height, width = image.shape[:2]
    factor = min(1.0, work_size / max(height, width))
    if factor < 1:
        size = (max(1, round(width * factor)), max(1, round(height * factor)))
        image = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    if image.ndim == 2:
        image = cv2.cvtColor(image, cv2.COLOR_GRAY2BGR)
    return image, factor


def to_lab(picture: np.ndarray) -> np.ndarray:
    """Lab of a BGR picture, 0 to 255 each; a dim one is first made as bright as a usual one."""
    top = float(np.percentile(picture[::4, ::4].max(axis=2), 99.5))
    gain = min(4.0, 240.0 / max(top, 1.0))
    if gain > 1.05:
        picture = cv2.convertScaleAbs(picture, alpha=gain)
    return cv2.cvtColor(picture, cv2.COLOR_BGR2Lab)


def find_lines(picture: np.ndarray) -> Lines:
    """Find lines in a reduced BGR picture, each with its width, height and two colours."""
    lab = to_lab(picture)
    stretched = np.ascontiguousarray(lab[:, :, 0])
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(stretched)[0]
    segments = np.empty((0, 4)) if found is None else np.asarray(found).reshape(-1, 4)
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    long_enough = length > SHORTEST * max(stretched.shape)
    segments, length = segments[long_enough], length[long_enough]
    order = np.argsort(-length)[:MAX_SEGMENTS]
    smooth = cv2.blur(lab, (3, 3))
    segments = _in_pieces(segments[order].astype(float))
    if not len(order):
        nothing = np.empty(0)
        return Lines(point=np.empty((0, 2)), direction=np.empty((0, 2)), start=nothing,
                     stop=nothing, seen=nothing, width=nothing, height=nothing,
                     left=np.empty((0, 3)), right=np.empty((0, 3)))  # fmt: skip
    described = _describe(segments, lab, smooth)
    return _merge(described)


def _in_pieces(segments: np.ndarray) -> np.ndarray:
    """Cut long segments into pieces: one may run on from the table along a line of the floor."""
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    n = np.maximum(1, np.rint(length / PIECE)).astype(int)
    which = np.repeat(np.arange(len(segments)), n)
    first = np.concatenate([np.arange(k) for k in n]) if len(n) else np.empty(0)
    a, b = segments[which, :2], segments[which, 2:]
    low, high = (first / n[which])[:, None], ((first + 1) / n[which])[:, None]
    return np.hstack([a + (b - a) * low, a + (b - a) * high])


def _describe(segments: np.ndarray, lab: np.ndarray, smooth: np.ndarray) -> Lines:
    """Look across each segment: is it one side of a bright line, how wide, and what is beside."""
    a, b = segments[:, :2], segments[:, 2:]
    length = np.hypot(*(b - a).T)
    direction = (b - a) / length[:, None]
    left = np.column_stack([direction[:, 1], -direction[:, 0]])
    share = np.linspace(0.12, 0.88, 5)
    offsets = np.arange(-REACH - 4, REACH + 5).astype(float)  # positive to the left
    base = a[:, None, :] + (b - a)[:, None, :] * share[:, None]  # N, 5, 2
    places = base[:, :, None, :] + offsets[:, None] * left[:, None, None, :]  # N, 5, K, 2

    def look(source: np.ndarray) -> np.ndarray:
        flat = places.reshape(len(segments), -1, 2).astype(np.float32)
        values = cv2.remap(
            source, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        values = values.reshape(len(segments), len(share), len(offsets), 3)
        return np.median(values, axis=1)

    profile = look(lab)[:, :, 0]
    colour = look(smooth)
    zero = REACH + 4
    n = len(segments)
    rows = np.arange(n)
    best_height = np.full(n, -np.inf)
    best_width = np.zeros(n)
    best_sign = np.ones(n, dtype=int)
    for sign in (1, -1):
        p = profile if sign == 1 else profile[:, ::-1]
        before = p[:, zero - 3 : zero - 1].mean(axis=1)
        for w in range(1, REACH + 1):
            inside = p[:, zero : zero + w + 1]
            on = inside.max(axis=1) if w < 3 else np.median(inside, axis=1)
            after = p[:, zero + w + 2 : zero + w + 4].mean(axis=1)
            height = np.minimum(on - before, on - after) - 0.4 * w
            better = height > best_height
            best_height = np.where(better, height, best_height)
            best_width = np.where(better, w, best_width)
            best_sign = np.where(better, sign, best_sign)
    ridge = best_height > RIDGE_HEIGHT
    width = np.where(ridge, best_width, 0.0)
    shift = np.where(ridge, best_sign * best_width / 2, 0.0)
    far = np.where(best_sign > 0, width + 3, 3).astype(int)
    near = np.where(best_sign > 0, 3, width + 3).astype(int)
    return Lines(
        point=(a + b) / 2 + shift[:, None] * left,
        direction=direction,
        start=-length / 2,
        stop=length / 2,
        seen=length,
        width=width,
        height=np.where(ridge, best_height, 0.0),
        left=colour[rows, np.minimum(zero + far, 2 * zero)],
        right=colour[rows, np.maximum(zero - near, 0)],
    )


def _merge(lines: Lines) -> Lines:
    """Join pieces of one line; steps are joined with steps, bright lines with bright lines.

    A line of several pieces is given whole, by the pieces with like colours beside them, and by the
    longest run of those: what lies far along it may be another thing, such as a line of the floor.
    """
    n = len(lines)
    if not n:
        return lines
    free = np.ones(n, dtype=bool)
    end_a = lines.point + lines.start[:, None] * lines.direction
    end_b = lines.point + lines.stop[:, None] * lines.direction
    ridge = lines.width > 0
    rows: list[np.ndarray] = []
    for i in np.argsort(-lines.seen):
        if not free[i]:
            continue
        point, direction = lines.point[i], lines.direction[i]
        members = np.array([i])
        alike = free & (ridge if ridge[i] else ~ridge)
        for _ in range(2):
            normal = np.array([direction[1], -direction[0]])
            off = np.maximum(np.abs((end_a - point) @ normal), np.abs((end_b - point) @ normal))
            t = np.concatenate([end_a[members] - point, end_b[members] - point]) @ direction
            along = (lines.point - point) @ direction
            gap = np.maximum(0, np.maximum(t.min() - along, along - t.max()) - lines.seen / 2)
            close = alike & (off < 1.6 + 0.004 * gap)
            close[i] = True
            near = np.flatnonzero(close)
            members = near[_akin(lines, i, near) | (near == i)]
            if len(members) == 1:
                break
            point, direction = _straight(end_a[members], end_b[members], lines.seen[members])
            if direction @ lines.direction[i] < 0:
                direction = -direction
        free[members] = False
        if len(members) == 1:  # most are whole as they are
            rows.append(_alone(lines, i))
            continue
        t_a, t_b = (end_a[members] - point) @ direction, (end_b[members] - point) @ direction
        low, high = np.minimum(t_a, t_b), np.maximum(t_a, t_b)
        choices = [np.arange(len(members))]
        parts = _alike(lines, members, direction)
        if len(parts) > 1:
            choices.extend(parts)
        for part in parts:
            runs = _runs(low[part], high[part])
            if len(runs) > 1:
                lengths = [_covered(low[part[r]], high[part[r]]) for r in runs]
                choices.append(part[runs[int(np.argmax(lengths))]])
        for choice in choices:
            rows.append(
                _joined(lines, members[choice], point, direction, low[choice], high[choice])
            )
    table = np.array(rows)
    return Lines(
        point=table[:, 0:2],
        direction=table[:, 2:4],
        start=table[:, 4],
        stop=table[:, 5],
        seen=table[:, 6],
        width=table[:, 7],
        height=table[:, 8],
        left=table[:, 9:12],
        right=table[:, 12:15],
    )


def _alone(lines: Lines, i: int) -> np.ndarray:
    """The row of a line that is one piece, in the order of the fields of `Lines`."""
    numbers = [lines.start[i], lines.stop[i], lines.seen[i], lines.width[i], lines.height[i]]
    return np.concatenate(
        [lines.point[i], lines.direction[i], numbers, lines.left[i], lines.right[i]]
    )


def _joined(
    lines: Lines,
    members: np.ndarray,
    point: np.ndarray,
    direction: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
) -> np.ndarray:
    """One row of numbers, in the order of the fields of `Lines`."""
    weight = lines.seen[members]
    total = weight.sum()
    left, right = _beside(lines, members, direction)
    shape = [
        (weight @ lines.width[members]) / total,
        (weight @ lines.height[members]) / total,
    ]
    extent = [low.min(), high.max(), _covered(low, high)]
    return np.concatenate(
        [point, direction, extent, shape, _typical(left, weight), _typical(right, weight)]
    )


def _beside(
    lines: Lines, members: np.ndarray, direction: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Colours to the left and to the right of members, as seen along `direction`."""
    same = (lines.direction[members] @ direction > 0)[:, None]
    left, right = lines.left[members], lines.right[members]
    return np.where(same, left, right), np.where(same, right, left)


def _alike(lines: Lines, members: np.ndarray, direction: np.ndarray) -> list[np.ndarray]:
    """Groups of members, heaviest first, whose colours agree on both sides."""
    left, right = _beside(lines, members, direction)
    rest = np.argsort(-lines.seen[members])
    groups: list[np.ndarray] = []
    while len(rest) and len(groups) < 3:
        near = (colour_distance(left[rest], left[rest[0]]) < 14) & (
            colour_distance(right[rest], right[rest[0]]) < 14
        )
        groups.append(rest[near])
        rest = rest[~near]
    return groups


def _straight(a: np.ndarray, b: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Point and direction of the weighted total least squares line through segments' ends."""
    ends = np.concatenate([a, b])
    w = np.concatenate([weight, weight])
    w = w / w.sum()
    point = w @ ends
    d = ends - point
    xx, xy, yy = w @ (d[:, 0] ** 2), w @ (d[:, 0] * d[:, 1]), w @ (d[:, 1] ** 2)
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    return point, np.array([np.cos(angle), np.sin(angle)])


def _runs(low: np.ndarray, high: np.ndarray) -> list[np.ndarray]:
    """Split intervals where the gap is wider than a net or an arm leaves."""
    order = np.argsort(low)
    runs: list[list[int]] = []
    reach = -np.inf
    for k in order:
        if low[k] - reach > BREAK:
            runs.append([])
        runs[-1].append(int(k))
        reach = max(reach, high[k])
    return [np.array(r) for r in runs]


def colour_distance(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Distance of Lab colours (0 to 255 each), lightness counted a third: light falls unevenly."""
    d = np.asarray(a, dtype=float) - np.asarray(b, dtype=float)
    return np.sqrt((d[..., 0] / 3) ** 2 + d[..., 1] ** 2 + d[..., 2] ** 2)


def like_colours(colours: np.ndarray, limit: float) -> np.ndarray:
    """Which pairs of Lab colours (N, 3) lie nearer than `limit` by `colour_distance`, (N, N)."""
    scaled = colours * np.array([1 / 3, 1.0, 1.0])
    square = (scaled**2).sum(axis=1)
    return np.asarray(square[:, None] + square - 2 * scaled @ scaled.T < limit**2)


def glare_distance(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """As `colour_distance`, but for what a lamp or a bright wall mirrored in the table may add.

    What is mirrored is added to the table's own colour, which grows lighter and paler by one share
    (the dichromatic reflection model of Shafer, Color Research & Application 10:210, 1985).
    """
    a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    swap = (a[..., 0] > b[..., 0])[..., None]
    plain, shiny = np.where(swap, b, a), np.where(swap, a, b)
    own, seen = plain[..., 1:] - _NEUTRAL, shiny[..., 1:] - _NEUTRAL
    lighter = shiny[..., 0] - plain[..., 0]
    room = np.maximum(_MIRRORED - plain[..., 0], 1.0)
    most = np.clip(lighter / room, 0.0, _MOST_GLARE)
    square = (own * own).sum(axis=-1)
    paler = 1 - (own * seen).sum(axis=-1) / np.maximum(square, 1e-9)
    share = np.where(square < _GREY**2, most, np.clip(paler, 0.0, most))
    off = seen - (1 - share)[..., None] * own
    return np.sqrt(((lighter - share * room) / 3) ** 2 + (off * off).sum(axis=-1))


def _akin(lines: Lines, i: int, others: np.ndarray) -> np.ndarray:
    """Which of the others have a side's colour like that of line i on the same side."""
    left, right = _beside(lines, others, lines.direction[i])
    off_left, off_right = left - lines.left[i], right - lines.right[i]
    scale = np.array([1 / 9, 1.0, 1.0])
    return np.minimum((off_left**2) @ scale, (off_right**2) @ scale) < 14.0**2


def _covered(low: np.ndarray, high: np.ndarray) -> float:
    """Length of the union of intervals."""
    order = np.argsort(low)
    total, reach = 0.0, -np.inf
    for a, b in zip(low[order], high[order], strict=True):
        if b > reach:
            total += b - max(a, reach)
            reach = b
    return total


def _typical(colours: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """The member colour nearest to all others, by weight."""
    if len(colours) == 1:
        return colours[0]
    d = colour_distance(colours[:, None], colours[None])
    return colours[int(np.argmin(d @ weight))]
