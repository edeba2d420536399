"""What is kept of a stretch of film once its paths are followed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from placement.stretch import CROP_SPAN, Stretch
from placement.tracing import Traced
from tests.placement.flown import calibrated, camera_beside, candidates, good_serve, seen, times_of

CAMERA = camera_beside()


def test_of_a_paths_pictures_only_those_nearest_to_bounces_and_ends_are_kept():
    # so that what is kept does not grow with the frame rate: four are shown about each bounce
    flown, times = good_serve(), times_of(1.0, 1.9)
    frames, ball_of = candidates(CAMERA, flown, times, np.random.default_rng(11), clutter=2)
    path = seen(CAMERA, flown, times, np.random.default_rng(3))
    kept = [k for k, f in enumerate(path.frames.tolist()) if f in ball_of and f in frames]
    pictures = tuple((frames[int(path.frames[k])], ball_of[int(path.frames[k])]) for k in kept)
    stretch = Stretch(0.0, calibrated(CAMERA))
    stretch.take(Traced([replace(path, pictures=pictures)], []))
    assert all(not c.patches for p in stretch.paths for c, _ in p.pictures)
    shown = np.array([c.time_s for c, _ in pictures])
    have = {crop.time_s for crop in stretch.crops.values()}
    for bounce in path.path.bounce_times:
        nearest = shown[np.argsort(np.abs(shown - bounce))[:4]]
        assert have >= set(nearest[np.abs(nearest - bounce) < CROP_SPAN].tolist())
    marks = [*path.path.bounce_times, path.first_seen, path.last_seen]
    assert len(have) <= 6 * len(marks) < len(pictures)
