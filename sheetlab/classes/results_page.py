"""The sheet of results: a block for each practical, what its results say together, and a plot."""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.classes.comparison import Comparison
from sheetlab.classes.handins import HandIn
from sheetlab.classes.marks_page import MARK_SHAPE, MarksSheet
from sheetlab.classes.pages import GAP, Block, ClassBook, cut, place_text, signed
from sheetlab.finding import many
from sheetlab.metrology.groups import WeightedMean
from sheetlab.metrology.statement import MOST_PERCENT, percentage, significant, stated
from sheetlab.practical.profile import Profile
from sheetlab.workbook.charts import Axis, DotData, axis, dot_plot, ends, off_text
from sheetlab.workbook.page import Cell, Column, Page, Shown, Table
from sheetlab.workbook.style import INK, SERIES, ending_format, number_format

RESULTS = "Results"
HEAVY = 0.5
"""Share of the weight of a mean from which the group that has it is named."""
CHART_ROWS = 33
LEVELS = 6
"""Columns that are kept for the level lines of a plot, beside what is printed."""


class _Row(Struct, frozen=True):
    """What the cells of a hand-in are made of."""

    book: ClassBook
    marks: MarksSheet
    handin: HandIn
    factor: float
    given: Profile

    def sized(self, expanded: bool) -> Shown:
        """The value or its expanded uncertainty, with the decimals of the latter."""
        outcome = self.handin.outcome
        if outcome is None:
            return None
        value, u = outcome.value / self.factor, outcome.expanded / self.factor
        return u if expanded else value, ending_format(value, u)

    @property
    def status(self) -> Cell:
        status, late = self.handin.status, self.handin.key in self.book.data.sorted.late
        good = status == "ok" and not late
        return Cell(status + ", late" * late, style="cell" if good else "cell-alert")

    @property
    def difference(self) -> Shown:
        if self.handin.outcome is None or self.handin.outcome.percent is None:
            return None
        rule = bool(self.given.difference_rule)
        difference = self.given.signed_difference(self.handin.outcome.percent)
        if abs(difference) > MOST_PERCENT:
            return percentage(difference / 100.0, signed=rule)
        return difference, signed(difference) if rule else signed(difference)[1:]

    @property
    def e_n(self) -> Shown:
        outcome = self.handin.outcome
        if outcome is None or outcome.e_n is None:
            return None
        return outcome.e_n, signed(outcome.e_n)

    @property
    def gravest(self) -> str:
        if not self.handin.findings:
            return ""
        finding = self.handin.findings[0]
        return cut(f"{place_text(finding)}{finding.found}", 160)


def result_columns(symbol: str, unit: str, given: Profile, out_of: float) -> tuple[Column, ...]:
    """Columns of the results of a block; each row is a ``_Row``."""
    per = f" / {unit}" if unit else ""
    return (
        Column("group", "group", 15, lambda row: row.handin.name),
        Column("setup", "set-up", 8, lambda row: row.handin.setup),
        Column("practical", "practical", 15, lambda row: row.handin.practical),
        Column("status", "status", 13, lambda row: row.status),
        Column("value", f"{symbol}{per}", 10, lambda row: row.sized(expanded=False)),
        Column("expanded", f"U{per}", 10, lambda row: row.sized(expanded=True)),
        Column("difference", difference_head(given), 11, lambda row: row.difference),
        Column("e_n", "E_n", 8, lambda row: row.e_n),
        Column("findings", "findings", 8, lambda row: (float(len(row.handin.findings)), "0")),
        Column("gravest", "gravest finding", 36, lambda row: row.gravest),
        Column("marks", "marks", 7, lambda row: row.marks.total(row.handin)),
        Column("out_of", f"of {out_of:g}", 6, lambda row: (out_of, MARK_SHAPE)),
        Column("saved", "saved", 16, lambda row: f"{row.handin.saved:%Y-%m-%d %H:%M}"),
        Column("source", "source", 32, lambda row: row.book.link(row.handin.file)),
    )


