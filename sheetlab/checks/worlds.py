"""Numbers of a practical with something changed: a quantity, a formula, a statistic."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import ModuleType

from msgspec import Struct, field

from sheetlab.formula.functions import Aggregate
from sheetlab.formula.tree import Node
from sheetlab.formula.values import evaluate
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.fields import DerivedField
from sheetlab.practical.model import Practical

Place = tuple[str, tuple[str, ...]]


class World(Struct):
    """Numbers in which some quantities, formulas or statistics are others; SI units."""

    parent: Numbers | World
    below: Mapping[str, frozenset[str]]
    """What each field depends on, itself included."""
    changed: frozenset[str]
    fixed: Mapping[str, float] = field(default_factory=dict)
    nodes: Mapping[str, Node] = field(default_factory=dict)
    statistics: Mapping[Place, float] = field(default_factory=dict)
    library: ModuleType = math
    memory: dict[tuple[str, int | None], float | None] = field(default_factory=dict)
    found: dict[Place, float | None] = field(default_factory=dict)

    @property
    def practical(self) -> Practical:
        """The practical."""
        return self.parent.practical

    def value(self, key: str, row: int | None) -> float | None:
        """A quantity, or the element of a column in a row, in SI units."""
        if key in self.fixed:
            return self.fixed[key]
        if self.changed.isdisjoint(self.below[key]):
            return self.parent.value(key, row)
        place = (key, row)
        if place not in self.memory:
            self.memory[place] = self._value(key, row)
        return self.memory[place]

    def _value(self, key: str, row: int | None) -> float | None:
        one = self.practical.field(key)
        if not isinstance(one, DerivedField) or (one.table is not None and row is None):
            return None
        if row is not None and one.table is not None and not 0 <= row < one.rows:
            return None
        found: float | None = evaluate(self.nodes.get(key, one.node), self, row)
        return found

    def columns(self, key: str) -> Sequence[str]:
        """The columns behind a name."""
        return self.practical.columns(key)

    def column(self, key: str) -> list[float | None]:
        """A whole column in SI units; None where missing."""
        return [self.value(key, row) for row in range(self.practical.field(key).rows)]

    def aggregate(self, rule: Aggregate, columns: Sequence[str]) -> float | None:
        """A statistic of whole columns."""
        place = (rule.name, tuple(columns))
        if place in self.statistics:
            return self.statistics[place]
        if place not in self.found:
            if all(self.changed.isdisjoint(self.below[key]) for key in columns):
                self.found[place] = self.parent.aggregate(rule, columns)
            else:
                self.found[place] = rule.value([self.column(key) for key in columns])
        return self.found[place]

    def with_(
        self,
        fixed: Mapping[str, float] | None = None,
        nodes: Mapping[str, Node] | None = None,
        statistics: Mapping[Place, float] | None = None,
        at: str = "",
    ) -> World:
        """A world on top of this one; ``at``: the field that a statistic stands in."""
        fixed, nodes, statistics = fixed or {}, nodes or {}, statistics or {}
        changed = frozenset((*fixed, *nodes, *((at,) if at else ())))
        return World(self, self.below, changed, {**self.fixed, **fixed}, nodes, statistics)


def finite(value: float | None) -> float | None:
    """The number, or None if it is missing, infinite or no number."""
    return value if value is not None and math.isfinite(value) else None
