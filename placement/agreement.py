"""Which sightings a fitted path may keep, and whether its bounces are such as a table gives."""

from __future__ import annotations

import numpy as np

from calibration import table
from placement.arcs import near_table
from placement.trajectory import Expectations, Path, Sightings

_GAP, _GAP_FRAMES = 0.1, 3.5  # s and frames without the ball in which a stroke may hide
_POORER = 0.6  # times the share of balls in the rest of a path
_BESIDE, _UNSURE = 0.1, 0.5  # m beyond the table's edge; at most what doubt may add
_RESTITUTION, _MOST_RUB = (0.7, 1.08), 0.8  # what a bounce may be; m/s
_FEW_PALE = 2  # sightings that show hardly anything: so few beyond a bounce tell none
_DEEP, _EDGE = 0.04, 0.05  # m beneath a table's top, that far within its edges
_BELOW_TAPE = 0.03  # m: a centre that crosses the net's plane so far below its top goes through it
# of ball and table: what makers must keep to (ITTF leaflet T1, from memory); and what is measured
_MOST_FRICTION, _FRICTION = 0.6, 0.35


def only(sightings: Sightings, keep: np.ndarray) -> Sightings:
    """The chosen sightings."""
    return Sightings(sightings.times[keep], sightings.points[keep], sightings.covariances[keep])


