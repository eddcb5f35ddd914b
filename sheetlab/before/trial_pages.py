"""The report of a trial: what a teacher reads before a practical is issued."""

from __future__ import annotations

import io

from sheetlab.before.trial import SMALLEST_LETTERS, SlipTrial, Trial, sentences
from sheetlab.checks.wording import Words
from sheetlab.messages import phrase, said
from sheetlab.practical.profile import GUM
from sheetlab.workbook.book import Book
from sheetlab.workbook.page import Column, Page, new_page
from sheetlab.workbook.style import Styles
from sheetlab.workbook.template import EPOCH

WIDTHS = (30.0, 14.0, 14.0, 14.0, 20.0)


def write_report(trial: Trial) -> bytes:
    """The workbook of a trial: what was found, the benches, the planted mistakes."""
    buffer = io.BytesIO()
    book = Book(buffer)
    definition = trial.practical.definition
    title = f"Check of {definition.title}"
    book.set_properties({"title": title, "created": EPOCH})
    styles = Styles(book)
    page = new_page(book.add_worksheet("Report"), styles, WIDTHS, (title, ""), False)
    page.line(title, "title")
    page.line(said(phrase("trial-note")), "note")
    for sentence in sentences(trial):
        page.line(said(sentence), "step")
    _budget(page, trial)
    _papers(page, trial)
    if trial.benches:
        _benches(new_page(book.add_worksheet("Benches"), styles, WIDTHS, (title, ""), False), trial)
    if trial.slips:
        sheet = book.add_worksheet("Planted mistakes")
        _slips(new_page(sheet, styles, (52.0, 9.0, 9.0, 12.0, 14.0), (title, ""), False), trial)
    book.close()
    return buffer.getvalue()


def _budget(page: Page, trial: Trial) -> None:
    result = trial.sample and trial.sample.evaluation.measurand
    if trial.sample is None or not result:
        return
    page.gap(0)
    page.line("What decides the uncertainty", "heading")
    for line in Words(trial.practical, GUM).dominant_lines(result):
        page.line(line)
    columns = (
        Column("source", "source", span=2), Column("share", "share", shape="0.0 %"),
        Column("kind", "type"), Column("distribution", "distribution"),
    )  # fmt: skip
    rows = [
        {"source": row.source.label, "share": row.share, "kind": row.source.evaluation,
         "distribution": row.source.distribution}
        for row in result.budget.rows
    ]  # fmt: skip
    page.table(columns, rows)


def _papers(page: Page, trial: Trial) -> None:
    page.gap(0)
    page.line("Blank sheets on A4", "heading")
    columns = (
        Column("title", "sheet"), Column("way", "page"),
        Column("letters", "letters / pt", shape="0.0"),
        Column("good", "to read", span=2),
    )  # fmt: skip
    page.table(columns, [
        {"title": paper.title, "way": "lying" if paper.lies else "upright",
         "letters": round(paper.letters, 1),
         "good": "good" if paper.letters >= SMALLEST_LETTERS else "too small"}
        for paper in trial.papers
    ])  # fmt: skip


def _benches(page: Page, trial: Trial) -> None:
    key = trial.practical.definition.results[0].quantity
    unit = trial.practical.derived[key].unit
    page.line("Invented benches", "title")
    page.line(said(phrase("trial-benches")), "note")
    beside = f" / {unit.pretty}" if unit.pretty else ""
    columns = (
        Column("asked", "asked"), Column("truth", f"truth{beside}"),
        Column("value", f"result{beside}"), Column("expanded", f"U{beside}"),
        Column("held", "interval holds the truth"),
    )  # fmt: skip
    page.table(columns, [
        {"truth": unit.from_si(bench.truth), "value": unit.from_si(bench.value),
         "expanded": bench.expanded / unit.factor, "asked": ", ".join(bench.codes) or "nothing",
         "held": "yes" if abs(bench.value - bench.truth) <= bench.expanded else "no"}
        for bench in trial.benches
    ])  # fmt: skip


def _slips(page: Page, trial: Trial) -> None:
    page.line("Planted mistakes", "title")
    page.line(said(phrase("trial-slips")), "note")
    columns: list[Column] = [
        Column("what", "mistake", value=lambda slip: slip.what),
        Column("planted", "planted", shape="0", value=lambda slip: slip.planted),
        Column("seen", "seen", shape="0", value=lambda slip: slip.seen),
        Column("matters", "changes the result", shape="0", value=lambda slip: slip.matters),
        Column("silent", "in silence, and it matters", shape="0", value=lambda slip: slip.silent),
    ]

    def worst_first(slip: SlipTrial) -> tuple[int, float]:
        return -slip.silent, slip.seen / max(slip.planted, 1)

    page.table(columns, sorted(trial.slips, key=worst_first))
