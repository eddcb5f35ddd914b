"""The sheet of marks: what is proposed, what the teacher types, and what counts of both."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.checks.marks import Item, ProposedMark, Scheme
from sheetlab.classes.handins import NOTHING, HandIn
from sheetlab.classes.kept import (
    COMMENT,
    GROUP,
    ITEM,
    ITEMS,
    KEPT,
    MARKED,
    MARKS_MARK,
    SHOWN,
    TYPED,
    VALUE,
    WHO,
    TypedRow,
)
from sheetlab.classes.pages import GAP, LINE, ClassBook, ClassData
from sheetlab.workbook.page import Cell, Column, Page, Table, places, whole_column
from sheetlab.workbook.style import lines_needed

MARKS = "Marks"
ITEM_WIDTH, HINT_WIDTH = 6.0, 20.0
"""With the headings of items upright the sheet prints on A4 and is read."""
OUT_OF_RANGE = "out of range"
"""Stands for a total of marks that cannot be added up."""
TOTAL = "#total"
MARK_SHAPE = "0.##"
"""Number format of marks."""


class _Row(Struct, frozen=True):
    """A row of the sheet: what was handed in, and what was typed for it."""

    handin: HandIn
    typed: TypedRow
    total: float | str

    @property
    def typed_here(self) -> TypedRow:
        """What was typed into cells that this sheet has."""
        ids = {mark.item.id for mark in self.handin.marks}
        items = {key: value for key, value in self.typed.items.items() if key in ids}
        return replace(self.typed, items=items)

    @property
    def hint(self) -> str:
        if not self.typed.empty and self.typed.marked != self.handin.readings:
            again = "" if self.typed.marked == NOTHING else "again "
            return (
                f"Handed in {again}after you marked. Look again; as soon as you change a mark or "
                "the comment this hint goes."
            )
        nothing = "Nothing handed in; marks can be typed."
        return nothing if self.handin.readings == NOTHING else ""

    @property
    def height(self) -> float:
        lines = max(
            lines_needed(self.typed.comment, 30),
            lines_needed(self.hint, 0.9 * HINT_WIDTH, 8),
            lines_needed(self.handin.name, 14),
        )
        return max(lines * LINE + 4, 20)


def proposed_key(item: Item) -> str:
    """Key of the column of what is proposed for an item; its id is that of what is typed."""
    return f"#proposed {item.id}"


def mark_columns(scheme: Scheme) -> tuple[Column, ...]:
    """Columns of the sheet; each row is a ``_Row``."""
    hidden = (
        (ITEMS, lambda row: row.handin.key),
        (SHOWN, lambda row: row.handin.readings),
        (MARKED, lambda row: row.typed.marked or row.handin.readings),
        (TYPED, lambda row: row.typed_here.digest),
    )
    comment = "your comment (its box on the printed page grows at the next run)"
    return (
        *(Column(key, "", 3, value, hidden=True) for key, value in hidden),
        Column(GROUP, "group", 18, lambda row: row.handin.name),
        Column("#set-up", "set-up", 8, lambda row: row.handin.setup),
        *(column for i in range(len(scheme.items)) for column in _item_columns(scheme, i)),
        Column(TOTAL, f"total of {scheme.out_of:g}", 7,
               lambda row: Cell(row.total, formula=_total_formula(scheme)),
               "figure-total", MARK_SHAPE),
        Column(COMMENT, comment, 36, lambda row: row.typed.comment, "input-comment"),
        Column("#hint", "hint", HINT_WIDTH, lambda row: row.hint, "message"),
    )  # fmt: skip


def _item_columns(scheme: Scheme, number: int) -> Iterator[Column]:
    item = scheme.items[number]

    def proposed(row: _Row) -> float | str:
        value = row.handin.marks[number].proposed
        return "–" if value is None else value

    asked = {
        "validate": "decimal", "criteria": "between", "minimum": 0, "maximum": item.marks,
        "error_type": "warning", "error_title": "Marks",
        "error_message": f"From 0 to {item.marks:g}. Keep it anyway?",
    }  # fmt: skip
    yield Column(proposed_key(item), "proposed", ITEM_WIDTH, proposed, "figure", MARK_SHAPE)
    yield Column(item.id, "yours", ITEM_WIDTH, lambda row: row.typed.items.get(item.id),
                 "input", MARK_SHAPE, asked=asked)  # fmt: skip


def _total_formula(scheme: Scheme) -> str:
    cells = [(f"{{{item.id}}}", f"{{{proposed_key(item)}}}") for item in scheme.items]
    counts = ",".join(f"IF(ISNUMBER({yours}),{yours},N({ours}))" for yours, ours in cells)
    outside = ",".join(
        f"N({yours})<0,N({yours})>{item.marks!r}"
        for item, (yours, _) in zip(scheme.items, cells, strict=True)
    )
    return f'=IF(OR({outside}),"{OUT_OF_RANGE}",SUM({counts}))'


KEPT_COLUMNS = (
    Column(KEPT, "", 3, lambda kept: kept.row.key, hidden=True),
    # the digest of such a row is of no use: it belongs to no readings that are shown
    Column(SHOWN, "", 3, lambda kept: "", hidden=True),
    Column(MARKED, "", 3, lambda kept: kept.row.marked, hidden=True),
    Column(TYPED, "", 3, lambda kept: "", hidden=True),
    Column(WHO, value=lambda kept: kept.row.who),
    Column(ITEM, value=lambda kept: kept.item),
    Column(VALUE, value=lambda kept: kept.value, format="input-text", shape=MARK_SHAPE),
)
"""Of what has no place any more; each row is a ``_Homeless``."""


class _Homeless(Struct, frozen=True):
    row: TypedRow
    item: str
    value: float | str


def counts(mark: ProposedMark, typed: TypedRow) -> float | None:
    """The mark that counts: what the teacher typed, or else what is proposed.

    None if there is neither, or if what was typed is out of range.
    """
    own = typed.items.get(mark.item.id)
    if not isinstance(own, float):
        return mark.proposed
    return own if 0.0 <= own <= mark.item.marks else None


def _total(handin: HandIn, typed: TypedRow) -> float | str:
    """Total as it is now; a text if a mark that was typed cannot count."""
    total = 0.0
    for mark in handin.marks:
        value = counts(mark, typed)
        if value is None and isinstance(typed.items.get(mark.item.id), float):
            return OUT_OF_RANGE
        total += value or 0.0
    return total


class MarksSheet(Struct, frozen=True):
    """The sheet as it was written, for pages that show what stands in it."""

    data: ClassData
    ranges: Mapping[str, str]
    """Address of each column by key, down to well below its last row."""
    rows: Mapping[str, int]
    """Number of the row of each hand-in by its key, from 1."""
    keys: int
    """Rows that have a hidden key."""
    doubts: tuple[str, ...]
    """What the teacher typed as a mark and is none: no number, or outside 0 to the most."""

    def typed(self, handin: HandIn) -> TypedRow:
        """What the teacher typed for a hand-in."""
        return typed_for(self.data, handin)

    def row_formula(self, handin: HandIn) -> str:
        """What finds the row of a hand-in, also after sorting."""
        return f'MATCH("{handin.key}",{self.ranges[ITEMS]},0)'

    def total(self, handin: HandIn, style: str = "figure") -> Cell:
        """Total of a hand-in as it is now, and the formula that finds it."""
        formula = f"=INDEX({self.ranges[TOTAL]},{self.row_formula(handin)})"
        return Cell(_total(handin, self.typed(handin)), MARK_SHAPE, style, formula)


def typed_for(data: ClassData, handin: HandIn) -> TypedRow:
    """What the teacher typed for a hand-in."""
    return data.kept.rows.get(handin.key) or TypedRow(handin.key, "")


def write_marks(book: ClassBook) -> MarksSheet:
    """The sheet of marks."""
    data, scheme = book.data, book.data.scheme
    columns = mark_columns(scheme)
    page = book.page(MARKS, columns)
    page.sheet.write_string(0, 0, MARKS_MARK)
    page.line("Marks", "title")
    page.line(f"Scheme “{scheme.title}”, {scheme.out_of:g} marks. {scheme.note}", "note")
    page.line(
        "Type into the framed cells. Where you type a number it counts instead of the "
        "proposed one; an empty cell leaves the proposal. Sort and widen as you like; the next "
        "run finds everything again. The reasons are on the sheet “Evidence”. Only what stands "
        "in framed cells here and in the boxes “From your teacher” lasts; before anything else "
        "that was typed into this workbook is left out, the file is kept beside it as .bak.",
        "note",
    )
    page.gap(GAP)
    none = tuple(ProposedMark(item, item.marks, None, "", False) for item in scheme.items)
    rows: dict[str, int] = {}
    doubts: list[str] = []
    for block in data.blocks:
        page.line(block.title, "heading", 11)
        _heads(page, columns, scheme.items)
        handins = [*block.handins, *(replace(absent, marks=none) for absent in block.absent)]
        table = page.open_table(columns, heads=False, rows=len(handins))
        for number, handin in enumerate(handins):
            typed = typed_for(data, handin)
            rows[handin.key] = page.row + 1
            doubts += _doubts(table, number, handin, typed)
            row = _Row(handin, typed, _total(handin, typed))
            table.write(row, row.height)
        page.gap(GAP)
    homeless = list(_homeless(data, set(rows)))
    if homeless:
        page.line("What you typed for workbooks or items that are not here any more", "heading", 11)
        page.table(KEPT_COLUMNS, homeless, heads=False, keys=True)
    page.sheet.freeze_panes(0, places(columns)[GROUP] + 1)
    last = 40 + 6 * len(data.blocks) + len(rows)
    ranges = {c.key: whole_column(MARKS, columns, c.key, last) for c in columns}
    return MarksSheet(data, ranges, rows, len(rows) + len(homeless), tuple(doubts))


def _heads(page: Page, columns: Sequence[Column], items: Sequence[Item]) -> None:
    """A hidden row of keys, by which columns are found again, and two rows of headings."""
    at = places(columns)
    for key, place in at.items():
        page.sheet.write_string(page.row, place, key)
    page.sheet.set_row(page.row, None, None, {"hidden": True})
    top, below, head = page.row + 1, page.row + 2, page.styles("column")
    page.row = top
    titles = {proposed_key(item): f"{item.title} ({item.marks:g})" for item in items}
    ids = {item.id for item in items}
    for column in columns:
        place = at[column.key]
        if column.key in titles:
            page.put(place, titles[column.key], "column", span=2)
        if column.key in titles or column.key in ids:
            page.sheet.write_string(below, place, column.title, page.styles("column-upright"))
        elif not column.hidden:
            page.sheet.merge_range(top, place, below, place, "", head)
            page.sheet.write_string(top, place, column.title, head)
    most = max(lines_needed(title, 1.5 * ITEM_WIDTH, 9) for title in titles.values())
    page.end_row(most * LINE + 4)
    page.end_row(4 * LINE)


def _doubts(table: Table, row: int, handin: HandIn, typed: TypedRow) -> Iterator[str]:
    for mark in handin.marks:
        item, value = mark.item, typed.items.get(mark.item.id)
        if isinstance(value, str):
            yield (
                f"Marks of {handin.name}, “{item.title}”: “{value[:20]}” is no number; "
                "the proposal counts until it is one."
            )
        elif value is not None and counts(mark, typed) is None:
            yield (
                f"Marks {table.cell(item.id, row)}: the mark of {handin.name}, “{item.title}”, is "
                f"{value:g}; expected 0 to {item.marks:g}. The total says “{OUT_OF_RANGE}” until "
                "it is: type it again there, or clear the cell for the proposal."
            )


def _homeless(data: ClassData, used: set[str]) -> Iterator[_Homeless]:
    """What was typed for hand-ins and items that are no longer there: never dropped."""
    ids = {item.id for item in data.scheme.items}
    names = {past.key: f"{past.group} ({past.practical})" for past in data.sorted.history}
    for key, typed in data.kept.rows.items():
        row = replace(typed, who=typed.who or names.get(key, ""))
        for item, value in typed.items.items():
            if key not in used or item not in ids:
                yield _Homeless(row, item, value)
        if typed.comment and key not in used:
            yield _Homeless(row, COMMENT, typed.comment)
