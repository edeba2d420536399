"""Changing who served: drag a border, give a serve to somebody else, change what was called.

The records take a turn list and assignments of serves in separate steps. A change made here is
therefore written down first, with what was before; a page that is started after a crash makes it
again. The same notes give undo and redo.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

from placement.records import RecordsError, StaleError, Store, Turn, assign_turns
from placement.records.base import rows_of
from placement.records.schema import DEPTHS, LANDINGS, SIDES, STROKES
from placement.records.turnbook import turn_from_row
from placement.records.turnlist import format_turns
from placement.web.state import PageState

_MOST_TURNS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnPlan:
    """Turns, and which of them each serve belongs to."""

    turns: tuple[Turn, ...]
    of: dict[int, int]  # index of the turn by key of the serve; serves of nobody are absent

    def as_text(self) -> str:
        """As JSON, the same text for the same plan."""
        turns = [asdict(turn) | {"serves": None, "t_from_s": None, "t_to_s": None}
                 for turn in self.turns]  # fmt: skip
        of = {str(key): self.of[key] for key in sorted(self.of)}
        return json.dumps({"turns": turns, "of": of}, sort_keys=True)

    @property
    def mark(self) -> str:
        """Short mark of this very plan, to notice that somebody else changed it."""
        return hashlib.sha256(self.as_text().encode()).hexdigest()[:16]

    @staticmethod
    def from_text(text: str) -> TurnPlan:
        """Read what `as_text` wrote."""
        value = json.loads(text)
        turns = tuple(Turn(**{**t, "tags": tuple(t["tags"])}) for t in value["turns"])
        return TurnPlan(turns=turns, of={int(k): int(v) for k, v in value["of"].items()})


def plan_of(store: Store, drill_id: int) -> TurnPlan:
    """The turns of a drill as they stand."""
    rows = list(rows_of(store.turns(drill_id)))
    index = {int(row.turn_id): k for k, row in enumerate(rows)}
    owners = store.owners(drill_id)
    of = {key: index[turn_id] for key, turn_id in owners.items() if turn_id is not None}
    return TurnPlan(turns=tuple(map(turn_from_row, rows)), of=of)


def plan_from_message(message: dict[str, Any], known: set[int]) -> TurnPlan:
    """A plan out of a message from the page, checked.

    Raises
    ------
    RecordsError
        If it is no plan for these serves.
    """
    raw_turns, raw_of = message.get("turns"), message.get("of")
    if not isinstance(raw_turns, list) or not isinstance(raw_of, dict):
        raise RecordsError("the turns came in a form that is not understood; load the page again")
    if not 1 <= len(raw_turns) <= _MOST_TURNS:
        raise RecordsError("a film has at least one turn; type the turn list anew to replace it")
    turns = tuple(_turn(raw) for raw in raw_turns)
    of = {}
    for key, value in raw_of.items():
        if not str(key).isdigit() or int(key) not in known or not isinstance(value, int):
            raise RecordsError("the turns name a serve that is not in this film")
        if 0 <= value < len(turns):
            of[int(key)] = value
    return TurnPlan(turns=turns, of=of)


def _turn(raw: Any) -> Turn:
    if not isinstance(raw, dict):
        raise RecordsError("the turns came in a form that is not understood; load the page again")
    listed = raw.get("listed")
    if listed is not None and (not isinstance(listed, int) or not 1 <= listed <= 1000):
        raise RecordsError("a turn has 1 to 1000 serves")
    words: dict[str, Any] = {}
    for name, allowed in (
        ("depth", DEPTHS), ("side", SIDES), ("landing", LANDINGS), ("stroke", STROKES)
    ):  # fmt: skip
        words[name] = str(raw.get(name) or "")
        if words[name] and words[name] not in allowed:
            raise RecordsError(f"{name} is one of {', '.join(allowed)}, not {words[name]!r}")
    tags = raw.get("tags") or []
    if isinstance(tags, str):
        tags = tags.replace("#", " ").split()
    return Turn(
        student=str(raw.get("student", "")).strip(), listed=listed,
        tags=tuple(str(tag)[:32] for tag in tags[:8]), **words,
    )  # fmt: skip


def change_turns(
    state: PageState, store: Store, drill_id: int, plan: TurnPlan, *, seen: str
) -> None:
    """Make a plan the one that stands.

    Parameters
    ----------
    state, store : PageState, Store
        The page's memory and the records.
    drill_id : int
        Filmed drill.
    plan : TurnPlan
        What shall be.
    seen : str
        Mark of the plan that was on the screen.

    Raises
    ------
    StaleError
        If somebody else changed the turns since.
    RecordsError
        If a student is not in the records.
    """
    before = plan_of(store, drill_id)
    if before.mark != seen:
        raise StaleError("the turns were changed in another window; they are shown as they are now")
    change = state.begin_turn_change(drill_id, before.as_text(), plan.as_text())
    try:
        _put(store, drill_id, plan)
    except RecordsError:
        state.mark_turn_change(change, "refused")
        raise
    state.mark_turn_change(change, "done")


def type_turns(state: PageState, store: Store, drill_id: int, text: str, *, seen: str) -> None:
    """Lay a typed turn list over the serves; students who are new are added.

    Raises
    ------
    StaleError
        If somebody else changed the turns since.
    RecordsError
        If the list cannot be understood.
    """
    before = plan_of(store, drill_id)
    if before.mark != seen:
        raise StaleError("the turns were changed in another window; they are shown as they are now")
    store.set_turns(drill_id, text, make_students=True)
    after = plan_of(store, drill_id)
    change = state.begin_turn_change(drill_id, before.as_text(), after.as_text())
    state.mark_turn_change(change, "done")


def undo_turns(state: PageState, store: Store, drill_id: int) -> None:
    """Take the last change of turns back.

    Raises
    ------
    RecordsError
        If there is none, or the turns were changed in another way since.
    """
    _step_back(state, store, drill_id, "done", "after", "before", "undone", "to take back")


def redo_turns(state: PageState, store: Store, drill_id: int) -> None:
    """Make the change of turns again that was taken back last.

    Raises
    ------
    RecordsError
        If there is none, or the turns were changed since.
    """
    _step_back(state, store, drill_id, "undone", "before", "after", "done", "to make again")


def finish_changes(state: PageState, store: Store) -> None:
    """Make the changes that were cut off half-way."""
    for row in state.turn_changes("pending"):
        try:
            _put(store, row["drill_id"], TurnPlan.from_text(row["after"]))
        except RecordsError:  # the drill or a student was removed meanwhile
            state.mark_turn_change(row["change_id"], "refused")
        else:
            state.mark_turn_change(row["change_id"], "done")


def mismatch_words(serves: pd.DataFrame, plan: TurnPlan) -> list[str]:
    """What does not add up between the turn list and the serves found, in sentences.

    Parameters
    ----------
    serves : DataFrame
        From `records.Store.serves`, of the film.
    plan : TurnPlan
        As it stands.
    """
    if not plan.turns:
        return []
    numbers = dict(zip(serves["serve_id"].tolist(), serves["number"].tolist(), strict=True))
    here = {int(numbers[key]): turn for key, turn in plan.of.items() if key in numbers}
    if all(turn.listed is not None for turn in plan.turns):
        laid = assign_turns(serves, plan.turns)
        if laid.turn_of == here:
            return [m.sentence for m in laid.mismatches]
    said = []
    for index, turn in enumerate(plan.turns):
        found = sum(1 for value in here.values() if value == index)
        if turn.listed is not None and turn.listed != found:
            said.append(f"{turn.student}: {found} found where {turn.listed} were listed")
    nobody = len(serves) - len(here)
    if nobody:
        said.append(f"{nobody} {'serve belongs' if nobody == 1 else 'serves belong'} to no turn")
    return said


def list_text(plan: TurnPlan) -> str:
    """The plan as it would be typed, one turn a line."""
    return "\n".join(format_turns([turn]) for turn in plan.turns)


def _put(store: Store, drill_id: int, plan: TurnPlan) -> None:
    store.set_turns(drill_id, list(plan.turns))
    ids = store.turns(drill_id)["turn_id"].tolist()
    known = set(store.owners(drill_id))
    nobody = known - set(plan.of)
    for index, turn_id in [(-1, None), *enumerate(ids)]:
        mine = nobody if index < 0 else {k for k, v in plan.of.items() if v == index} & known
        if mine:
            store.assign(sorted(mine), None if turn_id is None else int(turn_id))


def _step_back(
    state: PageState, store: Store, drill_id: int, which: str, must_be: str, goes_to: str,
    then: str, words: str,
) -> None:  # fmt: skip
    rows = state.turn_changes(which, drill_id)
    if not rows:
        raise RecordsError(f"there is no change of turns {words}")
    row = rows[-1] if which == "done" else rows[0]
    if plan_of(store, drill_id).mark != TurnPlan.from_text(row[must_be]).mark:
        raise RecordsError(
            "the turns were changed in another way since; type or drag them as they should be"
        )
    _put(store, drill_id, TurnPlan.from_text(row[goes_to]))
    state.mark_turn_change(row["change_id"], then)
