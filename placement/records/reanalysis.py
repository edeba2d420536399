"""A clip analysed again: what changed, and what goes over to the new analysis.

The serves of two analyses are recognised by their moments. Turns and serves added by hand go over;
so do the corrections in force, each beside the new answer of the machine. Bounces that a person
moved are recognised by their moments too.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection, insert, select, update

from placement.records.base import frame_of, rows_of
from placement.records.schema import BOUNCE_PLACE, analysis, bounce, correction, serve, turn

SAME_SERVE_S = 0.30  # two analyses mean one serve if its starts lie closer; serves are 2 s apart
# Bounces of one serve are farther apart: a ball that rises by 1 cm is in the air for 0.09 s.
SAME_BOUNCE_S = 0.08
_COMPARED_TEXTS = ("outcome", "depth", "side")
_COMPARED_REALS = {"landing_x_m": 0.01, "landing_y_m": 0.01, "pace_m_s": 0.1}  # least worth telling


def match_serves(
    old: np.ndarray, new: np.ndarray, *, within_s: float = SAME_SERVE_S
) -> list[tuple[int, int]]:
    """Pair the serves, or bounces, of two analyses by their moments, nearest first, each once.

    Parameters
    ----------
    old, new : ndarray
        Moments, s.
    within_s : float
        Farthest apart that the moments of one serve, or bounce, may lie, s.

    Returns
    -------
    list of (int, int)
        Indices into `old` and `new`.
    """
    if not len(old) or not len(new):
        return []
    apart = np.abs(old[:, None] - new[None, :])
    near = np.argwhere(apart <= within_s)
    order = np.argsort(apart[near[:, 0], near[:, 1]], kind="stable")
    used_old: set[int] = set()
    used_new: set[int] = set()
    pairs = []
    for i, j in near[order].tolist():
        if i not in used_old and j not in used_new:
            pairs.append((i, j))
            used_old.add(i)
            used_new.add(j)
    return sorted(pairs)


def describe_changes(changes: pd.DataFrame) -> list[str]:
    """The changes between two analyses in words, one sentence each kind."""
    sentences = []
    for what, rows in changes.groupby("what", sort=False):
        n = len(rows)
        serves = "serve" if n == 1 else "serves"
        if what == "found":
            sentences.append(f"{n} {serves} found that were not found before")
        elif what == "lost":
            sentences.append(f"{n} {serves} found before are not found now")
        elif what in _COMPARED_REALS:
            apart = (rows["later"].astype(float) - rows["earlier"].astype(float)).abs().max()
            most = "" if math.isnan(apart) else f", by {apart:.3g} at most"
            sentences.append(f"{what!s} changed in {n} {serves}{most}")
        else:
            listed = ", ".join(
                f"{row.number_later:.0f} ({row.earlier or 'empty'} to {row.later or 'empty'})"
                for row in rows_of(rows.head(5))
            )
            more = " and more" if n > 5 else ""
            sentences.append(f"{what!s} changed in {n} {serves}: {listed}{more}")
    return sentences or ["no serve changed"]


def compare_analyses(connection: Connection, earlier: int, later: int) -> pd.DataFrame:
    """What is different between two analyses; see `Store.changes`."""
    old, new = (
        frame_of(
            select(serve)
            .where(serve.c.analysis_id == one, serve.c.origin == "machine")
            .order_by(serve.c.t_start_s),
            connection,
        )
        for one in (earlier, later)
    )
    rows: list[dict[str, Any]] = []
    pairs = match_serves(old["t_start_s"].to_numpy(float), new["t_start_s"].to_numpy(float))
    for i, j in pairs:
        a, b = old.iloc[i], new.iloc[j]
        for name in _COMPARED_TEXTS:
            if a[name] != b[name]:
                rows.append(_change(a, b, name, a[name], b[name]))
        for name, least in _COMPARED_REALS.items():
            if not _alike(a[name], b[name], least):
                rows.append(_change(a, b, name, a[name], b[name]))
    for i in sorted(set(range(len(old))) - {i for i, _ in pairs}):
        rows.append(_change(old.iloc[i], None, "lost", old.iloc[i]["outcome"], ""))
    for j in sorted(set(range(len(new))) - {j for _, j in pairs}):
        rows.append(_change(None, new.iloc[j], "found", "", new.iloc[j]["outcome"]))
    columns = ["t_start_s", "number_earlier", "number_later", "what", "earlier", "later"]
    return pd.DataFrame(rows, columns=columns).sort_values("t_start_s", ignore_index=True)


def _alike(a: Any, b: Any, least: float) -> bool:
    if pd.isna(a) or pd.isna(b):
        return bool(pd.isna(a) and pd.isna(b))
    return abs(float(a) - float(b)) < least


def _change(a: Any, b: Any, what: str, earlier: Any, later: Any) -> dict[str, Any]:
    return {
        "t_start_s": float((a if a is not None else b)["t_start_s"]),
        "number_earlier": None if a is None else int(a["number"]),
        "number_later": None if b is None else int(b["number"]),
        "what": what,
        "earlier": earlier,
        "later": later,
    }


def carry_over(connection: Connection, before: int, after: int) -> list[str]:
    """Take turns, corrections and added serves from one analysis to the next; tell what is lost."""
    old, new = (
        connection.execute(
            select(serve).where(serve.c.analysis_id == one).order_by(serve.c.t_start_s)
        )
        .mappings()
        .all()
        for one in (before, after)
    )
    pairs = match_serves(
        np.array([row["t_start_s"] for row in old], float),
        np.array([row["t_start_s"] for row in new], float),
    )
    target = {old[i]["serve_id"]: new[j]["serve_id"] for i, j in pairs}
    for i, j in pairs:
        connection.execute(
            update(serve)
            .where(serve.c.serve_id == new[j]["serve_id"])
            .values(turn_id=old[i]["turn_id"])
        )
    number = max((row["number"] for row in new), default=0)
    for row in old:
        if row["origin"] == "person" and row["serve_id"] not in target:
            number += 1
            values = {k: v for k, v in row.items() if k != "serve_id"}
            values |= {"analysis_id": after, "number": number, "revision": 0}
            target[row["serve_id"]] = connection.execute(
                insert(serve).values(**values).returning(serve.c.serve_id)
            ).scalar_one()
    _assign_new_by_time(connection, before, after, set(target.values()))
    return _carry_corrections(connection, before, target)


def _assign_new_by_time(connection: Connection, before: int, after: int, known: set[int]) -> None:
    """Give serves found only now to the turn during whose time they began."""
    drill_id = connection.execute(
        select(analysis.c.drill_id).where(analysis.c.analysis_id == before)
    ).scalar_one()
    turns = connection.execute(
        select(turn.c.turn_id, turn.c.t_from_s, turn.c.t_to_s).where(
            turn.c.drill_id == drill_id, turn.c.t_from_s.is_not(None), turn.c.t_to_s.is_not(None)
        )
    ).all()
    fresh = connection.execute(
        select(serve.c.serve_id, serve.c.t_start_s).where(serve.c.analysis_id == after)
    ).all()
    for row in fresh:
        inside = [t.turn_id for t in turns if t.t_from_s <= row.t_start_s < t.t_to_s]
        if row.serve_id not in known and len(inside) == 1:
            connection.execute(
                update(serve).where(serve.c.serve_id == row.serve_id).values(turn_id=inside[0])
            )


def _carry_corrections(connection: Connection, before: int, target: Mapping[int, int]) -> list[str]:
    kept = connection.execute(
        select(correction, serve.c.number, serve.c.t_start_s, bounce.c.time_s)
        .join(serve, serve.c.serve_id == correction.c.serve_id)
        .outerjoin(bounce, bounce.c.bounce_id == correction.c.bounce_id)
        .where(serve.c.analysis_id == before, correction.c.undone_at == "")
        .order_by(correction.c.correction_id)
    ).mappings()
    lost: list[str] = []
    same = _same_bounces(connection, before, target)
    for row in kept.all():
        new_serve = target.get(row["serve_id"])
        if new_serve is None:
            lost.append(
                f"correction of {row['field']} of serve {row['number']} at "
                f"{row['t_start_s']:.2f} s: no such serve in the new analysis"
            )
            continue
        if row["bounce_id"] is not None and row["bounce_id"] not in same:
            words = (
                f"bounce of serve {row['number']} moved by hand at {row['time_s']:.2f} s: no such "
                "bounce in the new analysis"
            )
            if words not in lost:  # one sentence for its two numbers
                lost.append(words)
            continue
        machine, new_bounce = row["machine_value"], same.get(row["bounce_id"])
        if new_bounce is not None:
            machine = json.dumps(new_bounce[BOUNCE_PLACE[row["field"]]])
        elif row["field"] in serve.c:
            value = connection.execute(
                select(serve.c[row["field"]]).where(serve.c.serve_id == new_serve)
            ).scalar()
            machine = json.dumps(value)
        values = {
            name: row[name] for name in ("field", "old_value", "new_value", "who", "made_at", "why")
        }
        connection.execute(
            insert(correction).values(
                **values,
                serve_id=new_serve,
                bounce_id=None if new_bounce is None else new_bounce["bounce_id"],
                machine_value=machine,
                batch=row["batch"],
                carried_from=row["correction_id"],
            )
        )
        connection.execute(
            update(serve).where(serve.c.serve_id == new_serve).values(revision=serve.c.revision + 1)
        )
    return lost


def _same_bounces(
    connection: Connection, before: int, target: Mapping[int, int]
) -> dict[int, Mapping[str, Any]]:
    """Rows of the new analysis for bounces that a person moved in the old one, by the old key."""
    moved = set(
        connection.execute(
            select(correction.c.serve_id)
            .join(serve, serve.c.serve_id == correction.c.serve_id)
            .where(
                serve.c.analysis_id == before,
                correction.c.bounce_id.is_not(None),
                correction.c.undone_at == "",
            )
        ).scalars()
    )
    same: dict[int, Mapping[str, Any]] = {}
    for serve_id in moved & set(target):
        old, new = (
            connection.execute(
                select(bounce).where(bounce.c.serve_id == one).order_by(bounce.c.time_s)
            )
            .mappings()
            .all()
            for one in (serve_id, target[serve_id])
        )
        for i, j in match_serves(
            np.array([row["time_s"] for row in old], float),
            np.array([row["time_s"] for row in new], float),
            within_s=SAME_BOUNCE_S,
        ):
            same[old[i]["bounce_id"]] = dict(new[j])
    return same
