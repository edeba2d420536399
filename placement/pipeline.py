"""A clip from end to end: decode once, find the table, follow the ball, name the serves.

The film is read a single time, by another process (`placement.reading`). The table is found on the
median of the first key frames, which are few and soon decoded; from there on everything runs as the
frames come. Where key frames are rare, or show no table, candidates are collected while the first
seconds pass, and stills for the median, until the table is found. Nothing that grows with the film
is kept but the results.
"""

from __future__ import annotations

import importlib
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from threadpoolctl import threadpool_limits

from calibration import (
    Calibration,
    CalibrationError,
    StandEvent,
    StandWatch,
    calibrate_corners,
    detect_table,
    median_still,
    refine_corners,
)
from placement import reader_process
from placement.analysis import Analysis, Bounce, Crop, Serve, Stand
from placement.ball import Candidates
from placement.garbage import seldom_collected
from placement.reading import Film, FilmReader, Sight
from placement.settings import Settings
from placement.steady import Steadier, Tremble, steadied, steady_still, trembling
from placement.stretch import CROP_SPAN, Stretch
from placement.timing import (
    find_factor,
    hinted_factor,
    likely_factors,
    played_at,
    slow_motion_note,
    stretched,
)
from placement.tracks import Run
from placement.video import ClipInfo, Frame, file_sha256, probe_clip, read_key_frames

if TYPE_CHECKING:
    from placement.tracing import Tracer

_STILLS = 21  # frames of the median still, where they are not key frames
_KEY_STILLS = 9  # key frames from which on they do for it
_STILL_SPAN = 12.0  # s from the clip's start over which they are spread
_SECOND_SPAN = 30.0  # s by which a second try at finding the table is made
_BALL_BY = 60.0  # s of the file by which a ball must have flown, or slow motion is looked for
_LEAST_BOUNCES = 2  # as many as a serve has
_BUMP_PX = 0.8  # shift of the whole picture that parts the first stills
_CLEARLY = 2.0  # times the largest shift before: people who walk about seem to shift it too


class Cancelled(Exception):
    """The caller asked for the analysis to end."""


class _OtherFactor(Exception):
    """The film plays slower than it was filmed, otherwise than thought."""

    def __init__(self, factor: float) -> None:
        super().__init__(f"plays {factor:.3g} times slower than filmed")
        self.factor = factor


