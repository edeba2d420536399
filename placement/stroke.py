"""When the bat met the ball: where the toss before it and the path after it meet.

Both are known as far as their pictures show them. The toss falls while the struck ball flies off
level, so that they cross at a wide angle and the instant is known to a few milliseconds. Where no
toss is seen, the stroke was not later than the path's first sighting; how much earlier is open.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Camera
from placement.paths import FollowedPath
from placement.release import Junction, find_release
from placement.toss import Frames, Throw, Toss, ball_radius_px, find_throws, frames_of
from placement.trajectory import Expectations, Path, Sightings, fit_path

_BEFORE = 1.15  # s of candidates before the path that are looked at
_EARLIEST, _LATEST = 0.48, 0.012  # s before the first bounce, of a stroke
_LOST = 1e4  # m^2 and m^2/s^2: variance of a path's place and speed of which nothing is known
_TICK = 0.001  # s between the instants that are tried
_TOUCH_SD = 0.004  # m, the ball gives at the bat
_STRANGE = 9.0  # squared standard deviations that a candidate beside both flights costs at most
_MEETS = 16.0  # squared standard deviations within which toss and path meet
_UNSEEN_SD = 0.03  # s, by which a stroke may be earlier than the path's first sighting
_HIDDEN = 0.15, 0.07  # s before a first bounce that is the path's beginning
_FEWEST = 6  # sightings of a path
_LEFT = 2  # sightings before its first bounce that a path must keep
_ON_TOSS = 0.6  # radii beside a toss within which a path's sighting may show the toss
_SAME_BOUNCE = 0.02  # s


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stroke:
    """The instant when the bat met the ball.

    Attributes
    ----------
    contact_s, contact_sd_s : float
        When, and its standard deviation, s.
    toss : Toss or None
        The toss before it, where it could be measured.
    tossed_s : float or None
        When the ball was first seen on its way up, s, where it was: the hand may hide its release.
    velocity : ndarray, shape (3,)
        Of the ball just after it, m/s.
    pace_sd_m_s : float
        Standard deviation of its magnitude, with what the instant leaves open.
    path : Path
        The path after the stroke, without sightings of the toss.
    """

    contact_s: float
    contact_sd_s: float
    toss: Toss | None
    tossed_s: float | None
    velocity: np.ndarray
    pace_sd_m_s: float
    path: Path


@dataclass(frozen=True, slots=True, eq=False)
class _Meeting:
    """How likely each instant is that of the stroke, given one throw."""

    throw: Throw
    times: np.ndarray
    chances: np.ndarray  # sum to 1
    states: np.ndarray  # (T, 8) of the throw, drawn to the path
    covariance: np.ndarray  # (8, 8) of it, at the likeliest instant
    speeds: np.ndarray  # (T, 3) of the path, drawn to the throw
    speed_covariance: np.ndarray  # (3, 3)
    place_covariance: np.ndarray  # (3, 3) of the path's place then, m^2
    misfit: float
    worth: float


def find_stroke(
    camera: Camera,
    followed: FollowedPath,
    first_bounce_time: float,
    *,
    crowd: Sequence[tuple[float, np.ndarray]] = (),
    readout_s: float = 0.0,
) -> Stroke:
    """When the bat met the ball, and the toss before it.

    Parameters
    ----------
    camera : Camera
    followed : FollowedPath
        The path that the stroke began.
    first_bounce_time : float
        s, of the first bounce after the stroke.
    crowd : sequence of (float, ndarray of shape (M, 2))
        Like `followed.history`, with the candidates that look like a limb's edge: beside the hand
        the ball's picture runs into it, and these show the release.
    readout_s : float
        See `placement.trajectory.fit_path`.
    """
    times = followed.sightings.times
    path = followed.path
    before = times[times < first_bounce_time - 1e-3]
    first = float(before[0]) if len(before) else first_bounce_time - _HIDDEN[0]
    begin = min(first, first_bounce_time - 0.03)
    begin = max(begin, first_bounce_time - _EARLIEST)
    place = path.positions(np.array([begin]))[0]
    span = first_bounce_time - _BEFORE, first_bounce_time
    late = _lateness(camera, followed, readout_s)
    frames = frames_of(followed.history, *span, late_s=late)
    everything = frames_of(crowd, *span, late_s=late) if len(crowd) else frames
    best: _Meeting | None = None
    for some in (frames, everything):
        for throw in find_throws(camera, place, some):
            alone = _without_toss(camera, followed, throw, first_bounce_time, readout_s)
            met = _meeting(camera, alone, throw, some, first_bounce_time)
            if met is not None and (best is None or met.worth > best.worth):
                best, path = met, alone
        if best is not None or everything is frames:
            break
    if best is None:
        return _unmet(path, first, bool(len(before)), first_bounce_time)
    contact = float(best.chances @ best.times)
    spread = float(best.chances @ (best.times - contact) ** 2)
    state = best.chances @ best.states
    throw = replace(
        best.throw, state=state, covariance=best.covariance, last_s=min(best.throw.last_s, contact)
    )
    at, speed = path.positions(np.array([contact]))[0], path.velocities(np.array([contact]))[0]
    sideways = speed - throw.at(np.array([contact]))[1][0]
    junction = Junction(contact, at, best.place_covariance + spread * np.outer(sideways, sideways))
    velocity = best.chances @ best.speeds
    paces = np.linalg.norm(best.speeds, axis=1)
    ahead = velocity / max(float(np.linalg.norm(velocity)), 1e-9)
    variance = float(best.chances @ (paces - best.chances @ paces) ** 2)
    variance += float(ahead @ best.speed_covariance @ ahead)
    return Stroke(
        contact_s=contact,
        contact_sd_s=float(np.sqrt(spread + _TICK**2)),
        toss=find_release(camera, throw, everything, junction),
        tossed_s=throw.first_s,
        velocity=velocity,
        pace_sd_m_s=float(np.sqrt(variance)),
        path=path,
    )


def _lateness(camera: Camera, followed: FollowedPath, readout_s: float) -> float:
    """How long after their frame's stamp the rows around the stroke are read, s."""
    return readout_s * float(camera.row_shares(followed.sightings.points[:1])[0])


