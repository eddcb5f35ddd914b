"""What is missing: for the result, in half-filled rows, in tables that are too short."""

from __future__ import annotations

import math
from collections.abc import Iterator

from msgspec import Struct

from sheetlab.checks.subject import Subject, amount
from sheetlab.finding import Finding, Place, Severity, many
from sheetlab.formula.tree import Call, Name, Number, walk
from sheetlab.formula.values import evaluate
from sheetlab.metrology.statement import plain
from sheetlab.practical.definition import Table
from sheetlab.practical.fields import (
    LEAST_REASON,
    LEFT_OUT,
    START_PREFIX,
    DerivedField,
    InputField,
    expected_of,
    without_condition,
)
from sheetlab.practical.register import FAR_LIMIT, issued_limits, prefilled
from sheetlab.practical.slips.cells import mistaken_for

FEWEST_ZEROS = 3
FEWEST_TENTHS = 6
MOST_LEFT_OUT = 0.25
FEWEST_OTHERS = 3
BEYOND_OTHERS = 1.5
"""Times the greatest of the other numbers of a column up to which one may belong to them."""
NOT_FILLED = "workbook-not-filled"


def missing_for_results(subject: Subject) -> Iterator[Finding]:
    """For each result that could not be formed, the empty inputs that stand in its way."""
    results = zip(subject.practical.definition.results, subject.evaluation.results, strict=True)
    wanted = [wished.quantity for wished, result in results if result is None]
    if not wanted:
        return
    if _untouched(subject):
        yield Finding(
            NOT_FILLED,
            Severity.STOP,
            "no reading has been typed into this workbook",
            "a filled workbook",
            "Is this the blank one? Evaluate the one that the group has filled.",
            Place(file=subject.file),
        )
        return
    causes: dict[str, Cause] = {}
    for key in wanted:
        _collect(subject, key, causes)
    by_owner: dict[tuple[str, bool], list[Cause]] = {}
    for cause in causes.values():
        if cause.blocking:
            by_owner.setdefault((cause.owner, cause.column), []).append(cause)
    for (owner, column), group in by_owner.items():
        titles = ", ".join(
            f"“{c.title}”" + (f" ({c.place.cell})" if c.place.cell else "") for c in group
        )
        many = len(group) > 1
        state = (
            ("have" if many else "has") + " no reading"
            if column
            else ("are empty" if many else "is empty")
        )
        yield Finding(
            "reading-missing",
            Severity.STOP,
            f"{owner}: {titles} {state}",
            "a number in each of these cells" if not column else "readings from row 1 on",
            "Fill in what is missing; the result needs it.",
            group[0].place,
        )
    if not by_owner:
        title = subject.practical.derived[wanted[0]].title
        yield Finding(
            "result-not-computable",
            Severity.STOP,
            f"{title} cannot be worked out from these readings",
            "complete rows of readings from which the formula gives a number",
            "Look at the other findings first: rows that are not complete, or a zero where none "
            "can be, are the usual causes.",
            Place(file=subject.file),
        )


class Cause(Struct, frozen=True):
    """An input that is missing; it blocks if it is empty altogether."""

    title: str
    owner: str
    place: Place
    column: bool
    blocking: bool = True


def _untouched(subject: Subject) -> bool:
    given = subject.evaluation.profile.inputs
    issued = {} if subject.bound is None else prefilled(subject.practical, subject.bound)
    return not any(
        entry.text if entry.value is None else entry.value != given.get(key)
        for key, entries in subject.observations.entries.items()
        for entry in entries
        if subject.practical.inputs[key].default is None
        and not key.startswith(START_PREFIX)
        and not (key in issued and issued[key] in (entry.value, entry.text))
    )


def _collect(subject: Subject, key: str, causes: dict[str, Cause]) -> None:
    if key in causes:
        return
    practical = subject.practical
    one = practical.field(key)
    if isinstance(one, InputField):
        column = one.table is not None
        place = subject.place(key, 0 if column else None)
        causes[key] = Cause(one.title, practical.owner(key), place, column)
        return
    causes[key] = Cause(one.title, "", Place(), False, blocking=False)
    needed = practical.depends(one.node)
    missing = [k for k in needed if not _given(subject, k)]
    node = without_condition(one.node)
    if isinstance(node, Call) and node.function == "row_mean" and missing:
        # of several series of readings one is enough, and the first is the one to ask for
        missing = [] if len(missing) < len(needed) else missing[:1]
    for inner in missing:
        _collect(subject, inner, causes)


