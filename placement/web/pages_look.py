"""Looking: a group at a glance, a student's map, figures and weeks, a film's map, the wall."""

from __future__ import annotations

import io
import zlib
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from placement import density, figures, zones
from placement.evidence import pictures
from placement.evidence.film_stills import stills_from_films
from placement.evidence.group import gap_counts, gather_group, overview_table
from placement.evidence.overview import overview_html, overview_pdf
from placement.evidence.pages import student_html, student_pdf
from placement.evidence.student import gather_student
from placement.evidence.weeks import by_day, compare_days, hit_trend
from placement.records import RecordsError
from placement.records.base import rows_of
from placement.web.check import needs_look
from placement.web.drillwork import parts_of
from placement.web.site import Site, number_in, site_of

_KINDS = {"png": "image/png", "svg": "image/svg+xml", "pdf": "application/pdf"}
#: An SVG opened by itself carries its styles within; it may still run and fetch nothing.
_SVG_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'"
_MOST_DOTS = 3000


def groups(request: Request) -> Response:
    """All groups."""
    site = site_of(request)
    return site.page("groups.html", groups=list(rows_of(site.store.groups())))


def group(request: Request) -> Response:
    """A group at a glance: figures with intervals, gaps, pairs, what to film next."""
    site = site_of(request)
    name = _asked(request, "name")
    overview = gather_group(site.store, name)
    return site.page(
        "group.html", o=overview, gaps=gap_counts(overview),
        drills=list(rows_of(site.store.drills(group=name).iloc[::-1])),
    )  # fmt: skip


def group_file(request: Request) -> Response:
    """The overview of a group as PDF, HTML or CSV."""
    site, name = site_of(request), _asked(request, "name")
    kind = request.path_params["kind"]
    overview = gather_group(site.store, name)
    if kind == "pdf":
        return _file(overview_pdf(overview), "application/pdf", "overview.pdf")
    if kind == "csv":
        return _csv(overview_table(overview), "overview.csv")
    if kind == "html":
        return _file(overview_html(overview).encode(), "text/html", "overview.html")
    raise HTTPException(404)


def student(request: Request) -> Response:
    """A student: map, figures, weeks."""
    site, code = site_of(request), _asked(request, "code")
    who = site.store.student(code)
    serves = site.store.serves(student_code=code)
    if not len(serves):
        return site.page("student_none.html", who=who)
    judged = figures.judge(serves)
    shown, chosen = _chosen(judged, request)
    days = by_day(judged)
    first, second = _days(days, request)
    rng = np.random.default_rng(zlib.crc32(code.encode()))
    comparison = compare_days(judged, first, second, rng=rng) if first and second else None
    return site.page(
        "student.html", who=who, n=len(judged), shown=len(shown), chosen=chosen,
        targets=_targets(shown),
        all_targets=[t for t in dict.fromkeys(judged["target"]) if t],
        films=_films(judged), dots=_dots(shown, chosen["view"]), few=_few(shown),
        figures=figures.student_figures(shown, rng=rng) if len(shown) else [],
        days=list(rows_of(days)), comparison=comparison, trend=hit_trend(days)[1],
        look=int(needs_look(serves).sum()), is_demo=bool(_is_demo(site, judged)),
    )  # fmt: skip


def student_picture(request: Request) -> Response:
    """A picture of a student: map, trend or weeks, as PNG, SVG or PDF."""
    site, code = site_of(request), _asked(request, "code")
    name, kind = request.path_params["name"], request.path_params["kind"]
    judged = figures.judge(site.store.serves(student_code=code))
    if not len(judged):
        raise RecordsError(f"no serves of {code} are in the records")
    with site.drawing:
        if name == "map":
            shown, chosen = _chosen(judged, request)
            figure = pictures.map_figure(shown, view=chosen["view"])
        elif name == "trend":
            figure = pictures.trend_figure(by_day(judged))
        elif name == "weeks":
            first, second = _days(by_day(judged), request)
            if not (first and second):
                raise RecordsError("a comparison needs two days of filming")
            rng = np.random.default_rng(zlib.crc32(code.encode()))
            figure = pictures.weeks_figure(
                judged, compare_days(judged, first, second, rng=rng), view=_view(request)
            )
        else:
            raise HTTPException(404)
        return _picture(figure, kind, f"{code}-{name}", request)


