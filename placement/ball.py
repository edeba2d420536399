"""Find where a ball may be in each frame: small, bright for its place, and moving.

A candidate is a local maximum of the smaller of two pictures, both at a reduced working size:
how much a pixel differs from the same pixel shortly before AND after (twice: a short and a long
step, so that a ball flying along the line of sight is still seen), and how much it stands out of
its neighbourhood (a morphological top hat, which keeps what is narrower than its square, so limbs
and shirts drop out). Red difference is added to luma, so that an orange ball stands out as well as
a white one. Everything is 8-bit integer arithmetic on whole pictures; no loop visits a pixel. The
working picture is coarse, a ball three or four pixels wide: that suffices to find it and is soon
searched; its exact place is measured later, on the film's own pixels (`placement.ball_image`).

Source: top hat: Serra, Image Analysis and Mathematical Morphology (1982).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from placement.mosaic import Album, Cutter, Cuttings
from placement.video import Frame

_WORK_SIDE = 480  # px: the longer side of the working picture lies at about this size
_RED_NEUTRAL: Any = 138  # Cr above this counts as ball colour; 128 is grey, wood and skin reach 150
_LEAST: Any = 30  # sum of contrast over 3 x 3 px from which there may be a ball
_LOOKED_AT = 96  # strongest local maxima of a frame that are looked at
_MOST = 24  # of these, candidates kept
_NOWHERE = np.empty((0, 2))
_CENTRE = 2  # px about a local maximum over which the centre of brightness is taken


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidates:
    """Where the ball may be in one frame.

    Attributes
    ----------
    frame : int
        Index of the frame.
    time_s : float
    points : ndarray, shape (N, 2)
        (u, v), px of the full frame, within half a radius of the ball's centre.
    strengths : ndarray, shape (N,)
        Mean contrast of the candidate, grey levels.
    compactness : ndarray, shape (N,)
        Share of the brightness around a candidate that lies close to it: above about 0.5 for a
        ball by itself, about 0.35 along a limb's edge.
    patches : sequence of ndarray, each uint8 of shape (5, P, P)
        Luma around each candidate: long before, shortly before, in, shortly after and long after
        the frame. As told by `BallFinder` they are put together when they are asked for.
    near_s : float
        The short step, s.
    origins : ndarray of int, shape (N, 2)
        (u, v) of each patch's first pixel.
    reds : sequence of ndarray, each uint8 of shape (5, P / 2, P / 2)
        The red difference there, half as fine; 128 is neutral.
    cuttings : Cuttings or None
        Of what `patches` and `reds` are yet to be made.
    """

    frame: int
    time_s: float
    points: np.ndarray
    strengths: np.ndarray
    compactness: np.ndarray
    patches: Sequence[np.ndarray] | np.ndarray
    near_s: float
    origins: np.ndarray
    reds: Sequence[np.ndarray] | np.ndarray = ()
    cuttings: Cuttings | None = None

    def illustrated(self, album: Album) -> Candidates:
        """The same with the pictures that its cuttings, and those of earlier frames, make up."""
        if self.cuttings is None:
            return self
        patches, reds = album.pictures(self.cuttings, self.origins)
        return replace(self, patches=patches, reds=reds, cuttings=None)

    def emptied(self) -> Candidates:
        """The same frame without its candidates, for what is kept as long as the film lasts."""
        none = np.empty(0)
        return replace(
            self,
            points=_NOWHERE,
            strengths=none,
            compactness=none,
            patches=(),
            reds=(),
            origins=_NOWHERE,
            cuttings=None,
        )


class BallFinder:
    """Turns a run of frames into candidates, a few frames late.

    The first frames have nothing before them, the last nothing after: there two later, or two
    earlier, frames are compared with instead.

    Parameters
    ----------
    width, height : int
        Of the upright frame, px.
    fps : float
        Sets the short and the long step.
    pictures : bool
        Whether candidates come with their pictures, or only with what these are made of.
    """

    def __init__(self, width: int, height: int, fps: float, *, pictures: bool = True) -> None:
        self._step = max(1, 2 ** max(0, round(np.log2(max(width, height) / _WORK_SIDE))))
        self._work = (max(8, width // self._step), max(8, height // self._step))
        scale = max(self._work) / _WORK_SIDE
        self._fps = fps
        self._near = max(1, round(fps / 30))
        self._far = max(2, self._near + 1, round(fps / 8))
        self._hat = np.ones((2 * round(6 * scale) + 1,) * 2, np.uint8)
        self._peak = np.ones((2 * max(1, round(2 * scale)) + 1,) * 2, np.uint8)
        self._inner, self._outer = max(1, round(2 * scale)), max(3, round(5 * scale))
        self._weights = _window_weights(self._inner, self._outer)
        self.patch = max(24, 8 * round(max(width, height) / 240))
        count = 2 * self._far + 1
        self._cutter: Cutter | None = None
        self._album = Album() if pictures else None
        self._frames: deque[Frame] = deque(maxlen=count)
        self._small: deque[np.ndarray] = deque(maxlen=count)
        edge = 2 * self._outer
        self._canvas = np.zeros((self._work[1] + edge, self._work[0] + edge), np.uint8)

    def push(self, frame: Frame) -> Candidates | None:
        """Take the next frame; return the candidates of that `lag` frames earlier, if any."""
        self._frames.append(frame)
        self._small.append(self._reduced(frame))
        at = len(self._frames) - 1 - self._far
        return self._find(at) if at >= 0 else None

    def finish(self) -> Iterator[Candidates]:
        """The candidates of the last frames; none where the film is shorter than the steps."""
        count = 2 * self._far + 1
        if len(self._frames) == count:
            yield from map(self._find, range(self._far + 1, count))

    @property
    def lag(self) -> int:
        """Frames between a frame pushed and the frame answered for."""
        return self._far

    def _reduced(self, frame: Frame) -> np.ndarray:
        red = cv2.subtract(_shrunk(frame.red, self._work), _RED_NEUTRAL)
        small = cv2.add(_shrunk(frame.luma, self._work), red)
        return cv2.add(small, red, dst=small)

    def _find(self, held: int) -> Candidates:
        """Candidates of one of the frames that are held."""
        roles = self._roles(held)
        hat = cv2.morphologyEx(self._small[held], cv2.MORPH_TOPHAT, self._hat)
        both = cv2.min(self._moved(roles), hat)
        at, strengths = self._maxima(both)
        outer = self._outer
        self._canvas[outer:-outer, outer:-outer] = both  # zeros about it
        windows = _windows(self._canvas, at, 2 * outer + 1)
        # whole numbers below 2^24: single precision keeps them exact
        sums = windows.reshape(len(at), len(self._weights)).astype(np.float32) @ self._weights
        nearest, near, inner, whole, by_u, by_v = sums.astype(float).T
        close = nearest / np.maximum(near, 1)
        compactness = inner / np.maximum(whole, 1)
        centres = np.column_stack([by_u, by_v]) / np.maximum(near, 1)[:, None]
        # strong ones, as a near ball is, by turns with small ones, as a far ball in a crowd is
        strong = _places(strengths * compactness)
        small = _places(strengths**0.75 * compactness * close**2)
        best = np.argsort(np.minimum(strong, small), kind="stable")[:_MOST]
        points = self._step * (at[best] + centres[best] + 0.5) - 0.5
        origins = self._origins(points)
        frames = [self._frames[i] for i in roles]
        if self._cutter is None:
            self._cutter = Cutter(self.patch, *frames[0].luma.shape[::-1])
        cuttings = self._cutter.cut(frames, origins)
        frame = self._frames[held]
        found = Candidates(
            frame=frame.index,
            time_s=frame.time_s,
            points=points,
            strengths=strengths[best],
            compactness=compactness[best],
            patches=(),
            near_s=self._near / self._fps,
            origins=origins,
            cuttings=cuttings,
        )
        return found if self._album is None else found.illustrated(self._album)

    def _roles(self, now: int) -> tuple[int, int, int, int, int]:
        """Which of the held frames are long before, shortly before, now and so on."""
        far, near, last = self._far, self._near, len(self._frames) - 1
        return (
            now - far if now >= far else now + far - near,
            now - near if now >= near else now + 2 * near,
            now,
            now + near if now + near <= last else now - 2 * near,
            now + far if now + far <= last else now - far + near,
        )

    def _moved(self, roles: tuple[int, int, int, int, int]) -> np.ndarray:
        """How much each pixel differs from before and after, by the better of two steps."""
        long_before, before, now, after, long_after = (self._small[i] for i in roles)
        short = cv2.min(cv2.absdiff(now, before), cv2.absdiff(now, after))
        long = cv2.min(cv2.absdiff(now, long_before), cv2.absdiff(now, long_after))
        return cv2.max(short, long)

    def _maxima(self, both: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Where the sums over 3 x 3 px are highest (N, 2), and their means (N,), best first."""
        summed = cv2.boxFilter(both, cv2.CV_16U, (3, 3), normalize=False)
        highest = cv2.max(cv2.dilate(summed, self._peak), _LEAST)
        found = np.flatnonzero(cv2.compare(summed, highest, cv2.CMP_GE).view(bool))
        sums = summed.ravel()[found]
        # from the highest on; whole numbers of two bytes are sorted by their digits, fast
        order = np.argsort(np.invert(sums), kind="stable")[:_LOOKED_AT]
        row, column = np.divmod(found[order], self._work[0])
        return np.column_stack([column, row]), sums[order] / 9

    def _origins(self, points: np.ndarray) -> np.ndarray:
        """First pixels (N, 2) of the patches around `points`."""
        height, width = self._frames[0].luma.shape
        # even, so that a pixel of the red plane starts where the patch does
        most = np.array([max(0, width - self.patch), max(0, height - self.patch)]) // 2 * 2
        origins = 2 * np.rint((points - (self.patch - 1) / 2) / 2).astype(int)
        return np.clip(origins, 0, most)


