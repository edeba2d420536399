"""Find where a ball may be in each frame: small, bright for its place, and moving.

A candidate is a local maximum of the smaller of two pictures, both at a reduced working size:
how much a pixel differs from the same pixel shortly before AND after (twice: a short and a long
step, so that a ball flying along the line of sight is still seen), and how much it stands out of
its neighbourhood (a morphological top hat, which keeps what is narrower than its square, so limbs
and shirts drop out). Red difference is added to luma, so that an orange ball stands out as well as
a white one. Everything is 8-bit integer arithmetic on whole pictures; no loop visits a pixel.

Source: top hat: Serra, Image Analysis and Mathematical Morphology (1982).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from placement.video import Frame

_WORK_SIDE = 960  # px: the longer side of the working picture lies at about this size
_RED_NEUTRAL: Any = 138  # Cr above this counts as ball colour; 128 is grey, wood and skin reach 150
_MOST = 32  # candidates kept in a frame, strongest first


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
    patches : tuple of ndarray, each uint8 of shape (5, P, P)
        Luma around each candidate: long before, shortly before, in, shortly after and long after
        the frame.
    near_s : float
        The short step, s.
    origins : ndarray of int, shape (N, 2)
        (u, v) of each patch's first pixel.
    """

    frame: int
    time_s: float
    points: np.ndarray
    strengths: np.ndarray
    compactness: np.ndarray
    patches: tuple[np.ndarray, ...]
    near_s: float
    origins: np.ndarray


class BallFinder:
    """Turns a run of frames into candidates, a few frames late.

    Parameters
    ----------
    width, height : int
        Of the upright frame, px.
    fps : float
        Sets the short and the long step.
    """

    def __init__(self, width: int, height: int, fps: float) -> None:
        self.step = max(1, 2 ** max(0, round(np.log2(max(width, height) / _WORK_SIDE))))
        self._work = (max(8, width // self.step), max(8, height // self.step))
        scale = max(self._work) / _WORK_SIDE
        self._fps = fps
        self._near = max(1, round(fps / 30))
        self._far = max(2, self._near + 1, round(fps / 8))
        self._box = 5 if scale > 0.75 else 3
        self._hat = np.ones((2 * round(12 * scale) + 1,) * 2, np.uint8)
        self._peak = np.ones((2 * max(1, round(4 * scale)) + 1,) * 2, np.uint8)
        self._inner, self._outer = max(2, round(4 * scale)), max(5, round(10 * scale))
        self._threshold: Any = 5 * self._box**2
        self.patch = max(24, 8 * round(max(width, height) / 240))
        self._frames: deque[Frame] = deque(maxlen=2 * self._far + 1)
        self._small: deque[np.ndarray] = deque(maxlen=2 * self._far + 1)

    def push(self, frame: Frame) -> Candidates | None:
        """Take the next frame; return the candidates of that `lag` frames earlier, if any."""
        self._frames.append(frame)
        self._small.append(self._reduced(frame))
        if len(self._frames) < 2 * self._far + 1:
            return None
        return self._find()

    @property
    def lag(self) -> int:
        """Frames between a frame pushed and the frame answered for."""
        return self._far

    def _reduced(self, frame: Frame) -> np.ndarray:
        small = cv2.resize(frame.luma, self._work, interpolation=cv2.INTER_AREA)
        red = frame.red
        if red.shape != small.shape:
            red = cv2.resize(red, self._work, interpolation=cv2.INTER_AREA)
        return cv2.addWeighted(small, 1, cv2.subtract(red, _RED_NEUTRAL), 2, 0)

    def _find(self) -> Candidates:
        small, far, near = self._small, self._far, self._near
        now = small[far]
        moved = cv2.max(
            _differs(now, small[far - near], small[far + near]),
            _differs(now, small[0], small[2 * far]),
        )
        stands_out = cv2.morphologyEx(now, cv2.MORPH_TOPHAT, self._hat)
        both = cv2.min(moved, stands_out)
        box = self._box
        summed = cv2.boxFilter(both, cv2.CV_16U, (box, box), normalize=False)
        highest = cv2.max(cv2.dilate(summed, self._peak), self._threshold)
        peaks = cv2.findNonZero(cv2.compare(summed, highest, cv2.CMP_GE))
        frame = self._frames[far]
        if peaks is None:
            at = np.empty((0, 2), int)
            strengths = np.empty(0)
        else:
            at = peaks.reshape(-1, 2)
            strengths = summed[at[:, 1], at[:, 0]].astype(float)
            order = np.argsort(-strengths, kind="stable")[: 2 * _MOST]
            at, strengths = at[order], strengths[order] / box**2
        compactness = self._compactness(both, at)
        order = np.argsort(-strengths * compactness, kind="stable")[:_MOST]
        at, strengths, compactness = at[order], strengths[order], compactness[order]
        points = self.step * (self._centroids(both, at) + 0.5) - 0.5
        patches, origins = self._cut(points)
        return Candidates(
            frame=frame.index,
            time_s=frame.time_s,
            points=points,
            strengths=strengths,
            compactness=compactness,
            patches=patches,
            near_s=self._near / self._fps,
            origins=origins,
        )

    def _compactness(self, picture: np.ndarray, at: np.ndarray) -> np.ndarray:
        """Brightness in a small square over that in a large one, around each peak."""
        sums = cv2.integral(picture)
        height, width = picture.shape

        def square(reach: int) -> np.ndarray:
            low_u, high_u = np.maximum(at[:, 0] - reach, 0), np.minimum(at[:, 0] + reach + 1, width)
            low_v, high_v = (
                np.maximum(at[:, 1] - reach, 0),
                np.minimum(at[:, 1] + reach + 1, height),
            )
            return (
                sums[high_v, high_u] - sums[low_v, high_u]
                - sums[high_v, low_u] + sums[low_v, low_u]
            ).astype(float)  # fmt: skip

        return square(self._inner) / np.maximum(square(self._outer), 1.0)

    def _centroids(self, picture: np.ndarray, at: np.ndarray) -> np.ndarray:
        """Centre of brightness around each peak, working px."""
        reach = self._box // 2 + 1
        steps = np.arange(-reach, reach + 1)
        height, width = picture.shape
        v = np.clip(at[:, 1, None, None] + steps[:, None], 0, height - 1)
        u = np.clip(at[:, 0, None, None] + steps[None, :], 0, width - 1)
        weights = picture[v, u].astype(np.float32)
        total = np.maximum(weights.sum((1, 2)), 1e-6)
        return np.column_stack(
            [(weights * u).sum((1, 2)) / total, (weights * v).sum((1, 2)) / total]
        )

    def _cut(self, points: np.ndarray) -> tuple[tuple[np.ndarray, ...], np.ndarray]:
        """Luma patches around `points` in the frames before, at and after."""
        side = self.patch
        far, near = self._far, self._near
        frames = [self._frames[i].luma for i in (0, far - near, far, far + near, 2 * far)]
        height, width = frames[0].shape
        origins = np.rint(points - (side - 1) / 2).astype(int)
        origins[:, 0] = np.clip(origins[:, 0], 0, max(0, width - side))
        origins[:, 1] = np.clip(origins[:, 1], 0, max(0, height - side))
        patches = tuple(
            np.stack([f[v : v + side, u : u + side] for f in frames]) for u, v in origins.tolist()
        )
        return patches, origins


def _differs(now: np.ndarray, before: np.ndarray, after: np.ndarray) -> np.ndarray:
    return cv2.min(cv2.absdiff(now, before), cv2.absdiff(now, after))
