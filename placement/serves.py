"""From followed paths to serves: who served from where, what became of it, and how sure that is.

The laws make a serve recognisable: it is the one stroke whose first bounce is on the striker's own
half while the ball travels towards the net (Laws 2.6.3 and 2.7.1; a return bounces first beyond the
net). Idle bouncing has no such travel. A first bounce hidden by the server's body is inferred from
the flight that follows. The toss is the nearly upright flight that ends where the bat met the ball.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from calibration import Calibration
from placement import zones
from placement.analysis import Bounce, Serve
from placement.contacts import Contact, contacts_of
from placement.net import clearance_of, touched_net
from placement.outcome import fall_of, foretold_second, outcome_of
from placement.paths import FollowedPath
from placement.serve_starts import SERVE_SPEED, off_net_starts, serve_starts
from placement.spin import spin_interval
from placement.stroke import Stroke, find_stroke

# light and lens shift pictures a little along a path, which a fit takes for spin, and so does a
# sighting of the hand: 95 % intervals half as wide again as the fit's own held 93 % of 412 spins of
# 52 rendered films, seven tenths wider ones 95 %
_SPIN_WIDER = 1.7
_SEEN_BEFORE = 0.15  # s of film before a serve that show its beginning
_NEXT_BOUNCE = 1.1  # s, longest flight to the next bounce
_RETURNED, _FROM_NET = 2.0, 2.0  # s by which a serve is returned; m/s, more than the net gives back
_LEAST_BELIEF = 0.8  # of a bounce that belongs to no serve, for it to be told
_TO_NET = (
    0.45  # s from the stroke to the net of a serve that ends there; common practice, no source
)


def find_serves(
    calibration: Calibration,
    paths: Sequence[FollowedPath],
    *,
    band_m: float = zones.HALF_LONG_BAND,
    first_s: float = 0.0,
    last_s: float = np.inf,
    readout_s: float = 0.0,
) -> tuple[list[Bounce], list[Serve]]:
    """Bounces and serves of a stretch of film with one calibration.

    Parameters
    ----------
    calibration : Calibration
    paths : sequence of FollowedPath
    band_m : float
        Half-width of the half-long band, m.
    first_s, last_s : float
        Ends of the stretch, s: serves that touch them are flagged as cut off.
    readout_s : float
        See `placement.trajectory.fit_path`.

    Returns
    -------
    bounces : list of Bounce
        In time order.
    serves : list of Serve
        In time order; `Serve.bounces` are places in `bounces`.
    """
    contacts = contacts_of(calibration, paths)
    starts = serve_starts(contacts)
    off_net = off_net_starts(contacts, paths, starts)
    starts = sorted([*starts, *off_net])
    kinds = ["other"] * len(contacts)
    owner: list[int | None] = [None] * len(contacts)
    serves = []
    for number, i in enumerate(starts, start=1):
        until = contacts[starts[number]].time if number < len(starts) else np.inf
        if i in off_net:
            serves.append(_dropped(paths, contacts[i], number))
            continue
        serve, used, rally = _judge(
            calibration, paths, contacts, i, until, number, band_m, first_s, last_s, readout_s
        )
        for k in used:
            kinds[k], owner[k] = "serve", number
        for k in rally:
            kinds[k], owner[k] = "return", number
        serves.append(serve)
    for k, c in enumerate(contacts):
        slow = abs(c.outgoing[0]) < SERVE_SPEED and abs(c.point[0]) > 0.6
        if kinds[k] == "other" and slow:
            later = [contacts[i] for i in starts if 0 < contacts[i].time - c.time < 6.0]
            if later and later[0].half == c.half:
                kinds[k] = "idle"
    shown = [
        k for k, c in enumerate(contacts)
        if c.seen and (kinds[k] != "other" or _belief(paths[c.path]) >= _LEAST_BELIEF)
    ]  # fmt: skip
    place = {k: n for n, k in enumerate(shown)}
    ends = {s.number: s.server_end for s in serves}
    bounces = []
    for k in shown:
        # one without a serve of its own: a half by the serve before, of an idle one by the next
        number = owner[k] or bisect_right(starts, k) + (kinds[k] == "idle") or 1
        bounces.append(_bounce(contacts[k], kinds[k], owner[k], paths, ends.get(number, -1)))
    serves = [replace(s, bounces=tuple(place[k] for k in s.bounces if k in place)) for s in serves]
    return bounces, serves


def _judge(
    calibration: Calibration,
    paths: Sequence[FollowedPath],
    contacts: Sequence[Contact],
    i: int,
    until: float,
    number: int,
    band_m: float,
    first_s: float,
    last_s: float,
    readout_s: float,
) -> tuple[Serve, list[int], list[int]]:
    """One serve from its first bounce on."""
    first = contacts[i]
    end = first.half
    followed = paths[first.path]
    flags: set[str] = set()
    if not first.seen:
        flags.add("first-bounce-hidden")
    later = [
        k
        for k in range(i + 1, len(contacts))
        if first.time + 0.06 < contacts[k].time < min(until - 0.02, first.time + 3.0)
    ]

    def comes_back(contact: Contact) -> bool:
        """Whether the receiver played it: no ball comes off the net so fast."""
        soon = contact.time - first.time < _RETURNED
        return soon and contact.half == end and contact.incoming[0] * end > _FROM_NET

    landed = next(
        (
            k
            for k in later
            if contacts[k].half == -end
            and contacts[k].time - first.time < _NEXT_BOUNCE
            and contacts[k].incoming[0] * -end > 0.2
        ),
        None,
    )
    own = next(
        (
            k
            for k in later
            if contacts[k].half == end
            and (landed is None or contacts[k].time < contacts[landed].time)
            and contacts[k].time - first.time < _NEXT_BOUNCE
            and not comes_back(contacts[k])
        ),
        None,
    )
    fall, fall_cov = followed.path.propagate(lambda m: fall_of(m, first.order))
    clearance, clearance_sd = clearance_of(followed.path, first.order)
    touched = landed is not None and touched_net(
        paths, first, contacts[landed], clearance, clearance_sd, calibration.camera, readout_s
    )
    outcome, probability = outcome_of(
        end, landed, own, contacts, first, fall, fall_cov, clearance, clearance_sd, paths,
        touched=touched, returned=any(comes_back(contacts[k]) for k in later),
    )  # fmt: skip
    used = [i]
    second = np.full(2, np.nan)
    second_cov = np.full((2, 2), np.nan)
    landing, landing_cov = np.full(2, np.nan), np.full((2, 2), np.nan)
    seen_second = False
    if outcome in ("good", "let"):
        if landed is not None:
            c = contacts[landed]
            used.append(landed)
            landing, landing_cov = c.point, c.covariance
            third = next(
                (
                    k
                    for k in later
                    if k > landed
                    and contacts[k].half == -end
                    and contacts[k].time - c.time < _NEXT_BOUNCE
                    and float(np.hypot(*(contacts[k].incoming - c.outgoing)[:2])) < 1.5
                ),
                None,
            )
            if third is not None:
                used.append(third)
                second, second_cov = contacts[third].point, contacts[third].covariance
                seen_second = True
            else:
                value, spread = paths[c.path].path.propagate(lambda m: fall_of(m, c.order))
                second, second_cov = value[1:], spread[1:, 1:] + landing_cov
                flags.add("predicted-second-bounce")
        else:
            landing, landing_cov = fall[1:], fall_cov[1:, 1:]
            second, second_cov = foretold_second(followed.path, first.order)
            flags |= {"landing-predicted", "predicted-second-bounce"}
    if own is not None and outcome == "own-twice":
        used.append(own)
    rally = [k for k in later if k not in used and contacts[k].incoming[0] * end > 1.0]
    stroke = find_stroke(
        calibration.camera, followed, first.time, crowd=followed.crowd, readout_s=readout_s
    )
    contact_s, toss = stroke.contact_s, stroke.toss
    if toss is not None:
        started = toss.release_s
    else:
        flags.add("toss-hidden")
        started = contact_s if stroke.tossed_s is None else stroke.tossed_s
    begun = toss is not None or started > first_s + _SEEN_BEFORE  # a toss that is known was seen
    watched = outcome != "unclear" or last_s - first.time > _NEXT_BOUNCE
    if not begun or not watched or (landed is None and fall[0] > last_s):
        flags.add("cut-off")
    serve = Serve(
        number=number,
        t_start_s=started,
        t_contact_s=contact_s,
        server_end=end,
        outcome=outcome,
        outcome_probability=probability,
        landing=landing,
        landing_covariance=landing_cov,
        second_bounce=second,
        second_bounce_covariance=second_cov,
        second_bounce_seen=seen_second,
        toss_rise_m=np.nan if toss is None else toss.rise_m,
        toss_rise_sd_m=np.nan if toss is None else toss.rise_sd_m,
        net_clearance_m=clearance if np.isfinite(clearance) else np.nan,
        bounces=tuple(used),
        flags=frozenset(flags),
        **_pace_and_spin(stroke, first),
        **_track(followed, contact_s),
    )
    return _with_zones(serve, band_m), used, rally


def _pace_and_spin(stroke: Stroke, first: Contact) -> dict[str, Any]:
    if first.order != 0:
        return {}
    out = {
        "pace_m_s": float(np.linalg.norm(stroke.velocity)),
        "pace_sd_m_s": stroke.pace_sd_m_s,
    }
    for name, spin in zip(
        ("topspin", "sidespin"), spin_interval(stroke.path, wider=_SPIN_WIDER), strict=True
    ):
        if np.isfinite(spin.value):
            out[f"{name}_rad_s"] = spin.value
            out[f"{name}_lo"] = spin.low
            out[f"{name}_hi"] = spin.high
    return out


def _dropped(paths: Sequence[FollowedPath], first: Contact, number: int) -> Serve:
    """A serve of which only the ball's drop off the net was seen, from its first contact on."""
    contact_s = paths[first.path].first_seen - _TO_NET
    return Serve(
        number=number,
        t_start_s=contact_s,
        t_contact_s=contact_s,
        server_end=first.half,
        outcome="net",
        outcome_probability=0.7,
        flags=frozenset({"first-bounce-hidden", "toss-hidden"}),
    )


