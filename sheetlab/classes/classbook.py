"""The workbook of a class, as a stream: results, set-ups, budget, marks, feedback, history.

Every text that comes from a workbook or a file name is written as a text, never as a formula, and
links are made here from paths of files that were found in the folder.
"""

from __future__ import annotations

import io
import math
import os
from collections.abc import Mapping, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any, BinaryIO
from urllib.parse import quote

from msgspec import Struct, field
from msgspec.structs import replace
from xlsxwriter.utility import xl_col_to_name, xl_rowcol_to_cell

from sheetlab.checks.marks import Item, ProposedMark, Scheme
from sheetlab.classes.comparison import Comparison, compare
from sheetlab.classes.handins import NOTHING, HandIn, OwnResult, Past, Sorted, Told
from sheetlab.classes.kept import (
    COMMENT,
    COUNTS,
    FEEDBACK_MARK,
    FOLDER_CELL,
    FORMAT,
    HIDDEN,
    HISTORY_ROW,
    IMPRINTS,
    IMPRINTS_OF,
    ITEMS,
    KEPT,
    KEPT_ITEM,
    KEPT_VALUE,
    KEPT_WHO,
    MARK,
    MARKS_MARK,
    OWN,
    Kept,
    TypedRow,
    past_text,
)
from sheetlab.classes.shelf import Shelf
from sheetlab.finding import harmless, many
from sheetlab.metrology.agreement import Verdict
from sheetlab.metrology.groups import WeightedMean
from sheetlab.metrology.statement import (
    MOST_PERCENT,
    beside,
    percentage,
    plain,
    significant,
    stated,
)
from sheetlab.practical.profile import GUM, Profile
from sheetlab.workbook.book import Book, Sheet
from sheetlab.workbook.charts import (
    Axis,
    DotData,
    axis,
    dot_plot,
    ends,
    off_text,
    share_chart,
)
from sheetlab.workbook.imprints import Imprints
from sheetlab.workbook.page import Fit, new_page
from sheetlab.workbook.results import LEAST_BAR, budget_columns
from sheetlab.workbook.style import (
    INK,
    SERIES,
    Styles,
    ending_format,
    lines_needed,
    number_format,
    set_page,
)
from sheetlab.workbook.template import EPOCH

LINE = 13.5
RESULTS, OPEN, SETUPS, BUDGET, MARKS, EVIDENCE, FEEDBACK, HISTORY = TITLES = (
    "Results", "Open points", "Set-ups", "Budget", "Marks", "Evidence", "Feedback", "History",
)  # fmt: skip
SCALE = 88
PAGE = 835.0
"""Points that a page of feedback may be high: A4 less margins and footer, printed at ``SCALE``
per cent, with some to spare. (Fitting to pages would make a program ignore the page breaks.)"""
MOST_CELL = 3000
MOST_NAME, MOST_PATH = 40, 200
FEW_OWN, FEW_GOOD, FEW_ITEMS = 12, 5, 10
QUESTIONS = 110.0
"""Points that are kept for questions on a page of feedback, whatever else stands there."""
LEAST_BOX, HIGHEST_ROW, CUT_NOTE = 44.0, 409.0, 17.0
"""Points that the box for a comment has at least, that a row can have, and that a line below takes
which says that the comment is cut."""
FAR = 100.0
ITEM, HINT = 6.0, 20.0
"""Widths on the sheet Marks; with the headings of items upright it prints on A4 and is read."""
OUT_OF_RANGE = "out of range"
"""Stands for a total of marks that cannot be added up."""
HEAVY = 0.5
"""Share of the weight of a mean from which the group that has it is named."""
ACROSS = Fit(LINE, more=3.5, least=17.0, share=0.93)
CELLS = Fit(LINE, more=4.0, share=0.86, less=1.0)
"""How high a line across a sheet, and a row of a table, is."""
FIRST_BLOCK, BLOCK_HEAD = 4, 4
"""Row of the sheet Marks at which the first block begins, and rows above its hand-ins."""
FIRST_ITEM = 6
"""Column of the first item on the sheet Marks; three hidden digests and the key stand before."""


class ClassData(Struct, frozen=True):
    """Everything that goes into the workbook of a class."""

    sorted: Sorted
    notes: tuple[str, ...]
    scheme: Scheme
    kept: Kept
    folder: Path
    out: Path
    shelf: Shelf
    """Where the details of the hand-ins lie."""
    due: str = ""
    profile: Profile = GUM


def in_range(mark: float, item: Item) -> bool:
    """Whether a mark can count: from 0 to the marks of its item."""
    return 0.0 <= mark <= item.marks


def marks_places(found: Sorted) -> dict[str, int]:
    """Zero-based row of each hand-in on the sheet Marks."""
    places: dict[str, int] = {}
    row = FIRST_BLOCK
    for ones in as_blocks(found):
        row += BLOCK_HEAD
        for one in (*ones, *absent_in(found, ones)):
            places[one.key] = row
            row += 1
        row += 1
    return places


def mark_column(item: int) -> int:
    """Zero-based column of what is typed for an item, by its place in the scheme."""
    return FIRST_ITEM + 2 * item + 1


def as_blocks(found: Sorted) -> list[list[HandIn]]:
    """Hand-ins of each practical, and of each thing that was measured in it."""
    parts = groupby(found.counted, key=lambda one: (one.practical, one.sample))
    return [list(ones) for _, ones in parts]


def absent_in(found: Sorted, ones: Sequence[HandIn]) -> tuple[HandIn, ...]:
    """Who of the roster has handed nothing in; they stand in the last block of the practical."""
    its = [one for one in found.counted if one.practical == ones[0].practical]
    if its[-1] is not ones[-1]:
        return ()
    return tuple(one for one in found.absent if one.practical == ones[0].practical)


def write_class(data: ClassData, target: BinaryIO) -> None:
    """The workbook of a class into a stream. The same data give the same bytes."""
    # the library would make an error of its own of a full disk
    made = io.BytesIO()
    with Book(made) as book:
        book.set_properties({"title": "Results of a class", "created": EPOCH})
        _Book(data, book, Styles(book)).write()
    target.write(made.getbuffer())


