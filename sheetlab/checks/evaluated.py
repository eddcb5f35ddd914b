"""What is known of a filled workbook before anything is said of it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cached_property

from msgspec import Struct

from sheetlab.finding import Place
from sheetlab.formula.values import evaluate
from sheetlab.metrology.linepatterns import Explained, Observed
from sheetlab.practical.evaluate import Evaluation, LineResult, Numbers
from sheetlab.practical.fields import DerivedField, InputField
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import Entry, Observations
from sheetlab.practical.study import LineStudy, study

LEAST_DIVISIONS = 3.0
"""Nothing is said of a line of what stays within so many divisions."""
SURE = 5.0
"""Standard uncertainties by which two levels have to differ to be told apart."""
FEWEST_WAYS = 6
"""Points on both ways together from which their levels are compared."""


class LineStory(Struct, frozen=True):
    """A line and the patterns in it."""

    line: LineResult
    points: tuple[Observed, ...]
    explained: Explained
    division: float
    """One division of the scale of y, SI; 0 if y is no reading."""

    @property
    def rows(self) -> list[int]:
        """Rows with a point."""
        return self.rows_of(None)

    @property
    def ordered(self) -> bool:
        """Whether rows follow each other in time: the line has a way back."""
        return any(self.line.field.back)

    def rows_of(self, series: int | None) -> list[int]:
        """Rows with a point of a series (None: of any)."""
        return sorted({p.row for p in self.points if series in (None, p.series)})

    def cut_short(self, series: int) -> bool:
        """Whether a series lacks its reading in the first or the last row."""
        own, rows = self.rows_of(series), self.rows
        return own[0] != rows[0] or own[-1] != rows[-1]

    def offset(self, series: int = 0) -> float | None:
        """Level of the other way minus that of a series, in unit of y (SI)."""
        levels = self.explained.levels
        half = len(levels) // 2
        if not self.ordered or not half:
            return None
        found = levels[series + half if series < half else series - half] - levels[series]
        return None if math.isnan(found) else found

    @property
    def ways_differ(self) -> bool:
        """Whether the ways lie apart by more than chance (1 in 10⁵) and three divisions."""
        offset, u = self.offset(), self.explained.u_difference
        if offset is None or u <= 0.0 or len(self.points) < FEWEST_WAYS:
            return False
        return abs(offset) >= max(SURE * u, LEAST_DIVISIONS * self.division)

    def suspects(self) -> Iterator[tuple[str, int]]:
        """Readings (column and row) that a pattern concerns."""
        keys, back, apart = self.line.field.y, self.line.field.back, self.ways_differ
        for point in self.points:
            if (apart and back[point.series]) or any(
                pattern.series in (None, point.series)
                and (pattern.kind != "point" or point.row == pattern.row)
                for pattern in self.explained.patterns
            ):
                yield keys[point.series], point.row


class Evaluated(Struct, frozen=True, dict=True):
    """One filled workbook with its numbers; own results are judged by these alone."""

    practical: Practical
    observations: Observations
    numbers: Numbers
    evaluation: Evaluation

    @property
    def file(self) -> str:
        """File that the observations came from."""
        return self.observations.file

    @cached_property
    def studies(self) -> tuple[LineStudy, ...]:
        """Every line looked at from all sides."""
        return tuple(study(self.numbers, line) for line in self.evaluation.lines.values())

    def undone(self) -> Iterator[Numbers]:
        """Numbers with a slip through the whole workbook undone; of none that is known, nothing."""
        return iter(())

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

    def typed_numbers(self, key: str) -> dict[int, float]:
        """Numbers in the cells of an input, in its unit, by row."""
        entries = enumerate(self.observations.entries.get(key, ()))
        return {row: entry.value for row, entry in entries if entry.value is not None}

    @cached_property
    def not_allowed(self) -> tuple[tuple[InputField, int, Entry], ...]:
        """Numbers outside the limits of their cells, with the row of the cell."""
        return tuple(
            (one, row, entry)
            for key, one in self.practical.inputs.items()
            if one.kind == "number"
            for row, entry in enumerate(self.observations.entries.get(key, ()))
            if entry.value is not None and not allowed(one, entry.value)
        )

    @cached_property
    def beyond_limits(self) -> frozenset[tuple[str, int]]:
        """Numbers in tables (column and row) that are outside the limits of their cells."""
        return frozenset((one.key, row) for one, row, _ in self.not_allowed if one.table)

    @cached_property
    def left_out(self) -> frozenset[tuple[str, int]]:
        """Rows (table and row) that are left out by hand."""
        return frozenset((one.table, one.row) for one in self.evaluation.left_out)

    def block(self, key: str) -> tuple[str, ...]:
        """Columns of repeats that a column is one of; itself alone if of none."""
        blocks = self.practical.blocks.values()
        return next((block for block in blocks if key in block), (key,))

    def place(self, key: str, row: int | None) -> Place:
        """Cell of an input, or of the first input behind a derived value."""
        one = self.practical.field(key)
        if isinstance(one, DerivedField) and one.table is None:
            behind = self.practical.depends(one.node)
            columns = [c for c in behind if self.practical.field(c).table is not None]
            # worked out from several things: no single cell is to blame
            return self.place(columns[0], 0) if columns else Place(file=self.file)
        for name in self.practical.leaves(key):
            in_table = self.practical.inputs[name].table is not None
            return self.observations.entry(name, row if in_table else None).place
        return Place(file=self.file)

    def typed(self, key: str, row: int) -> bool:
        """Whether anything stands in the cells of a reading in a row of its table."""
        table = self.practical.field(key).table
        return any(
            entry.text or entry.value is not None
            for leaf in self.practical.leaves(key)
            if self.practical.inputs[leaf].table == table
            for entry in (self.observations.entry(leaf, row),)
        )


def allowed(one: InputField, value: float) -> bool:
    """Whether a number lies within the limits of its cell, in its unit."""
    low = -math.inf if one.minimum is None else one.minimum
    high = math.inf if one.maximum is None else one.maximum
    return low <= value <= high
