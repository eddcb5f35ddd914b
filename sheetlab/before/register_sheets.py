"""A new register: lists to fill in a spreadsheet program, and check sheets to print or fill."""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from xlsxwriter.utility import xl_range_abs

from sheetlab.before.register import LISTS, SETUPS
from sheetlab.handling.tables import ListColumn
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
    "Instruments": "A row an instrument. Numbers are in the unit of the row. Leave empty what you "
    "do not know; nothing is compared with an empty cell.",
    "Zero history": "A row each time the zero error was taken, the newest below. Only add; do not "
    "change old rows.",
    "Wires": "A row a wire. The diameter is that of the bare metal, measured with a checked "
    "instrument.",
    "Set-ups": "A row a set-up: which wire and which instrument of the register stands for each "
    "one that a practical names. Add a column for others, headed by the name in the practical.",
}
HOW_TO = (
    "Label every instrument, wire and bench, and use the same labels here. Spaces, hyphens and "
    "capital letters make no difference.",
    "Fill the lists Instruments, Wires and Set-ups. Add and move columns and rows as you like; the "
    "coloured headings have to stay as they are.",
    "After each check add a row to Zero history, and the day to “last check”.",
    "The check sheets can be printed and filled by hand, or filled here: they work out errors and "
    "say whether these are within the permissible error.",
    "Type “sheetlab register check” with the name of this file: it lists cells that are wrong or "
    "do not fit each other.",
    "“sheetlab issue” with the option --register writes workbooks that know their set-up.",
)
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


def _front(page: Page) -> None:
    page.line(TITLE, "title")
    page.gap(0)
    page.line("How to keep it", "heading")
    for i, text in enumerate(HOW_TO, 1):
        page.line(f"{i}. {text}", "step")
    page.gap(0)
    page.line("What a zero error is", "heading")
    page.line(
        "What the instrument shows with closed jaws. It is positive when the zero mark stands "
        "short of the line (of a vernier: right of the main zero), and negative past it. "
        "Corrected reading = reading − zero error."
    )


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
    page.line(NOTES[name], "note")
    for i, text in enumerate(over):
        page.put(i, text, "rule")
    page.gap(3 * LINE_HEIGHT + 2 if over else 0)
    lines = max(lines_needed(one.title, one.width - 2, 9) for one in columns)
    table = page.open_table(columns, height=lines * 12.5 + 4, rows=ROWS[name])
    for _ in range(ROWS[name]):
        table.write(None, 0)
    table.freeze(through=columns[0].key)
    sheet.print_area(0, 0, page.row - 1, len(columns) - 1)


def _validation(column: ListColumn) -> dict[str, Any]:
    common: dict[str, Any] = {
        "ignore_blank": True,
        "input_title": column.title[:32],
        "input_message": column.help[:250],
    }
    match column.kind:
        case "choice":
            return {
                **common, "validate": "list", "source": list(column.choices),
                "error_title": "Choose from the list",
                "error_message": "Please choose one of the entries of the list in this cell.",
            }  # fmt: skip
        case "unit":
            return {
                **common, "validate": "list", "source": list(column.choices),
                "error_type": "information", "error_title": "Another unit",
                "error_message": "Is it a unit such as mm, cm, s or kg?",
            }  # fmt: skip
        case "number":
            return {
                **common, "validate": "decimal", "criteria": "between", "minimum": -1e9,
                "maximum": 1e9, "error_title": "A number is needed",
                "error_message": "Type a number without its unit.",
            }  # fmt: skip
        case "date":
            return {
                **common, "validate": "date", "criteria": ">", "value": EPOCH.date().replace(1950),
                "error_title": "A date is needed", "error_message": "Type the day as 2026-09-01.",
            }  # fmt: skip
    return {
        **common, "validate": "length", "criteria": "<=", "value": 60, "error_title": "Too long",
        "error_message": "Please use at most 60 characters.",
    }  # fmt: skip


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
    for i in range(count):
        table.write({"row": i + 1}, height)
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
        table.write(rule, 2 * LINE_HEIGHT + 2)


ROW = Column("row", "row", format="number-label")


def _micrometer(page: Page) -> None:
    _asked(
        page,
        "Micrometer against gauge blocks or wires of known diameter. Clean the faces, let "
        "everything lie in the room for an hour, and always use the ratchet. Choose sizes over the "
        "whole range that stop the thimble at different places (not whole turns only).",
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
        "Positive when the zero mark stands short of the line. The mean belongs into Zero history.",
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
        "Masses against a balance. The balance should be good to a third of the permissible error "
        "(check it with a known mass first). Masses of one batch are often wrong in the same "
        "direction: look at the signs, and at chips and paint.",
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
        "Ordinary slotted masses have no class; a maker's “± 1 %” of 100 g is 1000 mg. Write the "
        "largest error, as a fraction, as permissible error of the set into Instruments.",
        "rule",
    )


def _scale(page: Page) -> None:
    _asked(
        page,
        "Metre scale against a steel rule. Lay them edge to edge and read the steel rule, to a "
        "tenth of a millimetre, at two marks of the scale. Begin at a mark inside; compare the "
        "worn end with an inner mark in a row of its own.",
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
        "Spirit level that a micrometer screw sets, in its place and under load. Turn the screw "
        "away each time, bring the bubble to its mark, always turning the same way to it, wait "
        "until it rests, and read the screw. In Instruments a level is a row of kind nominal; its "
        "permissible error is that of one setting.",
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
        "Within: the range is at most twice the permissible error, and the standard deviation at "
        "most half of it, since twice the standard deviation covers about 95 % of settings (common "
        "practice, no source). All five settings are needed. If they creep one way, what is "
        "loaded or the room is not at rest: wait, and take them again.",
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
        "Compare with what is engraved on the vial; its maker usually states the tilt for 2 mm of "
        "travel, which is one division where the marks are 2 mm apart. A bubble that sticks, or "
        "stops at different places from left and right, cannot be set well: clean the pivot, or "
        "change the vial.",
        "rule",
    )
    page.gap(0)
    _limits(page, "For comparison (error of one setting)", LEVEL_LIMITS)