class _Trembles(Exception):
    """The picture trembles: the film is to be read again, steadied."""

    def __init__(self, still: np.ndarray, tremble: Tremble) -> None:
        super().__init__(tremble.note())
        self.still = still


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far an analysis is.

    Attributes
    ----------
    done : float
        0 to 1.
    stage : str
    time_left_s : float or None
    """

    done: float
    stage: str
    time_left_s: float | None


def analyse(
    path: str | Path,
    settings: Settings | None = None,
    *,
    progress: Callable[[Progress], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Analysis:
    """Measure every bounce and serve of a clip.

    Parameters
    ----------
    path : str or Path
    settings : Settings, optional
    progress : callable, optional
        Told now and then how far it is.
    cancelled : callable, optional
        Asked now and then whether to stop.

    Raises
    ------
    VideoError
        If the file is no usable film.
    calibration.CalibrationError
        If no table is found, or given corners cannot be one.
    Cancelled
        If `cancelled` said so.
    """
    # the fits are many and small: a second thread for each would only wait, and take time from the
    # decoder; and sums do not depend on how many processors there are
    reader_process.prepare()
    try:
        with threadpool_limits(limits=1, user_api="blas"), seldom_collected():
            settings = settings or Settings()
            factor: float | None = None
            trembles: _Trembles | None = None
            while True:  # each of the two is found out once at most
                run = _Run(Path(path), settings, progress, cancelled, factor, trembles)
                try:
                    return run.go()
                except _OtherFactor as other:
                    factor = other.factor
                except _Trembles as found:
                    trembles = found
    finally:
        reader_process.discard()


def tool_version() -> str:
    """The installed version, as stamped on every result."""
    from importlib.metadata import PackageNotFoundError, version  # slow to load

    try:
        return version("serve-placement")
    except PackageNotFoundError:
        return "unknown"


class _Run:
    """One analysis: the state that its stages share."""

    def __init__(
        self,
        path: Path,
        settings: Settings,
        progress: Callable[[Progress], None] | None,
        cancelled: Callable[[], bool] | None,
        factor: float | None = None,
        trembles: _Trembles | None = None,
    ) -> None:
        self.started = time.perf_counter()
        self.settings = settings
        self.progress = progress
        self.cancelled = cancelled
        self.clip = probe_clip(path)
        known = factor or settings.slow_motion
        self.factor = known or hinted_factor(self.clip)
        self.unsure = known is None and len(likely_factors(self.clip.fps)) > 1
        # from here on times are those of the filming, until the results are given those of the file
        self.info: ClipInfo = played_at(self.clip, 1 / self.factor)
        if settings.corners_px is not None:
            # wrong corners are told before anything is decoded
            calibrate_corners(
                settings.corners_px, (self.info.width, self.info.height), fov_deg=settings.fov_deg
            )
        self.direction = self.info.read_direction
        self.given_readout_s = settings.readout_s * (self.direction or 1.0)
        self.readout_s = self.given_readout_s
        self.held: list[tuple[Candidates, tuple[Run, ...]]] = []
        self.stretches: list[Stretch] = []
        self.tracer: Tracer | None = None
        self.watch: StandWatch | None = None
        self.still = np.empty(0, np.uint8)
        self.trembles = trembles
        self.warnings: list[str] = [] if trembles is None else [str(trembles)]
        self.damaged: list[float] = []  # s, of the file
        self.timings: dict[str, float] = {}

    def go(self) -> Analysis:
        with ThreadPoolExecutor(max_workers=1) as pool:
            digest: Future[str] = pool.submit(file_sha256, self.info.path)
            end_s = self._read()
            if self.unsure:
                self._check_factor()
            sha256 = digest.result()
        bounces, serves = self._conclude(end_s)
        self.timings["total_s"] = time.perf_counter() - self.started
        k = self.factor
        stands = tuple(
            Stand(start_s=k * s.start_s, end_s=k * min(s.end_s, end_s), calibration=s.calibration)
            for s in self.stretches
            if s.end_s > s.start_s or len(self.stretches) == 1  # at first it may be in a hand
        )
        for stretch in self.stretches:
            self.warnings += [w for w in stretch.calibration.warnings if w not in self.warnings]
        if self.damaged:
            self.warnings.append(_damage_note(self.damaged))
        if not bounces:
            self.warnings.append("No bounce of a ball on this table was found in the clip.")
        if k != 1:
            self.warnings.insert(0, slow_motion_note(k))
        return Analysis(
            clip=self.clip,
            sha256=sha256,
            version=tool_version(),
            settings={
                **self.settings.as_json(),
                "slow_motion": k,
                "readout_s": round(self.readout_s, 5),
            },
            stands=stands,
            bounces=tuple(replace(b, time_s=k * b.time_s) for b in bounces),
            serves=tuple(stretched(s, k) for s in serves),
            still=self.still,
            crops=tuple(replace(c, time_s=k * c.time_s) for c in self._crops(bounces)),
            timings=self.timings,
            warnings=tuple(self.warnings),
        )

    def _read(self) -> float:
        info = self.info
        film = Film(
            path=info.path, width=info.width, height=info.height, fps=info.fps,
            slow_motion=self.factor, steady=None if self.trembles is None else self.trembles.still,
        )  # fmt: skip
        now: float | None = None
        span = min(_STILL_SPAN, info.duration_s)
        if span / info.keyframe_gap_s >= _KEY_STILLS:
            with FilmReader(film) as reader:
                if self._try_to_start([f.bgr() for f in self._key_frames(self.factor * span)]):
                    now = self._follow(reader)
        if now is None:
            now = self._collect(film)
        if self.watch is not None:
            event = self.watch.finish(self.factor * now)
            if event is not None:
                self._moved(event)
        if self.tracer is not None:
            self._end_stretch()
        self.timings["read_s"] = time.perf_counter() - self.started
        return now

    def _key_frames(self, until_s: float) -> Iterator[Frame]:
        frames = read_key_frames(self.info.path, until_s)
        if self.trembles is None:
            return frames
        steadier = Steadier(self.trembles.still)
        return (steadied(frame, steadier) for frame in frames)

    def _follow(self, sights: Iterable[Sight]) -> float:
        """Trace what is seen; return the time of the last frame, s."""
        # slow to load, and needed at the end: now the film is being read ahead
        importlib.import_module("placement.conclusion")
        now = 0.0
        for sight in sights:
            now = sight.time_s
            self._see(sight)
        return now

    def _see(self, sight: Sight) -> None:
        if sight.damaged:
            self.damaged.append(self.factor * sight.time_s)
        if sight.luma is not None:
            self._look_at_stand(sight.time_s, sight.luma)
        if sight.found is not None:
            self._trace(sight.found, sight.runs)
        if self.unsure and sight.time_s * self.factor >= _BALL_BY:
            self._check_factor()
        if sight.index % 30 == 0:
            self._tell(sight.index / max(1, self.info.n_frames), _reading())

    def _check_factor(self) -> None:
        """If no ball flew so far, see whether one does under another factor."""
        seen = sum(p.path.n_bounces for s in self.stretches for p in s.paths)
        self.unsure = False
        if seen < _LEAST_BOUNCES and self.stretches:
            camera = self.stretches[0].calibration.camera
            other = find_factor(
                self.clip, camera, until_s=2 * _BALL_BY, stop=self._stop_if_asked,
                known=self.factor,
            )  # fmt: skip
            if other != self.factor:
                raise _OtherFactor(other)

    def _collect(self, film: Film) -> float:
        """Hold back what is seen until enough stills show the table; then trace it.

        The first seconds are tried, then more of them, and in the end what there is.
        """
        spans = [min(_STILL_SPAN, 0.95 * self.info.duration_s), _SECOND_SPAN]
        times = [np.arange(_STILLS) * span / _STILLS for span in spans]
        due = np.concatenate([times[0], times[1][times[1] >= spans[0]]])
        stills: list[np.ndarray] = []
        held: list[Sight] = []
        now = 0.0
        with FilmReader(replace(film, still_times=tuple(due.tolist()))) as sights:
            for sight in sights:
                now = sight.time_s
                if self.tracer is not None:
                    self._see(sight)
                    continue
                if sight.still is not None:
                    stills.append(sight.still)
                held.append(replace(sight, still=None))
                if sight.index % 30 == 0:
                    self._tell(sight.index / max(1, self.info.n_frames), _reading())
                if spans and now >= spans[0] and now < self.info.duration_s - 1.0:
                    spans.pop(0)
                    if self._try_to_start(stills):
                        self._follow(held)
                        stills, held = [], []
            if self.tracer is None:
                self._start(stills)
                self._follow(held)
        return now

    def _try_to_start(self, stills: list[np.ndarray]) -> bool:
        try:
            self._start(stills)
        except CalibrationError:
            if self.settings.corners_px is not None:
                raise
            return False
        return True

    def _start(self, stills: list[np.ndarray]) -> None:
        """Find the table on the median of the stills."""
        began = time.perf_counter()
        if not stills:
            raise CalibrationError("the clip is too short to find the table in it")
        self._ask_whether_it_trembles(stills)
        self.still = median_still(stills[: _before_bump(stills)])
        calibration = self._calibrate(self.still)
        self.timings["calibration_s"] = time.perf_counter() - began
        self._begin_stretch(0.0, calibration)
        self.watch = StandWatch(calibration, _luma(self.still))

    def _ask_whether_it_trembles(self, stills: list[np.ndarray]) -> None:
        if self.trembles is None:
            tremble = trembling(stills)
            if tremble:
                raise _Trembles(_luma(steady_still(stills)), tremble)

    def _calibrate(self, still: np.ndarray) -> Calibration:
        s = self.settings
        if s.corners_px is None:
            return detect_table(still, near=s.near, fov_deg=s.fov_deg)
        if s.refine:
            return refine_corners(still, s.corners_px, fov_deg=s.fov_deg)
        return calibrate_corners(
            s.corners_px, (self.info.width, self.info.height), fov_deg=s.fov_deg
        )

    def _begin_stretch(self, start_s: float, calibration: Calibration) -> None:
        from placement.tracing import Tracer  # slow to load; the film is being read meanwhile

        look = self.tracer.look if self.tracer and self.tracer.learnt else None
        self.tracer = Tracer(
            calibration.camera,
            self.info.fps,
            look=look,
            readout_s=self.tracer.readout_s if self.tracer else self.given_readout_s,
        )
        self.stretches.append(Stretch(start_s, calibration))

    def _end_stretch(self) -> None:
        if self.tracer is not None:
            self.stretches[-1].take(self.tracer.finish())
            self.stretches[-1].readout_s = self.tracer.readout_s

    def _trace(self, found: Candidates, runs: tuple[Run, ...]) -> None:
        if self.watch is not None and self.watch.moving:
            self.held.append((found, runs))  # until it is known when the stand stood again
            return
        if self.tracer is not None:
            traced = self.tracer.push(found, runs)
            if traced is not None:
                self.stretches[-1].take(traced)

    def _look_at_stand(self, now: float, luma: np.ndarray) -> None:
        if self.watch is None:
            return
        event = self.watch.add(self.factor * now, luma)
        if event is not None:
            self._moved(event)
        elif self.watch.trembling and self.trembles is None:
            raise _Trembles(_luma(self.still), Tremble(by_px=self.watch.trembling))
        elif not self.watch.moving and self.held:
            held, self.held = self.held, []
            for found, runs in held:
                self._trace(found, runs)

    def _moved(self, event: StandEvent) -> None:
        self.warnings.append(event.message)  # with times of the file
        start, end = event.start / self.factor, event.end / self.factor
        self._end_stretch()
        self.stretches[-1].end_s = start
        held = [(c, runs) for c, runs in self.held if c.time_s >= end]
        self.held = []
        if event.calibration is None:
            self.tracer = None if not self.stretches else self.tracer
            self.watch = None
            return
        self._begin_stretch(end, event.calibration)
        for found, runs in held:
            if self.tracer is not None:
                traced = self.tracer.push(found, runs)
                if traced is not None:
                    self.stretches[-1].take(traced)

    def _conclude(self, end_s: float) -> tuple[list[Bounce], list[Serve]]:
        from placement.conclusion import conclude  # loaded while the film was read

        began = time.perf_counter()
        bounces, serves, self.readout_s = conclude(
            self.stretches, end_s=end_s, fps=self.info.fps, band_m=self.settings.band_m,
            readout_s=self.readout_s, direction=self.direction,
        )  # fmt: skip
        self.timings["serves_s"] = time.perf_counter() - began
        return bounces, serves

    def _crops(self, bounces: list[Bounce]) -> list[Crop]:
        """The pictures of the ball nearest in time to each bounce."""
        crops = {f: crop for s in self.stretches for f, crop in s.crops.items()}
        frames = np.array(sorted(crops), int)
        times = np.array([crops[f].time_s for f in frames.tolist()])
        chosen: set[int] = set()
        for b in bounces:
            gaps = np.abs(times - b.time_s)
            nearest = np.argsort(gaps, kind="stable")[:4]
            chosen.update(frames[nearest[gaps[nearest] < CROP_SPAN]].tolist())
        return [crops[f] for f in sorted(chosen)]

    def _stop_if_asked(self) -> None:
        if self.cancelled is not None and self.cancelled():
            raise Cancelled

    def _tell(self, done: float, stage: str) -> None:
        self._stop_if_asked()
        if self.progress is not None:
            spent = time.perf_counter() - self.started
            left = spent * (1 - done) / done if done > 0.02 else None
            self.progress(Progress(done=min(done, 1.0), stage=stage, time_left_s=left))


def _reading() -> str:
    from placement.compiled import made_before  # slow to load, and loaded by now

    return "reading the film" if made_before() else "reading the film, the first time slowly"


def _damage_note(times: list[float]) -> str:
    frames = f"{len(times)} frames are" if len(times) > 1 else "1 frame is"
    return (
        f"The file is damaged: {frames} not whole, from {times[0]:.1f} s to {times[-1]:.1f} s. "
        "What happened there may be missing; copy the film from the phone again."
    )


def _luma(picture: np.ndarray) -> np.ndarray:
    return cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)


def _before_bump(pictures: list[np.ndarray]) -> int:
    """How many of the first stills show the camera in its first place."""
    if len(pictures) < 4:
        return len(pictures)
    small = [
        cv2.resize(_luma(p), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA).astype(
            np.float32
        )
        for p in pictures
    ]
    window = cv2.createHanningWindow(small[0].shape[::-1], cv2.CV_32F)
    moves = np.array([cv2.phaseCorrelate(small[0], s, window)[0] for s in small])
    return _parted(4 * np.hypot(moves[:, 0], moves[:, 1]))


def _parted(shifts: np.ndarray) -> int:
    """How many of the first `shifts`, px, are small; all, where not all later ones are large."""
    for first in range(3, len(shifts)):
        if shifts[first:].min() > max(_BUMP_PX, _CLEARLY * shifts[:first].max()):
            return first
    return len(shifts)
