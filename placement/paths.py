"""From meetings of runs to fitted paths of the ball.

Meetings that share a run are one path over several bounces. A path is first fitted to rough
candidates; it then tells where the ball must be in every frame, how large and how fast, so that
missing sightings are found, each picture is measured properly, and the fit is repeated. What a
real ball did fits to a fraction of a pixel, with pictures that look like a ball of the right size;
what did not is dropped.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from calibration import table
from placement import flight
from placement.agreement import (
    agreeing,
    beneath,
    on_table,
    only,
    plausible,
    telling,
    through_net,
    without_strangers,
)
from placement.arcs import near_table
from placement.ball import Candidates
from placement.bounces import Meeting
from placement.sightings import Member, Picture, Window, gather, measured, raw_sightings
from placement.trajectory import Path, Sightings, first_guess, fit_path

MOST_BOUNCES = 4  # longer chains are cut: what follows adds nothing to a serve
#: s from a hidden bounce to the first sighting after it, at most.
LONGEST_HIDDEN = 0.35
#: m from the table's edge beyond which no hand comes between a ball and the table.
INSIDE = 0.05
_CAUGHT = 0.04  # s before a bounce, likewise
_FRAMES_UNSEEN = 1.8  # frames from the last sighting to a bounce that must have been
_MOST_LED = 3  # bounces by which a path is led on at either end
_ROUNDS = 3  # of gathering, measuring and fitting beyond a bounce
_TRIMS = 4  # fits of one round, with fewer sightings each
_LEAVES = 1.0  # m/s along the table
_SOON = 0.2  # s beyond the last sighting within which a path is led on through a bounce
_FEWEST = 6  # sightings that a path needs
_LEAST_BALLS = 0.4  # share of sightings that must look like a ball
_FIRST_BALLS, _PALER = 0.3, 0.9  # the same, and share of the least contrast, before the first fit
# quantile of contrasts, and how many times the median it must be to count
_BRIGHTEST, _BEFORE_PALE = 0.85, 3.0
_PALE = 0.15  # times a path's contrast, of pictures that show hardly anything
_STILL = 0.08  # px: pictures that moved less need no other fit
# evaluations of other fits (a ball's path needs ten), and misfit that no trimming mends
_STEPS, _HOPELESS = 20, 6.0
_POOR, _NO_BETTER = 2.8, 0.93  # misfit, and share of that before, above which trimming ends
_ROUGH_STEPS = 15  # evaluations of a fit that only has to point to the ball
_ROUGHEST = 3.0  # misfit of such a fit beyond which no ball flew so


@dataclass(frozen=True, slots=True, eq=False)
class FollowedPath:
    """A path with what it was fitted to.

    Attributes
    ----------
    path : Path
    frames : ndarray of int, shape (N,)
    sightings : Sightings
    measured : ndarray of bool, shape (N,)
        Whether a sighting's picture was fitted, not only its brightness centred.
    pictures : tuple of (Candidates, int)
        The candidate behind each sighting.
    first_seen, last_seen : float
        s, of the stretch in which the path holds.
    history : tuple of (float, ndarray of shape (M, 2))
        Times and compact candidates' points of the frames of the second before, for the toss.
    crowd : tuple of (float, ndarray of shape (M, 2))
        The same of all candidates: in the hand a ball passes for part of a limb.
    contrast : float
        Of its measured pictures, grey levels: their median, as a rule; NaN without any.
    known : dict
        Pictures measured on the way, by frame and candidate.
    """

    path: Path
    frames: np.ndarray
    sightings: Sightings
    measured: np.ndarray
    pictures: tuple[tuple[Candidates, int], ...]
    first_seen: float
    last_seen: float
    history: tuple[tuple[float, np.ndarray], ...] = ()
    crowd: tuple[tuple[float, np.ndarray], ...] = ()
    contrast: float = np.nan
    known: dict[Member, Picture] = field(default_factory=dict)

    @property
    def members(self) -> list[Member]:
        """Frame and candidate of each sighting."""
        return [(c.frame, m) for c, m in self.pictures]


def chains_of(meetings: Sequence[Meeting]) -> list[list[Meeting]]:
    """Join meetings that share a run, best first; each run is used once on either side."""

    def worth(m: Meeting) -> float:
        return min(len(m.before.times), 12) + min(len(m.after.times), 12) - 6 * m.misfit

    ordered = sorted(meetings, key=worth, reverse=True)
    ending: dict[int, Meeting] = {}
    beginning: dict[int, Meeting] = {}
    for m in ordered:
        if id(m.before) in ending or id(m.after) in beginning:
            continue
        ending[id(m.before)] = m
        beginning[id(m.after)] = m
    chains: list[list[Meeting]] = []
    starts = [m for m in ending.values() if id(m.before) not in beginning]
    for m in sorted(starts, key=lambda m: m.time):
        chain = [m]
        while id(chain[-1].after) in ending and len(chain) < 64:
            chain.append(ending[id(chain[-1].after)])
        chains.extend(chain[i : i + MOST_BOUNCES] for i in range(0, len(chain), MOST_BOUNCES))
    return chains


def follow_chain(
    window: Window, chain: Sequence[Meeting], *, rounds: int = 2
) -> FollowedPath | None:
    """Fit a chain of meetings, gather its sightings, measure them and fit again.

    Parameters
    ----------
    window : Window
        With the frames of the chain's time at least.
    chain : sequence of Meeting
        In time order; each after-run is the next before-run.
    rounds : int
        How often to measure and fit again, at most.

    Returns
    -------
    FollowedPath or None
        None where no ball's path fits.
    """
    best: FollowedPath | None = None
    # a stroke, or the net, may pass for a bounce at either end of the chain: the longest part that
    # flies like a ball is the path
    for n in range(len(chain), 0, -1):
        for first in range(len(chain) - n, -1, -1):
            part = _follow_whole(window, chain[first : first + n], rounds)
            if part is not None and (best is None or weight_of(part) > weight_of(best)):
                best = part
        if best is not None and _supported(best):
            break
    return best


def _follow_whole(window: Window, chain: Sequence[Meeting], rounds: int) -> FollowedPath | None:
    runs = [chain[0].before, *(m.after for m in chain)]
    members = [member for run in runs for member in run.candidates]
    start = first_guess(
        [m.time for m in chain],
        chain[0].place,
        chain[0].incoming,
        [m.outgoing for m in chain],
        window.expectations,
    )
    found = follow(window, start, len(chain), members, rounds=rounds)
    return found if found is not None and on_table(found.path) else None


def _supported(followed: FollowedPath) -> bool:
    """Whether the ball was seen on both sides of the first bounce, or soon after it, and so on.

    A bounce with nothing seen between it and the next is one that the fit only made up.
    """
    times, bounces = followed.sightings.times, followed.path.bounce_times
    edges = np.concatenate([[-np.inf], bounces, [np.inf]])
    seen = np.histogram(times, edges)[0]
    return bool((seen[1:-1] >= 2).all() and seen[0] + seen[1] >= 3 and seen[-2] + seen[-1] >= 3)


def weight_of(followed: FollowedPath) -> float:
    """How much speaks for a path: pictures that it explains, and how closely."""
    good = float(followed.measured.sum())
    return good / max(0.7, followed.path.misfit) * (1.0 if _supported(followed) else 0.5)


def follow(
    window: Window,
    start: np.ndarray,
    n: int,
    members: Sequence[Member],
    *,
    rounds: int = 2,
    astray: Callable[[Path], bool] | None = None,
) -> FollowedPath | None:
    """Fit a path of `n` bounces from a first guess and a few of its candidates.

    Parameters
    ----------
    window : Window
    start : ndarray, shape (12 + 3 n,)
        See `placement.trajectory.first_guess`.
    n : int
    members : sequence of (int, int)
        Frames and candidates.
    rounds : int
    astray : callable, optional
        Asked on the way whether a path is already so far from what is looked for that it is given
        up.

    Returns
    -------
    FollowedPath or None
    """
    members = [fm for fm in dict(members).items() if fm[0] in window.frames]
    if len(members) < _FEWEST:
        return None
    guess = Path(
        start,
        np.diag(np.full(len(start), 1e-4)),
        n,
        np.empty(0),
        np.empty((0, 2)),
        np.empty((0, 2, 2)),
        0.0,
        np.empty((0, 2)),
        0,
    )
    path = fit_path(
        window.camera,
        raw_sightings(window, guess, members),
        start,
        n,
        window.expectations,
        readout_s=window.readout_s,
        most_steps=_ROUGH_STEPS,
    )
    if path is None or path.misfit > _ROUGHEST or (astray is not None and astray(path)):
        return None
    return _refined(window, path, members, {}, rounds, astray)


def refined(window: Window, followed: FollowedPath) -> FollowedPath | None:
    """The path measured again, as after the ball's look was learnt."""
    return _refined(window, followed.path, followed.members, {}, 2)