class _NotedSheet(Sheet):
    """A sheet that remembers in ``imprints`` what was written into it."""

    def __init__(self) -> None:
        super().__init__()
        self.imprints = Imprints()

    def write_string(self, row: int, col: int, string: str, cell_format: Any = None) -> int:
        self.imprints.add(col, string)
        return int(super().write_string(row, col, string, cell_format))

    def write_number(self, row: int, col: int, number: float, cell_format: Any = None) -> int:
        self.imprints.add(col, number)
        return int(super().write_number(row, col, number, cell_format))

    def write_url(self, row: int, col: int, url: str, cell_format: Any, string: str) -> int:
        self.imprints.add(col, string)
        return int(super().write_url(row, col, url, cell_format, string))


class _Sheet(Struct):
    """A sheet that is written from top to bottom."""

    sheet: Any
    styles: Styles
    widths: Sequence[float]
    first: int = 0
    """First column that is shown."""
    row: int = 0

    def span(self, first: int = 0, last: int | None = None) -> float:
        return math.fsum(self.widths[first : None if last is None else last + 1])

    def line(self, text: str, style: str = "plain", size: float = 10) -> float:
        """A text across the sheet; returns its height in points."""
        last = self.first + len(self.widths) - 1
        height = self.height(text, size)
        its = self.styles(style)
        self.sheet.merge_range(self.row, self.first, self.row, last, "", its)
        self.sheet.write_string(self.row, self.first, _cut(text), its)
        self.sheet.set_row(self.row, height)
        self.row += 1
        return height

    def height(self, text: str, size: float = 10) -> float:
        lines = lines_needed(text, self.span() * 0.93, int(size))
        return max(lines * LINE * size / 10 + 3.5, 17.0)

    def table(self, rows: Sequence[Sequence[Any]], head: bool = True) -> float:
        """A heading row and rows of texts, numbers and pairs of a number and its format."""
        total = 0.0
        for i, values in enumerate(rows):
            height = self.row_height(values)
            for column, value in enumerate(values):
                self.put(column, value, head and i == 0)
            self.sheet.set_row(self.row, height)
            total += height
            self.row += 1
        return total

    def row_height(self, values: Sequence[Any]) -> float:
        most = 1
        for width, value in zip(self.widths, values, strict=False):
            if isinstance(value, str):
                most = max(most, lines_needed(_cut(value), max(width * 0.86 - 1.0, 3.0)))
        return most * LINE + 4.0

    def put(self, column: int, value: Any, head: bool = False, style: str = "") -> None:
        at = (self.row, self.first + column)
        if head:
            self.sheet.write_string(*at, str(value), self.styles("column"))
            return
        shown = ""
        if isinstance(value, tuple):
            value, shown = value
        if value is None:
            # a chart shows a text, even an empty one, as zero
            self.sheet.write_blank(*at, None, self.styles(style or "cell"))
        elif isinstance(value, str):
            self.sheet.write_string(*at, _cut(value), self.styles(style or "cell"))
        elif not math.isfinite(value):
            self.sheet.write_string(*at, "∞", self.styles(style or "figure"))
        else:
            its = self.styles(style or "figure", shown or number_format(value))
            self.sheet.write_number(*at, value, its)

    def gap(self, height: float = 9.0) -> float:
        self.sheet.set_row(self.row, height)
        self.row += 1
        return height


