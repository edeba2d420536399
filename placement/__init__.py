"""Where table tennis serves land, measured from a film of a fixed phone.

`placement.analyse(path)` runs a clip from end to end and returns an `Analysis`;
`placement.write_results` writes its folder of tables and pictures. Both are loaded when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from placement.analysis import Analysis
    from placement.pipeline import Cancelled, Progress, analyse
    from placement.results import write_results
    from placement.settings import Settings

__all__ = [
    "Analysis", "Cancelled", "Progress", "Settings", "__version__", "analyse", "write_results",
]  # fmt: skip

_HOMES = {
    "Analysis": "placement.analysis",
    "Cancelled": "placement.pipeline",
    "Progress": "placement.pipeline",
    "Settings": "placement.settings",
    "analyse": "placement.pipeline",
    "write_results": "placement.results",
}


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import PackageNotFoundError, version

        try:
            return version("serve-placement")
        except PackageNotFoundError:  # run from a folder that was not installed
            return "0+unknown"
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
