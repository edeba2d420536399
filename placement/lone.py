"""Arcs that met no other: the bounce behind or ahead of them is worked out and then looked for.

Beyond a bounce there may be too few sightings for a run of their own: a body hides the ball, or a
receiver takes it at once. But a bounce happens on the table, one radius up, so for any instant at
which it may have happened the arc's place and velocity follow from linear equations; the instant
that fits best is where a fit of the whole path begins.
"""

from __future__ import annotations

import numpy as np

from calibration import table
from placement import flight
from placement.arcs import SIGHTING_SD, BallArc, fit_arc, near_table
from placement.bounces import before_it_the_net
from placement.paths import FollowedPath, follow
from placement.sightings import Member, Window, radii_px
from placement.tracks import Run
from placement.trajectory import Path, first_guess

_LONGEST_HIDDEN = 0.35  # s from a hidden bounce to the first sighting after it
_BACK, _AHEAD = 0.6, 0.1  # frames before and s after the last sighting that a bounce is sought
_SHADE_SHIFT = 0.3  # radii by which a candidate sits above the ball's centre
_PLACE_SD = np.array([1.2, 0.6])  # m, where on the table
_SPEED_SD = np.array([6.0, 2.5, 3.0])  # m/s
_SLOWEST = 0.3  # m/s, up or down, at a bounce
_LEAVES = 1.0  # m/s along the table, after a bounce that nobody saw
_MARGIN, _UNSURE = 0.1, 0.5  # m beyond the table's edge; at most what doubt may add
_ROUGHLY, _SURE = 0.3, 0.1  # m more, for a path on its way; m of doubt below which its pace is told
_FLOWN = 1.5  # misfit of a ball's path
_LOOK_ON = 6  # frames beyond a bounce in which the ball is looked for
_FOUND = 3  # of them that must show it
_FOUND_SLOW, _SLOW_FILM = 2, 0.025  # likewise with frames so many s apart: a serve's first is near
_BEND, _BEND_BACK = 0.12, 0.25  # share of the falling speed, after a bounce and before it
_NEARLY = 0.4  # more misfit than the least, with which an instant still counts
_GATE_PX = 9.0  # px at 1920 px width
_FEWEST = 6  # sightings of an arc that may lose its first
_SHIFTS = 4  # quarters of a frame by which the instant of a bounce told from one side may be off
_NEAR_S = 0.2  # s of a flight next to its bounce
_CLOSE, _LOOSER = 1.2, 1.6  # misfit with both; times that with one
_FAR_CLOSER = 0.6  # times that, of a fit to one side that had it wrong
_WORST = 2.2  # misfit of an arc held to the table
_WORST_HIDDEN = 1.5  # misfit likewise, where nothing was seen at the table


def follow_on(window: Window, arc: BallArc) -> FollowedPath | None:
    """The path of an arc that ends at a bounce, if the ball is found again beyond it.

    Parameters
    ----------
    window : Window
    arc : BallArc
    """
    run = arc.run
    gap = float(np.median(np.diff(run.times)))
    times = run.times[-1] + np.arange(-_BACK * gap, _AHEAD, gap / 2)
    place, speed, misfit = _held_to_table(window, arc, times)
    fits = (misfit < _WORST) & (speed[:, 2] < -_SLOWEST) & near_table(place)
    if not fits.any():
        return None
    after, _ = flight.bounce(speed, np.zeros_like(speed))
    best: tuple[int, float, list[Member], int] | None = None
    for k in np.flatnonzero(fits).tolist():
        found = _found_beyond(window, int(run.frames[-1]), float(times[k]), place[k], after[k], gap)
        rank = (len(found), -float(misfit[k]))
        if found and (best is None or rank > best[:2]):
            best = (*rank, found, k)
    if best is None:
        return None
    _, _, found, k = best
    members = run.candidates
    theta = first_guess([float(times[k])], place[k], speed[k], [after[k]], window.expectations)
    return follow(window, theta, 1, [*members, *found], rounds=3)


def follow_from_hidden(window: Window, arc: BallArc) -> FollowedPath | None:
    """The path of an arc that came from the table shortly before it was first seen.

    Parameters
    ----------
    window : Window
    arc : BallArc

    Returns
    -------
    FollowedPath or None
        None where it does not come from there, or too slowly to be a serve or a return.
    """
    found, elsewhere = _from_hidden(window, arc)
    if found is None and not elsewhere and len(arc.run.times) > _FEWEST:
        # the run may have begun one sighting before the bounce
        later = fit_arc(window.camera, arc.run.part(slice(1, None)))
        found = None if later is None else _from_hidden(window, later)[0]
        if found is not None:
            found = _from_its_first(window, found, arc.run)
    return found


