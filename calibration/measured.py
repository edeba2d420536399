"""The table measured from a start: its four white lines at full size, checked against the net.

Where the net contradicts the lines, one of them was taken for another thing: the net's tape, which
may run along the far end's line, or what a person who hides the line wears. The net then shows
where to look again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.behind_net import end_on_tape, fit_with_marks, hides_line, tape_ends, tape_strip
from calibration.bright_lines import Strip
from calibration.camera import Camera
from calibration.camera_fit import CameraFit, LensPrior
from calibration.check import check_net
from calibration.edges import EdgeEvidence, fit_edges
from calibration.result import NetCheck
from calibration.table import CORNERS

# a phone on a stand, its film upright, leans no further (common practice, no source)
MOST_ROLL_DEG = 30.0
LEAST_SUPPORT = 0.12  # of a line inside the frame that must agree with the fit
LEAST_TOTAL = 1.5  # of four lines
GOOD_TOTAL = 2.2
BESIDE = 0.2  # of an end line, seen beside the tape, from which on it is known by that
# of three lines, with the centre line or both of the net's ends seen, and without
LEAST_THREE, GOOD_THREE = 1.2, 1.7
HELD_FOCAL_SD = 0.03  # of ln f, where three lines alone would leave it open
WEAK = 0.5  # of a line inside the frame: seen less than that it may be another thing
NET_AGREES_MM = 10.0
FOR_LINE = 0.7  # what the tape or the centre line is worth in place of a line that is hidden
CENTRE_PX = 2.0  # by which the centre line may be off
CENTRE_SURE_PX = 1.0  # by which it may be off where it alone tells a table from lines of a floor
HELD_PRINCIPAL_PX = 0.5  # and of the principal point
NEARER = 0.5  # times the net's residual with the lines alone: then the tape passed for a line
NEARBY_PX = 3.0  # from where three lines and the tape put it, a line is looked for


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """A table measured at full size.

    Attributes
    ----------
    fit : CameraFit
    evidence : EdgeEvidence
    net : NetCheck
    merit : float
        How much of lines, net and centre line was seen where it belongs; at most 5.3.
    corners : ndarray, shape (4, 2)
        px.
    behind_net : bool
        Whether the net's tape stands for an end line that it hides.
    half : bool
        Whether the centre line stands for a side line that a player hides.
    """

    fit: CameraFit
    evidence: EdgeEvidence
    net: NetCheck
    merit: float
    corners: np.ndarray
    behind_net: bool = False
    half: bool = False

    @property
    def standing(self) -> float:
        """Its merit, comparable with that of tables whose four lines count."""
        return self.merit + (FOR_LINE if self.behind_net or self.half else 0.0)

    @property
    def confirmed(self) -> bool:
        """Whether the net or the centre line is seen where this table's would be."""
        centre = self.net.centre_line_px
        with_tape = self.behind_net and not centre > CENTRE_PX
        return with_tape or net_agrees(self.net) or centre < CENTRE_SURE_PX


def measure_table(
    luma: np.ndarray, start: Camera, prior: LensPrior, search_px: tuple[float, ...], *, given: bool
) -> Found | None:
    """Measure the lines near a start, and again where another thing passed for one of them.

    Parameters
    ----------
    luma : ndarray of uint8, shape (H, W)
    start : Camera
    prior : LensPrior
        Of the lens.
    search_px : tuple of float
        See `calibration.edges.fit_edges`.
    given : bool
        Whether the start rests on corners marked by hand, which are believed.

    Returns
    -------
    Found or None
        None where there is no table.
    """
    first = _measured(luma, start, prior, search_px, given=given)
    if first is None:
        return None
    strip = tape_strip(luma, first.fit.camera)
    if strip is None:
        return _hidden_tape(luma, first, prior, search_px)
    passing = end_on_tape(strip, first.evidence)
    if passing is not None:
        beside = _measured(luma, start, prior, search_px, given=given, strip=strip)
        if beside is not None and not net_agrees(beside.net):
            beside = None
        if beside is not None and beside.evidence.support.min() > BESIDE:
            return beside
        again = _without(passing, luma, first, prior, search_px, given=given, strip=strip)
        if again is not None and again.evidence.support.min() > BESIDE:
            return again
        return (
            _with_tape(luma, first, strip, prior)
            or measure_behind_net(luma, first.fit.camera, prior, search_px)
            or beside
            or first
        )
    far = far_end(first.fit.camera)
    sees_far = first.evidence.support[far] > BESIDE or first.net.residual_px < 2
    if net_agrees(first.net) and sees_far:
        return first
    # a line that a person hides is easily taken for another thing that is as white, and the far
    # end's for the tape
    weakest = int(first.evidence.support.argmin())
    if first.evidence.support[weakest] <= WEAK and not net_agrees(first.net):
        again = _without(weakest, luma, first, prior, search_px, given=given)
        if again is not None:
            return again
    behind = measure_behind_net(luma, first.fit.camera, prior, search_px)
    nearer = behind is not None and behind.net.residual_px < first.net.residual_px
    return behind if behind is not None and nearer else first