def _given(subject: Subject, key: str) -> bool:
    if subject.practical.field(key).table is None:
        return subject.numbers.value(key, None) is not None
    return any(v is not None for v in subject.numbers.column(key))


def outside_limits(subject: Subject) -> Iterator[Finding]:
    """Typed numbers outside the limits of their cells, which a spreadsheet may have let pass."""
    for key, one in subject.practical.inputs.items():
        low = -math.inf if one.minimum is None else one.minimum
        high = math.inf if one.maximum is None else one.maximum
        for entry in subject.observations.entries.get(key, ()):
            if entry.value is not None and one.kind == "number" and not low <= entry.value <= high:
                yield Finding(
                    "outside-limits",
                    Severity.DOUBTFUL,
                    f"“{one.title}” is {entry.value:.10g}",
                    expected_of(one),
                    _in_other_unit(subject, one, entry.value)
                    + "Is it in the unit of the heading, and in the right cell?",
                    entry.place,
                )


def _in_other_unit(subject: Subject, one: InputField, value: float) -> str:
    """What one cell of a column would hold among the others if its unit was another."""
    others = [
        entry.value
        for row, entry in enumerate(subject.observations.entries[one.key])
        if entry.value is not None and (one.key, row) not in subject.beyond_limits
    ]
    if one.table is None or len(others) < FEWEST_OTHERS:
        return ""
    fits = [
        f"{amount(value * factor, one.unit)} would fit if it was typed in {unit}. "
        for unit, factor in mistaken_for(one.unit)
        if min(others) <= value * factor <= BEYOND_OTHERS * max(others)
    ]
    return fits[0] if fits else ""


def half_filled_rows(subject: Subject) -> Iterator[Finding]:
    """Readings of which one part was typed and another was not: they are left out."""
    practical = subject.practical
    for key, one in practical.derived.items():
        if one.table is None:
            continue
        parts = [
            k
            for k in practical.depends(one.node)
            if k in practical.inputs
            and practical.inputs[k].table == one.table
            and k.startswith(f"{key.removesuffix('.observed')}.")
        ]
        if len(parts) < 2:
            continue
        for row in range(one.rows):
            empty = [k for k in parts if subject.numbers.value(k, row) is None]
            if any(subject.observations.entry(k, row).text for k in empty):
                # it holds something that could not be read, and that was said
                continue
            if not empty or len(empty) == len(parts):
                continue
            if all(practical.inputs[k].kind == "choice" for k in parts if k not in empty):
                continue
            title = practical.inputs[empty[0]].title
            yield Finding(
                "reading-incomplete",
                Severity.DOUBTFUL,
                f"“{title}” is empty{subject.row_words(row)}, but the rest of the reading is there",
                "both parts of a reading",
                "Fill it in; until then this reading is left out, it does not count as zero.",
                subject.place(empty[0], row),
            )


def rows_with_gaps(subject: Subject) -> Iterator[Finding]:
    """Rows in which a reading is missing that other rows have: they count less, or not at all.

    False alarms: none; the cells are empty. What a line says of its own columns is not repeated
    (``lines.rows_cut_short``).
    """
    practical = subject.practical
    left_out = {(one.table, one.row) for one in subject.evaluation.left_out}
    for table in practical.definition.tables:
        keys = _readings_of(subject, table)
        used = [k for k in keys if _any_typed(subject, k)]
        for row in range(practical.tables[table.id]):
            there = [key for key in used if subject.typed(key, row)]
            empty = [key for key in used if key not in there and not _of_a_line(subject, key, row)]
            if not there or not empty or (table.id, row) in left_out:
                continue
            what = " and ".join(f"“{practical.field(key).title}”" for key in empty)
            are = "are" if len(empty) > 1 else "is"
            yield Finding(
                "row-incomplete",
                Severity.NOTE,
                f"{what} {are} empty in row {row + 1} of “{table.title}”, but "
                f"“{practical.field(there[0]).title}” is there",
                "every reading of a row, or none",
                "Was it read? Fill it in if you have it; what is worked out of it in this row is "
                "missing, and does not count as zero.",
                subject.place(empty[0], row),
            )


