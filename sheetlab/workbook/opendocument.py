"""Sheets, names and cells of an OpenDocument spreadsheet (.ods), as the store of a workbook.

What OASIS OpenDocument 1.3 (ISO/IEC 26300) and LibreOffice write is turned into the same cells and
references that an .xlsx has, so that there is one reader. Only what is read is looked at: nothing
is ever written to such a file.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator, Mapping

from lxml import etree
from msgspec import field

from sheetlab.workbook.layout import quoted_sheet
from sheetlab.workbook.package import Package, refuse, xml
from sheetlab.workbook.sheet import MAX_CELLS, Cell, Grid, stored_number
from sheetlab.workbook.store import LAST_ROW, SheetEntry, Store

LAST_COLUMN = 16_384

_OASIS = "urn:oasis:names:tc:opendocument:xmlns:"
_T, _O, _X, _S = (f"{{{_OASIS}{name}:1.0}}" for name in ("table", "office", "text", "style"))
_CALC = "{urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0}"
_GROUPS = {f"{_T}{name}" for name in ("table-row-group", "table-header-rows", "table-rows")}
_CELLS = {f"{_T}table-cell", f"{_T}covered-table-cell"}
_NUMBERS = ("float", "percentage", "currency")
_DATE = 1
"""The one cell style of this store: a number that is shown as a date or a time."""
_EPOCH = datetime.datetime(1899, 12, 30)
_BLANKS = re.compile(r"[\t\r\n]")
"""Several spaces are not made one: LibreOffice (7.4 seen) writes them so and reads them back."""
_REFERENCE = re.compile(
    r"\$?(?P<sheet>'(?:[^']|'')+'|[^.']+)\.(?P<first>\$?[A-Z]{1,3}\$?\d{1,7})"
    r"(?::(?:\$?(?P=sheet))?\.(?P<last>\$?[A-Z]{1,3}\$?\d{1,7}))?"
)


class OpenDocument(Store):
    """The store of an .ods file."""

    tables: Mapping[str, etree._Element] = field(default_factory=dict)

    def _read(self, sheet: str) -> Grid:
        """Repeated cells are counted as often as they stand there."""
        table = self.tables.get(sheet)
        grid: dict[tuple[int, int], Cell] = {}
        hidden: set[int] = set()
        row = 0
        for line in () if table is None else _rows(table):
            high = _times(line, "number-rows-repeated")
            before = len(grid)
            column = 0
            for element in line:
                if element.tag not in _CELLS:
                    continue
                wide = _times(element, "number-columns-repeated")
                cell = _cell(element)
                if cell is not None:
                    if len(grid) + high * wide > MAX_CELLS:
                        raise refuse(self.path, "file-too-much")
                    for i in range(high):
                        for k in range(wide):
                            grid[row + i, column + k] = cell
                column += wide
            if len(grid) > before and line.get(f"{_T}visibility") in ("collapse", "filter"):
                hidden.update(range(row, row + high))
            row += high
        protected = table is not None and table.get(f"{_T}protected") == "true"
        return Grid(grid, protected, frozenset(hidden))


def open_document(package: Package) -> OpenDocument:
    """Sheets and names of an .ods file.

    Raises
    ------
    SheetlabError
        If its content is no spreadsheet, or damaged.
    """
    root = xml(package.parts[package.workbook], package.path)
    book = root.find(f"{_O}body/{_O}spreadsheet")
    if book is None:
        raise refuse(package.path, "file-other-document")
    hidden = {
        style.get(f"{_S}name")
        for style in root.iterfind(f"{_O}automatic-styles/{_S}style")
        for properties in style.iterfind(f"{_S}table-properties")
        if properties.get(f"{_T}display") == "false"
    }
    tables = {e.get(f"{_T}name", ""): e for e in book.iterfind(f"{_T}table")}
    sheets = tuple(
        SheetEntry(
            name, package.workbook, "hidden" if e.get(f"{_T}style-name") in hidden else "visible"
        )
        for name, e in tables.items()
    )
    names = {
        e.get(f"{_T}name", "").lower(): _reference(e.get(f"{_T}cell-range-address", ""))
        for e in book.iterfind(f"{_T}named-expressions/{_T}named-range")
    }
    return OpenDocument(package.path, sheets, names, frozenset({_DATE}), tables=tables)


def _reference(text: str) -> str:
    """``$'My result'.$A$1:.$A$3`` as ``'My result'!$A$1:$A$3``; empty if it is anything else."""
    match = _REFERENCE.fullmatch(text)
    if match is None:
        return ""
    sheet = match["sheet"]
    name = sheet[1:-1].replace("''", "'") if sheet.startswith("'") else sheet
    last = f":{match['last']}" if match["last"] else ""
    return f"{quoted_sheet(name)}!{match['first']}{last}"


def _rows(parent: etree._Element) -> Iterator[etree._Element]:
    for element in parent:
        if element.tag == f"{_T}table-row":
            yield element
        elif element.tag in _GROUPS:
            yield from _rows(element)


def _times(element: etree._Element, key: str) -> int:
    text = element.get(f"{_T}{key}", "1")
    most = LAST_ROW if "rows" in key else LAST_COLUMN
    return min(max(int(text), 1), most) if text.isascii() and text.isdigit() else 1


def _cell(element: etree._Element) -> Cell | None:
    kind = element.get(f"{_O}value-type")
    formula = element.get(f"{_T}formula") is not None
    if kind is None:
        return Cell("text", "", True) if formula else None
    if kind in _NUMBERS:
        return _number(element.get(f"{_O}value", ""), formula)
    if kind == "boolean":
        return Cell("truth", float(element.get(f"{_O}boolean-value") == "true"), formula)
    if kind in ("date", "time"):
        return Cell("number", _serial(element, kind), formula, _DATE)
    text = element.get(f"{_O}string-value")
    if element.get(f"{_CALC}value-type") == "error":
        return Cell("error", _text(element), formula)
    if text is None:
        text = _text(element)
    return Cell("text", text, formula) if text or formula else None


def _number(text: str, formula: bool) -> Cell:
    number = stored_number(text)
    return Cell("text", text, formula) if number is None else Cell("number", number, formula)


def _serial(element: etree._Element, kind: str) -> float:
    """Days since the end of 1899, as an .xlsx holds a date; a time is only known to be one."""
    if kind == "time":
        return 0.0
    try:
        found = datetime.datetime.fromisoformat(element.get(f"{_O}date-value", ""))
    except ValueError:
        return 0.0
    return (found.replace(tzinfo=None) - _EPOCH) / datetime.timedelta(days=1)


def _text(element: etree._Element) -> str:
    # comments and drawings in a cell have paragraphs too, which are not its own
    return "\n".join(_flat(part) for part in element.iterfind(f"{_X}p"))


def _flat(element: etree._Element, deep: int = 0) -> str:
    pieces = [_BLANKS.sub(" ", element.text or "")]
    for part in element:
        if part.tag == f"{_X}s":
            count = part.get(f"{_X}c", "1")
            pieces.append(
                " " * min(int(count), 1000) if count.isascii() and count.isdigit() else ""
            )
        elif part.tag == f"{_X}tab":
            pieces.append("\t")
        elif part.tag == f"{_X}line-break":
            pieces.append("\n")
        elif part.tag in (f"{_X}span", f"{_X}a") and deep < 20:
            pieces.append(_flat(part, deep + 1))
        pieces.append(_BLANKS.sub(" ", part.tail or ""))
    return "".join(pieces)
