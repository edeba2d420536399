"""Who served: typed, dragged, by key; undo; two windows; cut off half-way."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest

from placement.records import RecordsError
from placement.web import turnwork
from tests.web.conftest import Page


def data(web: Page, film: int) -> dict[str, Any]:
    from placement.web.pages_films import turns_data

    found: dict[str, Any] = turns_data(web.site, film)
    return found


def owners(found: dict[str, Any]) -> list[str]:
    return [found["turns"][s["turn"]]["student"] if s["turn"] >= 0 else "" for s in found["serves"]]


@pytest.fixture
def named(web: Page, filmed: int) -> dict[str, Any]:
    """Three serves each of AB and CD."""
    answer = web.send(
        f"/films/{filmed}/turns",
        {"seen": data(web, filmed)["mark"], "text": "AB 3 short left, CD 3 long right backhand"},
    )
    assert answer.status_code == 200
    return dict(answer.json()["data"])


def message(found: dict[str, Any], of: list[int] | None = None) -> dict[str, Any]:
    turns = of or [s["turn"] for s in found["serves"]]
    return {
        "seen": found["mark"], "turns": found["turns"],
        "of": {str(s["id"]): t for s, t in zip(found["serves"], turns, strict=True)},
    }  # fmt: skip


def test_a_typed_list_is_laid_over_the_serves(named: dict[str, Any]) -> None:
    assert owners(named) == ["AB"] * 3 + ["CD"] * 3
    assert named["turns"][1]["stroke"] == "backhand"
    assert named["trouble"] == []
    assert named["text"] == "AB 3 short left\nCD 3 long right backhand"


def test_what_does_not_add_up_is_said(web: Page, filmed: int) -> None:
    answer = web.send(
        f"/films/{filmed}/turns", {"seen": data(web, filmed)["mark"], "text": "AB 4, CD 4"}
    )
    said = answer.json()["data"]["trouble"]
    assert said
    assert "found where 4 were listed" in said[0]


def test_a_border_is_dragged_and_what_was_listed_stays(
    web: Page, filmed: int, named: dict[str, Any]
) -> None:
    answer = web.send(f"/films/{filmed}/turns", message(named, [0, 0, 0, 0, 1, 1]))
    now = answer.json()["data"]
    assert owners(now) == ["AB"] * 4 + ["CD"] * 2
    assert [t["listed"] for t in now["turns"]] == [3, 3]
    assert now["trouble"] == [
        "AB: 4 found where 3 were listed",
        "CD: 2 found where 3 were listed",
    ]
    assert [t["student"] for t in data(web, filmed)["turns"]] == ["AB", "CD"]


def test_undo_and_redo(web: Page, filmed: int, named: dict[str, Any]) -> None:
    web.send(f"/films/{filmed}/turns", message(named, [0, 0, 0, 0, 1, 1]))
    back = web.send(f"/films/{filmed}/turns/undo", {}).json()["data"]
    assert owners(back) == ["AB"] * 3 + ["CD"] * 3
    again = web.send(f"/films/{filmed}/turns/redo", {}).json()["data"]
    assert owners(again) == ["AB"] * 4 + ["CD"] * 2
    assert web.send(f"/films/{filmed}/turns/redo", {}).status_code == 422


def test_two_windows_do_not_overwrite_each_other(
    web: Page, filmed: int, named: dict[str, Any]
) -> None:
    web.send(f"/films/{filmed}/turns", message(named, [0, 0, 0, 0, 1, 1]))
    late = web.send(f"/films/{filmed}/turns", message(named, [0, 1, 1, 1, 1, 1]))
    assert late.status_code == 409
    assert owners(late.json()["data"]) == ["AB"] * 4 + ["CD"] * 2
    typed = web.send(f"/films/{filmed}/turns", {"seen": named["mark"], "text": "XY 6"})
    assert typed.status_code == 409
    assert owners(data(web, filmed)) == ["AB"] * 4 + ["CD"] * 2


def test_a_target_is_changed_without_moving_a_serve(
    web: Page, filmed: int, named: dict[str, Any]
) -> None:
    named["turns"][0] |= {"depth": "half-long", "side": "middle", "tags": ["hook"]}
    now = web.send(f"/films/{filmed}/turns", message(named)).json()["data"]
    assert owners(now) == ["AB"] * 3 + ["CD"] * 3
    serves = web.site.store.serves(drill_id=filmed)
    assert serves["target_depth"].tolist()[:3] == ["half-long"] * 3
    assert serves["tags"].tolist()[:3] == ["hook"] * 3


def test_one_key_gives_a_serve_to_a_new_student(
    web: Page, filmed: int, named: dict[str, Any]
) -> None:
    named["turns"].append({"student": "EF", "listed": None})
    wanted = message(named, [0, 0, 0, 1, 1, 2]) | {"new_students": ["EF", "AB"]}  # AB is known
    now = web.send(f"/films/{filmed}/turns", wanted).json()["data"]
    assert owners(now) == ["AB"] * 3 + ["CD"] * 2 + ["EF"]
    stranger = message(now) | {"turns": [{"student": "QX"}], "of": {}}
    refused = web.send(f"/films/{filmed}/turns", stranger)
    assert refused.status_code == 422
    assert "`" not in refused.json()["sentence"]
    assert owners(data(web, filmed)) == ["AB"] * 3 + ["CD"] * 2 + ["EF"]


def test_a_change_cut_off_half_way_is_made_at_the_next_start(
    web: Page, filmed: int, named: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after kill -9 between the two steps: the list is laid anew, the serves not yet given."""
    plan = turnwork.plan_of(web.site.store, filmed)
    wanted = turnwork.TurnPlan(
        turns=plan.turns, of={key: 0 if i < 5 else 1 for i, key in enumerate(sorted(plan.of))}
    )

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(web.site.store, "assign", killed)
        with pytest.raises(KeyboardInterrupt):
            turnwork.change_turns(web.site.state, web.site.store, filmed, wanted, seen=plan.mark)
    turnwork.finish_changes(web.site.state, web.site.store)
    assert owners(data(web, filmed)) == ["AB"] * 5 + ["CD"]
    assert not web.site.state.turn_changes("pending")