def _without(
    line: int,
    luma: np.ndarray,
    found: Found,
    prior: LensPrior,
    search_px: tuple[float, ...],
    *,
    given: bool,
    strip: Strip | None = None,
) -> Found | None:
    """Measured again from where the net's tape and all lines but one put the camera.

    None where the net does not agree then either.
    """
    rows = found.evidence.stations.line == line
    evidence = replace(found.evidence, offset=np.where(rows, np.nan, found.evidence.offset))
    try:
        fit = fit_with_marks(luma, evidence, found.fit.camera, prior)
    except (ValueError, np.linalg.LinAlgError):
        return None
    if fit is None:
        return None
    near = tuple(min(reach, NEARBY_PX) for reach in search_px)
    again = _measured(luma, fit.camera, prior, near, given=given, strip=strip)
    return again if again is not None and net_agrees(again.net) else None


def measure_behind_net(
    luma: np.ndarray, start: Camera, prior: LensPrior, search_px: tuple[float, ...]
) -> Found | None:
    """Measure a table by its near end, its sides and the net's tape, and by its far end if seen.

    Parameters
    ----------
    luma : ndarray of uint8, shape (H, W)
    start : Camera
        Its focal length is believed at first: three lines leave it open.
    prior : LensPrior
        Of the lens.
    search_px : tuple of float
        See `calibration.edges.fit_edges`.

    Returns
    -------
    Found or None
        None where there is no table.
    """
    camera, fit = start, None
    for reach in (search_px, (NEARBY_PX, 1.0)):
        strip = tape_strip(luma, camera, hidden=True)
        if strip is None:
            return None
        held = held_lens(camera, prior)
        try:
            _, evidence = fit_edges(luma, camera, held, search_px=reach, strip=strip)
            far = evidence.stations.line == far_end(camera)
            evidence = replace(evidence, offset=np.where(far, np.nan, evidence.offset))
            fit = fit_with_marks(luma, evidence, camera, prior)
        except (ValueError, np.linalg.LinAlgError):
            return None
        if fit is None:
            return None
        camera = fit.camera
    assert fit is not None
    net = check_net(luma, camera, look=evidence.look)
    corners = camera.project(CORNERS)
    shown = np.delete(evidence.support, far_end(camera))
    if not near_tape(net) or not np.isfinite(corners).all() or roll_deg(camera) > MOST_ROLL_DEG:
        return None
    near = (NEARBY_PX, 2.5, 1.0)
    whole = _measured(luma, camera, prior, near, given=False, strip=strip)
    if whole is not None and net_agrees(whole.net) and whole.evidence.support.min() > BESIDE:
        return whole
    crossed = net.centre_line_px < CENTRE_PX
    enough = LEAST_THREE if crossed or tape_ends(luma, camera) == 2 else GOOD_THREE
    if shown.min() < LEAST_SUPPORT or shown.sum() < enough:
        return None
    return Found(
        fit=fit, evidence=evidence, net=net, corners=corners, merit=_merit(shown, net),
        behind_net=True,
    )  # fmt: skip


def _hidden_tape(
    luma: np.ndarray, first: Found, prior: LensPrior, search_px: tuple[float, ...]
) -> Found:
    """The tape in place of the end line, where a player hides most of it and the net is far off."""
    strip = tape_strip(luma, first.fit.camera, hidden=True)
    if strip is None or end_on_tape(strip, first.evidence) is None:
        return first
    other = _with_tape(luma, first, strip, prior) or measure_behind_net(
        luma, first.fit.camera, prior, search_px
    )
    nearer = other is not None and other.net.residual_px < NEARER * first.net.residual_px
    return other if other is not None and nearer else first


