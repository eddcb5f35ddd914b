"""Result sheets: an assessment -> a workbook that holds only the new sheets, as bytes."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence

from sheetlab.checks import wording
from sheetlab.checks.answers import FEW_CAUSES, verdict
from sheetlab.checks.assess import Assessment
from sheetlab.checks.diagnosis import AnswerDiagnosis
from sheetlab.checks.wording import Words
from sheetlab.finding import Finding, Severity
from sheetlab.metrology.budget import BudgetLine, budget_lines
from sheetlab.practical.evaluate import ResultValue
from sheetlab.practical.fields import START_INPUTS
from sheetlab.workbook.book import Book
from sheetlab.workbook.charts import share_chart
from sheetlab.workbook.fitsheets import Drawn, drawn, graphs_page, lines_page, numbers_behind
from sheetlab.workbook.graft import TITLES
from sheetlab.workbook.layout import heading, quoted_sheet
from sheetlab.workbook.page import Cell, Column, Page, Shown, Table
from sheetlab.workbook.resultpage import (
    HEADINGS_HEIGHT,
    Sheets,
    columns_of,
    fits_one_page,
    own_format,
    say,
    with_uncertainty,
)
from sheetlab.workbook.style import (
    SHARE_FORMAT,
    Styles,
    decimals_format,
    number_format,
)

FEW_FINDINGS = 7
LEAST_BAR = 0.001
MOST_BARS = 2
LONGEST_TITLE = 31
"""Characters of a sheet's title in every spreadsheet program."""
BUDGET_WIDTHS = (2.7, 0.5, 1.0, 1.0, 0.7, 1.0, 0.75, 0.85, 1.1, 1.1, 0.8)
"""Such that a usual sheet prints on one upright page, and is still read."""


def write_results(assessment: Assessment, titles: Sequence[str] = TITLES) -> bytes:
    """A workbook with the result sheets of one assessment; ``titles``: free ones for ``TITLES``."""
    stream = io.BytesIO()
    words = Words(assessment.practical, assessment.evaluation.profile)
    with Book(stream) as book:
        named = dict(zip(TITLES, titles, strict=True))
        sheets = Sheets(assessment, named, words, book, Styles(book))
        _evaluation(sheets)
        _budget(sheets)
        lines_page(sheets)
        graphs_page(sheets, _working(sheets))
        _findings(sheets)
    return stream.getvalue()


# -- first page ------------------------------------------------------------------------------


def _evaluation(sheets: Sheets) -> None:
    page, a = sheets.page("Evaluation", (4, 1, 1, 1, 1, 1)), sheets.assessment
    entries = [(one.title, a.observations.entry(one.key).text) for one in START_INPUTS[:4]]
    page.line("    ".join(f"{title}: {text or '–'}" for title, text in entries), "note")
    page.line(wording.headline(a), str(a.status))
    page.gap(0)
    formed = [result for result in a.evaluation.results if result is not None]
    for i, result in enumerate(formed):
        quantity = sheets.practical.derived[result.definition.quantity]
        page.line(_sentence(quantity.title), "heading")
        say(page, [sheets.words.statement_line(result)], "statement")
        say(page, [sheets.words.uncertainty_line(result)], "note")
        if i:
            page.gap(0)
        else:
            _first_result(page, sheets, result)
    if not formed:
        page.line("No result", "heading")
    _first_findings(page, sheets)


def _first_result(page: Page, sheets: Sheets, result: ResultValue) -> None:
    """What goes into the first result, what decides its uncertainty, what it compares with."""
    practical, words = sheets.practical, sheets.words
    say(page, words.formula_lines(result), "formula")
    page.gap(0)
    page.line("What went in", "heading")
    columns = columns_of(
        "quantity", "symbol", "value", "standard uncertainty", "unit", "share of variance"
    )
    rows = []
    for part in result.parts:
        one = practical.field(part.key)
        numbers = with_uncertainty(one.unit, part.value, part.standard_uncertainty)
        rows.append([one.title, one.symbol, *numbers, one.unit.pretty, (part.share, SHARE_FORMAT)])
    page.table(columns, rows)
    page.gap(0)
    page.line("What decides the uncertainty", "heading")
    say(page, [
        *words.dominant_lines(result), words.trials_line(result), words.second_order_line(result),
        words.maximum_error_line(result),
    ])  # fmt: skip
    page.gap(0)
    page.line("Comparison", "heading")
    say(page, [*words.left_out_lines(sheets.assessment), *words.alternatives_lines(result)])
    if result.accepted is not None:
        say(page, words.accepted_lines(result, result.accepted))
    else:
        page.line("No accepted value was chosen in the workbook.")
    page.gap(0)


