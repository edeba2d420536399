"""The most memory that this process has held."""

from __future__ import annotations

import sys


def peak_mb() -> float:
    """Peak resident memory, MB; NaN where the system does not tell (Windows)."""
    try:
        import resource
    except ImportError:
        return float("nan")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak / 1e3
