"""What a teacher has typed into a class workbook, found again whoever saved the file since.

Rows are found by a hidden key and columns by the id of the item in a hidden row, so that sorting,
inserted columns and renamed sheets do no harm.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Iterable, Iterator, Mapping
from itertools import chain
from pathlib import Path
from typing import Any

from lxml import etree
from msgspec import Struct, field
from msgspec.structs import asdict, fields, replace
from xlsxwriter.utility import xl_rowcol_to_cell

from sheetlab.classes.handins import KEY_LETTERS, Past, former_key, row_key
from sheetlab.finding import Finding, Place, Severity, SheetlabError, listed
from sheetlab.handling.roster import group_key
from sheetlab.practical.observations import typed_number
from sheetlab.workbook.longbook import LongBook, Value, open_long

MARK, FORMAT = "sheetlab class workbook", "1"
HIDDEN = "sheetlab class"
"""Title of the hidden sheet."""
COUNTS = "counts"
"""Stands beside a hand-in of the history that counts."""
MARKS_MARK, MARKS_TITLE = "sheetlab marks", "Marks"
ITEMS, COMMENT, KEPT = "#items", "#comment", "#kept"
OWN = "#own"
"""Stands in the hidden row of items over the other columns that sheetlab writes."""
FEEDBACK_MARK = "sheetlab feedback"
IMPRINTS_OF, IMPRINTS = 2, 3
"""Columns of the hidden sheet, below the history: a sheet, and imprints of what stands in it."""
HISTORY_ROW = 3
"""Zero-based row of the hidden sheet at which the history begins, one JSON object a row."""
FOLDER_CELL = (2, 0)
"""Where the hidden sheet says in which folder the hand-ins lie, seen from the workbook."""
KEY, SHOWN, MARKED, TYPED = range(4)
"""Hidden columns of a row of marks: its key, the readings shown in it, the readings that the
teacher's marks were typed for, and a digest of what the teacher had typed."""
KEPT_WHO, KEPT_ITEM, KEPT_VALUE = 4, 5, 6
"""Columns of what has no place any more: whose it is, id of the item, what was typed."""
BOX = 1
"""Column of the sheet Feedback in which the box for the comment begins."""
MAX_TEXT = 4000

_PAST_NAMES = tuple(one.name for one in fields(Past))
_COMMON = frozenset(("practical", "setup", "status", "unit"))


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
    except (ValueError, KeyError, TypeError, etree.LxmlError) as error:
        raise SheetlabError(_refused(path, f"it is damaged inside ({error})")) from error


def past_text(one: Past) -> str:
    """A row of the history as the text of a cell."""
    return json.dumps(asdict(one), ensure_ascii=True, sort_keys=True)


def _kept(book: LongBook, path: Path) -> Kept:
    hidden = blocks = None
    marks = ""
    boxes: dict[str, str] = {}
    # a copy of the sheet that somebody made does not count beside the sheet itself
    for sheet in sorted(book.sheets, key=lambda name: name != MARKS_TITLE):
        row, cells = next(book.rows(sheet), (0, {}))
        mark = "" if row else _text(cells.get(0))
        if mark == MARK:
            hidden = sheet
        elif mark == MARKS_MARK and blocks is None:
            blocks, marks = _blocks(book.rows(sheet)), sheet
        elif mark == FEEDBACK_MARK and not boxes:
            boxes = dict(_boxes(book.rows(sheet, formulas=False)))
    if hidden is None:
        raise SheetlabError(_refused(path, "it is no class workbook, or its hidden sheet is gone"))
    lines = book.rows(hidden)
    # they are few, and stand before the history
    head: dict[int, Mapping[int, Value]] = {}
    below = None
    for row, cells in lines:
        if row >= HISTORY_ROW:
            below = cells
            break
        head[row] = cells

    def said(row: int, column: int) -> str:
        return _text(head.get(row, {}).get(column))

    if said(1, 1) != FORMAT:
        raise SheetlabError(_refused(path, "it was written by another version of sheetlab"))
    if blocks is None:
        raise SheetlabError(_refused(path, "its sheet “Marks” is gone, or its first column is"))
    if said(1, 2) != "0" and not any(block.rows for block in blocks):
        raise SheetlabError(_refused(path, "the hidden keys on its sheet “Marks” are gone"))
    history: list[Past] = []
    counted: set[tuple[str, str]] = set()
    for cells in () if below is None else chain((below,), (cells for _, cells in lines)):
        if 0 not in cells:
            continue
        one = _past(_text(cells[0]))
        history.append(one)
        if _text(cells.get(1)) == COUNTS:
            counted.add((one.key, one.readings))
    doubts = _set_right(blocks, history, Place(path.name, marks))
    rows = _rows(blocks)
    for key, text in boxes.items():
        if key in rows:
            rows[key] = _with_box(rows[key], text)
    folder = said(*FOLDER_CELL) or None
    return _as_compared_now(Kept(rows, tuple(history), frozenset(counted), folder, doubts))


