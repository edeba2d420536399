"""From followed paths to serves: who served from where, what became of it, and how sure that is.

The laws make a serve recognisable: it is the one stroke whose first bounce is on the striker's own
half while the ball travels towards the net (Laws 2.6.3 and 2.7.1; a return bounces first beyond the
net). Idle bouncing has no such travel. A first bounce hidden by the server's body is inferred from
the flight that follows. The toss is the nearly upright flight that ends where the bat met the ball.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import ndtr

from calibration import Calibration, table
from placement import flight, zones
from placement.analysis import Bounce, Serve
from placement.arcs import near_table
from placement.paths import FollowedPath
from placement.stroke import find_stroke
from placement.trajectory import Model

_SERVE_SPEED = 0.8  # m/s along the table, slower is idle bouncing
_NEXT_BOUNCE = 1.1  # s, longest flight to the next bounce
_APART = 0.9  # s, shortest time between two serves
_QUIET = 1.2  # s after a ball came towards this end: then a stroke is a return, not a serve
_HIDDEN_GAP = 0.05  # s without the ball beside a bounce up to which the bounce counts as seen
_TOUCH = 0.012  # m: clearances nearer than this to none may have touched the net
_SHADING_SD = 0.12  # px: offset that all ball pictures of a film may share
_LEAST_BALLS = 0.5  # share of a path's pictures that must look like a ball
_LEAST_BELIEF = 0.8  # of a bounce that belongs to no serve, for it to be told
_UNPINNED = 0.6  # frames by which the instant of an inferred bounce may be off
_VAGUE = 0.25  # m: a bounce less sure than that is none
_SPIN_SHARE = 0.6  # of its expected spread; a spin less narrowed than that says nothing
_NET_TOP = table.NET_HEIGHT


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """A bounce of a followed path, with what the rules need."""

    path: int
    order: int  # of the bounce in its path
    time: float
    point: np.ndarray
    covariance: np.ndarray
    incoming: np.ndarray
    outgoing: np.ndarray
    seen: bool

    @property
    def half(self) -> int:
        """-1 or +1: the sign of x."""
        return 1 if self.point[0] > 0 else -1


def find_serves(
    calibration: Calibration,
    paths: Sequence[FollowedPath],
    *,
    band_m: float = zones.HALF_LONG_BAND,
    first_s: float = 0.0,
    last_s: float = np.inf,
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

    Returns
    -------
    bounces : list of Bounce
        In time order.
    serves : list of Serve
        In time order; `Serve.bounces` are places in `bounces`.
    """
    contacts = _contacts(calibration, paths)
    starts = _serve_starts(contacts)
    kinds = ["other"] * len(contacts)
    owner: list[int | None] = [None] * len(contacts)
    serves = []
    for number, i in enumerate(starts, start=1):
        until = contacts[starts[number]].time if number < len(starts) else np.inf
        serve, used, rally = _judge(
            calibration, paths, contacts, i, until, number, band_m, first_s, last_s
        )
        for k in used:
            kinds[k], owner[k] = "serve", number
        for k in rally:
            kinds[k], owner[k] = "return", number
        serves.append(serve)
    for k, c in enumerate(contacts):
        slow = abs(c.outgoing[0]) < _SERVE_SPEED and abs(c.point[0]) > 0.6
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
    bounces = [_bounce(contacts[k], kinds[k], owner[k], paths, ends) for k in shown]
    serves = [replace(s, bounces=tuple(place[k] for k in s.bounces if k in place)) for s in serves]
    return bounces, serves


def _contacts(calibration: Calibration, paths: Sequence[FollowedPath]) -> list[Contact]:
    contacts = []
    for p, followed in enumerate(paths):
        if followed.measured.mean() < _LEAST_BALLS:
            continue  # too few of its pictures look like a ball
        path = followed.path
        model = path.model()
        spots = np.stack([x[0] for x in model.places])
        # the calibration moves all bounces of a film together, and so does what is left of the
        # ball's shading; both belong to each one's spread
        pixels = calibration.camera.project(spots)
        shared = calibration.plane_covariance(pixels, table.BALL_RADIUS)
        shared = shared + _pixel_covariance(calibration, pixels, _SHADING_SD)
        seen_at = followed.sightings.times
        for k, time in enumerate(path.bounce_times):
            gap = float(np.abs(seen_at - time).min())
            own = path.bounce_covariances[k]
            if k == 0 and seen_at[0] > time:
                # only inferred from what follows: nothing on the other side pins its instant
                gap *= 2.5
                slip = model.outgoing[k][0, :2] * _UNPINNED * float(np.median(np.diff(seen_at)))
                own = own + np.outer(slip, slip)
            if np.trace(own) > _VAGUE**2 or not near_table(path.bounce_places[k][None], 0.016)[0]:
                continue
            contacts.append(
                Contact(
                    p,
                    k,
                    float(time),
                    path.bounce_places[k],
                    own + shared[k],
                    model.incoming[k][0],
                    model.outgoing[k][0],
                    gap < _HIDDEN_GAP,
                )
            )
    return _without_doubles(sorted(contacts, key=lambda c: c.time))


