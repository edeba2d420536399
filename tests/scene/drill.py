"""Turns a scenario into actors: balls with their ways, people with their hands."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calibration import table

from .aim import Stroke, bounces_on_endless_table, find_return, find_serve, turn
from .furniture import Table
from .path import FLOOR, BallPath
from .people import Hand, Look, Person, Walker
from .physics import GRAVITY, RADIUS, Air, Surface, bounce, fly
from .scenario import Scenario, ServePlan


@dataclass(slots=True, eq=False)
class Serve:
    """The truth of one serve, in table axes."""

    index: int
    plan: ServePlan
    toss: float
    contact: float
    rise: float
    velocity: np.ndarray
    spin: np.ndarray
    outcome: str
    landing: np.ndarray | None
    second: np.ndarray | None
    intercept: float | None


@dataclass(slots=True, eq=False)
class Cast:
    """Everyone and everything that moves."""

    balls: list[BallPath] = field(default_factory=list)  # of the drill, by serve
    other_balls: list[tuple[int, BallPath]] = field(default_factory=list)  # (table number, way)
    people: list[tuple[int, Person | Walker]] = field(default_factory=list)
    serves: list[Serve] = field(default_factory=list)


class _Player:
    """Keys one player's hands in table axes."""

    def __init__(self, look: Look, end: int, place: np.ndarray, base: Table | None = None) -> None:
        self.base = base
        self.f = np.array([-float(end), 0.0, 0.0])
        self.left = np.array([0.0, self.f[0], 0.0])
        self.side = self.left if look.left_handed else -self.left
        self.place = place
        facing = 0.0 if end < 0 else np.pi
        turned = base.turned if base else 0.0
        self.person = Person(
            look,
            self._w(np.array([*place, 0.0]))[:2],
            facing + turned,
            Hand(),
            Hand(),
            body=Hand(),
            hit_direction=Hand(),
        )
        self.rest(0.0)
        self.person.body.key(0.0, np.zeros(3))

    def _w(self, p: np.ndarray) -> np.ndarray:
        return self.base.to_world(p) if self.base else p

    def _d(self, v: np.ndarray) -> np.ndarray:
        return self._w(v) - self._w(np.zeros(3)) if self.base else v

    def spot(
        self, forward: float, side: float, up: float, shift: np.ndarray | float = 0.0
    ) -> np.ndarray:
        return (
            np.array([*self.place, 0.0])
            + forward * self.f
            + side * self.side
            + np.array([0, 0, up])
            + shift
        )

    def rest(self, time: float, shift: np.ndarray | float = 0.0) -> None:
        p = self.person
        p.bat.key(time, self._w(self.spot(0.36, 0.26, 0.13, shift)))
        p.free.key(time, self._w(self.spot(0.33, -0.16, 0.10, shift)))
        p.hit_direction.key(time, self._d(self.f * 0.8 + 0.25 * self.side + np.array([0, 0, 0.35])))

    def swing(
        self, time: float, ball: np.ndarray, direction: np.ndarray, before: float, shift: np.ndarray
    ) -> None:
        """Meet `ball` at `time`, moving along `direction`."""
        d = direction / (np.linalg.norm(direction) + 1e-9)
        wrist = ball - 0.02 * d
        up = np.array([0, 0, 1.0])
        p = self.person
        p.bat.key(time - before, self._w(wrist - 0.26 * d + 0.10 * self.side + 0.10 * up))
        speed = min(5.0, 0.6 * float(np.linalg.norm(direction)))
        for dt in (-0.025, 0.0, 0.025):
            p.bat.key(time + dt, self._w(wrist + speed * dt * d))
        p.bat.key(time + 0.14, self._w(wrist + 0.22 * d - 0.10 * self.side + 0.03 * up))
        p.hit_direction.key(time - before, self._d(d + 0.5 * self.side))
        p.hit_direction.key(time, self._d(d))
        p.hit_direction.key(time + 0.14, self._d(d - 0.4 * self.side))


