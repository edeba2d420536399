"""What a ball does over time: held, tossed, struck, bouncing on table, net and floor."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calibration import table

from .physics import GRAVITY, RADIUS, Air, Surface, bounce, fly

FLOOR = -table.HEIGHT
CLEAR = table.NET_HEIGHT + RADIUS  # m, height of the centre that just clears the net
STUCK = table.NET_HEIGHT - 0.4 * RADIUS  # m, below this the net stops the ball


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """One touch of table, net or floor."""

    time: float
    place: np.ndarray
    velocity: np.ndarray  # just before
    surface: str  # "table", "net" or "floor"
    kind: str


@dataclass(slots=True, eq=False)
class BallPath:
    """Knots of one ball's way, joined by cubic Hermite pieces; `kinds` name the stretches."""

    times: list[float] = field(default_factory=list)
    places: list[np.ndarray] = field(default_factory=list)
    velocities: list[np.ndarray] = field(default_factory=list)
    kinds: list[tuple[float, str]] = field(default_factory=list)
    contacts: list[Contact] = field(default_factory=list)
    gone: float = np.inf  # s; after this the ball is in a hand or out of play, not drawn
    serve: int | None = None
    _arrays: tuple | None = None

    def add(self, times: np.ndarray, places: np.ndarray, velocities: np.ndarray, kind: str) -> None:
        """Append knots; they must not go back in time."""
        if not self.kinds or self.kinds[-1][1] != kind:
            self.kinds.append((float(times[0]), kind))
        self.times.extend(map(float, times))
        self.places.extend(np.asarray(places, float))
        self.velocities.extend(np.asarray(velocities, float))
        self._arrays = None

    def cut(self, time: float) -> None:
        """Forget all after `time`, keeping the state there as the last knot."""
        p, v = self.at(time), self.velocity(time)
        keep = int(np.searchsorted(self.times, time))
        self.times[keep:] = [time]
        self.places[keep:] = [p]
        self.velocities[keep:] = [v]
        self.contacts = [c for c in self.contacts if c.time <= time]
        self.kinds = [k for k in self.kinds if k[0] <= time]
        self._arrays = None

    def _knots(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        if self._arrays is None:
            self._arrays = (
                np.array(self.times),
                np.array(self.places),
                np.array(self.velocities),
            )
        return self._arrays

    def exists(self, time: float) -> bool:
        """Whether there is a ball to draw at `time`."""
        return bool(self.times) and self.times[0] <= time <= min(self.gone, self.times[-1])

    def at(self, time: float) -> np.ndarray:
        """Centre of the ball, m, shape (3,)."""
        t, p, v = self._knots()
        i = int(np.clip(np.searchsorted(t, time, side="right") - 1, 0, len(t) - 2))
        h = t[i + 1] - t[i]
        if h <= 0:
            return p[i + 1].copy()
        s = float(np.clip((time - t[i]) / h, 0.0, 1.0))
        return (
            (1 + 2 * s) * (1 - s) ** 2 * p[i]
            + s * (1 - s) ** 2 * h * v[i]
            + s * s * (3 - 2 * s) * p[i + 1]
            + s * s * (s - 1) * h * v[i + 1]
        )

    def velocity(self, time: float) -> np.ndarray:
        """Velocity by central difference, m/s, shape (3,)."""
        return (self.at(time + 1e-5) - self.at(time - 1e-5)) / 2e-5

    def kind(self, time: float) -> str:
        """The stretch's name at `time`, "none" before and after."""
        if not self.exists(time):
            return "none"
        return [k for t, k in self.kinds if t <= time + 1e-12][-1]

    def hold(self, start: float, end: float, places: np.ndarray) -> None:
        """The ball in a hand that passes through `places`, evenly spaced in time."""
        t = np.linspace(start, end, len(places))
        v = np.gradient(places, t, axis=0)
        v[0] = 0.0
        self.add(t, places, v, "held")

    def toss(self, start: float, place: np.ndarray, end: np.ndarray, rise: float) -> float:
        """Throw upward by `rise` m from `place`; fall to `end`. Returns the time of contact."""
        up = np.sqrt(2 * GRAVITY * rise)
        fall = np.sqrt(2 * max(0.0, place[2] + rise - end[2]) / GRAVITY)
        last = up / GRAVITY + fall
        level = (end[:2] - place[:2]) / last
        t = np.linspace(0.0, last, 40)
        places = np.column_stack(
            [
                place[0] + level[0] * t,
                place[1] + level[1] * t,
                place[2] + up * t - GRAVITY * t**2 / 2,
            ]
        )
        speeds = np.column_stack(
            [np.full_like(t, level[0]), np.full_like(t, level[1]), up - GRAVITY * t]
        )
        self.add(start + t, places, speeds, "toss")
        return float(start + last)

    def play(
        self,
        start: float,
        velocity: np.ndarray,
        spin: np.ndarray,
        *,
        kind: str,
        contact_kinds: list[str],
        rest_kind: str = "dead",
        air: Air,
        table_top: Surface,
        floor: Surface,
        longest: float = 4.0,
        place: np.ndarray | None = None,
    ) -> np.ndarray:
        """Let the ball fly, bounce, meet the net, drop to the floor and roll.

        `contact_kinds` name the table contacts in turn; later ones are `rest_kind`.
        Returns the spin at the end.
        """
        now = start
        p = np.array(self.places[-1] if place is None else place, float)
        v, w = np.array(velocity, float), np.array(spin, float)
        left = list(contact_kinds)
        below = p[2] < RADIUS - 1e-9
        while now < start + longest:
            events = {}
            over = abs(p[0]) <= table.HALF_LENGTH and abs(p[1]) <= table.HALF_WIDTH
            if not below:
                events["plane"] = lambda s: s[2] - RADIUS
                if abs(p[0]) > 1e-6:
                    side = np.sign(p[0])
                    events["net"] = lambda s, side=side: side * s[0]
            else:
                events["floor"] = lambda s: s[2] - FLOOR - RADIUS
            arc = fly(
                p,
                v,
                w,
                start=now,
                longest=start + longest - now + 1e-3,
                air=air,
                events=events,
                rtol=1e-8,
            )
            self.add(arc.times, arc.places, arc.velocities, kind)
            now, p, v = float(arc.times[-1]), arc.places[-1].copy(), arc.velocities[-1].copy()
            if arc.event == "net":
                inside = abs(p[1]) < table.NET_SPAN / 2 and 0 < p[2] < CLEAR
                if inside:
                    self.contacts.append(Contact(now, p.copy(), v.copy(), "net", kind))
                    if p[2] < STUCK:
                        p[0] = -np.sign(v[0]) * (RADIUS + 0.002)
                        v = np.array([-0.08 * v[0], 0.25 * v[1], 0.4 * v[2]])
                        w = 0.1 * w
                        left, rest_kind = ["trickle"] * 3, "trickle"
                    else:
                        touch = (CLEAR - p[2]) / (1.4 * RADIUS)
                        v = np.array(
                            [v[0] * (1 - 0.35 * touch), v[1], abs(v[2]) * 0.5 + 0.9 * touch]
                        )
                        p[0] = np.sign(v[0]) * 1e-5
                else:
                    p[0] = np.sign(v[0]) * 1e-5
            elif arc.event == "plane":
                over = abs(p[0]) <= table.HALF_LENGTH and abs(p[1]) <= table.HALF_WIDTH
                p[2] = RADIUS
                if not over:
                    below = True
                    p[2] -= 1e-6
                    continue
                name = left.pop(0) if left else rest_kind
                self.contacts.append(Contact(now, p.copy(), v.copy(), "table", name))
                v, w = bounce(v, w, table_top)
                if v[2] < 0.06:
                    now, p, v = self._roll(now, p, v, start + longest, kind)
                    below = True
                    p[2] = RADIUS - 1e-6
                    if now >= start + longest - 1e-9:
                        break
            elif arc.event == "floor":
                self.contacts.append(Contact(now, p.copy(), v.copy(), "floor", kind))
                v, w = bounce(v, w, floor)
                p[2] = FLOOR + RADIUS
                if v[2] < 0.25:
                    end = start + longest
                    t = np.linspace(now, max(end, now + 0.1), 12)
                    run = np.maximum(0.0, 1 - 0.15 * (t - now))
                    level = np.array([v[0], v[1], 0.0])
                    far = np.cumsum(np.concatenate([[0], np.diff(t) * (run[1:] + run[:-1]) / 2]))
                    self.add(t, p + far[:, None] * level, run[:, None] * level, kind)
                    break
            else:
                break
        return w

    def _roll(
        self, now: float, p: np.ndarray, v: np.ndarray, end: float, kind: str
    ) -> tuple[float, np.ndarray, np.ndarray]:
        """Roll on the table, slowing a little, until an edge or `end`."""
        level = np.array([v[0], v[1], 0.0])
        speed = float(np.hypot(*level[:2]))
        slow = 0.08  # m/s^2, felt of a level table, no source
        last = min(end - now, speed / slow if speed else 0.0)
        t = np.linspace(0.0, max(last, 0.02), 60)
        along = level / max(speed, 1e-9)
        far = speed * t - slow * t**2 / 2
        places = p + far[:, None] * along
        on = (np.abs(places[:, 0]) <= table.HALF_LENGTH) & (
            np.abs(places[:, 1]) <= table.HALF_WIDTH
        )
        stop = len(t) if on.all() else int(np.argmin(on)) + 1
        stop = max(stop, 2)
        speeds = (speed - slow * t[:stop])[:, None] * along
        self.add(now + t[:stop], places[:stop], speeds, kind)
        if stop == len(t) and now + t[-1] < end:  # it has stopped: it lies there
            self.add(
                np.array([now + t[-1], end]), np.repeat(places[-1:], 2, 0), np.zeros((2, 3)), kind
            )
            return end, places[-1].copy(), np.zeros(3)
        return float(now + t[stop - 1]), places[stop - 1].copy(), speeds[-1].copy()
