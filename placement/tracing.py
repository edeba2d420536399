"""From a stream of candidates to the paths that a ball flew, a few seconds late.

Only a window of frames is held, so that memory does not grow with the film. The first paths of a
film wait until there are enough pictures to learn how its ball looks; they are then measured again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Camera
from placement.arcs import SIGHTING_SD, BallArc, fit_arc, split_at_kinks, split_in_two, trimmed_arc
from placement.ball import Candidates
from placement.ball_model import Look
from placement.belief import GOOD_PATH, PALEST, Belief, plentiful
from placement.bounces import SLOW_RATE, Meeting, find_meetings, parted_at_net
from placement.claims import Claims, members_in, mostly, runs_of
from placement.first_look import first_look
from placement.lone import follow_from_hidden, follow_on
from placement.looking import SMOOTH, ball_like, smoothest
from placement.other_side import pinned_down, with_first_flight, with_last_flight
from placement.paths import (
    FollowedPath,
    chains_of,
    extended,
    follow_chain,
    refined,
    weight_of,
)
from placement.readout import find_readout
from placement.sightings import Member, Window
from placement.tracks import Linker, Run
from placement.trajectory import Expectations
from placement.true_size import other_size, surely_of_due_size

_SETTLE_EVERY = 1.0  # s
_SETTLED = 0.9  # s after its last sighting a chain is taken as complete
_KEEP = 2.5  # s that a run waits for a partner
_MARGIN = 0.7  # s of frames kept on both sides of a chain
_LEARN_PICTURES = 240  # measured pictures with which the look is learnt
_LEARN_CHAINS = 8  # paths that do as well
# where chains gave fewer pictures than this, arcs by themselves are tried, the best so many
_TAUGHT_BY_CHAINS, _LEARN_ALONE = 40, 12
_MOSTLY_BALLS = 0.75  # share of the sightings of such an arc's path that look like a ball
_FLIGHT = 6  # sightings of a flight that met no bounce, for it to be reported
_SHORTEST_ARC = 5  # sightings from which a run is judged alone
_EXPOSURE_TRIES = 2  # paths on which two exposures are tried
_REMEMBERED = 25.0  # s of candidate points kept, without pictures, while the look is learnt
_HISTORY = 1.2  # s before a path that go with it
_COMPACT = 0.40  # median compactness of a run below which it is a limb's edge
_LONGEST_PIECE = 16  # sightings up to which a run that is no arc may partner one
_SAME_BOUNCE = 0.03  # s
# px, at 1920 px width or less, by which all pictures of a path may be off alike, and drift along it
_OFFSET_PX, _DRIFT_PX = 0.19, 0.06
_TELLING = 12  # paths, the last ones, that tell the readout
_DISTANCE_SD = 0.1  # share of a distance told by the size of pictures, by which it may be off
_SURELY = 1.0  # misfit up to which nothing better is looked for


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


@dataclass(frozen=True, slots=True, eq=False)
class _Waiting:
    """A chain that waits for the ball's look: as it was followed without, and the arcs in it."""

    chain: list[Meeting]
    window: Window
    rough: FollowedPath | None
    arcs: list[BallArc]


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
        self._fps = fps
        self.look = look or Look(exposure_s=self._exposures()[0])
        self.learnt = look is not None
        self.expectations = expectations or expected_of(camera)
        self.readout_s = readout_s  # found on the way where 0
        self._telling: list[FollowedPath] = []  # paths that tell it, without their pictures
        self._linker = Linker(max(camera.size))
        self._scatter = SIGHTING_SD * max(camera.size) / 1920
        self._frames: dict[int, Candidates] = {}
        self._pieces: list[Run] = []
        self._arcs: list[BallArc] = []
        self._belief = Belief(fps, look_known=self.learnt)
        self._claims = Claims(camera, fps)
        self._fresh: list[Run] = []
        self._unseen: list[BallArc] = []  # whose pictures were not looked at yet
        self._meetings: list[Meeting] = []
        self._waiting: list[_Waiting] = []
        self._lone: list[tuple[BallArc, Window]] = []  # arcs that met no other, likewise
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
            if len(pieces) == 1 and whole is None and self._fps < SLOW_RATE:
                pieces += split_in_two(run)
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
                    continue
                trimmed = trimmed_arc(self.camera, piece) if self._fps < SLOW_RATE else None
                if trimmed is not None:
                    self._unseen.append(trimmed)
                if n <= _LONGEST_PIECE:
                    self._pieces.append(piece)  # a stroke or a hand may be part of it
                    self._fresh.append(piece)

    def _settle(self, now: float) -> Traced:
        self._meet()
        paths, spent = self._from_chains(now - _SETTLED)
        horizon = now - _KEEP
        alone, flights = self._from_lone_arcs(horizon, spent)
        paths += alone
        self._find_readout(paths)
        self._forget(horizon, spent)
        return Traced(paths, flights)

    def _meet(self) -> None:
        """Tell balls from limbs among the new arcs; find what they meet with."""
        seen = ball_like(self._window(-np.inf, np.inf), self._unseen)
        self._arcs += seen
        self._fresh += [arc.run for arc in seen]
        known = {id(arc.run) for arc in seen}
        # a short arc says too little of its distance, and so of how large its pictures should be
        unsure = [
            a.run
            for a in self._unseen
            if id(a.run) not in known and len(a.run.times) <= _LONGEST_PIECE
        ]
        self._pieces += unsure
        self._fresh += unsure
        self._unseen = []
        self._meetings += find_meetings(self.camera, self._arcs, self._pieces, self._fresh)
        self._fresh = []

    def _from_chains(self, until: float) -> tuple[list[FollowedPath], set[int]]:
        """Paths of the chains of meetings that ended by `until`, s; runs that need no other look.

        The runs are told by their identities.
        """
        paths: list[FollowedPath] = []
        spent: set[int] = set()
        tried: set[int] = set()
        complete: list[list[Meeting]] = []
        kinks: list[list[Meeting]] = []
        for chain in chains_of(self._meetings):
            if chain[-1].after.times[-1] <= until:
                parts, at_net = parted_at_net(self.camera, chain)
                complete += parts
                kinks += at_net
        # the longest first; what may be a touch of the net last
        complete = [*sorted(kinks, key=_length), *sorted(complete, key=_length)]
        while complete:
            chain = complete.pop()
            tried |= {id(m) for m in chain}
            runs = runs_of(chain)
            # other readings of sightings that a longer path has explained need no fit
            if self._claims.explain(runs):
                spent |= {id(r) for r in runs}
                continue
            if self._claims.touched_net(chain):
                continue
            found = self._follow(chain)
            paths.extend(found)
            if found or not self.learnt:
                spent |= {id(r) for r in runs}
            # where the net was touched, or a stroke came between, what is left is a path as well
            last = self._waiting[-1] if self._waiting else None
            rough = last.rough if last is not None and last.chain is chain else None
            told = found[0] if found else rough
            if told is not None:
                complete.extend(_left_over(chain, told))
        self._meetings = [
            m
            for m in self._meetings
            if id(m) not in tried and not ({id(m.before), id(m.after)} & spent)
        ]
        return paths, spent

    def _from_lone_arcs(
        self, horizon: float, spent: set[int]
    ) -> tuple[list[FollowedPath], list[BallArc]]:
        """Paths of arcs that met no other before `horizon`, s; and arcs that are none."""
        paths: list[FollowedPath] = []
        flights: list[BallArc] = []
        without = [
            a
            for a in self._arcs
            if a.run.times[-1] < horizon and id(a.run) not in spent and len(a.run.times) >= _FLIGHT
        ]
        for arc in sorted(without, key=_merit, reverse=True):
            if self._claims.explain([arc.run]) or self._claims.place_elsewhere(arc.run):
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
        return paths, flights

    def _forget(self, horizon: float, spent: set[int]) -> None:
        """Let go of what nothing new can meet with, and of the frames that it alone needed."""
        self._arcs = [
            a for a in self._arcs if id(a.run) not in spent and a.run.times[-1] >= horizon
        ]
        self._pieces = [p for p in self._pieces if id(p) not in spent and p.times[-1] >= horizon]
        self._meetings = [m for m in self._meetings if m.after.times[-1] >= horizon]
        oldest = min(
            [
                horizon,
                *(a.run.times[0] for a in self._arcs),
                *(m.before.times[0] for m in self._meetings),
            ]
        )
        gone = [f for f, c in self._frames.items() if c.time_s < oldest - _MARGIN]
        for f in gone:
            del self._frames[f]
        if gone:
            self._claims.forget(gone[-1])

    def _find_readout(self, paths: Sequence[FollowedPath]) -> None:
        """Let paths tell how long the sensor reads its rows, while that is not known."""
        if self.readout_s or not paths:
            return
        bare = [replace(p, pictures=(), history=(), crowd=(), known={}) for p in paths]
        self._telling = [*self._telling, *bare][-_TELLING:]
        found = find_readout([(self.camera, self._telling, self.expectations)])
        if found is not None:
            self.readout_s = found.held_to(self._fps)

    def _window(self, low: float, high: float) -> Window:
        """The frames from `low` to `high`, s, and some on either side."""
        low, high = low - _MARGIN, high + _MARGIN
        frames = {f: c for f, c in self._frames.items() if low <= c.time_s <= high}
        return Window(
            self.camera, frames, self.look, self.expectations, self.readout_s, self._belief.palest
        )

    def _follow_alone(
        self, window: Window, arc: BallArc, *, misplaced: bool = False
    ) -> FollowedPath | None:
        """The path of an arc that met no other, through the bounce after or before it.

        Where its pictures are a ball's at another distance, it is looked for there; not if it was
        `misplaced` once.
        """
        for way in (follow_on, follow_from_hidden):
            found = way(window, arc)
            if found is None or not self._believed(window, found):
                continue
            found = self._led_on(window, found)
            factor = other_size(window, found)
            if factor is None:
                self._claims.add(found)
                return found
            elsewhere = None if misplaced else self._moved(found, arc, factor)
            if elsewhere is not None:
                told = self._follow_alone(window, elsewhere, misplaced=True)
                if told is not None:
                    return told
        return None

    def _moved(self, followed: FollowedPath, arc: BallArc, factor: float) -> BallArc | None:
        """The arc at the distance at which its ball is `factor` times as large."""
        middle = np.array([arc.run.times.mean()])
        depth = float(self.camera.depths(followed.path.positions(middle))[0]) / factor
        return fit_arc(self.camera, arc.run, distance=(depth, _DISTANCE_SD * depth))

    def _compactness(self, run: Run) -> float:
        values = [self._frames[f].compactness[m] for f, m in run.candidates]
        return float(np.median(values))

    def _follow(self, chain: list[Meeting]) -> list[FollowedPath]:
        """Fit a chain; keep it back while the look is not learnt."""
        window = self._window(chain[0].before.times[0], chain[-1].after.times[-1])
        if self.learnt:
            return self._finished(window, follow_chain(window, chain))
        exposures = {self.look.exposure_s}
        if sum(w.rough is not None for w in self._waiting) < _EXPOSURE_TRIES:
            exposures.add(self._exposures()[1])
        best: FollowedPath | None = None
        best_look = self.look.exposure_s
        for exposure in sorted(exposures):
            look = replace(self.look, exposure_s=exposure)
            one = follow_chain(replace(window, look=look), chain, rounds=1)
            if one is not None and (best is None or weight_of(one) > weight_of(best)):
                best, best_look = one, exposure
            if best is not None and plentiful(best) and best.path.misfit < _SURELY:
                break  # with no exposure will its pictures fit better to speak of
        if best is not None:
            # the next chain of this film begins with the exposure that suited this one
            self.look = replace(self.look, exposure_s=best_look)
        runs = {id(r) for r in runs_of(chain)}
        arcs = [a for a in self._arcs if id(a.run) in runs]
        self._waiting.append(_Waiting(chain, window, best, arcs))
        pictures = sum(int(w.rough.measured.sum()) for w in self._waiting if w.rough is not None)
        enough = sum(w.rough is not None for w in self._waiting) >= _LEARN_CHAINS
        if pictures >= _LEARN_PICTURES or enough or len(self._waiting) > 3 * _LEARN_CHAINS:
            return self._learn()
        return []

    def _finished(self, window: Window, followed: FollowedPath | None) -> list[FollowedPath]:
        """A path led on, if it is a ball's."""
        if followed is None or not self._believed(window, followed):
            return []
        followed = self._led_on(window, followed)
        if other_size(window, followed) is not None:
            return []
        self._claims.add(followed)
        return [followed]

    def _believed(self, window: Window, followed: FollowedPath) -> bool:
        """Whether a ball flew so, by how its path fits or by the size of its pictures too."""
        return self._belief.holds(followed) or (
            self._belief.holds(followed, sized=True) and surely_of_due_size(window, followed)
        )

    def _led_on(self, window: Window, followed: FollowedPath) -> FollowedPath:
        sized = not self._belief.holds(followed)  # it was believed for that
        window = replace(window, palest=PALEST)
        sure = pinned_down(window, followed)
        followed = sure if self._belief.holds(sure, sized=sized) else followed
        longer = extended(window, followed)
        followed = longer if self._belief.holds(longer, led_on=True, sized=sized) else followed
        later = with_last_flight(window, followed)
        followed = later if self._belief.holds(later, led_on=True, sized=sized) else followed
        whole = with_first_flight(window, followed)
        followed = whole if self._belief.holds(whole, led_on=True, sized=sized) else followed
        begin = followed.first_seen
        past = [p for p in self._past if begin - _HISTORY < p[0] < begin + 0.05]
        return replace(
            followed,
            history=tuple((t, compact) for t, compact, _ in past),
            crowd=tuple((t, points) for t, _, points in past),
            known={},
        )

    def _rough_alone(self) -> list[FollowedPath]:
        """Paths of the best arcs that met no other, followed before the look is learnt."""
        arcs = [(arc, w.window) for w in self._waiting for arc in w.arcs] + self._lone
        arcs = [(arc, window) for arc, window in arcs if len(arc.run.times) >= _FLIGHT]
        paths: list[FollowedPath] = []
        told: set[Member] = set()
        for arc, window in sorted(arcs, key=lambda a: _merit(a[0]), reverse=True)[:_LEARN_ALONE]:
            if mostly(members_in([arc.run]), told):
                continue
            for exposure in self._exposures():
                rough = replace(window, look=replace(self.look, exposure_s=exposure))
                found = follow_on(rough, arc) or follow_from_hidden(rough, arc)
                if found is not None and _teaches(found):
                    paths.append(found)
                    told.update(found.members)
                    break
        return paths

    def _exposures(self) -> list[float]:
        """A short and a long exposure, s, of which one suits well enough to begin with."""
        return sorted({min(1 / 250, 0.5 / self._fps), min(1 / 90, 0.6 / self._fps)})

    def _learn(self) -> list[FollowedPath]:
        """Learn the ball's look from the waiting paths; fit these again with it."""
        self.learnt = True
        rough = [w.rough for w in self._waiting if w.rough is not None]
        if sum(int(f.measured.sum()) for f in rough) < _TAUGHT_BY_CHAINS:
            rough += self._rough_alone()
        self.look = first_look(self.camera, rough, self.look)
        waiting, self._waiting = self._waiting, []
        again: list[FollowedPath | None] = []
        told: set[Member] = set()  # sightings that a surely good path explains
        for w in waiting:
            if mostly(members_in(runs_of(w.chain)), told):
                again.append(None)
                continue
            window = replace(w.window, look=self.look)
            if w.rough is not None and _spans(w.rough, w.chain):
                finer = refined(window, w.rough)
            else:
                finer = follow_chain(window, w.chain)
            again.append(finer)
            if finer is not None and plentiful(finer) and finer.path.misfit < GOOD_PATH:
                told |= set(finer.members)
        self._belief.learn([f for f in again if f is not None])
        self._find_readout([f for f in again if f is not None and plentiful(f)])
        self._telling = []  # they come again with the paths
        paths: list[FollowedPath] = []
        for w, finer in zip(waiting, again, strict=True):
            if self._claims.explain(runs_of(w.chain)):
                continue
            touched = self._claims.touched_net(w.chain)
            window = replace(w.window, look=self.look, readout_s=self.readout_s)
            found = self._finished(window, None if touched else finer)
            paths.extend(found)
            if not found:
                self._lone += [(arc, window) for arc in w.arcs if len(arc.run.times) >= _FLIGHT]
        lone, self._lone = self._lone, []
        for arc, window in sorted(lone, key=lambda a: _merit(a[0]), reverse=True):
            if self._claims.explain([arc.run]) or self._claims.place_elsewhere(arc.run):
                continue
            window = replace(
                window, look=self.look, readout_s=self.readout_s, palest=self._belief.palest
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


def _teaches(followed: FollowedPath) -> bool:
    """Whether a path of one arc is surely enough a ball's to teach how that looks."""
    balls = followed.measured
    return bool(
        balls.sum() >= _FLIGHT
        and balls.mean() >= _MOSTLY_BALLS
        and followed.path.misfit < GOOD_PATH
    )


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


def _spans(followed: FollowedPath, chain: list[Meeting]) -> bool:
    """Whether a path still rests on sightings before and after all bounces of its chain."""
    before = float(np.mean(chain[0].before.times))
    after = float(np.mean(chain[-1].after.times))
    return followed.first_seen <= before and followed.last_seen >= after