def build_cast(s: Scenario) -> Cast:
    """Work out all ways and movements of a film."""
    rng = np.random.default_rng(s.seed)
    air = Air(lift=s.lift)
    top = Surface(s.restitution, s.friction, 0.0, 0.012)
    floor = Surface(0.72, 0.35)
    cast = Cast()
    ends = {p.end for p in s.serves} or {-1}
    players: dict[int, _Player] = {}
    for k, end in enumerate((-1, 1)):
        if end not in ends and not s.two_players:
            continue
        look = s.players[k]
        plans = [p for p in s.serves if p.end == end]
        y0 = plans[0].contact_y if plans else 0.1
        side = -1.0 if not look.left_handed else 1.0  # bat side in the player's own frame, y
        own = np.array([-table.HALF_LENGTH - (0.68 if plans else 0.85), y0 - side * 0.30])
        players[end] = _Player(look, end, turn(np.array([*own, 0.0]), end)[:2])
    for i, plan in enumerate(s.serves):
        _serve(s, cast, i, plan, players, rng, air, top, floor)
    if not s.serves:
        for player in players.values():
            _dry_swings(player, rng, s.duration)
    for player in players.values():
        cast.people.append((0, player.person))
    for w in s.walkers:
        cast.people.append(
            (0, Walker(w.look, np.array(w.start), np.array(w.end), w.begins, w.pace))
        )
    for r in s.rallies:
        _rally(s, cast, r, air, top)
    for stray in s.strays:
        path = BallPath()
        t = np.linspace(stray.begins, stray.begins + 12.0, 40)
        run = np.exp(-0.08 * (t - t[0]))
        far = (1 - run) / 0.08
        places = np.array([*stray.start, FLOOR + RADIUS]) + far[:, None] * np.array(
            [*stray.velocity, 0.0]
        )
        path.add(t, places, run[:, None] * np.array([*stray.velocity, 0.0]), "stray")
        cast.other_balls.append((0, path))
    x0, x1, y0, y1 = s.hall.room
    for path in cast.balls:
        _stop_at_walls(path, (x0 + 0.1, x1 - 0.1, y0 + 0.1, y1 - 0.1), s)
    return cast


def _dry_swings(player: _Player, rng: np.random.Generator, duration: float) -> None:
    """Someone who practises strokes without a ball and steps about."""
    now = float(rng.uniform(0.6, 1.2))
    while now < duration:
        shift = np.array([0.0, rng.uniform(-0.25, 0.25), 0.0])
        player.person.body.key(now - 0.1, shift)
        way = player.f * 4.0 + player.left * rng.uniform(-1.5, 1.5) + np.array([0.0, 0.0, 1.0])
        player.swing(now, player.spot(0.45, 0.28, 0.22, shift), way, 0.3, shift)
        player.rest(now + 0.6, shift)
        now += float(rng.uniform(1.1, 1.7))


def _stop_at_walls(path: BallPath, room: tuple, s: Scenario) -> None:
    """A ball that meets a wall or a surround is taken out of the picture there."""
    boxes = [(b.low, b.high) for b in s.hall.boxes]
    for t, p in zip(path.times, path.places, strict=True):
        out = not (room[0] < p[0] < room[1] and room[2] < p[1] < room[3])
        for low, high in boxes:
            out |= bool(
                low[0] - 0.1 < p[0] < high[0] + 0.3
                and low[1] < p[1] < high[1]
                and low[2] < p[2] < high[2]
            )
        if out:
            path.gone = min(path.gone, t)
            return