def _from_its_first(window: Window, followed: FollowedPath, run: Run) -> FollowedPath:
    """The path with the run's first sighting before its bounce, where that explains more.

    Without that sighting the fit may have come to rest with the bounce a frame off.
    """
    members = run.candidates
    if members[0] in followed.members:
        return followed
    model, path = followed.path.model(), followed.path
    between = float(run.times[:2].mean())
    away = model.outgoing[0][0]
    theta = first_guess(
        [between], path.bounce_places[0] + (between - path.bounce_times[0]) * away[:2],
        model.incoming[0][0], [away], window.expectations,
    )  # fmt: skip
    other = follow(window, theta, 1, members, rounds=3, astray=_astray)
    if other is None or other.path.misfit > _CLOSE or not _comes_from_table(other):
        return followed
    return other if other.measured.sum() > followed.measured.sum() else followed


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
    both = _enough(float(np.median(np.diff(times))))  # on either side, that tell when it was
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
    if (times < begun).sum() >= _enough(gap):
        return followed
    model = path.model()
    incoming, outgoing = model.incoming[0][0], model.outgoing[0][0]
    best: tuple[int, float, float, list[Member]] | None = None
    for shift in (np.arange(-_SHIFTS, _SHIFTS + 1) * gap / 4).tolist():
        place = path.bounce_places[0] + shift * outgoing[:2]
        first = int(followed.frames[times > begun + shift][0])
        row = []
        for near in _near_foretold(window, first, begun + shift, place, incoming, gap, -1):
            if near is None:
                break  # nothing hides it for a frame
            row.append(near)
        if len(row) < _enough(gap):
            continue
        off = float(np.mean([far for _, far in row]))
        if best is None or (len(row), -off) > best[:2]:
            best = (len(row), -off, shift, [member for member, _ in row])
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
    seen = (longer.measured & before).sum() >= _enough(gap)
    return longer if seen and longer.measured.sum() > followed.measured.sum() else followed


def _run_of(followed: FollowedPath, which: np.ndarray) -> Run:
    """A path's sightings as they were before they were measured."""
    pictures = [p for p, k in zip(followed.pictures, which, strict=True) if k]
    return Run(
        np.array([c.frame for c, _ in pictures]),
        np.array([m for _, m in pictures]),
        np.array([c.time_s for c, _ in pictures]),
        np.array([c.points[m] for c, m in pictures]),
    )


def _from_hidden(window: Window, arc: BallArc) -> tuple[FollowedPath | None, bool]:
    """The path, or None; and whether a ball flew so, but came from elsewhere."""
    run = arc.run
    gap = float(np.median(np.diff(run.times)))
    times = run.times[0] - np.arange(-0.3 * gap, _LONGEST_HIDDEN, 0.005)
    place, speed, misfit = _held_to_table(window, arc, times)
    fits = (
        (misfit < _WORST_HIDDEN)
        & (speed[:, 2] > _SLOWEST)
        & (np.abs(speed[:, 0]) > _LEAVES)
        & near_table(place)
    )
    if not fits.any():
        return None, False
    members = run.candidates
    incoming = speed * np.array([1.15, 1.15, -1 / flight.RESTITUTION])
    # the ball may have been seen before the bounce as well: that tells when it was
    least = float(misfit[fits].min())
    found: list[tuple[int, float, int, list[Member]]] = []
    for k in np.flatnonzero(fits & (misfit < least + _NEARLY)).tolist():
        before = _found_beyond(
            window, int(run.frames[0]), float(times[k]), place[k], incoming[k], gap, -1
        )
        found.append((len(before), -float(misfit[k]), k, before))
    _, _, k, before = max(found, key=lambda f: f[:2])
    theta = first_guess([float(times[k])], place[k], incoming[k], [speed[k]], window.expectations)
    if before:
        seen = follow(window, theta, 1, [*before, *members], rounds=3, astray=_astray)
        if seen is not None and _comes_from_table(seen):
            return seen, False
        k = int(np.argmin(np.where(fits, misfit, np.inf)))
        theta = first_guess(
            [float(times[k])], place[k], incoming[k], [speed[k]], window.expectations
        )
    hidden = follow(window, theta, 1, members, rounds=3, astray=_astray)
    if hidden is None:
        return None, False
    if _comes_from_table(hidden):
        return hidden, False
    return None, hidden.path.misfit < _FLOWN


def _astray(path: Path) -> bool:
    """Whether a path's bounce lies where no table is, or its ball hardly moves along it."""
    sd = float(np.sqrt(np.linalg.eigvalsh(path.bounce_covariances[0])[-1]))
    if not near_table(path.bounce_places[:1], _MARGIN + min(2 * sd, _UNSURE) + _ROUGHLY)[0]:
        return True
    return sd < _SURE and abs(float(path.model().outgoing[0][0, 0])) < _LEAVES / 2


def _comes_from_table(followed: FollowedPath) -> bool:
    """Whether it is no toss, nor a ball bounced idly."""
    path = followed.path
    sd = float(np.sqrt(np.linalg.eigvalsh(path.bounce_covariances[0])[-1]))
    if not near_table(path.bounce_places[:1], _MARGIN + min(2 * sd, _UNSURE))[0]:
        return False
    return abs(float(followed.path.model().outgoing[0][0, 0])) > _LEAVES


