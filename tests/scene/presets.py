"""Named films: halls, views, balls and drills as different from one another as a school year."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .furniture import Table
from .hall import FLOOR, Box, Hall
from .people import Look
from .scenario import Rally, Scenario, ServePlan, Stray, WalkerPlan

BLUE, GREEN, GREY = (0.018, 0.075, 0.30), (0.012, 0.10, 0.055), (0.075, 0.08, 0.09)
WHITE, ORANGE = (0.86, 0.86, 0.83), (0.88, 0.30, 0.03)
SHIRTS = {
    "white": (0.72, 0.72, 0.72),
    "red": (0.40, 0.02, 0.03),
    "navy": (0.02, 0.03, 0.10),
    "green": (0.03, 0.20, 0.07),
    "black": (0.015, 0.015, 0.017),
    "yellow": (0.65, 0.45, 0.03),
    "sky": (0.15, 0.35, 0.6),
    "purple": (0.13, 0.03, 0.20),
}
SKINS = [(0.55, 0.33, 0.23), (0.38, 0.2, 0.12), (0.14, 0.07, 0.045), (0.6, 0.4, 0.3)]


def dress(shirt: str, seed: int, **more: object) -> Look:
    """Clothes by the shirt's colour, the rest by `seed`."""
    rng = np.random.default_rng(seed)
    return Look(
        shirt=SHIRTS[shirt],
        skin=SKINS[seed % 4],
        hair=tuple(np.array([0.05, 0.035, 0.02]) * rng.uniform(0.3, 3.5)),
        shorts=[(0.015, 0.015, 0.02), (0.02, 0.025, 0.08), (0.09, 0.09, 0.1)][seed % 3],
        height=float(rng.uniform(1.52, 1.82)),
        long_trousers=seed % 5 == 0,
        seed=seed,
        **more,  # type: ignore[arg-type]
    )


#: kinds of serve: target's distance range, spin about y (top +), side spin, fast, contact height
KINDS = {
    "short": ((0.28, 0.55), (-230, -120), False, (0.18, 0.26)),
    "half": ((0.60, 0.85), (-90, 20), True, (0.18, 0.28)),
    "long": ((0.98, 1.22), (40, 180), True, (0.18, 0.30)),
}


def serves(
    kinds: str,
    *,
    first: float,
    gap: float,
    seed: int,
    ends: tuple[int, ...] = (-1,),
    receivers: tuple[str, ...] = ("leave",),
    idle: dict[int, int] | None = None,
    rise: tuple = (0.2, 0.4),
) -> tuple[ServePlan, ...]:
    """A run of serves from words: short, half, long, net, let, own, miss."""
    rng = np.random.default_rng(seed)
    out = []
    now = first
    for k, word in enumerate(kinds.split()):
        what = word if word in ("net", "let", "own", "miss") else "land"
        form = {"net": "short", "let": "half", "own": "short", "miss": "long"}.get(word, word)
        reach, top, fast, high = KINDS[form]
        x, y = rng.uniform(*reach), rng.uniform(-0.62, 0.62)
        if word == "miss":
            x = rng.uniform(1.55, 1.9)
        if word == "own":
            x, y = rng.uniform(-0.42, -0.28), rng.uniform(-0.3, 0.4)
        if word in ("net", "let"):
            y *= 0.5
        out.append(
            ServePlan(
                toss=now + rng.uniform(-0.1, 0.1),
                target=(float(x), float(y)),
                spin=(
                    float(rng.uniform(-40, 40)),
                    float(rng.uniform(*top)),
                    float(rng.uniform(-150, 150)),
                ),
                what=what,
                receiver=receivers[k % len(receivers)],
                end=ends[k % len(ends)],
                contact_y=float(rng.uniform(0.0, 0.28)),
                contact_z=float(rng.uniform(*high)),
                behind=float(rng.uniform(0.12, 0.30)),
                rise=float(rng.uniform(*rise)),
                fast=fast,
                idle=(idle or {}).get(k, 0),
            )
        )
        now += gap + 0.75 * (idle or {}).get(k + 1, 0)
    return tuple(out)


def surrounds(
    x: float, y0: float, n: int, colour: tuple = (0.02, 0.05, 0.2), band: tuple = (0.6, 0.6, 0.6)
) -> tuple[Box, ...]:
    """A row of low barriers along x = const."""
    return tuple(
        Box((x, y0 + 1.45 * k, FLOOR), (x + 0.05, y0 + 1.45 * k + 1.4, FLOOR + 0.7), colour, band)
        for k in range(n)
    )