def _serve(
    s: Scenario,
    cast: Cast,
    i: int,
    plan: ServePlan,
    players: dict,
    rng: np.random.Generator,
    air: Air,
    top: Surface,
    floor: Surface,
) -> None:
    end = plan.end
    me, other = players[end], players.get(-end)
    contact = np.array([-table.HALF_LENGTH - plan.behind, plan.contact_y, plan.contact_z])
    spin = np.array(plan.spin)
    contact, stroke = _aim(plan, contact, spin, air, top, 0.02 * rng.uniform())
    path = BallPath(serve=i)
    hand_side = me.side[1] * (1.0 if end < 0 else -1.0)  # bat side, own frame
    start = contact + np.array([-0.03, -0.12 * hand_side, 0.0])
    start[2] = 0.16 + 0.04 * rng.uniform()
    up = np.sqrt(2 * GRAVITY * plan.rise)
    last = up / GRAVITY + np.sqrt(2 * (start[2] + plan.rise - contact[2]) / GRAVITY)
    t_toss, t_contact = plan.toss, plan.toss + last
    now = t_toss - 0.1 - rng.uniform(0.35, 0.6)
    low = start - np.array([0, 0, 0.06])
    shift = np.array(
        [0.0, (plan.contact_y * (1 if end < 0 else -1)) - (me.place[1] + 0.30 * me.side[1]), 0.0]
    )
    if plan.idle:
        now = _idle(path, plan, end, now, low, air, top, floor, me, shift)
    else:
        wander = (
            turn(low, end) + np.array([0, 0, 1.0]) * 0.004 * np.sin(np.linspace(0, 5, 20))[:, None]
        )
        path.hold(now, t_toss - 0.1, wander)
    lift = np.linspace(0, 1, 8)[:, None] ** 2
    path.hold(t_toss - 0.1, t_toss, turn(low, end) + lift * (turn(start, end) - turn(low, end)))
    path.times.pop(), path.places.pop(), path.velocities.pop()
    path.toss(t_toss, turn(start, end), turn(contact, end), plan.rise)
    velocity, w = turn(stroke.velocity, end), turn(spin, end)
    # hands
    p = me.person
    p.body.key(now - 0.5, shift)
    p.body.key(t_contact + 0.3, shift + 0.05 * me.f)
    palm = -0.09 * me.f + np.array([0, 0, -0.05])
    p.free.key(now - 0.35, me.spot(0.0, -0.22, 0.0, shift))
    p.free.key(now, turn(low, end) + palm)
    p.free.key(t_toss - 0.1, turn(low, end) + palm)
    p.free.key(t_toss, turn(start, end) + palm)
    p.free.key(t_toss + 0.08, turn(start, end) + palm + np.array([0, 0, 0.06]))
    p.free.key(t_contact - 0.05, me.spot(0.15, -0.36, 0.18, shift))
    p.free.key(t_contact + 0.4, me.spot(0.33, -0.16, 0.10, shift))
    p.bat.key(now - 0.2, me.spot(0.3, 0.28, 0.15, shift))
    me.swing(t_contact, turn(contact, end), velocity, min(0.30, last * 0.6), shift)
    me.rest(t_contact + 0.65, shift)
    kinds = ["serve"] * 3
    path.play(
        t_contact,
        velocity,
        w,
        kind="flight",
        contact_kinds=kinds,
        air=air,
        table_top=top,
        floor=floor,
        longest=max(2.0, s.duration + s.starts_at - t_contact + 0.5),
        place=turn(contact, end),
    )
    outcome, landing, second = _judge(path, end, t_contact, w, air, top)
    intercept = None
    if plan.receiver != "leave" and outcome in ("good", "let") and other is not None:
        intercept = _receive(s, path, plan, end, other, air, top, floor, rng, w)
    cast.balls.append(path)
    cast.serves.append(
        Serve(
            i, plan, t_toss, t_contact, plan.rise, velocity, w, outcome, landing, second, intercept
        )
    )


def _aim(
    plan: ServePlan, contact: np.ndarray, spin: np.ndarray, air: Air, top: Surface, vary: float
) -> tuple[np.ndarray, Stroke]:
    """The stroke for a plan; the contact is raised a little if the wanted height cannot do it."""
    args: dict = {"air": air, "top": top, "fast": plan.fast}
    if plan.first:
        args["first_bounces"] = plan.first
    goal = plan.target
    if plan.what in ("net", "let"):
        goal = (0.0, plan.target[1])
        args["net_height"] = 0.085 + vary if plan.what == "net" else 0.164
    failed: ValueError | None = None
    for raised in (0.0, 0.05, -0.05, 0.1):
        place = contact + np.array([0.0, 0.0, raised])
        try:
            return place, find_serve(place, spin, target=goal, **args)
        except ValueError as error:
            failed = error
    assert failed is not None
    raise failed


