"""From a stream of candidates to the paths that a ball flew, a few seconds late.

Only a window of frames is held, so that memory does not grow with the film. The first paths of a
film wait until there are enough pictures to learn how its ball looks; they are then measured again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration import table
from calibration.camera import Camera
from placement import ball_image
from placement.arcs import SIGHTING_SD, BallArc, fit_arc, split_at_kinks
from placement.ball import Candidates
from placement.ball_look import learn_look
from placement.ball_model import Look
from placement.bounces import Meeting, before_it_the_net, find_meetings, parted_at_net
from placement.lone import follow_from_hidden, follow_on
from placement.looking import SMOOTH, ball_like, smoothest
from placement.other_side import pinned_down, with_first_flight
from placement.paths import (
    FollowedPath,
    chains_of,
    extended,
    follow_chain,
    refined,
    weight_of,
)
from placement.readout import find_readout
from placement.sightings import Member, Window, picture_speeds, radii_px
from placement.tracks import Linker, Run
from placement.trajectory import Expectations

_SETTLE_EVERY = 1.0  # s
_SETTLED = 0.9  # s after its last sighting a chain is taken as complete
_KEEP = 2.5  # s that a run waits for a partner
_MARGIN = 0.7  # s of frames kept on both sides of a chain
_LEARN_PICTURES = 120  # measured pictures with which the look is learnt
_LEARN_CHAINS = 8
_FLIGHT = 6  # sightings of a flight that met no bounce, for it to be reported
_SHORTEST_ARC = 5  # sightings from which a run is judged alone
_ELSEWHERE = 0.6  # share of explained sightings above which a run is not looked at again
_EXPOSURE_TRIES = 2  # paths on which two exposures are tried
_REMEMBERED = 25.0  # s of candidate points kept, without pictures, while the look is learnt
_HISTORY = 1.2  # s before a path that go with it
_COMPACT = 0.40  # median compactness of a run below which it is a limb's edge
_LONGEST_PIECE = 8  # sightings up to which a run that is no arc may partner one
_RED = 8.0  # levels of Cr by which a ball is redder than what lies behind it, to be an orange one
_SURER = 1.5  # times the misfit of the film's better paths, for one to teach the ball's look
_ENOUGH = 3  # paths that tell how closely the film's paths fit
_FEWEST, _FEWEST_S = 6, 0.125  # pictures of a ball that a path needs, and s of them
_PALEST = 5.0  # grey levels of contrast that any ball has
_SAME_BOUNCE = 0.03  # s
# m along the table and up and down from the net's top where a ball may have touched it; frames
_NET_X, _NET_Z, _NET_FRAMES = 0.15, 0.08, 2.5
_PALE = 0.3  # times the film's contrast of balls, below which a path is none's
_MANY = 20  # measured pictures with which a path may fit more loosely
_LOOSER = 1.3  # times that, for a path to many pictures
_ROUGHEST = 2.0  # misfit of the film's better paths beyond which no allowance is made
# px, at 1920 px width or less, by which all pictures of a path may be off alike, and drift along it
_OFFSET_PX, _DRIFT_PX = 0.19, 0.06
_TELLING = 12  # paths, the last ones, that tell the readout
_GOOD_PATH = 1.7  # misfit up to which a path is a ball's
_SURELY = 1.0  # and up to which nothing better is looked for


@dataclass(frozen=True, slots=True, eq=False)
class Traced:
    """What was found in a stretch of film.

    Attributes
    ----------
    paths : list of FollowedPath
        Over one bounce or more.
    flights : list of BallArc
        Ball-like arcs that no bounce joins to another.
    """

    paths: list[FollowedPath]
    flights: list[BallArc]


def expected_of(camera: Camera) -> Expectations:
    """What is expected of paths in a film: pictures of one ball share part of their errors."""
    # what light and lens do to a picture is no smaller in a film of fewer pixels
    scale = max(1.0, max(camera.size) / 1920)
    return Expectations(offset_px=_OFFSET_PX * scale, drift_px=_DRIFT_PX * scale)


class Tracer:
    """Follows the ball through a film.

    Parameters
    ----------
    camera : Camera
    fps : float
    expectations : Expectations
    look : Look, optional
        How the ball looks, where it is known; learnt otherwise.
    readout_s : float
        See `placement.trajectory.fit_path`.
    """

    def __init__(
        self,
        camera: Camera,
        fps: float,
        expectations: Expectations | None = None,
        *,
        look: Look | None = None,
        readout_s: float = 0.0,
    ) -> None:
        self.camera = camera
        self.look = look or Look(exposure_s=min(1 / 250, 0.5 / fps))
        self.learnt = look is not None
        self.expectations = expectations or expected_of(camera)
        self.readout_s = readout_s  # found on the way where 0
        self._telling: list[FollowedPath] = []  # paths that tell it, without their pictures
        self._fps = fps
        self._linker = Linker(max(camera.size))
        self._scatter = SIGHTING_SD * max(camera.size) / 1920
        self._frames: dict[int, Candidates] = {}
        self._pieces: list[Run] = []
        self._arcs: list[BallArc] = []
        self._claimed: set[tuple[int, int]] = set()  # (frame, candidate) of accepted paths
        self._net_ends: list[float] = []  # s, when accepted paths were last seen at the net's top
        self._busy: set[int] = set()  # frames in which an accepted path has the ball
        self._fresh: list[Run] = []
        self._unseen: list[BallArc] = []  # whose pictures were not looked at yet
        self._meetings: list[Meeting] = []
        self._waiting: list[tuple[list[Meeting], Window, FollowedPath | None, list[BallArc]]] = []
        self._lone: list[tuple[BallArc, Window]] = []  # arcs that met no other, likewise
        self._contrast = 0.0  # grey levels, of the film's balls
        self._limit = _GOOD_PATH  # misfit up to which a path is believed
        self._due = _SETTLE_EVERY
        self._past: deque[tuple[float, np.ndarray, np.ndarray]] = deque(
            maxlen=round(_REMEMBERED * fps)
        )

    def push(self, found: Candidates, runs: Sequence[Run] | None = None) -> Traced | None:
        """Take the next frame's candidates; now and then return what has been settled.

        Parameters
        ----------
        found : Candidates
        runs : sequence of Run, optional
            Those that ended before this frame, where the candidates are linked already. Runs that
            began before the first frame told are left out.
        """
        self._frames[found.frame] = found
        compact = found.points[found.compactness > _COMPACT]
        self._past.append((found.time_s, compact, found.points))
        if runs is None:
            runs = self._linker.push(found)
        self._take([r for r in runs if int(r.frames[0]) in self._frames])
        if found.time_s < self._due:
            return None
        self._due = found.time_s + _SETTLE_EVERY
        return self._settle(found.time_s)

    def finish(self) -> Traced:
        """Settle all that is left."""
        self._take(self._linker.finish())
        traced = self._settle(np.inf)
        if self._waiting or self._lone:
            traced.paths.extend(self._learn())
        return traced

    def _take(self, runs: list[Run]) -> None:
        for run in runs:
            if len(run.times) >= _SHORTEST_ARC and self._compactness(run) < _COMPACT:
                continue  # a limb's edge
            whole = fit_arc(self.camera, run) if len(run.times) >= _SHORTEST_ARC else None
            if whole is not None and whole.misfit < smoothest(whole):
                self._unseen.append(whole)
            pieces = split_at_kinks(run, self._scatter)
            if len(pieces) == 1 and whole is not None and whole.misfit < SMOOTH:
                continue
            # a path seen nearly head-on may break without a kink, or bend without a bounce: both
            # readings are kept, and the fits decide
            for piece in pieces:
                n = len(piece.times)
                if n < 3:
                    continue
                if n < _SHORTEST_ARC:
                    self._pieces.append(piece)  # too short to judge alone
                    self._fresh.append(piece)
                    continue
                arc = fit_arc(self.camera, piece)
                if arc is not None:
                    self._unseen.append(arc)
                elif n <= _LONGEST_PIECE:
                    self._pieces.append(piece)  # a stroke or a hand may be part of it
                    self._fresh.append(piece)

    def _settle(self, now: float) -> Traced:
        seen = ball_like(self._window(-np.inf, np.inf), self._unseen)
        self._arcs += seen
        self._fresh += [arc.run for arc in seen]
        self._unseen = []
        self._meetings += find_meetings(self.camera, self._arcs, self._pieces, self._fresh)
        self._fresh = []
        paths: list[FollowedPath] = []
        spent: set[int] = set()
        tried: set[int] = set()
        complete: list[list[Meeting]] = []
        kinks: list[list[Meeting]] = []
        for chain in chains_of(self._meetings):
            if chain[-1].after.times[-1] <= now - _SETTLED:
                parts, at_net = parted_at_net(self.camera, chain)
                complete += parts
                kinks += at_net
        # the longest first; what may be a touch of the net last
        complete = [*sorted(kinks, key=_length), *sorted(complete, key=_length)]
        while complete:
            chain = complete.pop()
            tried |= {id(m) for m in chain}
            runs = [chain[0].before, *(m.after for m in chain)]
            # other readings of sightings that a longer path has explained need no fit
            if self._explained(runs) >= _ELSEWHERE:
                spent |= {id(r) for r in runs}
                continue
            if self._touched_net(chain):
                continue
            found = self._follow(chain)
            paths.extend(found)
            if found or not self.learnt:
                spent |= {id(r) for r in runs}
            # where the net was touched, or a stroke came between, what is left is a path as well
            last = self._waiting[-1] if self._waiting else None
            rough = last[2] if last is not None and last[0] is chain else None
            told = found[0] if found else rough
            if told is not None:
                complete.extend(_left_over(chain, told))
        self._meetings = [
            m
            for m in self._meetings
            if id(m) not in tried and not ({id(m.before), id(m.after)} & spent)
        ]
        flights: list[BallArc] = []
        horizon = now - _KEEP
        without = [
            a
            for a in self._arcs
            if a.run.times[-1] < horizon and id(a.run) not in spent and len(a.run.times) >= _FLIGHT
        ]
        for arc in sorted(without, key=_merit, reverse=True):
            if self._explained([arc.run]) >= _ELSEWHERE or self._elsewhere(arc.run):
                continue
            window = self._window(arc.run.times[0], arc.run.times[-1])
            if not self.learnt:
                self._lone.append((arc, window))
                continue
            alone = self._follow_alone(window, arc)
            if alone is None:
                flights.append(arc)
            else:
                paths.append(alone)
        self._find_readout(paths)
        self._arcs = [
            a for a in self._arcs if id(a.run) not in spent and a.run.times[-1] >= horizon
        ]
        self._pieces = [p for p in self._pieces if id(p) not in spent and p.times[-1] >= horizon]
        self._meetings = [m for m in self._meetings if m.after.times[-1] >= horizon]
        oldest = min(
            [
                now - _KEEP,
                *(a.run.times[0] for a in self._arcs),
                *(m.before.times[0] for m in self._meetings),
            ]
        )
        gone = [f for f, c in self._frames.items() if c.time_s < oldest - _MARGIN]
        for f in gone:
            del self._frames[f]
        if gone:
            self._claimed = {k for k in self._claimed if k[0] > gone[-1]}
            self._busy = {f for f in self._busy if f > gone[-1]}
        return Traced(paths, flights)

    def _find_readout(self, paths: Sequence[FollowedPath]) -> None:
        """Let paths tell how long the sensor reads its rows, while that is not known."""
        if self.readout_s or not paths:
            return
        bare = [replace(p, pictures=(), history=(), crowd=(), known={}) for p in paths]
        self._telling = [*self._telling, *bare][-_TELLING:]
        found = find_readout([(self.camera, self._telling, self.expectations)])
        if found is not None:
            self.readout_s = found.held_to(self._fps)

    def _window(self, low: float, high: float, look: Look | None = None) -> Window:
        """The frames from `low` to `high`, s, and some on either side."""
        low, high = low - _MARGIN, high + _MARGIN
        frames = {f: c for f, c in self._frames.items() if low <= c.time_s <= high}
        return Window(
            self.camera, frames, look or self.look, self.expectations, self.readout_s, self._palest
        )

    @property
    def _palest(self) -> float:
        """Contrast of the palest path that is believed."""
        return max(_PALE * self._contrast, _PALEST) if self.learnt else 0.0

    def _follow_alone(self, window: Window, arc: BallArc) -> FollowedPath | None:
        """The path of an arc that met no other, through the bounce after or before it."""
        for way in (follow_on, follow_from_hidden):
            found = way(window, arc)
            if found is not None and self._believed(found):
                found = self._led_on(window, found)
                self._claim(found)
                return found
        return None

    def _explained(self, runs: list[Run]) -> float:
        """Share of the runs' sightings that an accepted path rests on already."""
        return _share(_members_in(runs), self._claimed)

    def _believed(self, followed: FollowedPath, *, led_on: bool = False) -> bool:
        """Whether a ball flew so: a close fit, or a looser one to many pictures.

        How loose depends on the film: under hard compression no path fits closely. A path `led_on`
        from one that is believed may have come before a ground as bright as the ball.
        """
        misfit = followed.path.misfit
        if followed.contrast < (_PALEST if led_on else self._palest):
            return False  # an arm in a sleeve
        if followed.measured.sum() < max(_FEWEST, round(_FEWEST_S * self._fps)):
            return False
        return bool(
            misfit < self._limit or (_plentiful(followed) and misfit < _LOOSER * self._limit)
        )

    def _elsewhere(self, run: Run) -> bool:
        """Whether the ball was followed in another place for most of a run's time."""
        return float(np.mean([int(f) in self._busy for f in run.frames])) >= _ELSEWHERE

    def _claim(self, followed: FollowedPath) -> None:
        self._claimed.update(followed.members)
        self._busy.update(range(int(followed.frames[0]), int(followed.frames[-1]) + 1))
        x, _, z = followed.path.positions(np.array([followed.last_seen]))[0]
        if abs(x) < _NET_X and abs(z - table.NET_HEIGHT - table.BALL_RADIUS) < _NET_Z:
            self._net_ends.append(followed.last_seen)

    def _touched_net(self, chain: list[Meeting]) -> bool:
        """Whether what looks like a bounce is where a path that is known ends, at the net's top."""
        return (
            len(chain) == 1
            and before_it_the_net(self.camera, chain[0].place)
            and any(abs(t - chain[0].time) < _NET_FRAMES / self._fps for t in self._net_ends)
        )

    def _compactness(self, run: Run) -> float:
        values = [self._frames[f].compactness[m] for f, m in run.candidates]
        return float(np.median(values))

    def _follow(self, chain: list[Meeting]) -> list[FollowedPath]:
        """Fit a chain; keep it back while the look is not learnt."""
        window = self._window(chain[0].before.times[0], chain[-1].after.times[-1])
        if self.learnt:
            return self._finished(window, follow_chain(window, chain))
        exposures = {self.look.exposure_s}
        if sum(w[2] is not None for w in self._waiting) < _EXPOSURE_TRIES:
            exposures.add(min(1 / 90, 0.6 / self._fps))
        best: FollowedPath | None = None
        best_look = self.look.exposure_s
        for exposure in sorted(exposures):
            look = replace(self.look, exposure_s=exposure)
            one = follow_chain(replace(window, look=look), chain, rounds=1)
            if one is not None and (best is None or weight_of(one) > weight_of(best)):
                best, best_look = one, exposure
            if best is not None and _plentiful(best) and best.path.misfit < _SURELY:
                break  # with no exposure will its pictures fit better to speak of
        if best is not None:
            # the next chain of this film begins with the exposure that suited this one
            self.look = replace(self.look, exposure_s=best_look)
        runs = {id(chain[0].before), *(id(m.after) for m in chain)}
        arcs = [a for a in self._arcs if id(a.run) in runs]
        self._waiting.append((chain, window, best, arcs))
        pictures = sum(int(w[2].measured.sum()) for w in self._waiting if w[2] is not None)
        enough = sum(w[2] is not None for w in self._waiting) >= _LEARN_CHAINS
        if pictures >= _LEARN_PICTURES * 2 or enough or len(self._waiting) > 3 * _LEARN_CHAINS:
            return self._learn()
        return []

    def _finished(self, window: Window, followed: FollowedPath | None) -> list[FollowedPath]:
        """A path led on, if it is a ball's."""
        if followed is None or not self._believed(followed):
            return []
        followed = self._led_on(window, followed)
        self._claim(followed)
        return [followed]

    def _led_on(self, window: Window, followed: FollowedPath) -> FollowedPath:
        window = replace(window, palest=_PALEST)
        sure = pinned_down(window, followed)
        followed = sure if self._believed(sure) else followed
        longer = extended(window, followed)
        followed = longer if self._believed(longer, led_on=True) else followed
        whole = with_first_flight(window, followed)
        followed = whole if self._believed(whole, led_on=True) else followed
        begin = followed.first_seen
        past = [p for p in self._past if begin - _HISTORY < p[0] < begin + 0.05]
        return replace(
            followed,
            history=tuple((t, compact) for t, compact, _ in past),
            crowd=tuple((t, points) for t, _, points in past),
            known={},
        )

    def _learn(self) -> list[FollowedPath]:
        """Learn the ball's look from the waiting paths; fit these again with it."""
        self.learnt = True
        pictures, radii, speeds, centres = [], [], [], []
        for followed in _best_of([w[2] for w in self._waiting]):
            times = followed.sightings.times
            positions = followed.path.positions(times)
            use = followed.measured
            pictures += [p for p, m in zip(followed.pictures, use, strict=True) if m]
            radii.append(radii_px(self.camera, positions)[use])
            speeds.append(picture_speeds(self.camera, followed.path, times)[use])
            centres.append(followed.sightings.points[use])
        if len(pictures) >= _LEARN_PICTURES // 6:
            sizes, pace = np.concatenate(radii), np.concatenate(speeds)
            middle = np.concatenate(centres)
            red = float(np.median(ball_image.redness(pictures, middle)))
            if red > _RED:
                siting = ball_image.siting_of(pictures)
                self.look = replace(self.look, tinted=True, siting=siting)
            patches, origins = ball_image.gather(pictures, sizes, pace, self.look)
            self.look = learn_look(patches, origins, middle, sizes, pace, self.look)
        waiting, self._waiting = self._waiting, []
        again: list[FollowedPath | None] = []
        told: set[Member] = set()  # sightings that a surely good path explains
        for chain, window, rough, _ in waiting:
            window = replace(window, look=self.look)
            if _share(_members_of(chain), told) >= _ELSEWHERE:
                again.append(None)
                continue
            whole = rough is not None and _spans(rough, chain)
            finer = refined(window, rough) if rough and whole else follow_chain(window, chain)
            again.append(finer)
            if finer is not None and _plentiful(finer) and finer.path.misfit < _GOOD_PATH:
                told |= set(finer.members)
        close = [f.path.misfit for f in again if f is not None and _plentiful(f)]
        bright = [f.contrast for f in again if f is not None and _plentiful(f)]
        if bright:
            self._contrast = float(np.median(bright))
        if len(close) >= _ENOUGH:
            typical = float(np.percentile(close, 25))
            self._limit = _GOOD_PATH * float(np.clip(typical, 1.0, _ROUGHEST))
        self._find_readout([f for f in again if f is not None and _plentiful(f)])
        self._telling = []  # they come again with the paths
        paths: list[FollowedPath] = []
        for (chain, window, _, arcs), finer in zip(waiting, again, strict=True):
            if _share(_members_of(chain), self._claimed) >= _ELSEWHERE:
                continue
            touched = self._touched_net(chain)
            window = replace(window, look=self.look, readout_s=self.readout_s)
            found = self._finished(window, None if touched else finer)
            paths.extend(found)
            if not found:
                self._lone += [(arc, window) for arc in arcs if len(arc.run.times) >= _FLIGHT]
        lone, self._lone = self._lone, []
        for arc, window in sorted(lone, key=lambda a: _merit(a[0]), reverse=True):
            if self._explained([arc.run]) < _ELSEWHERE and not self._elsewhere(arc.run):
                window = replace(
                    window, look=self.look, readout_s=self.readout_s, palest=self._palest
                )
                alone = self._follow_alone(window, arc)
                paths.extend([] if alone is None else [alone])
        return paths


