"""A small picture to draw on, in the units of what is drawn.

Pictures that every analysis writes are drawn here and not through a plotting library: loading and
drawing one takes longer than analysing a short clip. Colours are (blue, green, red), 0 to 255, as
OpenCV keeps pictures; lines are anti-aliased and placed to a sixteenth of a pixel.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

Colour = tuple[int, int, int]

INK: Colour = (60, 48, 34)
SOFT: Colour = (132, 120, 107)
RIM: Colour = (191, 182, 170)
SURFACE: Colour = (234, 229, 220)
WHITE: Colour = (255, 255, 255)
MARK: Colour = (139, 95, 31)
WARM: Colour = (28, 84, 181)

_SHIFT = 4  # binary places of a pixel in OpenCV's drawing functions
_ONE = 1 << _SHIFT
_FAR = 30_000.0  # px: beyond this OpenCV's fixed-point numbers overflow
_FONT: list[cv2.FontFace] = []
#: Signs that the built-in font lacks, and what is written in their place.
_STAND_INS = str.maketrans({"−": "-", "≤": "<=", "≥": ">=", "²": "2"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Where a stretch of the plane lies in a picture: pixel = origin + scale * (x, -y).

    Attributes
    ----------
    origin : tuple of float
        Pixel of the point (0, 0).
    scale : float
        Pixels per unit.
    """

    origin: tuple[float, float]
    scale: float

    def __call__(self, points: np.ndarray) -> np.ndarray:
        """Pixels of points (N, 2); y points up."""
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        return np.asarray(self.origin) + self.scale * points * (1.0, -1.0)


class Canvas:
    """A picture under construction; every method draws at pixels.

    Parameters
    ----------
    width, height : int
        px.
    ground : tuple of int
        Colour it starts with.
    """

    def __init__(self, width: int, height: int, ground: Colour = WHITE) -> None:
        self.image = np.full((height, width, 3), ground, dtype=np.uint8)

    @classmethod
    def over(cls, picture: np.ndarray) -> Canvas:
        """A canvas that starts as a copy of a picture (H, W, 3), BGR."""
        canvas = cls.__new__(cls)
        canvas.image = np.ascontiguousarray(picture).copy()
        return canvas

    @property
    def size(self) -> tuple[int, int]:
        """Width and height, px."""
        return self.image.shape[1], self.image.shape[0]

    def line(
        self, points: np.ndarray, colour: Colour, thickness: int = 1, *, closed: bool = False
    ) -> None:
        """Draw a line through points (N, 2); it breaks where a point is NaN or far outside."""
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        good = (np.abs(points) < _FAR).all(axis=1)  # NaN is not less either
        if good.all():
            pieces = [points]
        else:
            closed = False
            cuts = np.flatnonzero(np.diff(good.astype(int))) + 1
            pieces = [p for p, g in zip(np.split(points, cuts), np.split(good, cuts), strict=True)
                      if g[0]]  # fmt: skip
        self._lines([piece for piece in pieces if len(piece) > 1], colour, thickness, closed)

    def dashes(
        self, points: np.ndarray, colour: Colour, thickness: int = 1, *, dash: float = 6.0,
        gap: float = 4.0,
    ) -> None:  # fmt: skip
        """Draw a dashed line through points (N, 2); dash and gap in px."""
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        points = points[(np.abs(points) < _FAR).all(axis=1)]
        if len(points) < 2:
            return
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
        starts = np.arange(0.0, along[-1], dash + gap)
        at = starts[:, None] + np.linspace(0.0, dash, 3)
        pieces = np.stack([np.interp(at, along, points[:, k]) for k in (0, 1)], axis=-1)
        self._lines(list(pieces), colour, thickness, False)

    def fill(self, points: np.ndarray, colour: Colour, alpha: float = 1.0) -> None:
        """Fill the polygon through points (N, 2)."""
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        if len(points) < 3 or not (np.isfinite(points) & (np.abs(points) < _FAR)).all():
            return
        width, height = self.size
        low = np.clip(np.floor(points.min(axis=0)).astype(int) - 1, 0, (width, height))
        high = np.clip(np.ceil(points.max(axis=0)).astype(int) + 2, 0, (width, height))
        if (high <= low).any():
            return
        region = self.image[low[1] : high[1], low[0] : high[0]]
        drawn = region.copy()
        cv2.fillPoly(drawn, [_fixed(points - low)], colour, cv2.LINE_AA, _SHIFT)
        region[:] = drawn if alpha >= 1 else cv2.addWeighted(drawn, alpha, region, 1 - alpha, 0)

    def ring(self, place: np.ndarray, radius: float, colour: Colour, thickness: int = 1) -> None:
        """Draw a circle about a place (2,); a thickness of -1 fills it."""
        place = np.asarray(place, dtype=float).ravel()
        if np.isfinite(place).all() and (np.abs(place) < _FAR).all():
            u, v = _fixed(place[None])[0, 0].tolist()
            cv2.circle(
                self.image, (u, v), round(radius * _ONE), colour, thickness, cv2.LINE_AA, _SHIFT
            )

    def text(
        self, place: tuple[float, float], words: str, *, size: int = 15, colour: Colour = INK,
        weight: int = 400, align: str = "left", halo: Colour | None = None,
    ) -> float:  # fmt: skip
        """Write one line of words whose base line starts, is centred or ends at a place.

        Returns
        -------
        float
            Its width, px.
        """
        words = words.translate(_STAND_INS)
        width = text_width(words, size=size, weight=weight)
        u = place[0] - {"left": 0.0, "centre": width / 2, "right": width}[align]
        org = (round(u), round(place[1]))
        far = (0, 10 * self.size[0])  # no wrapping: a line too long is cut by the edge
        if halo is not None:
            for du, dv in ((-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (1, 1), (-1, 1), (1, -1)):
                cv2.putText(
                    self.image, words, (org[0] + du, org[1] + dv), halo, _font(), size, weight,
                    cv2.PUT_TEXT_ALIGN_LEFT, far,
                )  # fmt: skip
        cv2.putText(
            self.image, words, org, colour, _font(), size, weight, cv2.PUT_TEXT_ALIGN_LEFT, far
        )
        return width

    def paste(self, picture: np.ndarray, left: int, top: int) -> None:
        """Lay a picture (H, W) or (H, W, 3) with its upper left corner at a pixel; cut at edges."""
        width, height = self.size
        if picture.ndim == 2:
            picture = cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR)
        h, w = picture.shape[:2]
        u0, v0, u1, v1 = max(left, 0), max(top, 0), min(left + w, width), min(top + h, height)
        if u1 > u0 and v1 > v0:
            self.image[v0:v1, u0:u1] = picture[v0 - top : v1 - top, u0 - left : u1 - left]

    def _lines(
        self, pieces: list[np.ndarray], colour: Colour, thickness: int, closed: bool
    ) -> None:
        if pieces:
            fixed = [_fixed(piece) for piece in pieces]
            cv2.polylines(self.image, fixed, closed, colour, thickness, cv2.LINE_AA, _SHIFT)


