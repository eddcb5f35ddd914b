"""The command line: which commands there are, and what becomes of what they raise."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import NamedTuple

from sheetlab import __version__
from sheetlab.commands.console import (
    DONE,
    NOTHING_DONE,
    STOPPED,
    complain,
    say,
    system_refused,
)
from sheetlab.finding import SheetlabError


class Command(NamedTuple):
    """A command, and where its arguments stand."""

    name: str
    help: str
    module: str
    """Of ``sheetlab.commands``; loaded when it is used, because starting has to be quick."""
    function: str
    """Gives a parser its arguments, and what runs."""


COMMANDS = (
    Command("practicals", "list the practicals there are", "before", "practicals"),
    Command("issue", "write observation workbooks for groups", "before", "issue"),
    Command("plan", "plan a practical before class", "before", "plan"),
    Command("register", "the register of instruments, wires, set-ups", "before", "register"),
    Command("rota", "make a fair rota of groups, weeks and set-ups", "before", "rota"),
    Command("evaluate", "evaluate filled workbooks", "lesson", "evaluate"),
    Command("watch", "show how the benches of a class get on", "lesson", "watch"),
    Command(
        "class",
        "evaluate a folder of hand-ins into one workbook with marks and feedback",
        "lesson",
        "class_",
    ),
    Command(
        "practice-set",
        "write workbooks with planted mistakes, and a key, to practise marking",
        "before",
        "practice_set",
    ),
    Command("archive", "keep the results of the years", "years", "archive"),
    Command("drift", "chart how apparatus and instruments drift", "years", "drift"),
    Command("addin", "the science as functions of a spreadsheet program", "cells", "addin"),
    Command("demo", "run everything on an invented class", "demo", "demo"),
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
    except SheetlabError as error:
        complain(error.findings)
        return NOTHING_DONE
    except BrokenPipeError:
        return DONE
    except OSError as error:
        complain([system_refused(error)])
        return NOTHING_DONE
    except KeyboardInterrupt:
        say("\nStopped; what was told of as done is kept.", file=sys.stderr)
        return STOPPED


def parser(arguments: Sequence[str]) -> argparse.ArgumentParser:
    """The parser of the command line, with the arguments of those commands that are named."""
    whole = argparse.ArgumentParser(
        prog="sheetlab",
        description="Laboratory practicals in spreadsheets: issue observation workbooks, "
        "evaluate filled ones, state results with their uncertainty.",
    )
    whole.add_argument("--version", action="version", version=f"sheetlab {__version__}")
    commands = whole.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for one in COMMANDS:
        its = commands.add_parser(one.name, help=one.help)
        if one.name in arguments:
            getattr(import_module(f"sheetlab.commands.{one.module}"), one.function)(its)
    return whole
