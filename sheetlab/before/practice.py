"""Practice for markers: filled workbooks with planted mistakes, and a key that stays apart."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from itertools import groupby, islice
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.before.issue import start_cells
from sheetlab.finding import Place, Severity, SheetlabError, finding, together
from sheetlab.handling.roster import Group
from sheetlab.practical.bench import Bench, applicable, no_bench, simulate
from sheetlab.practical.definition import Assist
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.forward import BenchError
from sheetlab.practical.loader import Catalogue
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.profile import GUM
from sheetlab.practical.slips.slip import OwnSlip
from sheetlab.practical.slips.table import PLANTED
from sheetlab.units import Unit, unit
from sheetlab.workbook.book import Book
from sheetlab.workbook.identity import identity_of
from sheetlab.workbook.layout import Layout, column_letter, lay_out
from sheetlab.workbook.package import write_atomically
from sheetlab.workbook.page import Column, Fit, Shown, new_page
from sheetlab.workbook.style import Styles
from sheetlab.workbook.template import EPOCH, LINE_HEIGHT, write_template

if TYPE_CHECKING:
    from numpy.random import Generator

    from sheetlab.handling.workers import Progress

COUNT, MOST = 8, 200
SEED = 1
TO_MARK = "to-mark"
KEY = "key.xlsx"
CLEAN_SHARE = 0.25
SLIPS_IN_ONE = (1, 1, 1, 2, 2, 3)
"""How many mistakes a workbook has, drawn evenly from these."""


class PracticeWorkbook(Struct, frozen=True):
    """One workbook of a set, and what was planted in it."""

    path: Path
    bench: Bench


class PracticeSet(Struct, frozen=True):
    """What was written."""

    workbooks: tuple[PracticeWorkbook, ...]
    key: Path


def practice_set(
    catalogue: Catalogue,
    practical: str,
    folder: Path,
    count: int = COUNT,
    seed: int = SEED,
    progress: Progress = lambda done, of: None,
) -> PracticeSet:
    """Write a set of filled workbooks and its key.

    Parameters
    ----------
    folder
        The workbooks go into a folder ``to-mark`` below it, the key beside that folder.
    count
        Workbooks, 1 to 200; about a quarter of them are clean.
    seed
        The same seed writes the same files, to the byte.
    progress
        Told how many workbooks of how many are written.

    Raises
    ------
    SheetlabError
        If the practical cannot be loaded or has no bench, or if a file is there already; then
        nothing is written. If its bench gives a reading that there cannot be.
    """
    loaded = catalogue.load(practical)
    if loaded.forward is None:
        raise SheetlabError(no_bench(loaded))
    if not 1 <= count <= MOST or seed < 0:
        raise SheetlabError(
            finding("no-such-set", Severity.STOP, count=count, seed=seed, most=MOST)
        )
    key = folder / KEY
    digits = max(2, len(str(count)))
    numbers = [f"{i + 1:0{digits}}" for i in range(count)]
    paths = [folder / TO_MARK / f"{practical} practice {number}.xlsx" for number in numbers]
    there = [
        finding("file-exists_practice", Severity.STOP, Place(path.name))
        for path in (key, *paths)
        if path.exists()
    ]
    if there:
        raise SheetlabError(*together(there))
    layout, sketch = lay_out(loaded, Assist.CORRECTED), catalogue.sketch(loaded)
    invented = replace(identity_of(loaded, Assist.CORRECTED, GUM), invented=True)
    workbooks = []
    for number, path, bench in zip(numbers, paths, _benches(loaded, count, seed), strict=True):
        group = Group(f"{number} practice workbook, invented readings")
        typed = {**start_cells(group), **bench.cells}
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(path, write_template(layout, typed, sketch, its=invented))
        workbooks.append(PracticeWorkbook(path, bench))
        progress(len(workbooks), count)
    write_atomically(key, _key_file(layout, workbooks))
    return PracticeSet(tuple(workbooks), key)


def _benches(practical: Practical, count: int, seed: int) -> Iterator[Bench]:
    from numpy.random import default_rng

    rng = default_rng(seed)
    clean = round(CLEAN_SHARE * count) if count > 1 else 0
    dirty = [True] * (count - clean) + [False] * clean
    slips = applicable(practical)
    bag = _by_turns(slips, rng)
    for i in rng.permutation(count):
        number = int(rng.integers(2**62))
        many = int(rng.choice(SLIPS_IN_ONE)) if dirty[i] else 0
        yield _bench(practical, number, bag, many, 2 * len(slips))


def _by_turns(slips: Sequence[str], rng: Generator) -> Iterator[str]:
    """Slips in an order by chance, each once before any comes again."""
    while slips:
        yield from (slips[i] for i in rng.permutation(len(slips)))


def _bench(practical: Practical, seed: int, bag: Iterator[str], many: int, tries: int) -> Bench:
    """A bench with so many slips, every one of which shows beside the others."""
    try:
        bench = simulate(practical, seed)
    except BenchError as error:
        name, reason = practical.definition.id, str(error)
        raise SheetlabError(
            finding("bench-fails", Severity.STOP, practical=name, reason=reason)
        ) from error
    for slip in islice(bag, tries if many else 0):
        try:
            tried = simulate(practical, seed, [*(p.slip for p in bench.planted), slip])
        except BenchError:
            continue
        places = {planted.where for planted in tried.planted}
        if all(p.changed for p in tried.planted) and len(places) == len(tried.planted):
            bench = tried
        if len(bench.planted) >= many:
            break
    return bench


# -- the key -------------------------------------------------------------------------------------


KEY_TITLE = "Key to practice workbooks"
KEY_NOTE = (
    "Key to a set of practice workbooks. All readings are invented. The effect is what the first "
    "result is multiplied with, on the same noise and with the other mistakes of the workbook; "
    "for a mistake in the own sums, what that own result is multiplied with."
)
PLANTED_COLUMNS = (
    Column("workbook", "workbook", 34),
    Column("mistake", "mistake", 17),
    Column("what", "what goes wrong", 42),
    Column("at", "at", 36),
    Column("row", "row", 5),
    Column("cells", "cells that show it", 28),
    Column("effect", "effect on the result (factor)", 12),
)
ROWS = Fit(line=LINE_HEIGHT, more=2.0, less=3.0)
"""Height of the rows of the key."""


def _key_file(layout: Layout, workbooks: Sequence[PracticeWorkbook]) -> bytes:
    buffer = io.BytesIO()
    book = Book(buffer)
    book.set_properties({"title": KEY_TITLE, "created": EPOCH})
    planted = [row for workbook in workbooks for row in _planted_rows(layout, workbook)]
    values = [_values(layout.practical, workbook) for workbook in workbooks]
    styles, name = Styles(book), _result_name(layout.practical)
    value_columns = (
        Column("workbook", "workbook", 34),
        Column("true", f"true {name}", 20),
        Column("typed", f"{name} from the readings typed", 30),
    )
    for title, columns, rows in (
        ("Planted", PLANTED_COLUMNS, planted),
        ("Values", value_columns, values),
    ):
        page = new_page(
            book.add_worksheet(title), styles, columns, (KEY_TITLE, ""), across=ROWS, cells=ROWS
        )
        page.line(KEY_NOTE, "note")
        page.gap(0.0)
        page.table(columns, rows).freeze(through="workbook")
    book.close()
    return buffer.getvalue()


def _planted_rows(layout: Layout, workbook: PracticeWorkbook) -> Iterator[dict[str, Shown]]:
    """What was planted in a workbook, by key of the column."""
    practical, name = layout.practical, workbook.path.name
    if not workbook.bench.planted:
        empty: dict[str, Shown] = dict.fromkeys(column.key for column in PLANTED_COLUMNS)
        yield {**empty, "workbook": name, "what": "nothing: a clean workbook"}
    for planted in workbook.bench.planted:
        title, owner = practical.field(planted.where).title, practical.owner(planted.where)
        own = isinstance(PLANTED[planted.slip], OwnSlip)
        shown = [
            (key, row)
            for key, row in planted.changed
            if practical.inputs[key].answer == own and key in layout.slots
        ]
        yield {
            "workbook": name,
            "mistake": planted.slip,
            "what": planted.what,
            "at": title if owner == practical.definition.title else f"{owner}: {title}",
            "row": "" if planted.row is None else planted.row + 1.0,
            "cells": _cells(layout, shown),
            "effect": float(f"{planted.effect:.5g}"),
        }


def _cells(layout: Layout, places: Sequence[tuple[str, int]]) -> str:
    """Cells as a reader of the workbook finds them: ``Readings C4:C6, E5``."""
    found: dict[str, list[str]] = {}
    for key, rows in groupby(places, key=lambda place: place[0]):
        slot = layout.slots[key]
        letter = column_letter(slot.column)
        # neighbours keep the difference to their position
        numbered = enumerate(row for _, row in rows)
        for _, run in groupby(numbered, key=lambda pair: pair[1] - pair[0]):
            lines = [slot.row + row + 1 for _, row in run]
            text = f"{letter}{lines[0]}"
            text += f":{letter}{lines[-1]}" if len(lines) > 1 else ""
            found.setdefault(slot.sheet, []).append(text)
    return "; ".join(f"{sheet} {', '.join(cells)}" for sheet, cells in found.items())


def _result_unit(practical: Practical) -> Unit:
    result = practical.definition.results[0]
    named = result.display_unit
    return unit(named) if named else practical.derived[result.quantity].unit


def _result_name(practical: Practical) -> str:
    symbol = practical.derived[practical.definition.results[0].quantity].symbol
    pretty = _result_unit(practical).pretty
    return f"{symbol} / {pretty}" if pretty else symbol


def _values(practical: Practical, workbook: PracticeWorkbook) -> dict[str, Shown]:
    """True value of the first result beside the value that the typed readings give."""
    quantity, bench = practical.definition.results[0].quantity, workbook.bench
    value = Numbers(practical, as_cells_show(practical, bench.cells)).value(quantity, None)
    true, typed = (
        "" if number is None else float(f"{_result_unit(practical).from_si(number):.5g}")
        for number in (bench.truths[quantity], value)
    )
    return {"workbook": workbook.path.name, "true": true, "typed": typed}
