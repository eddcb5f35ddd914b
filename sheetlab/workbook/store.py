"""Plain cells out of a package: number, text, error, formula and blank stay apart."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal, NamedTuple, cast

from lxml import etree

from sheetlab.workbook.layout import Slot, column_letter, parse_reference
from sheetlab.workbook.package import MAIN, MAX_XML, RELATIONSHIPS, Package, refuse, xml

MAX_CELLS = 2_000_000

_C = f"{{{MAIN}}}c"
_V = f"{{{MAIN}}}v"
_F = f"{{{MAIN}}}f"
_IS = f"{{{MAIN}}}is"
_T = f"{{{MAIN}}}t"
_FILLED = etree.XPath("//m:c[*]", namespaces={"m": MAIN})
"""Cells that hold anything: most of a form are formatted and blank."""
_UNPLACED = etree.XPath("boolean(//m:c[not(@r)])", namespaces={"m": MAIN})
"""Whether a cell does not say where it is: then it follows the one before it."""
_NOT_FORMAT = re.compile(r'\[(?!h+\]|m+\]|s+\])[^\]]*\]|"[^"]*"|[\\_*].')
_DATES = frozenset((*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59), *range(71, 82)))
"""Number formats that every program knows as dates or times; from 27 on those of East Asian and
Thai programs (ISO/IEC 29500-1, 18.8.30; these from memory)."""
_ESCAPE = re.compile(r"_x([0-9A-Fa-f]{4})_")
_RPH = f"{{{MAIN}}}rPh"
_ON = re.compile(rb"\bsheet=[\"'](?:1|true)[\"']")
_HIDDEN_ROW = re.compile(rb"<(?:\w+:)?row\b[^<>]*\bhidden=[\"'](?:1|true)[\"'][^<>]*>")
# no pattern here looks beyond the next tag: the time has to grow with the size only
_BLANK_ROW = re.compile(rb"<row\b[^<>]*></row>")
_BLANK = re.compile(rb"<(?:row|c)\b[^<>]*/>")
_ROW_NUMBER = re.compile(rb"\br=[\"'](\d{1,7})[\"']")
LAST_ROW = 1_048_576


class Cell(NamedTuple):
    """One cell as stored. ``value``: number for a number or truth value, text otherwise."""

    kind: Literal["number", "text", "error", "truth"]
    value: float | str
    formula: bool = False
    style: int = 0


@dataclass(frozen=True, slots=True)
class SheetEntry:
    """A sheet as the workbook part lists it."""

    name: str
    part: str
    state: str


@dataclass(slots=True)
class Store:
    """Sheets, names and cells of an opened workbook; sheets are read when asked for."""

    package: Package
    sheets: tuple[SheetEntry, ...]
    names: Mapping[str, str]
    """Workbook-level defined names in small letters -> reference."""
    date_styles: frozenset[int]
    unlocked_styles: frozenset[int] = frozenset()
    """Cell styles that may be typed over on a protected sheet."""
    _grids: dict[str, dict[tuple[int, int], Cell]] = field(default_factory=dict)
    _texts: list[str] | None = None

    def part(self, sheet: str) -> str | None:
        """Name of the part that holds a sheet."""
        return next((s.part for s in self.sheets if s.name == sheet), None)

    def slot(self, name: str) -> Slot | None:
        """Cells of a defined name; None if it is missing or no longer one column."""
        found = parse_reference(self.names.get(name.lower(), ""))
        return found if found is not None and self.part(found.sheet) else None

    def cells(self, sheet: str) -> Mapping[tuple[int, int], Cell]:
        """Cells of a sheet by zero-based row and column; blank ones are not there."""
        if sheet not in self._grids:
            part = self.part(sheet)
            self._grids[sheet] = {} if part is None else self._read(part)
        return self._grids[sheet]

    def protected(self, sheet: str) -> bool:
        """Whether locked cells of a sheet cannot be typed over."""
        data = self.package.parts.get(self.part(sheet) or "", b"")
        start = data.rfind(b"sheetProtection")
        return start > 0 and _ON.search(data, start, data.find(b">", start)) is not None

    def hidden_rows(self, sheet: str) -> Collection[int]:
        """Zero-based rows of a sheet that nobody sees; all of them if the sheet is hidden."""
        entry = next((one for one in self.sheets if one.name == sheet), None)
        if entry is None or entry.state != "visible":
            return range(LAST_ROW)
        data = self.package.parts.get(entry.part, b"")
        if b" hidden=" not in data:
            return ()
        rows = (_ROW_NUMBER.search(row[0]) for row in _HIDDEN_ROW.finditer(data))
        return frozenset(int(number[1]) - 1 for number in rows if number is not None)

    def _read(self, part: str) -> dict[tuple[int, int], Cell]:
        data = self.package.parts.get(part)
        if data is None:
            return {}
        if len(data) > MAX_XML:
            # formats down to the last row: what holds nothing is not worth reading
            data = _BLANK_ROW.sub(b"", _BLANK.sub(b"", data))
        root = xml(data, self.package.path)
        grid: dict[tuple[int, int], Cell] = {}
        placed = (
            _in_order(root)
            if _UNPLACED(root)
            else ((one, _place(one.get("r", ""))) for one in cast("list[Any]", _FILLED(root)))
        )
        for element, place in placed:
            cell = self._cell(element)
            if place is not None and cell is not None:
                grid[place] = cell
            if len(grid) > MAX_CELLS:
                raise refuse(self.package.path, "has far more cells than a practical needs")
        return grid

    def _cell(self, element: Any) -> Cell | None:
        kind = element.get("t", "n")
        formula, raw, inline = False, None, None
        for child in element:
            tag = child.tag
            if tag == _V:
                if raw is None:
                    raw = child.text or ""
            elif tag == _F:
                formula = True
            elif tag == _IS and inline is None:
                inline = child
        style = _whole(element.get("s"))
        if kind == "inlineStr":
            text = "" if inline is None else _text(inline)
            return Cell("text", text, formula, style) if text or formula else None
        if raw is None or (raw == "" and kind != "str"):
            return Cell("text", "", True, style) if formula else None
        match kind:
            case "s":
                return Cell("text", self._shared(raw), formula, style)
            case "str":
                return Cell("text", raw, formula, style)
            case "e":
                return Cell("error", raw, formula, style)
            case "b":
                return Cell("truth", 1.0 if raw == "1" else 0.0, formula, style)
        number = stored_number(raw)
        if number is None:
            return Cell("text", raw, formula, style)
        return Cell("number", number, formula, style)

    def _shared(self, raw: str) -> str:
        try:
            return self.shared_texts[int(raw)]
        except (ValueError, IndexError):
            return ""

    @property
    def shared_texts(self) -> list[str]:
        """The table of texts that cells refer to."""
        if self._texts is None:
            self._texts = _shared_texts(self.package)
        return self._texts


def _shared_texts(package: Package) -> list[str]:
    for kind, part in package.relationships(package.workbook).values():
        if kind == "sharedStrings" and part in package.parts:
            return [_text(item) for item in xml(package.parts[part], package.path)]
    return []


def _in_order(root: etree._Element) -> Iterator[tuple[Any, tuple[int, int] | None]]:
    """Cells and their places, of which some follow from the order (ISO/IEC 29500-1, 18.3.1.4)."""
    row = -1
    for line in root.iter(f"{{{MAIN}}}row"):
        row = _whole(line.get("r")) - 1 if line.get("r") else row + 1
        column = -1
        for element in line.iter(_C):
            place = _place(element.get("r", "")) if element.get("r") else (row, column + 1)
            column = column + 1 if place is None else place[1]
            yield element, place


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
    return Store(package, tuple(sheets), names, dates, unlocked)


def _styles(
    package: Package, relations: Iterable[tuple[str, str]]
) -> tuple[frozenset[int], frozenset[int]]:
    """Cell styles that show numbers as dates or times, and those that are not locked."""
    part = next((p for kind, p in relations if kind == "styles"), None)
    if part is None or part not in package.parts:
        return frozenset(), frozenset()
    root = xml(package.parts[part], package.path)
    codes = {
        _whole(e.get("numFmtId")): e.get("formatCode", "") for e in root.iter(f"{{{MAIN}}}numFmt")
    }
    xfs = root.find(f"{{{MAIN}}}cellXfs")
    dates, unlocked = set(), set()
    for i, element in enumerate(xfs if xfs is not None else ()):
        number = _whole(element.get("numFmtId"))
        if number in _DATES or _is_date(codes.get(number, "")):
            dates.add(i)
        lock = element.find(f"{{{MAIN}}}protection")
        if lock is not None and lock.get("locked") in ("0", "false"):
            unlocked.add(i)
    return frozenset(dates), frozenset(unlocked)


def stored_number(text: str) -> float | None:
    """The number that a file holds; Python's own ways of writing one are none of a file's."""
    if "_" in text or not text.isascii():
        return None
    try:
        return float(text)
    except ValueError:
        return None


def _is_date(code: str) -> bool:
    # colours, conditions and currencies in brackets, single letters to show, quoted text
    bare = _NOT_FORMAT.sub("", code.lower())
    return "general" not in bare and (any(c in bare for c in "ydh") or "mm:ss" in bare)


def _whole(text: str | None) -> int:
    return int(text) if text and text.isascii() and text.isdigit() and len(text) < 10 else 0


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
    # characters that XML cannot hold are written _xHHHH_ (ISO/IEC 29500-1, ST_Xstring)
    return _ESCAPE.sub(lambda match: chr(int(match[1], 16)), text) if "_x" in text else text


@lru_cache(maxsize=20_000)
def _place(reference: str) -> tuple[int, int] | None:
    letters = reference.rstrip("0123456789")
    digits = reference[len(letters) :]
    if not 1 <= len(letters) <= 3 or not 1 <= len(digits) <= 7:
        return None
    if not (letters.isascii() and letters.isalpha() and digits.isascii()):
        return None
    column = 0
    for letter in letters:
        column = column * 26 + ord(letter.upper()) - ord("A") + 1
    return int(digits) - 1, column - 1


@lru_cache(maxsize=20_000)
def address(row: int, column: int) -> str:
    """``B7`` of zero-based row and column."""
    return f"{column_letter(column)}{row + 1}"
