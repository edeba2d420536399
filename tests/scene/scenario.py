"""What a film shows: one frozen record per film, all choices in it."""

from __future__ import annotations

from dataclasses import dataclass, field

from .furniture import Table
from .hall import Hall
from .people import Look

Vec = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ServePlan:
    """One serve, in the server's own frame: he stands at the negative end and faces +x.

    `what` is "land" (second contact at `target`), "net", "let", "own" (own half twice) or
    "miss" (past the table). `receiver` is "leave", "catch" or "return".
    """

    toss: float  # s, the ball leaves the hand
    target: tuple[float, float] = (0.5, 0.2)
    spin: Vec = (0.0, -120.0, 0.0)
    what: str = "land"
    receiver: str = "leave"
    end: int = -1
    contact_y: float = 0.15
    contact_z: float = 0.20
    behind: float = 0.22  # m, of the contact behind the end line
    rise: float = 0.28
    fast: bool = False
    idle: int = 0
    first: tuple[float, ...] | None = None  # x of the first bounce, tried in turn


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkerPlan:
    """Someone walks through the picture."""

    start: tuple[float, float]
    end: tuple[float, float]
    begins: float = 1.0
    pace: float = 1.2
    look: Look = field(default_factory=Look)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rally:
    """Two people playing on another table (by its number in `tables`)."""

    table: int = 1
    looks: tuple[Look, Look] = (Look(), Look())
    seed: int = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Stray:
    """A ball rolling in over the floor from elsewhere."""

    begins: float
    start: tuple[float, float]
    velocity: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A whole film."""

    name: str
    about: str = ""
    seed: int = 1
    # camera
    eye: Vec = (-4.0, -1.0, 1.1)
    at: Vec = (0.1, 0.0, -0.1)
    focal: float = 1500.0
    k1: float = -0.02
    roll: float = 0.0
    size: tuple[int, int] = (1920, 1080)
    fps: float = 60.0
    variable_rate: bool = False
    duration: float = 12.0
    shutter: float = 1 / 500
    readout: float = 0.0
    bump: float | None = None
    bump_eye: Vec = (0.0, 0.0, 0.0)  # m added to `eye` by the bump
    bump_at: Vec = (0.0, 0.0, 0.0)
    bump_roll: float = 0.0
    # picture
    exposure: float = 1.0
    contrast: float = 0.35
    noise: float = 1.5  # 8-bit levels in the mid tones
    blur: float = 0.6  # px
    sharpen: float = 0.35
    vignette: float = 0.25
    flicker: float = 0.0
    tint: Vec = (1.0, 1.0, 1.0)
    codec: str = "libx264"
    bits: int = 8
    crf: int = 18
    preset: str = "veryfast"
    rotate: int = 0  # degrees of the container's rotation flag
    # what is there
    hall: Hall = field(default_factory=Hall)
    tables: tuple[Table, ...] = (Table(),)
    ball: Vec = (0.85, 0.85, 0.82)
    under: float = 0.22  # light that reaches the ball's lower half
    players: tuple[Look, Look] = (Look(), Look(shirt=(0.03, 0.06, 0.25), seed=3))
    two_players: bool = True
    serves: tuple[ServePlan, ...] = ()
    walkers: tuple[WalkerPlan, ...] = ()
    rallies: tuple[Rally, ...] = ()
    strays: tuple[Stray, ...] = ()
    restitution: float = 0.93
    friction: float = 0.25
    lift: float = 0.6
    starts_at: float = 0.0  # s of the script at the first frame: > 0 starts in the midst of things