class _Book(Struct):
    data: ClassData
    book: Any
    styles: Styles
    places: dict[str, int] = field(default_factory=dict)
    """Row on the sheet Marks of each hand-in, zero-based, as it is written."""
    kept_rows: int = 0
    made: list[tuple[str, list[HandIn]]] = field(default_factory=list)
    """Blocks, once they are known: every row asks for them."""

    @property
    def scheme(self) -> Scheme:
        return self.data.scheme

    @property
    def counted(self) -> tuple[HandIn, ...]:
        return self.data.sorted.counted

    def say(self, text: str) -> str:
        """A sentence of our own with the decimal mark of the profile."""
        return self.data.profile.sentence(text)

    def blocks(self) -> list[tuple[str, list[HandIn]]]:
        """Title and hand-ins of each practical, and of each thing that was measured in it."""
        if not self.made:
            found = as_blocks(self.data.sorted)
            self.made += [(self.block_title(ones[0]), ones) for ones in found]
        return self.made

    def block_title(self, one: HandIn) -> str:
        samples = {other.sample for other in self.counted if other.practical == one.practical}
        return f"{one.title}: {one.sample or 'not stated'}" if len(samples) > 1 else one.title

    def write(self) -> None:
        sheets = {title: self.book.add_worksheet(title, _NotedSheet) for title in TITLES}
        # the teacher may have moved and sorted these
        sheets[MARKS].imprints.anywhere = True
        compared = [(title, ones, compare(ones)) for title, ones in self.blocks()]
        self.results(sheets[RESULTS], compared)
        self.open_points(sheets[OPEN])
        self.setups(sheets[SETUPS], compared)
        self.budget(sheets[BUDGET], compared)
        self.marks(sheets[MARKS])
        self.evidence(sheets[EVIDENCE])
        self.feedback(sheets[FEEDBACK], compared)
        self.history(sheets[HISTORY])
        self.hidden(self.book.add_worksheet(HIDDEN), sheets)
        sheets[RESULTS].activate()

    def page(
        self, sheet: Any, widths: Sequence[float], landscape: bool = True, fit: bool = True
    ) -> _Sheet:
        set_page(sheet, landscape, "Results of a class", "")
        for i, width in enumerate(widths):
            sheet.set_column(i, i, width)
        if fit:
            sheet.fit_to_pages(1, 0)
        return _Sheet(sheet, self.styles, widths)

    # -- results -----------------------------------------------------------------------------

    def results(
        self, sheet: Any, compared: Sequence[tuple[str, list[HandIn], Comparison | None]]
    ) -> None:
        widths = (15, 8, 15, 13, 10, 10, 11, 8, 8, 36, 7, 6, 16, 32)
        page = self.page(sheet, widths)
        sheet.set_column(len(widths), len(widths), 3)
        sheet.set_column(len(widths) + 1, len(widths) + 6, 11)
        page.line("Results of a class", "title", 15)
        page.line(self.summary(), "note")
        for note in self.data.notes:
            page.line(self.say(note), "note")
        page.gap()
        breaks = []
        for i, (title, ones, found) in enumerate(compared):
            if i:
                breaks.append(page.row)
            self.result_block(page, title, ones, found, breaks)
        if not compared:
            page.line("No workbook with readings was found.", "heading")
        sheet.set_h_pagebreaks(breaks)
        sheet.print_area(0, 0, max(page.row, 1), len(widths) - 1)

    def summary(self) -> str:
        points = self.data.sorted.points
        counts = {w: sum(p.what == w for p in points) for w in ("missing", "unreadable", "blank")}
        parts = [many(len(self.counted), "hand-in")]
        parts += [f"{n} {what}" for what, n in counts.items() if n]
        if self.data.due:
            parts.append(f"{len(self.data.sorted.late)} late (due {self.data.due})")
        more = "; see the sheet “Open points”" if points else ""
        return (
            ", ".join(parts) + f"{more}. Marks by the scheme “{self.scheme.title}” are proposals; "
            "what you type on the sheet “Marks” counts."
        )

    def result_block(
        self,
        page: _Sheet,
        title: str,
        ones: Sequence[HandIn],
        found: Comparison | None,
        breaks: list[int],
    ) -> None:
        unit = f" / {found.unit}" if found is not None and found.unit else ""
        symbol = found.symbol if found is not None else "result"
        factor = found.factor if found is not None else 1.0
        levels = chart_levels(found) if found is not None and len(found.compared) > 1 else []
        beside = len(page.widths) + 1
        given = difference_given(ones, self.data.profile)
        page.line(title, "heading", 11)
        if found is not None and len(found.compared) > 1:
            its = self.styles("rule", wrap=False)
            page.sheet.write_string(page.row - 1, beside, "for the chart", its)
        head = (
            "group", "set-up", "practical", "status", f"{symbol}{unit}", f"U{unit}",
            difference_head(given), "E_n", "findings", "gravest finding", "marks",
            f"of {self.scheme.out_of:g}", "saved", "source",
        )  # fmt: skip
        page.table([head])
        for i, level in enumerate(levels):
            page.sheet.write_string(page.row - 1, beside + i, level.label, self.styles("column"))
        first = page.row
        for one in map(self.data.shelf.whole, ones):
            for i, level in enumerate(levels):
                its = self.styles("figure", number_format(level.value, 6))
                page.sheet.write_number(page.row, beside + i, level.value, its)
            self.result_row(page, one, factor, given)
        last = page.row - 1
        page.gap()
        if found is None:
            page.line("No workbook of this practical gives a result yet.")
            return
        for text, style in consensus_lines(found):
            page.line(self.say(text), style, 8 if style == "note" else 10)
        if len(found.compared) < 2:
            return
        breaks.append(page.row)
        self.dots(page, title, found, first, last)

    def result_row(self, page: _Sheet, one: HandIn, factor: float, given: Profile) -> None:
        grave = one.findings[0] if one.findings else None
        o = one.outcome
        status = one.status + (", late" if one.key in self.data.sorted.late else "")
        value = expanded = e_n = None
        percent: tuple[float, str] | str | None = None
        if o is not None:
            u = o.expanded / factor
            shape = ending_format(o.value / factor, u)
            value, expanded = (o.value / factor, shape), (u, shape)
            if o.percent is not None:
                sized = given.signed_difference(o.percent)
                percent = sized, signed(sized) if given.difference_rule else signed(sized)[1:]
                if abs(sized) > MOST_PERCENT:
                    percent = percentage(sized / 100.0, signed=bool(given.difference_rule))
            e_n = None if o.e_n is None else (o.e_n, signed(o.e_n))
        row: list[Any] = [
            one.name, one.setup, one.practical, "", value, expanded, percent, e_n,
            (float(len(one.findings)), "0"), told_text(grave) if grave is not None else "",
            "", (self.scheme.out_of, "0.##"), f"{one.saved:%Y-%m-%d %H:%M}",
            _cut(harmless(one.file), MOST_PATH),
        ]  # fmt: skip
        page.table([row], head=False)
        page.row -= 1
        status_style = "cell" if one.status == "ok" and status == "ok" else "cell-alert"
        page.sheet.write_string(page.row, 3, status, self.styles(status_style))
        marked, formula = self.total(one)
        page.sheet.write_formula(page.row, 10, formula, self.styles("figure", "0.##"), marked)
        self.link(page, 13, one.file)
        page.row += 1

    def link(self, page: _Sheet, column: int, file: str) -> None:
        """A link to a file of the folder, or its path alone if there is none to make."""
        text = _cut(harmless(file), MOST_PATH)
        target = link_target(self.data.folder, file, self.data.out)
        if target:
            page.sheet.write_url(
                page.row, page.first + column, f"external:{target}", self.styles("cell-link"), text
            )
        else:
            page.sheet.write_string(page.row, page.first + column, text, self.styles("cell"))

    def dots(self, page: _Sheet, title: str, found: Comparison, first: int, last: int) -> None:
        """The plot; its level lines stand beside the table, outside what is printed."""
        column = len(page.widths) + 1
        limits, off = chart_limits(found)
        lines = [
            (level.label, column + i, level.colour, level.dashes)
            for i, level in enumerate(chart_levels(found))
        ]
        y_title = f"{found.symbol} / {found.unit}" if found.unit else found.symbol
        data = DotData(RESULTS, first, last, 0, 4, 5, tuple(lines))
        chart = dot_plot(self.book, data, (f"{title}: every result with U", y_title), limits)
        width = int(page.span() * 7.2)
        chart.set_size({"width": width, "height": 640})
        described = {"description": "Results of the groups with their uncertainties"}
        page.sheet.insert_chart(page.row, 0, chart, described)
        for _ in range(29):
            page.gap(17)
        if off:
            page.line(off_text(off), "note")

    # -- what is open ------------------------------------------------------------------------

    def open_points(self, sheet: Any) -> None:
        page = self.page(sheet, (16, 22, 48, 36, 52))
        page.line("Open points", "title", 15)
        points = self.data.sorted.points
        if not points:
            page.line("Nothing is missing, late, there twice or unreadable.")
            return
        page.table([("what", "group", "practical", "file", "note")])
        for point in points:
            row = (point.what, point.group, point.practical, "", point.text)
            page.table([row], head=False)
            page.row -= 1
            if point.file:
                self.link(page, 3, point.file)
            page.row += 1
        sheet.freeze_panes(2, 0)
        sheet.repeat_rows(1)

    # -- set-ups -----------------------------------------------------------------------------

    def setups(
        self, sheet: Any, compared: Sequence[tuple[str, list[HandIn], Comparison | None]]
    ) -> None:
        page = self.page(sheet, (30, 12, 16, 18, 16, 24), landscape=False)
        page.line("Comparison by set-up", "title", 15)
        breaks = []
        for i, (title, _, found) in enumerate(compared):
            if i:
                breaks.append(page.row)
            page.line(title, "heading", 11)
            if found is None:
                page.line("No workbook of this practical gives a result yet.")
                continue
            self.setup_block(page, found)
            page.gap()
        sheet.set_h_pagebreaks(breaks)

    def setup_block(self, page: _Sheet, found: Comparison) -> None:
        unit = f" / {found.unit}" if found.unit else ""
        spread = found.robust.deviation if found.robust is not None else None
        middle = found.robust.value if found.robust is not None else 0.0
        shape = ending_format(middle, spread / 3.0) if spread else ""

        def shown(value: float | None) -> Any:
            if value is None:
                return ""
            # what is far out would fill its cell with decimals of no meaning
            near = not shape or abs(value) < FAR * abs(middle)
            return (value, shape) if near else significant(value, 2)

        if found.setups:
            page.table(
                [
                    ("set-up", "results", f"mean{unit}", f"standard deviation{unit}"),
                    *(
                        (s.name, (float(len(s.values)), "0"), shown(s.mean), shown(s.deviation))
                        for s in found.setups
                    ),
                ]
            )
            page.gap()
        p = found.precision
        if p is not None:
            q = found.without
            rows: list[tuple[Any, ...]] = [
                ("precision (ISO 5725-2)", "symbol", f"value{unit}", "degrees of freedom"),
                ("repeatability: at one set-up", "s_r", shown(p.repeatability),
                 (float(p.within_dof), "0")),
                ("between set-ups", "s_L", shown(p.between), (float(p.between_dof), "0")),
                ("reproducibility: any set-up", "s_R", shown(p.reproducibility), ""),
                ("ratio of mean squares", "F", (p.f_ratio, "0.00"), ""),
            ]  # fmt: skip
            if q is not None:
                beside = (f"the same without {many(found.left, 'result')} that are far off (zeta 3 "
                          f"or more) or too uncertain{unit}",
                          shown(q.repeatability), shown(q.between), shown(q.reproducibility),
                          (q.f_ratio, "0.00"))  # fmt: skip
                rows = [(*row, more) for row, more in zip(rows, beside, strict=True)]
            page.table(rows)
            page.gap()
        for remark in found.remarks:
            page.line(self.say(remark))
        page.gap()
        page.table(
            [
                ("group", "set-up", f"result{unit}", f"u{unit}", "zeta score", "class"),
                *(
                    (
                        c.handin.name, c.handin.setup, shown(c.value), shown(c.standard),
                        "" if c.zeta is None else (c.zeta, signed(c.zeta)), c.class_,
                    )
                    for c in found.compared
                ),
            ]
        )  # fmt: skip
        page.line(
            "zeta = (result − median) ÷ root of the sum of both squared standard "
            "uncertainties (ISO 13528): up to 2 fits, from 3 on look at it. The result is itself "
            "part of the median. A large zeta with a small uncertainty is often an "
            "uncertainty that is stated too small.",
            "note",
        )

    # -- budget ------------------------------------------------------------------------------

    def budget(
        self, sheet: Any, compared: Sequence[tuple[str, list[HandIn], Comparison | None]]
    ) -> None:
        footer = "Results of a class", ""
        page = new_page(sheet, self.styles, BUDGET_COLUMNS, footer,
                        across=ACROSS, cells=CELLS, clean=_cut)  # fmt: skip
        page.line("Budget of a typical group", "title")
        for i, (title, _, found) in enumerate(compared):
            if i:
                page.break_page()
            page.line(title, "heading", 11)
            one = found.typical if found is not None else None
            o = self.data.shelf.whole(one, budget=True).outcome if one is not None else None
            if one is None or o is None:
                page.line("No workbook of this practical gives a result with an uncertainty yet.")
                continue
            page.line(
                f"Group {one.name}{one.setup and f', set-up {one.setup}'}: its relative "
                f"uncertainty is the median one. {o.statement}"
            )
            table = page.table(BUDGET_COLUMNS, o.budget)
            page.line(o.budget_note, "note")
            page.gap(9)
            count = max(1, sum(b.share >= LEAST_BAR for b in o.budget))
            if o.budget:
                chart = share_chart(self.book, table, count, o.symbol)
                page.chart(chart, 8 + 2 * count, "Shares of variance")

    # -- marks -------------------------------------------------------------------------------

    def typed(self, one: HandIn) -> TypedRow:
        return self.data.kept.rows.get(one.key) or TypedRow(one.key, "")

    def effective(self, one: HandIn) -> list[float | None]:
        """Marks that count: what the teacher typed, or else what is proposed."""
        typed = self.typed(one).items
        found: list[float | None] = []
        for mark in one.marks:
            own = typed.get(mark.item.id)
            if isinstance(own, float):
                found.append(own if in_range(own, mark.item) else None)
            else:
                found.append(mark.proposed)
        return found

    def summed(self, one: HandIn) -> float | str:
        """Total of a hand-in as it is now; a text if a mark that was typed cannot count."""
        typed = self.typed(one).items
        for mark in one.marks:
            own = typed.get(mark.item.id)
            if isinstance(own, float) and not in_range(own, mark.item):
                return OUT_OF_RANGE
        return math.fsum(m for m in self.effective(one) if m is not None)

    @property
    def comment_column(self) -> int:
        return self.total_column + 1

    @property
    def total_column(self) -> int:
        return FIRST_ITEM + 2 * len(self.scheme.items)

    def marks_range(self, column: int) -> str:
        """A column of the sheet Marks, down to well below its last row."""
        letter = xl_col_to_name(column)
        return f"{MARKS}!${letter}$1:${letter}${self.last_marks_row + 1}"

    @property
    def last_marks_row(self) -> int:
        return 40 + 6 * len(self.blocks()) + len(self.counted) + len(self.data.sorted.absent)

    def total(self, one: HandIn) -> tuple[float | str, str]:
        """Total of a hand-in as it is now, and the formula that finds it, also after sorting."""
        match = f'MATCH("{one.key}",{self.marks_range(0)},0)'
        total = f"=INDEX({self.marks_range(self.total_column)},{match})"
        return self.summed(one), total

    def marks(self, sheet: Any) -> None:
        items = self.scheme.items
        widths = [3.0] * 4 + [18.0, 8.0] + [ITEM] * (2 * len(items)) + [7.0, 36.0, HINT]
        page = self.page(sheet, widths)
        for column in range(4):
            sheet.set_column(column, column, 3, None, {"hidden": True})
        page.first, page.widths = 4, widths[4:]
        sheet.write_string(0, 0, MARKS_MARK)
        page.line("Marks", "title", 15)
        page.line(
            f"Scheme “{self.scheme.title}”, {self.scheme.out_of:g} marks. {self.scheme.note}",
            "note",
        )
        page.line(
            "Type into the framed cells. Where you type a number it counts instead of the "
            "proposed one; an empty cell leaves the proposal. Sort and widen as you like; the next "
            "run finds everything again. The reasons are on the sheet “Evidence”. Only what stands "
            "in framed cells here and in the boxes “From your teacher” lasts; before anything else "
            "that was typed into this workbook is left out, the file is kept beside it as .bak.",
            "note",
        )
        page.gap()
        used = set()
        for title, ones in self.blocks():
            page.line(title, "heading", 11)
            self.marks_head(page, items)
            first = page.row
            for one in map(self.data.shelf.whole, ones):
                used.add(one.key)
                self.marks_row(page, one)
            for one in absent_in(self.data.sorted, ones):
                used.add(one.key)
                none = tuple(ProposedMark(item, item.marks, None, "", False) for item in items)
                self.marks_row(page, replace(one, marks=none))
            for i, item in enumerate(items):
                self.marks_asked(sheet, first, page.row - 1, FIRST_ITEM + 2 * i + 1, item)
            page.gap()
        self.without_place(page, used)
        sheet.freeze_panes(0, 5)
        sheet.set_landscape()

    def marks_head(self, page: _Sheet, items: Sequence[Item]) -> None:
        sheet, ids = page.sheet, page.row
        sheet.write_string(ids, 0, ITEMS)
        for i, item in enumerate(items):
            sheet.write_string(ids, FIRST_ITEM + 2 * i + 1, item.id)
            sheet.write_string(ids, FIRST_ITEM + 2 * i, OWN)
        for column in (4, 5, self.total_column, self.comment_column + 1):
            sheet.write_string(ids, column, OWN)
        sheet.write_string(ids, self.comment_column, COMMENT)
        sheet.set_row(ids, None, None, {"hidden": True})
        top, below = ids + 1, ids + 2
        head = self.styles("column")
        upright = (
            (4, "group"),
            (5, "set-up"),
            (self.total_column, f"total of {self.scheme.out_of:g}"),
            (
                self.comment_column,
                "your comment (its box on the printed page grows at the next run)",
            ),
            (self.comment_column + 1, "hint"),
        )
        for column, text in upright:
            sheet.merge_range(top, column, below, column, "", head)
            sheet.write_string(top, column, text, head)
        most = 1
        for i, item in enumerate(items):
            column = FIRST_ITEM + 2 * i
            text = f"{item.title} ({item.marks:g})"
            most = max(most, lines_needed(text, 1.5 * ITEM, 9))
            sheet.merge_range(top, column, top, column + 1, "", head)
            sheet.write_string(top, column, text, head)
        sheet.set_row(top, most * LINE + 4)
        for i in range(len(items)):
            column = FIRST_ITEM + 2 * i
            sheet.write_string(below, column, "proposed", self.styles("column-upright"))
            sheet.write_string(below, column + 1, "yours", self.styles("column-upright"))
        sheet.set_row(below, 4 * LINE)
        page.row += 3

    def marks_row(self, page: _Sheet, one: HandIn) -> None:
        sheet, row = page.sheet, page.row
        self.places[one.key] = row
        typed = self.typed(one)
        again = "" if typed.marked == NOTHING else "again "
        hint = "Nothing handed in; marks can be typed." if one.readings == NOTHING else ""
        if not typed.empty and typed.marked != one.readings:
            hint = (
                f"Handed in {again}after you marked. Look again; as soon as you change a mark or "
                "the comment this hint goes."
            )
        ids = {mark.item.id for mark in one.marks}
        here = replace(typed, items={k: v for k, v in typed.items.items() if k in ids})
        hidden = (one.key, one.readings, typed.marked or one.readings, here.digest)
        for column, text in enumerate(hidden):
            sheet.write_string(row, column, text)
        sheet.write_string(row, 4, _cut(one.name), self.styles("cell"))
        sheet.write_string(row, 5, _cut(one.setup), self.styles("cell"))
        parts, outside = [], []
        for i, mark in enumerate(one.marks):
            column = FIRST_ITEM + 2 * i
            figure = self.styles("figure", "0.##")
            if mark.proposed is None:
                sheet.write_string(row, column, "–", self.styles("figure"))
            else:
                sheet.write_number(row, column, mark.proposed, figure)
            self.framed(page, column + 1, typed.items.get(mark.item.id))
            a, b = (xl_rowcol_to_cell(row, c) for c in (column, column + 1))
            parts.append(f"IF(ISNUMBER({b}),{b},N({a}))")
            outside.append(f"N({b})<0,N({b})>{mark.item.marks!r}")
        formula = f'=IF(OR({",".join(outside)}),"{OUT_OF_RANGE}",SUM({",".join(parts)}))'
        its = self.styles("figure-total", "0.##")
        sheet.write_formula(row, self.total_column, formula, its, self.summed(one))
        sheet.write_string(row, self.comment_column, typed.comment, self.styles("input-comment"))
        sheet.write_string(row, self.comment_column + 1, hint, self.styles("message"))
        lines = max(
            lines_needed(typed.comment, 30),
            lines_needed(hint, 0.9 * HINT, 8),
            lines_needed(one.name, 14),
        )
        sheet.set_row(row, max(lines * LINE + 4, 20))
        page.row += 1

    def marks_asked(self, sheet: Any, first: int, last: int, column: int, item: Item) -> None:
        """What may be typed for an item."""
        sheet.data_validation(
            first, column, last, column,
            {
                "validate": "decimal", "criteria": "between", "minimum": 0,
                "maximum": item.marks, "error_type": "warning",
                "error_title": "Marks",
                "error_message": f"From 0 to {item.marks:g}. Keep it anyway?",
            },
        )  # fmt: skip

    def framed(
        self, page: _Sheet, column: int, value: float | str | None, text: str = "input"
    ) -> None:
        its = self.styles("input", "0.##")
        if isinstance(value, float) and math.isfinite(value):
            page.sheet.write_number(page.row, column, value, its)
        elif value is None:
            page.sheet.write_blank(page.row, column, None, its)
        else:
            page.sheet.write_string(page.row, column, str(value), self.styles(text, "0.##"))

    def without_place(self, page: _Sheet, used: set[str]) -> None:
        """What was typed for hand-ins and items that are no longer there: never dropped."""
        ids = {item.id for item in self.scheme.items}
        names = {one.key: f"{one.group} ({one.practical})" for one in self.data.sorted.history}
        rows: list[tuple[TypedRow, str, float | str]] = []
        for key, typed in self.data.kept.rows.items():
            for name, value in typed.items.items():
                if key not in used or name not in ids:
                    rows.append((typed, name, value))
            if typed.comment and key not in used:
                rows.append((typed, COMMENT, typed.comment))
        self.kept_rows = len(rows)
        if not rows:
            return
        sheet = page.sheet
        sheet.write_string(page.row, 0, KEPT)
        page.line("What you typed for workbooks or items that are not here any more", "heading", 11)
        for typed, name, value in rows:
            # the digest of such a row is of no use: it belongs to no readings that are shown
            for column, text in enumerate((typed.key, "", typed.marked, "")):
                sheet.write_string(page.row, column, text)
            who = typed.who or names.get(typed.key, "")
            sheet.write_string(page.row, KEPT_WHO, _cut(who), self.styles("cell"))
            sheet.write_string(page.row, KEPT_ITEM, name, self.styles("cell"))
            self.framed(page, KEPT_VALUE, value, "input-text")
            page.row += 1

    # -- evidence ----------------------------------------------------------------------------

    def evidence(self, sheet: Any) -> None:
        page = self.page(sheet, (20, 17, 28, 9, 7, 100))
        page.line("Evidence for the proposed marks", "title", 15)
        page.table([("group", "practical", "item", "proposed", "of", "evidence")])
        for one in map(self.data.shelf.whole, self.counted):
            for mark in one.marks:
                proposed = "–" if mark.proposed is None else (mark.proposed, "0.##")
                row = (one.name, one.practical, mark.item.title, proposed, (mark.out_of, "0.##"),
                       mark.evidence)  # fmt: skip
                page.table([row], head=False)
        sheet.freeze_panes(2, 0)
        sheet.repeat_rows(1)

    # -- feedback ----------------------------------------------------------------------------

    def feedback(
        self, sheet: Any, compared: Sequence[tuple[str, list[HandIn], Comparison | None]]
    ) -> None:
        widths = (3.0, 30.0, 14.0, 28.0, 29.0)
        page = self.page(sheet, widths, landscape=False, fit=False)
        sheet.set_column(0, 0, 3, None, {"hidden": True})
        sheet.set_margins(left=0.5, right=0.4, top=0.5, bottom=0.6)
        sheet.set_print_scale(SCALE)
        sheet.write_string(0, 0, FEEDBACK_MARK)
        page.first, page.widths = 1, widths[1:]
        breaks = []
        for _, ones, found in compared:
            for one in map(self.data.shelf.whole, ones):
                if page.row:
                    breaks.append(page.row)
                _Feedback(self, page, one, found).write()
        if not page.row:
            page.line("There is no hand-in yet.")
        sheet.set_h_pagebreaks(breaks[:1000])

    # -- history -----------------------------------------------------------------------------

    def history(self, sheet: Any) -> None:
        page = self.page(sheet, (20, 10, 18, 17, 11, 34, 34, 18, 9))
        page.line("History of all hand-ins", "title", 15)
        page.line(
            "Every different set of readings that was ever found, also of files that were replaced "
            "or taken away since. The digest is the SHA-256 of the file.",
            "note",
        )
        page.table([HISTORY_HEAD])
        now = {(one.key, one.readings) for one in self.counted}
        for past in self.data.sorted.history:
            page.table([self.past_row(past, (past.key, past.readings) in now)], head=False)
        sheet.freeze_panes(3, 0)
        sheet.repeat_rows(2)

    def past_row(self, past: Past, counts: bool) -> tuple[Any, ...]:
        return (
            harmless(past.group), past.setup, past.practical, past.saved, past.status,
            past.result, harmless(past.file), past.digest[:16], "yes" if counts else "",
        )  # fmt: skip

    def hidden(self, sheet: Any, written: Mapping[str, Any]) -> None:
        sheet.hide()
        sheet.write_string(0, 0, MARK)
        sheet.write_string(0, 1, "do not change this sheet")
        sheet.write_string(1, 0, "format")
        sheet.write_string(1, 1, FORMAT)
        # tells later whether the keys on the sheet Marks are all gone
        sheet.write_number(1, 2, len(self.places) + self.kept_rows)
        sheet.write_string(*FOLDER_CELL, folder_seen(self.data.folder, self.data.out))
        now = {(one.key, one.readings) for one in self.counted}
        for i, past in enumerate(self.data.sorted.history):
            sheet.write_string(HISTORY_ROW + i, 0, past_text(past))
            if (past.key, past.readings) in now:
                sheet.write_string(HISTORY_ROW + i, 1, COUNTS)
        row = HISTORY_ROW + len(self.data.sorted.history)
        for title, one in written.items():
            for text in one.imprints.texts():
                sheet.write_string(row, IMPRINTS_OF, title)
                sheet.write_string(row, IMPRINTS, text)
                row += 1