def _as_compared_now(kept: Kept) -> Kept:
    """The same under the keys that groups have now, in a workbook from before names changed."""
    other = {
        one.key: row_key(one.practical, one.group)
        for one in kept.history
        if one.key == former_key(one.practical, one.group)
    }
    if all(key == now for key, now in other.items()):
        return kept
    rows: dict[str, TypedRow] = {}
    for key, typed in kept.rows.items():
        its = replace(typed, key=other.get(key, key))
        rows[its.key] = _together(rows[its.key], its) if its.key in rows else its
    history = tuple(replace(one, key=other.get(one.key, one.key)) for one in kept.history)
    counted = frozenset((other.get(key, key), readings) for key, readings in kept.counted)
    return replace(kept, rows=rows, history=history, counted=counted)


def _past(text: str) -> Past:
    data: dict[str, Any] = json.loads(text)
    for name in _COMMON:
        # what many have in common is kept once
        data[name] = sys.intern(data[name])
    return Past(**{name: data[name] for name in _PAST_NAMES})


class _Block(Struct):
    """Rows of marks below one hidden row of items, or the rows of what has no place any more."""

    columns: Mapping[int, str]
    name_column: int | None = None
    kept: bool = False
    rows: list[tuple[int, Mapping[int, Value]]] = field(default_factory=list)


def _blocks(lines: Iterable[tuple[int, Mapping[int, Value]]]) -> list[_Block]:
    """Blocks of the sheet of marks; one whose row of items is gone goes on with the one before."""
    found = [_Block({})]
    for row, line in lines:
        key = _text(line.get(KEY))
        if key == ITEMS:
            named = {c: _text(cell) for c, cell in line.items() if c > TYPED}
            own = [c for c, name in named.items() if name == OWN]
            items = {c: name for c, name in named.items() if name != OWN}
            found.append(_Block(items, min(own, default=None)))
        elif key == KEPT:
            found.append(_Block({}, kept=True))
        elif is_key(key):
            found[-1].rows.append((row, dict(line)))
    return found


def _set_right(blocks: Iterable[_Block], history: list[Past], place: Place) -> tuple[Finding, ...]:
    """Follow the names where the keys were left behind by sorting; tell where that was done.

    Only if each name of a block fits one key of it and each key one name; else the keys stand.
    """
    names: dict[str, set[str]] = {}
    for one in history:
        names.setdefault(one.key, set()).add(group_key(one.group))
    practicals = {one.practical for one in history}
    doubts = []
    for block in blocks:
        if block.kept or block.name_column is None:
            continue
        column = block.name_column
        keys = [_text(line.get(KEY)) for _, line in block.rows]
        shown = [_text(line.get(column)) for _, line in block.rows]
        # who handed in nothing is not in the history
        made = [{row_key(one, name) for one in practicals} for name in shown]
        plain = [group_key(name) for name in shown]
        wrong = [
            xl_rowcol_to_cell(row, column)
            for i, (row, _) in enumerate(block.rows)
            if keys[i] not in made[i] and plain[i] not in names.get(keys[i], ())
        ]
        if not wrong:
            continue
        by_name: dict[str, list[str]] = {}
        for key in dict.fromkeys(keys):
            for name in names.get(key, ()):
                by_name.setdefault(name, []).append(key)
        fits = [set(by_name.get(name, ())) | (made[i] & set(keys)) for i, name in enumerate(plain)]
        targets = [next(iter(one)) for one in fits if len(one) == 1]
        certain = len(targets) == len(keys) == len(set(targets)) == len(set(keys))
        if certain:
            hidden = {key: line for key, (_, line) in zip(keys, block.rows, strict=True)}
            block.rows = [
                (row, {**line, **{c: hidden[to].get(c, "") for c in range(TYPED + 1)}})
                for to, (row, line) in zip(targets, block.rows, strict=True)
            ]
        doubts.append(_other_group(wrong, certain, place))
    return tuple(doubts)


