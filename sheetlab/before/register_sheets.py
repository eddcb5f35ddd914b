"""A new register: lists to fill in a spreadsheet program, and check sheets to print or fill."""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from xlsxwriter.utility import xl_range_abs

from sheetlab.before.register import LISTS, SETUPS
from sheetlab.handling.tables import ListColumn
from sheetlab.messages import Phrase, said
from sheetlab.practical.standards import (
    LEVEL_LIMITS,
    MASS_CLASSES,
    MASS_LIMITS,
    MASS_SOURCE,
    MICROMETER_LIMITS,
    SCALE_LIMITS,
    ScaleLimit,
)
from sheetlab.workbook.book import Book
from sheetlab.workbook.page import Cell, Column, Page, Table, new_page
from sheetlab.workbook.style import Styles, lines_needed
from sheetlab.workbook.template import EPOCH, LINE_HEIGHT

TITLE = "Register of instruments, wires and set-ups"
DAY = "yyyy-mm-dd"
ROWS: Mapping[str, int] = {"Instruments": 60, "Zero history": 120, "Wires": 40, "Set-ups": 40}
NOTES: Mapping[str, str] = {
    "Instruments": "register-note-instruments", "Zero history": "register-note-zeros",
    "Wires": "register-note-wires", "Set-ups": "register-note-setups",
}  # fmt: skip
HOW_TO = (
    "register-step-label", "register-step-fill", "register-step-check", "register-step-sheets",
    "register-step-command", "register-step-issue",
)  # fmt: skip
PORTRAIT_WIDTH = 95
CHECK_COLUMNS = 9
SHEET_CHECKS = ("Check micrometer", "Check masses", "Check scale", "Check level")


def new_register(parts: Mapping[str, str]) -> bytes:
    """An empty register as a file.

    Parameters
    ----------
    parts
        Instruments of the practicals that there are: id -> title; each heads a column of Set-ups.
    """
    buffer = io.BytesIO()
    book = Book(buffer)
    book.set_properties({"title": TITLE, "created": EPOCH})
    styles = Styles(book)
    _front(new_page(book.add_worksheet("Register"), styles, [10.3] * 9, (TITLE, ""), False, (1, 1)))
    for name, columns in LISTS.items():
        extra, over = [], []
        if columns is SETUPS:
            extra = [
                ListColumn(part, width=13, help=f"Id of the {title}.")
                for part, title in parts.items()
            ]
            over = ["", "", *parts.values()]
        _list(book, styles, name, [*columns[:-1], *extra, columns[-1]], over)
    for name, write in zip(SHEET_CHECKS, (_micrometer, _masses, _scale, _level), strict=True):
        widths = [11.0] * CHECK_COLUMNS
        page = new_page(book.add_worksheet(name), styles, widths, (TITLE, ""), False, (1, 1))
        page.line(name, "title")
        write(page)
    book.close()
    return buffer.getvalue()


def _said(message: str) -> str:
    return said(Phrase(message))


def _front(page: Page) -> None:
    page.line(TITLE, "title")
    page.gap(0)
    page.line("How to keep it", "heading")
    for step in HOW_TO:
        page.line(_said(step), "step")
    page.gap(0)
    page.line("What a zero error is", "heading")
    page.line(_said("register-zero"))


def _list(
    book: Any, styles: Styles, name: str, listed: Sequence[ListColumn], over: Sequence[str]
) -> None:
    """A list: title, note, a line over the headings if there is one, headings, empty rows."""
    columns = [
        Column(
            one.key, one.title, one.width, format="input-text" if one.kind == "text" else "input",
            shape=DAY if one.kind == "date" else None, asked=_validation(one),
        )
        for one in listed
    ]  # fmt: skip
    sheet = book.add_worksheet(name)
    wide = sum(column.width for column in columns) > PORTRAIT_WIDTH
    page = new_page(sheet, styles, columns, (TITLE, ""), wide)
    page.line(name, "title")
    page.line(_said(NOTES[name]), "note")
    for i, text in enumerate(over):
        page.put(i, text, "rule")
    page.gap(3 * LINE_HEIGHT + 2 if over else 0)
    lines = max(lines_needed(one.title, one.width - 2, 9) for one in columns)
    table = page.open_table(columns, height=lines * 12.5 + 4, rows=ROWS[name])
    for _ in range(ROWS[name]):
        table.write(None, 0)
    table.freeze(through=columns[0].key)
    sheet.print_area(0, 0, page.row - 1, len(columns) - 1)