def _meeting(
    camera: Camera, path: Path, throw: Throw, frames: Frames, first_bounce_time: float
) -> _Meeting | None:
    """Weigh the instants at which a throw may have become the path."""
    low = max(first_bounce_time - _EARLIEST, throw.first_s + 0.03)
    times = np.arange(low, first_bounce_time - _LATEST, _TICK)
    if len(times) < 2:
        return None
    # where the two are at each instant; their spreads change slowly and are worked out at a few
    here, _ = throw.at(times)
    there, speeds = path.positions(times), path.velocities(times)
    gap = there - here
    rough = int(np.nanargmin(np.where(np.isfinite(gap).all(axis=1), np.sum(gap**2, axis=1), 1e9)))
    knots = np.unique(np.clip(rough + np.array([-60, -20, 0, 20, 60]), 0, len(times) - 1))
    with np.errstate(over="ignore", invalid="ignore"):
        _, spread = path.states(times[knots])
    slopes = throw.slopes(times[knots])
    costs = np.full(len(times), np.inf)
    nearest = np.abs(np.arange(len(times))[:, None] - knots).argmin(axis=1)
    states = np.zeros((len(times), 8))
    drawn = np.zeros((len(times), 3))
    left: list[np.ndarray] = []
    slow: list[np.ndarray] = []
    where: list[np.ndarray] = []
    least = np.zeros(len(knots))
    for n in range(len(knots)):
        own = spread[6 * n : 6 * n + 6, 6 * n : 6 * n + 6]
        at = slopes[n, :3]
        both = own[:3, :3] + at @ throw.covariance @ at.T + _TOUCH_SD**2 * np.eye(3)
        if not np.trace(own) < _LOST:  # nor if it is no number
            # flown back too far, its speed grows beyond all bounds: the stroke was not so early
            left.append(throw.covariance)
            slow.append(own[3:, 3:])
            where.append(own[:3, :3])
            continue
        inverse = np.linalg.inv(both)
        use = nearest == n
        costs[use] = np.einsum("ti,ij,tj->t", gap[use], inverse, gap[use])
        size = float(np.linalg.slogdet(both)[1])
        costs[use] += size
        least[n] = size
        gain = throw.covariance @ at.T @ inverse
        states[use] = throw.state + gap[use] @ gain.T
        left.append(throw.covariance - gain @ at @ throw.covariance)
        gain = own[3:, :3] @ inverse
        drawn[use] = speeds[use] - gap[use] @ gain.T
        slow.append(own[3:, 3:] - gain @ own[:3, 3:])
        where.append(own[:3, :3] + _TOUCH_SD**2 * np.eye(3))
    seen = _evidence(camera, path, throw, frames, times)
    total = np.where(np.isfinite(costs), costs + seen, np.inf)
    if not np.isfinite(total).any():
        return None
    chances = np.exp(-(total - total.min()) / 2)
    chances /= chances.sum()
    best = int(np.argmin(total))
    k = int(nearest[best])
    misfit = float(costs[best] - least[k])
    if misfit > _MEETS:
        return None
    return _Meeting(
        throw=throw,
        times=times,
        chances=chances,
        states=states,
        covariance=left[k],
        speeds=drawn,
        speed_covariance=slow[k],
        place_covariance=where[k],
        misfit=misfit,
        worth=throw.n_frames * throw.share - misfit - 20 * max(0.0, times[best] - throw.last_s),
    )


