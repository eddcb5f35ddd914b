"""The workbook of control charts: signals in words, native charts, the numbers behind them."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

from msgspec.structs import replace

from sheetlab.finding import Place, Severity, SheetlabError, finding, not_written, wrong_ending
from sheetlab.messages import phrase, said
from sheetlab.metrology.control import LASTING, LEAST_YEAR, WIDTH, Chart, Rule
from sheetlab.metrology.statement import beside, significant
from sheetlab.workbook.book import Book
from sheetlab.workbook.charts import Axis, axis, ends, finish, off_text
from sheetlab.workbook.longbook import open_long
from sheetlab.workbook.package import open_elsewhere, write_atomically
from sheetlab.workbook.page import Column, Shown, Table, new_page
from sheetlab.workbook.style import (
    ALERT,
    FONT,
    LINE,
    SERIES,
    SOFT,
    Styles,
    chart_text,
    ending_format,
)
from sheetlab.workbook.template import EPOCH
from sheetlab.years.drift import (
    HINTS,
    KINDS,
    Drift,
    Origin,
    few_text,
    sight_text,
    signal_text,
    state_text,
)

SIGNALS, CHARTS, NUMBERS = "Signals", "Charts", "Numbers"
TITLE = "Drift of apparatus and instruments"
CHART_WIDTH, CHART_HEIGHT = 540, 300
ROWS_A_CHART = 17
CHARTS_A_PAGE = 2
_TEXTS = ("practical", "where", "series", "unit", "code", "status", "sets the limits")
COLUMNS = tuple(
    Column(name, name, width, format="cell" if name in _TEXTS else "figure", wrap=False)
    for name, width in (
        ("practical", 16), ("where", 15), ("series", 34), ("unit", 6), ("order", 6), ("row", 6),
        ("year", 6), ("code", 11), ("status", 9), ("sets the limits", 8), ("value", 10),
        ("lower limit", 10), ("centre", 10), ("upper limit", 10), ("value with a signal", 10),
        ("value with a hint", 10), ("moving average", 10), ("its lower limit", 10),
        ("its upper limit", 10), ("average with a signal", 10),
    )
)  # fmt: skip
ENDING = ".xlsx"


def drift_bytes(found: Sequence[Drift], source: str) -> bytes:
    """The workbook of the charts of an archive.

    Parameters
    ----------
    source
        Name of the archive, and what sets the limits, for the first sheet.
    """
    buffer = io.BytesIO()
    book = Book(buffer)
    book.set_properties({"title": TITLE, "created": EPOCH})
    styles = Styles(book)
    _signals(book, styles, found, source)
    charts = book.add_worksheet(CHARTS)
    places = _numbers(book, styles, found)
    _charts(book, styles, charts, found, places)
    book.close()
    return buffer.getvalue()


def write_drift(found: Sequence[Drift], archive: Path, base: str, target: Path) -> None:
    """Write the workbook of charts; an earlier one that is there is replaced unless it is open.

    Raises
    ------
    SheetlabError
        If the file is anything else but charts of drift, has another ending, is open
        in a spreadsheet program, or cannot be written.
    """
    if target.suffix.lower() != ENDING:
        raise SheetlabError(wrong_ending(target.name, ENDING))
    source = f"From {archive.name}. Limits are set by: {base}, for each series."
    if target.exists() and not _is_drift(target):
        raise SheetlabError(
            finding("file-exists_drift", Severity.STOP, Place(target.name), name=target.name)
        )
    if open_elsewhere(target):
        why, place = phrase("open-in-a-program"), Place(target.name)
        raise SheetlabError(
            finding("not-written", Severity.STOP, place, name=target.name, reason=why)
        )
    try:
        write_atomically(target, drift_bytes(found, source))
    except OSError as error:
        raise SheetlabError(not_written(target, error)) from error


def _is_drift(target: Path) -> bool:
    try:
        with open_long(target) as book:
            return {SIGNALS, CHARTS, NUMBERS} <= set(book.sheets)
    except SheetlabError:
        return False


# -- signals -------------------------------------------------------------------------------------


def _signals(book: Any, styles: Styles, found: Sequence[Drift], source: str) -> None:
    def columns(*heads: str) -> list[Column]:
        heads = ("practical", "where", "series", *heads)
        return [Column(head, head, width) for head, width in zip(heads, widths, strict=True)]

    widths = (17, 20, 34, 58, 58)
    page = new_page(book.add_worksheet(SIGNALS), styles, widths, (TITLE, ""), merged=False)
    page.line(TITLE, "title")
    page.line(source, "note")
    page.gap(0)
    signals = [(drift, signal) for drift in found for signal in drift.signals]
    if signals:
        table = page.open_table(columns("what the chart says", "what to do"))
        for drift, signal in signals:
            advice = drift.advice if signal is drift.signals[0] else "As above."
            table.write((*_names(drift), signal_text(drift, signal), advice))
    else:
        page.line(said(phrase("drift-steady")), "ok")
    page.gap(0)
    page.line("All series", "heading")
    page.table(columns("limits", "state"), [(*_names(d), _limits(d), state_text(d)) for d in found])
    few = few_text(found)
    if few:
        page.line(few, "note")
    page.gap(0)
    page.line(said(phrase("drift-sources", least=LEAST_YEAR)), "note")


def _names(drift: Drift) -> tuple[str, str, str]:
    return drift.series.practical, drift.series.where, drift.series.title


def _limits(drift: Drift) -> str:
    made = drift.chart
    if made is None:
        return "none"
    sigma = made.baseline.sigma
    lower, upper, centre = (
        beside(v, sigma, 1) for v in (made.lower, made.upper, made.baseline.centre)
    )
    return (
        f"{lower} to {upper}, centre {centre} {drift.series.unit}".rstrip()
        + f"; set by {made.baseline.count} values."
        + ("" if drift.alarm else f" {sight_text(drift)}")
    )


# -- numbers -------------------------------------------------------------------------------------


def _numbers(book: Any, styles: Styles, found: Sequence[Drift]) -> list[Table]:
    """Write every series; returns of each the part of the table that it has."""
    page = new_page(book.add_worksheet(NUMBERS), styles, COLUMNS, (TITLE, ""), merged=False)
    page.line("Numbers behind the charts", "title")
    page.gap(0)
    table = page.open_table(COLUMNS, height=30)
    table.freeze(through="series")
    places = []
    for drift in found:
        places.append(replace(table, first_row=page.row, rows=len(drift.series.values)))
        for record in _records(drift):
            table.write(record, height=0)
    table.filter()
    return places


def _records(drift: Drift) -> Iterator[dict[str, Shown]]:
    series, made = drift.series, drift.chart
    shape = "General"
    if made is not None and made.baseline.sigma:
        shape = ending_format(made.baseline.centre, made.baseline.sigma, 1)
    marked: dict[str, set[int]] = {"single": set(), "average": set(), "hint": set()}
    for signal in drift.signals:
        marked[_mark(signal.rule)] |= set(range(signal.first, signal.last + 1))
    for i, (origin, value) in enumerate(zip(series.origins, series.values, strict=True)):
        numbers = {"value": value}
        if made is not None:
            numbers |= {
                "lower limit": made.lower, "centre": made.baseline.centre,
                "upper limit": made.upper, "moving average": made.averages[i],
                "its lower limit": made.average_lower[i],
                "its upper limit": made.average_upper[i],
            }  # fmt: skip
            if i in marked["single"]:
                numbers["value with a signal"] = value
            elif i in marked["hint"]:
                numbers["value with a hint"] = value
            if i in marked["average"]:
                numbers["average with a signal"] = made.averages[i]
        yield {
            "practical": series.practical, "where": series.where, "series": series.title,
            "unit": series.unit, "order": (i + 1, "0"), "row": (origin.row, "0"),
            "year": (origin.year, "0"), "code": origin.code, "status": origin.status,
            "sets the limits": "yes" if i in drift.base else "",
            # six digits are more than any reading has
            **{key: (float(f"{number:.6g}"), shape) for key, number in numbers.items()},
        }  # fmt: skip


def _mark(rule: Rule) -> str:
    """As what the values of a signal are marked on a chart."""
    if rule in HINTS:
        return "hint"
    return "average" if rule == "ewma-beyond-limits" else "single"


# -- charts --------------------------------------------------------------------------------------


def _charts(
    book: Any, styles: Styles, sheet: Any, found: Sequence[Drift], tables: Sequence[Table]
) -> None:
    page = new_page(sheet, styles, (9,) * 16, (TITLE, ""), merged=False)
    page.line("Charts", "title")
    page.gap(0)
    charted = [(d, d.chart, table) for d, table in zip(found, tables, strict=True) if d.chart]
    for number, (drift, made, table) in enumerate(charted):
        if number and number % CHARTS_A_PAGE == 0:
            page.break_page()
        series, top = drift.series, page.row
        kind = f"{series.practical} · {series.name} · {state_text(drift)}"
        page.line(kind, "doubtful" if drift.alarm else "ok")
        for column, averaged in ((0, False), (8, True)):
            chart = _chart(book, drift, made, table, averaged)
            sheet.insert_chart(page.row, column, chart, {"object_position": 2})
        names = [
            f"row {series.origins[i].row} ({series.origins[i].year}), "
            f"{significant(series.values[i], 2)} {series.unit}".rstrip()
            for i in _scale(made)[1]
        ]
        page.row = top + ROWS_A_CHART - 1
        if names:
            page.put(0, off_text(names), "note", wrap=False)
        page.row += 1
    if not charted:
        page.line(said(phrase("drift-no-chart")), "note")


def _chart(book: Any, drift: Drift, made: Chart, table: Table, averaged: bool) -> Any:
    series, marks = drift.series, {_mark(signal.rule) for signal in drift.signals}
    chart = book.add_chart({"type": "scatter", "subtype": "straight"})
    dot = {"type": "circle", "size": 5, "border": {"color": SERIES[0]},
           "fill": {"color": SERIES[0]}}  # fmt: skip
    points = {"marker": dot, "line": {"color": SOFT, "width": 0.75}}
    centre = {"marker": {"type": "none"}, "line": {"color": LINE, "width": 1.0}}
    limit = {
        "marker": {"type": "none"}, "line": {"color": ALERT, "width": 1.0, "dash_type": "dash"},
    }  # fmt: skip
    # the column, what the legend calls it, and how it is drawn
    drawn: list[tuple[str, str, dict[str, Any]]]
    if averaged:
        drawn = [
            ("moving average", "moving average", points),
            ("centre", "centre", centre),
            ("its lower limit", "limits", limit),
            ("its upper limit", "upper limit", limit),
        ]
        if "average" in marks:
            drawn.append(("average with a signal", "signal", _diamond(ALERT)))
    else:
        drawn = [
            ("value", "value", points),
            ("centre", "centre", centre),
            ("lower limit", "limits", limit),
            ("upper limit", "upper limit", limit),
        ]
        if "single" in marks:
            drawn.append(("value with a signal", "signal", _diamond(ALERT)))
        if "hint" in marks:
            drawn.append(("value with a hint", "hint", _diamond(SERIES[2])))
    for key, name, looks in drawn:
        chart.add_series(
            {"name": chart_text(name), "categories": table.range("order"),
             "values": table.range(key), **looks}
        )  # fmt: skip
    averages = [*made.averages, *made.average_lower, *made.average_upper]
    scale = axis(averages) if averaged else _scale(made)[0]
    y_title = KINDS[series.kind] if series.kind != "quantity" else series.title
    y_title = f"{y_title} / {series.unit}" if series.unit else y_title
    title = f"{series.name}: {'moving average (EWMA)' if averaged else 'single values'}"
    last = float(len(series.values) + 1)
    order = Axis(0.0, last, max(1.0, axis([0.0, last]).step))
    finish(chart, (title, _order_title(series.origins), y_title), (order, scale))
    chart.set_title(
        {"name": chart_text(title), "name_font": {"name": FONT, "size": 10, "bold": True}}
    )
    # the second limit needs no entry of its own
    chart.set_legend(
        {"position": "bottom", "delete_series": [3], "font": {"name": FONT, "size": 9}}
    )
    chart.set_size({"width": CHART_WIDTH, "height": CHART_HEIGHT})
    return chart


def _diamond(colour: str) -> dict[str, Any]:
    """Looks of values that are marked on a chart."""
    paint = {"color": colour}
    marker = {"type": "diamond", "size": 9, "border": paint, "fill": paint}
    return {"marker": marker, "line": {"none": True}}


def _scale(made: Chart) -> tuple[Axis, list[int]]:
    """The axis of single values, and the positions of those that are not on it.

    Slips that would press the rest of a chart flat do not widen it; what lasts is drawn.
    """
    low, high = ends(made.baseline.centre, (made.upper - made.baseline.centre) / WIDTH)
    far: set[int] = set()
    for off, run in groupby(range(len(made.values)), lambda i: not low <= made.values[i] <= high):
        positions = list(run)
        if off and len(positions) < LASTING:
            far |= set(positions)
    near = [value for i, value in enumerate(made.values) if i not in far]
    scale = axis([made.lower, made.upper, *near])
    # beside others that last a slip may well be on it
    return scale, sorted(i for i in far if not scale.low <= made.values[i] <= scale.high)


def _order_title(origins: Sequence[Origin]) -> str:
    """``in order of adding (2024: 1–12, 2025: 13–24)``."""
    spans: dict[int, list[int]] = {}
    for place, origin in enumerate(origins, 1):
        spans.setdefault(origin.year, []).append(place)
    parts = [f"{year}: {s[0]}–{s[-1]}" if len(s) > 1 else f"{year}: {s[0]}"
             for year, s in spans.items()]  # fmt: skip
    return f"in order of adding ({', '.join(parts)})"
