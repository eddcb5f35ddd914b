"""The command line before it does anything, and commands that do little."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from examples import SHIPPED
from measure import Case, Task, python, sheetlab


def cases(folder: Path, most: int) -> Iterator[Case]:
    nothing = Task(python, ("-c", "pass"), children=True)
    for words in (("--version",), ("--help",), ("evaluate", "--help"), ("practicals",)):
        work = Task(sheetlab, words, children=True)
        yield Case(f"sheetlab {' '.join(words)}", work, nothing, "python that does nothing")
    parser = Task(python, ("-c", "import argparse"), children=True)
    yield Case(
        "sheetlab --help", Task(sheetlab, ("--help",), children=True), parser,
        "python with argparse",
    )  # fmt: skip
    science = Task(python, ("-c", "import numpy"), children=True)
    for name in SHIPPED:
        work = Task(sheetlab, ("plan", name), children=True)
        yield Case(f"sheetlab plan {name}", work, science, "python with numpy", rounds=5)