def student_file(request: Request) -> Response:
    """The evidence page, or the figures or serves of a student as CSV."""
    site, code = site_of(request), _asked(request, "code")
    name = request.path_params["name"]
    if name in ("evidence.pdf", "evidence.html"):
        stills, missing = stills_from_films(site.store, code)
        with site.drawing:
            evidence = gather_student(
                site.store, code, stills=stills, stills_missing=missing, view=_view(request)
            )
            if name.endswith("pdf"):
                return _file(student_pdf(evidence), "application/pdf", f"evidence-{code}.pdf")
            return _file(student_html(evidence).encode(), "text/html", f"evidence-{code}.html")
    serves = site.store.serves(student_code=code)
    if name == "serves.csv":
        return _csv(serves, f"serves-{code}.csv")
    if name == "figures.csv":
        rng = np.random.default_rng(zlib.crc32(code.encode()))
        table = figures.figure_table(figures.student_figures(serves, rng=rng))
        return _csv(table, f"figures-{code}.csv")
    raise HTTPException(404)


def film_map(request: Request) -> Response:
    """Where the serves of one film landed."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    drill = site.store.drill(drill_id)
    judged = figures.judge(site.store.serves(drill_id=drill_id))
    shown, chosen = _chosen(judged, request)
    faults = judged["outcome"].value_counts()
    return site.page(
        "film_map.html", drill=drill, n=len(judged), chosen=chosen,
        clip=site.state.clip_of_drill(drill_id), warnings=parts_of(site, drill_id).warnings,
        all_targets=[t for t in dict.fromkeys(judged["target"]) if t],
        dots=_dots(shown, chosen["view"]), few=_few(shown), outcomes=faults.to_dict(),
        table=_targets(shown),
        students=[c for c in dict.fromkeys(judged["code"]) if c],
    )  # fmt: skip


def film_picture(request: Request) -> Response:
    """The map of one film as PNG, SVG or PDF."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    judged = figures.judge(site.store.serves(drill_id=drill_id))
    shown, chosen = _chosen(judged, request)
    with site.drawing:
        figure = pictures.map_figure(shown, view=chosen["view"])
        return _picture(figure, request.path_params["kind"], f"film-{drill_id}-map", request)


