"""What a user hands in on the command line, checked: one sentence says what is wrong."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from calibration import CalibrationError, check_corners

_SHAPE = '{"corners_px": [[u, v], [u, v], [u, v], [u, v]]}'


def read_corners(path: str | Path, size: tuple[int, int] | None = None) -> np.ndarray:
    """Read the four corners of the table from a JSON file.

    Parameters
    ----------
    path : str or Path
        Holds ``{"corners_px": [[u, v], [u, v], [u, v], [u, v]]}`` in the order of
        `calibration.table.CORNERS`; other keys are left alone, so that a calibration.json or the
        corners of a sample still will do.
    size : tuple of int, optional
        Width and height of the frame, px, to check them against.

    Returns
    -------
    ndarray, shape (4, 2)
        (u, v), px.

    Raises
    ------
    CalibrationError
        If the file cannot be read, is not of that form, or shows no table.
    """
    path = Path(path)
    if path.is_dir():
        raise CalibrationError(f"{path} is a folder; name the file with the corners")
    try:
        data = json.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError as error:
        raise CalibrationError(f"there is no file {path} with corners") from error
    except OSError as error:
        raise CalibrationError(f"{path} cannot be read: {error.strerror or error}") from error
    except ValueError as error:
        raise CalibrationError(f"{path} is not JSON; write it as {_SHAPE}") from error
    if not isinstance(data, dict) or "corners_px" not in data:
        raise CalibrationError(f"{path} has no key corners_px; write it as {_SHAPE}")
    given = data["corners_px"]
    if not _is_pairs(given):
        raise CalibrationError(f"{path}: corners_px must be four pairs of numbers, as {_SHAPE}")
    corners = np.array(given, dtype=float)
    if size is not None:
        try:
            corners = check_corners(corners, size)
        except CalibrationError as error:
            raise CalibrationError(f"{path.name}: {error}") from error
    return corners


def parse_place(text: str) -> tuple[float, float]:
    """Two numbers with a comma between them, such as ``960,540``.

    Raises
    ------
    ValueError
        If it is anything else.
    """
    parts = text.replace(";", ",").split(",")
    if len(parts) != 2:
        raise ValueError(f"{text!r} is not two numbers with a comma between them, as 960,540")
    u, v = (float(part) for part in parts)
    if not np.isfinite([u, v]).all():
        raise ValueError(f"{text!r} is not two finite numbers")
    return u, v


def _is_pairs(value: object) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 4
        and all(
            isinstance(pair, list)
            and len(pair) == 2
            and all(isinstance(n, (int, float)) and not isinstance(n, bool) for n in pair)
            for pair in value
        )
    )