def _refined(
    window: Window,
    path: Path,
    members: Sequence[Member],
    known: dict[Member, Picture],
    rounds: int,
    astray: Callable[[Path], bool] | None = None,
) -> FollowedPath | None:
    """Gather, measure and fit until nothing changes, or nothing can come of it."""
    n = path.n_bounces
    before: list[Member] = []
    seen: Sightings | None = None
    for last in range(rounds):
        gathered = gather(window, path, members)
        if len(gathered) < _FEWEST:
            return None
        sightings, good, faint = measured(window, path, gathered, known)
        whole = without_strangers(path, sightings.times, good, faint)
        if not whole.all():
            gathered = [m for m, k in zip(gathered, whole, strict=True) if k]
            sightings, good, faint = only(sightings, whole), good[whole], faint[whole]
            if len(gathered) < _FEWEST:
                return None
        if last == 0 and (
            good.mean() < _FIRST_BALLS
            or _contrast([known[m] for m in gathered]) < _PALER * window.palest
        ):
            return None  # most of what lies there looks like no ball, or is too pale for this one
        if gathered == before and _unchanged(sightings, seen):
            break
        before, members, seen = gathered, gathered, sightings
        for attempt in range(_TRIMS):
            fitted = fit_path(
                window.camera,
                sightings,
                path.theta,
                n,
                window.expectations,
                readout_s=window.readout_s,
                most_steps=_STEPS,
            )
            if fitted is None or fitted.misfit > _HOPELESS:
                return None
            if attempt and fitted.misfit > max(_POOR, _NO_BETTER * path.misfit):
                return None  # trimming does not mend it
            path = fitted
            keep = agreeing(path, sightings, window.scale)
            keep[keep] = without_strangers(path, sightings.times[keep], good[keep], faint[keep])
            pictures = [known[m] for m in members]
            pale = np.array([p.contrast for p in pictures]) < _PALE * _contrast(pictures)
            keep &= telling(path, sightings.times, keep, pale) & ~beneath(path, sightings.times)
            if keep.all() or attempt == _TRIMS - 1:
                break
            if keep.sum() < _FEWEST:
                return None
            members = [m for m, k in zip(members, keep, strict=True) if k]
            sightings, good, faint = only(sightings, keep), good[keep], faint[keep]
        kept = (members, sightings, good)
        if last == 0 and good.mean() < _LEAST_BALLS:
            return None
        if astray is not None and astray(path):
            return None
    if not plausible(path):
        return None
    members, sightings, good = kept
    pictures = [known[m] for m in members]
    return FollowedPath(
        path,
        np.array([f for f, _ in members]),
        sightings,
        good,
        tuple((window.frames[f], m) for f, m in members),
        float(sightings.times[0]),
        float(sightings.times[-1]),
        contrast=_contrast(pictures),
        known=known,
    )


