"""What the fitted paths of a film tell together of the ball, the table and the air.

One serve says little of friction, drag or lift; all serves of a film share them, as they share the
restitution but for small differences from place to place. What each path adds to its expectations
is added up over the paths (the information form of the normal distribution: Gelman et al., Bayesian
Data Analysis, 3rd ed., 2013, sections 3.5 and 5.4), and gives narrower expectations for further
fits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from placement.trajectory import Expectations, Path

# how far bounces and paths of one film differ among themselves: friction, drag, lift, restitution.
# The impact's speed alone moves the restitution by about 0.01 for each m/s (from memory); spins
# and speeds differ, and drag and lift coefficients with them
_AMONG = np.array([0.015, 0.01, 0.10, 0.015])
_WORST = 1.5  # misfit of a path that teaches nothing


@dataclass(frozen=True, slots=True, eq=False)
class _Share:
    """What one path tells of the four shared values, beyond what was expected."""

    path: Path
    information: np.ndarray  # (4, 4)
    vector: np.ndarray  # (4,), information times values


class Pool:
    """Adds up what paths tell of the values that they share.

    Parameters
    ----------
    expectations : Expectations
        Before any path was seen.
    """

    def __init__(self, expectations: Expectations) -> None:
        self._before = expectations
        self._shares: list[_Share] = []

    def __len__(self) -> int:
        """How many paths are in it."""
        return len(self._shares)

    def add(self, path: Path, fitted_with: Expectations | None = None) -> bool:
        """Add a path.

        A path that fits badly, or that spins in two ways explain, is left out.

        Parameters
        ----------
        path : Path
        fitted_with : Expectations, optional
            Those that the path was fitted with, if not the pool's own; they are taken off, so that
            nothing counts twice.

        Returns
        -------
        bool
            Whether it was taken.
        """
        if path.misfit > _WORST or path.others:
            return False
        prior = fitted_with or self._before
        n = path.n_bounces
        rows = [9, 10, 11, *range(12, 12 + 3 * n, 3)]
        pairs = [prior.friction, prior.drag, prior.lift, *[prior.restitution] * n]
        mean, sd = np.array(pairs).T
        after = np.linalg.inv(path.covariance[np.ix_(rows, rows)])
        own = after - np.diag(1 / sd**2)
        vector = after @ path.theta[rows] - mean / sd**2
        # rounding, or sightings that scatter too much, must not make knowledge negative
        size, axes = np.linalg.eigh((own + own.T) / 2)
        own = (axes * np.maximum(size, 0.0)) @ axes.T
        # each bounce differs from the film's mean, and so does each path
        among = np.diag(_AMONG[[0, 1, 2, *[3] * n]] ** 2)
        softer = np.linalg.inv(np.eye(len(rows)) + own @ among)
        shared = np.zeros((len(rows), 4))
        shared[(0, 1, 2), (0, 1, 2)] = 1.0
        shared[3:, 3] = 1.0
        self._shares.append(
            _Share(path, shared.T @ softer @ own @ shared, shared.T @ softer @ vector)
        )
        return True

    def expectations(self, *, without: Path | None = None) -> Expectations:
        """Expectations for a further path of the same film.

        Parameters
        ----------
        without : Path, optional
            A path of the pool that is to be fitted again: what it told itself does not count.

        Returns
        -------
        Expectations
            With restitution, friction, drag and lift from the film; the spreads contain how far
            paths differ among themselves, and are wider where they differ by more than they should.
        """
        e = self._before
        shares = [s for s in self._shares if s.path is not without]
        if not shares:
            return e
        mean, sd = np.array([e.friction, e.drag, e.lift, e.restitution]).T
        known = np.diag(1 / sd**2)
        told = np.sum([s.information for s in shares], axis=0)
        vector = np.sum([s.vector for s in shares], axis=0)
        values = np.linalg.solve(known + told, mean / sd**2 + vector)
        excess = _excess(shares, values)
        covariance = np.linalg.inv(known + told / excess)
        values = covariance @ (mean / sd**2 + vector / excess)
        spread = np.minimum(np.sqrt(np.diag(covariance) + _AMONG**2), np.maximum(sd, _AMONG))
        pair = [(float(v), float(s)) for v, s in zip(values, spread, strict=True)]
        return replace(e, friction=pair[0], drag=pair[1], lift=pair[2], restitution=pair[3])


def _excess(shares: list[_Share], values: np.ndarray) -> float:
    """By how much more than stated the paths scatter about common values, as variance; 1 or more.

    Birge's ratio (Phys. Rev. 40:207, 1932; from memory).
    """
    squares, freedom = 0.0, -4.0
    for share in shares:
        size, axes = np.linalg.eigh(share.information)
        sure = size > 1e-6 * size[-1]
        off = axes.T @ (share.vector - share.information @ values)
        squares += float((off[sure] ** 2 / size[sure]).sum())
        freedom += float(sure.sum())
    return max(1.0, squares / max(1.0, freedom))
