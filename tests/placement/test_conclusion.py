"""What is concluded from a film in which the stand moved."""

from __future__ import annotations

import numpy as np
import pytest

from placement.conclusion import conclude
from placement.stretch import Stretch
from tests.placement.flown import calibrated, camera_beside, good_serve, seen, times_of

CAMERA = camera_beside()


@pytest.mark.parametrize(("after_last_s", "bounces"), [(0.1, 2), (-0.1, 0)])
def test_a_path_counts_whose_bounces_all_came_before_the_stand_moved(after_last_s, bounces):
    # that it moved is known to a quarter of a second only: the flight after the last bounce may
    # reach into that time, a bounce may not
    flown = good_serve(1.0)
    last = flown.touches[1].time
    path = seen(CAMERA, flown, times_of(1.0, last + 0.25), np.random.default_rng(5))
    stretch = Stretch(0.0, calibrated(CAMERA), end_s=last + after_last_s, paths=[path])
    found, serves, _ = conclude([stretch], end_s=10.0, fps=60.0, band_m=0.15, readout_s=0.0)
    assert len(found) == bounces
    assert len(serves) == bounces // 2
