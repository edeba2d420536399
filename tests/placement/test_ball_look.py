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


def film_of(rng, n, *, lamp, white, shoulder, exposure, gloss=0.0, behind=TABLE):
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
            centres[k], radii[k], velocities[k], exposure=exposure, blur=0.8, lamp=lamp,
            gloss=gloss,
        )  # fmt: skip
        pictures = np.stack([np.full_like(cover, behind)] * 3)
        pictures[1] = behind * (1 - cover) + white * light
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


@pytest.mark.parametrize("gloss", [1.5, 3.0])
def test_a_rim_that_mirrors_the_ceiling_lifts_a_ball_less_where_light_comes_from_above(gloss):
    free, known = lifted_by(gloss)
    assert free > 0.25  # px: rim and place are told apart by hardly anything
    assert abs(known) < free / 2


@pytest.mark.parametrize("lamp", [(0, 0.7, 0.714), (0, 0.9, 0.436), (0, 0.98, 0.2)])
def test_that_light_comes_from_above_costs_a_matt_ball_a_fifth_of_a_pixel_at_most(lamp):
    _, known = lifted_by(0.0, lamp)
    assert abs(known) < 0.2  # px


def lifted_by(gloss, lamp=(0, 0.7, 0.714)):
    """By how much balls are measured too high, px: by pictures alone, and with light from above."""
    rng = np.random.default_rng(11)
    patches, centres, radii, velocities = film_of(
        rng, 24, lamp=lamp, white=1.0, shoulder=0.98, exposure=1 / 250, gloss=gloss, behind=0.2
    )
    origins = rng.integers(0, 900, (len(patches), 2))
    guesses = centres + origins + rng.normal(0, 0.7, centres.shape)
    first = measure(patches, origins, guesses, radii, velocities, START).centres
    lifted = []
    for zenith in (None, np.array([0.0, 0.98, 0.2])):
        look = learn_look(patches, origins, first, radii, velocities, START, zenith)
        found = measure(patches, origins, guesses, radii, velocities, look).centres
        lifted.append(-float((found - origins - centres)[:, 1].mean()))  # px
    return lifted
