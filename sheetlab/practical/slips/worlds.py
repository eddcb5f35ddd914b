"""Numbers of a practical with something changed: a quantity, a formula, a statistic."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cached_property
from types import ModuleType

from msgspec import Struct, field

from sheetlab.formula.functions import Aggregate
from sheetlab.formula.tree import Node
from sheetlab.formula.values import evaluate
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.fields import DerivedField
from sheetlab.practical.model import Practical

Statistic = tuple[str, tuple[str, ...]]
"""Function of columns and the columns that it is given."""


class World(Struct, dict=True):
    """Numbers in which some quantities, formulas or statistics are others; SI units."""

    parent: Numbers | World
    changed: frozenset[str] = frozenset()
    """Fields that are worked out anew, with all that depends on them."""
    fixed: Mapping[str, float] = field(default_factory=dict)
    nodes: Mapping[str, Node] = field(default_factory=dict)
    statistics: Mapping[Statistic, float] = field(default_factory=dict)
    library: ModuleType = math
    values: dict[tuple[str, int | None], float | None] = field(default_factory=dict)
    aggregates: dict[Statistic, float | None] = field(default_factory=dict)

    @cached_property
    def practical(self) -> Practical:
        """The practical."""
        return self.parent.practical

    @cached_property
    def _below(self) -> Mapping[str, frozenset[str]]:
        return self.practical.below()

    def _as_before(self, key: str) -> bool:
        return self.changed.isdisjoint(self._below[key])

    def value(self, key: str, row: int | None) -> float | None:
        """A quantity, or the element of a column in a row, in SI units."""
        if key in self.fixed:
            return self.fixed[key]
        place = (key, row)
        try:
            return self.values[place]
        except KeyError:
            value = self.values[place] = self._value(key, row)
            return value

    def _value(self, key: str, row: int | None) -> float | None:
        if self._as_before(key):
            return self.parent.value(key, row)
        one = self.practical.field(key)
        if not isinstance(one, DerivedField):
            return None
        if one.table is not None and row not in range(one.rows):
            return None
        value: float | None = evaluate(self.nodes.get(key, one.node), self, row)
        return value

    def columns(self, key: str) -> Sequence[str]:
        """The columns behind a name."""
        return self.practical.columns(key)

    def column(self, key: str) -> list[float | None]:
        """A whole column in SI units; None where missing."""
        if key not in self.fixed and self._as_before(key):
            return self.parent.column(key)
        return [self.value(key, row) for row in range(self.practical.field(key).rows)]

    def aggregate(self, rule: Aggregate, columns: Sequence[str]) -> float | None:
        """A statistic of whole columns."""
        statistic = (rule.name, tuple(columns))
        if statistic in self.statistics:
            return self.statistics[statistic]
        if statistic not in self.aggregates:
            if all(map(self._as_before, columns)):
                self.aggregates[statistic] = self.parent.aggregate(rule, columns)
            else:
                self.aggregates[statistic] = rule.value([self.column(key) for key in columns])
        return self.aggregates[statistic]

    def with_(
        self,
        fixed: Mapping[str, float] = {},
        nodes: Mapping[str, Node] = {},
        statistics: Mapping[Statistic, float] = {},
        at: Sequence[str] = (),
    ) -> World:
        """A world on top of this one; ``at``: the fields that a statistic stands in."""
        changed = frozenset((*fixed, *nodes, *at))
        return World(self, changed, {**self.fixed, **fixed}, nodes, statistics)


def finite(value: float | None) -> float | None:
    """The number, or None if it is missing, infinite or no number."""
    return value if value is not None and math.isfinite(value) else None