def _idle(
    path: BallPath,
    plan: ServePlan,
    end: int,
    hold: float,
    low: np.ndarray,
    air: Air,
    top: Surface,
    floor: Surface,
    me: _Player,
    shift: np.ndarray,
) -> float:
    """The server bounces the ball on the table before he gets ready; returns when he began."""
    spot = turn(np.array([-1.20, plan.contact_y + 0.12, 0.26]), end)
    each = 0.46
    begin = hold - plan.idle * each - 0.5
    path.hold(begin, begin + 0.25, np.linspace(turn(low, end), spot, 8))
    now = begin + 0.25
    me.person.free.key(now, spot + np.array([0, 0, 0.06]) - 0.06 * me.f)
    for k in range(plan.idle):
        v = np.array([0.02 * np.sin(k), 0.03 * np.cos(2 * k), -1.35])
        path.play(
            now,
            v,
            np.zeros(3),
            kind="idle",
            contact_kinds=["idle"],
            rest_kind="idle",
            air=air,
            table_top=top,
            floor=floor,
            longest=0.60,
            place=spot,
        )
        hit = next(c.time for c in path.contacts if c.kind == "idle" and c.time > now)
        grid = np.arange(hit + 0.02, now + each - 0.04, 0.002)
        z = np.array([path.at(t)[2] for t in grid])
        stop = float(grid[min(int(np.argmax(z >= 0.235)) or len(z) - 1, len(z) - 1)])
        path.cut(stop)
        me.person.free.key(hit, spot + np.array([0, 0, 0.03]) - 0.06 * me.f)
        me.person.free.key(stop, path.places[-1] + np.array([0, 0, 0.05]) - 0.06 * me.f)
        last = k == plan.idle - 1
        goal, until = (turn(low, end), hold + 0.30) if last else (spot, now + each)
        path.hold(
            stop, until, path.places[-1] + np.linspace(0, 1, 10)[:, None] * (goal - path.places[-1])
        )
        now = until
    path.hold(now, plan.toss - 0.1, np.repeat(turn(low, end)[None], 3, 0))
    return begin


def _judge(
    path: BallPath, end: int, t_contact: float, spin: np.ndarray, air: Air, top: Surface
) -> tuple[str, np.ndarray | None, np.ndarray | None]:
    """Outcome by the contacts, the landing and the second bounce on an endless table."""
    seen = [c for c in path.contacts if c.time > t_contact and c.surface in ("table", "net")]
    marks = [
        "net" if c.surface == "net" else ("own" if c.place[0] * end > 0 else "opp") for c in seen
    ]
    if marks[:2] == ["own", "own"]:
        return "fault-own-side-twice", None, None
    if marks[:1] != ["own"]:
        return "fault-missed", None, None
    touched = marks[1:2] == ["net"]
    rest = marks[2:] if touched else marks[1:]
    if rest[:1] != ["opp"]:
        return ("fault-net" if touched else "fault-missed"), None, None
    landing = seen[2 if touched else 1]
    # go on from the landing without net, edge or receiver
    w = spin.copy()
    for c in seen:
        if c.surface == "table" and c.time < landing.time:
            _, w = bounce(c.velocity, w, top)
    after, w2 = bounce(landing.velocity, w, top)
    p = landing.place.copy()
    p[2] = RADIUS
    second = bounces_on_endless_table(p, after, w2, 1, air, top)[0][1][:2]
    return ("let" if touched else "good"), landing.place[:2].copy(), second


