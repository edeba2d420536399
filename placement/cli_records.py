"""Sub-commands for records, people and evidence; each is read, call, print.

`add_commands` adds them to an argparse parser. The function that runs a command stands in
`args.run` and takes the parsed arguments; it returns the exit status, and raises `RecordsError` or
another `ValueError` whose message is one sentence for the user.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import Any

from placement.cli_evidence import add_evidence, add_keeping, run_demo
from placement.cli_shared import open_store, show
from placement.records import CORRECTABLE, RecordsError, Store, default_store, results_folders
from placement.records.exchange import DICTIONARY
from placement.records.turnlist import format_turns, parse_numbers
from placement.records.turns import Assignment, clock

Handler = Callable[[argparse.Namespace], int]


def add_commands(subparsers: Any) -> None:
    """Add the sub-commands of records, people and evidence.

    Parameters
    ----------
    subparsers : argparse action
        What `ArgumentParser.add_subparsers` returned.
    """
    shared = argparse.ArgumentParser(add_help=False)
    shared.add_argument(
        "--store", metavar="FILE", help=f"records file or database address ({default_store()})"
    )

    def command(name: str, run: Handler, words: str) -> argparse.ArgumentParser:
        parser: argparse.ArgumentParser = subparsers.add_parser(
            name, help=words, description=words, parents=[shared]
        )
        parser.set_defaults(run=run)
        return parser

    _add_people(command)
    _add_films(command)
    add_evidence(command)
    add_keeping(command)
    if "demo" not in subparsers.choices:
        p = command("demo", run_demo, "make an invented class of 12 students and its pages")
        p.add_argument("--class", dest="demo_class", action="store_true", required=True)
        p.add_argument("--out", default="demo-class", metavar="DIR")


def _add_people(command: Callable[..., argparse.ArgumentParser]) -> None:
    p = command("students", _students, "list students, add or change one, or load a class list")
    p.add_argument("code", nargs="?", help="initials or candidate number to add or change")
    p.add_argument("--hand", choices=("right", "left"), help="playing hand")
    p.add_argument("--name", help="name, only if the school wants it kept ('' removes it)")
    p.add_argument("--new-code", metavar="CODE", help="other initials or candidate number")
    p.add_argument("--group", help="group to join, or whose students to list")
    p.add_argument("--leave", metavar="GROUP", help="group to leave")
    p.add_argument("--load", metavar="CSV", help="class list with code, and hand, name, group")
    p.add_argument("--names", action="store_true", help="show the names too")
    p = command("groups", _groups, "list the groups")
    p.add_argument("--remove", metavar="GROUP", help="remove a group; its students stay")
    p = command("note", _note, "keep a note about a student or a drill, or show the notes")
    p.add_argument("text", nargs="?", help="the note; without it the notes are shown")
    p.add_argument("--student", default="", metavar="CODE")
    p.add_argument("--drill", type=int, metavar="NUMBER")
    p.add_argument("--who", default="", help="your initials")


def _add_films(command: Callable[..., argparse.ArgumentParser]) -> None:
    p = command("import", _import, "bring in the results of analysed clips, or an export")
    p.add_argument("folder", nargs="+", help="results folder, a folder of them, or an export")
    p.add_argument("--group", default="", help="group that was filmed")
    p.add_argument("--date", default="", metavar="DAY", help="day of filming, as 2026-03-31")
    p.add_argument("--place", default="", help="where it was filmed")
    p.add_argument("--asked", default="", help="what the students were asked to do")
    p.add_argument("--keep-until", default="", metavar="DAY", help="last day it may be kept")
    p = command("drills", _drills, "list the filmed drills, or change or remove one")
    p.add_argument("drill", nargs="?", type=int, help="number of the drill to change")
    p.add_argument("--group", help="group that was filmed, or whose drills to list")
    p.add_argument("--date", metavar="DAY", help="day of filming")
    p.add_argument("--place")
    p.add_argument("--asked")
    p.add_argument("--keep-until", metavar="DAY")
    p.add_argument("--remove", action="store_true", help="remove the drill with all its serves")
    p = command("locate", _locate, "say where the clip of a drill is now")
    p.add_argument("drill", type=int)
    p.add_argument("file", nargs="?", help="new place of a clip that was moved")
    p = command("turns", _turns, "say who served in a drill, or show it, or propose turns")
    p.add_argument("drill", type=int)
    p.add_argument("turns", nargs="?", help="turn list, such as 'AB 10 short left, CD 10 long'")
    p.add_argument("--file", help="file with the turn list, typed or CSV")
    p.add_argument("--propose", action="store_true", help="propose turns, from pauses and ends")
    p.add_argument("--add-students", action="store_true", help="add students who are not known")
    p.add_argument("--give", metavar="SERVES", help="serves to give to another turn, as 3-5;9")
    p.add_argument("--to", type=int, metavar="TURN", help="number of that turn; 0 for nobody")
    p = command("serves", _serves, "show the serves of a drill or a student")
    p.add_argument("drill", nargs="?", type=int)
    p.add_argument("--student", metavar="CODE")
    p.add_argument("--machine", action="store_true", help="the machine's first answers")
    p = command("correct", _correct, "correct a serve, or take a correction back")
    p.add_argument("drill", type=int)
    p.add_argument("serve", nargs="?", type=int, help="number of the serve")
    p.add_argument("changes", nargs="*", metavar="NAME=VALUE", help=", ".join(CORRECTABLE))
    p.add_argument("--who", default="", help="your initials")
    p.add_argument("--why", default="", help="reason")
    p.add_argument("--undo", action="store_true", help="take back the last correction")
    p.add_argument("--redo", action="store_true", help="put it back in force")
    p.add_argument("--list", action="store_true", help="show all corrections")
    p = command("changes", _changes, "show what another analysis of a clip changed")
    p.add_argument("drill", type=int)
    p.add_argument("--earlier", type=int, metavar="ANALYSIS")
    p.add_argument("--later", type=int, metavar="ANALYSIS")


def _students(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        if args.load:
            path = Path(args.load)
            if not path.is_file():
                raise RecordsError(f"there is no file {path}")
            new = store.import_class_list(path, group=args.group or "")
            print(f"{len(new)} new: {', '.join(new) or 'nobody'}")
            return 0
        if args.code is None:
            show(store.students(args.group, names=args.names), "no students yet")
            return 0
        known = args.code in set(store.students()["code"])
        if not known:
            store.add_student(args.code, hand=args.hand or "", name=args.name or "")
        elif args.hand or args.name is not None or args.new_code:
            store.change_student(args.code, new_code=args.new_code, hand=args.hand, name=args.name)
        code = args.new_code if known and args.new_code else args.code
        if args.group:
            store.join_group(code, args.group)
        if args.leave:
            store.leave_group(code, args.leave)
        who = store.student(code)
        print(f"{who.code}: {who.hand or 'hand not given'}; groups: {', '.join(who.groups) or '-'}")
    return 0


def _groups(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        if args.remove:
            store.remove_group(args.remove)
        show(store.groups(), "no groups yet")
    return 0


def _note(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        if args.text:
            store.add_note(args.text, who=args.who, student_code=args.student, drill_id=args.drill)
        show(store.notes(student_code=args.student, drill_id=args.drill), "no notes")
    return 0


def _import(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        for name in args.folder:
            if (Path(name) / DICTIONARY).is_file():
                rows = store.import_export(name)
                print(f"{name}: " + ", ".join(f"{n} {table}" for table, n in rows.items() if n))
                continue
            for folder in results_folders(name):
                done = store.import_results(
                    folder,
                    group=args.group,
                    filmed_on=args.date,
                    place=args.place,
                    asked=args.asked,
                    keep_until=args.keep_until,
                )
                state = "already there" if done.already_there else f"{done.n_serves} serves"
                print(f"drill {done.drill_id}, {done.clip}: {state}")
                for sentence in (*done.changed, *done.lost_corrections):
                    print(f"  {sentence}")
    return 0


def _drills(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        if args.drill is None:
            show(store.drills(group=args.group), "no filmed drills yet")
        elif args.remove:
            removed = store.remove_drill(args.drill)
            print("removed: " + ", ".join(f"{n} {what}" for what, n in removed.items() if n))
        else:
            store.describe_drill(
                args.drill,
                group=args.group,
                filmed_on=args.date,
                place=args.place,
                asked=args.asked,
                keep_until=args.keep_until,
            )
            film = store.drill(args.drill)
            print(f"drill {film.drill_id}, {film.clip}: {film.filmed_on or 'day not given'}")
    return 0


def _locate(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        print(store.locate_clip(args.drill, args.file))
    return 0


def _turns(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        if args.propose:
            for position, turn in enumerate(store.propose_turns(args.drill), start=1):
                print(f"{position}: {format_turns([turn])}")
            return 0
        if args.give:
            _give(store, args)
        text = args.turns
        if args.file:
            path = Path(args.file)
            if not path.is_file():
                raise RecordsError(f"there is no file {path}")
            text = path.read_text(encoding="utf-8-sig")
        if text:
            _tell(store.set_turns(args.drill, text, make_students=args.add_students))
        show(store.turns(args.drill).drop(columns="turn_id"), "nobody is named yet")
    return 0


def _give(store: Store, args: argparse.Namespace) -> None:
    if args.to is None:
        raise RecordsError("say to which turn with --to; 0 is nobody")
    wanted = set(parse_numbers(args.give, "--give"))
    serves = store.serves(drill_id=args.drill)
    turns = store.turns(args.drill)
    position = turns.loc[turns["position"] == args.to, "turn_id"]
    if args.to and not len(position):
        raise RecordsError(f"drill {args.drill} has no turn {args.to}")
    chosen = serves.loc[serves["number"].isin(wanted), "serve_id"].tolist()
    if len(chosen) != len(wanted):
        raise RecordsError(f"drill {args.drill} does not have all of the serves {args.give}")
    store.assign(chosen, int(position.iloc[0]) if args.to else None)


def _tell(assignment: Assignment) -> None:
    for mismatch in assignment.mismatches:
        print(f"does not add up: {mismatch.sentence}")


def _serves(args: argparse.Namespace) -> int:
    if args.drill is None and args.student is None:
        raise RecordsError("name a drill, or a student with --student")
    with open_store(args) as store:
        frame = store.serves(
            drill_id=args.drill, student_code=args.student, machine_only=args.machine
        )
    frame = frame.assign(time=[clock(t) for t in frame["t_start_s"]])
    columns = ["drill_id", "number", "time", "code", "outcome", "depth", "side", "landing_x_m"]
    columns += ["landing_y_m", "pace_m_s", "corrected"]
    show(frame[columns].round(3), "no serves")
    return 0


def _correct(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        if args.undo or args.redo:
            act = store.undo if args.undo else store.redo
            print(act(args.drill, who=args.who))
            return 0
        if args.list or args.serve is None:
            log = store.corrections(args.drill)
            columns = ["number", "field", "machine_value", "new_value", "who", "made_at", "why"]
            show(log[[*columns, "undone_at"]], "no corrections")
            return 0
        serves = store.serves(drill_id=args.drill, removed=True)
        row = serves[serves["number"] == args.serve]
        if not len(row):
            raise RecordsError(f"drill {args.drill} has no serve {args.serve}")
        store.correct(
            int(row["serve_id"].iloc[0]),
            dict(_change(text) for text in args.changes),
            who=args.who,
            seen_revision=int(row["revision"].iloc[0]),
            why=args.why,
        )
        print(f"serve {args.serve} corrected; the machine's answer is kept")
    return 0


def _change(text: str) -> tuple[str, Any]:
    name, equals, value = text.partition("=")
    if not equals:
        raise RecordsError(f"{text!r} is no change; write it like outcome=let")
    if name in ("removed", "checked"):
        return name, value.lower() in ("true", "yes", "1")
    if name in ("outcome", "depth", "side"):
        return name, value
    if value == "":
        return name, None
    try:
        return name, int(value) if name == "server_end" else float(value)
    except ValueError as error:
        raise RecordsError(f"{name} needs a number, not {value!r}") from error


def _changes(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        known = store.analyses(args.drill)
        show(known.drop(columns="settings"), "no such drill")
        if len(known) < 2:
            return 0
        ids = known["analysis_id"].tolist()
        show(store.changes(args.earlier or ids[-2], args.later or ids[-1]), "no serve changed")
    return 0
