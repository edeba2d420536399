from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from placement.records import Imported, Store
from tests.records.samples import two_turns, write_results


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "records.sqlite") as opened:
        yield opened


@pytest.fixture
def filmed(store: Store, tmp_path: Path) -> Imported:
    """One clip of twenty serves by AB and CD."""
    done = store.import_results(write_results(tmp_path / "out" / "clip", two_turns()))
    store.set_turns(done.drill_id, "AB 10 short left, CD 10 short left", make_students=True)
    return done