def _held_to_table(
    window: Window, arc: BallArc, times: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The arc's place on the table and velocity there, if it met the table at each of `times`.

    Returns
    -------
    place : ndarray, shape (K, 2)
    velocity : ndarray, shape (K, 3)
    misfit : ndarray, shape (K,)
        Root mean square over the expected scatter.
    """
    camera, run = window.camera, arc.run
    at = arc.at(run.times)
    points = run.points + np.column_stack([0 * run.times, _SHADE_SHIFT * radii_px(camera, at)])
    rays = camera.normalised(points)
    rotation, translation = camera.rotation, camera.translation
    rows = np.concatenate(
        [rotation[0] - rays[:, :1] * rotation[2], rotation[1] - rays[:, 1:] * rotation[2]]
    )
    right = np.concatenate(
        [rays[:, 0] * translation[2] - translation[0], rays[:, 1] * translation[2] - translation[1]]
    )
    lag = np.tile(run.times, 2)[None] - times[:, None]  # (K, 2 N)
    height = np.array([0.0, 0.0, table.BALL_RADIUS])
    prior = 1 / np.concatenate([_PLACE_SD, _SPEED_SD])
    acceleration = np.broadcast_to(arc.acceleration, (len(times), 3)).copy()
    depth = np.full(len(times), float(camera.depths(arc.position[None])[0]))
    noise = SIGHTING_SD * window.scale
    for _ in range(2):
        weight = (camera.matrix[0, 0] / (noise * np.maximum(depth, 0.5)))[:, None]
        design = (
            np.concatenate(
                [
                    np.broadcast_to(rows[:, :2], (len(times), len(rows), 2)),
                    rows[None] * lag[:, :, None],
                ],
                axis=2,
            )
            * weight[:, :, None]
        )
        bend = (acceleration @ rows.T) * lag**2 / 2
        target = (right - rows @ height - bend) * weight
        normal = design.transpose(0, 2, 1) @ design + np.diag(prior**2)
        solution = np.linalg.solve(normal, design.transpose(0, 2, 1) @ target[:, :, None])[..., 0]
        place, speed = solution[:, :2], solution[:, 2:]
        pace = np.linalg.norm(speed, axis=1)
        acceleration = -flight.drag_constant() * pace[:, None] * speed
        acceleration[:, 2] -= flight.GRAVITY
        depth = camera.depths(np.column_stack([place, np.full(len(place), table.BALL_RADIUS)]))
    left = (design @ solution[:, :, None])[..., 0] - target
    pull = (solution * prior) ** 2
    free = max(2.0, len(rows) - 3.0)
    misfit = np.sqrt(((left**2).sum(axis=1) + pull.sum(axis=1)) / free)
    misfit[(depth < 0.3) | (pace > 20)] = np.inf
    return place, speed, misfit


def _found_beyond(
    window: Window,
    first: int,
    time: float,
    place: np.ndarray,
    velocity: np.ndarray,
    gap: float,
    way: int = 1,
) -> list[Member]:
    """Candidates that the ball would show in the frames next to a bounce; none if they are few.

    See `_near_foretold`.
    """
    near = _near_foretold(window, first, time, place, velocity, gap, way)
    found = [one[0] for one in near if one is not None]
    return found if len(found) >= _enough(gap) else []


def _near_foretold(
    window: Window,
    first: int,
    time: float,
    place: np.ndarray,
    velocity: np.ndarray,
    gap: float,
    way: int,
) -> list[tuple[Member, float] | None]:
    """The candidate nearest to where the ball is foretold next to a bounce, and how far off, px.

    Frame by frame away from the bounce; None where it is too far off. After it and after frame
    `first` for `way` 1, where `velocity` is that after the bounce; before them for -1.
    """
    camera, frames = window.camera, window.frames
    reach = 1 + _LOOK_ON + round((_AHEAD if way > 0 else _LONGEST_HIDDEN) / gap)
    beyond = [
        f
        for f in range(first, first + way * reach, way)
        if f in frames and way * (frames[f].time_s - time) > 0
    ][:_LOOK_ON]
    if not beyond:
        return []
    lag = np.array([frames[f].time_s for f in beyond]) - time
    at = np.array([*place, table.BALL_RADIUS]) + velocity * lag[:, None]
    at[:, 2] -= flight.GRAVITY * lag**2 / 2
    aim = camera.project(at)
    aim[:, 1] -= _SHADE_SHIFT * radii_px(camera, at)
    # friction is not known yet: it bends the path by a share of the falling speed
    bend = _BEND if way > 0 else _BEND_BACK
    slack = camera.matrix[0, 0] / camera.depths(at) * bend * abs(velocity[2]) * np.abs(lag)
    found: list[tuple[Member, float] | None] = []
    for k, f in enumerate(beyond):
        off = np.hypot(*(frames[f].points - aim[k]).T)
        m = int(np.argmin(off)) if len(off) else 0
        within = len(off) > 0 and off[m] < _GATE_PX * window.scale + slack[k]
        found.append(((f, m), float(off[m])) if within else None)
    return found


def _enough(gap: float) -> int:
    """How many sightings tell the ball, in a film whose frames are `gap` s apart."""
    return _FOUND_SLOW if gap > _SLOW_FILM else _FOUND
