"""Sheets that are written from top to bottom and forgotten as they are: memory stays flat.

XlsxWriter puts rows aside on disk (``constant_memory``), but keeps the height of every row and
every merged cell. Here rows are forgotten when the next one begins, and merged ranges are four
numbers each. So rows are written from top to bottom, and a row that only has a height is begun as
well (``begin``).
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
from array import array
from collections.abc import Iterator
from typing import Any, BinaryIO

from xlsxwriter.exceptions import FileCreateError
from xlsxwriter.worksheet import CellNumberTuple, CellStringTuple

from sheetlab.workbook.book import Book, InlineSheet, as_charted
from sheetlab.workbook.imprints import Imprints

_LEFT = -2
"""What the library says of a row that it has written already."""


@contextlib.contextmanager
def long_book(target: BinaryIO) -> Iterator[Any]:
    """A workbook of long sheets, written when the block ends.

    Its rows wait in a folder of the system's own, which is gone whatever happens.

    Raises
    ------
    OSError
        If there is no room for them, or the target cannot be written to.
    """
    with tempfile.TemporaryDirectory(prefix="sheetlab-") as folder:
        book = Book(target, in_memory=False, constant_memory=True, tmpdir=folder)
        try:
            yield book
            book.close()
        except FileCreateError as error:
            cause = error.__context__
            raise cause if isinstance(cause, OSError) else OSError(str(error)) from error
        finally:
            for sheet in book.worksheets():
                sheet.row_data_fh.close()


class LongSheet(InlineSheet):
    """For ``add_worksheet(title, LongSheet)`` of a ``long_book``."""

    def __init__(self) -> None:
        super().__init__()
        self.merge = _Ranges()
        self.merged_cells = _Nothing()
        self.columns_for_charts: frozenset[int] = frozenset()
        """Columns whose values a chart of this sheet shows. If there are none, there is no chart,
        and heights of rows are forgotten."""
        self.imprints: Imprints | None = None
        """Takes every text and number that is written, if given."""
        self._charted: dict[tuple[int, int], str | None] = {}

    def begin(self, row: int) -> None:
        """Go on to a row, which may stay empty."""
        if row > self.previous_row:
            self._write_single_row(row)

    def _check_dimensions(self, row: int, col: int, *ignored: bool) -> int:
        found = int(super()._check_dimensions(row, col, *ignored))
        if found == _LEFT:
            # the library would lose it without a word
            raise ValueError(f"row {row} of “{self.name}” has been left")
        return found

    def _write_single_row(self, current_row_num: int = 0) -> None:
        row = self.previous_row
        cells = self.table[row]
        for column in self.columns_for_charts & cells.keys():
            # numbers that stand in many rows are kept once
            self._charted[row, column] = sys.intern(as_charted(cells[column]))
        if self.imprints is not None:
            for column, cell in cells.items():
                if isinstance(cell, CellStringTuple):
                    self.imprints.add(column, cell.string)
                elif isinstance(cell, CellNumberTuple):
                    self.imprints.add(column, float(cell.number))
        super()._write_single_row(current_row_num)
        if not self.columns_for_charts:
            # a chart needs the heights of the rows above it
            self.row_info.pop(row, None)
            self.row_sizes.pop(row, None)

    def _prepare_formula(self, formula: str, expand_future_functions: bool = False) -> str:
        # no formula of ours has a function that wants a prefix; the library looks for a hundred
        return formula.removeprefix("=")

    def _get_range_data(self, *place: int) -> list[str | None]:
        """What a chart shows until a program works it out: rows and columns of a range."""
        top, left, bottom, right = place
        return [
            self._charted.get((row, column))
            for row in range(top, bottom + 1)
            for column in range(left, right + 1)
        ]


class _Ranges:
    """Ranges of cells, kept small."""

    def __init__(self) -> None:
        self.numbers = array("I")

    def append(self, place: tuple[int, int, int, int] | list[int]) -> None:
        self.numbers.extend(place)

    def __len__(self) -> int:
        return len(self.numbers) // 4

    def __iter__(self) -> Iterator[tuple[int, ...]]:
        for i in range(0, len(self.numbers), 4):
            yield tuple(self.numbers[i : i + 4])


class _Nothing(dict[tuple[int, int], str]):
    """Takes everything and keeps nothing: a check for overlaps that costs 200 bytes a cell."""

    def __setitem__(self, key: tuple[int, int], value: str) -> None:
        return
