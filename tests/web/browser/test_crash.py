"""kill -9 (POSIX SIGKILL) of server or worker at each step: nothing that was confirmed is lost."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import random
import shutil
import signal
import sqlite3
import threading
import time
import urllib.request
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from playwright.sync_api import Page, expect

from placement.web.state import DONE, RUNNING
from tests.web.browser.conftest import Expected, Running


def wait_for(page: Page, question: Callable[[], bool]) -> None:
    for _ in range(900):
        if question():
            return
        page.wait_for_timeout(100)
    raise AssertionError("it did not come about in time")


def sound(running: Running) -> None:
    """Both files open and are whole (sqlite.org, PRAGMA integrity_check)."""
    for path in (running.folder / "records.sqlite", running.folder / "page" / "page.sqlite"):
        with closing(sqlite3.connect(path)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"


def call(running: Running, method: str, path: str, body: bytes, token: str) -> dict[str, Any]:
    request = urllib.request.Request(
        running.url + path, data=body, method=method,
        headers={"X-Page-Token": token, "Content-Type": "application/octet-stream"},
    )  # fmt: skip
    with urllib.request.urlopen(request, timeout=30) as answer:
        return dict(json.load(answer))


def token_of(page: Page) -> str:
    return page.locator("meta[name=page-token]").get_attribute("content") or ""


@pytest.fixture
def bumpy(expected_refusals: Expected) -> None:
    """The server goes away on purpose: the browser may say so."""
    expected_refusals += [(0, ""), (403, "")]


@pytest.mark.usefixtures("bumpy")
def test_corrections_outlive_the_server(page: Page, filmed: Running) -> None:
    for n, key in enumerate("lnm", start=1):
        page.goto(filmed.url + f"/films/1/check?serve={n}")
        expect(page.locator("#serve-name")).to_have_text(f"Serve {n}, AB")
        page.keyboard.press(key)
        expect(page.locator("#machine")).to_contain_text("The machine said: good")  # confirmed
        filmed.kill()
        filmed.start()
        sound(filmed)
    with filmed.store as store:
        assert store.serves(drill_id=1)["outcome"].tolist()[:3] == ["let", "net", "missed"]


@pytest.mark.usefixtures("bumpy")
def test_turns_outlive_the_server(page: Page, filmed: Running) -> None:
    page.goto(filmed.url + "/films/1/turns")
    for n in (12, 11, 10):
        page.get_by_role("slider", name=f"Border before serve {n + 1}").focus()
        page.keyboard.press("ArrowLeft")
        expect(page.locator("#trouble")).to_contain_text(f"AB: {n - 1} found")  # confirmed
        filmed.kill()
        filmed.start()
        sound(filmed)
        page.goto(filmed.url + "/films/1/turns")
        with filmed.store as store:
            assert store.serves(drill_id=1)["code"].tolist() == ["AB"] * (n - 1) + ["CD"] * (25 - n)


@pytest.mark.usefixtures("bumpy")
def test_an_upload_goes_on_after_the_server_was_killed(
    page: Page, make_running: Callable[..., Running], film_file: Path
) -> None:
    running = make_running()
    content = film_file.read_bytes()
    page.goto(running.url)
    message = json.dumps({"name": "a.mp4", "size": len(content), "mark": "1"}).encode()
    start = call(running, "POST", "/uploads/new", message, token_of(page))
    call(running, "PUT", f"/uploads/{start['id']}?from=0", content[:9000], token_of(page))
    running.kill()
    running.start()
    page.goto(running.url)
    again = call(running, "POST", "/uploads/new", message, token_of(page))
    assert again == {"id": start["id"], "received": 9000}
    done = call(running, "PUT", f"/uploads/{start['id']}?from=9000", content[9000:], token_of(page))
    clip = running.state.clip(done["clip"])
    assert clip is not None
    assert clip.path.read_bytes() == content


@pytest.mark.usefixtures("bumpy")
@pytest.mark.parametrize("victim", ["server", "worker", "both"])
def test_the_measuring_goes_on(
    page: Page, make_running: Callable[..., Running], film_file: Path, victim: str
) -> None:
    running = make_running()
    shutil.copy(film_file, running.films / "slow.mp4")
    page.goto(running.url + "/bring")
    page.locator(".roots button").click()
    page.get_by_role("button", name="slow.mp4").click()
    expect(page.locator("#wait")).to_be_hidden(timeout=60_000)
    page.get_by_role("button", name="Measure this film").click()
    wait_for(page, lambda: any(j.state == RUNNING and j.done > 0 for j in running.state.jobs()))
    workers = _children(running)
    assert workers
    if victim in ("server", "both"):
        running.kill()
    if victim in ("worker", "both"):
        for pid in workers:
            os.kill(pid, signal.SIGKILL)
    if victim != "worker":
        running.start()
    wait_for(page, lambda: running.state.jobs()[0].state == DONE)
    sound(running)
    assert len(running.state.jobs()) == 1
    with running.store as store:
        assert len(store.drills()) == 1
        assert len(store.serves(drill_id=1)) == 6


def _children(running: Running) -> list[int]:
    """Processes that the server started, by the kernel's own list (Linux, proc(5))."""
    assert running.process is not None
    found = []
    for task in Path(f"/proc/{running.process.pid}/task").iterdir():
        found += [int(pid) for pid in (task / "children").read_text().split()]
    return found


