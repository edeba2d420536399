"""A page in a process of its own, driven in Debian's Chromium.

Nothing may ask anything of elsewhere, and no error may reach the browser's console: both are
asserted after every test.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import ConsoleMessage, Page, Route, expect

from placement.records import Store
from placement.web.state import PageState
from tests.demo_class import put_demo_class
from tests.web.conftest import FAKE_WORKER
from tests.web.made import make_film, make_results

SERVER = "tests.web.browser.server"
expect.set_options(timeout=40_000)  # ms that an answer may take on a machine that is busy elsewhere


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """All tests of this folder drive a browser."""
    here = Path(__file__).parent
    for item in items:
        if here in Path(item.path).parents:
            item.add_marker(pytest.mark.browser)


class Running:
    """A page in a process of its own, on a folder of its own."""

    def __init__(self, folder: Path, worker: tuple[str, ...] = FAKE_WORKER) -> None:
        self.folder = folder
        self.worker = worker
        self.films = folder / "films"
        self.films.mkdir(exist_ok=True)
        self.log = folder / "server.log"
        self.process: subprocess.Popen[bytes] | None = None
        self.url = ""

    def start(self) -> None:
        """Start it and wait until it answers; the port stays the same after a restart."""
        port = self.url.rpartition(":")[2] or "0"
        with self.log.open("ab") as stream:
            self.process = subprocess.Popen(
                [sys.executable, "-m", SERVER, str(self.folder), port, *self.worker],
                stdout=subprocess.PIPE, stderr=stream, stdin=subprocess.DEVNULL,
                env=os.environ | {"OMP_NUM_THREADS": "1"},
            )  # fmt: skip
        assert self.process.stdout is not None
        line = self.process.stdout.readline().decode()
        assert line.startswith("http://"), self.log.read_text(encoding="utf-8")
        self.url = line.strip()
        end = time.monotonic() + 180
        while True:
            try:
                urllib.request.urlopen(self.url, timeout=60).close()
                return
            except urllib.error.HTTPError:
                return  # it asks for a password: it is there
            except OSError:
                assert time.monotonic() < end, "the page did not answer"
                time.sleep(0.1)

    def kill(self) -> None:
        """End it as a power cut would (SIGKILL)."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()

    def stop(self) -> None:
        """End it, whatever it does."""
        if self.process is not None:
            self.process.terminate()
            try:
                self.process.wait(timeout=15)
            except subprocess.TimeoutExpired:
                self.kill()
            if self.process.stdout is not None:
                self.process.stdout.close()

    @property
    def store(self) -> Store:
        """The records, opened by this process too."""
        return Store(self.folder / "records.sqlite")

    @property
    def state(self) -> PageState:
        """The page's memory."""
        return PageState(self.folder / "page" / "page.sqlite")

    def errors(self) -> str:
        """What the server logged of unhandled exceptions."""
        text = self.log.read_text(encoding="utf-8")
        return text if "Traceback" in text or "unhandled" in text else ""


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    return {
        **browser_type_launch_args,
        "executable_path": shutil.which("chromium"),
        "headless": True,
        "args": [
            "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
        ],
    }  # fmt: skip


@pytest.fixture(scope="session")
def base_url() -> str:
    """None: each test names the address of its own page."""
    return ""


@pytest.fixture(scope="session")
def browser_context_args(browser_context_args: dict[str, Any]) -> dict[str, Any]:
    return {**browser_context_args, "viewport": {"width": 1366, "height": 768}}


@pytest.fixture
def make_running(tmp_path: Path) -> Iterator[Callable[..., Running]]:
    """Start pages; all are ended, whatever happens."""
    started: list[Running] = []

    def make(**options: Any) -> Running:
        running = Running(tmp_path, **options)
        started.append(running)
        running.start()
        return running

    yield make
    for running in started:
        running.stop()


@pytest.fixture
def filmed(make_running: Callable[..., Running], tmp_path: Path) -> Running:
    """A page with one measured film of twenty-four serves, drill 1, film at hand."""
    from tests.records.samples import serve_row

    (tmp_path / "films").mkdir()
    film = make_film(tmp_path / "films" / "drill.mp4", 240)
    serves = [serve_row(i, 0.2 + 0.3 * (i - 1)) for i in range(1, 25)]
    for row in serves[4:8]:
        row |= {"outcome": "unclear", "outcome_probability": 0.5}
    with Store(tmp_path / "records.sqlite") as store:
        store.import_results(make_results(tmp_path / "out", film, serves), group="9B")
        store.set_turns(1, "AB 12 short left, CD 12 long right", make_students=True)
    return make_running()


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A page with the invented class and one film at hand; tests only look."""
    folder = tmp_path_factory.mktemp("demo")
    running = Running(folder)
    film = make_film(running.films / "drill.mp4", 60)
    with Store(put_demo_class(folder / "records.sqlite")) as store:
        store.import_results(make_results(folder / "out", film), group="9B")
    running.start()
    yield running
    running.stop()


#: Refusals that a test provokes on purpose: (status, part of the address).
Expected = list[tuple[int, str]]


@pytest.fixture
def expected_refusals() -> Expected:
    """To be filled by a test that provokes refusals."""
    return []


@pytest.fixture(autouse=True)
def calm(page: Page, expected_refusals: Expected) -> Iterator[list[str]]:
    """Assert at the end: nothing asked elsewhere, no error in the console or on the page."""
    troubles: list[str] = []
    watch(page, troubles, expected_refusals)
    yield troubles
    assert troubles == []


def watch(page: Page, troubles: list[str], expected: Expected) -> None:
    """Note what must not happen on a page."""

    def route(call: Route) -> None:
        address = call.request.url
        if address.startswith(("http://127.0.0.1:", "data:", "blob:")):
            call.continue_()
        else:
            troubles.append(f"asked elsewhere: {address}")
            call.abort()

    def console(message: ConsoleMessage) -> None:
        if message.type not in ("error", "warning"):
            return
        where = str(message.location.get("url", ""))
        for status, part in expected:
            if str(status) in message.text and part in where:
                return
        cut_off = ("ERR_CONNECTION", "ERR_EMPTY", "ERR_CONTENT_LENGTH", "ERR_INCOMPLETE")
        if (0, "") in expected and any(word in message.text for word in cut_off):
            return
        troubles.append(f"console: {message.text} {where}")

    page.route("**/*", route)
    page.on("console", console)
    page.on("pageerror", lambda error: troubles.append(f"page: {error}"))
