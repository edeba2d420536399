"""What the accepted paths of a film rest on, so that no sighting is explained twice."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from calibration import table
from calibration.camera import Camera
from placement.bounces import Meeting, before_it_the_net
from placement.paths import FollowedPath
from placement.sightings import Member
from placement.tracks import Run

_MOST = 0.6  # share of explained sightings above which a run is not looked at again
# m along the table and up and down from the net's top where a ball may have touched it; frames
_NET_X, _NET_Z, _NET_FRAMES = 0.15, 0.08, 2.5


class Claims:
    """The sightings, frames and touches of the net of accepted paths.

    Parameters
    ----------
    camera : Camera
    fps : float
    """

    def __init__(self, camera: Camera, fps: float) -> None:
        self._camera = camera
        self._fps = fps
        self._members: set[Member] = set()
        self._busy: set[int] = set()  # frames in which an accepted path has the ball
        self._net_ends: list[float] = []  # s, when paths were last seen at the net's top

    def add(self, followed: FollowedPath) -> None:
        """Accept a path."""
        self._members.update(followed.members)
        self._busy.update(range(int(followed.frames[0]), int(followed.frames[-1]) + 1))
        x, _, z = followed.path.positions(np.array([followed.last_seen]))[0]
        if abs(x) < _NET_X and abs(z - table.NET_HEIGHT - table.BALL_RADIUS) < _NET_Z:
            self._net_ends.append(followed.last_seen)

    def forget(self, frame: int) -> None:
        """Let go of what happened up to a frame."""
        self._members = {m for m in self._members if m[0] > frame}
        self._busy = {f for f in self._busy if f > frame}

    def explain(self, runs: Iterable[Run]) -> bool:
        """Whether accepted paths rest on most of the runs' sightings already."""
        return mostly(members_in(runs), self._members)

    def place_elsewhere(self, run: Run) -> bool:
        """Whether the ball was followed in another place for most of a run's time."""
        return float(np.mean([int(f) in self._busy for f in run.frames])) >= _MOST

    def touched_net(self, chain: Sequence[Meeting]) -> bool:
        """Whether what looks like a bounce is where a path that is known ends, at the net's top."""
        return (
            len(chain) == 1
            and before_it_the_net(self._camera, chain[0].place)
            and any(abs(t - chain[0].time) < _NET_FRAMES / self._fps for t in self._net_ends)
        )


def members_in(runs: Iterable[Run]) -> list[Member]:
    """All sightings of some runs."""
    return [member for run in runs for member in run.candidates]


def runs_of(chain: Sequence[Meeting]) -> list[Run]:
    """The runs that a chain of meetings joins, in order."""
    return [chain[0].before, *(m.after for m in chain)]


def mostly(members: Sequence[Member], known: set[Member]) -> bool:
    """Whether most sightings are among those known."""
    return sum(m in known for m in members) / len(members) >= _MOST
