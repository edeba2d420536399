"""Keeping house: students and groups, what is due, forgetting, backups, where files are."""

from __future__ import annotations

import os
import secrets
import sqlite3
import tempfile
import zipfile
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from placement.records import RecordsError
from placement.records.backup import backup_name, check_records_file
from placement.records.base import rows_of
from placement.web.classlist import tidy_class_list
from placement.web.site import Site, go, json_answer, site_of, with_form
from placement.web.wording import count, size

_SQLITE_HEAD = b"SQLite format 3\0"
_MOST_BACKUP = 4 << 30


def students(request: Request) -> Response:
    """Students and groups."""
    site = site_of(request)
    names = request.query_params.get("names") == "1"
    chosen = request.query_params.get("group", "")
    known = site.store.groups()["name"].tolist()
    frame = site.store.students(chosen if chosen in known else None, names=names)
    return site.page(
        "students.html", students=list(rows_of(frame)), groups=known, chosen=chosen,
        with_names=names, said=request.query_params.get("said", "")[:300],
    )  # fmt: skip


def add_student(request: Request, form: Mapping[str, str]) -> Response:
    """Add a student."""
    site = site_of(request)
    group = form.get("group", "").strip()
    who = site.store.add_student(
        form.get("code", ""), hand=form.get("hand", ""), name=form.get("name", ""),
        groups=[group] if group else [],
    )  # fmt: skip
    return go("/students", group=group, said=f"{who.code} is added.")


def change_student(request: Request, form: Mapping[str, str]) -> Response:
    """Change code, hand, name or groups of a student."""
    site = site_of(request)
    code = form.get("code", "")
    who = site.store.student(code)
    new_code = form.get("new_code", "").strip() or None
    changed = site.store.change_student(
        code, new_code=new_code if new_code != code else None, hand=form.get("hand"),
        name=form.get("name", None),
    )  # fmt: skip
    if changed.code != who.code:  # notes for undo name the old code
        site.state.forget_turn_changes()
    joined = form.get("join", "").strip()
    if joined:
        site.store.join_group(changed.code, joined)
    if form.get("leave"):
        site.store.leave_group(changed.code, form["leave"])
    return go("/students/one", code=changed.code, said="Kept.")


def one_student(request: Request) -> Response:
    """What is kept about a student, to be changed or forgotten."""
    site = site_of(request)
    who = site.store.student(request.query_params.get("code", ""))
    return site.page(
        "student_keep.html", who=who, n=len(site.store.serves(student_code=who.code)),
        groups=site.store.groups()["name"].tolist(),
        notes=list(rows_of(site.store.notes(student_code=who.code))),
        said=request.query_params.get("said", "")[:300],
    )  # fmt: skip


def add_note(request: Request, form: Mapping[str, str]) -> Response:
    """Keep a note about a student."""
    site = site_of(request)
    code = form.get("code", "")
    site.store.add_note(form.get("text", ""), who=form.get("who", ""), student_code=code)
    return go("/students/one", code=code, said="The note is kept.")


def class_list(request: Request, form: Mapping[str, str]) -> Response:
    """Read a class list, pasted or out of a file."""
    site = site_of(request)
    text = tidy_class_list(form.get("list", ""))
    new = site.store.import_class_list(text, group=form.get("group", "").strip())
    said = f"{len(new)} new: {', '.join(new[:20])}." if new else "Nobody in the list is new."
    return go("/students", group=form.get("group", "").strip(), said=said)


def forget(request: Request, form: Mapping[str, str]) -> Response:
    """Remove all that is kept about a student."""
    site = site_of(request)
    code = form.get("code", "")
    if form.get("sure", "").strip() != code or not code:
        raise RecordsError(f"to forget {code}, type {code} into the box; nothing was removed")
    done = site.store.forget(code)
    site.state.forget_turn_changes()
    for clip in site.state.clips():  # a turn list typed before the measuring may name them
        if code in clip.about.get("turns", ""):
            site.state.change_clip(clip.clip_id, about=clip.about | {"turns": ""})
    return site.page("forgotten.html", lines=str(done).splitlines())


def remove_group(request: Request, form: Mapping[str, str]) -> Response:
    """Remove a group; its students and films stay."""
    site_of(request).store.remove_group(form.get("group", ""))
    return go("/students", said="The group is removed; its students and films stay.")


def keeping(request: Request) -> Response:
    """What is due, backups, where everything lies."""
    site = site_of(request)
    data = site.settings.data
    owned = [clip for clip in site.state.clips() if clip.owned]
    used = sum(p.stat().st_size for p in data.rglob("*") if p.is_file() and not p.is_symlink())
    return site.page(
        "keep.html", due=list(rows_of(site.store.due())),
        undated=list(rows_of(site.store.without_date())), store=site.store.where, data=data,
        used=size(used), owned=owned, broken=len(site.state.uploads()),
        written=list(rows_of(site.store.written_files().iloc[::-1].head(40))),
        said=request.query_params.get("said", "")[:300],
    )  # fmt: skip


def drop_uploads(request: Request, form: Mapping[str, str]) -> Response:
    """Delete what arrived of films whose upload was broken off."""
    site = site_of(request)
    keys = site.state.uploads()
    for key in keys:
        (site.settings.data / "uploads" / f"{key}.part").unlink(missing_ok=True)
        site.state.end_upload(key)
    return go("/keep", said=f"{count(len(keys), 'film')} that never arrived whole: deleted.")