def scales_unknown(subject: Subject) -> Iterator[Finding]:
    """Instruments that were read, and of which it was not typed what one division means.

    Where readings cannot be worked out without it, that is told with the result. False alarms:
    none; the cell is empty.
    """
    practical = subject.practical
    for instrument in practical.definition.instruments if subject.evaluation.measurand else ():
        keys = [
            key
            for key, one in practical.inputs.items()
            if one.required and one.table is None and key.startswith(f"{instrument.id}.")
        ]
        empty = [
            k for k in keys if not (e := subject.observations.entry(k)).text and e.value is None
        ]
        read = any(
            entry.value is not None
            for key in practical.read_with(instrument.id)
            for entry in subject.observations.entries[key]
        )
        for key in empty if read else ():
            yield Finding(
                "scale-unknown",
                Severity.NOTE,
                f"{instrument.title}: “{practical.inputs[key].title}” is empty, but readings were "
                "taken with it",
                expected_of(practical.inputs[key]),
                "Fill it in. Until then the uncertainty lacks how well this scale can be read, and "
                "nobody can ask whether its readings are finer than it is.",
                subject.place(key, None),
            )


def columns_left_empty(subject: Subject) -> Iterator[Finding]:
    """Repeats of which one was never taken, such as the second direction of a diameter.

    False alarms: none; the cells are empty.
    """
    practical = subject.practical
    series = {key for line in practical.lines.values() for key in line.y}
    for block in practical.blocks.values():
        empty = [k for k in block if not _any_typed(subject, k)]
        if not empty or len(empty) == len(block) or series.intersection(empty):
            continue
        what = " and ".join(f"“{practical.field(key).title}”" for key in empty)
        yield Finding(
            "series-empty",
            Severity.NOTE,
            f"{what} has no reading" if len(empty) == 1 else f"{what} have no reading",
            "readings in every column of repeats",
            "The result rests on the other readings; what these would show is not known.",
            subject.place(empty[0], 0),
        )


def _readings_of(subject: Subject, table: Table) -> list[str]:
    """Columns of a table that are read or typed as numbers."""
    columns = (f"{table.id}.{c.id}" for c in table.columns if c.instrument)
    return [key for column in columns for key in subject.practical.columns(column)]


def _any_typed(subject: Subject, key: str) -> bool:
    return any(subject.typed(key, row) for row in range(subject.practical.field(key).rows))


def _of_a_line(subject: Subject, key: str, row: int) -> bool:
    """Whether a line says itself that its abscissa, or one of its passes, is missing in a row."""
    for line in subject.practical.lines.values():
        passes = [y for y in line.y if subject.numbers.value(y, row) is not None]
        if passes and (key in line.y or key in subject.practical.leaves(line.x)):
            return True
    return False


def tenths_left_out(subject: Subject) -> Iterator[Finding]:
    """The one reading of a column without tenths of a division, where all others have them.

    By chance one reading of ten has none, and so every third careful column has just one: a note
    that asks, no more. Nothing is said of fewer than six readings.
    """
    for key, one in subject.practical.inputs.items():
        if one.table is None or not key.endswith(".coincidence"):
            continue
        typed = [(row, v) for row, e in enumerate(subject.observations.entries.get(key, ()))
                 if (v := e.value) is not None]  # fmt: skip
        whole = [(row, v) for row, v in typed if v == int(v)]
        if len(typed) < FEWEST_TENTHS or len(whole) != 1:
            continue
        row, value = whole[0]
        yield Finding(
            "digits-left-out",
            Severity.NOTE,
            f"“{one.title}” is {value:g} in row {row + 1}; all {len(typed) - 1} other readings "
            "have tenths of a division",
            "tenths of a division in every reading",
            "Was the tenth read, or left out? Where it is a zero, it is a reading too.",
            subject.place(key, row),
        )