def _length(chain: list[Meeting]) -> float:
    return (
        len(chain[0].before.times)
        + sum(len(m.after.times) - 6 * m.misfit for m in chain)
        + 6 * len(chain)
    )


def _merit(arc: BallArc) -> float:
    return len(arc.run.times) - 6 * arc.misfit


def _left_over(chain: list[Meeting], followed: FollowedPath) -> list[list[Meeting]]:
    """Stretches of a chain with whose bounces a path has nothing to do."""
    times = followed.path.bounce_times
    stretches: list[list[Meeting]] = [[]]
    for m in chain:
        if np.abs(times - m.time).min() < _SAME_BOUNCE:
            stretches.append([])
        else:
            stretches[-1].append(m)
    return [s for s in stretches if s and len(s) < len(chain)]


def _members_in(runs: Sequence[Run]) -> list[Member]:
    return [member for run in runs for member in run.candidates]


def _members_of(chain: list[Meeting]) -> list[Member]:
    return _members_in([chain[0].before, *(m.after for m in chain)])


def _share(members: list[Member], known: set[Member]) -> float:
    return sum(m in known for m in members) / len(members)


def _spans(followed: FollowedPath, chain: list[Meeting]) -> bool:
    """Whether a path still rests on sightings before and after all bounces of its chain."""
    before = float(np.mean(chain[0].before.times))
    after = float(np.mean(chain[-1].after.times))
    return followed.first_seen <= before and followed.last_seen >= after


def _best_of(paths: Sequence[FollowedPath | None]) -> list[FollowedPath]:
    """Those that a ball flew most surely: arms must not teach how a ball looks."""
    some = [f for f in paths if f is not None and f.path.misfit < _ROUGHEST * _GOOD_PATH]
    sure = [f for f in some if _plentiful(f)]
    if not sure:
        return some
    typical = float(np.percentile([f.path.misfit for f in sure], 25))
    return [f for f in sure if f.path.misfit < _SURER * typical]


def _plentiful(followed: FollowedPath) -> bool:
    return bool(followed.measured.sum() >= _MANY and followed.measured.mean() >= 0.75)
