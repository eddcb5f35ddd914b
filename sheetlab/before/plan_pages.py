"""Plans as files: a page for the plan, one for the risks."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from itertools import zip_longest
from pathlib import Path

from sheetlab.before.plan import (
    BUDGET,
    DECIDE,
    EFFECTS,
    INVENTED,
    LOOK,
    Block,
    Grid,
    Lines,
    alerts,
    blocks,
    mega,
    refuse,
    shown,
)
from sheetlab.finding import SheetlabError, file_exists, not_written
from sheetlab.messages import phrase, said
from sheetlab.metrology.statement import Decimals, percentage, plain, significant
from sheetlab.practical.assumptions import refused
from sheetlab.practical.loads import REFUSED, YIELD_LIMIT, drop_energy
from sheetlab.practical.planning import Plan
from sheetlab.units import unit
from sheetlab.workbook.book import Book
from sheetlab.workbook.package import write_atomically
from sheetlab.workbook.page import Column, Fit, Page, new_page
from sheetlab.workbook.style import Styles
from sheetlab.workbook.template import EPOCH

COLUMNS, WIDTH = 16, 5.9
GAP = 7.0
RULES_HEIGHT = 88.0
MOST_DROP = 5.0
"""m"""


def write_plan(plan: Plan, drop: float | None = None) -> bytes:
    """The workbook of a plan: a page for the plan, one for the risks.

    Parameters
    ----------
    drop
        Height through which the masses would fall, m; None: to be written by hand.
    """
    buffer = io.BytesIO()
    book = Book(buffer)
    definition = plan.practical.definition
    book.set_properties({"title": f"Plan: {definition.title}", "created": EPOCH})
    styles = Styles(book)
    footer = (f"{definition.title} (version {definition.version})", "")
    pages = []
    for title in ("Plan", "Risk sheet"):
        sheet = book.add_worksheet(title)
        widths = [WIDTH] * COLUMNS
        pages.append(
            new_page(sheet, styles, widths, footer, False, (1, 1),
                     across=Fit(less=3.0), cells=Fit(less=2.0))
        )  # fmt: skip
        sheet.center_horizontally()
    _plan_page(pages[0], plan)
    _risk_page(pages[1], plan, drop)
    book.close()
    return buffer.getvalue()


def _plan_page(page: Page, plan: Plan) -> None:
    page.line(f"Plan: {plan.practical.definition.title}", "title")
    page.line(f"{INVENTED} {DECIDE}", "note")
    parts = list(blocks(plan))
    effects = next((part for part in parts if part.title.endswith(EFFECTS)), None)
    for part in parts:
        if part.title == BUDGET and isinstance(part, Grid) and isinstance(effects, Grid):
            _beside(page, part, effects)
        elif part is not effects:
            _block(page, part)


def _block(page: Page, block: Block) -> None:
    page.gap(GAP)
    alert = isinstance(block, Lines) and block.alert
    page.line(block.title, "caution-heading" if alert else "heading", 11)
    if isinstance(block, Lines):
        for line in block.lines:
            page.line(line, "caution" if alert else "plain")
        return
    if block.panes:
        texts = [(title, value) for title, _, value in block.rows]
        half = -(-len(texts) // 2)
        for left, right in zip_longest(texts[:half], texts[half:], fillvalue=("", "")):
            _cells(page, (*left, *right), (5, 3, 5, 3), ("cell", "figure") * 2)
    else:
        columns = [
            Column(str(i), heading, format="figure" if i else "cell", span=span)
            for i, (heading, span) in enumerate(zip(block.headings, _spans(block), strict=False))
        ]
        page.table(columns, block.rows)
    if block.note:
        page.line(block.note, "rule")


def _spans(block: Grid) -> list[int]:
    """Columns of the page for each column of a table; a first column of texts is widest."""
    count = min(len(block.headings), COLUMNS // 2)
    longest = max((len(row[0]) for row in block.rows), default=0)
    if longest <= 2 * WIDTH:
        return [2] * count
    return [COLUMNS - 4 * (count - 1), *[4] * (count - 1)]


def _cells(page: Page, texts: Sequence[str], spans: Sequence[int], looks: Sequence[str],
           least: float = 0.0) -> None:  # fmt: skip
    """A row of cells, each over so many columns."""
    columns = [
        Column(str(i), format=look, span=span)
        for i, (span, look) in enumerate(zip(spans, looks, strict=True))
    ]
    page.open_table(columns, heads=False).write(texts, least or None)


def _beside(page: Page, left: Grid, right: Grid) -> None:
    """Two tables side by side; of the left one the first and the last column."""
    half = COLUMNS // 2
    count = min(len(right.headings), half // 2)
    spans = (half - 2, 2, *[half // count] * count)
    page.gap(GAP)
    _cells(page, (left.title, right.title), (half, half), ("heading", "heading"))
    headings = (left.headings[0], left.headings[-1], *right.headings[:count])
    _cells(page, headings, spans, ["column"] * len(headings))
    for one, other in zip_longest(left.rows, right.rows):
        texts = (*((one[0], one[-1]) if one else ("", "")), *(other or [""] * count)[:count])
        looks = [*(("cell", "figure") if one else ("plain", "plain"))]
        looks += ["cell", *["figure"] * (count - 1)] if other else ["plain"] * count
        _cells(page, texts, spans, looks)
    if right.note:
        page.line(right.note, "rule")


def _risk_page(page: Page, plan: Plan, drop: float | None) -> None:
    definition = plan.practical.definition
    page.line(f"Risk sheet: {definition.title}", "title")
    page.line(DECIDE, "statement")
    page.gap(GAP)
    page.line("Numbers of this plan", "heading", 11)
    for title, value in _risk_numbers(plan, drop):
        _cells(page, (title, shown(plan, value)), (7, 9), ("cell", "cell"))
    lines = alerts(plan, "the numbers above are")
    if lines:
        _block(page, Lines(LOOK, lines, alert=True))
    page.gap(GAP)
    page.line("Usual cautions", "caution-heading", 11)
    for caution in definition.cautions:
        page.line(caution, "caution")
    page.gap(GAP)
    page.line("Local rules, and what else was found at this place (support, floor, people)",
              "heading", 11)  # fmt: skip
    page.line("", "input-text", least=RULES_HEIGHT)
    page.gap(GAP)
    page.line("Person in charge", "heading", 11)
    for title in ("Name of the person in charge", "Date", "Signature"):
        _cells(page, (title, ""), (5, 11), ("label", "input-text"), 26)
    page.gap(GAP)
    page.line(said(phrase("risk-assessment")), "note")


def _risk_numbers(plan: Plan, drop: float | None) -> Iterator[tuple[str, str]]:
    stress, field = plan.stress, plan.practical.stress
    if stress is None or field is None:
        yield "Loads", "the definition of this practical states no load"
        return
    greatest, material, load_unit = stress.greatest, stress.material, unit(stress.unit)
    total = greatest.load + stress.dead_load
    yield "Material, as named", material.name
    yield "Breaking stress (lower end used)", Decimals(f"{mega(material.breaking)} MPa")
    if material.yielding is not None:
        yield "Yield stress (lower end used)", Decimals(f"{mega(material.yielding)} MPa")
    yield "Source", material.source + ("" if material.confirmed else " (not confirmed)")
    for one in plan.assumptions:
        if one.key == field.diameter:
            gauge = "" if stress.gauge is None else f" ({stress.gauge.name})"
            yield one.title, Decimals(f"{plain(one.value, 4)} {one.unit}{gauge}")
    for title, load in (
        ("Dead load", stress.dead_load),
        ("Greatest load added", greatest.load),
        ("Greatest load that hangs", total),
    ):
        size = significant(load_unit.from_si(load), 3)
        yield title, Decimals(f"{size} {load_unit.pretty}")
    yield "Greatest stress", Decimals(f"{significant(greatest.stress / 1e6, 3)} MPa")
    for name, part, limit in (
        ("breaking", greatest.of_breaking, stress.limit),
        ("yield", greatest.of_yield, YIELD_LIMIT),
    ):
        if part is not None:
            fraction = f"{percentage(part)} (limit {percentage(limit)})"
            yield f"as a fraction of {name}", Decimals(fraction)
    if stress.reason:
        yield f"Stated reason (asked for above {percentage(REFUSED)} of breaking)", stress.reason
    height = "Height of the masses above the box or floor"
    if drop is None:
        yield height, "____ cm (keep it to a few cm)"
        return
    yield height, Decimals(f"{significant(100 * drop, 2)} cm")
    if load_unit.dimension == unit("kg").dimension:
        energy = significant(drop_energy(total, drop), 2)
        yield (
            f"Energy of the masses if the {plan.practical.definition.words.body} breaks",
            Decimals(f"{energy} J"),
        )


def save_plan(plan: Plan, path: Path, drop: float | None = None) -> None:
    """Write the workbook of a plan.

    Raises
    ------
    SheetlabError
        If its loads are refused, if the file is there already, or if it cannot be written.
    """
    refuse(plan)
    if drop is not None and not 0.0 <= drop <= MOST_DROP:
        raise refused("setting-refused_height", height=f"{100 * drop:g}")
    if path.exists():
        raise SheetlabError(file_exists(path))
    try:
        write_atomically(path, write_plan(plan, drop))
    except OSError as error:
        raise SheetlabError(not_written(path, error)) from error
