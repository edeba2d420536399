"""Sub-commands for evidence and for keeping; each is read, call, print.

`cli_records.add_commands` adds them beside those for records and people.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

from placement.cli_shared import open_store, show
from placement.records import RecordsError
from placement.records.backup import backup_name
from placement.records.exchange import FORMATS


def add_evidence(command: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the sub-commands that write figures and pages; `command` makes a parser."""
    p = command("figures", _figures, "show the figures of a student")
    p.add_argument("student")
    p.add_argument("--csv", metavar="FILE", help="also write them to a file")
    p = command("compare", _compare, "compare the days of a student")
    p.add_argument("student")
    p.add_argument("--first", metavar="DAY")
    p.add_argument("--second", metavar="DAY")
    p.add_argument("--all", action="store_true", help="every pair of days, corrected for number")
    p.add_argument("--picture", metavar="FILE", help="maps of the two days, .png or .svg")
    p = command("evidence", _evidence, "write the evidence page of a student, PDF and HTML")
    p.add_argument("student", nargs="*", help="students; or use --group")
    p.add_argument("--group", help="all students of a group who have served")
    p.add_argument("--out", default=".", metavar="DIR")
    p.add_argument("--format", choices=("pdf", "html", "both"), default="both")
    p.add_argument("--view", choices=("server", "receiver"), default="server")
    p.add_argument("--no-stills", action="store_true", help="leave out the stills")
    p.add_argument("--pictures", choices=("png", "svg"), help="also write the pictures alone")
    p = command("overview", _overview, "write the overview of a group, PDF, HTML and CSV")
    p.add_argument("group")
    p.add_argument("--out", default=".", metavar="DIR")


def add_keeping(command: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the sub-commands that keep, export and forget; `command` makes a parser."""
    p = command("export", _export, "write everything as CSV and Parquet with a dictionary")
    p.add_argument("folder")
    p.add_argument("--format", choices=FORMATS, action="append", help="one format only")
    p.add_argument("--names", action="store_true", help="also the names of the students")
    p = command("forget", _forget, "remove all that is kept about a student")
    p.add_argument("student")
    p.add_argument("--yes", action="store_true", help="do it; without this nothing is removed")
    p = command("due", _due, "list the drills that may no longer be kept")
    p.add_argument("--on", metavar="DAY", help="a day, as 2026-07-31; today if left out")
    p = command("backup", _backup, "write all records to one file")
    p.add_argument("file", nargs="?", help="file or folder; a name with the moment if left out")
    p = command("restore", _restore, "bring a backup back in place of the records")
    p.add_argument("file")
    p.add_argument("--yes", action="store_true", help="do it; without this nothing is changed")


def _figures(args: argparse.Namespace) -> int:
    import numpy as np

    from placement.figures import figure_table, student_figures

    with open_store(args) as store:
        serves = store.serves(student_code=args.student)
    table = figure_table(student_figures(serves, rng=np.random.default_rng(0)))
    for label, words in zip(table["label"], table["words"], strict=True):
        print(f"{label}: {words}")
    if args.csv:
        from placement.evidence.parts import write_whole

        print(write_whole(args.csv, table.to_csv(index=False)))
    return 0


def _compare(args: argparse.Namespace) -> int:
    from placement.evidence import commands

    with open_store(args) as store:
        for line in commands.compare_student(
            store,
            args.student,
            first=args.first,
            second=args.second,
            every_pair=args.all,
            picture=args.picture,
        ):
            print(line)
    return 0


def _evidence(args: argparse.Namespace) -> int:
    from placement.evidence import commands

    with open_store(args) as store:
        codes = list(args.student)
        if args.group:
            codes += [c for c in store.students(args.group)["code"] if c not in codes]
        if not codes:
            raise RecordsError("name a student, or a group with --group")
        for code in codes:
            if args.group and code not in args.student and not len(store.serves(student_code=code)):
                print(f"{code}: no serves yet, no page", file=sys.stderr)
                continue
            for path in commands.write_student_pages(
                store,
                code,
                args.out,
                formats=("pdf", "html") if args.format == "both" else (args.format,),
                view=args.view,
                with_stills=not args.no_stills,
                pictures=args.pictures,
            ):
                print(path)
    return 0


def _overview(args: argparse.Namespace) -> int:
    from placement.evidence import commands

    with open_store(args) as store:
        for path in commands.write_overview(store, args.group, args.out):
            print(path)
    return 0


def _export(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        print(store.export(args.folder, formats=args.format or FORMATS, names=args.names))
    return 0


def _forget(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        who = store.student(args.student)
        if not args.yes:
            n = len(store.serves(student_code=who.code))
            print(f"This would remove {who.code} with {n} serves for good; say --yes to do it.")
            return 1
        print(store.forget(who.code))
    return 0


def _due(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        show(store.due(args.on), "nothing is due")
        undated = store.without_date()
        if len(undated):
            print(f"{len(undated)} without a last day; set it with `drills N --keep-until DAY`")
    return 0


def _backup(args: argparse.Namespace) -> int:
    target = Path(args.file or ".")
    if target.is_dir():
        target = target / backup_name()
    with open_store(args) as store:
        print(store.backup(target))
    return 0


def _restore(args: argparse.Namespace) -> int:
    if not args.yes:
        print("The records as they are now would be replaced; say --yes to do it.")
        return 1
    with open_store(args) as store:
        again = store.restore(args.file)
    print("brought back" + (f"; {again} forgotten students were removed again" if again else ""))
    return 0


def run_demo(args: argparse.Namespace) -> int:
    """Make the invented class and its pages."""
    from placement.evidence import commands

    # Without --store the invented class gets records of its own: the user's stay as they are.
    for path in commands.write_demo_class(args.store, args.out):
        print(path)
    return 0
