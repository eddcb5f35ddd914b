"""Long sheets of a workbook of our own, read row by row: memory stays flat, whatever the rows are.

For the table of a department or the marks of a very large class. Students' files go through
``package``, with its limits. Here a file may be larger, because whoever reads it made it, and
everything else that a file can do to harm is refused as there.
"""

from __future__ import annotations

import contextlib
import math
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path
from string import digits
from typing import IO, Any

from lxml import etree
from msgspec import Struct

from sheetlab.finding import reason_of
from sheetlab.workbook.package import (
    CONTENT_TYPES_PART,
    MAIN,
    MAX_XML,
    PACKAGE_RELATIONSHIPS,
    RELATIONSHIPS,
    expect_limits,
    refuse,
    relationships_name,
    resolve,
    xml,
)
from sheetlab.workbook.sheet import place_of, stored_number, unescaped

MAX_FILE = 500_000_000
MAX_UNPACKED = 6_000_000_000
MAX_STRETCH = 4_000_000
"""Bytes from one row or text to the next, all of which is in the memory."""
MAX_TEXTS = 5_000_000
"""Different texts that a file may keep in one table beside its sheets."""

Value = float | str
_F, _ROW, _C, _V, _T, _SI, _RPH = (
    f"{{{MAIN}}}{name}" for name in ("f", "row", "c", "v", "t", "si", "rPh")
)
_RELATION = f"{{{PACKAGE_RELATIONSHIPS}}}Relationship"


class LongBook(Struct):
    """An opened workbook; ``sheets``: parts of its sheets by their title, in their order."""

    path: Path
    archive: zipfile.ZipFile
    sheets: Mapping[str, str]
    more: Iterator[str]
    """What is not read yet of the table of texts, if another program made one."""
    texts: list[str] = []

    def rows(self, sheet: str, formulas: bool = True) -> Iterator[tuple[int, dict[int, Value]]]:
        """Zero-based number of each row with its cells: zero-based column -> number or text.

        Blank cells are not there, and a formula counts as its last value, or is not there either.

        Raises
        ------
        SheetlabError
            If the sheet is damaged.
        """
        if sheet not in self.sheets:
            return
        number = -1
        for row in _elements(self.path, self.archive, self.sheets[sheet], _ROW):
            said = row.get("r", "")
            number = int(said) - 1 if said.isascii() and said.isdigit() else number + 1
            cells: dict[int, Value] = {}
            column = -1
            for cell in row.iterchildren(_C):
                # few different ones, which are remembered
                place = place_of(cell.get("r", "").rstrip(digits) + "1")
                column = column + 1 if place is None else place[1]
                if formulas or cell.find(_F) is None:
                    value = self._value(cell)
                    if value is not None:
                        cells[column] = value
            yield number, cells

    def notes(self, sheet: str) -> list[str]:
        """Addresses of the cells that have a note."""
        return [e.get("ref", "") for e in self._beside(sheet, "comments", ("comment",))]

    def drawn(self, sheet: str) -> int:
        """How many pictures, shapes and text boxes lie on a sheet; charts do not count."""
        return len(self._beside(sheet, "drawing", ("sp", "pic", "cxnSp")))

    def _beside(self, sheet: str, kind: str, tags: Sequence[str]) -> list[Any]:
        with _told(self.path):
            links = _relations(self.path, self.archive, self.sheets.get(sheet, "")).values()
            parts = {part for what, part in links if what == kind} & set(self.archive.namelist())
            trees = [_tree(self.path, self.archive, part) for part in sorted(parts)]
            return [e for tree in trees for e in tree.iter(*(f"{{*}}{tag}" for tag in tags))]

    def _value(self, cell: Any) -> Value | None:
        kind = cell.get("t", "n")
        if kind == "inlineStr":
            return _text(cell) or None
        raw = cell.findtext(_V)
        if not raw:
            return None
        if kind == "s":
            place = int(raw) if raw.isascii() and raw.isdigit() else MAX_TEXTS
            # no further than is asked for: a few cells of a long book cost little
            self.texts += islice(self.more, max(0, place + 1 - len(self.texts)))
            return self.texts[place] if place < len(self.texts) else None
        number = None if kind in ("str", "e") else stored_number(raw)
        return str(raw) if number is None or not math.isfinite(number) else number


