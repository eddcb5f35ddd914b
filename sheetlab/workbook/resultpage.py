"""What the result sheets of a workbook share: pages, tables, formats of their numbers."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from msgspec import Struct

from sheetlab.checks.assess import Assessment
from sheetlab.checks.wording import Words
from sheetlab.metrology.statement import decimals_of, plain
from sheetlab.practical.fields import START_INPUTS, Field
from sheetlab.practical.model import Practical
from sheetlab.units import Unit
from sheetlab.workbook.book import Book
from sheetlab.workbook.page import Column, Fit, Page, Shown, new_page
from sheetlab.workbook.style import Styles, decimals_format, ending_format, number_format

WIDTH = 10.3
UPRIGHT_HEIGHT = 740.0
"""Points between the margins of an upright page."""
LEAST_SCALE = 0.65
HEADINGS_HEIGHT = 42.0
"""Points of the headings over numbers behind a chart."""
LINES = Fit(least=17.0)


class Sheets(Struct, frozen=True):
    """What every result sheet is made of; ``titles``: of the sheets, by those of ``TITLES``."""

    assessment: Assessment
    titles: Mapping[str, str]
    words: Words
    book: Book
    styles: Styles

    @property
    def practical(self) -> Practical:
        """The practical of the workbook."""
        return self.assessment.practical

    def page(self, name: str, widths: Sequence[float], landscape: bool = False) -> Page:
        """A new sheet with its title."""
        known = [self.assessment.observations.entry(one.key).text for one in START_INPUTS[:2]]
        title = self.practical.definition.title
        page = new_page(
            self.book.add_worksheet(self.titles[name]), self.styles,
            [width * WIDTH for width in widths], (title, "  ".join(filter(None, known))),
            landscape, (1, 2 if name == "Working" else 0), across=LINES, merged=False,
        )  # fmt: skip
        page.line(title if name == "Evaluation" else name, "title")
        return page


def say(page: Page, texts: Iterable[str], style: str = "plain") -> None:
    """Lines on a page; an empty text is none."""
    for text in filter(None, texts):
        page.line(text, style)


def columns_of(*heads: str | tuple[str, int], shape: str | None = None) -> tuple[Column, ...]:
    """Columns that nobody asks for: titles, and what they span if it is more than one."""
    spans = [head if isinstance(head, tuple) else (head, 1) for head in heads]
    return tuple(Column(title, title, shape=shape, span=span) for title, span in spans)


def fits_one_page(page: Page) -> None:
    """Print an upright sheet on one page, unless its letters would get too small for that."""
    if page.height <= UPRIGHT_HEIGHT / LEAST_SCALE:
        page.sheet.fit_to_pages(1, 1)


def with_uncertainty(its: Unit, value: float, uncertainty: float) -> tuple[Shown, Shown]:
    """Cells of a value and its standard uncertainty, which end at the same decimal place.

    Parameters
    ----------
    value, uncertainty
        SI units. Without an uncertainty its cell is empty.
    """
    shown, u = its.from_si(value), uncertainty / its.factor
    shape = ending_format(shown, u) if u else own_format(shown)
    return (shown, shape), (u or None, shape)


def column_format(its: Field, spread: float) -> str:
    """Number format of a column of readings and of what is calculated from them.

    ``spread``: standard deviation of its numbers about a line, in its unit; 0: there is none.
    """
    decimals = max(its.decimals or 0, decimals_of(spread, 1) or 0)
    return "General" if its.decimals is None and not spread else decimals_format(decimals)


def own_format(value: float | None) -> str:
    """Number format of an own result, and of what it is compared with: its own digits, four."""
    if value is None or not math.isfinite(value):
        return ""
    return "General" if plain(value, 9) == plain(value, 4) else number_format(value)
