"""Sheets, names and cells of a workbook that somebody has open with openpyxl.

Nothing of it is changed: rows and cells that openpyxl would make when they are asked for are not
asked for. openpyxl is needed only by who has such a workbook.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from msgspec import field

from sheetlab.finding import Severity, SheetlabError, finding
from sheetlab.workbook.sheet import MAX_TEXT, Cell, Grid, unescaped
from sheetlab.workbook.store import DATES, SheetEntry, Store, is_date

NAME = Path("workbook")
"""What messages call it: openpyxl does not keep the name of the file."""
_DATE, _UNLOCKED = 1, 2
"""Bits of a cell's style in this store."""


class OpenpyxlBook(Store):
    """The store of an open workbook."""

    tables: Mapping[str, Any] = field(default_factory=dict)
    """Worksheets by name."""
    values_only: bool = False
    """Whether it was loaded with ``data_only``: last values in the place of formulas."""

    def _read(self, sheet: str) -> Grid:
        table = self.tables.get(sheet)
        if table is None:
            return Grid({}, False, frozenset())
        # its public ways to go through cells and rows make those that are not there
        found = ((at, self._cell(cell)) for at, cell in table._cells.items())
        cells = {(row - 1, column - 1): cell for (row, column), cell in found if cell is not None}
        filled = {row for row, _ in cells}
        hidden = {row - 1 for row, one in table.row_dimensions.items() if one.hidden}
        return Grid(cells, bool(table.protection.sheet), frozenset(hidden & filled))

    def _cell(self, cell: Any) -> Cell | None:
        value, kind = cell.value, cell.data_type
        # openpyxl saves an empty text as a blank cell
        if value is None or value == "":
            return None
        # asked of a cell without a style, openpyxl gives it one
        styled = cell.has_style
        locked = not (styled and cell.protection.locked is False)
        style = 0 if locked else _UNLOCKED
        if kind == "f":
            # openpyxl works nothing out and does not keep what was worked out
            return Cell("text", "", True, style)
        # values alone do not tell; nobody types into a locked cell of a workbook as it was issued
        formula = self.values_only and locked
        if kind == "b":
            return Cell("truth", float(value), formula, style)
        if kind == "e":
            return Cell("error", str(value)[:MAX_TEXT], formula, style)
        if kind in ("n", "d"):
            if styled and (cell._style.numFmtId in DATES or is_date(cell.number_format)):
                style |= _DATE
            number = _serial(value, cell.base_date) if kind == "d" else _number(value)
            return Cell("number", number, formula, style)
        return Cell("text", unescaped(str(value)), formula, style)


def open_openpyxl(book: Any) -> OpenpyxlBook:
    """Sheets and names of an open ``openpyxl.Workbook``, which is left as it is.

    Raises
    ------
    SheetlabError
        If it was opened for reading or writing only, row by row: it cannot be asked for a cell.
    """
    if book.read_only or book.write_only:
        raise SheetlabError(finding("file-unreadable_by-rows", Severity.STOP))
    # a chart sheet has no cells
    tables = {one.title: one for one in book.worksheets}
    sheets = tuple(
        SheetEntry(name, name if name in tables else "", book[name].sheet_state)
        for name in book.sheetnames
    )
    names = {name.lower(): (one.value or "").strip() for name, one in book.defined_names.items()}
    return OpenpyxlBook(
        NAME, sheets, names, frozenset((_DATE, _DATE | _UNLOCKED)),
        frozenset((_UNLOCKED, _DATE | _UNLOCKED)), tables=tables, values_only=book.data_only,
    )  # fmt: skip


def _number(value: Any) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf if value > 0 else -math.inf


def _serial(value: Any, epoch: datetime.datetime) -> float:
    """A day or time as the number that a file has for it."""
    from openpyxl.utils.datetime import to_excel

    return float(to_excel(value, epoch) or 0.0)
