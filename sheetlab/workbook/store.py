"""Sheets, names and cells of a workbook; a sheet is read when it is asked for.

``Store`` is what the reader asks; where the cells come from is the matter of its three kinds: parts
of an .xlsx here, an .ods in ``opendocument``, openpyxl's object in ``openpyxlbook``.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from functools import lru_cache
from pathlib import Path

from lxml import etree
from msgspec import Struct, field

from sheetlab.workbook.layout import Slot, column_letter, parse_reference
from sheetlab.workbook.package import MAIN, RELATIONSHIPS, Package, refuse, xml
from sheetlab.workbook.sheet import MAX_CELLS, Cell, Grid, read_sheet, unescaped, whole

MAX_TAGS = 2_500_000
MAX_SHEETS = 40_000_000
"""Tags and bytes of all sheets that are read; formats go down to the last row in some."""
MAX_FORMAT = 255
"""Characters of a number format that programs read."""

_T = f"{{{MAIN}}}t"
_ELAPSED = ({"h"}, {"m"}, {"s"})
DATES = frozenset((*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59), *range(71, 82)))
"""Number formats that every program knows as dates or times; from 27 on those of East Asian and
Thai programs (ISO/IEC 29500-1, 18.8.30; these from memory)."""
_RPH = f"{{{MAIN}}}rPh"
LAST_ROW = 1_048_576


class SheetEntry(Struct, frozen=True):
    """A sheet as its workbook lists it."""

    name: str
    part: str
    """Name of the part that holds it; empty if there is none."""
    state: str


class Store(Struct):
    """Sheets, names and cells of an opened workbook; sheets are read when asked for."""

    path: Path
    """What messages call the workbook."""
    sheets: tuple[SheetEntry, ...]
    names: Mapping[str, str]
    """Workbook-level defined names in small letters -> reference."""
    date_styles: frozenset[int]
    unlocked_styles: frozenset[int] = frozenset()
    """Cell styles that may be typed over on a protected sheet."""
    _grids: dict[str, Grid] = field(default_factory=dict)

    def part(self, sheet: str) -> str | None:
        """Name of the part that holds a sheet."""
        return next((s.part for s in self.sheets if s.name == sheet), None)

    def slot(self, name: str) -> Slot | None:
        """Cells of a defined name; None if it is missing or no longer one column."""
        found = parse_reference(self.names.get(name.lower(), ""))
        return found if found is not None and self.part(found.sheet) else None

    def cells(self, sheet: str) -> Mapping[tuple[int, int], Cell]:
        """Cells of a sheet by zero-based row and column; blank ones are not there."""
        return self._grid(sheet).cells

    def protected(self, sheet: str) -> bool:
        """Whether locked cells of a sheet cannot be typed over."""
        return self._grid(sheet).protected

    def hidden_rows(self, sheet: str) -> Collection[int]:
        """Zero-based filled rows of a sheet that nobody sees; all if the sheet is hidden."""
        if any(one.name == sheet and one.state == "visible" for one in self.sheets):
            return self._grid(sheet).hidden
        return range(LAST_ROW)

    def _grid(self, sheet: str) -> Grid:
        if sheet not in self._grids:
            self._grids[sheet] = self._read(sheet)
            if sum(len(grid.cells) for grid in self._grids.values()) > MAX_CELLS:
                raise refuse(self.path, "file-too-much")
        return self._grids[sheet]

    def _read(self, sheet: str) -> Grid:
        """What is read of a sheet; nothing of one that is not there."""
        raise NotImplementedError


class Sheets(Store, kw_only=True):
    """The store of an .xlsx file."""

    package: Package
    _texts: list[str] | None = None
    _bytes: int = 0
    _tags: int = 0

    def _read(self, sheet: str) -> Grid:
        data = self.package.parts.get(self.part(sheet) or "")
        if data is None:
            return Grid({}, False, frozenset())
        self._bytes += len(data)
        self._tags += data.count(b"<")
        if self._tags > MAX_TAGS or self._bytes > MAX_SHEETS:
            raise refuse(self.path, "file-too-much")
        return read_sheet(data, self.path, self._shared)

    def _shared(self, raw: str) -> str:
        if self._texts is None:
            self._texts = _shared_texts(self.package)
        try:
            return self._texts[int(raw)]
        except (ValueError, IndexError):
            return ""


def _shared_texts(package: Package) -> list[str]:
    for kind, part in package.relationships(package.workbook).values():
        if kind == "sharedStrings" and part in package.parts:
            return [_text(item) for item in xml(package.parts[part], package.path)]
    return []


def open_sheets(package: Package) -> Store:
    """Sheets and names of an .xlsx; raises SheetlabError if its workbook part is unusable."""
    root = xml(package.parts[package.workbook], package.path)
    relations = package.relationships(package.workbook)
    sheets = []
    for element in root.iter(f"{{{MAIN}}}sheet"):
        target = relations.get(element.get(f"{{{RELATIONSHIPS}}}id", ""), ("", ""))[1]
        sheets.append(SheetEntry(element.get("name", ""), target, element.get("state", "visible")))
    names = {
        element.get("name", "").lower(): (element.text or "").strip()
        for element in root.iter(f"{{{MAIN}}}definedName")
        if element.get("localSheetId") is None
    }
    dates, unlocked = _styles(package, relations.values())
    return Sheets(package.path, tuple(sheets), names, dates, unlocked, package=package)


def _styles(
    package: Package, relations: Iterable[tuple[str, str]]
) -> tuple[frozenset[int], frozenset[int]]:
    """Cell styles that show numbers as dates or times, and those that are not locked."""
    part = next((p for kind, p in relations if kind == "styles"), None)
    if part is None or part not in package.parts:
        return frozenset(), frozenset()
    root = xml(package.parts[part], package.path)
    codes = {
        whole(e.get("numFmtId")): e.get("formatCode", "") for e in root.iter(f"{{{MAIN}}}numFmt")
    }
    xfs = root.find(f"{{{MAIN}}}cellXfs")
    dates, unlocked = set(), set()
    for i, element in enumerate(xfs if xfs is not None else ()):
        number = whole(element.get("numFmtId"))
        if number in DATES or is_date(codes.get(number, "")):
            dates.add(i)
        lock = element.find(f"{{{MAIN}}}protection")
        if lock is not None and lock.get("locked") in ("0", "false"):
            unlocked.add(i)
    return frozenset(dates), frozenset(unlocked)


def is_date(code: str) -> bool:
    """Whether a number format shows a number as a date or a time."""
    # without colours, conditions and currencies in brackets, single letters to show, quoted text
    bare, rest = "", code[:MAX_FORMAT].lower()
    while rest:
        sign, rest = rest[0], rest[1:]
        if sign == '"':
            rest = rest.partition(sign)[2]
        elif sign == "[":
            inside, _, rest = rest.partition("]")
            bare += inside if set(inside) in _ELAPSED else ""
        elif sign in "\\_*":
            rest = rest[1:]
        else:
            bare += sign
    return "general" not in bare and (any(c in bare for c in "ydh") or "mm:ss" in bare)


def _text(element: etree._Element) -> str:
    if len(element) == 1 and element[0].tag == _T:
        text = element[0].text or ""
    else:
        # phonetic runs are a reading aid, not part of the text
        text = "".join(
            t.text or ""
            for t in element.iter(_T)
            if not any(a.tag == _RPH for a in t.iterancestors())
        )
    return unescaped(text)


@lru_cache(maxsize=20_000)
def address(row: int, column: int) -> str:
    """``B7`` of zero-based row and column."""
    return f"{column_letter(column)}{row + 1}"