BUDGET_COLUMNS = budget_columns((47, 6, 13, 11, 9, 12, 10, 11, 12, 12, 9))
HISTORY_HEAD = (
    "group", "set-up", "practical", "saved", "status", "result", "file", "digest", "counts",
)  # fmt: skip


NO_QUESTION = "None: no reading looks doubtful."


class _Feedback(Struct):
    """One page for one group."""

    book: _Book
    page: _Sheet
    one: HandIn
    found: Comparison | None
    box: float = 0.0
    """Height of the box for the comment."""

    def write(self) -> None:
        page, one, say = self.page, self.one, self.book.say
        used = page.line(one.title, "title", 15)
        names = (("Group", one.name), ("Set-up", one.setup), ("Observers", one.observers),
                 ("Date", one.date))  # fmt: skip
        used += page.line(
            "     ".join(f"{t}: {_cut(n, MOST_NAME) or '–'}" for t, n in names), "note"
        )
        used += page.gap(6)
        used += page.line("Your result", "heading", 11)
        if one.outcome is None:
            used += page.line("No result comes out of your readings yet.", "statement", 12)
        else:
            used += page.line(one.outcome.statement, "statement", 14)
            for text in outcome_lines(one, self.found):
                used += page.line(say(text))
        good = self.good()
        if good:
            used += page.gap(6)
            used += page.line("What was good", "heading", 11)
            for text in good:
                used += page.line(f"•  {say(text)}")
        below = self.marks_height() + 29
        room = PAGE - used - below - QUESTIONS - CUT_NOTE
        self.box = min(self.comment_height(), max(room, LEAST_BOX), HIGHEST_ROW)
        below += self.box + CUT_NOTE * (self.box < self.comment_height())
        own = self.own_rows(PAGE - used - below - min(QUESTIONS, self.questions_height()))
        self.questions(PAGE - used - below - self.own_height(own))
        self.own(own)
        self.marks()
        self.comment()

    def good(self) -> list[str]:
        """What can be praised: items with all their marks, and agreement."""
        marks = self.book.effective(self.one)
        texts = [
            mark.item.good
            for mark, counts in zip(self.one.marks, marks, strict=True)
            if mark.item.good and mark.praise and counts is not None and counts >= mark.out_of
        ]
        o = self.one.outcome
        # a wrong reading makes the uncertainty wide enough to agree with any book
        sound = self.one.status == "ok"
        if sound and o is not None and o.verdict == "agrees":
            texts.append("Your result agrees with the accepted value within its uncertainty.")
        return [_cut(text, 105) for text in texts[:FEW_GOOD]]

    def asked(self) -> list[Told]:
        """Findings that are asked about."""
        asked = [
            f for f in self.one.findings if not f.found.startswith(("own result", "the first"))
        ]
        return [f for f in asked if f.severity != "note"] or asked[:2]

    def questions_height(self) -> float:
        """Room that all questions would take."""
        texts = [f"•  {question_text(told)}" for told in self.asked()] or [NO_QUESTION]
        return 6.0 + sum(map(self.page.height, texts)) + self.page.height("", 11)

    def questions(self, room: float) -> float:
        """Findings as questions, as many as there is room for."""
        page, grave = self.page, self.asked()
        used = page.gap(6) + page.line("Questions for you", "heading", 11)
        if not grave:
            return used + page.line(NO_QUESTION)
        shown = 0
        for told in grave:
            text = f"•  {question_text(told)}"
            need = page.height(text)
            if shown and used + need + 20 > room:
                break
            used += page.line(text)
            shown += 1
        more = len(grave) - shown
        if more:
            used += page.line(
                f"and {more} more; they stand on the sheet Findings of the evaluated workbook.",
                "note",
            )
        return used

    def own_rows(self, room: float) -> list[tuple[Any, ...]]:
        """Own results as far as there is room; those that differ before those that agree."""
        head = ("own result", "you wrote", "judged by what you had", "question")
        left = room - self.own_height([head])
        kept = set()
        for one in sorted(self.one.own[:FEW_OWN], key=lambda one: not one.question):
            left -= self.page.row_height(self.own_row(one))
            if left < 0.0:
                break
            kept.add(one)
        rows = [self.own_row(one) for one in self.one.own if one in kept]
        return [head, *rows] if rows else []

    def own_row(self, one: OwnResult) -> tuple[str, ...]:
        return one.title, one.given or "–", one.verdict, one.question

    def own_height(self, rows: Sequence[Sequence[Any]]) -> float:
        return sum(self.page.row_height(row) for row in rows) + 23 if rows else 0.0

    def own(self, rows: Sequence[Sequence[Any]]) -> None:
        if not rows:
            return
        self.page.gap(6)
        self.page.line("Your own results", "heading", 11)
        self.page.table(rows)
        more = len(self.one.own) - len(rows) + 1
        if more > 0:
            self.page.line(f"and {more} more; the evaluated workbook shows them.", "note")

    def marks_height(self) -> float:
        rows = [(mark.item.title,) for mark in self.one.marks[:FEW_ITEMS]]
        return sum(self.page.row_height(row) for row in rows) + 2 * (LINE + 4) + 23

    def marks(self) -> None:
        page, book, one = self.page, self.book, self.one
        page.gap(6)
        page.line("Marks", "heading", 11)
        row = page.row
        match = f'MATCH("{one.key}",{book.marks_range(0)},0)'
        page.sheet.write_formula(row, 0, f"={match}", None, book.places[one.key] + 1)
        at = xl_rowcol_to_cell(row, 0, row_abs=True, col_abs=True)
        page.table([("for", "marks", "of")])
        effective = book.effective(one)
        for i, mark in enumerate(one.marks[:FEW_ITEMS]):
            column = FIRST_ITEM + 2 * i
            yours, proposed = (f"INDEX({book.marks_range(c)},{at})" for c in (column + 1, column))
            most = mark.item.marks
            counts = f'IF(AND({yours}>=0,{yours}<={most!r}),{yours},"?")'
            formula = f"=IF(ISNUMBER({yours}),{counts},{proposed})"
            page.table([(mark.item.title, "", (mark.out_of, "0.##"))], head=False)
            now = effective[i]
            page.sheet.write_formula(
                page.row - 1, 2, formula, book.styles("figure", "0.##"),
                now if now is not None else "–" if mark.proposed is None else "?",
            )  # fmt: skip
        more = len(one.marks) - FEW_ITEMS
        total, formula = book.total(one)
        title = "total" if more <= 0 else f"total, with {more} more"
        page.table([(title, "", (book.scheme.out_of, "0.##"))], head=False)
        style = book.styles("figure-total", "0.##")
        page.sheet.write_formula(page.row - 1, 2, formula, style, total)

    def comment_height(self) -> float:
        """Height of the box that the whole comment needs."""
        return max(self.page.height(self.book.typed(self.one).comment), LEAST_BOX)

    def comment(self) -> None:
        page, book = self.page, self.book
        text = book.typed(self.one).comment
        page.gap(6)
        page.line("From your teacher", "heading", 11)
        match = f'MATCH("{self.one.key}",{book.marks_range(0)},0)'
        cell = f"INDEX({book.marks_range(book.comment_column)},{match})"
        last = page.first + len(page.widths) - 1
        its = book.styles("box")
        page.sheet.merge_range(page.row, page.first, page.row, last, "", its)
        page.sheet.write_string(page.row, 0, self.one.key)
        page.sheet.write_formula(page.row, page.first, f'={cell}&""', its, text)
        page.sheet.set_row(page.row, self.box)
        page.row += 1
        if self.box < self.comment_height():
            page.line("The comment is longer than this page; ask for the rest.", "note")


