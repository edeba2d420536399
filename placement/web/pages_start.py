"""The first page, the demo class, the end of the program, and the page about it."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import pandas as pd
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from placement import democlass
from placement.evidence import words as page_words
from placement.records import RecordsError
from placement.records.base import rows_of
from placement.web.check import needs_look
from placement.web.site import Site, go, site_of, with_form

SHOWN = 12  # films on the first page; the earlier ones are reached through their groups
PARTS = (
    ("starlette", "BSD-3-Clause"), ("uvicorn", "BSD-3-Clause"), ("Jinja2", "BSD-3-Clause"),
    ("numpy", "BSD-3-Clause"), ("scipy", "BSD-3-Clause"), ("pandas", "BSD-3-Clause"),
    ("matplotlib", "matplotlib licence"), ("opencv-python", "Apache-2.0"), ("av", "BSD-3-Clause"),
    ("scikit-image", "BSD-3-Clause"), ("SQLAlchemy", "MIT"), ("pyarrow", "Apache-2.0"),
    ("typst", "Apache-2.0"), ("threadpoolctl", "BSD-3-Clause"), ("numba", "BSD-2-Clause"),
)  # fmt: skip


def start(request: Request) -> Response:
    """The first page: films and what each of them still needs, or a welcome."""
    site = site_of(request)
    drills = site.store.drills()
    clips = [clip for clip in site.state.clips() if clip.drill_id is None]
    if not len(drills) and not clips:
        return site.page("welcome.html")
    # The last first; a film without a day is one that still has to be given its day.
    newest = drills.iloc[::-1]
    undated = newest["filmed_on"].fillna("") == ""
    newest = pd.concat([newest[undated], newest[~undated]])
    rows = list(rows_of(newest.head(SHOWN)))
    marks = site.store.drill_marks([int(row.drill_id) for row in rows])
    lines = [_line(row, site, marks.get(int(row.drill_id))) for row in rows]
    return site.page(
        "start.html",
        lines=lines,
        more=max(0, len(drills) - SHOWN),
        clips=[(clip, site.state.latest_job(clip.clip_id)) for clip in clips],
        has_demo=democlass.GROUP in set(site.store.groups()["name"]),
    )


def _counts(site: Site, drill_id: int, mark: tuple[int, ...] | None) -> tuple[int, int, int]:
    """How many serves, of how many nobody is named, how many are to be checked."""
    if mark is None:
        return 0, 0, 0
    kept = site.counts.get(drill_id)
    if kept is None or kept[0] != mark:
        serves = site.store.serves(drill_id=drill_id, columns=())
        nobody, look = int((serves["code"] == "").sum()), int(needs_look(serves).sum())
        kept = site.counts[drill_id] = (mark, (len(serves), nobody, look))
    return kept[1]


def _line(row: Any, site: Site, mark: tuple[int, ...] | None) -> dict[str, Any]:
    drill_id = int(row.drill_id)
    n, nobody, look = _counts(site, drill_id, mark)
    if not n:
        following = ("Add serves", f"/films/{drill_id}/check")
    elif nobody:
        following = ("Say who served", f"/films/{drill_id}/turns")
    elif look:
        following = (f"Check {look}", f"/films/{drill_id}/check")
    else:
        following = ("Look", f"/films/{drill_id}/map")
    return {
        "drill_id": drill_id, "day": row.filmed_on, "group": row.group, "clip": row.clip,
        "asked": row.asked, "n": n, "nobody": nobody, "look": look, "next": following,
        "demo": row.version == "demo",
    }  # fmt: skip


def make_demo(request: Request, form: Mapping[str, str]) -> Response:
    """Put the invented class into the records, to be played with."""
    site = site_of(request)
    if democlass.GROUP not in set(site.store.groups()["name"]):
        democlass.make_demo_class(site.store, site.settings.data / "demo-results")
    return go("/group", name=democlass.GROUP)


def remove_demo(request: Request, form: Mapping[str, str]) -> Response:
    """Take the invented class out of the records again."""
    site = site_of(request)
    if democlass.GROUP not in set(site.store.groups()["name"]):
        raise RecordsError("the demo class is not in the records")
    drills = site.store.drills(group=democlass.GROUP)
    invented = drills.loc[drills["version"] == "demo", "drill_id"].tolist()
    for drill_id in invented:
        site.store.remove_drill(drill_id)
    site.state.forget_turn_changes(invented)
    for code in site.store.students(democlass.GROUP)["code"].tolist():
        if not len(site.store.serves(student_code=code)):
            site.store.forget(code)
    site.store.remove_group(democlass.GROUP)
    shutil.rmtree(site.settings.data / "demo-results", ignore_errors=True)
    return go("/")


def about(request: Request) -> Response:
    """Version, licences, cautions."""
    found = []
    for name, licence in PARTS:
        try:
            found.append((name, version(name), licence))
        except PackageNotFoundError:
            continue
    found.append(("htmx", "4.0.1", "0BSD, its licence is at /static/htmx.LICENSE.txt"))
    return site_of(request).page(
        "about.html",
        version=_own_version(),
        python=sys.version.split()[0],
        parts=found,
        cautions=page_words.CAUTIONS,
        not_shown=page_words.NOT_SHOWN,
    )


def stop_program(request: Request, form: Mapping[str, str]) -> Response:
    """End the program."""
    site = site_of(request)
    answer = site.page("ended.html")
    site.quit()
    return answer


def _own_version() -> str:
    try:
        return version("serve-placement")
    except PackageNotFoundError:
        return "not installed"


ROUTES = [
    Route("/", start),
    Route("/demo", with_form(make_demo), methods=["POST"]),
    Route("/demo/remove", with_form(remove_demo), methods=["POST"]),
    Route("/about", about),
    Route("/stop", with_form(stop_program), methods=["POST"]),
]
