"""Where a bright line runs near its expected place: whole stretches of it, to half a pixel.

Stations along the line each say where across it something bright stands out of its surroundings;
those of one line agree on a straight one. Where exactly its middle is, `calibration.edges` fits.

Offsets across a line are in px along the inward normal: from outside to inside.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.profiles import PROFILE_STEP, Stations, sample_profiles

_TRIED_ENDS = 40  # offsets at either end of a line that are tried at first
INNER_SHARE = 0.8  # of the best votes: a peak as good as that counts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strip:
    """A bright strip of the picture that must not pass for a line: the net's tape.

    Attributes
    ----------
    ends : ndarray, shape (2, 2)
        Of its middle, px.
    half_width : float
        px.
    """

    ends: np.ndarray
    half_width: float

    def covers(self, pixels: np.ndarray) -> np.ndarray:
        """Which pixels lie on it.

        Parameters
        ----------
        pixels : ndarray, shape (..., 2)
            NaN lies nowhere.

        Returns
        -------
        ndarray of bool, shape (...)
        """
        start, stop = self.ends
        length = float(np.hypot(*(stop - start)))
        ahead = (stop - start) / length
        u, v = pixels[..., 0] - start[0], pixels[..., 1] - start[1]
        along, across = u * ahead[0] + v * ahead[1], u * ahead[1] - v * ahead[0]
        return np.asarray((np.abs(across) < self.half_width) & (along > 0) & (along < length))


def find_bright_line(
    luma: np.ndarray,
    stations: Stations,
    reach: float,
    *,
    by_line: bool,
    borders: bool = False,
    strip: Strip | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Offset of the best bright line near each station, and how far it stands out, grey levels.

    With `by_line` the stations of one line agree on a straight one. With `borders` the bright line
    must have on its inner side what lies well inside: the table, not a strip of floor.
    """
    half_range = reach + float(stations.width.max()) / 2 + 4
    offsets = np.arange(-half_range, half_range + PROFILE_STEP, PROFILE_STEP)
    profiles = sample_profiles(luma, stations, offsets)
    step = PROFILE_STEP
    shifts = np.arange(-reach, reach + step, step)
    filled = np.where(np.isfinite(profiles), profiles, 0.0)
    total = np.concatenate([np.zeros((len(filled), 1)), np.cumsum(filled, axis=1)], axis=1)
    w, length = stations.width, total.shape[1]
    begin = np.arange(len(total)) * length
    flat = total.ravel()

    def mean(low: np.ndarray, high: np.ndarray, count: int = len(shifts)) -> np.ndarray:
        """Means (M, count) from `low` to `high` (M,), px, and those a step farther in each time."""
        i = np.rint((low - offsets[0]) / step).astype(int)
        j = np.maximum(np.rint((high - offsets[0]) / step).astype(int), i) + 1
        further = np.arange(count)
        sums = flat.take((begin + j)[:, None] + further) - flat.take((begin + i)[:, None] + further)
        return np.asarray(sums / (j - i)[:, None])

    half = np.maximum(w * 0.7, 1.0) / 2
    white = mean(shifts[0] - half, shifts[0] + half)
    # outside, the darker of two strips: another bright line may run a few px away
    out = np.minimum(
        mean(shifts[0] - w / 2 - 2.0, shifts[0] - w / 2 - 1.0),
        mean(shifts[0] - w / 2 - 3.5, shifts[0] - w / 2 - 2.5),
    )
    inn = mean(shifts[0] + w / 2 + 1.0, shifts[0] + w / 2 + 3.5)
    score = white - np.maximum(out, inn)
    # a line on a bright ground still shows its inner side
    score = np.maximum(score, 0.5 * np.minimum(white - inn, white - out + 20.0))
    score[~np.isfinite(profiles).all(axis=1)] = 0.0
    if strip is not None:
        places = stations.centre[:, None] + shifts[:, None] * stations.normal[:, None]
        score[strip.covers(places)] = 0.0
    if borders:
        deep = mean(reach + w / 2, reach + w / 2 + 4.0, 1)
        for k in range(4):
            rows = stations.line == k
            if rows.any():
                level = float(np.median(deep[rows]))
                score[rows] = np.where(
                    inn[rows] - level < 0.4 * (white[rows] - level), score[rows], 0.0
                )
    guess = shifts[np.argmax(score, axis=1)]
    if by_line:
        for k in range(4):
            rows = np.flatnonzero(stations.line == k)
            if len(rows) < 4:
                continue
            t = np.linspace(0, 1, len(rows))
            usual = float(np.percentile(score[rows].max(axis=1), 70))
            level = np.clip(score[rows] / max(usual, 10.0), 0.0, 1.0)
            at_first, at_last = _straight_line(level, t, reach)
            guess[rows] = at_first * (1 - t) + at_last * t
    near = np.abs(shifts - guess[:, None]) <= 1.5
    best = np.where(near, score, -np.inf)
    index = np.argmax(best, axis=1)
    return shifts[index], score[np.arange(len(score)), index]


def _straight_line(level: np.ndarray, t: np.ndarray, reach: float) -> tuple[float, float]:
    """Offsets at both ends of the straight line that most stations speak for, whole px.

    Over a wide reach lines some px apart are tried first, each speaking for those between; then all
    near the best of them.
    """
    ends = np.arange(-reach, reach + 1e-9, 1.0)
    every = max(1, round(len(ends) / _TRIED_ENDS))
    wide = round((every - 1) / (2 * PROFILE_STEP))
    blunt = cv2.dilate(level, np.ones((1, 2 * wide + 1), np.uint8)) if wide else level
    i, j = _innermost_peak(_votes(blunt, t, reach, ends[::every], ends[::every]))
    if every == 1:
        return float(ends[i]), float(ends[j])
    first, last = (ends[max(0, k * every - every) : k * every + every + 1] for k in (i, j))
    votes = _votes(level, t, reach, first, last)
    best = int(np.argmax(votes))
    return float(first[best // len(last)]), float(last[best % len(last)])


def _votes(
    level: np.ndarray, t: np.ndarray, reach: float, first: np.ndarray, last: np.ndarray
) -> np.ndarray:
    """Sum of `level` (M, S) along the lines from each `first` to each `last` offset, px."""
    path = np.multiply.outer(first + reach, (1 - t) / PROFILE_STEP)[:, None]
    path = np.rint(path + np.multiply.outer(last + reach, t / PROFILE_STEP))
    index = path.astype(np.intp)
    np.minimum(index, level.shape[1] - 1, out=index)
    index += np.arange(len(t)) * level.shape[1]
    return np.asarray(level.ravel().take(index).sum(axis=-1))


def _innermost_peak(votes: np.ndarray) -> tuple[int, int]:
    """Of the well supported peaks the one farthest inward: no other line lies inside the edge's.

    A line of the floor or a wall may run close outside the edge, and be as bright.
    """
    padded = np.pad(votes, 1, constant_values=-np.inf)
    peak = (votes >= padded[:-2, :-2]) & (votes >= padded[2:, 2:])
    peak &= votes >= INNER_SHARE * votes.max()
    i, j = np.nonzero(peak)
    k = int(np.lexsort((votes[i, j], i + j))[-1])
    # the best within a step of it
    rows, columns = np.arange(len(votes)), np.arange(votes.shape[1])
    close = (np.abs(rows - i[k]) <= 2)[:, None] & (np.abs(columns - j[k]) <= 2)[None, :]
    best = int(np.argmax(np.where(close, votes, -np.inf)))
    return best // votes.shape[1], best % votes.shape[1]
