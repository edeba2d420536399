"""Where two arcs meet on the table: contacts between frames.

The ball's centre is one radius above the surface when it bounces, so the place follows from the two
paths and the camera, in space and time together, though no frame shows it. A meeting is believed
only if a ball could do it: falling before, rising after with a plausible restitution, and no more
change of horizontal speed than friction can give.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration import table
from calibration.camera import Camera
from placement import flight
from placement.arcs import SIGHTING_SD, BallArc, near_table
from placement.meeting_fit import fit_bounce
from placement.projection import packed
from placement.tracks import Run

_LONGEST_GAP = 0.2  # s between the last sighting before and the first after
_OVERLAP = 0.04  # s by which the first may reach past the second's beginning
# m below and above the net's top where a ball's centre is when it touches the net
_NET_BELOW, _NET_ABOVE = 0.03, 0.04
_FEWEST = 8  # sightings on both sides together
#: Frames a second below which a bounce may lie between so few that neither run is long, or kinks.
SLOW_RATE = 45.0
_SHORT, _SHORT_SLOW = (10, 1.5), (6, 1.2)  # of two short runs: the same, and misfit; in slow films
_APART, _FLIES = 0.1, 1.5  # s between them, at most; m/s along the table, at least
_RESTITUTION = (0.55, 1.12)  # believed range, wide because the paths are short
_WORST = 2.0  # times the expected scatter
# where a first guess leads nowhere: s between runs up to which another is made; m/s along the table
# and downwards; share of it kept
_SOON, _ALONG, _FALLING, _KEPT = 0.09, (4.0, -4.0), -1.8, 0.85
# sightings above which a run should have been an arc; m from the net where it may have met that
_PIECE, _BESIDE_NET = 8, 0.3
_SLOWEST = 0.3  # m/s downwards; softer contacts are a ball coming to rest


@dataclass(frozen=True, slots=True, eq=False)
class Meeting:
    """Two runs joined by a bounce.

    Attributes
    ----------
    before, after : Run
    time : float
        s.
    place : ndarray, shape (2,)
        (x, y), m.
    incoming, outgoing : ndarray, shape (3,)
        Velocities, m/s.
    misfit : float
        Root mean square residual over the expected scatter.
    """

    before: Run
    after: Run
    time: float
    place: np.ndarray
    incoming: np.ndarray
    outgoing: np.ndarray
    misfit: float


def fit_meeting(camera: Camera, before: Run, after: Run) -> Meeting | None:
    """The bounce that joins two runs, or None where no ball could do it."""
    scale = max(camera.size) / 1920
    sd = SIGHTING_SD * scale
    start = _start(camera, before, after)
    if start is None:
        return None
    times = np.concatenate([before.times, after.times])
    points = np.concatenate([before.points, after.points])
    theta, misfit = fit_bounce(start, times, points, sd, packed(camera))
    if misfit > _WORST and after.times[0] - before.times[-1] < _SOON:
        theta, misfit = _fitted_anew(start, times, points, sd, packed(camera))
    if misfit > _WORST:
        return None
    t, x, y = theta[:3]
    incoming, outgoing = theta[3:6], theta[6:9]
    ratio = -outgoing[2] / incoming[2] if incoming[2] < 0 else np.nan
    rub = float(np.hypot(*(outgoing - incoming)[:2]))
    slack = max(0.02, 1.2 * float(np.median(np.diff(before.times))))
    believed = (
        incoming[2] < -_SLOWEST
        and _RESTITUTION[0] < ratio < _RESTITUTION[1]
        and rub < 0.45 * 1.9 * -incoming[2] + 0.6
        and before.times[-1] - slack < t < after.times[0] + slack
        and near_table(theta[None, 1:3])[0]
        and np.linalg.norm(incoming) < 20
    )
    if not believed:
        return None
    return Meeting(before, after, float(t), np.array([x, y]), incoming, outgoing, misfit)


def _fitted_anew(
    start: np.ndarray, times: np.ndarray, points: np.ndarray, sd: float, camera: np.ndarray
) -> tuple[np.ndarray, float]:
    """Fit a bounce from either way along the table, where a first guess led nowhere.

    Along the line of sight that guess of a velocity may be far off.
    """
    for along in _ALONG:
        begin = [*start[:3], along, 0, _FALLING, _KEPT * along, 0, -_KEPT * _FALLING]
        theta, misfit = fit_bounce(np.array(begin), times, points, sd, camera)
        if misfit <= _WORST and theta[3] * theta[6] > 0:  # it goes on along the table
            return theta, misfit
    return start, np.inf


def find_meetings(
    camera: Camera,
    arcs: Sequence[BallArc],
    pieces: Sequence[Run],
    fresh: Sequence[Run] | None = None,
) -> list[Meeting]:
    """All believable bounces between ball arcs, or between a ball arc and a short piece.

    Parameters
    ----------
    camera : Camera
    arcs : sequence of BallArc
    pieces : sequence of Run
        Short runs, which may only partner an arc.
    fresh : sequence of Run, optional
        If given, only pairs with one of these are tried.
    """
    scale = max(camera.size) / 1920
    flying = {id(arc.run) for arc in arcs}
    runs = [arc.run for arc in arcs] + [p for p in pieces if id(p) not in flying]
    if len(runs) < 2:
        return []
    ends = _Ends.of(runs)
    new = np.ones(len(runs), bool)
    if fresh is not None:
        chosen = {id(r) for r in fresh}
        new = np.array([id(r) in chosen for r in runs])
    is_arc = np.arange(len(runs)) < len(arcs)
    meetings = _of_short_runs(camera, runs[len(arcs) :], new[len(arcs) :], scale)
    # one of the two is always an arc; two arcs are met once, from the earlier one
    for i in range(len(arcs)):
        for before in (False, True):
            gap = ends.first - ends.last[i] if not before else ends.first[i] - ends.last
            fits = (gap >= -_OVERLAP) & (gap < _LONGEST_GAP)
            fits &= (new | new[i]) & (ends.count + ends.count[i] >= _FEWEST)
            fits[i] = False
            if before:
                fits &= ~is_arc
            others = np.flatnonzero(fits)
            if before:
                close = ends.close(others, np.full(len(others), i), scale)
            else:
                close = ends.close(np.full(len(others), i), others, scale)
            # two arcs are few and worth a fit; short pieces are many
            for j in others[close | is_arc[others]].tolist():
                pair = (runs[j], runs[i]) if before else (runs[i], runs[j])
                meeting = fit_meeting(camera, *pair)
                doubtful = not is_arc[j] and ends.count[j] > _PIECE
                if meeting is not None and not (doubtful and _at_net(meeting)):
                    meetings.append(meeting)
    return meetings


def _at_net(meeting: Meeting) -> bool:
    """Whether the ball may have met the net instead."""
    return abs(float(meeting.place[0])) < _BESIDE_NET


def _of_short_runs(
    camera: Camera, runs: Sequence[Run], new: np.ndarray, scale: float
) -> list[Meeting]:
    """Bounces between two runs neither of which is an arc: a serve that the net or a hand ends."""
    if len(runs) < 2:
        return []
    ends = _Ends.of(runs)
    meetings = []
    for i, run in enumerate(runs):
        rate = (len(run.times) - 1) / max(run.times[-1] - run.times[0], 1e-9)
        slow = rate < SLOW_RATE
        fewest, worst = _SHORT_SLOW if slow else _SHORT
        gap = ends.first - ends.last[i]
        fits = (gap > (-_OVERLAP if slow else 0.0)) & (gap < _APART) & (new | new[i])
        others = np.flatnonzero(fits & (ends.count + ends.count[i] >= fewest))
        close = ends.close(np.full(len(others), i), others, scale)
        for j in others[close].tolist():
            meeting = fit_meeting(camera, run, runs[j])
            if (
                meeting is not None
                and meeting.misfit < worst
                and min(abs(meeting.incoming[0]), abs(meeting.outgoing[0])) > _FLIES
                and meeting.incoming[0] * meeting.outgoing[0] > 0
                and (slow or not _at_net(meeting))
            ):
                meetings.append(meeting)
    return meetings


def parted_at_net(
    camera: Camera, chain: Sequence[Meeting]
) -> tuple[list[list[Meeting]], list[list[Meeting]]]:
    """A chain cut where a kink may be a touch of the net, which lies before the table there.

    Parameters
    ----------
    camera : Camera
    chain : sequence of Meeting

    Returns
    -------
    parts : list of list of Meeting
        The stretches beside such kinks.
    kinks : list of list of Meeting
        Each such kink by itself, as the bounce that it may be all the same.
    """
    if len(chain) < 2:
        return [list(chain)], []
    parts: list[list[Meeting]] = [[]]
    kinks: list[list[Meeting]] = []
    for m in chain:
        if before_it_the_net(camera, m.place):
            kinks.append([m])
            parts.append([])
        else:
            parts[-1].append(m)
    return [p for p in parts if p], kinks


def before_it_the_net(camera: Camera, place: np.ndarray) -> bool:
    """Whether the line of sight to a bounce at `place` (2,), m, passes the net's top."""
    eye = camera.centre
    spot = np.array([*place, table.BALL_RADIUS])
    if eye[0] * spot[0] >= 0:
        return False
    share = eye[0] / (eye[0] - spot[0])
    y, z = (eye + share * (spot - eye))[1:]
    above = z - table.NET_HEIGHT
    return bool(abs(y) < table.NET_SPAN / 2 and -_NET_BELOW < above < _NET_ABOVE)


