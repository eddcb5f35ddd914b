"""The names of a practical while it is made: claimed once, and what each of them stands for."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from itertools import chain
from typing import Any

from msgspec import Struct, field, to_builtins

from sheetlab.formula import dimensions
from sheetlab.formula.functions import NAMES
from sheetlab.formula.tree import (
    Call,
    FormulaError,
    Name,
    Node,
    Number,
    parse,
    substitute,
)
from sheetlab.practical.definition import DefinitionError, RefusedDefinitionError, Uncertainty
from sheetlab.practical.fields import (
    LEFT_OUT,
    LINE_RESULTS,
    CheckField,
    CurveField,
    DerivedField,
    Field,
    InputField,
    LineField,
    SourceSpec,
)
from sheetlab.practical.structure import nearest
from sheetlab.units import Dimension, Unit, UnitError, unit


def require(good: object, where: str, reason: str, allowed: str = "") -> None:
    """Refuse a key of the definition unless something is true of it.

    Raises
    ------
    DefinitionError
        If it is not.
    """
    if not good:
        raise DefinitionError(where, reason, allowed)


class Refusals(Struct):
    """What is wrong with a definition so far, and the names that there are not because of it."""

    problems: list[DefinitionError] = field(default_factory=list)
    failed: set[str] = field(default_factory=set)

    @contextmanager
    def about(self, part: Any, *named: str) -> Iterator[None]:
        """Go on after a part that is refused; what only follows from another is not told.

        ``named``: names that are missing then.
        """
        try:
            yield
        except DefinitionError as error:
            texts = _WORD.findall(str(to_builtins(part)))
            own = {text for name in named for text in (name, name.rpartition(".")[2])}
            ends = {text.partition(".")[0] for text in texts}
            if not (self.failed - own) & {*texts, *ends}:
                self.problems.append(error)
            self.failed |= own

    def end(self) -> None:
        """Raise all of them, if there are any."""
        if self.problems:
            raise RefusedDefinitionError(*self.problems)


_WORD = re.compile(r"[A-Za-z_]\w*(?:\.\w+)*")


def unit_at(text: str, where: str) -> Unit:
    """A unit of the definition; a DefinitionError if there is no such unit."""
    try:
        return unit(text)
    except UnitError as error:
        raise DefinitionError(where, str(error), "a unit such as mm, kg, s, m/s^2, 1") from error


def formula_at(text: str, where: str, rename: Mapping[str, str] | None = None) -> Node:
    """A formula of the definition; a DefinitionError if it is none.

    ``rename`` gives the flat names of short ones.
    """
    try:
        node = parse(text, NAMES)
    except FormulaError as error:
        raise DefinitionError(where, str(error), error.allowed) from error
    return substitute(node, {old: Name(new) for old, new in rename.items()}) if rename else node


def dimension_at(
    text: str, node: Node, kinds: dimensions.Lookup, table: str | None, where: str,
    there: Callable[[], Iterable[str]] = tuple,
) -> Dimension | None:  # fmt: skip
    """Dimension of a formula in the rows of a table, or of a single one; None: a condition.

    ``there``: all names that there are, to find the nearest to one that there is not.

    Raises
    ------
    DefinitionError
        If it has none, or uses a name that there is not.
    """
    try:
        return dimensions.check(text, node, kinds, table)
    except FormulaError as error:
        near = nearest(error.part, there()) if error.reason == dimensions.UNKNOWN else ""
        raise DefinitionError(where, f"{error}{near}", error.allowed) from error


def sources_of(stated: Iterable[Uncertainty], key: str, value_unit: Unit) -> tuple[SourceSpec, ...]:
    """Sources that a definition states for the values of this name, which nothing else shares."""
    return tuple(
        SourceSpec(
            key=f"{key}#{i}",
            label=part.label,
            half_width=formula_at(part.half_width, f"{key}.uncertainty")
            if isinstance(part.half_width, str)
            else Number(part.half_width * (1.0 if part.relative else value_unit.factor)),
            distribution=part.distribution,
            relative=part.relative,
            note=part.note,
        )
        for i, part in enumerate(stated)
    )


class Names(Struct):
    """Inputs, derived values, checks, tables, lines and curves by name."""

    asked_rows: Mapping[str, int]
    """Rows of tables that a workbook has more or fewer of than the definition says."""
    made: Mapping[str, str] = {}
    """Columns that were made for a key of the definition file, and that key."""
    inputs: dict[str, InputField] = field(default_factory=dict)
    derived: dict[str, DerivedField] = field(default_factory=dict)
    checks: list[CheckField] = field(default_factory=list)
    blocks: dict[str, tuple[str, ...]] = field(default_factory=dict)
    """Columns of names that have several in a row."""
    lines: dict[str, LineField] = field(default_factory=dict)
    curves: dict[str, CurveField] = field(default_factory=dict)
    tables: dict[str, int] = field(default_factory=dict)
    """Number of rows."""
    where: dict[str, str] = field(default_factory=dict)
    """Key of the definition file that a name came from."""
    refusals: Refusals = field(default_factory=Refusals)
    shown: dict[tuple[str, str], str] = field(default_factory=dict)
    """Names of cells as spreadsheets tell them apart, and what has them."""

    def claim(self, key: str, where: str) -> None:
        """Take a name; a DefinitionError if it is taken, or no name."""
        require(key not in self.where, where, f"the name “{key}” is used twice", "names used once")
        parts = key.split(".")
        good = all(part.replace("_", "a").isalnum() and part.isascii() for part in parts)
        require(good, where, f"“{key}” is no name", "letters, digits and _")
        self.where[key] = where

    def add(
        self, kind: type[InputField | DerivedField], part: Any, where: str, /, **given: Any
    ) -> None:
        """Add something that is typed or worked out.

        Parameters
        ----------
        kind
            What it becomes: an ``InputField`` or a ``DerivedField``.
        part
            The part of the definition that asks for it: what both call alike is taken over from
            there, key, unit and stated uncertainties too.
        where
            Key of the definition file, for refusals.
        given
            What the part does not say, or what counts instead.

        Raises
        ------
        DefinitionError
            If the name is taken, or a unit or an uncertainty cannot be used.
        """
        key = given.setdefault("key", getattr(part, "id", ""))
        if "unit" not in given:
            given["unit"] = unit_at(part.unit, f"{where}.unit")
        if "sources" not in given:
            given["sources"] = sources_of(getattr(part, "uncertainty", ()), key, given["unit"])
        self.claim(key, where)
        shown = ("in" if kind is InputField else "calc", key.replace(".", "_").casefold())
        other = self.shown.setdefault(shown, key)
        alike = f"“{key}” and “{other}” are one name to a spreadsheet"
        require(other == key, where, alike, "names that differ in more than capitals, . and _")
        made = self._filled(kind, part, given)
        (self.inputs if kind is InputField else self.derived)[key] = made

    def add_check(self, part: Any, /, **given: Any) -> None:
        """Add a condition; ``part`` and ``given`` as for ``add``."""
        self.checks.append(self._filled(CheckField, part, given))

    def _filled(self, kind: Any, part: Any, given: dict[str, Any]) -> Any:
        alike = {n: getattr(part, n) for n in kind.__struct_fields__ if hasattr(part, n)}
        if given.get("table"):
            alike["rows"] = self.tables[given["table"]]
        return kind(**(alike | given))

    def add_table(self, key: str, rows: int) -> None:
        """Add a table, with the rows that it has in the workbook at hand."""
        self.tables[key] = self.asked_rows.get(key, rows)

    def field(self, key: str) -> Field | None:
        """What is typed or worked out under a name."""
        return self.inputs.get(key) or self.derived.get(key)

    def single(self, key: str) -> Field | None:
        """What is typed or worked out under a name that is no column."""
        value = self.field(key)
        return value if value is not None and value.table is None else None

    def columns(self, key: str) -> tuple[str, ...]:
        """The columns behind a name."""
        return self.blocks.get(key, (key,))

    def kind(self, key: str) -> dimensions.Kind | None:
        """What a formula has to know of a name; None if there is no such name."""
        owner, _, part = key.rpartition(".")
        if owner in self.lines and part in self.lines[owner].functions:
            line = self.lines[owner]
            x, y = self.column_kind(line.x, owner), self.column_kind(line.y[0], owner)
            return dimensions.Kind(y.dimension / x.dimension if part == "slope" else y.dimension)
        value = self.field(self.columns(key)[0])
        if value is None:
            return None
        text = isinstance(value, InputField) and value.kind == "text"
        return dimensions.Kind(value.unit.dimension, value.table, key in self.blocks, text)

    def column_kind(self, key: str, where: str, repeated: bool = True) -> dimensions.Kind:
        """What a formula has to know of a column; a DefinitionError if it is none.

        ``repeated``: whether it may have several readings in a row.
        """
        kind = self.kind(key)
        if kind is None or kind.table is None or (kind.repeated and not repeated):
            raise DefinitionError(where, f"“{key}” is not a column", "table.column")
        return kind

    def dimension(self, text: str, node: Node, table: str | None, where: str) -> Dimension | None:
        """Dimension of a formula in these names; see ``dimension_at``."""
        return dimension_at(text, node, self.kind, table, where, self.there)

    def there(self) -> Iterator[str]:
        """All names that a formula may use."""
        lines = (f"{line}.{part}" for line in self.lines for part in LINE_RESULTS)
        return chain(self.inputs, self.derived, self.blocks, lines)

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
