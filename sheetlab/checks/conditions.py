"""The conditions that a definition states: of a reading, of a row, of the whole."""

from __future__ import annotations

from collections.abc import Iterator

from sheetlab.checks.subject import Subject, amount
from sheetlab.finding import Finding, Severity
from sheetlab.formula.values import evaluate


def broken_conditions(subject: Subject) -> Iterator[Finding]:
    """Checks whose condition does not hold; a check without its readings says nothing."""
    practical = subject.practical
    for check in practical.checks:
        rows: tuple[int | None, ...] = tuple(range(check.rows)) if check.table else (None,)
        title = practical.field(check.at).title
        for row in rows:
            if evaluate(check.node, subject.numbers, row) is not False:
                continue
            where = row if practical.field(check.at).table is not None else None
            yield Finding(
                check.code,
                Severity(check.severity),
                f"“{title}” is {subject.shown(check.at, where)}{subject.row_words(where)}",
                check.expected,
                check.question,
                subject.place(check.at, where),
            )


def implausible_quantities(subject: Subject) -> Iterator[Finding]:
    """Quantities outside the range that the practical can have."""
    for key, one in subject.practical.derived.items():
        value = subject.numbers.shown(key) if one.table is None else None
        if one.plausible is None or value is None:
            continue
        low, high = one.plausible
        if not low <= value <= high:
            yield Finding(
                "implausible",
                Severity.DOUBTFUL,
                f"{one.title} comes to {amount(value, one.unit)}",
                f"something between {amount(low, one.unit)} and {amount(high, one.unit)}",
                "Look for a reading in the wrong unit or in the wrong column.",
                subject.place(key, 0),
            )
