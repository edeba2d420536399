"""A filmed drill: who served, checking the serves, its pictures frame by frame."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from placement.records import RecordsError, StaleError
from placement.records.base import rows_of
from placement.records.corrections import CORRECTABLE
from placement.records.schema import DEPTHS, LANDINGS, OUTCOMES, SIDES, STROKES
from placement.records.turns import clock
from placement.video import VideoError
from placement.web import check, turnwork
from placement.web.bounces import LANDING, moved
from placement.web.drillwork import crop_picture, film_of, parts_of
from placement.web.site import Site, go, json_answer, number_in, site_of, with_form, with_json
from placement.web.wording import OUTCOMES as OUTCOME_WORDS
from placement.web.wording import sentence

_AFTER_S = 0.2  # s after the start of a serve the server is best seen; common practice, no source
_NO_SUCH = "There is no such serve in this film."
_CACHED = {"Cache-Control": "private, max-age=600"}


def film_page(request: Request) -> Response:
    """A filmed drill leads to what it needs next."""
    return go(f"/films/{number_in(request, 'drill_id')}/check")


def check_page(request: Request) -> Response:
    """Step through the serves."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    data = check_data(site, drill_id)
    return site.page(
        "check.html", drill=site.store.drill(drill_id), data=data,
        outcomes=[(word, OUTCOME_WORDS[word]) for word in OUTCOMES], depths=DEPTHS,
        sure=check.SURE,
    )  # fmt: skip


def check_data(site: Site, drill_id: int) -> dict[str, Any]:
    """All that the checking page shows, as plain values."""
    parts = parts_of(site, drill_id)
    times: list[float] = []
    missing = parts.missing
    if parts.clip_path is not None:
        try:
            times = [round(float(t), 4) for t in film_of(site, parts).times]
        except VideoError as error:
            missing = str(error)
    size = parts.calibration.camera.size if parts.calibration else None
    serves = check.serve_rows(site.store, drill_id, calibration=parts.calibration)
    for row in serves:
        row["path"] = [] if row["by_hand"] else parts.paths.get(row["number"], [])
    return {
        "film": drill_id, "version": parts.drill.analysis_id, "times": times, "missing": missing,
        "size": size or (parts.drill.width or 1920, parts.drill.height or 1080),
        "region": parts.region, "serves": serves,
        "crops": [
            {"k": k, "t": round(c.time_s, 3), "frame": c.frame,
             "box": [*c.origin, c.luma.shape[1], c.luma.shape[0]]}
            for k, c in enumerate(parts.crops)
        ],
        "students": _students(site, drill_id),
    }  # fmt: skip


def serves_json(request: Request) -> Response:
    """The checking page's values again."""
    return json_answer(check_data(site_of(request), number_in(request, "drill_id")))


def correct(request: Request, message: dict[str, Any]) -> Response:
    """Correct a serve; the machine's answer is kept."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    serve_id = number_in(request, "serve_id")
    changes, seen = message.get("changes"), message.get("seen")
    if not isinstance(changes, dict) or not isinstance(seen, int):
        raise HTTPException(400, "A correction names its changes and what was seen.")
    unknown = set(changes) - set(CORRECTABLE) - {"place", "bounce"}
    if unknown:
        raise RecordsError(f"{', '.join(sorted(unknown))} cannot be corrected")
    if serve_id not in site.store.owners(drill_id):
        raise HTTPException(404, _NO_SUCH)
    bounces: dict[int, tuple[float, float]] = {}
    if "place" in changes:
        place, key = changes.pop("place"), changes.pop("bounce", LANDING)
        end = int(changes.get("server_end", _one(site, drill_id, serve_id)["end"]))
        more, bounces = moved(key, place, end)
        changes |= more
    try:
        site.store.correct(
            serve_id, changes, who=_who(message), seen_revision=seen,
            why=str(message.get("why", ""))[:500], bounces=bounces,
        )  # fmt: skip
    except StaleError as error:
        return json_answer(
            {"sentence": sentence(str(error)), "serve": _one(site, drill_id, serve_id)}, 409
        )
    return json_answer({"serve": _one(site, drill_id, serve_id)})


def add_serve(request: Request, message: dict[str, Any]) -> Response:
    """Add a serve that was not found."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    values = {"t_start_s": message.get("t"), "outcome": message.get("outcome", "unclear")}
    if message.get("end") in (-1, 1):
        values["server_end"] = message["end"]
    serve_id = site.store.add_serve(drill_id, values, who=_who(message))
    turn_id = message.get("turn")
    if isinstance(turn_id, int) and not isinstance(turn_id, bool):
        site.store.assign([serve_id], turn_id)
    return json_answer({"id": serve_id, "data": check_data(site, drill_id)})


