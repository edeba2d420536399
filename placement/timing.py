"""Films that play slower than they were filmed: by how much, told by how the ball flies.

A phone that films 240 pictures a second may store them to be played at 30. By the file's stamps the
ball then falls with a 64th of gravity. Gravity is known, the camera is calibrated and the ball's
size and the table's height are fixed, so the film itself tells the factor: paths over a bounce that
fit under one factor do not fit under another, since halving the times asks for four times the fall,
or a quarter of the distance.

Times of a film and of its candidates are the file's, s; real times are those divided by the factor.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import av
import numpy as np

from calibration.camera import Camera
from placement.analysis import Serve
from placement.ball import BallFinder, Candidates
from placement.video import ClipInfo, read_frames

if TYPE_CHECKING:
    from placement.paths import FollowedPath

#: Rates at which phones film, pictures a second; common practice, no source.
FILMED_RATES = (48.0, 50.0, 60.0, 100.0, 120.0, 200.0, 240.0)
#: Stored rates above this are played as filmed.
STORED_FPS = 62.0
#: By how much slower a film may play.
FACTORS = (2.0, 4.0, 5.0, 8.0, 10.0)

_SAME_RATE = 0.03  # share by which a filmed rate may differ from a usual one
_TAG = "com.android.capture.fps"  # written by phones beside films of another rate; from memory
_LEAST_TAG = 1.5  # ratio of tagged to stored rate from which a film is slow motion
_STEPS = 2.0  # the finder's steps are those of a film this much faster than stored
_SOON, _AT_END = 4, 2  # bounces on paths that fit, for a factor to be believed; a serve has two
_CLEAR = 3.0  # times the bounces of the next best factor


def hinted_factor(info: ClipInfo) -> float:
    """By how much slower a clip plays than it was filmed, by its file's own words.

    Parameters
    ----------
    info : ClipInfo

    Returns
    -------
    float
        Filmed over stored rate; 1 where the file says nothing of it.
    """
    try:
        with av.open(str(info.path)) as container:
            stream = container.streams.video[0]
            words = {**container.metadata, **stream.metadata}
        filmed = float(words.get(_TAG, "nan"))
    except (av.error.FFmpegError, OSError, ValueError, IndexError):
        return 1.0
    ratio = filmed / info.fps
    return ratio if np.isfinite(ratio) and ratio >= _LEAST_TAG else 1.0


def likely_factors(fps: float) -> tuple[float, ...]:
    """The factors, 1 among them, under which a stored rate comes from a rate that phones film at.

    Parameters
    ----------
    fps : float
        Stored.
    """
    rates = np.array(FILMED_RATES)
    if not 0 < fps <= STORED_FPS:
        return (1.0,)
    return (1.0, *(k for k in FACTORS if np.abs(fps * k / rates - 1).min() < _SAME_RATE))


def retimed(found: Candidates, factor: float) -> Candidates:
    """Candidates of a film that plays `factor` times slower than it was filmed, in real time."""
    return replace(found, time_s=found.time_s / factor, near_s=found.near_s / factor)


def played_at(info: ClipInfo, speed: float) -> ClipInfo:
    """What a clip is, were it played `speed` times as slowly as stored."""
    return replace(
        info,
        duration_s=info.duration_s * speed,
        fps=info.fps / speed,
        keyframe_gap_s=info.keyframe_gap_s * speed,
    )


def stretched(serve: Serve, factor: float) -> Serve:
    """A serve measured in real time, with the times at which a slower film shows it."""
    return replace(
        serve,
        t_start_s=factor * serve.t_start_s,
        t_contact_s=factor * serve.t_contact_s,
        times=factor * serve.times,
    )


class FactorSearch:
    """Follows the ball under several factors at once until one of them clearly suits.

    Parameters
    ----------
    camera : Camera
    fps : float
        Stored.
    factors : sequence of float
    """

    def __init__(self, camera: Camera, fps: float, factors: Sequence[float]) -> None:
        from placement.tracing import Tracer  # slow to load, and seldom needed here

        self._tracers = {k: Tracer(camera, fps * k) for k in factors}
        self._bounces = dict.fromkeys(factors, 0)

    @property
    def bounces(self) -> dict[float, int]:
        """Bounces on paths that fit, by factor."""
        return dict(self._bounces)

    def push(self, found: Candidates) -> float | None:
        """Take a frame's candidates; return the factor once it is clear."""
        for k, tracer in self._tracers.items():
            traced = tracer.push(retimed(found, k))
            if traced is not None:
                self._count(k, traced.paths)
        return self._clear(_SOON)

    def finish(self) -> float | None:
        """The factor, when there are no more frames; None if none is clear."""
        for k, tracer in self._tracers.items():
            self._count(k, tracer.finish().paths)
        return self._clear(_AT_END)

    def _count(self, factor: float, paths: Sequence[FollowedPath]) -> None:
        self._bounces[factor] += sum(p.path.n_bounces for p in paths)

    def _clear(self, least: int) -> float | None:
        best = max(self._bounces, key=lambda k: self._bounces[k])
        others = [n for k, n in self._bounces.items() if k != best]
        most = max(others, default=0)
        enough = self._bounces[best] >= max(least, _CLEAR * most)
        return best if enough else None


def find_factor(
    info: ClipInfo,
    camera: Camera,
    *,
    until_s: float = np.inf,
    known: float = 1.0,
    stop: Callable[[], None] | None = None,
) -> float:
    """By how much slower a clip plays than it was filmed, by its ball.

    Parameters
    ----------
    info : ClipInfo
    camera : Camera
    until_s : float
        How far the clip is looked at, by the file's stamps.
    known : float
        The factor so far; those that are likely for the stored rate are tried beside it.
    stop : callable, optional
        Called at every frame; it may raise an error to end the search.

    Returns
    -------
    float
        `known` where the ball does not clearly say otherwise.

    Raises
    ------
    placement.video.VideoError
        If the file is no usable film.
    """
    likely = (k for k in likely_factors(info.fps) if abs(k / known - 1) > _SAME_RATE)
    factors = (known, *likely)
    if len(factors) == 1:
        return known
    search = FactorSearch(camera, info.fps, factors)
    finder = BallFinder(info.width, info.height, _STEPS * info.fps)
    for frame in read_frames(info.path):
        if frame.time_s > until_s:
            break
        if stop is not None:
            stop()
        found = finder.push(frame)
        if found is None:
            continue
        # the finder took its steps for those of a faster film
        clear = search.push(replace(found, near_s=_STEPS * found.near_s))
        if clear is not None:
            return clear
    return search.finish() or known


def slow_motion_note(factor: float) -> str:
    """One sentence on a film that plays slower than it was filmed."""
    return (
        f"The clip plays {factor:.3g} times slower than it was filmed; speeds take that into "
        "account."
    )