@dataclass(frozen=True, slots=True, eq=False)
class _Ends:
    """How runs begin and end: times, places and speeds in the picture."""

    count: np.ndarray  # (N,)
    first: np.ndarray  # (N,) s
    last: np.ndarray
    begin: np.ndarray  # (N, 2) px
    begin_speed: np.ndarray  # (N, 2) px/s
    end: np.ndarray
    end_speed: np.ndarray

    @classmethod
    def of(cls, runs: Sequence[Run]) -> _Ends:
        head = [min(2, len(r.times) - 1) for r in runs]
        return cls(
            count=np.array([len(r.times) for r in runs]),
            first=np.array([r.times[0] for r in runs]),
            last=np.array([r.times[-1] for r in runs]),
            begin=np.array([r.points[0] for r in runs]),
            begin_speed=np.array(
                [
                    (r.points[k] - r.points[0]) / max(r.times[k] - r.times[0], 1e-9)
                    for r, k in zip(runs, head, strict=True)
                ]
            ),
            end=np.array([r.points[-1] for r in runs]),
            end_speed=np.array(
                [
                    (r.points[-1] - r.points[-1 - k]) / max(r.times[-1] - r.times[-1 - k], 1e-9)
                    for r, k in zip(runs, head, strict=True)
                ]
            ),
        )

    def close(self, before: np.ndarray, after: np.ndarray, scale: float) -> np.ndarray:
        """Whether two paths, drawn on as straight lines, pass near each other between them."""
        gap = (self.first[after] - self.last[before])[:, None]
        speed0, speed1 = self.end_speed[before], self.begin_speed[after]
        at0 = self.end[before] + speed0 * gap / 2
        at1 = self.begin[after] - speed1 * gap / 2
        reach = 16 * scale + gap[:, 0] * np.hypot(*(speed1 - speed0).T)
        return np.asarray(np.hypot(*(at1 - at0).T) < reach)


