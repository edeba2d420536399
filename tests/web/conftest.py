from __future__ import annotations

import re
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from placement.web.app import make_app
from placement.web.settings import PageSettings
from tests.demo_class import put_demo_class
from tests.web.made import make_film, make_results

# Without Chromium there is nothing to drive: its tests are not collected, so none is skipped.
collect_ignore = [] if shutil.which("chromium") else ["browser"]

FAKE_WORKER = (sys.executable, "-m", "tests.web.fake_worker")


def settings_in(folder: Path, **changes: Any) -> PageSettings:
    """Settings of a page that keeps everything in one folder."""
    values: dict[str, Any] = {
        "store": str(folder / "records.sqlite"), "data": folder / "page",
        "roots": (folder / "films",), "worker": FAKE_WORKER,
    }  # fmt: skip
    (folder / "films").mkdir(exist_ok=True)
    return PageSettings(**(values | changes))


class Page:
    """A page that runs in this process, with its token at hand."""

    def __init__(self, client: TestClient) -> None:
        self.client = client
        self.site = client.app.state.site  # type: ignore[attr-defined]
        self.token = {"X-Page-Token": self.site.token}

    def get(self, path: str, **options: Any) -> Any:
        return self.client.get(path, **options)

    def post(self, path: str, form: dict[str, str] | None = None, **options: Any) -> Any:
        return self.client.post(path, data=form, headers=self.token, **options)

    def send(self, path: str, message: Any) -> Any:
        return self.client.post(path, json=message, headers=self.token)

    def put(self, path: str, content: bytes) -> Any:
        return self.client.put(path, content=content, headers=self.token)

    def wait_for(self, question: Callable[[], bool], seconds: float = 90.0) -> None:
        end = time.monotonic() + seconds
        while not question():
            assert time.monotonic() < end, "it did not come about in time"
            time.sleep(0.05)


@contextmanager
def open_page(folder: Path, **changes: Any) -> Iterator[Page]:
    app = make_app(settings_in(folder, **changes))
    with TestClient(app, base_url="http://127.0.0.1", follow_redirects=True) as client:
        yield Page(client)


@pytest.fixture
def web(tmp_path: Path) -> Iterator[Page]:
    """An empty page."""
    with open_page(tmp_path) as page:
        yield page


@pytest.fixture(scope="session")
def film_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two seconds of film; tests copy it."""
    return make_film(tmp_path_factory.mktemp("film") / "drill.mp4")


@pytest.fixture
def filmed(web: Page, film_file: Path, tmp_path: Path) -> int:
    """The key of a film with six serves, measured and at hand."""
    film = tmp_path / "films" / "drill.mp4"
    shutil.copy(film_file, film)
    done = web.site.store.import_results(make_results(tmp_path / "out", film), group="9B")
    return int(done.drill_id)


@pytest.fixture(scope="session")
def demo_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """A page with the invented class; tests only look."""
    folder = tmp_path_factory.mktemp("demo-page")
    put_demo_class(folder / "records.sqlite")
    with open_page(folder) as page:
        yield page


def links_in(html: str) -> list[str]:
    """Local addresses in a page."""
    found = re.findall(r'(?:href|src)="(/[^"#]*)"', html)
    return list(dict.fromkeys(link.replace("&amp;", "&") for link in found))
