"""When a thrown ball left the hand, and how high it rose from there.

After the release the ball flies freely. Before it the hand carries it: traced back, the free flight
would have come from lower down and faster, the more so the earlier. For many instants of release
the flight is fitted again to the candidates after it, together with the hand's way before it, and
each instant is weighed by how well both explain what is seen. A ball that cannot be told from the
hand just after the release, or that comes out from behind someone, is allowed for; where nothing
shows the hand, that leaves the release open and no rise is told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.camera import Camera
from placement import flight
from placement.toss import Frames, Throw, Toss, ball_radius_px, fly, picture_slopes

_TICK = 0.004  # s between the instants that are tried
_COARSE = 3  # of which the first round takes one in so many
_EARLIER, _LATER = 0.14, 0.12  # s around the throw's first sighting that are tried
_LOOK_BACK = 0.14  # s before a release in which the hand may show
# how hands throw, smoothly or with a jerk: by how much slower than the ball they may be as it
# leaves, m/s, by how much their push may change, m/s^3, and how often they do (no source)
_HANDS = ((0.1, 80.0, 0.5), (1.2, 200.0, 0.5))
_SHARED = 0.6  # share of what the frames say that is their own and not their neighbours' too
_SPACING = 1 / 60  # s between frames: of closer ones that share is less
# m/s^2, the hand's push and gravity: 2 to 2.5 m/s gained over 12 to 25 cm (no source)
_PULL, _PULL_SD = 27.0, 12.0
_SEEN_FREE = 0.93  # share of frames that show a flying ball
_SEEN_HELD = 0.75  # and one in a hand, where hand and ball can be told from each other at all
_TOLD = 0.5  # share of tosses in which they can
_COVERED = 0.25  # share of tosses whose first part is covered
_COVER_S = 0.025  # s, for how long
_LEAST_CLUTTER = 0.3  # candidates of other things around the hand
_ARM = 0.5  # m, around a throw's flight traced back, in which the hand is looked for
_ROUNDS = 4
_STARTS = tuple((jump, pull) for jump in (0.0, 0.5, 1.1) for pull in (14.0, 24.0, 36.0))
_SURE = 5.0  # log of the odds for a hand before the release
# m, and share of the rise, below the hand at which a ball is struck at most: bats meet balls about
# as high as hands let go of them (common practice, no source)
_FALLEN, _FALLEN_SHARE = 0.03, 0.5
# m: hands let go along a stretch and not at a point (by the spread of errors on rendered films)
_FINGERS = 0.012
_WIDEST = 0.045  # m, standard deviation of a rise above which none is told


@dataclass(frozen=True, slots=True, eq=False)
class Junction:
    """Where and when the bat met the ball, as known from the path that followed.

    Attributes
    ----------
    time_s : float
    place : ndarray, shape (3,)
        m.
    covariance : ndarray, shape (3, 3)
        m^2.
    """

    time_s: float
    place: np.ndarray
    covariance: np.ndarray


def find_release(camera: Camera, throw: Throw, frames: Frames, junction: Junction) -> Toss | None:
    """The toss that a throw was, or None where its release or its top cannot be told.

    Parameters
    ----------
    camera : Camera
    throw : Throw
        The ball's free flight.
    frames : Frames
        Candidates from before the release to the stroke.
    junction : Junction
    """
    since_top = throw.state[5] / flight.GRAVITY
    apex = throw.time_s + since_top
    tried = np.arange(throw.first_s - _EARLIER, min(throw.first_s + _LATER, apex - 0.03), _TICK)
    if len(tried) < 3 or apex > junction.time_s:
        return None
    use = (frames.times > tried[0] - _LOOK_BACK) & (frames.times < throw.last_s + 1e-6)
    near = Frames(frames.times[use], frames.points[use])
    if len(near.times) < 4:
        return None
    near = _around(camera, throw, near)
    shared = _SHARED * min(1.0, near.step / _SPACING) ** 0.5
    for some in (tried[::_COARSE], tried):  # the flight is moved a little, then weighed there
        each = [_weighed(camera, throw, near, some, junction, *hand) for hand in _HANDS]
        logs, shown, states, covariances = (np.concatenate(a) for a in zip(*each, strict=True))
        times = np.tile(some, len(_HANDS))
        chances = np.exp(shared * (logs - logs.max()))
        chances /= chances.sum()
        throw = throw.moved(chances @ states)
    if float(chances @ shown) < _SURE:
        return None  # nothing shows the hand: the ball may have come out from behind someone
    release = float(chances @ times)
    variance = float(chances @ (times - release) ** 2)
    fine = np.arange(times[0], junction.time_s + 1e-9, 4e-3)
    height = fly(states, fine - throw.time_s)[0][:, :, 2]  # (T, N)
    top = np.argmax(height, axis=1)
    rows = np.arange(len(times))
    at = np.array([np.interp(t, fine, h) for t, h in zip(times, height, strict=True)])
    rises = height[rows, top] - at
    rise = float(chances @ rises)
    best = int(np.argmax(logs))
    if top[best] == len(fine) - 1 or rise <= 0:
        return None
    fallen = float(chances @ (at - height[:, -1]))  # below the hand, where the bat meets the ball
    if fallen > max(_FALLEN, _FALLEN_SHARE * rise):
        return None  # the ball was seen from about its top on, and something passed for the hand
    slopes = throw.slopes(np.array([times[best], fine[top[best]]]))[:, 2]
    change = slopes[1] - slopes[0]
    spread = float(chances @ (rises - rise) ** 2) + float(change @ covariances[best] @ change)
    if np.sqrt(spread) > _WIDEST:
        return None
    return Toss(
        release_s=release,
        release_sd_s=float(np.sqrt(variance + (_TICK / 2) ** 2)),
        contact_s=junction.time_s,
        rise_m=rise,
        rise_sd_m=float(np.hypot(np.sqrt(spread), _FINGERS)),
        n_frames=throw.n_frames,
    )


def _around(camera: Camera, throw: Throw, frames: Frames) -> Frames:
    """Only the candidates that a hand or a ball near the throw may be."""
    at, _ = throw.at(frames.times)
    wanted = camera.project(at) + throw.state[6:]
    reach = camera.matrix[0, 0] * _ARM / camera.depths(at)
    gap = np.hypot(
        frames.points[..., 0] - wanted[:, None, 0], frames.points[..., 1] - wanted[:, None, 1]
    )
    inside = gap < reach[:, None]
    order = np.argsort(~inside, axis=1, kind="stable")[:, : max(1, int(inside.sum(axis=1).max()))]
    kept = np.where(inside[..., None], frames.points, np.inf)
    return Frames(frames.times, np.take_along_axis(kept, order[..., None], axis=1))


def _weighed(
    camera: Camera,
    throw: Throw,
    near: Frames,
    times: np.ndarray,
    junction: Junction,
    jump_sd: float,
    jerk: float,
    expected: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Weigh each release.

    Returns
    -------
    logs, shown : ndarray, shape (T,)
        Log likelihood, and what the hand's pictures add to it.
    states : ndarray, shape (T, 8)
        Of the throw.
    covariances : ndarray, shape (T, 8, 8)
    """
    radius = ball_radius_px(camera, throw.at(times[-1:])[0][0])
    pictures, slopes = picture_slopes(camera, throw, near.times)  # (K, 2), (K, 2, 8)
    at, _ = throw.at(near.times)
    per_m = (
        camera.project(at + np.array([0.0, 0.0, 0.01])) - camera.project(at)
    ) / 0.01  # (K, 2) a metre up
    early = np.maximum(0.0, times[:, None] - near.times)  # (T, K)
    held = early > 0
    used = early <= _LOOK_BACK
    lift = np.stack([early, early**2 / 2], axis=-1)  # (T, K, 2)
    flat = slopes.reshape(-1, 8)  # (2 K, 8)
    squares = (slopes.transpose(0, 2, 1) @ slopes).reshape(-1, 64)
    mixed = (per_m[:, None] @ slopes)[:, 0]  # (K, 8)
    risen = (per_m * per_m).sum(axis=1)
    # what is known beforehand: where throws are, where the bat met the ball, what hands do
    size = 10
    normal0, slope0 = np.zeros((size, size)), np.zeros(size)
    mean, sd = throw.prior
    normal0[:8, :8] += np.diag(1 / sd**2)
    slope0[:8] += (mean - throw.state) / sd**2
    arm = throw.slopes(np.array([junction.time_s]))[0, :3]  # (3, 8)
    weight = arm.T @ np.linalg.inv(junction.covariance)
    normal0[:8, :8] += weight @ arm
    slope0[:8] += weight @ (junction.place - throw.at(np.array([junction.time_s]))[0][0])
    normal0[8, 8] += 1 / jump_sd**2
    normal0[9, 9] += 1 / _PULL_SD**2
    slope0[9] += _PULL / _PULL_SD**2
    sd_free = throw.scatter_px
    unsure = np.linalg.norm(per_m, axis=1) * jerk * early**3 / 6
    sd_held = np.hypot(1.3 * throw.scatter_px, unsure)
    share = np.where(held, _SEEN_HELD, _SEEN_FREE)
    clutter = _clutter(near, pictures, times, radius)
    spread = np.where(held, sd_held, sd_free)

    def odds_of(x: np.ndarray, wide: float) -> tuple[np.ndarray, np.ndarray]:
        """Nearest candidates (T, K, 2) and odds that they are the ball, (T, K)."""
        wanted = (x[:, :8] @ flat.T).reshape(len(x), -1, 2)
        wanted += (lift @ x[:, 8:, None]) * per_m
        wanted += pictures
        seen, gap = near.nearest(wanted)
        sd = wide * spread
        return seen, share * np.exp(-((gap / sd) ** 2) / 2) / (2 * np.pi * sd**2) / clutter

    x = np.zeros((len(times), size))
    best = np.full(len(times), -np.inf)
    for jump, pull in _STARTS:
        trial = np.zeros((len(times), size))
        trial[:, 8:] = jump, pull
        _, odds = odds_of(trial, 2.0)
        worth = np.where(held & used, np.log(1 - share + odds), 0.0).sum(axis=1)
        worth -= ((jump / jump_sd) ** 2 + ((pull - _PULL) / _PULL_SD) ** 2) / 2
        x = np.where((worth > best)[:, None], trial, x)
        best = np.maximum(best, worth)
    for turn in range(_ROUNDS + 1):
        seen, odds = odds_of(x, 1.0 + max(0.0, 1.0 - 0.5 * turn))
        if turn == _ROUNDS:
            break
        belief = np.where(used, odds / (odds + 1 - share), 0.0)  # (T, K)
        belief = np.where(belief < 1e-3, 0.0, belief / spread**2)
        off = np.where(np.isfinite(seen), seen, 0.0) - pictures  # (T, K, 2)
        normal, slope = np.empty((len(times), size, size)), np.empty((len(times), size))
        normal[:, :8, :8] = (belief @ squares).reshape(-1, 8, 8)
        slope[:, :8] = (belief[..., None] * off).reshape(len(times), -1) @ flat
        lifted = belief[..., None] * lift  # (T, K, 2)
        normal[:, 8:, :8] = lifted.transpose(0, 2, 1) @ mixed
        normal[:, :8, 8:] = normal[:, 8:, :8].transpose(0, 2, 1)
        normal[:, 8:, 8:] = (lifted * risen[:, None]).transpose(0, 2, 1) @ lift
        slope[:, 8:] = (lifted * (off * per_m).sum(axis=2)[..., None]).sum(axis=1)
        normal += normal0
        slope += slope0
        covariance = np.linalg.inv(normal)
        x = (covariance @ slope[:, :, None])[..., 0]
        x[:, 8] = np.maximum(x[:, 8], 0.0)  # a hand is not faster than the ball that it throws
        x[:, 9] = np.maximum(x[:, 9], 3.0)
    each = np.where(used, np.log(1 - share + odds), 0.0)
    shown = np.where(held, each, 0.0).sum(axis=1)
    before = np.logaddexp(np.log(1 - _TOLD), np.log(_TOLD) + shown)
    after = _after(times, near.times, np.where(held, 0.0, each))
    pull = np.einsum("tp,pq,tq->t", x, normal0, x) - 2 * x @ slope0
    logs = before + after - pull / 2 + np.linalg.slogdet(covariance)[1] / 2
    logs += np.log(expected / jump_sd)
    return logs, shown, throw.state + x[:, :8], covariance[:, :8, :8]


