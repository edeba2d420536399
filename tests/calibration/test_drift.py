"""A stand that is bumped, shaken or left alone, by drawn pictures of turned cameras."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration import drift
from calibration.camera import Camera
from calibration.drift import PATCH, StandWatch
from calibration.result import CalibrationError
from calibration.table import CORNERS
from tests.calibration.halls import found, grey, hall


def turned(camera: Camera, degrees: tuple[float, float, float]) -> Camera:
    """The camera turned about its own axes, its place kept."""
    r = cv2.Rodrigues(np.radians(np.array(degrees)))[0]
    return replace(camera, rotation=r @ camera.rotation, translation=r @ camera.translation)


def seen_by(picture: np.ndarray, before: Camera, after: Camera) -> np.ndarray:
    """The picture of a camera that only turned, from that of the camera before it."""
    height, width = picture.shape[:2]
    # the map of every eighth pixel, and straight lines between: it bends by 0.001 px over 8 px
    u, v = np.meshgrid(np.arange(0, width + 8, 8.0), np.arange(0, height + 8, 8.0))
    rays = after.rays(np.column_stack([u.ravel(), v.ravel()]))
    coarse = before.project(before.centre + rays).astype(np.float32).reshape(*u.shape, 2)
    fine_u, fine_v = np.meshgrid(
        np.arange(width, dtype=np.float32) / 8, np.arange(height, dtype=np.float32) / 8
    )
    pixels = cv2.remap(coarse, fine_u, fine_v, cv2.INTER_LINEAR)
    return cv2.remap(
        picture, pixels[..., 0], pixels[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )


@pytest.fixture(scope="module")
def start():
    scene, picture = hall("diagonal")
    luma = grey(picture)
    return scene.camera, found("diagonal"), luma


def noisy(luma, rng):
    return np.clip(luma + rng.normal(0, 2, luma.shape), 0, 255).astype(np.uint8)


def test_a_stand_left_alone_gives_no_event(start):
    _, calibration, luma = start
    rng = np.random.default_rng(0)
    watch = StandWatch(calibration, luma)
    for k in range(10):
        frame = noisy(luma, rng)
        frame[100:600, 100 * k : 100 * k + 220] = 200  # someone walks by
        frame = np.clip(frame * (1 + 0.02 * k), 0, 255).astype(np.uint8)  # light comes up
        assert watch.add(0.5 * k, frame) is None
        assert not watch.moving
    assert watch.finish(5.0) is None


@pytest.mark.parametrize("degrees", [(0.0, 0.0, 0.0), (0.1, 0.1, 0.0), (0.6, -0.9, 0.4)])
def test_people_who_hide_most_of_the_picture_are_no_bump_and_hide_none(start, degrees):
    camera, calibration, luma = start
    rng = np.random.default_rng(4)
    moved = seen_by(luma, camera, turned(camera, degrees))
    watch = StandWatch(calibration, luma)
    height, width = luma.shape
    for k in range(6):
        frame = noisy(luma if k < 3 else moved, rng)
        # two players close to the phone: four fifths of the picture
        for u in (0, 6 * width // 10):
            wide = 4 * width // 10
            frame[:, u : u + wide] = noisy(np.full((height, wide), 120.0), rng)
        watch.add(0.5 * k, frame)
        assert watch.moving is (k >= 3 and any(degrees))


@pytest.mark.parametrize("degrees", [(0.05, 0.08, 0.0), (0.6, -0.9, 0.4)])
def test_a_bump_is_timed_and_the_table_found_again(start, degrees):
    camera, calibration, luma = start
    rng = np.random.default_rng(1)
    after = turned(camera, degrees)
    moved = seen_by(luma, camera, after)
    blurred = cv2.blur(moved, (61, 1))
    watch = StandWatch(calibration, luma)
    frames = [luma] * 4 + [blurred] + [moved] * 14
    events = [watch.add(0.5 * k, noisy(f, rng)) for k, f in enumerate(frames)]
    events = [e for e in events if e is not None]
    assert len(events) == 1
    event = events[0]
    assert (event.start, event.end) == (1.5, 2.5)  # frame 4, at 2.0 s, is the blurred one
    true = after.project(CORNERS)
    again = event.calibration.corners_px
    assert np.sqrt(((again - true) ** 2).sum(axis=1).mean()) < 0.5
    assert watch.calibration is event.calibration
    assert "found again" in event.message


def test_a_table_that_is_not_found_anew_is_looked_for_near_its_place(start, monkeypatch):
    camera, calibration, luma = start
    after = turned(camera, (0.5, -0.4, 0.3))  # some 10 px
    moved = seen_by(luma, camera, after)

    def unseen(*_args, **_options):
        raise CalibrationError("no table was found")

    monkeypatch.setattr(drift, "detect_table", unseen)
    watch = StandWatch(calibration, luma)
    events = [watch.add(0.5 * k, f) for k, f in enumerate([luma] * 4 + [moved] * 14)]
    event = next(e for e in events if e is not None)
    true = after.project(CORNERS)
    assert np.sqrt(((event.calibration.corners_px - true) ** 2).sum(axis=1).mean()) < 0.5


def test_a_shake_that_comes_back_keeps_the_calibration(start):
    camera, calibration, luma = start
    moved = seen_by(luma, camera, turned(camera, (0.3, 0.2, 0.0)))
    watch = StandWatch(calibration, luma)
    frames = [luma] * 3 + [moved] + [luma] * 14
    events = [watch.add(0.5 * k, f) for k, f in enumerate(frames)]
    events = [e for e in events if e is not None]
    assert len(events) == 1
    assert events[0].calibration is calibration
    assert "came back" in events[0].message


def test_a_film_that_begins_with_the_phone_in_a_hand_begins_where_it_came_to_rest(start):
    camera, calibration, luma = start
    watch = StandWatch(calibration, luma)
    hand = [seen_by(luma, camera, turned(camera, (0.3 * k, 0.2, 0.0))) for k in (3, 2, 1)]
    events = [watch.add(0.5 * k, f) for k, f in enumerate([*hand, *[luma] * 14])]
    (event,) = [e for e in events if e is not None]
    assert (event.start, event.end) == (0.0, 1.5)
    assert event.calibration is calibration
    assert event.message == "The phone came to rest at 1.5 s; the film before was not used."


def test_a_bump_is_no_shake_that_came_back_where_hardly_a_place_looks_alike(start):
    # two patches lie on what looks the same elsewhere; all others are too far off to be known again
    camera, calibration, luma = start
    after = turned(camera, (0.6, -0.9, 0.4))
    moved = seen_by(luma, camera, after)
    watch = StandWatch(calibration, luma)
    for u, v in watch._reference.corner[:2]:
        moved[v - 4 : v + PATCH + 4, u - 4 : u + PATCH + 4] = luma[
            v - 4 : v + PATCH + 4, u - 4 : u + PATCH + 4
        ]
    on_the_way = seen_by(luma, camera, turned(camera, (0.05, 0.08, 0.0)))
    frames = [luma] * 4 + [on_the_way] + [moved] * 14
    events = [watch.add(0.5 * k, f) for k, f in enumerate(frames)]
    event = next(e for e in events if e is not None)
    true = after.project(CORNERS)
    assert np.sqrt(((event.calibration.corners_px - true) ** 2).sum(axis=1).mean()) < 0.5
    assert "found again" in event.message


def test_a_shake_behind_which_people_hide_the_picture_came_back(start):
    # where the table, found anew, is in its place, or is not found at all
    camera, calibration, luma = start
    moved = seen_by(luma, camera, turned(camera, (0.3, 0.2, 0.0)))
    rng = np.random.default_rng(5)
    crowded = luma.copy()
    height, width = luma.shape
    for u in (0, 62 * width // 100):
        wide = width - 62 * width // 100
        crowded[:, u : u + wide] = noisy(np.full((height, wide), 120.0), rng)
    for find in (lambda *_: calibration, _unfound):
        watch = StandWatch(calibration, luma, find=find)
        frames = [luma] * 3 + [moved] + [crowded] * 14
        events = [watch.add(0.5 * k, f) for k, f in enumerate(frames)]
        event = next(e for e in events if e is not None)
        assert event.calibration is calibration
        assert "came back" in event.message


def _unfound(*_args):
    raise CalibrationError("no table was found")


def test_a_table_that_is_not_found_again_is_said(start):
    _, calibration, luma = start

    def find(still, before):
        raise CalibrationError("no table was found")

    watch = StandWatch(calibration, luma, find=find)
    other = np.ascontiguousarray(luma[:, ::-1])
    events = [watch.add(0.5 * k, f) for k, f in enumerate([luma] * 2 + [other] * 14)]
    event = next(e for e in events if e is not None)
    assert event.calibration is None
    assert watch.calibration is None
    assert "not found again" in event.message


def test_a_clip_that_ends_in_motion_says_so(start):
    camera, calibration, luma = start
    watch = StandWatch(calibration, luma)
    for k in range(6):
        watch.add(0.5 * k, seen_by(luma, camera, turned(camera, (0.0, 0.5 * k, 0.0))))
    event = watch.finish(3.0)
    assert event.calibration is None
    assert event.start == 0.0
    assert "did not come to rest" in event.message


def test_a_stand_that_keeps_trembling_is_said_to_and_one_that_is_bumped_is_not(start):
    camera, calibration, luma = start
    rng = np.random.default_rng(4)
    watch = StandWatch(calibration, luma)
    for k in range(12):
        # 0.06 degrees are some 1.5 px of this camera, now to one side and now to the other
        at = turned(camera, (0.0, 0.06 * (-1) ** k, 0.0))
        watch.add(0.25 * k, noisy(seen_by(luma, camera, at), rng))
        assert (watch.trembling is None) == (k < drift.TREMBLING - 1)
    assert watch.trembling == pytest.approx(1.5, abs=0.5)
    watch = StandWatch(calibration, luma)
    bumped = seen_by(luma, camera, turned(camera, (0.0, 2.0, 0.0)))
    for k in range(12):
        watch.add(0.25 * k, noisy(bumped if k > 3 else luma, rng))
        assert watch.trembling is None
