"""The least-squares problem of one path, and how it is solved.

Huber's loss for the pictures, squares for the expectations. The unknowns are those with velocities
after bounces, see `placement.derivatives.Traced`: pictures depend on them almost linearly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calibration.camera import Camera
from placement.compiled import compiled
from placement.derivatives import Traced
from placement.projection import project_with_slopes

if TYPE_CHECKING:
    from placement.trajectory import Expectations, Sightings

_SCALES = np.array([0.01, 0.05, 0.05, 0.3, 0.3, 0.3, 60.0, 60.0, 60.0, 0.05, 0.05, 0.4])
_SCALES_EACH = np.array([0.3, 0.3, 0.3])  # velocity after a bounce
_REACH = 4.0  # natural sizes of the unknowns: the first step's length
_ROBUST = 2.5  # standard deviations beyond which a sighting loses weight
_SETTLED = 1e-3  # share by which the squares may still fall when a fit ends
_FEWEST_STEPS = 3  # before it gives up
_LATE, _FAR = 9, 1000.0  # steps after which a cost so far above the limit is given up
_SETTLED_SQUARES = 0.01  # and fall that is not worth a step: a tenth of a standard deviation


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """A path against sightings and expectations, in standard deviations, and the derivatives.

    By the unknowns in the form with velocities after bounces, see `Traced`.
    """

    traced: Traced
    residuals: np.ndarray  # px, seen minus fitted
    rows: np.ndarray  # (2 N,)
    jacobian: np.ndarray  # (2 N, P)
    prior_rows: np.ndarray  # (P,)
    prior_jacobian: np.ndarray  # (P, P)

    def cost(self, width: float = _ROBUST, doubt: float = 1.0) -> float:
        """Huber's loss of the pictures over `doubt`, and squares of the expectations."""
        return _huber_cost(self.rows, width) / doubt + float(self.prior_rows @ self.prior_rows)


class Problem:
    """The least-squares problem of one path."""

    def __init__(
        self,
        camera: Camera,
        sightings: Sightings,
        n_bounces: int,
        expectations: Expectations,
        readout_s: float,
    ) -> None:
        self.camera = camera
        self.n_bounces = n_bounces
        self.points = sightings.points
        self.whiten = sightings.whiteners()
        self.prior_mean, sd = _prior(expectations, n_bounces)
        self.prior_share = 1 / sd
        self.times = sightings.times + readout_s * camera.row_shares(sightings.points)

    def common(self, offset_px: float, drift_px: float) -> np.ndarray | None:
        """What errors that pictures share do to the rows, a column for each and its sd, (2 N, M).

        An offset of all pictures, and a wave once along the path; None if there are none.
        """
        if not (offset_px > 0 or drift_px > 0):
            return None
        first, last = float(self.times.min()), float(self.times.max())
        phase = 2 * np.pi * (self.times - first) / max(last - first, 1e-6)
        shapes = [np.full(len(phase), offset_px)]
        shapes += [np.sqrt(2) * drift_px * np.cos(phase), np.sqrt(2) * drift_px * np.sin(phase)]
        columns = [(self.whiten[:, :, i] * x[:, None]).ravel() for x in shapes for i in (0, 1)]
        return np.column_stack(columns)

    def later(self, at: Evaluation) -> np.ndarray:
        """What a second of readout does to the residuals, (2 N,): later rows, later pictures."""
        position, velocity, _ = at.traced.at(self.times)
        _, slopes = project_with_slopes(self.camera, position)
        lag = self.camera.row_shares(self.points)
        moved = (slopes @ velocity[:, :, None]) * lag[:, None, None]
        return np.asarray((self.whiten @ moved).ravel())

    def evaluate(self, left: np.ndarray) -> Evaluation:
        """Trace a path and compare it with the sightings."""
        with np.errstate(all="ignore"):  # a wild trial step may overflow; it is then not taken
            traced = Traced(left, self.n_bounces, leaving=True)
            position, velocity, parts = traced.at(self.times)
            seen, slopes = project_with_slopes(self.camera, position, self.whiten)
            jacobian = traced.picture_slopes(slopes, velocity, parts)
            gap = seen - self.points
            w = self.whiten
            rows = np.empty_like(gap)
            np.multiply(w[:, 0, 0], gap[:, 0], out=rows[:, 0])
            np.multiply(w[:, 1, 1], gap[:, 1], out=rows[:, 1])
            rows[:, 1] += w[:, 1, 0] * gap[:, 0]
        if not np.isfinite(rows).all():
            lost = ~np.isfinite(rows).all(axis=1)
            rows[lost] = 1e3
            jacobian[lost] = 0.0
        return Evaluation(
            traced,
            -gap,
            rows.ravel(),
            jacobian.reshape(rows.size, -1),
            (traced.theta - self.prior_mean) * self.prior_share,
            traced.theta_slopes() * self.prior_share[:, None],
        )


