"""The names of a practical while it is made: claimed once, and what each of them stands for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from msgspec import Struct, field

from sheetlab.formula import dimensions
from sheetlab.formula.functions import NAMES
from sheetlab.formula.tree import Call, FormulaError, Name, Node, Number, parse, substitute
from sheetlab.practical.definition import DefinitionError, Uncertainty
from sheetlab.practical.fields import (
    LEFT_OUT,
    CurveField,
    DerivedField,
    Field,
    InputField,
    LineField,
    SourceSpec,
)
from sheetlab.units import Dimension, Unit, UnitError, unit


def unit_at(text: str, where: str) -> Unit:
    """A unit of the definition.

    Raises
    ------
    DefinitionError
        If there is no such unit.
    """
    try:
        return unit(text)
    except UnitError as error:
        raise DefinitionError(where, str(error), "a unit such as mm, kg, s, m/s^2, 1") from error


def formula_at(text: str, where: str, rename: Mapping[str, str] | None = None) -> Node:
    """A formula of the definition; ``rename`` gives the flat names of short ones.

    Raises
    ------
    DefinitionError
        If it is no formula.
    """
    try:
        node = parse(text, NAMES)
    except FormulaError as error:
        raise DefinitionError(where, str(error), error.allowed) from error
    if not rename:
        return node
    return substitute(node, {old: Name(new) for old, new in rename.items()})


def dimension_at(
    text: str,
    node: Node,
    kinds: dimensions.Lookup,
    table: str | None,
    where: str,
) -> Dimension | None:
    """Dimension of a formula in the rows of a table, or of a single one; None: a condition.

    Raises
    ------
    DefinitionError
        If it has none, or uses a name that there is not.
    """
    try:
        return dimensions.check(text, node, kinds, table)
    except FormulaError as error:
        raise DefinitionError(where, str(error), error.allowed) from error


def sources_of(given: Iterable[Uncertainty], key: str, its_unit: Unit) -> tuple[SourceSpec, ...]:
    """Sources that a definition states for the values of this name, which nothing else shares.

    Raises
    ------
    DefinitionError
        If a half-width is a text and no formula.
    """
    return tuple(
        SourceSpec(
            key=f"{key}#{i}",
            label=one.label,
            half_width=formula_at(one.half_width, f"{key}.uncertainty")
            if isinstance(one.half_width, str)
            else Number(one.half_width * (1.0 if one.relative else its_unit.factor)),
            distribution=one.distribution,
            relative=one.relative,
            note=one.note,
        )
        for i, one in enumerate(given)
    )


class Names(Struct):
    """Inputs, derived values, tables, lines and curves by name."""

    asked_rows: Mapping[str, int]
    """Rows of tables that a workbook has more or fewer of than the definition says."""
    inputs: dict[str, InputField] = field(default_factory=dict)
    derived: dict[str, DerivedField] = field(default_factory=dict)
    blocks: dict[str, tuple[str, ...]] = field(default_factory=dict)
    """Columns of names that have several in a row."""
    lines: dict[str, LineField] = field(default_factory=dict)
    curves: dict[str, CurveField] = field(default_factory=dict)
    tables: dict[str, int] = field(default_factory=dict)
    """Number of rows."""
    where: dict[str, str] = field(default_factory=dict)
    """Key of the definition file that a name came from."""

    def claim(self, key: str, where: str) -> None:
        """Take a name.

        Raises
        ------
        DefinitionError
            If it is taken, or no name.
        """
        if key in self.where:
            raise DefinitionError(where, f"the name “{key}” is used twice", "names used once")
        if not all(part.replace("_", "a").isalnum() and part.isascii() for part in key.split(".")):
            raise DefinitionError(where, f"“{key}” is no name", "letters, digits and _")
        self.where[key] = where

    def add_input(self, one: InputField, where: str) -> None:
        """Add something that is typed."""
        self.claim(one.key, where)
        self.inputs[one.key] = one

    def add_derived(self, one: DerivedField, where: str) -> None:
        """Add something that is worked out."""
        self.claim(one.key, where)
        self.derived[one.key] = one

    def add_table(self, key: str, rows: int) -> None:
        """Add a table, with the rows that it has in the workbook at hand."""
        self.tables[key] = self.asked_rows.get(key, rows)

    def field(self, key: str) -> Field | None:
        """What is typed or worked out under a name."""
        return self.inputs.get(key) or self.derived.get(key)

    def title(self, key: str) -> str:
        """Title of what is typed or worked out under a name."""
        return (self.inputs.get(key) or self.derived[key]).title

    def columns(self, key: str) -> tuple[str, ...]:
        """The columns behind a name."""
        return self.blocks.get(key, (key,))

    def kind(self, key: str) -> dimensions.Kind | None:
        """What a formula has to know of a name; None if there is no such name."""
        owner, _, part = key.rpartition(".")
        if owner in self.lines and part in self.lines[owner].functions:
            line = self.lines[owner]
            x, y = self.kind(line.x), self.kind(line.y[0])
            assert x is not None
            assert y is not None
            return dimensions.Kind(y.dimension / x.dimension if part == "slope" else y.dimension)
        one = self.field(self.columns(key)[0])
        if one is None:
            return None
        text = isinstance(one, InputField) and one.kind == "text"
        return dimensions.Kind(one.unit.dimension, one.table, key in self.blocks, text)

    def dimension(self, text: str, node: Node, table: str | None, where: str) -> Dimension | None:
        """Dimension of a formula in these names; see ``dimension_at``."""
        return dimension_at(text, node, self.kind, table, where)

    def kept(self, node: Node, table: str) -> Node:
        """A formula in a row, empty where the row is left out."""
        reason = f"{table}.{LEFT_OUT}"
        return Call("unless", (Name(reason), node)) if reason in self.inputs else node

    def line_calls(self) -> dict[str, Node]:
        """What the names of a line's results stand for."""
        return {
            f"{id_}.{result}": Call(function, tuple(map(Name, line.columns)))
            for id_, line in self.lines.items()
            for result, function in line.functions.items()
        }
