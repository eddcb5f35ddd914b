"""Plans as text and as files: a page for the plan, one for the risks."""

from __future__ import annotations

import io
import math
import re
import textwrap
from collections.abc import Iterator, Sequence
from itertools import zip_longest
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.before.books import books, gauges
from sheetlab.checks.wording import Words
from sheetlab.finding import Finding, Place, Severity, SheetlabError
from sheetlab.metrology.statement import percentage, plain, share, significant
from sheetlab.practical.assumptions import Assumption, ExpectedColumn, refused
from sheetlab.practical.loader import Catalogue
from sheetlab.practical.loads import (
    LIMIT,
    REFUSED,
    STEP_DIVISIONS,
    TOTAL_DIVISIONS,
    YIELD_LIMIT,
    Gauge,
    Masses,
    drop_energy,
)
from sheetlab.practical.planning import Effect, Plan, Request, StressPlan
from sheetlab.practical.planning import plan as plan_practical
from sheetlab.practical.profile import GUM, Profile

SOURCES = 5
"""Rows of the budget that are printed."""
DECIDE = "This sheet permits nothing: the local rules and the person in charge decide."
INVENTED = (
    "Predicted from assumed inputs by evaluating invented benches; nothing here was measured."
)
BUDGET = "Predicted uncertainty budget"
EFFECTS = "with other rows and steps"
STATED = {
    "expanded": ("U", "expanded uncertainty U"),
    "standard": ("u", "combined standard uncertainty u"),
    "maximum": ("maximum error", "maximum error"),
}
"""Short and long name of what a result is stated with."""
LOOK = "Look at this first"
MASSES = "masses without a unit like 0.5x10,0.2x5 (with a decimal comma: 0,5x10;0,2x5)"
MOST_REASON = 500
MOST_DROP = 5.0
"""m"""


# -- requests ------------------------------------------------------------------------------------


def read_masses(text: str) -> tuple[Masses, ...]:
    """Masses from a text such as ``0.5x10, 0.2x5`` or ``0,5x10; 0,2x5``.

    Raises
    ------
    SheetlabError
        If it cannot be understood, or in two ways.
    """
    found = []
    for part in _entries(text):
        mass, _, count = part.partition("x")
        try:
            one = Masses(float(mass), int(count or "1"))
        except ValueError:
            one = Masses(math.nan, 0)
        if not 0.0 < one.mass <= 1000.0 or not 1 <= one.count <= 1000:
            raise SheetlabError(refused("the masses", f"“{part}” is not understood", MASSES))
        found.append(one)
    return tuple(found)


def _entries(text: str) -> Iterator[str]:
    """Entries of a list of masses, with decimal points.

    A comma after a count, before a decimal point or before a space separates; one between bare
    digits is a decimal comma where the entries are separated by something else, or after 0.
    """
    plain = re.sub(r"\s*[x×X]\s*", "x", text.strip())
    plain = re.sub(r"\s*,\s+|\s+,", "\n", plain)
    otherwise = bool(re.search(r"[; \t]", plain))
    for chunk in re.split(r"[;\s]+", plain):
        parts = [part for part in chunk.split(",") if part]
        while parts:
            part = parts.pop(0)
            decimals = parts[0] if parts else ""
            if part.isdecimal() and re.fullmatch(r"\d+(x\d*)?", decimals):
                if not otherwise and int(part):
                    either = f"“{part},{decimals}” can be read in two ways"
                    also = f"{part}.{decimals} for one entry, {part};{decimals} for two"
                    raise SheetlabError(refused("the masses", f"{either}; write {also}", MASSES))
                part = f"{part}.{parts.pop(0)}"
            yield part


def read_settings(pairs: Sequence[str]) -> dict[str, str]:
    """Settings from texts such as ``L=2.1``.

    Raises
    ------
    SheetlabError
        If one has no name or no value.
    """
    found = {}
    for pair in pairs:
        name, equals, value = (part.strip() for part in pair.partition("="))
        if not (name and equals and value):
            raise SheetlabError(
                refused("a setting", f"“{pair}” is not NAME=VALUE", "a setting like L=2.1")
            )
        found[name] = value
    return found


