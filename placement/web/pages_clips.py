"""Bringing a film in, the table found in it, and the queue."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, Response
from starlette.routing import Route

from calibration import CalibrationError, calibrate_corners
from placement.records import RecordsError
from placement.records.films import clean_day
from placement.records.turnlist import parse_turns
from placement.video import VideoError
from placement.web import clipwork, tables
from placement.web.drillwork import parts_of
from placement.web.site import Form, Site, go, json_answer, number_in, site_of, with_form, with_json
from placement.web.state import DONE, Clip, Job

ABOUT = ("group", "filmed_on", "place", "asked", "keep_until")
_KEPT_STILLS = 4
_MOST_AT_ONCE = 100
_KEPT_FOUND = 50
_stills: OrderedDict[str, tuple[np.ndarray, np.ndarray]] = OrderedDict()  # in colour and in grey
_found: OrderedDict[str, tables.View] = OrderedDict()  # the table as the machine finds it, by film
_stills_lock = threading.Lock()


def clip_of(request: Request) -> Clip:
    """The film that a request names.

    Raises
    ------
    HTTPException
        404 where there is none.
    """
    clip = site_of(request).state.clip(request.path_params["clip_id"])
    if clip is None:
        raise HTTPException(404)
    return clip


def bring(request: Request) -> Response:
    """Choose films, from the phone's cable or card or from a folder of this computer."""
    site = site_of(request)
    return site.page(
        "bring.html", roots=[(i, r.name or str(r)) for i, r in enumerate(site.settings.roots)]
    )


def folder(request: Request) -> Response:
    """A folder's films, as a piece of the page."""
    site = site_of(request)
    try:
        root = int(request.query_params.get("root", "0"))
    except ValueError as error:
        raise HTTPException(400, "The folder is not named by a number.") from error
    view = clipwork.list_folder(site.settings.roots, root, request.query_params.get("inside", ""))
    above = view.inside.rpartition("/")[0] if view.inside else None
    return HTMLResponse(site.fill("_folder.html", view=view, above=above))


def bring_path(request: Request, form: Form) -> Response:
    """Bring in films that lie in a folder of this computer; they stay where they are."""
    site = site_of(request)
    try:
        root = int(form.get("root", ""))
    except ValueError as error:
        raise HTTPException(400, "The folder is not named by a number.") from error
    wanted = [form["one"]] if form.get("one") else form.all("inside")
    if not wanted:
        raise VideoError("Tick the films that shall be brought in.")
    found = []
    for inside in dict.fromkeys(wanted[:_MOST_AT_ONCE]):  # all are looked at before one is kept
        path = clipwork.inside_roots(site.settings.roots, root, inside)
        if not path.is_file():
            raise VideoError(f"There is no film {path.name} in this folder.")
        found.append((path, clipwork.probe(path)))
    clips = [site.state.add_clip(path.name, path, info, owned=False) for path, info in found]
    return go(f"/clips/{clips[0]}" if len(clips) == 1 else "/")


def clip_page(request: Request) -> Response:
    """One film: what it is, the table found in it, and when and of whom it was."""
    site, clip = site_of(request), clip_of(request)
    job = site.state.latest_job(clip.clip_id)
    asked = {j.clip_id for j in site.state.jobs()}
    waiting = [c for c in site.state.clips() if c.clip_id not in asked and c.drill_id is None]
    return site.page(
        "clip.html",
        clip=clip,
        job=job,
        waiting=waiting[:6] if job is not None and job.is_open else [],
        groups=site.store.groups()["name"].tolist(),
        there=clip.path.is_file(),
        **_outcome(site, clip, job),
    )


def _outcome(site: Site, clip: Clip, job: Job | None) -> dict[str, Any]:
    """How many serves the measuring found, None while that is not known, and what it said."""
    if job is None or job.state != DONE or clip.drill_id is None:
        return {"found": None, "warnings": ()}
    try:
        found = len(site.store.serves(drill_id=clip.drill_id, columns=()))
        return {"found": found, "warnings": parts_of(site, clip.drill_id).warnings}
    except RecordsError:  # removed since, by another window or command
        return {"found": None, "warnings": ()}


def still_picture(request: Request) -> Response:
    """The still with the people removed."""
    site, clip = site_of(request), clip_of(request)
    _still(site, clip)
    return FileResponse(
        _still_path(site, clip), media_type="image/jpeg",
        headers={"Cache-Control": "private, max-age=600"},
    )  # fmt: skip


