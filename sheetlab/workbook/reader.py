"""A filled workbook -> the practical that made it, and what was typed. Nothing is guessed.

Cells are found by their defined names, which survive inserted rows, moved and renamed sheets.
Values that the workbook's own formulas left in the file are not used: everything is worked out
again from what stands in the input cells.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path

from msgspec import Struct

from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding, harmless
from sheetlab.messages import Sentences, phrase
from sheetlab.metrology.statement import Decimals
from sheetlab.practical.definition import Assist
from sheetlab.practical.fields import InputField, expected_of
from sheetlab.practical.loader import (
    catalogue,
    definition_digest,
    load,
    load_profile,
    shipped_digest,
)
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import EMPTY, Entry, Observations, typed_number
from sheetlab.practical.profile import GUM
from sheetlab.practical.register import Bound, load_bound
from sheetlab.workbook import identity
from sheetlab.workbook.identity import Identity
from sheetlab.workbook.layout import IDENTITY, Slot, defined_name, lay_out
from sheetlab.workbook.opening import open_store
from sheetlab.workbook.package import Package, open_package
from sheetlab.workbook.sheet import Cell
from sheetlab.workbook.store import Store, address

MAX_ROWS = 500
LEAST, MOST = 1e-15, 1e15
"""Readings beyond these are slips of a key; arithmetic with them would overflow."""
MAX_SHOWN = 40
MOST_LOST, MOST_SPOTS = 4, 6
EPOCH = datetime.date(1899, 12, 30)
"""Day 0 of the spreadsheet programs."""
FIRST_YEAR, LAST_YEAR = 1930, 2049
"""What programs make of a month and a year of two digits: the first day of that month."""
THIS_YEAR = 2015
"""Earliest year in which a day and month were typed: the program adds the year of that time."""
MOST_DAYS = 1e5
LARGER = 100.0
"""Times the other readings of its column from which a number is taken for that of a day."""
DAY = 86400.0
"""Seconds; a spreadsheet program holds a time of day as a part of it."""
TIME = (("time", 1.0),)
FEWEST_TIMES = 3
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
Tell = Callable[[Finding], None]


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
    for without in (_without_days, _without_times):
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
                      sheets=", ".join(map(_quote, bare)))  # fmt: skip


# -- what was typed -------------------------------------------------------------------------------


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
            entries.append(_entry(one, cell, place, cell.style in cells.store.date_styles, tell))
    return tuple(entries)


def _entry(one: InputField, cell: Cell, place: Place, date: bool, tell: Tell) -> Entry:
    """What a filled cell holds; ``date``: it shows a number as a date."""
    if cell.formula:
        never = cell.kind == "text" and cell.value == ""
        tell(finding("formula-for-reading", Severity.DOUBTFUL if never else Severity.NOTE, place,
                     title=one.title, kind="never" if never else cell.kind))  # fmt: skip
    if cell.kind == "text":
        text = str(cell.value).strip()
        if not text:
            return Entry(place=place)
        if one.kind == "text":
            return Entry(text=harmless(text[:200]).strip(), place=place)
        return (_choice if one.kind == "choice" else _typed)(one, text, place, tell)
    if cell.kind == "number" and one.kind == "text":
        value = float(cell.value)
        return Entry(text=_day(value) if date else f"{value:.15g}", place=place)
    shown = _show(cell)
    if cell.kind != "number" or one.kind == "choice":
        message = "not-a-number_kind" if one.kind == "number" else "not-a-choice_kind"
        tell(finding(message, Severity.DOUBTFUL, place,
                     title=one.title, shown=Decimals(shown), expected=_expected(one)))  # fmt: skip
        return Entry(text=shown, place=place)
    if date:
        tell(finding("date-for-number_format", Severity.DOUBTFUL, place,
                     title=one.title, expected=_expected(one)))  # fmt: skip
        return Entry(text=shown, place=place)
    return _number(one, float(cell.value), shown, place, tell)


def _typed(one: InputField, text: str, place: Place, tell: Tell) -> Entry:
    """A text where a number is expected."""
    number, kept = typed_number(text, one.unit.pretty), harmless(text[:200])
    if number is None:
        tell(finding("not-a-number_text", Severity.NOTE if one.answer else Severity.DOUBTFUL, place,
                     title=one.title, shown=_quote(text), expected=_expected(one)))  # fmt: skip
        return Entry(text=kept, place=place)
    message, severity = (
        ("number-as-text_ambiguous", Severity.DOUBTFUL)
        if number.ambiguous
        else ("number-as-text_plain", Severity.NOTE)
    )
    tell(finding(message, severity, place, title=one.title, shown=_quote(text),
                 value=Decimals(f"{number.value:.10g}")))  # fmt: skip
    return _number(one, number.value, kept, place, tell)


def _number(one: InputField, value: float, text: str, place: Place, tell: Tell) -> Entry:
    if math.isfinite(value) and (not value or LEAST <= abs(value) <= MOST):
        return Entry(value, text, place)
    tell(finding("not-a-number_size", Severity.DOUBTFUL, place, title=one.title,
                 shown=Decimals(f"{value:.6g}"), expected=_expected(one)))  # fmt: skip
    return Entry(text=text, place=place)


def _choice(one: InputField, text: str, place: Place, tell: Tell) -> Entry:
    for choice, value in zip(one.choices, one.choice_values, strict=True):
        if choice.casefold() == text.casefold():
            return Entry(value, choice, place)
    # a choice in a table is part of a reading; a single one only picks a book value
    severity = Severity.NOTE if one.table is None else Severity.DOUBTFUL
    tell(finding("not-a-choice_text", severity, place,
                 title=one.title, shown=_quote(text), expected=_expected(one)))  # fmt: skip
    return Entry(text=harmless(text[:200]), place=place)


def _without_days(one: InputField, entries: tuple[Entry, ...], tell: Tell) -> tuple[Entry, ...]:
    """Entries of a column without numbers of days, each of which is told.

    A cell whose format is that of a number shows a date that a program made of “1.2” as 46054.
    False alarms: none for readings within a factor of 100 of each other, or in their limits.
    """
    if one.kind != "number" or one.answer:
        return entries
    kept = [e.value for e in entries if e.value is not None and _typed_day(e.value) is None]
    usual = LARGER * max(map(abs, kept)) if kept else one.maximum
    if usual is None:
        return entries
    return tuple(_unless_day(one, entry, usual, tell) for entry in entries)


def _unless_day(one: InputField, entry: Entry, usual: float, tell: Tell) -> Entry:
    value = entry.value
    day = None if value is None or value <= usual else _typed_day(value)
    if value is None or day is None:
        return entry
    meant: object = Decimals(f"{day.day}.{day.month}")
    if day.day == 1:
        month = Decimals(f"{day.month}.{day.year % 100:02d}")
        meant = phrase("day-or-month", day=meant, month=month)
    tell(finding("date-for-number_serial", Severity.DOUBTFUL, entry.place, title=one.title,
                 value=f"{value:.0f}", day=day.isoformat(), meant=meant,
                 expected=_expected(one)))  # fmt: skip
    return Entry(text=f"{value:.0f}", place=entry.place)


def _without_times(one: InputField, entries: tuple[Entry, ...], tell: Tell) -> tuple[Entry, ...]:
    """Entries of a column of times without parts of a day, each of which is told.

    A program makes of “1:32.5” the part of a day that 92.5 s are, and of “1:32” that of 92
    minutes. False alarms: none for readings within a factor of 100 of each other.
    """
    values = sorted(abs(e.value) for e in entries if e.value)
    if one.unit.dimension.exponents != TIME or one.answer or len(values) < FEWEST_TIMES:
        return entries
    usual = values[len(values) // 2]
    return tuple(_unless_time(one, e, e.value, usual, tell) if e.value else e for e in entries)


def _unless_time(one: InputField, entry: Entry, value: float, usual: float, tell: Tell) -> Entry:
    if not 0.0 < value < usual / LARGER:
        return entry
    # minutes and seconds, or hours and minutes
    for seconds, digits in ((DAY, "04.1f"), (DAY / 60.0, "02.0f")):
        meant = value * seconds / one.unit.factor
        if usual / LARGER < meant < usual * LARGER:
            minutes, rest = divmod(round(value * seconds, 2), 60.0)
            tell(finding(
                "time-for-number", Severity.DOUBTFUL, entry.place, title=one.title,
                value=Decimals(f"{value:.5g}"), typed=Decimals(f"{minutes:.0f}:{rest:{digits}}"),
                unit=one.unit.pretty, meant=Decimals(f"{meant:.6g}"), expected=_expected(one),
            ))  # fmt: skip
            return Entry(text=f"{value:.5g}", place=entry.place)
    return entry


def _expected(one: InputField) -> Decimals:
    return Decimals(harmless(expected_of(one)))


def _day(serial: float) -> str:
    """A date as an .xlsx holds it, as 2026-05-02."""
    try:
        return (EPOCH + datetime.timedelta(days=int(serial))).isoformat()
    except (OverflowError, ValueError):
        return f"{serial:.15g}"


def _typed_day(value: float) -> datetime.date | None:
    """The day that a number stands for, if “3.4” or “3.45” may have been taken for it."""
    if value != int(value) or not 0.0 < value < MOST_DAYS:
        return None
    day = EPOCH + datetime.timedelta(days=int(value))
    first = FIRST_YEAR <= day.year <= LAST_YEAR and day.day == 1
    return day if first or THIS_YEAR <= day.year <= LAST_YEAR else None


def _show(cell: Cell) -> str:
    if cell.kind == "truth":
        return "TRUE" if cell.value else "FALSE"
    if cell.kind == "error":
        return f"the error {harmless(str(cell.value)[:MAX_SHOWN])}"
    return f"{cell.value:.10g}" if isinstance(cell.value, float) else _quote(cell.value)


def _quote(text: str) -> str:
    """A typed text for a message: one line, no control characters, not too long."""
    plain = harmless(text)
    return f"“{plain[:MAX_SHOWN]}{'…' if len(plain) > MAX_SHOWN else ''}”"
