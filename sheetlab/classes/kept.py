"""What a teacher has typed into a class workbook, found again whoever saved the file since.

Rows are found by a hidden key and columns by the id of the item in a hidden row, so that sorting,
inserted columns and renamed sheets do no harm.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

import msgspec
from lxml import etree
from msgspec import Struct, field
from msgspec.structs import asdict, replace
from xlsxwriter.utility import xl_rowcol_to_cell

from sheetlab.classes.handins import KEY_LETTERS, Past, row_key
from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding
from sheetlab.handling.roster import group_key
from sheetlab.practical.observations import typed_number
from sheetlab.workbook.longbook import LongBook, Value, open_long

MARK, FORMAT = "sheetlab class workbook", "1"
HIDDEN = "sheetlab class"
"""Title of the hidden sheet."""
COUNTS = "counts"
"""Stands beside a hand-in of the history that counts."""
MARKS_MARK, MARKS_TITLE = "sheetlab marks", "Marks"
ITEMS, KEPT = "#items", "#kept"
"""Keys of the first column of a row of keys: marks stand below it, or what has no place any more.
The first column holds the key of a row."""
SHOWN, MARKED, TYPED = "#readings", "#marked", "#typed"
"""Hidden columns: the readings shown in a row, the readings that the teacher's marks were typed
for, and a digest of what the teacher had typed."""
HIDDEN_COLUMNS = 4
GROUP, WHO, ITEM = "#group", "#who", "#item"
COMMENT, VALUE = "#comment", "#value"
"""Columns into which the teacher types, besides those that are called by the id of an item."""
FEEDBACK_MARK = "sheetlab feedback"
IMPRINTS_OF, IMPRINTS = 2, 3
"""Columns of the hidden sheet, below the history: a sheet, and imprints of what stands in it."""
HISTORY_ROW = 3
"""Zero-based row of the hidden sheet at which the history begins, one JSON object a row."""
FOLDER_CELL = (2, 0)
"""Where the hidden sheet says in which folder the hand-ins lie, seen from the workbook."""
KEY = 0
"""Column of the keys of rows."""
BOX = 1
"""Column of the sheet Feedback in which the box for the comment begins."""
MAX_TEXT = 4000

Line = tuple[int, Mapping[int, Value]]
"""Zero-based number of a row, and its cells by zero-based column."""


class TypedRow(Struct, frozen=True):
    """What the teacher typed for one hand-in."""

    key: str
    marked: str
    """Digest of the readings that the marks were typed for; empty if nothing was typed."""
    who: str = ""
    items: Mapping[str, float | str] = field(default_factory=dict)
    comment: str = ""
    shown: str = ""
    """Digest of the readings that the row showed."""

    @property
    def empty(self) -> bool:
        """Whether nothing was typed."""
        return not self.items and not self.comment

    @property
    def digest(self) -> str:
        """Digest of what was typed."""
        text = repr((sorted(self.items.items()), self.comment.split()))
        return "" if self.empty else hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()


class Kept(Struct, frozen=True):
    """Everything that is carried over from a class workbook to the next."""

    rows: Mapping[str, TypedRow] = field(default_factory=dict)
    history: tuple[Past, ...] = ()
    counted: frozenset[tuple[str, str]] = frozenset()
    """Key and readings of the hand-ins that counted when it was written."""
    folder: str | None = None
    """Path from the class workbook to the folder of the hand-ins; None if that lay elsewhere."""
    doubts: tuple[Finding, ...] = ()
    """Rows of marks that show another group than that of their key."""


def read_kept(path: Path) -> Kept:
    """What has to be kept of a class workbook; nothing if there is no such file yet.

    Raises
    ------
    SheetlabError
        If the file is there and cannot be read as a class workbook: better no new workbook than
        one without the marks.
    """
    if not path.exists():
        return Kept()
    try:
        with open_long(path) as book:
            return _kept(book, path)
    except SheetlabError as error:
        if any(f.code == "class-unreadable" for f in error.findings):
            raise
        raise SheetlabError(*(_refused(path, f.found) for f in error.findings)) from error
    except (ValueError, TypeError, msgspec.ValidationError, etree.LxmlError) as error:
        raise SheetlabError(_refused(path, f"it is damaged inside ({error})")) from error


def past_text(past: Past) -> str:
    """A row of the history as the text of a cell."""
    return json.dumps(asdict(past), ensure_ascii=True, sort_keys=True)


def is_key(text: str) -> bool:
    """Whether a hidden cell holds the key of a row."""
    return len(text) == KEY_LETTERS + 1 and text.startswith("k")


def is_typed(column: str) -> bool:
    """Whether a teacher types into the column of that key."""
    return column in (COMMENT, VALUE) or not column.startswith("#")


class _Block(Struct):
    """Rows below one hidden row of keys."""

    at: Mapping[str, int]
    """Zero-based column of each key."""
    rows: list[Line] = field(default_factory=list)


def _kept(book: LongBook, path: Path) -> Kept:
    sheets: dict[str, str] = {}
    # a copy of the sheet that somebody made does not count beside the sheet itself
    for sheet in sorted(book.sheets, key=lambda name: name != MARKS_TITLE):
        row, cells = next(book.rows(sheet), (0, {}))
        if not row:
            sheets.setdefault(_text(cells.get(0)), sheet)
    if MARK not in sheets:
        raise SheetlabError(_refused(path, "it is no class workbook, or its hidden sheet is gone"))
    hidden = dict(book.rows(sheets[MARK]))

    def said(row: int, column: int) -> str:
        return _text(hidden.get(row, {}).get(column))

    if said(1, 1) != FORMAT:
        raise SheetlabError(_refused(path, "it was written by another version of sheetlab"))
    if MARKS_MARK not in sheets:
        raise SheetlabError(_refused(path, "its sheet “Marks” is gone, or its first column is"))
    blocks = _blocks(book.rows(sheets[MARKS_MARK]))
    if said(1, 2) != "0" and not any(block.rows for block in blocks):
        raise SheetlabError(_refused(path, "the hidden keys on its sheet “Marks” are gone"))
    history = {
        row: msgspec.convert(json.loads(_text(cells[0])), Past)
        for row, cells in hidden.items()
        if row >= HISTORY_ROW and 0 in cells
    }
    counted = [past for row, past in history.items() if said(row, 1) == COUNTS]
    doubts = _set_right(blocks, history.values(), Place(path.name, sheets[MARKS_MARK]))
    rows: dict[str, TypedRow] = {}
    for block in blocks:
        for _, line in block.rows:
            typed = _typed_row(line, block.at)
            rows[typed.key] = _together(rows.get(typed.key, typed), typed)
    for key, text in _boxes(book.rows(sheets.get(FEEDBACK_MARK, ""), formulas=False)):
        if key in rows:
            rows[key] = _with_box(rows[key], text)
    return Kept(
        rows,
        tuple(history.values()),
        frozenset((past.key, past.readings) for past in counted),
        said(*FOLDER_CELL) or None,
        doubts,
    )


def _blocks(lines: Iterable[Line]) -> list[_Block]:
    """Blocks of the sheet of marks; one whose row of keys is gone goes on with the one before."""
    blocks = [_Block({})]
    for row, line in lines:
        key = _text(line.get(KEY))
        if key in (ITEMS, KEPT):
            blocks.append(_Block({_text(cell): column for column, cell in line.items()}))
        elif is_key(key):
            blocks[-1].rows.append((row, line))
    return blocks


def _set_right(
    blocks: Iterable[_Block], history: Iterable[Past], place: Place
) -> tuple[Finding, ...]:
    """Follow the names where the keys were left behind by sorting; tell where that was done.

    Only if each name of a block fits one key of it and each key one name; else the keys stand.
    """
    names: dict[str, set[str]] = {}
    practicals = set()
    for past in history:
        names.setdefault(past.key, set()).add(group_key(past.group))
        practicals.add(past.practical)
    doubts = []
    for block in blocks:
        column = block.at.get(GROUP)
        if column is None:
            continue
        keys = [_text(line.get(KEY)) for _, line in block.rows]
        fitting = []
        for _, line in block.rows:
            name = _text(line.get(column))
            # who handed in nothing is not in the history
            made = {row_key(practical, name) for practical in practicals}
            plain = group_key(name)
            fitting.append({k for k in keys if k in made or plain in names.get(k, ())})
        wrong = [
            xl_rowcol_to_cell(row, column)
            for key, fits, (row, _) in zip(keys, fitting, block.rows, strict=True)
            if key not in fits
        ]
        if not wrong:
            continue
        targets = [min(fits) for fits in fitting if len(fits) == 1]
        certain = len(targets) == len(keys) == len(set(targets)) == len(set(keys))
        if certain:
            block.rows = _with_keys(block.rows, keys, targets)
        whom = "named" if certain else "written"
        at = replace(place, cell=wrong[0])
        doubts.append(finding("marks-moved", Severity.DOUBTFUL, at, cells=tuple(wrong), whom=whom))
    return tuple(doubts)


def _with_keys(rows: Sequence[Line], keys: Sequence[str], targets: Sequence[str]) -> list[Line]:
    """Rows with the hidden cells of the keys that they belong to."""
    hidden = {key: line for key, (_, line) in zip(keys, rows, strict=True)}
    return [
        (row, {**line, **{c: hidden[key].get(c, "") for c in range(HIDDEN_COLUMNS)}})
        for key, (row, line) in zip(targets, rows, strict=True)
    ]


def _typed_row(line: Mapping[int, Value], at: Mapping[str, int]) -> TypedRow:
    cells = {key: line.get(column) for key, column in at.items()}
    typed = {key: _value(cell) for key, cell in cells.items() if is_typed(key)}
    if VALUE in typed:
        # a row of what has no place any more says itself of which item it is
        typed = {_text(cells.get(ITEM)) or VALUE: typed[VALUE]}
    items = {key: value for key, value in typed.items() if value is not None and key != VALUE}
    comment = _as_text(items.pop(COMMENT, ""))
    shown, who = _text(cells.get(SHOWN)), _text(cells.get(WHO))
    row = TypedRow(_text(line.get(KEY)), "", who, items, comment, shown)
    # what was typed since the sheet was written was typed for the readings shown in it
    since = shown and row.digest != _text(cells.get(TYPED))
    marked = "" if row.empty else shown if since else _text(cells.get(MARKED))
    return replace(row, marked=marked)


def _together(a: TypedRow, b: TypedRow) -> TypedRow:
    return TypedRow(
        a.key, a.marked or b.marked, a.who or b.who, {**b.items, **a.items},
        a.comment or b.comment, a.shown or b.shown,
    )  # fmt: skip


def _boxes(lines: Iterable[Line]) -> Iterator[tuple[str, str]]:
    """What was typed over the formulas that show the comments on the pages, by key."""
    for _, line in lines:
        key, typed = _text(line.get(KEY)), _value(line.get(BOX))
        if is_key(key) and typed is not None:
            yield key, _as_text(typed)


def _with_box(row: TypedRow, text: str) -> TypedRow:
    """A row with what was typed on its page; a comment that is not in that stays before it."""
    words, had = " ".join(text.split()), " ".join(row.comment.split())
    if words == had:
        return row
    comment = text if had in words else f"{row.comment}\n{text}"
    # it was typed on the page of the readings that are shown now
    return replace(row, comment=comment, marked=row.shown)


def _text(cell: Value | None) -> str:
    return f"{cell:.15g}" if isinstance(cell, float) else cell or ""


def _as_text(typed: float | str) -> str:
    return f"{typed:g}" if isinstance(typed, float) else typed


def _value(cell: Value | None) -> float | str | None:
    if cell is None or isinstance(cell, float):
        return cell
    text = cell.strip()[:MAX_TEXT]
    number = typed_number(text)
    return text or None if number is None or number.ambiguous else number.value


def _refused(path: Path, why: str) -> Finding:
    place = Place(path.name)
    return finding("class-unreadable", Severity.STOP, place, name=path.name, why=why)
