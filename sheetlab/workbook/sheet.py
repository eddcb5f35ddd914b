"""The part of one sheet, read as it comes: number, text, error, formula and blank stay apart.

No tree is made, so that memory grows with the filled cells only, whatever else the part holds.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Literal, NamedTuple
from xml.parsers import expat

from sheetlab.workbook.layout import column_letter
from sheetlab.workbook.package import MAIN, expect_tags, refuse

MAX_CELLS = 150_000
"""Filled cells of a workbook; ours have less than a hundredth."""
MAX_TEXT = 32_767
"""Characters that a cell holds at most."""
_TRUE = ("1", "true")
_ESCAPE = re.compile(r"_x([0-9A-Fa-f]{4})_")


class Cell(NamedTuple):
    """One cell as stored. ``value``: number for a number or truth value, text otherwise."""

    kind: Literal["number", "text", "error", "truth"]
    value: float | str
    formula: bool = False
    style: int = 0


class Grid(NamedTuple):
    """What is read of a sheet."""

    cells: Mapping[tuple[int, int], Cell]
    """By zero-based row and column; blank ones are not there."""
    protected: bool
    hidden: frozenset[int]
    """Zero-based rows that are filled and not shown."""


def read_sheet(data: bytes, path: Path, shared: Callable[[str], str]) -> Grid:
    """Cells of the part of a sheet.

    Parameters
    ----------
    shared
        The text that a number stands for in the table of texts.

    Raises
    ------
    SheetlabError
        If the part is damaged, has a document type, or far more cells than a practical needs.
    """
    expect_tags(data, path)
    sheet = _Sheet(path, shared)
    try:
        sheet.parser.Parse(data, True)
    except (expat.ExpatError, ValueError, LookupError) as error:
        raise refuse(path, "file-damaged", error=str(error)) from error
    return Grid(sheet.cells, sheet.protected, frozenset(sheet.hidden))


_ROW, _C, _V, _F, _IS, _T, _RPH, _PROTECTION = (
    f"{MAIN}}}{name}" for name in ("row", "c", "v", "f", "is", "t", "rPh", "sheetProtection")
)
_INSIDE = frozenset((_V, _F, _IS, _T, _RPH))


class _Sheet:
    """Told of tags and texts by the parser; of a cell it holds what has come so far.

    Most cells of a form are formatted and blank: of those it only hears that they begin.
    """

    def __init__(self, path: Path, shared: Callable[[str], str]) -> None:
        self.path, self.shared = path, shared
        self.cells: dict[tuple[int, int], Cell] = {}
        self.protected = False
        self.hidden: set[int] = set()
        self.row, self.row_hidden = -1, False
        self.attributes: dict[str, str] = {}
        """Of the cell that began last."""
        self.filled = self.formula = False
        self.raw: str | None = None
        self.inline = ""
        self.phonetic = 0
        self.pieces: list[str] = []
        self.parser = parser = expat.ParserCreate(namespace_separator="}")
        parser.buffer_text = True
        parser.StartElementHandler = self.start
        parser.StartDoctypeDeclHandler = self.document_type

    def document_type(self, *_: object) -> None:
        raise refuse(self.path, "file-document-type")

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == _C:
            if "r" not in attributes:
                # it follows the one before (ISO/IEC 29500-1, 18.3.1.4)
                column = self.column_of(self.attributes)
                attributes["r"] = f"{column_letter(column + 1)}{self.row + 1}"
            self.attributes = attributes
        elif name in _INSIDE:
            if not self.filled:
                self.filled, self.formula, self.raw, self.inline = True, False, None, ""
                self.parser.EndElementHandler = self.end
            if name == _F:
                self.formula = True
            elif name == _RPH:
                self.phonetic += 1
            elif name != _IS:
                self.pieces = []
                self.parser.CharacterDataHandler = self.pieces.append
        elif name == _ROW:
            number = attributes.get("r")
            self.row = whole(number) - 1 if number else self.row + 1
            self.attributes = {}
            self.row_hidden = attributes.get("hidden") in _TRUE
        elif name == _PROTECTION:
            self.protected = attributes.get("sheet") in _TRUE

    def column_of(self, attributes: Mapping[str, str]) -> int:
        place = place_of(attributes["r"]) if attributes else None
        return -1 if place is None else place[1]

    def end(self, name: str) -> None:
        if name == _V:
            if self.raw is None:
                self.raw = "".join(self.pieces)
        elif name == _T:
            # phonetic runs are a reading aid, not part of the text
            if not self.phonetic and len(self.inline) < MAX_TEXT:
                self.inline += "".join(self.pieces)
        elif name == _RPH:
            self.phonetic -= 1
        elif name == _C:
            self.filled = False
            self.parser.EndElementHandler = None
            self.keep()
        self.parser.CharacterDataHandler = None

    def keep(self) -> None:
        place = place_of(self.attributes.get("r", ""))
        cell = self.value(self.attributes.get("t"))
        if cell is None or place is None:
            return
        self.cells[place] = cell
        if self.row_hidden:
            self.hidden.add(place[0])
        if len(self.cells) > MAX_CELLS:
            raise refuse(self.path, "file-too-much")

    def value(self, kind: str | None) -> Cell | None:
        raw, formula, style = self.raw, self.formula, whole(self.attributes.get("s"))
        if kind == "inlineStr":
            text = unescaped(self.inline)
            return Cell("text", text, formula, style) if text or formula else None
        if raw is None or (raw == "" and kind != "str"):
            return Cell("text", "", True, style) if formula else None
        match kind:
            case "s":
                return Cell("text", self.shared(raw), formula, style)
            case "str":
                return Cell("text", raw[:MAX_TEXT], formula, style)
            case "e":
                return Cell("error", raw[:MAX_TEXT], formula, style)
            case "b":
                return Cell("truth", 1.0 if raw == "1" else 0.0, formula, style)
        number = stored_number(raw)
        if number is None:
            return Cell("text", raw[:MAX_TEXT], formula, style)
        return Cell("number", number, formula, style)


def stored_number(text: str) -> float | None:
    """The number that a file holds; Python's own ways of writing one are none of a file's."""
    if "_" in text or not text.isascii():
        return None
    try:
        return float(text)
    except ValueError:
        return None


@lru_cache(maxsize=2000)
def whole(text: str | None) -> int:
    """The whole number of an attribute; 0 if it is none."""
    return int(text) if text and text.isascii() and text.isdigit() and len(text) < 10 else 0


def unescaped(text: str) -> str:
    """A text with the characters that XML cannot hold: _xHHHH_ (ISO/IEC 29500-1, ST_Xstring)."""
    text = text[:MAX_TEXT]
    return _ESCAPE.sub(lambda match: chr(int(match[1], 16)), text) if "_x" in text else text


@lru_cache(maxsize=20_000)
def place_of(reference: str) -> tuple[int, int] | None:
    """Zero-based row and column of ``B7``; None if it is no such address."""
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
