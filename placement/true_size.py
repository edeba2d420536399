"""Whether the pictures of a path show a ball as large as its distance asks for.

What is seen from one place has no distance of its own: a ball that bounces on the floor beyond the
table, or a fist above its end, may move like one that bounces on the table's edge. Its pictures are
smaller then, or larger, than a ball's would be there.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from placement import ball_image
from placement.paths import FollowedPath
from placement.sightings import Window, picture_speeds, radii_px

_OTHERS = (0.7, 1.4)  # times the size that is due
# and between and beyond these, which one it is: several per cent show
_FINER = {0.7: (0.5, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85), 1.4: (1.2, 1.3, 1.4, 1.5, 1.65, 1.8, 2.0)}
_LOOKS = 15  # pictures of a path that are looked at
_FEWEST = 5  # of them that tell
# share of them that may look more like a ball of another size: of 150 flights in rendered films
# 0.32 at most do of a ball that is where its path is, and from 0.7 on do of others
_MOST = 0.6
# a path that is surely a ball's: pictures, share of its sightings that were measured, their median
# misfit, share of pictures that look more like another size
_SURE_FROM, _SURE_MEASURED, _SURE_MISFIT, _SURE_MOST = 10, 0.75, 0.35, 0.2


def other_size(window: Window, followed: FollowedPath) -> float | None:
    """How many times the size that is due most pictures look more like; None where like that.

    Parameters
    ----------
    window : Window
    followed : FollowedPath
        With its pictures.
    """
    if followed.measured.sum() < _FEWEST:
        return None
    due, others = _misfits(window, followed, _OTHERS)
    shares = [float((other < due).mean()) for other in others]
    if max(shares) <= _MOST:
        return None
    finer = _FINER[_OTHERS[int(np.argmax(shares))]]
    _, misfits = _misfits(window, followed, finer)
    return finer[int(np.argmin([np.median(m) for m in misfits]))]


def surely_of_due_size(window: Window, followed: FollowedPath) -> bool:
    """Whether nearly all pictures look like a ball of just the size that is due.

    Parameters
    ----------
    window, followed
        See `other_size`.
    """
    if followed.measured.sum() < _SURE_FROM or followed.measured.mean() < _SURE_MEASURED:
        return False
    due, others = _misfits(window, followed, _OTHERS)
    return bool(
        np.median(due) < _SURE_MISFIT and max((o < due).mean() for o in others) <= _SURE_MOST
    )


def _misfits(
    window: Window, followed: FollowedPath, factors: Sequence[float]
) -> tuple[np.ndarray, list[np.ndarray]]:
    """Misfits of some pictures as a ball of the size that is due, and of sizes that much other."""
    balls = np.flatnonzero(followed.measured)
    some = balls[np.unique(np.linspace(0, len(balls) - 1, _LOOKS).round().astype(int))]
    pictures = [followed.pictures[k] for k in some]
    times = followed.sightings.times
    radii = radii_px(window.camera, followed.path.positions(times))[some]
    speeds = picture_speeds(window.camera, followed.path, times)[some]
    guesses = followed.sightings.points[some]
    found = []
    for factor in (1.0, *factors):
        patches, origins = ball_image.gather(pictures, factor * radii, speeds, window.look)
        found.append(
            ball_image.measure(
                patches, origins, guesses, factor * radii, speeds, window.look
            ).misfits
        )
    return found[0], found[1:]
