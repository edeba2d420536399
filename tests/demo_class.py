"""The invented class, made once for a run of the tests and copied from then on."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

from placement.democlass import make_demo_class
from placement.records import Store


@cache
def _made() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="demo-class-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    with Store(folder / "records.sqlite") as store:
        make_demo_class(store, folder / "results")
    return folder / "records.sqlite"  # closed: nothing is left in its log


def put_demo_class(place: Path) -> Path:
    """Records that hold the invented class alone, as a new file at `place`."""
    shutil.copy(_made(), place)
    place.chmod(0o600)
    return place