def _pixel_covariance(calibration: Calibration, pixels: np.ndarray, sd_px: float) -> np.ndarray:
    """Spread on the ball's plane of an offset in the picture, m^2, shape (N, 2, 2)."""
    step = 0.5
    columns = [
        (
            calibration.ball_on_plane(pixels + shift, table.BALL_RADIUS)
            - calibration.ball_on_plane(pixels - shift, table.BALL_RADIUS)
        )
        / (2 * step)
        for shift in (np.array([step, 0.0]), np.array([0.0, step]))
    ]
    jacobian = np.stack(columns, axis=2)
    return sd_px**2 * jacobian @ jacobian.transpose(0, 2, 1)


def _without_doubles(contacts: list[Contact]) -> list[Contact]:
    """Two paths may end and begin with the same bounce: keep the surer one."""
    kept: list[Contact] = []
    for c in contacts:
        twin = next(
            (
                i
                for i, other in enumerate(kept[-3:], start=max(0, len(kept) - 3))
                if c.time - other.time < 0.035 and float(np.hypot(*(c.point - other.point))) < 0.25
            ),
            None,
        )
        if twin is None:
            kept.append(c)
        elif np.trace(c.covariance) < np.trace(kept[twin].covariance):
            kept[twin] = c
    return kept


def _serve_starts(contacts: Sequence[Contact]) -> list[int]:
    """Contacts that only a serve makes: on the striker's own half, on the way to the net."""
    may = []
    for i, c in enumerate(contacts):
        away = -c.half
        if c.incoming[0] * away < _SERVE_SPEED * 0.6 or c.outgoing[0] * away < _SERVE_SPEED:
            continue
        came = any(
            c.time - o.time < _QUIET and o.half == c.half and o.incoming[0] * away < -1.0
            for o in contacts[:i]
        )
        if c.seen or not came:
            may.append(i)
    starts: list[int] = []
    for i in may:
        c = contacts[i]
        # what is only inferred gives way to what was seen
        better = any(
            contacts[k].seen
            and contacts[k].half == c.half
            and 0 < contacts[k].time - c.time < _APART
            for k in may
        )
        if not c.seen and better:
            continue
        if starts and c.time - contacts[starts[-1]].time < _APART:
            continue
        starts.append(i)
    return starts


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
        ),
        None,
    )
    fall, fall_cov = followed.path.propagate(lambda m: _fall(m, first.order))
    crossing, crossing_cov = followed.path.propagate(lambda m: _at_net(m, first.order))
    clearance = float(crossing[0]) - table.BALL_RADIUS - _NET_TOP
    clearance_sd = float(np.sqrt(max(crossing_cov[0, 0], 1e-8)))
    outcome, probability = _outcome(
        end, landed, own, contacts, first, fall, fall_cov, clearance, clearance_sd, paths
    )
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
                value, spread = paths[c.path].path.propagate(lambda m: _fall(m, c.order))
                second, second_cov = value[1:], spread[1:, 1:] + landing_cov
                flags.add("predicted-second-bounce")
        else:
            landing, landing_cov = fall[1:], fall_cov[1:, 1:]
            flags.add("landing-predicted")
    if own is not None and outcome == "own-twice":
        used.append(own)
    rally = [k for k in later if k not in used and contacts[k].incoming[0] * end > 1.0]
    stroke = find_stroke(calibration.camera, followed, first.time)
    contact_s, toss = stroke.contact_s, stroke.toss
    started = contact_s if toss is None else toss.release_s
    if toss is None:
        flags.add("toss-hidden")
    if started < first_s + 0.15 or (outcome == "unclear" and last_s - first.time < _NEXT_BOUNCE):
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
        **_pace_and_spin(followed, contact_s, first),
        **_track(followed, contact_s),
    )
    return _with_zones(serve, band_m), used, rally


def _fall(model: Model, order: int) -> np.ndarray:
    """Time and place (x, y) where the ball next meets the plane after a bounce, (B, 3)."""
    arc = model.arc_after(order, 1.6)
    since = arc.falls_to(table.BALL_RADIUS)
    at = arc.at(np.nan_to_num(since, nan=1.6)[:, None])[:, 0]
    return np.column_stack([model.starts[order] + since, at[:, :2]])


