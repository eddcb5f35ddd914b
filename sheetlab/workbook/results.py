"""Result sheets: an assessment -> a workbook that holds only the new sheets, as bytes."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterable, Mapping, Sequence

from msgspec import Struct

from sheetlab.checks import wording
from sheetlab.checks.answers import FEW_CAUSES, verdict
from sheetlab.checks.assess import Assessment
from sheetlab.checks.diagnosis import AnswerDiagnosis
from sheetlab.checks.wording import Words
from sheetlab.finding import Finding, Severity
from sheetlab.metrology.budget import COVERAGE_PROBABILITY, BudgetLine, budget_lines, student_t
from sheetlab.metrology.statement import (
    MOST_TIMES,
    decimals_of,
    percentage,
    plain,
    significant,
    stated,
)
from sheetlab.practical.evaluate import CurveResult, LineResult, ResultValue
from sheetlab.practical.fields import START_INPUTS, Field
from sheetlab.practical.model import Practical
from sheetlab.practical.study import LineStudy
from sheetlab.units import Unit, per_unit
from sheetlab.workbook.book import Book
from sheetlab.workbook.charts import Axis, axis, line_chart, residual_chart, share_chart
from sheetlab.workbook.graft import TITLES
from sheetlab.workbook.layout import heading, quoted_sheet
from sheetlab.workbook.page import Cell, Column, Fit, Page, Shown, Table, new_page
from sheetlab.workbook.style import (
    SHARE_FORMAT,
    Styles,
    change_format,
    decimals_format,
    ending_format,
    number_format,
)

WIDTH = 10.3
FEW_FINDINGS = 7
LEAST_BAR = 0.001
MOST_BARS = 2
MOST_POINTS = 40
UPRIGHT_HEIGHT = 740.0
"""Points between the margins of an upright page."""
LEAST_SCALE = 0.65
LONGEST_TITLE = 31
"""Characters of a sheet's title in every spreadsheet program."""
HEADINGS_HEIGHT = 42.0
"""Points of the headings over numbers behind a chart."""
LINES = Fit(least=17.0)
LINES_WIDTHS = (1.2, 0.5, 0.95, 0.95, 1.0, 1.0, 1.2, 1.0, 1.1, 1.0)
BUDGET_WIDTHS = (2.7, 0.5, 1.0, 1.0, 0.7, 1.0, 0.75, 0.85, 1.1, 1.1, 0.8)
"""Both such that a usual sheet prints on one upright page, and is still read."""


class Sheets(Struct, frozen=True):
    """What every result sheet is made of; ``titles``: of the sheets, by those of ``TITLES``."""

    assessment: Assessment
    titles: Mapping[str, str]
    words: Words
    book: Book
    styles: Styles

    @property
    def practical(self) -> Practical:
        """The practical of the workbook."""
        return self.assessment.practical

    def page(self, name: str, widths: Sequence[float], landscape: bool = False) -> Page:
        """A new sheet with its title."""
        known = [self.assessment.observations.entry(one.key).text for one in START_INPUTS[:2]]
        title = self.practical.definition.title
        page = new_page(
            self.book.add_worksheet(self.titles[name]), self.styles,
            [width * WIDTH for width in widths], (title, "  ".join(filter(None, known))),
            landscape, (1, 2 if name == "Working" else 0), across=LINES, merged=False,
        )  # fmt: skip
        page.line(title if name == "Evaluation" else name, "title")
        return page


def write_results(assessment: Assessment, titles: Sequence[str] = TITLES) -> bytes:
    """A workbook with the result sheets of one assessment; ``titles``: free ones for ``TITLES``."""
    stream = io.BytesIO()
    words = Words(assessment.practical, assessment.evaluation.profile)
    with Book(stream) as book:
        named = dict(zip(TITLES, titles, strict=True))
        sheets = Sheets(assessment, named, words, book, Styles(book))
        _evaluation(sheets)
        _budget(sheets)
        _lines(sheets)
        _graphs(sheets, _working(sheets))
        _findings(sheets)
    return stream.getvalue()


def _say(page: Page, texts: Iterable[str], style: str = "plain") -> None:
    """Lines on a page; an empty text is none."""
    for text in filter(None, texts):
        page.line(text, style)


def _columns(*heads: str | tuple[str, int], shape: str | None = None) -> tuple[Column, ...]:
    """Columns that nobody asks for: titles, and what they span if it is more than one."""
    spans = [head if isinstance(head, tuple) else (head, 1) for head in heads]
    return tuple(Column(title, title, shape=shape, span=span) for title, span in spans)


