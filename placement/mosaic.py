"""The parts of frames that are kept: small squares, each copied once, put together on demand.

Around every candidate of a frame five pictures are wanted, from long before it to long after. They
overlap: candidates crowd on moving people, and each frame is wanted for candidates of five. Few of
them are ever looked at. So a frame is divided into squares, those that a picture needs are copied
when it is first asked for, and a picture is put together when somebody looks at it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np

from placement.video import Frame

_CELL = 16  # px, side of a square; even, as the red plane is half as fine
_BITS = 16  # of a square's number within its batch; the batch is counted above them


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cuttings:
    """What was newly copied for one frame's candidates.

    Attributes
    ----------
    frames : tuple of int
        Indices of the frames that the pictures are from, in order.
    side : int
        Of a picture, px.
    size : (int, int)
        Columns and rows of squares in a frame.
    counts : tuple of int
        How many squares are new from each frame.
    cells : ndarray of int32, shape (N,)
        Which squares, counted along rows; frame by frame.
    luma : ndarray of uint8, shape (N, S, S)
    red : ndarray of uint8, shape (N, S / 2, S / 2)
        The red difference.
    """

    frames: tuple[int, ...]
    side: int
    size: tuple[int, int]
    counts: tuple[int, ...]
    cells: np.ndarray
    luma: np.ndarray
    red: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class _Begun:
    """A frame still at hand: which squares were copied, and all of them as they lie in it."""

    copied: np.ndarray
    luma: np.ndarray
    red: np.ndarray


class Cutter:
    """Copies squares of the frames that are still at hand, none of them twice.

    Parameters
    ----------
    side : int
        Of a picture, px.
    width, height : int
        Of the upright frame, px.
    """

    def __init__(self, side: int, width: int, height: int) -> None:
        self._side = side
        self._size = (-(-width // _CELL), -(-height // _CELL))
        columns, rows = self._size
        # where the last column and row of squares would reach out of the frame, they begin earlier
        self._starts = (
            np.minimum(_CELL * np.arange(columns), width - _CELL) // 2 * 2,
            np.minimum(_CELL * np.arange(rows), height - _CELL) // 2 * 2,
        )
        self._begun: dict[int, _Begun] = {}

    def cut(self, frames: Sequence[Frame], origins: np.ndarray) -> Cuttings:
        """Copy what is missing of the pictures whose first pixels are `origins` (N, 2)."""
        wanted = self._wanted(origins)
        numbers = tuple(f.index for f in frames)
        self._begun = {k: b for k, b in self._begun.items() if k >= min(numbers)}
        begun = []
        for frame in frames:
            one = self._begun.get(frame.index)
            if one is None:
                one = self._begun[frame.index] = _Begun(
                    np.zeros_like(wanted),
                    _squares(frame.luma, _CELL),
                    _squares(frame.red, _CELL // 2),
                )
            begun.append(one)
        missing = [np.flatnonzero(wanted > b.copied) for b in begun]
        cells = np.concatenate(missing)
        row, column = np.divmod(cells, self._size[0])
        u, v = self._starts[0][column], self._starts[1][row]
        half_u, half_v = u // 2, v // 2
        luma = np.empty((len(cells), _CELL, _CELL), np.uint8)
        red = np.empty((len(cells), _CELL // 2, _CELL // 2), np.uint8)
        luma_rows, red_rows = (a.view(f"V{a.shape[2]}")[..., 0] for a in (luma, red))
        at = 0
        for one, new in zip(begun, missing, strict=True):
            part = slice(at, at + len(new))
            at += len(new)
            luma_rows[part] = one.luma[v[part], u[part]]
            red_rows[part] = one.red[half_v[part], half_u[part]]
            one.copied[new] = True
        # what begins earlier is moved to where it would lie in a whole square
        for across, starts in ((True, self._starts[0]), (False, self._starts[1])):
            off = _CELL * (len(starts) - 1) - int(starts[-1])
            if off:
                edge = np.flatnonzero((column if across else row) == len(starts) - 1)
                for squares, by in ((luma, off), (red, off // 2)):
                    moved = squares if across else squares.swapaxes(1, 2)
                    moved[edge, :, :-by] = moved[edge, :, by:]
        return Cuttings(
            frames=numbers, side=self._side, size=self._size, counts=tuple(map(len, missing)),
            cells=cells.astype(np.int32), luma=luma, red=red,
        )  # fmt: skip

    def _wanted(self, origins: np.ndarray) -> np.ndarray:
        """Which squares the pictures lie on."""
        columns, rows = self._size
        wanted = np.zeros((rows, columns), bool)
        first = origins // _CELL
        last = (origins + self._side - 1) // _CELL
        for (left, top), (right, bottom) in zip(first.tolist(), last.tolist(), strict=True):
            wanted[top : bottom + 1, left : right + 1] = True
        return wanted.ravel()


class _Mosaic:
    """What is kept of one frame.

    Parameters
    ----------
    size : (int, int)
        Columns and rows of squares in a frame.
    """

    def __init__(self, size: tuple[int, int]) -> None:
        self.columns, self._rows = size
        self._cells: list[np.ndarray] = []
        self.luma: list[np.ndarray] = []
        self.red: list[np.ndarray] = []
        self._where: np.ndarray | None = None

    def add(self, cells: np.ndarray, luma: np.ndarray, red: np.ndarray) -> None:
        """Take a batch of squares."""
        self._cells.append(cells)
        self.luma.append(luma)
        self.red.append(red)
        self._where = None

    def where(self, cells: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """In which batch each square is, and which of the batch it is."""
        if self._where is None:
            self._where = np.zeros(self.columns * self._rows, np.int32)
            for k, some in enumerate(self._cells):
                self._where[some] = (k << _BITS) + np.arange(len(some))
        found = self._where[cells]
        return found >> _BITS, found & ((1 << _BITS) - 1)


class Pictures(Sequence[np.ndarray]):
    """Pictures around the candidates of one frame, each put together when it is asked for.

    A picture is a uint8 array of shape (K, P, P), over K frames.

    Parameters
    ----------
    mosaics : sequence of K mosaics
    origins : ndarray of int, shape (N, 2)
        (u, v) of the first pixels, even.
    side : int
        P as counted in luma, even.
    red : bool
        Whether they are of the red difference, half as fine.
    """

    def __init__(
        self,
        mosaics: Sequence[_Mosaic],
        origins: np.ndarray,
        side: int,
        *,
        red: bool,
    ) -> None:
        self._mosaics, self._origins, self._side, self._red = mosaics, origins, side, red
        self._made: dict[int, np.ndarray] = {}

    def __len__(self) -> int:
        return len(self._origins)

    @overload
    def __getitem__(self, which: int) -> np.ndarray: ...

    @overload
    def __getitem__(self, which: slice) -> list[np.ndarray]: ...

    def __getitem__(self, which: int | slice) -> np.ndarray | list[np.ndarray]:
        if isinstance(which, slice):
            return [self[k] for k in range(*which.indices(len(self)))]
        which = range(len(self))[which]
        made = self._made.get(which)
        if made is None:
            made = self._made[which] = self._put_together(which)
        return made

    def __iter__(self) -> Iterator[np.ndarray]:
        return (self[k] for k in range(len(self)))

    def _put_together(self, which: int) -> np.ndarray:
        u, v = self._origins[which].tolist()
        left, top = u // _CELL, v // _CELL
        columns = (u + self._side - 1) // _CELL + 1 - left
        rows = (v + self._side - 1) // _CELL + 1 - top
        step = 2 if self._red else 1
        side, cell = self._side // step, _CELL // step
        inside = (slice(v // step - top * cell, None), slice(u // step - left * cell, None))
        wide = self._mosaics[0].columns
        cells = ((top + np.arange(rows))[:, None] * wide + left + np.arange(columns)).ravel()
        out = np.empty((len(self._mosaics), side, side), np.uint8)
        squares = np.empty((rows * columns, cell, cell), np.uint8)
        canvas = squares.reshape(rows, columns, cell, cell).swapaxes(1, 2)
        for k, mosaic in enumerate(self._mosaics):
            batch, number = mosaic.where(cells)
            batches = mosaic.red if self._red else mosaic.luma
            for b in set(batch.tolist()):
                of = batch == b
                squares[of] = batches[b][number[of]]
            whole = canvas.reshape(rows * cell, columns * cell)
            out[k] = whole[inside][:side, :side]
        return out


class Album:
    """Puts the cuttings of successive frames where the pictures of later ones find them."""

    def __init__(self) -> None:
        self._mosaics: dict[int, _Mosaic] = {}

    def pictures(self, cuttings: Cuttings, origins: np.ndarray) -> tuple[Pictures, Pictures]:
        """Take the next frame's cuttings; return its pictures in luma and in red difference."""
        first = min(cuttings.frames)
        self._mosaics = {k: m for k, m in self._mosaics.items() if k >= first}
        mosaics = []
        at = 0
        for frame, count in zip(cuttings.frames, cuttings.counts, strict=True):
            mosaic = self._mosaics.get(frame)
            if mosaic is None:
                mosaic = self._mosaics[frame] = _Mosaic(cuttings.size)
            part = slice(at, at + count)
            at += count
            mosaic.add(cuttings.cells[part], cuttings.luma[part], cuttings.red[part])
            mosaics.append(mosaic)
        side = cuttings.side
        return (
            Pictures(mosaics, origins, side, red=False),
            Pictures(mosaics, origins, side, red=True),
        )


def _squares(picture: np.ndarray, side: int) -> np.ndarray:
    """All squares of a picture, by their first pixels, as a view: (H', W', S) rows of S bytes.

    A row told as one item is copied at once, which is twice as fast as its pixels one by one.
    """
    height, width = picture.shape
    squares = np.lib.stride_tricks.as_strided(
        picture, (height - side + 1, width - side + 1, side, side), picture.strides * 2
    )
    return squares.view(f"V{side}")[..., 0]
