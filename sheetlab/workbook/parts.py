"""A workbook that XlsxWriter writes, as parts instead of a file."""

from __future__ import annotations

import io
import math
import zipfile
from collections.abc import Mapping
from typing import Any

from xlsxwriter.packager import Packager
from xlsxwriter.worksheet import CellBlankTuple, CellNumberTuple, CellStringTuple

from sheetlab.workbook.book import MOST_TEXT, Book, InlineSheet


class _Kept(Packager):  # type: ignore[misc]  # the library has no types
    """Keeps the parts for itself, so that nothing is packed that would be unpacked again."""

    parts: tuple[tuple[Any, str, bool], ...] = ()

    def _create_package(self) -> list[tuple[Any, str, bool]]:
        self.parts = tuple(super()._create_package())
        return []


class ResultSheet(InlineSheet):
    """A sheet of a workbook in memory, with a short way in for cells whose kind is known."""

    def put(self, row: int, column: int, value: float | str | None, its: Any) -> None:
        """Write a number, a text, or (None) a blank cell; files know no infinite numbers."""
        self._check_dimensions(row, column)
        cells = self.table[row]
        if value is None:
            cells[column] = CellBlankTuple(its)
        elif isinstance(value, str):
            cells[column] = CellStringTuple(value[:MOST_TEXT], its)
        elif math.isfinite(value):
            cells[column] = CellNumberTuple(value, its)
        else:
            cells[column] = CellStringTuple("∞", its)


class Parts(Book):
    """A workbook in memory; the library's own file is what its parts are read from at worst.

    ``first_format``: how many formats the workbook has into which its sheets go.
    """

    worksheet_class = ResultSheet

    def __init__(self, first_format: int = 0) -> None:
        self.first_format = first_format
        self.buffer = io.BytesIO()
        self.kept = _Kept()
        super().__init__(self.buffer)

    def add_worksheet(self, title: str) -> Any:
        """A sheet whose cells are those of the other workbook already."""
        sheet = super().add_worksheet(title)
        sheet.first_format = self.first_format
        return sheet

    def _get_packager(self) -> Packager:
        return self.kept

    def parts(self) -> dict[str, bytes]:
        """Close the workbook; its parts by name."""
        self.close()
        with zipfile.ZipFile(self.buffer) as archive:
            found = {name: archive.read(name) for name in archive.namelist()}
        for stream, name, binary in self.kept.parts:
            data = stream.getvalue()
            found[name] = data if binary else data.encode()
        return found


def packed(parts: Mapping[str, bytes]) -> bytes:
    """The file of a workbook, or of an add-in, from its parts; the same give the same bytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(zipfile.ZipInfo(name), data, zipfile.ZIP_DEFLATED)
    return buffer.getvalue()