def huber_weights(rows: np.ndarray, width: float = _ROBUST) -> np.ndarray:
    """Weights that make squares of `rows` Huber's loss to first order."""
    return np.minimum(1.0, width / np.maximum(np.abs(rows), 1e-9))


@compiled
def _huber_cost(rows: np.ndarray, width: float) -> float:
    total = 0.0
    for row in rows:
        size = abs(row)
        inner = min(size, width)
        total += inner * (2 * size - inner)
    return total


def _width(rows: np.ndarray, most: float) -> float:
    size = np.abs(rows)
    middle = len(size) // 2
    size.partition([middle - 1, middle])  # the rows are even in number
    return float(max(_ROBUST, min(most, size[middle - 1] + size[middle])))


def solve_own(
    problem: Problem,
    left: np.ndarray,
    most_steps: int,
    most_cost: float = np.inf,
    known: Sequence[np.ndarray] = (),
) -> np.ndarray | None:
    """Levenberg and Marquardt's method; Huber's weights are renewed with every step.

    A step is as long as the path can be bent before it is no more nearly linear: so many natural
    sizes of the unknowns, more or fewer as the last step did what it promised (Conn, Gould, Toint,
    Trust-Region Methods, 2000, chapter 6). From a rough start Huber's limit is wide at first, so
    that sightings far off still pull, and the pictures together count less, so that what they
    hardly tell, such as the spin, is not thrown far off by what the start has wrong.

    It gives up, with None, where the cost will clearly stay above `most_cost`, and where it comes
    into the valley of a `known` solution: within a standard deviation of that in all unknowns.
    """
    scales = _scales(problem.n_bounces)
    at = problem.evaluate(left)
    width, doubt = _rough(at, np.inf, np.inf)
    cost = at.cost(width, doubt)
    reach = _REACH
    fresh = True
    for count in range(most_steps):
        if fresh:
            weighted = at.jacobian.T * (huber_weights(at.rows, width) / doubt)
            normal = weighted @ at.jacobian + at.prior_jacobian.T @ at.prior_jacobian
            slope = weighted @ at.rows + at.prior_rows @ at.prior_jacobian
            try:
                curve, turn = np.linalg.eigh(normal * scales * scales[:, None])
            except np.linalg.LinAlgError:
                return None
            curve = np.maximum(curve, 1e-12)
            pull = turn.T @ (slope * scales)
            whole = float((pull * pull / curve).sum())  # fall of the squares at the best
            fresh = False
            if doubt == 1.0 and any(float((x - left) @ normal @ (x - left)) < 1.0 for x in known):
                return None
            if count >= _LATE and at.cost() > most_cost + _FAR:
                return None
            if count >= _FEWEST_STEPS and doubt == 1.0 and cost - 2 * whole > most_cost:
                return None
        step, size = _within(pull, curve, reach)
        if whole < _SETTLED_SQUARES + _SETTLED * cost:
            if width == _ROBUST and doubt == 1.0:
                return left - (turn @ step) * scales  # of which nothing changes that matters
            width, doubt = _ROBUST, (doubt / 10 if doubt > 15 else 1.0)
            cost = at.cost(width, doubt)
            fresh = True
            continue
        expected = float((step * (2 * pull - curve * step)).sum())
        after = problem.evaluate(left - (turn @ step) * scales)
        cost_after = after.cost(width, doubt)
        ratio = (cost - cost_after) / expected
        if ratio > 0.75:
            reach = max(reach, 2 * size)
        elif not ratio > 0.25:
            reach = 0.5 * size
        if cost_after < cost:
            left, at = after.traced.left, after
            width, doubt = _rough(at, width, doubt)
            cost = at.cost(width, doubt)
            fresh = True
        elif reach < 1e-4:
            break
    return left


