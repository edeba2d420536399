"""The picture of a ball: light of grey levels, and a lit sphere against one drawn by points."""

from __future__ import annotations

import numpy as np
import pytest

from placement.ball_model import covered_sphere, shade, tone
from tests.placement.lit import GAMMA, seen_of, stored

GREY = np.arange(256)


def shaded(numbers, right, up, front):
    """The compiled shading of one pixel, of each of many."""
    each = zip(*(np.ravel(x).astype(np.float32) for x in (right, up, front)), strict=True)
    return np.array([shade(np.array(numbers, np.float32), *n) for n in each])


def test_without_a_shoulder_light_is_the_plain_power():
    # IEC 61966-2-1 and ITU-R BT.709 are near this power; by hand 255 * (128 / 255) ** 2.2 = 55.98
    light, _ = tone(0.0)
    assert light == pytest.approx(255 * (GREY / 255) ** GAMMA, abs=1e-3)
    assert light[128] == pytest.approx(55.98, abs=0.01)


@pytest.mark.parametrize("shoulder", [0.3, 0.85])
def test_with_a_shoulder_light_that_was_pressed_together_comes_back(shoulder):
    light, _ = tone(shoulder)
    assert 255 * stored(light / 255.0, shoulder) == pytest.approx(GREY, abs=0.05)
    assert light[255] > 1.15 * tone(0.0)[0][255]  # white stands for more light than stored


@pytest.mark.parametrize("shoulder", [0.0, 0.5, 0.85])
def test_the_slope_is_that_of_the_light(shoulder):
    light, slope = tone(shoulder)
    middle = (light[2:].astype(float) - light[:-2]) / 2
    steep = middle > 0.15  # below a tenth it is held there, so that black is not all that counts
    # 1 %: central differences of a curve this bent, over two grey levels
    assert slope[1:-1][steep] == pytest.approx(middle[steep], rel=0.01)
    assert (slope >= 0.1 - 1e-6).all()


CASES = [
    pytest.param(7.0, (1.0, 0.0), 0.5, 0.8, id="at-rest"),
    pytest.param(6.0, (0.6, 0.8), 9.0, 0.8, id="aslant"),
    pytest.param(4.0, (0.0, -1.0), 12.0, 0.8, id="small-and-fast"),
]


@pytest.mark.parametrize(("radius", "heading", "streak", "blur"), CASES)
def test_a_moved_blurred_disc_covers_what_counting_points_says(radius, heading, streak, blur):
    side, centre = 40, np.array([19.3, 19.8])
    counted, _ = seen_of(centre, radius, streak * np.array(heading), exposure=1.0, blur=blur)
    v, u = np.mgrid[:side, :side]
    covered = covered_sphere(
        (u - centre[0]).reshape(1, -1), (v - centre[1]).reshape(1, -1), np.array([[radius]]),
        np.array([heading]), np.array([[streak]]), blur,
    )  # fmt: skip
    cover = covered[0]
    off = cover.reshape(side, side) - counted
    # a tent and three chords stand for the blur: off by some per cent, more where a chord ends
    assert np.sqrt((off[counted > 0.01] ** 2).mean()) < 0.04
    assert np.abs(off).max() < 0.2
    # a blurred disc covers as much as a sharp one, and no side of it is favoured
    area = np.pi * radius**2
    assert cover.sum() == pytest.approx(area, rel=0.02)
    assert abs((off * (u - centre[0])).sum()) < 0.08 * area  # px
    assert abs((off * (v - centre[1])).sum()) < 0.08 * area


@pytest.mark.parametrize(("radius", "heading", "streak", "blur"), CASES)
@pytest.mark.parametrize("lamp", [(0.0, 0.8, 0.6), (0.8, 0.0, 0.6)], ids=["above", "right"])
def test_a_lit_sphere_sends_the_light_that_counting_points_says(
    radius, heading, streak, blur, lamp
):
    # second-order harmonics of a cosine cut off at none: 0.25 + 0.5 c + 0.3125 c^2, by which a
    # sphere's light is known to some per cent (Ramamoorthi and Hanrahan, SIGGRAPH 2001), with
    # c = l . n; r r + u u + f f = 1 makes the nine numbers of them
    side, centre = 40, np.array([19.3, 19.8])
    _, counted = seen_of(
        centre, radius, streak * np.array(heading), exposure=1.0, blur=blur, lamp=lamp
    )
    lr, lu, lf = lamp
    a, b, c = 0.25 + 0.7 * 3 / 32, 0.7 / 2, 0.7 * 15 / 32
    shading = (
        a + c * lf * lf, b * lr, b * lu, b * lf, 2 * c * lu * lf, c * (lu * lu - lf * lf),
        2 * c * lr * lu, 2 * c * lr * lf, c * (lr * lr - lf * lf),
    )  # fmt: skip
    v, u = np.mgrid[:side, :side]
    covered = covered_sphere(
        (u - centre[0]).reshape(1, -1), (v - centre[1]).reshape(1, -1), np.array([[radius]]),
        np.array([heading]), np.array([[streak]]), blur,
    )  # fmt: skip
    light = (covered[0] * shaded(shading, *covered[1:])).reshape(side, side)
    # the mean of directions is less bent than they are, so a small ball is made too bright: how
    # bright is free in every picture, where the light sits is not
    assert light.sum() == pytest.approx(counted.sum(), rel=0.12)
    middle = [((x * u).sum() / x.sum(), (x * v).sum() / x.sum()) for x in (light, counted)]
    assert middle[0] == pytest.approx(middle[1], abs=0.12)  # px
    # the lit side is where the lamp is, by far more than that
    lean = np.array(middle[1]) - centre
    assert lean @ [lr, -lu] > 0.6


def test_directions_are_those_of_a_sphere():
    # without motion or much blur: right, up and towards the camera at known places
    places = np.array([[0.0, 5.0, -5.0, 0.0, 0.0], [0.0, 0.0, 0.0, 5.0, -5.0]])
    covered = covered_sphere(
        places[:1], places[1:], np.array([[10.0]]), np.array([[1.0, 0.0]]), np.array([[0.1]]), 0.05
    )
    half, front = 0.5, np.sqrt(0.75)
    expected = [
        (0, 0, 1), (half, 0, front), (-half, 0, front), (0, -half, front), (0, half, front),
    ]  # fmt: skip
    assert np.stack(covered[1:], axis=-1)[0] == pytest.approx(np.array(expected), abs=0.02)


def test_shading_is_the_sum_of_its_nine_terms():
    rng = np.random.default_rng(3)
    n = rng.normal(size=(3, 50))
    r, u, f = (n / np.linalg.norm(n, axis=0)).astype(np.float32)
    terms = (np.ones(50), r, u, f, u * f, u * u, r * u, r * f, r * r)
    numbers = tuple(rng.normal(size=9))
    expected = sum(c * t for c, t in zip(numbers, terms, strict=True))
    assert shaded(numbers, r, u, f) == pytest.approx(expected, abs=1e-5)
