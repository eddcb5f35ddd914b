"""Native charts of a fitted line: data with error bars and best line, and residuals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from msgspec import Struct

from sheetlab.workbook.page import Table
from sheetlab.workbook.style import FONT, INK, LINE, RULE, SERIES, chart_text

WIDTH, HEIGHT = 660, 430
OFF_CHART = 8.0
"""Standard deviations from the middle beyond which a slip is left off a chart."""


class Axis(Struct, frozen=True):
    """Limits and step of an axis."""

    low: float
    high: float
    step: float


def axis(values: list[float]) -> Axis:
    """Limits and step of an axis: steps of 1, 2 or 5 times a power of ten, data well spread.

    The limits are the whole steps next outside the data; with 4 to 10 steps the data always take
    more than half of the axis (1-2-5 scales: common practice, no source).
    """
    low, high = min(values), max(values)
    span = high - low or abs(high) or 1.0
    rough = span / 6.0
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(f * power for f in (1.0, 2.0, 5.0, 10.0) if f * power >= rough * 0.999)
    first = math.floor(low / step + 1e-9)
    last = math.ceil(high / step - 1e-9)
    if last == first:
        last += 1
    return Axis(first * step, last * step, step)


def ends(centre: float, deviation: float) -> tuple[float, float]:
    """What a chart shows at most, lest one slip press the rest flat; infinite without scatter."""
    reach = OFF_CHART * deviation if deviation > 0.0 else math.inf
    return centre - reach, centre + reach


def off_text(names: Sequence[str]) -> str:
    """A sentence that names what is left off a chart."""
    return f"Off the scale of the chart: {', '.join(names)}."


class ChartData(Struct, frozen=True):
    """Where a chart's numbers stand on the sheet of results: columns of one block of rows."""

    sheet: str
    first_row: int
    last_row: int
    x: int
    x_error: int
    series: tuple[tuple[str, int, int], ...]
    """Label, column of y, column of residual."""
    y_error: int
    line_rows: tuple[int, int]
    line_x: int
    line_y: int
    """Column of the line's ordinates; its heading is the name of the line."""

    def range(self, column: int) -> list[Any]:
        """A column of the block as XlsxWriter wants it."""
        return [self.sheet, self.first_row, column, self.last_row, column]


def line_chart(
    book: Any, data: ChartData, titles: tuple[str, str, str], axes: tuple[Axis, Axis]
) -> Any:
    """Scatter chart of every series with error bars and the best line."""
    chart = book.add_chart({"type": "scatter", "subtype": "straight"})
    for i, (label, column, _) in enumerate(data.series):
        colour = SERIES[i % len(SERIES)]
        bars = {"type": "custom", "end_style": 1, "line": {"color": colour, "width": 0.75}}
        chart.add_series(
            {
                "name": chart_text(label),
                "categories": data.range(data.x),
                "values": data.range(column),
                "marker": _marker(i),
                "line": {"none": True},
                "y_error_bars": {
                    **bars,
                    "plus_values": _formula(data, data.y_error),
                    "minus_values": _formula(data, data.y_error),
                },
                "x_error_bars": {
                    **bars,
                    "plus_values": _formula(data, data.x_error),
                    "minus_values": _formula(data, data.x_error),
                },
            }
        )
    first, last = data.line_rows
    chart.add_series(
        {
            "name": [data.sheet, data.first_row - 1, data.line_y],
            "categories": [data.sheet, first, data.line_x, last, data.line_x],
            "values": [data.sheet, first, data.line_y, last, data.line_y],
            "marker": {"type": "none"},
            "line": {"color": LINE, "width": 1.25},
        }
    )
    finish(chart, titles, axes)
    return chart


def residual_chart(
    book: Any, data: ChartData, titles: tuple[str, str, str], axes: tuple[Axis, Axis]
) -> Any:
    """Residuals of every series against the abscissa."""
    chart = book.add_chart({"type": "scatter", "subtype": "straight"})
    for i, (label, _, column) in enumerate(data.series):
        chart.add_series(
            {
                "name": chart_text(label),
                "categories": data.range(data.x),
                "values": data.range(column),
                "marker": _marker(i),
                "line": {"none": True},
            }
        )
    finish(chart, titles, axes)
    return chart


def share_chart(book: Any, table: Table, count: int, symbol: str) -> Any:
    """Bars of the first shares of variance of a budget (``results.BUDGET``), greatest on top."""
    chart = book.add_chart({"type": "bar"})
    chart.add_series(
        {
            "name": f"share of the variance of {symbol}",
            "categories": table.range("source", count),
            "values": table.range("share", count),
            "fill": {"color": SERIES[0]},
            "gap": 40,
        }
    )
    font = {"name": FONT, "size": 9, "bold": False, "color": INK}
    title = f"What the uncertainty of {symbol} is made of"
    chart.set_title({"name": chart_text(title), "name_font": {**font, "size": 12, "bold": True}})
    # the axis of a bar chart runs upwards; the table runs downwards
    chart.set_y_axis(
        {"reverse": True, "interval_unit": 1, "num_font": font, "line": {"color": LINE}}
    )
    chart.set_x_axis(
        {
            "name": "share of variance",
            "name_font": font,
            "num_font": font,
            "num_format": "0%",
            # the axis of sources runs downwards, so its high end is below, where the title is
            "label_position": "high",
            "min": 0,
            "max": 1,
            "major_unit": 0.2,
            "major_gridlines": {"visible": True, "line": {"color": RULE, "width": 0.5}},
        }
    )
    chart.set_legend({"none": True})
    chart.set_size({"width": WIDTH, "height": 110 + 24 * count})
    chart.set_chartarea({"border": {"none": True}})
    return chart