# -- words and numbers ---------------------------------------------------------------------------


def difference_given(ones: Sequence[HandIn], usual: Profile) -> Profile:
    """The profile whose way of giving differences one column has: that of all its workbooks."""
    ways = {one.outcome.difference for one in ones if one.outcome is not None}
    return replace(usual, difference=ways.pop()) if len(ways) == 1 else usual


def difference_head(given: Profile) -> str:
    """Heading of the column of differences to the accepted value."""
    rule = given.difference_rule
    return f"{rule}, % of accepted" if rule else "difference to accepted (no sign), %"


def consensus_lines(found: Comparison) -> list[tuple[str, str]]:
    """What the results say together, each line with its style."""
    unit, symbol = found.unit, found.symbol
    lines = []
    if found.robust is not None:
        r = found.robust
        text = (
            f"Consensus (median; spread by Qn, ISO 13528) of {len(found.compared)} results: "
            f"{symbol} = {stated(r.value, r.uncertainty, unit)} with its standard uncertainty; "
            f"robust standard deviation "
            f"{significant(r.deviation, 2)} {unit}."
        )
        lines.append((text, "plain"))
    if found.weighted is not None:
        lines += _weighted_lines(found, found.weighted)
    if not lines:
        lines = [(text, "plain") for text in found.remarks if "consensus" in text]
    return lines


