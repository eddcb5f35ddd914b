"""The student's own results beside those from the student's own readings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sheetlab.checks.subject import Subject, amount
from sheetlab.finding import Finding, Severity
from sheetlab.practical.definition import Answer

TOLERANCE = 0.01
"""Relative difference that rounding on the way may make (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class ComparedAnswer:
    """An answer and the recomputed value, both in the answer's unit."""

    definition: Answer
    unit: str
    given: float | None
    recomputed: float | None

    @property
    def ratio(self) -> float | None:
        """Given value over recomputed value."""
        if self.given is None or not self.recomputed:
            return None
        return self.given / self.recomputed

    @property
    def agrees(self) -> bool | None:
        """Whether the ratio is 1 within the tolerance; None if there is nothing to compare."""
        return None if self.ratio is None else abs(self.ratio - 1.0) <= TOLERANCE


def compared_answers(subject: Subject) -> tuple[ComparedAnswer, ...]:
    """Every answer of the practical with its recomputed value."""
    out = []
    for answer in subject.practical.definition.answers:
        one = subject.practical.inputs[f"answer.{answer.id}"]
        recomputed = None
        if answer.quantity:
            si = subject.numbers.value(answer.quantity, None)
            recomputed = None if si is None else one.unit.from_si(si)
        given = subject.numbers.shown(one.key)
        out.append(ComparedAnswer(answer, one.unit.pretty, given, recomputed))
    return tuple(out)


def answers_that_differ(subject: Subject) -> Iterator[Finding]:
    """Own results that the student's own readings do not give."""
    for answer in compared_answers(subject):
        if answer.agrees is not False:
            continue
        key = f"answer.{answer.definition.id}"
        assert answer.recomputed is not None
        unit = subject.practical.inputs[key].unit
        yield Finding(
            "own-result-differs",
            Severity.NOTE,
            f"own result “{answer.definition.title}” is {subject.shown(key)}",
            f"{amount(answer.recomputed, unit)} from the same readings "
            f"(the own result is {answer.ratio:.4g} times that)",
            "Which step leads to this? Check units, and diameter against radius, first.",
            subject.place(key, None),
        )
