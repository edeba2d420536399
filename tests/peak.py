"""The most memory that this process, and the largest that it started, have held."""

from __future__ import annotations

import sys


def peak_mb() -> float:
    """Peak resident memory of both together, MB; NaN where the system does not tell (Windows).

    The two peaks need not fall together, so that the sum is an upper bound.
    """
    try:
        import resource
    except ImportError:
        return float("nan")
    peak = sum(
        resource.getrusage(who).ru_maxrss
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return peak / 1e6 if sys.platform == "darwin" else peak / 1e3
