"""The forward model of a practical: true quantities -> what the scales show -> what is typed. Pure.

A definition states it in its table ``bench``, in the language of all its formulas. Everything
that is random is drawn once (``draw``); what follows (``show``, ``type_up``) is a function of
the draws, so that the same bench can be looked at with and without a wrong habit.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import ModuleType
from typing import TYPE_CHECKING

from sheetlab.formula import dimensions
from sheetlab.formula.functions import (
    FUNCTIONS,
    NAMES,
    Aggregate,
    Position,
    RowStatistic,
    Unless,
)
from sheetlab.formula.tree import Call, FormulaError, Name, Node, names, parse, substitute, walk
from sheetlab.formula.values import evaluate
from sheetlab.practical.definition import BenchInput, BenchInstrument, BenchReading, Truth
from sheetlab.practical.evaluate import leaf_inputs
from sheetlab.practical.instruments import KINDS, Kind, parts_of, zero_parts_of
from sheetlab.practical.model import DefinitionError, Field, InputField, Practical, SourceSpec
from sheetlab.units import NUMBER, Dimension, Unit, UnitError, unit

if TYPE_CHECKING:
    from numpy.random import Generator

ROW = "row"
"""Name by which formulas know the number of the row, 0 for the first."""
Cells = dict[str, list[float | str | None]]
"""What is typed, by key of the input."""
NOT_HERE = (Aggregate, RowStatistic, Position, Unless)


class BenchError(ValueError):
    """A virtual bench that cannot be made as it was asked for."""


@dataclass(frozen=True, slots=True)
class TruthField:
    """A true quantity; ``low`` to ``high`` in its unit, or a formula."""

    key: str
    unit: Unit
    low: float
    high: float
    step: float
    node: Node | None


@dataclass(frozen=True, slots=True)
class ScaleField:
    """An instrument of the bench; everything in its own unit."""

    key: str
    kind: Kind
    unit: Unit
    parameters: Mapping[str, float]
    values: Mapping[str, float]
    """Parameters and derived values by name."""
    zero: tuple[float, float]
    zero_noise: float
    zero_table: str
    """Table of the zero readings; empty if none are taken."""


def scale_values(kind: Kind, parameters: Mapping[str, float]) -> dict[str, float]:
    """Parameters of an instrument and what follows from them, by name, in its unit."""
    values = dict(parameters)
    for item in kind.derived:
        found = evaluate(parse(item.formula, NAMES), _World(values))
        assert found is not None
        values[item.id] = float(found)
    return values


@dataclass(frozen=True, slots=True)
class InputValue:
    """What is typed into a single input: a formula's value, or a text."""

    field: InputField
    node: Node | None
    text: str


@dataclass(frozen=True, slots=True)
class ReadingField:
    """A column that is read, with its repeats."""

    column: str
    keys: tuple[str, ...]
    table: str
    unit: Unit
    scale: str
    """Instrument; empty for a number that is typed and not read off a scale."""
    decimals: int | None
    node: Node | None
    start: float
    step: float
    noise: float
    place_noise: float
    seen_as: Mapping[str, SourceSpec]
    """Truths that these readings show with an error that is common to all of them."""

    @property
    def is_marked(self) -> bool:
        """Whether the typed number is true by itself: a marked mass, a count."""
        return not self.noise and not self.rounded

    @property
    def rounded(self) -> bool:
        """Whether it is read off a scale with divisions."""
        return self.decimals is None


@dataclass(frozen=True, slots=True)
class Forward:
    """The forward model of a definition, checked and ready."""

    truths: tuple[TruthField, ...]
    scales: Mapping[str, ScaleField]
    inputs: tuple[InputValue, ...]
    readings: tuple[ReadingField, ...]
    rows: Mapping[str, tuple[int, int]]
    """Fewest and most rows that are filled, by table."""

    def reading(self, key: str) -> ReadingField:
        """The column that a reading belongs to."""
        return next(one for one in self.readings if key in one.keys)


# -- compiling -----------------------------------------------------------------------------------


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


