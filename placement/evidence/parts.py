"""Small parts that pages on paper and on the screen share; light to load."""

from __future__ import annotations

import base64
import os
import tempfile
from pathlib import Path

from markupsafe import Markup


def write_whole(path: str | Path, content: bytes | str) -> Path:
    """Write a file to a temporary name and rename it; readable by its owner only.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    target = Path(path)
    target.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content.encode() if isinstance(content, str) else content)
        os.replace(name, target)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return target


def bar_svg(value: float, low: float, high: float) -> Markup:
    """A rate with its interval as a small picture, to scale from 0 to 100 %."""
    if value != value:  # NaN: nothing to draw
        return Markup("")
    ticks = "".join(f'<path d="M{x} 4v8" stroke="#9aa7b3"/>' for x in (5.0, 77.5, 150.0))
    at = [5 + 145 * min(max(part, 0.0), 1.0) for part in (value, low, high)]
    return Markup(  # numbers only: nothing from the records goes in unescaped
        f'<svg class="bar" viewBox="0 0 155 16" role="img" aria-label="{value:.0%}, '
        f'{low:.0%} to {high:.0%}"><path d="M5 8h145" stroke="#9aa7b3"/>{ticks}'
        f'<path d="M{at[1]:.1f} 8H{at[2]:.1f}" stroke="#8fa6bd" stroke-width="6"/>'
        f'<circle cx="{at[0]:.1f}" cy="8" r="4" fill="#1c2733"/></svg>'
    )


def percent(value: float) -> str:
    """A rate as whole per cent; a dash where there is none."""
    return f"{value:.0%}" if value == value else "–"


def data_uri(content: bytes, kind: str = "png") -> str:
    """A picture as an address that holds it."""
    return f"data:image/{kind};base64,{base64.b64encode(content).decode()}"
