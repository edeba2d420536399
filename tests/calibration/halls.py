"""Drawn halls that several tests look at, each drawn once."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np

from calibration.corners import detect_table
from calibration.result import Calibration
from tests.calibration.scene import TABLES, Scene, draw, look_at, random_scene

SIZE = (1280, 720)


def plain(*, eye: tuple[float, float, float] = (-3.9, -1.0, 1.15), **changes: object) -> Scene:
    """A blue table on a wooden floor, seen from behind an end unless `eye` says otherwise."""
    camera = look_at(np.array(eye), np.array([0.1, 0.0, 0.0]), 980, SIZE, k1=-0.02, roll_deg=0.4)
    scene = Scene(
        camera=camera,
        table_bgr=TABLES["blue"],
        floor_bgr=(80, 120, 165),
        wall_bgr=(120, 125, 130),
        seed=3,
        n_people=0,
    )
    return replace(scene, **changes)


@cache
def hall(name: str) -> tuple[Scene, np.ndarray]:
    """Scene and picture (BGR) by name; pictures are shared, do not write to them."""
    scenes = {
        "behind": lambda: plain(n_people=2),
        "side": lambda: plain(eye=(0.2, -3.5, 1.0), table_bgr=TABLES["green"], n_people=2),
        "diagonal": lambda: plain(eye=(-2.7, -2.6, 1.2), light=0.4, noise=3.0),
        "corner": lambda: plain(eye=(3.6, 1.6, 1.0), glare=0.4),
        "balcony": lambda: plain(eye=(2.5, 4.6, 3.2), second_table=True, seed=5),
        "grey on grey": lambda: plain(
            eye=(3.4, -2.0, 1.3), table_bgr=TABLES["grey"], floor_bgr=(95, 105, 110)
        ),
        "net slipped": lambda: plain(net_offset=0.15),
        "drawn at random": lambda: random_scene(13, size=SIZE),
    }
    scene = scenes[name]()
    picture = draw(scene)
    picture.setflags(write=False)
    return scene, picture


@cache
def found(name: str) -> Calibration:
    """The table that is found in the hall of that name without help, looked for once."""
    return detect_table(hall(name)[1])


def grey(picture: np.ndarray) -> np.ndarray:
    """Luma of a BGR picture."""
    return cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)


def rms(found: np.ndarray, true: np.ndarray) -> float:
    """Rms corner distance, px, of the better of the two namings of the ends."""
    return min(
        float(np.sqrt(((np.roll(found, k, axis=0) - true) ** 2).sum(axis=1).mean())) for k in (0, 2)
    )