def _contrast(pictures: Sequence[Picture]) -> float:
    """Median contrast of those that look like a ball, grey levels; NaN without any.

    More where the brightest stand out far more clearly: a ball flies before a pale wall as well.
    """
    values = [p.contrast for p in pictures if p.good]
    if not values:
        return np.nan
    return max(float(np.median(values)), float(np.quantile(values, _BRIGHTEST)) / _BEFORE_PALE)


def _unchanged(now: Sightings, before: Sightings | None) -> bool:
    return before is not None and bool(np.abs(now.points - before.points).max() < _STILL)


def extended(window: Window, followed: FollowedPath) -> FollowedPath:
    """The path, led on through a bounce before or after it if the ball is found there.

    A flight that comes from the table, or falls onto it, had a bounce there, even where too few
    sightings beyond it made a run of their own.
    """
    for later in (True, False):
        for _ in range(_MOST_LED):
            more = _with_another(window, followed, later)
            if more is None:
                break
            followed = more
    return followed


def _with_another(window: Window, followed: FollowedPath, later: bool) -> FollowedPath | None:
    """The path through one more bounce at its end, or at its beginning; None if there is none."""
    # what came before tells more than what followed: a serve's first bounce must not be crowded out
    if followed.path.n_bounces >= (MOST_BOUNCES if later else MOST_BOUNCES + _MOST_LED):
        return None
    theta = _with_later(followed) if later else _with_earlier(followed)
    if theta is None:
        return None
    guess = fit_path(
        window.camera,
        followed.sightings,
        theta,
        followed.path.n_bounces + 1,
        window.expectations,
        readout_s=window.readout_s,
        most_steps=_ROUGH_STEPS,
    )
    if guess is None or guess.misfit > _ROUGHEST:
        return None
    more = _refined(window, guess, followed.members, dict(followed.known), _ROUNDS)
    if more is not None and through_net(more.path):
        return None
    if more is not None and more.path.misfit < max(1.2, 1.5 * followed.path.misfit):
        times, bounces = more.sightings.times, more.path.bounce_times
        beyond = times > bounces[-1] if later else times < bounces[0]
        # before a flight that leaves the table at speed there was a bounce, seen or not
        leaves = not later and abs(float(more.path.model().outgoing[0][0, 0])) > _LEAVES
        if (more.measured & beyond).sum() >= 2 or leaves:
            return more
    if (
        later
        and not through_net(guess)
        and pinned(followed)
        and guess.bounce_times[-1] <= _end_of(window)  # not what the film does not show
        and _surely_lands(
            guess, followed.last_seen, float(np.median(np.diff(followed.sightings.times)))
        )
    ):
        return replace(followed, path=guess)
    return None


