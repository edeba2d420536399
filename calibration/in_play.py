"""Which of the tables in a picture is the one in play: well seen, large, central and whole."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from calibration.measured import Found
from calibration.search import Candidate

# of the picture's width and height: a table that spans less, or lies farther from the middle or
# higher above it, may be another of the hall
SMALL, ASIDE, ABOVE = 0.40, 0.25, 0.12


def promise(candidate: Candidate, shape: tuple[int, ...]) -> float:
    """Good, large, central and whole first: the table in play is the one that is filmed.

    Parameters
    ----------
    candidate : Candidate
    shape : tuple of int
        Of the picture that its corners are in: height and width, px.
    """
    size = (shape[1], shape[0])
    return (
        preference(candidate.score, candidate.corners, size)
        * _share_in(candidate.corners, size) ** 2
    )


def preference(merit: float, corners: np.ndarray, size: tuple[int, int]) -> float:
    """The higher, the rather a table is the one in play: well seen, large and central.

    Parameters
    ----------
    merit : float
        How well it is seen.
    corners : ndarray, shape (4, 2)
        px.
    size : (int, int)
        The picture's width and height, px.
    """
    off = _off_middle(corners, size)
    return float(merit**4 * np.sqrt(_area(corners)) * np.exp(-((off / 0.35) ** 2) / 2))


def prefers(found: Found, others: Sequence[Found], size: tuple[int, int]) -> bool:
    """Whether a table is another than these, and rather the one in play.

    Parameters
    ----------
    found : Found
    others : sequence of Found
        In the same picture.
    size : (int, int)
        The picture's width and height, px.
    """
    mine, *theirs = (preference(f.merit, f.corners, size) for f in (found, *others))
    return mine > max(theirs) and is_elsewhere(found.corners, others)


def may_be_another(corners: np.ndarray, size: tuple[int, int]) -> bool:
    """Whether a table is so small, aside or high in the picture as others of the hall are.

    Parameters
    ----------
    corners : ndarray, shape (4, 2)
        px.
    size : (int, int)
        The picture's width and height, px.
    """
    return bool(
        np.ptp(corners[:, 0]) < SMALL * size[0]
        or _off_middle(corners, size) > ASIDE
        or corners[:, 1].mean() / size[1] < 0.5 - ABOVE
    )


def is_elsewhere(corners: np.ndarray, known: Sequence[Found | Candidate]) -> bool:
    """Whether the middle of each known table lies outside this one, and this one's outside it.

    Parameters
    ----------
    corners : ndarray, shape (4, 2)
        px.
    known : sequence
        Tables in the same picture.
    """
    return all(
        outside(one, tuple(other.mean(axis=0)))
        for k in known
        for one, other in ((corners, k.corners), (k.corners, corners))
    )


def towards(
    candidates: list[Candidate], near: tuple[float, float], factor: float
) -> list[Candidate]:
    """Those that hold the pixel, else the one whose border is nearest to it.

    Parameters
    ----------
    candidates : list of Candidate
    near : tuple of float
        The pixel (u, v), of the full picture.
    factor : float
        From that to the candidates' picture.
    """
    at = (np.asarray(near, dtype=float) + 0.5) * factor - 0.5
    distance = [
        cv2.pointPolygonTest(c.corners.astype(np.float32), (float(at[0]), float(at[1])), True)
        for c in candidates
    ]
    inside = [c for c, d in zip(candidates, distance, strict=True) if d >= -3]
    if inside or not candidates:
        return inside
    return [candidates[int(np.argmax(distance))]]


def outside(corners: np.ndarray, pixel: tuple[float, float]) -> bool:
    """Whether a pixel lies outside a quadrilateral.

    Parameters
    ----------
    corners : ndarray, shape (4, 2)
    pixel : tuple of float
    """
    return cv2.pointPolygonTest(corners.astype(np.float32), pixel, False) < 0


def _off_middle(corners: np.ndarray, size: tuple[int, int]) -> float:
    """How far a table's middle lies from the picture's, which is one wide and one high."""
    return float(np.hypot(*(corners.mean(axis=0) / np.array(size) - 0.5)))


def _area(corners: np.ndarray) -> float:
    nxt = np.roll(corners, -1, axis=0)
    return 0.5 * abs(float((corners[:, 0] * nxt[:, 1] - corners[:, 1] * nxt[:, 0]).sum()))


def _share_in(corners: np.ndarray, size: tuple[int, int]) -> float:
    """Share of a quadrilateral that lies in the picture."""
    frame = np.array([[0, 0], [size[0], 0], size, [0, size[1]]], dtype=np.float32)
    inside, _ = cv2.intersectConvexConvex(corners.astype(np.float32), frame)
    return float(inside) / max(_area(corners), 1.0)