def _after(times: np.ndarray, seen_at: np.ndarray, each: np.ndarray) -> np.ndarray:
    """Log likelihood of the frames after each release (T,), whose log odds are `each` (T, K).

    The ball may be covered at first, for a time that is as likely to end soon as late.
    """
    tail = np.cumsum(each[:, ::-1], axis=1)[:, ::-1]  # from each frame on
    since = seen_at[None] - times[:, None]
    step = float(np.median(np.diff(seen_at)))
    first = (since >= 0) & (since < step)
    cover = -since / _COVER_S + np.log(_COVERED * np.expm1(step / _COVER_S))
    cost = np.where(since < 0, -np.inf, np.where(first, np.log(1 - _COVERED), cover))
    return np.asarray(np.logaddexp.reduce(tail + cost, axis=1))


def _clutter(near: Frames, pictures: np.ndarray, times: np.ndarray, radius: float) -> float:
    """Candidates of other things in a square px near the hand."""
    reach = 4 * radius + 10
    use = near.times < times[-1]
    gap = np.hypot(
        near.points[use, :, 0] - pictures[use, None, 0],
        near.points[use, :, 1] - pictures[use, None, 1],
    )
    count = float(((gap < reach) & (gap > radius)).sum() / max(1, use.sum()))
    return max(_LEAST_CLUTTER, count) / (np.pi * reach**2)
