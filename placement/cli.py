"""The command `serve-placement`: finds the sub-command, runs it, turns errors into one sentence.

Only the module of the sub-command that was asked for is loaded: help and short clips must not wait
for databases and plotting libraries.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
from collections.abc import Sequence
from importlib import import_module

#: Sub-commands by group: name and what it does. The modules that add them stand in `_HOMES`.
GROUPS: dict[str, dict[str, str]] = {
    "From a film to a map": {
        "demo": "analyse the sample clip and say where the pictures are",
        "stand": "before filming: how exact will this stand, lens and mode be?",
        "probe": "say what a clip is and what in it will hurt",
        "analyse": "measure the serves of clips; write tables, maps and pictures",
        "field-check": "check the tool on your own table with A4 sheets laid on it",
        "page": "open the page in the browser",
    },
    "Students and films": {
        "students": "list students, add or change one, or load a class list",
        "groups": "list the groups",
        "import": "bring in the results of analysed clips, or an export",
        "drills": "list the filmed drills, or change or remove one",
        "locate": "say where the clip of a drill is now",
        "turns": "say who served in a drill, or show it, or propose turns",
        "serves": "show the serves of a drill or a student",
        "correct": "correct a serve, or take a correction back",
        "changes": "show what another analysis of a clip changed",
        "note": "keep a note about a student or a drill, or show the notes",
    },
    "Evidence": {
        "figures": "show the figures of a student",
        "compare": "compare the days of a student",
        "evidence": "write the evidence page of a student, PDF and HTML",
        "overview": "write the overview of a group, PDF, HTML and CSV",
    },
    "Keeping": {
        "export": "write everything as CSV and Parquet with a dictionary",
        "backup": "write all records to one file",
        "restore": "bring a backup back in place of the records",
        "due": "list the drills that may no longer be kept",
        "forget": "remove all that is kept about a student",
    },
}
_FILM = {
    "analyse": "placement.cli_clip",
    "demo": "placement.cli_clip",
    "probe": "placement.cli_clip",
    "stand": "placement.cli_stand",
    "field-check": "placement.cli_stand",
    "page": "placement.cli_page",
}
_RECORDS = "placement.cli_records"
#: Errors whose message is a sentence for the user, by the module that defines them.
_USER_ERRORS = {
    "placement.video": "VideoError",
    "placement.results": "ResultsError",
    "placement.records.errors": "RecordsError",
    "calibration.result": "CalibrationError",
    "placement.cli_clip": "UsageError",
}

EXIT_USER_ERROR = 2
EXIT_INTERRUPTED = 130


def main(argv: Sequence[str] | None = None) -> int:
    """Run a sub-command.

    Parameters
    ----------
    argv : sequence of str, optional
        The command line without the program's name; `sys.argv` when left out.

    Returns
    -------
    int
        Exit status: 0 done, 2 a mistake of the user's, 130 interrupted.
    """
    arguments = _joined(sys.argv[1:] if argv is None else argv)
    name = next((word for word in arguments if not word.startswith("-")), "")
    try:
        parser = _parser(name)
        args = parser.parse_args(arguments)
    except SystemExit as stop:  # argparse has said what is wrong, or printed the help
        return int(stop.code or 0)
    if not hasattr(args, "run"):
        parser.print_help()
        return EXIT_USER_ERROR
    try:
        return int(args.run(args))
    except KeyboardInterrupt:
        print("serve-placement: stopped; nothing was left half-written.", file=sys.stderr)
        return EXIT_INTERRUPTED
    except BrokenPipeError:  # the reader of our output has gone; nothing more can be said to it
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        return _complain(f"{where}{error.strerror or error}")
    except ValueError as error:
        if name in _FILM and not isinstance(error, _user_errors()):
            raise  # a mistake of ours keeps its traceback
        return _complain(str(error))


def _joined(arguments: Sequence[str]) -> list[str]:
    """`--place -3.8,1.2` as `--place=-3.8,1.2`: argparse takes a leading minus for an option."""
    joined: list[str] = []
    for word in arguments:
        if re.match(r"-[\d.]+,", word) and joined and joined[-1].startswith("--"):
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined


def _complain(sentence: str) -> int:
    print(f"serve-placement: {' '.join(sentence.split())}", file=sys.stderr)
    return EXIT_USER_ERROR


def _user_errors() -> tuple[type[BaseException], ...]:
    return tuple(
        getattr(sys.modules[module], name)
        for module, name in _USER_ERRORS.items()
        if module in sys.modules
    )


def _parser(name: str) -> argparse.ArgumentParser:
    """The parser, with the sub-commands of the one module that `name` needs."""
    parser = argparse.ArgumentParser(
        prog="serve-placement",
        usage="serve-placement [-h] [--version] COMMAND ...",
        description="Where table tennis serves land, measured from a film of a fixed phone.",
        epilog=_overview(),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action=_Version, help="say the version and leave")
    if name == "":
        return parser
    subparsers = parser.add_subparsers(
        prog="serve-placement", metavar="COMMAND", help=argparse.SUPPRESS
    )
    if name in _FILM:
        import_module(_FILM[name]).add_commands(subparsers)
    elif any(name in group for group in GROUPS.values()):
        import_module(_RECORDS).add_commands(subparsers)
    else:
        parser.error(f"there is no command {name!r}; `serve-placement --help` lists them")
    return parser


def _overview() -> str:
    lines = []
    for title, commands in GROUPS.items():
        lines.append(f"{title}:")
        lines += [f"  {name:<12} {words}" for name, words in commands.items()]
        lines.append("")
    lines.append("`serve-placement COMMAND --help` says more about one of them.")
    return "\n".join(lines)


class _Version(argparse.Action):
    """Looks the version up only when it is asked for."""

    def __init__(self, option_strings: Sequence[str], dest: str, help: str = "") -> None:
        super().__init__(option_strings, dest, nargs=0, help=help)

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        import placement

        print(f"serve-placement {placement.__version__}")
        parser.exit()


if __name__ == "__main__":
    sys.exit(main())
