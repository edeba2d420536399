"""Pictures of a ball drawn at known places are measured there."""

from __future__ import annotations

import numpy as np
import pytest

from placement.ball_image import measure
from placement.ball_model import Look

LEVELS = 255.0
GAMMA = 2.2  # ITU-R BT.709 and sRGB, nearly


def drawn(centre, radius, velocity, exposure, blur, rng, side=64):
    """A matt ball lit from above, added up over the exposure at 8 x 8 points a pixel."""
    fine = (np.arange(side * 8) + 0.5) / 8 - 0.5
    u, v = np.meshgrid(fine, fine)
    cover, light = np.zeros_like(u), np.zeros_like(u)
    moments = np.linspace(-0.5, 0.5, 15) * exposure
    for t in moments:
        du, dv = u - centre[0] - velocity[0] * t, v - centre[1] - velocity[1] * t
        inside = du**2 + dv**2 < radius**2
        front = np.sqrt(np.maximum(1 - (du**2 + dv**2) / radius**2, 0))
        shade = np.clip(0.55 - 0.35 * dv / radius + 0.10 * front, 0.05, 1.0)
        cover += inside / len(moments)
        light += inside * shade / len(moments)

    def pixels(fine_picture):
        coarse = fine_picture.reshape(side, 8, side, 8).mean((1, 3))
        reach = np.arange(-4, 5)
        kernel = np.exp(-(reach**2) / (2 * blur**2))
        kernel /= kernel.sum()
        for axis in (0, 1):
            coarse = np.apply_along_axis(np.convolve, axis, coarse, kernel, mode="same")
        return coarse

    cover, light = pixels(cover), pixels(light)
    table = 0.06
    shown = [np.full((side, side), table), table * (1 - cover) + 0.8 * light]
    grey = [
        np.clip(LEVELS * s ** (1 / GAMMA) + rng.normal(0, 1.2, s.shape), 0, 255)
        for s in (shown[0], shown[1], shown[0])
    ]
    return np.round(np.stack(grey)).astype(np.uint8)


@pytest.mark.parametrize("radius", [6.0, 9.0])
@pytest.mark.parametrize("speed", [0.0, 2500.0])
def test_drawn_balls_are_found_within_a_tenth_of_a_pixel(radius, speed):
    rng = np.random.default_rng(int(radius + speed))
    look = Look(exposure_s=1 / 250, blur_px=0.8, shading=(0.55, 0, 0.35, 0.10, 0, 0, 0, 0, 0))
    n = 12
    centres = 31 + rng.uniform(-1, 1, (n, 2))
    headings = rng.uniform(0, 2 * np.pi, n)
    velocities = (speed + 1.0) * np.column_stack([np.cos(headings), np.sin(headings)])
    patches = np.stack(
        [
            drawn(c, radius, v, look.exposure_s, look.blur_px, rng)
            for c, v in zip(centres, velocities, strict=True)
        ]
    )
    origins = rng.integers(0, 900, (n, 2))
    images = measure(
        patches, origins, centres + origins + rng.normal(0, 1.0, (n, 2)), np.full(n, radius),
        velocities, look,
    )  # fmt: skip
    off = images.centres - centres - origins
    assert np.sqrt((off**2).mean()) < 0.1  # px a coordinate
    assert (images.misfits < 0.35).all()  # as its meaning says of a ball


def test_a_limb_is_no_ball():
    rng = np.random.default_rng(4)
    patches = np.full((6, 3, 64, 64), 70.0)
    patches[:, 1, :, 26:37] = 190  # a bright bar, once there and then gone
    patches += rng.normal(0, 1.2, patches.shape)
    images = measure(
        np.round(patches).astype(np.uint8), np.zeros((6, 2), int), np.full((6, 2), 31.0),
        np.full(6, 8.0), np.ones((6, 2)), Look(),
    )  # fmt: skip
    assert not (images.misfits < 0.35).any()  # below that is a ball, by its meaning


def test_a_place_that_the_ball_has_left_holds_no_ball():
    # six balls that were there before and are gone: what lies there now is the table
    rng = np.random.default_rng(8)
    ball = [drawn(c, 7.0, (1.0, 0.0), 1 / 250, 0.8, rng) for c in 31 + rng.uniform(-1, 1, (6, 2))]
    shown = np.stack(ball)
    gone = shown[:, [1, 0, 2]]
    images = measure(
        gone, np.zeros((6, 2), int), np.full((6, 2), 31.0), np.full(6, 7.0), np.ones((6, 2)),
        Look(),
    )  # fmt: skip
    assert np.isnan(images.centres).all()
    assert np.isinf(images.misfits).all()
    # where one of the two views of what lies behind is the ball's, as when it comes back, but
    # only beside it, it is measured still
    beside = shown.copy()
    beside[:, 0, :, :26] = 200
    found = measure(
        beside, np.zeros((6, 2), int), np.full((6, 2), 31.0), np.full(6, 7.0), np.ones((6, 2)),
        Look(),
    )  # fmt: skip
    assert np.isfinite(found.centres).all()
