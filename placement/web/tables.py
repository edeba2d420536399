"""The table in a film: a still without people, the corners, and how good this view is, in words."""

from __future__ import annotations

import contextlib
import re
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration import (
    Calibration,
    CalibrationError,
    NetCheck,
    calibrate_corners,
    check_net,
    detect_table,
    error_map_of,
    median_still,
    refine_corners,
    table,
)
from placement.evidence.parts import write_whole
from placement.video import VideoError
from placement.web.films import Film
from placement.web.wording import centimetres, sentence

STILL_FRAMES = 11
HAND_SD_PX = 0.5  # of a corner set by hand with the magnifier; common practice, no source
GOOD_M = 0.03  # a far end known to this needs no advice
POOR_M = 0.06
NET_DOUBT_MM = 15.0  # the net this far off its place says that a corner is not right
LINE_DOUBT_PX = 2.0  # and so does the centre line, which shows a shift across that the net hides
_ERROR_GRID = (7, 3)  # places along and across at which the error is asked for: with the hand
_EVERY_MOVING = 2  # of the net's places are looked at while a corner moves
_LEVEL_SHARE = 0.05  # of the picture's height: ends closer than this in v are left and right
_NET_LINE = np.array(
    [
        [0.0, -table.NET_SPAN / 2, table.NET_HEIGHT],
        [0.0, table.NET_SPAN / 2, table.NET_HEIGHT],
        [0.0, table.NET_SPAN / 2, 0.0],
        [0.0, -table.NET_SPAN / 2, 0.0],
    ]
)
#: What the calibration says, by a piece of its sentence, and what a teacher reads.
_PLAIN = {
    "do not fit a table": "These four corners do not make a table yet: put each on the outer "
    "corner of the white lines.",
    "far outside the frame": "One corner lies far outside the picture; put it back on the table.",
    "all four corners lie outside": "All four corners lie outside the picture; film the whole "
    "table.",
    "px apart": "Two corners are almost in one place; put each on its own corner of the table.",
    "lie on one line": "Three corners lie on one line; put each on its own corner of the table.",
    "cross; give": "The sides cross: two corners have changed places.",
    "inside the triangle": "One corner lies between the other three, which no table shows.",
    "run clockwise": "The corners have changed sides: left and right are exchanged.",
    "short sides of the table are exchanged": "The long and the short sides are exchanged: each "
    "corner has to move on by one.",
    "no white lines were found near": "No white lines were found near these corners; put them "
    "nearer to the outer corners of the white lines.",
    "no table was found": "No table was found: its white edge lines must be in the picture, at "
    "least in part. Put the four corners where they belong, or film the whole table.",
}
_FINDING = threading.Lock()  # one search at a time on a small machine


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What four corners say, ready for the screen."""

    corners: list[list[float]]
    names: list[str]  # of the corners, as a person sees them
    net: list[list[float]]  # four corners of the net, px
    centre_line: list[list[float]]
    words: str  # how good the view is
    level: str  # good, fair or poor
    fit: str  # how well corners and net agree
    fit_level: str
    notes: list[str]

    def as_json(self) -> dict[str, Any]:
        """As a JSON object."""
        return {name: getattr(self, name) for name in self.__slots__}


def still_of(film: Film, path: Path) -> np.ndarray:
    """The still of a film with the people removed, made once and kept.

    Parameters
    ----------
    film : Film
        Opened.
    path : Path
        JPEG file that keeps it.

    Returns
    -------
    ndarray, shape (H, W, 3), uint8
        BGR.

    Raises
    ------
    VideoError
        If no picture of the film can be read.
    """
    if path.is_file():
        kept = cv2.imread(str(path))
        if kept is not None:
            return np.asarray(kept, dtype=np.uint8)
    places = np.linspace(0, len(film) - 1, min(STILL_FRAMES, len(film))).round().astype(int)
    pictures = []
    for place in dict.fromkeys(places.tolist()):
        with contextlib.suppress(VideoError):  # one that is damaged is left out
            pictures.append(film.colour(place))
    if not pictures:
        raise VideoError("No picture of this film can be read; copy it from the phone again.")
    still = median_still(pictures)
    done, data = cv2.imencode(".jpg", still, [cv2.IMWRITE_JPEG_QUALITY, 94])
    if done:
        write_whole(path, data.tobytes())
    return still


def find_table(
    still: np.ndarray, *, fps: float, near: tuple[float, float] | None = None
) -> tuple[View, Calibration]:
    """Find the table in a still.

    Raises
    ------
    CalibrationError
        If no table is found; one sentence.
    """
    with _FINDING:
        found = detect_table(still, near=near)
    return view_of(found, fps=fps), found


def snap_corners(still: np.ndarray, corners: Any, *, fps: float) -> View:
    """Move corners onto the white lines near them.

    Raises
    ------
    CalibrationError
        If the corners cannot be a table's, or no lines are near.
    """
    return view_of(refine_corners(still, corners), fps=fps)


def try_corners(luma: np.ndarray, corners: Any, *, fps: float, moving: bool = False) -> View:
    """Say what corners set by hand mean, quickly enough to follow the hand.

    Parameters
    ----------
    luma : ndarray, shape (H, W), uint8
        The still, grey.
    corners : array_like, shape (4, 2)
        In the order of `calibration.table.CORNERS`.
    fps : float
        Frames per second of the film.
    moving : bool
        Whether the hand still moves them: the net is then looked at in fewer places.

    Raises
    ------
    CalibrationError
        If the corners cannot be a table's; one sentence.
    """
    size = (luma.shape[1], luma.shape[0])
    found = calibrate_corners(corners, size, sd_px=HAND_SD_PX)
    net = check_net(luma, found.camera, every=_EVERY_MOVING if moving else 1)
    return view_of(found, fps=fps, net=net)


def view_of(found: Calibration, *, fps: float, net: NetCheck | None = None) -> View:
    """What a calibration says, in words of the trade.

    Parameters
    ----------
    found : Calibration
        A table that was found or marked.
    fps : float
        Frames per second.
    net : NetCheck, optional
        What the net and the centre line say; from the calibration where left out.
    """
    words, level = view_words(found, fps)
    fit, fit_level = _fit_words(net or found.net)
    project = found.camera.project
    ends = np.array([[-table.HALF_LENGTH, 0, 0], [table.HALF_LENGTH, 0, 0.0]])
    return View(
        corners=_pairs(found.corners_px),
        names=corner_names(found.corners_px),
        net=_pairs(project(_NET_LINE)),
        centre_line=_pairs(project(ends)),
        words=words,
        level=level,
        fit=fit,
        fit_level=fit_level,
        notes=[plain_warning(warning) for warning in found.warnings],
    )


def view_words(found: Calibration, fps: float) -> tuple[str, str]:
    """How exact places will be in this view, and whether that is good, fair or poor."""
    expected = error_map_of(found, fps=fps or 60.0, grid=_ERROR_GRID)
    middle = expected.typical
    first, second = end_names(found)
    ends = {
        first: float(expected.error_95[:, 0].max()),
        second: float(expected.error_95[:, -1].max()),
    }
    name, worst = max(ends.items(), key=lambda item: item[1])
    if not expected.in_view:
        return (
            f"Part of the table is outside the picture. Places are good to ± {centimetres(middle)} "
            f"where it is seen, and only ± {centimetres(worst)} at the {name} end.",
            "poor",
        )
    if worst <= GOOD_M:
        return f"This view is good for ± {centimetres(worst)} over the whole table.", "good"
    advice = "" if worst <= POOR_M else ": raise the stand, or move it nearer"
    level = "fair" if worst <= POOR_M else "poor"
    if worst < 1.3 * middle:
        return f"This view is good for ± {centimetres(worst)}{advice}.", level
    return (
        f"This view is good for ± {centimetres(middle)} over most of the table, only "
        f"± {centimetres(worst)} at the {name} end{advice}.",
        level,
    )


def corner_names(corners: Any) -> list[str]:
    """What a person calls each corner: near or far by its height in the picture, left or right."""
    points = np.asarray(corners, dtype=float).reshape(4, 2)
    order = np.argsort(points[:, 1], kind="stable")
    names = [""] * 4
    for word, pair in (("far", order[:2]), ("near", order[2:])):
        left, right = sorted(pair.tolist(), key=lambda i: float(points[i, 0]))
        names[left], names[right] = f"{word} left corner", f"{word} right corner"
    return names


def end_names(found: Calibration) -> tuple[str, str]:
    """What a person calls the two ends of the table: near and far, or left and right."""
    points = found.corners_px
    first, second = points[[3, 0]].mean(axis=0), points[[1, 2]].mean(axis=0)
    if abs(first[1] - second[1]) >= _LEVEL_SHARE * found.camera.size[1]:
        return ("near", "far") if first[1] > second[1] else ("far", "near")
    return ("left", "right") if first[0] < second[0] else ("right", "left")


def region_of(corners: Any, size: tuple[int, int]) -> tuple[int, int, int, int]:
    """The part of the picture in which a serve is played: the table and the air above it, px."""
    corners = np.asarray(corners, dtype=float).reshape(-1, 2)
    across = float(np.ptp(corners[:, 0]))
    low = corners.min(axis=0) - (0.08 * across, 0.32 * across)
    high = corners.max(axis=0) + 0.06 * across
    left, top = np.clip(np.floor(low), 0, np.array(size) - 16).astype(int).tolist()
    right, bottom = np.clip(np.ceil(high), (left + 16, top + 16), size).astype(int).tolist()
    return left, top, right, bottom


def _fit_words(net: NetCheck | None) -> tuple[str, str]:
    """What the net and the centre line, which the corners did not use, say of them."""
    if net is None or net.residual_mm != net.residual_mm:
        return "The net could not be seen clearly, so it could not check the corners.", "fair"
    wrong = "one of them is not on the outer corner of the white lines"
    if net.residual_mm > NET_DOUBT_MM:
        return (
            f"The net is {net.residual_mm / 10:.1f} cm from where these corners put it: {wrong}.",
            "poor",
        )
    if net.centre_line_px > LINE_DOUBT_PX:
        return (
            f"The centre line is {net.centre_line_px:.1f} pixels from where these corners put it: "
            f"{wrong}.",
            "poor",
        )
    words = f"The net agrees with the corners to {max(net.residual_mm, 0.1):.1f} mm"
    if net.centre_line_px == net.centre_line_px:
        return f"{words}, the centre line to {max(net.centre_line_px, 0.1):.1f} pixels.", "good"
    return f"{words}; the centre line was not seen where they put it.", "fair"


def plain_warning(warning: str) -> str:
    """What a calibration or an analysis warns of, with a person's names for the lines."""
    plain = {
        "-y side line": "one side line", "+y side line": "other side line",
        "+x end line": "second end line", "-x end line": "first end line",
    }  # fmt: skip
    for code, words in plain.items():
        warning = warning.replace(code, words)
    return warning


def _pairs(points: np.ndarray) -> list[list[float]]:
    return [[round(float(u), 2), round(float(v), 2)] for u, v in points]


def plain_words(error: CalibrationError) -> str:
    """What is wrong with a table, without the figures and names of the one who computes."""
    text = str(error)
    for mark, words in _PLAIN.items():
        if mark in text:
            return words
    return sentence(re.sub(r"(\d) px", r"\1 pixels", text))


def checked_corners(value: Any) -> list[list[float]]:
    """Four pairs of finite numbers out of a message.

    Raises
    ------
    CalibrationError
        If it is anything else.
    """
    try:
        corners = np.array(value, dtype=float)
    except (TypeError, ValueError) as error:
        raise CalibrationError("The corners must be four pairs of numbers.") from error
    if corners.shape != (4, 2) or not np.isfinite(corners).all():
        raise CalibrationError("The corners must be four pairs of numbers.")
    return [[float(u), float(v)] for u, v in corners]