def _end_of(window: Window) -> float:
    """Time up to which the film shows what happens, s: half a frame beyond its last."""
    *_, before, last = sorted(c.time_s for c in window.frames.values())
    return last + (last - before) / 2


def pinned(followed: FollowedPath) -> bool:
    """Whether some bounce was seen from both sides: that alone fixes how far off a path is."""
    times, bounces = followed.sightings.times, followed.path.bounce_times
    return any((times < b).sum() >= 2 and (times > b).sum() >= 2 for b in bounces)


def longest_unseen(apart: float) -> float:
    """How long before a bounce a ball may last be seen, s, in frames `apart` s, and surely meet it.

    A hand may catch it just above the table; then frames that should show it do not.
    """
    return min(_CAUGHT, _FRAMES_UNSEEN * apart)


def _surely_lands(path: Path, last_seen: float, apart: float) -> bool:
    """Whether the ball was followed so far down that it must have met the table.

    Frames are `apart` s: one that should have shown it before the bounce, and did not, is doubt.
    """
    near = float(path.bounce_times[-1]) - last_seen < longest_unseen(apart)
    inside = INSIDE + 2 * float(np.sqrt(np.trace(path.bounce_covariances[-1])))
    return near and bool(near_table(path.bounce_places[-1:], -inside)[0]) and plausible(path)


def _with_later(followed: FollowedPath) -> np.ndarray | None:
    """Unknowns with one more bounce at the end, if the path falls to the table soon."""
    path = followed.path
    arc = path.model().arc_after(path.n_bounces - 1, 1.2)
    since = float(arc.falls_to(table.BALL_RADIUS)[0])
    time = float(path.bounce_times[-1]) + since
    if not np.isfinite(since) or not -0.1 < time - followed.last_seen < _SOON:
        return None
    place = arc.at(np.array([[since]]))[0, 0]
    if since < 0.08 or not near_table(place[None, :2], 0.1)[0]:
        return None
    return np.concatenate([path.theta, [0.9, 0.0, 0.0]])


def _with_earlier(followed: FollowedPath) -> np.ndarray | None:
    """Unknowns with one more bounce at the beginning, if the path rose from the table there."""
    path = followed.path
    first = float(path.bounce_times[0])
    times = np.arange(first - 0.02, followed.first_seen - LONGEST_HIDDEN, -0.005)
    if not len(times):
        return None
    at = path.positions(times)
    speed = path.velocities(times)
    low = np.flatnonzero((at[:, 2] < table.BALL_RADIUS) & (speed[:, 2] > 0.3))
    if not len(low) or not near_table(at[low[:1], :2], 0.1)[0]:
        return None
    k = int(low[0])
    if times[k] > followed.first_seen + 0.1 or first - times[k] < 0.08:
        return None
    outgoing = speed[k]
    incoming = np.array([outgoing[0] * 1.15, outgoing[1] * 1.15, -outgoing[2] / 0.9])
    theta = path.theta
    after, _ = flight.bounce(incoming[None], theta[None, 6:9], restitution=0.9, friction=theta[9])
    rub = np.clip(outgoing[:2] - after[0, :2], -1.0, 1.0)
    head = np.concatenate([[times[k]], at[k, :2], incoming, theta[6:12], [0.9], rub])
    return np.concatenate([head, theta[12:]])
