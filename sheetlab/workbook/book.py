"""Every workbook that is written with XlsxWriter is one of these: no text becomes anything else."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from typing import Any

import xlsxwriter
from xlsxwriter.worksheet import Worksheet

from sheetlab.workbook.style import BOOK_OPTIONS

_MARKUP = ("<r>", "</r>")
_END = " "
"""After it the library takes a text for what it is; a number for “<” it would escape again."""


class Sheet(Worksheet):  # type: ignore[misc]  # the library has no types
    """A sheet on which a text is a text: the library takes some for markup that it has made."""

    def write_string(self, row: int, col: int, string: str, cell_format: Any = None) -> int:
        """Write a text, whatever it looks like."""
        if string.startswith(_MARKUP[0]) and string.endswith(_MARKUP[1]):
            string += _END
        return int(super().write_string(row, col, string, cell_format))


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


def zipped(parts: Mapping[str, bytes]) -> bytes:
    """The file of an add-in from its parts; the same give the same bytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(zipfile.ZipInfo(name), data, zipfile.ZIP_DEFLATED)
    return buffer.getvalue()