@pytest.mark.parametrize(
    "wrong",
    [{"turns": [], "of": {}}, {"turns": "x", "of": {}}, {"turns": [1], "of": {}},
     {"turns": [{"student": "AB", "depth": "deep"}], "of": {}},
     {"turns": [{"student": "AB", "listed": 0}], "of": {}},
     {"turns": [{"student": "AB"}], "of": {"999999": 0}},
     {"turns": [{"student": "A B"}], "of": {}},
     {"text": ""}, {"text": "AB ten short"}],
)  # fmt: skip
def test_what_cannot_be_is_a_sentence_and_changes_nothing(
    web: Page, filmed: int, named: dict[str, Any], wrong: dict[str, Any]
) -> None:
    answer = web.send(f"/films/{filmed}/turns", {"seen": named["mark"]} | wrong)
    assert answer.status_code == 422
    assert answer.json()["sentence"].endswith(".")
    assert data(web, filmed)["mark"] == named["mark"]


def test_pauses_propose_counts(web: Page, filmed: int) -> None:
    assert sum(web.get(f"/films/{filmed}/turns/proposed.json").json()["counts"]) == 6


def test_undo_with_nothing_to_undo(web: Page, filmed: int) -> None:
    with pytest.raises(RecordsError, match="no change"):
        turnwork.undo_turns(web.site.state, web.site.store, filmed)


def test_the_turn_list_is_there_before_any_script_runs(
    web: Page, filmed: int, named: dict[str, Any]
) -> None:
    """What a quick hand types must not be overwritten by a script that comes late."""
    page = web.get(f"/films/{filmed}/turns").text
    field = re.search(r'<textarea id="list"[^>]*>(.*?)</textarea>', page, re.DOTALL)
    assert field is not None
    assert html.unescape(field.group(1)) == named["text"]


def test_the_first_list_can_be_taken_back_too(
    web: Page, filmed: int, named: dict[str, Any]
) -> None:
    answer = web.send(f"/films/{filmed}/turns/undo", {})
    assert answer.status_code == 200
    assert answer.json()["data"]["turns"] == []
    assert owners(answer.json()["data"]) == [""] * 6
    again = web.send(f"/films/{filmed}/turns/redo", {}).json()["data"]
    assert owners(again) == owners(named)
    assert again["text"] == named["text"]