@contextlib.contextmanager
def open_long(path: Path) -> Iterator[LongBook]:
    """Open a workbook for reading row by row.

    Raises
    ------
    SheetlabError
        If it is no workbook, or larger than any that sheetlab writes.
    """
    with contextlib.ExitStack() as stack:
        with _told(path):
            size = path.stat().st_size
            if size > MAX_FILE:
                raise refuse(path, "file-size", size=size // 1_000_000)
            archive = stack.enter_context(zipfile.ZipFile(path))
            entries = archive.infolist()
            expect_limits(path, entries, MAX_UNPACKED)
            if sum(entry.compress_size for entry in entries) > size:
                raise refuse(path, "file-parts-overlap")
            names = set(archive.namelist())
            links = _relations(path, archive, "").values()
            main = next((part for kind, part in links if kind == "officeDocument"), "")
            if main not in names or CONTENT_TYPES_PART not in names:
                raise refuse(path, "file-archive")
            parts = _relations(path, archive, main)
            titles = _tree(path, archive, main).iter(f"{{{MAIN}}}sheet")
        sheets = {
            e.get("name", ""): parts.get(e.get(f"{{{RELATIONSHIPS}}}id", ""), ("", ""))[1]
            for e in titles
        }
        table = next((part for kind, part in parts.values() if kind == "sharedStrings"), "")
        texts = _texts(path, archive, table) if table in names else iter(())
        # before the file is closed under it
        stack.callback(getattr(texts, "close", list))
        yield LongBook(path, archive, sheets, texts)


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise refuse(path, "file-cut-short") from error
    except (etree.XMLSyntaxError, ValueError) as error:
        raise refuse(path, "file-damaged", error=str(error)) from error
    except OSError as error:
        raise refuse(path, "file-not-opened", "check-share", reason=reason_of(error)) from error


def _tree(path: Path, archive: zipfile.ZipFile, name: str) -> Any:
    with archive.open(name) as stream:
        # no further, whatever the archive says of its size
        return xml(stream.read(MAX_XML + 1), path)


def _relations(path: Path, archive: zipfile.ZipFile, part: str) -> dict[str, tuple[str, str]]:
    """Relationship id -> (type, target part) of a part, or of the whole file."""
    name = relationships_name(part)
    found = _tree(path, archive, name).iter(_RELATION) if name in archive.namelist() else ()
    return {
        e.get("Id", ""): (e.get("Type", "").rsplit("/", 1)[-1], resolve(part, e.get("Target", "")))
        for e in found
        if e.get("TargetMode") != "External"
    }


def _texts(path: Path, archive: zipfile.ZipFile, part: str) -> Iterator[str]:
    for count, item in enumerate(_elements(path, archive, part, _SI), 1):
        if count > MAX_TEXTS:
            raise refuse(path, "file-many-texts")
        yield _text(item)


class _Limited(Struct):
    """A stream that is refused when it goes on and on without an element that is wanted."""

    path: Path
    stream: IO[bytes]
    since: int = 0
    """Bytes since the last element."""

    def read(self, size: int = -1) -> bytes:
        data = self.stream.read(size)
        self.since += len(data)
        if self.since > MAX_STRETCH:
            raise refuse(self.path, "file-other-part")
        return data


def _elements(path: Path, archive: zipfile.ZipFile, part: str, tag: str) -> Iterator[Any]:
    """Elements of one kind as they end; each is gone when the next is asked for."""
    if part not in archive.namelist():
        raise refuse(path, "file-part-lost")
    with _told(path), archive.open(part) as stream:
        if b"<!DOCTYPE" in stream.peek(4096):  # type: ignore[attr-defined]
            # before parsing: a type may hold a bomb of entities
            raise refuse(path, "file-document-type")
        source: Any = _Limited(path, stream)
        events = etree.iterparse(
            source, events=("end",), tag=tag, resolve_entities=False, no_network=True,
            load_dtd=False, huge_tree=False, remove_comments=True, remove_pis=True,
        )  # fmt: skip
        for _, element in events:
            source.since = 0
            yield element
            element.clear()
            # what is before it keeps its place in the tree otherwise
            parent = element.getparent()
            while parent is not None and element.getprevious() is not None:
                del parent[0]


def _text(element: Any) -> str:
    """The texts of a cell, or of an entry of the table, without phonetic runs."""
    return unescaped("".join(
        t.text or "" for t in element.iter(_T) if t is element or t.getparent().tag != _RPH
    ))  # fmt: skip
