"""A new register: lists to fill in a spreadsheet program, and check sheets to print or fill."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any

from xlsxwriter.utility import xl_rowcol_to_cell as cell

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
from sheetlab.workbook.style import Styles, lines_needed, set_page
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
    _front(book, styles)
    for name, columns in LISTS.items():
        if columns is SETUPS:
            extra = [
                ListColumn(key, key, "text", 13, f"Id of the {t}.") for key, t in parts.items()
            ]
            _list(
                book, styles, name, [*columns[:-1], *extra, columns[-1]], ["", "", *parts.values()]
            )
        else:
            _list(book, styles, name, columns)
    _micrometer(book, styles)
    _masses(book, styles)
    _scale(book, styles)
    _level(book, styles)
    book.close()
    return buffer.getvalue()


def _text(
    sheet: Any, styles: Styles, row: int, text: str, style: str, widths: Sequence[float]
) -> None:
    last, size = len(widths) - 1, 15 if style == "title" else 10
    sheet.merge_range(row, 0, row, last, "", styles(style))
    sheet.write_string(row, 0, text, styles(style))
    lines = lines_needed(text, sum(widths), size)
    sheet.set_row(row, lines * LINE_HEIGHT * size / 10 + 3)


def _front(book: Any, styles: Styles) -> None:
    sheet = book.add_worksheet("Register")
    set_page(sheet, False, TITLE, "")
    widths = [10.3] * 9
    sheet.set_column(0, 8, 10.3)
    _text(sheet, styles, 0, TITLE, "title", widths)
    _text(sheet, styles, 2, "How to keep it", "heading", widths)
    for i, text in enumerate(HOW_TO):
        _text(sheet, styles, 3 + i, f"{i + 1}. {text}", "step", widths)
    row = 4 + len(HOW_TO)
    _text(sheet, styles, row, "What a zero error is", "heading", widths)
    _text(
        sheet, styles, row + 1,
        "What the instrument shows with closed jaws. It is positive when the zero mark stands "
        "short of the line (of a vernier: right of the main zero), and negative past it. "
        "Corrected reading = reading − zero error.", "plain", widths,
    )  # fmt: skip
    sheet.fit_to_pages(1, 1)


def _list(
    book: Any,
    styles: Styles,
    name: str,
    columns: Sequence[ListColumn],
    over: Sequence[str] = (),
) -> None:
    """A list: title, note, a line over the headings if there is one, headings, empty rows."""
    sheet = book.add_worksheet(name)
    widths = [column.width for column in columns]
    set_page(sheet, sum(widths) > PORTRAIT_WIDTH, TITLE, "")
    for i, width in enumerate(widths):
        sheet.set_column(i, i, width)
    _text(sheet, styles, 0, name, "title", widths)
    _text(sheet, styles, 1, NOTES[name], "note", widths)
    head = 3
    for i, text in enumerate(over):
        sheet.write_string(2, i, text, styles("rule"))
    if over:
        sheet.set_row(2, 3 * LINE_HEIGHT + 2)
    lines = max(lines_needed(c.title, c.width - 2, 9) for c in columns)
    sheet.set_row(head, lines * 12.5 + 4)
    for i, column in enumerate(columns):
        sheet.write_string(head, i, column.title, styles("column"))
        style = "input-text" if column.kind == "text" else "input"
        look = styles(style, DAY if column.kind == "date" else "")
        for row in range(ROWS[name]):
            sheet.write_blank(head + 1 + row, i, None, look)
        sheet.data_validation(head + 1, i, head + ROWS[name], i, _validation(column))
    sheet.freeze_panes(head + 1, 1)
    sheet.repeat_rows(head)
    sheet.print_area(0, 0, head + ROWS[name], len(columns) - 1)
    sheet.fit_to_pages(1, 0)


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


def _check_sheet(
    book: Any, styles: Styles, name: str, note: str, asked: Sequence[str]
) -> tuple[Any, list[float], int]:
    """Title, note and the cells that say what was checked; the next free row."""
    sheet = book.add_worksheet(name)
    set_page(sheet, False, TITLE, "")
    widths = [11.0] * CHECK_COLUMNS
    sheet.set_column(0, CHECK_COLUMNS - 1, 11)
    _text(sheet, styles, 0, name, "title", widths)
    _text(sheet, styles, 1, note, "note", widths)
    row = 3
    for i, text in enumerate(asked):
        line, left = row + i // 2, 5 * (i % 2)
        sheet.set_row(line, 19)
        sheet.write_string(line, left, text, styles("label", wrap=False))
        look = styles("input-text", DAY if text == "date" else "")
        sheet.merge_range(line, left + 2, line, left + 3, "", look)
    return sheet, widths, row + (len(asked) + 1) // 2 + 1


def _heads(sheet: Any, styles: Styles, row: int, heads: Sequence[str]) -> None:
    sheet.set_row(row, 12.5 * max(lines_needed(h, 9, 9) for h in heads) + 4)
    for i, text in enumerate(heads):
        sheet.write_string(row, i, text, styles("column"))


def _limits(
    sheet: Any,
    styles: Styles,
    row: int,
    title: str,
    rules: Sequence[ScaleLimit],
    widths: list[float],
) -> None:
    """Permissible errors with their sources, for comparison."""
    _text(sheet, styles, row, title, "heading", widths)
    spans = ((0, 3, "instrument"), (4, 5, "permissible error"), (6, 8, "where from"))
    for first, last, text in spans:
        sheet.merge_range(row + 1, first, row + 1, last, text, styles("column"))
    for i, one in enumerate(rules):
        line = row + 2 + i
        sheet.set_row(line, 2 * LINE_HEIGHT + 2)
        texts = (one.instrument, one.rule, f"{one.source}; {one.provenance}")
        for (first, last, _), text in zip(spans, texts, strict=True):
            sheet.merge_range(line, first, line, last, "", styles("cell"))
            sheet.write_string(line, first, text, styles("cell"))


def _within(error: str, limit: str) -> str:
    both = f"AND(ISNUMBER({error}),ISNUMBER({limit}))"
    return f'=IF({both},IF(ABS({error})<={limit}*1.000000001,"yes","no"),"")'


def _micrometer(book: Any, styles: Styles) -> None:
    sheet, widths, row = _check_sheet(
        book, styles, SHEET_CHECKS[0],
        "Micrometer against gauge blocks or wires of known diameter. Clean the faces, let "
        "everything lie in the room for an hour, and always use the ratchet. Choose sizes over the "
        "whole range that stop the thimble at different places (not whole turns only).",
        ("instrument id", "date", "unit", "checked by", "gauge blocks or wires used",
         "temperature / °C", "permissible error ±", "remark"),
    )  # fmt: skip
    limit = cell(6, 2, True, True)
    _text(sheet, styles, row, "1. Zero error: jaws closed, five times", "heading", widths)
    _heads(sheet, styles, row + 1, ["", *(str(i + 1) for i in range(5)), "mean zero error"])
    sheet.write_string(row + 2, 0, "zero error", styles("label"))
    for i in range(1, 6):
        sheet.write_blank(row + 2, i, None, styles("input"))
    zeros = f"{cell(row + 2, 1)}:{cell(row + 2, 5)}"
    zero = cell(row + 2, 6, True, True)
    sheet.write_formula(
        row + 2, 6, f'=IF(COUNT({zeros})=0,"",AVERAGE({zeros}))', styles("worked", "0.0000"), ""
    )
    sheet.set_row(row + 2, 21)
    _text(
        sheet, styles, row + 3,
        "Positive when the zero mark stands short of the line. The mean belongs into Zero history.",
        "rule", widths,
    )  # fmt: skip
    row += 5
    _text(sheet, styles, row, "2. Sizes: three readings of each", "heading", widths)
    _heads(
        sheet, styles, row + 1,
        ["size", "known to ±", "reading 1", "reading 2", "reading 3", "mean",
         "error = mean − zero − size", "permissible ±", "within?"],
    )  # fmt: skip
    for line in range(row + 2, row + 12):
        sheet.set_row(line, 21)
        for column in range(5):
            sheet.write_blank(line, column, None, styles("input"))
        size, mean, error = cell(line, 0), cell(line, 5), cell(line, 6)
        readings = f"{cell(line, 2)}:{cell(line, 4)}"
        worked = styles("worked", "0.0000")
        sheet.write_formula(line, 5, f'=IF(COUNT({readings})=0,"",AVERAGE({readings}))', worked, "")
        known = f"AND(ISNUMBER({size}),ISNUMBER({mean}),ISNUMBER({zero}))"
        sheet.write_formula(line, 6, f'=IF({known},{mean}-{zero}-{size},"")', worked, "")
        sheet.write_formula(
            line, 7, f'=IF(AND(ISNUMBER({limit}),ISNUMBER({size})),{limit},"")',
            styles("worked"), "",
        )  # fmt: skip
        sheet.write_formula(line, 8, _within(error, cell(line, 7)), styles("worked"), "")
    _limits(
        sheet, styles, row + 13,
        "For comparison (ISO 3611:2010 leaves the permissible error to the maker)",
        MICROMETER_LIMITS, widths,
    )  # fmt: skip
    sheet.fit_to_pages(1, 1)


def _masses(book: Any, styles: Styles) -> None:
    sheet, widths, row = _check_sheet(
        book, styles, SHEET_CHECKS[1],
        "Masses against a balance. The balance should be good to a third of the permissible error "
        "(check it with a known mass first). Masses of one batch are often wrong in the same "
        "direction: look at the signs, and at chips and paint.",
        ("set of masses", "date", "balance", "checked by", "its smallest step / g", "remark"),
    )  # fmt: skip
    heads = ["mass id", "marked / g", "class", "permissible ± / mg", "balance shows / g",
             "error / mg", "error as a fraction", "within?"]  # fmt: skip
    _heads(sheet, styles, row, heads)
    first, many = row + 1, 16
    table = first + many + 2
    top, bottom = table + 1, table + len(MASS_LIMITS)
    nominal = f"{cell(top, 0, True, True)}:{cell(bottom, 0, True, True)}"
    classes = f"{cell(table, 1, True, True)}:{cell(table, len(MASS_CLASSES), True, True)}"
    block = f"{cell(top, 1, True, True)}:{cell(bottom, len(MASS_CLASSES), True, True)}"
    for line in range(first, first + many):
        sheet.set_row(line, 19)
        for column in (0, 1, 2, 4):
            sheet.write_blank(line, column, None, styles("input"))
        marked, its_class, shows = cell(line, 1), cell(line, 2), cell(line, 4)
        limit, error = cell(line, 3), cell(line, 5)
        found = f"INDEX({block},MATCH({marked},{nominal},0),MATCH({its_class},{classes},0))"
        sheet.write_formula(
            line, 3,
            f'=IF(OR({marked}="",{its_class}=""),"",IFERROR({found},"not in table"))',
            styles("worked"), "",
        )  # fmt: skip
        both = f"AND(ISNUMBER({marked}),ISNUMBER({shows}))"
        sheet.write_formula(
            line, 5, f'=IF({both},({shows}-{marked})*1000,"")', styles("worked", "0.0"), ""
        )
        sheet.write_formula(
            line, 6, f'=IF({both},({shows}-{marked})/{marked},"")', styles("worked", "0.00000"), ""
        )
        sheet.write_formula(line, 7, _within(error, limit), styles("worked"), "")
    sheet.data_validation(
        first, 2, first + many - 1, 2,
        {"validate": "list", "source": list(MASS_CLASSES), "ignore_blank": True},
    )  # fmt: skip
    _text(sheet, styles, table - 1, MASS_SOURCE, "heading", widths)
    _heads(sheet, styles, table, ["marked / g", *MASS_CLASSES])
    for i, (grams, limits) in enumerate(MASS_LIMITS.items()):
        for column, value in enumerate((float(grams), *limits)):
            sheet.write_number(top + i, column, value, styles("figure"))
    _text(
        sheet, styles, bottom + 1,
        "Ordinary slotted masses have no class; a maker's “± 1 %” of 100 g is 1000 mg. Write the "
        "largest error, as a fraction, as permissible error of the set into Instruments.",
        "rule", widths,
    )  # fmt: skip
    sheet.fit_to_pages(1, 1)


def _scale(book: Any, styles: Styles) -> None:
    sheet, widths, row = _check_sheet(
        book, styles, SHEET_CHECKS[2],
        "Metre scale against a steel rule. Lay them edge to edge and read the steel rule, to a "
        "tenth of a millimetre, at two marks of the scale. Begin at a mark inside; compare the "
        "worn end with an inner mark in a row of its own.",
        ("scale id", "date", "steel rule", "checked by", "temperature / °C", "remark"),
    )  # fmt: skip
    _heads(
        sheet, styles, row,
        ["row", "from mark / cm", "to mark / cm", "rule at first / mm", "rule at second / mm",
         "by the scale / mm", "by the rule / mm", "error of the scale / mm",
         "error as a fraction"],
    )  # fmt: skip
    for i in range(12):
        line = row + 1 + i
        sheet.set_row(line, 21)
        sheet.write_number(line, 0, i + 1, styles("number-label"))
        for column in range(1, 5):
            sheet.write_blank(line, column, None, styles("input"))
        start, end, left, right = (cell(line, column) for column in range(1, 5))
        scale, rule = cell(line, 5), cell(line, 6)
        formulas = (
            (5, f'=IF(COUNT({start},{end})=2,10*ABS({end}-{start}),"")', "0.0"),
            (6, f'=IF(COUNT({left},{right})=2,ABS({right}-{left}),"")', "0.0"),
            (7, f'=IF(COUNT({scale},{rule})=2,{scale}-{rule},"")', "0.00"),
            (8, f'=IF(COUNT({scale},{rule})=2,IF({rule}>0,{scale}/{rule}-1,""),"")', "0.00000"),
        )
        for column, formula, look in formulas:
            sheet.write_formula(line, column, formula, styles("worked", look), "")
    _limits(
        sheet, styles, row + 14,
        "For comparison (L in metres, rounded up to the next whole metre, if nothing else is said)",
        SCALE_LIMITS, widths,
    )  # fmt: skip
    sheet.fit_to_pages(1, 1)


SETTINGS = 5
"""Settings of the bubble at one load."""


def _level(book: Any, styles: Styles) -> None:
    sheet, widths, row = _check_sheet(
        book, styles, SHEET_CHECKS[3],
        "Spirit level that a micrometer screw sets, in its place and under load. Turn the screw "
        "away each time, bring the bubble to its mark, always turning the same way to it, wait "
        "until it rests, and read the screw. In Instruments a level is a row of kind nominal; its "
        "permissible error is that of one setting.",
        ("level id", "date", "unit of screw", "checked by", "screw id", "temperature / °C",
         "permissible error ±", "remark"),
    )  # fmt: skip
    limit = cell(6, 2, True, True)
    _text(
        sheet, styles, row, "1. Settings: the bubble set five times at one load, a row a load",
        "heading", widths,
    )  # fmt: skip
    _heads(
        sheet, styles, row + 1,
        ["load", *(f"setting {i + 1}" for i in range(SETTINGS)), "range", "standard deviation",
         "within?"],
    )  # fmt: skip
    worked = styles("worked", "0.0000")
    for line in range(row + 2, row + 8):
        sheet.set_row(line, 21)
        for column in range(1 + SETTINGS):
            sheet.write_blank(line, column, None, styles("input"))
        settings = f"{cell(line, 1)}:{cell(line, SETTINGS)}"
        spread, deviation = cell(line, 6), cell(line, 7)
        every = f"COUNT({settings})={SETTINGS}"
        sheet.write_formula(line, 6, f'=IF({every},MAX({settings})-MIN({settings}),"")', worked, "")
        sheet.write_formula(line, 7, f'=IF({every},STDEV({settings}),"")', worked, "")
        known = f"AND(ISNUMBER({spread}),ISNUMBER({limit}))"
        both = f"AND({spread}<=2*{limit}*1.000000001,{deviation}<=0.5*{limit}*1.000000001)"
        sheet.write_formula(line, 8, f'=IF({known},IF({both},"yes","no"),"")', styles("worked"), "")
    _text(
        sheet, styles, row + 8,
        "Within: the range is at most twice the permissible error, and the standard deviation at "
        "most half of it, since twice the standard deviation covers about 95 % of settings (common "
        "practice, no source). All five settings are needed. If they creep one way, what is "
        "loaded or the room is not at rest: wait, and take them again.",
        "rule", widths,
    )  # fmt: skip
    row += 10
    _text(
        sheet, styles, row,
        "2. Sensitivity: the bubble one division of its vial to the left, then to the right",
        "heading", widths,
    )  # fmt: skip
    _heads(
        sheet, styles, row + 1,
        ["row", "left 1", "left 2", "right 1", "right 2",
         "pivot to screw, same unit", "screw for one division", "tilt for one division / (mm/m)",
         "tilt for one division / ″"],
    )  # fmt: skip
    for i in range(3):
        line = row + 2 + i
        sheet.set_row(line, 21)
        sheet.write_number(line, 0, i + 1, styles("number-label"))
        for column in range(1, 6):
            sheet.write_blank(line, column, None, styles("input"))
        left = f"{cell(line, 1)}:{cell(line, 2)}"
        right = f"{cell(line, 3)}:{cell(line, 4)}"
        arm, travel = cell(line, 5), cell(line, 6)
        known = f"AND(ISNUMBER({travel}),N({arm})>0)"
        formulas = (
            (6, f"IF(AND(COUNT({left})>0,COUNT({right})>0),"
                f'ABS(AVERAGE({right})-AVERAGE({left}))/2,"")', "0.0000"),
            (7, f'IF({known},1000*{travel}/{arm},"")', "0.000"),
            (8, f'IF({known},3600*DEGREES(ATAN({travel}/{arm})),"")', "0.0"),
        )  # fmt: skip
        for column, formula, look in formulas:
            sheet.write_formula(line, column, f"={formula}", styles("worked", look), "")
    _text(
        sheet, styles, row + 5,
        "Compare with what is engraved on the vial; its maker usually states the tilt for 2 mm of "
        "travel, which is one division where the marks are 2 mm apart. A bubble that sticks, or "
        "stops at different places from left and right, cannot be set well: clean the pivot, or "
        "change the vial.",
        "rule", widths,
    )  # fmt: skip
    _limits(
        sheet, styles, row + 7, "For comparison (error of one setting)", LEVEL_LIMITS, widths
    )  # fmt: skip
    sheet.fit_to_pages(1, 1)