def bench(x: float, y: float, long: float = 2.5, along: str = "x") -> tuple[Box, ...]:
    """A gymnasium bench."""
    a, b = (long, 0.28) if along == "x" else (0.28, long)
    wood = (0.40, 0.24, 0.11)
    return (
        Box((x, y, FLOOR + 0.27), (x + a, y + b, FLOOR + 0.32), wood),
        Box((x + 0.1, y + 0.08, FLOOR), (x + 0.2, y + b - 0.02, FLOOR + 0.27), (0.2, 0.12, 0.06)),
        Box(
            (x + a - 0.2, y + 0.02, FLOOR),
            (x + a - 0.1, y + b - 0.02, FLOOR + 0.27),
            (0.2, 0.12, 0.06),
        ),
    )


GYM_OLD = Hall(
    seed=11,
    floor="wood",
    floor_colour=(0.36, 0.19, 0.085),
    gloss=0.7,
    windows=(3,),
    walls=("brick", "block", "panel", "plaster"),
    boxes=bench(1.0, 5.6) + surrounds(3.9, -2.2, 3),
    wall_colours=((0.40, 0.18, 0.11), (0.55, 0.53, 0.46), (0.42, 0.28, 0.15), (0.6, 0.56, 0.44)),
    warmth=0.8,
    even=0.35,
)
GYM_GREEN = Hall(
    seed=23,
    floor="lino",
    floor_colour=(0.10, 0.19, 0.13),
    gloss=0.35,
    room=(-8.0, 9.5, -5.5, 6.5),
    walls=("block", "plaster", "block", "curtain"),
    posters=7,
    wall_colours=((0.5, 0.5, 0.47), (0.62, 0.6, 0.5), (0.5, 0.5, 0.5), (0.16, 0.05, 0.05)),
    boxes=surrounds(-4.6, -2.9, 4, (0.25, 0.02, 0.02), (0.7, 0.7, 0.7)) + bench(-1.0, -4.9),
    lamp_rows=(4, 3),
    warmth=-0.6,
    even=0.6,
)
SPORTS = Hall(
    seed=37,
    floor="lino",
    floor_colour=(0.05, 0.12, 0.24),
    gloss=0.25,
    room=(-12, 11, -9, 9),
    ceiling=7.0,
    walls=("plaster", "panel", "plaster", "block"),
    windows=(0, 1),
    wall_colours=((0.5, 0.55, 0.55), (0.5, 0.38, 0.24), (0.55, 0.55, 0.5), (0.45, 0.47, 0.5)),
    boxes=surrounds(4.4, -3.6, 5, (0.01, 0.09, 0.05), (0.6, 0.55, 0.1)),
    lamp_rows=(5, 4),
    even=0.7,
)
CELLAR = Hall(
    seed=41,
    floor="boards",
    floor_colour=(0.30, 0.17, 0.08),
    gloss=0.5,
    room=(-5.5, 5.6, -4.2, 4.6),
    ceiling=2.6,
    walls=("curtain", "brick", "plaster", "brick"),
    posters=3,
    lines=False,
    wall_colours=((0.02, 0.045, 0.09), (0.36, 0.17, 0.11), (0.55, 0.5, 0.38), (0.38, 0.2, 0.13)),
    lamp_rows=(3, 2),
    warmth=1.0,
    even=0.2,
    boxes=bench(-1.2, 3.9),
)

_WHITE_TABLES = (Table(colour=BLUE), Table(colour=BLUE, place=(0.4, 3.9), turned=0.04, seed=4))

