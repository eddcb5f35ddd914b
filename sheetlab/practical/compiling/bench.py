"""The table ``bench`` of a definition → the forward model, over the names of its practical."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import Struct, field

from sheetlab.formula import dimensions
from sheetlab.formula.functions import (
    FUNCTIONS,
    Aggregate,
    Position,
    RowStatistic,
    Unless,
)
from sheetlab.formula.tree import Call, Node, walk
from sheetlab.practical.bench_fields import (
    ROW,
    Forward,
    InputValue,
    ReadingField,
    ScaleField,
    TruthField,
)
from sheetlab.practical.compiling.names import dimension_at, formula_at
from sheetlab.practical.definition import (
    BenchInput,
    BenchInstrument,
    BenchReading,
    DefinitionError,
    Truth,
)
from sheetlab.practical.fields import Field, SourceSpec
from sheetlab.practical.forward import scale_values
from sheetlab.practical.instruments import KINDS, zero_parts_of
from sheetlab.practical.model import Practical
from sheetlab.units import NUMBER, Dimension, UnitError, unit

NOT_HERE = (Aggregate, RowStatistic, Position, Unless)


def compile_forward(practical: Practical) -> Forward | None:
    """The forward model of a practical; None if its definition has no bench.

    Raises
    ------
    DefinitionError
        For the first key of the bench that cannot be used.
    """
    if practical.definition.bench is None:
        return None
    return _Compiler(practical).compile()


class _Compiler(Struct):
    practical: Practical
    truths: dict[str, TruthField] = field(default_factory=dict)
    inputs: dict[str, InputValue] = field(default_factory=dict)
    readings: dict[str, ReadingField] = field(default_factory=dict)
    rows: dict[str, tuple[int, int]] = field(default_factory=dict)

    def compile(self) -> Forward:
        bench = self.practical.definition.bench
        assert bench is not None
        for truth in bench.truths:
            self.add_truth(truth)
        measurand = self.practical.definition.results[0].quantity
        if measurand not in self.truths:
            raise DefinitionError(
                "bench.truths", f"the true value of the first result, “{measurand}”, is missing"
            )
        stress = self.practical.stress
        for key in ("dead_load", "diameter", "length", "modulus") if stress else ():
            name = getattr(stress, key)
            if name and name not in self.truths:
                raise DefinitionError(f"stress.{key}", f"“{name}” has no true value", "a truth")
        scales: dict[str, ScaleField] = {}
        for one in bench.instruments:
            if one.instrument in scales:
                raise DefinitionError("bench.instruments", f"“{one.instrument}” is used twice")
            scales[one.instrument] = self.scale(one)
        for typed in bench.inputs:
            self.add_input(typed)
        for reading in bench.readings:
            self.add_reading(reading, scales)
        return Forward(
            tuple(self.truths.values()),
            scales,
            tuple(self.inputs.values()),
            tuple(self.readings.values()),
            self.rows,
        )

    def known(self, key: str) -> Field | None:
        return self.practical.inputs.get(key) or self.practical.derived.get(key)

    def add_truth(self, truth: Truth) -> None:
        where = f"bench.truths.{truth.id}"
        if truth.id in self.truths or truth.id == ROW:
            raise DefinitionError(where, f"the name “{truth.id}” is used twice", "names used once")
        if not (truth.id.isascii() and truth.id.isidentifier()):
            raise DefinitionError(where, f"“{truth.id}” is no name", "letters, digits and _")
        try:
            its_unit = unit(truth.unit)
        except UnitError as error:
            raise DefinitionError(
                f"{where}.unit", str(error), "a unit such as mm, kg, 1"
            ) from error
        namesake = self.known(truth.id)
        if namesake is not None and namesake.unit.dimension != its_unit.dimension:
            raise DefinitionError(
                f"{where}.unit", f"does not measure the same as “{truth.id}” of the practical"
            )
        node = None
        low, high = truth.low, truth.high
        ways = [truth.fixed is not None, bool(truth.formula), low is not None or high is not None]
        if ways.count(True) != 1:
            raise DefinitionError(
                where, "needs one way to its value", "low and high, or fixed, or formula"
            )
        if truth.fixed is not None:
            low = high = truth.fixed
        elif truth.formula:
            low = high = 0.0
            node = self.formula(truth.formula, f"{where}.formula", its_unit.dimension)
        if low is None or high is None or low > high:
            raise DefinitionError(where, "has no range", "low, and a high that is not below it")
        if truth.step < 0.0 or (truth.step and (high - low) / truth.step > 10_000):
            raise DefinitionError(f"{where}.step", f"{truth.step:g}", "0, or a step of the range")
        self.truths[truth.id] = TruthField(truth.id, its_unit, low, high, truth.step, node)

    def scale(self, one: BenchInstrument) -> ScaleField:
        where = f"bench.instruments.{one.instrument}"
        instrument = next(
            (i for i in self.practical.definition.instruments if i.id == one.instrument), None
        )
        if instrument is None:
            raise DefinitionError(
                where,
                f"there is no instrument “{one.instrument}”",
                ", ".join(i.id for i in self.practical.definition.instruments),
            )
        kind = KINDS[instrument.kind]
        wanted = {p.id: p for p in kind.parameters}
        for name in (*(n for n in wanted if n not in one.parameters), *one.parameters):
            if name not in one.parameters or name not in wanted:
                reason = "is missing" if name in wanted else "is nothing that is asked about it"
                raise DefinitionError(
                    f"{where}.parameters.{name}", reason, ", ".join(wanted) or "no parameter"
                )
            value, its = one.parameters[name], wanted[name]
            if not max(its.minimum, 1e-9) <= value <= its.maximum:
                raise DefinitionError(
                    f"{where}.parameters.{name}",
                    f"{value:g}",
                    f"{its.minimum:g} to {its.maximum:g}",
                )
            if its.decimals == 0 and value != round(value):
                raise DefinitionError(f"{where}.parameters.{name}", f"{value:g}", "a whole number")
        zero = one.zero or (0.0, 0.0)
        if zero[0] > zero[1]:
            raise DefinitionError(f"{where}.zero", "has no range", "[low, high]")
        if one.zero is not None and not kind.zero:
            raise DefinitionError(f"{where}.zero", f"a scale of kind “{instrument.kind}” has none")
        self.not_negative(one.zero_noise, f"{where}.zero_noise")
        values = scale_values(kind, one.parameters)
        made = ScaleField(
            one.instrument, kind, unit(instrument.unit), dict(one.parameters), values, zero,
            one.zero_noise, f"{one.instrument}.zeros" if instrument.zero_rows else "",
        )  # fmt: skip
        for end in zero if made.zero_table else ():
            try:
                zero_parts_of(kind, end, values)
            except ValueError as error:
                raise DefinitionError(f"{where}.zero", str(error)) from error
        return made

    def not_negative(self, value: float, where: str) -> None:
        if value < 0.0:
            raise DefinitionError(where, f"{value:g}", "0 or more")

    def add_input(self, one: BenchInput) -> None:
        where = f"bench.inputs.{one.input}"
        ids = [i.id for i in self.practical.definition.inputs]
        if one.input not in ids:
            raise DefinitionError(where, f"there is no input “{one.input}”", ", ".join(ids))
        if one.input in self.inputs:
            raise DefinitionError(where, f"“{one.input}” is used twice")
        its = self.practical.inputs[one.input]
        if its.kind == "choice" and one.value not in its.choices:
            raise DefinitionError(
                f"{where}.value", f"“{one.value}” is not a choice", ", ".join(its.choices)
            )
        node = None
        if its.kind == "number":
            node = self.formula(one.value, f"{where}.value", its.unit.dimension)
        self.inputs[one.input] = InputValue(its, node, one.value)

    def add_reading(self, one: BenchReading, scales: Mapping[str, ScaleField]) -> None:
        where = f"bench.readings.{one.column}"
        table_id, _, column_id = one.column.partition(".")
        table = next((t for t in self.practical.definition.tables if t.id == table_id), None)
        column = next((c for c in table.columns if c.id == column_id), None) if table else None
        if table is None or column is None or column.formula:
            raise DefinitionError(where, "is not a column that is typed", "table.column")
        if one.column in self.readings:
            raise DefinitionError(where, f"“{one.column}” is used twice")
        if column.instrument and column.instrument not in scales:
            raise DefinitionError(
                where, f"nothing is said of its instrument “{column.instrument}”",
                "a row of bench.instruments",
            )  # fmt: skip
        self.not_negative(one.noise, f"{where}.noise")
        self.not_negative(one.place_noise, f"{where}.place_noise")
        self.add_rows(one, table_id, table.rows, where)
        keys = tuple(self.practical.columns(one.column))
        its = self.practical.field(keys[0])
        if bool(one.value) == (one.start is not None):
            raise DefinitionError(where, "needs one way to its value", "value, or start and step")
        node = None
        if one.value:
            node = self.formula(one.value, f"{where}.value", its.unit.dimension, table_id)
        rounded = bool(column.instrument and scales[column.instrument].kind.rounding)
        self.readings[one.column] = ReadingField(
            column=one.column,
            keys=keys,
            table=table_id,
            unit=its.unit,
            scale=column.instrument,
            decimals=None if rounded else (6 if its.decimals is None else its.decimals),
            node=node,
            start=one.start or 0.0,
            step=one.step,
            noise=one.noise,
            place_noise=one.place_noise,
            seen_as=self.seen_as(keys),
        )

    def add_rows(self, one: BenchReading, table: str, most: int, where: str) -> None:
        if one.rows is None:
            if table not in self.rows:
                raise DefinitionError(f"{where}.rows", "is missing", "[fewest, most] rows filled")
            return
        if table in self.rows and self.rows[table] != one.rows:
            raise DefinitionError(f"{where}.rows", "differs within its table", "stated once")
        if not 1 <= one.rows[0] <= one.rows[1] <= most:
            raise DefinitionError(
                f"{where}.rows", f"{one.rows[0]} to {one.rows[1]} rows", f"1 to {most} rows"
            )
        self.rows[table] = one.rows

    def seen_as(self, keys: Sequence[str]) -> dict[str, SourceSpec]:
        """Drawn truths that readings show with the uncertainty of the quantity of that name."""
        found = {}
        for truth in self.truths.values():
            quantity = self.practical.derived.get(truth.key)
            if quantity is None or not quantity.sources or truth.node is not None:
                continue
            leaves = self.practical.leaves(truth.key)
            if any(leaf == key or leaf.startswith(f"{key}.") for leaf in leaves for key in keys):
                found[truth.key] = quantity.sources[0]
        return found

    def formula(self, text: str, where: str, wanted: Dimension, table: str = "") -> Node:
        """A formula of the bench; inside a table with the bare names of its columns."""
        columns = {name.rpartition(".")[2]: name for name in self.columns_of(table)}
        short = {k: v for k, v in columns.items() if k not in self.truths}
        node = formula_at(text, where, short)
        for part in walk(node):
            if isinstance(part, Call) and isinstance(FUNCTIONS[part.function], NOT_HERE):
                raise DefinitionError(where, f"“{part.function}” has no place in a bench")
        found = dimension_at(text, node, lambda key: self.kind(key, table), table or None, where)
        if found != wanted:
            given = "is a condition" if found is None else f"has the dimension {found}"
            raise DefinitionError(where, given, f"the dimension {wanted}")
        return node

    def columns_of(self, table: str) -> list[str]:
        return [name for name, one in self.readings.items() if table and one.table == table]

    def kind(self, key: str, table: str) -> dimensions.Kind | None:
        if key in self.truths:
            return dimensions.Kind(self.truths[key].unit.dimension)
        if key == ROW and table:
            return dimensions.Kind(NUMBER)
        if key in self.columns_of(table):
            one = self.readings[key]
            return dimensions.Kind(one.unit.dimension, table)
        if key in self.inputs and self.inputs[key].node is not None:
            return dimensions.Kind(self.inputs[key].field.unit.dimension)
        if any(constant.id == key for constant in self.practical.definition.constants):
            return dimensions.Kind(self.practical.derived[key].unit.dimension)
        return None
