"""The time a sensor takes to read its rows, from balls flown by SciPy and read row by row."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from calibration import Camera
from placement.paths import FollowedPath
from placement.readout import Readout, find_readout
from placement.sightings import when_seen
from placement.tracing import expected_of
from placement.trajectory import Sightings, first_guess, fit_path
from placement.video import _turned
from tests.placement import flown
from tests.placement.made import made_analysis

SD = 0.25  # px


def _seen(
    camera: Camera, serve: flown.Flown, times: np.ndarray, readout_s: float, rng
) -> FollowedPath:
    """A serve's pictures, each taken when the row that it lies in is read, and its plain fit."""
    taken = times.copy()
    across = 0 if camera.size[1] > camera.size[0] else 1  # of a phone held upright: columns
    for _ in range(4):  # the row depends on the instant, and the instant on the row
        rows = flown.pixels(camera, serve.at(taken))[:, across]
        taken = times + readout_s * (rows / camera.size[across] - 0.5)
    points = flown.pixels(camera, serve.at(taken)) + rng.normal(0, SD, (len(times), 2))
    sightings = Sightings(times, points, np.tile(SD**2 * np.eye(2), (len(times), 1, 1)))
    touches = [t for t in serve.touches if times[0] < t.time < times[-1]]
    expected = expected_of(camera)
    start = first_guess(
        [t.time for t in touches], touches[0].place, touches[0].incoming,
        [t.outgoing for t in touches], expected,
    )  # fmt: skip
    path = fit_path(camera, sightings, start, len(touches), expected)
    assert path is not None
    return FollowedPath(
        path, np.rint(times * flown.RATE).astype(int), sightings, np.ones(len(times), bool), (),
        float(times[0]), float(times[-1]),
    )  # fmt: skip


def _film(
    readout_s: float, seed: int, n: int = 20, camera: Camera | None = None
) -> tuple[Camera, list[FollowedPath]]:
    camera, rng = camera or flown.camera_beside(), np.random.default_rng(seed)
    paths = []
    for k in range(n):
        begin = 1.0 + 2 * k
        serve = flown.good_serve(begin, end=1 if k % 2 else -1, y=0.5 * np.sin(k))
        paths.append(
            _seen(camera, serve, flown.times_of(begin + 0.05, begin + 0.8), readout_s, rng)
        )
    return camera, paths


@pytest.mark.parametrize("readout_s", [0.0, 0.012, 0.016, -0.014])
def test_the_readout_is_found_within_its_spread(readout_s):
    camera, paths = _film(readout_s, seed=2)
    found = find_readout([(camera, paths, expected_of(camera))])
    assert found is not None
    assert found.n_paths == len(paths)
    assert found.sd_s < 0.003
    # 3 standard deviations: 99.7 % of fair estimates
    assert found.seconds == pytest.approx(readout_s, abs=3 * found.sd_s)
    assert np.sign(found.held_to(flown.RATE)) == np.sign(readout_s)


@pytest.mark.parametrize("readout_s", [0.008, -0.008])
def test_a_phone_held_upright_reads_from_side_to_side(readout_s):
    beside = flown.camera_beside()
    w, h = beside.size
    matrix = beside.matrix.copy()
    matrix[:2, 2] = (h - 1) / 2, (w - 1) / 2
    camera = replace(beside, size=(h, w), matrix=matrix)
    camera, paths = _film(readout_s, seed=2, camera=camera)
    found = find_readout([(camera, paths, expected_of(camera))])
    assert found is not None
    assert found.sd_s < 0.003
    assert found.seconds == pytest.approx(readout_s, abs=3 * found.sd_s)


@pytest.mark.parametrize(
    ("size", "rotation_deg", "direction"),
    [
        pytest.param((1920, 1080), 0, 1, id="as-stored"),
        pytest.param((1920, 1080), 180, -1, id="head-down"),
        pytest.param((1080, 1920), 90, 1, id="turned-to-the-left"),
        pytest.param((1080, 1920), 270, -1, id="turned-to-the-right"),
        pytest.param((1080, 1920), -90, -1, id="turned-to-the-right-counted-backwards"),
        pytest.param((1080, 1920), 0, 0, id="turned-by-a-program"),
    ],
)
def test_rows_are_read_as_the_phone_was_held(size, rotation_deg, direction):
    # a stored frame whose rows count when they are read, turned upright as films are
    stored = np.repeat(np.arange(size[1 if rotation_deg % 180 == 0 else 0])[:, None] / 8, 200, 1)
    upright = _turned(np.clip(stored, 0, 255).astype(np.uint8), rotation_deg)
    info = replace(made_analysis(0).clip, width=size[0], height=size[1], rotation_deg=rotation_deg)
    assert info.read_direction == direction
    if direction:
        edges = upright[0, [0, -1]] if size[1] > size[0] else upright[[0, -1], 0]
        assert np.sign(int(edges[1]) - int(edges[0])) == direction


