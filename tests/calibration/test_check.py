"""The net and the centre line as a check, on drawn halls."""

import numpy as np
import pytest

from calibration.camera_fit import lens_prior
from calibration.check import check_net, net_contradicts
from calibration.edges import fit_edges
from tests.calibration.halls import SIZE, grey, hall, plain
from tests.calibration.scene import draw


@pytest.mark.parametrize("name", ["behind", "side", "diagonal", "corner"])
def test_net_by_law_is_found_where_it_stands(name):
    scene, picture = hall(name)
    net = check_net(grey(picture), scene.camera)
    assert net.seen > 0.5
    assert net.residual_mm < 4  # the tape is 15 mm wide, drawn and assumed
    assert net.centre_line_px < 1
    assert not net_contradicts(net)


@pytest.mark.parametrize("name", ["behind", "side", "diagonal", "corner"])
def test_half_the_places_say_nearly_the_same(name):
    scene, picture = hall(name)
    net, quick = (check_net(grey(picture), scene.camera, every=k) for k in (1, 2))
    assert quick.residual_mm == pytest.approx(net.residual_mm, abs=1.0)
    assert quick.centre_line_px == pytest.approx(net.centre_line_px, abs=0.25)
    assert quick.seen == pytest.approx(net.seen, abs=0.1)


def test_a_net_15_cm_off_contradicts():
    # drawn 0.15 m nearer the far end; the picture shows it clearly
    scene, picture = hall("net slipped")
    net = check_net(grey(picture), scene.camera)
    assert net_contradicts(net)


def test_no_net_is_not_a_contradiction():
    scene, picture = hall("behind")
    net = check_net(np.full(picture.shape[:2], 70, np.uint8), scene.camera)
    assert np.isnan(net.residual_px)
    assert not net_contradicts(net)


@pytest.mark.parametrize("tape", [0.010, 0.020])
def test_the_net_s_top_lies_where_the_law_puts_it_whatever_the_tape_s_width(tape):
    scene = plain(eye=(-3.0, -1.0, 1.15), tape=tape)
    luma = grey(draw(scene))
    _, evidence = fit_edges(luma, scene.camera, lens_prior(SIZE))
    told = check_net(luma, scene.camera, look=evidence.look)
    usual = check_net(luma, scene.camera)
    # the middle of a band lies half its width below the net's top: 2.5 mm off for one of 15 mm
    assert usual.residual_mm > 1.8
    assert told.residual_mm < 1.2
