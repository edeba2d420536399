"""How a film's ball looks, by the first paths that were followed in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.camera import Camera
from placement import ball_image
from placement.ball_look import learn_look
from placement.ball_model import BETWEEN, Look
from placement.belief import GOOD_PATH, ROUGHEST, plentiful, typical_misfit
from placement.paths import FollowedPath
from placement.sightings import picture_speeds, radii_px
from placement.siting import colour_siting

_LEAST = 14  # measured pictures from which on a look can be learnt
_RED = 8.0  # levels of Cr by which a ball is redder than what lies behind it, to be an orange one
_SURER = 1.5  # times the misfit of the film's better paths, for one to teach the ball's look


def first_look(camera: Camera, paths: Sequence[FollowedPath], look: Look) -> Look:
    """What the pictures of some paths teach; `look` as it is where they are too few.

    Parameters
    ----------
    camera : Camera
    paths : sequence of FollowedPath
        Followed with `look`.
    look : Look
    """
    pictures, radii, speeds, centres = [], [], [], []
    for followed in _best_of(paths):
        times = followed.sightings.times
        use = followed.measured
        pictures += [p for p, m in zip(followed.pictures, use, strict=True) if m]
        radii.append(radii_px(camera, followed.path.positions(times))[use])
        speeds.append(picture_speeds(camera, followed.path, times)[use])
        centres.append(followed.sightings.points[use])
    if len(pictures) < _LEAST:
        return look
    sizes, pace, middle = (np.concatenate(parts) for parts in (radii, speeds, centres))

    zenith = _zenith(camera, middle)

    def learnt(begin: Look) -> Look:
        patches, origins = ball_image.gather(pictures, sizes, pace, begin)
        return learn_look(patches, origins, middle, sizes, pace, begin, zenith)

    if float(np.median(ball_image.redness(pictures, middle))) < _RED:
        return learnt(look)
    rough = learnt(replace(look, tinted=True, siting=BETWEEN))
    return learnt(
        replace(look, tinted=True, siting=colour_siting(pictures, middle, sizes, pace, rough))
    )


def _zenith(camera: Camera, points: np.ndarray) -> np.ndarray:
    """The way up about where some pictures lie: to the image's right, up, towards the camera."""
    front = -np.array([*np.median(camera.normalised(points), axis=0), 1.0])
    front /= np.linalg.norm(front)
    up = np.array([0.0, -1.0, 0.0])
    up -= (up @ front) * front
    up /= np.linalg.norm(up)
    return np.stack([np.cross(up, front), up, front]) @ camera.rotation[:, 2]


def _best_of(paths: Sequence[FollowedPath]) -> list[FollowedPath]:
    """Those that a ball flew most surely: arms must not teach how a ball looks."""
    some = [f for f in paths if f.path.misfit < ROUGHEST * GOOD_PATH]
    sure = [f for f in some if plentiful(f)]
    if not sure:
        return some
    limit = _SURER * typical_misfit(sure)
    return [f for f in sure if f.path.misfit < limit]
