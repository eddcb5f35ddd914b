"""Result sheets: an assessment -> a workbook that holds only the new sheets, as bytes."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from msgspec import Struct

from sheetlab.checks import wording
from sheetlab.checks.answers import FEW_CAUSES, verdict
from sheetlab.checks.assess import Assessment
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
from sheetlab.workbook.charts import Axis, ChartData, axis, line_chart, residual_chart, share_chart
from sheetlab.workbook.graft import TITLES
from sheetlab.workbook.layout import heading, quoted_sheet
from sheetlab.workbook.page import Cell, Column, Fit, Page, Shown, Table, new_page
from sheetlab.workbook.parts import Parts
from sheetlab.workbook.style import (
    SHARE_FORMAT,
    Styles,
    change_format,
    decimals_format,
    ending_format,
    lines_needed,
    number_format,
    set_page,
)

WIDTH = 10.3
FEW_FINDINGS = 7
LEAST_BAR = 0.001
MOST_BARS = 2
MOST_POINTS = 40
ROW_HEIGHT, UPRIGHT_HEIGHT = 15.0, 740.0
"""Points: of a row that is left as it is, and between the margins of an upright page."""
LEAST_SCALE = 0.65
LONGEST_TITLE = 31
"""Characters of a sheet's title in every spreadsheet program."""
LINES = Fit(least=17.0)
LINES_WIDTHS = (1.2, 0.5, 0.95, 0.95, 1.0, 1.0, 1.2, 1.0, 1.1, 1.0)
"""Such that a usual sheet prints on one upright page, and is still read."""


def write_results(
    assessment: Assessment, titles: Sequence[str] = TITLES, first_format: int = 0
) -> dict[str, bytes]:
    """Parts of a workbook with the result sheets of one assessment, by name.

    Parameters
    ----------
    titles
        Free sheet titles, for the sheets of ``TITLES``.
    first_format
        How many cell formats the workbook has into which the sheets go.
    """
    book = Parts(first_format)
    _Results(assessment, dict(zip(TITLES, titles, strict=True)), book, Styles(book)).write()
    return book.parts()


class _Page(Struct):
    """A sheet that is written from top to bottom."""

    sheet: Any
    styles: Styles
    widths: Sequence[float]
    row: int = 0
    more: float = 0.0
    """Points by which the rows so far are higher than rows are of themselves."""

    @property
    def columns(self) -> int:
        return len(self.widths)

    def line(self, text: str, style: str = "plain") -> None:
        if not text:
            return
        size = {"title": 15, "statement": 14, "formula": 11}.get(style, 10)
        lines = lines_needed(text, sum(self.widths), size)
        if lines == 1 and style != "heading":
            # a single line runs over the empty cells beside it
            self.sheet.put(self.row, 0, text, self.styles(style, wrap=False))
        else:
            its = self.styles(style)
            self.sheet.merge_row(self.row, 0, self.columns - 1, its)
            self.sheet.put(self.row, 0, text, its)
        self.end_row(max(lines * 14.0 * size / 10 + 3, 17))

    def end_row(self, height: float) -> None:
        self.sheet.set_row(self.row, height)
        self.more += height - ROW_HEIGHT
        self.row += 1

    def on_one_page(self) -> None:
        """Print an upright sheet on one page, unless its letters would get too small for that."""
        if self.row * ROW_HEIGHT + self.more <= UPRIGHT_HEIGHT / LEAST_SCALE:
            self.sheet.fit_to_pages(1, 1)

    def gap(self) -> None:
        self.row += 1

    def table(self, rows: Sequence[Sequence[Any]], spans: Sequence[int] = ()) -> None:
        """A heading row, then rows of texts and numbers; a value may span several columns."""
        for i, values in enumerate(rows):
            column, most = 0, 1
            for span, value in zip(spans or [1] * len(values), values, strict=True):
                self.cell(column, span, value, i == 0)
                if isinstance(value, str):
                    room = 0.88 * sum(self.widths[column : column + span]) - 0.8
                    most = max(most, lines_needed(value, room))
                column += span
            self.end_row(most * 13.5 + 4)

    def cell(self, column: int, width: int, value: Any, head: bool) -> None:
        value, shown = value if isinstance(value, tuple) else (value, None)
        if head:
            style = self.styles("column")
        elif isinstance(value, str):
            style = self.styles("cell")
        else:
            style = self.styles("figure", number_format(value) if shown is None else shown)
        if width > 1:
            self.sheet.merge_row(self.row, column, column + width - 1, style)
        self.sheet.put(self.row, column, value, style)