def _track(followed: FollowedPath, contact_s: float) -> dict[str, Any]:
    last = max(followed.last_seen, float(followed.path.bounce_times[-1]))
    times = np.arange(contact_s, last + 1e-9, 0.01)
    return {"times": times, "path": followed.path.positions(times)}


def _with_zones(serve: Serve, band_m: float) -> Serve:
    """The serve with side, depth and landing third, and close calls flagged."""
    if not np.isfinite(serve.landing).all():
        return serve
    flags = set(serve.flags)
    sd = np.sqrt(np.diag(serve.landing_covariance))
    side = zones.classify_side([serve.landing[1]], [sd[1]], serve.server_end)
    third = zones.classify_landing([serve.landing[0]], [sd[0]], serve.server_end)
    changes: dict[str, object] = {
        "side": side.label[0],
        "side_probability": float(side.best_probability[0]),
        "landing_third": third.label[0],
    }
    if side.is_close_call[0]:
        flags.add("close-call-side")
    if np.isfinite(serve.second_bounce).all():
        cov = serve.second_bounce_covariance
        sd = np.sqrt(np.diag(cov))
        depth = zones.classify_depth(
            [serve.second_bounce[0]],
            [sd[0]],
            serve.server_end,
            y=[serve.second_bounce[1]],
            sd_y=[sd[1]],
            cov_xy=[cov[0, 1]],
            band=band_m,
        )
        changes["depth"] = depth.label[0]
        changes["depth_probability"] = float(depth.best_probability[0])
        if depth.is_close_call[0]:
            flags.add("close-call-depth")
    return replace(serve, flags=frozenset(flags), **changes)  # type: ignore[arg-type]


def _bounce(
    contact: Contact,
    kind: str,
    serve: int | None,
    paths: Sequence[FollowedPath],
    end: int,
) -> Bounce:
    followed = paths[contact.path]
    flags = set()
    if bool(zones.is_edge_undecided(contact.point[None])[0]):
        flags.add("near-edge")
    return Bounce(
        time_s=contact.time,
        point=contact.point,
        covariance=contact.covariance,
        half="server" if contact.half == end else "receiver",
        kind=kind,
        probability=_belief(followed),
        serve=serve,
        flags=frozenset(flags),
    )


def _belief(followed: FollowedPath) -> float:
    """How surely a path is a ball's: by its pictures and by how well the flight fits them."""
    loose = 0.1 * max(0.0, followed.path.misfit - 1.5)
    return float(np.clip(0.5 + 0.5 * followed.measured.mean() - loose, 0.3, 0.99))