def _weighted_lines(found: Comparison, w: WeightedMean) -> list[tuple[str, str]]:
    unit = found.unit
    mean = (
        f"{found.symbol} = {stated(w.value, w.internal, unit)} with the standard uncertainty from "
        f"the stated ones; from the scatter it is {significant(w.external, 2)} {unit}; Birge ratio "
        f"{w.birge_ratio:.2f}"
    )
    if found.consistent:
        agree = "the results agree within their stated uncertainties (chi-squared test at 5 %)"
        return [(f"Weighted mean: {mean}: {agree}.", "plain")]
    heavy = ""
    if found.heaviest is not None and found.heaviest[1] >= HEAVY:
        one, share = found.heaviest
        heavy = (
            f" Group {one.handin.name} alone has {percentage(share)} of its weight, because it "
            "states the smallest uncertainty: look at that first."
        )
    return [
        (
            "The results do not agree within their stated uncertainties: they scatter "
            f"{significant(w.birge_ratio, 2)} times as much as those explain (Birge ratio; "
            "chi-squared test at 5 %). Some results are wrong, or some uncertainties are stated "
            "too small, so the consensus above counts, which does not rest on them.",
            "plain",
        ),
        (
            "Not to be used for that reason, and only for who wants to compare, the weighted mean: "
            f"{mean}.{heavy}",
            "note",
        ),
    ]


