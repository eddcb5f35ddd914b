"""The guide workbook: what every function does, and its worked lines as live formulas."""

from __future__ import annotations

import io

from sheetlab.live.functions import FUNCTIONS
from sheetlab.workbook.style import BOOK_OPTIONS, Styles, set_page


def guide() -> bytes:
    """The guide as a workbook file."""
    import xlsxwriter

    data = io.BytesIO()
    book = xlsxwriter.Workbook(data, BOOK_OPTIONS)
    style = Styles(book)
    sheet = book.add_worksheet("Functions")
    set_page(sheet, True, "Functions", "")
    sheet.set_column(0, 0, 24)
    sheet.set_column(1, 1, 90)
    for row, one in enumerate(FUNCTIONS.values()):
        sheet.write_string(row, 0, one.id, style("label"))
        sheet.write_string(row, 1, f"{one.title}. {one.help}", style("note"))
    book.close()
    return data.getvalue()