def table_found(request: Request) -> Response:
    """The table as a person left it, or else as the machine finds it."""
    site, clip = site_of(request), clip_of(request)
    still = _still(site, clip)
    if clip.corners is not None:
        try:
            view = tables.try_corners(_grey(site, clip), clip.corners, fps=_fps(clip))
            return json_answer(
                # The corners as they were left, not where a table that fits them best has its own.
                {
                    "view": view.as_json() | {"corners": clip.corners},
                    "by_hand": True,
                    "snapped": bool(clip.refine),
                }
            )
        except CalibrationError as error:
            return json_answer(
                {"view": None, "corners": clip.corners, "sentence": tables.plain_words(error)}
            )
    with _stills_lock:
        kept = _found.get(clip.clip_id)
    if kept is None:
        try:
            kept, _ = tables.find_table(still, fps=_fps(clip))
        except CalibrationError as error:
            return json_answer({"view": None, "sentence": _not_found(error)})
        with _stills_lock:
            _found[clip.clip_id] = kept
            while len(_found) > _KEPT_FOUND:
                _found.popitem(last=False)
    return json_answer({"view": kept.as_json(), "by_hand": False})


def near_table(request: Request, message: dict[str, Any]) -> Response:
    """Find the table at a place that was pointed at."""
    site, clip = site_of(request), clip_of(request)
    try:
        place = (float(message["u"]), float(message["v"]))
    except (KeyError, TypeError, ValueError) as error:
        raise HTTPException(400, "A place needs two numbers, u and v.") from error
    if not np.isfinite(place).all():
        raise HTTPException(400, "A place needs two numbers, u and v.")
    try:
        view, _ = tables.find_table(_still(site, clip), fps=_fps(clip), near=place)
    except CalibrationError as error:
        return json_answer({"view": None, "sentence": _not_found(error)})
    site.state.change_clip(clip.clip_id, corners=view.corners, refine=1)
    return json_answer({"view": view.as_json()})


def try_corners(request: Request, message: dict[str, Any]) -> Response:
    """What corners mean while they are being moved; nothing is kept."""
    site, clip = site_of(request), clip_of(request)
    try:
        corners = tables.checked_corners(message.get("corners"))
        view = tables.try_corners(_grey(site, clip), corners, fps=_fps(clip), moving=True)
    except CalibrationError as error:
        return json_answer({"view": None, "sentence": tables.plain_words(error)})
    return json_answer({"view": view.as_json()})


def keep_corners(request: Request, message: dict[str, Any]) -> Response:
    """Keep corners as they were left by hand, also while they are no table yet."""
    site, clip = site_of(request), clip_of(request)
    still = _still(site, clip)
    try:
        corners = tables.checked_corners(message.get("corners"))
    except CalibrationError as error:
        return json_answer({"view": None, "sentence": str(error)}, 422)
    try:
        if message.get("snap"):
            view = tables.snap_corners(still, corners, fps=_fps(clip))
            corners = view.corners
        else:
            view = tables.try_corners(_grey(site, clip), corners, fps=_fps(clip))
    except CalibrationError as error:
        if not message.get("snap"):
            site.state.change_clip(clip.clip_id, corners=corners, refine=0)
        kept = not message.get("snap")
        return json_answer({"view": None, "kept": kept, "sentence": tables.plain_words(error)})
    site.state.change_clip(clip.clip_id, corners=corners, refine=int(bool(message.get("snap"))))
    return json_answer({"view": view.as_json(), "kept": True})


def find_again(request: Request, message: dict[str, Any]) -> Response:
    """Drop the corners set by hand and find the table anew."""
    site, clip = site_of(request), clip_of(request)
    site.state.change_clip(clip.clip_id, corners=None, refine=1)
    return table_found(request)


def start_measuring(request: Request, form: Mapping[str, str]) -> Response:
    """Put the film in the queue."""
    site, clip = site_of(request), clip_of(request)
    if not clip.path.is_file():
        raise VideoError(f"The film is no longer at {clip.path}; bring it in again.")
    if clip.corners is not None:
        try:
            size = (int(clip.info["width"]), int(clip.info["height"]))
            calibrate_corners(np.array(clip.corners), size, sd_px=tables.HAND_SD_PX)
        except CalibrationError as error:
            raise VideoError(tables.plain_words(error)) from error
    about = {name: form.get(name, "").strip() for name in ABOUT}
    for name in ("filmed_on", "keep_until"):
        if about[name]:
            about[name] = clean_day(about[name], name.replace("_", " "))
    if form.get("turns", "").strip():
        parse_turns(form["turns"])  # a slip is told now, not after the measuring
        about["turns"] = form["turns"].strip()
    site.state.change_clip(clip.clip_id, about=about)
    site.state.add_job(clip.clip_id)
    site.runner.wake()
    return go(f"/clips/{clip.clip_id}")


