"""A filled workbook -> the practical that made it, and what was typed. Nothing is guessed.

Cells are found by their defined names, which survive inserted rows, moved and renamed sheets.
Values that the workbook's own formulas left in the file are not used: everything is worked out
again from what stands in the input cells.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path

from msgspec import Struct

from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding
from sheetlab.messages import Sentences, phrase
from sheetlab.practical.definition import Assist
from sheetlab.practical.fields import InputField
from sheetlab.practical.files import definition_digest
from sheetlab.practical.loader import (
    catalogue,
    load,
    load_profile,
    shipped_digest,
)
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import EMPTY, Entry, Observations
from sheetlab.practical.profile import GUM
from sheetlab.practical.register import Bound, load_bound
from sheetlab.workbook import identity
from sheetlab.workbook.identity import Identity
from sheetlab.workbook.layout import IDENTITY, Slot, defined_name, lay_out
from sheetlab.workbook.opening import open_store
from sheetlab.workbook.package import Package, open_package
from sheetlab.workbook.sheet import Cell
from sheetlab.workbook.store import Store, address
from sheetlab.workbook.typed import Tell, entry_of, quoted, without_days, without_times

MAX_ROWS = 500
MOST_LOST, MOST_SPOTS = 4, 6
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


class Contents(Struct, frozen=True):
    """What a workbook is and holds, wherever its cells were read."""

    identity: Identity
    practical: Practical
    observations: Observations


class Filled(Contents, frozen=True):
    """A workbook file that was read."""

    package: Package
    store: Store


def read_workbook(path: Path) -> Filled:
    """Read a filled workbook.

    Raises
    ------
    SheetlabError
        If the file is unusable or is no workbook that sheetlab issued.
    """
    package = open_package(path)
    store = open_store(package)
    read = read_store(store)
    return Filled(read.identity, read.practical, read.observations, package, store)


def read_store(store: Store) -> Contents:
    """Read the cells of a filled workbook; raises SheetlabError if sheetlab did not issue it."""
    path = store.path
    known, findings = _identity(store, path)
    try:
        practical = load(known.definition, known.runs, known.practical)
    except SheetlabError as error:
        where = Place(f"{known.practical} in {path.name}")
        raise SheetlabError(*(f.at(where) for f in error.findings)) from error
    # one finding is enough where the digest beside the definition tells it already
    if not any(one.code == "definition-altered" for one in findings):
        findings += _foreign(practical, store, path)
    slots = {key: store.slot(defined_name(one)) for key, one in practical.inputs.items()}
    tables, shifted = _tables(slots, practical, path.name)
    rows = tuple((t, s.rows) for t, s in tables.items() if s.rows != practical.tables[t])
    if rows:
        practical = load(known.definition, known.runs, known.practical, rows)
    findings += [*shifted, *_doubled(slots, practical, path.name)]
    cells = _Cells(
        store, practical, path.name, slots, {table: span.row for table, span in tables.items()}
    )
    entries = {key: _entries(cells, one, findings.append) for key, one in practical.inputs.items()}
    for without in (without_days, without_times):
        entries = {
            key: without(practical.inputs[key], column, findings.append)
            for key, column in entries.items()
        }
    findings += _lost_cells(cells, known.assist)
    findings += _hidden(cells, entries)
    shown, altered = _worked_out(cells)
    findings += [*altered, *_unprotected(cells)]
    return Contents(known, practical, Observations(entries, tuple(findings), path.name, shown))


def _foreign(practical: Practical, store: Store, path: Path) -> Iterator[Finding]:
    """A definition that calls itself one of those that come with sheetlab, and is not.

    The digest beside it tells of a slip only: who changes the one can change the other.
    """
    definition = practical.definition
    if practical.digest == (shipped_digest(definition.id) or practical.digest):
        return
    # read only where it is another: for most workbooks the digest is enough
    ours = catalogue().load(definition.id).definition.version
    place = Place(path.name, IDENTITY if store.part(IDENTITY) else "")
    if definition.version == ours:
        yield finding("definition-altered_version", Severity.DOUBTFUL, place,
                      version=ours, practical=definition.id)  # fmt: skip
    elif _later(definition.version, ours):
        theirs = definition.version[:40]
        yield finding("definition-newer", Severity.DOUBTFUL, place,
                      version=theirs, practical=definition.id, ours=ours)  # fmt: skip


def _later(version: str, than: str) -> bool:
    numbers = [text if text.isascii() and text.isdigit() else "" for text in (version, than)]
    return version != than and (not all(numbers) or int(numbers[0][:9]) > int(numbers[1]))


def _identity(store: Store, path: Path) -> tuple[Identity, list[Finding]]:
    # the sheet may have been made visible or, rarely, renamed
    likely = sorted(store.sheets, key=lambda s: (s.name != IDENTITY, s.state == "visible"))
    for sheet in likely:
        cells = store.cells(sheet.name)
        mark = cells.get((0, 0))
        if mark is not None and mark.value == identity.MARK:
            return _parse_identity(cells, Place(path.name, sheet.name))
    raise SheetlabError(finding("not-issued", Severity.STOP, Place(path.name)))


def _parse_identity(
    cells: Mapping[tuple[int, int], Cell], place: Place
) -> tuple[Identity, list[Finding]]:
    fields = {
        str(cells[row, 0].value): str(cells[row, 1].value)
        for row in range(1, identity.DEFINITION_ROW)
        if (row, 0) in cells and (row, 1) in cells
    }
    blank = Cell("text", "")
    rows = range(identity.DEFINITION_ROW, max(row for row, _ in cells) + 1)
    text = "\n".join(str(cells.get((row, 0), blank).value) for row in rows) + "\n"
    bound, findings = _bound(fields.get("bound", ""), place.file)
    try:
        if fields["format"] != identity.FORMAT:
            raise SheetlabError(
                finding("other-format", Severity.STOP, place,
                        format=fields["format"], ours=identity.FORMAT)
            )  # fmt: skip
        known = Identity(
            fields["format"],
            fields["practical"],
            fields["version"],
            fields["digest"],
            Assist(fields["assist"]),
            int(float(fields["runs"])),
            text,
            load_profile(fields["profile"], place.file) if fields.get("profile") else GUM,
            bound,
            fields.get("readings") == identity.INVENTED,
        )
    except (KeyError, ValueError, OverflowError) as error:
        raise SheetlabError(finding("identity-damaged", Severity.STOP, place)) from error
    if definition_digest(text) != known.digest:
        findings.append(finding("definition-altered", Severity.DOUBTFUL, place))
    return known, findings


def _bound(text: str, file: str) -> tuple[Bound | None, list[Finding]]:
    """What a workbook is bound to; damage to it is told and does not stop the evaluation."""
    try:
        return (load_bound(text, file) if text else None), []
    except SheetlabError as error:
        return None, list(error.findings)


# -- where the cells are --------------------------------------------------------------------------


class _Cells(Struct, frozen=True):
    """A workbook whose practical is known."""

    store: Store
    practical: Practical
    file: str
    slots: Mapping[str, Slot | None]
    """Cells of each input by key."""
    first_rows: Mapping[str, int]
    """First sheet row of the input columns of each table."""


def _tables(
    slots_by_key: Mapping[str, Slot | None], practical: Practical, file: str
) -> tuple[dict[str, Slot], list[Finding]]:
    """Rows that the input columns of each table take up together, and tables out of line."""
    columns: dict[str, list[Slot]] = {}
    for key, slot in slots_by_key.items():
        table = practical.inputs[key].table
        if slot is not None and table is not None:
            columns.setdefault(table, []).append(slot)
    spans, findings = {}, []
    for table, slots in columns.items():
        first = min(slot.row for slot in slots)
        last = max(slot.row + slot.rows for slot in slots)
        column = min(slot.column for slot in slots)
        spans[table] = Slot(slots[0].sheet, first, column, min(last - first, MAX_ROWS))
        alike = len({(slot.sheet, slot.row, slot.rows) for slot in slots}) == 1
        if not alike or last - first > MAX_ROWS:
            place = Place(file, slots[0].sheet, address(first, column))
            findings.append(finding("rows-shifted", Severity.DOUBTFUL, place))
    return spans, findings


def _doubled(
    slots: Mapping[str, Slot | None], practical: Practical, file: str
) -> Iterator[Finding]:
    """Cells to which two names point: one of the two readings stands elsewhere."""
    columns: dict[tuple[str, int], list[tuple[int, int, str]]] = {}
    for key, slot in slots.items():
        if slot is not None:
            spans = columns.setdefault((slot.sheet, slot.column), [])
            spans.append((slot.row, slot.row + slot.rows, key))
    for (sheet, column), spans in columns.items():
        for (_, end, first), (begin, _, second) in pairwise(sorted(spans)):
            if begin < end:
                yield finding(
                    "names-doubled", Severity.DOUBTFUL,
                    Place(file, sheet, address(begin, column)),
                    first=practical.inputs[first].title, second=practical.inputs[second].title,
                )  # fmt: skip


def _lost_cells(cells: _Cells, assist: Assist) -> Iterator[Finding]:
    """Say which cells are gone, and with which sheets."""
    lost = [cells.practical.inputs[key] for key, slot in cells.slots.items() if slot is None]
    slots = lay_out(cells.practical, assist).slots if lost else {}
    # what the practical has no cell for cannot be lost (a definition without cautions)
    lost = [one for one in lost if one.key in slots]
    if not lost:
        return
    there = {sheet.name for sheet in cells.store.sheets}
    sheets = dict.fromkeys(slots[one.key].sheet for one in lost)
    gone = [name for name in sheets if name not in there]
    names = tuple(f"“{one.title}” ({defined_name(one)})" for one in lost)
    more = len(names) - MOST_LOST
    yield finding(
        "cells-lost", Severity.DOUBTFUL, Place(cells.file, next(iter(sheets)) if not gone else ""),
        gone=Sentences(tuple(phrase("sheet-gone", sheet=name) for name in gone)),
        titles=phrase("and-more", names=names[:MOST_LOST], count=more) if more > 0 else names,
    )  # fmt: skip


def _hidden(cells: _Cells, entries: Mapping[str, Sequence[Entry]]) -> Iterator[Finding]:
    """Readings in hidden rows: they count, and somebody should know."""
    sheets = {slot.sheet for slot in cells.slots.values() if slot is not None}
    hidden = {sheet: cells.store.hidden_rows(sheet) for sheet in sheets}
    places = [
        entry.place
        for key, column in entries.items()
        if (slot := cells.slots[key]) is not None and hidden[slot.sheet]
        for entry in column
        if entry.place.cell
        and (entry.text or entry.value is not None)
        and int(entry.place.cell.lstrip(_LETTERS)) - 1 in hidden[slot.sheet]
    ]
    if places:
        spots = ", ".join(f"{one.sheet} {one.cell}" for one in places[:MOST_SPOTS])
        yield finding("hidden-readings", Severity.NOTE, places[0], count=len(places),
                      spots=spots + " …" * (len(places) > MOST_SPOTS))  # fmt: skip


def _worked_out(cells: _Cells) -> tuple[dict[str, tuple[Entry, ...]], list[Finding]]:
    """What worked-out cells show; those that hold a typed value or are unlocked are told."""
    shown: dict[str, tuple[Entry, ...]] = {}
    findings: list[Finding] = []
    unlocked: list[Place] = []
    for key, one in cells.practical.derived.items():
        slot = cells.store.slot(defined_name(one))
        if slot is None:
            continue
        sheet = cells.store.cells(slot.sheet)
        typed, entries = [], []
        for row in range(slot.row, slot.row + min(slot.rows, one.rows)):
            cell = sheet.get((row, slot.column))
            if cell is None:
                entries.append(EMPTY)
                continue
            place = Place(cells.file, slot.sheet, address(row, slot.column))
            if not cell.formula and cell.value != "on evaluation":
                typed.append(place)
            if cell.style in cells.store.unlocked_styles:
                unlocked.append(place)
            number = cell.formula and cell.kind == "number"
            entries.append(Entry(float(cell.value) if number else None, "", place))
        shown[key] = tuple(entries)
        if typed:
            spots = ", ".join(place.cell for place in typed)
            findings.append(finding("formula-overwritten", Severity.NOTE, typed[0],
                                    title=one.title, cells=spots))  # fmt: skip
    if unlocked:
        spots = ", ".join(place.cell for place in unlocked[:MOST_SPOTS])
        findings.append(
            finding("protection-removed_cells", Severity.NOTE, unlocked[0], cells=spots)
        )
    return shown, findings


def _unprotected(cells: _Cells) -> Iterator[Finding]:
    """Sheets whose protection was taken off."""
    sheets = dict.fromkeys(slot.sheet for slot in cells.slots.values() if slot is not None)
    bare = [name for name in sheets if not cells.store.protected(name)]
    if bare:
        yield finding("protection-removed_sheets", Severity.NOTE, Place(cells.file, bare[0]),
                      sheets=", ".join(map(quoted, bare)))  # fmt: skip


def _entries(cells: _Cells, one: InputField, tell: Tell) -> tuple[Entry, ...]:
    slot = cells.slots[one.key]
    if slot is None:
        return (EMPTY,) * one.rows
    sheet = cells.store.cells(slot.sheet)
    # rows are those of the sheet: a column whose name begins lower begins in a later row
    first = slot.row if one.table is None else cells.first_rows[one.table]
    entries = []
    for row in range(first, first + one.rows):
        if not slot.row <= row < slot.row + slot.rows:
            entries.append(EMPTY)
            continue
        place = Place(cells.file, slot.sheet, address(row, slot.column))
        cell = sheet.get((row, slot.column))
        if cell is None:
            entries.append(Entry(place=place))
        else:
            entries.append(entry_of(one, cell, place, cell.style in cells.store.date_styles, tell))
    return tuple(entries)
