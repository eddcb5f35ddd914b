"""The commands of ``sheetlab addin``: each is a parser and a function, and one line in ``add``."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Callable
from pathlib import Path

from sheetlab.finding import harmless

WriteNew = Callable[[Path, bytes], None]
"""Writes a file that is not there yet, or raises ``SheetlabError``."""


def add(parser: argparse.ArgumentParser, write_new: WriteNew) -> None:
    """Give a parser the commands about functions in a spreadsheet program."""
    actions = parser.add_subparsers(title="actions", required=True, metavar="ACTION")
    _excel(
        actions.add_parser("excel", help="write what Excel on Windows needs, with the steps"),
        write_new,
    )
    _guide(
        actions.add_parser("guide", help="write a workbook that shows every function"), write_new
    )


def _excel(parser: argparse.ArgumentParser, write_new: WriteNew) -> None:
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="new or empty folder"
    )
    parser.add_argument(
        "--python", default="", metavar="PATH", help="the python.exe that Excel is to use"
    )

    def run(options: argparse.Namespace) -> int:
        from sheetlab.live.excel.addin import STEPS, excel_files

        files = excel_files(options.python)
        with contextlib.suppress(OSError):  # writing into it says what is wrong
            options.out.mkdir(parents=True, exist_ok=True)
        for name, data in files.items():
            write_new(options.out / name, data)
        print(f"{harmless(str(options.out / STEPS))}: what to do with this folder, step by step")
        return 0

    parser.set_defaults(run=run)


def _guide(parser: argparse.ArgumentParser, write_new: WriteNew) -> None:
    parser.add_argument("--out", type=Path, required=True, metavar="FILE.xlsx", help="new file")
    parser.add_argument(
        "--calc", action="store_true",
        help="write formulas as LibreOffice Calc keeps them: they work there, and nowhere else",
    )  # fmt: skip

    def run(options: argparse.Namespace) -> int:
        from sheetlab.live.guide import IN_CALC, guide

        write_new(options.out, guide(IN_CALC if options.calc else ""))
        print(f"{harmless(str(options.out))}: open it in a program that has the functions")
        return 0

    parser.set_defaults(run=run)
