"""Repeats of a reading within one row, judged by the scatter of all rows together."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec.structs import replace

from sheetlab.checks.subject import Subject, amount, as_if, fitting_edits, rough
from sheetlab.finding import Finding, Severity, finding
from sheetlab.metrology.rowrepeats import FarRepeat
from sheetlab.practical.edits import Edit, reading_edits
from sheetlab.practical.evaluate import Numbers

CLOSE = 0.1
"""Part of the difference that a slip of typing may leave."""


def row_repeats_off(subject: Subject) -> Iterator[Finding]:
    """One repeat of a row that lies far from the others, as repeats of all other rows scatter.

    False alarms: 0.4 % of tables with normal scatter (``rowrepeats.farthest``).
    """
    for far in subject.far_repeats:
        if (far.key, far.row) not in subject.impossible:
            yield _told(subject, far)


def _told(subject: Subject, far: FarRepeat) -> Finding:
    one = subject.practical.field(far.key)
    limit = 2.5 * far.scatter
    distance, scatter = (abs(v) / one.unit.factor for v in (far.off, far.scatter))

    def near(value: float, _: Numbers) -> bool:
        # of several ways to swap digits some gives any small difference
        return abs(value - far.others) <= min(limit, CLOSE * abs(far.off))

    edits = (
        *_miscounted(subject, far, limit),
        *fitting_edits(subject, far.key, far.row, near),
    )
    return finding(
        "repeat-off_row", Severity.DOUBTFUL, subject.place(far.key, far.row),
        title=one.title,
        row=far.row + 1,
        value=subject.shown(far.key, far.row),
        distance=amount(distance, one.unit, one.decimals),
        side="above" if far.off > 0.0 else "below",
        alone=far.alone,
        scatter=rough(scatter, one.unit),
        meant=as_if(subject, far.key, edits),
    )  # fmt: skip


def _miscounted(subject: Subject, far: FarRepeat, limit: float) -> Iterator[tuple[Edit, float]]:
    """One too many or too few counted in this repeat alone, where that fits."""
    practical = subject.practical
    table = practical.field(far.key).table
    for key, one in practical.derived.items():
        if one.table != table:
            continue
        for edit in reading_edits(subject.numbers, key, far.row):
            value = edit.changes.get((far.key, far.row))
            if edit.kind == "count-off" and value is not None and abs(value - far.others) <= limit:
                meaning = replace(edit.meaning, message="as-if-counted-in-reading")
                yield replace(edit, changes={(far.key, far.row): value}, meaning=meaning), value
                return
