"""Paths whose pictures are a ball's of the size that their distance asks for, and others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placement.true_size import other_size, surely_of_due_size
from tests.placement.flown import (
    LOOK,
    camera_beside,
    candidates,
    good_serve,
    seen,
    times_of,
    window_of,
)

CAMERA = camera_beside()


@pytest.fixture(scope="module")
def shown():
    """A serve as it was seen, and the window of its frames."""
    flown, times = good_serve(), times_of(1.0, 1.9)
    frames, ball_of = candidates(CAMERA, flown, times, np.random.default_rng(11), clutter=2)
    path = seen(CAMERA, flown, times, np.random.default_rng(3), sd=0.1)
    kept = [k for k, f in enumerate(path.frames.tolist()) if f in ball_of and f in frames]
    followed = replace(
        path,
        frames=path.frames[kept],
        sightings=type(path.sightings)(
            path.sightings.times[kept],
            path.sightings.points[kept],
            path.sightings.covariances[kept],
        ),
        measured=np.ones(len(kept), bool),
        pictures=tuple((frames[int(path.frames[k])], ball_of[int(path.frames[k])]) for k in kept),
    )
    return window_of(CAMERA, frames, LOOK), followed


def from_afar(window, share: float):
    """The same window of a camera whose picture is the same, but a ball in it `share` as large.

    As when the path lay nearer or farther than the ball: its size is f r / depth.
    """
    matrix = CAMERA.matrix.copy()
    matrix[0, 0] *= share

    class Deceived(type(CAMERA)):
        """Tells sizes by another focal length than places."""

        def project(self, points):
            return CAMERA.project(points)

    return replace(
        window,
        camera=Deceived(
            matrix=matrix, distortion=CAMERA.distortion, rotation=CAMERA.rotation,
            translation=CAMERA.translation, size=CAMERA.size,
        ),
    )  # fmt: skip


def test_a_ball_where_it_is_has_its_size(shown):
    window, followed = shown
    assert other_size(window, followed) is None
    assert surely_of_due_size(window, followed)


@pytest.mark.parametrize(("share", "looks"), [(1 / x, x) for x in (0.6, 0.7, 0.8, 1.3, 1.4, 1.65)])
def test_a_ball_beyond_or_before_its_path_is_told_by_its_size(shown, share, looks):
    window, followed = shown
    deceived = from_afar(window, share)
    assert other_size(deceived, followed) == looks
    assert not surely_of_due_size(deceived, followed)


def test_a_handful_of_pictures_say_nothing_of_it(shown):
    window, followed = shown
    few = replace(followed, measured=np.arange(len(followed.measured)) < 4)
    assert other_size(from_afar(window, 1 / 0.7), few) is None
    assert not surely_of_due_size(window, few)