def _fits_one_page(page: Page) -> None:
    """Print an upright sheet on one page, unless its letters would get too small for that."""
    if page.height <= UPRIGHT_HEIGHT / LEAST_SCALE:
        page.sheet.fit_to_pages(1, 1)


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
        _say(page, [sheets.words.statement_line(result)], "statement")
        _say(page, [sheets.words.uncertainty_line(result)], "note")
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
    _say(page, words.formula_lines(result), "formula")
    page.gap(0)
    page.line("What went in", "heading")
    columns = _columns(
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
    _say(page, [
        *words.dominant_lines(result), words.trials_line(result), words.second_order_line(result),
        words.maximum_error_line(result),
    ])  # fmt: skip
    page.gap(0)
    page.line("Comparison", "heading")
    _say(page, [*words.left_out_lines(sheets.assessment), *words.alternatives_lines(result)])
    if result.accepted is not None:
        _say(page, words.accepted_lines(result, result.accepted))
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
    _fits_one_page(page)


# -- lines -----------------------------------------------------------------------------------


def _lines(sheets: Sheets) -> None:
    page, a = sheets.page("Lines", LINES_WIDTHS), sheets.assessment
    if not a.studies and not a.evaluation.curves:
        page.line("There are not enough readings for a line.")
    for study in a.studies:
        _line_study(page, sheets, study)
    for curve in a.evaluation.curves.values():
        _curve(page, sheets, curve)
    _fits_one_page(page)


def _units(sheets: Sheets, line: LineResult) -> tuple[Unit, Unit]:
    """Units of abscissa and ordinate."""
    field = sheets.practical.field
    return field(line.field.x).unit, field(line.field.y[0]).unit


def _line_study(page: Page, sheets: Sheets, study: LineStudy) -> None:
    line = study.line
    x_unit, y_unit = _units(sheets, line)
    per, unit = y_unit.factor / x_unit.factor, per_unit(y_unit, x_unit)
    page.line(line.field.definition.title, "heading")
    columns = _columns(
        ("slope by", 3), "slope", "standard uncertainty", "unit", "difference", ("remark", 3)
    )
    first, least = study.slopes[0].slope, study.slopes[0].standard_uncertainty or 0.0
    rows = []
    for by in study.slopes:
        u = by.standard_uncertainty
        shape = ending_format(by.slope / per, (u or least) / per)
        difference = _change(by.slope / first - 1.0) if first else None
        numbers = (by.slope / per, shape), (None if u is None else u / per, shape)
        rows.append([by.method, *numbers, unit, difference, by.remark])
    page.table(columns, rows)
    _say(page, [sheets.words.scatter_line(line), *sheets.words.study_lines(study)])
    page.gap(0)
    _points(page, sheets, line)


def _points(page: Page, sheets: Sheets, line: LineResult) -> None:
    """The points of a line with their residuals; of many those that are farthest from it."""
    fit, practical = line.fit, sheets.practical
    x_unit, y_unit = _units(sheets, line)
    studentised = fit.studentised()
    order = list(range(len(fit.points)))
    if len(order) > MOST_POINTS:
        order = sorted(order, key=lambda i: -abs(studentised[i]))[:MOST_POINTS]
        page.line(f"The {MOST_POINTS} points farthest from the line:", "note")
    factor = student_t(COVERAGE_PROBABILITY, max(fit.dof, 1))
    x_field, y_field = practical.field(line.field.x), practical.field(line.field.y[0])
    y_shape = column_format(y_field, fit.residual_deviation / y_unit.factor)
    columns = (
        *_columns("series", "row"), *_columns(heading(x_field), shape=column_format(x_field, 0.0)),
        *_columns(f"reading / {y_unit.pretty}".rstrip(" /"), "on the line", "residual",
                  shape=y_shape),
        *_columns("stands out by (studentised)", "leverage", shape="0.00"),
        *_columns("distance from the line of all others", "95 % band of the line ±",
                  shape=y_shape),
    )  # fmt: skip
    rows = []
    for i in sorted(order):
        p = fit.points[i]
        rows.append([
            line.field.labels[p.series], str(line.rows[i] + 1), x_unit.from_si(p.x),
            y_unit.from_si(p.y), y_unit.from_si(p.fitted), p.residual / y_unit.factor,
            studentised[i], p.leverage, p.deleted_residual / y_unit.factor,
            factor * fit.at(p.x)[1] / y_unit.factor,
        ])  # fmt: skip
    page.table(columns, rows)
    page.gap(0)


def _curve(page: Page, sheets: Sheets, curve: CurveResult) -> None:
    d, fit, field = curve.field.definition, curve.fit, sheets.practical.field
    x_unit, y_unit = field(d.x).unit, field(d.y).unit
    page.line(d.title, "heading")
    page.line(f"{d.y_title.partition(' / ')[0]} = {d.formula}", "formula")
    columns = _columns(("parameter", 3), "value", "standard uncertainty", "unit")
    rows = []
    for parameter, value, u in zip(d.parameters, fit.parameters, fit.uncertainties, strict=True):
        unit = field(f"{d.id}.{parameter.id}").unit
        rows.append([parameter.title, *with_uncertainty(unit, value, u), unit.pretty])
    page.table(columns, rows)
    spread = fit.residual_deviation / y_unit.factor
    page.line(
        f"Standard deviation about the curve {significant(spread, 2)} {y_unit.pretty}, "
        f"{fit.dof} degrees of freedom."
    )
    if fit.ill_conditioned:
        page.line("The readings hardly determine these parameters.", "doubtful")
    page.gap(0)
    y_shape = column_format(field(d.y), spread)
    columns = (
        *_columns("row"), *_columns(d.x_title, shape=column_format(field(d.x), 0.0)),
        *_columns(d.y_title, "on the curve", "residual", shape=y_shape),
        *_columns("leverage", shape="0.00"),
    )  # fmt: skip
    points = zip(curve.rows, curve.x, curve.y, fit.residuals, fit.leverages, strict=True)
    page.table(columns, [
        [str(row + 1), x_unit.from_si(x), y_unit.from_si(y), y_unit.from_si(y - r),
         r / y_unit.factor, leverage]
        for row, x, y, r, leverage in points
    ])  # fmt: skip
    page.gap(0)


# -- working ---------------------------------------------------------------------------------


def _working(sheets: Sheets) -> list[tuple[LineResult, Table]]:
    """Numbers worked out; for each line the table of the numbers behind its charts."""
    page = sheets.page("Working", [1] * 14, landscape=True)
    for table in sheets.practical.definition.tables:
        _worked_table(page, sheets, table.id, table.title, table.row_label)
    page.line("Values worked out", "heading")
    columns = _columns(("quantity", 6), "symbol", ("value", 2), ("standard uncertainty", 2), "unit")
    rows = []
    for q in sheets.assessment.evaluation.quantities:
        title = f"{sheets.practical.owner(q.key)}: {q.title}" if "." in q.key else q.title
        unit = sheets.words.unit_of(q.key)
        numbers = with_uncertainty(unit, q.value, q.standard_uncertainty)
        rows.append([title, q.symbol, *numbers, unit.pretty])
    page.table(columns, rows)
    page.gap(0)
    _answers(page, sheets)
    lines = sheets.assessment.evaluation.lines.values()
    return [(line, _line_data(page, sheets, line)) for line in lines]


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
    columns = _columns(
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


def _line_data(page: Page, sheets: Sheets, line: LineResult) -> Table:
    """Numbers behind the charts of a line, and the line's own numbers (``charts.line_chart``)."""
    fit, d, field = line.fit, line.field.definition, sheets.practical.field
    x_unit, y_unit = _units(sheets, line)
    sign, base = line.drawn()
    slope, u_slope = (v * x_unit.factor / y_unit.factor for v in (sign * fit.slope, fit.u_slope))
    name = f"best line, slope {stated(slope, u_slope, per_unit(y_unit, x_unit))}"
    spread = fit.residual_deviation / y_unit.factor
    x_shape = column_format(field(line.field.x), 0.0)
    y_shape = column_format(field(line.field.y[0]), spread)

    def column(key: str, title: str, shape: str | None = y_shape) -> Column:
        return Column(key, title, format="worked", shape=shape)

    labels = list(enumerate(line.field.labels))
    columns = [
        column("x", d.x_title, x_shape), column("u", "u of x"),
        *(column(f"y{k}", f"{label}: {d.y_title}") for k, label in labels),
        column("s", "s of a reading"),
        *(column(f"residual{k}", f"{label}: residual") for k, label in labels),
        # the chart takes its legend from this cell: a name that is a text alone gets lost in .ods
        column("line_x", "line: x", x_shape), column("line_y", name),
    ]  # fmt: skip
    rows: dict[int, dict[str, Shown]] = {row: {} for row in sorted(set(line.rows))}
    relative = _relative_uncertainty(sheets, line.field.x)
    for point, row in zip(fit.points, line.rows, strict=True):
        x = x_unit.from_si(point.x)
        rows[row] |= {
            "x": x, "u": (abs(x) * relative, number_format(abs(x) * relative, 2)),
            f"y{point.series}": sign * (point.y - base) / y_unit.factor, "s": spread,
            f"residual{point.series}": sign * point.residual / y_unit.factor,
        }  # fmt: skip
    written = [*rows.values(), {}][: max(len(rows), 2)]
    ends = (min(p.x for p in fit.points), max(p.x for p in fit.points))
    for x, cells in zip(ends, written, strict=False):
        y = sign * (fit.intercept + fit.slope * x - base) / y_unit.factor
        cells |= {"line_x": x_unit.from_si(x), "line_y": y}
    page.line(d.title, "heading")
    table = page.open_table(columns, height=HEADINGS_HEIGHT)
    for cells in written:
        table.write(cells, height=0)
    page.gap(0)
    table.rows = len(rows)
    return table


def _relative_uncertainty(sheets: Sheets, key: str) -> float:
    """Relative standard uncertainty of an abscissa from its instrument, for error bars."""
    wanted = {source.key for source in sheets.practical.field(key).sources if source.relative}
    results = [result for result in sheets.assessment.evaluation.results if result is not None]
    found = [row.source for result in results for row in result.budget.rows]
    return next((s.standard_uncertainty for s in reversed(found) if s.key in wanted), 0.0)


# -- graphs and findings ---------------------------------------------------------------------


def _graphs(sheets: Sheets, tables: Sequence[tuple[LineResult, Table]]) -> None:
    page = sheets.page("Graphs", [1] * 9)
    if not tables:
        page.line("There are not enough readings for a graph.")
    for line, table in tables:
        d, fit = line.field.definition, line.fit
        x_unit, y_unit = _units(sheets, line)
        sign, base = line.drawn()
        spread = fit.residual_deviation
        ys = [
            sign * (y - base) / y_unit.factor
            for p in fit.points
            for y in (p.y - spread, p.y + spread)
        ]
        # the best line starts where the first reading may lie a little below
        ys = [0.0 if d.relative_to_first and -0.05 * max(ys) < y < 0.0 else y for y in ys]
        across = axis([x_unit.from_si(p.x) for p in fit.points])
        titles = (d.title, d.x_title, d.y_title)
        series = {k: line.field.labels[k] for k in sorted({p.series for p in fit.points})}
        chart = line_chart(sheets.book, table, series, titles, (across, axis(ys)))
        page.chart(chart, 22, d.title)
        page.line(
            "Error bars: one standard deviation of a reading about the line, and the standard "
            "uncertainty of the abscissa; shorter than the marks where none show.",
            "rule",
        )
        page.gap(0)
        high = max([1e-12, *(abs(p.residual) / y_unit.factor for p in fit.points)])
        titles = ("Residuals", d.x_title, f"(reading − line) / {y_unit.pretty}".rstrip(" /"))
        axes = across, _wide(axis([-high, high]))
        page.chart(residual_chart(sheets.book, table, series, titles, axes), 24, "Residuals")


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


def with_uncertainty(its: Unit, value: float, uncertainty: float) -> tuple[Shown, Shown]:
    """Cells of a value and its standard uncertainty, which end at the same decimal place.

    Parameters
    ----------
    value, uncertainty
        SI units. Without an uncertainty its cell is empty.
    """
    shown, u = its.from_si(value), uncertainty / its.factor
    shape = ending_format(shown, u) if u else own_format(shown)
    return (shown, shape), (u or None, shape)


def column_format(its: Field, spread: float) -> str:
    """Number format of a column of readings and of what is calculated from them.

    ``spread``: standard deviation of its numbers about a line, in its unit; 0: there is none.
    """
    decimals = max(its.decimals or 0, decimals_of(spread, 1) or 0)
    return "General" if its.decimals is None and not spread else decimals_format(decimals)


def _change(change: float) -> Shown:
    """Cell of a relative change; in words where the number would fill more than its cell."""
    if abs(change) > MOST_TIMES:
        return percentage(change, signed=True)
    return change, change_format(change)


def own_format(value: float | None) -> str:
    """Number format of an own result, and of what it is compared with: its own digits, four."""
    if value is None or not math.isfinite(value):
        return ""
    return "General" if plain(value, 9) == plain(value, 4) else number_format(value)


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


def _wide(its: Axis) -> Axis:
    return Axis(its.low - its.step, its.high + its.step, its.step) if its.high <= its.step else its


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