def _first_findings(page: Page, sheets: Sheets) -> None:
    findings = sheets.assessment.findings
    grave = [finding for finding in findings if finding.severity is not Severity.NOTE]
    if not grave:
        return
    page.line("Findings", "heading")
    for finding in grave[:FEW_FINDINGS]:
        where = f"{finding.place.sheet} {finding.place.cell}".strip()
        page.line(f"{where}: {finding.message}" if where else _sentence(finding.message))
    left = len(findings) - min(len(grave), FEW_FINDINGS)
    if left:
        page.line(f"{left} more on the sheet {sheets.titles['Findings']}.", "note")


# -- budget ----------------------------------------------------------------------------------


def _budget(sheets: Sheets) -> None:
    page, evaluation = sheets.page("Budget", BUDGET_WIDTHS), sheets.assessment.evaluation
    derived = sheets.practical.derived
    bars: list[tuple[Table, int, str]] = []
    notes: dict[str, list[str]] = {}
    for result in evaluation.results:
        if result is None:
            continue
        quantity, budget = derived[result.definition.quantity], result.budget
        page.line(f"{quantity.title} {quantity.symbol}", "heading")
        shown = sheets.words.result_unit(result)
        table = page.table(BUDGET, budget_lines(budget.rows, shown.factor))
        bars.append((table, sum(row.share >= LEAST_BAR for row in budget.rows), quantity.symbol))
        size = wording.relative(budget.standard_uncertainty, budget.value)
        page.line(
            sheets.words.budget_line(result)
            + (f"   u is {size} of {quantity.symbol}." if size else "")
            + f"   The contribution is in {shown.pretty or '1'}, the sensitivity per unit of "
            "u; a source that stands in several readings is counted once, with its effect on "
            "all of them together.",
            "note",
        )
        for row in budget.rows:
            if row.source.note and row.source.label not in notes.get(row.source.note, ()):
                notes.setdefault(row.source.note, []).append(row.source.label)
        page.gap(0)
    for (a, b), value in evaluation.correlations.items():
        text = f"{value:.3f}".replace("-", "−")
        symbols = f"{derived[a].symbol} and {derived[b].symbol}"
        page.line(f"Correlation coefficient of {symbols}: {text}")
    for note, labels in notes.items():
        page.line(f"{'; '.join(labels)}: {note}", "rule")
    page.gap(0)
    for table, count, symbol in bars[:MOST_BARS]:
        page.chart(share_chart(sheets.book, table, count, symbol), 8 + count, "Shares of variance")
    fits_one_page(page)


# -- working ---------------------------------------------------------------------------------


def _working(sheets: Sheets) -> list[tuple[Drawn, Table]]:
    """Numbers worked out; for each line and curve the table of the numbers behind its charts."""
    page = sheets.page("Working", [1] * 14, landscape=True)
    for table in sheets.practical.definition.tables:
        _worked_table(page, sheets, table.id, table.title, table.row_label)
    page.line("Values worked out", "heading")
    columns = columns_of(
        ("quantity", 6), "symbol", ("value", 2), ("standard uncertainty", 2), "unit"
    )
    rows = []
    for q in sheets.assessment.evaluation.quantities:
        title = f"{sheets.practical.owner(q.key)}: {q.title}" if "." in q.key else q.title
        unit = sheets.words.unit_of(q.key)
        numbers = with_uncertainty(unit, q.value, q.standard_uncertainty)
        rows.append([title, q.symbol, *numbers, unit.pretty])
    page.table(columns, rows)
    page.gap(0)
    _answers(page, sheets)
    return [(one, numbers_behind(page, sheets, one)) for one in drawn(sheets)]


def _worked_table(page: Page, sheets: Sheets, table: str, title: str, row_label: str) -> None:
    """The columns of a table as they were read and worked out, down to the last row in use."""
    practical, columns = sheets.practical, [Column("row", row_label, format="number-label")]
    readings = [
        key for key, one in practical.inputs.items() if one.table == table and one.kind != "text"
    ]
    keys = [key for key in readings if practical.inputs[key].sources or key.count(".") == 1]
    keys += [key for key, one in practical.derived.items() if one.table == table]
    values = []
    for key in keys[: len(page.widths) - 1]:
        column, unit = sheets.assessment.evaluation.values[key], practical.field(key).unit
        assert isinstance(column, tuple)
        values.append([None if value is None else unit.from_si(value) for value in column])
        shape = decimals_format(practical.field(key).decimals)
        columns.append(Column(key, heading(practical.field(key)), format="worked", shape=shape))
    used = [i for column in values for i, value in enumerate(column, 1) if value is not None]
    if not used:
        return
    page.line(title, "heading")
    worked = page.open_table(columns, height=HEADINGS_HEIGHT)
    for i in range(max(used)):
        worked.write([i + 1, *(column[i] for column in values)], height=0)
    page.gap(0)


