"""More named films, the harder ones, and the list of all."""

from __future__ import annotations

from dataclasses import replace

from .furniture import Table
from .hall import Hall
from .presets import (
    BLUE,
    CELLAR,
    DEV_A,
    GREEN,
    GREY,
    GYM_GREEN,
    GYM_OLD,
    ORANGE,
    SPORTS,
    WHITE,
    bench,
    dress,
    serves,
    surrounds,
)
from .scenario import Rally, Scenario, Stray, WalkerPlan

ATTIC = Hall(
    seed=61, floor="wood", floor_colour=(0.5, 0.36, 0.2), gloss=0.55, room=(-6.5, 7.0, -5.0, 5.2),
    ceiling=3.6, walls=("panel", "plaster", "brick", "block"), windows=(1, 2), posters=4,
    wall_colours=((0.3, 0.2, 0.1), (0.6, 0.55, 0.35), (0.3, 0.3, 0.3), (0.4, 0.48, 0.42)),
    lamp_rows=(2, 3), warmth=0.3, even=0.3, boxes=bench(2.5, -4.4),
)  # fmt: skip
ARENA = Hall(
    seed=73, floor="lino", floor_colour=(0.26, 0.035, 0.03), gloss=0.2, room=(-13, 13, -8, 8),
    ceiling=8.0, walls=("curtain", "curtain", "plaster", "panel"), lines=False, posters=2,
    wall_colours=((0.015, 0.02, 0.06), (0.02, 0.02, 0.025), (0.3, 0.32, 0.36), (0.4, 0.3, 0.2)),
    boxes=surrounds(4.6, -3.6, 5) + surrounds(-5.2, -3.6, 5), lamp_rows=(5, 3), even=0.8,
)  # fmt: skip

SAMPLE = Scenario(
    name="sample_drill", seed=301, hall=GYM_OLD, duration=13.5, crf=23, noise=0.9,
    about="the sample clip: five serves, one of them into the net",
    tables=(Table(colour=BLUE, seed=2), Table(colour=BLUE, place=(1.0, 3.7), turned=0.03, seed=5)),
    eye=(-3.7, -1.75, 1.25), at=(0.12, 0.02, -0.14), focal=1500, k1=-0.02, shutter=1 / 500,
    exposure=1.15, players=(dress("navy", 33), dress("red", 41)),
    rallies=(Rally(looks=(dress("green", 43), dress("sky", 46)), seed=3),),
    walkers=(WalkerPlan(start=(3.1, -4.5), end=(3.4, 5.5), begins=5.5, look=dress("purple", 52)),),
    serves=serves(
        "short long net half short", first=1.5, gap=2.5, seed=31,
        receivers=("leave", "return", "leave", "catch"),
    ),
)  # fmt: skip