def _receive(
    s: Scenario,
    path: BallPath,
    plan: ServePlan,
    end: int,
    other: _Player,
    air: Air,
    top: Surface,
    floor: Surface,
    rng: np.random.Generator,
    spin: np.ndarray,
) -> float:
    hits = [c for c in path.contacts if c.surface == "table" and c.place[0] * end < 0]
    t_land = hits[0].time
    latest = hits[1].time - 0.04 if len(hits) > 1 else t_land + 0.45
    t = t_land + 0.10
    while t < latest and abs(path.at(t)[0]) < table.HALF_LENGTH + 0.12:
        t += 0.005
    t = max(t_land + 0.12, min(t, latest))
    ball = path.at(t)
    shift = np.array([0.0, ball[1] - (other.place[1] + 0.30 * other.side[1]), 0.0])
    reach = max(0.0, (abs(other.place[0]) - 0.50) - abs(ball[0]))
    shift += reach * other.f
    p = other.person
    p.body.key(t - 0.45, np.zeros(3))
    p.body.key(t - 0.05, shift)
    p.body.key(t + 0.15, shift)
    p.body.key(t + 0.8, np.zeros(3))
    other.rest(t - 0.45)
    path.cut(t)
    if plan.receiver == "catch":
        path.gone = t
        palm = 0.02 * other.f * -1
        p.free.key(t - 0.12, ball + palm + 0.1 * other.f)
        p.free.key(t, ball + palm)
        p.free.key(t + 0.25, other.spot(0.25, -0.2, 0.05, shift))
    else:
        target = turn(np.array([-0.55 - 0.5 * rng.uniform(), rng.uniform(-0.45, 0.45), 0.0]), end)
        back = find_return(
            ball, -0.3 * spin, (target[0], target[1]), 0.42 + 0.1 * rng.uniform(), air
        )
        path.play(
            t,
            back,
            0.3 * spin,
            kind="return",
            contact_kinds=["return"],
            rest_kind="dead",
            air=air,
            table_top=top,
            floor=floor,
            longest=max(2.0, s.duration + s.starts_at - t + 0.5),
        )
        other.swing(t, ball, back, 0.22, shift)
    other.rest(t + 0.75)
    return t


def _rally(s: Scenario, cast: Cast, r: object, air: Air, top: Surface) -> None:
    """A long rally on another table, each stroke found by shooting."""
    t = s.tables[r.table]  # type: ignore[attr-defined]
    rng = np.random.default_rng(r.seed)  # type: ignore[attr-defined]
    players = {}
    for k, end in enumerate((-1, 1)):
        place = turn(np.array([-table.HALF_LENGTH - 0.85, 0.1, 0.0]), end)[:2]
        players[end] = _Player(r.looks[k], end, place, t)  # type: ignore[attr-defined]
    path = BallPath()
    now, end = -0.5, -1
    place = turn(np.array([-1.75, 0.0, 0.22]), end)
    while now < s.duration + s.starts_at + 1.0:
        goal = turn(np.array([rng.uniform(0.6, 1.05), rng.uniform(-0.5, 0.5), 0.0]), end)
        v = find_return(place, np.zeros(3), (goal[0], goal[1]), rng.uniform(0.40, 0.48), air)
        me = players[end]
        shift = np.array([0.0, place[1] - (me.place[1] + 0.30 * me.side[1]), 0.0])
        me.person.body.key(now, t.to_world(shift) - t.to_world(np.zeros(3)))
        me.swing(now, place, v, 0.25, shift)
        me.rest(now + 0.5, shift)
        first = fly(
            place,
            v,
            np.zeros(3),
            start=now,
            longest=2.0,
            air=air,
            events={"p": lambda q: q[2] - RADIUS},
            rtol=1e-7,
            step=0.01,
        )
        v2, w2 = bounce(first.velocities[-1], np.zeros(3), top)
        p2 = first.places[-1].copy()
        p2[2] = RADIUS
        reach = (table.HALF_LENGTH + 0.38 - abs(p2[0])) / max(0.5, abs(v2[0]))
        then = fly(
            p2,
            v2,
            w2,
            start=float(first.times[-1]),
            longest=float(np.clip(reach * 1.15, 0.2, 0.5)),
            air=air,
            rtol=1e-7,
            step=0.01,
        )
        for arc in (first, then):
            turned = t.to_world(arc.velocities) - t.to_world(np.zeros_like(arc.velocities))
            path.add(arc.times, t.to_world(arc.places), turned, "other")
        now, place, end = float(then.times[-1]), then.places[-1].copy(), -end
    for player in players.values():
        cast.people.append((r.table, player.person))  # type: ignore[attr-defined]
    cast.other_balls.append((r.table, path))  # type: ignore[attr-defined]
