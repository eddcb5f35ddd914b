"""What is missing: for the result, in half-filled rows, in tables that are too short."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from sheetlab.checks.subject import Subject, amount
from sheetlab.finding import Finding, Place, Severity, finding
from sheetlab.formula.tree import Call, Name, Number, walk
from sheetlab.formula.values import evaluate
from sheetlab.messages import Phrase, phrase
from sheetlab.metrology.statement import Decimals, plain
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
    practical = subject.practical
    results = zip(practical.definition.results, subject.evaluation.results, strict=True)
    wanted = [wished.quantity for wished, result in results if result is None]
    if not wanted:
        return
    if _untouched(subject):
        yield finding("workbook-not-filled", Severity.STOP, Place(file=subject.file))
        return
    seen: dict[str, None] = {}
    for key in wanted:
        _collect(subject, key, seen)
    by_owner: dict[tuple[str, bool], list[str]] = {}
    for key in seen:
        if key in practical.inputs:
            column = practical.inputs[key].table is not None
            by_owner.setdefault((practical.owner(key), column), []).append(key)
    for (owner, column), keys in by_owner.items():
        places = [subject.place(key, 0) for key in keys]
        titles = tuple(
            phrase("quoted-at", title=practical.inputs[key].title, cell=place.cell)
            if place.cell
            else phrase("quoted", title=practical.inputs[key].title)
            for key, place in zip(keys, places, strict=True)
        )
        yield finding(
            "reading-missing", Severity.STOP, places[0],
            owner=owner, titles=titles, count=len(keys), column=column,
        )  # fmt: skip
    if not by_owner:
        title, place = practical.derived[wanted[0]].title, Place(file=subject.file)
        yield finding("result-not-computable", Severity.STOP, place, title=title)


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


def _collect(subject: Subject, key: str, seen: dict[str, None]) -> None:
    """Gather what is missing for a quantity: inputs that are empty, and what leads to them."""
    if key in seen:
        return
    seen[key] = None
    practical, one = subject.practical, subject.practical.field(key)
    if isinstance(one, InputField):
        return
    needed = practical.depends(one.node)
    missing = [k for k in needed if not _given(subject, k)]
    node = without_condition(one.node)
    if isinstance(node, Call) and node.function == "row_mean" and missing:
        # of several series of readings one is enough, and the first is the one to ask for
        missing = [] if len(missing) < len(needed) else missing[:1]
    for inner in missing:
        _collect(subject, inner, seen)


def _given(subject: Subject, key: str) -> bool:
    if subject.practical.field(key).table is None:
        return subject.numbers.value(key, None) is not None
    return _count(subject, key) > 0


def _count(subject: Subject, key: str) -> int:
    """Values of a column."""
    return sum(v is not None for v in subject.numbers.column(key))


def outside_limits(subject: Subject) -> Iterator[Finding]:
    """Typed numbers outside the limits of their cells, which a spreadsheet may have let pass."""
    for one, _, entry in subject.not_allowed:
        value = entry.value or 0.0
        yield finding(
            "outside-limits", Severity.DOUBTFUL, entry.place, title=one.title,
            value=Decimals(f"{value:.10g}"), allowed=Decimals(expected_of(one)),
            meant=_in_other_unit(subject, one, value),
        )  # fmt: skip


def _in_other_unit(subject: Subject, one: InputField, value: float) -> Phrase | str:
    """What one cell of a column would hold among the others if its unit was another."""
    typed = subject.typed_numbers(one.key).items()
    others = [other for row, other in typed if (one.key, row) not in subject.beyond_limits]
    if one.table is not None and len(others) >= FEWEST_OTHERS:
        for unit, factor in mistaken_for(one.unit):
            if min(others) <= value * factor <= BEYOND_OTHERS * max(others):
                return phrase("in-other-unit", value=amount(value * factor, one.unit), unit=unit)
    return ""


def half_filled_rows(subject: Subject) -> Iterator[Finding]:
    """Readings of which one part was typed and another was not: they are left out."""
    practical = subject.practical
    for key, one in practical.derived.items():
        start = f"{key.removesuffix('.observed')}."
        parts = [
            k
            for k in practical.depends(one.node)
            if k.startswith(start)
            and k in practical.inputs
            and practical.inputs[k].table == one.table is not None
        ]
        for row in range(one.rows) if len(parts) > 1 else ():
            empty = [k for k in parts if subject.numbers.value(k, row) is None]
            typed = [practical.inputs[k].kind for k in parts if k not in empty]
            # what holds something that could not be read was said; a choice alone is no reading
            unread = any(subject.observations.entry(k, row).text for k in empty)
            if not empty or unread or all(kind == "choice" for kind in typed):
                continue
            title, place = practical.inputs[empty[0]].title, subject.place(empty[0], row)
            yield finding("reading-incomplete", Severity.DOUBTFUL, place, title=title, row=row + 1)


def rows_with_gaps(subject: Subject) -> Iterator[Finding]:
    """Rows in which a reading is missing that other rows have: they count less, or not at all.

    False alarms: none; the cells are empty. What a line says of its own columns is not repeated
    (``lines.rows_cut_short``).
    """
    practical = subject.practical
    for table in practical.definition.tables:
        readings = (f"{table.id}.{c.id}" for c in table.columns if c.instrument)
        keys = [key for column in readings for key in practical.columns(column)]
        used = [k for k in keys if _any_typed(subject, k)]
        for row in range(practical.tables[table.id]):
            there = [key for key in used if subject.typed(key, row)]
            empty = [key for key in used if key not in there and not _of_a_line(subject, key, row)]
            if there and empty and (table.id, row) not in subject.left_out:
                yield finding(
                    "row-incomplete", Severity.NOTE, subject.place(empty[0], row),
                    titles=_titles(subject, empty), count=len(empty), row=row + 1,
                    table=table.title, there=practical.field(there[0]).title,
                )  # fmt: skip


def _titles(subject: Subject, keys: Sequence[str]) -> str:
    return " and ".join(f"“{subject.practical.field(key).title}”" for key in keys)


def scales_unknown(subject: Subject) -> Iterator[Finding]:
    """Instruments that were read, and of which it was not typed what one division means.

    Where readings cannot be worked out without it, that is told with the result. False alarms:
    none; the cell is empty.
    """
    practical = subject.practical
    for instrument in practical.definition.instruments if subject.evaluation.measurand else ():
        read = any(map(subject.typed_numbers, practical.read_with(instrument.id)))
        for key, one in practical.inputs.items() if read else ():
            of_scale = one.table is None and key.startswith(f"{instrument.id}.")
            entry = subject.observations.entry(key)
            if one.required and of_scale and not entry.text and entry.value is None:
                yield finding(
                    "scale-unknown", Severity.NOTE, subject.place(key, None),
                    instrument=instrument.title, title=one.title,
                    allowed=Decimals(expected_of(one)),
                )  # fmt: skip


def columns_left_empty(subject: Subject) -> Iterator[Finding]:
    """Repeats of which one was never taken, such as the second direction of a diameter.

    False alarms: none; the cells are empty.
    """
    practical = subject.practical
    series = {key for line in practical.lines.values() for key in line.y}
    for block in practical.blocks.values():
        empty = [k for k in block if not _any_typed(subject, k)]
        if empty and len(empty) < len(block) and series.isdisjoint(empty):
            titles, place = _titles(subject, empty), subject.place(empty[0], 0)
            yield finding("series-empty", Severity.NOTE, place, titles=titles, count=len(empty))


def _any_typed(subject: Subject, key: str) -> bool:
    return any(subject.typed(key, row) for row in range(subject.practical.field(key).rows))


def _of_a_line(subject: Subject, key: str, row: int) -> bool:
    """Whether a line says itself that its abscissa, or one of its passes, is missing in a row."""
    return any(
        (key in line.y or key in subject.practical.leaves(line.x))
        and any(subject.numbers.value(y, row) is not None for y in line.y)
        for line in subject.practical.lines.values()
    )


def tenths_left_out(subject: Subject) -> Iterator[Finding]:
    """The one reading of a column without tenths of a division, where all others have them.

    By chance one reading of ten has none, and so every third careful column has just one: a note
    that asks, no more. Nothing is said of fewer than six readings.
    """
    for key, one in subject.practical.inputs.items():
        if one.table is None or not key.endswith(".coincidence"):
            continue
        typed = subject.typed_numbers(key)
        whole = [(row, value) for row, value in typed.items() if value == int(value)]
        if len(typed) >= FEWEST_TENTHS and len(whole) == 1:
            row, value = whole[0]
            yield finding(
                "digits-left-out_tenths", Severity.NOTE, subject.place(key, row), title=one.title,
                value=Decimals(f"{value:g}"), row=row + 1, count=len(typed) - 1,
            )  # fmt: skip


def short_tables(subject: Subject) -> Iterator[Finding]:
    """Tables with fewer usable rows than the practical asks for."""
    practical = subject.practical
    if subject.evaluation.measurand is None:
        # what stands in the way of the result was said; the rows may be good
        return
    for instrument in practical.definition.instruments:
        key = f"{instrument.id}.zero_reading"
        count = _count(subject, key) if instrument.zero_rows else FEWEST_ZEROS
        if count < FEWEST_ZEROS:
            place, title = subject.place(key, 0), instrument.title
            yield finding(
                "few-zero-readings", Severity.NOTE, place,
                instrument=title, count=count, least=FEWEST_ZEROS,
            )  # fmt: skip
    for table in practical.definition.tables:
        formulas = [f"{table.id}.{c.id}" for c in table.columns if c.formula]
        columns = [key for key in formulas if not _looks_back(subject, key)] or [
            key for c in table.columns for key in practical.columns(f"{table.id}.{c.id}")
        ]
        usable = min(_count(subject, key) for key in columns)
        typed = any(
            _given(subject, key) for key, one in practical.inputs.items() if one.table == table.id
        )
        if typed and usable < table.minimum_rows:
            place, least = subject.place(columns[0], 0), table.minimum_rows
            yield finding(
                "too-few-rows", Severity.DOUBTFUL, place,
                title=table.title, count=usable, least=least,
            )  # fmt: skip


def _looks_back(subject: Subject, key: str) -> bool:
    """Whether a column needs rows above: its first rows are empty by right."""
    practical, one = subject.practical, subject.practical.field(key)
    if isinstance(one, InputField):
        return False
    backwards = ("line_before", "first", "previous")
    return any(isinstance(p, Call) and p.function in backwards for p in walk(one.node)) or any(
        _looks_back(subject, inner)
        for inner in practical.depends(one.node)
        if practical.field(inner).table == one.table
    )


def reasons_that_are_none(subject: Subject) -> Iterator[Finding]:
    """Entries such as “no” or “x” where a reason for leaving a row out is asked for."""
    for key in subject.practical.reasons():
        for row, entry in enumerate(subject.observations.entries.get(key, ())):
            text = entry.text.strip()
            if 0 < len(text) < LEAST_REASON:
                yield finding(
                    "reason-too-short", Severity.NOTE, entry.place, text=text, row=row + 1
                )


def rows_left_out(subject: Subject) -> Iterator[Finding]:
    """Rows that a person left out: said for each, and doubtful where they are many."""
    practical = subject.practical
    for table in practical.definition.tables:
        rows = [one for one in subject.evaluation.left_out if one.table == table.id]
        inputs = [k for k, one in practical.inputs.items() if one.table == table.id]
        filled = sum(
            any(subject.observations.entry(k, row).value is not None for k in inputs)
            for row in range(practical.tables[table.id])
        )
        for one in rows:
            place = subject.place(f"{table.id}.{LEFT_OUT}", one.row)
            said = {"row": one.row + 1, "title": table.title, "reason": one.reason}
            if len(rows) <= MOST_LEFT_OUT * filled:
                yield finding("row-left-out", Severity.NOTE, place, **said)
            else:
                most = round(100.0 * MOST_LEFT_OUT)
                yield finding("row-left-out_many", Severity.DOUBTFUL, place, **said, most=most)


def limits_far_off(subject: Subject) -> Iterator[Finding]:
    """Permissible errors of ten times that of the register, or else of the definition, or more.

    False alarms: none by chance; another instrument of the kind does not differ by so much.
    """
    practical = subject.practical
    known_limits = issued_limits(practical, subject.bound, subject.evaluation.profile.inputs)
    for key, known in known_limits.items():
        one, entry = practical.inputs[key], subject.observations.entry(key)
        if entry.value is not None and entry.value >= FAR_LIMIT * known:
            yield finding(
                "limit-doubtful", Severity.DOUBTFUL, entry.place, owner=practical.owner(key),
                title=one.title, value=amount(entry.value, one.unit),
                times=plain(entry.value / known, 3), known=amount(known, one.unit),
            )  # fmt: skip


def defaults_used(subject: Subject) -> Iterator[Finding]:
    """Empty cells for which the practical has a value of its own."""
    practical = subject.practical
    for key, one in practical.inputs.items():
        if one.default is not None and subject.observations.entry(key).value is None:
            yield finding(
                "default-used", Severity.NOTE, subject.place(key, None),
                title=one.title, owner=practical.owner(key), value=amount(one.default, one.unit),
            )  # fmt: skip
    for derived in practical.derived.values():
        yield from _constant_used(subject, derived)


def _constant_used(subject: Subject, one: DerivedField) -> Iterator[Finding]:
    if not (isinstance(one.node, Call) and one.node.function == "first_given"):
        return
    practical = subject.practical
    passed: list[str] = []
    for argument in one.node.arguments:
        if evaluate(argument, subject.numbers) is None:
            passed += [argument.key] if isinstance(argument, Name) else []
            continue
        constant = practical.derived.get(argument.key) if isinstance(argument, Name) else None
        if constant is not None and isinstance(constant.node, Number):
            inputs = [k for key in passed for k in practical.leaves(key)]
            yield finding(
                "constant-used", Severity.NOTE, subject.place([*inputs, constant.key][0], None),
                title=one.title, constant=constant.title, value=subject.shown(constant.key),
                wanted=", ".join(practical.inputs[k].title.lower() for k in inputs),
            )  # fmt: skip
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
            value = subject.numbers.shown(key, row if one.table is not None else None)
            if entry.value is None or value is None or not math.isfinite(value):
                continue
            size = max(abs(value), abs(entry.value))
            if not abs(value - entry.value) <= SHOWN_TOLERANCE * size + SHOWN_LEAST:
                off.append((entry.place, entry.value, value))
        if off:
            place, shown, value = off[0]
            yield finding(
                "formula-altered", Severity.NOTE, place, title=one.title,
                cells=", ".join(where.cell for where, _, _ in off), shown=Decimals(f"{shown:.6g}"),
                value=Decimals(f"{value:.6g}"),
            )  # fmt: skip
