"""The command line: which commands there are, and what becomes of what they raise."""

from __future__ import annotations

import argparse
import re
import sys
from collections import namedtuple
from collections.abc import Sequence
from importlib import import_module
from keyword import iskeyword

from sheetlab import __version__

TYPE_CHECKING = False  # of ``typing``, which takes longer to load than all of this
if TYPE_CHECKING:
    from typing import Any, NoReturn

Command = namedtuple("Command", ("name", "help", "module", "examples"))
"""A command: the module of ``sheetlab.commands`` that is loaded when it is used, because starting
has to be quick (a function of the command's name there gives a parser its arguments, and what
runs), and the command lines that its help page shows."""

COMMANDS = (
    Command("practicals", "list practicals; make, check and convert one of your own",
            "practicals", (
        "sheetlab practicals new --like PRACTICAL --out MINE.xlsx",
        "sheetlab practicals check MINE.xlsx --out REPORT.xlsx",
    )),
    Command("issue", "write observation workbooks for groups", "before", (
        "sheetlab issue PRACTICAL --roster roster.csv --out issued",
        "sheetlab issue --rota rota.csv --week 2 --register REGISTER.xlsx --out issued",
    )),
    Command("plan", "plan a practical before class", "before", (
        'sheetlab plan PRACTICAL --gauge "SWG 25" --material "brass, hard"',
        "sheetlab plan PRACTICAL --set swings=20 --out plan.xlsx",
    )),
    Command("register", "the register of instruments, wires, set-ups", "before", (
        "sheetlab register new --out REGISTER.xlsx",
        "sheetlab register check REGISTER.xlsx --rota rota.csv",
    )),
    Command("rota", "make a fair rota of groups, weeks and set-ups", "before", (
        "sheetlab rota --groups roster.csv --setups 6 --weeks 5 "
        "--practicals PRACTICAL,PRACTICAL --out rota.csv",
    )),
    Command("evaluate", "evaluate filled workbooks", "lesson", (
        "sheetlab evaluate handed-in --out evaluated",
        'sheetlab evaluate "group 3.xlsx" --in-place',
    )),
    Command("watch", "show how the benches of a class get on", "lesson", (
        "sheetlab watch shared",
        "sheetlab watch shared --once",
    )),
    Command("class", "evaluate a folder of hand-ins into one workbook with marks and feedback",
            "lesson", ("sheetlab class handed-in --roster roster.csv --out CLASS.xlsx",)),
    Command("practice-set", "write workbooks with planted mistakes, and a key, to practise marking",
            "before", ("sheetlab practice-set PRACTICAL --out practice --count 12 --seed 7",)),
    Command("archive", "keep the results of the years", "years", (
        "sheetlab archive add CLASS.xlsx --archive DEPARTMENT.sqlite --year 2026",
        "sheetlab archive check DEPARTMENT.sqlite",
    )),
    Command("drift", "chart how apparatus and instruments drift", "years",
            ("sheetlab drift DEPARTMENT.sqlite --baseline 6 --out DRIFT.xlsx",)),
    Command("addin", "the science as functions of a spreadsheet program", "cells", (
        "sheetlab addin calc --out sheetlab.oxt",
        "sheetlab addin guide --out functions.xlsx",
    )),
    Command("demo", "run everything on an invented class", "demo", ("sheetlab demo demo",)),
    Command("manual", "print a page of the manual", "manual",
            ("sheetlab manual", "sheetlab manual before-class")),
)  # fmt: skip


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
    from sheetlab.commands import console
    from sheetlab.finding import SheetlabError

    if isinstance(error, BrokenPipeError):
        return console.DONE
    if isinstance(error, KeyboardInterrupt):
        console.say("\nStopped; what was told of as done is kept.", file=sys.stderr)
        return console.STOPPED
    if not isinstance(error, SheetlabError | OSError):
        raise error
    findings = [console.system_refused(error)] if isinstance(error, OSError) else error.findings
    console.complain(findings)
    return console.NOTHING_DONE


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
    for command in COMMANDS:
        its = commands.add_parser(
            command.name,
            help=command.help,
            epilog="\n  ".join((f"example{'s' * (len(command.examples) > 1)}:", *command.examples)),
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        if command.name in arguments:
            module = import_module(f"sheetlab.commands.{command.module}")
            function = command.name.replace("-", "_") + "_" * iskeyword(command.name)
            getattr(module, function)(its)
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
