"""Which finding is told first: the one rule for the order of findings of a workbook."""

from __future__ import annotations

import math
from collections.abc import Iterable

from sheetlab.checks.subject import Subject
from sheetlab.finding import Finding, Severity, worst_first

EXPLAIN = frozenset(
    {"cells-lost", "rows-shifted", "definition-altered", "other-set-up", "outside-limits",
     "scale-backwards", "divisions-doubtful", "unit-doubtful", "steps-not-totals", "order-of-time",
     "zero-error-large"}
)  # fmt: skip
"""Findings that explain whatever else is odd."""
EFFECTS = frozenset({"far-from-accepted", "not-as-expected", "implausible", "result-undetermined"})
"""What follows from something else; told after it, if that is large enough."""
SINGLE = frozenset(
    {"point-off-line", "repeat-off", "coincidence-outside-scale", "main-scale-off-graduation"}
)
"""Findings about one reading each, told in the order of what it does to the result."""
FORM = frozenset(
    {"finer-than-scale", "digits-left-out", "number-as-text", "formula-for-reading",
     "formula-overwritten", "formula-altered", "protection-removed", "hidden-readings"}
)  # fmt: skip
"""How something was typed, while its number is used as it stands."""
READ = frozenset(
    {"not-a-number", "not-a-choice", "date-for-number", "time-for-number", "reading-incomplete"}
)
"""Something left out, which matters only where the result rests on it."""
FIRST, UNEXPLAINED, CAUSE, EFFECT, LAST = range(5)
ENOUGH = 0.5
"""Part of the distance to the accepted value that one reading has to make to be its cause."""
FAR = math.log(2.0)
"""|ln| of result over accepted value from which a slip that fits is told before other causes."""
NO_BOOK = 0.3
"""|ln| of the change that counts as a cause where there is no accepted value."""


def gravest_first(subject: Subject, findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings without repeats: by severity, then by what they do to the result.

    Of one severity come first those that explain everything else, then a result far off that no
    other finding explains, then causes (single readings by the size of their effect), then
    effects, at last matters of form and cells that the result does not rest on; otherwise in the
    order they were made.
    """
    found = worst_first(findings)
    heavy = [f for f in found if f.severity is not Severity.NOTE]
    if len(heavy) < 2:
        return found
    weigher = _Weigher(subject, heavy)
    # a note does nothing to the result
    notes = [f for f in found if f.severity is Severity.NOTE]
    ranked = weigher.by_effect(heavy)
    return tuple([f for f in ranked if f.severity is Severity.STOP] +
                 [f for f in ranked if f.severity is Severity.DOUBTFUL] + notes)  # fmt: skip


class _Weigher:
    def __init__(self, subject: Subject, findings: list[Finding]) -> None:
        self.subject = subject
        measurand = subject.evaluation.measurand
        self.key = "" if measurand is None else measurand.definition.quantity
        self.value = None if measurand is None else measurand.budget.value
        self.rests_on = (
            subject.practical.below()[self.key] if self.key else frozenset(subject.practical.inputs)
        )
        self.places = {
            (entry.place.sheet, entry.place.cell): (key, row)
            for key, entries in subject.observations.entries.items()
            for row, entry in enumerate(entries)
            if entry.place.cell
        }
        accepted = None if measurand is None else measurand.accepted
        self.distance = 0.0 if accepted is None else _apart(self.value, accepted.value)
        self.effects = {f: self.effect(f) for f in findings if f.code in SINGLE}
        self.unexplained = self.is_unexplained(findings)

    def by_effect(self, findings: list[Finding]) -> list[Finding]:
        """In the order of ranks; single readings change places among themselves only."""
        ordered = sorted(findings, key=self.rank)
        slots = [i for i, f in enumerate(ordered) if f in self.effects]
        singles = sorted((ordered[i] for i in slots), key=lambda f: -self.effects[f])
        for i, finding in zip(slots, singles, strict=True):
            ordered[i] = finding
        return ordered

    def rank(self, finding: Finding) -> int:
        code = finding.code
        if code in FORM:
            return LAST
        if code in READ or code == "outside-limits":
            key, _ = self.places.get((finding.place.sheet, finding.place.cell), ("", 0))
            if key and key not in self.rests_on:
                return LAST
        if code in EXPLAIN:
            return FIRST
        if code in EFFECTS:
            # what leaves a result undetermined stands in the readings
            first = self.unexplained and code != "result-undetermined"
            return UNEXPLAINED if first else EFFECT
        return CAUSE

    def is_unexplained(self, findings: list[Finding]) -> bool:
        """Whether the result is far off, and no finding about readings accounts for it."""
        if not any(f.code in EFFECTS for f in findings):
            return False
        most = max(self.effects.values(), default=0.0)
        if most >= (ENOUGH * self.distance or NO_BOOK):
            return False
        others = [f for f in findings if self.rank_alone(f) == CAUSE and f not in self.effects]
        # what a pattern or a condition does to the result is not known here
        slip_known = any(
            name == "slips" and value
            for f in findings if f.code in EFFECTS
            for name, value in f.values or ()
        )  # fmt: skip
        return not others or (slip_known and self.distance >= FAR)

    def rank_alone(self, finding: Finding) -> int:
        self.unexplained = False
        return self.rank(finding)

    def effect(self, finding: Finding) -> float:
        """|ln| of the result over that without the reading in a cell; infinite if it needs it.

        Without all repeats of the row where the point of a line is told, which is their mean.
        """
        key, row = self.places.get((finding.place.sheet, finding.place.cell), ("", 0))
        if not key or not self.key:
            return 0.0
        one = self.subject.practical.inputs[key]
        keys: tuple[str, ...] = (key,)
        if finding.code == "point-off-line":
            blocks = self.subject.practical.blocks.values()
            keys = next((block for block in blocks if key in block), keys)
        at = row if one.table is not None else None
        changed = self.subject.numbers.changed({(name, at): None for name in keys})
        return _apart(self.value, changed.value(self.key, None))


def _apart(a: float | None, b: float | None) -> float:
    """|ln| of a ratio; infinite where there is none."""
    if a is None or b is None or not (math.isfinite(a) and math.isfinite(b)) or a * b <= 0.0:
        return math.inf
    return abs(math.log(a / b))


__all__ = ["gravest_first"]
