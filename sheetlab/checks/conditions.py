"""The conditions that a definition states: of a reading, of a row, of the whole."""

from __future__ import annotations

import math
from collections.abc import Iterator

from sheetlab.checks.bound import MOST_DRIFT
from sheetlab.checks.results import is_far
from sheetlab.checks.subject import Subject, amount, oddities, would_fit
from sheetlab.finding import Finding, Severity, as_one, asked, finding
from sheetlab.formula.tree import Call, names, walk
from sheetlab.formula.values import evaluate
from sheetlab.messages import phrase, said
from sheetlab.metrology.linetests import median
from sheetlab.practical.edits import ZERO_EDITS, whole_edits
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.fields import CheckField, InputField


def impossible_readings(subject: Subject) -> Iterator[Finding]:
    """Parts of readings that no scale can show. They come first: much else follows from them."""
    for check in subject.practical.checks:
        if check.reading:
            yield from _broken(subject, check)


def broken_conditions(subject: Subject) -> Iterator[Finding]:
    """Checks of rows and of the whole that do not hold.

    A check without its readings says nothing. Neither does one in whose row a reading has been
    named already: it would only repeat what follows from that.
    """
    groups: dict[object, list[CheckField]] = {}
    for check in subject.practical.checks:
        if not check.reading and not check.live_only:
            alike = (check.code, check.table) if check.once else id(check)
            groups.setdefault(alike, []).append(check)
    for checks in groups.values():
        broken = [one for check in checks for one in _broken(subject, check)]
        yield from [as_one(broken)] if broken and checks[0].once else broken


def _broken(subject: Subject, check: CheckField) -> Iterator[Finding]:
    rows: tuple[int | None, ...] = tuple(range(check.rows)) if check.table else (None,)
    for row in rows:
        if evaluate(check.node, subject.numbers, row) is not False:
            continue
        if not check.reading and _follows(subject, check, row):
            continue
        yield asked(
            check.code,
            Severity(check.severity),
            _found(subject, check, row),
            check.expected,
            _would_fit(subject, check, row) + check.question,
            subject.place(_farthest(subject, check, row), row),
        )


def _farthest(subject: Subject, check: CheckField, row: int | None) -> str:
    """Of repeated readings the one that is farthest from the middle one."""
    values = {key: subject.numbers.value(key, row) for key in subject.block(check.at)}
    present = {key: v for key, v in values.items() if v is not None}
    if len(present) < 3:
        return check.at
    middle = median(list(present.values()))
    return max(present, key=lambda key: abs(present[key] - middle))


def _columns(subject: Subject, check: CheckField) -> list[str]:
    """Columns of the check's own table that its condition looks at."""
    return [
        column
        for key in names(check.node)
        for column in subject.practical.columns(key)
        if subject.practical.field(column).table == check.table
    ]


def _follows(subject: Subject, check: CheckField, row: int | None) -> bool:
    if row is None:
        return False
    back = any(isinstance(part, Call) and part.function == "previous" for part in walk(check.node))
    rows = (row, row - 1) if back else (row,)
    return any((c, r) in subject.suspects for c in _columns(subject, check) for r in rows)


def _found(subject: Subject, check: CheckField, row: int | None) -> str:
    practical, keys = subject.practical, [check.at]
    if check.table is not None and not check.reading:
        keys = _columns(subject, check) or keys
    # a condition on a whole column: its first cell is the one that is asked about
    where = None if practical.field(keys[0]).table is None else row or 0
    values = (f"“{practical.field(key).title}” is {_typed(subject, key, where)}" for key in keys)
    text = f"{', '.join(values)}{subject.row_words(where)}"
    if check.reading and _choice(subject, check.at) is not None:
        text += f", which makes {subject.shown(check.reading, row)}"
    return text


def _choice(subject: Subject, key: str) -> InputField | None:
    """An input whose text is chosen."""
    one = subject.practical.inputs.get(key)
    return one if one is not None and one.kind == "choice" else None


