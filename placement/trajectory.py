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
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from calibration import table
from calibration.camera import Camera
from placement import flight
from placement.derivatives import Traced
from placement.path_solver import SOLVERS, Problem, huber_weights
from placement.projection import project_with_slopes

_SHARED = 12  # t, x, y, velocity (3), spin (3), friction, drag, lift
_EACH = 3  # restitution, unexplained change of speed along x and y
_STEPS = np.array([2e-4, 1e-3, 1e-3, 5e-3, 5e-3, 5e-3, 1.0, 1.0, 1.0, 5e-3, 5e-3, 2e-2])
_STEPS_EACH = np.array([2e-3, 5e-3, 5e-3])
_LONGEST_ARC = 1.2  # s
_SECOND_TOPSPINS, _SECOND_SIDESPINS = (-150.0, 120.0), (-100.0, 100.0)  # rad/s
_SECOND_STEPS = 15
_TOLD_SPIN = 15.0  # rad/s, sd of each component below which a fit has no rivals of other spin
_RIVAL = 10.0  # a fit whose squares are more than this above the best is no rival of it
_MODEL_SD = 0.10  # px: what the flight model itself may be off by


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectations:
    """What is known of ball and table before a path is seen: (mean, standard deviation).

    Restitution 0.89 to 0.93 and sliding friction 0.2 to 0.3 are from memory of the bounce
    literature; drag 0.40 to 0.50 for a smooth sphere (Achenbach 1972, from memory). Serves lie
    below the measured range of the lift, so its factor is anything from almost none to the rule's
    and a little beyond. Spins up to about 60 turns a second are known of serves.
    """

    restitution: tuple[float, float] = (flight.RESTITUTION, 0.04)
    friction: tuple[float, float] = (flight.FRICTION, 0.05)
    drag: tuple[float, float] = (flight.DRAG_COEFFICIENT, 0.03)
    lift: tuple[float, float] = (0.7, 0.4)
    rub: tuple[float, float] = (0.0, 0.12)  # m/s, unexplained change of horizontal speed
    spin: tuple[float, float] = (0.0, 130.0)  # rad/s, each component
    speed: tuple[float, float] = (0.0, 7.0)  # m/s, each component
    offset_px: float = 0.0  # sd of what all pictures of a path are off by in common, u and v
    drift_px: float = 0.0  # sd of what slowly comes and goes along a path
    readout_sd_s: float = 0.0  # sd of the time in which the sensor reads its rows


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
        """Matrices that turn pixel residuals into standard deviations, shape (N, 2, 2).

        The inverses of the Cholesky factors, lower triangular.
        """
        c = self.covariances
        a = 1 / np.sqrt(c[:, 0, 0] + _MODEL_SD**2)
        share = c[:, 1, 0] * a
        b = 1 / np.sqrt(c[:, 1, 1] + _MODEL_SD**2 - share * share)
        out = np.zeros((len(c), 2, 2))
        out[:, 0, 0], out[:, 1, 0], out[:, 1, 1] = a, -share * a * b, b
        return out


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
    cost : float
        Huber's loss of the pictures and squares of the expectations.
    others : tuple of Path
        Rivals that explain the pictures nearly as well, if these were looked for; best first.
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
    cost: float = np.nan
    others: tuple[Path, ...] = ()
    _known: Traced | None = field(default=None, init=False, repr=False)

    @property
    def misfit(self) -> float:
        """Root mean square picture residual in standard deviations."""
        return float(np.sqrt(self.chi2 / max(2.0, 2.0 * self.n_sightings - 6.0)))

    def model(self, batch: np.ndarray | None = None) -> Model:
        """The path as a function of time, for `theta` or for a batch (B, P) around it."""
        return Model(self.theta[None] if batch is None else batch, self.n_bounces)

    def beside(self, others: Sequence[Path]) -> Path:
        """The same path with its rivals."""
        out = replace(self, others=tuple(others))
        object.__setattr__(out, "_known", self._known)
        return out

    @property
    def _traced(self) -> Traced:
        """The path traced, when first needed."""
        if self._known is None:
            object.__setattr__(self, "_known", Traced(self.theta, self.n_bounces))
        assert self._known is not None
        return self._known

    def positions(self, times: np.ndarray) -> np.ndarray:
        """Where the ball's centre is at `times` (N,), m, shape (N, 3)."""
        return self._traced.at(np.asarray(times))[0]

    def velocities(self, times: np.ndarray) -> np.ndarray:
        """Velocities at `times` (N,), m/s, shape (N, 3)."""
        return self._traced.at(np.asarray(times))[1]

    def pictures(self, camera: Camera, times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Where the ball is seen at `times` (N,), px, and how surely.

        Returns
        -------
        points : ndarray, shape (N, 2)
            NaN behind the camera.
        covariances : ndarray, shape (N, 2, 2)
            px^2, of the path alone, by first order.
        """
        traced = self._traced
        position, velocity, parts = traced.at(np.asarray(times))
        points, slopes = project_with_slopes(camera, position)
        jacobian = traced.picture_slopes(slopes, velocity, parts)
        jacobian = traced.by_theta(jacobian)
        return points, jacobian @ self.covariance @ jacobian.transpose(0, 2, 1)

    def states(self, times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Positions and velocities at sorted `times` (N,), and their covariance by first order.

        Returns
        -------
        values : ndarray, shape (N, 6)
        covariance : ndarray, shape (6 N, 6 N)
        """
        traced = self._traced
        position, velocity, parts = traced.at(np.asarray(times))
        slopes = traced.by_theta(traced.state_slopes(velocity, parts)).reshape(6 * len(times), -1)
        return np.concatenate([position, velocity], axis=1), slopes @ self.covariance @ slopes.T

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

    def physics(self) -> dict[str, Any]:
        """Drag and lift of each path, as `placement.flight.fly` takes them."""
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
            self.places[k], self.outgoing[k], self.spins[k + 1], longest, **self.physics()
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
            self.places[k], self.outgoing[k], self.spins[k + 1], duration, **self.physics()
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
                **self.physics(),
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
                    **self.physics(),
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
    thorough: bool = False,
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

    thorough : bool
        Whether to begin again with other spins, and keep the best and its rivals: about five times
        the work, for the last fit of a path.

    Returns
    -------
    Path or None
        None if the fit fails.

    Raises
    ------
    ValueError
        If there is no such solver, or `n_bounces` is below 1.
    """
    if solver not in SOLVERS:
        raise ValueError(f"solver must be one of {sorted(SOLVERS)}, got {solver!r}")
    if n_bounces < 1:
        raise ValueError(f"n_bounces must be 1 or more, got {n_bounces}")
    if not len(sightings.times) or not np.isfinite(sightings.points).all():
        return None
    problem = Problem(camera, sightings, n_bounces, expectations, readout_s)
    begin = Traced(np.array(start, dtype=float), n_bounces).left
    left = SOLVERS[solver](problem, begin, most_steps)
    if left is None:
        return None
    path = _as_path(problem, left, expectations)
    if not thorough or path is None:
        return path
    found, known = [path], [left]
    spread = np.sqrt(np.diag(path.covariance)[6:9])
    for spun in _spun(left) if spread.max() > _TOLD_SPIN else []:
        limit = min(p.cost for p in found) + _RIVAL
        left = SOLVERS[solver](problem, spun, _SECOND_STEPS, limit, known)
        other = None if left is None else _as_path(problem, left, expectations)
        if left is not None and other is not None:
            found.append(other)
            known.append(left)
    found.sort(key=lambda p: p.cost)
    others: list[Path] = []
    for other in found[1:]:
        near = any(_same(other, p) for p in (found[0], *others))
        if other.cost < found[0].cost + _RIVAL and not near:
            others.append(other)
    return found[0].beside(others)


def _as_path(problem: Problem, left: np.ndarray, expectations: Expectations) -> Path | None:
    """The fitted path with its errors; None if they cannot be told."""
    at = problem.evaluate(left)
    n = 2 * len(problem.times)
    weight = huber_weights(at.rows)
    chi2 = float((weight * at.rows**2).sum())
    # sightings that scatter more than they should make the pictures' share as much wider
    weight /= max(1.0, chi2 / max(2.0, n - 9.0))
    weighted = at.jacobian.T * weight
    normal = weighted @ at.jacobian + at.prior_jacobian.T @ at.prior_jacobian
    try:
        covariance = np.linalg.inv(normal)
    except np.linalg.LinAlgError:
        return None
    common = problem.common(expectations.offset_px, expectations.drift_px)
    if expectations.readout_sd_s > 0:
        late = (expectations.readout_sd_s * problem.later(at))[:, None]
        common = late if common is None else np.hstack([common, late])
    if common is not None:
        moved = covariance @ (weighted @ common)
        covariance = covariance + moved @ moved.T
    slopes = at.traced.contact_slopes()[:, 1:3]
    own = slopes @ covariance @ slopes.transpose(0, 2, 1)
    back = at.traced.theta_slopes()
    times = at.traced.times
    if not (np.isfinite(at.rows).all() and np.isfinite(own).all() and np.isfinite(times).all()):
        return None
    path = Path(
        theta=at.traced.theta,
        covariance=back @ covariance @ back.T,
        n_bounces=problem.n_bounces,
        bounce_times=times,
        bounce_places=at.traced.places,
        bounce_covariances=own,
        chi2=chi2,
        residuals=at.residuals,
        n_sightings=len(problem.times),
        cost=at.cost(),
    )
    object.__setattr__(path, "_known", at.traced)
    return path


def _spun(left: np.ndarray) -> list[np.ndarray]:
    """Second starts: the same path with other spins.

    Whether a ball slips or grips, and that lift and spin can stand for each other, leaves valleys
    between which no small step leads.
    """
    heading = left[3:5] / max(1e-9, float(np.hypot(*left[3:5])))
    along = float(left[6:8] @ heading)
    out = []
    for top in _SECOND_TOPSPINS:
        for side in _SECOND_SIDESPINS:
            start = left.copy()
            start[6] = along * heading[0] - top * heading[1]
            start[7] = along * heading[1] + top * heading[0]
            start[8] = side
            out.append(start)
    return out


def _same(one: Path, other: Path) -> bool:
    """Whether two fits ended in the same valley, by their spins."""
    gap = one.theta[6:9] - other.theta[6:9]
    spread = np.sqrt(np.diag(one.covariance)[6:9] + np.diag(other.covariance)[6:9])
    return bool((np.abs(gap) < 0.35 * spread).all())


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
    # the spin about each axis that makes the first bounce's friction right, if it slides less
    change = np.asarray(outgoing[0])[:2] - np.asarray(incoming)[:2]
    after, _ = flight.bounce(np.asarray(incoming)[None], np.zeros((1, 3)))
    missing = change - (after[0, :2] - np.asarray(incoming)[:2])
    theta[6:9] = [0.0, np.clip(missing[0] * 60, -200, 200), 0.0]
    for k, leaving in enumerate(outgoing):
        theta[_SHARED + _EACH * k : _SHARED + _EACH * (k + 1)] = np.asarray(leaving)[[2, 0, 1]]
    return Traced(theta, n, leaving=True).theta


def _steps(n_bounces: int) -> np.ndarray:
    return np.concatenate([_STEPS, np.tile(_STEPS_EACH, n_bounces)])
