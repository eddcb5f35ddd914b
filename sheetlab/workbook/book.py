"""Every workbook that is written with XlsxWriter is one of these: no text becomes anything else."""

from __future__ import annotations

import html
from functools import cache
from typing import Any

import xlsxwriter
from xlsxwriter.utility import xl_col_to_name
from xlsxwriter.worksheet import (
    CellBlankTuple,
    CellFormulaTuple,
    CellNumberTuple,
    CellStringTuple,
    Worksheet,
)

from sheetlab.workbook.style import BOOK_OPTIONS

MOST_TEXT = 16_383
"""Characters of a text that fit in a cell whatever they are: its limit counts units of UTF-16."""
_MARKUP = ("<r>", "</r>")
_END = " "
"""After it the library takes a text for what it is; a number for “<” it would escape again."""


class Sheet(Worksheet):  # type: ignore[misc]  # the library has no types
    """A sheet on which a text is a text: the library takes some for markup that it has made."""

    def _write_string(self, row: int, col: int, string: str, cell_format: Any = None) -> int:
        if string.startswith(_MARKUP[0]) and string.endswith(_MARKUP[1]):
            string += _END
        return int(super()._write_string(row, col, string, cell_format))


class InlineSheet(Sheet):
    """A sheet whose texts stand in its cells, not in a table of the workbook.

    Numbers, texts and blank cells are written in a third of the library's time; others go its way.
    Formats are those of cells: rows and columns have none.
    """

    first_format = 0
    """Added to the number of each cell's format, for a sheet that moves to another workbook."""

    def merge_row(self, row: int, first: int, last: int, its: Any) -> None:
        """Merge cells of one row; the first is written by whoever asks for it."""
        # overlaps are not looked for
        self.merge.append((row, first, row, last))
        for column in range(first, last + 1):
            self.write_blank(row, column, None, its)

    def _write_string(self, row: int, col: int, string: str, cell_format: Any = None) -> int:
        # nothing is taken for markup when it is written here
        if self._check_dimensions(row, col):
            return -1
        self.table[row][col] = CellStringTuple(string[:MOST_TEXT], cell_format)
        return 0

    def _write_cell(self, row: int, col: int, cell: Any) -> None:
        kind = type(cell)
        worked = kind is CellFormulaTuple and isinstance(cell.value, float)
        if kind not in _PLAIN and not worked:
            super()._write_cell(row, col, cell)
            return
        number = self.first_format + (cell.format._get_xf_index() if cell.format else 0)
        style = f' s="{number}"' if number else ""
        begin = f'<c r="{_letters(col)}{row + 1}"{style}'
        if kind is CellNumberTuple:
            self.fh.write(f"{begin}><v>{cell.number:.16G}</v></c>")
        elif worked:
            formula = html.escape(cell.formula, quote=False)
            self.fh.write(f"{begin}><f>{formula}</f><v>{cell.value:.16G}</v></c>")
        elif kind is CellStringTuple:
            text = cell.string
            space = ' xml:space="preserve"' if text != text.strip() else ""
            if "_x" in text or not text.isprintable():
                text = self._escape_control_characters(text)
            text = html.escape(text, quote=False)
            self.fh.write(f'{begin} t="inlineStr"><is><t{space}>{text}</t></is></c>')
        else:
            self.fh.write(f"{begin}/>")

    def _calculate_spans(self) -> None:
        """Leave out the hint which columns a row uses: no reader needs it."""

    def _get_range_data(self, *place: int) -> list[str | None]:
        """What a chart shows until a program works it out: rows and columns of a range."""
        top, left, bottom, right = place
        return [
            as_charted(cell) if (cell := self.table[row].get(column)) is not None else None
            for row in range(top, bottom + 1)
            for column in range(left, right + 1)
        ]


_PLAIN = frozenset((CellBlankTuple, CellNumberTuple, CellStringTuple))


def as_charted(cell: Any) -> str:
    """A cell's value as a chart keeps it."""
    if hasattr(cell, "number"):
        return f"{cell.number:.16g}"
    return str(getattr(cell, "string", ""))


@cache
def _letters(column: int) -> str:
    return str(xl_col_to_name(column))


class Book(xlsxwriter.Workbook):  # type: ignore[misc]
    """A workbook with the options that all have; ``changes``: others for this one."""

    worksheet_class = Sheet

    def __init__(self, target: Any, **changes: Any) -> None:
        super().__init__(target, {**BOOK_OPTIONS, **changes})

    def add_chart(self, options: dict[str, Any]) -> Any:
        """A chart that leaves a gap where a cell is blank, and says so.

        The library leaves the gap unsaid. Without ``c:dispBlanksAs`` a blank cell is a zero
        (ISO/IEC 29500-1, 21.2.2.42), and Calc draws it so in a file that Calc has saved before.
        """
        chart = super().add_chart(options)
        chart._write_disp_blanks_as = lambda: chart._xml_empty_tag(
            "c:dispBlanksAs", [("val", "gap")]
        )
        return chart
