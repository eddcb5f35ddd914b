"""A quantity whose own value is explained: its formulas, the units and lines behind their names."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any

from msgspec import Struct

from sheetlab.formula.functions import FUNCTIONS, Aggregate
from sheetlab.formula.tree import Binary, Call, Fitted, Negative, Node, Number, walk
from sheetlab.formula.values import argument_keys
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.fields import LineField, without_condition
from sheetlab.practical.model import Practical
from sheetlab.practical.slips.worlds import World, finite
from sheetlab.practical.study import LineStudy
from sheetlab.units import Unit

LENGTH = (("length", 1.0),)
"""A length, as exponents of a dimension."""


class Candidate(Struct, frozen=True):
    """A slip with what it does to the number."""

    kind: str
    factor: float
    about: tuple[str, ...] = ()
    of: str = ""
    detail: str = ""
    until: float | None = None
    """Other end of a range of factors."""


class Case(Struct, frozen=True, dict=True):
    """A quantity whose own value is explained, in a world in which earlier answers are given."""

    world: World
    target: str
    unit: Unit
    """Of the own value."""
    studies: Sequence[LineStudy] = ()
    every_row: Numbers | None = None
    """Numbers with the rows that were left out; None if none were."""
    g_values: Sequence[float] = ()
    """Values of g that may be used on purpose, m/s²."""
    other_zeros: Sequence[tuple[str, float]] = ()
    """Instruments with the zero errors that they may have had, SI."""

    @property
    def practical(self) -> Practical:
        """The practical."""
        return self.world.practical

    @cached_property
    def right(self) -> float:
        """The number without a slip, SI units; 0 if there is none."""
        return self.world.value(self.target, None) or 0.0

    @cached_property
    def formulas(self) -> dict[str, Node]:
        """Formulas on the way, the nearest first, down to earlier answers and to readings."""
        nodes: dict[str, Node] = {}
        waiting = [self.target]
        while waiting:
            key = waiting.pop(0)
            field = self.practical.derived.get(key)
            if key in nodes or field is None or field.instrument or isinstance(field.node, Number):
                continue
            if key == self.target or key not in self.world.fixed:
                nodes[key] = field.node
                waiting += self.practical.depends(field.node)
        return nodes

    @cached_property
    def changeable(self) -> dict[str, Node]:
        """Those formulas; of a curve, which takes long to fit again, none of its table."""
        costly = any(
            isinstance(part, Fitted) for node in self.formulas.values() for part in walk(node)
        )
        return {
            key: node
            for key, node in self.formulas.items()
            if not (costly and self.practical.field(key).table is not None)
        }

    def factor(self, **changed: Any) -> float:
        """What a change of the world (``World.with_``) does to the number; 0 if it has none."""
        value = finite(self.world.with_(**changed).value(self.target, None))
        return 0.0 if value is None else value / self.right

    def unit_of(self, key: str) -> Unit:
        """Unit of a name in a formula."""
        return self.practical.field(self.practical.columns(key)[0]).unit

    def sizes(self, key: str) -> tuple[float, ...]:
        """SI sizes of the units in which a person may hold the number of a name, its own first."""
        unit = self.unit_of(key)
        lengths = (0.01, 0.001) if unit.dimension.exponents == LENGTH else ()
        return tuple(dict.fromkeys((unit.factor, 1.0, *lengths)))

    def is_a(self, key: str, *dimensions: tuple[tuple[str, float], ...]) -> bool:
        """Whether a name has one of some dimensions."""
        return self.unit_of(key).dimension.exponents in dimensions

    def repeats(self, key: str) -> int:
        """Number of columns behind a name."""
        return len(self.practical.columns(key))

    def study(self, line: LineField | None) -> LineStudy | None:
        """What is known of a line."""
        return next((study for study in self.studies if study.line.field is line), None)


def named(practical: Practical, key: str) -> str:
    """Title and symbol of a quantity, short enough for a sentence."""
    field = practical.field(practical.columns(key)[0])
    title = field.title
    if key in practical.blocks:
        titles = {f"{table.id}.{column.id}": column.title
                  for table in practical.definition.tables for column in table.columns}  # fmt: skip
        title = titles.get(key, title)
    title = title.partition(" = ")[0].partition(":")[0].partition(" (")[0]
    with_symbol = field.symbol and not f" {title}".endswith(f" {field.symbol}")
    return f"{title} {field.symbol}" if with_symbol else title


def arithmetic(practical: Practical, key: str, leaves: set[str] | frozenset[str]) -> Node | None:
    """Formula of a quantity that is worked out from others by arithmetic alone."""
    field = practical.derived.get(key)
    if field is None or field.table is not None or key in leaves:
        return None
    return field.node if isinstance(field.node, Binary | Negative) else None


def statistic_of(node: Node) -> Call | None:
    """The statistic of columns that a formula is, but for its sign."""
    match without_condition(node):
        case Negative(inner) | Call("abs", (inner,)):
            return statistic_of(inner)
        case Call(function) as call if isinstance(FUNCTIONS[function], Aggregate):
            return call
    return None


def columns_of(practical: Practical, call: Call) -> tuple[str, ...]:
    """Columns that a call is given."""
    return tuple(c for key in argument_keys(call) for c in practical.columns(key))


def line_by(practical: Practical, call: Call | None) -> LineField | None:
    """The line whose slope a call gives."""
    wanted = None if call is None else (call.function, columns_of(practical, call))
    lines = practical.lines.values()
    return next((o for o in lines if (o.functions["slope"], o.columns) == wanted), None)


def line_of(practical: Practical, key: str) -> LineField | None:
    """The line whose slope a quantity is, but for its sign."""
    field = practical.derived.get(key)
    return None if field is None else line_by(practical, statistic_of(field.node))