VALIDATIONS: Mapping[str, tuple[dict[str, Any], str, str]] = {
    "choice": ({"validate": "list"}, "Choose from the list", "register-choose"),
    "unit": (
        {"validate": "list", "error_type": "information"}, "Another unit", "register-other-unit"
    ),
    "number": (
        {"validate": "decimal", "criteria": "between", "minimum": -1e9, "maximum": 1e9},
        "A number is needed", "register-type-number",
    ),
    "date": (
        {"validate": "date", "criteria": ">", "value": EPOCH.date().replace(1950)},
        "A date is needed", "register-type-day",
    ),
    "text": (
        {"validate": "length", "criteria": "<=", "value": 60}, "Too long", "register-too-long"
    ),
}  # fmt: skip
"""By kind of column: what may be typed; title and message where something else is."""


def _validation(column: ListColumn) -> dict[str, Any]:
    rule, title, message = VALIDATIONS[column.kind]
    return {
        **rule,
        **({"source": list(column.choices)} if column.choices else {}),
        "ignore_blank": True,
        "input_title": column.title[:32],
        "input_message": column.help[:250],
        "error_title": title,
        "error_message": _said(message),
    }


# -- check sheets ----------------------------------------------------------------------------------


def _asked(page: Page, note: str, asked: Sequence[str]) -> None:
    """A note and the cells that say what was checked; formulas know them by their labels."""
    page.line(note, "note")
    page.gap(0)
    entries = [
        (text, text, Cell(None, DAY if text == "date" else None), "input-text") for text in asked
    ]
    page.fields(entries, (2, 2, 1, 2, 2), "label", 19)
    page.gap(0)


def _filled(keys: Iterable[str], heads: Iterable[str]) -> list[Column]:
    return [Column(key, head, format="input") for key, head in zip(keys, heads, strict=True)]


def _worked(key: str, head: str, formula: str, shape: str | None = None) -> Column:
    return Column(
        key, head, value=lambda _: Cell(None, formula=f"={formula}"), format="worked", shape=shape
    )


def _rows(page: Page, columns: Sequence[Column], count: int, height: float = 21) -> Table:
    """A table to be filled; columns without a format number its rows or name them."""
    lines = max(lines_needed(column.title, 9, 9) for column in columns)
    table = page.open_table(columns, height=12.5 * lines + 4, rows=count)
    blank = dict.fromkeys(column.key for column in columns)
    for i in range(count):
        table.write({**blank, "row": i + 1}, height)
    return table


def _within(error: str, limit: str) -> Column:
    both = f"AND(ISNUMBER({error}),ISNUMBER({limit}))"
    return _worked(
        "within", "within?", f'IF({both},IF(ABS({error})<={limit}*1.000000001,"yes","no"),"")'
    )


def _limits(page: Page, title: str, rules: Sequence[ScaleLimit]) -> None:
    """Permissible errors with their sources, for comparison."""
    page.line(title, "heading")
    columns = (
        Column("instrument", "instrument", value=lambda rule: rule.instrument, span=4),
        Column("limit", "permissible error", value=lambda rule: rule.rule, span=2),
        Column(
            "source", "where from", value=lambda rule: f"{rule.source}; {rule.provenance}", span=3
        ),
    )
    table = page.open_table(columns, height=0)
    for rule in rules:
        table.write(rule)


ROW = Column("row", "row", format="number-label")