def make_plan(
    catalogue: Catalogue,
    practical: str,
    settings: Sequence[str] = (),
    material: str = "",
    gauge: str = "",
    masses: str = "",
    limit: float = LIMIT,
    reason: str = "",
    own: Path | None = None,
    profile: Profile | None = None,
) -> Plan:
    """A plan from what a person typed; see ``Request``.

    Raises
    ------
    SheetlabError
        If something of it cannot be used.
    """
    request = Request(
        read_settings(settings), material, gauge, read_masses(masses), limit, reason[:MOST_REASON],
        profile,
    )  # fmt: skip
    return plan_practical(catalogue.load(practical), request, books(own))


# -- words ---------------------------------------------------------------------------------------


class Grid(Struct, frozen=True):
    """A small table of a plan: title, headings, rows of text, a note below."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    panes: bool = False
    """Printed in two halves side by side, without the names in the middle."""


class Lines(Struct, frozen=True):
    """Sentences of a plan below a title."""

    title: str
    lines: tuple[str, ...]
    alert: bool = False


Block = Grid | Lines


def blocks(plan: Plan) -> Iterator[Block]:
    """The plan in the order in which it is printed."""
    for block in _blocks(plan):
        if isinstance(block, Lines):
            yield replace(block, lines=tuple(_marked(plan, line) for line in block.lines))
        else:
            yield replace(
                block,
                headings=tuple(_marked(plan, text) for text in block.headings),
                rows=tuple(tuple(_marked(plan, text) for text in row) for row in block.rows),
            )


def _marked(plan: Plan, text: str) -> str:
    """A text with the decimal mark of the profile; what others have written stays as it is."""
    profile, stress = plan.profile or GUM, plan.stress
    foreign = set() if stress is None else {stress.material.source, stress.reason}
    if stress is not None and stress.gauge is not None:
        foreign.add(stress.gauge.source)
    foreign.discard("")
    parts = re.split(f"({'|'.join(map(re.escape, sorted(foreign)))})", text) if foreign else [text]
    return "".join(part if i % 2 else profile.sentence(part) for i, part in enumerate(parts))


def _blocks(plan: Plan) -> Iterator[Block]:
    result, words = plan.result, Words(plan.practical, plan.profile or GUM)
    spread = result.budget
    alerts = () if plan.stress is None else tuple(_alerts(plan.stress, "the table below is"))
    if alerts:
        yield Lines(LOOK, alerts, alert=True)
    given = (*_stated_lines(plan, words), *words.dominant_lines(result))
    if plan.stress is not None and (row := plan.stress.breaks_at) is not None:
        given = (
            f"No result: from row {row} on the load is above what the wire can break at. The "
            "tables below go on as if it held.",
        )
    yield Lines("What this plan would give", given)
    if plan.stress is not None:
        yield from _stress_blocks(plan, plan.stress)
    yield Grid(
        BUDGET,
        ("source", "type", "share of variance"),
        tuple(
            (row.source.label, row.source.evaluation, share(row.share))
            for row in spread.rows[:SOURCES]
        ),
    )
    yield _expected_grid(plan)
    if plan.effects and (plan.stress is None or plan.stress.breaks_at is None):
        yield _effects_grid(plan)
    yield Grid(
        "What was assumed",
        ("quantity", "name", "value"),
        tuple(
            (one.title, one.key, f"{_assumed(plan, one)} {one.unit}{' (set)' * one.given}".strip())
            for one in plan.assumptions
        ),
        "Other values: --set NAME=VALUE in the unit shown; the command prints the names. (set): "
        "not the usual value.",
        panes=True,
    )


def _stated_lines(plan: Plan, words: Words) -> Iterator[str]:
    """The predicted result, and what the number after ± is."""
    result, profile = plan.result, plan.profile
    symbol = plan.practical.derived[result.definition.quantity].symbol
    size = percentage(abs(result.stated_uncertainty / result.budget.value))
    if profile is None:
        factor = result.budget.coverage_factor
        yield f"{words.statement_line(result)} at k = {factor:.2f}; U is {size} of {symbol}."
        return
    yield f"{words.statement_line(result)}."
    name = STATED[result.stated][1]
    yield f"By the profile “{profile.id}” the number after ± is the {name}: {size} of {symbol}."
    if result.stated == "maximum":
        yield words.maximum_error_line(result)
    else:
        yield words.uncertainty_line(result)


def _assumed(plan: Plan, one: Assumption) -> str:
    # a value of g has more digits than others, and who gave it looks for them
    typed = one.given and one.key in plan.practical.inputs
    return plain(one.value) if typed else plain(one.value, 4)


def _stress_blocks(plan: Plan, stress: StressPlan) -> Iterator[Block]:
    material, greatest = stress.material, stress.greatest
    lines = [
        f"{material.name}: breaks at {_mega(material.breaking)} MPa"
        + ("" if material.yielding is None else f", yields at {_mega(material.yielding)} MPa")
        + f" ({material.source}). Fractions are of the lower ends.",
    ]
    if stress.weakest_of:
        lines.append(
            f"This is the weakest of {', '.join(f'“{one}”' for one in stress.weakest_of)}: it was "
            "not said which one is loaded. Name it with --material."
        )
    if stress.gauge is not None:
        lines.append(_gauge_line(stress.gauge))
    lines.append(
        f"With the dead load the greatest stress is {significant(greatest.stress / 1e6, 3)} MPa: "
        f"{percentage(greatest.of_breaking)} of breaking"
        + ("." if greatest.of_yield is None else f", {percentage(greatest.of_yield)} of yield.")
        + f" Limits: {percentage(stress.limit)} of breaking, {percentage(YIELD_LIMIT)} of yield; "
        f"above {percentage(REFUSED)} of breaking a reason has to be stated."
    )
    yield Lines("Load and stress", tuple(lines))
    yield Lines("Recommended loads", tuple(_schedule_lines(plan, stress)))


def _alerts(stress: StressPlan, shown: str) -> Iterator[str]:
    if stress.all_hung:
        yield (
            f"These masses give no schedule within the limits; {shown} for all of them, hung one "
            "after another."
        )
    if stress.greatest.of_breaking > REFUSED and stress.reason:
        yield f"Above {percentage(REFUSED)} of breaking. Stated reason: {stress.reason}"
    yield from map(_sentence, stress.warnings)


def _sentence(one: Finding) -> str:
    return one.message[:1].upper() + one.message[1:]


def _mega(pair: tuple[float, float]) -> str:
    low, high = (plain(end / 1e6, 4) for end in pair)
    return low if low == high else f"{low} to {high}"


def _gauge_line(gauge: Gauge) -> str:
    number = gauge.name.partition(" ")[2]
    other = next((g for g in gauges() if g.name.endswith(f" {number}") and g != gauge), None)
    also = "" if other is None else f" {other.name} would be {1000 * other.diameter:.3f} mm."
    return (
        f"{gauge.name} is {1000 * gauge.diameter:.3f} mm ({gauge.source}).{also} Measure the wire: "
        "a number on a reel may mean either, and lacquer adds to the diameter."
    )


def _schedule_lines(plan: Plan, stress: StressPlan) -> Iterator[str]:
    found = stress.schedule
    if found is None:
        yield from stress.advice
    else:
        better = (
            ""
            if found.comfortable
            else (
                f" Better would be {TOTAL_DIVISIONS[1]:.0f} divisions in steps of "
                f"{STEP_DIVISIONS[1]:.0f}."
            )
        )
        yield (
            f"{found.loads} loads (the first is the dead load alone) in steps of {found.step:g} "
            f"{stress.unit}; the reading changes by {found.total_divisions:.0f} divisions, "
            f"{found.total_divisions / (found.loads - 1):.0f} a step.{better}"
        )
    if not stress.followed:
        read = next((one.divisions for one in plan.expected if one.divisions), (0.0,))
        total = abs(read[-1] - read[0])
        which = "of all masses given" if stress.all_hung else "that were set or assumed"
        yield (
            f"The {plan.rows} loads {which} move the reading by {total:.0f} "
            f"divisions, {total / max(len(read) - 1, 1):.0f} a step."
        )
        if plan.rows % 2:
            yield "An odd number of loads leaves one out where differences over half are taken."
        yield "The tables here are for those, not for other loads."


def _distinct(columns: Sequence[ExpectedColumn]) -> list[ExpectedColumn]:
    """Columns that show the same are printed once, under both names."""
    found: list[tuple[list[str], ExpectedColumn]] = []
    for one in columns:
        same = next(
            (t for t, c in found if c.values == one.values and c.divisions == one.divisions), None
        )
        if same is None:
            found.append(([one.title], one))
        else:
            same.append(one.title)
    return [
        ExpectedColumn(c.key, ", ".join(titles), c.unit, c.decimals, c.values, c.divisions)
        for titles, c in found
    ]


def _expected_grid(plan: Plan) -> Grid:
    headings, columns = ["row"], [[str(i + 1) for i in range(plan.rows)]]
    for one in _distinct(plan.expected):
        headings.append(f"{one.title} / {one.unit}" if one.unit else one.title)
        columns.append(_column(one.values, one.decimals))
        if one.divisions is not None:
            headings.append("in divisions")
            columns.append([f"{v:.0f}" for v in one.divisions])
    stress = plan.stress
    if stress is not None:
        headings += ["stress / MPa", "of breaking"]
        columns += [
            [significant(row.stress / 1e6, 3) for row in stress.rows],
            [percentage(row.of_breaking) for row in stress.rows],
        ]
        if stress.material.yielding is not None:
            headings.append("of yield")
            columns.append([percentage(row.of_yield or 0.0) for row in stress.rows])
    title = next(t.title for t in plan.practical.definition.tables if t.id == plan.table)
    return Grid(f"Expected: {title}", tuple(headings), tuple(zip(*columns, strict=True)))


def _column(values: Sequence[float], decimals: int | None) -> list[str]:
    """Numbers of a column, all with as many decimals as the one that needs most has."""
    if decimals is None:
        texts: list[str] = [plain(v, 4) for v in values]
        if any("×" in text for text in texts):
            return texts
        decimals = max(len(text.partition(".")[2]) for text in texts)
    return [f"{v:.{decimals}f}" for v in values]


def _effects_grid(plan: Plan) -> Grid:
    steps = list(dict.fromkeys(one.step for one in plan.effects if not math.isnan(one.step)))
    counts = list(dict.fromkeys(one.rows for one in plan.effects))
    by_place = {(one.rows, one.step): one for one in plan.effects}
    name = STATED[plan.result.stated][0]
    title = f"{name[:1].upper() if len(name) > 1 else name}{name[1:]} {EFFECTS}"
    if not steps:
        rows = tuple((str(one.rows), _effect(one, plan)) for one in plan.effects)
        return Grid(title, ("rows", name), rows)
    headings = ("rows", *(f"{plan.step_title} {s:.3g} {plan.step_unit}".strip() for s in steps))
    table = tuple((str(n), *(_effect(by_place[n, s], plan) for s in steps)) for n in counts)
    over = plan.stress is not None and any(
        (one.of_breaking or 0.0) > plan.stress.limit for one in plan.effects
    )
    notes = []
    if over:
        notes.append("!: above the limit of the breaking stress; no number: above half of it.")
    if plan.stress is not None and plan.stress.masses:
        notes.append("–: also where the masses given do not suffice.")
    return Grid(
        title,
        headings,
        table,
        " ".join(notes),
    )


def _effect(one: Effect, plan: Plan) -> str:
    limit = math.inf if plan.stress is None else plan.stress.limit * (1.0 + 1e-9)
    mark = "!" if (one.of_breaking or 0.0) > limit else ""
    return f"{'–' if one.relative is None else percentage(one.relative)} {mark}".strip()


def plan_text(plan: Plan) -> list[str]:
    """The plan as lines for a terminal."""
    d = plan.practical.definition
    lines = [f"Plan: {d.title} (version {d.version})", *_wrapped(INVENTED), *_wrapped(DECIDE)]
    for block in blocks(plan):
        lines += ["", block.title]
        if isinstance(block, Lines):
            for line in block.lines:
                lines += _wrapped(line, "! " if block.alert else "  ")
            continue
        table = [block.headings, *block.rows]
        widths = [max(len(row[i]) for row in table) for i in range(len(block.headings))]
        for row in table:
            cells = zip(row, widths, range(len(row)), strict=True)
            lines.append(
                "  " + "  ".join(f"{c:>{w}}" if i else f"{c:<{w}}" for c, w, i in cells).rstrip()
            )
        lines += _wrapped(block.note) if block.note else []
    return lines


def _wrapped(text: str, start: str = "  ") -> list[str]:
    return textwrap.wrap(text, 96, initial_indent=start, subsequent_indent="  ")


# -- sheets --------------------------------------------------------------------------------------


COLUMNS, WIDTH = 16, 5.9


def write_plan(plan: Plan, drop: float | None = None) -> bytes:
    """The workbook of a plan: a page for the plan, one for the risks.

    Parameters
    ----------
    drop
        Height through which the masses would fall, m; None: to be written by hand.
    """
    from sheetlab.workbook.book import Book
    from sheetlab.workbook.style import Styles
    from sheetlab.workbook.template import EPOCH

    buffer = io.BytesIO()
    book = Book(buffer)
    book.set_properties({"title": f"Plan: {plan.practical.definition.title}", "created": EPOCH})
    styles = Styles(book)
    _plan_page(_Page(book, styles, plan, "Plan"), plan)
    _risk_page(_Page(book, styles, plan, "Risk sheet"), plan, drop)
    book.close()
    return buffer.getvalue()


class _Page:
    """A page that is written from top to bottom."""

    def __init__(self, book: Any, styles: Any, plan: Plan, title: str) -> None:
        from sheetlab.workbook.style import set_page

        definition = plan.practical.definition
        self.styles, self.row = styles, 0
        self.sheet = book.add_worksheet(title)
        set_page(self.sheet, False, f"{definition.title} (version {definition.version})", "")
        self.sheet.set_column(0, COLUMNS - 1, WIDTH)
        self.sheet.fit_to_pages(1, 1)
        self.sheet.center_horizontally()

    def text(self, text: str, style: str, size: int = 10, least: float = 0.0) -> None:
        from sheetlab.workbook.style import lines_needed
        from sheetlab.workbook.template import LINE_HEIGHT

        look = self.styles(style)
        self.sheet.merge_range(self.row, 0, self.row, COLUMNS - 1, "", look)
        self.sheet.write_string(self.row, 0, text, look)
        lines = lines_needed(text, COLUMNS * WIDTH - 3, size)
        self.sheet.set_row(self.row, max(lines * LINE_HEIGHT * size / 10 + 3, least))
        self.row += 1

    def gap(self, height: float = 7.0) -> None:
        self.sheet.set_row(self.row, height)
        self.row += 1

    def cells(self, texts: Sequence[str], spans: Sequence[int], looks: Sequence[str]) -> None:
        """A row of cells, each over so many columns."""
        from sheetlab.workbook.style import lines_needed
        from sheetlab.workbook.template import LINE_HEIGHT

        column = 0
        most = 1
        for text, span, style in zip(texts, spans, looks, strict=True):
            look = self.styles(style)
            if span > 1:
                self.sheet.merge_range(self.row, column, self.row, column + span - 1, "", look)
            self.sheet.write_string(self.row, column, text, look)
            most = max(most, lines_needed(text, span * WIDTH - 2))
            column += span
        self.sheet.set_row(self.row, most * LINE_HEIGHT + 3)
        self.row += 1

    def block(self, block: Block) -> None:
        self.gap()
        alert = isinstance(block, Lines) and block.alert
        self.text(block.title, "caution-heading" if alert else "heading", 11)
        if isinstance(block, Lines):
            for line in block.lines:
                self.text(line, "caution" if alert else "plain")
            return
        if block.panes:
            self.panes(block)
            return
        wide = _spans(block)
        self.cells(block.headings, wide, ["column"] * len(wide))
        for row in block.rows:
            self.cells(row, wide, ["cell", *["figure"] * (len(wide) - 1)])
        if block.note:
            self.text(block.note, "rule")

    def beside(self, left: Grid, right: Grid) -> None:
        """Two tables side by side; of the left one the first and the last column."""
        half = COLUMNS // 2
        count = min(len(right.headings), half // 2)
        spans = (half - 2, 2, *[half // count] * count)
        self.gap()
        self.cells((left.title, right.title), (half, half), ("heading", "heading"))

        def both(one: Sequence[str], other: Sequence[str]) -> tuple[str, ...]:
            return (one[0], one[-1], *other[:count]) if one else ("", "", *other[:count])

        headings = both(left.headings, right.headings)
        self.cells(headings, spans, ["column"] * len(headings))
        empty = [""] * count
        for one, other in zip_longest(left.rows, right.rows, fillvalue=()):
            looks = ["cell", "figure"] if one else ["plain", "plain"]
            looks += ("cell", *["figure"] * (count - 1)) if other else ("plain",) * count
            self.cells(both(one, other or empty), spans, looks)
        if right.note:
            self.text(right.note, "rule")

    def panes(self, block: Grid) -> None:
        texts = [(title, value) for title, _, value in block.rows]
        half = -(-len(texts) // 2)
        texts += [("", "")] * (2 * half - len(texts))
        for left, right in zip(texts[:half], texts[half:], strict=True):
            self.cells((*left, *right), (5, 3, 5, 3), ("cell", "figure") * 2)
        self.text(block.note, "rule")


def _spans(block: Grid) -> list[int]:
    """Columns of the page for each column of a table; a first column of texts is widest."""
    count = min(len(block.headings), COLUMNS // 2)
    longest = max((len(row[0]) for row in block.rows), default=0)
    if longest <= 2 * WIDTH:
        return [2] * count
    return [COLUMNS - 4 * (count - 1), *[4] * (count - 1)]


def _plan_page(page: _Page, plan: Plan) -> None:
    page.text(f"Plan: {plan.practical.definition.title}", "title", 15)
    page.text(f"{INVENTED} {DECIDE}", "note")
    found = list(blocks(plan))
    effects = next((one for one in found if one.title.endswith(EFFECTS)), None)
    for block in found:
        if block.title == BUDGET and isinstance(block, Grid) and isinstance(effects, Grid):
            page.beside(block, effects)
        elif block is not effects:
            page.block(block)


RULES_HEIGHT = 88.0


def _risk_page(page: _Page, plan: Plan, drop: float | None) -> None:
    definition = plan.practical.definition
    page.text(f"Risk sheet: {definition.title}", "title", 15)
    page.text(DECIDE, "statement", 14)
    page.gap()
    page.text("Numbers of this plan", "heading", 11)
    for title, value in _risk_numbers(plan, drop):
        page.cells((title, _marked(plan, value)), (7, 9), ("cell", "cell"))
    alerts = () if plan.stress is None else tuple(_alerts(plan.stress, "the numbers above are"))
    alerts = tuple(_marked(plan, line) for line in alerts)
    if alerts:
        page.block(Lines(LOOK, alerts, alert=True))
    page.gap()
    page.text("Usual cautions", "caution-heading", 11)
    for caution in definition.cautions:
        page.text(caution, "caution")
    page.gap()
    page.text("Local rules, and what else was found at this place (support, floor, people)",
              "heading", 11)  # fmt: skip
    page.text("", "input-text", least=RULES_HEIGHT)
    page.gap()
    page.text("Person in charge", "heading", 11)
    for title in ("Name of the person in charge", "Date", "Signature"):
        page.cells((title, ""), (5, 11), ("label", "input-text"))
        page.sheet.set_row(page.row - 1, 26)
    page.gap()
    page.text(
        "The assessment of the risk is made by the person in charge under the rules of the school "
        "or employer; the numbers above are a help for it and can be wrong for this place.",
        "note",
    )


def _risk_numbers(plan: Plan, drop: float | None) -> Iterator[tuple[str, str]]:
    stress = plan.stress
    if stress is None:
        yield "Loads", "the definition of this practical states no load"
        return
    greatest = stress.greatest
    total = greatest.load + stress.dead_load
    material = stress.material
    yield "Material, as named", material.name
    yield "Breaking stress (lower end used)", f"{_mega(material.breaking)} MPa"
    if material.yielding is not None:
        yield "Yield stress (lower end used)", f"{_mega(material.yielding)} MPa"
    yield "Source", material.source + ("" if material.confirmed else " (not confirmed)")
    name = plan.practical.stress.diameter if plan.practical.stress is not None else ""
    for one in plan.assumptions:
        if name and one.key == name:
            gauge = "" if stress.gauge is None else f" ({stress.gauge.name})"
            yield one.title, f"{plain(one.value, 4)} {one.unit}{gauge}"
    from sheetlab.units import unit

    its = unit(stress.unit)

    def load(value: float) -> str:
        return f"{significant(its.from_si(value), 3)} {its.pretty}"

    yield "Dead load", load(stress.dead_load)
    yield "Greatest load added", load(greatest.load)
    yield "Greatest load that hangs", load(total)
    yield "Greatest stress", f"{significant(greatest.stress / 1e6, 3)} MPa"
    yield (
        "as a fraction of breaking",
        (f"{percentage(greatest.of_breaking)} (limit {percentage(stress.limit)})"),
    )
    if greatest.of_yield is not None:
        yield (
            "as a fraction of yield",
            (f"{percentage(greatest.of_yield)} (limit {percentage(YIELD_LIMIT)})"),
        )
    if stress.reason:
        yield f"Stated reason (asked for above {percentage(REFUSED)} of breaking)", stress.reason
    if drop is None:
        yield "Height of the masses above the box or floor", "____ cm (keep it to a few cm)"
    else:
        yield "Height of the masses above the box or floor", f"{significant(100 * drop, 2)} cm"
        if its.dimension == unit("kg").dimension:
            yield (
                "Energy of the masses if the wire breaks",
                (f"{significant(drop_energy(total, drop), 2)} J"),
            )


def save_plan(plan: Plan, path: Path, drop: float | None = None) -> None:
    """Write the workbook of a plan.

    Raises
    ------
    SheetlabError
        If its loads are refused, if the file is there already, or if it cannot be written.
    """
    from sheetlab.workbook.package import write_atomically

    refuse(plan)
    if drop is not None and not 0.0 <= drop <= MOST_DROP:
        raise SheetlabError(refused("the height", f"{100 * drop:g} cm", "a height of 0 to 500 cm"))
    if path.exists():
        raise SheetlabError(
            Finding(
                "file-exists",
                Severity.STOP,
                "this file is there already; nothing was written",
                "a name that is not taken",
                "Give another name, or move the old plan away.",
                Place(path.name),
            )
        )
    try:
        write_atomically(path, write_plan(plan, drop))
    except OSError as error:
        raise SheetlabError(
            Finding(
                "not-written",
                Severity.STOP,
                f"{path.name} cannot be written: {error.strerror or error}",
                "a folder that can be written to",
                "Check the folder.",
                Place(path.name),
            )
        ) from error


def refuse(plan: Plan) -> None:
    """Raise SheetlabError if the loads of a plan need a reason that is not stated."""
    if plan.stress is not None and plan.stress.refusal is not None:
        raise SheetlabError(plan.stress.refusal)