@dataclass(slots=True)
class _Compiler:
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
            leaves = leaf_inputs(self.practical, truth.key)
            if any(leaf == key or leaf.startswith(f"{key}.") for leaf in leaves for key in keys):
                found[truth.key] = quantity.sources[0]
        return found

    def formula(self, text: str, where: str, wanted: Dimension, table: str = "") -> Node:
        """A formula of the bench; inside a table with the bare names of its columns."""
        try:
            node = parse(text, NAMES)
            columns = {name.rpartition(".")[2]: Name(name) for name in self.columns_of(table)}
            node = substitute(node, {k: v for k, v in columns.items() if k not in self.truths})
            for part in walk(node):
                if isinstance(part, Call) and isinstance(FUNCTIONS[part.function], NOT_HERE):
                    raise DefinitionError(where, f"“{part.function}” has no place in a bench")
            found = dimensions.check(text, node, lambda key: self.kind(key, table), table or None)
        except FormulaError as error:
            raise DefinitionError(where, str(error), error.allowed) from error
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


# -- evaluating ----------------------------------------------------------------------------------


@dataclass(slots=True)
class _World:
    """The environment of formulas of a bench, SI units."""

    values: Mapping[str, float]
    library: ModuleType = math

    def value(self, key: str, row: int | None) -> float | None:
        return self.values.get(key)

    def columns(self, key: str) -> Sequence[str]:
        return (key,)

    def aggregate(self, rule: Aggregate, columns: Sequence[str]) -> float | None:
        raise AssertionError("a bench has no statistics in it")


def _number(node: Node, values: Mapping[str, float], what: str) -> float:
    found = evaluate(node, _World(values))
    if found is None:
        raise BenchError(f"the formula of {what} gives no number")
    return float(found)


@dataclass(frozen=True, slots=True)
class Draws:
    """Everything about one bench that is random."""

    truths: Mapping[str, float]
    """SI units."""
    rows: Mapping[str, int]
    """Rows filled, by table."""
    zeros: Mapping[str, float]
    """Zero error by instrument, in its unit."""
    noise: Mapping[str, Sequence[float]]
    """Standard normal numbers: of each reading key, of each column's places, of zero readings."""
    errors: Mapping[str, float]
    """Errors that many readings share, by key of their source; SI units, or relative."""


def draw(
    practical: Practical, seed: int, shared_errors: bool = False, rows: Mapping[str, int] = {}
) -> Draws:
    """Draw a bench.

    Every part has a stream of its own, so that asking for other rows or for shared errors leaves
    the rest as it was.
    """
    from numpy.random import default_rng

    forward = practical.forward
    assert forward is not None
    truths_rng, rows_rng, zero_rng, error_rng = (default_rng([seed, k]) for k in range(4))
    found_rows = {
        table: int(rows_rng.integers(low, high + 1)) for table, (low, high) in forward.rows.items()
    }
    for table, count in rows.items():
        most = practical.tables[table] if table in found_rows else 0
        if not 1 <= count <= most:
            raise BenchError(f"{count} rows of “{table}”, which has room for {most}")
        found_rows[table] = count
    errors = _draw_errors(practical, error_rng) if shared_errors else {}
    noise: dict[str, list[float]] = {}
    for i, one in enumerate(forward.readings):
        most = practical.tables[one.table]
        for k, key in enumerate((one.column + "#", *one.keys)):
            noise[key] = default_rng([seed, 4, i, k]).standard_normal(most).tolist()
    for scale in forward.scales.values():
        if scale.zero_table:
            most = practical.tables[scale.zero_table]
            noise[scale.zero_table] = zero_rng.standard_normal(most).tolist()
    return Draws(
        truths=_draw_truths(practical, truths_rng, errors),
        rows=found_rows,
        zeros={key: float(zero_rng.uniform(*scale.zero)) for key, scale in forward.scales.items()},
        noise=noise,
        errors=errors,
    )