def _other_group(cells: list[str], certain: bool, place: Place) -> Finding:
    done = "the group named in the row" if certain else "the group that stood there when written"
    return Finding(
        "marks-moved",
        Severity.DOUBTFUL,
        f"rows show another group than they were written for: {listed(cells)}. Marks and "
        f"comments of these rows were given to {done}",
        "each group in its row, or whole rows sorted, with the hidden columns before them",
        "Look through the marks of these groups.",
        replace(place, cell=cells[0]),
    )


def _rows(blocks: Iterable[_Block]) -> dict[str, TypedRow]:
    """What was typed, by key."""
    rows: dict[str, TypedRow] = {}
    for block in blocks:
        for _, line in block.rows:
            key = _text(line.get(KEY))
            found = _kept_row(key, line) if block.kept else _row(key, line, block.columns)
            rows[key] = _together(rows[key], found) if key in rows else found
    return rows


def is_key(text: str) -> bool:
    """Whether a hidden cell holds the key of a row."""
    return len(text) == KEY_LETTERS + 1 and text.startswith("k")


def _boxes(lines: Iterable[tuple[int, Mapping[int, Value]]]) -> Iterator[tuple[str, str]]:
    """What was typed over the formulas that show the comments on the pages, by key."""
    for _, line in lines:
        key, text = _text(line.get(KEY)), _value(line.get(BOX))
        if is_key(key) and text is not None:
            yield key, f"{text:g}" if isinstance(text, float) else text


def _with_box(row: TypedRow, text: str) -> TypedRow:
    """A row with what was typed on its page; a comment that is not in that stays before it."""
    words, had = " ".join(text.split()), " ".join(row.comment.split())
    if words == had:
        return row
    comment = text if had in words else f"{row.comment}\n{text}"
    # it was typed on the page of the readings that are shown now
    return replace(row, comment=comment, marked=row.shown)


def _row(key: str, line: Mapping[int, Value], columns: Mapping[int, str]) -> TypedRow:
    items: dict[str, float | str] = {}
    comment = ""
    for column, name in columns.items():
        value = _value(line.get(column))
        if value is None:
            continue
        if name == COMMENT:
            comment = f"{value:g}" if isinstance(value, float) else value
        else:
            items[name] = value
    found = TypedRow(key, "", "", items, comment)
    # what was typed since the sheet was written was typed for the readings shown in it
    since = found.digest != _text(line.get(TYPED))
    marked = "" if found.empty else _text(line.get(SHOWN if since else MARKED))
    return TypedRow(key, marked, "", items, comment, _text(line.get(SHOWN)))


def _kept_row(key: str, line: Mapping[int, Value]) -> TypedRow:
    """A row of what has no place any more: whose it is, item, value."""
    who, name = _text(line.get(KEPT_WHO)), _text(line.get(KEPT_ITEM))
    value = _value(line.get(KEPT_VALUE))
    marked = _text(line.get(MARKED))
    if value is None or not name:
        return TypedRow(key, "", who)
    if name == COMMENT:
        return TypedRow(key, marked, who, {}, f"{value:g}" if isinstance(value, float) else value)
    return TypedRow(key, marked, who, {name: value})


def _together(a: TypedRow, b: TypedRow) -> TypedRow:
    return TypedRow(
        a.key, a.marked or b.marked, a.who or b.who, {**b.items, **a.items},
        a.comment or b.comment, a.shown or b.shown,
    )  # fmt: skip


def _text(cell: Value | None) -> str:
    if cell is None:
        return ""
    return f"{cell:.15g}" if isinstance(cell, float) else cell


def _value(cell: Value | None) -> float | str | None:
    if cell is None:
        return None
    if isinstance(cell, float):
        return cell
    text = cell.strip()[:MAX_TEXT]
    number = typed_number(text)
    if number is not None and not number.ambiguous:
        return number.value
    return text or None


def _refused(path: Path, why: str) -> Finding:
    return Finding(
        "class-unreadable",
        Severity.STOP,
        f"{path.name} cannot be read: {why}. It may hold marks, so nothing was written",
        "the class workbook as it was written, or no file of that name",
        "Get it back from a copy, or move it away, or give another name with --out.",
        Place(path.name),
    )
