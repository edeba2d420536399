"""A ball's path from bounce to bounce, and the chain rule along it, compiled.

A contact is held as 16 numbers: time, place, the velocity and the spin before it, and both after
it (three each). Flights are those of `placement.collocation`: flight 0 is that before the first
bounce, flight k that after the kth; `counts` tells how many rows of its `nodes` are used, 0 where
it has not been flown.

Units and the order of the unknowns: see `placement.trajectory`.
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from calibration import table
from placement import flight
from placement.collocation import (
    LONGEST_ARC,
    NODES_LONG,
    Vector,
    acceleration,
    acceleration_slopes,
    fly,
    landing,
    moved,
    weigh,
)
from placement.compiled import compiled, inlined
from placement.small_linear import multiply

#: Numbers that hold a contact, and where in them its parts begin.
CONTACT = 16
TIME, PLACE, INCOMING, SPIN, OUTGOING, TURNED = 0, 1, 4, 7, 10, 13

#: Where unknowns are held, so that a wild trial step cannot leave what balls can do at all.
SPEED_LIMIT, SPIN_LIMIT = 25.0, 900.0
SHARED_LOW, SHARED_HIGH = (0.02, 0.2, 0.15), (0.9, 0.8, 4.0)  # friction, drag, lift
SHARED_LIMITS = (
    *((-SPEED_LIMIT, SPEED_LIMIT),) * 3,
    *((-SPIN_LIMIT, SPIN_LIMIT),) * 3,
    *zip(SHARED_LOW, SHARED_HIGH, strict=True),
)
EACH_LIMITS = ((0.3, 1.3), (-SPEED_LIMIT, SPEED_LIMIT), (-SPEED_LIMIT, SPEED_LIMIT))
LEAVING_LIMITS = ((0.02, SPEED_LIMIT), (-SPEED_LIMIT, SPEED_LIMIT), (-SPEED_LIMIT, SPEED_LIMIT))

#: Which number of the state that begins a flight each of the first unknowns is; friction none.
_DRIVEN = (11, 0, 1, 3, 4, 5, 6, 7, 8, -1, 9, 10)

_R = table.BALL_RADIUS
_G = flight.GRAVITY
_FORCE = flight.drag_constant(1.0)  # 1/m
_GRIP = flight.SHELL / (1 + flight.SHELL)
_TURN = 1 / (flight.SHELL * _R)


@inlined
def _vector(contact: np.ndarray, at: int) -> Vector:
    return contact[at], contact[at + 1], contact[at + 2]


@compiled
def trace(
    t: np.ndarray, leaving: bool, other: np.ndarray, contacts: np.ndarray,
    spans: np.ndarray, counts: np.ndarray, nodes: np.ndarray,
) -> None:  # fmt: skip
    """Trace a path through its bounces.

    Parameters
    ----------
    t : ndarray, shape (12 + 3 K,)
        The unknowns, within their limits.
    leaving : bool
        In which form, see `placement.derivatives.Traced`.
    other : ndarray, shape (12 + 3 K,)
        Filled with the unknowns in the other form.
    contacts, spans, counts, nodes : ndarray
        Filled in, see the module's head; shapes (K, 16), (K + 1,), (K + 1,) and (K + 1, 12, 7).
    """
    friction, drag, lift = t[9], t[10], t[11]
    for i in range(len(t)):
        other[i] = t[i]
    time, px, py, pz = t[0], t[1], t[2], _R
    vx, vy, vz = t[3], t[4], t[5]
    wx, wy, wz = t[6], t[7], t[8]
    far, quick = np.empty(NODES_LONG), np.empty(NODES_LONG)
    last = len(contacts)
    for k in range(last):
        i = 12 + 3 * k
        fall = max(abs(vz), 1e-3)
        # what friction leaves, as by `flight.bounce`; `slip` is what sliding all the way gives
        sx, sy = vx - _R * wy, vy + _R * wx
        sliding = sqrt(sx * sx + sy * sy)
        slip = friction * (fall + t[i] if leaving else (1 + t[i]) * fall)
        part = slip / sliding if slip < _GRIP * sliding else _GRIP
        plain_x, plain_y = vx - part * sx, vy - part * sy
        if leaving:
            ax, ay, az = t[i + 1], t[i + 2], t[i]
            other[i], other[i + 1], other[i + 2] = az / fall, ax - plain_x, ay - plain_y
        else:
            ax, ay, az = plain_x + t[i + 1], plain_y + t[i + 2], t[i] * fall
            other[i], other[i + 1], other[i + 2] = az, ax, ay
        ux, uy, uz = wx + _TURN * (ay - vy), wy - _TURN * (ax - vx), wz
        c = contacts[k]
        c[0], c[1], c[2], c[3] = time, px, py, pz
        c[4], c[5], c[6], c[7], c[8], c[9] = vx, vy, vz, wx, wy, wz
        c[10], c[11], c[12], c[13], c[14], c[15] = ax, ay, az, ux, uy, uz
        if k + 1 == last:
            break
        # without air it would last so long; where spin presses it down, less
        pressed = _G - 0.7 * lift * _FORCE * _R * (ux * ay - uy * ax)
        span = min(LONGEST_ARC, max(0.02, 2.0 * az / max(0.5 * _G, pressed)))
        since = np.nan
        for _ in range(3):
            n = fly((ax, ay, az), (ux, uy, uz), drag, lift, span, nodes[k + 1])
            spans[k + 1], counts[k + 1] = span, n
            since = landing(az, span, n, nodes[k + 1])
            if since <= 1.1 * span or span >= LONGEST_ARC:
                break
            span = min(LONGEST_ARC, 1.4 * span)
        if not 0.0 < since <= LONGEST_ARC:
            since = LONGEST_ARC
        (dx, dy, dz), (vx, vy, vz) = moved(
            since, (ax, ay, az), spans[k + 1], n, nodes[k + 1], far, quick
        )
        time += since
        px, py, pz = px + dx, py + dy, pz + dz
        wx, wy, wz = ux, uy, uz


@compiled
def follow(
    times: np.ndarray, drag: float, lift: float, contacts: np.ndarray, spans: np.ndarray,
    counts: np.ndarray, nodes: np.ndarray, edges: np.ndarray, both: np.ndarray,
) -> bool:  # fmt: skip
    """Positions and velocities at sorted times.

    Parameters
    ----------
    times : ndarray, shape (N,)
        s.
    drag, lift : float
    contacts, spans, counts, nodes : ndarray
        As from `trace`; flights are added where `times` need them.
    edges : ndarray of int, shape (K + 2,)
        Filled with the first row of each flight, and N.
    both : ndarray, shape (2, N, 3)
        Filled with positions, m, and velocities, m/s.

    Returns
    -------
    bool
        Whether a flight was flown.
    """
    last = len(contacts)
    far, quick = np.empty(NODES_LONG), np.empty(NODES_LONG)
    flown = False
    a = 0
    for k in range(last + 1):
        b = a
        while b < len(times) and (k == last or times[b] < contacts[k, TIME]):
            b += 1
        edges[k], edges[k + 1] = a, b
        if a == b:
            continue
        here = contacts[max(0, k - 1)]
        begin, spin = _vector(here, OUTGOING), _vector(here, TURNED)
        reach = max(times[b - 1] - here[TIME], 1e-3)
        if k == 0:
            begin, spin = _vector(here, INCOMING), _vector(here, SPIN)
            reach = min(times[a] - here[TIME], -1e-3)
        outer = k in (0, last)
        if counts[k] == 0 or (outer and not 0.3 < reach / spans[k] <= 1.05):
            spans[k], counts[k] = reach, fly(begin, spin, drag, lift, reach, nodes[k])
            flown = True
        for i in range(a, b):
            place, velocity = moved(
                times[i] - here[TIME], begin, spans[k], counts[k], nodes[k], far, quick
            )
            for j in range(3):
                both[0, i, j] = here[PLACE + j] + place[j]
                both[1, i, j] = velocity[j]
        a = b
    return flown


@compiled
def differentiate(
    left: np.ndarray, held: np.ndarray, contacts: np.ndarray, spans: np.ndarray,
    counts: np.ndarray, nodes: np.ndarray, chain: np.ndarray, at_contact: np.ndarray,
    back: np.ndarray, rates: np.ndarray,
) -> None:  # fmt: skip
    """Derivatives by the unknowns in the form with velocities after bounces.

    Parameters
    ----------
    left : ndarray, shape (P,)
        These unknowns.
    held : ndarray of bool, shape (P,)
        Which of them were held at a limit, so that nothing depends on them.
    contacts, spans, counts, nodes : ndarray
        As from `trace` and `follow`.
    chain : ndarray, shape (K + 1, 12, P)
        Zeros; filled with the derivatives at the beginning of each flight: place, velocity, spin
        (three each), drag, lift, time.
    at_contact : ndarray, shape (K, 4, P)
        Filled: of time and place of each bounce.
    back : ndarray, shape (P, P)
        The identity; filled: of the unknowns in the other form.
    rates : ndarray, shape (K + 1, 36, 8)
        Filled: of the accelerations of each flight that was flown by what it begins with.
    """
    friction, drag, lift = left[9], left[10], left[11]
    last, p = len(contacts), len(left)
    for k in range(last + 1):
        if counts[k]:
            here = contacts[max(0, k - 1)]
            spin = _vector(here, SPIN if k == 0 else TURNED)
            acceleration_slopes(
                spin, drag, lift, spans[k], counts[k], nodes[k], rates[k, : 3 * counts[k]]
            )
    state = np.empty((12, p))  # just before a bounce
    for j in range(p):
        for a in range(12):
            state[a, j] = 0.0
        if j < 12 and j != 9 and not held[j]:
            state[_DRIVEN[j], j] = 1.0
        for a in range(12):
            chain[0, a, j] = state[a, j]
    for k in range(last):
        i = 12 + 3 * k
        here, after = contacts[k], chain[k + 1]
        _rub_slopes(back[i : i + 3], state, here, friction, i, held)
        for j in range(p):
            at_contact[k, 0, j] = state[11, j]
            for a in range(12):
                after[a, j] = state[a, j]
                if a < 3:
                    at_contact[k, 1 + a, j] = state[a, j]
            free = not held[j]
            after[3, j] = 1.0 if j == i + 1 and free else 0.0
            after[4, j] = 1.0 if j == i + 2 and free else 0.0
            after[5, j] = 1.0 if j == i and free else 0.0
            after[6, j] += _TURN * (after[4, j] - state[4, j])
            after[7, j] -= _TURN * (after[3, j] - state[3, j])
        if k + 1 < last:
            for a in range(12):
                for j in range(p):
                    state[a, j] = after[a, j]
            _fly_slopes(
                state, after, here, contacts[k + 1], drag, lift, spans[k + 1], counts[k + 1],
                rates[k + 1],
            )  # fmt: skip


@compiled
def _rub_slopes(
    out: np.ndarray, before: np.ndarray, contact: np.ndarray, friction: float, i: int,
    held: np.ndarray,
) -> None:  # fmt: skip
    """Derivatives (3, P) of restitution and of what friction leaves unexplained, into `out`.

    `before` (12, P) are those of the state before the bounce; the velocity after it are the
    unknowns from `i` on, in the order z, x, y.
    """
    vz, up = contact[INCOMING + 2], contact[OUTGOING + 2]
    fall, sign = max(abs(vz), 1e-3), (1.0 if vz > 0 else -1.0)
    sx = contact[INCOMING] - _R * contact[SPIN + 1]
    sy = contact[INCOMING + 1] + _R * contact[SPIN]
    speed = sqrt(sx * sx + sy * sy)
    slip = friction * (fall + up)
    slips = slip < _GRIP * speed
    part = slip / speed if slips else _GRIP
    for j in range(before.shape[1]):
        falls = before[5, j]
        slide_x, slide_y = before[3, j] - _R * before[7, j], before[4, j] + _R * before[6, j]
        out[0, j] = -sign * up / (fall * fall) * falls
        out[1, j] = part * slide_x - before[3, j]
        out[2, j] = part * slide_y - before[4, j]
        free = not held[j]
        if j == i and free:
            out[0, j] += 1 / fall
        if slips:
            nx, ny = sx / speed, sy / speed
            inward = part * (nx * slide_x + ny * slide_y) - friction * sign * falls
            if j == 9 and free:
                inward -= fall + up
            if j == i and free:
                inward -= friction
            out[1, j] -= nx * inward
            out[2, j] -= ny * inward
        if j == i + 1 and free:
            out[1, j] += 1.0
        if j == i + 2 and free:
            out[2, j] += 1.0


@compiled
def _fly_slopes(
    state: np.ndarray, begin: np.ndarray, here: np.ndarray, there: np.ndarray,
    drag: float, lift: float, span: float, n: int, rates: np.ndarray,
) -> None:  # fmt: skip
    """Lead derivatives `begin` (12, P) on to just before the next bounce, into `state`."""
    since = there[TIME] - here[TIME]
    far, quick = np.empty(NODES_LONG), np.empty(NODES_LONG)
    weigh(since, span, n, far, quick)
    vx, vy, vz = _vector(there, INCOMING)
    wx, wy, wz = _vector(here, TURNED)
    bend = acceleration(vx, vy, vz, wx, wy, wz, drag, lift)
    velocity = (vx, vy, vz)
    for a in range(3):
        for b in range(8):
            offset, speed = 0.0, 0.0
            for i in range(n):
                offset += far[i] * rates[3 * i + a, b]
                speed += quick[i] * rates[3 * i + a, b]
            for j in range(state.shape[1]):
                state[a, j] += offset * begin[3 + b, j]
                state[3 + a, j] += speed * begin[3 + b, j]
        for j in range(state.shape[1]):
            state[a, j] += since * begin[3 + a, j]
    if since < LONGEST_ARC:  # else it has not landed
        for j in range(state.shape[1]):
            later = -state[2, j] / vz
            for a in range(3):
                state[a, j] += velocity[a] * later
                state[3 + a, j] += bend[a] * later
            state[11, j] += later


@compiled
def picture_slopes(
    gain: np.ndarray, times: np.ndarray, velocity: np.ndarray, edges: np.ndarray,
    contacts: np.ndarray, spans: np.ndarray, counts: np.ndarray, chain: np.ndarray,
    rates: np.ndarray, out: np.ndarray,
) -> None:  # fmt: skip
    """`gain` (N, 2, 3) times the derivatives of the positions, into `out` (N, 2, P)."""
    p = out.shape[2]
    far, quick, bent = np.empty(NODES_LONG), np.empty(NODES_LONG), np.empty((3 * NODES_LONG, p))
    for k in range(len(edges) - 1):
        if edges[k] == edges[k + 1]:
            continue
        begin, n = chain[k], counts[k]
        began = contacts[max(0, k - 1), TIME]
        multiply(rates[k, : 3 * n], begin[3:11], bent)
        for i in range(edges[k], edges[k + 1]):
            since = times[i] - began
            weigh(since, spans[k], n, far, quick)
            for j in range(p):
                out[i, 0, j] = out[i, 1, j] = 0.0
            for a in range(3):
                g, h = gain[i, 0, a], gain[i, 1, a]
                for j in range(p):
                    # what was there shifts it, speeds it, and delays it
                    shift = begin[a, j] + since * begin[3 + a, j] - velocity[i, a] * begin[11, j]
                    out[i, 0, j] += g * shift
                    out[i, 1, j] += h * shift
                for m in range(n):
                    gm, hm = g * far[m], h * far[m]
                    for j in range(p):
                        out[i, 0, j] += gm * bent[3 * m + a, j]
                        out[i, 1, j] += hm * bent[3 * m + a, j]


@compiled
def state_slopes(
    times: np.ndarray, velocity: np.ndarray, edges: np.ndarray, drag: float, lift: float,
    contacts: np.ndarray, spans: np.ndarray, counts: np.ndarray, chain: np.ndarray,
    rates: np.ndarray, out: np.ndarray,
) -> None:  # fmt: skip
    """Derivatives of positions and velocities, into `out` (N, 6, P)."""
    p = out.shape[2]
    far, quick, bent = np.empty(NODES_LONG), np.empty(NODES_LONG), np.empty((3 * NODES_LONG, p))
    for k in range(len(edges) - 1):
        if edges[k] == edges[k + 1]:
            continue
        begin, n = chain[k], counts[k]
        here = contacts[max(0, k - 1)]
        wx, wy, wz = _vector(here, SPIN if k == 0 else TURNED)
        multiply(rates[k, : 3 * n], begin[3:11], bent)
        for i in range(edges[k], edges[k + 1]):
            since = times[i] - here[TIME]
            weigh(since, spans[k], n, far, quick)
            vx, vy, vz = velocity[i, 0], velocity[i, 1], velocity[i, 2]
            pull = acceleration(vx, vy, vz, wx, wy, wz, drag, lift)
            for a in range(3):
                for j in range(p):
                    place = begin[a, j] + since * begin[3 + a, j] - velocity[i, a] * begin[11, j]
                    speed = begin[3 + a, j] - pull[a] * begin[11, j]
                    for m in range(n):
                        place += far[m] * bent[3 * m + a, j]
                        speed += quick[m] * bent[3 * m + a, j]
                    out[i, a, j], out[i, 3 + a, j] = place, speed
