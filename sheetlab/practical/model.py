"""A definition made ready: every input, every derived value, every check under one flat name."""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct, field

from sheetlab.formula.tree import Call, Node, names, walk
from sheetlab.practical.bench_fields import Forward
from sheetlab.practical.definition import Definition, Instrument, Table
from sheetlab.practical.fields import (
    LEFT_OUT,
    CheckField,
    CurveField,
    DerivedField,
    Field,
    InputField,
    LineField,
    StressField,
)

MOST_KEPT = 2000


class Practical(Struct, frozen=True):
    """A definition with everything resolved. ``derived`` is in the order of evaluation."""

    definition: Definition
    source_text: str
    digest: str
    runs: int
    inputs: Mapping[str, InputField]
    derived: Mapping[str, DerivedField]
    blocks: Mapping[str, tuple[str, ...]]
    checks: tuple[CheckField, ...]
    lines: Mapping[str, LineField]
    curves: Mapping[str, CurveField]
    tables: Mapping[str, int]
    """Number of rows of each table; the zero readings of an instrument are a table too."""
    accepted: Mapping[tuple[str, int], Node]
    """Accepted values, in SI units, by quantity of the result and position in its list."""
    forward: Forward | None = None
    """How readings are invented; None if the definition has no bench."""
    stress: StressField | None = None
    """What the loads do; None if the definition does not say."""
    _uses: dict[int, tuple[Node, tuple[str, ...]]] = field(default_factory=dict)
    """What formulas use, by identity, worked out once for all workbooks of this definition."""
    _below: dict[str, frozenset[str]] = field(default_factory=dict)
    _leaves: dict[str, tuple[str, ...]] = field(default_factory=dict)
    _calls: dict[str, tuple[tuple[str, Call], ...]] = field(default_factory=dict)

    def field(self, key: str) -> Field:
        """A field by its key."""
        return self.inputs[key] if key in self.inputs else self.derived[key]

    def owner(self, key: str) -> str:
        """Title of the instrument or table that a field belongs to; of the practical if none."""
        name = key.split(".", maxsplit=1)[0]
        owners: tuple[Instrument | Table, ...] = (
            *self.definition.instruments,
            *self.definition.tables,
        )
        return next((o.title for o in reversed(owners) if o.id == name), self.definition.title)

    def columns(self, key: str) -> tuple[str, ...]:
        """The columns behind a name."""
        return self.blocks.get(key, (key,))

    def depends(self, node: Node) -> tuple[str, ...]:
        """Fields that a formula uses directly; not the texts that it only asks for."""
        known = self._uses.get(id(node))
        if known is not None and known[0] is node:
            return known[1]
        used = tuple(
            column
            for key in names(node)
            for column in self.columns(key)
            if column in self.derived or self.inputs[column].kind != "text"
        )
        if len(self._uses) < MOST_KEPT:
            self._uses[id(node)] = node, used
        return used

    def below(self) -> Mapping[str, frozenset[str]]:
        """What each field depends on, itself included; worked out once."""
        if not self._below:
            self._below.update((key, frozenset((key,))) for key in self.inputs)
            for key, value in self.derived.items():
                below = (self._below[inner] for inner in self.depends(value.node))
                self._below[key] = frozenset((key,)).union(*below)
        return self._below

    def leaves(self, key: str) -> tuple[str, ...]:
        """Inputs that a name depends on, itself if it is one, in reading order; worked out once."""
        if key not in self._leaves:
            leaves: list[str] = []
            for column in self.columns(key):
                if column in self.inputs:
                    leaves.append(column)
                else:
                    below = self.depends(self.derived[column].node)
                    leaves += [leaf for name in below for leaf in self.leaves(name)]
            self._leaves[key] = tuple(dict.fromkeys(leaves))
        return self._leaves[key]

    def calls(self, function: str) -> tuple[tuple[str, Call], ...]:
        """Where formulas call a function: key of the field and the call; worked out once."""
        if function not in self._calls:
            self._calls[function] = tuple(
                (key, part)
                for key, value in self.derived.items()
                for part in walk(value.node)
                if isinstance(part, Call) and part.function == function
            )
        return self._calls[function]

    def read_with(self, instrument: str) -> tuple[str, ...]:
        """Columns of numbers that are typed for readings of an instrument, its zero left out."""
        return tuple(
            key
            for key, cell in self.inputs.items()
            if cell.table is not None and cell.kind == "number"
            for reading in (self.derived.get(key.rpartition(".")[0]),)
            if instrument in (cell.instrument, reading.instrument if reading else None)
        )

    def simultaneous(self, table: str | None) -> bool:
        """Whether the readings in a row of a table were taken together."""
        return all(t.simultaneous for t in self.definition.tables if t.id == table)

    def reasons(self) -> tuple[str, ...]:
        """Columns in which rows are left out with a reason."""
        return tuple(key for key in self.inputs if key.endswith(f".{LEFT_OUT}"))
