"""Plain values of a practical: what its cells show, worked out in floats. All in SI units."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import ModuleType

from msgspec import Struct, field

from sheetlab.formula.functions import Aggregate
from sheetlab.formula.values import evaluate
from sheetlab.practical.fields import LEAST_REASON, InputField, SourceSpec
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import Observations

Cells = float | None | list[float | None]


class Numbers(Struct):
    """Plain values of every field, the environment of formulas over floats."""

    practical: Practical
    observations: Observations
    library: ModuleType = math
    known: dict[str, Cells] = field(default_factory=dict)

    def cells(self, key: str) -> Cells:
        """The value of a quantity or the values of a column, worked out when first asked for."""
        if key not in self.known:
            value = self.practical.field(key)
            rows = [None] if value.table is None else list(range(value.rows))
            if isinstance(value, InputField):
                column = [self._typed(value, row) for row in rows]
            else:
                column = [evaluate(value.node, self, row) for row in rows]
            self.known[key] = column[0] if value.table is None else column
        return self.known[key]

    def _typed(self, cell: InputField, row: int | None) -> float | None:
        entry = self.observations.entry(cell.key, row)
        if cell.kind == "text":
            # formulas only ask whether there is one
            return 1.0 if len(entry.text.strip()) >= LEAST_REASON else None
        value = cell.default if entry.value is None else entry.value
        return None if value is None else cell.unit.to_si(value)

    def changed(self, changes: Mapping[tuple[str, int | None], float | None]) -> Numbers:
        """The values with other numbers, or none, in some input cells, as cells show them.

        What does not depend on those cells is taken over instead of being worked out again.
        """
        touched, below = {key for key, _ in changes}, self.practical.below()
        kept = {k: v for k, v in self.known.items() if touched.isdisjoint(below[k])}
        observations = self.observations.changed(changes)
        return Numbers(self.practical, observations, self.library, kept)

    def value(self, key: str, row: int | None) -> float | None:
        """A quantity, or the element of a column in a row, in SI units."""
        try:
            cells = self.known[key]
        except KeyError:
            cells = self.cells(key)
        if cells.__class__ is not list:
            return cells  # type: ignore[return-value]
        return cells[row] if row is not None and 0 <= row < len(cells) else None

    def column(self, key: str) -> list[float | None]:
        """A whole column in SI units; None where missing."""
        column = self.cells(key)
        assert isinstance(column, list)
        return column

    def columns(self, key: str) -> Sequence[str]:
        """The columns behind a name."""
        return self.practical.columns(key)

    def aggregate(self, rule: Aggregate, columns: Sequence[str]) -> float | None:
        """A statistic of whole columns; None if it has too few values."""
        return rule.value([self.column(key) for key in columns])

    def shown(self, key: str, row: int | None = None) -> float | None:
        """A value in the unit of its field, as its cell shows it."""
        value = self.value(key, row)
        return None if value is None else self.practical.field(key).unit.from_si(value)

    def division(self, *keys: str) -> float:
        """One division of the scale of readings, SI units; 0 where none of them is a reading.

        Of a scale whose division was not typed the last decimal of its readings: nothing finer was
        read, so that nothing finer can be known of their scatter.
        """
        halves = [
            0.5 * self._last_decimal(key) if half is None else half
            for key in keys
            for spec in self.practical.field(key).sources
            if spec.rounding
            for half in (self.half_width(spec),)
        ]
        return 2.0 * max(halves, default=0.0)

    def _last_decimal(self, key: str) -> float:
        """Step of the finest decimal typed with the scale of a reading, SI units; 0 if none is."""
        reading = self.practical.field(key)
        decimals = [
            len(f"{entry.value:.9f}".rstrip("0").partition(".")[2])
            for cell in self.practical.inputs.values()
            if reading.instrument
            and (cell.instrument, cell.table) == (reading.instrument, reading.table)
            for entry in self.observations.entries.get(cell.key, ())
            if entry.value is not None
        ]
        return 10.0 ** -max(decimals) * reading.unit.factor if decimals else 0.0

    def half_width(self, spec: SourceSpec) -> float | None:
        """Half-width of a source in SI units, or as a fraction; None while it is unknown."""
        half: float | None = evaluate(spec.half_width, self)
        return half
