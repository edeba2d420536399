"""How long the sensor takes to read its rows, told by the ball's flight.

A rolling shutter reads one row after another: a ball seen low in the picture was seen later than
one high in it, by the readout times the share of the height between them. In a film that was turned
upright the rows follow one another upwards, or from side to side (`Camera.row_shares`): a readout
counts positive downwards and to the right. One readout holds for all paths of a film. Each fitted
path tells how its residuals change with the readout once its own unknowns have given way; together
these linear equations have one solution and its spread.

Source: linear least squares with unknowns common to groups: Triggs et al., Bundle Adjustment
(2000), section 6.1 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.camera import Camera
from placement.derivatives import Traced
from placement.path_solver import Problem, huber_weights
from placement.paths import FollowedPath
from placement.trajectory import Expectations

_SURE = 3.0  # standard deviations from none, from which a readout is used
_FEWEST = 3  # paths
# s, of the sensors that read slowly enough to matter; common practice, no source
_USUAL, _USUAL_SD = 0.012, 0.006
_REVERSED = 0.1  # of such films, those whose pixels a program turned without a word in the file
#: What is not known of it where a film does not tell: standard deviation from none, s.
UNTOLD_SD = 0.006


@dataclass(frozen=True, slots=True)
class Readout:
    """The time in which a sensor's rows are read, first to last.

    Attributes
    ----------
    seconds, sd_s : float
        Negative where the rows are read upwards, or to the left.
    n_paths : int
        Paths that told it.
    """

    seconds: float
    sd_s: float
    n_paths: int

    def held_to(self, fps: float) -> float:
        """The readout to be used, s: 0 unless clearly more than none; at most a frame at `fps`.

        Sensors that take all of a frame for it are common: what is told may be a little more.
        """
        longest, told = 1 / fps, abs(self.seconds)
        if told < _SURE * self.sd_s or told - _SURE * self.sd_s > longest:
            return 0.0
        return float(np.copysign(min(told, longest), self.seconds))

    def likely(self, fps: float, direction: float = 1.0) -> tuple[float, float]:
        """The readout as it is to be expected, and its standard deviation, s.

        Between what the film tells and what sensors have: every other film none that matters, the
        others some milliseconds; at most a frame at `fps`. `direction` is
        `video.ClipInfo.read_direction` of the film.
        """
        told, usual = self.sd_s**2, _USUAL_SD**2
        forward = {1.0: 1 - _REVERSED, -1.0: _REVERSED}.get(direction, 0.5)
        means = np.array([0.0, _USUAL, -_USUAL])
        variances = told + np.array([0.0, usual, usual])
        weights = np.array([1.0, forward, 1 - forward])
        weights *= np.exp(-0.5 * (self.seconds - means) ** 2 / variances) / np.sqrt(variances)
        total = weights.sum()
        if total > 0:
            weights /= total
        else:  # further from none than numbers reach
            weights = np.array([0.0, self.seconds > 0, self.seconds < 0], dtype=float)
        middles = (self.seconds * usual + means * told) / (usual + told)
        middles[0] = 0.0
        spreads = np.array([0.0, 1.0, 1.0]) * usual * told / (usual + told)
        middle = float(weights @ middles)
        variance = float(weights @ (spreads + middles**2)) - middle**2
        return float(np.clip(middle, -1 / fps, 1 / fps)), float(np.sqrt(variance))


def find_readout(
    stands: Sequence[tuple[Camera, Sequence[FollowedPath], Expectations]],
    *,
    readout_s: float = 0.0,
) -> Readout | None:
    """The readout that suits all paths of a film best.

    Parameters
    ----------
    stands : sequence of (Camera, sequence of FollowedPath, Expectations)
        For each place of the camera, the paths seen from there and what they were fitted with.
    readout_s : float
        With which they were fitted.

    Returns
    -------
    Readout or None
        None where too few paths tell it. Its spread is wider where paths contradict each other.
    """
    shares = [
        _share(camera, path, expectations, readout_s)
        for camera, paths, expectations in stands
        for path in paths
    ]
    told = np.array([s for s in shares if s is not None and s[0] > 0])
    if len(told) < _FEWEST:
        return None
    information, score = told.T
    change = float(score.sum() / information.sum())
    squares = float(((score - information * change) ** 2 / information).sum())
    excess = max(1.0, squares / (len(told) - 1))  # Birge, Phys. Rev. 40:207 (1932), from memory
    return Readout(readout_s + change, float(np.sqrt(excess / information.sum())), len(told))


def _share(
    camera: Camera, followed: FollowedPath, expectations: Expectations, readout_s: float
) -> tuple[float, float] | None:
    """What a path tells of a change of the readout: information, and that times the change."""
    path = followed.path
    problem = Problem(camera, followed.sightings, path.n_bounces, expectations, readout_s)
    at = problem.evaluate(Traced(path.theta, path.n_bounces).left)
    if not np.isfinite(at.rows).all():
        return None
    column = problem.later(at)
    weight = huber_weights(at.rows)
    weight /= max(1.0, path.misfit**2)
    weighted = at.jacobian.T * weight
    normal = weighted @ at.jacobian + at.prior_jacobian.T @ at.prior_jacobian
    slope = weighted @ at.rows + at.prior_jacobian.T @ at.prior_rows
    cross = weighted @ column
    try:
        freed = np.linalg.solve(normal, np.column_stack([cross, slope]))
    except np.linalg.LinAlgError:
        return None
    information = float(column @ (weight * column) - cross @ freed[:, 0])
    score = -float(column @ (weight * at.rows) - cross @ freed[:, 1])
    return information, score