def _start(camera: Camera, before: Run, after: Run) -> np.ndarray | None:
    """A first guess: the pixel between the runs, cut with the plane; then linear velocities."""
    middle = (before.times[-1] + after.times[0]) / 2
    pixel = (before.points[-1] + after.points[0]) / 2
    place = camera.cut_plane(pixel[None], table.BALL_RADIUS)[0]
    if not np.isfinite(place).all() or not near_table(place[None], 0.5)[0]:
        return None
    spot = np.array([*place, table.BALL_RADIUS])
    velocities = []
    for run, vertical in ((before, -2.0), (after, 1.8)):
        rays = camera.normalised(run.points)
        rows = np.concatenate(
            [
                camera.rotation[0] - rays[:, :1] * camera.rotation[2],
                camera.rotation[1] - rays[:, 1:] * camera.rotation[2],
            ]
        )
        right = np.concatenate(
            [
                rays[:, 0] * camera.translation[2] - camera.translation[0],
                rays[:, 1] * camera.translation[2] - camera.translation[1],
            ]
        )
        lag = np.tile(run.times - middle, 2)
        weight = camera.matrix[0, 0] / (float(camera.depths(spot[None])[0]) * SIGHTING_SD * 3)
        target = right - rows @ spot + rows[:, 2] * flight.GRAVITY * lag**2 / 2
        design = rows * lag[:, None] * weight
        prior = 1 / np.array([5.0, 2.0, 1.5])
        normal = design.T @ design + np.diag(prior**2)
        expected = prior**2 * np.array([0, 0, vertical])
        velocities.append(np.linalg.solve(normal, design.T @ (target * weight) + expected))
    return np.concatenate([[middle], place, *velocities])