def film_csv(request: Request) -> Response:
    """The serves of one film as CSV."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    return _csv(site.store.serves(drill_id=drill_id), f"film-{drill_id}-serves.csv")


def wall(request: Request) -> Response:
    """For the projector: large type, no names; a film's or a group's serves target by target."""
    site = site_of(request)
    film, name = request.query_params.get("film"), request.query_params.get("group")
    if film:
        if not film.isdigit():
            raise HTTPException(400, "A film is named by its number.")
        serves = site.store.serves(drill_id=int(film))
        title = site.store.drill(int(film)).asked or "This lesson"
    elif name:
        serves = site.store.serves(group=name)
        days = sorted(filter(None, set(serves["filmed_on"])))
        serves = serves[serves["filmed_on"] == days[-1]] if days else serves
        title = "The last lesson filmed"
    else:
        raise HTTPException(400, "Choose a film or a group first.")
    judged = figures.judge(serves.reset_index(drop=True))
    table = figures.hits_by_target(judged)
    scenes = [{"title": "All serves", "hits": figures.hit_rate(judged),
               "dots": _dots(judged, "server", names=False), "zone": None}]  # fmt: skip
    for row in table.to_dict("records"):
        part = judged[(judged["target"] == row["target"]) & (judged["stroke"] == row["stroke"])]
        target = figures.target_of(next(rows_of(part)))
        scenes.append(
            {"title": " ".join(filter(None, (row["target"], row["stroke"]))).capitalize(),
             "hits": figures.hit_rate(part), "dots": _dots(part, "server", names=False),
             "zone": _zone(target)}
        )  # fmt: skip
    return site.page("wall.html", title=title, scenes=scenes)


def _asked(request: Request, name: str) -> str:
    value = request.query_params.get(name, "")
    if not value:
        raise HTTPException(400, f"The address does not say which {name}.")
    return value


def _view(request: Request) -> zones.View:
    return "receiver" if request.query_params.get("view") == "receiver" else "server"


def _chosen(judged: pd.DataFrame, request: Request) -> tuple[pd.DataFrame, dict[str, Any]]:
    """The serves that were asked for, and what was asked."""
    target = request.query_params.get("target", "")
    film = request.query_params.get("film", "")
    shown = judged
    if target:
        shown = shown[shown["target"] == target]
    if film.isdigit():
        shown = shown[shown["drill_id"] == int(film)]
    chosen = {"target": target, "film": film if film.isdigit() else "", "view": _view(request)}
    return shown.reset_index(drop=True), chosen


def _days(days: pd.DataFrame, request: Request) -> tuple[str, str]:
    names = days["day"].tolist()
    if len(names) < 2:
        return "", ""
    first = request.query_params.get("first", "")
    second = request.query_params.get("second", "")
    first = first if first in names else names[0]
    second = second if second in names else names[-1]
    return (first, second) if first != second else (names[0], names[-1])


def _films(judged: pd.DataFrame) -> list[tuple[int, str]]:
    films = judged.drop_duplicates("drill_id")
    return [(int(row.drill_id), f"{row.filmed_on or 'no day'} {row.clip}")
            for row in rows_of(films[["drill_id", "filmed_on", "clip"]])]  # fmt: skip


def _targets(shown: pd.DataFrame) -> list[dict[str, Any]]:
    """The called zones with their hits, each with its letter on the map."""
    rows = figures.hits_by_target(shown).to_dict("records")
    return [
        {str(k): v for k, v in row.items()} | {"letter": letter}
        for letter, row in zip(pictures.target_key(shown), rows, strict=True)
    ]


def _is_demo(site: Site, judged: pd.DataFrame) -> bool:
    drills = site.store.drills().set_index("drill_id")["version"]
    return any(drills.get(d) == "demo" for d in set(judged["drill_id"]))


def _few(shown: pd.DataFrame) -> bool:
    """Whether too few landed for a density: the picture then shows points."""
    return int((shown["x_m"].notna() & shown["y_m"].notna()).sum()) < density.MIN_POINTS


def _dots(judged: pd.DataFrame, view: zones.View, *, names: bool = True) -> list[dict[str, Any]]:
    """Landed serves on the drawing, cm, each with the address of its frame."""
    landed = judged[judged["x_m"].notna() & judged["y_m"].notna()].head(_MOST_DOTS)
    turn = 1.0 if view == "server" else -1.0
    dots = []
    for row in rows_of(landed):
        hit = "" if row.hit != row.hit else "hit" if row.hit == 1.0 else "not hit"
        words = [f"Serve {row.number}"] + ([row.code] if names and row.code else [])
        words += [w for w in (row.target and f"called {row.target}", hit) if w]
        words += ["close call"] if row.close else []
        dots.append(
            {"x": round(-row.y_m * 100 * turn, 1), "y": round(-row.x_m * 100 * turn, 1),
             "hit": hit, "close": bool(row.close), "words": ", ".join(words),
             "film": int(row.drill_id), "serve": int(row.serve_id)}
        )  # fmt: skip
    return dots


def _zone(target: zones.Target | None) -> dict[str, float] | None:
    """A called zone on the drawing, cm."""
    if target is None:
        return None
    (x0, x1), (y0, y1) = target.rectangle(-1)
    return {"x": -y1 * 100, "y": -x1 * 100, "width": (y1 - y0) * 100, "height": (x1 - x0) * 100}


def _picture(figure: Figure, kind: str, name: str, request: Request) -> Response:
    if kind not in _KINDS:
        raise HTTPException(404)
    stream = io.BytesIO()
    figure.savefig(stream, format=kind, dpi=170)
    headers = {}
    if request.query_params.get("save"):
        headers["Content-Disposition"] = f'attachment; filename="{_plain(name)}.{kind}"'
    if kind == "svg":
        headers["Content-Security-Policy"] = _SVG_POLICY
    return Response(stream.getvalue(), media_type=_KINDS[kind], headers=headers)


def _file(content: bytes, kind: str, name: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{_plain(name)}"'}
    if kind == "text/html":
        return HTMLResponse(content, headers=headers)
    return Response(content, media_type=kind, headers=headers)


def _csv(frame: pd.DataFrame, name: str) -> Response:
    text = "\ufeff" + frame.to_csv(index=False)  # the mark tells a spreadsheet that it is UTF-8
    return _file(text.encode(), "text/csv", name)


def _plain(name: str) -> str:
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_.") else "-" for c in name)
