"""A table of which a player hides one side line: near end, other side, centre line and net's tape.

The centre line is 3 mm wide and halves the table (Law 2.1.6), so that it stands for the side. The
far end's line is used where it is seen beside the tape.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.behind_net import fit_with_tape, tape_ends, tape_strip
from calibration.bright_lines import Strip
from calibration.camera import Camera
from calibration.camera_fit import CameraFit, LensPrior
from calibration.check import check_net
from calibration.edges import EdgeEvidence, fit_edges
from calibration.measured import (
    CENTRE_PX,
    HELD_FOCAL_SD,
    MOST_ROLL_DEG,
    NEARBY_PX,
    Found,
    far_end,
    near_tape,
    roll_deg,
)
from calibration.table import CORNERS

# of the near end and of the side that must be seen; of the far end, from which on it is believed
LEAST_NEAR, LEAST_SIDE, LEAST_FAR = 0.15, 0.4, 0.35
#: The side lines, by their number.
SIDES = (0, 2)


def measure_half(
    luma: np.ndarray, start: Camera, prior: LensPrior, search_px: tuple[float, ...]
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

    Returns
    -------
    Found or None
        None where there is no table.
    """
    camera = start
    near = (NEARBY_PX, 1.0)
    # the far end's line may be another one where the camera is not nearly right
    for reach, use_far in ((search_px, False), (near, True), (near, True)):
        strip = tape_strip(luma, camera, hidden=True)
        if strip is None:
            return None
        held = replace(prior, focal_px=float(camera.matrix[0, 0]), sd=HELD_FOCAL_SD)
        try:
            fit, evidence = _fitted(luma, camera, prior, held, reach, strip, use_far=use_far)
        except (ValueError, np.linalg.LinAlgError):
            return None
        if fit is None:
            return None
        camera = fit.camera
    assert fit is not None
    net = check_net(luma, camera, look=evidence.look)
    corners = camera.project(CORNERS)
    if not np.isfinite(corners).all() or roll_deg(camera) > MOST_ROLL_DEG:
        return None
    far = far_end(camera)
    near_end = evidence.support[4 - far]  # they are 1 and 3
    side = evidence.support[list(SIDES)].max()
    if near_end < LEAST_NEAR or side < LEAST_SIDE:
        return None
    crossed = net.centre_line_px < CENTRE_PX
    if not (crossed and near_tape(net) and tape_ends(luma, camera)):
        return None
    merit = float(np.sqrt(near_end) + np.sqrt(side)) + net.seen + 0.3
    far_seen = np.isfinite(evidence.offset[evidence.stations.line == far]).any()
    return Found(
        fit=fit, evidence=evidence, net=net, merit=merit, corners=corners,
        behind_net=not bool(far_seen), half=True,
    )  # fmt: skip


def _fitted(
    luma: np.ndarray,
    camera: Camera,
    prior: LensPrior,
    held: LensPrior,
    reach: tuple[float, ...],
    strip: Strip,
    *,
    use_far: bool,
) -> tuple[CameraFit | None, EdgeEvidence]:
    """The camera from the lines near a start, without the side that is hidden."""
    _, evidence = fit_edges(luma, camera, held, search_px=reach, strip=strip)
    line, support = evidence.stations.line, evidence.support.copy()
    hidden = min(SIDES, key=lambda k: support[k])
    far = far_end(camera)
    left_out = line == hidden
    if not use_far or support[far] <= LEAST_FAR:
        left_out |= line == far
    support[hidden] = 0.0
    evidence = replace(
        evidence, offset=np.where(left_out, np.nan, evidence.offset), support=support
    )
    return fit_with_tape(luma, evidence, camera, prior, centre=True), evidence
