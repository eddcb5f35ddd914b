"""The command line: which commands there are, and what becomes of what they raise."""

from __future__ import annotations

import argparse
import re
import sys
from collections import namedtuple
from collections.abc import Sequence
from importlib import import_module

from sheetlab import __version__

TYPE_CHECKING = False  # of ``typing``, which takes longer to load than all of this
if TYPE_CHECKING:
    from typing import Any, NoReturn

Command = namedtuple("Command", ("name", "help", "module", "function", "examples"))
"""A command: the module of ``sheetlab.commands`` that is loaded when it is used, because starting
has to be quick, the function there that gives a parser its arguments and what runs, and the command
lines that its help page shows."""

COMMANDS = (
    Command(
        "practicals",
        "list the practicals there are",
        "before",
        "practicals",
        (
            "sheetlab practicals",
            'sheetlab practicals --definitions "own practicals"',
        ),
    ),
    Command(
        "issue",
        "write observation workbooks for groups",
        "before",
        "issue",
        (
            "sheetlab issue PRACTICAL --roster roster.csv --out issued",
            "sheetlab issue --rota rota.csv --week 2 --register REGISTER.xlsx --out issued",
        ),
    ),
    Command(
        "plan",
        "plan a practical before class",
        "before",
        "plan",
        (
            'sheetlab plan PRACTICAL --gauge "SWG 25" --material "brass, hard"',
            "sheetlab plan PRACTICAL --set swings=20 --out plan.xlsx",
        ),
    ),
    Command(
        "register",
        "the register of instruments, wires, set-ups",
        "before",
        "register",
        (
            "sheetlab register new --out REGISTER.xlsx",
            "sheetlab register check REGISTER.xlsx --rota rota.csv",
        ),
    ),
    Command(
        "rota",
        "make a fair rota of groups, weeks and set-ups",
        "before",
        "rota",
        (
            "sheetlab rota --groups roster.csv --setups 6 --weeks 5 "
            "--practicals PRACTICAL,PRACTICAL --out rota.csv",
        ),
    ),
    Command(
        "evaluate",
        "evaluate filled workbooks",
        "lesson",
        "evaluate",
        (
            "sheetlab evaluate handed-in --out evaluated",
            'sheetlab evaluate "group 3.xlsx" --in-place',
        ),
    ),
    Command(
        "watch",
        "show how the benches of a class get on",
        "lesson",
        "watch",
        (
            "sheetlab watch shared",
            "sheetlab watch shared --once",
        ),
    ),
    Command(
        "class",
        "evaluate a folder of hand-ins into one workbook with marks and feedback",
        "lesson",
        "class_",
        ("sheetlab class handed-in --roster roster.csv --out CLASS.xlsx",),
    ),
    Command(
        "practice-set",
        "write workbooks with planted mistakes, and a key, to practise marking",
        "before",
        "practice_set",
        ("sheetlab practice-set PRACTICAL --out practice --count 12 --seed 7",),
    ),
    Command(
        "archive",
        "keep the results of the years",
        "years",
        "archive",
        (
            "sheetlab archive add CLASS.xlsx --archive DEPARTMENT.sqlite --year 2026",
            "sheetlab archive check DEPARTMENT.sqlite",
        ),
    ),
    Command(
        "drift",
        "chart how apparatus and instruments drift",
        "years",
        "drift",
        ("sheetlab drift DEPARTMENT.sqlite --baseline 6 --out DRIFT.xlsx",),
    ),
    Command(
        "addin",
        "the science as functions of a spreadsheet program",
        "cells",
        "addin",
        (
            "sheetlab addin calc --out sheetlab.oxt",
            "sheetlab addin guide --out functions.xlsx",
        ),
    ),
    Command(
        "demo",
        "run everything on an invented class",
        "demo",
        "demo",
        ("sheetlab demo demo",),
    ),
    Command(
        "manual",
        "print a page of the manual",
        "manual",
        "manual",
        ("sheetlab manual", "sheetlab manual before-class"),
    ),
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit status."""
    for stream in (sys.stdout, sys.stderr):
        # a console of another code page shows a question mark instead of stopping the program
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    given = sys.argv[1:] if arguments is None else arguments
    try:
        options = parser(given).parse_args(given)
        return int(options.run(options))
    except (Exception, KeyboardInterrupt) as error:
        return _ended(error)


def _ended(error: BaseException) -> int:
    """Say why a command did not come to its end; what it is said with, --help does without."""
    from sheetlab.commands.console import (
        DONE,
        NOTHING_DONE,
        STOPPED,
        complain,
        say,
        system_refused,
    )
    from sheetlab.finding import SheetlabError

    if isinstance(error, SheetlabError):
        complain(error.findings)
        return NOTHING_DONE
    if isinstance(error, BrokenPipeError):
        return DONE
    if isinstance(error, OSError):
        complain([system_refused(error)])
        return NOTHING_DONE
    if isinstance(error, KeyboardInterrupt):
        say("\nStopped; what was told of as done is kept.", file=sys.stderr)
        return STOPPED
    raise error


def parser(arguments: Sequence[str]) -> argparse.ArgumentParser:
    """The parser of the command line, with the arguments of those commands that are named."""
    used: list[argparse.ArgumentParser] = []

    class Parser(argparse.ArgumentParser):
        """Says also which word may have been meant."""

        def parse_known_args(self, *given: Any, **more: Any) -> Any:
            used.append(self)
            return super().parse_known_args(*given, **more)

        def error(self, message: str) -> NoReturn:
            its = used[-1]
            if its is not self:
                # the command knows which options it has
                its.error(message)
            super().error(message + meant(message, self.format_help(), arguments))

    whole = Parser(
        prog="sheetlab",
        description="Laboratory practicals in spreadsheets: issue observation workbooks, "
        "evaluate filled ones, state results with their uncertainty.",
    )
    whole.add_argument("--version", action="version", version=f"sheetlab {__version__}")
    commands = whole.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for one in COMMANDS:
        its = commands.add_parser(
            one.name,
            help=one.help,
            epilog="\n  ".join((f"example{'s' * (len(one.examples) > 1)}:", *one.examples)),
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        if one.name in arguments:
            getattr(import_module(f"sheetlab.commands.{one.module}"), one.function)(its)
    return whole


def meant(message: str, help_: str, arguments: Sequence[str]) -> str:
    """Which words are likely to have been meant; empty if none is near.

    Parameters
    ----------
    message
        Of argparse: it lists the commands that there are.
    help_
        Help page of the command that was named, which lists its options.
    """
    from difflib import get_close_matches

    choice = re.search(r"invalid choice: '([^']*)' \(choose from ([^)]*)\)", message)
    if choice:
        wrong, known = [choice[1]], re.findall(r"[\w-]+", choice[2])
    else:
        known = re.findall(r"--[a-z][a-z-]*", help_)
        options = [word.partition("=")[0] for word in arguments if word.startswith("--")]
        wrong = [word for word in options if not any(one.startswith(word) for one in known)]
    near = [(word, match) for word in wrong for match in get_close_matches(word, known, 1)]
    return "".join(f"\nDid you mean “{match}” instead of “{word}”?" for word, match in near)
