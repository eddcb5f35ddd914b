"""Result sheets of lines and curves: slopes, points, charts and the numbers behind them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec import Struct

from sheetlab.formula.values import on_curve
from sheetlab.metrology.budget import COVERAGE_PROBABILITY, student_t
from sheetlab.metrology.statement import MOST_TIMES, percentage, significant, stated
from sheetlab.practical.definition import Curve, Line
from sheetlab.practical.evaluate import CurveResult, LineResult
from sheetlab.practical.fields import Field
from sheetlab.practical.study import LineStudy
from sheetlab.units import Unit, per_unit
from sheetlab.workbook.charts import Axis, axis, line_chart, log_axis, residual_chart
from sheetlab.workbook.layout import heading
from sheetlab.workbook.page import Column, Page, Shown, Table
from sheetlab.workbook.resultpage import (
    HEADINGS_HEIGHT,
    Sheets,
    column_format,
    columns_of,
    fits_one_page,
    say,
    with_uncertainty,
)
from sheetlab.workbook.style import change_format, ending_format, number_format

LINES_WIDTHS = (1.2, 0.5, 0.95, 0.95, 1.0, 1.0, 1.2, 1.0, 1.1, 1.0)
"""Such that a usual sheet prints on one upright page, and is still read."""
MOST_POINTS = 40
SMOOTH = 60
"""Points of a curve that look smooth on a page."""


def lines_page(sheets: Sheets) -> None:
    """The sheet of slopes, parameters and points."""
    page, a = sheets.page("Lines", LINES_WIDTHS), sheets.assessment
    if not a.studies and not a.evaluation.curves:
        page.line("There are not enough readings for a line.")
    for study in a.studies:
        _line_study(page, sheets, study)
    for curve in a.evaluation.curves.values():
        _curve(page, sheets, curve)
    fits_one_page(page)


def _units(sheets: Sheets, line: LineResult) -> tuple[Unit, Unit]:
    """Units of abscissa and ordinate."""
    field = sheets.practical.field
    return field(line.field.x).unit, field(line.field.y[0]).unit


def _line_study(page: Page, sheets: Sheets, study: LineStudy) -> None:
    line = study.line
    x_unit, y_unit = _units(sheets, line)
    per, unit = y_unit.factor / x_unit.factor, per_unit(y_unit, x_unit)
    page.line(line.field.definition.title, "heading")
    columns = columns_of(
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
    say(page, [sheets.words.scatter_line(line), *sheets.words.study_lines(study)])
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
        *columns_of("series", "row"),
        *columns_of(heading(x_field), shape=column_format(x_field, 0.0)),
        *columns_of(f"reading / {y_unit.pretty}".rstrip(" /"), "on the line", "residual",
                  shape=y_shape),
        *columns_of("stands out by (studentised)", "leverage", shape="0.00"),
        *columns_of("distance from the line of all others", "95 % band of the line ±",
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
    columns = columns_of(("parameter", 3), "value", "standard uncertainty", "unit")
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
    page.gap(0)
    y_shape = column_format(field(d.y), spread)
    columns = (
        *columns_of("row"), *columns_of(d.x_title, shape=column_format(field(d.x), 0.0)),
        *columns_of(d.y_title, "on the curve", "residual", shape=y_shape),
        *columns_of("leverage", shape="0.00"),
    )  # fmt: skip
    points = zip(curve.rows, curve.x, curve.y, fit.residuals, fit.leverages, strict=True)
    page.table(columns, [
        [str(row + 1), x_unit.from_si(x), y_unit.from_si(y), y_unit.from_si(y - r),
         r / y_unit.factor, leverage]
        for row, x, y, r, leverage in points
    ])  # fmt: skip
    page.gap(0)


def _change(change: float) -> Shown:
    """Cell of a relative change; in words where the number would fill more than its cell."""
    if abs(change) > MOST_TIMES:
        return percentage(change, signed=True)
    return change, change_format(change)


# -- numbers behind the charts ---------------------------------------------------------------------


class Drawn(Struct, frozen=True):
    """A line or a curve as charts show it, numbers in the units of its columns."""

    definition: Line | Curve
    x: Field
    y: Field
    labels: tuple[str, ...]
    points: tuple[tuple[int, int, float, float, float], ...]
    """Series, row, abscissa, ordinate and residual."""
    spread: float
    name: str
    line: tuple[tuple[float, float], ...]

    def off(self, x: float, y: float) -> bool:
        """Whether a logarithmic axis has no place for a point."""
        d = self.definition
        return (d.x_axis == "log" and x <= 0.0) or (d.y_axis == "log" and y <= 0.0)

    @property
    def axes(self) -> tuple[Axis, Axis]:
        """Axes that hold the points with their scatter."""
        d = self.definition
        xs = [x for _, _, x, _, _ in self.points]
        ys = [end for *_, y, _ in self.points for end in (y - self.spread, y + self.spread)]
        if isinstance(d, Line) and d.relative_to_first:
            # the best line starts where the first reading may lie a little below
            ys = [0.0 if -0.05 * max(ys) < y < 0.0 else y for y in ys]
        if d.y_axis == "log":
            ys = [y for *_, y, _ in self.points]
        return (
            log_axis(xs) if d.x_axis == "log" else axis(xs),
            log_axis(ys) if d.y_axis == "log" else axis(ys),
        )


def drawn(sheets: Sheets) -> list[Drawn]:
    """Every line and curve of the workbook."""
    evaluation = sheets.assessment.evaluation
    lines = [_drawn_line(sheets, line) for line in evaluation.lines.values()]
    return [*lines, *(_drawn_curve(sheets, curve) for curve in evaluation.curves.values())]


def _abscissas(d: Line | Curve, low: float, high: float, count: int) -> list[float]:
    """Where a line is drawn, in equal steps on the axis."""
    if d.x_axis == "log" and low > 0.0:
        return [low * (high / low) ** (k / (count - 1)) for k in range(count)]
    return [low + (high - low) * k / (count - 1) for k in range(count)]


def _drawn_line(sheets: Sheets, line: LineResult) -> Drawn:
    fit, d, field = line.fit, line.field.definition, sheets.practical.field
    (x_unit, y_unit), (sign, base) = _units(sheets, line), line.drawn()
    slope, u_slope = (v * x_unit.factor / y_unit.factor for v in (sign * fit.slope, fit.u_slope))
    straight = d.x_axis == d.y_axis == "linear"
    ends = min(p.x for p in fit.points), max(p.x for p in fit.points)

    def shown(y: float) -> float:
        # a difference has no zero of its own
        return sign * (y - base) / y_unit.factor if d.relative_to_first else y_unit.from_si(y)

    return Drawn(
        definition=d,
        x=field(line.field.x),
        y=field(line.field.y[0]),
        labels=line.field.labels,
        points=tuple(
            (p.series, row, x_unit.from_si(p.x), shown(p.y), sign * p.residual / y_unit.factor)
            for p, row in zip(fit.points, line.rows, strict=True)
        ),
        spread=fit.residual_deviation / y_unit.factor,
        name=f"best line, slope {stated(slope, u_slope, per_unit(y_unit, x_unit))}",
        line=tuple(
            (x_unit.from_si(x), shown(fit.intercept + fit.slope * x))
            for x in _abscissas(d, *ends, 2 if straight else SMOOTH)
        ),
    )


def _drawn_curve(sheets: Sheets, curve: CurveResult) -> Drawn:
    fit, d, field = curve.fit, curve.field.definition, sheets.practical.field
    x_unit, y_unit = field(d.x).unit, field(d.y).unit
    xs = _abscissas(d, min(curve.x), max(curve.x), SMOOTH)
    ys = (float(y) for y in on_curve(curve.node, xs, fit.parameters))
    return Drawn(
        definition=d,
        x=field(d.x),
        y=field(d.y),
        labels=("readings",),
        points=tuple(
            (0, row, x_unit.from_si(x), y_unit.from_si(y), residual / y_unit.factor)
            for row, x, y, residual in zip(curve.rows, curve.x, curve.y, fit.residuals, strict=True)
        ),
        spread=fit.residual_deviation / y_unit.factor,
        name="best curve",
        line=tuple(
            (x_unit.from_si(x), y_unit.from_si(y))
            for x, y in zip(xs, ys, strict=True)
            if math.isfinite(y)
        ),
    )


def numbers_behind(page: Page, sheets: Sheets, its: Drawn) -> Table:
    """The table of the numbers behind the charts of a line or curve (``charts.line_chart``)."""
    d = its.definition
    x_shape, y_shape = column_format(its.x, 0.0), column_format(its.y, its.spread)

    def column(key: str, title: str, shape: str | None = y_shape) -> Column:
        return Column(key, title, format="worked", shape=shape)

    labels = list(enumerate(its.labels))
    columns = [
        column("x", d.x_title, x_shape), column("u", "u of x"),
        *(column(f"y{k}", f"{label}: {d.y_title}") for k, label in labels),
        column("s", "s of a reading"),
        *(column(f"residual{k}", f"{label}: residual") for k, label in labels),
        # the chart takes its legend from this cell: a name that is a text alone gets lost in .ods
        column("line_x", "line: x", x_shape), column("line_y", its.name),
    ]  # fmt: skip
    rows: dict[int, dict[str, Shown]] = {row: {} for row in sorted({p[1] for p in its.points})}
    relative = _relative_uncertainty(sheets, its.x.key)
    for series, row, x, y, residual in its.points:
        if its.off(x, y):
            continue
        u, s = _of_point(sheets, its, row) or (abs(x) * relative, its.spread)
        rows[row] |= {
            "x": x, "u": (u, number_format(u, 2)), f"y{series}": y, "s": s,
            f"residual{series}": residual,
        }  # fmt: skip
    empty: list[dict[str, Shown]] = [{} for _ in range(len(its.line) - len(rows))]
    written = [*rows.values(), *empty]
    for (x, y), cells in zip(its.line, written, strict=False):
        if its.off(x, y):
            continue
        shape = x_shape if len(its.line) == 2 else number_format(x, 4)
        cells |= {"line_x": (x, shape), "line_y": y}
    page.line(d.title, "heading")
    table = page.open_table(columns, height=HEADINGS_HEIGHT)
    for cells in written:
        table.write(cells, height=0)
    page.gap(0)
    table.rows = len(rows)
    return table


def _of_point(sheets: Sheets, its: Drawn, row: int) -> tuple[float, float] | None:
    """Stated standard uncertainties of a point, in the units of its axes; None where none are."""
    d = its.definition
    if not d.u_y:
        return None

    def stated_in(key: str, factor: float) -> float:
        column = sheets.assessment.evaluation.values[key] if key else None
        return (column[row] or 0.0) / factor if isinstance(column, tuple) else 0.0

    u_x = stated_in(d.u_x, its.x.unit.factor) if isinstance(d, Line) else 0.0
    return u_x, stated_in(d.u_y, its.y.unit.factor)


def _relative_uncertainty(sheets: Sheets, key: str) -> float:
    """Relative standard uncertainty of an abscissa from its instrument, for error bars."""
    wanted = {source.key for source in sheets.practical.field(key).sources if source.relative}
    results = [result for result in sheets.assessment.evaluation.results if result is not None]
    found = [row.source for result in results for row in result.budget.rows]
    return next((s.standard_uncertainty for s in reversed(found) if s.key in wanted), 0.0)


# -- charts ----------------------------------------------------------------------------------------


def graphs_page(sheets: Sheets, tables: Sequence[tuple[Drawn, Table]]) -> None:
    """The sheet of charts: each line and curve with its points, and its residuals."""
    page = sheets.page("Graphs", [1] * 9)
    if not tables:
        page.line("There are not enough readings for a graph.")
    for its, table in tables:
        d = its.definition
        across, up = its.axes
        titles = (d.title, d.x_title, d.y_title)
        series = {k: its.labels[k] for k in sorted({point[0] for point in its.points})}
        chart = line_chart(sheets.book, table, series, titles, (across, up), len(its.line))
        page.chart(chart, 22, d.title)
        about = "line" if isinstance(d, Line) else "curve"
        bars = (
            f"one standard deviation of a reading about the {about}, and the standard uncertainty "
        )
        bars = f"{bars}of the abscissa" if not d.u_y else "the standard uncertainty of each point"
        page.line(f"Error bars: {bars}; shorter than the marks where none show.", "rule")
        off = [str(row + 1) for _, row, x, y, _ in its.points if its.off(x, y)]
        if off:
            page.line(f"Not on a logarithmic axis, as not positive: row {', '.join(off)}.", "rule")
        page.gap(0)
        high = max([1e-12, *(abs(point[4]) for point in its.points)])
        unit = its.y.unit.pretty
        titles = ("Residuals", d.x_title, f"(reading − {about}) / {unit}".rstrip(" /"))
        axes = across, _wide(axis([-high, high]))
        page.chart(residual_chart(sheets.book, table, series, titles, axes), 24, "Residuals")


def _wide(its: Axis) -> Axis:
    return Axis(its.low - its.step, its.high + its.step, its.step) if its.high <= its.step else its
