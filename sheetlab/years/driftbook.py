"""The workbook of control charts: signals in words, native charts, the numbers behind them."""

from __future__ import annotations

import io
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

from sheetlab.finding import Finding, Place, Severity, SheetlabError, wrong_ending
from sheetlab.metrology.control import LASTING, WIDTH, Chart, Rule
from sheetlab.metrology.statement import beside, significant
from sheetlab.workbook.book import Book
from sheetlab.workbook.charts import Axis, axis, ends, finish, off_text
from sheetlab.workbook.longbook import open_long
from sheetlab.workbook.package import open_elsewhere, write_atomically
from sheetlab.workbook.style import (
    ALERT,
    FONT,
    LINE,
    SERIES,
    SOFT,
    Styles,
    chart_text,
    ending_format,
    lines_needed,
    set_page,
)
from sheetlab.workbook.template import EPOCH, LINE_HEIGHT
from sheetlab.years.drift import (
    HINTS,
    KINDS,
    RULE_SOURCES,
    Drift,
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
COLUMNS = (
    ("practical", 16), ("where", 15), ("series", 34), ("unit", 6), ("order", 6), ("row", 6),
    ("year", 6), ("code", 11), ("status", 9), ("sets the limits", 8), ("value", 10),
    ("lower limit", 10), ("centre", 10), ("upper limit", 10), ("value with a signal", 10),
    ("value with a hint", 10), ("moving average", 10), ("its lower limit", 10),
    ("its upper limit", 10), ("average with a signal", 10),
)  # fmt: skip
_AT = {name: i for i, (name, _) in enumerate(COLUMNS)}
HEADING_ROW = 2
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
        raise SheetlabError(_foreign(target))
    if open_elsewhere(target):
        raise SheetlabError(_not_written(target, "it is open in a spreadsheet program"))
    try:
        write_atomically(target, drift_bytes(found, source))
    except OSError as error:
        raise SheetlabError(_not_written(target, error.strerror or str(error))) from error


def _is_drift(target: Path) -> bool:
    try:
        with open_long(target) as book:
            return {SIGNALS, CHARTS, NUMBERS} <= set(book.sheets)
    except SheetlabError:
        return False


def _foreign(target: Path) -> Finding:
    return Finding(
        "file-exists", Severity.STOP,
        f"{target.name} is there already and holds no charts of drift; nothing was written",
        "a new file, or an earlier one of “sheetlab drift”",
        "Give another name with --out, or move the old file away.", Place(target.name),
    )  # fmt: skip


def _not_written(target: Path, why: str) -> Finding:
    return Finding(
        "not-written", Severity.STOP, f"{target.name} could not be written: {why}",
        "a file that can be replaced", "Close it, or give another name.", Place(target.name),
    )  # fmt: skip


# -- signals -------------------------------------------------------------------------------------


def _signals(book: Any, styles: Styles, found: Sequence[Drift], source: str) -> None:
    sheet = book.add_worksheet(SIGNALS)
    set_page(sheet, True, TITLE, "")
    sheet.fit_to_pages(1, 0)
    widths = (17, 20, 34, 58, 58)
    for column, width in enumerate(widths):
        sheet.set_column(column, column, width)
    sheet.write_string(0, 0, TITLE, styles("title", wrap=False))
    _note(sheet, styles, 1, source, sum(widths))
    line = 3
    signalled = [one for one in found if one.signals]
    if signalled:
        heads = ("practical", "where", "series", "what the chart says", "what to do")
        line = _headings(sheet, styles, line, heads)
        for one in signalled:
            for i, signal in enumerate(one.signals):
                advice = one.advice if i == 0 else "As above."
                texts = (*_names(one), signal_text(one, signal), advice)
                line = _texts(sheet, styles, line, texts, widths)
    else:
        sheet.write_string(line, 0, "No signal: nothing seems to drift.", styles("ok", wrap=False))
        line += 1
    line += 1
    sheet.write_string(line, 0, "All series", styles("heading", wrap=False))
    for column in range(1, len(widths)):
        sheet.write_blank(line, column, None, styles("heading"))
    heads = ("practical", "where", "series", "limits", "state")
    line = _headings(sheet, styles, line + 1, heads)
    for one in found:
        line = _texts(sheet, styles, line, (*_names(one), _limits(one), state_text(one)), widths)
    few = few_text(found)
    if few:
        _note(sheet, styles, line, few, sum(widths))
    _note(sheet, styles, line + 1, RULE_SOURCES, sum(widths))


def _names(one: Drift) -> tuple[str, str, str]:
    return one.series.practical, one.series.where, one.series.title


def _limits(one: Drift) -> str:
    its = one.chart
    if its is None:
        return "none"
    sigma = its.baseline.sigma
    lower, upper, centre = (
        beside(v, sigma, 1) for v in (its.lower, its.upper, its.baseline.centre)
    )
    return (
        f"{lower} to {upper}, centre {centre} {one.series.unit}".rstrip()
        + f"; set by {its.baseline.count} values."
        + ("" if one.alarm else f" {sight_text(one)}")
    )


def _note(sheet: Any, styles: Styles, line: int, text: str, width: float) -> None:
    sheet.merge_range(line, 0, line, 4, "", styles("note"))
    sheet.write_string(line, 0, text, styles("note"))
    sheet.set_row(line, lines_needed(text, width) * LINE_HEIGHT + 3)


def _headings(sheet: Any, styles: Styles, line: int, heads: Sequence[str]) -> int:
    for column, head in enumerate(heads):
        sheet.write_string(line, column, head, styles("column"))
    return line + 1


def _texts(
    sheet: Any, styles: Styles, line: int, texts: Sequence[str], widths: Sequence[int]
) -> int:
    for column, text in enumerate(texts):
        sheet.write_string(line, column, text, styles("cell"))
    needed = max(lines_needed(t, 0.92 * w - 1) for t, w in zip(texts, widths, strict=True))
    sheet.set_row(line, needed * LINE_HEIGHT + 4)
    return line + 1


# -- numbers -------------------------------------------------------------------------------------


def _numbers(book: Any, styles: Styles, found: Sequence[Drift]) -> list[tuple[int, int]]:
    """Write every series; returns first and last row of each."""
    sheet = book.add_worksheet(NUMBERS)
    set_page(sheet, True, TITLE, "")
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(HEADING_ROW)
    sheet.write_string(0, 0, "Numbers behind the charts", styles("title", wrap=False))
    sheet.set_row(HEADING_ROW, 30)
    for column, (name, width) in enumerate(COLUMNS):
        sheet.set_column(column, column, width)
        sheet.write_string(HEADING_ROW, column, name, styles("column"))
    sheet.freeze_panes(HEADING_ROW + 1, 3)
    places = []
    line = HEADING_ROW + 1
    for one in found:
        first = line
        sigma = one.chart.baseline.sigma if one.chart is not None else 0.0
        centre = one.chart.baseline.centre if one.chart is not None else 0.0
        shape = ending_format(centre, sigma, 1) if sigma else "General"
        for record in _records(one):
            for column, value in enumerate(record):
                if isinstance(value, str):
                    sheet.write_string(line, column, value, styles("cell", wrap=False))
                elif value is None:
                    sheet.write_blank(line, column, None, styles("figure"))
                else:
                    figure = styles("figure", shape if column >= _AT["value"] else "0")
                    sheet.write_number(line, column, value, figure)
            line += 1
        places.append((first, line - 1))
    sheet.autofilter(HEADING_ROW, 0, max(line - 1, HEADING_ROW + 1), len(COLUMNS) - 1)
    return places


def _records(one: Drift) -> list[list[str | float | None]]:
    series, its = one.series, one.chart
    marked = {"single": set[int](), "average": set[int](), "hint": set[int]()}
    for signal in one.signals:
        marked[_mark(signal.rule)] |= set(range(signal.first, signal.last + 1))
    records = []
    for i, (p, value) in enumerate(zip(series.origins, series.values, strict=True)):
        names = [series.practical, series.where, series.title, series.unit]
        row: list[str | float | None] = [
            *names, i + 1, p.row, p.year, p.code, p.status, "yes" if i in one.base else "",
            _figure(value),
        ]  # fmt: skip
        if its is not None:
            row += [_figure(its.lower), _figure(its.baseline.centre), _figure(its.upper)]
            hinted = i in marked["hint"] - marked["single"]
            row.append(_figure(value) if i in marked["single"] else None)
            row.append(_figure(value) if hinted else None)
            row += [
                _figure(v) for v in (its.averages[i], its.average_lower[i], its.average_upper[i])
            ]
            row.append(_figure(its.averages[i]) if i in marked["average"] else None)
        records.append(row)
    return records


def _mark(rule: Rule) -> str:
    """As what the values of a signal are marked on a chart."""
    if rule in HINTS:
        return "hint"
    return "average" if rule == "ewma-beyond-limits" else "single"


def _figure(value: float) -> float:
    # six digits are more than any reading has
    return float(f"{value:.6g}")


# -- charts --------------------------------------------------------------------------------------


def _charts(
    book: Any,
    styles: Styles,
    sheet: Any,
    found: Sequence[Drift],
    places: Sequence[tuple[int, int]],
) -> None:
    set_page(sheet, True, TITLE, "")
    sheet.fit_to_pages(1, 0)
    sheet.set_column(0, 15, 9)
    sheet.write_string(0, 0, "Charts", styles("title", wrap=False))
    line, drawn = 2, 0
    breaks = []
    for one, place in zip(found, places, strict=True):
        if one.chart is None:
            continue
        if drawn and drawn % CHARTS_A_PAGE == 0:
            breaks.append(line)
        kind = f"{one.series.practical} · {one.series.name} · {state_text(one)}"
        style = "doubtful" if one.alarm else "ok"
        sheet.write_string(line, 0, kind, styles(style, wrap=False))
        for column, averaged in ((0, False), (8, True)):
            chart = _chart(book, one, one.chart, place, averaged)
            sheet.insert_chart(line + 1, column, chart, {"object_position": 2})
        off = [(one.series.origins[i], one.series.values[i]) for i in _scale(one.chart)[1]]
        if off:
            names = [
                f"row {p.row} ({p.year}), {significant(value, 2)} {one.series.unit}".rstrip()
                for p, value in off
            ]
            below = line + ROWS_A_CHART - 1
            sheet.write_string(below, 0, off_text(names), styles("note", wrap=False))
        line += ROWS_A_CHART
        drawn += 1
    sheet.set_h_pagebreaks(breaks)
    if not drawn:
        text = "No series has enough values for a chart yet."
        sheet.write_string(2, 0, text, styles("note", wrap=False))


def _chart(book: Any, one: Drift, its: Chart, place: tuple[int, int], averaged: bool) -> Any:
    names = (
        ("moving average", "its lower limit", "its upper limit", "average with a signal")
        if averaged
        else ("value", "lower limit", "upper limit", "value with a signal")
    )
    chart = book.add_chart({"type": "scatter", "subtype": "straight"})
    at, low, high, signalled = (_AT[name] for name in names)

    def add(column: int, name: str, looks: dict[str, Any]) -> None:
        chart.add_series(
            {
                "name": chart_text(name),
                "categories": [NUMBERS, place[0], _AT["order"], place[1], _AT["order"]],
                "values": [NUMBERS, place[0], column, place[1], column],
                **looks,
            }
        )

    no_mark = {"marker": {"type": "none"}}
    dashed = {"line": {"color": ALERT, "width": 1.0, "dash_type": "dash"}}
    colour = SERIES[0]
    dot = {"type": "circle", "size": 5, "border": {"color": colour}, "fill": {"color": colour}}
    add(at, names[0], {"marker": dot, "line": {"color": SOFT, "width": 0.75}})
    add(_AT["centre"], "centre", {**no_mark, "line": {"color": LINE, "width": 1.0}})
    add(low, "limits", {**no_mark, **dashed})
    add(high, "upper limit", {**no_mark, **dashed})
    marks = {_mark(s.rule) for s in one.signals}
    if ("average" if averaged else "single") in marks:
        add(signalled, "signal", _diamond(ALERT))
    if "hint" in marks and not averaged:
        add(_AT["value with a hint"], "hint", _diamond(SERIES[2]))
    averages = [*its.averages, *its.average_lower, *its.average_upper]
    scale = axis(averages) if averaged else _scale(its)[0]
    what = "moving average (EWMA)" if averaged else "single values"
    y_title = f"{KINDS[one.series.kind]}" if one.series.kind != "quantity" else one.series.title
    y_title = f"{y_title} / {one.series.unit}" if one.series.unit else y_title
    title = f"{one.series.name}: {what}"
    finish(chart, (title, _order_title(one), y_title), (_order_axis(one), scale))
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
    return {
        "marker": {"type": "diamond", "size": 9, "border": paint, "fill": paint},
        "line": {"none": True},
    }


def _scale(its: Chart) -> tuple[Axis, list[int]]:
    """The axis of single values, and the positions of those that are not on it.

    Slips that would press the rest of a chart flat do not widen it; what lasts is drawn.
    """
    low, high = ends(its.baseline.centre, (its.upper - its.baseline.centre) / WIDTH)
    far: set[int] = set()
    for off, run in groupby(range(len(its.values)), lambda i: not low <= its.values[i] <= high):
        positions = list(run)
        if off and len(positions) < LASTING:
            far |= set(positions)
    near = [value for i, value in enumerate(its.values) if i not in far]
    scale = axis([its.lower, its.upper, *near])
    # beside others that last a slip may well be on it
    return scale, sorted(i for i in far if not scale.low <= its.values[i] <= scale.high)


def _order_axis(one: Drift) -> Axis:
    last = len(one.series.values) + 1
    return Axis(0.0, float(last), max(1.0, axis([0.0, float(last)]).step))


def _order_title(one: Drift) -> str:
    """``in order of adding (2024: 1–12, 2025: 13–24)``."""
    spans: dict[int, list[int]] = {}
    for i, p in enumerate(one.series.origins, 1):
        spans.setdefault(p.year, []).append(i)
    parts = [f"{year}: {s[0]}–{s[-1]}" if len(s) > 1 else f"{year}: {s[0]}"
             for year, s in spans.items()]  # fmt: skip
    return f"in order of adding ({', '.join(parts)})"