def agreeing(path: Path, sightings: Sightings, scale: float) -> np.ndarray:
    """Which sightings the path explains; at either end the outermost go first, a few at a time.

    A stroke, or another thing that moves, pulls the whole end of a path away: with its outermost
    sightings gone the next fit agrees with the rest again.
    """
    sd = np.sqrt(np.trace(sightings.covariances, axis1=1, axis2=2) / 2 + (0.3 * scale) ** 2)
    off = np.hypot(*path.residuals.T) / sd
    typical = max(1.0, float(np.median(off)) / 1.2)
    good = off < 4.0 * typical
    keep = np.ones(len(good), bool)
    most = max(2, len(good) // 12)
    for order in (np.arange(len(good)), np.arange(len(good))[::-1]):
        run, settled = 0, len(order)
        for k, i in enumerate(order):
            run = run + 1 if good[i] else 0
            if run == 3:
                settled = k - 2
                break
        keep[order[: min(settled, most)]] = False
        inner = order[settled:]
        keep[inner] &= good[inner] | (np.arange(len(inner)) >= len(inner) - most)
    return keep


def without_strangers(
    path: Path, times: np.ndarray, good: np.ndarray, faint: np.ndarray
) -> np.ndarray:
    """Which sightings belong to one flight: a stroke may hide in a long gap at either end.

    Before the first bounce and after the last, what lies beyond a gap is left out.
    """
    keep = np.ones(len(times), bool)
    if len(times) < 2:
        return keep
    longest = max(_GAP, _GAP_FRAMES * float(np.median(np.diff(times))))
    first, last = float(path.bounce_times[0]), float(path.bounce_times[-1])
    seen = times[good]
    if len(seen) < 2:
        return keep
    gaps = np.diff(seen)
    wide = np.flatnonzero(gaps > longest)
    before = wide[seen[wide] < first]
    if len(before):
        keep &= times > seen[before[-1]]
    after = wide[seen[wide] > last]
    if len(after):
        keep &= times < seen[after[0] + 1]
    # an arm that happens to lie where the ball would be does not look like one; what is faint
    # cannot tell, unless it does
    told = good | ~faint
    for end, outward in ((times < first, -1), (times > last, 1)):
        here, rest = keep & end & told, keep & ~end & told
        if here.any() and rest.any() and good[here].mean() < _POORER * good[rest].mean():
            keep &= ~end | _as_far_as_balls(times, here, good, outward)
    return keep


def _as_far_as_balls(
    times: np.ndarray, here: np.ndarray, good: np.ndarray, outward: int
) -> np.ndarray:
    """Which sightings lie no farther out than most of `here` look like a ball."""
    out = np.flatnonzero(here)[::outward]
    balance = np.cumsum(np.where(good[out], 1, -1))
    most = int(np.argmax(balance))
    if balance[most] <= 0:
        return np.zeros(len(times), bool)
    return np.asarray(outward * times <= outward * times[out[most]])


def telling(path: Path, times: np.ndarray, kept: np.ndarray, pale: np.ndarray) -> np.ndarray:
    """Which sightings may tell a bounce: beyond it lie some of `kept` that show a ball, or many.

    Where nothing is, anything fits; beyond the first or the last bounce one or two of such `pale`
    ones would tell a bounce where the ball is no more.
    """
    told = np.ones(len(times), bool)
    for beyond in (times < path.bounce_times[0], times > path.bounce_times[-1]):
        some = beyond & kept
        if some.sum() <= _FEW_PALE and pale[some].all():
            told[beyond] = False
    return told


def beneath(path: Path, times: np.ndarray) -> np.ndarray:
    """When the path lies beneath the table's top, where no ball comes from or goes to.

    There was a bounce before that, or after it: what seems to lead the path on is something else.
    """
    places = path.positions(times)
    return np.asarray(near_table(places[:, :2], -_EDGE) & (places[:, 2] < -_DEEP), bool)


def plausible(path: Path) -> bool:
    """Whether all bounces are such as a table gives, and not strokes."""
    return bool(table_bounces(path).all())


def table_bounces(path: Path) -> np.ndarray:
    """Which bounces (K,) are such as a table gives.

    However a ball spins, sliding takes no more of its speed along the table than friction allows.
    """
    each = path.theta[12:].reshape(-1, 3)
    kept = (each[:, 0] > _RESTITUTION[0]) & (each[:, 0] < _RESTITUTION[1])
    kept &= (np.abs(each[:, 1:]) < _MOST_RUB).all(axis=1)
    if not kept.any():
        return kept
    model = path.model()
    change = np.concatenate(model.outgoing) - np.concatenate(model.incoming)
    most = np.maximum(_MOST_FRICTION * change[:, 2], _FRICTION * change[:, 2] + _MOST_RUB)
    return np.asarray(kept & (np.hypot(change[:, 0], change[:, 1]) <= most))


def oddness(path: Path) -> np.ndarray:
    """How far each bounce (K,) is from what is known of tables, in squared standard deviations.

    Of its restitution, and of what its change of speed along the table leaves unexplained: for a
    ball and a table a chi-square of three degrees of freedom.
    """
    known = Expectations()
    means = np.array([known.restitution[0], known.rub[0], known.rub[0]])
    spreads = np.array([known.restitution[1], known.rub[1], known.rub[1]])
    each = path.theta[12:].reshape(-1, 3)
    return np.asarray((((each - means) / spreads) ** 2).sum(axis=1))


def on_table(path: Path, slack_m: float = 0.0) -> bool:
    """Whether all bounces lie where the table is, as far as is known of their places."""
    largest = np.linalg.eigvalsh(path.bounce_covariances)[:, -1]
    reach = _BESIDE + np.minimum(2 * np.sqrt(largest), _UNSURE) + slack_m
    return all(
        near_table(place[None], margin)[0]
        for place, margin in zip(path.bounce_places, reach.tolist(), strict=True)
    )


def through_net(path: Path) -> bool:
    """Whether the ball would have had to pass the net's meshes between two bounces."""
    times = path.bounce_times
    if len(times) < 2:
        return False
    at = path.positions(np.arange(times[0], times[-1], 0.005))
    crossing = np.flatnonzero(at[:-1, 0] * at[1:, 0] < 0)
    low = at[crossing, 2] < table.NET_HEIGHT - _BELOW_TAPE
    return bool(np.any(low & (np.abs(at[crossing, 1]) < table.NET_SPAN / 2)))