def test_paths_fitted_with_a_readout_tell_the_same():
    camera, paths = _film(0.012, seed=5)
    stands = [(camera, paths, expected_of(camera))]
    plain, other = find_readout(stands), find_readout(stands, readout_s=0.004)
    assert plain is not None
    assert other is not None
    # the fits are the same; told that 4 ms were taken off already, the rest is as much shorter
    assert other.seconds == pytest.approx(plain.seconds, abs=plain.sd_s)


def test_too_few_paths_tell_nothing():
    camera, paths = _film(0.012, seed=5, n=2)
    assert find_readout([(camera, paths, expected_of(camera))]) is None
    assert find_readout([]) is None


@pytest.mark.parametrize(
    ("readout", "used"),
    [
        pytest.param(Readout(0.010, 0.003, 5), 0.010, id="clear"),
        pytest.param(Readout(0.010, 0.004, 5), 0.0, id="vague"),
        pytest.param(Readout(-0.010, 0.002, 5), -0.010, id="upwards"),
        pytest.param(Readout(-0.010, 0.004, 5), 0.0, id="vague-upwards"),
        pytest.param(Readout(0.018, 0.002, 5), 1 / 60, id="a-little-more-than-a-frame"),
        pytest.param(Readout(0.030, 0.002, 5), 0.0, id="longer-than-a-frame"),
    ],
)
def test_only_a_clear_and_possible_readout_is_used(readout, used):
    assert readout.held_to(60.0) == pytest.approx(used)


def test_pictures_are_foretold_for_the_rows_in_which_they_are_read():
    readout_s = 0.016
    camera, paths = _film(readout_s, seed=2, n=1)
    window = flown.window_of(camera, {}, flown.LOOK)
    followed = paths[0]
    # read together, the path lies beside its sightings; row by row, on them
    off = []
    for told in (0.0, readout_s):
        path = fit_path(
            camera, followed.sightings, followed.path.theta, followed.path.n_bounces,
            expected_of(camera), readout_s=readout_s,
        )  # fmt: skip
        assert path is not None
        times = when_seen(replace(window, readout_s=told), path, followed.sightings.times)
        gap = path.pictures(camera, times)[0] - followed.sightings.points
        off.append(float(np.sqrt((gap**2).mean())))
    assert off[1] < 0.5  # px
    assert off[0] > 3 * off[1]


@pytest.mark.parametrize("direction", [1.0, -1.0])
@pytest.mark.parametrize(
    ("seconds", "sd"),
    [(0.0, 0.002), (0.006, 0.0024), (0.0135, 0.0066), (-0.003, 0.002), (-0.012, 0.003)],
)
def test_what_is_likely_lies_between_the_film_and_what_sensors_have(seconds, sd, direction):
    # against SciPy's integral over all readouts: half of the films none, half 12 +- 6 ms, nine of
    # ten of them as the file says
    def weight(r):
        either = 0.9 * norm.pdf(direction * r, 0.012, 0.006)
        either += 0.1 * norm.pdf(-direction * r, 0.012, 0.006)
        return either * norm.pdf(seconds, r, sd)

    total, first, second = (
        quad(lambda r, k=k: r**k * weight(r), -0.08, 0.08, points=[seconds, -0.012, 0.012])[0]
        for k in range(3)
    )
    total += norm.pdf(seconds, 0.0, sd)  # and none
    mean, middle = Readout(seconds, sd, 5).likely(30.0, direction), first / total
    assert mean[0] == pytest.approx(middle, abs=1e-5)
    assert mean[1] == pytest.approx(np.sqrt(second / total - middle**2), abs=1e-5)


def test_a_likely_readout_is_no_longer_than_a_frame():
    assert Readout(0.0180, 0.001, 5).likely(60.0)[0] == pytest.approx(1 / 60)


def test_bounces_are_told_less_surely_where_the_readout_is_not_known():
    camera, (followed, *_) = _film(0.0, seed=3, n=1)
    expected = expected_of(camera)

    def fitted(readout_s: float, readout_sd_s: float):
        return fit_path(
            camera, followed.sightings, followed.path.theta, followed.path.n_bounces,
            replace(expected, readout_sd_s=readout_sd_s), readout_s=readout_s,
        )  # fmt: skip

    known, unsure = fitted(0.0, 0.0), fitted(0.0, 0.006)
    added = np.trace(unsure.bounce_covariances - known.bounce_covariances, axis1=1, axis2=2).sum()
    # the spread that a standard deviation of readout adds is how far the bounces then move; by
    # central differences, which what a grip or a slip changes leaves a little uneven
    moved = (fitted(0.006, 0.0).bounce_places - fitted(-0.006, 0.0).bounce_places) / 2
    assert np.sqrt(added) > 3e-4  # m
    assert np.sqrt(added) == pytest.approx(np.linalg.norm(moved), rel=0.25)
