"""What is known of a filled workbook before anything is said of it."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property

from msgspec import Struct

from sheetlab.practical.evaluate import Evaluation, Numbers
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import Observations
from sheetlab.practical.study import LineStudy, study


class Evaluated(Struct, frozen=True, dict=True):
    """One filled workbook with its numbers; own results are judged by these alone."""

    practical: Practical
    observations: Observations
    numbers: Numbers
    evaluation: Evaluation

    @cached_property
    def studies(self) -> tuple[LineStudy, ...]:
        """Every line looked at from all sides."""
        return tuple(study(self.numbers, line) for line in self.evaluation.lines.values())

    def undone(self) -> Iterator[Numbers]:
        """Numbers with a slip through the whole workbook undone; of none that is known, nothing."""
        return iter(())