def _draw_truths(
    practical: Practical, rng: Generator, errors: Mapping[str, float]
) -> dict[str, float]:
    forward = practical.forward
    assert forward is not None
    values = _constants(practical, errors)
    found: dict[str, float] = {}
    for truth in forward.truths:
        if truth.node is None:
            if truth.step:
                last = math.floor((truth.high - truth.low) / truth.step + 1e-9)
                drawn = truth.low + truth.step * int(rng.integers(0, last + 1))
            else:
                drawn = float(rng.uniform(truth.low, truth.high))
            found[truth.key] = truth.unit.to_si(drawn)
        else:
            value = _number(truth.node, {**values, **found}, f"“{truth.key}”")
            namesake = practical.derived.get(truth.key)
            specs = () if namesake is None else namesake.sources
            found[truth.key] = _with_errors(value, specs, errors)
    return found


def _constants(practical: Practical, errors: Mapping[str, float]) -> dict[str, float]:
    found = {}
    for constant in practical.definition.constants:
        one = practical.derived[constant.id]
        found[constant.id] = _with_errors(_number(one.node, {}, constant.id), one.sources, errors)
    return found


def _with_errors(value: float, specs: Sequence[SourceSpec], errors: Mapping[str, float]) -> float:
    """A value with the shared errors of its sources; rounding is another matter."""
    return value + sum(
        errors.get(spec.key, 0.0) * (value if spec.relative else 1.0)
        for spec in specs
        if not spec.rounding
    )


def _shared(practical: Practical) -> Iterator[SourceSpec]:
    fields: tuple[Field, ...] = (*practical.inputs.values(), *practical.derived.values())
    for one in fields:
        yield from (spec for spec in one.sources if not spec.rounding)


def _draw_errors(practical: Practical, rng: Generator) -> dict[str, float]:
    limits = {
        key: one.unit.to_si(one.default)
        for key, one in practical.inputs.items()
        if one.default is not None
    }
    found: dict[str, float] = {}
    for spec in _shared(practical):
        if spec.key in found:
            continue
        half_width = _number(spec.half_width, limits, f"“{spec.label}”")
        match spec.distribution:
            case "rectangular":
                drawn = rng.uniform(-1.0, 1.0)
            case "triangular":
                drawn = rng.triangular(-1.0, 0.0, 1.0)
            case "normal":
                drawn = rng.standard_normal()
        found[spec.key] = half_width * float(drawn)
    return found


# -- showing and typing --------------------------------------------------------------------------


@dataclass(slots=True)
class Shown:
    """What a bench shows before anyone types: true values, and where the scales stand."""

    practical: Practical
    draws: Draws
    singles: dict[str, float | str]
    """Single inputs: a number in the unit of its cell, or a text."""
    true: dict[str, list[float]]
    """True value of every row of a column, SI units."""
    seen: dict[str, list[float]]
    """Where the scale stands for each reading, SI units; of zero readings too."""

    @property
    def forward(self) -> Forward:
        """The forward model."""
        assert self.practical.forward is not None
        return self.practical.forward


def show(practical: Practical, draws: Draws, hidden: Mapping[str, Sequence[float]] = {}) -> Shown:
    """What the scales show.

    Parameters
    ----------
    hidden
        By column: what its true values are above what is typed, for each row, SI units.

    Raises
    ------
    BenchError
        If a formula gives no number.
    """
    forward = practical.forward
    assert forward is not None
    values = {**_constants(practical, draws.errors)}
    shown = Shown(practical, draws, {}, {}, {})
    for typed in forward.inputs:
        if typed.node is None:
            shown.singles[typed.field.key] = typed.text
            continue
        its = typed.field
        exact = _number(typed.node, {**values, **draws.truths}, f"“{its.key}”")
        given = its.unit.from_si(_with_errors(exact, its.sources, draws.errors))
        shown.singles[its.key] = round(given, its.decimals or 0)
        values[its.key] = its.unit.to_si(round(its.unit.from_si(exact), its.decimals or 0))
    values |= draws.truths
    for one in forward.readings:
        _show_column(shown, one, values, hidden.get(one.column, ()))
    for scale in forward.scales.values():
        if scale.zero_table:
            base = f"{scale.key}.zero_reading"
            factor = scale.unit.factor
            shown.seen[base] = [
                (draws.zeros[scale.key] + scale.zero_noise * z) * factor
                for z in draws.noise[scale.zero_table]
            ]
    return shown


