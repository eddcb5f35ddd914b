"""The commands of ``sheetlab addin``: each is a parser and a function, and one line in ``add``."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from sheetlab.finding import harmless

WriteNew = Callable[[Path, bytes], None]
"""Writes a file that is not there yet, or raises ``SheetlabError``."""


def add(parser: argparse.ArgumentParser, write_new: WriteNew) -> None:
    """Give a parser the commands about functions in a spreadsheet program."""
    actions = parser.add_subparsers(title="actions", required=True, metavar="ACTION")
    _guide(
        actions.add_parser("guide", help="write a workbook that shows every function"), write_new
    )
    _calc(actions.add_parser("calc", help="make the add-in for LibreOffice Calc"), write_new)


def _guide(parser: argparse.ArgumentParser, write_new: WriteNew) -> None:
    parser.add_argument("--out", type=Path, required=True, metavar="FILE.xlsx", help="new file")

    def run(options: argparse.Namespace) -> int:
        from sheetlab.live.guide import guide

        write_new(options.out, guide())
        print(f"{harmless(str(options.out))}: open it in a program that has the functions")
        return 0

    parser.set_defaults(run=run)


def _calc(parser: argparse.ArgumentParser, write_new: WriteNew) -> None:
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE.oxt", help="new file, for Calc to take in"
    )

    def run(options: argparse.Namespace) -> int:
        from sheetlab.live.calc.extension import extension

        write_new(options.out, extension())
        name = harmless(str(options.out))
        print(f"{name}: add it in Calc with Tools > Extension Manager, or: unopkg add {name}")
        return 0

    parser.set_defaults(run=run)