def held_lens(camera: Camera, prior: LensPrior) -> LensPrior:
    """The prior by which a lens is believed for the time that too few lines are seen to tell.

    Parameters
    ----------
    camera : Camera
        With that lens.
    prior : LensPrior
        Of the lens.
    """
    u, v = camera.matrix[:2, 2]
    return replace(
        prior,
        focal_px=float(camera.matrix[0, 0]),
        sd=HELD_FOCAL_SD,
        principal=(float(u), float(v)),
        principal_sd=HELD_PRINCIPAL_PX,
    )


def far_end(camera: Camera) -> int:
    """The end line, 1 or 3, that is the farther one.

    Parameters
    ----------
    camera : Camera
    """
    along = camera.rotation[2, 0]  # of what points along the table, the part away from the camera
    return 1 if along > 0 else 3


def _with_tape(luma: np.ndarray, found: Found, strip: Strip, prior: LensPrior) -> Found | None:
    """The tape in place of the end line that it hides; None where that explains nothing."""
    try:
        camera = found.fit.camera
        _, evidence = fit_edges(luma, camera, prior, search_px=(2.5, 1.0), strip=strip)
        fit = fit_with_marks(luma, evidence, camera, prior)
    except (ValueError, np.linalg.LinAlgError):
        return None
    if fit is None or not hides_line(strip, fit.camera):
        return None
    net = check_net(luma, fit.camera, look=evidence.look)
    if not (net_agrees(net) and net.centre_line_px < CENTRE_PX):
        return None
    shown = np.delete(evidence.support, far_end(fit.camera))
    return Found(
        fit=fit, evidence=evidence, net=net, corners=fit.camera.project(CORNERS),
        merit=_merit(shown, net), behind_net=True,
    )  # fmt: skip


def _measured(
    luma: np.ndarray,
    start: Camera,
    prior: LensPrior,
    search_px: tuple[float, ...],
    *,
    given: bool,
    strip: Strip | None = None,
) -> Found | None:
    try:
        fit, evidence = fit_edges(luma, start, prior, search_px=search_px, strip=strip)
    except (ValueError, np.linalg.LinAlgError):
        return None
    corners = fit.camera.project(CORNERS)
    if not np.isfinite(corners).all() or fit.camera.centre[2] <= 0.05:
        return None
    if not given and roll_deg(fit.camera) > MOST_ROLL_DEG:
        return None  # on a wall, not on the floor
    if evidence.support.min() < LEAST_SUPPORT and evidence.support.sum() < GOOD_TOTAL:
        return None
    if evidence.support.sum() < LEAST_TOTAL or not np.isfinite(evidence.residual_px):
        return None
    net = check_net(luma, fit.camera, look=evidence.look)
    confirmed = net_agrees(net) or net.centre_line_px < CENTRE_PX
    weak = evidence.support.min() < 0.5 or evidence.support.sum() < 3.2
    if weak and not confirmed and not given:
        return None
    merit = _merit(evidence.support, net)
    return Found(fit=fit, evidence=evidence, net=net, merit=merit, corners=corners)


def _merit(support: np.ndarray, net: NetCheck) -> float:
    """How much was seen: of lines, by their shares, of the net where it agrees, of the centre."""
    merit = float(np.sqrt(support).sum())
    if net_agrees(net):
        merit += net.seen
    return merit + (0.3 if net.centre_line_px < CENTRE_PX else 0.0)


def roll_deg(camera: Camera) -> float:
    """By how much a camera leans to a side: between the picture's up and the hall's, degrees.

    Parameters
    ----------
    camera : Camera
    """
    up = camera.rotation @ np.array([0.0, 0.0, 1.0])
    return float(np.degrees(np.arctan2(abs(up[0]), -up[1])))


def net_agrees(net: NetCheck) -> bool:
    """Whether enough of the tape lies where the law puts it; nets sag and posts slip a little.

    Parameters
    ----------
    net : NetCheck
    """
    return net.seen > 0.25 and near_tape(net)


def near_tape(net: NetCheck) -> bool:
    """Whether what is seen of the tape lies where the law puts it.

    Parameters
    ----------
    net : NetCheck
    """
    return net.residual_mm < NET_AGREES_MM or net.residual_px < 2