def set_date(request: Request, form: Mapping[str, str]) -> Response:
    """Set the last day for all films that have none."""
    site = site_of(request)
    day = form.get("keep_until", "")
    if not day:
        raise RecordsError("choose a day first")
    for row in rows_of(site.store.without_date()):
        site.store.describe_drill(int(row.drill_id), keep_until=day)
    return go("/keep", said="The day is set.")


def remove_due(request: Request, form: Mapping[str, str]) -> Response:
    """Remove the records of films that are past their day, and films that lie in our folder."""
    site = site_of(request)
    if form.get("sure") != "yes":
        raise RecordsError("tick the box to say that these shall be removed")
    n = 0
    for row in rows_of(site.store.due()):
        clip = site.state.clip_of_drill(int(row.drill_id))
        site.store.remove_drill(int(row.drill_id))
        site.state.forget_turn_changes([int(row.drill_id)])
        n += 1
        if clip is not None:
            site.films.drop(clip.path)
            if clip.owned:
                clip.path.unlink(missing_ok=True)
            site.state.remove_clip(clip.clip_id)
    return go("/keep", said=f"{n} removed.")


def backup(request: Request) -> Response:
    """All records in one file, to be saved where the teacher chooses."""
    site = site_of(request)
    folder = site.settings.data / "backups"
    folder.mkdir(mode=0o700, exist_ok=True)
    path = site.store.backup(folder / backup_name())
    return FileResponse(path, media_type="application/octet-stream", filename=path.name)


async def restore(request: Request) -> Response:
    """Bring a backup back in place of the records."""
    site = site_of(request)
    path = site.settings.data / f".restore-{secrets.token_hex(6)}.sqlite"
    taken = 0
    try:
        with os.fdopen(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as out:
            async for chunk in request.stream():
                taken += len(chunk)
                if taken == len(chunk) and not chunk.startswith(_SQLITE_HEAD[: len(chunk)]):
                    raise HTTPException(415, "This file is not a backup of this tool.")
                if taken > _MOST_BACKUP:
                    raise HTTPException(413, "This file is too large for a backup.")
                await run_in_threadpool(out.write, chunk)
        kept = await run_in_threadpool(_keep_present, site, path)
        again = await run_in_threadpool(site.store.restore, path)
        await run_in_threadpool(site.state.forget_turn_changes)
        with site.parts_lock:
            site.parts.clear()  # a drill's number may mean another film now
    except ClientDisconnect as error:
        raise HTTPException(400, "The backup did not arrive whole; nothing was changed.") from error
    finally:
        path.unlink(missing_ok=True)
    said = (
        f"The backup is in place. To take that back, bring back {kept}: the records as they were."
    )
    if again:
        said += f" {again} forgotten students were removed again."
    return json_answer({"said": said})


def _keep_present(site: Site, coming: Path) -> Path:
    """A backup of the records as they are, before another one takes their place."""
    check_records_file(coming)
    with closing(sqlite3.connect(f"{coming.as_uri()}?mode=ro", uri=True)) as connection:
        # Our records have none: what acts by itself when the file is used is not let in.
        if connection.execute(
            "SELECT 1 FROM sqlite_master WHERE type IN ('trigger', 'view')"
        ).fetchone():
            raise RecordsError("this file is not a backup of this tool; nothing was changed")
    folder = site.settings.data / "backups"
    folder.mkdir(mode=0o700, exist_ok=True)
    return site.store.backup(folder / f"before-{backup_name()}")


def export(request: Request) -> Response:
    """Everything as CSV with a dictionary of the columns, in one file."""
    site = site_of(request)
    handle, name = tempfile.mkstemp(suffix=".zip", dir=site.settings.data, prefix=".export-")
    os.close(handle)
    archive = Path(name)
    with tempfile.TemporaryDirectory(dir=site.settings.data, prefix=".export-") as folder:
        target = Path(folder) / "serve-placement-export"
        site.store.export(target, formats=["csv"])
        with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
            for path in sorted(target.rglob("*")):
                if path.is_file():
                    packed.write(path, path.relative_to(target.parent))
    return FileResponse(
        archive, media_type="application/zip", filename="serve-placement-export.zip",
        background=BackgroundTask(archive.unlink, missing_ok=True),
    )  # fmt: skip


ROUTES = [
    Route("/students", students),
    Route("/students", with_form(add_student), methods=["POST"]),
    Route("/students/list", with_form(class_list), methods=["POST"]),
    Route("/students/one", one_student),
    Route("/students/one", with_form(change_student), methods=["POST"]),
    Route("/students/note", with_form(add_note), methods=["POST"]),
    Route("/students/forget", with_form(forget), methods=["POST"]),
    Route("/groups/remove", with_form(remove_group), methods=["POST"]),
    Route("/keep", keeping),
    Route("/keep/date", with_form(set_date), methods=["POST"]),
    Route("/keep/uploads", with_form(drop_uploads), methods=["POST"]),
    Route("/keep/due", with_form(remove_due), methods=["POST"]),
    Route("/keep/backup.sqlite", backup),
    Route("/keep/restore", restore, methods=["POST"]),
    Route("/keep/export.zip", export),
]
