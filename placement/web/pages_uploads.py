"""Films streamed in from the browser: straight to the disk, resumed where they broke off.

A file comes in slices, each with the place where it begins. What arrived stays even if the
connection breaks; the browser asks how much that was and goes on from there. The name that a
browser tells is never used as a path.
"""

from __future__ import annotations

import asyncio
import os
import shutil
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from placement.video import VideoError
from placement.web import clipwork
from placement.web.site import Site, json_answer, site_of, with_json
from placement.web.wording import size

_HEAD_BYTES = 64
_SPARE_BYTES = 500 << 20  # left free on the disk for results


def begin(request: Request, message: dict[str, Any]) -> Response:
    """Say what is about to come; tells how much of it is here already."""
    site = site_of(request)
    name, n_bytes = str(message.get("name", "")), message.get("size")
    if not isinstance(n_bytes, int) or isinstance(n_bytes, bool) or n_bytes <= 0:
        raise HTTPException(400, "The file is empty; copy it from the phone again.")
    if n_bytes > site.settings.most_bytes:
        raise HTTPException(
            413,
            f"The file has {size(n_bytes)}, more than the {size(site.settings.most_bytes)} that "
            "can be taken; cut the film in two.",
        )
    folder = _folder(site)
    if shutil.disk_usage(folder).free < n_bytes + _SPARE_BYTES:
        raise HTTPException(507, "The disk is too full for this film; free some space first.")
    upload_id = site.state.begin_upload(
        clipwork.safe_name(name), n_bytes, str(message.get("mark", ""))[:100]
    )
    part = folder / f"{upload_id}.part"
    part.touch(mode=0o600)
    return json_answer({"id": upload_id, "received": part.stat().st_size})


async def take(request: Request) -> Response:
    """Take a slice; the last one makes the film ready."""
    site = site_of(request)
    known = site.state.upload(request.path_params["upload_id"])
    if known is None:
        raise HTTPException(404, "This upload is not known any more; choose the file again.")
    upload_id = str(request.path_params["upload_id"])
    part = _folder(site) / f"{upload_id}.part"
    try:
        start = int(request.query_params.get("from", ""))
    except ValueError as error:
        raise HTTPException(400, "A slice needs the place where it begins.") from error
    # Two windows may send the same film: one slice at a time, the other is told where to go on.
    async with site.uploading.setdefault(upload_id, asyncio.Lock()):
        here = part.stat().st_size if part.exists() else 0
        if start != here:
            return json_answer({"received": here}, 409)
        if site.state.upload(upload_id) is None:  # refused or ready meanwhile
            raise HTTPException(404, "This upload is not known any more; choose the file again.")
        return await _slice(request, site, upload_id, part, start, known)


async def _slice(
    request: Request, site: Site, upload_id: str, part: Path, start: int,
    known: tuple[str, int, str],
) -> Response:  # fmt: skip
    """Append what comes; the last slice makes the film ready."""
    name, n_bytes, mark = known
    await _append(request, part, n_bytes)
    here = part.stat().st_size
    if start == 0 and here >= _HEAD_BYTES and not clipwork.looks_like_film(_head(part)):
        part.unlink()
        site.state.end_upload(upload_id)
        raise HTTPException(415, f"{name} is not a film; choose a clip as the phone recorded it.")
    if here < n_bytes:
        return json_answer({"received": here})
    return await run_in_threadpool(_finish, site, upload_id, part, name, mark)


async def _append(request: Request, part: Path, n_bytes: int) -> None:
    here = part.stat().st_size if part.exists() else 0
    with part.open("ab") as stream:
        try:
            async for chunk in request.stream():
                here += len(chunk)
                if here > n_bytes:
                    raise HTTPException(413, "More came than was said; choose the file again.")
                await run_in_threadpool(stream.write, chunk)
        except ClientDisconnect:
            pass  # what arrived stays
        except OSError as error:
            raise HTTPException(507, f"The film could not be kept: {error.strerror}.") from error
        finally:
            stream.flush()
            os.fsync(stream.fileno())


def _finish(site: Site, upload_id: str, part: Path, name: str, mark: str) -> Response:
    # A folder for each film: its own name stays free of marks and is what the records show.
    target = _folder(site).parent / "films" / upload_id[:12] / name
    target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    try:
        info = clipwork.probe(part, changed_s=_moment(mark))
    except VideoError as error:
        part.unlink(missing_ok=True)
        site.state.end_upload(upload_id)
        raise HTTPException(415, str(error).replace(part.name, name)) from error
    os.replace(part, target)
    clip_id = site.state.add_clip(name, target, info, owned=True)
    site.state.end_upload(upload_id)
    return json_answer({"clip": clip_id, "words": info["words"]})


def drop(request: Request, message: dict[str, Any]) -> Response:
    """Give an upload up and delete what arrived."""
    site = site_of(request)
    upload_id = request.path_params["upload_id"]
    if site.state.upload(upload_id) is None:
        raise HTTPException(404)
    (_folder(site) / f"{upload_id}.part").unlink(missing_ok=True)
    site.state.end_upload(upload_id)
    return json_answer({"dropped": True})


def _moment(mark: str) -> float | None:
    """When the file was last changed, as the browser tells it in ms; None where it does not."""
    known = mark.isdigit() and len(mark) < 15
    return int(mark) / 1000 if known else None


def _head(part: Path) -> bytes:
    with part.open("rb") as stream:
        return stream.read(_HEAD_BYTES)


def _folder(site: Site) -> Path:
    folder = site.settings.data / "uploads"
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder


ROUTES = [
    Route("/uploads/new", with_json(begin), methods=["POST"]),
    Route("/uploads/{upload_id}", take, methods=["PUT"]),
    Route("/uploads/{upload_id}/drop", with_json(drop), methods=["POST"]),
]