def _formula(data: ChartData, column: int) -> str:
    from xlsxwriter.utility import xl_range_formula

    return str(xl_range_formula(data.sheet, data.first_row, column, data.last_row, column))


def _marker(i: int) -> dict[str, Any]:
    # filled: Calc draws no border, so that a hollow mark would not be seen; where points of the
    # first two series coincide, both are seen, whichever a program draws on top
    colour = SERIES[i % len(SERIES)]
    shape, size = (("circle", 6), ("x", 9), ("square", 6), ("triangle", 7))[i % 4]
    return {
        "type": shape,
        "size": size,
        "border": {"color": colour},
        "fill": {"color": colour},
    }


def finish(chart: Any, titles: tuple[str, str, str], axes: tuple[Axis, Axis]) -> None:
    """Titles, axes, legend and size of a chart of points."""
    title, x_title, y_title = titles
    font = {"name": FONT, "size": 9, "bold": False, "color": INK}
    chart.set_title({"name": chart_text(title), "name_font": {**font, "size": 12, "bold": True}})
    for setter, name, its in (
        (chart.set_x_axis, x_title, axes[0]),
        (chart.set_y_axis, y_title, axes[1]),
    ):
        setter(
            {
                "name": chart_text(name),
                "name_font": {**font, "size": 10},
                "num_font": font,
                "num_format": _tick_format(its.step),
                "min": its.low,
                "max": its.high,
                "major_unit": its.step,
                "major_gridlines": {"visible": True, "line": {"color": RULE, "width": 0.5}},
                "line": {"color": LINE},
                "major_tick_mark": "outside",
                "minor_tick_mark": "none",
                "label_position": "low",
                "crossing": "min",
            }
        )
    chart.set_legend({"position": "bottom", "font": font})
    chart.set_size({"width": WIDTH, "height": HEIGHT})
    chart.set_chartarea({"border": {"none": True}})


def _tick_format(step: float) -> str:
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return "0" if decimals == 0 else "0." + "0" * min(decimals, 9)


class DotData(Struct, frozen=True):
    """Where the numbers of a dot plot stand: columns of one block of rows, and its lines."""

    sheet: str
    first_row: int
    last_row: int
    names: int
    value: int
    error: int
    lines: tuple[tuple[str, int, str, str], ...]
    """Label, column, colour, and kind of dashes."""

    def range(self, column: int) -> list[Any]:
        """A column of the block as XlsxWriter wants it."""
        return [self.sheet, self.first_row, column, self.last_row, column]


def dot_plot(book: Any, data: DotData, titles: tuple[str, str], limits: Axis) -> Any:
    """Results of several groups with error bars, beside each other, and level lines."""
    from xlsxwriter.utility import xl_range_formula

    chart = book.add_chart({"type": "line"})
    errors = xl_range_formula(data.sheet, data.first_row, data.error, data.last_row, data.error)
    for label, column, colour, dashes in data.lines:
        chart.add_series(
            {
                "name": chart_text(label),
                "categories": data.range(data.names),
                "values": data.range(column),
                "marker": {"type": "none"},
                "line": {"color": colour, "width": 1.25, "dash_type": dashes},
            }
        )
    chart.add_series(
        {
            "name": "result with U",
            "categories": data.range(data.names),
            "values": data.range(data.value),
            "marker": _marker(0),
            "line": {"none": True},
            "y_error_bars": {
                "type": "custom",
                "end_style": 1,
                "line": {"color": SERIES[0], "width": 1},
                "plus_values": errors,
                "minus_values": errors,
            },
        }
    )
    title, y_title = titles
    font = {"name": FONT, "size": 9, "bold": False, "color": INK}
    chart.set_title({"name": chart_text(title), "name_font": {**font, "size": 12, "bold": True}})
    chart.set_x_axis({"num_font": {**font, "rotation": -45}, "line": {"color": LINE},
                      "label_position": "low"})  # fmt: skip
    chart.set_y_axis(
        {
            "name": chart_text(y_title),
            "name_font": {**font, "size": 10},
            "num_font": font,
            "num_format": _tick_format(limits.step),
            "min": limits.low,
            "max": limits.high,
            "major_unit": limits.step,
            "major_gridlines": {"visible": True, "line": {"color": RULE, "width": 0.5}},
            "line": {"color": LINE},
        }
    )
    chart.set_legend({"position": "bottom", "font": font})
    chart.set_chartarea({"border": {"none": True}})
    return chart
