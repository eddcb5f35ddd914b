"""What the buttons do to the workbook that is open in Excel.

Written against xlwings' object model, so that the tests drive LibreOffice Calc with the same code;
what Excel alone has stands in ``program.py``. Evaluation is that of files (``inplace.prepare``).

A mark is a rule of conditional formatting and a note, both recognisable as ours: the formats of a
cell are not touched, a note that someone else wrote is left alone, and marks are taken back by
deleting what is recognised.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.finding import Finding, Severity, SheetlabError, finding
from sheetlab.live.excel import program
from sheetlab.live.inplace import (
    COLOURS,
    RULES,
    Doubt,
    Mark,
    Prepared,
    is_own_note,
    marks,
    own_titles,
    prepare,
    refusal,
)
from sheetlab.workbook.graft import is_own_name

if TYPE_CHECKING:
    import xlwings as xw

TITLE = "sheetlab"


class Marked(Struct, frozen=True):
    """What became of the marks."""

    cells: int
    elsewhere: tuple[str, ...] = ()
    """What else asks for a look, and has no cell."""
    findings: tuple[Finding, ...] = ()
    """Sheets that could not be marked."""


# -- the buttons ---------------------------------------------------------------------------------


def evaluate() -> None:
    """Evaluate the workbook in front and show the sheet with the result."""
    _answer(lambda book: _said_of_evaluation(book, evaluate_book(book)))


def mark() -> None:
    """Mark the doubtful cells of the workbook in front."""
    _answer(lambda book: _said_of_marks(mark_book(book)))


def clear() -> None:
    """Take result sheets and marks out of the workbook in front."""
    _answer(lambda book: _said_of_clearing(clear_book(book)))


def _answer(work: Callable[[xw.Book], str]) -> None:
    import xlwings as xw

    book = xw.Book.caller()
    try:
        said = work(book)
    except SheetlabError as error:
        said = refusal(error)
    except Exception as error:  # the last boundary: a traceback helps nobody at a spreadsheet
        said = f"{type(error).__name__}: {error}\n\nPlease report it with the workbook."
    if said:
        book.app.alert(said, TITLE)


def _said_of_evaluation(book: xw.Book, prepared: Prepared) -> str:
    book.sheets[prepared.titles[0]].activate()
    return ""


def _said_of_marks(marked: Marked) -> str:
    found = {0: "No doubtful cell was found.", 1: "One doubtful cell is marked."}
    text = found.get(marked.cells, f"{marked.cells} doubtful cells are marked.")
    if marked.elsewhere and not marked.cells:
        text = "No cell is marked."
    return "\n\n".join([text, *marked.elsewhere, *(one.message for one in marked.findings)])


def _said_of_clearing(marked: Marked) -> str:
    return "\n\n".join(one.message for one in marked.findings)


# -- the work ------------------------------------------------------------------------------------


def evaluate_book(book: xw.Book) -> Prepared:
    """Put the result sheets into an open workbook, in place of those of an earlier evaluation.

    Marks that are there are renewed.

    Raises
    ------
    SheetlabError
        If it is no workbook of ours, cannot be read, or does not let sheets be added.
    """
    _refuse_locked(book)
    with _quietly(book), program.copied(book) as copy:
        prepared = prepare(copy)
        # Excel opens no two workbooks of one name, so the name is one of its own
        results = copy.with_name(f"{copy.parent.name} results.xlsx")
        results.write_bytes(prepared.results)
        source = book.app.books.open(str(results))
        try:
            _delete_results(book, prepared.replaces)
            program.take_sheets(book, source)
        finally:
            source.close()
        for name, reference in prepared.names:
            program.set_hidden_name(book, name, f"={reference}")
        if any(_rules(sheet) for sheet in book.sheets):
            _mark(book, prepared.doubts)
    return prepared


def mark_book(book: xw.Book) -> Marked:
    """Mark the cells of an open workbook that a person has to look at, and unmark all others."""
    with _quietly(book), program.copied(book) as copy:
        prepared = prepare(copy)
        return replace(_mark(book, prepared.doubts), elsewhere=prepared.elsewhere)


def clear_book(book: xw.Book) -> Marked:
    """Take result sheets, their names and all marks out of an open workbook."""
    _refuse_locked(book)
    with _quietly(book), program.copied(book) as copy:
        _delete_results(book, own_titles(copy))
        return _mark(book, ())


@contextmanager
def _quietly(book: xw.Book) -> Iterator[None]:
    with book.app.properties(screen_updating=False, display_alerts=False, enable_events=False):
        yield


def _refuse_locked(book: xw.Book) -> None:
    if program.structure_locked(book):
        raise SheetlabError(finding("workbook-locked", Severity.STOP))


def _delete_results(book: xw.Book, titles: Sequence[str]) -> None:
    for title in titles:
        book.sheets[title].delete()
    for name in [one for one in book.names if is_own_name(one.name)]:
        name.delete()


# -- marks ---------------------------------------------------------------------------------------


def _mark(book: xw.Book, doubts: Sequence[Doubt]) -> Marked:
    """Marks for these doubts and no others."""
    wanted: dict[str, list[Mark]] = {}
    for one in marks(doubts):
        wanted.setdefault(one.sheet, []).append(one)
    cells = 0
    findings: list[Finding] = []
    for sheet in book.sheets:
        here = wanted.get(sheet.name, [])
        rules, notes = _rules(sheet), _notes(sheet)
        if not (here or rules or notes):
            continue
        try:
            with program.unprotected(sheet):
                for rule in rules:
                    rule.delete()
                for note in notes:
                    note.delete()
                for one in here:
                    _mark_cell(sheet.range(one.cell), one)
                    cells += 1
        except SheetlabError as error:
            findings += error.findings
    return Marked(cells, findings=tuple(findings))


def _mark_cell(cell: xw.Range, one: Mark) -> None:
    red, green, blue = COLOURS[one.severity].to_bytes(3, "big")
    cell.conditional_formats.add_custom(f"={RULES[one.severity]}", fill_color=(red, green, blue))
    if cell.note is None and cell.comment is None:
        cell.add_note(one.note)


def _rules(sheet: xw.Sheet) -> list[xw.ConditionalFormat]:
    # from the last to the first: deleting one gives those behind it other numbers
    ours = {f"={rule}" for rule in RULES.values()}
    return [one for one in sheet.cells.conditional_formats if one.formula in ours][::-1]


def _notes(sheet: xw.Sheet) -> list[xw.Note]:
    return [one for one in sheet.notes if is_own_note(one.text)][::-1]
