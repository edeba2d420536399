"""Paths that know a bounce from one side alone: the ball is looked for on its other side."""

from __future__ import annotations

import numpy as np

from placement.arcs import fit_arc
from placement.bounces import before_it_the_net
from placement.foretold import GATE_PX, enough, near_foretold
from placement.lone import follow_from_hidden, follow_on
from placement.paths import FollowedPath, follow
from placement.sightings import Member, Window
from placement.tracks import Run

_CLOSELY = 0.6  # misfit up to which a single picture on the other side is believed
_JUMP = 4.0  # times as far off as all before, where a candidate is no longer the ball
_SHIFTS = 4  # quarters of a frame by which the instant of a bounce told from one side may be off
_FRAMES = 2  # by which the instant of a last bounce may be off, at most
_SLOWEST = 1.0  # m/s, of a ball whose doubt in place is taken for one in time
_NEAR_S = 0.2  # s of a flight next to its bounce
_FEWEST = 6  # sightings of the part of a flight that is looked from
_CLOSE, _LOOSER = 1.2, 1.6  # misfit with sightings on both sides; times that with one
_FAR_CLOSER = 0.6  # times that, of a fit to one side that had it wrong


def pinned_down(window: Window, followed: FollowedPath) -> FollowedPath:
    """The path of a single bounce, with the ball found on the bounce's other side as well.

    From one side alone it is hard to tell when the bounce was, and so how far off the ball flew; a
    fit that has it a little wrong does not find the ball beyond it.

    Parameters
    ----------
    window : Window
    followed : FollowedPath

    Returns
    -------
    FollowedPath
        As it was, where that was known already or nothing is found.
    """
    for _ in range(2):  # a far closer fit to one side may now find the other
        better = _pinned_once(window, followed)
        if better is None:
            break
        followed = better
    return followed


def _pinned_once(window: Window, followed: FollowedPath) -> FollowedPath | None:
    times = followed.sightings.times
    if followed.path.n_bounces > 1:
        return None
    after = times > followed.path.bounce_times[0]
    both = enough(float(np.median(np.diff(times))))  # on either side, that tell when it was
    if min(after.sum(), (~after).sum()) >= both:
        return None
    run = _run_of(followed, after if after.sum() >= _FEWEST else ~after)
    first, last = run.times[0] + _NEAR_S, run.times[-1] - _NEAR_S
    limit = max(_CLOSE, _LOOSER * followed.path.misfit)
    seen = float(followed.measured.sum())
    best, most = None, seen
    # spin bends a long flight, which the arc does not know: what lies near the bounce will do
    for way, near in ((follow_from_hidden, run.times < first), (follow_on, run.times > last)):
        arc = fit_arc(window.camera, run.part(near)) if near.sum() >= _FEWEST else None
        other = None if arc is None else way(window, arc)
        if other is None or other.path.misfit > limit:
            continue
        if way is follow_on and before_it_the_net(window.camera, other.path.bounce_places[0]):
            continue
        t, b = other.sightings.times, other.path.bounce_times[0]
        shown = float(other.measured.sum())
        if min((t < b).sum(), (t > b).sum()) >= both and shown > most:
            best, most = other, shown
        elif best is None and other.path.misfit < _FAR_CLOSER * followed.path.misfit:
            best = other if shown > seen - both else None
    return best


def with_first_flight(window: Window, followed: FollowedPath) -> FollowedPath:
    """The path with the ball found before its first bounce as well, where it was not yet.

    How a ball came to a bounce hardly shows in how it leaves: what is foretold of the flight before
    is too rough to gather its sightings by, but not to tell them from what else moves there.

    Parameters
    ----------
    window : Window
    followed : FollowedPath

    Returns
    -------
    FollowedPath
        As it was, where nothing is found.
    """
    path, times = followed.path, followed.sightings.times
    gap = float(np.median(np.diff(times)))
    begun = float(path.bounce_times[0])
    if (times < begun).sum() >= enough(gap):
        return followed
    model = path.model()
    incoming, outgoing = model.incoming[0][0], model.outgoing[0][0]
    best: tuple[float, int, float, list[Member]] | None = None
    for shift in (np.arange(-_SHIFTS, _SHIFTS + 1) * gap / 4).tolist():
        place = path.bounce_places[0] + shift * outgoing[:2]
        later = followed.frames[times > begun + shift]
        if not len(later):
            break
        worth, row = _row(window, int(later[0]), begun + shift, place, incoming, gap, -1)
        if row and (best is None or (worth, len(row)) > best[:2]):
            best = (worth, len(row), shift, row)
    if best is None:
        return followed
    _, _, shift, found = best
    theta = path.theta.copy()
    theta[0] += shift
    theta[1:3] += shift * outgoing[:2]
    longer = follow(window, theta, path.n_bounces, [*found, *followed.members], rounds=3)
    if longer is None or longer.path.misfit > max(_CLOSE, _LOOSER * path.misfit):
        return followed
    before = longer.sightings.times < longer.path.bounce_times[0]
    balls = int((longer.measured & before).sum())
    # a single one tells at least when the ball bounced, where all fits closely
    seen = balls >= (1 if longer.path.misfit < max(_CLOSELY, path.misfit) else enough(gap))
    more = int(longer.measured.sum() - followed.measured.sum())
    seen = seen and (more > 0 or (more == 0 and longer.path.misfit < path.misfit))
    return longer if seen else followed


