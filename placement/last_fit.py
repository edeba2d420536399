"""The last fit of each path, once all paths of a film are known.

One ball, one table and one hall's air make all paths of a film: what they tell together of
friction, drag, lift and restitution narrows what is expected of each. The last fit also begins
again from other spins, so that rivals of the best are known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.camera import Camera
from placement.paths import FollowedPath
from placement.pooling import Pool
from placement.trajectory import Expectations, Sightings, fit_path

_WORSE = 1.15  # times the misfit before, up to which the last fit is taken


def fit_last(
    camera: Camera,
    paths: Sequence[FollowedPath],
    expectations: Expectations,
    *,
    readout_s: float = 0.0,
) -> list[FollowedPath]:
    """Fit each path for the last time.

    Parameters
    ----------
    camera : Camera
    paths : sequence of FollowedPath
        Of one film and one place of the camera.
    expectations : Expectations
        Those the paths were fitted with.
    readout_s : float
        See `placement.trajectory.fit_path`.

    Returns
    -------
    list of FollowedPath
        In the same order.
    """
    pool = Pool(expectations)
    for followed in paths:
        pool.add(followed.path)
    out = []
    for whole in paths:
        followed = _from_its_balls_on(whole)
        expected = pool.expectations(without=followed.path)
        found = [
            fit_path(
                camera,
                followed.sightings,
                start,
                followed.path.n_bounces,
                expected,
                readout_s=readout_s,
                thorough=True,
            )
            for start in _starts(followed)
        ]
        path = min((p for p in found if p is not None), key=lambda p: p.cost, default=None)
        kept = path is not None and path.misfit < max(1.0, _WORSE * followed.path.misfit)
        out.append(replace(followed, path=path) if path is not None and kept else whole)
    return out


def _from_its_balls_on(followed: FollowedPath) -> FollowedPath:
    """The same without what shows no ball before all that does, where little shows one there.

    The toss before the stroke, or a hand, may lie near the way that leads to a first bounce; where
    no more than one picture shows the ball on that way, nothing says that they are the ball's.
    """
    balls = followed.sightings.times[followed.measured]
    if not len(balls) or (balls < followed.path.bounce_times[0]).sum() > 1:
        return followed
    k = int(np.argmax(followed.measured))
    s = followed.sightings
    return replace(
        followed,
        frames=followed.frames[k:],
        sightings=Sightings(s.times[k:], s.points[k:], s.covariances[k:]),
        measured=followed.measured[k:],
        pictures=followed.pictures[k:],
        first_seen=float(balls[0]),
    )


def _starts(followed: FollowedPath) -> list[np.ndarray]:
    """Where fits begin: also with a first bounce seen from one side a little earlier.

    A sighting at the bounce itself may be before it or after it, and a fit that has it on the
    wrong side stays there.
    """
    theta, times = followed.path.theta, followed.sightings.times
    step = float(np.median(np.diff(times)))
    bounce = float(followed.path.bounce_times[0])
    if (times < bounce - 0.3 * step).sum() >= 2:
        return [theta]
    earlier = theta.copy()
    earlier[0] -= 0.8 * step
    earlier[1:3] -= 0.8 * step * followed.path.model().outgoing[0][0, :2]
    return [theta, earlier]
