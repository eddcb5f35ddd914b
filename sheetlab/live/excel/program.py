"""What xlwings does not reach: the few members of Excel's own object model that are used.

Everything else goes through xlwings' classes. The members are those that Microsoft's reference
describes: ``Workbook.SaveCopyAs`` and ``ProtectStructure``; ``Sheets.Copy``; ``Name.Visible``;
``Worksheet.Unprotect``, ``Protect``, ``Protection``, ``ProtectContents``,
``ProtectDrawingObjects``, ``ProtectScenarios`` and ``ProtectionMode``.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding

if TYPE_CHECKING:
    import xlwings as xw

_ALLOWED = (
    "AllowFormattingCells",
    "AllowFormattingColumns",
    "AllowFormattingRows",
    "AllowInsertingColumns",
    "AllowInsertingRows",
    "AllowInsertingHyperlinks",
    "AllowDeletingColumns",
    "AllowDeletingRows",
    "AllowSorting",
    "AllowFiltering",
    "AllowUsingPivotTables",
)
_NO_PASSWORD = "sheetlab"
"""Ignored where a sheet has no password; where it has one, Excel refuses instead of asking."""


@contextmanager
def copied(book: xw.Book) -> Iterator[Path]:
    """A file of the workbook as it is now, for a while; the open one keeps its name and state.

    A copy holds what the cells hold. What Excel hands over cell by cell is rounded to four places
    where a cell is shown as a currency (Microsoft's reference, ``Range.Value``), and errors are
    blank.
    """
    with tempfile.TemporaryDirectory(prefix="sheetlab") as folder:
        # under its own name, which findings tell; one that was never saved has no suffix
        name = Path(book.name)
        copy = Path(folder) / (name.name if name.suffix else f"{name.name}.xlsx")
        book.api.SaveCopyAs(str(copy))
        yield copy


def take_sheets(book: xw.Book, source: xw.Book) -> None:
    """Copy all sheets of another open workbook behind the last one, charts with them.

    They are copied at once: one by one, their charts and formulas would point back at the other
    workbook.
    """
    source.sheets.api.Copy(After=book.sheets[-1].api)


def set_hidden_name(book: xw.Book, name: str, refers_to: str) -> None:
    """A name that the program's list of names does not show."""
    book.names.add(name, refers_to).api.Visible = False


def structure_locked(book: xw.Book) -> bool:
    """Whether sheets may not be added or deleted."""
    return bool(book.api.ProtectStructure)


@contextmanager
def unprotected(sheet: xw.Sheet) -> Iterator[None]:
    """Lift the protection of a sheet and put it back as it was, whatever happens between.

    Raises
    ------
    SheetlabError
        If the sheet is protected with a password.
    """
    own = sheet.api
    if not (own.ProtectContents or own.ProtectDrawingObjects or own.ProtectScenarios):
        yield
        return
    before: dict[str, object] = {
        "DrawingObjects": own.ProtectDrawingObjects,
        "Contents": own.ProtectContents,
        "Scenarios": own.ProtectScenarios,
        "UserInterfaceOnly": own.ProtectionMode,
    } | {name: getattr(own.Protection, name) for name in _ALLOWED}
    try:
        own.Unprotect(_NO_PASSWORD)
    except Exception as error:  # the class of it belongs to the program
        raise SheetlabError(_locked(sheet.name)) from error
    if own.ProtectContents:
        raise SheetlabError(_locked(sheet.name))
    try:
        yield
    finally:
        own.Protect(**before)


def _locked(sheet: str) -> Finding:
    return finding("sheet-locked", Severity.NOTE, Place(sheet=sheet), sheet=sheet)