class _Results(Struct):
    assessment: Assessment
    titles: Mapping[str, str]
    book: Any
    styles: Styles

    @property
    def practical(self) -> Practical:
        return self.assessment.practical

    @property
    def words(self) -> Words:
        return Words(self.practical, self.assessment.evaluation.profile)

    def write(self) -> None:
        self.evaluation(self.page("Evaluation", (4, 1, 1, 1, 1, 1)))
        self.budget(self.new_page("Budget", BUDGET))
        self.lines(self.page("Lines", LINES_WIDTHS))
        charts = self.working(self.page("Working", [1] * 14, landscape=True))
        self.graphs(self.page("Graphs", [1] * 9), charts)
        self.findings(self.new_page("Findings", FINDINGS, landscape=True))

    def new_page(self, title: str, grid: Sequence[Column], landscape: bool = False) -> Page:
        known = [self.assessment.observations.entry(one.key).text for one in START_INPUTS[:2]]
        footer = self.practical.definition.title, "  ".join(text for text in known if text)
        sheet = self.book.add_worksheet(self.titles[title])
        page = new_page(sheet, self.styles, grid, footer, landscape, across=LINES, merged=False)
        page.line(title, "title")
        return page

    def page(self, title: str, widths: Sequence[float], landscape: bool = False) -> _Page:
        sheet = self.book.add_worksheet(self.titles[title])
        known = [self.assessment.observations.entry(one.key).text for one in START_INPUTS[:2]]
        whose = "  ".join(text for text in known if text)
        set_page(sheet, landscape, self.practical.definition.title, whose)
        for i, width in enumerate(widths):
            sheet.set_column(i, i, width * WIDTH)
        sheet.fit_to_pages(1, 2 if title == "Working" else 0)
        page = _Page(sheet, self.styles, [width * WIDTH for width in widths])
        page.line(title if title != "Evaluation" else self.practical.definition.title, "title")
        return page

    # -- first page --------------------------------------------------------------------------

    def evaluation(self, page: _Page) -> None:
        a = self.assessment
        entries = [(one.title, a.observations.entry(one.key).text) for one in START_INPUTS[:4]]
        page.line("    ".join(f"{title}: {text or '–'}" for title, text in entries), "note")
        page.line(wording.headline(a), str(a.status))
        page.gap()
        formed = [r for r in a.evaluation.results if r is not None]
        for i, result in enumerate(formed):
            self.result(page, result, first=i == 0)
        if not formed:
            page.line("No result", "heading")
        self.first_findings(page)

    def result(self, page: _Page, result: ResultValue, first: bool) -> None:
        practical = self.practical
        its = practical.derived[result.definition.quantity]
        page.line(its.title[:1].upper() + its.title[1:], "heading")
        page.line(self.words.statement_line(result), "statement")
        page.line(self.words.uncertainty_line(result), "note")
        if not first:
            page.gap()
            return
        for line in self.words.formula_lines(result):
            page.line(line, "formula")
        page.gap()
        page.line("What went in", "heading")
        rows: list[list[Any]] = [
            ["quantity", "symbol", "value", "standard uncertainty", "unit", "share of variance"]
        ]
        for part in result.parts:
            one = practical.field(part.key)
            rows.append(
                [
                    one.title,
                    one.symbol,
                    *with_uncertainty(one.unit, part.value, part.standard_uncertainty),
                    one.unit.pretty,
                    (part.share, SHARE_FORMAT),
                ]
            )
        page.table(rows)
        page.gap()
        page.line("What decides the uncertainty", "heading")
        for line in self.words.dominant_lines(result):
            page.line(line)
        page.line(self.words.trials_line(result))
        page.line(self.words.second_order_line(result))
        page.line(self.words.maximum_error_line(result))
        page.gap()
        page.line("Comparison", "heading")
        for line in self.words.left_out_lines(self.assessment):
            page.line(line)
        for line in self.words.alternatives_lines(result):
            page.line(line)
        if result.accepted is not None:
            for line in self.words.accepted_lines(result, result.accepted):
                page.line(line)
        else:
            page.line("No accepted value was chosen in the workbook.")
        page.gap()

    def first_findings(self, page: _Page) -> None:
        grave = [f for f in self.assessment.findings if f.severity is not Severity.NOTE]
        if not grave:
            return
        page.line("Findings", "heading")
        for finding in grave[:FEW_FINDINGS]:
            where = f"{finding.place.sheet} {finding.place.cell}".strip()
            page.line(f"{where}: {finding.message}" if where else _sentence(finding.message))
        left = len(self.assessment.findings) - min(len(grave), FEW_FINDINGS)
        if left:
            page.line(f"{left} more on the sheet {self.titles['Findings']}.", "note")

    # -- budget ------------------------------------------------------------------------------

    def budget(self, page: Page) -> None:
        practical = self.practical
        bars: list[tuple[Table, int, str]] = []
        notes: dict[str, list[str]] = {}
        for result in self.assessment.evaluation.results:
            if result is None:
                continue
            its = practical.derived[result.definition.quantity]
            page.line(f"{its.title} {its.symbol}", "heading")
            shown = self.words.result_unit(result)
            table = page.table(BUDGET, budget_lines(result.budget.rows, shown.factor))
            count = sum(row.share >= LEAST_BAR for row in result.budget.rows)
            bars.append((table, count, its.symbol))
            b = result.budget
            size = wording.relative(b.standard_uncertainty, b.value)
            page.line(
                self.words.budget_line(result)
                + (f"   u is {size} of {its.symbol}." if size else "")
                + f"   The contribution is in {shown.pretty or '1'}, the sensitivity per unit of "
                "u; a source that stands in several readings is counted once, with its effect on "
                "all of them together.",
                "note",
            )
            for row in b.rows:
                if row.source.note and row.source.label not in notes.get(row.source.note, ()):
                    notes.setdefault(row.source.note, []).append(row.source.label)
            page.gap(0)
        for (a, c), value in self.assessment.evaluation.correlations.items():
            symbols = [practical.derived[key].symbol for key in (a, c)]
            text = f"{value:.3f}".replace("-", "−")
            page.line(f"Correlation coefficient of {symbols[0]} and {symbols[1]}: {text}")
        for note, labels in notes.items():
            page.line(f"{'; '.join(labels)}: {note}", "rule")
        page.gap(0)
        for table, count, symbol in bars[:MOST_BARS]:
            chart = share_chart(self.book, table, count, symbol)
            page.chart(chart, 8 + count, "Shares of variance")
        if page.height <= UPRIGHT_HEIGHT / LEAST_SCALE:
            page.sheet.fit_to_pages(1, 1)

    # -- lines -------------------------------------------------------------------------------

    def lines(self, page: _Page) -> None:
        studies, curves = self.assessment.studies, self.assessment.evaluation.curves
        if not studies and not curves:
            page.line("There are not enough readings for a line.")
        for one in studies:
            self.line_study(page, one)
        for curve in curves.values():
            self.curve(page, curve)
        page.on_one_page()

    def line_study(self, page: _Page, one: LineStudy) -> None:
        line = one.line
        x_unit = self.practical.field(line.field.x).unit
        y_unit = self.practical.field(line.field.y[0]).unit
        per, unit = y_unit.factor / x_unit.factor, per_unit(y_unit, x_unit)
        page.line(line.field.definition.title, "heading")
        rows: list[list[Any]] = [
            ["slope by", "slope", "standard uncertainty", "unit", "difference", "remark"]
        ]
        first = one.slopes[0].slope
        least = one.slopes[0].standard_uncertainty or 0.0
        for by in one.slopes:
            u = by.standard_uncertainty
            shape = ending_format(by.slope / per, (u or least) / per)
            rows.append(
                [
                    by.method,
                    (by.slope / per, shape),
                    (None if u is None else u / per, shape),
                    unit,
                    _change(by.slope / first - 1.0) if first else None,
                    by.remark,
                ]
            )
        page.table(rows, (3, 1, 1, 1, 1, 3))
        page.line(self.words.scatter_line(line))
        for text in self.words.study_lines(one):
            page.line(text)
        page.gap()
        self.points(page, line, x_unit, y_unit)

    def points(self, page: _Page, line: LineResult, x_unit: Unit, y_unit: Unit) -> None:
        fit = line.fit
        studentised = fit.studentised()
        order = list(range(len(fit.points)))
        if len(order) > MOST_POINTS:
            order = sorted(order, key=lambda i: -abs(studentised[i]))[:MOST_POINTS]
            page.line(f"The {MOST_POINTS} points farthest from the line:", "note")
        factor = student_t(COVERAGE_PROBABILITY, max(fit.dof, 1))
        rows: list[list[Any]] = [
            [
                "series", "row", heading(self.practical.field(line.field.x)),
                f"reading / {y_unit.pretty}".rstrip(" /"), "on the line", "residual",
                "stands out by (studentised)", "leverage",
                "distance from the line of all others", "95 % band of the line ±",
            ]
        ]  # fmt: skip
        spread = fit.residual_deviation / y_unit.factor
        x_shape = column_format(self.practical.field(line.field.x), 0.0)
        y_shape = column_format(self.practical.field(line.field.y[0]), spread)
        for i in sorted(order):
            p = fit.points[i]
            deleted = p.deleted_residual
            rows.append(
                [
                    line.field.labels[p.series],
                    str(line.rows[i] + 1),
                    (x_unit.from_si(p.x), x_shape),
                    (y_unit.from_si(p.y), y_shape),
                    (y_unit.from_si(p.fitted), y_shape),
                    (p.residual / y_unit.factor, y_shape),
                    (studentised[i], "0.00"),
                    (p.leverage, "0.00"),
                    (deleted / y_unit.factor, y_shape),
                    (factor * fit.at(p.x)[1] / y_unit.factor, y_shape),
                ]
            )
        page.table(rows)
        page.gap()

    def curve(self, page: _Page, curve: CurveResult) -> None:
        d = curve.field.definition
        y_unit = self.practical.field(d.y).unit
        page.line(d.title, "heading")
        page.line(f"{d.y_title.partition(' / ')[0]} = {d.formula}", "formula")
        rows: list[list[Any]] = [["parameter", "value", "standard uncertainty", "unit"]]
        for i, parameter in enumerate(d.parameters):
            its = self.practical.field(f"{d.id}.{parameter.id}").unit
            numbers = with_uncertainty(its, curve.fit.parameters[i], curve.fit.uncertainties[i])
            rows.append([parameter.title, *numbers, its.pretty])
        page.table(rows, (3, 1, 1, 1))
        spread = significant(curve.fit.residual_deviation / y_unit.factor, 2)
        page.line(
            f"Standard deviation about the curve {spread} {y_unit.pretty}, "
            f"{curve.fit.dof} degrees of freedom."
        )
        if curve.fit.ill_conditioned:
            page.line("The readings hardly determine these parameters.", "doubtful")
        page.gap()
        x_unit = self.practical.field(d.x).unit
        x_shape = column_format(self.practical.field(d.x), 0.0)
        y_shape = column_format(
            self.practical.field(d.y), curve.fit.residual_deviation / y_unit.factor
        )
        points: list[list[Any]] = [
            ["row", d.x_title, d.y_title, "on the curve", "residual", "leverage"]
        ]
        for row, x, y, r, h in zip(
            curve.rows, curve.x, curve.y, curve.fit.residuals, curve.fit.leverages, strict=True
        ):
            points.append(
                [str(row + 1), (x_unit.from_si(x), x_shape), (y_unit.from_si(y), y_shape),
                 (y_unit.from_si(y - r), y_shape), (r / y_unit.factor, y_shape), (h, "0.00")]
            )  # fmt: skip
        page.table(points)
        page.gap()

    # -- working -----------------------------------------------------------------------------

    def working(self, page: _Page) -> list[tuple[LineResult, ChartData]]:
        for table in self.practical.definition.tables:
            self.worked_table(page, table.id, table.title, table.row_label)
        self.single_values(page)
        self.answers(page)
        lines = self.assessment.evaluation.lines
        return [(line, self.line_data(page, line)) for line in lines.values()]

    def column(self, key: str) -> list[float | None]:
        values = self.assessment.evaluation.values[key]
        unit = self.practical.field(key).unit
        assert isinstance(values, tuple)
        return [None if v is None else unit.from_si(v) for v in values]

    def worked_table(self, page: _Page, table: str, title: str, row_label: str) -> None:
        practical = self.practical
        readings = [
            key
            for key, one in practical.inputs.items()
            if one.table == table and one.kind != "text"
        ]
        keys = [key for key in readings if practical.inputs[key].sources or key.count(".") == 1]
        keys += [key for key, one in practical.derived.items() if one.table == table]
        keys = keys[: page.columns - 1]
        columns = [self.column(key) for key in keys]
        last = max(
            (i + 1 for column in columns for i, v in enumerate(column) if v is not None), default=0
        )
        if not last:
            return
        page.line(title, "heading")
        head = [row_label, *(heading(practical.field(key)) for key in keys)]
        page.sheet.set_row(page.row, 42)
        for i, text in enumerate(head):
            page.sheet.put(page.row, i, text, self.styles("column"))
        for row in range(last):
            page.row += 1
            page.sheet.put(page.row, 0, row + 1, self.styles("number-label"))
            for i, (key, column) in enumerate(zip(keys, columns, strict=True)):
                style = self.styles("worked", decimals_format(practical.field(key).decimals))
                page.sheet.put(page.row, i + 1, column[row], style)
        page.row += 2

    def single_values(self, page: _Page) -> None:
        page.line("Values worked out", "heading")
        rows: list[list[Any]] = [["quantity", "symbol", "value", "standard uncertainty", "unit"]]
        for q in self.assessment.evaluation.quantities:
            title = f"{self.practical.owner(q.key)}: {q.title}" if "." in q.key else q.title
            unit = self.words.unit_of(q.key)
            numbers = with_uncertainty(unit, q.value, q.standard_uncertainty)
            rows.append([title, q.symbol, *numbers, unit.pretty])
        page.table(rows, (6, 1, 2, 2, 1))
        page.gap()

    def answers(self, page: _Page) -> None:
        given = [answer for answer in self.assessment.answers if answer.given is not None]
        if not given:
            return
        page.line("The group's own results beside those from its readings", "heading")
        rows: list[list[Any]] = [
            [
                "own result", "given", "from all readings", "from what you had before", "unit",
                "verdict", "consistent with",
            ]
        ]  # fmt: skip
        for a in given:
            unit = self.practical.inputs[f"answer.{a.answer.id}"].unit.pretty
            causes = "; or ".join(cause.text for cause in a.causes[:FEW_CAUSES])
            worked = [(v, own_format(v)) for v in (a.given, a.recomputed, a.expected)]
            rows.append([a.answer.title, *worked, unit, verdict(a), causes])
        page.table(rows, (3, 1, 1, 1, 1, 2, 5))
        page.gap()

    def line_data(self, page: _Page, line: LineResult) -> ChartData:
        """Numbers behind the charts of a line, and the line's own numbers."""
        practical, fit, d = self.practical, line.fit, line.field.definition
        x_unit = practical.field(line.field.x).unit
        y_unit = practical.field(line.field.y[0]).unit
        sign, base = line.drawn()
        page.line(d.title, "heading")
        count = len(line.field.y)
        titles = [d.x_title, "u of x"]
        titles += [f"{label}: {d.y_title}" for label in line.field.labels]
        titles += ["s of a reading"]
        titles += [f"{label}: residual" for label in line.field.labels]
        slope = sign * fit.slope * x_unit.factor / y_unit.factor
        u_slope = fit.u_slope * x_unit.factor / y_unit.factor
        slope_text = stated(slope, u_slope, per_unit(y_unit, x_unit))
        # the chart takes its legend from this cell: a name that is a text alone gets lost in .ods
        titles += ["line: x", f"best line, slope {slope_text}"]
        page.sheet.set_row(page.row, 42)
        for i, text in enumerate(titles):
            page.sheet.put(page.row, i, text, self.styles("column"))
        first = page.row + 1
        rows = sorted(set(line.rows))
        at = {row: first + i for i, row in enumerate(rows)}
        relative = self.relative_uncertainty(line.field.x)
        spread = fit.residual_deviation / y_unit.factor
        x_style, y_style = (
            self.styles("worked", column_format(practical.field(key), size))
            for key, size in ((line.field.x, 0.0), (line.field.y[0], spread))
        )
        for point, row in zip(fit.points, line.rows, strict=True):
            r = at[row]
            x = x_unit.from_si(point.x)
            page.sheet.put(r, 0, x, x_style)
            u = abs(x) * relative
            page.sheet.put(r, 1, u, self.styles("worked", number_format(u, 2)))
            y = sign * (point.y - base) / y_unit.factor
            page.sheet.put(r, 2 + point.series, y, y_style)
            page.sheet.put(r, 2 + count, spread, y_style)
            residual = sign * point.residual / y_unit.factor
            page.sheet.put(r, 3 + count + point.series, residual, y_style)
        ends = [min(p.x for p in fit.points), max(p.x for p in fit.points)]
        line_x = 3 + 2 * count
        for i, x in enumerate(ends):
            y = sign * (fit.intercept + fit.slope * x - base) / y_unit.factor
            page.sheet.put(first + i, line_x, x_unit.from_si(x), x_style)
            page.sheet.put(first + i, line_x + 1, y, y_style)
        page.row = first + max(len(rows), 2) + 1
        return ChartData(
            sheet=self.titles["Working"],
            first_row=first,
            last_row=first + len(rows) - 1,
            x=0,
            x_error=1,
            series=tuple(
                (label, 2 + k, 3 + count + k)
                for k, label in enumerate(line.field.labels)
                if any(p.series == k for p in fit.points)
            ),
            y_error=2 + count,
            line_rows=(first, first + 1),
            line_x=line_x,
            line_y=line_x + 1,
        )

    def relative_uncertainty(self, key: str) -> float:
        """Relative standard uncertainty of an abscissa from its instrument, for error bars."""
        total = 0.0
        for result in self.assessment.evaluation.results:
            for row in result.budget.rows if result is not None else ():
                if any(
                    s.relative and s.key == row.source.key
                    for s in self.practical.field(key).sources
                ):
                    total = row.source.standard_uncertainty
        return total

    # -- graphs and findings -----------------------------------------------------------------

    def graphs(self, page: _Page, charts: list[tuple[LineResult, ChartData]]) -> None:
        if not charts:
            page.line("There are not enough readings for a graph.")
        for line, data in charts:
            d = line.field.definition
            x_unit = self.practical.field(line.field.x).unit
            y_unit = self.practical.field(line.field.y[0]).unit
            sign, base = line.drawn()
            xs = [x_unit.from_si(p.x) for p in line.fit.points]
            spread = line.fit.residual_deviation
            ys = [
                sign * (y - base) / y_unit.factor
                for p in line.fit.points
                for y in (p.y - spread, p.y + spread)
            ]
            # the best line starts where the first reading may lie a little below
            ys = [0.0 if d.relative_to_first and -0.05 * max(ys) < y < 0.0 else y for y in ys]
            across = axis(xs)
            titles = (d.title, d.x_title, d.y_title)
            chart = line_chart(self.book, data, titles, (across, axis(ys)))
            page.sheet.insert_chart(page.row, 0, chart, {"description": d.title})
            page.row += 22
            page.line(
                "Error bars: one standard deviation of a reading about the line, and the standard "
                "uncertainty of the abscissa; shorter than the marks where none show.",
                "rule",
            )
            page.gap()
            residuals = [sign * p.residual / y_unit.factor for p in line.fit.points]
            high = max([1e-12, *(abs(r) for r in residuals)])
            titles = ("Residuals", d.x_title, f"(reading − line) / {y_unit.pretty}".rstrip(" /"))
            updown = axis([-high, high])
            chart = residual_chart(self.book, data, titles, (across, _wide(updown)))
            page.sheet.insert_chart(page.row, 0, chart, {"description": "Residuals"})
            page.row += 24

    def findings(self, page: Page) -> None:
        found = self.assessment.findings
        if not found:
            page.line("There are none.")
            return
        page.line(
            "Nothing was changed because of a finding. What could not be read is left out, "
            "and says so.",
            "note",
        )
        page.table(FINDINGS, found)


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


BUDGET_WIDTHS = (2.7, 0.5, 1.0, 1.0, 0.7, 1.0, 0.75, 0.85, 1.1, 1.1, 0.8)
"""Such that a usual sheet prints on one upright page, and is still read."""
BUDGET = budget_columns([width * WIDTH for width in BUDGET_WIDTHS], formulas=True)


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
    Column("where", "where", 2 * WIDTH, _where),
    Column("severity", "how grave", WIDTH, lambda finding: str(finding.severity)),
    Column("found", "found", 4 * WIDTH, lambda finding: _sentence(finding.found)),
    Column("expected", "expected", 3 * WIDTH, lambda finding: _sentence(finding.expected)),
    Column("remedy", "what to do", 4 * WIDTH, lambda finding: finding.remedy),
)
