"""One workbook: read, evaluated, result sheets written into it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import openpyxl
from examples import CAREFUL, DOUBTFUL, WORKBOOKS
from measure import Case, Task, python, sheetlab

from sheetlab.classes.demo import fill
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import catalogue
from sheetlab.workbook.evaluate_file import evaluate_file


def evaluate(source: Path, target: Path) -> None:
    # into a new folder: what an old file holds is not looked at
    target.unlink(missing_ok=True)
    assert evaluate_file(source, target).written == target


def load_and_save(source: Path, target: Path) -> None:
    openpyxl.load_workbook(source).save(target)


def load_and_save_cold(source: Path, target: Path) -> None:
    python("-c", f"import openpyxl; openpyxl.load_workbook({str(source)!r}).save({str(target)!r})")


def cases(folder: Path, most: int) -> Iterator[Case]:
    careful = tuple(CAREFUL.values())
    doubtful = DOUBTFUL if most >= len(WORKBOOKS) * 2 else DOUBTFUL[:1]
    for group in (*doubtful, *careful):
        source = folder / f"{group}.xlsx"
        fill(catalogue(), WORKBOOKS[group], source, Assist.CORRECTED)
        kind = "careful" if group in careful else "doubtful"
        yield Case(
            f"{WORKBOOKS[group].practical} {group}, {kind}, warm",
            Task(evaluate, (source, folder / "ours.xlsx")),
            Task(load_and_save, (source, folder / "floor.xlsx")),
            "openpyxl loads and saves the same file",
        )
    command = ("evaluate", str(source), "--out", str(folder / "out"))
    yield Case(
        "sheetlab evaluate, cold",
        Task(sheetlab, command, children=True),
        Task(load_and_save_cold, (source, folder / "floor.xlsx"), children=True),
        "a Python that loads and saves it with openpyxl",
        rounds=7,
    )