def _micrometer(page: Page) -> None:
    _asked(
        page,
        _said("check-micrometer"),
        ("instrument id", "date", "unit", "checked by", "gauge blocks or wires used",
         "temperature / °C", "permissible error ±", "remark"),
    )  # fmt: skip
    page.line("1. Zero error: jaws closed, five times", "heading")
    zeros = _rows(
        page,
        [
            Column("name", "", value=lambda _: "zero error", format="label"),
            *_filled((f"z{i}" for i in range(1, 6)), "12345"),
            _worked("mean", "mean zero error", 'IF(COUNT({z1}:{z5})=0,"",AVERAGE({z1}:{z5}))',
                    "0.0000"),
        ],
        1,
    )  # fmt: skip
    page.named["zero"] = zeros.cell("mean", fixed=True)
    page.line(
        _said("check-micrometer-zero"),
        "rule",
    )
    page.gap(0)
    page.line("2. Sizes: three readings of each", "heading")
    known = "AND(ISNUMBER({size}),ISNUMBER({mean}),ISNUMBER({zero}))"
    limit = "{permissible error ±}"
    _rows(
        page,
        [
            *_filled(("size", "known", "r1", "r2", "r3"),
                     ("size", "known to ±", "reading 1", "reading 2", "reading 3")),
            _worked("mean", "mean", 'IF(COUNT({r1}:{r3})=0,"",AVERAGE({r1}:{r3}))', "0.0000"),
            _worked("error", "error = mean − zero − size",
                    f'IF({known},{{mean}}-{{zero}}-{{size}},"")', "0.0000"),
            _worked("limit", "permissible ±",
                    f'IF(AND(ISNUMBER({limit}),ISNUMBER({{size}})),{limit},"")'),
            _within("{error}", "{limit}"),
        ],
        10,
    )  # fmt: skip
    page.gap(0)
    _limits(
        page, "For comparison (ISO 3611:2010 leaves the permissible error to the maker)",
        MICROMETER_LIMITS,
    )  # fmt: skip


def _masses(page: Page) -> None:
    _asked(
        page,
        _said("check-masses"),
        ("set of masses", "date", "balance", "checked by", "its smallest step / g", "remark"),
    )
    count, classes = 16, len(MASS_CLASSES)
    # the published table stands below: its headings, then a row for each nominal mass
    head, bottom = page.row + count + 3, page.row + count + 3 + len(MASS_LIMITS)
    nominal = xl_range_abs(head + 1, 0, bottom, 0)
    named = xl_range_abs(head, 1, head, classes)
    block = xl_range_abs(head + 1, 1, bottom, classes)
    found = f"INDEX({block},MATCH({{marked}},{nominal},0),MATCH({{class}},{named},0))"
    both = "AND(ISNUMBER({marked}),ISNUMBER({shows}))"
    choice = {"validate": "list", "source": list(MASS_CLASSES), "ignore_blank": True}
    _rows(
        page,
        [
            *_filled(("id", "marked"), ("mass id", "marked / g")),
            Column("class", "class", format="input", asked=choice),
            _worked("limit", "permissible ± / mg",
                    f'IF(OR({{marked}}="",{{class}}=""),"",IFERROR({found},"not in table"))'),
            Column("shows", "balance shows / g", format="input"),
            _worked("error", "error / mg", f'IF({both},({{shows}}-{{marked}})*1000,"")', "0.0"),
            _worked("fraction", "error as a fraction",
                    f'IF({both},({{shows}}-{{marked}})/{{marked}},"")', "0.00000"),
            _within("{error}", "{limit}"),
        ],
        count, 19,
    )  # fmt: skip
    page.gap(0)
    page.line(MASS_SOURCE, "heading")
    published = [
        Column(name, name, format="figure", shape="") for name in ("marked / g", *MASS_CLASSES)
    ]
    lines = max(lines_needed(column.title, 9, 9) for column in published)
    table = page.open_table(published, height=12.5 * lines + 4)
    for grams, limits in MASS_LIMITS.items():
        table.write((float(grams), *limits), 0)
    page.line(
        _said("check-masses-class"),
        "rule",
    )