DEV_B = (
    Scenario(
        name="e1_bump_1080p60", seed=201, hall=SPORTS, tables=(Table(colour=GREEN, seed=11),),
        about="the stand is bumped in mid-clip", duration=13, shutter=1 / 320,
        eye=(-3.1, -2.6, 1.3), at=(0.1, 0.0, -0.15), focal=1480, k1=-0.03,
        bump=6.55, bump_eye=(0.03, -0.02, -0.01), bump_at=(0.12, -0.1, 0.05), bump_roll=0.012,
        ball=ORANGE, players=(dress("white", 31), dress("sky", 32)), exposure=1.1,
        serves=serves("short long short half", first=1.5, gap=3.0, seed=12,
                      receivers=("catch", "leave", "return")),
    ),
    Scenario(
        name="e2_noball_1080p30", seed=202, hall=GYM_OLD, fps=30, shutter=1 / 100, duration=10,
        about="no ball at all: dry strokes, white shirts and a walker",
        tables=(Table(colour=BLUE, seed=12), Table(colour=BLUE, place=(0.5, 3.8), seed=13)),
        eye=(-3.7, 1.3, 1.2), at=(0.1, 0.1, -0.1), focal=1450, noise=2.2, exposure=0.9,
        players=(dress("white", 35), dress("white", 36)),
        walkers=(WalkerPlan(start=(5.0, -4.5), end=(4.4, 5.5), begins=1.5,
                             look=dress("white", 37)),
                 WalkerPlan(start=(-5.2, -3.0), end=(6, -2.6), begins=2.5,
                             look=dress("yellow", 38))),
    ),
    Scenario(
        name="e3_slow_720p240", seed=203, hall=ATTIC, size=(1280, 720), fps=240, duration=8.5,
        about="240 frames a second, flickering lamps", shutter=1 / 1000, flicker=0.035,
        tables=(Table(colour=GREY, seed=14),), ball=ORANGE, noise=2.4, exposure=0.95,
        eye=(-3.3, -1.6, 1.1), at=(0.15, 0.0, -0.12), focal=960, k1=0.02,
        players=(dress("black", 39), dress("green", 40)),
        serves=serves("short long half short", first=0.9, gap=1.95, seed=13,
                      receivers=("catch", "return", "leave")),
    ),
    Scenario(
        name="e4_rolling_hevc10_1080p60", seed=204, hall=ARENA, codec="libx265", bits=10, crf=20,
        preset="ultrafast", about="10-bit HEVC, rolling shutter of 18 ms, grey table",
        readout=0.018, shutter=1 / 240, duration=12, tables=(Table(colour=GREY, seed=15),),
        eye=(-4.4, -0.9, 1.5), at=(0.2, 0.0, -0.2), focal=1700, k1=-0.01, exposure=1.2,
        players=(dress("yellow", 41), dress("red", 42)),
        serves=serves("long short half short", first=1.6, gap=2.6, seed=14,
                      receivers=("return", "leave", "catch")),
    ),
    Scenario(
        name="e5_multiball_1080p60", seed=205, hall=CELLAR, tables=(Table(colour=BLUE, seed=16),),
        about="practice with many balls: a serve every two seconds, nobody receives",
        duration=14, shutter=1 / 400, two_players=False, ball=WHITE, exposure=1.1,
        eye=(-2.5, -2.9, 1.35), at=(0.1, 0.0, -0.15), focal=1400, k1=-0.05,
        players=(dress("red", 43), dress("red", 44)),
        serves=serves("short half long short short long", first=1.2, gap=2.0, seed=15),
    ),
    Scenario(
        name="e6_ends_left_1080p60", seed=206, hall=ARENA, tables=(Table(colour=BLUE, seed=17),),
        about="side-on, the two serve in turn, the one on the right left-handed",
        eye=(0.25, -4.1, 1.0), at=(0.02, 0.0, -0.05), focal=1480, k1=-0.02, duration=13,
        shutter=1 / 640, players=(dress("white", 45), dress("purple", 46, left_handed=True)),
        exposure=1.3, serves=serves("short long half short", first=1.6, gap=2.8, seed=16,
                                    ends=(-1, 1), receivers=("leave", "return", "catch")),
    ),
    Scenario(
        name="e7_cropped_midserve_1080p60", seed=207, hall=ATTIC, duration=12, starts_at=1.38,
        about="one corner out of the picture; the film begins in the middle of a serve",
        tables=(Table(colour=GREEN, seed=18, wear=2.0),), shutter=1 / 500, ball=WHITE,
        eye=(-2.7, -2.6, 1.15), at=(0.8, 0.0, -0.12), focal=1800, k1=-0.03, exposure=0.9,
        players=(dress("sky", 47), dress("white", 48)),
        serves=serves("long short half long short", first=0.95, gap=2.55, seed=17,
                      receivers=("leave", "catch", "return")),
    ),
    Scenario(
        name="e8_faults_vfr_1080p60", seed=208, hall=GYM_GREEN, variable_rate=True, rotate=180,
        about="own side twice, a let, into the net; variable rate, turned by the flag",
        tables=(Table(colour=BLUE, seed=19), Table(colour=BLUE, place=(-0.5, -3.4), seed=20)),
        eye=(-3.9, -0.9, 1.6), at=(0.1, 0.0, -0.2), focal=1480, duration=14, shutter=1 / 300,
        ball=ORANGE, players=(dress("green", 50), dress("black", 51)), exposure=1.1,
        strays=(Stray(begins=6.0, start=(3.0, -4.0), velocity=(-0.9, 1.1)),),
        serves=serves("own let net short let", first=1.5, gap=2.6, seed=18,
                      receivers=("leave", "catch", "leave", "return")),
    ),
    Scenario(
        name="e9_2160p30", seed=209, hall=replace(SPORTS, seed=38), size=(3840, 2160), fps=30,
        about="4K, short", duration=7, shutter=1 / 250, preset="ultrafast", crf=20,
        tables=(Table(colour=BLUE, seed=21),), eye=(-3.5, -2.2, 1.6), at=(0.1, 0.0, -0.2),
        focal=3000, k1=-0.02, blur=0.9, noise=1.8, players=(dress("navy", 53), dress("white", 54)),
        serves=serves("short long", first=1.5, gap=2.6, seed=19, receivers=("leave", "return")),
    ),
)  # fmt: skip

ALL = {s.name: s for s in (*DEV_A, *DEV_B, SAMPLE)}
