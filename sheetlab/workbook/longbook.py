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
from pathlib import Path
from typing import IO, Any

from lxml import etree
from msgspec import Struct, field

from sheetlab.workbook.package import (
    CONTENT_TYPES_PART,
    DOCUMENT_TYPE,
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
from sheetlab.workbook.sheet import stored_number, unescaped

MAX_FILE = 500_000_000
MAX_UNPACKED = 6_000_000_000
MAX_STRETCH = 4_000_000
"""Bytes from one row or text to the next, all of which is in the memory."""
MAX_TEXTS = 5_000_000
"""Different texts that a file may keep in one table beside its sheets."""

Value = float | str
_F = f"{{{MAIN}}}f"
_ROW, _C, _V = f"{{{MAIN}}}row", f"{{{MAIN}}}c", f"{{{MAIN}}}v"
_T, _SI, _RPH = f"{{{MAIN}}}t", f"{{{MAIN}}}si", f"{{{MAIN}}}rPh"
_RELATION = f"{{{PACKAGE_RELATIONSHIPS}}}Relationship"


class LongBook(Struct):
    """An opened workbook; sheets by their title, in their order."""

    path: Path
    archive: zipfile.ZipFile
    sheets: Mapping[str, str]
    texts_part: str
    _texts: list[str] = field(default_factory=list)
    _rest: Iterator[str] | None = None

    def rows(self, sheet: str, formulas: bool = True) -> Iterator[tuple[int, dict[int, Value]]]:
        """Zero-based number of each row with its cells: zero-based column -> number or text.

        Blank cells are not there, and a formula counts as its last value, or is not there either.

        Raises
        ------
        SheetlabError
            If the sheet is damaged.
        """
        part = self.sheets.get(sheet)
        if part is None:
            return
        with _told(self.path), self._open(part) as stream:
            number = -1
            for row in _elements(self.path, stream, _ROW):
                said = row.get("r", "")
                number = int(said) - 1 if said.isascii() and said.isdigit() else number + 1
                cells: dict[int, Value] = {}
                column = -1
                for cell in row:
                    if cell.tag != _C:
                        continue
                    column = _column(cell.get("r", ""), column + 1)
                    if not formulas and cell.find(_F) is not None:
                        continue
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
        part = self.sheets.get(sheet, "")
        names = set(self.archive.namelist())

        def read(name: str) -> Any:
            return _tree(self.path, self.archive, name)

        if relationships_name(part) not in names:
            return []
        with _told(self.path):
            found = [
                resolve(part, e.get("Target", ""))
                for e in read(relationships_name(part)).iter(_RELATION)
                if e.get("Type", "").endswith(f"/{kind}") and e.get("TargetMode") != "External"
            ]
            wanted = [f"{{*}}{tag}" for tag in tags]
            return [e for name in found if name in names for e in read(name).iter(*wanted)]

    def _value(self, cell: Any) -> Value | None:
        kind = cell.get("t", "n")
        if kind == "inlineStr":
            return _text(cell) or None
        raw = cell.findtext(_V)
        if not raw:
            return None
        if kind == "s":
            place = int(raw) if raw.isascii() and raw.isdigit() else MAX_TEXTS
            texts = self._texts
            # no further than is asked for: a few cells of a long book cost little
            while len(texts) <= place and (text := next(self._more(), None)) is not None:
                texts.append(text)
            return texts[place] if place < len(texts) else None
        if kind in ("str", "e"):
            return str(raw)
        number = stored_number(raw)
        return str(raw) if number is None or not math.isfinite(number) else number

    def end(self) -> None:
        """Let go of the table of texts, before the file is closed."""
        self._rest = iter(())

    def _more(self) -> Iterator[str]:
        """What is not read yet of the table of texts, if another program made one."""
        if self._rest is None:
            self._rest = self._table()
        return self._rest

    def _table(self) -> Iterator[str]:
        if self.texts_part:
            with self._open(self.texts_part) as stream:
                for count, item in enumerate(_elements(self.path, stream, _SI), 1):
                    if count > MAX_TEXTS:
                        raise refuse(self.path, "has far more texts than sheetlab writes")
                    yield _text(item)

    def _open(self, part: str) -> IO[bytes]:
        try:
            return self.archive.open(part)
        except KeyError as error:
            raise refuse(self.path, "has lost a part") from error


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
                raise refuse(path, f"is {size // 1_000_000} MB, more than sheetlab reads")
            archive = stack.enter_context(zipfile.ZipFile(path))
            entries = archive.infolist()
            expect_limits(path, entries, MAX_UNPACKED)
            if sum(entry.compress_size for entry in entries) > size:
                raise refuse(path, "has parts that lie in each other")
            book = _book(path, archive)
        stack.callback(book.end)
        yield book


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise refuse(path, "is cut short, damaged, or no workbook") from error
    except (etree.XMLSyntaxError, ValueError) as error:
        raise refuse(path, "is damaged inside", f"({error})") from error
    except OSError as error:
        reason = error.strerror or str(error)
        raise refuse(path, "cannot be opened:", reason, "Check the name and the share.") from error


def _book(path: Path, archive: zipfile.ZipFile) -> LongBook:
    names = set(archive.namelist())

    def part(name: str) -> Any:
        return _tree(path, archive, name)

    def relations(of: str) -> dict[str, tuple[str, str]]:
        name = relationships_name(of)
        if name not in names:
            return {}
        found = {}
        for e in part(name).iter(_RELATION):
            if e.get("TargetMode") != "External":
                kind = e.get("Type", "").rsplit("/", 1)[-1]
                found[e.get("Id", "")] = kind, resolve(of, e.get("Target", ""))
        return found

    found = [target for kind, target in relations("").values() if kind == "officeDocument"]
    if not found or found[0] not in names or CONTENT_TYPES_PART not in names:
        raise refuse(path, "is an archive, but not a workbook")
    its = relations(found[0])
    sheets = {
        e.get("name", ""): its.get(e.get(f"{{{RELATIONSHIPS}}}id", ""), ("", ""))[1]
        for e in part(found[0]).iter(f"{{{MAIN}}}sheet")
    }
    texts = next((target for kind, target in its.values() if kind == "sharedStrings"), "")
    return LongBook(path, archive, sheets, texts if texts in names else "")


def _tree(path: Path, archive: zipfile.ZipFile, name: str) -> Any:
    with archive.open(name) as stream:
        # no further, whatever the archive says of its size
        return xml(stream.read(MAX_XML + 1), path)


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
            raise refuse(self.path, "has a part that is not built like those of sheetlab")
        return data


def _elements(path: Path, stream: IO[bytes], tag: str) -> Iterator[Any]:
    """Elements of one kind as they end; each is gone when the next is asked for."""
    if b"<!DOCTYPE" in stream.peek(4096):  # type: ignore[attr-defined]
        # before parsing: a type may hold a bomb of entities
        raise refuse(path, DOCUMENT_TYPE)
    source: Any = _Limited(path, stream)
    events = etree.iterparse(
        source, events=("end",), tag=tag, resolve_entities=False, no_network=True, load_dtd=False,
        huge_tree=False, remove_comments=True, remove_pis=True,
    )  # fmt: skip
    for _, element in events:
        source.since = 0
        yield element
        element.clear()
        # what is before it keeps its place in the tree otherwise
        parent = element.getparent()
        if parent is not None:
            while element.getprevious() is not None:
                del parent[0]


def _text(element: Any) -> str:
    texts = [
        t.text or "" for t in element.iter(_T) if t.getparent() is None or t.getparent().tag != _RPH
    ]
    return unescaped("".join(texts))


def _column(reference: str, usual: int) -> int:
    column = 0
    for char in reference:
        if not "A" <= char <= "Z":
            break
        column = column * 26 + ord(char) - 64
    return column - 1 if column else usual
