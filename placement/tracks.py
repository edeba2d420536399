"""Join candidates of neighbouring frames into runs that move smoothly in the picture.

Many hypotheses are followed at once, each by a Kalman filter with constant acceleration along u and
v (one covariance serves both). A hypothesis is born from three candidates of like strength that lie
on a nearly straight, evenly paced line; it ends when it finds no continuation, as a ball does where
it bounces or is struck. Limbs make runs as well: whether a run flies like a ball is decided later,
in space (`placement.arcs`).

Source: Bar-Shalom and Li, Multitarget-Multisensor Tracking (1995), nearest-neighbour association.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from placement.ball import Candidates

_NOISE = 1.3  # px at 1920 px width: scatter of a candidate about the ball's smooth path
_JERK = 60000.0  # px/s^3 at 1920 px: how fast image acceleration itself may change
_ACCELERATION = 6000.0  # px/s^2 at 1920 px: gravity seen from 2.5 m, and perspective
_SPEED = 9000.0  # px/s at 1920 px: 15 m/s seen from 2.5 m
_GATE = 13.8  # chi-square, 2 degrees of freedom, 99.9 %
_OWN = 6.0  # the same, 95 %: farther off it may be another thing's, which a new run may begin with
_SILENCE = 0.07  # s without a candidate after which a run ends
_LIKE = 3.5  # ratio of strengths up to which neighbours may be one ball
_LONGEST = 1.5  # s: no flight near a table lasts longer
_MOST_RUNS = 64


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """Candidates that may be one ball in smooth motion.

    Attributes
    ----------
    frames : ndarray of int, shape (N,)
    members : ndarray of int, shape (N,)
        Which candidate of each frame.
    times : ndarray, shape (N,)
        s.
    points : ndarray, shape (N, 2)
        (u, v), px.
    """

    frames: np.ndarray
    members: np.ndarray
    times: np.ndarray
    points: np.ndarray

    @property
    def candidates(self) -> list[tuple[int, int]]:
        """Frame and candidate of each sighting."""
        return list(zip(self.frames.tolist(), self.members.tolist(), strict=True))

    def part(self, which: slice | np.ndarray) -> Run:
        """Some of its sightings."""
        return Run(self.frames[which], self.members[which], self.times[which], self.points[which])


class Linker:
    """Follows runs through successive frames' candidates.

    Parameters
    ----------
    width : int
        Longer side of the upright frame, px; scales the gates.
    """

    def __init__(self, width: int) -> None:
        scale = width / 1920
        self._noise = (_NOISE * scale) ** 2
        self._jerk = (_JERK * scale) ** 2
        self._acceleration = _ACCELERATION * scale
        self._speed = _SPEED * scale
        self._slack = 3.5 * _NOISE * scale
        self._state = np.empty((0, 3, 2))  # per run: place, speed, acceleration; by u, v
        self._cov = np.empty((0, 3, 3))
        self._last = np.empty(0)  # s
        self._strength = np.empty(0)
        self._paths: list[list[tuple[int, int, float, float, float]]] = []
        self._previous: list[tuple[Candidates, np.ndarray]] = []  # two frames, with "taken" marks

    def push(self, found: Candidates) -> list[Run]:
        """Take the next frame's candidates; return the runs that ended before it."""
        taken = self._extend(found)
        ended = self._retire(found.time_s)
        self._born(found, taken)
        self._previous = [*self._previous[-1:], (found, taken)]
        return ended

    def finish(self) -> list[Run]:
        """End all runs; return them."""
        return self._retire(np.inf)

    @property
    def oldest_open(self) -> float:
        """Start time of the oldest run still followed, s; infinity if none."""
        return min((path[0][2] for path in self._paths), default=np.inf)

    def _extend(self, found: Candidates) -> np.ndarray:
        taken = np.zeros(len(found.points), bool)
        if not len(self._paths) or not len(found.points):
            return taken
        dt = found.time_s - self._last
        state, cov = self._predicted(dt)
        spread = cov[:, 0, 0] + self._noise
        gap_u = found.points[:, 0] - state[:, 0, 0, None]
        gap_v = found.points[:, 1] - state[:, 0, 1, None]
        chi2 = (gap_u * gap_u + gap_v * gap_v) / spread[:, None]
        ratio = found.strengths / self._strength[:, None]
        chi2[(ratio > _LIKE) | (ratio < 1 / _LIKE)] = np.inf
        best = chi2.argmin(axis=1)
        hit = np.flatnonzero(chi2[np.arange(len(best)), best] < _GATE)
        if not len(hit):
            return taken
        member = best[hit]
        gain = cov[hit, :, 0] / spread[hit, None]
        gap = np.column_stack([gap_u[hit, member], gap_v[hit, member]])
        self._state[hit] = state[hit] + gain[:, :, None] * gap[:, None, :]
        self._cov[hit] = cov[hit] - gain[:, :, None] * cov[hit, None, 0, :]
        self._last[hit] = found.time_s
        self._strength[hit] += 0.3 * (found.strengths[member] - self._strength[hit])
        points = found.points.tolist()
        near = chi2[hit, member] < _OWN
        for run, m, surely in zip(hit.tolist(), member.tolist(), near.tolist(), strict=True):
            self._paths[run].append((found.frame, m, found.time_s, *points[m]))
            if surely and len(self._paths[run]) >= 5:
                taken[m] = True
        self._drop_doubles(hit, member)
        return taken

    def _predicted(self, dt: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        place, speed, bend = self._state[:, 0], self._state[:, 1], self._state[:, 2]
        d = dt[:, None]
        state = np.stack([place + d * speed + d * d / 2 * bend, speed + d * bend, bend], axis=1)
        # step @ cov @ step.T, row by row, then column by column
        step, half = dt[:, None], dt[:, None] ** 2 / 2
        cov = self._cov.copy()
        cov[:, 0] += step * cov[:, 1] + half * cov[:, 2]
        cov[:, 1] += step * cov[:, 2]
        cov[:, :, 0] += step * cov[:, :, 1] + half * cov[:, :, 2]
        cov[:, :, 1] += step * cov[:, :, 2]
        push = np.stack([dt**3 / 6, dt**2 / 2, dt], axis=1)
        cov += self._jerk * push[:, :, None] * push[:, None, :]
        return state, cov

    def _drop_doubles(self, hit: np.ndarray, member: np.ndarray) -> None:
        """Of runs that share their last two candidates, keep the longest."""
        best: dict[tuple[int, int, int], int] = {}
        drop = set()
        for run, m in zip(hit.tolist(), member.tolist(), strict=True):
            before = self._paths[run][-2]
            key = (m, before[0], before[1])
            other = best.get(key)
            if other is None:
                best[key] = run
            elif len(self._paths[run]) > len(self._paths[other]):
                drop.add(other)
                best[key] = run
            else:
                drop.add(run)
        if drop:
            self._keep(np.array([k not in drop for k in range(len(self._paths))]))

    def _retire(self, now: float) -> list[Run]:
        if not self._paths:
            return []
        ages = np.array([len(p) for p in self._paths])
        live = now - self._last <= np.where(ages > 4, _SILENCE, _SILENCE / 2)
        begun = np.array([path[0][2] for path in self._paths])
        live &= now - begun < _LONGEST
        if len(ages) > _MOST_RUNS:
            live &= ages >= np.sort(ages)[-_MOST_RUNS]
        ended = [
            _as_run(path)
            for path, alive in zip(self._paths, live.tolist(), strict=True)
            if not alive
        ]
        if not live.all():
            self._keep(live)
        return ended

    def _keep(self, mask: np.ndarray) -> None:
        self._state, self._cov = self._state[mask], self._cov[mask]
        self._last, self._strength = self._last[mask], self._strength[mask]
        self._paths = [p for p, k in zip(self._paths, mask.tolist(), strict=True) if k]

    def _born(self, found: Candidates, taken: np.ndarray) -> None:
        if len(self._previous) < 2 or not len(found.points):
            return
        (first, first_taken), (second, second_taken) = self._previous
        a, b, c = (np.flatnonzero(~t) for t in (first_taken, second_taken, taken))
        if not (len(a) and len(b) and len(c)):
            return
        t0, t1, t2 = first.time_s, second.time_s, found.time_s
        step = second.points[b][None] - first.points[a][:, None]
        i, j = np.nonzero(_within(step, self._speed * (t1 - t0)))
        ahead = second.points[b[j]] + step[i, j] * (t2 - t1) / (t1 - t0)
        off = found.points[c][None] - ahead[:, None]
        gate = self._slack + self._acceleration * (t2 - t1) ** 2
        pair, k = np.nonzero(_within(off, gate))
        a, b, c = a[i[pair]], b[j[pair]], c[k]
        levels = np.stack([first.strengths[a], second.strengths[b], found.strengths[c]])
        like = levels.max(0) < _LIKE * levels.min(0)
        a, b, c = a[like], b[like], c[like]
        if not len(a):
            return
        p0, p1, p2 = first.points[a], second.points[b], found.points[c]
        d1, d2 = t1 - t0, t2 - t1
        bend = 2 * ((p2 - p1) / d2 - (p1 - p0) / d1) / (d1 + d2)
        # shrink the noisy bend towards none
        noise = 6 * self._noise / d2**4
        weight = self._acceleration**2 / (self._acceleration**2 + noise)
        bend = weight * bend
        speed = (p2 - p0) / (d1 + d2) + bend * d2 / 2
        cov = _fresh_covariance(self._noise, self._acceleration**2, round(d2, 6))
        self._state = np.concatenate([self._state, np.stack([p2, speed, bend], axis=1)])
        self._cov = np.concatenate([self._cov, np.repeat(cov[None], len(a), axis=0)])
        self._last = np.concatenate([self._last, np.full(len(a), t2)])
        self._strength = np.concatenate([self._strength, levels.mean(0)[like]])
        rows = [
            [
                (f.frame, m, f.time_s, *p)
                for m, p in zip(members.tolist(), points.tolist(), strict=True)
            ]
            for f, members, points in ((first, a, p0), (second, b, p1), (found, c, p2))
        ]
        self._paths.extend(list(path) for path in zip(*rows, strict=True))


def _within(steps: np.ndarray, reach: float) -> np.ndarray:
    """Which steps (..., 2) are shorter than `reach`."""
    u, v = steps[..., 0], steps[..., 1]
    return np.asarray(u * u + v * v < reach * reach)


@lru_cache(maxsize=256)
def _fresh_covariance(noise: float, bend: float, dt: float) -> np.ndarray:
    """Covariance of place, speed and acceleration after three evenly spaced sightings."""
    design = np.array([[1.0, -k * dt, (k * dt) ** 2 / 2] for k in (2, 1, 0)])
    information = design.T @ design / noise
    information[2, 2] += 1 / bend
    return np.linalg.inv(information)


def _as_run(path: list[tuple[int, int, float, float, float]]) -> Run:
    rows = np.array(path)
    return Run(rows[:, 0].astype(int), rows[:, 1].astype(int), rows[:, 2], rows[:, 3:5])
