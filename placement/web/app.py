"""The page as an application: routes by subject, one guard in front, errors as sentences."""

from __future__ import annotations

import errno
import logging
import mimetypes
import sqlite3
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from importlib import import_module, resources
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from calibration import CalibrationError
from placement.records import RecordsError, StaleError, StoreError
from placement.video import VideoError
from placement.web import (
    pages_clips,
    pages_films,
    pages_keep,
    pages_start,
    pages_uploads,
    wording,
)
from placement.web.guard import Guard
from placement.web.settings import PageSettings
from placement.web.site import Site, json_answer, site_of
from placement.web.turnwork import finish_changes

_LOG = logging.getLogger(__name__)
#: The pages for looking, by the names of their endpoints. Plots and statistics take most of the
#: time that the program needs to start: they are loaded a little later, or when first asked for.
_LOOK = {
    "/groups": "groups",
    "/group": "group",
    "/group/overview.{kind}": "group_file",
    "/student": "student",
    "/student/pictures/{name}.{kind}": "student_picture",
    "/student/files/{name}": "student_file",
    "/films/{drill_id:int}/map": "film_map",
    "/films/{drill_id:int}/map.{kind}": "film_picture",
    "/films/{drill_id:int}/serves.csv": "film_csv",
    "/wall": "wall",
}
_LOAD_AFTER_S = 2.0  # when the first page is on the screen
#: What the system says where a disk takes no more: full, over the quota, write-protected, failing.
_OF_THE_DISK = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EIO)
_NOT_THERE = "There is nothing at this address; it may have been removed."


def make_app(settings: PageSettings) -> Starlette:
    """Build the page.

    Parameters
    ----------
    settings : PageSettings
        What it is started with.

    Returns
    -------
    Starlette
        With `app.state.site`; the queue runs while the application does.

    Raises
    ------
    StoreError
        If the records cannot be opened.
    """
    mimetypes.add_type("text/javascript", ".js")  # some systems say text/plain, which is refused
    site = Site(settings)

    @asynccontextmanager
    async def running(_: Starlette) -> AsyncIterator[None]:
        finish_changes(site.state, site.store)
        site.runner.start()
        loading = threading.Timer(_LOAD_AFTER_S, _look)
        loading.daemon = True
        loading.start()
        yield
        loading.cancel()
        await run_in_threadpool(site.close)

    static = Path(str(resources.files("placement.web") / "static"))
    app = Starlette(
        routes=[
            *pages_start.ROUTES,
            *pages_clips.ROUTES,
            *pages_uploads.ROUTES,
            *(Route(path, _later(name)) for path, name in _LOOK.items()),
            *pages_films.ROUTES,
            *pages_keep.ROUTES,
            Mount("/static", StaticFiles(directory=static)),
        ],
        middleware=[
            Middleware(
                Guard,
                hosts=settings.hosts,
                token=site.token,
                password=settings.password,
            )
        ],
        exception_handlers={
            HTTPException: _refused,
            RecordsError: _sentence,
            VideoError: _sentence,
            CalibrationError: _sentence,
            sqlite3.OperationalError: _no_room,
            OSError: _no_room,
            Exception: _broken,
        },
        lifespan=running,
    )
    app.state.site = site
    return app


def _look() -> Any:
    """The module of the pages for looking."""
    return import_module("placement.web.pages_look")


def _later(name: str) -> Callable[[Request], Response]:
    """An endpoint of the pages for looking, loaded when the first of them is asked for."""

    def endpoint(request: Request) -> Response:
        answer: Response = getattr(_look(), name)(request)
        return answer

    return endpoint


def _answer(request: Request, sentence: str, status: int) -> Response:
    sentence = wording.sentence(sentence)
    if request.headers.get("sec-fetch-dest", "document") == "document" and "text/html" in (
        request.headers.get("accept", "")
    ):
        return site_of(request).page(
            "sorry.html", status=status, sentence=sentence, back=request.method == "POST"
        )
    return json_answer({"sentence": sentence}, status)


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    plain = error.status_code == 404 and error.detail == "Not Found"
    return _answer(request, _NOT_THERE if plain else error.detail, error.status_code)


def _sentence(request: Request, error: Exception) -> Response:
    status = 409 if isinstance(error, StaleError) else 503 if isinstance(error, StoreError) else 422
    return _answer(request, str(error), status)


def _no_room(request: Request, error: Exception) -> Response:
    """The page's own memory or files could not be read or written."""
    if isinstance(error, OSError) and error.errno not in _OF_THE_DISK:
        raise error
    _LOG.warning("%s: %s", request.url.path, error)
    if "locked" in str(error):
        return _answer(request, "The page's own files are busy; try again in a moment", 503)
    return _answer(
        request,
        f"The disk that holds {site_of(request).settings.data} took no more: it is full, "
        "write-protected or failing. Nothing that was confirmed is lost; free some space and try "
        "again",
        507,
    )


def _broken(request: Request, error: Exception) -> Response:
    _LOG.error("unhandled in %s", request.url.path, exc_info=error)
    return _answer(
        request,
        "Something went wrong in the program; nothing that was confirmed is lost. "
        "Go back and try again; the window with the program shows the details",
        500,
    )
