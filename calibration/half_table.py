"""A table of which a player hides one side line: near end, other side, centre line and net's tape.

The centre line is 3 mm wide and halves the table (Law 2.1.6), so that it stands for the side. The
far end's line is used where it is seen beside the tape. With both ends, side and centre line the
half that is left may pass for a whole table: it is doubled then (`measure_doubled`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.behind_net import TAPE_MARGIN_PX, fit_with_marks, tape_ends, tape_strip
from calibration.bright_lines import Strip
from calibration.camera import Camera
from calibration.camera_fit import LensPrior
from calibration.check import check_net
from calibration.edges import EdgeEvidence, fit_edges
from calibration.given import fit_corners
from calibration.measured import (
    CENTRE_PX,
    MOST_ROLL_DEG,
    NEARBY_PX,
    Found,
    far_end,
    held_lens,
    near_tape,
    roll_deg,
)
from calibration.plane import fit_homography
from calibration.table import CORNERS, EDGE_LINE

# of the near end and of the side that must be seen; of the far end, from which on it is believed
LEAST_NEAR, LEAST_SIDE, LEAST_FAR = 0.15, 0.4, 0.35
#: The side lines, by their number.
SIDES = (0, 2)
_DOUBLED_SD_PX = 3.0  # of the corners of a table twice as wide as what was measured
_DOUBLED_REACH_PX = 8.0  # by which its lines may be off then
_SAME_PX = 4.0  # halves no farther apart than this are one


def measure_half(
    luma: np.ndarray,
    start: Camera,
    prior: LensPrior,
    search_px: tuple[float, ...],
    *,
    sees_far: bool = False,
) -> Found | None:
    """Measure a table by its near end, one side, the centre line and the net's tape.

    Parameters
    ----------
    luma : ndarray of uint8, shape (H, W)
    start : Camera
        Its focal length is believed at first.
    prior : LensPrior
        Of the lens.
    search_px : tuple of float
        See `calibration.edges.fit_edges`.
    sees_far : bool
        Whether the far end's line is known to be where the start puts it; the tape, which may be
        another line where the camera is not nearly right, is then looked for when it is.

    Returns
    -------
    Found or None
        None where there is no table.
    """
    camera = start
    near = (NEARBY_PX, 1.0)
    # else the far end's line may be another one where the camera is not nearly right
    for reach, use_far in ((search_px, sees_far), (near, True), (near, True)):
        with_tape = not sees_far or reach is near
        besides = _far_line(camera) if sees_far and with_tape else None
        strip = tape_strip(luma, camera, hidden=True, besides=besides) if with_tape else None
        if strip is None and with_tape:
            return None
        held = held_lens(camera, prior)
        try:
            evidence = _seen(luma, camera, held, reach, strip, use_far=use_far)
            fit = fit_with_marks(
                luma, evidence, camera, prior, tape=with_tape, centre=True, besides=besides
            )
        except (ValueError, np.linalg.LinAlgError):
            return None
        if fit is None:
            return None
        camera = fit.camera
    assert fit is not None
    net = check_net(luma, camera, look=evidence.look, besides=besides)
    corners = camera.project(CORNERS)
    if not np.isfinite(corners).all() or roll_deg(camera) > MOST_ROLL_DEG:
        return None
    far = far_end(camera)
    near_end = evidence.support[4 - far]  # they are 1 and 3
    side = evidence.support[list(SIDES)].max()
    if near_end < LEAST_NEAR or side < LEAST_SIDE:
        return None
    crossed = net.centre_line_px < CENTRE_PX
    far_seen = np.isfinite(evidence.offset[evidence.stations.line == far]).any()
    sure_of_net = far_seen if sees_far else tape_ends(luma, camera)
    if not (crossed and near_tape(net) and sure_of_net):
        return None
    merit = float(np.sqrt(near_end) + np.sqrt(side)) + net.seen + 0.3
    if far_seen:
        merit += float(np.sqrt(evidence.support[far]))
    return Found(
        fit=fit, evidence=evidence, net=net, merit=merit, corners=corners,
        behind_net=not bool(far_seen), half=True,
    )  # fmt: skip


def measure_doubled(luma: np.ndarray, halves: Sequence[Found], prior: LensPrior) -> list[Found]:
    """Measure tables of which one half, from the centre line on, passed for a whole one.

    Parameters
    ----------
    luma : ndarray of uint8, shape (H, W)
    halves : sequence of Found
        What was measured in the picture; tables twice as wide to either side are looked for.
    prior : LensPrior
        Of the lens.
    """
    size = (luma.shape[1], luma.shape[0])
    found: list[Found] = []
    tried: list[np.ndarray] = []
    for half in halves:
        if any(np.abs(half.corners - other).max() < _SAME_PX for other in tried):
            continue
        tried.append(half.corners)
        for corners in _twice_as_wide(half.corners):
            covariance = np.eye(8) * _DOUBLED_SD_PX**2
            try:
                fit, _ = fit_corners(corners, size, covariance, prior)
            except (ValueError, np.linalg.LinAlgError):
                continue
            reach = (_DOUBLED_REACH_PX, 2.5, 1.0)
            measured = measure_half(luma, fit.camera, prior, reach, sees_far=True)
            if measured is not None:
                found.append(measured)
    return found


def _twice_as_wide(corners: np.ndarray) -> list[np.ndarray]:
    """The corners, (4, 2), of tables one half of which has these corners: one to each side."""
    h = fit_homography(CORNERS[:, :2], corners)
    wide = []
    for side in (1.0, -1.0):
        plane = CORNERS.copy()
        plane[plane[:, 1] * side > 0, 1] *= 3.0
        p = np.column_stack([plane[:, :2], np.ones(4)]) @ h.T
        if (p[:, 2] * p[0, 2] > 0).all():  # in front of the camera
            wide.append(p[:, :2] / p[:, 2:])
    return wide


def _far_line(camera: Camera) -> Strip:
    """The far end's line as a camera puts it."""
    ends = camera.project(CORNERS[[1, 2] if far_end(camera) == 1 else [3, 0]])
    scale = float(np.median(camera.matrix[0, 0] / camera.depths(CORNERS)))
    return Strip(ends=ends, half_width=EDGE_LINE * scale / 2 + TAPE_MARGIN_PX)


def _seen(
    luma: np.ndarray,
    camera: Camera,
    held: LensPrior,
    reach: tuple[float, ...],
    strip: Strip | None,
    *,
    use_far: bool,
) -> EdgeEvidence:
    """What is seen of the lines near a start, without the side that is hidden."""
    _, evidence = fit_edges(luma, camera, held, search_px=reach, strip=strip)
    line, support = evidence.stations.line, evidence.support.copy()
    hidden = min(SIDES, key=lambda k: support[k])
    far = far_end(camera)
    left_out = line == hidden
    if not use_far or support[far] <= LEAST_FAR:
        left_out |= line == far
    support[hidden] = 0.0
    return replace(evidence, offset=np.where(left_out, np.nan, evidence.offset), support=support)
