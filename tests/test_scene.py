"""The film generator itself: its physics against worked values, its pictures against geometry.

The worked flights were computed once with SciPy's DOP853 at a relative tolerance of 1e-12 (drag
coefficient 0.45, air 1.2041 kg/m3, restitution 0.9, friction 0.25), apart from this code; the
bounces and the one-dimensional flights are closed forms, worked by hand.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from calibration import table
from tests.scene.aim import bounces_on_endless_table, find_serve
from tests.scene.catalogue import ALL
from tests.scene.compose import phase
from tests.scene.draw import Patch, draw_ball
from tests.scene.film import render
from tests.scene.furniture import Table
from tests.scene.hall import Hall
from tests.scene.path import BallPath
from tests.scene.people import Look
from tests.scene.physics import GRAVITY, MASS, RADIUS, SHELL, Air, Surface, bounce, fly
from tests.scene.scenario import Scenario, ServePlan
from tests.scene.stage import build_stage, look, normalised_map

STILL = Air(lift=0.0)
TOP = Surface(0.9, 0.25)
RPS = 2 * np.pi


@pytest.mark.parametrize(
    ("speed", "fall", "spin", "surface", "expected"),
    [
        # v_h', v_z', spin' by hand: impulse mu (1+e) v_z if it slips, 0.4 of the contact speed if
        # it grips (thin shell, inertia 2/3 m r^2)
        pytest.param(5.0, 2.0, 0.0, TOP, (4.05, 1.80, 71.25), id="slips"),
        pytest.param(2.0, 2.0, 0.0, TOP, (1.20, 1.80, 60.0), id="grips"),
        pytest.param(
            4.0, 1.5, -30 * RPS, Surface(0.93, 0.25), (3.27625, 1.395, -134.214), id="backspin"
        ),
        pytest.param(5.0, 2.0, 30 * RPS, TOP, (4.50796, 1.80, 225.398), id="topspin-grips"),
    ],
)
def test_bounce_meets_values_worked_by_hand(speed, fall, spin, surface, expected):
    v, w = bounce(np.array([speed, 0.0, -fall]), np.array([0.0, spin, 0.0]), surface)
    assert (v[0], v[2], w[1]) == pytest.approx(expected, abs=1e-3)  # last printed digit


def test_rough_shell_follows_garwin():
    # R. L. Garwin, Am. J. Phys. 37:88 (1969), for a shell: v' = 1/5, r w' = 6/5 of v
    v, w = bounce(np.array([1.0, 0, -9.0]), np.zeros(3), Surface(1.0, 9.0, tangential=1.0))
    assert (v[0], RADIUS * w[1]) == pytest.approx((0.2, 1.2), abs=1e-12)


def test_bounce_keeps_angular_momentum_about_the_contact():
    rng = np.random.default_rng(3)
    for _ in range(50):
        v, w = rng.normal(0, 4, 3), rng.normal(0, 150, 3)
        v[2] = -abs(v[2])
        after, spun = bounce(v, w, Surface(0.9, rng.uniform(0.05, 1.0)))
        before = v[:2] + SHELL * RADIUS * np.array([w[1], -w[0]])
        assert after[:2] + SHELL * RADIUS * np.array([spun[1], -spun[0]]) == pytest.approx(
            before, abs=1e-12
        )


@pytest.mark.parametrize(
    ("place", "velocity", "air", "times", "places"),
    [
        # times s, and m beyond the server's end line
        ((-0.2, 0.3), (4.5, 0), STILL, (0.24435, 0.64463, 0.98987), (0.82821, 1.89335, 2.59155)),
        ((-0.2, 0.3), (4.5, 0), Air(0), (0.23896, 0.66910, 1.05622), (0.87534, 2.33215, 3.37739)),
        ((-0.2, 0.3), (4.76004, 0), STILL, (None, None, 0.98714), (None, None, 2.74000)),
        ((-0.2, 0.3), (4.8, 0), STILL, (None,) * 3, (None, None, 2.76250)),
        ((-0.3, 0.2), (7, -1.5), STILL, (0.09513, 0.49403, 0.83122), (0.33858, 2.22544, 3.26397)),
    ],
    ids=["drag", "no-air", "half-long", "fast", "long"],
)  # fmt: skip
def test_flight_and_bounces_meet_the_worked_serves(place, velocity, air, times, places):
    hits = bounces_on_endless_table(
        np.array([place[0] - table.HALF_LENGTH, 0.0, place[1]]),
        np.array([velocity[0], 0.0, velocity[1]]),
        np.zeros(3), 3, air, TOP,
    )  # fmt: skip
    for (t, p, _, _), t0, y0 in zip(hits, times, places, strict=True):
        if t0 is not None:
            assert t == pytest.approx(t0, abs=2e-5)
        if y0 is not None:
            assert p[0] + table.HALF_LENGTH == pytest.approx(y0, abs=2e-5)


def test_backspin_shortens_the_second_hop():
    hits = bounces_on_endless_table(
        np.array([-0.2 - table.HALF_LENGTH, 0.0, 0.3]), np.array([4.8, 0, 0]),
        np.array([0.0, -20 * RPS, 0.0]), 3, STILL, TOP,
    )  # fmt: skip
    assert hits[2][1][0] + table.HALF_LENGTH == pytest.approx(2.61199, abs=2e-5)  # worked apart


def test_height_over_the_net_meets_the_worked_serve():
    hits = bounces_on_endless_table(
        np.array([-0.2 - table.HALF_LENGTH, 0.0, 0.3]), np.array([4.5, 0, 0]), np.zeros(3),
        1, STILL, TOP,
    )  # fmt: skip
    t, p, v, w = hits[0]
    after, w = bounce(v, w, TOP)
    arc = fly(p, after, w, start=t, air=STILL, events={"net": lambda s: -s[0]})
    assert arc.times[-1] == pytest.approx(0.44095, abs=2e-5)
    assert arc.places[-1, 2] - table.NET_HEIGHT == pytest.approx(0.0640, abs=1e-4)


def test_straight_fall_and_rise_meet_closed_forms():
    air = Air(drag=0.5, lift=0.0)
    k = air.density * 0.5 * np.pi * RADIUS**2 / (2 * MASS)
    assert np.sqrt(GRAVITY / k) == pytest.approx(8.3663, abs=1e-4)  # terminal speed, by hand
    down = fly(
        np.array([0, 0, 2.0]), np.zeros(3), np.zeros(3), air=air, events={"end": lambda s: s[2]}
    )
    assert (-down.velocities[-1, 2], down.times[-1]) == pytest.approx((5.47997, 0.66886), abs=1e-5)
    up = fly(
        np.zeros(3), np.array([0, 0, 5.0]), np.zeros(3), air=air, events={"end": lambda s: s[5]}
    )
    assert (up.places[-1, 2], up.times[-1]) == pytest.approx((1.08990, 0.45956), abs=1e-5)


def test_shooting_finds_the_serve_it_is_asked_for():
    stroke = find_serve(
        np.array([-1.6, 0.1, 0.22]), np.array([0.0, -150, 30]), target=(0.4, -0.3),
        air=Air(), top=Surface(0.93, 0.25),
    )  # fmt: skip
    path = BallPath()
    path.play(
        0.0, stroke.velocity, stroke.spin, kind="flight", contact_kinds=["serve"] * 3, air=Air(),
        table_top=Surface(0.93, 0.25), floor=Surface(0.7, 0.3), place=np.array([-1.6, 0.1, 0.22]),
    )  # fmt: skip
    landing = path.contacts[1]
    assert landing.place[:2] == pytest.approx((0.4, -0.3), abs=0.003)  # the search stops at 2 mm
    assert path.at(landing.time)[2] == pytest.approx(RADIUS, abs=1e-6)
    between = 0.5 * (path.contacts[0].time + landing.time)
    h = 1e-3  # the interpolated way obeys gravity and drag between its knots
    bend = (path.at(between + h) - 2 * path.at(between) + path.at(between - h)) / h**2
    assert bend[2] == pytest.approx(-GRAVITY, abs=2.5)  # drag and lift add up to about 2 m/s2


VIEW = look((-3.4, -1.9, 1.3), (0.1, 0.0, -0.1), focal=620, size=(640, 360), k1=-0.05)


@pytest.mark.parametrize("place", [(-1.0, 0.2, 0.02), (0.6, -0.4, 0.31), (1.2, 0.6, 0.02)])
def test_ball_is_drawn_where_it_projects(place):
    patch = Patch(0, 0, np.zeros((360, 640, 3), np.float32))
    centre = np.array([place])
    draw_ball(patch, VIEW, normalised_map(VIEW), centre, np.ones(3), 1.0, shaded=False)
    mass = patch.colour[..., 0].astype(float)
    v, u = np.mgrid[:360, :640]
    found = np.array([(mass * u).sum(), (mass * v).sum()]) / mass.sum()
    # the outline's middle lies about f (r/Z)^2 tan(angle) off the projected centre: 0.01 px here
    assert np.abs(found - VIEW.project(centre)[0]).max() < 0.02
    radius = 620 * RADIUS / VIEW.depths(centre)[0]
    assert mass.sum() == pytest.approx(np.pi * radius**2, rel=0.03)


def test_shaded_ball_is_darker_below():
    patch = Patch(0, 0, np.zeros((360, 640, 3), np.float32))
    draw_ball(patch, VIEW, normalised_map(VIEW), np.array([[-1.0, 0, 0.1]]), np.ones(3), 1.0)
    u, v = np.round(VIEW.project(np.array([[-1.0, 0, 0.1]]))[0]).astype(int)
    assert patch.colour[v - 3, u, 0] > 1.5 * patch.colour[v + 3, u, 0]


@pytest.fixture(scope="module")
def stage():
    return build_stage(VIEW, Hall(lines=False, posters=0), [Table()])


def _edge_positions(stage, a, b, along_u):
    """Where an edge of the table is drawn and where it projects, px, along many scan lines."""
    points = a + np.linspace(0.1, 0.9, 400)[:, None] * (b - a)
    px = stage.camera.project(points)
    top = stage.tops[0]
    drawn, true = [], []
    scan = 0 if along_u else 1  # scan lines run along u or along v
    order = np.argsort(px[:, 1 - scan])
    low, high = np.ceil(px[:, 1 - scan].min()), np.floor(px[:, 1 - scan].max())
    for line in np.arange(low, high + 1):
        where = np.interp(line, px[order, 1 - scan], px[order, scan])
        first = round(where) - 4
        cells = np.arange(first, first + 9)
        if scan == 0:
            cover = top.cover[int(line) - top.y, cells - top.x]
        else:
            cover = top.cover[cells - top.y, int(line) - top.x]
        rising = cover[-1] > cover[0]
        share = (1 - cover if rising else cover).sum()
        drawn.append(first - 0.5 + share)
        true.append(where)
    return np.array(drawn) - np.array(true)


@pytest.mark.parametrize(
    ("a", "b", "along_u"),
    [(1, 2, False), (2, 3, False)],  # the far end and the far side, seen against the floor
    ids=["end", "side"],
)
def test_edges_are_drawn_where_they_project(stage, a, b, along_u):
    off = _edge_positions(stage, table.CORNERS[a], table.CORNERS[b], along_u)
    assert len(off) > 40
    assert abs(off.mean()) < 0.02
    assert np.abs(off).max() < 0.06  # one of 34 samples more or less in a pixel is 0.03


def test_white_line_is_two_centimetres_wide(stage):
    # down a column, white light across the near side line adds up to the line's projected width
    x = np.linspace(-1.3, 1.3, 2000)
    outer, inner = (
        stage.camera.project(np.column_stack([x, np.full_like(x, -y), np.zeros_like(x)]))
        for y in (table.HALF_WIDTH, table.HALF_WIDTH - table.EDGE_LINE)
    )
    column = round(float(stage.camera.project(np.array([[0.6, -table.HALF_WIDTH, 0]]))[0, 0]))
    v_out, v_in = (np.interp(column, q[:, 0], q[:, 1]) for q in (outer, inner))
    top = stage.tops[0]
    rows = np.arange(round(v_in) - 4, round(v_out) + 5) - top.y
    red = top.colour[rows, column - top.x, 0]
    surface = red[0]
    light = Hall().light(np.full(1, 0.6, np.float32), np.full(1, -0.75, np.float32))[0]
    paint = Table().line * light
    apron = red[-1]
    width = ((red - np.where(np.arange(len(red)) < 4.5, surface, apron)).sum()) / (paint - surface)
    assert width == pytest.approx(abs(v_out - v_in), rel=0.1)  # the paint's own grain is 4 %


SMALL = Scenario(
    name="small", size=(320, 180), eye=(-3.4, -1.9, 1.3), at=(0.1, 0.0, -0.1), focal=330, fps=60,
    duration=64 / 60, shutter=1 / 500, noise=0.8, crf=16, hall=Hall(lines=False, posters=2),
    players=(Look(), Look(seed=3)), two_players=False, starts_at=1.25,
    serves=(ServePlan(toss=1.1, target=(0.5, 0.1), spin=(0, -100, 0), first=(-0.8,)),),
)  # fmt: skip


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    folder = tmp_path_factory.mktemp("film")
    path = render(SMALL, folder)
    return path, json.loads((folder / "small.truth.json").read_text())


def _frames(path: Path):
    with av.open(str(path)) as box:
        yield from box.decode(box.streams.video[0])


def test_film_and_truth_agree_on_frames(film):
    path, truth = film
    frames = list(_frames(path))
    assert len(frames) == len(truth["frames"]) == 64
    times = [float(f.pts * f.time_base) for f in frames]
    assert times == pytest.approx([q[0] for q in truth["frames"]], abs=2e-6)
    assert not list(path.parent.glob("*.part*"))


def test_ball_stands_in_the_film_where_the_truth_says(film):
    path, truth = film
    stack = np.array([f.to_ndarray(format="gray") for f in _frames(path)]).astype(float)
    still = np.median(stack, 0)
    checked = 0
    for picture, (_, u, v, visible, kind) in zip(stack, truth["frames"], strict=True):
        if not visible or kind != "flight" or not (8 < u < 312 and 8 < v < 172):
            continue
        iu, iv = round(u), round(v)
        area = (picture - still)[iv - 4 : iv + 5, iu - 4 : iu + 5]
        if area.max() > 25:
            peak = np.unravel_index(np.argmax(area), area.shape)
            assert max(abs(peak[0] - 4), abs(peak[1] - 4)) <= 3  # a 3 px ball, brightest above
            checked += 1
    assert checked >= 15


def test_truth_holds_the_serve_and_its_bounces(film):
    _, truth = film
    (serve,) = truth["serves"]
    assert serve["outcome"] == "good"
    wanted = [b for b in truth["bounces"] if b["kind"] == "serve"]
    assert [b["half"] for b in wanted[:2]] == ["server", "receiver"]
    assert (wanted[1]["x_m"], wanted[1]["y_m"]) == pytest.approx((0.5, 0.1), abs=0.003)
    assert serve["landing"] == pytest.approx([wanted[1]["x_m"], wanted[1]["y_m"]], abs=1e-9)
    assert serve["t_start_s"] < serve["t_toss_s"] < serve["t_contact_s"] < wanted[0]["time_s"]


@pytest.mark.parametrize(
    ("codec", "bits", "rotate"), [("libx264", 8, 90), ("libx265", 10, 0)], ids=["turned", "hevc10"]
)
def test_containers_say_what_they_hold(tmp_path, film, codec, bits, rotate):
    s = replace(
        SMALL, codec=codec, bits=bits, rotate=rotate, variable_rate=True, duration=0.2,
        preset="ultrafast",
    )  # fmt: skip
    path = render(s, tmp_path)
    truth = json.loads((tmp_path / "small.truth.json").read_text())
    frames = list(_frames(path))
    assert frames[0].rotation % 360 == rotate
    assert (frames[0].width, frames[0].height) == ((180, 320) if rotate else (320, 180))
    assert ("10" in frames[0].format.name) == (bits == 10)
    upright = np.rot90(frames[0].to_ndarray(format="gray"), rotate // 90).astype(float)
    plain = next(_frames(film[0])).to_ndarray(format="gray").astype(float)
    assert np.abs(upright - plain).mean() < 3.0  # the same scene up to noise and coding
    assert np.abs(upright[::-1, ::-1] - plain).mean() > 12.0  # and not so the other way up
    times = np.array([float(f.pts * f.time_base) for f in frames])
    assert times == pytest.approx([q[0] for q in truth["frames"]], abs=2e-6)
    assert np.ptp(np.diff(times)) > 1e-3  # uneven, as a phone's


def test_bump_moves_the_picture_and_the_truth_says_when(tmp_path):
    s = replace(
        SMALL, bump=0.2, bump_at=(0.3, 0.0, 0.1), duration=0.75, fps=20, starts_at=0.0, serves=()
    )
    path = render(s, tmp_path)
    truth = json.loads((tmp_path / "small.truth.json").read_text())
    before, after = (np.array(truth[k]["corners_px"]) for k in ("camera", "camera_after_bump"))
    stack = [f.to_ndarray(format="gray").astype(float) for f in _frames(path)]
    moved, _ = cv2.phaseCorrelate(stack[0], stack[-1])  # OpenCV's own measure of the shift
    assert truth["bump_time_s"] == 0.2
    assert np.abs(after - before).max() > 5
    # one shift for a turned camera is only its mean: the corners' shifts differ by some px
    assert np.abs(np.array(moved) - (after - before).mean(0)).max() < 3


def test_presets_have_names_of_their_own():
    assert all(name == s.name and s.about for name, s in ALL.items())


@pytest.mark.parametrize(
    ("place", "order"),
    [
        ((1.7, 0.3, -0.4), 0),  # a shin behind the far end
        ((-1.7, 0.3, -0.4), 2),  # and one before the near end
        ((0.0, 0.2, -0.3), 0),  # under the table
        ((0.4, 1.4, -0.3), 0),  # beyond the far side line, past the edge as the camera sees it
        ((0.4, -1.6, -0.3), 1),  # beside the near one: nothing of the table is before it
    ],
)
def test_a_shin_is_drawn_on_its_side_of_the_table(place, order):
    camera = look((-3.2, -2.2, 0.9), (0.0, 0.0, 0.0), focal=1000, size=(1280, 720))
    assert phase(camera, Table(), np.array(place), walker=False) == order
