"""Find the table in one still, and its four corners to a fraction of a pixel.

The still is the upright frame, uint8, BGR or grey, best a per-pixel median of spread frames, so
that the people are gone. The table is looked for in a reduced picture (`calibration.search`), then
its white lines are measured at full size and checked against the net (`calibration.measured`).

Which end is negative x: the one lower in the picture; where the ends' mid-points differ by less
than 5 % of the picture's height, the left one (`calibration.given.order_ends`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import islice, product

import cv2
import numpy as np

from calibration.camera import Camera
from calibration.camera_fit import LensPrior, lens_prior, start_camera
from calibration.check import net_contradicts
from calibration.given import assemble, check_corners, order_ends
from calibration.half_table import SIDES, measure_doubled, measure_half
from calibration.in_play import (
    is_elsewhere,
    may_be_another,
    outside,
    preference,
    prefers,
    promise,
    towards,
)
from calibration.lines import Lines, find_lines, reduce_picture
from calibration.measured import (
    CENTRE_PX,
    HELD_FOCAL_SD,
    Found,
    far_end,
    measure_behind_net,
    measure_table,
    net_agrees,
    roll_deg,
)
from calibration.result import Calibration, CalibrationError, NetCheck
from calibration.search import Candidate, find_candidates, score_quads
from calibration.table import CORNERS
from calibration.tape_search import find_behind_net

ROUGH_ROLL_DEG = 45.0  # that a phone on a stand may lean, before a fit (common practice, no source)
MOST_OFF_PX = 15.0  # a start whose corners lie farther from the candidate's is none
WORK_SIZES = (960, 1600)  # px
MOST_MEASURED = 8
LOST_LINE_PX = 16.0  # how much farther a line is sought that was not found
# support of a line that was not seen; of the others then; of one that was found farther away
NO_LINE, SEEN_LINE, FOUND_LINE = 0.1, 0.5, 0.25
CLEAR_MERIT = 4.2  # four lines, net and centre line make at most 5.3
CLEAR_LINE, WITHOUT_LINE = 0.3, 0.3  # where less of a line is seen, merit must be higher by that
MORE_PROMISE = 2.0  # times that of the tables found, from which on another one is looked at
SAME_PX = 1.0  # candidates nearer to each other than this are one
SMALLEST_PICTURE = 64  # px
GIVEN_REACH_PX = 12.0  # marked corners may be off by so much


@dataclass(frozen=True, slots=True, eq=False)
class _Reduced:
    """A picture reduced for the search, and its lines, which each way of searching looks at."""

    picture: np.ndarray
    factor: float
    lines: Lines


class _Views:
    """A still at the sizes that are asked for, each reduced once."""

    def __init__(self, image: np.ndarray) -> None:
        self._image = image
        self._of: dict[int, _Reduced] = {}

    def of(self, work_size: int) -> _Reduced:
        """The still, its long side at most `work_size` px."""
        if work_size not in self._of:
            picture, factor = reduce_picture(self._image, work_size)
            self._of[work_size] = _Reduced(picture, factor, find_lines(picture))
        return self._of[work_size]


def detect_table(
    image: np.ndarray,
    *,
    near: tuple[float, float] | None = None,
    fov_deg: float | None = None,
    lens: LensPrior | None = None,
) -> Calibration:
    """Find the table in play in a still and calibrate the camera on it.

    Parameters
    ----------
    image : ndarray, shape (height, width, 3) or (height, width)
        uint8, BGR or grey.
    near : tuple of float, optional
        A pixel (u, v) on or near the wanted table; the largest and most central one otherwise.
    fov_deg : float, optional
        Horizontal field of view, degrees, where it is known.
    lens : LensPrior, optional
        What an earlier calibration of the same clip knows of the lens (`same_lens`).

    Returns
    -------
    Calibration
        `evidence` is "edges"; corners outside the frame are extrapolated along their lines.

    Raises
    ------
    CalibrationError
        When no table is found, or the net contradicts the one that is.
    """
    luma = _checked_luma(image)
    size = (luma.shape[1], luma.shape[0])
    prior = lens or lens_prior(size, fov_deg)
    found: list[Found] = []
    tried: list[np.ndarray] = []
    views = _Views(image)
    # the fine picture, tables without a far end, such as mirror and such as lack a side only where
    # none is clear without
    ways = list(product(("plain", "behind net", "glare", "half"), WORK_SIZES))
    while ways:
        how, work_size = ways.pop(0)
        view = views.of(work_size)
        if how in ("behind net", "half"):
            found += _search_behind_net(view, luma, near, prior, half=how == "half")
        else:
            found += _search(view, luma, near, prior, tried, glare=how == "glare")
        if any(_is_clear(f) for f in found):
            break
    clear = [f for f in found if _is_clear(f)]
    if not clear:
        found += measure_doubled(luma, found, prior)
    if near is None and all(may_be_another(f.corners, size) for f in clear):
        for work_size in WORK_SIZES:
            view = views.of(work_size)
            nearer = []
            if ("glare", work_size) in ways:
                nearer += _search_nearer(view, luma, clear, prior, tried)
            if not nearer and ("behind net", work_size) in ways:
                nearer += _search_behind_net(view, luma, near, prior)
            found += nearer
            if any(prefers(f, clear, size) for f in nearer):
                break
    usable = [f for f in found if not net_contradicts(f.net)]
    if not usable:
        if found:
            worst = max(found, key=lambda f: f.merit)
            raise CalibrationError(_net_sentence(worst.net))
        raise CalibrationError(
            "no table was found: its four white edge lines must be in view, at least in part; "
            "mark the corners by hand or film the table from a little higher"
        )
    # lines of a floor may lie as a table's do, but have no net above them
    usable = [f for f in usable if f.confirmed] or usable
    best = max(f.standing for f in usable)
    strong = [f for f in usable if f.standing >= 0.75 * best]
    chosen = max(strong, key=lambda f: preference(f.standing, f.corners, size))
    return _finish(chosen, prior)


def _search(
    view: _Reduced,
    luma: np.ndarray,
    near: tuple[float, float] | None,
    prior: LensPrior,
    tried: list[np.ndarray],
    *,
    glare: bool,
) -> list[Found]:
    """Tables found in a reduced picture, measured at full size.

    Candidates as in `tried` are left out; those that are measured are added to it.
    """
    candidates = find_candidates(view.picture, lines=view.lines, glare=glare)
    if near is not None:
        candidates = towards(candidates, near, view.factor)
    else:
        candidates = sorted(candidates, key=lambda c: -promise(c, view.picture.shape))
    return _measure_all(luma, candidates, view.factor, prior, tried)


def _measure_all(
    luma: np.ndarray,
    candidates: list[Candidate],
    factor: float,
    prior: LensPrior,
    tried: list[np.ndarray],
) -> list[Found]:
    """Measure candidates in their order, until one is clearly a table."""
    found = []
    size = (luma.shape[1], luma.shape[0])
    new = (c for c in candidates if _is_new((c.corners + 0.5) / factor - 0.5, tried))
    starts = (_start_of(candidate, factor, size, prior) for candidate in new)
    level = (start for start in starts if start is not None)
    for start, off in islice(level, MOST_MEASURED):
        reach = 3.0 + 2.5 / factor
        for wider in (0.0, off):  # as far as the start is off only where there is no line nearer
            measured = measure_table(luma, start, prior, (reach + wider, 2.5, 1.0), given=False)
            if measured is not None and _lacks_line(measured):
                measured = (
                    _with_lost_line(luma, start, prior, reach)
                    or _by_centre_line(luma, measured, prior, reach)
                    or measured
                )
            if measured is not None:
                found.append(measured)
                if _is_clear(measured):
                    return found
    return found


def _search_nearer(
    view: _Reduced,
    luma: np.ndarray,
    found: list[Found],
    prior: LensPrior,
    tried: list[np.ndarray],
) -> list[Found]:
    """A table that mirrors and promises far more than those found: they may be others of the hall.

    Nothing where there is none.
    """
    shape = view.picture.shape
    corners = np.array([(f.corners + 0.5) * view.factor - 0.5 for f in found])
    scores, supports = score_quads(view.picture, corners, glare=True)
    known = [
        Candidate(corners=c, score=float(q), support=s)
        for c, q, s in zip(corners, scores, supports, strict=True)
    ]
    enough = MORE_PROMISE * max(promise(c, shape) for c in known)
    others = [
        c
        for c in find_candidates(view.picture, lines=view.lines, glare=True)
        if promise(c, shape) > enough and is_elsewhere(c.corners, known)
    ]
    measured = _measure_all(luma, others, view.factor, prior, tried)
    return [f for f in measured if _is_clear(f)]


def _lacks_line(found: Found) -> bool:
    """Whether one line of a table that else is one was not seen at all."""
    support = np.sort(found.evidence.support)
    return bool(support[0] < NO_LINE and support[1] > SEEN_LINE)


def _with_lost_line(
    luma: np.ndarray, start: Camera, prior: LensPrior, reach: float
) -> Found | None:
    """Measured from the same start, looking farther: the underside may have passed for an edge.

    None where no line is found there either, or one that the net contradicts: a player may hide it.
    """
    far = (reach + LOST_LINE_PX, 2.5, 1.0)
    measured = measure_table(luma, start, prior, far, given=False)
    if measured is None or measured.evidence.support.min() < FOUND_LINE:
        return None
    return measured if net_agrees(measured.net) else None


def _by_centre_line(
    luma: np.ndarray, measured: Found, prior: LensPrior, reach: float
) -> Found | None:
    """Measured with the centre line in the place of a side that was not seen.

    None where an end is what was not seen, or the centre line is not seen either.
    """
    if int(np.argmin(measured.evidence.support)) not in SIDES:
        return None
    return measure_half(luma, measured.fit.camera, prior, (reach, 2.5, 1.0))


def _search_behind_net(
    view: _Reduced,
    luma: np.ndarray,
    near: tuple[float, float] | None,
    prior: LensPrior,
    *,
    half: bool = False,
) -> list[Found]:
    """Tables whose far end's line the net hides, measured at full size.

    With `half` those one side of which a player hides.
    """
    measure = measure_half if half else measure_behind_net
    factor, size = view.factor, (luma.shape[1], luma.shape[0])
    found = []
    for placed in find_behind_net(view.lines, view.picture.shape[1::-1], half=half):
        corners = order_ends((placed.corners + 0.5) / factor - 0.5, size[1])
        if near is not None and outside(corners, near):
            continue
        lens = replace(prior, focal_px=placed.focal * max(size), sd=HELD_FOCAL_SD)
        try:
            start = start_camera(corners, size, lens, sd_px=2 / factor)
        except (ValueError, np.linalg.LinAlgError):
            continue
        reach = (3.0 + 2.5 / factor, 2.5, 1.0)
        measured = measure(luma, start, prior, reach)
        if measured is not None:
            found.append(measured)
    return found


def refine_corners(
    image: np.ndarray,
    corners_px: np.ndarray,
    *,
    fov_deg: float | None = None,
    lens: LensPrior | None = None,
    reach_px: float = GIVEN_REACH_PX,
) -> Calibration:
    """Measure the white lines near four given corners; the ends stay as they are given.

    Parameters
    ----------
    image : ndarray, shape (height, width, 3) or (height, width)
        uint8, BGR or grey.
    corners_px : array_like, shape (4, 2)
        In the order of `calibration.table.CORNERS`, good to `reach_px`.
    fov_deg : float, optional
        Horizontal field of view, degrees.
    lens : LensPrior, optional
        See `detect_table`.
    reach_px : float
        How far from their places the lines are looked for.

    Raises
    ------
    CalibrationError
        See `check_corners`; also when no white lines are found there or the net contradicts them.
    """
    luma = _checked_luma(image)
    size = (luma.shape[1], luma.shape[0])
    corners = check_corners(corners_px, size)
    prior = lens or lens_prior(size, fov_deg)
    start = start_camera(corners, size, prior)
    measured = measure_table(luma, start, prior, (reach_px, 3.0, 1.0), given=True)
    if measured is None:
        raise CalibrationError(
            "no white lines were found near the given corners; mark the outer corners of the white "
            "lines in the order (-x,-y), (+x,-y), (+x,+y), (-x,+y), or ask for no refinement"
        )
    if net_contradicts(measured.net):
        raise CalibrationError(_net_sentence(measured.net))
    return _finish(measured, prior)


def _finish(found: Found, prior: LensPrior) -> Calibration:
    warnings = []
    for k, name in enumerate(("-y side line", "+x end line", "+y side line", "-x end line")):
        share = found.evidence.support[k]
        if share >= 0.25 or (found.behind_net and k in (1, 3)):
            continue
        if found.half and k in (0, 2):
            warnings.append(
                f"A player hides the {name}; the centre line stands in its place, so that its "
                "corners are less sure."
            )
        else:
            warnings.append(
                f"Only {100 * share:.0f} % of the {name} was seen; its corners are less sure."
            )
    if found.behind_net:
        warnings.append(
            "The net or a player hides the far end's line, and the net's tape stands in its place, "
            "so it cannot check the corners; film from a little higher."
        )
    elif found.half:
        warnings.append("The net's tape helped to place the corners, so it cannot check them.")
    elif not np.isfinite(found.net.residual_px) or found.net.seen < 0.25:
        warnings.append("The net's tape was not clearly seen, so it could not check the corners.")
    return assemble(
        found.fit,
        residual_px=found.evidence.residual_px,
        evidence="edges",
        prior=prior,
        net=found.net,
        warnings=tuple(warnings),
    )


def _start_of(
    candidate: Candidate, factor: float, size: tuple[int, int], prior: LensPrior
) -> tuple[Camera, float] | None:
    """The camera that a candidate asks for, and how far its corners lie from the candidate's, px.

    None where no stand holds a camera so.
    """
    corners = order_ends((candidate.corners + 0.5) / factor - 0.5, size[1])
    try:
        start = start_camera(corners, size, prior, sd_px=2 / factor)
    except (ValueError, np.linalg.LinAlgError):
        return None
    if roll_deg(start) > ROUGH_ROLL_DEG:
        return None
    # a lens that is not the usual one is told by the lines better than by a reduced picture
    off = float(np.abs(start.project(CORNERS) - corners).max())
    return start, min(off, MOST_OFF_PX)


def _is_new(corners: np.ndarray, tried: list[np.ndarray]) -> bool:
    """Whether corners differ from all tried before, to which they are added."""
    if any(np.abs(corners - other).max() < SAME_PX for other in tried):
        return False
    tried.append(corners)
    return True


def _is_clear(found: Found) -> bool:
    enough = CLEAR_MERIT - (1.0 if found.behind_net else 0.0)  # a line less is seen
    lines = np.delete(found.evidence.support, far_end(found.fit.camera) if found.behind_net else [])
    if lines.min() < CLEAR_LINE:
        enough += WITHOUT_LINE
    sees_centre = found.net.centre_line_px < CENTRE_PX  # it is on every table, and in no other
    return bool(found.merit > enough and sees_centre and not net_contradicts(found.net))


def _net_sentence(net: NetCheck) -> str:
    return (
        f"the net is {net.residual_mm:.0f} mm ({net.residual_px:.0f} px) from where the corners "
        "put it, so they are not this table's corners; mark them by hand and check their order"
    )


def _checked_luma(image: np.ndarray) -> np.ndarray:
    image = np.asarray(image)
    if image.dtype != np.uint8 or image.ndim not in (2, 3) or image.shape[2:] not in ((), (3,)):
        raise CalibrationError(
            f"a still must be uint8 of shape (height, width) or (height, width, 3), got "
            f"{image.dtype} of shape {image.shape}"
        )
    if min(image.shape[:2]) < SMALLEST_PICTURE:
        raise CalibrationError(
            f"the picture of {image.shape[1]} x {image.shape[0]} px is too small to find a table in"
        )
    return image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