def encode_png(picture: np.ndarray, *, photo: bool = False) -> bytes:
    """A picture (H, W) or (H, W, 3) as PNG; quick rather than smallest.

    Parameters
    ----------
    picture : ndarray of uint8
    photo : bool
        Whether it is one, and not a drawing: they pack best in different ways.
    """
    how = cv2.IMWRITE_PNG_FILTER_SUB if photo else cv2.IMWRITE_PNG_FILTER_NONE
    done, data = cv2.imencode(
        ".png", picture, [cv2.IMWRITE_PNG_COMPRESSION, 1, cv2.IMWRITE_PNG_FILTER, how]
    )
    if not done:
        raise ValueError(f"a picture of shape {picture.shape} cannot be written as PNG")
    return data.tobytes()


def text_width(words: str, *, size: int = 15, weight: int = 400) -> float:
    """Width of one line of words, px."""
    if not words:
        return 0.0
    box = cv2.getTextSize(
        (100_000, 1000), words.translate(_STAND_INS), (0, 500), _font(), size, weight,
        cv2.PUT_TEXT_ALIGN_LEFT, (0, 100_000),
    )  # fmt: skip
    return float(box[2])


def ellipse_points(
    centre: np.ndarray, covariance: np.ndarray, factor: float = 5.991464547107979
) -> np.ndarray:
    """Outline of the ellipse that holds a normal point with 95 % by default, shape (48, 2)."""
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    values, vectors = np.linalg.eigh(np.asarray(covariance, dtype=float))
    half_axes = vectors * np.sqrt(np.maximum(values, 0.0) * factor)
    return np.asarray(centre) + np.column_stack([np.cos(angle), np.sin(angle)]) @ half_axes.T


def paper_scale() -> np.ndarray:
    """The colours of the density maps: the table's pale tint to a deep ink, (256, 3), BGR, uint8.

    A straight line in CIELAB, so that lightness falls evenly in a grey print.
    """
    pale, deep = np.array([90.3, -2.3, -3.8]), np.array([17.0, 8.0, -31.0])
    steps = np.linspace(0, 1, 256)[:, None]
    lab = (pale + steps * (deep - pale)).astype(np.float32)[None]
    return np.asarray(np.round(cv2.cvtColor(lab, cv2.COLOR_Lab2BGR)[0] * 255), dtype=np.uint8)


def _fixed(points: np.ndarray) -> np.ndarray:
    return np.round(points * _ONE).astype(np.int32).reshape(-1, 1, 2)


def _font() -> cv2.FontFace:
    if not _FONT:
        _FONT.append(cv2.FontFace("sans"))
    return _FONT[0]