def write_results(book: ClassBook, marks: MarksSheet) -> None:
    """The sheet of results."""
    data = book.data
    columns = result_columns("result", "", data.profile, data.scheme.out_of)
    page = book.page(RESULTS, columns, "Results of a class")
    for i in range(LEVELS + 1):
        page.sheet.set_column(len(columns) + i, len(columns) + i, 11 if i else 3)
    page.line(_summary(book), "note")
    for note in (*data.notes, *marks.doubts):
        page.line(book.say(note), "note")
    page.gap(GAP)
    for block in data.blocks:
        if block is not data.blocks[0]:
            page.break_page()
        _write_block(book, marks, page, block)
    if not data.blocks:
        page.line("No workbook with readings was found.", "heading")
    page.sheet.print_area(0, 0, max(page.row, 1), len(columns) - 1)


def _summary(book: ClassBook) -> str:
    data, points = book.data, book.data.sorted.points
    counts = {w: sum(p.what == w for p in points) for w in ("missing", "unreadable", "blank")}
    parts = [many(len(data.sorted.counted), "hand-in")]
    parts += [f"{n} {what}" for what, n in counts.items() if n]
    if data.due:
        parts.append(f"{len(data.sorted.late)} late (due {data.due})")
    more = "; see the sheet “Open points”" if points else ""
    return (
        f"{', '.join(parts)}{more}. Marks by the scheme “{data.scheme.title}” are proposals; "
        "what you type on the sheet “Marks” counts."
    )


def _write_block(book: ClassBook, marks: MarksSheet, page: Page, block: Block) -> None:
    compared = block.comparison
    given = difference_given(block.handins, book.data.profile)
    symbol, unit, factor = ("result", "", 1.0)
    if compared is not None:
        symbol, unit, factor = compared.symbol, compared.unit, compared.factor
    several = compared if compared is not None and len(compared.compared) > 1 else None
    levels = chart_levels(several) if several is not None else []
    columns = result_columns(symbol, unit, given, book.data.scheme.out_of)
    beside = len(columns) + 1
    if several is not None:
        page.put(beside, "for the chart", "rule", wrap=False)
    page.line(block.title, "heading", 11)
    for i, level in enumerate(levels):
        page.put(beside + i, level.label, "column")
    table = page.open_table(columns, rows=len(block.handins))
    for handin in block.handins:
        for i, level in enumerate(levels):
            page.put(beside + i, (level.value, number_format(level.value, 6)))
        table.write(_Row(book, marks, handin, factor, given))
    page.gap(GAP)
    if compared is None:
        page.line("No workbook of this practical gives a result yet.")
        return
    for text, style in consensus_lines(compared):
        page.line(book.say(text), style, 8 if style == "note" else 10)
    if several is not None:
        page.break_page()
        _plot(book, table, block.title, several, beside)


def _plot(book: ClassBook, table: Table, title: str, compared: Comparison, beside: int) -> None:
    """The plot; its level lines stand beside the table, outside what is printed."""
    page, at = table.page, table.at
    limits, off = chart_limits(compared)
    lines = [
        (level.label, beside + i, level.colour, level.dashes)
        for i, level in enumerate(chart_levels(compared))
    ]
    y_title = f"{compared.symbol} / {compared.unit}" if compared.unit else compared.symbol
    first, _, last, _ = table.area("group")
    data = DotData(RESULTS, first, last, at["group"], at["value"], at["expanded"], tuple(lines))
    chart = dot_plot(book.book, data, (f"{title}: every result with U", y_title), limits)
    chart.set_size({"width": int(page.width() * 7.2), "height": 640})
    page.chart(chart, CHART_ROWS, "Results of the groups with their uncertainties")
    if off:
        page.line(off_text(off), "note")


# -- words and numbers ---------------------------------------------------------------------------


