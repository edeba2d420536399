"""A picture that trembles, brought back to one place: how it moved, and the frame without it.

A stand on a floor on which people jump trembles by a pixel or so, many times a second; and a phone
that seeks its focus anew draws the picture larger and smaller. Points of a still are found again in
each frame (Lucas and Kanade's method in pyramids, by OpenCV), and the turn, scale and shift that
most of them share is taken back. People who move are outvoted. Shifts are px of the full frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration import median_still
from placement.video import Frame, brought_back

#: Median shift, px, from one still to the next from which on a picture trembles; or of its places
#: a quarter of its width from the middle, as it grows and shrinks.
TREMBLES_PX = 0.16
#: Shift, px, beyond which a frame is left as it is: that is no trembling, the stand moved.
FARTHEST_PX = 6.0

_POINTS = 150
_APART = 0.015  # of the picture's width, that points are apart at least
_WINDOW = 21  # px
_LONG_SIDE = 1920  # px, above which points are looked for in a smaller picture
_AGREE_PX = 0.5  # misfit up to which a point moved with the others
_FEWEST = 12  # points that must agree, or nothing is known
_SPREAD = 0.1  # of the picture's width, that they must be spread for a turn to be told
_SURROUNDINGS = 41  # px: mean level over so many is light, and no mark
_LOOKED_AT = 8  # stills that tell whether the stand trembles


class Steadier:
    """Tells where a frame's picture lies beside that of a still.

    Parameters
    ----------
    still : ndarray of uint8, shape (H, W)
        Luma; people should not be in it.
    """

    def __init__(self, still: np.ndarray) -> None:
        self._shrunk = max(1, -(-max(still.shape) // _LONG_SIDE))
        self._still = self._small(still)
        width = self._still.shape[1]
        points = cv2.goodFeaturesToTrack(self._still, _POINTS, 0.01, _APART * width)
        self._points = np.empty((0, 2), np.float32) if points is None else points.reshape(-1, 2)
        self._still = _without_light(self._still)
        self._middle = np.array([still.shape[1] - 1, still.shape[0] - 1]) / 2

    def turn(self, luma: np.ndarray) -> np.ndarray | None:
        """Where the points of the still are in a frame.

        Parameters
        ----------
        luma : ndarray of uint8, shape (H, W)

        Returns
        -------
        ndarray, shape (2, 3), or None
            Takes (u, v, 1) of the still to (u, v) of the frame; None where too few points agree,
            or the picture is too far away.
        """
        if len(self._points) < _FEWEST:
            return None
        there, found, _ = cv2.calcOpticalFlowPyrLK(
            self._still, _without_light(self._small(luma)), self._points,
            np.empty_like(self._points),
            winSize=(_WINDOW, _WINDOW), maxLevel=2,
        )  # fmt: skip
        kept = found.ravel() == 1
        here, there = self._points[kept], there[kept]
        if len(here) < _FEWEST:
            return None
        turn, agree = cv2.estimateAffinePartial2D(
            here, there, method=cv2.RANSAC, ransacReprojThreshold=_AGREE_PX
        )
        if turn is None or agree.sum() < _FEWEST:
            return None
        inside = agree.ravel() == 1
        if np.ptp(here[inside], axis=0).max() < _SPREAD * self._still.shape[1]:
            turn = np.hstack([np.eye(2), np.median(there[inside] - here[inside], axis=0)[:, None]])
        # from the small picture's pixels to those of the full one
        k = self._shrunk
        turn[:, 2] = k * turn[:, 2] + (np.eye(2) - turn[:, :2]) @ np.full(2, (k - 1) / 2)
        return turn if np.hypot(*self.shift(turn)) <= FARTHEST_PX else None

    def shift(self, turn: np.ndarray) -> np.ndarray:
        """By how much the middle of the picture moves under a turn, px, shape (2,)."""
        return turn @ np.append(self._middle, 1) - self._middle

    def _small(self, luma: np.ndarray) -> np.ndarray:
        if self._shrunk == 1:
            return np.ascontiguousarray(luma)
        k = self._shrunk
        height, width = (n // k * k for n in luma.shape)
        size = (width // k, height // k)
        return cv2.resize(luma[:height, :width], size, interpolation=cv2.INTER_AREA)


def steadied(frame: Frame, steadier: Steadier) -> Frame:
    """The frame as it would be had the stand stood where it stood for the still.

    A frame whose place is not known is given back as it is.
    """
    turn = steadier.turn(frame.luma)
    if turn is None:
        return frame
    return replace(
        frame,
        luma=brought_back(frame.luma, turn),
        # planes of half the size: a quarter of a pixel to the side matters to no turn so small
        red=brought_back(frame.red, turn * (1.0, 1.0, 0.5)),
        turn=turn,
    )


@dataclass(frozen=True, slots=True)
class Tremble:
    """How far the picture moves between frames that are some time apart.

    Attributes
    ----------
    by_px : float
        Median shift of its middle from one frame to the next, px.
    grows_px : float
        Median shift of places a quarter of its width from the middle, px, as it grows and shrinks.
    """

    by_px: float = 0.0
    grows_px: float = 0.0

    def __bool__(self) -> bool:
        return max(self.by_px, self.grows_px) >= TREMBLES_PX

    def note(self) -> str:
        """The sentence for reports on a film that was steadied."""
        if self.grows_px > self.by_px:
            return (
                "The picture grew and shrank as the phone focused, by about "
                f"{self.grows_px:.1f} px at a time; it was brought back to one size. Lock the "
                "focus, and measure more exactly."
            )
        return (
            f"The stand trembled, by about {self.by_px:.1f} px at a time; the pictures were "
            "brought back to one place. Put it where nobody shakes the floor, and measure "
            "more exactly."
        )


def trembling(pictures: Sequence[np.ndarray]) -> Tremble:
    """How far the picture moves between frames that are some time apart.

    Parameters
    ----------
    pictures : sequence of ndarray of uint8, shape (H, W) or (H, W, 3)
        Luma or BGR of frames spread over some seconds.

    Returns
    -------
    Tremble
        True if it is more than a still film's; one bump of the stand leaves it as it is.
    """
    chosen = [_luma(pictures[i]) for i in _unevenly(len(pictures))]
    if len(chosen) < 3:
        return Tremble()
    steadier = Steadier(chosen[0])
    turns = [turn for p in chosen if (turn := steadier.turn(p)) is not None]
    if len(turns) < 3:
        return Tremble()
    moves = [(*steadier.shift(t), (t[0, 0] - 1) * chosen[0].shape[1] / 4) for t in turns]
    steps = np.abs(np.diff(moves, axis=0))
    return Tremble(
        by_px=float(np.median(np.hypot(steps[:, 0], steps[:, 1]))),
        grows_px=float(np.median(steps[:, 2])),
    )


def steady_still(pictures: Sequence[np.ndarray]) -> np.ndarray:
    """The median of pictures, each brought back to the middle of their places.

    Parameters
    ----------
    pictures : sequence of ndarray of uint8, shape (H, W) or (H, W, 3)
        Luma or BGR of frames spread over some seconds.
    """
    steadier = Steadier(_luma(pictures[0]))
    turns = [steadier.turn(_luma(p)) for p in pictures]
    known = [(p, t) for p, t in zip(pictures, turns, strict=True) if t is not None]
    if not known:
        return pictures[0]
    middle = np.mean([steadier.shift(t) for _, t in known], axis=0)
    return median_still([brought_back(p, _started_at(t, middle)) for p, t in known])


def _started_at(turn: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """The turn from a still that lies by a shift beside the one that it was measured from."""
    return np.column_stack([turn[:, :2], turn[:, 2] - turn[:, :2] @ shift])


def _without_light(picture: np.ndarray) -> np.ndarray:
    """What a picture shows beside its surroundings: how bright these are may change."""
    around = cv2.blur(picture, (_SURROUNDINGS, _SURROUNDINGS))
    return cv2.addWeighted(picture, 1.0, around, -1.0, 128.0)


def _luma(picture: np.ndarray) -> np.ndarray:
    return picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)


def _unevenly(n: int) -> list[int]:
    """Some of `n` stills, at gaps of many lengths: no trembling keeps time with all of them."""
    if not n:
        return []
    return np.unique(np.rint((n - 1) * np.linspace(0, 1, _LOOKED_AT) ** 1.5).astype(int)).tolist()
