"""Did the stand move? When, and where is the table after it.

Small patches of the still's strongest corners are compared with every new frame by one
least-squares step each (Lucas and Kanade, "An iterative image registration technique", IJCAI 1981).
People hide some of them; a bump moves nearly all. While the picture moves, frames are compared with
the one before, until it stands still; then the table is found anew. Times are seconds, shifts px of
the full frame.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np

from calibration.camera_fit import same_lens
from calibration.corners import detect_table, refine_corners
from calibration.result import Calibration, CalibrationError
from calibration.stills import median_still

BUMPED_PX = 30.0  # that a bump moves the table's lines, where they are looked for
PATCH = 25  # px, side of a patch
CELLS = (10, 6)  # one patch at most in each cell of the frame
MOVED_PX = 0.6  # median shift that counts as moved
TREMBLE_PX = 4.0  # median shift up to which a picture that moves may only tremble
STILL_PX = 0.35  # median shift between frames that counts as standing
# of the patches that no longer look alike: moved too far to follow. People may hide all but a few,
# which then stay in their places; where the stand moved, the few that look alike are elsewhere
LOST_SHARE = 0.96
ALIKE = 0.6  # correlation below which a patch is not the same place
DOUBTED_SHARE = 0.7  # lost, from which on the few that stayed do not tell alone that it came back
BLURRED_SHARE = 0.12  # more patches lost than usual: the picture still moves in this frame
SETTLED = 4  # frames in a row that must stand still
WANTED = 12  # frames of the new still, so that people leave its median
_SURE = 3.0  # standard deviations by which corners in one place may differ
TREMBLING = 8  # frames near the place, but moving, with which a stand is said to tremble


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandEvent:
    """The stand moved.

    Attributes
    ----------
    start, end : float
        s; the last frame before and the first frame after that stand still. Frames in between
        are not to be used.
    shift_px : float
        Median shift of the picture; NaN when it was too large to follow.
    calibration : Calibration or None
        After the motion; the one before it when the picture came back to its place; None when the
        table was not found again.
    message : str
        One sentence for the report.
    """

    start: float
    end: float
    shift_px: float
    calibration: Calibration | None
    message: str


class StandWatch:
    """Watch successive frames of one clip for a stand that moves.

    Parameters
    ----------
    calibration : Calibration
        Of the still.
    still : ndarray, shape (height, width)
        uint8 luma of the full frame, people removed, that belongs to `calibration`.
    find : callable, optional
        From a luma still and the last calibration to a new one; `detect_table` as a rule.
    """

    def __init__(
        self,
        calibration: Calibration,
        still: np.ndarray,
        *,
        find: Callable[[np.ndarray, Calibration], Calibration] | None = None,
    ) -> None:
        self.calibration: Calibration | None = calibration
        self._find = find or _find
        self._last_known = calibration
        self._reference = _Patches(still)
        self._moving_since: float | None = None
        self._last_good: float | None = None
        self._before: _Patches | None = None
        self._settled: list[tuple[float, np.ndarray]] = []
        self._near = 0
        self._farthest = 0.0

    @property
    def moving(self) -> bool:
        """True while frames are not to be used."""
        return self._moving_since is not None

    @property
    def trembling(self) -> float | None:
        """How far the picture moved, px, if it keeps near its place but not still; else None."""
        return self._farthest if self._near >= TREMBLING else None

    def add(self, time: float, luma: np.ndarray) -> StandEvent | None:
        """Look at one more frame.

        Parameters
        ----------
        time : float
            s, later than the frame before.
        luma : ndarray, shape (height, width)
            uint8, full frame.

        Returns
        -------
        StandEvent or None
            An event when a motion has ended, told once the new still is free of people, some frames
            after its `end`.
        """
        if self._moving_since is None:
            shift, lost = self._reference.compare(luma)
            if lost < LOST_SHARE and shift < MOVED_PX:
                self._last_good = time
                return None
            self._moving_since = time if self._last_good is None else self._last_good
            self._note_trembling(shift, lost)
            self._before = _Patches(luma)
            self._settled = [(time, luma)]
            return None
        assert self._before is not None
        shift, lost = self._before.compare(luma)
        if lost < LOST_SHARE and shift < STILL_PX:
            self._settled.append((time, luma))
            return self._stand_again() if len(self._settled) == WANTED else None
        self._note_trembling(*self._reference.compare(luma))
        event = None
        if len(self._settled) >= SETTLED:  # it stood, and moves again
            event = self._stand_again()
            self._moving_since = self._last_good
        self._before = _Patches(luma)
        self._settled = [(time, luma)]
        return event

    def finish(self, time: float) -> StandEvent | None:
        """Close the watch at the clip's end: an event if the picture was still moving."""
        if self._moving_since is None:
            return None
        if len(self._settled) >= 2:
            return self._stand_again()
        start, self._moving_since = self._moving_since, None
        return StandEvent(
            start=start,
            end=time,
            shift_px=float("nan"),
            calibration=None,
            message=f"The stand moved at {start:.1f} s and did not come to rest before the end.",
        )

    def _note_trembling(self, shift: float, lost: float) -> None:
        """Count a frame that moved, if it is near its place; begin anew with one that is not."""
        near = lost < LOST_SHARE and shift < TREMBLE_PX
        self._near = self._near + 1 if near else 0
        self._farthest = max(self._farthest, shift) if near else 0.0

    def _stand_again(self) -> StandEvent:
        assert self._moving_since is not None
        start, stood = self._moving_since, self._last_good is not None
        still = median_still([luma for _, luma in self._settled])
        stands = _Patches(still)
        end = self._settled[_first_standing(stands, [luma for _, luma in self._settled])][0]
        shift, lost = self._reference.compare(still)
        seen = float("nan") if lost >= LOST_SHARE else shift
        self._moving_since = None
        self._last_good = self._settled[-1][0]
        self._settled = []
        came_back = seen < MOVED_PX and self.calibration is not None
        found: Calibration | None = None
        error: CalibrationError | None = None
        if not came_back or lost > DOUBTED_SHARE:
            try:
                found = self._find(still, self._last_known)
            except CalibrationError as e:
                error = e
        if came_back and (found is None or _in_place(found, self._last_known)):
            return StandEvent(
                start=start,
                end=end,
                shift_px=seen,
                calibration=self.calibration,
                message=(
                    f"The picture shook from {start:.1f} to {end:.1f} s and came back."
                    if stood
                    else f"The phone came to rest at {end:.1f} s; the film before was not used."
                ),
            )
        self._reference = stands
        if found is None:
            self.calibration = None
            message = (
                f"The stand moved between {start:.1f} and {end:.1f} s and the table was not found "
                f"again: {error}."
            )
        else:
            self.calibration = self._last_known = _same_ends(found, self._last_known)
            message = (
                f"The stand moved between {start:.1f} and {end:.1f} s; the table was found again "
                "and frames in between were not used."
            )
        return StandEvent(
            start=start, end=end, shift_px=seen, calibration=self.calibration, message=message
        )


