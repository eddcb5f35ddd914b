"""Which finding is told first: the one rule for the order of findings of a workbook."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from sheetlab.checks.subject import Subject
from sheetlab.finding import Finding, Severity, worst_first
from sheetlab.practical.evaluate import ResultValue

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
    ordered = worst_first(findings)
    heavy = [f for f in ordered if f.severity is not Severity.NOTE]
    if len(heavy) < 2:
        return ordered
    places = {
        (entry.place.sheet, entry.place.cell): (key, row)
        for key, entries in subject.observations.entries.items()
        for row, entry in enumerate(entries)
        if entry.place.cell
    }
    at = {f: places.get((f.place.sheet, f.place.cell), ("", 0)) for f in heavy}
    singles = {f: _effect(subject, f, *at[f]) for f in heavy if f.code in SINGLE}
    ranks = {f: _rank(subject, f, at[f][0]) for f in heavy}
    if _unexplained(subject, ranks, singles):
        # what leaves a result undetermined stands in the readings
        first = EFFECTS - {"result-undetermined"}
        ranks |= {f: UNEXPLAINED for f, rank in ranks.items() if rank == EFFECT and f.code in first}
    heavy.sort(key=lambda f: ranks[f])
    # single readings change places among themselves only
    by_effect = iter(sorted((f for f in heavy if f in singles), key=lambda f: -singles[f]))
    heavy = [next(by_effect) if f in singles else f for f in heavy]
    # a note does nothing to the result
    notes = [f for f in ordered if f.severity is Severity.NOTE]
    return (*sorted(heavy, key=lambda f: f.severity is not Severity.STOP), *notes)


def _rank(subject: Subject, finding: Finding, key: str) -> int:
    """Rank of a finding alone, at an input (empty: at none)."""
    measurand = subject.evaluation.measurand
    left_out = finding.code in READ or finding.code == "outside-limits"
    if finding.code in FORM:
        return LAST
    if left_out and key and measurand and not _rests_on(subject, measurand, key):
        return LAST
    if finding.code in EXPLAIN:
        return FIRST
    return EFFECT if finding.code in EFFECTS else CAUSE


def _rests_on(subject: Subject, result: ResultValue, key: str) -> bool:
    return key in subject.practical.below()[result.definition.quantity]


def _unexplained(
    subject: Subject, ranks: Mapping[Finding, int], singles: Mapping[Finding, float]
) -> bool:
    """Whether the result is far off, and no finding about readings accounts for it."""
    effects = [f for f in ranks if f.code in EFFECTS]
    measurand = subject.evaluation.measurand
    accepted = None if measurand is None else measurand.accepted
    distance = 0.0
    if measurand is not None and accepted is not None:
        distance = _apart(measurand.budget.value, accepted.value)
    if not effects or max(singles.values(), default=0.0) >= (ENOUGH * distance or NO_BOOK):
        return False
    # what a pattern or a condition does to the result is not known here
    others = [f for f, rank in ranks.items() if rank == CAUSE and f not in singles]
    slip_known = any(dict(f.values or ()).get("slips") for f in effects)
    return not others or (slip_known and distance >= FAR)


def _effect(subject: Subject, finding: Finding, key: str, row: int) -> float:
    """|ln| of the result over that without the reading in a cell; infinite if it needs it.

    Without all repeats of the row where the point of a line is told, which is their mean.
    """
    measurand = subject.evaluation.measurand
    if not key or measurand is None:
        return 0.0
    in_table = subject.practical.inputs[key].table is not None
    keys = subject.block(key) if finding.code == "point-off-line" else (key,)
    changed = subject.numbers.changed({(name, row if in_table else None): None for name in keys})
    return _apart(measurand.budget.value, changed.value(measurand.definition.quantity, None))


def _apart(a: float | None, b: float | None) -> float:
    """|ln| of a ratio; infinite where there is none."""
    if a is None or b is None or not (math.isfinite(a) and math.isfinite(b)) or a * b <= 0.0:
        return math.inf
    return abs(math.log(a / b))
