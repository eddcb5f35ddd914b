"""What somebody put into a class workbook that its next version will not hold."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from xlsxwriter.utility import xl_rowcol_to_cell

from sheetlab.classes.kept import (
    BOX,
    FEEDBACK_MARK,
    HIDDEN,
    HIDDEN_COLUMNS,
    IMPRINTS,
    IMPRINTS_OF,
    ITEMS,
    KEPT,
    KEY,
    MARKS_MARK,
    is_key,
    is_typed,
)
from sheetlab.finding import Finding, Place, Severity, finding
from sheetlab.messages import harmless
from sheetlab.workbook.imprints import Imprints
from sheetlab.workbook.longbook import LongBook, Value, open_long

MOST_NAMED, MOST_SHOWN = 5, 40
HEADINGS = 2
"""Rows of headings below the hidden row of keys."""


def left_behind(path: Path) -> tuple[str, ...]:
    """What is in a class workbook and is not carried over, in a few words each.

    Raises
    ------
    SheetlabError
        If it cannot be read.
    """
    if not path.exists():
        return ()
    with open_long(path) as book:
        written: dict[str, list[str]] = {}
        for _, cells in book.rows(HIDDEN):
            if isinstance(title := cells.get(IMPRINTS_OF), str) and IMPRINTS in cells:
                written.setdefault(title, []).append(str(cells[IMPRINTS]))
        sheets = [sheet for sheet in book.sheets if sheet != HIDDEN and sheet not in written]
        extras = [f"the sheet “{harmless(sheet)[:MOST_SHOWN]}”" for sheet in sheets]
        for sheet in book.sheets:
            if sheet in written:
                extras += _some(sheet, list(_cells(book, sheet, written[sheet])))
                extras += [f"a note at {sheet} {at}" for at in book.notes(sheet)[:MOST_NAMED]]
                extras += [f"a picture or shape on {sheet}"] if book.drawn(sheet) else []
        return tuple(extras)


def not_carried_over(path: Path, what: tuple[str, ...], copy: Path) -> Finding:
    """The finding that a workbook was replaced with all that in it."""
    more = len(what) - MOST_NAMED
    named = "; ".join(what[:MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")
    return finding(
        "not-carried-over", Severity.NOTE, Place(path.name),
        name=path.name, what=named, copy=copy.name,
    )  # fmt: skip


def _some(sheet: str, cells: list[tuple[str, Value]]) -> list[str]:
    """The first few foreign cells of a sheet, and how many more there are."""
    named = []
    for at, value in cells[:MOST_NAMED]:
        text = f"{value:g}" if isinstance(value, float) else harmless(value)[:MOST_SHOWN]
        named.append(f"{sheet} {at} “{text}”")
    more = len(cells) - MOST_NAMED
    return [*named, f"{more} more cells on {sheet}"] if more > 0 else named


def _cells(book: LongBook, sheet: str, texts: list[str]) -> Iterator[tuple[str, Value]]:
    """Cells that hold what was not written there and is not read as a mark or a comment."""
    rows = list(book.rows(sheet, formulas=False))
    mark = rows[0][1].get(KEY) if rows else None
    known = Imprints(texts, anywhere=mark == MARKS_MARK)
    if mark == MARKS_MARK:
        yield from _cells_of_marks(rows, known)
        return
    for row, cells in rows:
        boxed = mark == FEEDBACK_MARK and is_key(str(cells.get(KEY, "")))
        for column, value in cells.items():
            if not known.has(column, value) and not (boxed and column == BOX):
                yield xl_rowcol_to_cell(row, column), value


def _cells_of_marks(
    rows: list[tuple[int, dict[int, Value]]], known: Imprints
) -> Iterator[tuple[str, Value]]:
    """The same on the sheet Marks, where a teacher types into framed columns."""
    keys: dict[int, str] = {}
    head = -1
    seen: set[str] = set()
    for row, cells in rows:
        key = str(cells.get(KEY, ""))
        if key in (ITEMS, KEPT):
            keys = {column: str(cell) for column, cell in cells.items()}
            head = row if key == KEPT else row + HEADINGS
        # of two rows with one key only the first is read in full
        again = keys.get(KEY) != KEPT and key in seen
        seen.add(key)
        for column, value in cells.items():
            beyond = column >= HIDDEN_COLUMNS
            framed = is_typed(keys.get(column, "#"))
            outside = bool(keys) and beyond and column not in keys
            if is_key(key):
                typed = framed and not again
                lost = (framed and again) or (beyond and not keys)
            else:
                # a mark whose key is gone may be a number that was written elsewhere
                typed, lost = False, framed and beyond and row > head
            if lost or (not typed and (outside or not known.has(column, value))):
                yield xl_rowcol_to_cell(row, column), value