def _evidence(
    camera: Camera, path: Path, throw: Throw, frames: Frames, times: np.ndarray
) -> np.ndarray:
    """Cost of each instant by the candidates of each frame: on the toss before, on the path after.

    Squared standard deviations, shape (T,).
    """
    radius = ball_radius_px(camera, throw.at(times[:1])[0][0])
    sd = np.hypot(2 * throw.scatter_px, 0.1 * radius)
    use = (frames.times > times[0] - 0.02) & (frames.times < times[-1] + 0.02)
    some = Frames(frames.times[use], frames.points[use])
    if not use.any():
        return np.zeros(len(times))
    shade = throw.state[6:]
    _, on_toss = some.nearest(throw.candidates(camera, some.times))
    _, on_path = some.nearest(camera.project(path.positions(some.times)) + shade)
    # traced back too far, a path may lie behind the camera: no candidate is near it there
    before = np.fmin((on_toss / sd) ** 2, _STRANGE)
    after = np.fmin((on_path / sd) ** 2, _STRANGE)
    early = some.times[None] < times[:, None]
    return np.asarray(np.where(early, before, after).sum(axis=1))


def _without_toss(
    camera: Camera,
    followed: FollowedPath,
    throw: Throw,
    first_bounce_time: float,
    readout_s: float,
) -> Path:
    """The path fitted again without those of its first sightings that lie on the throw."""
    s, path = followed.sightings, followed.path
    early = np.flatnonzero(s.times < first_bounce_time)
    if len(early) <= _LEFT:
        return path
    expected = camera.project(throw.at(s.times[early])[0])
    off = np.hypot(*(s.points[early] - expected).T)
    radius = ball_radius_px(camera, throw.state[:3])
    on = off < _ON_TOSS * radius + 2 * throw.scatter_px
    n = len(on) if on.all() else int(np.argmin(on))
    if not n or len(early) - n < _LEFT or len(s.times) - n < _FEWEST:
        return path
    kept = Sightings(s.times[n:], s.points[n:], s.covariances[n:])
    again = fit_path(camera, kept, path.theta, path.n_bounces, Expectations(), readout_s=readout_s)
    if again is None or np.abs(again.bounce_times - first_bounce_time).min() > _SAME_BOUNCE:
        return path
    return again


def _unmet(path: Path, first: float, seen_before: bool, first_bounce_time: float) -> Stroke:
    """The stroke where no toss is known."""
    if seen_before:
        contact, sd = first - _UNSEEN_SD / 2, _UNSEEN_SD
    else:
        contact, sd = first_bounce_time - _HIDDEN[0], _HIDDEN[1]
    contact = max(contact, first_bounce_time - _EARLIEST - 0.05)
    value, covariance = path.states(np.array([contact - sd, contact, contact + sd]))
    speeds = value[:, 3:]
    paces = np.linalg.norm(speeds, axis=1)
    ahead = speeds[1] / max(float(paces[1]), 1e-9)
    variance = float(ahead @ covariance[9:12, 9:12] @ ahead) + ((paces[2] - paces[0]) / 2) ** 2
    return Stroke(
        contact_s=contact,
        contact_sd_s=sd,
        toss=None,
        tossed_s=None,
        velocity=speeds[1],
        pace_sd_m_s=float(np.sqrt(max(variance, 0.0))),
        path=path,
    )
