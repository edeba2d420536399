"""A stretch of film with one calibration, and what was followed in it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from calibration import Calibration
from placement.analysis import Crop

if TYPE_CHECKING:
    from placement.paths import FollowedPath
    from placement.tracing import Traced

#: s about a bounce from which pictures are kept.
CROP_SPAN = 0.12
# pictures kept about each: two more than are shown, as a last fit may move a bounce by a frame
_NEAREST = 6


@dataclass(slots=True, eq=False)
class Stretch:
    """Film between two motions of the stand.

    Attributes
    ----------
    start_s, end_s : float
    calibration : Calibration
    paths : list of FollowedPath
    crops : dict
        The ball's pictures about bounces, by frame.
    readout_s : float
        With which the last paths were fitted, see `placement.readout`.
    """

    start_s: float
    calibration: Calibration
    end_s: float = np.inf
    paths: list[FollowedPath] = field(default_factory=list)
    crops: dict[int, Crop] = field(default_factory=dict)
    readout_s: float = 0.0

    def take(self, traced: Traced) -> None:
        """Keep paths, and of their pictures those about bounces."""
        for path in traced.paths:
            self.crops.update(_crops_of(path))
            bare = tuple((c.emptied(), m) for c, m in path.pictures)
            self.paths.append(replace(path, pictures=bare))


def _crops_of(followed: FollowedPath) -> dict[int, Crop]:
    """The ball's pictures about the bounces and the ends of a path, by frame."""
    marks = np.array([*followed.path.bounce_times, followed.first_seen, followed.last_seen])
    gaps = np.abs(np.array([c.time_s for c, _ in followed.pictures])[:, None] - marks)
    near = np.argsort(gaps, axis=0, kind="stable")[:_NEAREST]
    chosen = near[np.take_along_axis(gaps, near, axis=0) < CROP_SPAN]
    return {
        c.frame: Crop(
            time_s=c.time_s,
            frame=c.frame,
            luma=c.patches[m][2].copy(),
            origin=(int(c.origins[m, 0]), int(c.origins[m, 1])),
        )
        for c, m in (followed.pictures[k] for k in np.unique(chosen).tolist())
    }
