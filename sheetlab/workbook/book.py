"""Every workbook that is written with XlsxWriter is one of these: no text becomes anything else."""

from __future__ import annotations

from typing import Any

import xlsxwriter
from xlsxwriter.worksheet import Worksheet

from sheetlab.workbook.style import BOOK_OPTIONS

_MARKUP = ("<r>", "</r>")
_END = " "
"""After it the library takes a text for what it is; a number for “<” it would escape again."""


class Sheet(Worksheet):  # type: ignore[misc]  # the library has no types
    """A sheet on which a text is a text: the library takes some for markup that it has made."""

    def _write_string(self, row: int, col: int, string: str, cell_format: Any = None) -> int:
        if string.startswith(_MARKUP[0]) and string.endswith(_MARKUP[1]):
            string += _END
        return int(super()._write_string(row, col, string, cell_format))


class Book(xlsxwriter.Workbook):  # type: ignore[misc]
    """A workbook with the options that all have; ``changes``: others for this one."""

    worksheet_class = Sheet

    def __init__(self, target: Any, **changes: Any) -> None:
        super().__init__(target, {**BOOK_OPTIONS, **changes})