def _show_column(
    shown: Shown, one: ReadingField, values: Mapping[str, float], hidden: Sequence[float]
) -> None:
    draws, factor = shown.draws, one.unit.factor
    count = draws.rows[one.table]
    before = {
        key: column for key, column in shown.true.items() if key.rpartition(".")[0] == one.table
    }
    as_seen = {
        key: _with_errors(draws.truths[key], (spec,), draws.errors)
        for key, spec in one.seen_as.items()
    }
    true: list[float] = []
    for row in range(count):
        if one.node is None:
            value = one.unit.to_si(one.start + one.step * row)
        else:
            here = {key: column[row] for key, column in before.items()}
            # a truth hides a column of its name
            world = {ROW: float(row), **here, **values, **as_seen}
            value = _number(one.node, world, f"“{one.column}”")
        value += one.place_noise * factor * draws.noise[one.column + "#"][row]
        if one.is_marked:
            value = one.unit.to_si(round(one.unit.from_si(value), one.decimals or 0))
        true.append(value)
    field_ = shown.practical.field(one.keys[0])
    zero = 0.0
    if one.scale:
        scale = shown.forward.scales[one.scale]
        zero = draws.zeros[one.scale] * scale.unit.factor
    if one.is_marked:
        for key in one.keys:
            shown.seen[key] = list(true)
        true = [_with_errors(v, field_.sources, draws.errors) for v in true]
    else:
        for key in one.keys:
            shown.seen[key] = [
                _with_errors(v, field_.sources, draws.errors) + zero + one.noise * factor * z
                for v, z in zip(true, draws.noise[key], strict=False)
            ]
    extra = [*hidden, *([0.0] * count)]
    shown.true[one.column] = [v + h for v, h in zip(true, extra, strict=False)]


def type_up(shown: Shown) -> Cells:
    """The cells that a careful group types: what is known of the instruments, and all readings.

    Raises
    ------
    BenchError
        If a scale would have to show what it cannot.
    """
    practical = shown.practical
    cells: Cells = {
        key: [one.default]
        for key, one in practical.inputs.items()
        if one.table is None and one.kind == "number" and one.default is not None
    }
    for scale in shown.forward.scales.values():
        for name, number in scale.parameters.items():
            cells[f"{scale.key}.{name}"] = [float(number)]
    for key, single in shown.singles.items():
        cells[key] = [single]
    try:
        for scale in shown.forward.scales.values():
            if scale.zero_table:
                base = f"{scale.key}.zero_reading"
                typed = [
                    zero_parts_of(scale.kind, value / scale.unit.factor, scale.values)
                    for value in shown.seen[base]
                ]
                for i, part in enumerate(scale.kind.zero_parts):
                    cells[f"{base}.{part.id}"] = [row[i] for row in typed]
        for one in shown.forward.readings:
            for key in one.keys:
                cells |= _typed_column(shown, one, key)
    except ValueError as error:
        raise BenchError(str(error)) from error
    return cells


def _typed_column(shown: Shown, one: ReadingField, key: str) -> Cells:
    numbers = [one.unit.from_si(value) for value in shown.seen[key]]
    if not one.rounded:
        return {key: [round(number, one.decimals or 0) for number in numbers]}
    scale = shown.forward.scales[one.scale]
    rows = [parts_of(scale.kind, number, scale.values) for number in numbers]
    if len(scale.kind.parts) == 1:
        return {key: [row[0] for row in rows]}
    return {f"{key}.{part.id}": [row[i] for row in rows] for i, part in enumerate(scale.kind.parts)}


def row_numbers(node: Node) -> bool:
    """Whether a formula of a bench uses the number of the row."""
    return ROW in names(node)