def progress(request: Request) -> Response:
    """How far the measuring of a film is, as a piece of the page."""
    site, clip = site_of(request), clip_of(request)
    ahead = [j for j in site.state.jobs(open_only=True) if j.clip_id != clip.clip_id]
    job = site.state.latest_job(clip.clip_id)
    waiting_for = [j for j in ahead if job is not None and j.job_id < job.job_id]
    outcome = _outcome(site, clip, job)
    return HTMLResponse(
        site.fill("_progress.html", clip=clip, job=job, ahead=waiting_for, **outcome)
    )


def queue_state(request: Request) -> Response:
    """Where a film is in the queue, as a piece of the first page."""
    site, clip = site_of(request), clip_of(request)
    return HTMLResponse(
        site.fill("_state.html", clip=clip, job=site.state.latest_job(clip.clip_id))
    )


def queue(request: Request) -> Response:
    """How many films are being measured, as a piece of every page; 204 while that is the same."""
    site = site_of(request)
    jobs = site.state.jobs(open_only=True)
    asked = request.query_params
    if jobs and asked.get("seen") == str(len(jobs)) and asked.get("first") == jobs[0].clip_id:
        return Response(status_code=204)  # whoever has reached the link by keys stays on it
    return HTMLResponse(site.fill("_queue.html"))


def cancel(request: Request, form: Mapping[str, str]) -> Response:
    """Stop the measuring of a film, or take it out of the queue."""
    site = site_of(request)
    job = site.state.job(number_in(request, "job_id"))
    if job is None:
        raise HTTPException(404)
    site.state.cancel_job(job.job_id)
    return go(f"/clips/{job.clip_id}")


def remove(request: Request, form: Mapping[str, str]) -> Response:
    """Take a film out of the page; one that was copied here is deleted, any other stays."""
    site, clip = site_of(request), clip_of(request)
    job = site.state.latest_job(clip.clip_id)
    if job is not None and job.is_open:
        raise VideoError("The film is being measured; stop that first.")
    site.films.drop(clip.path)
    site.state.remove_clip(clip.clip_id)
    _still_path(site, clip).unlink(missing_ok=True)
    with _stills_lock:
        _stills.pop(clip.clip_id, None)
        _found.pop(clip.clip_id, None)
    if clip.owned:
        clip.path.unlink(missing_ok=True)
        if clip.path.parent.is_dir() and not any(clip.path.parent.iterdir()):
            clip.path.parent.rmdir()
    return go("/")


def _fps(clip: Clip) -> float:
    return float(clip.info.get("fps") or 60.0)


def _still_path(site: Site, clip: Clip) -> Path:
    return site.settings.data / "stills" / f"{clip.clip_id}.jpg"


def _still(site: Site, clip: Clip) -> np.ndarray:
    return _kept_still(site, clip)[0]


def _grey(site: Site, clip: Clip) -> np.ndarray:
    return _kept_still(site, clip)[1]


def _kept_still(site: Site, clip: Clip) -> tuple[np.ndarray, np.ndarray]:
    """The still in colour and in grey."""
    with _stills_lock:  # one still at a time: it decodes several frames
        kept = _stills.get(clip.clip_id)
        if kept is None:
            path = _still_path(site, clip)
            if not path.is_file() and not clip.path.is_file():
                raise VideoError(f"The film is no longer at {clip.path}; bring it in again.")
            still = tables.still_of(site.films.film(clip.path), path)
            kept = still, np.asarray(cv2.cvtColor(still, cv2.COLOR_BGR2GRAY))
            _stills[clip.clip_id] = kept
            while len(_stills) > _KEPT_STILLS:
                _stills.popitem(last=False)
        return kept


def _not_found(error: CalibrationError) -> str:
    return tables.plain_words(error)


ROUTES = [
    Route("/bring", bring),
    Route("/bring/folder", folder),
    Route("/bring/path", with_form(bring_path), methods=["POST"]),
    Route("/clips/{clip_id}", clip_page),
    Route("/clips/{clip_id}/still.jpg", still_picture),
    Route("/clips/{clip_id}/table.json", table_found),
    Route("/clips/{clip_id}/near", with_json(near_table), methods=["POST"]),
    Route("/clips/{clip_id}/try", with_json(try_corners), methods=["POST"]),
    Route("/clips/{clip_id}/corners", with_json(keep_corners), methods=["POST"]),
    Route("/clips/{clip_id}/again", with_json(find_again), methods=["POST"]),
    Route("/clips/{clip_id}/start", with_form(start_measuring), methods=["POST"]),
    Route("/clips/{clip_id}/progress", progress),
    Route("/clips/{clip_id}/state", queue_state),
    Route("/clips/{clip_id}/remove", with_form(remove), methods=["POST"]),
    Route("/queue", queue),
    Route("/jobs/{job_id:int}/cancel", with_form(cancel), methods=["POST"]),
]