def _rough(at: Evaluation, most_width: float, most_doubt: float) -> tuple[float, float]:
    """Huber's limit, and by what the pictures' squares are divided, for a path still far off."""
    width = _width(at.rows, most_width)
    misfit = _huber_cost(at.rows, width) / max(4.0, len(at.rows) - 9.0)
    return width, max(1.0, min(most_doubt, float(np.sqrt(misfit))))


def _within(pull: np.ndarray, curve: np.ndarray, reach: float) -> tuple[np.ndarray, float]:
    """The best step of length about `reach` at most, along the axes of the curvature."""
    step = pull / curve
    size = float(np.sqrt(step @ step))
    damping = 0.0
    for _ in range(12):
        if size <= 1.1 * reach:
            break
        damping += size * size * (size / reach - 1) / float((step * step / (curve + damping)).sum())
        step = pull / (curve + damping)
        size = float(np.sqrt(step @ step))
    return step, size


def solve_scipy(
    problem: Problem,
    left: np.ndarray,
    most_steps: int,
    most_cost: float = np.inf,
    known: Sequence[np.ndarray] = (),
) -> np.ndarray | None:
    """SciPy's Levenberg-Marquardt method, with Huber's weights renewed between short runs.

    It never gives up early.
    """
    del most_cost, known
    from scipy.optimize import least_squares  # slow to load, and only needed here

    last: dict[bytes, Evaluation] = {}

    def evaluation(x: np.ndarray) -> Evaluation:
        # value and derivatives come from one pass
        key = x.tobytes()
        if key not in last:
            last.clear()
            last[key] = problem.evaluate(x)
        return last[key]

    scales = _scales(problem.n_bounces)
    cost = np.inf
    for _ in range(most_steps):
        root = np.sqrt(huber_weights(evaluation(left).rows))

        def residuals(x: np.ndarray, root: np.ndarray = root) -> np.ndarray:
            at = evaluation(x)
            return np.concatenate([root * at.rows, at.prior_rows])

        def jacobian(x: np.ndarray, root: np.ndarray = root) -> np.ndarray:
            at = evaluation(x)
            return np.concatenate([root[:, None] * at.jacobian, at.prior_jacobian])

        try:
            fit = least_squares(
                residuals, left, jac=jacobian, method="lm", x_scale=scales,
                max_nfev=most_steps, ftol=1e-6, xtol=1e-8, gtol=1e-10,
            )  # fmt: skip
        except (ValueError, np.linalg.LinAlgError):
            return None
        left = fit.x
        if abs(cost - fit.cost) < 1e-6 * (1 + fit.cost):
            break
        cost = fit.cost
    return left


SOLVERS = {"own": solve_own, "scipy": solve_scipy}


def _prior(expectations: Expectations, n_bounces: int) -> tuple[np.ndarray, np.ndarray]:
    e = expectations
    wide = (0.0, 50.0)
    rows = [wide] * 3 + [e.speed] * 3 + [e.spin] * 3 + [e.friction, e.drag, e.lift]
    rows += [e.restitution, e.rub, e.rub] * n_bounces
    mean, sd = np.array(rows).T
    return mean, sd


def _scales(n_bounces: int) -> np.ndarray:
    return np.concatenate([_SCALES, np.tile(_SCALES_EACH, n_bounces)])
