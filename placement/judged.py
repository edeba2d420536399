"""What became of each serve against what was called, and what is drawn from it.

The rows come from `records.Store.serves`: one a serve, with what was called, the corrections in
force and the probability of every class. Points are table (x, y), m, turned as if all had been
served from the negative-x end.

What counts: good, net, missed and own-twice are attempts; a let is served again (Law 2.9) and an
unclear one is left out and said. A serve is a hit if it was good and in the called zone. Where the
zone is not certain (probability below 0.8) the most probable one is taken and the serve is counted
as a close call.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import chi2

from placement import intervals, spread, variety, zones

Floats = NDArray[np.float64]

ATTEMPTS = ("good", "net", "missed", "own-twice")
MIN_SPREAD = 5  # landed serves below which a spread is not shown; common practice, no source
LEVEL = 0.95  # of every interval
_FLOOR_SD = 0.005  # m, where an analysis gave no covariance: half of what a phone can do at best
_LEAST_SD = 1e-4  # m: a covariance of nought would have no inverse


def judge(serves: pd.DataFrame) -> pd.DataFrame:
    """Add to each serve whether it counts, whether it hit what was called, and how sure that is.

    Parameters
    ----------
    serves : DataFrame
        As from `records.Store.serves`.

    Returns
    -------
    DataFrame
        With ``attempt, good, landing, landing_probability, target, hit`` (1.0, 0.0, or NaN where
        nothing was called or it is not decided), ``close`` (bool), and the landing turned to one
        end, ``x_m, y_m``, NaN unless the serve was good.
    """
    outcome = serves["outcome"].to_numpy(object)
    attempt = np.isin(outcome.astype(str), ATTEMPTS)
    good = outcome.astype(str) == "good"
    end = serves["server_end"].to_numpy(float)
    known_end = np.where(np.isin(end, (-1.0, 1.0)), end, -1.0)
    x = np.where(np.isin(end, (-1.0, 1.0)), serves["landing_x_m"].to_numpy(float), np.nan)
    y = serves["landing_y_m"].to_numpy(float)
    sd_x = serves["landing_sd_x_m"].fillna(_FLOOR_SD).to_numpy(float)
    landing, landing_p = _landing(x, sd_x, known_end)
    parts = (
        (serves["target_depth"], serves["depth"], serves["depth_probability"]),
        (serves["target_side"], serves["side"], serves["side_probability"]),
        (serves["target_landing"], pd.Series(landing, dtype=object), pd.Series(landing_p)),
    )
    n = len(serves)
    called = np.zeros(n, dtype=bool)
    wrong = np.zeros(n, dtype=bool)
    unknown = np.zeros(n, dtype=bool)
    sure = serves["outcome_probability"].fillna(1.0).to_numpy(float).copy()
    for wanted, got, probability in parts:
        want, have = wanted.to_numpy(str), got.to_numpy(str)
        asked = want != ""
        called |= asked
        unknown |= asked & (have == "")
        wrong |= asked & (have != "") & (have != want)
        zone_p = probability.fillna(1.0).to_numpy(float)
        sure = np.where(asked & good, np.minimum(sure, zone_p), sure)
    hit = np.where(good & ~wrong, 1.0, 0.0)
    hit = np.where(good & ~wrong & unknown, np.nan, hit)
    hit = np.where(attempt & called, hit, np.nan)
    faced = zones.face_one_way(np.column_stack([x, y]), known_end) if n else np.empty((0, 2))
    return serves.assign(
        attempt=attempt,
        good=good,
        landing=np.array(landing, dtype=object),  # plain text: quicker to pick from than Arrow's
        landing_probability=landing_p,
        target=np.array(_target_names(serves), dtype=object),
        hit=hit,
        close=~np.isnan(hit) & (sure < zones.CLOSE_CALL_BELOW),
        x_m=np.where(good, faced[:, 0], np.nan),
        y_m=np.where(good, faced[:, 1], np.nan),
    )


def target_of(row: object) -> zones.Target | None:
    """The called zone of one serve or turn; None where nothing was called."""
    depth, side, landing = (
        str(getattr(row, f"target_{name}", "")) or None for name in ("depth", "side", "landing")
    )
    if depth is None and side is None and landing is None:
        return None
    return zones.Target(side=side, depth=depth, landing=landing)


def hit_rate(judged: pd.DataFrame) -> intervals.Rate:
    """Hits of called targets, Wilson; serves that are not decided are left out."""
    decided = judged["hit"].dropna()
    return intervals.rate(int(decided.sum()), len(decided))


def hits_by_target(judged: pd.DataFrame) -> pd.DataFrame:
    """Hit rate of each called target.

    Returns
    -------
    DataFrame
        ``target, stroke, hits, n, rate, low, high, close, undecided``, in the order first served.
    """
    rows = target_rows(judged)
    columns = ["target", "stroke", "hits", "n", "rate", "low", "high", "close", "undecided"]
    return pd.DataFrame(rows, columns=columns)


def target_rows(judged: pd.DataFrame) -> list[dict[str, Any]]:
    """The rows of `hits_by_target` as plain values, which is quicker for many students."""
    columns_in = (judged[name].tolist() for name in ("target", "stroke", "attempt", "hit", "close"))
    counts: dict[tuple[str, str], list[int]] = {}  # hits, decided, close, undecided
    for target, stroke, attempt, hit, close in zip(*columns_in, strict=True):
        if target and attempt:
            count = counts.setdefault((target, stroke), [0, 0, 0, 0])
            known = hit == hit  # NaN where it is not decided
            count[0] += known and hit == 1.0
            count[1] += known
            count[2] += close
            count[3] += not known
    rows = []
    for (target, stroke), (hits, n, close, undecided) in counts.items():
        found = intervals.rate(hits, n)
        rows.append(
            {
                "target": target,
                "stroke": stroke,
                "hits": hits,
                "n": n,
                "rate": found.value,
                "low": found.low,
                "high": found.high,
                "close": close,
                "undecided": undecided,
            }
        )
    return rows


def landed_points(judged: pd.DataFrame) -> tuple[Floats, Floats, list[str]]:
    """Landed good serves turned to one end.

    Returns
    -------
    (ndarray of shape (N, 2), ndarray of shape (N, 2, 2), list of str)
        Points, m; their covariances, m^2; the called target of each.
    """
    points = np.column_stack([judged[name].to_numpy(float) for name in ("x_m", "y_m")])
    landed = ~np.isnan(points).any(axis=1)

    def sd_along(axis: str) -> Floats:
        values = judged[f"landing_sd_{axis}_m"].to_numpy(float)[landed]
        return np.maximum(np.where(np.isnan(values), _FLOOR_SD, values), _LEAST_SD)

    cov = np.nan_to_num(judged["landing_cov_xy_m2"].to_numpy(float)[landed])
    covariances = zones.covariance_from_columns(sd_along("x"), sd_along("y"), cov)
    covariances = covariances.reshape(-1, 2, 2)
    return points[landed], covariances, judged["target"].to_numpy(object)[landed].tolist()


def student_spread(judged: pd.DataFrame) -> spread.Spread | None:
    """Scatter about the mean of each target, measurement removed; None below 5 landed serves."""
    points, cov, targets = landed_points(judged)
    if len(points) - len(set(targets)) < MIN_SPREAD - 1:
        return None
    return spread.measure_spread(points, measurement=cov, targets=targets)


def circular_error_interval(found: spread.Spread) -> intervals.Interval:
    """The circular error of a spread with its interval, m.

    The sum of the two variances is taken as a chi-squared with Satterthwaite's degrees of freedom
    (Biometrics Bulletin 2:110, 1946), the measurement's share being known.

    Parameters
    ----------
    found : Spread
        From `student_spread`.
    """
    value = found.circular_error_m
    seen, own = np.trace(found.seen), np.trace(found.student)
    freedom = (found.n - 1) * seen**2 / np.trace(found.seen @ found.seen)
    ends = seen * freedom / chi2.ppf([1 - (1 - LEVEL) / 2, (1 - LEVEL) / 2], freedom)
    own_ends = np.maximum(ends - np.trace(found.measurement), 0.0)
    if own <= 0:  # all of what was seen may be the measurement's
        return intervals.Interval(value, 0.0, float(np.sqrt(own_ends[1] / 2) * spread.CEP_FACTOR))
    low, high = value * np.sqrt(own_ends / own)
    return intervals.Interval(value, float(low), float(high))


def student_bias(judged: pd.DataFrame) -> spread.Bias | None:
    """Mean offset from the called spots; None where no spot was called or nothing landed."""
    rows = judged[judged["x_m"].notna() & judged["y_m"].notna()]
    aims, points = [], []
    for row in rows[["target_depth", "target_side", "target_landing", "x_m", "y_m"]].itertuples():
        target = target_of(row)
        if target is not None and (target.side or target.landing):
            aims.append(target.aim(-1))
            points.append((row.x_m, row.y_m))
    if not points:
        return None
    return spread.measure_bias(np.array(points, float), np.array(aims), server_end=-1)


def zone_counts(judged: pd.DataFrame) -> dict[str, int]:
    """Good serves in each of the nine zones, depth by side, zeros included."""
    good = judged["good"].to_numpy(bool)
    names = zip(judged["depth"].to_numpy()[good], judged["side"].to_numpy()[good], strict=True)
    counts = Counter(names)
    return {f"{d} {s}": counts[d, s] for d in zones.DEPTHS for s in zones.SIDES}


def zone_shares(judged: pd.DataFrame) -> pd.DataFrame:
    """Share of each side, depth and landing third among the good serves.

    Returns
    -------
    DataFrame
        ``kind`` (side, depth or landing), ``zone, hits, n, share, low, high``.
    """
    good = judged[judged["good"]]
    rows = []
    for kind, names in (
        ("depth", zones.DEPTHS),
        ("side", zones.SIDES),
        ("landing", zones.LANDINGS),
    ):
        for zone, found in variety.shares(good[kind].tolist(), names).items():
            rows.append((kind, zone, found.hits, found.n, found.value, found.low, found.high))
    return pd.DataFrame(rows, columns=["kind", "zone", "hits", "n", "share", "low", "high"])


def _landing(x: Floats, sd: Floats, end: Floats) -> tuple[list[str], Floats]:
    if not len(x):
        return [], np.empty(0)
    classes = zones.classify_landing(x, sd, end)
    return classes.label, classes.best_probability


def _target_names(serves: pd.DataFrame) -> list[str]:
    parts = (serves[f"target_{name}"].tolist() for name in ("depth", "side", "landing"))
    keys = list(zip(*parts, strict=True))
    names = {
        key: zones.Target(depth=key[0] or None, side=key[1] or None, landing=key[2] or None).name
        if any(key)
        else ""
        for key in set(keys)
    }
    return [names[key] for key in keys]
