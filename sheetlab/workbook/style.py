"""Looks of every sheet that is written: one palette, one set of formats."""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import Any

from msgspec import Struct, field

from sheetlab.messages import harmless
from sheetlab.metrology.statement import MOST_PERCENT, decimals_of, digits_beside

INK = "#1F2A33"
SOFT = "#5C6B73"
RULE = "#B8C4C8"
BAND = "#DDE7E6"
INPUT = "#F3F7E4"
INPUT_EDGE = "#6F7F4E"
WORKED = "#F4F6F7"
ALERT = "#9A3412"
CAUTION = "#FBEEE4"
GOOD = "#2F6B4F"
SERIES = ("#1D4E68", "#B4632B", "#5B7F3B", "#7A4E8A")
LINE = "#303A40"
FONT = "Arial"
MOST_IN_FOOTER = 80
MOST_DECIMALS = 6
FOOTER_SIZE = 8.0
UPRIGHT_FOOTER, LYING_FOOTER = 523.0, 770.0
"""Points between the margins of an A4 page."""
DIGIT, HEADING_EM = 7.0, 12.0
"""Pixels: a digit of the sheet's font in Excel, and the size of a column's heading."""
PAGE_IN_FOOTER = "   page 100 of 100   "

BOOK_OPTIONS: dict[str, Any] = {
    "in_memory": True,
    "strings_to_formulas": False,
    "strings_to_urls": False,
    # column widths count digits of this font: one that every system has, or a twin of it
    # without a scheme of its own the library notes one here, and a second workbook differs
    "default_format_properties": {"font_name": FONT, "font_size": 10, "font_scheme": "none"},
}
"""Options of XlsxWriter for every workbook: no text becomes a formula or a link."""

_EDGE = {"border": 1, "border_color": RULE}
_TOP = {"text_wrap": True, "valign": "top"}
_CELL = {**_EDGE, "text_wrap": True, "indent": 1}
_FIGURE = {**_EDGE, "align": "right", "indent": 1}
_HEAD = {**_EDGE, "bold": True, "font_size": 9, "align": "center", "bg_color": BAND}
_TYPED = {"bg_color": INPUT, "border": 1, "border_color": INPUT_EDGE, "locked": False}
_STYLES: dict[str, dict[str, Any]] = {
    "title": {"bold": True, "font_size": 15},
    "heading": {"bold": True, "font_size": 11, "bg_color": BAND},
    "note": {**_TOP, "font_color": SOFT},
    "rule": {"font_color": SOFT, "font_size": 9, "italic": True, "text_wrap": True},
    "step": {**_TOP, "indent": 1},
    "caution-heading": {"bold": True, "font_size": 11, "font_color": ALERT, "bg_color": CAUTION},
    "caution": {**_TOP, "bg_color": CAUTION, "indent": 1},
    "plain": _TOP,
    "label": {"text_wrap": True},
    "unit": {"font_color": SOFT, "indent": 1},
    "column": {**_HEAD, "text_wrap": True},
    "column-optional": {**_HEAD, "text_wrap": True, "bold": False, "italic": True},
    "column-upright": {**_HEAD, "rotation": 90},
    "number-label": {**_EDGE, "align": "center", "font_color": SOFT},
    "input": {**_TYPED, "align": "center"},
    "input-choice": {**_TYPED, "align": "center", "font_size": 8, "text_wrap": True},
    "input-text": {**_TYPED, "align": "left", "indent": 1},
    "input-comment": {**_TYPED, "text_wrap": True, "indent": 1},
    "worked": {**_EDGE, "bg_color": WORKED, "align": "center"},
    "message": {"font_color": ALERT, "font_size": 8, "text_wrap": True},
    "statement": {"bold": True, "font_size": 14, "text_wrap": True},
    "formula": {"font_size": 11, "text_wrap": True, "indent": 1},
    "cell": _CELL,
    "cell-alert": {**_CELL, "font_color": ALERT},
    "cell-link": {**_CELL, "font_color": SERIES[0], "underline": 1},
    "figure": _FIGURE,
    "figure-total": {**_FIGURE, "bold": True},
    "box": {**_CELL, "valign": "top"},
    "ok": {"bold": True, "font_color": GOOD},
    "compared": {"bold": True, "font_color": GOOD, "align": "center"},
    "doubtful": {"bold": True, "font_color": ALERT},
    "failed": {"bold": True, "font_color": ALERT},
}


class Styles(Struct):
    """Formats of one workbook, made when first used."""

    book: Any
    made: dict[tuple[str, str, bool], Any] = field(default_factory=dict)

    def __call__(self, style: str, number_format: str = "", wrap: bool = True) -> Any:
        """The format of a style, with a number format if one is given."""
        key = (style, number_format, wrap)
        if key not in self.made:
            settings = {"font_name": FONT, "font_size": 10, "font_color": INK,
                        "valign": "vcenter", **_STYLES[style]}  # fmt: skip
            settings |= {"num_format": number_format} if number_format else {}
            settings |= {} if wrap else {"text_wrap": False}
            self.made[key] = self.book.add_format(settings)
        return self.made[key]


