"""Flights traced by SciPy at tight tolerance and seen by a known camera."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.integrate import solve_ivp

from calibration import Camera, table
from placement import flight
from placement.tracks import Run


def camera_behind() -> Camera:
    """A phone 1.9 m above the floor, behind and beside the server's end; 1080p."""
    eye, aim = np.array([-3.6, -1.3, 1.15]), np.array([0.2, 0.0, 0.0])
    forward = (aim - eye) / np.linalg.norm(aim - eye)
    right = np.cross(forward, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    matrix = np.array([[1450.0, 0, 959.5], [0, 1450.0, 539.5], [0, 0, 1]])
    return Camera(
        matrix=matrix,
        distortion=np.zeros(5),
        rotation=rotation,
        translation=-rotation @ eye,
        size=(1920, 1080),
    )


def trace(place: np.ndarray, velocity: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Places (N, 3) of a ball without spin at `times` from 0, bouncing by the published model."""

    def rate(_: float, y: np.ndarray) -> np.ndarray:
        pull = -flight.drag_constant() * np.linalg.norm(y[3:]) * y[3:]
        return np.concatenate([y[3:], pull - [0, 0, flight.GRAVITY]])

    def touch(_: float, y: np.ndarray) -> float:
        return float(y[2] - table.BALL_RADIUS)

    touch.terminal, touch.direction = True, -1  # type: ignore[attr-defined]
    state, spin, begin = np.concatenate([place, velocity]), np.zeros((1, 3)), 0.0
    out = np.full((len(times), 3), np.nan)
    while True:
        solved = solve_ivp(
            rate, (begin, times[-1] + 1e-9), state, "DOP853", events=touch, rtol=1e-10,
            atol=1e-10, dense_output=True,
        )  # fmt: skip
        inside = (times >= begin) & (times <= solved.t[-1])
        out[inside] = solved.sol(times[inside])[:3].T
        if not len(solved.t_events[0]):
            return out
        after, spin = flight.bounce(solved.y_events[0][0][None, 3:], spin)
        begin = float(solved.t_events[0][0])
        state = np.concatenate([solved.y_events[0][0][:2], [table.BALL_RADIUS + 1e-9], after[0]])


def as_run(camera: Camera, times: np.ndarray, places: np.ndarray, start: int = 0) -> Run:
    """The pictures of a ball's centre as a run of one candidate a frame."""
    n = len(times)
    return Run(np.arange(start, start + n), np.zeros(n, int), times, camera.project(places))


def opencv_pixels(camera: Camera, places: np.ndarray) -> np.ndarray:
    """The same by OpenCV, as the outside reference."""
    turn, _ = cv2.Rodrigues(camera.rotation)
    pixels, _ = cv2.projectPoints(
        places, turn, camera.translation, camera.matrix, camera.distortion
    )
    return pixels.reshape(-1, 2)