def short_tables(subject: Subject) -> Iterator[Finding]:
    """Tables with fewer usable rows than the practical asks for."""
    practical = subject.practical
    if subject.evaluation.measurand is None:
        # what stands in the way of the result was said; the rows may be good
        return
    for instrument in practical.definition.instruments:
        if not instrument.zero_rows:
            continue
        key = f"{instrument.id}.zero_reading"
        count = sum(v is not None for v in subject.numbers.column(key))
        if count < FEWEST_ZEROS:
            yield Finding(
                "few-zero-readings",
                Severity.NOTE,
                f"{instrument.title}: {many(count, 'zero reading')}",
                f"{FEWEST_ZEROS} or more",
                "Read the zero several times; its scatter is part of the uncertainty and is not "
                "known here.",
                subject.place(key, 0),
            )
    for table in practical.definition.tables:
        formulas = [f"{table.id}.{c.id}" for c in table.columns if c.formula]
        columns = [key for key in formulas if not _looks_back(subject, key)] or [
            key for c in table.columns for key in practical.columns(f"{table.id}.{c.id}")
        ]
        usable = min(sum(v is not None for v in subject.numbers.column(key)) for key in columns)
        typed = any(
            subject.numbers.value(key, row) is not None
            for key, one in practical.inputs.items()
            if one.table == table.id
            for row in range(one.rows)
        )
        if typed and usable < table.minimum_rows:
            yield Finding(
                "too-few-rows",
                Severity.DOUBTFUL,
                f"“{table.title}” has {many(usable, 'usable row')}",
                f"{table.minimum_rows} rows or more",
                "Take more readings; the result below rests on few.",
                subject.place(columns[0], 0),
            )


def reasons_that_are_none(subject: Subject) -> Iterator[Finding]:
    """Entries such as “no” or “x” where a reason for leaving a row out is asked for."""
    for key in subject.practical.reasons():
        for row in range(subject.practical.inputs[key].rows):
            entry = subject.observations.entry(key, row)
            text = entry.text.strip()
            if 0 < len(text) < LEAST_REASON:
                yield Finding(
                    "reason-too-short",
                    Severity.NOTE,
                    f"“{text}” stands where a reason for leaving row {row + 1} out belongs; the "
                    "row is not left out",
                    "nothing, or the reason in a few words",
                    "Clear the cell, or write why the row is to be left out.",
                    entry.place,
                )


def _looks_back(subject: Subject, key: str) -> bool:
    """Whether a column needs rows above: its first rows are empty by right."""
    practical = subject.practical
    one = practical.field(key)
    if isinstance(one, InputField):
        return False
    backwards = ("line_before", "first", "previous")
    if any(isinstance(part, Call) and part.function in backwards for part in walk(one.node)):
        return True
    return any(
        _looks_back(subject, inner)
        for inner in practical.depends(one.node)
        if practical.field(inner).table == one.table
    )


def rows_left_out(subject: Subject) -> Iterator[Finding]:
    """Rows that a person left out: said for each, and doubtful where they are many."""
    practical = subject.practical
    for table in practical.definition.tables:
        rows = [one for one in subject.evaluation.left_out if one.table == table.id]
        key = f"{table.id}.{LEFT_OUT}"
        filled = sum(
            any(
                subject.observations.entry(k, row).value is not None
                for k, one in practical.inputs.items()
                if one.table == table.id
            )
            for row in range(practical.tables[table.id])
        )
        for one in rows:
            yield Finding(
                "row-left-out",
                Severity.DOUBTFUL if len(rows) > MOST_LEFT_OUT * filled else Severity.NOTE,
                f"row {one.row + 1} of “{table.title}” is left out by hand: “{one.reason}”",
                f"at most {MOST_LEFT_OUT:.0%} of the rows".replace("%", " %")
                if len(rows) > MOST_LEFT_OUT * filled
                else "",
                "The reading stays in the workbook; the sheet Evaluation shows the result with "
                "every row beside the other.",
                subject.place(key, one.row),
            )