AGREE: Mapping[Verdict | None, str] = {
    "agrees": ", which is within your uncertainty",
    "between": ": more than your uncertainty explains, but books differ by as much",
    "differs": ": more than your uncertainty explains",
    "open": "; your uncertainty is so large that this says nothing",
}


def outcome_lines(one: HandIn, found: Comparison | None) -> list[str]:
    """A result beside the accepted value and beside the class."""
    o = one.outcome
    if o is None:
        return []
    lines = []
    if o.accepted is not None and o.percent is not None:
        where = "above" if o.percent > 0 else "below"
        lines.append(
            f"Accepted: {plain(o.accepted / o.factor, 4)} {o.unit} ({o.accepted_source}). "
            f"Yours is {percentage(abs(o.percent) / 100.0)} {where}{AGREE.get(o.verdict, '')}."
        )
    if found is not None and found.robust is not None:
        r = found.robust
        lines.append(
            f"The middle of {len(found.compared)} groups is {beside(r.value, r.uncertainty)} "
            f"{found.unit} (their median)."
        )
    return lines


def question_text(told: Told) -> str:
    """A finding as a question to the student."""
    found = told.found.strip()
    found = found[:1].upper() + found[1:]
    found = found if found.endswith((".", "?", "!")) else f"{found}."
    place = f"{told.place}: " if told.place else ""
    return f"{place}{_cut(found, 260)} {told.question or 'How did that come about?'}"