def _first_standing(patches: _Patches, frames: list[np.ndarray]) -> int:
    """Index of the first frame that shows the patches in their places, as sharply as the others."""
    shifts, lost = np.array([patches.compare(luma) for luma in frames]).T
    standing = (shifts < MOVED_PX) & (lost <= np.median(lost) + BLURRED_SHARE)
    return int(np.argmax(standing))


def _find(still: np.ndarray, before: Calibration) -> Calibration:
    """The table again, by the same lens; the one nearest to the old place if there are several."""
    middle = before.corners_px.mean(axis=0)
    lens = same_lens(before)
    try:
        found = detect_table(still, near=(float(middle[0]), float(middle[1])), lens=lens)
    except CalibrationError:
        # without its colours it is not always found, but most bumps leave it near its place
        found = refine_corners(still, before.corners_px, lens=lens, reach_px=BUMPED_PX)
    return replace(found, focal_source=before.focal_source)


def _in_place(found: Calibration, before: Calibration) -> bool:
    """Whether a table found again is where it was, as far as that is known."""
    off = np.abs(_same_ends(found, before).corners_px - before.corners_px)
    variance = np.diag(found.corners_covariance + before.corners_covariance).reshape(4, 2)
    return bool((off < MOVED_PX + _SURE * np.sqrt(variance)).all())


