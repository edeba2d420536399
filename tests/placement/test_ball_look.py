"""What is learnt of a film's balls: light from any side and a pressed tone leave no bias."""

from __future__ import annotations

import numpy as np
import pytest

from placement.ball_image import measure
from placement.ball_look import learn_look
from placement.ball_model import Look
from tests.placement.lit import seen_of, stored

TABLE = 0.06  # of white's light
START = Look(exposure_s=1 / 250, blur_px=0.8)  # as before anything is learnt


def film_of(rng, n, *, lamp, white, shoulder, exposure):
    """Patches, centres, radii and velocities of balls of one film."""
    radii = rng.uniform(5.5, 7.5, n)
    headings = rng.uniform(0, 2 * np.pi, n)
    velocities = rng.uniform(300, 1600, n)[:, None] * np.column_stack(
        [np.cos(headings), np.sin(headings)]
    )
    centres = 19.5 + rng.uniform(-1, 1, (n, 2))
    patches = np.empty((n, 3, 40, 40), np.uint8)
    for k in range(n):
        cover, light = seen_of(
            centres[k], radii[k], velocities[k], exposure=exposure, blur=0.8, lamp=lamp
        )
        pictures = np.stack([np.full_like(cover, TABLE)] * 3)
        pictures[1] = TABLE * (1 - cover) + white * light
        grey = 255 * stored(pictures, shoulder) + rng.normal(0, 1.2, pictures.shape)
        patches[k] = np.rint(np.clip(grey, 0, 255))
    return patches, centres, radii, velocities


@pytest.mark.parametrize(
    ("lamp", "white", "shoulder", "exposure"),
    [
        pytest.param((0.8, 0.36, 0.48), 0.8, 0.0, 1 / 250, id="lit-from-the-right"),
        pytest.param((-0.8, 0.36, 0.48), 0.8, 0.0, 1 / 250, id="lit-from-the-left"),
        # a curve that runs out at white, as of film; a ball of twice the light that fills it half
        pytest.param((0.5, 0.7, 0.51), 1.6, 0.85, 1 / 250, id="pressed-together"),
        pytest.param((0.6, 0.64, 0.48), 0.8, 0.0, 1 / 120, id="long-exposure"),
    ],
)
def test_balls_sit_where_they_are_once_their_look_is_learnt(lamp, white, shoulder, exposure):
    rng = np.random.default_rng(11)
    patches, centres, radii, velocities = film_of(
        rng, 24, lamp=lamp, white=white, shoulder=shoulder, exposure=exposure
    )
    origins = rng.integers(0, 900, (len(patches), 2))
    guesses = centres + origins + rng.normal(0, 0.7, centres.shape)
    first = measure(patches, origins, guesses, radii, velocities, START).centres
    assert np.isfinite(first).all()
    before = (first - origins - centres).mean(axis=0)
    assert np.abs(before).max() > 0.4  # px: there is something to learn
    look = learn_look(patches, origins, first, radii, velocities, START)
    again = measure(patches, origins, guesses, radii, velocities, look).centres
    after = (again - origins - centres).mean(axis=0)
    assert np.abs(after).max() < 0.1  # px
    assert 1 / 1.1 < look.exposure_s / exposure < 1.1
