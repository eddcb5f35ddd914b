"""Native charts of a fitted line: data with error bars and best line, and residuals."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from msgspec import Struct
from xlsxwriter.utility import xl_range_formula

from sheetlab.workbook.page import Table
from sheetlab.workbook.style import FONT, INK, LINE, RULE, SERIES, chart_text, decimals_format

WIDTH, HEIGHT = 660, 430
SMALL = {"name": FONT, "size": 9, "bold": False, "color": INK}
GRIDLINES = {"visible": True, "line": {"color": RULE, "width": 0.5}}
OFF_CHART = 8.0
"""Standard deviations from the middle beyond which a slip is left off a chart."""


class Axis(Struct, frozen=True):
    """Limits and step of an axis."""

    low: float
    high: float
    step: float
    log: bool = False
    """Divided by powers of ten."""


def log_axis(values: Sequence[float]) -> Axis:
    """Whole powers of ten outside the positive values; others cannot be shown."""
    shown = [value for value in values if value > 0.0] or [1.0]
    low = math.floor(math.log10(min(shown)) + 1e-9)
    high = math.ceil(math.log10(max(shown)) - 1e-9)
    return Axis(10.0**low, 10.0 ** max(high, low + 1), 10.0, log=True)


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


def line_chart(
    book: Any, table: Table, series: Mapping[int, str], titles: tuple[str, str, str],
    axes: tuple[Axis, Axis], drawn: int = 2,
) -> Any:  # fmt: skip
    """Scatter chart of every series with error bars and the best line or curve.

    Parameters
    ----------
    table
        Its columns: ``x`` with ``u``, ``y0``, ``y1`` … with ``s`` for all, and ``line_x`` and
        ``line_y`` for the line. The heading of the last is the line's name.
    series
        Labels of the series by their number.
    drawn
        Points of the line.
    """
    chart = book.add_chart({"type": "scatter", "subtype": "straight"})
    for i, (k, label) in enumerate(series.items()):
        look = {"end_style": 1, "line": {"color": SERIES[i % len(SERIES)], "width": 0.75}}
        chart.add_series({
            **_points(table, label, f"y{k}", i),
            "y_error_bars": {**_bars(table, "s"), **look},
            "x_error_bars": {**_bars(table, "u"), **look},
        })  # fmt: skip
    first, _, _, column = table.area("line_y")
    chart.add_series(
        {
            "name": [table.page.sheet.name, first - 1, column],
            "categories": table.range("line_x", drawn),
            "values": table.range("line_y", drawn),
            "marker": {"type": "none"},
            "line": {"color": LINE, "width": 1.25},
        }
    )
    finish(chart, titles, axes)
    return chart


def residual_chart(
    book: Any, table: Table, series: Mapping[int, str], titles: tuple[str, str, str],
    axes: tuple[Axis, Axis],
) -> Any:  # fmt: skip
    """Residuals of every series, in the columns ``residual0`` …, against the abscissa."""
    chart = book.add_chart({"type": "scatter", "subtype": "straight"})
    for i, (k, label) in enumerate(series.items()):
        chart.add_series(_points(table, label, f"residual{k}", i))
    finish(chart, titles, axes)
    return chart


def _points(table: Table, label: str, key: str, i: int) -> dict[str, Any]:
    """A column as marks against the abscissa."""
    return {
        "name": chart_text(label),
        "categories": table.range("x"),
        "values": table.range(key),
        "marker": _marker(i),
        "line": {"none": True},
    }


def _bars(table: Table, key: str) -> dict[str, Any]:
    """Error bars of both sides that a column holds."""
    cells = xl_range_formula(*table.range(key))
    return {"type": "custom", "plus_values": cells, "minus_values": cells}


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
    # the axis of a bar chart runs upwards; the table runs downwards
    chart.set_y_axis(
        {"reverse": True, "interval_unit": 1, "num_font": SMALL, "line": {"color": LINE}}
    )
    chart.set_x_axis({
        "name": "share of variance", "name_font": SMALL, "num_font": SMALL, "num_format": "0%",
        # the axis of sources runs downwards, so its high end is below, where the title is
        "label_position": "high", "min": 0, "max": 1, "major_unit": 0.2,
        "major_gridlines": GRIDLINES,
    })  # fmt: skip
    chart.set_legend({"none": True})
    _framed(chart, f"What the uncertainty of {symbol} is made of", 110 + 24 * count)
    return chart


def _framed(chart: Any, title: str, height: int) -> None:
    """Title, size and no frame."""
    font = {**SMALL, "size": 12, "bold": True}
    chart.set_title({"name": chart_text(title), "name_font": font})
    chart.set_size({"width": WIDTH, "height": height})
    chart.set_chartarea({"border": {"none": True}})


def _scaled(name: str, scale: Axis) -> dict[str, Any]:
    """An axis of numbers, as XlsxWriter takes it."""
    decimals = decimals_format(min(9, max(0, -math.floor(math.log10(scale.step) + 1e-9))))
    return {
        "name": chart_text(name), "name_font": {**SMALL, "size": 10}, "num_font": SMALL,
        "min": scale.low, "max": scale.high, "major_gridlines": GRIDLINES, "line": {"color": LINE},
        **({"log_base": 10, "num_format": "General"} if scale.log
           else {"num_format": decimals, "major_unit": scale.step}),
    }  # fmt: skip


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
    look = {"major_tick_mark": "outside", "minor_tick_mark": "none", "label_position": "low",
            "crossing": "min"}  # fmt: skip
    chart.set_x_axis({**_scaled(titles[1], axes[0]), **look})
    chart.set_y_axis({**_scaled(titles[2], axes[1]), **look})
    chart.set_legend({"position": "bottom", "font": SMALL})
    _framed(chart, titles[0], HEIGHT)


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
    chart.set_x_axis({"num_font": {**SMALL, "rotation": -45}, "line": {"color": LINE},
                      "label_position": "low"})  # fmt: skip
    chart.set_y_axis(_scaled(titles[1], limits))
    chart.set_legend({"position": "bottom", "font": SMALL})
    _framed(chart, titles[0], HEIGHT)
    return chart
