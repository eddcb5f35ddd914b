"""Result sheets: an assessment -> a workbook that holds only the new sheets, as bytes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass
from typing import Any

from sheetlab.checks import wording
from sheetlab.checks.answers import FEW_CAUSES, verdict
from sheetlab.checks.assess import Assessment
from sheetlab.checks.wording import Words
from sheetlab.finding import Finding, Severity
from sheetlab.metrology.budget import COVERAGE_PROBABILITY, budget_lines, student_t
from sheetlab.metrology.statement import significant
from sheetlab.practical.evaluate import CurveResult, LineResult, ResultValue
from sheetlab.practical.fields import START_INPUTS
from sheetlab.practical.model import Practical
from sheetlab.practical.study import LineStudy
from sheetlab.units import Unit, per_unit
from sheetlab.workbook.charts import Axis, ChartData, axis, line_chart, residual_chart, share_chart
from sheetlab.workbook.graft import TITLES
from sheetlab.workbook.layout import heading, quoted_sheet
from sheetlab.workbook.parts import Parts
from sheetlab.workbook.style import Styles, decimals_format, lines_needed, set_page

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
BUDGET_WIDTHS = (2.7, 0.5, 1.0, 1.0, 0.7, 1.0, 0.75, 0.85, 1.1, 1.1, 0.8)
LINES_WIDTHS = (1.2, 0.5, 0.95, 0.95, 1.0, 1.0, 1.2, 1.0, 1.1, 1.0)
"""Widths of both are such that a usual sheet prints on one upright page, and is still read."""


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


class Share(float):
    """A part of a whole, shown as a percentage."""


@dataclass(slots=True)
class _Page:
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
        text = isinstance(value, str)
        if head:
            style = self.styles("column")
        else:
            shown = "" if text else "0.0%" if isinstance(value, Share) else number_format(value)
            style = self.styles("cell" if text else "figure", shown)
        if width > 1:
            self.sheet.merge_row(self.row, column, column + width - 1, style)
        self.sheet.put(self.row, column, value, style)


def number_format(value: float | None, digits: int = 4) -> str:
    """Number format that shows so many significant digits of a value."""
    if value is None or value == 0.0 or not math.isfinite(value):
        return "General"
    exponent = math.floor(math.log10(abs(value)))
    if -3 <= exponent <= 4:
        return decimals_format(max(0, digits - 1 - exponent))
    return "0." + "0" * (digits - 1) + "E+00"


@dataclass(slots=True)
class _Results:
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
        self.budget(self.page("Budget", BUDGET_WIDTHS))
        self.lines(self.page("Lines", LINES_WIDTHS))
        charts = self.working(self.page("Working", [1] * 14, landscape=True))
        self.graphs(self.page("Graphs", [1] * 9), charts)
        self.findings(self.page("Findings", (2, 1, 4, 3, 4), landscape=True))

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
                    one.unit.from_si(part.value),
                    part.standard_uncertainty / one.unit.factor,
                    one.unit.pretty,
                    wording.share(part.share),
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

    def budget(self, page: _Page) -> None:
        practical = self.practical
        bars: list[tuple[int, int, str]] = []
        notes: dict[str, str] = {}
        for result in self.assessment.evaluation.results:
            if result is None:
                continue
            its = practical.derived[result.definition.quantity]
            page.line(f"{its.title} {its.symbol}", "heading")
            rows: list[list[Any]] = [
                [
                    "source of uncertainty", "type", "distribution", "half-width or s",
                    "divisor", "standard uncertainty u", "unit", "degrees of freedom",
                    "sensitivity c", "contribution\n|c| u", "share of variance",
                ]
            ]  # fmt: skip
            scale = its.unit.factor
            for line in budget_lines(result.budget.rows, scale):
                *values, share = astuple(line)
                rows.append([*values, Share(share)])
            top = page.row + 1
            page.table(rows)
            count = sum(row.share >= LEAST_BAR for row in result.budget.rows)
            bars.append((top, count, its.symbol))
            b = result.budget
            symbol, unit = its.symbol, its.unit.pretty
            page.line(
                f"u({symbol}) = {significant(b.standard_uncertainty / scale, 3)} {unit} "
                f"({wording.percent(b.standard_uncertainty, b.value)});   "
                f"U({symbol}) = {b.coverage_factor:.2f} u = "
                f"{significant(b.expanded_uncertainty / scale, 3)} {unit}.   "
                "The sensitivity is per unit of u; a source that stands in several readings is "
                "counted once, with its effect on all of them together.",
                "note",
            )
            notes |= {r.source.label: r.source.note for r in b.rows if r.source.note}
            page.gap()
        for (a, c), value in self.assessment.evaluation.correlations.items():
            symbols = [practical.derived[key].symbol for key in (a, c)]
            page.line(
                f"Correlation coefficient of {symbols[0]} and {symbols[1]}: {value:.3f}".replace(
                    "-", "−"
                ),
            )
        for label, note in notes.items():
            page.line(f"{label}: {note}", "rule")
        page.gap()
        for top, count, symbol in bars[:MOST_BARS]:
            chart = share_chart(self.book, self.titles["Budget"], top, count, symbol)
            page.sheet.insert_chart(page.row, 0, chart, {"description": "Shares of variance"})
            page.row += 8 + count
        page.on_one_page()

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
        for by in one.slopes:
            u = by.standard_uncertainty
            rows.append(
                [
                    by.method,
                    by.slope / per,
                    None if u is None else u / per,
                    unit,
                    Share(by.slope / first - 1.0) if first else None,
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
        for i in sorted(order):
            p = fit.points[i]
            deleted = p.deleted_residual
            rows.append(
                [
                    line.field.labels[p.series],
                    str(line.rows[i] + 1),
                    x_unit.from_si(p.x),
                    y_unit.from_si(p.y),
                    y_unit.from_si(p.fitted),
                    p.residual / y_unit.factor,
                    studentised[i],
                    p.leverage,
                    deleted / y_unit.factor,
                    factor * fit.at(p.x)[1] / y_unit.factor,
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
            rows.append(
                [parameter.title, its.from_si(curve.fit.parameters[i]),
                 curve.fit.uncertainties[i] / its.factor, its.pretty]
            )  # fmt: skip
        page.table(rows, (3, 1, 1, 1))
        spread = significant(curve.fit.residual_deviation / y_unit.factor, 3)
        page.line(
            f"Standard deviation about the curve {spread} {y_unit.pretty}, "
            f"{curve.fit.dof} degrees of freedom."
        )
        if curve.fit.ill_conditioned:
            page.line("The readings hardly determine these parameters.", "doubtful")
        page.gap()
        x_unit = self.practical.field(d.x).unit
        points: list[list[Any]] = [
            ["row", d.x_title, d.y_title, "on the curve", "residual", "leverage"]
        ]
        for row, x, y, r, h in zip(
            curve.rows, curve.x, curve.y, curve.fit.residuals, curve.fit.leverages, strict=True
        ):
            points.append(
                [str(row + 1), x_unit.from_si(x), y_unit.from_si(y), y_unit.from_si(y - r),
                 r / y_unit.factor, h]
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
            one = self.practical.derived[q.key]
            title = f"{self.practical.owner(q.key)}: {q.title}" if "." in q.key else q.title
            rows.append(
                [
                    title,
                    q.symbol,
                    one.unit.from_si(q.value),
                    q.standard_uncertainty / one.unit.factor if q.standard_uncertainty else None,
                    one.unit.pretty,
                ]
            )
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
            rows.append(
                [a.answer.title, a.given, a.recomputed, a.expected, unit, verdict(a), causes]
            )
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
        titles += ["line: x", "line: y"]
        page.sheet.set_row(page.row, 42)
        for i, text in enumerate(titles):
            page.sheet.put(page.row, i, text, self.styles("column"))
        first = page.row + 1
        rows = sorted(set(line.rows))
        at = {row: first + i for i, row in enumerate(rows)}
        relative = self.relative_uncertainty(line.field.x)
        figure = self.styles("worked", "0.0000")
        for point, row in zip(fit.points, line.rows, strict=True):
            r = at[row]
            x = x_unit.from_si(point.x)
            page.sheet.put(r, 0, x, figure)
            page.sheet.put(r, 1, abs(x) * relative, figure)
            y = sign * (point.y - base) / y_unit.factor
            page.sheet.put(r, 2 + point.series, y, figure)
            page.sheet.put(r, 2 + count, fit.residual_deviation / y_unit.factor, figure)
            residual = sign * point.residual / y_unit.factor
            page.sheet.put(r, 3 + count + point.series, residual, figure)
        ends = [min(p.x for p in fit.points), max(p.x for p in fit.points)]
        line_x = 3 + 2 * count
        for i, x in enumerate(ends):
            y = sign * (fit.intercept + fit.slope * x - base) / y_unit.factor
            page.sheet.put(first + i, line_x, x_unit.from_si(x), figure)
            page.sheet.put(first + i, line_x + 1, y, figure)
        page.row = first + max(len(rows), 2) + 1
        slope = sign * fit.slope * x_unit.factor / y_unit.factor
        u_slope = fit.u_slope * x_unit.factor / y_unit.factor
        unit = per_unit(y_unit, x_unit)
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
            line_label="best line, slope "
            f"({significant(slope)} ± {significant(u_slope, 2)}) {unit}",
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

    def findings(self, page: _Page) -> None:
        found = self.assessment.findings
        if not found:
            page.line("There are none.")
            return
        page.line(
            "Nothing was changed because of a finding. What could not be read is left out, "
            "and says so.",
            "note",
        )
        rows: list[list[Any]] = [["where", "how grave", "found", "expected", "what to do"]]
        rows += [
            [f"{f.place.sheet} {f.place.cell}".strip(), str(f.severity), _sentence(f.found),
             _sentence(f.expected), f.remedy]
            for f in found
        ]  # fmt: skip
        first = page.row + 1
        page.table(rows)
        link = self.styles("cell")
        for i, finding in enumerate(found):
            target = _target(finding)
            if target:
                text = f"{finding.place.sheet} {finding.place.cell}"
                page.sheet.write_url(first + i, 0, target, link, text)


def _wide(its: Axis) -> Axis:
    return Axis(its.low - its.step, its.high + its.step, its.step) if its.high <= its.step else its


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _target(finding: Finding) -> str:
    sheet = finding.place.sheet
    if not (sheet and finding.place.cell) or len(sheet) > LONGEST_TITLE or not sheet.isprintable():
        # no program gives a sheet such a title; the file library would print it as a warning
        return ""
    return f"internal:{quoted_sheet(finding.place.sheet)}!{finding.place.cell}"
