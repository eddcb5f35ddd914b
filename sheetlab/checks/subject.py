"""What a check looks at: a practical, its observations and the plain values; and how it speaks."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from sheetlab.finding import Place
from sheetlab.formula.values import evaluate
from sheetlab.metrology.budget import student_t
from sheetlab.practical.evaluate import Evaluation, LineResult, Numbers, leaf_inputs
from sheetlab.practical.model import DerivedField, InputField, Practical
from sheetlab.practical.observations import Observations
from sheetlab.practical.study import LineStudy, study
from sheetlab.units import Unit

if TYPE_CHECKING:
    from sheetlab.checks.diagnosis import AnswerDiagnosis

FALSE_ALARM = 0.01
FEWEST_POINTS = 6


def far_points(line: LineResult) -> list[int]:
    """Points of a line that its scatter does not explain (see ``lines.points_off_the_line``)."""
    fit = line.fit
    if len(fit.points) < FEWEST_POINTS or fit.dof < 3:
        return []
    limit = student_t(1.0 - FALSE_ALARM / len(fit.points), fit.dof - 1)
    return [i for i, studentised in enumerate(fit.studentised()) if abs(studentised) > limit]


@dataclass(frozen=True)
class Subject:
    """One filled workbook, evaluated, before its findings are known."""

    practical: Practical
    observations: Observations
    numbers: Numbers
    evaluation: Evaluation

    @property
    def file(self) -> str:
        """File that the observations came from."""
        return self.observations.file

    @cached_property
    def impossible(self) -> frozenset[tuple[str, int]]:
        """Readings (column and row) with a part that no scale can show."""
        return frozenset(
            (check.reading, row)
            for check in self.practical.checks
            if check.reading
            for row in range(check.rows)
            if evaluate(check.node, self.numbers, row) is False
        )

    @cached_property
    def studies(self) -> tuple[LineStudy, ...]:
        """Every line looked at from all sides."""
        return tuple(study(self.numbers, line) for line in self.evaluation.lines.values())

    @cached_property
    def answers(self) -> tuple[AnswerDiagnosis, ...]:
        """The student's own results, judged."""
        # the diagnosis looks at subjects
        from sheetlab.checks.diagnosis import diagnose

        return diagnose(self)

    @cached_property
    def suspects(self) -> frozenset[tuple[str, int]]:
        """Readings that a finding names: impossible ones, and those off their line."""
        off = {
            (line.field.y[line.fit.points[i].series], line.rows[i])
            for line in self.evaluation.lines.values()
            for i in far_points(line)
        }
        return self.impossible | off

    def place(self, key: str, row: int | None) -> Place:
        """Cell of an input, or of the first input behind a derived value."""
        one = self.practical.field(key)
        if isinstance(one, DerivedField) and one.table is None:
            columns = [c for c in self.practical.depends(one.node) if self._in_table(c)]
            if not columns:
                # worked out from several things: no single cell is to blame
                return Place(file=self.file)
            return self.place(columns[0], 0)
        for name in leaf_inputs(self.practical, key):
            its_row = row if self.practical.inputs[name].table is not None else None
            return self.observations.entry(name, its_row).place
        return Place(file=self.file)

    def _in_table(self, key: str) -> bool:
        return self.practical.field(key).table is not None

    def shown(self, key: str, row: int | None = None) -> str:
        """A value as text with its unit; “nothing” where it is missing."""
        one = self.practical.field(key)
        value = self.numbers.shown(key, row)
        if isinstance(one, InputField) and one.kind != "number":
            return self.observations.entry(key, row).text or "nothing"
        return "nothing" if value is None else amount(value, one.unit, one.decimals)

    def row_words(self, row: int | None) -> str:
        """“ in row 3” for a sentence; nothing outside a table."""
        return "" if row is None else f" in row {row + 1}"


def amount(value: float, unit: Unit, decimals: int | None = None) -> str:
    """A number with its unit for a sentence."""
    if decimals is None or (value and abs(value) < 10.0**-decimals):
        text = f"{value:.6g}"
    else:
        text = f"{value:.{decimals}f}"
    return f"{text} {unit.pretty}".strip().replace("-", "−")