def _at_net(model: Model, order: int) -> np.ndarray:
    """Height of the centre and speed along x where the ball crosses the net's plane, (B, 2)."""
    arc = model.arc_after(order, 1.6)
    times = np.linspace(0, 1.6, 65)
    at = arc.at(np.broadcast_to(times, (len(model.batch), len(times))))
    x = at[:, :, 0]
    side = np.sign(x[:, :1])
    crossed = (x * side <= 0) & (np.arange(len(times)) > 0)
    k = np.maximum(np.argmax(crossed, axis=1), 1)
    rows = np.arange(len(x))
    share = x[rows, k - 1] / (x[rows, k - 1] - x[rows, k])
    z = at[rows, k - 1, 2] + share * (at[rows, k, 2] - at[rows, k - 1, 2])
    speed = arc.velocity_at((times[k - 1] + share * (times[1] - times[0]))[:, None])[:, 0, 0]
    return np.where(crossed.any(axis=1)[:, None], np.column_stack([z, speed]), np.nan)


def _outcome(
    end: int,
    landed: int | None,
    own: int | None,
    contacts: Sequence[Contact],
    first: Contact,
    fall: np.ndarray,
    fall_cov: np.ndarray,
    clearance: float,
    clearance_sd: float,
    paths: Sequence[FollowedPath],
) -> tuple[str, float]:
    """Outcome and its probability from what was seen and what the flight foretells."""
    far = -end
    reaches_net = np.isfinite(clearance)
    over = float(ndtr(clearance / clearance_sd)) if reaches_net else 0.0
    if landed is not None:
        touched = (
            reaches_net
            and clearance < _TOUCH + 2 * clearance_sd
            and contacts[landed].path != first.path
            and _changed_at_net(paths, first, contacts[landed])
        )
        if touched:
            return "let", 0.85
        return "good", 0.98 if contacts[landed].seen else 0.85
    falls_short = fall[1] * far < 0
    if own is not None and falls_short and (not reaches_net or fall[1] * end > 0.05):
        return "own-twice", 0.9
    if reaches_net and over < 0.5:
        return "net", max(0.5, 1 - over)
    if own is not None and contacts[own].incoming[0] * -end < 1.0:
        return "net", 0.7  # it comes off the net and drops on the server's half
    if falls_short:
        return ("own-twice", 0.6) if own is not None else ("net", 0.6)
    sd = np.sqrt(np.maximum(np.diag(fall_cov)[1:], 1e-6))
    on_length = float(ndtr((table.HALF_LENGTH - fall[1] * far) / sd[0]))
    inside = ndtr((table.HALF_WIDTH - fall[2]) / sd[1]) - ndtr(
        (-table.HALF_WIDTH - fall[2]) / sd[1]
    )
    on_table = on_length * float(inside)
    if on_table < 0.5:
        return "missed", max(0.5, 1 - on_table)
    # it should have landed, yet no bounce was seen
    watched = paths[first.path].last_seen - first.time
    return ("good", 0.6) if watched < fall[0] - first.time + 0.05 else ("unclear", 0.5)


def _changed_at_net(paths: Sequence[FollowedPath], first: Contact, landed: Contact) -> bool:
    """Whether the speed along the table before and after the net disagrees."""
    before, before_cov = paths[first.path].path.propagate(lambda m: _at_net(m, first.order))
    sd = float(np.sqrt(max(before_cov[1, 1], 0.0)))
    after = paths[landed.path].path.velocities(np.array([landed.time - 0.12]))[0]
    expected = before[1] * np.exp(-flight.drag_constant() * 0.5)
    return bool(abs(after[0] - expected) > max(0.5, 4 * sd))


def _pace_and_spin(followed: FollowedPath, contact_s: float, first: Contact) -> dict[str, Any]:
    times = np.array([min(contact_s, first.time)])

    def at_bat(model: Model) -> np.ndarray:
        speed = np.linalg.norm(model.velocity_at(times)[:, 0], axis=1)
        spin = model.spins[0]
        heading = model.incoming[0][:, :2]
        heading = heading / np.maximum(np.linalg.norm(heading, axis=1, keepdims=True), 1e-9)
        # about the level axis to the left of the travel: (z x heading)
        top = -heading[:, 1] * spin[:, 0] + heading[:, 0] * spin[:, 1]
        return np.column_stack([speed, top, spin[:, 2]])

    if first.order != 0:
        return {}
    value, cov = followed.path.propagate(at_bat)
    sd = np.sqrt(np.maximum(np.diag(cov), 0))
    out = {"pace_m_s": float(value[0]), "pace_sd_m_s": float(sd[0])}
    expected = 130.0
    for name, k in (("topspin", 1), ("sidespin", 2)):
        if sd[k] < _SPIN_SHARE * expected:
            out[f"{name}_rad_s"] = float(value[k])
            out[f"{name}_lo"] = float(value[k] - 1.96 * sd[k])
            out[f"{name}_hi"] = float(value[k] + 1.96 * sd[k])
    return out


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
    ends: dict[int, int],
) -> Bounce:
    followed = paths[contact.path]
    end = ends.get(serve, -1) if serve is not None else -1
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
