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
from placement.agreement import on_table
from placement.arcs import SIGHTING_SD, BallArc, fit_arc, near_table
from placement.foretold import SOON, near_foretold, told_by
from placement.paths import LONGEST_HIDDEN, FollowedPath, follow
from placement.sightings import SHADE_SHIFT, Member, Window, radii_px
from placement.tracks import Run
from placement.trajectory import Path, first_guess

_BACK = 0.6  # frames before the last sighting from which on a bounce is sought
_PLACE_SD = np.array([1.2, 0.6])  # m, where on the table
_SPEED_SD = np.array([6.0, 2.5, 3.0])  # m/s
# m/s2, by which spin bends a flight along the table, across it and upwards
_SPIN_SD, _NO_SPIN_SD = np.array([0.5, 1.5, 2.0]), np.full(3, 1e-3)
_SLOWEST = 0.3  # m/s, up or down, at a bounce
_LEAVES = 1.0  # m/s along the table, after a bounce that nobody saw
# m more beyond the edge, for a path on its way; m of doubt below which its pace is told
_ROUGHLY, _SURE = 0.3, 0.1
_FLOWN = 1.5  # misfit of a ball's path
_NEARLY = 0.4  # more misfit than the least, with which an instant still counts
_FEWEST = 6  # sightings of an arc that may lose its first
_CLOSE = 1.2  # misfit with sightings on both sides
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
    times = run.times[-1] + np.arange(-_BACK * gap, SOON, gap / 2)
    place, speed, misfit = _held_to_table(window, arc, times)
    fits = (misfit < _WORST) & (speed[:, 2] < -_SLOWEST) & near_table(place)
    if not fits.any():
        return None
    after, _ = flight.bounce(speed, np.zeros_like(speed))
    best: tuple[int, float, list[Member], int] | None = None
    for k in np.flatnonzero(fits).tolist():
        near = near_foretold(
            window, int(run.frames[-1]), float(times[k]), place[k], after[k], gap, 1
        )
        found = told_by(near, gap)
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


def _from_hidden(window: Window, arc: BallArc) -> tuple[FollowedPath | None, bool]:
    """The path, or None; and whether a ball flew so, but came from elsewhere."""
    run = arc.run
    gap = float(np.median(np.diff(run.times)))
    times = run.times[0] - np.arange(-0.3 * gap, LONGEST_HIDDEN, 0.005)
    # spin leaves more instants open: it is thought of where nothing fits without it
    for spun in (False, True):
        place, speed, misfit = _held_to_table(window, arc, times, spun=spun)
        fits = (
            (misfit < _WORST_HIDDEN)
            & (speed[:, 2] > _SLOWEST)
            & (np.abs(speed[:, 0]) > _LEAVES)
            & near_table(place)
        )
        if fits.any():
            break
    else:
        return None, False
    members = run.candidates
    incoming = speed * np.array([1.15, 1.15, -1 / flight.RESTITUTION])
    # the ball may have been seen before the bounce as well: that tells when it was
    least = float(misfit[fits].min())
    found: list[tuple[int, float, int, list[Member]]] = []
    for k in np.flatnonzero(fits & (misfit < least + _NEARLY)).tolist():
        near = near_foretold(
            window, int(run.frames[0]), float(times[k]), place[k], incoming[k], gap, -1
        )
        before = told_by(near, gap)
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
    if not on_table(path, _ROUGHLY):
        return True
    sd = float(np.sqrt(np.linalg.eigvalsh(path.bounce_covariances[0])[-1]))
    return sd < _SURE and abs(float(path.model().outgoing[0][0, 0])) < _LEAVES / 2


def _comes_from_table(followed: FollowedPath) -> bool:
    """Whether it is no toss, nor a ball bounced idly."""
    if not on_table(followed.path):
        return False
    return abs(float(followed.path.model().outgoing[0][0, 0])) > _LEAVES


def _held_to_table(
    window: Window, arc: BallArc, times: np.ndarray, *, spun: bool = False
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The arc's place on the table and velocity there, if it met the table at each of `times`.

    Spin is known of only if the flight may be `spun`.

    Returns
    -------
    place : ndarray, shape (K, 2)
    velocity : ndarray, shape (K, 3)
    misfit : ndarray, shape (K,)
        Root mean square over the expected scatter.
    """
    camera, run = window.camera, arc.run
    at = arc.at(run.times)
    points = run.points + np.column_stack([0 * run.times, SHADE_SHIFT * radii_px(camera, at)])
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
    prior = 1 / np.concatenate([_PLACE_SD, _SPEED_SD, _SPIN_SD if spun else _NO_SPIN_SD])
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
                    rows[None] * lag[:, :, None] ** 2 / 2,
                ],
                axis=2,
            )
            * weight[:, :, None]
        )
        bend = (acceleration @ rows.T) * lag**2 / 2
        target = (right - rows @ height - bend) * weight
        normal = design.transpose(0, 2, 1) @ design + np.diag(prior**2)
        solution = np.linalg.solve(normal, design.transpose(0, 2, 1) @ target[:, :, None])[..., 0]
        place, speed = solution[:, :2], solution[:, 2:5]
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
