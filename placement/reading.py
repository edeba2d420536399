"""A film decoded and searched for balls in a process of its own, beside the one that follows them.

Decoding is done by the codec's own threads, but following a ball is Python: within one process each
would wait for the other. The other process runs `main` of this module alone and needs no main guard
in the caller's script. It links what it finds into runs, tells what it saw by pickles (protocol 5,
arrays out of band) through a pipe, runs ahead by a bounded number of bytes, and ends when the pipe
is closed. What comes out does not depend on which process ran when; where none can be started, the
same is done in this one.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import struct
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self

import cv2
import numpy as np

from placement import reader_process
from placement.ball import BallFinder, Candidates
from placement.garbage import SELDOM
from placement.mosaic import Album
from placement.steady import Steadier, steadied
from placement.tracks import Linker, Run
from placement.video import read_frames

_LOOK_EVERY = 0.25  # s between whole pictures sent for the watch over the stand
_AHEAD = 160_000_000  # bytes that may wait for the pipe
_PIPE = 1 << 20  # bytes, the system's own buffer where it can be set
_HEAD = struct.Struct("<II")
_APART = 1 << 14  # bytes from which an array is sent beside the pickle, without a copy


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sight:
    """What was seen in one frame.

    After the film's last frame come a few more of its index and time: they tell what was found in
    the frames that had waited for later ones.

    Attributes
    ----------
    index : int
        Of the frame.
    time_s : float
    found : Candidates or None
        Of a frame a little earlier.
    luma : ndarray of uint8, shape (H, W), or None
        The picture, now and then.
    still : ndarray of uint8, shape (H, W, 3), or None
        The picture in colour, at the times asked for.
    runs : tuple of Run
        Candidates in smooth motion that ended before the frame of `found`; with the film's last
        frame all that had not ended.
    damaged : bool
        Whether parts of the frame could not be decoded.
    """

    index: int
    time_s: float
    found: Candidates | None
    luma: np.ndarray | None
    still: np.ndarray | None
    runs: tuple[Run, ...] = ()
    damaged: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """What to read.

    Attributes
    ----------
    path : Path
    width, height : int
        Of the upright picture, px.
    fps : float
    still_times : tuple of float
        s, from which on the next frame's picture is sent in colour.
    slow_motion : float
        By how many times the film plays slower than it was filmed; `fps` and all times here are
        those of the filming.
    steady : ndarray of uint8, shape (H, W), or None
        Luma of a still; each frame is brought back to its place (`placement.steady`).
    """

    path: Path
    width: int
    height: int
    fps: float
    still_times: tuple[float, ...] = ()
    slow_motion: float = 1.0
    steady: np.ndarray | None = field(default=None, compare=False)


def read_sights(film: Film, *, pictures: bool = True) -> Iterator[Sight]:
    """Decode a film in this process and look for balls in it.

    Parameters
    ----------
    film : Film
    pictures : bool
        See `BallFinder`.

    Raises
    ------
    placement.video.VideoError
        See `placement.video.read_frames`.
    """
    finder = BallFinder(film.width, film.height, film.fps, pictures=pictures)
    linker = Linker(max(film.width, film.height))
    steadier = None if film.steady is None else Steadier(film.steady)
    last: Sight | None = None
    due = list(reversed(film.still_times))
    next_look = 0.0
    for stored in read_frames(film.path):
        now = stored.time_s / film.slow_motion
        frame = replace(stored, time_s=now)
        if steadier is not None:
            frame = steadied(frame, steadier)
        wanted = bool(due) and now >= due[-1]
        if wanted:
            due.pop()
        look = now >= next_look
        if look:
            next_look = now + _LOOK_EVERY
        found = finder.push(frame)
        if last is not None:
            yield last
        last = Sight(
            index=frame.index,
            time_s=now,
            found=found,
            luma=np.ascontiguousarray(frame.luma) if look else None,
            still=frame.bgr() if wanted else None,
            runs=() if found is None else tuple(linker.push(found)),
            damaged=frame.damaged,
        )
    for found in finder.finish():
        assert last is not None
        yield last
        last = Sight(index=last.index, time_s=last.time_s, found=found, luma=None, still=None,
                     runs=tuple(linker.push(found)))  # fmt: skip
    if last is not None:
        yield replace(last, runs=(*last.runs, *linker.finish()))


class FilmReader:
    """The sights of a film, read ahead by another process; to be used in a ``with``.

    Parameters
    ----------
    film : Film
    """

    def __init__(self, film: Film) -> None:
        self._film = film
        self._process = _started(film)

    @property
    def process_id(self) -> int | None:
        """Of the other process; None where there is none."""
        return None if self._process is None else self._process.pid

    @property
    def ended(self) -> bool:
        """Whether the other process is gone."""
        return self._process is None or self._process.poll() is not None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        process = self._process
        if process is not None:
            process.kill()
            assert process.stdout is not None
            process.stdout.close()
            process.wait()

    def __iter__(self) -> Iterator[Sight]:
        """The sights, in order.

        Raises
        ------
        placement.video.VideoError
            See `placement.video.read_frames`.
        RuntimeError
            If the other process came to an end too early.
        """
        process = self._process
        if process is None:
            yield from read_sights(self._film)
            return
        assert process.stdout is not None
        album = Album()
        while True:
            told = _received(process.stdout)
            if told is None:
                return
            if isinstance(told, BaseException):
                raise told
            assert isinstance(told, Sight)
            found = told.found
            yield told if found is None else replace(told, found=found.illustrated(album))


def _started(film: Film) -> subprocess.Popen[bytes] | None:
    """The other process, told what to read; None where none can be started."""
    process = reader_process.taken()
    if process is None:
        return None
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        process.stdin.write(pickle.dumps(film))
        process.stdin.close()
    except BrokenPipeError:
        pass  # it ended at once; the reader is told so by the empty pipe
    _widen(process.stdout)
    return process


def _widen(pipe: IO[bytes]) -> None:
    try:
        import fcntl

        fcntl.fcntl(pipe.fileno(), fcntl.F_SETPIPE_SZ, _PIPE)
    except (ImportError, AttributeError, OSError):
        pass  # only fewer bytes at a time


def _received(pipe: IO[bytes]) -> Any:
    lengths = _HEAD.unpack(_exactly(pipe, _HEAD.size))
    text = _exactly(pipe, lengths[0])
    sizes = struct.unpack(f"<{lengths[1]}Q", _exactly(pipe, 8 * lengths[1]))
    # each array in memory of its own: some are kept for long, and must not hold on to the others
    return pickle.loads(text, buffers=[_exactly(pipe, size) for size in sizes])


def _exactly(pipe: IO[bytes], size: int) -> memoryview:
    data = np.empty(size, np.uint8).data
    done = 0
    while done < size:
        got = pipe.readinto(data[done:])  # type: ignore[attr-defined]
        if not got:
            raise RuntimeError("the process that reads the film ended before the film did")
        done += got
    return data


def _packed(told: object) -> list[Any]:
    """Pieces of a message: lengths, pickle, sizes of the large arrays, these arrays."""
    raw: list[memoryview] = []

    def apart(array: pickle.PickleBuffer) -> bool:
        data = array.raw()
        if len(data) < _APART:
            return True  # it stays in the pickle
        raw.append(data)
        return False

    text = pickle.dumps(told, protocol=5, buffer_callback=apart)
    head = _HEAD.pack(len(text), len(raw)), text, struct.pack(f"<{len(raw)}Q", *map(len, raw))
    return [b"".join(head), *raw]


class _Waiting:
    """Messages on their way into the pipe: many bytes of them, but not more."""

    def __init__(self) -> None:
        self._messages: deque[tuple[list[Any], int]] = deque()
        self._bytes = 0
        self._changed = threading.Condition()

    def put(self, pieces: list[Any]) -> None:
        """Add a message; wait while too much of what came before has not gone."""
        size = sum(map(len, pieces))
        with self._changed:
            self._changed.wait_for(lambda: self._bytes <= _AHEAD)
            self._messages.append((pieces, size))
            self._bytes += size
            self._changed.notify_all()

    def get(self) -> list[Any]:
        """The next message; an empty one is the end."""
        with self._changed:
            self._changed.wait_for(lambda: self._messages)
            pieces, size = self._messages.popleft()
            self._bytes -= size
            self._changed.notify_all()
        return pieces


def _send(pipe: IO[bytes], messages: _Waiting) -> None:
    while pieces := messages.get():
        try:
            for piece in pieces:
                rest = memoryview(piece)
                while len(rest):
                    rest = rest[pipe.write(rest) :]
        except OSError:
            os._exit(0)  # nobody listens any more; nothing here needs tidying up


def main() -> None:
    """Read the film named on standard input; tell its sights on standard output."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that asked ends this one
    pipe = os.fdopen(os.dup(sys.stdout.fileno()), "wb", buffering=0)
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # no stray print among the messages
    cv2.setNumThreads(1)  # pictures are small, and the codec has threads of its own
    gc.freeze()
    gc.set_threshold(SELDOM)
    told = sys.stdin.buffer.read()
    if not told:
        return  # nothing is to be read after all
    film: Film = pickle.loads(told)
    messages = _Waiting()
    sender = threading.Thread(target=_send, args=(pipe, messages))
    sender.start()
    try:
        for sight in read_sights(film, pictures=False):
            messages.put(_packed(sight))
        messages.put(_packed(None))
    except Exception as error:
        messages.put(_packed(_portable(error)))
    messages.put([])
    sender.join()


def _portable(error: Exception) -> Exception:
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:
        return RuntimeError(f"{type(error).__name__}: {error}")
    return error
