"""What every page needs at hand: the records, the page's memory, the queue, the templates."""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
import shutil
import sqlite3
import threading
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode

import jinja2
from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from placement.evidence.parts import bar_svg, percent
from placement.records import Store
from placement.web import wording
from placement.web.films import FilmShelf
from placement.web.jobs import JobRunner
from placement.web.settings import PageSettings
from placement.web.state import PageState

_LEFT_S = 600.0  # no restore or export takes as long

Endpoint = Callable[[Request], Awaitable[Response]]


class Site:
    """The page's parts, made once at its start.

    Parameters
    ----------
    settings : PageSettings
        What the page is started with.
    """

    def __init__(self, settings: PageSettings) -> None:
        self.settings = settings
        settings.data.mkdir(parents=True, exist_ok=True, mode=0o700)
        _sweep(settings.data)
        self.store = Store(settings.store)
        self.state = PageState(settings.data / "page.sqlite")
        self.token = secrets.token_urlsafe(24)
        self.films = FilmShelf()
        self.runner = JobRunner(self.state, settings)
        #: What was read for the films looked at last, by drill and analysis; see `drillwork`.
        self.parts: OrderedDict[tuple[int, int], Any] = OrderedDict()
        self.parts_lock = threading.Lock()
        self.uploading: dict[str, asyncio.Lock] = {}  # one slice of a film at a time
        #: What the first page says of a film, kept while its mark in the records is the same.
        self.counts: dict[int, tuple[tuple[int, ...], tuple[int, int, int]]] = {}
        self.drawing = threading.Lock()  # matplotlib draws for one thread at a time
        self.quit: Callable[[], None] = lambda: None
        self._templates = jinja2.Environment(
            loader=jinja2.PackageLoader("placement.web"),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.globals.update(
            percent=percent, bar=bar_svg, words=wording, url=address, as_json=script_json
        )
        self._templates.filters.update(
            clock=wording.clock,
            day=wording.day,
            span=wording.span,
            count=wording.count,
            moment=wording.moment,
            said_value=wording.said_value,
        )

    def fill(self, template: str, **values: Any) -> str:
        """A template filled in."""
        try:
            open_jobs = self.state.jobs(open_only=True)
        except sqlite3.OperationalError:
            open_jobs = []  # a full disk: what is told about it must not fail too
        return self._templates.get_template(template).render(
            token=self.token, open_jobs=open_jobs, **values
        )

    def page(self, template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
        """A page."""
        return HTMLResponse(self.fill(template, **values), status)

    def close(self) -> None:
        """End the queue and close the records."""
        self.runner.stop()
        self.films.close()
        self.store.close()


def _sweep(data: Path) -> None:
    """Delete what a program that was cut off left of restores and exports: it holds records."""
    for left in (*data.glob(".restore-*"), *data.glob(".export-*")):
        with contextlib.suppress(OSError):
            if time.time() - left.stat().st_mtime < _LEFT_S:
                continue  # another window may be at it
            if left.is_dir():
                shutil.rmtree(left)
            else:
                left.unlink()


def site_of(request: Request) -> Site:
    """The site that a request came to."""
    site: Site = request.app.state.site
    return site


def address(path: str, **query: Any) -> str:
    """A local address with its query; what is None or empty is left out."""
    kept = {name: value for name, value in query.items() if value not in (None, "")}
    return f"{path}?{urlencode(kept)}" if kept else path


def script_json(value: Any) -> Markup:
    """A value as JSON that may stand within a script element."""
    text = json.dumps(value, allow_nan=False)
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


class Form(dict[str, str]):
    """A form's fields by name; of a field that came several times the last.

    Parameters
    ----------
    fields : mapping of str to list of str
        As `urllib.parse.parse_qs` gives them.
    """

    def __init__(self, fields: Mapping[str, list[str]]) -> None:
        super().__init__({name: values[-1] for name, values in fields.items()})
        self._fields = fields

    def all(self, name: str) -> list[str]:
        """Every value of a field, such as those of ticked boxes."""
        return self._fields.get(name, [])


def with_form(work: Callable[[Request, Form], Response]) -> Endpoint:
    """An endpoint whose form is read before its work runs in a thread."""

    async def endpoint(request: Request) -> Response:
        body = (await request.body()).decode("utf-8", "replace")
        return await run_in_threadpool(work, request, Form(parse_qs(body, keep_blank_values=True)))

    return endpoint


def with_json(work: Callable[[Request, dict[str, Any]], Response]) -> Endpoint:
    """An endpoint whose message, a JSON object, is read before its work runs in a thread."""

    async def endpoint(request: Request) -> Response:
        try:
            value = json.loads(await request.body())
        except ValueError as error:
            raise HTTPException(400, "The message is not JSON.") from error
        if not isinstance(value, dict):
            raise HTTPException(400, "The message is not a JSON object.")
        return await run_in_threadpool(work, request, value)

    return endpoint


def go(path: str, **query: Any) -> RedirectResponse:
    """Go on to another page after a change."""
    return RedirectResponse(address(path, **query), 303)


def json_answer(value: Any, status: int = 200) -> JSONResponse:
    """A JSON answer."""
    return JSONResponse(value, status)


def number_in(request: Request, name: str) -> int:
    """A whole number from the path.

    Raises
    ------
    HTTPException
        404 where it is none that the records could hold.
    """
    value = int(request.path_params[name])
    if value > 2**62:
        raise HTTPException(404)
    return value
