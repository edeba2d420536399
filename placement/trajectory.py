"""One ball's path through space over several bounces, fitted to all its pictures at once.

The unknowns are the first bounce (time, place, velocity and spin just before it), for every bounce
its restitution and what friction leaves unexplained, and the friction, drag and lift that all of
the path shares; each has an expectation with a spread from the literature, see `Expectations`.
Everything else, later bounces among it, follows by flight. The covariance comes from the Jacobian
at the solution.

Times are s from the clip's first frame; a sighting low in the picture may be later than its frame's
stamp by its row's share of the sensor's read-out. Places are table coordinates, m.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.optimize import least_squares

from calibration import table
from calibration.camera import Camera
from placement import flight
from placement.derivatives import Traced, project_with_slopes

_SHARED = 12  # t, x, y, velocity (3), spin (3), friction, drag, lift
_EACH = 3  # restitution, unexplained change of speed along x and y
_STEPS = np.array([2e-4, 1e-3, 1e-3, 5e-3, 5e-3, 5e-3, 1.0, 1.0, 1.0, 5e-3, 5e-3, 2e-2])
_STEPS_EACH = np.array([2e-3, 5e-3, 5e-3])
_SCALES = np.array([0.01, 0.05, 0.05, 0.3, 0.3, 0.3, 60.0, 60.0, 60.0, 0.05, 0.05, 0.4])
_SCALES_EACH = np.array([0.04, 0.1, 0.1])
_LONGEST_ARC = 1.2  # s
_ROBUST = 2.5  # standard deviations beyond which a sighting loses weight
_SETTLED = 1e-3  # share by which the squares may still fall when a fit ends
_SETTLED_SQUARES = 0.01  # and fall that is not worth a step: a tenth of a standard deviation
_MODEL_SD = 0.10  # px: what the flight model itself may be off by


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectations:
    """What is known of ball and table before a path is seen: (mean, standard deviation).

    Restitution 0.89 to 0.93 and sliding friction 0.2 to 0.3 are from memory of the bounce
    literature; drag 0.40 to 0.50 for a smooth sphere (Achenbach 1972, from memory); the lift's
    factor is wide because serves lie below the measured range. Spins up to about 60 turns a second
    are known of serves.
    """

    restitution: tuple[float, float] = (flight.RESTITUTION, 0.04)
    friction: tuple[float, float] = (flight.FRICTION, 0.05)
    drag: tuple[float, float] = (flight.DRAG_COEFFICIENT, 0.03)
    lift: tuple[float, float] = (1.0, 0.4)
    rub: tuple[float, float] = (0.0, 0.12)  # m/s, unexplained change of horizontal speed
    spin: tuple[float, float] = (0.0, 130.0)  # rad/s, each component
    speed: tuple[float, float] = (0.0, 7.0)  # m/s, each component


@dataclass(frozen=True, slots=True, eq=False)
class Sightings:
    """Pictures of the ball.

    Attributes
    ----------
    times : ndarray, shape (N,)
        s, increasing.
    points : ndarray, shape (N, 2)
        (u, v), px.
    covariances : ndarray, shape (N, 2, 2)
        px^2.
    """

    times: np.ndarray
    points: np.ndarray
    covariances: np.ndarray

    def whiteners(self) -> np.ndarray:
        """Matrices that turn pixel residuals into standard deviations, shape (N, 2, 2)."""
        return np.linalg.inv(np.linalg.cholesky(self.covariances + _MODEL_SD**2 * np.eye(2)))


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """A fitted path.

    Attributes
    ----------
    theta : ndarray, shape (12 + 3 K,)
        The unknowns, in the order of the module's head.
    covariance : ndarray, shape (12 + 3 K, 12 + 3 K)
        Of `theta`, from the pictures and the expectations.
    n_bounces : int
        K.
    bounce_times : ndarray, shape (K,)
        s.
    bounce_places : ndarray, shape (K, 2)
        (x, y), m.
    bounce_covariances : ndarray, shape (K, 2, 2)
        m^2, of the places, without the calibration's share.
    chi2 : float
        Robust sum of squared picture residuals, in standard deviations.
    residuals : ndarray, shape (N, 2)
        px, seen minus fitted.
    n_sightings : int
    """

    theta: np.ndarray
    covariance: np.ndarray
    n_bounces: int
    bounce_times: np.ndarray
    bounce_places: np.ndarray
    bounce_covariances: np.ndarray
    chi2: float
    residuals: np.ndarray
    n_sightings: int

    @property
    def misfit(self) -> float:
        """Root mean square picture residual in standard deviations."""
        return float(np.sqrt(self.chi2 / max(2.0, 2.0 * self.n_sightings - 6.0)))

    def model(self, batch: np.ndarray | None = None) -> Model:
        """The path as a function of time, for `theta` or for a batch (B, P) around it."""
        return Model(self.theta[None] if batch is None else batch, self.n_bounces)

    def positions(self, times: np.ndarray) -> np.ndarray:
        """Where the ball's centre is at `times` (N,), m, shape (N, 3)."""
        return Traced(self.theta, self.n_bounces, slopes=False).at(np.asarray(times))[0]

    def velocities(self, times: np.ndarray) -> np.ndarray:
        """Velocities at `times` (N,), m/s, shape (N, 3)."""
        return Traced(self.theta, self.n_bounces, slopes=False).at(np.asarray(times))[1]

    def pictures(self, camera: Camera, times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Where the ball is seen at `times` (N,), px, and how surely.

        Returns
        -------
        points : ndarray, shape (N, 2)
            NaN behind the camera.
        covariances : ndarray, shape (N, 2, 2)
            px^2, of the path alone, by first order.
        """
        traced = Traced(self.theta, self.n_bounces)
        position, velocity, parts = traced.at(np.asarray(times))
        points, slopes = project_with_slopes(camera, position)
        jacobian = traced.picture_slopes(slopes, velocity, parts)
        return points, jacobian @ self.covariance @ jacobian.transpose(0, 2, 1)

    def propagate(self, function: Any) -> tuple[np.ndarray, np.ndarray]:
        """A function of a `Model` and its covariance by first order.

        Parameters
        ----------
        function : callable
            Takes a `Model` of B paths and returns an array (B, Q).

        Returns
        -------
        value : ndarray, shape (Q,)
        covariance : ndarray, shape (Q, Q)
        """
        steps = _steps(self.n_bounces)
        batch = np.concatenate([self.theta[None], self.theta + np.diag(steps)])
        values = function(self.model(batch))
        jacobian = ((values[1:] - values[0]) / steps[:, None]).T
        return values[0], jacobian @ self.covariance @ jacobian.T


@dataclass(slots=True, eq=False)
class Model:
    """A batch of paths, traced when first needed.

    Attributes
    ----------
    batch : ndarray, shape (B, 12 + 3 K)
    n_bounces : int
        K.
    """

    batch: np.ndarray
    n_bounces: int
    starts: list[np.ndarray] = field(init=False)  # (B,) each: times of the bounces
    places: list[np.ndarray] = field(init=False)  # (B, 3) each
    incoming: list[np.ndarray] = field(init=False)  # (B, 3) each
    outgoing: list[np.ndarray] = field(init=False)
    spins: list[np.ndarray] = field(init=False)  # (B, 3) each; before the first bounce, after each
    _arcs: list[flight.Arc] = field(init=False)

    def __post_init__(self) -> None:
        b = self.batch = self.batch.copy()
        # a wild trial step must not leave what balls can do at all
        b[:, 9:12] = np.clip(b[:, 9:12], (0.02, 0.2, 0.15), (0.9, 0.8, 4.0))
        b[:, 3:6] = np.clip(b[:, 3:6], -25, 25)
        b[:, 6:9] = np.clip(b[:, 6:9], -900, 900)
        self.starts = [b[:, 0]]
        self.places = [np.column_stack([b[:, 1:3], np.full(len(b), table.BALL_RADIUS)])]
        self.incoming = [b[:, 3:6]]
        self.outgoing = []
        self.spins = [b[:, 6:9]]
        self._arcs = []
        for k in range(self.n_bounces):
            self._bounce(k)
            if k + 1 < self.n_bounces:
                self._next(k)

    def _physics(self) -> dict[str, Any]:
        return {"drag_coefficient": self.batch[:, 10], "lift_scale": self.batch[:, 11]}

    def _bounce(self, k: int) -> None:
        each = self.batch[:, _SHARED + _EACH * k : _SHARED + _EACH * (k + 1)]
        velocity = self.incoming[k]
        after, spin = flight.bounce(
            velocity,
            self.spins[k],
            restitution=np.clip(each[:, 0], 0.3, 1.3),
            friction=self.batch[:, 9],
        )
        after[:, :2] += each[:, 1:]
        spin[:, 0] += each[:, 2] / (flight.SHELL * table.BALL_RADIUS)
        spin[:, 1] -= each[:, 1] / (flight.SHELL * table.BALL_RADIUS)
        self.outgoing.append(after)
        self.spins.append(spin)

    def _next(self, k: int) -> None:
        rise = float(np.clip(np.nan_to_num(self.outgoing[k][:, 2]).max(), 0.2, 5.0))
        longest = min(_LONGEST_ARC, 2.3 * rise / flight.GRAVITY + 0.08)
        arc = flight.fly(
            self.places[k], self.outgoing[k], self.spins[k + 1], longest, **self._physics()
        )
        since = arc.falls_to(table.BALL_RADIUS)
        since = np.where(np.isfinite(since), since, longest)
        self._arcs.append(arc)
        self.starts.append(self.starts[k] + since)
        self.places.append(arc.at(since[:, None])[:, 0])
        self.incoming.append(arc.velocity_at(since[:, None])[:, 0])

    def arc_after(self, k: int, duration: float) -> flight.Arc:
        """The flight after bounce `k`, drawn on for `duration` s whatever it meets."""
        return flight.fly(
            self.places[k], self.outgoing[k], self.spins[k + 1], duration, **self._physics()
        )

    def at(self, times: np.ndarray) -> np.ndarray:
        """Positions at `times` (N,), shape (B, N, 3)."""
        return self._evaluate(times, "at")

    def velocity_at(self, times: np.ndarray) -> np.ndarray:
        """Velocities at `times` (N,), shape (B, N, 3)."""
        return self._evaluate(times, "velocity_at")

    def _evaluate(self, times: np.ndarray, what: str) -> np.ndarray:
        since = times[None] - self.starts[0][:, None]
        out = np.empty((len(self.batch), len(times), 3))
        first, last = float(since.min(initial=0)), 0.0
        before = since < 0
        columns = np.flatnonzero(before.any(axis=0))
        if len(columns):
            arc = flight.fly(
                self.places[0],
                self.incoming[0],
                self.spins[0],
                min(first, -1e-3),
                **self._physics(),
            )
            out[:, columns] = getattr(arc, what)(np.minimum(since[:, columns], 0))
        for k in range(self.n_bounces):
            since = times[None] - self.starts[k][:, None]
            inside = since >= 0
            if k + 1 < self.n_bounces:
                inside &= times[None] < self.starts[k + 1][:, None]
            columns = np.flatnonzero(inside.any(axis=0))
            if not len(columns):
                continue
            if k + 1 < self.n_bounces:
                arc = self._arcs[k]
            else:
                last = float(since[:, columns].max())
                arc = flight.fly(
                    self.places[k],
                    self.outgoing[k],
                    self.spins[k + 1],
                    max(last, 1e-3),
                    **self._physics(),
                )
            values = getattr(arc, what)(np.maximum(since[:, columns], 0))
            out[:, columns] = np.where(inside[:, columns, None], values, out[:, columns])
        return out


def fit_path(
    camera: Camera,
    sightings: Sightings,
    start: np.ndarray,
    n_bounces: int,
    expectations: Expectations,
    *,
    readout_s: float = 0.0,
    most_steps: int = 40,
    solver: str = "own",
) -> Path | None:
    """Fit a path with `n_bounces` bounces.

    Huber's loss for the pictures, squares for the expectations.

    Parameters
    ----------
    camera : Camera
    sightings : Sightings
    start : ndarray, shape (12 + 3 K,)
        First guess, see `first_guess`.
    n_bounces : int
        K, at least 1.
    expectations : Expectations
    readout_s : float
        Time in which the sensor's rows are read, first to last; 0 if unknown.
    most_steps : int
        Evaluations allowed.
    solver : str
        "own": Levenberg and Marquardt's method with weights renewed at each step, which needs an
        evaluation a step; "scipy": `scipy.optimize.least_squares`, run again with renewed weights
        until these settle. Both find the same path; the former is several times faster.

    Returns
    -------
    Path or None
        None if the fit fails.

    Raises
    ------
    ValueError
        If there is no such solver.
    """
    if solver not in _SOLVERS:
        raise ValueError(f"solver must be one of {sorted(_SOLVERS)}, got {solver!r}")
    problem = _Problem(camera, sightings, n_bounces, expectations, readout_s)
    theta = _SOLVERS[solver](problem, np.array(start, dtype=float), most_steps)
    if theta is None:
        return None
    at = problem.evaluate(theta)
    n = 2 * len(problem.times)
    weight = _huber_weights(at.rows)
    chi2 = float((weight * at.rows**2).sum())
    # sightings that scatter more than they should make the pictures' share as much wider
    excess = max(1.0, chi2 / max(2.0, n - 9.0))
    normal = (at.jacobian.T * (weight / excess)) @ at.jacobian
    normal.flat[:: len(theta) + 1] += problem.prior_weight
    try:
        covariance = np.linalg.inv(normal)
    except np.linalg.LinAlgError:
        return None
    contacts = at.traced.contacts
    slopes = np.stack([c.d_place[:2] for c in contacts])
    own = slopes @ covariance @ slopes.transpose(0, 2, 1)
    times = np.array([c.time for c in contacts])
    if not (np.isfinite(at.rows).all() and np.isfinite(own).all() and np.isfinite(times).all()):
        return None
    return Path(
        theta=theta,
        covariance=covariance,
        n_bounces=n_bounces,
        bounce_times=times,
        bounce_places=np.array([c.place[:2] for c in contacts]),
        bounce_covariances=own,
        chi2=chi2,
        residuals=at.residuals,
        n_sightings=len(problem.times),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Evaluation:
    """A path against the sightings: residuals in standard deviations, and their derivatives."""

    traced: Traced
    residuals: np.ndarray  # px, seen minus fitted
    rows: np.ndarray  # (2 N,)
    jacobian: np.ndarray  # (2 N, P)


class _Problem:
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
        self.prior_weight = 1 / sd**2
        self.times = sightings.times + readout_s * (sightings.points[:, 1] / camera.size[1] - 0.5)

    def evaluate(self, theta: np.ndarray) -> _Evaluation:
        with np.errstate(all="ignore"):  # a wild trial step may overflow; it is then not taken
            traced = Traced(theta, self.n_bounces)
            position, velocity, parts = traced.at(self.times)
            seen, slopes = project_with_slopes(self.camera, position)
            jacobian = traced.picture_slopes(self.whiten @ slopes, velocity, parts)
            gap = seen - self.points
            rows = (self.whiten @ gap[:, :, None])[:, :, 0]
        if not np.isfinite(rows).all():
            lost = ~np.isfinite(rows).all(axis=1)
            rows[lost] = 1e3
            jacobian[lost] = 0.0
        return _Evaluation(traced, -gap, rows.ravel(), jacobian.reshape(rows.size, -1))

    def pull(self, theta: np.ndarray) -> float:
        """Squared distance from what is expected, in standard deviations."""
        return float((self.prior_weight * (theta - self.prior_mean) ** 2).sum())


def _huber_weights(rows: np.ndarray, width: float = _ROBUST) -> np.ndarray:
    return np.minimum(1.0, width / np.maximum(np.abs(rows), 1e-9))


def _huber_cost(rows: np.ndarray, width: float = _ROBUST) -> float:
    size = np.abs(rows)
    inner = np.minimum(size, width)
    return float((inner * (2 * size - inner)).sum())


def _width(rows: np.ndarray, most: float) -> float:
    return float(max(_ROBUST, min(most, 2 * np.median(np.abs(rows)))))


def _solve_own(problem: _Problem, theta: np.ndarray, most_steps: int) -> np.ndarray | None:
    """Levenberg and Marquardt's method; Huber's weights are renewed with every step.

    A step that raises the cost is followed by another from where it led, before it is taken back:
    in a curved valley the second one leads down again, farther along (the watchdog of Chamberlain,
    Powell et al., Math. Programming Study 16:1, 1982). From a rough start Huber's limit is wide at
    first, so that sightings far off still pull.
    """
    damping = 1e-2
    at = problem.evaluate(theta)
    width = _width(at.rows, np.inf)
    cost = _huber_cost(at.rows, width) + problem.pull(theta)
    best = (theta, at, cost)
    astray = False  # whether `theta` lies beyond a step that raised the cost
    for _ in range(most_steps):
        weighted = at.jacobian.T * _huber_weights(at.rows, width)
        normal = weighted @ at.jacobian
        size = normal.diagonal() + problem.prior_weight
        normal.flat[:: len(theta) + 1] = size
        slope = weighted @ at.rows + problem.prior_weight * (theta - problem.prior_mean)
        damped = normal.copy()
        damped.flat[:: len(theta) + 1] += damping * size
        try:
            step = np.linalg.solve(damped, -slope)
        except np.linalg.LinAlgError:
            return None
        expected = -float(step @ (slope + slope + normal @ step))  # fall of the squares
        if not np.isfinite(expected):
            return None
        if not astray and expected < _SETTLED_SQUARES + _SETTLED * cost:
            if width > _ROBUST:
                width = _ROBUST
                cost = _huber_cost(at.rows) + problem.pull(theta)
                best = (theta, at, cost)
                continue
            return theta + step  # of which the squares say that it changes nothing that matters
        theta = theta + step
        at = problem.evaluate(theta)
        before, cost = cost, _huber_cost(at.rows, width) + problem.pull(theta)
        if cost < best[2]:
            if not astray:
                damping = max(damping * (0.1 if before - cost > expected / 2 else 0.5), 1e-7)
            if width > _ROBUST:
                width = _width(at.rows, width)
                cost = _huber_cost(at.rows, width) + problem.pull(theta)
            best = (theta, at, cost)
            astray = False
        elif not astray and damping < 1.0:
            astray = True
        else:
            theta, at, cost = best
            damping = max(damping * 10, 1e-2)
            astray = False
            if damping > 1e6:
                break
    return best[0]


def _solve_scipy(problem: _Problem, theta: np.ndarray, most_steps: int) -> np.ndarray | None:
    """SciPy's Levenberg-Marquardt method, with Huber's weights renewed between short runs."""
    last: dict[bytes, _Evaluation] = {}
    pull = np.sqrt(problem.prior_weight)

    def evaluation(x: np.ndarray) -> _Evaluation:
        # value and derivatives come from one pass
        key = x.tobytes()
        if key not in last:
            last.clear()
            last[key] = problem.evaluate(x)
        return last[key]

    scales = _scales(problem.n_bounces)
    cost = np.inf
    for _ in range(most_steps):
        root = np.sqrt(_huber_weights(evaluation(theta).rows))

        def residuals(x: np.ndarray, root: np.ndarray = root) -> np.ndarray:
            return np.concatenate([root * evaluation(x).rows, pull * (x - problem.prior_mean)])

        def jacobian(x: np.ndarray, root: np.ndarray = root) -> np.ndarray:
            return np.concatenate([root[:, None] * evaluation(x).jacobian, np.diag(pull)])

        try:
            fit = least_squares(
                residuals, theta, jac=jacobian, method="lm", x_scale=scales,
                max_nfev=most_steps, ftol=1e-6, xtol=1e-8, gtol=1e-10,
            )  # fmt: skip
        except (ValueError, np.linalg.LinAlgError):
            return None
        theta = fit.x
        if abs(cost - fit.cost) < 1e-6 * (1 + fit.cost):
            break
        cost = fit.cost
    return theta


_SOLVERS = {"own": _solve_own, "scipy": _solve_scipy}


def first_guess(
    times: Sequence[float],
    place: np.ndarray,
    incoming: np.ndarray,
    outgoing: Sequence[np.ndarray],
    expectations: Expectations,
) -> np.ndarray:
    """Unknowns from rough bounces.

    Parameters
    ----------
    times : sequence of float
        Of the bounces, s.
    place : ndarray, shape (2,)
        Of the first bounce.
    incoming : ndarray, shape (3,)
        Velocity before the first bounce.
    outgoing : sequence of ndarray, each of shape (3,)
        Velocities after each bounce.
    expectations : Expectations
    """
    n = len(times)
    theta = np.empty(_SHARED + _EACH * n)
    theta[:_SHARED] = [
        times[0],
        *place,
        *incoming,
        0,
        0,
        0,
        expectations.friction[0],
        expectations.drag[0],
        expectations.lift[0],
    ]
    fall = max(0.3, -incoming[2])
    for k in range(n):
        each = theta[_SHARED + _EACH * k : _SHARED + _EACH * (k + 1)]
        each[:] = (expectations.restitution[0], 0.0, 0.0)
        if k == 0:
            each[0] = float(np.clip(outgoing[0][2] / fall, 0.7, 1.0))
    # the spin about each axis that makes the first bounce's friction right, if it slides less
    change = np.asarray(outgoing[0])[:2] - np.asarray(incoming)[:2]
    after, _ = flight.bounce(np.asarray(incoming)[None], np.zeros((1, 3)))
    missing = change - (after[0, :2] - np.asarray(incoming)[:2])
    theta[6:9] = [0.0, np.clip(missing[0] * 60, -200, 200), 0.0]
    return theta


def _prior(expectations: Expectations, n_bounces: int) -> tuple[np.ndarray, np.ndarray]:
    e = expectations
    wide = (0.0, 50.0)
    rows = [wide] * 3 + [e.speed] * 3 + [e.spin] * 3 + [e.friction, e.drag, e.lift]
    rows += [e.restitution, e.rub, e.rub] * n_bounces
    mean, sd = np.array(rows).T
    return mean, sd


def _steps(n_bounces: int) -> np.ndarray:
    return np.concatenate([_STEPS, np.tile(_STEPS_EACH, n_bounces)])


def _scales(n_bounces: int) -> np.ndarray:
    return np.concatenate([_SCALES, np.tile(_SCALES_EACH, n_bounces)])