def told_text(told: Told) -> str:
    """A finding in a table: where, and what was found."""
    place = f"{told.place}: " if told.place else ""
    return _cut(f"{place}{told.found}", 160)


def chart_limits(found: Comparison) -> tuple[Axis, list[str]]:
    """Axis of the dot plot, and the groups whose results lie off it."""
    values = [(c.value, c.handin) for c in found.compared]
    low, high = -math.inf, math.inf
    if found.robust is not None:
        low, high = ends(found.robust.value, found.robust.deviation)
    shown, off = [], []
    for value, one in values:
        if not low <= value <= high:
            off.append(one.name)
            continue
        half = one.outcome.expanded / found.factor if one.outcome is not None else 0.0
        shown += [max(value - half, low), min(value + half, high)]
    return axis(shown or [value for value, _ in values]), off


class Level(Struct, frozen=True):
    """A level line of the dot plot."""

    label: str
    value: float
    colour: str
    dashes: str


def chart_levels(found: Comparison) -> list[Level]:
    """The level lines of the dot plot."""
    levels = []
    if found.robust is not None and found.band is not None:
        levels = [
            Level("median", found.robust.value, INK, "solid"),
            Level("median − 2 u", found.band[0], INK, "dash"),
            Level("median + 2 u", found.band[1], INK, "dash"),
        ]
    limits, _ = chart_limits(found)
    weighted = found.weighted if found.consistent else None
    if weighted is not None and limits.low <= weighted.value <= limits.high:
        levels.append(Level("weighted mean", weighted.value, SERIES[1], "long_dash_dot"))
    return levels


def signed(value: float) -> str:
    """Number format with a sign, short for what is far off."""
    if abs(value) < 0.005:
        return "0.00;0.00;0.00"
    shape = "0.00" if abs(value) < 10.0 else "0.0" if abs(value) < 1000.0 else "0"
    return f"+{shape};−{shape};{shape}"


def link_target(folder: Path, file: str, out: Path) -> str:
    """Relative link from the class workbook to a file of the folder; empty if there is none."""
    root, target = folder.resolve(), (folder / file).resolve()
    if not target.is_relative_to(root) or not target.is_file():
        return ""
    try:
        path = os.path.relpath(target, out.resolve().parent)
    except ValueError:  # another drive
        return ""
    return quote(os.fsencode(path.replace(os.sep, "/")), safe="/")


def folder_seen(folder: Path, out: Path) -> str:
    """Path from the class workbook to the folder of the hand-ins; empty if it lies elsewhere."""
    root, own = folder.resolve(), out.resolve().parent
    return root.relative_to(own).as_posix() if root.is_relative_to(own) else ""


def _cut(text: str, most: int = MOST_CELL) -> str:
    if not text.isprintable():
        text = "\n".join(harmless(line) for line in text.splitlines())
    return text if len(text) <= most else f"{text[: most - 1]}…"