def with_last_flight(window: Window, followed: FollowedPath) -> FollowedPath:
    """The path with the ball found after its last bounce as well, where it was not yet.

    Of a ball that comes straight on it is told badly how low it flies, and so when it bounces; led
    on from an instant that is a little wrong, it is not where the path asks for it.

    Parameters
    ----------
    window : Window
    followed : FollowedPath

    Returns
    -------
    FollowedPath
        As it was, where nothing is found.
    """
    path, times = followed.path, followed.sightings.times
    gap = float(np.median(np.diff(times)))
    ended = float(path.bounce_times[-1])
    if (times > ended).sum() >= enough(gap):
        return followed
    model = path.model()
    incoming, outgoing = model.incoming[-1][0], model.outgoing[-1][0]
    pace = max(_SLOWEST, float(np.linalg.norm(incoming)))
    doubt = 2 * float(np.sqrt(np.trace(path.bounce_covariances[-1]))) / pace
    reach = _SHIFTS * min(_FRAMES, max(1, round(doubt / gap)))
    best: tuple[float, int, list[Member]] | None = None
    for shift in (np.arange(-reach, reach + 1) * gap / 4).tolist():
        earlier = [m for m, t in zip(followed.members, times, strict=True) if t < ended + shift]
        if not earlier:
            continue
        place = path.bounce_places[-1] + shift * incoming[:2]
        worth, row = _row(window, earlier[-1][0], ended + shift, place, outgoing, gap, 1)
        if row and (best is None or (worth, len(row)) > best[:2]):
            best = (worth, len(row), [*earlier, *row])
    if best is None:
        return followed
    longer = follow(window, path.theta, path.n_bounces, best[2], rounds=3)
    if longer is None or longer.path.misfit > max(_CLOSE, _LOOSER * path.misfit):
        return followed
    after = longer.sightings.times > longer.path.bounce_times[-1]
    more = longer.measured.sum() > followed.measured.sum()
    return longer if more and (longer.measured & after).sum() >= enough(gap) else followed


def _row(
    window: Window,
    first: int,
    time: float,
    place: np.ndarray,
    velocity: np.ndarray,
    gap: float,
    way: int,
) -> tuple[float, list[Member]]:
    """Candidates where `near_foretold` has the ball, frame by frame, none if they are few.

    With them, how many they are, each counting the less the farther it is off.
    """
    gate = GATE_PX * window.scale
    near = near_foretold(window, first, time, place, velocity, gap, way)
    found = []
    for one in near:
        if one is None:
            break  # nothing hides it for a frame
        found.append(one)
    found = _without_jump(found, enough(gap), gate)
    if len(found) < enough(gap):
        return 0.0, []
    return sum(max(0.0, 1 - far / gate) for _, far in found), [member for member, _ in found]


def _without_jump(
    row: list[tuple[Member, float]], least: int, gate: float
) -> list[tuple[Member, float]]:
    """The candidates up to where they leave the ball's way: there it was not struck yet."""
    for k in range(least, len(row)):
        far = row[k][1]
        if far > gate and far > _JUMP * max(before for _, before in row[:k]):
            return row[:k]
    return row


def _run_of(followed: FollowedPath, which: np.ndarray) -> Run:
    """A path's sightings as they were before they were measured."""
    pictures = [p for p, k in zip(followed.pictures, which, strict=True) if k]
    return Run(
        np.array([c.frame for c, _ in pictures]),
        np.array([m for _, m in pictures]),
        np.array([c.time_s for c, _ in pictures]),
        np.array([c.points[m] for c, m in pictures]),
    )
