"""Throws and releases before a stroke, against throws traced by SciPy."""

import numpy as np
import pytest

from placement.release import Junction, find_release
from placement.toss import find_throws, frames_of
from tests.placement.tosses import CONTACT, STROKE, camera_at, film, thrown


def throw_of(shown, place=STROKE):
    frames = frames_of(shown.history, CONTACT - 1.1, CONTACT)
    return find_throws(shown.camera, place, frames), frames


def junction():
    return Junction(CONTACT, STROKE, 0.01**2 * np.eye(3))


@pytest.mark.parametrize("view", ["behind", "side", "diagonal", "balcony"])
@pytest.mark.parametrize("rate", [30, 60, 120])
def test_the_throw_is_found_among_other_things(view, rate):
    shown = film(view, rate, seed=21, clutter=20)
    throws, _ = throw_of(shown, STROKE + np.array([0.08, -0.06, 0.05]))
    assert throws
    since = np.linspace(-0.35, -0.05, 7)
    wanted = shown.camera.project(thrown(since, 2.0))
    got = throws[0].candidates(shown.camera, CONTACT + since) - throws[0].state[6:]
    # candidates lie above the centre by a share of the radius that a throw alone cannot tell
    assert np.abs(got - wanted).max() < 5.0


def test_behind_the_camera_no_throw_is_seen():
    # a path drawn back too far may end there
    shown = film("behind", 60, seed=21)
    behind = 2 * shown.camera.centre - STROKE
    assert throw_of(shown, behind)[0] == []


def test_things_that_do_not_fall_are_no_throw():
    camera = camera_at("behind")
    rng = np.random.default_rng(4)
    still = camera.project(STROKE + rng.uniform(-0.3, 0.3, (8, 3)))
    steady = camera.project(STROKE[None])[0]
    rows = []
    for k in range(66):
        moved = steady + np.array(
            [-150 + 5.0 * k, -120.0 + 2.0 * k]
        )  # at even speed through the picture
        rows.append((3.9 + k / 60, np.vstack([still + rng.normal(0, 0.5, still.shape), moved])))
    assert find_throws(camera, STROKE, frames_of(rows, 3.9, 5.0)) == []


def test_no_candidates_are_no_throw():
    rng = np.random.default_rng(5)
    rows = [(4.0 + k / 60, rng.uniform((0, 0), (1920, 1080), (6, 2))) for k in range(60)]
    assert find_throws(camera_at("side"), STROKE, frames_of(rows, 4.0, 5.0)) == []
    assert find_throws(camera_at("side"), STROKE, frames_of([], 4.0, 5.0)) == []


@pytest.mark.parametrize("rise", [0.10, 0.16, 0.30, 0.50])
def test_rises_around_the_law_s_sixteen_centimetres_are_told(rise):
    shown = film("side", 120, seed=31, rise=rise, falling=1.1)
    throws, frames = throw_of(shown)
    toss = find_release(shown.camera, throws[0], frames, junction())
    assert toss is not None
    assert abs(toss.rise_m - rise) < max(0.03, 2.5 * toss.rise_sd_m)
    assert toss.contact_s == CONTACT


def test_a_release_behind_someone_is_not_told_as_if_it_were_seen():
    # the ball comes out from behind a body 0.08 s after the release: its first picture is none
    for seed in range(6):
        shown = film("behind", 60, seed=seed, covered_s=0.08)
        throws, frames = throw_of(shown)
        assert throws
        toss = find_release(shown.camera, throws[0], frames, junction())
        assert toss is None


def test_a_throw_that_never_rose_is_no_toss():
    shown = film("behind", 60, seed=2)
    late = [(t, p) for t, p in shown.history if t > CONTACT - 0.17]  # only the fall is on film
    frames = frames_of(late, CONTACT - 1.1, CONTACT)
    throws = find_throws(shown.camera, STROKE, frames)
    assert all(find_release(shown.camera, t, frames, junction()) is None for t in throws)


@pytest.mark.parametrize(("rise", "told"), [(0.05, False), (0.35, True)])
def test_a_ball_struck_far_below_its_release_was_seen_from_its_top_on(rise, told):
    # it falls 0.4 m from its top; a hand that let it go 5 cm below the top would be far above the
    # bat: as a rule a body hid the toss until then, and an arm passes for the hand
    shown = film("side", 120, seed=7, rise=rise, falling=2.8)
    throws, frames = throw_of(shown)
    assert throws
    toss = find_release(shown.camera, throws[0], frames, junction())
    assert (toss is not None) is told
