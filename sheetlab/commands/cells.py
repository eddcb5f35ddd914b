"""The commands of ``sheetlab addin``: each a parser and a function."""

from __future__ import annotations

import argparse
import contextlib
from pathlib import Path

from sheetlab.commands.console import DONE, expect_ending, refuse_filled, say, write_new


def addin(parser: argparse.ArgumentParser) -> None:
    """The science as functions of a spreadsheet program."""
    actions = parser.add_subparsers(title="actions", required=True, metavar="ACTION")
    excel = actions.add_parser("excel", help="write what Excel on Windows needs, with the steps")
    guide = actions.add_parser("guide", help="write a workbook that shows every function")
    calc = actions.add_parser("calc", help="make the add-in for LibreOffice Calc")
    for action, run, metavar, help_ in (
        (excel, _excel, "DIR", "new or empty folder"),
        (guide, _guide, "FILE.xlsx", "new file"),
        (calc, _calc, "FILE.oxt", "new file, for Calc to take in"),
    ):
        action.add_argument("--out", type=Path, required=True, metavar=metavar, help=help_)
        action.set_defaults(run=run)
    excel.add_argument(
        "--python", default="", metavar="PATH", help="the python.exe that Excel is to use"
    )


def _excel(options: argparse.Namespace) -> int:
    from sheetlab.live.excel.addin import STEPS, excel_files

    files = excel_files(options.python)
    refuse_filled(options.out)
    with contextlib.suppress(OSError):  # writing into it says what is wrong
        options.out.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        write_new(options.out / name, data)
    say(f"{options.out / STEPS}: what to do with this folder, step by step")
    return DONE


def _guide(options: argparse.Namespace) -> int:
    from sheetlab.live.guide import guide

    expect_ending(options.out, ".xlsx")
    write_new(options.out, guide())
    say(f"{options.out}: open it in a program that has the functions")
    return DONE


def _calc(options: argparse.Namespace) -> int:
    from sheetlab.live.calc.extension import extension

    expect_ending(options.out, ".oxt")
    write_new(options.out, extension())
    name = options.out
    say(f"{name}: add it in Calc with Tools > Extension Manager, or: unopkg add {name}")
    return DONE
