"""An end line that lies behind the net's tape, or so close to it that the tape passes for it.

From behind an end, a camera some 60 to 75 cm above the table sees the tape in front of the far
end's line. Where a part of the line shows beside the tape, it is enough not to look for the line
where the tape is. Where the tape hides it all, the tape takes its place in the fit: it is as
straight and as white, and its place is as well known (Laws 2.2.2, 2.2.3).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.bright_lines import Strip
from calibration.camera import Camera
from calibration.camera_fit import CameraFit, LensPrior, fit_camera
from calibration.check import BESIDE_M, NET_CLEAR, find_centre_line, find_tape
from calibration.edges import CORRELATION, EdgeEvidence, across_lines, line_errors
from calibration.profiles import Stations
from calibration.table import HALF_LENGTH, HALF_WIDTH

TAPE_MARGIN_PX = 1.0  # that the tape's blur reaches to each side
TAPE_SD_M = 0.003  # by which a net sags or stands too high; common practice, no source
TAPE_SD_PX = 0.3  # of one station
MOSTLY = 0.5  # of what was seen of an end line, that is the tape
END_SEEN = 0.8  # of an end of the tape beside the table, from which on that is seen
# share of the tape that must be seen, by how many of its ends are; a player may hide the rest
ENOUGH_TAPE = (NET_CLEAR, 0.18, 0.15)
_ROUNDS = 4
_ENDS = {1: HALF_LENGTH, 3: -HALF_LENGTH}  # x of the end lines, by their number
_TAPE, _CENTRE = 4, 5  # numbers of the tape and the centre line, after the four lines
_FEWEST = 10  # stations of either


def tape_strip(
    luma: np.ndarray, camera: Camera, *, hidden: bool = False, besides: Strip | None = None
) -> Strip | None:
    """Where the net's tape lies in a picture, as far as it is seen; None where it is not.

    Parameters
    ----------
    luma : ndarray, shape (height, width)
        Grey levels.
    camera : Camera
        May be off by some px at the net.
    hidden : bool
        Whether a player may hide most of it: then its ends beside the table are enough.
    besides : Strip, optional
        Another bright line, that is not taken for it.
    """
    stations, offset, good, share = find_tape(np.asarray(luma), camera, besides=besides)
    if not len(offset):
        return None
    enough = ENOUGH_TAPE[_ends_seen(stations, good) if hidden else 0]
    if float(good.mean()) * share < enough:
        return None
    t = np.arange(len(offset), dtype=float)
    places = stations.centre + offset[:, None] * stations.normal
    u, v = (np.polyfit(t[good], places[good, k], 1) for k in range(2))
    ends = np.column_stack([np.polyval(u, t[[0, -1]]), np.polyval(v, t[[0, -1]])])
    return Strip(ends=ends, half_width=float(np.median(stations.width)) / 2 + TAPE_MARGIN_PX)


def tape_ends(luma: np.ndarray, camera: Camera) -> int:
    """How many of the net's two ends beside the table show the tape where a camera puts it.

    Parameters
    ----------
    luma : ndarray, shape (height, width)
        Grey levels.
    camera : Camera
    """
    stations, offset, good, _ = find_tape(np.asarray(luma), camera)
    return _ends_seen(stations, good) if len(offset) else 0


def _ends_seen(stations: Stations, good: np.ndarray) -> int:
    ends = [side * stations.points[:, 1] > HALF_WIDTH + BESIDE_M for side in (-1, 1)]
    return sum(bool(end.any()) and float(good[end].mean()) > END_SEEN for end in ends)


def end_on_tape(strip: Strip, evidence: EdgeEvidence) -> int | None:
    """The end line, 1 or 3, most of whose sightings lie on the tape; None if neither's do.

    Parameters
    ----------
    strip : Strip
        The tape.
    evidence : EdgeEvidence
    """
    stations = evidence.stations
    places = stations.centre + evidence.offset[:, None] * stations.normal
    seen = np.isfinite(evidence.offset)
    on_it = strip.covers(places) & seen
    for k in _ENDS:
        of = stations.line == k
        if on_it[of].sum() > MOSTLY * seen[of].sum() > 0:
            return k
    return None


def hides_line(strip: Strip, camera: Camera) -> bool:
    """Whether the tape covers most of an end line, as a camera puts it.

    Parameters
    ----------
    strip : Strip
        The tape.
    camera : Camera
    """
    y = np.linspace(-HALF_WIDTH, HALF_WIDTH, 50)
    return any(
        strip.covers(camera.project(np.column_stack([np.full(50, x), y, np.zeros(50)]))).mean()
        > MOSTLY
        for x in _ENDS.values()
    )


def fit_with_marks(
    luma: np.ndarray,
    evidence: EdgeEvidence,
    start: Camera,
    prior: LensPrior,
    *,
    tape: bool = True,
    centre: bool = False,
    besides: Strip | None = None,
) -> CameraFit | None:
    """Fit the camera to the lines that are seen and to the marks between; None where one is not.

    Parameters
    ----------
    luma : ndarray, shape (height, width)
        Grey levels.
    evidence : EdgeEvidence
        Of the lines, the tape left out.
    start : Camera
    prior : LensPrior
        Of the lens.
    tape, centre : bool
        Which marks: the net's tape, and the centre line, which stands for a side that is not seen.
    besides : Strip, optional
        Another bright line, that is not taken for the tape.
    """
    camera = start
    for _ in range(_ROUNDS):
        stations, offsets, sd = evidence.stations, evidence.offset, evidence.sd
        marks = []
        if tape:
            marks.append((_TAPE, *find_tape(luma, camera, look=evidence.look, besides=besides)[:3]))
        if centre:
            marks.append((_CENTRE, *find_centre_line(luma, camera)))
        for number, mark, offset, good in marks:
            if good.sum() < _FEWEST:
                return None
            stations = _joined(stations, mark, good, number)
            offsets = np.concatenate([offsets, offset[good]])
            sd = np.concatenate([sd, np.full(good.sum(), TAPE_SD_PX)])
        weigh, target = across_lines(stations, offsets, sd)
        fit = fit_camera(
            stations.points, weigh, target, camera, prior, robust=True, inflate=CORRELATION
        )
        camera = fit.camera
    covariance = fit.covariance + line_errors(fit, stations, sd)
    on_tape = stations.line == _TAPE
    if on_tape.any():
        scale = float(np.median(camera.matrix[0, 0] / camera.depths(stations.points[on_tape])))
        answer = fit.gain[:, on_tape] @ (1 / sd[on_tape])
        covariance = covariance + (TAPE_SD_M * scale) ** 2 * np.outer(answer, answer)  # it sags
    return replace(fit, covariance=covariance)


def _joined(stations: Stations, more: Stations, which: np.ndarray, number: int) -> Stations:
    """Stations, and those of another line that has this number."""
    return Stations(
        points=np.concatenate([stations.points, more.points[which]]),
        line=np.concatenate([stations.line, np.full(which.sum(), number)]),
        centre=np.concatenate([stations.centre, more.centre[which]]),
        normal=np.concatenate([stations.normal, more.normal[which]]),
        width=np.concatenate([stations.width, more.width[which]]),
    )
