"""A line on the terminal that says how far a clip is and how long it will take."""

from __future__ import annotations

import shutil
import sys
import time
from types import TracebackType
from typing import Protocol, TextIO

_EVERY_S = 0.1
_BAR = 24  # signs


class ProgressLike(Protocol):
    """What is shown: `pipeline.Progress`, or the like."""

    @property
    def done(self) -> float: ...  # noqa: D102
    @property
    def stage(self) -> str: ...  # noqa: D102
    @property
    def time_left_s(self) -> float | None: ...  # noqa: D102


class ProgressBar:
    """Shows progress on a terminal, and nothing where the stream is a file or a pipe.

    Parameters
    ----------
    name : str
        What is being worked on.
    stream : file, optional
        The standard error stream when left out.
    """

    def __init__(self, name: str, stream: TextIO | None = None) -> None:
        self._name = name
        self._stream = sys.stderr if stream is None else stream
        self._shown = bool(getattr(self._stream, "isatty", lambda: False)())
        self._last = -1.0
        self._width = 0

    def __enter__(self) -> ProgressBar:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.clear()

    def __call__(self, progress: ProgressLike) -> None:
        """Show how far it is; at most ten times a second."""
        now = time.monotonic()
        if not self._shown or now - self._last < _EVERY_S:
            return
        self._last = now
        line = progress_line(self._name, progress)[: shutil.get_terminal_size().columns - 1]
        self._stream.write("\r" + line.ljust(self._width))
        self._stream.flush()
        self._width = len(line)

    def clear(self) -> None:
        """Leave an empty line for what is printed next."""
        if self._shown and self._width:
            self._stream.write("\r" + " " * self._width + "\r")
            self._stream.flush()
            self._width = 0


def progress_line(name: str, progress: ProgressLike) -> str:
    """One line such as ``drill [######      ]  25 %  0:12 left  following the ball``."""
    share = min(max(progress.done, 0.0), 1.0)
    full = round(share * _BAR)
    left = ""
    if progress.time_left_s is not None:
        minutes, seconds = divmod(max(0, round(progress.time_left_s)), 60)
        left = f"  {minutes}:{seconds:02d} left"
    return f"{name} [{'#' * full}{' ' * (_BAR - full)}] {share:4.0%}{left}  {progress.stage}"
