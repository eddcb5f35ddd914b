"""Invented classes for tests: groups at virtual benches, and what their class workbook says."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from functools import cache, cached_property
from pathlib import Path
from xml.sax.saxutils import escape

import openpyxl
from examples import layout, practical
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet
from python_calamine import CalamineWorkbook
from workbook.tamper import with_parts

from sheetlab.before.issue import start_cells
from sheetlab.checks.assess import Assessment
from sheetlab.classes.classbook import TITLES
from sheetlab.classes.kept import COMMENT, GROUP, ITEMS, MARKS_MARK, MARKS_TITLE
from sheetlab.classes.marks_page import TOTAL
from sheetlab.handling.roster import Group
from sheetlab.practical.bench import simulate
from sheetlab.practical.definition import Assist
from sheetlab.workbook.evaluate_file import evaluate_file
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


_ASSESSED: dict[bytes, Assessment] = {}


def assessed(path: Path) -> Assessment:
    """What an evaluation of a hand-in finds, worked out once."""
    data = path.read_bytes()
    if data not in _ASSESSED:
        assessment = evaluate_file(path, None, trials=0).assessment
        assert assessment is not None
        _ASSESSED[data] = assessment
    return _ASSESSED[data]


class Marks:
    """The sheet Marks as a person finds their way on it: by group, and by the item's column.

    It is read as it was saved; ``book`` is the workbook in which something is typed.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        # not from the file itself: another program may replace it meanwhile
        self.data = path.read_bytes()
        self.typed: dict[str, float | str] = {}

    @cached_property
    def book(self) -> openpyxl.Workbook:
        book = openpyxl.load_workbook(io.BytesIO(self.data))
        for address, value in self.typed.items():
            book[self.title][address].value = value
        return book

    @cached_property
    def sheet(self) -> Worksheet:
        return self.book[self.title]

    @cached_property
    def title(self) -> str:
        book = CalamineWorkbook.from_filelike(io.BytesIO(self.data))
        # it may have been renamed
        ordered = sorted(book.sheet_names, key=lambda name: name != MARKS_TITLE)
        return next(n for n in ordered if _rows(book, n)[:1] and _rows(book, n)[0][0] == MARKS_MARK)

    @cached_property
    def rows(self) -> list[tuple[object, ...]]:
        return _rows(CalamineWorkbook.from_filelike(io.BytesIO(self.data)), self.title)

    def column(self, key: str) -> int:
        keys = next(row for row in self.rows if row[0] == ITEMS)
        return keys.index(key) + 1

    def row(self, group: str, block: int = 0) -> int:
        name = self.column(GROUP) - 1
        rows = [
            number
            for number, row in enumerate(self.rows, 1)
            if row[name] == group and str(row[0]).startswith("k")
        ]
        return rows[block]

    def address(self, group: str, item: str) -> str:
        return f"{get_column_letter(self.column(item))}{self.row(group)}"

    def yours(self, group: str, item: str) -> object:
        return self.rows[self.row(group) - 1][self.column(item) - 1]

    def proposed(self, group: str, item: str) -> object:
        return self.yours(group, f"#proposed {item}")

    def total(self, group: str) -> object:
        return self.yours(group, TOTAL)

    def hint(self, group: str) -> str:
        return str(self.yours(group, "#hint") or "")

    def comment(self, group: str) -> object:
        return self.yours(group, COMMENT)

    def type(self, group: str, item: str, value: float | str) -> None:
        if "book" in self.__dict__:
            self.sheet.cell(self.row(group), self.column(item)).value = value
        else:
            self.typed[self.address(group, item)] = value

    def save(self) -> None:
        """As openpyxl saves; if only marks were typed, with their cells alone changed."""
        part = f"xl/worksheets/sheet{TITLES.index(MARKS_TITLE) + 1}.xml"
        with zipfile.ZipFile(io.BytesIO(self.data)) as archive:
            xml = archive.read(part).decode()
        simple = "book" not in self.__dict__
        for address, value in self.typed.items():
            inside = f'<c r="{address}" s="\\1"><v>{value!r}</v></c>'
            if isinstance(value, str):
                text = f'<is><t xml:space="preserve">{escape(value)}</t></is>'
                inside = f'<c r="{address}" s="\\1" t="inlineStr">{text}</c>'
            cell = rf'<c r="{address}" s="(\d+)"[^>]*?(?:/>|>.*?</c>)'
            xml, count = re.subn(cell, inside, xml)
            simple &= count == 1
        if simple:
            self.path.write_bytes(with_parts(self.data, {part: xml.encode()}))
        else:
            self.book.save(self.path)


def _rows(book: CalamineWorkbook, sheet: str) -> list[tuple[object, ...]]:
    rows = book.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
    return [tuple(None if cell == "" else cell for cell in row) for row in rows]


def texts(path: Path, sheet: str) -> list[tuple[object, ...]]:
    """Values of a sheet by row, as they were last worked out."""
    return _rows(CalamineWorkbook.from_filelike(io.BytesIO(path.read_bytes())), sheet)


def table_of(path: Path, sheet: str, first: str) -> dict[object, dict[object, object]]:
    """Rows of the tables of a sheet whose first heading that is, by their first cell and heading.

    Of a row that comes again the last counts.
    """
    head: tuple[object, ...] = ()
    found: dict[object, dict[object, object]] = {}
    for row in texts(path, sheet):
        if row[0] == first:
            head = row
        elif head and row[1:2] != (None,):
            found[row[0]] = dict(zip(head, row, strict=True))
    return found


def row_of(path: Path, sheet: str, first: str) -> dict[object, object]:
    """A row of a table of groups, by heading."""
    return table_of(path, sheet, "group")[first]