def _shrunk(picture: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """Means over blocks; by halves, for which there is a fast way."""
    while picture.shape[1] >= 4 * size[0] and picture.shape[0] >= 4 * size[1]:
        half = (picture.shape[1] // 2, picture.shape[0] // 2)
        picture = cv2.resize(picture, half, interpolation=cv2.INTER_AREA)
    if picture.shape == size[::-1]:
        return picture
    return cv2.resize(picture, size, interpolation=cv2.INTER_AREA)


def _windows(picture: np.ndarray, corner: np.ndarray, side: int) -> np.ndarray:
    """Copies of the squares whose first pixels are `corner` (N, 2), (u, v)."""
    views = np.lib.stride_tricks.sliding_window_view(picture, (side, side))
    return np.asarray(views[corner[:, 1], corner[:, 0]])


def _window_weights(inner: int, outer: int) -> np.ndarray:
    """By which a window's pixels (S * S,) are summed, float32, shape (S * S, 6).

    Over the middle, 1 px, 2 px and `inner` px to each side, and over all; then, over the part
    about the middle of which the centre of brightness is taken, times their lags along u and v.
    """
    lag = np.arange(-outer, outer + 1)
    far = np.maximum(np.abs(lag), np.abs(lag)[:, None])
    u, v = np.broadcast_arrays(lag, lag[:, None])
    near = far <= _CENTRE
    parts = [far <= 1, near, far <= inner, far <= outer, near * u, near * v]
    return np.stack(parts, axis=-1).reshape(-1, 6).astype(np.float32)


def _places(scores: np.ndarray) -> np.ndarray:
    """Place of each score from the highest, 0, on."""
    places = np.empty(len(scores), int)
    places[np.argsort(-scores, kind="stable")] = np.arange(len(scores))
    return places