def take_back(request: Request, message: dict[str, Any]) -> Response:
    """Take the last correction back, or make it again."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    again = request.url.path.endswith("/redo")
    act = site.store.redo if again else site.store.undo
    try:
        said = act(drill_id, who=_who(message))
    except RecordsError:
        nothing = "There is nothing to make again." if again else "There is nothing to take back."
        return json_answer({"sentence": nothing}, 422)
    return json_answer({"said": said, "data": check_data(site, drill_id)})


def frame(request: Request) -> Response:
    """One frame, the part in which is played, or the whole with ?whole=1."""
    site = site_of(request)
    parts = parts_of(site, number_in(request, "drill_id"))
    whole = parts.region is None or request.query_params.get("whole") == "1"
    picture = film_of(site, parts).picture(
        number_in(request, "index"), None if whole else parts.region
    )
    return Response(picture, media_type="image/jpeg", headers=_CACHED)


def frame_at_serve(request: Request) -> Response:
    """The frame at the stroke of a serve."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    wanted = request.query_params.get("serve", "")
    serves = site.store.serves(drill_id=drill_id, removed=True)
    mine = serves[serves["serve_id"] == int(wanted)] if wanted.isdigit() else serves[:0]
    if not len(mine):
        raise HTTPException(404)
    parts = parts_of(site, drill_id)
    film = film_of(site, parts)
    index = film.index_at(float(mine["t_start_s"].iloc[0]) + _AFTER_S)
    return Response(film.picture(index), media_type="image/jpeg", headers=_CACHED)


def crop(request: Request) -> Response:
    """One of the small pictures that the measuring kept."""
    parts = parts_of(site_of(request), number_in(request, "drill_id"))
    index = number_in(request, "index")
    if index >= len(parts.crops):
        raise HTTPException(404)
    return Response(crop_picture(parts.crops[index]), media_type="image/jpeg", headers=_CACHED)


def turns_page(request: Request) -> Response:
    """Who served."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    return site.page(
        "turns.html", drill=site.store.drill(drill_id), data=turns_data(site, drill_id),
        depths=DEPTHS, sides=SIDES, landings=LANDINGS, strokes=STROKES,
    )  # fmt: skip


def turns_data(site: Site, drill_id: int) -> dict[str, Any]:
    """All that the page on who served shows, as plain values."""
    drill = site.store.drill(drill_id)
    plan = turnwork.plan_of(site.store, drill_id)
    serves = site.store.serves(drill_id=drill_id)
    parts = parts_of(site, drill_id)
    fresh = []
    for row in rows_of(serves):
        fresh.append(
            {"id": int(row.serve_id), "number": int(row.number), "t": round(row.t_start_s, 3),
             "clock": clock(row.t_start_s), "outcome": row.outcome,
             "end": int(row.server_end) if row.server_end in (-1, 1) else 0,
             "turn": plan.of.get(int(row.serve_id), -1)}
        )  # fmt: skip
    last = max((row["t"] for row in fresh), default=0.0) + 5.0
    return {
        "film": drill_id, "mark": plan.mark, "serves": fresh,
        "duration": max(drill.duration_s or 0.0, last),
        "turns": [
            {"student": t.student, "listed": t.listed, "depth": t.depth, "side": t.side,
             "landing": t.landing, "stroke": t.stroke, "tags": list(t.tags)}
            for t in plan.turns
        ],
        "text": turnwork.list_text(plan),
        "trouble": turnwork.mismatch_words(serves, plan),
        "students": _students(site, drill_id),
        "has_film": parts.clip_path is not None,
        "region": parts.region,
    }  # fmt: skip


def change_turns(request: Request, message: dict[str, Any]) -> Response:
    """Change who served or what was called: a typed list, or the turns as dragged."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    seen = str(message.get("seen", ""))
    try:
        if "text" in message:
            turnwork.type_turns(site.state, site.store, drill_id, str(message["text"]), seen=seen)
        else:
            known = set(site.store.owners(drill_id))
            plan = turnwork.plan_from_message(message, known)
            there = set(site.store.students()["code"])
            for code in ({turn.student for turn in plan.turns} & set(_new(message))) - there:
                site.store.add_student(code)
            turnwork.change_turns(site.state, site.store, drill_id, plan, seen=seen)
    except StaleError as error:
        return json_answer(
            {"sentence": sentence(str(error)), "data": turns_data(site, drill_id)}, 409
        )
    return json_answer({"data": turns_data(site, drill_id)})