DEV_A = (
    Scenario(
        name="d1_far_server_1080p60",
        seed=101,
        hall=GYM_GREEN,
        tables=(Table(colour=GREY, sheen=0.09, seed=1),),
        about="seen from behind the receiver's end, the server far away; grey table, orange ball",
        eye=(-4.3, 1.3, 1.4),
        at=(0.15, -0.05, -0.15),
        focal=1560,
        k1=0.03,
        shutter=1 / 250,
        duration=13,
        ball=ORANGE,
        players=(dress("sky", 3), dress("black", 7)),
        exposure=1.15,
        noise=1.3,
        serves=serves(
            "short long half short miss",
            first=1.6,
            gap=2.35,
            seed=5,
            ends=(1,),
            receivers=("leave", "return", "catch"),
        ),
    ),
    Scenario(
        name="d2_side_720p120",
        seed=102,
        hall=GYM_OLD,
        tables=(Table(colour=BLUE, seed=2, wear=2.0),),
        about="side-on from the other side, windows, 120 fps, short shutter",
        size=(1280, 720),
        fps=120,
        eye=(-0.35, 3.7, 0.85),
        at=(-0.05, 0.0, -0.02),
        focal=880,
        k1=-0.06,
        shutter=1 / 1000,
        duration=11,
        ball=WHITE,
        players=(dress("navy", 4), dress("white", 5)),
        exposure=1.3,
        noise=2.2,
        blur=0.5,
        serves=serves(
            "long short let half",
            first=1.5,
            gap=2.4,
            seed=6,
            receivers=("leave", "catch", "leave", "return"),
        ),
    ),
    Scenario(
        name="d3_balcony_1080p30",
        seed=103,
        hall=replace(SPORTS, windows=()),
        tables=(Table(colour=BLUE, seed=3), Table(colour=BLUE, place=(-0.3, 4.2), seed=6)),
        about="from a balcony, 30 fps, long shutter, a walker, play on the next table",
        eye=(-3.6, -3.4, 3.1),
        at=(0.0, 0.25, -0.25),
        focal=1500,
        k1=-0.015,
        fps=30,
        shutter=1 / 100,
        duration=13,
        ball=WHITE,
        players=(dress("purple", 8), dress("yellow", 9)),
        exposure=0.75,
        noise=2.8,
        tint=(1.05, 1.0, 0.88),
        rallies=(Rally(looks=(dress("white", 12), dress("green", 13))),),
        walkers=(WalkerPlan(start=(-5.0, 2.6), end=(5.5, 2.3), begins=3.0, look=dress("red", 14)),),
        serves=serves(
            "short half long short",
            first=1.8,
            gap=2.8,
            seed=7,
            receivers=("catch", "leave", "return"),
        ),
    ),
    Scenario(
        name="d4_corner_1080p60_hevc",
        seed=104,
        hall=replace(GYM_OLD, seed=12, windows=(1,)),
        tables=(
            Table(colour=GREEN, seed=4),
            Table(colour=GREEN, place=(1.2, 3.4), turned=-0.03, seed=8),
        ),
        about="corner view, white shirts, next table in play, HEVC, variable rate",
        eye=(-3.2, -2.3, 1.05),
        at=(0.2, 0.1, -0.12),
        focal=1420,
        k1=0.0,
        shutter=1 / 400,
        duration=12.5,
        variable_rate=True,
        codec="libx265",
        crf=21,
        preset="ultrafast",
        ball=ORANGE,
        players=(dress("white", 15), dress("white", 16)),
        exposure=1.2,
        noise=1.4,
        rallies=(Rally(looks=(dress("sky", 17), dress("white", 18)), seed=9),),
        serves=serves(
            "half short long net",
            first=1.7,
            gap=2.6,
            seed=8,
            receivers=("leave", "return", "catch"),
        ),
    ),
    Scenario(
        name="d5_diagonal_idle_1080p60",
        seed=105,
        hall=CELLAR,
        tables=(Table(colour=GREEN, seed=5, wear=2.5, sheen=0.03),),
        about="low cellar, diagonal, a left-hander with idle bouncing; net and missed",
        eye=(-2.9, 2.7, 1.2),
        at=(0.05, 0.05, -0.16),
        focal=1450,
        k1=-0.04,
        shutter=1 / 200,
        duration=14,
        ball=WHITE,
        players=(dress("green", 20, left_handed=True), dress("red", 21)),
        exposure=1.05,
        noise=1.9,
        roll=0.012,
        serves=serves(
            "short net long miss",
            first=3.2,
            gap=2.5,
            seed=9,
            idle={0: 3, 2: 1},
            receivers=("leave", "leave", "return", "leave"),
        ),
    ),
    Scenario(
        name="d6_behind_dim_720p60",
        seed=106,
        hall=replace(GYM_GREEN, seed=29, floor="boards", floor_colour=(0.33, 0.2, 0.1), gloss=0.5),
        tables=(
            Table(colour=BLUE, seed=6),
            Table(colour=BLUE, place=(0.8, -3.3), turned=0.02, seed=9),
        ),
        about="dim and noisy, behind the server, a stray ball rolls in, own side twice",
        size=(1280, 720),
        fps=60,
        eye=(-4.3, 0.55, 1.45),
        at=(0.2, 0.0, -0.2),
        focal=1050,
        k1=-0.03,
        shutter=1 / 120,
        duration=13,
        ball=WHITE,
        players=(dress("white", 22), dress("navy", 23)),
        exposure=0.5,
        noise=3.6,
        tint=(1.08, 1.0, 0.84),
        blur=0.7,
        rallies=(Rally(looks=(dress("yellow", 24), dress("purple", 25)), seed=4),),
        strays=(Stray(begins=5.0, start=(1.8, 4.5), velocity=(-0.3, -1.6)),),
        serves=serves(
            "long own short half",
            first=1.7,
            gap=2.7,
            seed=10,
            receivers=("catch", "leave", "leave", "return"),
        ),
    ),
)
