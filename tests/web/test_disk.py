"""A disk that takes no more: a sentence each time, nothing changed, and the page goes on."""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from placement.web import tables
from placement.web.state import PageState
from tests.web.conftest import Page

HTML = {"Accept": "text/html"}


@contextmanager
def _full(self: PageState) -> Iterator[sqlite3.Connection]:
    """What SQLite says where the log beside the file cannot be made (seen on a full disk)."""
    raise sqlite3.OperationalError("disk I/O error")
    yield  # a context manager has to be a generator


@pytest.mark.parametrize("path", ["/", "/bring", "/students", "/keep", "/clips/abc", "/about"])
def test_a_full_disk_is_a_sentence_on_every_page(
    web: Page, monkeypatch: pytest.MonkeyPatch, path: str
) -> None:
    monkeypatch.setattr(PageState, "_connection", _full)
    answer = web.get(path, headers=HTML)
    assert answer.status_code in (200, 507)
    assert answer.text.count("<h1") == 1
    if answer.status_code == 507:
        assert "free some space and try again." in answer.text
        assert str(web.site.settings.data) in answer.text


def test_a_busy_memory_of_the_page_is_a_sentence(
    web: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    @contextmanager
    def busy(self: PageState) -> Iterator[sqlite3.Connection]:
        raise sqlite3.OperationalError("database is locked")
        yield

    monkeypatch.setattr(PageState, "_connection", busy)
    answer = web.get("/", headers=HTML)
    assert answer.status_code == 503
    assert "try again in a moment" in answer.text


@pytest.mark.parametrize(("code", "status"), [(errno.ENOSPC, 507), (errno.EROFS, 507)])
def test_a_still_that_cannot_be_kept_is_a_sentence(
    web: Page, filmed: int, monkeypatch: pytest.MonkeyPatch, code: int, status: int
) -> None:
    def fail(*_: object) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(tables, "write_whole", fail)
    web.post("/bring/path", {"root": "0", "inside": "drill.mp4"})
    clip = web.site.state.clips()[0].clip_id
    answer = web.get(f"/clips/{clip}/table.json")
    assert answer.status_code == status
    assert "took no more" in answer.json()["sentence"]
    monkeypatch.undo()
    assert web.get(f"/clips/{clip}/table.json").status_code == 200