def _same_ends(found: Calibration, before: Calibration) -> Calibration:
    """Keep each end's name through the motion: turn the table round if the ends were swapped."""
    straight = np.abs(found.corners_px - before.corners_px).sum()
    turned = np.abs(np.roll(found.corners_px, 2, axis=0) - before.corners_px).sum()
    return found.turned() if turned < straight else found


class _Patches:
    """Patches of one picture, ready to be compared with others."""

    def __init__(self, luma: np.ndarray) -> None:
        self.corner = _strong_places(luma)
        rows = np.arange(-1, PATCH + 1)
        self._rows = rows
        wide = self._cut(luma, rows)
        inner = wide[:, 1:-1, 1:-1]
        gx = (wide[:, 1:-1, 2:] - wide[:, 1:-1, :-2]) / 2
        gy = (wide[:, 2:, 1:-1] - wide[:, :-2, 1:-1]) / 2
        self._mean = inner.mean(axis=(1, 2), keepdims=True)
        self._inner = inner - self._mean
        self._norm = np.maximum(np.sqrt((self._inner**2).sum(axis=(1, 2))), 1e-6)
        # brightness and contrast may change: their parts are taken out of the gradients
        flat = self._inner / self._norm[:, None, None]
        basis = []
        for g in (gx, gy):
            g = g - g.mean(axis=(1, 2), keepdims=True)
            basis.append(g - (g * flat).sum(axis=(1, 2), keepdims=True) * flat)
        self._g = np.stack(basis, axis=1)
        normal = np.einsum("nihw,njhw->nij", self._g, self._g) + 1e-3 * np.eye(2)
        self._solve = np.linalg.inv(normal)

    def compare(self, luma: np.ndarray) -> tuple[float, float]:
        """Median shift, px, of the patches that are alike, and the share that are not."""
        if not len(self.corner):
            return 0.0, 0.0
        now = self._cut(luma, self._rows[1:-1])
        now = now - now.mean(axis=(1, 2), keepdims=True)
        norm = np.maximum(np.sqrt((now**2).sum(axis=(1, 2))), 1e-6)
        product = (now * self._inner).sum(axis=(1, 2))
        alike = product / (norm * self._norm) > ALIKE
        gain = product / self._norm**2
        difference = now / np.maximum(gain, 0.2)[:, None, None] - self._inner
        right = np.einsum("nihw,nhw->ni", self._g, difference)
        shift = -np.einsum("nij,nj->ni", self._solve, right)
        lost = 1.0 - float(alike.mean())
        if not alike.any():
            return float("inf"), lost
        middle = np.median(shift[alike], axis=0)
        size = np.hypot(*shift[alike].T)
        # a turn about the view moves patches apart with no common shift: their sizes tell
        return float(max(np.hypot(*middle), 0.8 * np.median(size))), lost

    def _cut(self, luma: np.ndarray, rows: np.ndarray) -> np.ndarray:
        v = self.corner[:, 1][:, None, None] + rows[None, :, None]
        u = self.corner[:, 0][:, None, None] + rows[None, None, :]
        return luma[v, u].astype(np.float32)


def _strong_places(luma: np.ndarray) -> np.ndarray:
    """Upper left corners (N, 2) of patches: the strongest corner of each cell of the frame."""
    height, width = luma.shape[:2]
    half = max(1, round(max(height, width) / 960))
    small = cv2.resize(luma, (width // half, height // half), interpolation=cv2.INTER_AREA)
    strength = cv2.cornerMinEigenVal(cv2.GaussianBlur(small, (0, 0), 1.0), 5)
    margin = PATCH // half + 2
    if min(small.shape) <= 2 * margin + max(CELLS):
        return np.empty((0, 2), dtype=int)
    places, strengths = [], []
    columns = np.linspace(margin, small.shape[1] - margin, CELLS[0] + 1).astype(int)
    lines = np.linspace(margin, small.shape[0] - margin, CELLS[1] + 1).astype(int)
    for u0, u1 in pairwise(columns):
        for v0, v1 in pairwise(lines):
            cell = strength[v0:v1, u0:u1]
            v, u = np.unravel_index(int(np.argmax(cell)), cell.shape)
            places.append(((u0 + u) * half - PATCH // 2, (v0 + v) * half - PATCH // 2))
            strengths.append(cell[v, u])
    order = np.argsort(strengths)[::-1][: 2 * len(places) // 3]
    return np.array(places, dtype=int)[order]
