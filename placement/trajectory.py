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
from scipy.optimize import least_squares

from calibration import table
from calibration.camera import Camera
from placement import flight

_SHARED = 12  # t, x, y, velocity (3), spin (3), friction, drag, lift
_EACH = 3  # restitution, unexplained change of speed along x and y
_STEPS = np.array([2e-4, 1e-3, 1e-3, 5e-3, 5e-3, 5e-3, 1.0, 1.0, 1.0, 5e-3, 5e-3, 2e-2])
_STEPS_EACH = np.array([2e-3, 5e-3, 5e-3])
_SCALES = np.array([0.01, 0.05, 0.05, 0.3, 0.3, 0.3, 60.0, 60.0, 60.0, 0.05, 0.05, 0.4])
_SCALES_EACH = np.array([0.04, 0.1, 0.1])
_LONGEST_ARC = 1.2  # s
_ROBUST = 2.5  # standard deviations beyond which a sighting loses weight
_REWEIGHTS = 4  # rounds of robust weights
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
        return self.model().at(np.asarray(times))[0]

    def velocities(self, times: np.ndarray) -> np.ndarray:
        """Velocities at `times` (N,), m/s, shape (N, 3)."""
        return self.model().velocity_at(np.asarray(times))[0]

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
        b[:, 9:12] = np.clip(b[:, 9:12], (0.02, 0.2, -2.0), (0.9, 0.8, 4.0))
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
                self.places[0], self.incoming[0], self.spins[0], min(first, -1e-3),
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
                    self.places[k], self.outgoing[k], self.spins[k + 1], max(last, 1e-3),
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
    most_steps: int = 8,
) -> Path | None:
    """Fit a path with `n_bounces` bounces.

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
        Evaluations allowed between two renewals of the robust weights.

    Returns
    -------
    Path or None
        None if the fit fails.
    """
    mean, sd = _prior(expectations, n_bounces)
    whiten = sightings.whiteners()
    steps = _steps(n_bounces)
    scales = _scales(n_bounces)
    times = sightings.times + readout_s * (sightings.points[:, 1] / camera.size[1] - 0.5)

    def residuals(batch: np.ndarray) -> np.ndarray:
        seen = camera.project(Model(batch, n_bounces).at(times))
        gap = np.einsum("nij,bnj->bni", whiten, seen - sightings.points)
        gap = np.nan_to_num(gap, nan=1e3, posinf=1e3, neginf=-1e3)
        return np.concatenate([gap.reshape(len(batch), -1), (batch - mean) / sd], axis=1)

    last: dict[bytes, np.ndarray] = {}

    def rows_at(theta: np.ndarray) -> np.ndarray:
        # value and derivatives come from one batch, which costs little more than the value
        key = theta.tobytes()
        if key not in last:
            last.clear()
            last[key] = residuals(np.concatenate([theta[None], theta + np.diag(steps)]))
        return last[key]

    def fun(theta: np.ndarray) -> np.ndarray:
        return rows_at(theta)[0]

    def jac(theta: np.ndarray) -> np.ndarray:
        rows = rows_at(theta)
        return ((rows[1:] - rows[0]) / steps[:, None]).T

    # Levenberg-Marquardt with Huber's weights renewed between short runs: the trust-region solver's
    # own robust loss takes about three times as many steps here
    n = 2 * len(times)
    theta = np.asarray(start, dtype=float)
    weight = np.ones(n)
    root = np.ones(n + len(theta))
    cost = np.inf
    for _ in range(_REWEIGHTS):
        weight = np.minimum(1, _ROBUST / np.maximum(np.abs(fun(theta)[:n]), 1e-9))
        root[:n] = np.sqrt(weight)
        try:
            fit = least_squares(
                lambda x: root * fun(x),
                theta,
                jac=lambda x: root[:, None] * jac(x),
                method="lm",
                x_scale=scales,
                max_nfev=most_steps,
                ftol=1e-3,
                xtol=1e-5,
                gtol=1e-8,
            )
        except (ValueError, np.linalg.LinAlgError):
            return None
        theta = fit.x
        if abs(cost - fit.cost) < 0.01 * fit.cost + 0.05:
            break
        cost = fit.cost
    rows = fun(theta)
    jacobian = jac(theta)
    chi2 = float((weight * rows[:n] ** 2).sum())
    # sightings that scatter more than they should make the pictures' share as much wider
    excess = max(1.0, chi2 / max(2.0, n - 9.0))
    normal = jacobian[:n].T @ (weight[:, None] * jacobian[:n]) / excess + np.diag(1 / sd**2)
    try:
        covariance = np.linalg.inv(normal)
    except np.linalg.LinAlgError:
        return None
    gap = sightings.points - camera.project(Model(theta[None], n_bounces).at(times))[0]
    path = Path(
        theta=theta,
        covariance=covariance,
        n_bounces=n_bounces,
        bounce_times=np.empty(0),
        bounce_places=np.empty((0, 2)),
        bounce_covariances=np.empty((0, 2, 2)),
        chi2=chi2,
        residuals=gap,
        n_sightings=len(times),
    )
    values, spread = path.propagate(_bounce_table)
    values = values.reshape(n_bounces, 3)
    spread = spread.reshape(n_bounces, 3, n_bounces, 3)
    own = np.stack([spread[k, 1:, k, 1:] for k in range(n_bounces)])
    if not (np.isfinite(values).all() and np.isfinite(own).all()):
        return None
    return replace(
        path, bounce_times=values[:, 0], bounce_places=values[:, 1:], bounce_covariances=own
    )


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
        times[0], *place, *incoming, 0, 0, 0,
        expectations.friction[0], expectations.drag[0], expectations.lift[0],
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


def _bounce_table(model: Model) -> np.ndarray:
    rows = [
        np.column_stack([t, p[:, :2]]) for t, p in zip(model.starts, model.places, strict=True)
    ]
    return np.concatenate(rows, axis=1)


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