def _answers(page: Page, sheets: Sheets) -> None:
    given = [answer for answer in sheets.assessment.answers if answer.given is not None]
    if not given:
        return
    page.line("The group's own results beside those from its readings", "heading")
    columns = columns_of(
        ("own result", 3), "given", "from all readings", "from what you had before", "unit",
        ("verdict", 2), ("consistent with", 5),
    )  # fmt: skip

    def row(one: AnswerDiagnosis) -> list[Shown]:
        unit = sheets.practical.inputs[f"answer.{one.answer.id}"].unit.pretty
        causes = "; or ".join(cause.text for cause in one.causes[:FEW_CAUSES])
        numbers = [(v, own_format(v)) for v in (one.given, one.recomputed, one.expected)]
        return [one.answer.title, *numbers, unit, verdict(one), causes]

    page.table(columns, map(row, given))
    page.gap(0)


# -- graphs and findings ---------------------------------------------------------------------


def _findings(sheets: Sheets) -> None:
    page = sheets.page("Findings", (2, 1, 4, 3, 4), landscape=True)
    if not sheets.assessment.findings:
        page.line("There are none.")
        return
    page.line(
        "Nothing was changed because of a finding. What could not be read is left out, "
        "and says so.",
        "note",
    )
    page.table(FINDINGS, sheets.assessment.findings)


def budget_columns(widths: Sequence[float], formulas: bool = False) -> tuple[Column, ...]:
    """Columns of a budget, a row for each ``BudgetLine``.

    Parameters
    ----------
    formulas
        Whether a reader can follow what is worked out from the other cells of the row.
    """

    def number(value: float, formula: str = "") -> Cell:
        return Cell(value, number_format(value, 3), formula=formula if formulas else "")

    def share(line: BudgetLine) -> Cell:
        formula = "={contribution}^2/SUMSQ({contribution:all})" if formulas else ""
        return Cell(line.share, SHARE_FORMAT, formula=formula)

    rows: tuple[tuple[str, str, Callable[[BudgetLine], Shown]], ...] = (
        ("source", "source of uncertainty", lambda line: line.source),
        ("kind", "type", lambda line: line.kind),
        ("distribution", "distribution", lambda line: line.distribution),
        ("half", "half-width, or standard deviation", lambda line: number(line.divided)),
        ("divisor", "divisor", lambda line: (line.divisor, "0.00")),
        ("u", "standard uncertainty u",
         lambda line: number(line.standard_uncertainty, "={half}/{divisor}")),
        ("unit", "unit", lambda line: line.unit),
        ("dof", "degrees of freedom", lambda line: (line.dof, "0.0" if line.dof % 1.0 else "0")),
        ("c", "sensitivity c", lambda line: number(line.sensitivity)),
        ("contribution", "contribution\n|c| u",
         lambda line: number(line.contribution, "=ABS({c})*{u}")),
        ("share", "share of variance", share),
    )  # fmt: skip
    return tuple(
        Column(key, title, width, value)
        for (key, title, value), width in zip(rows, widths, strict=True)
    )


BUDGET = budget_columns(BUDGET_WIDTHS, formulas=True)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _where(finding: Finding) -> Shown:
    """The cell of a finding, with a link to it if there can be one."""
    sheet, cell = finding.place.sheet, finding.place.cell
    text = f"{sheet} {cell}".strip()
    if not (sheet and cell) or len(sheet) > LONGEST_TITLE or not sheet.isprintable():
        # no program gives a sheet such a title; the file library would print it as a warning
        return text
    return Cell(text, style="cell", link=f"internal:{quoted_sheet(sheet)}!{cell}")


FINDINGS = (
    Column("where", "where", value=_where),
    Column("severity", "how grave", value=lambda finding: str(finding.severity)),
    Column("found", "found", value=lambda finding: _sentence(finding.found)),
    Column("expected", "expected", value=lambda finding: _sentence(finding.expected)),
    Column("remedy", "what to do", value=lambda finding: finding.remedy),
)