def limits_far_off(subject: Subject) -> Iterator[Finding]:
    """Permissible errors of ten times that of the register, or else of the definition, or more.

    False alarms: none by chance; another instrument of the kind does not differ by so much.
    """
    practical = subject.practical
    known_limits = issued_limits(practical, subject.bound, subject.evaluation.profile.inputs)
    for key, known in known_limits.items():
        one, entry = practical.inputs[key], subject.observations.entry(key)
        if entry.value is None or entry.value < FAR_LIMIT * known:
            continue
        yield Finding(
            "limit-doubtful",
            Severity.DOUBTFUL,
            f"{practical.owner(key)}: “{one.title}” is {amount(entry.value, one.unit)}, "
            f"{plain(entry.value / known, 3)} times the {amount(known, one.unit)} that it was "
            "issued with",
            "a permissible error near that of the register or of the definition",
            "Was something else typed here, such as a reading or the smallest division? The "
            "uncertainty of the result rests on it.",
            entry.place,
        )


def defaults_used(subject: Subject) -> Iterator[Finding]:
    """Empty cells for which the practical has a value of its own."""
    practical = subject.practical
    for key, one in practical.inputs.items():
        if one.default is not None and subject.observations.entry(key).value is None:
            yield Finding(
                "default-used",
                Severity.NOTE,
                f"“{one.title}” ({practical.owner(key)}) is empty; "
                f"{amount(one.default, one.unit)} is used",
                place=subject.place(key, None),
            )
    for derived in practical.derived.values():
        yield from _constant_used(subject, derived)


def _constant_used(subject: Subject, one: DerivedField) -> Iterator[Finding]:
    if not (isinstance(one.node, Call) and one.node.function == "first_given"):
        return
    passed: list[str] = []
    for argument in one.node.arguments:
        if evaluate(argument, subject.numbers) is None:
            passed += [argument.key] if isinstance(argument, Name) else []
            continue
        if not isinstance(argument, Name) or argument.key not in subject.practical.derived:
            return
        constant = subject.practical.derived[argument.key]
        if isinstance(constant.node, Number):
            inputs = [k for key in passed for k in subject.practical.leaves(key)]
            wanted = ", ".join(subject.practical.inputs[k].title.lower() for k in inputs)
            yield Finding(
                "constant-used",
                Severity.NOTE,
                f"{one.title}: the {constant.title}, {subject.shown(argument.key)}, is used",
                wanted,
                "Fill in what you know; the uncertainty is larger without it.",
                subject.place(inputs[0], None) if inputs else subject.place(argument.key, None),
            )
        return


NOT_AS_CELLS_SEE = frozenset(
    {"number-as-text", "not-a-number", "date-for-number", "time-for-number", "not-a-choice",
     "rows-shifted", "cells-lost", "definition-altered"}
)  # fmt: skip
"""Findings of readings that a cell's formula takes in another way than we do."""
SHOWN_TOLERANCE = 1e-6
SHOWN_LEAST = 1e-9


def formulas_that_differ(subject: Subject) -> Iterator[Finding]:
    """Worked-out cells that show another number than follows from the readings.

    No false alarms for a workbook that its program calculated: the formulas agree with ours to
    1e-9 (tested in Calc).
    """
    if any(f.code in NOT_AS_CELLS_SEE for f in subject.observations.findings):
        return
    for key, entries in subject.observations.shown.items():
        one = subject.practical.derived[key]
        off = []
        for row, entry in enumerate(entries):
            if entry.value is None:
                continue
            value = subject.numbers.shown(key, row if one.table is not None else None)
            if value is None or not math.isfinite(value):
                continue
            size = max(abs(value), abs(entry.value))
            if not abs(value - entry.value) <= SHOWN_TOLERANCE * size + SHOWN_LEAST:
                off.append((entry, value))
        if off:
            entry, value = off[0]
            cells = ", ".join(one.place.cell for one, _ in off)
            yield Finding(
                "formula-altered",
                Severity.NOTE,
                f"the worked-out cells of “{one.title}” do not show what follows from the "
                f"readings: {cells} ({entry.value:.6g} instead of {value:.6g})",
                "the formulas of the issued workbook, calculated anew",
                "The result is not touched by this: it is worked out from the readings. Was a "
                "formula changed, or the workbook saved by a program that does not calculate?",
                entry.place,
            )