def propose(request: Request) -> Response:
    """Turns as the pauses suggest them, as a list to be completed."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    found = site.store.propose_turns(drill_id)
    numbers = [len(turn.serves or ()) for turn in found]
    if not any(numbers):
        serves = site.store.serves(drill_id=drill_id)["t_start_s"]
        numbers = [
            int(((serves >= (t.t_from_s or 0)) & (serves < (t.t_to_s or 0))).sum()) for t in found
        ]
    return json_answer({"counts": [n for n in numbers if n]})


def undo_turns(request: Request, message: dict[str, Any]) -> Response:
    """Take the last change of turns back, or make it again."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    act = turnwork.redo_turns if request.url.path.endswith("/redo") else turnwork.undo_turns
    act(site.state, site.store, drill_id)
    return json_answer({"data": turns_data(site, drill_id)})


def describe(request: Request, form: Mapping[str, str]) -> Response:
    """Say when, where and of whom the film was."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    names = ("group", "filmed_on", "place", "asked", "keep_until")
    site.store.describe_drill(drill_id, **{n: form[n] for n in names if n in form})
    return go(f"/films/{drill_id}/about")


def about_page(request: Request) -> Response:
    """When, where, how it was measured, and what a person corrected."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    drill, parts = site.store.drill(drill_id), parts_of(site, drill_id)
    log = site.store.corrections(drill_id)
    return site.page(
        "film_about.html", drill=drill, clip=site.state.clip_of_drill(drill_id),
        groups=site.store.groups()["name"].tolist(), log=list(rows_of(log.iloc[::-1].head(200))),
        n_log=len(log), missing=parts.missing, warnings=parts.warnings,
    )  # fmt: skip


def remove(request: Request, form: Mapping[str, str]) -> Response:
    """Remove the records of a filmed drill."""
    site, drill_id = site_of(request), number_in(request, "drill_id")
    if form.get("sure") != "yes":
        raise RecordsError("tick the box to say that the records of this film shall be removed")
    site.store.remove_drill(drill_id)
    site.state.forget_turn_changes([drill_id])
    clip = site.state.clip_of_drill(drill_id)
    if clip is not None:
        site.state.change_clip(clip.clip_id, drill_id=None)
    return go("/")


def _one(site: Site, drill_id: int, serve_id: int) -> dict[str, Any]:
    parts = parts_of(site, drill_id)
    rows = check.serve_rows(site.store, drill_id, calibration=parts.calibration, only=serve_id)
    if not rows:
        raise HTTPException(404, _NO_SUCH)
    row = rows[0]
    row["path"] = [] if row["by_hand"] else parts.paths.get(row["number"], [])
    return row


def _students(site: Site, drill_id: int) -> list[str]:
    """Codes that may be given by one key: the group's students, else those of the turns."""
    group = site.store.drill(drill_id).group
    codes = site.store.students(group)["code"].tolist() if group else []
    codes += [c for c in site.store.turns(drill_id)["code"].tolist() if c not in codes]
    return list(dict.fromkeys(codes))


def _new(message: dict[str, Any]) -> list[str]:
    value = message.get("new_students")
    return [str(code) for code in value] if isinstance(value, list) else []


def _who(message: dict[str, Any]) -> str:
    return str(message.get("who") or "teacher")[:40]


_AT = "/films/{drill_id:int}"
ROUTES = [
    Route(_AT, film_page),
    Route(f"{_AT}/check", check_page),
    Route(f"{_AT}/serves.json", serves_json),
    Route(f"{_AT}/serves", with_json(add_serve), methods=["POST"]),
    Route(f"{_AT}/serves/{{serve_id:int}}", with_json(correct), methods=["POST"]),
    Route(f"{_AT}/undo", with_json(take_back), methods=["POST"]),
    Route(f"{_AT}/redo", with_json(take_back), methods=["POST"]),
    Route(f"{_AT}/frames/{{index:int}}.jpg", frame),
    Route(f"{_AT}/crops/{{index:int}}.jpg", crop),
    Route(f"{_AT}/at.jpg", frame_at_serve),
    Route(f"{_AT}/turns", turns_page),
    Route(f"{_AT}/turns", with_json(change_turns), methods=["POST"]),
    Route(f"{_AT}/turns/proposed.json", propose),
    Route(f"{_AT}/turns/undo", with_json(undo_turns), methods=["POST"]),
    Route(f"{_AT}/turns/redo", with_json(undo_turns), methods=["POST"]),
    Route(f"{_AT}/about", about_page),
    Route(f"{_AT}/about", with_form(describe), methods=["POST"]),
    Route(f"{_AT}/remove", with_form(remove), methods=["POST"]),
]