def _scale(page: Page) -> None:
    _asked(
        page,
        _said("check-scale"),
        ("scale id", "date", "steel rule", "checked by", "temperature / °C", "remark"),
    )
    _rows(
        page,
        [
            ROW,
            *_filled(("start", "end", "left", "right"),
                     ("from mark / cm", "to mark / cm", "rule at first / mm",
                      "rule at second / mm")),
            _worked("scale", "by the scale / mm",
                    'IF(COUNT({start},{end})=2,10*ABS({end}-{start}),"")', "0.0"),
            _worked("rule", "by the rule / mm",
                    'IF(COUNT({left},{right})=2,ABS({right}-{left}),"")', "0.0"),
            _worked("error", "error of the scale / mm",
                    'IF(COUNT({scale},{rule})=2,{scale}-{rule},"")', "0.00"),
            _worked("fraction", "error as a fraction",
                    'IF(COUNT({scale},{rule})=2,IF({rule}>0,{scale}/{rule}-1,""),"")', "0.00000"),
        ],
        12,
    )  # fmt: skip
    page.gap(0)
    _limits(
        page,
        "For comparison (L in metres, rounded up to the next whole metre, if nothing else is said)",
        SCALE_LIMITS,
    )


def _level(page: Page) -> None:
    _asked(
        page,
        _said("check-level"),
        ("level id", "date", "unit of screw", "checked by", "screw id", "temperature / °C",
         "permissible error ±", "remark"),
    )  # fmt: skip
    page.line("1. Settings: the bubble set five times at one load, a row a load", "heading")
    every, limit = "COUNT({s1}:{s5})=5", "{permissible error ±}"
    known = f"AND(ISNUMBER({{range}}),ISNUMBER({limit}))"
    both = f"AND({{range}}<=2*{limit}*1.000000001,{{deviation}}<=0.5*{limit}*1.000000001)"
    _rows(
        page,
        [
            *_filled(["load", *(f"s{i}" for i in range(1, 6))],
                     ["load", *(f"setting {i}" for i in range(1, 6))]),
            _worked("range", "range", f'IF({every},MAX({{s1}}:{{s5}})-MIN({{s1}}:{{s5}}),"")',
                    "0.0000"),
            _worked("deviation", "standard deviation", f'IF({every},STDEV({{s1}}:{{s5}}),"")',
                    "0.0000"),
            _worked("within", "within?", f'IF({known},IF({both},"yes","no"),"")'),
        ],
        6,
    )  # fmt: skip
    page.line(
        _said("check-level-within"),
        "rule",
    )
    page.gap(0)
    page.line(
        "2. Sensitivity: the bubble one division of its vial to the left, then to the right",
        "heading",
    )
    known = "AND(ISNUMBER({travel}),N({arm})>0)"
    _rows(
        page,
        [
            ROW,
            *_filled(("l1", "l2", "r1", "r2", "arm"),
                     ("left 1", "left 2", "right 1", "right 2", "pivot to screw, same unit")),
            _worked("travel", "screw for one division",
                    "IF(AND(COUNT({l1}:{l2})>0,COUNT({r1}:{r2})>0),"
                    'ABS(AVERAGE({r1}:{r2})-AVERAGE({l1}:{l2}))/2,"")', "0.0000"),
            _worked("slope", "tilt for one division / (mm/m)",
                    f'IF({known},1000*{{travel}}/{{arm}},"")', "0.000"),
            _worked("angle", "tilt for one division / ″",
                    f'IF({known},3600*DEGREES(ATAN({{travel}}/{{arm}})),"")', "0.0"),
        ],
        3,
    )  # fmt: skip
    page.line(
        _said("check-level-sensitivity"),
        "rule",
    )
    page.gap(0)
    _limits(page, "For comparison (error of one setting)", LEVEL_LIMITS)
