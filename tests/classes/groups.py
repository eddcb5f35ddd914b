"""Invented classes for tests: groups at virtual benches, and what their class workbook says."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

import openpyxl
from examples import layout, practical
from openpyxl.worksheet.worksheet import Worksheet

from sheetlab.before.issue import start_cells
from sheetlab.classes.kept import COMMENT, ITEMS, MARKS_MARK, MARKS_TITLE
from sheetlab.handling.roster import Group
from sheetlab.practical.bench import simulate
from sheetlab.practical.definition import Assist
from sheetlab.workbook.template import write_template

WIRE, PENDULUM = "wire-stretching", "simple-pendulum"
HABITS: Mapping[int, Sequence[str]] = {2: ("main-step",), 5: ("diameter-for-radius",)}
"""What goes wrong in two of the groups."""


@cache
def handin(
    group: str, setup: str = "", seed: int = 1, name: str = WIRE, habits: Sequence[str] = ()
) -> bytes:
    """A filled workbook."""
    bench = simulate(practical(name), seed, list(habits), shared_errors=True)
    typed = {**start_cells(Group(group, setup)), **bench.cells}
    return write_template(layout(name, Assist.CORRECTED), typed)


def fill_class(folder: Path, count: int, name: str = WIRE, seed: int = 100) -> list[Path]:
    """Workbooks of so many groups at four set-ups, under names that say nothing."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for i in range(1, count + 1):
        path = folder / f"{name[:1]}{97 * i % 1000:03}.xlsx"
        habits = tuple(HABITS.get(i, ())) if name == WIRE else ()
        path.write_bytes(handin(f"Group {i}", f"S{(i - 1) % 4 + 1}", seed + i, name, habits))
        paths.append(path)
    return paths


class Marks:
    """The sheet Marks as a person finds their way on it: by group, and by the item's column."""

    def __init__(self, path: Path) -> None:
        self.path = path
        # not from the file itself: another program may replace it meanwhile
        data = path.read_bytes()
        self.book = openpyxl.load_workbook(io.BytesIO(data))

    @property
    def sheet(self) -> Worksheet:
        # it may have been renamed
        ordered = sorted(self.book.worksheets, key=lambda s: s.title != MARKS_TITLE)
        return next(s for s in ordered if s.cell(1, 1).value == MARKS_MARK)

    def column(self, item: str) -> int:
        for row in self.sheet.iter_rows():
            if row[0].value == ITEMS:
                return next(int(c.column) for c in row[1:] if c.value == item)
        raise KeyError(item)

    def row(self, group: str, block: int = 0) -> int:
        rows = [
            row[0].row
            for row in self.sheet.iter_rows()
            if row[4].value == group and str(row[0].value).startswith("k")
        ]
        return int(rows[block])

    def address(self, group: str, item: str) -> str:
        return self.sheet.cell(self.row(group), self.column(item)).coordinate

    def yours(self, group: str, item: str) -> object:
        return self.sheet.cell(self.row(group), self.column(item)).value

    def proposed(self, group: str, item: str) -> object:
        return self.sheet.cell(self.row(group), self.column(item) - 1).value

    def total(self, group: str) -> object:
        rows = texts(self.path, self.sheet.title)
        return rows[self.row(group) - 1][self.column(COMMENT) - 2]

    def hint(self, group: str) -> str:
        return str(self.sheet.cell(self.row(group), self.column(COMMENT) + 1).value or "")

    def comment(self, group: str) -> object:
        return self.yours(group, COMMENT)

    def type(self, group: str, item: str, value: float | str) -> None:
        self.sheet.cell(self.row(group), self.column(item)).value = value

    def save(self) -> None:
        self.book.save(self.path)


def texts(path: Path, sheet: str) -> list[tuple[object, ...]]:
    """Values of a sheet by row, as they were last worked out."""
    data = io.BytesIO(path.read_bytes())
    book = openpyxl.load_workbook(data, data_only=True, read_only=True)
    return list(book[sheet].iter_rows(values_only=True))


def row_of(path: Path, sheet: str, first: str) -> tuple[object, ...]:
    return next(row for row in texts(path, sheet) if row[0] == first)
