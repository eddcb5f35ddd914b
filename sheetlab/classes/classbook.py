"""The workbook of a class, as a stream: results, set-ups, budget, marks, feedback, history.

Every text that comes from a workbook or a file name is written as a text, never as a formula, and
links are made here from paths of files that were found in the folder.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

from sheetlab.classes.comparison import Comparison
from sheetlab.classes.feedback import FEEDBACK, write_feedback
from sheetlab.classes.kept import (
    COUNTS,
    FOLDER_CELL,
    FORMAT,
    HIDDEN,
    HISTORY_ROW,
    IMPRINTS,
    IMPRINTS_OF,
    MARK,
    past_text,
)
from sheetlab.classes.marks_page import MARK_SHAPE, MARKS, MarksSheet, write_marks
from sheetlab.classes.pages import GAP, ClassBook, ClassData, folder_seen, signed
from sheetlab.classes.results_page import RESULTS, write_results
from sheetlab.finding import many
from sheetlab.messages import harmless
from sheetlab.metrology.statement import significant
from sheetlab.workbook.book import Book, Sheet
from sheetlab.workbook.charts import share_chart
from sheetlab.workbook.imprints import Imprints
from sheetlab.workbook.page import Column, Page, Shown
from sheetlab.workbook.results import LEAST_BAR, budget_columns
from sheetlab.workbook.style import Styles, ending_format
from sheetlab.workbook.template import EPOCH

OPEN, SETUPS, BUDGET, EVIDENCE, HISTORY = (
    "Open points", "Set-ups", "Budget", "Evidence", "History",
)  # fmt: skip
TITLES = (RESULTS, OPEN, SETUPS, BUDGET, MARKS, EVIDENCE, FEEDBACK, HISTORY)
FAR = 100.0
BUDGET_COLUMNS = budget_columns((47, 6, 13, 11, 9, 12, 10, 11, 12, 12, 9))


class _NotedSheet(Sheet):
    """A sheet that remembers in ``imprints`` what was written into it."""

    def __init__(self) -> None:
        super().__init__()
        self.imprints = Imprints()

    def _write_string(self, row: int, col: int, string: str, cell_format: Any = None) -> int:
        self.imprints.add(col, string)
        return int(super()._write_string(row, col, string, cell_format))

    def _write_number(self, row: int, col: int, number: float, cell_format: Any = None) -> int:
        self.imprints.add(col, number)
        return int(super()._write_number(row, col, number, cell_format))


def write_class(data: ClassData) -> tuple[bytes, tuple[str, ...]]:
    """The workbook of a class. The same data give the same bytes.

    With it comes what the teacher typed as a mark and is none, in sentences.
    """
    made = io.BytesIO()
    with Book(made) as file:
        file.set_properties({"title": "Results of a class", "created": EPOCH})
        sheets = {title: file.add_worksheet(title, _NotedSheet) for title in TITLES}
        # the teacher may have moved and sorted these
        sheets[MARKS].imprints.anywhere = True
        book = ClassBook(data, file, Styles(file))
        marks = write_marks(book)
        write_results(book, marks)
        _write_open_points(book)
        _write_setups(book)
        _write_budget(book)
        _write_evidence(book)
        write_feedback(book, marks)
        _write_history(book)
        _write_hidden(book, marks)
        sheets[RESULTS].activate()
    return made.getvalue(), marks.doubts


def _write_open_points(book: ClassBook) -> None:
    columns = (
        Column("what", "what", 16, lambda point: point.what),
        Column("group", "group", 22, lambda point: point.group),
        Column("practical", "practical", 48, lambda point: point.practical),
        Column("file", "file", 36, lambda point: book.link(point.file) if point.file else ""),
        Column("note", "note", 52, lambda point: point.text),
    )
    page = book.page(OPEN, columns, "Open points")
    if book.data.sorted.points:
        page.table(columns, book.data.sorted.points).freeze()
    else:
        page.line("Nothing is missing, late, there twice or unreadable.")


def _write_setups(book: ClassBook) -> None:
    page = book.page(SETUPS, (30, 12, 16, 18, 16, 24), "Comparison by set-up", landscape=False)
    for block in book.data.blocks:
        if block is not book.data.blocks[0]:
            page.break_page()
        page.line(block.title, "heading", 11)
        if block.comparison is None:
            page.line("No workbook of this practical gives a result yet.")
        else:
            _write_comparison(book, page, block.comparison)
            page.gap(GAP)


def _write_comparison(book: ClassBook, page: Page, compared: Comparison) -> None:
    unit = f" / {compared.unit}" if compared.unit else ""
    spread = compared.robust.deviation if compared.robust is not None else None
    middle = compared.robust.value if compared.robust is not None else 0.0
    shape = ending_format(middle, spread / 3.0) if spread else ""

    def shown(value: float | None) -> Shown:
        if value is None:
            return ""
        # what is far out would fill its cell with decimals of no meaning
        near = not shape or abs(value) < FAR * abs(middle)
        return (value, shape) if near and shape else value if near else significant(value, 2)

    if compared.setups:
        setups = (
            Column("setup", "set-up", value=lambda setup: setup.name),
            Column("results", "results", value=lambda setup: (float(len(setup.values)), "0")),
            Column("mean", f"mean{unit}", value=lambda setup: shown(setup.mean)),
            Column("deviation", f"standard deviation{unit}",
                   value=lambda setup: shown(setup.deviation)),
        )  # fmt: skip
        page.table(setups, compared.setups)
        page.gap(GAP)
    if compared.precision is not None:
        _write_precision(page, compared, unit, shown)
        page.gap(GAP)
    for remark in compared.remarks:
        page.line(book.say(remark))
    page.gap(GAP)
    results = (
        Column("group", "group", value=lambda result: result.handin.name),
        Column("setup", "set-up", value=lambda result: result.handin.setup),
        Column("result", f"result{unit}", value=lambda result: shown(result.value)),
        Column("u", f"u{unit}", value=lambda result: shown(result.standard)),
        Column("zeta", "zeta score", value=lambda result: _signed(result.zeta)),
        Column("class", "class", value=lambda result: result.class_),
    )
    page.table(results, compared.compared)
    page.line(
        "zeta = (result − median) ÷ root of the sum of both squared standard "
        "uncertainties (ISO 13528): up to 2 fits, from 3 on look at it. The result is itself "
        "part of the median. A large zeta with a small uncertainty is often an "
        "uncertainty that is stated too small.",
        "note",
    )


def _signed(value: float | None) -> Shown:
    return "" if value is None else (value, signed(value))


def _write_precision(
    page: Page, compared: Comparison, unit: str, shown: Callable[[float | None], Shown]
) -> None:
    columns = [
        Column("what", "precision (ISO 5725-2)"),
        Column("symbol", "symbol"),
        Column("value", f"value{unit}"),
        Column("dof", "degrees of freedom"),
    ]
    all_results, without = compared.precision, compared.without
    assert all_results is not None
    if without is not None:
        left = many(compared.left, "result")
        title = f"the same without {left} that are far off (zeta 3 or more) or too uncertain{unit}"
        columns.append(Column("without", title))
    parts = [p for p in (all_results, without) if p is not None]
    rows = (
        ("repeatability: at one set-up", "s_r", float(all_results.within_dof),
         [shown(p.repeatability) for p in parts]),
        ("between set-ups", "s_L", float(all_results.between_dof),
         [shown(p.between) for p in parts]),
        ("reproducibility: any set-up", "s_R", None, [shown(p.reproducibility) for p in parts]),
        ("ratio of mean squares", "F", None, [(p.f_ratio, "0.00") for p in parts]),
    )  # fmt: skip
    page.table(columns, [
        (what, symbol, values[0], "" if dof is None else (dof, "0"), *values[1:])
        for what, symbol, dof, values in rows
    ])  # fmt: skip


def _write_budget(book: ClassBook) -> None:
    page = book.page(BUDGET, BUDGET_COLUMNS, "Budget of a typical group")
    for block in book.data.blocks:
        if block is not book.data.blocks[0]:
            page.break_page()
        page.line(block.title, "heading", 11)
        typical = block.comparison.typical if block.comparison is not None else None
        if typical is None or typical.outcome is None:
            page.line("No workbook of this practical gives a result with an uncertainty yet.")
            continue
        outcome = typical.outcome
        page.line(
            f"Group {typical.name}{typical.setup and f', set-up {typical.setup}'}: its relative "
            f"uncertainty is the median one. {outcome.statement}"
        )
        table = page.table(BUDGET_COLUMNS, outcome.budget)
        page.line(outcome.budget_note, "note")
        page.gap(GAP)
        if outcome.budget:
            count = max(1, sum(line.share >= LEAST_BAR for line in outcome.budget))
            chart = share_chart(book.book, table, count, outcome.symbol)
            page.chart(chart, 8 + 2 * count, "Shares of variance")


def _write_evidence(book: ClassBook) -> None:
    columns = (
        Column("group", "group", 20, lambda row: row[0].name),
        Column("practical", "practical", 17, lambda row: row[0].practical),
        Column("item", "item", 28, lambda row: row[1].item.title),
        Column("proposed", "proposed", 9,
               lambda row: "–" if row[1].proposed is None else (row[1].proposed, MARK_SHAPE)),
        Column("of", "of", 7, lambda row: (row[1].out_of, MARK_SHAPE)),
        Column("evidence", "evidence", 100, lambda row: row[1].evidence),
    )  # fmt: skip
    page = book.page(EVIDENCE, columns, "Evidence for the proposed marks")
    rows = [(handin, mark) for handin in book.data.sorted.counted for mark in handin.marks]
    page.table(columns, rows).freeze()


def _write_history(book: ClassBook) -> None:
    now = {(handin.key, handin.readings) for handin in book.data.sorted.counted}
    columns = (
        Column("group", "group", 20, lambda past: harmless(past.group)),
        Column("setup", "set-up", 10, lambda past: past.setup),
        Column("practical", "practical", 18, lambda past: past.practical),
        Column("saved", "saved", 17, lambda past: past.saved),
        Column("status", "status", 11, lambda past: past.status),
        Column("result", "result", 34, lambda past: past.result),
        Column("file", "file", 34, lambda past: harmless(past.file)),
        Column("digest", "digest", 18, lambda past: past.digest[:16]),
        Column("counts", "counts", 9, lambda past: "yes" * ((past.key, past.readings) in now)),
    )
    page = book.page(HISTORY, columns, "History of all hand-ins")
    page.line(
        "Every different set of readings that was ever found, also of files that were replaced "
        "or taken away since. The digest is the SHA-256 of the file.",
        "note",
    )
    page.table(columns, book.data.sorted.history).freeze()


def _write_hidden(book: ClassBook, marks: MarksSheet) -> None:
    data = book.data
    sheet = book.book.add_worksheet(HIDDEN)
    sheet.hide()
    for row, texts in enumerate(((MARK, "do not change this sheet"), ("format", FORMAT))):
        for column, text in enumerate(texts):
            sheet.write_string(row, column, text)
    # tells later whether the keys on the sheet Marks are all gone
    sheet.write_number(1, 2, marks.keys)
    sheet.write_string(*FOLDER_CELL, folder_seen(data.folder, data.out))
    now = {(handin.key, handin.readings) for handin in data.sorted.counted}
    for row, past in enumerate(data.sorted.history, HISTORY_ROW):
        sheet.write_string(row, 0, past_text(past))
        if (past.key, past.readings) in now:
            sheet.write_string(row, 1, COUNTS)
    written = [(t, book.book.get_worksheet_by_name(t).imprints.texts()) for t in TITLES]
    imprints = [(title, text) for title, texts in written for text in texts]
    for row, (title, text) in enumerate(imprints, HISTORY_ROW + len(data.sorted.history)):
        sheet.write_string(row, IMPRINTS_OF, title)
        sheet.write_string(row, IMPRINTS, text)
