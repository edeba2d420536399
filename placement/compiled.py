"""Functions of many small steps, compiled when first called and kept for the next run.

The machine code is kept in a folder of its own beside this file, named by what it was made from, so
that code of an older version is never run: Numba itself looks at a function's own file alone, not
at the functions and numbers that it takes from others.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, ParamSpec, TypeAlias, TypeVar

import numba

#: A number in single precision, whose arithmetic with others type checkers do not know.
Single: TypeAlias = Any

_P = ParamSpec("_P")
_R = TypeVar("_R")
# no sums in another order: whether a called function is built into its caller, and so how its sums
# are added up, differs between the run that compiles and those that find the code made, and with
# it would a film's numbers
_OPTIONS: dict[str, Any] = {"nogil": True, "error_model": "numpy", "fastmath": False}
_HOME = Path(__file__).parent
#: What compiled functions are made of: the files that hold them and the numbers in them.
SOURCES = (
    "arcs.py", "background.py", "ball_fit.py", "ball_model.py", "chain.py", "collocation.py",
    "compiled.py", "flight.py", "meeting_fit.py", "path_solver.py", "projection.py",
    "shading_fit.py", "small_linear.py", "../calibration/table.py",
)  # fmt: skip


def compiled(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Have a function of numbers and arrays compiled (Numba).

    Its numbers do not depend on when it was compiled. Where the machine code cannot be kept it is
    made anew in each run.

    Parameters
    ----------
    function : callable
    """
    with _kept_in(_folder()):
        try:
            found: Callable[_P, _R] = numba.njit(cache=True, **_OPTIONS)(function)
        except RuntimeError:  # no place to keep it
            found = numba.njit(**_OPTIONS)(function)
    return found


def inlined(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """As `compiled`, for what compiled loops call: a loop over a call cannot be done in words."""
    found: Callable[_P, _R] = numba.njit(forceinline=True, **_OPTIONS)(function)
    return found


def uncompiled(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """The same function as Python runs it, for a few calls: compiling it would take longer.

    Parameters
    ----------
    function : callable
        As `compiled` or `inlined` gave it.
    """
    dispatcher: Any = function
    found: Callable[_P, _R] = dispatcher.py_func
    return found


def made_before() -> bool:
    """Whether machine code of these sources was kept when this process began."""
    _folder()
    return _made_before


def _folder() -> Path:
    """Where machine code of these sources is kept; that of others is thrown away."""
    global _found, _made_before
    if _found is None:
        digest = hashlib.sha256()
        for name in SOURCES:
            digest.update((_HOME / name).read_bytes())
        shelf = _HOME / "__pycache__" / "compiled"
        _found = shelf / digest.hexdigest()[:16]
        _made_before = _found.is_dir()
        if not _made_before and shelf.is_dir():
            shutil.rmtree(shelf, ignore_errors=True)
    return _found


_found: Path | None = None
_made_before = False


@contextmanager
def _kept_in(folder: Path) -> Iterator[None]:
    """Have Numba keep what is made here in `folder`."""
    settings: Any = numba.config
    before = settings.CACHE_DIR
    settings.CACHE_DIR = str(folder)
    try:
        yield
    finally:
        settings.CACHE_DIR = before
