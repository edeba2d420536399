"""The last fit of each path, once all paths of a film are known.

One ball, one table and one hall's air make all paths of a film: what they tell together of
friction, drag, lift and restitution narrows what is expected of each. The last fit also begins
again from other spins, so that rivals of the best are known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from calibration.camera import Camera
from placement.paths import FollowedPath
from placement.pooling import Pool
from placement.trajectory import Expectations, fit_path

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
    for followed in paths:
        path = fit_path(
            camera,
            followed.sightings,
            followed.path.theta,
            followed.path.n_bounces,
            pool.expectations(without=followed.path),
            readout_s=readout_s,
            thorough=True,
        )
        kept = path is not None and path.misfit < max(1.0, _WORSE * followed.path.misfit)
        out.append(replace(followed, path=path) if path is not None and kept else followed)
    return out