def post(running: Running, path: str, form: dict[str, str], token: str) -> str:
    """Send a form as the page does; returns what is shown then."""
    request = urllib.request.Request(
        running.url + path, data=urlencode(form).encode(), headers={"X-Page-Token": token}
    )
    with urllib.request.urlopen(request, timeout=60) as answer:
        return str(answer.read().decode())


@pytest.mark.usefixtures("bumpy")
def test_a_moved_corner_outlives_the_server(
    page: Page, make_running: Callable[..., Running], film_file: Path
) -> None:
    running = make_running()
    shutil.copy(film_file, running.films / "drill.mp4")
    page.goto(running.url + "/bring")
    page.locator(".roots button").click()
    page.get_by_role("button", name="drill.mp4").click()
    expect(page.locator("#wait")).to_be_hidden(timeout=60_000)
    page.get_by_role("slider", name="far left corner").focus()
    page.keyboard.press("Shift+ArrowRight")
    expect(page.locator("#notice")).to_contain_text("Kept.")  # confirmed
    corner = page.get_by_role("slider", name="far left corner")
    moved = corner.get_attribute("aria-valuetext") or ""
    running.kill()
    running.start()
    sound(running)
    page.reload()
    expect(page.locator("#wait")).to_be_hidden(timeout=60_000)
    expect(corner).to_have_attribute("aria-valuetext", moved)


@pytest.mark.usefixtures("bumpy")
def test_records_outlive_the_server(page: Page, filmed: Running) -> None:
    """Students, a class list, the lesson, a day, a note, forgetting: there once answered."""
    steps: list[tuple[str, dict[str, str]]] = [
        ("/students", {"code": "EF", "group": "9B"}),
        ("/students/list", {"list": "code,hand\nGH,left\nIJ,right", "group": "9B"}),
        ("/films/1/about", {"place": "hall 2", "filmed_on": "2026-03-02"}),
        ("/keep/date", {"keep_until": "2030-01-01"}),
        ("/students/note", {"code": "EF", "text": "elbow", "who": "LM"}),
        ("/students/forget", {"code": "CD", "sure": "CD"}),
    ]
    for path, form in steps:
        page.goto(filmed.url + "/about")
        post(filmed, path, form, token_of(page))  # confirmed
        filmed.kill()
        filmed.start()
        sound(filmed)
    with filmed.store as store:
        assert store.students("9B")["code"].tolist() == ["AB", "EF", "GH", "IJ"]
        drill = store.drill(1)
        assert (drill.place, drill.filmed_on, drill.keep_until) == (
            "hall 2", "2026-03-02", "2030-01-01",
        )  # fmt: skip
        assert store.notes(student_code="EF")["text"].tolist() == ["elbow"]
        assert "CD" not in store.serves(drill_id=1)["code"].tolist()


@pytest.mark.usefixtures("bumpy")
def test_a_restore_that_is_cut_off_is_whole_or_not_at_all(page: Page, filmed: Running) -> None:
    page.goto(filmed.url + "/about")
    backup = filmed.folder / "backup.sqlite"
    with urllib.request.urlopen(filmed.url + "/keep/backup.sqlite", timeout=60) as answer:
        backup.write_bytes(answer.read())
    post(filmed, "/students", {"code": "EF"}, token_of(page))
    codes = {"before": ["AB", "CD"], "after": ["AB", "CD", "EF"]}
    rng = random.Random(4)
    for _ in range(6):  # the restore takes some tenths of a second
        token = token_of(page)
        thread = threading.Thread(target=_try_restore, args=(filmed, backup.read_bytes(), token))
        thread.start()
        time.sleep(rng.uniform(0.0, 0.8))
        filmed.kill()
        thread.join(timeout=30)
        filmed.start()
        sound(filmed)
        with filmed.store as store:
            assert store.students()["code"].tolist() in codes.values()
            assert len(store.serves(drill_id=1)) == 24
        page.goto(filmed.url + "/about")
    # Confirmed is confirmed.
    call(filmed, "POST", "/keep/restore", backup.read_bytes(), token_of(page))
    filmed.kill()
    filmed.start()
    sound(filmed)
    with filmed.store as store:
        assert store.students()["code"].tolist() == codes["before"]


def _try_restore(running: Running, content: bytes, token: str) -> None:
    with contextlib.suppress(OSError, http.client.HTTPException):  # the server goes away meanwhile
        call(running, "POST", "/keep/restore", content, token)
