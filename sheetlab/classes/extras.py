"""What somebody put into a class workbook that its next version will not hold."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from xlsxwriter.utility import xl_rowcol_to_cell

from sheetlab.classes.kept import (
    BOX,
    FEEDBACK_MARK,
    HIDDEN,
    IMPRINTS,
    IMPRINTS_OF,
    ITEMS,
    KEPT,
    KEPT_VALUE,
    KEY,
    MARKS_MARK,
    OWN,
    TYPED,
    is_key,
)
from sheetlab.finding import Finding, Place, Severity, harmless
from sheetlab.workbook.imprints import Imprints
from sheetlab.workbook.longbook import LongBook, Value, open_long

MOST_NAMED, MOST_SHOWN = 5, 40
HEADINGS = 2
"""Rows of headings below the hidden row of items."""


def left_behind(path: Path) -> tuple[str, ...]:
    """What is in a class workbook and is not carried over, in a few words each.

    Of a workbook that does not say what was written into it, notes and drawings only are known,
    and that there may be more.

    Raises
    ------
    SheetlabError
        If it cannot be read.
    """
    if not path.exists():
        return ()
    with open_long(path) as book:
        texts: dict[str, list[str]] = {}
        for _, cells in book.rows(HIDDEN):
            if isinstance(title := cells.get(IMPRINTS_OF), str) and IMPRINTS in cells:
                texts.setdefault(title, []).append(str(cells[IMPRINTS]))
        sheets, found = [], []
        for sheet in book.sheets:
            if sheet == HIDDEN:
                continue
            if texts and sheet not in texts:
                sheets.append(f"the sheet “{harmless(sheet)[:MOST_SHOWN]}”")
                continue
            if sheet in texts:
                found += _some(sheet, _cells(book, sheet, texts[sheet]))
            found += [f"a note at {sheet} {at}" for at in book.notes(sheet)[:MOST_NAMED]]
            if book.drawn(sheet):
                found.append(f"a picture or shape on {sheet}")
        if not texts:
            sheets.append("what was typed outside marks and comments, if anything was")
        return (*sheets, *found)


def not_carried_over(path: Path, what: tuple[str, ...], copy: Path) -> Finding:
    """The finding that a workbook was replaced with all that in it."""
    more = len(what) - MOST_NAMED
    named = "; ".join(what[:MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")
    return Finding(
        "not-carried-over",
        Severity.NOTE,
        f"{path.name} held what the new one does not: {named}. The file as it was is {copy.name}",
        "marks and comments on the sheet “Marks”, or a comment in the box on a page of feedback",
        f"Get it from {copy.name}, and keep notes of your own in another workbook.",
        Place(path.name),
    )


def _some(sheet: str, cells: Iterator[tuple[str, Value]]) -> list[str]:
    """The first few foreign cells of a sheet, and how many there are."""
    found = list(cells)
    told = []
    for at, value in found[:MOST_NAMED]:
        text = f"{value:g}" if isinstance(value, float) else harmless(value)[:MOST_SHOWN]
        told.append(f"{sheet} {at} “{text}”")
    more = len(found) - MOST_NAMED
    return [*told, f"{more} more cells on {sheet}"] if more > 0 else told


def _cells(book: LongBook, sheet: str, texts: list[str]) -> Iterator[tuple[str, Value]]:
    """Cells that hold what was not written there and is not read as a mark or a comment."""
    known: Imprints | None = None
    mark: Value | None = None
    ours: Mapping[int, Value] = {}
    in_kept = False
    head = -1
    seen: set[str] = set()
    for row, cells in book.rows(sheet, formulas=False):
        if known is None:
            mark = cells.get(KEY)
            known = Imprints(texts, anywhere=mark == MARKS_MARK)
        key = str(cells.get(KEY, ""))
        if mark == MARKS_MARK and key == ITEMS:
            ours, in_kept, head = dict(cells), False, row + HEADINGS
        elif mark == MARKS_MARK and key == KEPT:
            in_kept, ours = True, {}
        again = not in_kept and key in seen
        seen.add(key)
        for column, value in cells.items():
            typed = lost = False
            beyond = column > TYPED
            if mark == MARKS_MARK:
                framed = column == KEPT_VALUE if in_kept else ours.get(column, OWN) != OWN
                if is_key(key):
                    # of two rows with one key only the first is read in full
                    typed, lost = framed and not again, framed and again
                    lost = lost or (not in_kept and not ours and beyond)
                else:
                    # a mark whose key is gone may be a number that was written elsewhere
                    lost = framed and beyond and row > head
            else:
                typed = mark == FEEDBACK_MARK and column == BOX and is_key(key)
            outside = bool(ours) and beyond and column not in ours
            if lost or (not typed and (outside or not known.has(column, value))):
                yield xl_rowcol_to_cell(row, column), value
