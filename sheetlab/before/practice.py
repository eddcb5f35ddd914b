"""Practice for markers: filled workbooks with planted mistakes, and a key that stays apart."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.before.issue import start_cells
from sheetlab.finding import Finding, Place, Severity, SheetlabError, together
from sheetlab.handling.roster import Group
from sheetlab.practical.bench import Bench, Planted, applicable, no_bench, simulate
from sheetlab.practical.definition import Assist
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.forward import BenchError
from sheetlab.practical.loader import Catalogue
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.profile import GUM
from sheetlab.practical.slips.slip import OwnSlip
from sheetlab.practical.slips.table import PLANTED
from sheetlab.units import unit
from sheetlab.workbook.book import Book
from sheetlab.workbook.identity import identity_of
from sheetlab.workbook.layout import Layout, column_letter, lay_out
from sheetlab.workbook.package import write_atomically
from sheetlab.workbook.style import Styles, lines_needed, set_page
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
        nothing is written.
    """
    loaded = catalogue.load(practical)
    if loaded.forward is None:
        raise SheetlabError(no_bench(loaded))
    if not 1 <= count <= MOST or seed < 0:
        raise SheetlabError(_no_such_set(count, seed))
    key = folder / KEY
    digits = max(2, len(str(count)))
    numbers = [f"{i + 1:0{digits}}" for i in range(count)]
    paths = [folder / TO_MARK / f"{practical} practice {number}.xlsx" for number in numbers]
    there = [path for path in (key, *paths) if path.exists()]
    if there:
        raise SheetlabError(*together(map(_exists, there)))
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
    bag = _Bag(applicable(practical), rng)
    for i in rng.permutation(count):
        number = int(rng.integers(2**62))
        many = int(rng.choice(SLIPS_IN_ONE)) if dirty[i] else 0
        yield _bench(practical, number, bag, many)


class _Bag(Struct):
    """Slips in an order by chance, each once before any comes again."""

    slips: Sequence[str]
    rng: Generator
    rest: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.slips)

    def draw(self) -> str:
        if not self.rest:
            self.rest = tuple(self.slips[i] for i in self.rng.permutation(len(self.slips)))
        first, *rest = self.rest
        self.rest = tuple(rest)
        return first


def _bench(practical: Practical, seed: int, bag: _Bag, many: int) -> Bench:
    """A bench with so many slips, every one of which shows beside the others."""
    found = simulate(practical, seed)
    for _ in range(2 * len(bag)):
        if len(found.planted) >= many:
            break
        slips = [one.slip for one in found.planted]
        try:
            tried = simulate(practical, seed, [*slips, bag.draw()])
        except BenchError:
            continue
        places = {one.where for one in tried.planted}
        if all(one.changed for one in tried.planted) and len(places) == len(tried.planted):
            found = tried
    return found


# -- the key -------------------------------------------------------------------------------------


KEY_TITLE = "Key to practice workbooks"
KEY_NOTE = (
    "Key to a set of practice workbooks. All readings are invented. The effect is what the first "
    "result is multiplied with, on the same noise and with the other mistakes of the workbook; "
    "for a mistake in the own sums, what that own result is multiplied with."
)
PLANTED_HEADINGS = (
    ("workbook", 34), ("mistake", 17), ("what goes wrong", 42), ("at", 36), ("row", 5),
    ("cells that show it", 28), ("effect on the result (factor)", 12),
)  # fmt: skip


def _key_file(layout: Layout, workbooks: Sequence[PracticeWorkbook]) -> bytes:
    buffer = io.BytesIO()
    book = Book(buffer)
    book.set_properties({"title": KEY_TITLE, "created": EPOCH})
    styles = Styles(book)
    planted: list[list[str | float]] = []
    for one in workbooks:
        rows = [_planted_row(layout, planted) for planted in one.bench.planted]
        planted += [[one.path.name, *row] for row in rows or [["", "nothing: a clean workbook"]]]
    _sheet(book, styles, "Planted", PLANTED_HEADINGS, planted)
    _sheet(book, styles, "Values", *_values(layout.practical, workbooks))
    book.close()
    return buffer.getvalue()


def _sheet(
    book: Any,
    styles: Styles,
    title: str,
    headings: Sequence[tuple[str, int]],
    rows: Sequence[Sequence[str | float]],
) -> None:
    sheet = book.add_worksheet(title)
    set_page(sheet, True, KEY_TITLE, "")
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(2)
    last, width = len(headings) - 1, sum(width for _, width in headings)
    sheet.merge_range(0, 0, 0, last, "", styles("note"))
    sheet.write_string(0, 0, KEY_NOTE, styles("note"))
    sheet.set_row(0, lines_needed(KEY_NOTE, width) * LINE_HEIGHT + 3)
    for column, (heading, width) in enumerate(headings):
        sheet.set_column(column, column, width)
        sheet.write_string(2, column, heading, styles("column"))
    sheet.freeze_panes(3, 1)
    for i, row in enumerate(rows):
        texts = zip(row, headings, strict=False)
        lines = max(lines_needed(str(text), width - 3) for text, (_, width) in texts)
        sheet.set_row(3 + i, lines * LINE_HEIGHT + 2)
        for column, value in enumerate(row):
            if isinstance(value, str):
                sheet.write_string(3 + i, column, value, styles("cell"))
            else:
                sheet.write_number(3 + i, column, value, styles("figure"))


def _planted_row(layout: Layout, one: Planted) -> list[str | float]:
    practical = layout.practical
    title = practical.field(one.where).title
    owner = practical.owner(one.where)
    at = title if owner == practical.definition.title else f"{owner}: {title}"
    own_sums = isinstance(PLANTED[one.slip], OwnSlip)
    shown = [
        (key, row)
        for key, row in one.changed
        if practical.inputs[key].answer == own_sums and key in layout.slots
    ]
    return [
        one.slip,
        one.what,
        at,
        "" if one.row is None else float(one.row + 1),
        _cells(layout, shown),
        float(f"{one.effect:.5g}"),
    ]


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


def _values(
    practical: Practical, workbooks: Sequence[PracticeWorkbook]
) -> tuple[list[tuple[str, int]], list[list[str | float]]]:
    """True value of the first result beside the value that the typed readings give."""
    result = practical.definition.results[0]
    its = practical.derived[result.quantity]
    shown = unit(result.display_unit) if result.display_unit else its.unit
    name = f"{its.symbol} / {shown.pretty}" if shown.pretty else its.symbol
    rows: list[list[str | float]] = []
    for one in workbooks:
        numbers = Numbers(practical, as_cells_show(practical, one.bench.cells))
        value = numbers.value(result.quantity, None)
        given = "" if value is None else float(f"{shown.from_si(value):.5g}")
        rows.append(
            [one.path.name, float(f"{shown.from_si(one.bench.truths[result.quantity]):.5g}"), given]
        )
    headings = [("workbook", 34), (f"true {name}", 20), (f"{name} from the readings typed", 30)]
    return headings, rows


def _exists(path: Path) -> Finding:
    return Finding(
        "file-exists",
        Severity.STOP,
        "this file is there already; nothing was written",
        "a folder without a practice set",
        "Write into another folder, or move the old set away.",
        Place(path.name),
    )


def _no_such_set(count: int, seed: int) -> Finding:
    return Finding(
        "no-such-set",
        Severity.STOP,
        f"a set of {count} workbooks with the seed {seed} cannot be written",
        f"1 to {MOST} workbooks, and a seed of 0 or more",
        "Change the number.",
    )
