"""The command line before it does anything."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from bench_evaluate import COMMAND
from measure import Case, Task, python


def cases(folder: Path, most: int) -> Iterator[Case]:
    floor = Task(python, ("-c", "import argparse"), children=True)
    for option in ("--version", "--help"):
        work = Task(python, ("-c", COMMAND, option), children=True)
        yield Case(f"sheetlab {option}", work, floor, "python with argparse")
    yield Case(
        "sheetlab --version",
        Task(python, ("-c", COMMAND, "--version"), children=True),
        Task(python, ("-c", "pass"), children=True),
        "python that does nothing",
    )
