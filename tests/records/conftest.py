from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from placement.records import Imported, Store
from tests.records.postgresql import server_programs
from tests.records.samples import two_turns, write_results

# Without a server there is nothing to ask: its tests are not collected, so none is skipped.
collect_ignore = [] if server_programs() else ["test_postgresql.py"]


@pytest.fixture(scope="session")
def filmed_once(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Imported]:
    """Records of one clip of twenty serves by AB and CD, made once; tests copy the file."""
    folder = tmp_path_factory.mktemp("filmed")
    with Store(folder / "records.sqlite") as store:
        done = store.import_results(write_results(folder / "out" / "clip", two_turns()))
        store.set_turns(done.drill_id, "AB 10 short left, CD 10 short left", make_students=True)
    return folder / "records.sqlite", done  # closed: nothing is left in its log


@pytest.fixture
def store(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Store]:
    """Records of the test's own: empty, or those of `filmed` where the test asks for it."""
    if "filmed" in request.fixturenames:
        made, _ = request.getfixturevalue("filmed_once")
        shutil.copy(made, tmp_path / "records.sqlite")
    with Store(tmp_path / "records.sqlite") as opened:
        yield opened


@pytest.fixture
def filmed(store: Store, filmed_once: tuple[Path, Imported]) -> Imported:
    """One clip of twenty serves by AB and CD."""
    return filmed_once[1]