def difference_given(handins: Sequence[HandIn], usual: Profile) -> Profile:
    """The profile whose way of giving differences one column has: that of all its workbooks."""
    ways = {handin.outcome.difference for handin in handins if handin.outcome is not None}
    return replace(usual, difference=ways.pop()) if len(ways) == 1 else usual


def difference_head(given: Profile) -> str:
    """Heading of the column of differences to the accepted value."""
    rule = given.difference_rule
    return f"{rule}, % of accepted" if rule else "difference to accepted (no sign), %"


def consensus_lines(compared: Comparison) -> list[tuple[str, str]]:
    """What the results say together, each line with its style."""
    unit = compared.unit
    lines = []
    if compared.robust is not None:
        r = compared.robust
        text = (
            f"Consensus (median; spread by Qn, ISO 13528) of {len(compared.compared)} results: "
            f"{compared.symbol} = {stated(r.value, r.uncertainty, unit)} with its standard "
            f"uncertainty; robust standard deviation {significant(r.deviation, 2)} {unit}."
        )
        lines.append((text, "plain"))
    if compared.weighted is not None:
        lines += _weighted_lines(compared, compared.weighted)
    return lines or [(text, "plain") for text in compared.remarks if "consensus" in text]


def _weighted_lines(compared: Comparison, mean: WeightedMean) -> list[tuple[str, str]]:
    unit = compared.unit
    text = (
        f"{compared.symbol} = {stated(mean.value, mean.internal, unit)} with the standard "
        "uncertainty from the stated ones; from the scatter it is "
        f"{significant(mean.external, 2)} {unit}; Birge ratio {mean.birge_ratio:.2f}"
    )
    if compared.consistent:
        agree = "the results agree within their stated uncertainties (chi-squared test at 5 %)"
        return [(f"Weighted mean: {text}: {agree}.", "plain")]
    heavy = ""
    if compared.heaviest is not None and compared.heaviest[1] >= HEAVY:
        heaviest, share = compared.heaviest
        heavy = (
            f" Group {heaviest.handin.name} alone has {percentage(share)} of its weight, because "
            "it states the smallest uncertainty: look at that first."
        )
    return [
        (
            "The results do not agree within their stated uncertainties: they scatter "
            f"{significant(mean.birge_ratio, 2)} times as much as those explain (Birge ratio; "
            "chi-squared test at 5 %). Some results are wrong, or some uncertainties are stated "
            "too small, so the consensus above counts, which does not rest on them.",
            "plain",
        ),
        (
            "Not to be used for that reason, and only for who wants to compare, the weighted mean: "
            f"{text}.{heavy}",
            "note",
        ),
    ]


def chart_limits(compared: Comparison) -> tuple[Axis, list[str]]:
    """Axis of the dot plot, and the groups whose results lie off it."""
    low, high = -math.inf, math.inf
    if compared.robust is not None:
        low, high = ends(compared.robust.value, compared.robust.deviation)
    shown, off = [], []
    for result in compared.compared:
        if not low <= result.value <= high:
            off.append(result.handin.name)
            continue
        outcome = result.handin.outcome
        half = outcome.expanded / compared.factor if outcome is not None else 0.0
        shown += [max(result.value - half, low), min(result.value + half, high)]
    return axis(shown or [result.value for result in compared.compared]), off


class Level(Struct, frozen=True):
    """A level line of the dot plot."""

    label: str
    value: float
    colour: str
    dashes: str


def chart_levels(compared: Comparison) -> list[Level]:
    """The level lines of the dot plot."""
    levels = []
    if compared.robust is not None and compared.band is not None:
        levels = [
            Level("median", compared.robust.value, INK, "solid"),
            Level("median − 2 u", compared.band[0], INK, "dash"),
            Level("median + 2 u", compared.band[1], INK, "dash"),
        ]
    limits, _ = chart_limits(compared)
    mean = compared.weighted if compared.consistent else None
    if mean is not None and limits.low <= mean.value <= limits.high:
        levels.append(Level("weighted mean", mean.value, SERIES[1], "long_dash_dot"))
    return levels