def set_page(sheet: Any, landscape: bool, title: str, whose: str) -> None:
    """Set a sheet up for A4, with practical, group, sheet and page in its footer."""
    sheet.hide_gridlines(2)
    sheet.set_paper(9)
    sheet.set_margins(left=0.5, right=0.5, top=0.6, bottom=0.7)
    if landscape:
        sheet.set_landscape()
    # nothing stands in the middle, where a long name would run into it
    room = LYING_FOOTER if landscape else UPRIGHT_FOOTER
    room -= _footer_width(sheet.name + PAGE_IN_FOOTER)
    left, group = (_in_footer(text, room) for text in (title, whose))
    together = _footer_width(f"{left}   {group}") <= room
    between = "   " if together and len(left) + len(group) <= MOST_IN_FOOTER else "\n "
    # without the space a digit behind the font size would be read as part of it
    sheet.set_footer(f"&L&8 {left}{between}{group}&R&8 &A   page &P of &N")


def chart_text(text: str) -> str:
    """A name for a chart that the file library does not take for a formula."""
    text = harmless(text)
    return f" {text}" if text.startswith("=") else text


def _in_footer(text: str, room: float = LYING_FOOTER) -> str:
    """A text, cut to a room, of which no part is a code for a picture, a path, a font …"""
    # the file library takes these two for codes even if the sign is doubled
    text = re.sub(r"&(?=[G\[])", "& ", harmless(text))[:MOST_IN_FOOTER]
    while len(text) + text.count("&") > MOST_IN_FOOTER or _footer_width(text) > room:
        text = text[:-1]
    return text.replace("&", "&&")


@lru_cache(maxsize=1000)
def _footer_width(text: str) -> float:
    """How wide a text is in a footer at most, in points (widths of Arial: from memory)."""
    return FOOTER_SIZE * sum(
        1.02 if c in "MWm@%…" or ord(c) > 0x24F else 0.78 if c.isupper() or c in "w&+" else 0.556
        for c in text
    )


def decimals_format(decimals: int | None) -> str:
    """Number format with so many decimals; general if None."""
    if decimals is None:
        return ""
    return "0" if decimals == 0 else "0." + "0" * decimals


def heading_lines(text: str, width: float) -> int:
    """Lines of a column's heading, which wraps at its spaces, in a width in digits."""
    room = width * DIGIT / HEADING_EM
    lines, left = 0, 0.0
    for word in text.split():
        wide = sum(_bold_width(character) for character in word)
        if wide > left:
            # a word that is longer than the line is broken
            lines += max(1, math.ceil(wide / room))
            left = room * max(1, math.ceil(wide / room))
        left -= wide + _bold_width(" ")
    return lines


def _bold_width(character: str) -> float:
    """How wide a letter is at most, in sizes of its font (widths of Arial bold: from memory)."""
    wide = 1.02 if ord(character) > 0x24F and not character.isalpha() else 0.78
    return _BOLD_WIDTHS.get(character, wide)


_BOLD_WIDTHS = {
    letter: wide
    for letters, wide in (
        (" ijlI.,:;/|'", 0.28), ("ft()-!", 0.34), ("r", 0.39), ("aceksvxyz0123456789", 0.56),
        ("bdghnopqu", 0.61), ("m", 0.89), ("W", 0.95),
    )
    for letter in letters
}  # fmt: skip

SHARE_FORMAT = r'[=0]0.0\ %;[<0.001]"< 0.1 %";0.0\ %'
"""Of a share of a whole: as ``statement.share`` writes it."""


def change_format(change: float) -> str:
    """Number format of a relative change: per cent, or times as ``statement.percentage`` says."""
    if abs(change) > MOST_PERCENT / 100.0:
        return r'+0\ "times";−0\ "times"'
    return r"+0.0\ %;−0.0\ %;0.0\ %"


def number_format(value: float | None, digits: int = 4) -> str:
    """Number format of a number alone, with so many significant digits."""
    if value is None or value == 0.0 or not math.isfinite(value):
        return "General"
    exponent = int(f"{value:.{digits - 1}e}".partition("e")[2])
    if -5 <= exponent <= 4:
        return decimals_format(max(0, digits - 1 - exponent))
    return decimals_format(digits - 1) + "E+00"


def ending_format(value: float, uncertainty: float, more: int = 0) -> str:
    """Number format of a value, or of its uncertainty: both end where the uncertainty ends.

    Parameters
    ----------
    value, uncertainty
        In the unit of the cell; without an uncertainty the value stands alone.
    more
        Digits beyond those of a statement.
    """
    decimals = decimals_of(uncertainty, more)
    if decimals is None:
        return number_format(value)
    if abs(value) < 1e5 and decimals <= MOST_DECIMALS:
        return decimals_format(decimals)
    size = max(abs(value), uncertainty)
    return number_format(size, max(2, digits_beside(size, uncertainty, more)))


def lines_needed(text: str, width: float, size: int = 10) -> int:
    """Lines that a text takes when wrapped to a width in digits of the sheet's font."""
    per_line = max(8, int(width * 1.27 * 10 / size))
    if len(text) <= per_line and "\n" not in text:
        return 1
    return sum(max(1, -(-len(part) // per_line)) for part in text.split("\n"))
