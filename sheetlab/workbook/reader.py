"""A filled workbook -> the practical that made it, and what was typed. Nothing is guessed.

Cells are found by their defined names, which survive inserted rows, moved and renamed sheets.
Values that the workbook's own formulas left in the file are not used: everything is worked out
again from what stands in the input cells.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path

from msgspec import Struct, field

from sheetlab.finding import Finding, Place, Severity, SheetlabError, harmless
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
    its, findings = _identity(store, path)
    practical = _practical(its, path)
    # one finding is enough where the digest beside the definition tells it already
    told = any(finding.code == "definition-altered" for finding in findings)
    findings = findings if told else (*findings, *_foreign(practical, store, path))
    slots = {key: store.slot(defined_name(one)) for key, one in practical.inputs.items()}
    tables, shifted = _tables(slots, practical, path.name)
    rows = tuple((t, s.rows) for t, s in tables.items() if s.rows != practical.tables[t])
    if rows:
        practical = load(its.definition, its.runs, its.practical, rows)
    first_rows = {table: span.row for table, span in tables.items()}
    doubled = _doubled(slots, practical, path.name)
    reader = _Reader(
        store, practical, path.name, slots, first_rows, [*findings, *shifted, *doubled]
    )
    entries = {key: reader.entries(one) for key, one in practical.inputs.items()}
    entries = {key: reader.without_days(practical.inputs[key], e) for key, e in entries.items()}
    entries = {key: reader.without_times(practical.inputs[key], e) for key, e in entries.items()}
    reader.lost_cells(its.assist)
    reader.unseen(entries)
    shown = reader.worked_out()
    reader.unprotected()
    observations = Observations(entries, tuple(reader.findings), path.name, shown)
    return Contents(its, practical, observations)


def _foreign(practical: Practical, store: Store, path: Path) -> Iterator[Finding]:
    """A definition that calls itself one of those that come with sheetlab, and is not.

    The digest beside it tells of a slip only: who changes the one can change the other.
    """
    definition = practical.definition
    if practical.digest == (shipped_digest(definition.id) or practical.digest):
        return
    # read only where it is another: for most workbooks the digest is enough
    version = catalogue().load(definition.id).definition.version
    place = Place(path.name, IDENTITY if store.part(IDENTITY) else "")
    if definition.version == version:
        yield Finding(
            "definition-altered",
            Severity.DOUBTFUL,
            f"the definition inside this workbook is not version {version} of “{definition.id}”, "
            "as which it goes",
            "the definition that comes with sheetlab, or a version of its own for another",
            "Was the hidden sheet changed? Copy the readings into a newly issued workbook, and "
            "compare the results. A department's own definition needs an id or version of its own.",
            place,
        )
    elif _later(definition.version, version):
        yield Finding(
            "definition-newer",
            Severity.DOUBTFUL,
            f"the definition inside this workbook is version {definition.version[:40]} of "
            f"“{definition.id}”; this sheetlab has version {version}",
            f"version {version} or an earlier one",
            "Evaluate it with the sheetlab that issued it, or look whether the hidden sheet was "
            "changed.",
            place,
        )


def _later(version: str, than: str) -> bool:
    numbers = [text if text.isascii() and text.isdigit() else "" for text in (version, than)]
    return version != than and (not all(numbers) or int(numbers[0][:9]) > int(numbers[1]))


def _practical(its: Identity, path: Path) -> Practical:
    """The practical that a workbook carries; the same one for all workbooks of a class."""
    try:
        return load(its.definition, its.runs, its.practical)
    except SheetlabError as error:
        where = f"{its.practical} in {path.name}"
        raise SheetlabError(*(f.at(Place(where)) for f in error.findings)) from error


def _identity(store: Store, path: Path) -> tuple[Identity, tuple[Finding, ...]]:
    # the sheet may have been made visible or, rarely, renamed
    likely = sorted(store.sheets, key=lambda s: (s.name != IDENTITY, s.state == "visible"))
    for sheet in likely:
        cells = store.cells(sheet.name)
        mark = cells.get((0, 0))
        if mark is None or mark.value != identity.MARK:
            continue
        return _parse_identity(cells, sheet.name, path)
    raise SheetlabError(
        Finding(
            "not-issued",
            Severity.STOP,
            "this workbook was not issued by sheetlab, or its hidden sheet was removed",
            "a workbook made with “sheetlab issue”",
            "Copy the readings into an issued workbook and evaluate that.",
            Place(file=path.name),
        )
    )


def _parse_identity(
    cells: Mapping[tuple[int, int], Cell], sheet: str, path: Path
) -> tuple[Identity, tuple[Finding, ...]]:
    found = {
        str(cells[row, 0].value): str(cells[row, 1].value)
        for row in range(1, identity.DEFINITION_ROW)
        if (row, 0) in cells and (row, 1) in cells
    }
    last = max(row for row, _ in cells)
    lines = []
    for row in range(identity.DEFINITION_ROW, last + 1):
        cell = cells.get((row, 0))
        lines.append("" if cell is None else str(cell.value))
    text = "\n".join(lines) + "\n"
    place = Place(path.name, sheet)
    bound, unbound = _bound(found.get("bound", ""), path.name)
    try:
        if found["format"] != identity.FORMAT:
            raise SheetlabError(
                Finding(
                    "other-format",
                    Severity.STOP,
                    f"this workbook has the format {found['format']}",
                    f"format {identity.FORMAT}",
                    "Evaluate it with the sheetlab version that issued it, or a newer one.",
                    place,
                )
            )
        its = Identity(
            found["format"],
            found["practical"],
            found["version"],
            found["digest"],
            Assist(found["assist"]),
            int(float(found["runs"])),
            text,
            load_profile(found["profile"], path.name) if found.get("profile") else GUM,
            bound,
            found.get("readings") == identity.INVENTED,
        )
    except (KeyError, ValueError, OverflowError) as error:
        raise SheetlabError(
            Finding(
                "identity-damaged",
                Severity.STOP,
                "the hidden sheet that tells which practical this is has been changed",
                "the sheet as it was issued",
                "Copy the readings into a newly issued workbook and evaluate that.",
                place,
            )
        ) from error
    if definition_digest(text) == its.digest:
        return its, unbound
    return its, (
        *unbound,
        Finding(
            "definition-altered",
            Severity.DOUBTFUL,
            "the definition inside this workbook is not the one it was issued with",
            "an unchanged hidden sheet",
            "Compare with another group's result, or copy the readings into a new workbook.",
            place,
        ),
    )


def _bound(text: str, file: str) -> tuple[Bound | None, tuple[Finding, ...]]:
    """What a workbook is bound to; damage to it is told and does not stop the evaluation."""
    try:
        return (load_bound(text, file) if text else None), ()
    except SheetlabError as error:
        return None, error.findings


def _tables(
    slots_by_key: Mapping[str, Slot | None], practical: Practical, file: str
) -> tuple[dict[str, Slot], tuple[Finding, ...]]:
    """Rows that the input columns of each table take up together, and tables out of line."""
    found: dict[str, list[Slot]] = {}
    for key, slot in slots_by_key.items():
        table = practical.inputs[key].table
        if slot is not None and table is not None:
            found.setdefault(table, []).append(slot)
    spans, findings = {}, []
    for table, slots in found.items():
        first = min(slot.row for slot in slots)
        last = max(slot.row + slot.rows for slot in slots)
        column = min(slot.column for slot in slots)
        spans[table] = Slot(slots[0].sheet, first, column, min(last - first, MAX_ROWS))
        if (
            len({(slot.sheet, slot.row, slot.rows) for slot in slots}) > 1
            or last - first > MAX_ROWS
        ):
            findings.append(
                Finding(
                    "rows-shifted",
                    Severity.DOUBTFUL,
                    "the columns of a table no longer begin and end in the same rows: cells were "
                    "inserted, deleted or moved in some of them",
                    "readings that belong together in one row",
                    "Compare the rows with the group's notes; a reading may stand beside the wrong "
                    "one.",
                    Place(file, slots[0].sheet, address(first, column)),
                )
            )
    return spans, tuple(findings)


def _doubled(
    slots: Mapping[str, Slot | None], practical: Practical, file: str
) -> tuple[Finding, ...]:
    """Cells to which two names point: one of the two readings stands elsewhere."""
    columns: dict[tuple[str, int], list[tuple[int, int, str]]] = {}
    for key, slot in slots.items():
        if slot is not None:
            its = columns.setdefault((slot.sheet, slot.column), [])
            its.append((slot.row, slot.row + slot.rows, key))
    found = []
    for (sheet, column), spans in columns.items():
        spans.sort()
        for (_, end, first), (begin, _, second) in pairwise(spans):
            if begin < end:
                titles = [practical.inputs[key].title for key in (first, second)]
                found.append(
                    Finding(
                        "names-doubled",
                        Severity.DOUBTFUL,
                        f"the names of “{titles[0]}” and “{titles[1]}” point at the same cells",
                        "names as they were issued",
                        "Compare with the group's notes, or copy the readings into a newly issued "
                        "workbook.",
                        Place(file, sheet, address(begin, column)),
                    )
                )
    return tuple(found)


class _Reader(Struct):
    store: Store
    practical: Practical
    file: str
    slots: Mapping[str, Slot | None]
    """Cells of each input by key."""
    first_rows: Mapping[str, int]
    """First sheet row of the input columns of each table."""
    findings: list[Finding] = field(default_factory=list)
    lost: list[InputField] = field(default_factory=list)

    def lost_cells(self, assist: Assist) -> None:
        """Say which cells are gone, and with which sheets."""
        if not self.lost:
            return
        there = {sheet.name for sheet in self.store.sheets}
        slots = lay_out(self.practical, assist).slots
        # what the practical has no cell for cannot be lost (a definition without cautions)
        lost = [one for one in self.lost if one.key in slots]
        if not lost:
            return
        sheets = dict.fromkeys(slots[one.key].sheet for one in lost)
        gone = [name for name in sheets if name not in there]
        titles = [f"“{one.title}” ({defined_name(one)})" for one in lost]
        shown = ", ".join(titles[:4]) + (f" and {len(titles) - 4} more" if titles[4:] else "")
        self.note(
            "cells-lost",
            Severity.DOUBTFUL,
            "".join(f"the sheet “{name}” is not there; " for name in gone)
            + f"the cells of {shown} can no longer be found by their names",
            "the sheets, cells and names of the issued workbook",
            "Copy the readings into a newly issued workbook.",
            Place(self.file, next(iter(sheets)) if not gone else ""),
        )

    def note(
        self, code: str, severity: Severity, found: str, expected: str, remedy: str, place: Place
    ) -> None:
        self.findings.append(Finding(code, severity, found, expected, remedy, place))

    def entries(self, one: InputField) -> tuple[Entry, ...]:
        slot = self.slots[one.key]
        if slot is None:
            self.lost.append(one)
            return (EMPTY,) * one.rows
        cells = self.store.cells(slot.sheet)
        # rows are those of the sheet: a column whose name begins lower begins in a later row
        first = slot.row if one.table is None else self.first_rows[one.table]
        return tuple(
            self.entry(one, cells.get((first + i, slot.column)), first + i, slot)
            if slot.row <= first + i < slot.row + slot.rows
            else EMPTY
            for i in range(one.rows)
        )

    def entry(self, one: InputField, cell: Cell | None, row: int, slot: Slot) -> Entry:
        place = Place(self.file, slot.sheet, address(row, slot.column))
        if cell is None:
            return Entry(place=place)
        if cell.formula:
            self.formula(one, cell, place)
        if cell.kind == "text":
            text = str(cell.value).strip()
            if not text:
                return Entry(place=place)
            if one.kind == "text":
                return Entry(text=harmless(text[:200]).strip(), place=place)
            if one.kind == "choice":
                return self.choice(one, text, place)
            return self.typed(one, text, place)
        if cell.kind == "number" and one.kind == "text":
            if cell.style in self.store.date_styles:
                return Entry(text=_day(float(cell.value)), place=place)
            return Entry(text=f"{cell.value:.15g}", place=place)
        shown = _show(cell)
        if cell.kind != "number" or one.kind == "choice":
            what = f"“{one.title}” holds {shown}"
            self.note(
                "not-a-number" if one.kind == "number" else "not-a-choice",
                Severity.DOUBTFUL,
                what,
                expected_of(one),
                "Type it again; until then it is left out.",
                place,
            )
            return Entry(text=shown, place=place)
        if cell.style in self.store.date_styles:
            self.note(
                "date-for-number",
                Severity.DOUBTFUL,
                f"“{one.title}” was taken for a date by the spreadsheet program",
                expected_of(one),
                "Type it again with the decimal sign of the program, and set the cell's format "
                "back to a number.",
                place,
            )
            return Entry(text=shown, place=place)
        return self.number(one, float(cell.value), shown, place)

    def without_days(self, one: InputField, entries: tuple[Entry, ...]) -> tuple[Entry, ...]:
        """Entries of a column without numbers of days, each of which is told.

        A cell whose format is that of a number shows a date that a program made of “1.2” as 46054.
        False alarms: none for readings within a factor of 100 of each other, or in their limits.
        """
        if one.kind != "number" or one.answer:
            return entries
        kept = [e.value for e in entries if e.value is not None and _typed_day(e.value) is None]
        usual = LARGER * max(map(abs, kept)) if kept else one.maximum
        return tuple(
            entry if usual is None or entry.value is None else self.day(one, entry, usual)
            for entry in entries
        )

    def day(self, one: InputField, entry: Entry, usual: float) -> Entry:
        value = entry.value or 0.0
        day = _typed_day(value)
        if day is None or value <= usual:
            return entry
        meant = [f"{day.day}.{day.month}"]
        if day.day == 1:
            meant.append(f"{day.month}.{day.year % 100:02d}")
        self.note(
            "date-for-number",
            Severity.DOUBTFUL,
            f"“{one.title}” is {value:.0f}, the number that a spreadsheet program has for the day "
            f"{day.isoformat()}",
            expected_of(one),
            f"Was {' or '.join(meant)} typed, and taken for a date? Type it again with the decimal "
            "sign of the program; until then it is left out.",
            entry.place,
        )
        return Entry(text=f"{value:.0f}", place=entry.place)

    def without_times(self, one: InputField, entries: tuple[Entry, ...]) -> tuple[Entry, ...]:
        """Entries of a column of times without parts of a day, each of which is told.

        A program makes of “1:32.5” the part of a day that 92.5 s are, and of “1:32” that of 92
        minutes. False alarms: none for readings within a factor of 100 of each other.
        """
        values = sorted(abs(e.value) for e in entries if e.value)
        if one.unit.dimension.exponents != TIME or one.answer or len(values) < FEWEST_TIMES:
            return entries
        usual = values[len(values) // 2]
        return tuple(self.time(one, e, usual) if e.value else e for e in entries)

    def time(self, one: InputField, entry: Entry, usual: float) -> Entry:
        value = entry.value or 0.0
        if not 0.0 < value < usual / LARGER:
            return entry
        for seconds, minutes_and_seconds in ((DAY, True), (DAY / 60.0, False)):
            meant = value * seconds / one.unit.factor
            if not usual / LARGER < meant < usual * LARGER:
                continue
            minutes, rest = divmod(round(value * seconds, 2), 60.0)
            typed = (
                f"{minutes:.0f}:{rest:04.1f}"
                if minutes_and_seconds
                else (f"{minutes:.0f}:{rest:02.0f}")
            )
            self.note(
                "time-for-number",
                Severity.DOUBTFUL,
                f"“{one.title}” is {value:.5g}, the number that a spreadsheet program has for the "
                f"time of day {typed}",
                expected_of(one),
                f"Was {typed} typed, and taken for a time of day? Type it in {one.unit.pretty}: "
                f"{meant:.6g}; until then it is left out.",
                entry.place,
            )
            return Entry(text=f"{value:.5g}", place=entry.place)
        return entry

    def formula(self, one: InputField, cell: Cell, place: Place) -> None:
        never = cell.kind == "text" and cell.value == ""
        self.note(
            "formula-for-reading",
            Severity.DOUBTFUL if never else Severity.NOTE,
            f"“{one.title}” holds a formula"
            + {"number": "; its last value is used", "truth": ""}.get(
                cell.kind, " that was never calculated" if never else " without a number"
            ),
            "a reading that was typed",
            "Type what was read, not what follows from it.",
            place,
        )

    def typed(self, one: InputField, text: str, place: Place) -> Entry:
        shown = _quote(text)
        found = typed_number(text, one.unit.pretty)
        if found is None:
            self.note(
                "not-a-number",
                Severity.NOTE if one.answer else Severity.DOUBTFUL,
                f"“{one.title}” holds the text {shown}",
                expected_of(one),
                "Type the number only; until then it is left out.",
                place,
            )
            return Entry(text=harmless(text[:200]), place=place)
        self.note(
            "number-as-text",
            Severity.DOUBTFUL if found.ambiguous else Severity.NOTE,
            f"“{one.title}” holds the text {shown}; it is understood as {found.value:.10g}",
            "a number",
            (
                "Is the comma a decimal comma, or does it separate thousands? Type it again."
                if found.ambiguous
                else "Nothing is lost; the workbook's own formulas cannot use a text, though."
            ),
            place,
        )
        return self.number(one, found.value, harmless(text[:200]), place)

    def number(self, one: InputField, value: float, text: str, place: Place) -> Entry:
        if not math.isfinite(value) or (value and not LEAST <= abs(value) <= MOST):
            self.note(
                "not-a-number",
                Severity.DOUBTFUL,
                f"“{one.title}” is {value:.6g}, which no instrument shows",
                expected_of(one),
                "Type it again; until then it is left out.",
                place,
            )
            return Entry(text=text, place=place)
        return Entry(value, text, place)

    def choice(self, one: InputField, text: str, place: Place) -> Entry:
        for choice, value in zip(one.choices, one.choice_values, strict=True):
            if choice.casefold() == text.casefold():
                return Entry(value, choice, place)
        self.note(
            "not-a-choice",
            # a choice in a table is part of a reading; a single one only picks a book value
            Severity.NOTE if one.table is None else Severity.DOUBTFUL,
            f"“{one.title}” holds {_quote(text)}",
            expected_of(one),
            "Choose from the list in the cell.",
            place,
        )
        return Entry(text=harmless(text[:200]), place=place)

    def unseen(self, entries: Mapping[str, Sequence[Entry]]) -> None:
        """Readings in hidden rows: they count, and somebody should know."""
        sheets = {slot.sheet for slot in self.slots.values() if slot is not None}
        hidden = {sheet: self.store.hidden_rows(sheet) for sheet in sheets}
        found = [
            entry.place
            for key, column in entries.items()
            if (slot := self.slots[key]) is not None and hidden[slot.sheet]
            for entry in column
            if entry.place.cell
            and (entry.text or entry.value is not None)
            and int(entry.place.cell.lstrip(_LETTERS)) - 1 in hidden[slot.sheet]
        ]
        if found:
            spots = ", ".join(f"{one.sheet} {one.cell}" for one in found[:6])
            self.note(
                "hidden-readings",
                Severity.NOTE,
                f"{len(found)} filled cells are hidden: {spots}{' …' if found[6:] else ''}",
                "readings that everyone can see",
                "They count like the others. Show the rows again; write the reason beside a row "
                "that is to be left out.",
                found[0],
            )

    def worked_out(self) -> dict[str, tuple[Entry, ...]]:
        """What worked-out cells show; those that hold a typed value or are unlocked are told."""
        shown: dict[str, tuple[Entry, ...]] = {}
        unlocked: list[Place] = []
        for key, one in self.practical.derived.items():
            slot = self.store.slot(defined_name(one))
            if slot is None:
                continue
            cells = self.store.cells(slot.sheet)
            spots, entries = [], []
            for i in range(min(slot.rows, one.rows)):
                cell = cells.get((slot.row + i, slot.column))
                if cell is None:
                    entries.append(EMPTY)
                    continue
                place = Place(self.file, slot.sheet, address(slot.row + i, slot.column))
                if not cell.formula and cell.value != "on evaluation":
                    spots.append(place)
                if cell.style in self.store.unlocked_styles:
                    unlocked.append(place)
                number = cell.formula and cell.kind == "number"
                entries.append(Entry(float(cell.value) if number else None, "", place))
            shown[key] = tuple(entries)
            if spots:
                self.note(
                    "formula-overwritten",
                    Severity.NOTE,
                    f"the worked-out cells of “{one.title}” were overwritten: "
                    + ", ".join(spot.cell for spot in spots),
                    "the formulas of the issued workbook",
                    "The result is not touched by this: it is worked out from the readings.",
                    spots[0],
                )
        if unlocked:
            self.note(
                "protection-removed",
                Severity.NOTE,
                "worked-out cells were unlocked: " + ", ".join(p.cell for p in unlocked[:6]),
                "cells that cannot be typed over",
                "The result is not touched by this: it is worked out from the readings.",
                unlocked[0],
            )
        return shown

    def unprotected(self) -> None:
        """Sheets whose protection was taken off."""
        sheets = dict.fromkeys(slot.sheet for slot in self.slots.values() if slot is not None)
        found = [name for name in sheets if not self.store.protected(name)]
        if found:
            self.note(
                "protection-removed",
                Severity.NOTE,
                "the protection was taken off: " + ", ".join(map(_quote, found)),
                "sheets in which only input cells can be typed into",
                "The result is not touched by this: it is worked out from the readings.",
                Place(self.file, found[0]),
            )


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
        return f"the error {str(cell.value)[:MAX_SHOWN]}"
    return f"{cell.value:.10g}" if isinstance(cell.value, float) else _quote(cell.value)


def _quote(text: str) -> str:
    """A typed text for a message: one line, no control characters, not too long."""
    plain = harmless(text)
    return f"“{plain[:MAX_SHOWN]}{'…' if len(plain) > MAX_SHOWN else ''}”"