def _typed(subject: Subject, key: str, row: int | None) -> str:
    """A value with every digit that was typed: one too many may be what is complained of."""
    one, value = subject.practical.field(key), subject.numbers.shown(key, row)
    if _choice(subject, key) is not None:
        return f"“{subject.shown(key, row)}”"
    if not isinstance(one, InputField) or value is None or one.decimals is None:
        return subject.shown(key, row)
    lost = abs(value - round(value, one.decimals)) > 1e-9 * abs(value)
    return amount(value, one.unit, None, 10) if lost else subject.shown(key, row)


def _would_fit(subject: Subject, check: CheckField, row: int | None) -> str:
    """What would stand there with the zero mark on the other side, where that mends it."""
    numbers = subject.numbers
    if check.reading:
        side = _choice(subject, check.at)
        return "" if side is None else _of_zero_mark(subject, check, side, row)
    # what explains everything goes before what mends this condition alone
    alone = () if check.table is not None else whole_edits(numbers, (*ZERO_EDITS, "zero-count"))
    for edit in (*subject.whole_slips, *alone):
        changed = numbers.changed(edit.changes)
        # a condition that leaves a case to another one may hold because that one breaks
        better = oddities(subject, changed) < oddities(subject, numbers)
        if evaluate(check.node, changed, row) is True and (better or check.table is not None):
            value = _value(subject, changed, check.at, row)
            return said(phrase("would-fit-as-if", value=value, slips=edit.words)) + " "
    return ""


def _of_zero_mark(subject: Subject, check: CheckField, one: InputField, row: int | None) -> str:
    """What the zero error would be with another side, or counted the other way on this side.

    If one of them is that of the register within two divisions, only that.
    """
    numbers, instrument = subject.numbers, check.reading.partition(".")[0]
    meant: list[tuple[float, str]] = []
    sides = [({(check.at, row): code}, f"“{one.title}” said “{text}”")
             for text, code in zip(one.choices, one.choice_values, strict=True)]  # fmt: skip
    place = f"{check.reading}.coincidence", row
    counts = [
        ({place: edit.changes[place]}, f"{edit.changes[place]:g} stood at the line")
        for edit in whole_edits(numbers, ("zero-count",))
        if place in edit.changes
    ]
    for changes, words in (*sides, *counts):
        changed = numbers.changed(changes)
        if evaluate(check.node, changed, row) is True:
            value = changed.shown(check.reading, row)
            fit = f"{_value(subject, changed, check.reading, row)} would fit if {words}"
            meant.append((math.inf if value is None else value, fit))
    bound = () if subject.bound is None else subject.bound.instruments
    known = next((b for b in bound if b.instrument == instrument and b.zeros), None)
    least = numbers.shown(f"{instrument}.least_count") or 0.0
    if known is not None:
        near = [m for m in meant if abs(m[0] - known.zeros[-1].zero) <= MOST_DRIFT * least]
        meant = near or meant
    return "; ".join(words for _, words in meant) + ". " if meant else ""


def _value(subject: Subject, numbers: Numbers, key: str, row: int | None) -> str:
    one, value = subject.practical.field(key), numbers.shown(key, row)
    return "nothing" if value is None else amount(value, one.unit, one.decimals)


def implausible_quantities(subject: Subject) -> Iterator[Finding]:
    """Quantities outside the range that the practical can have.

    Not those that are far from their accepted value: that says more. False alarms: none by chance,
    the ranges hold everything that is ever measured.
    """
    far = {r.definition.quantity for r in subject.evaluation.results if r and is_far(subject, r)}
    for key, one in subject.practical.derived.items():
        value = subject.numbers.shown(key) if one.table is None else None
        if one.plausible is None or value is None or key in far:
            continue
        low, high = one.plausible
        if not low <= value <= high:
            fits = [
                edit.words for edit in subject.whole_slips
                if low <= (subject.numbers.changed(edit.changes).shown(key) or math.inf) <= high
            ]  # fmt: skip
            yield finding(
                "implausible", Severity.DOUBTFUL, subject.place(key, 0), title=one.title,
                value=amount(value, one.unit), low=amount(low, one.unit),
                high=amount(high, one.unit), slips=would_fit(fits),
            )  # fmt: skip
