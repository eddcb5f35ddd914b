"""The table ``bench`` of a definition → the forward model, over the names of its practical."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from msgspec import Struct, field

from sheetlab.formula import dimensions
from sheetlab.formula.functions import (
    FUNCTIONS,
    Aggregate,
    OfGroup,
    Position,
    RowStatistic,
    Unless,
    Where,
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
from sheetlab.practical.compiling.names import Refusals, dimension_at, formula_at
from sheetlab.practical.definition import (
    BenchInput,
    BenchInstrument,
    BenchReading,
    DefinitionError,
    Table,
    Truth,
)
from sheetlab.practical.fields import Field, SourceSpec
from sheetlab.practical.forward import scale_values
from sheetlab.practical.instruments import KINDS, Kind, zero_parts_of
from sheetlab.practical.model import Practical
from sheetlab.units import NUMBER, Dimension, UnitError, unit

NOT_HERE = (Aggregate, RowStatistic, Position, Unless, Where, OfGroup)


class Bench(Struct):
    """The parts of a forward model so far, by name."""

    practical: Practical
    truths: dict[str, TruthField] = field(default_factory=dict)
    scales: dict[str, ScaleField] = field(default_factory=dict)
    inputs: dict[str, InputValue] = field(default_factory=dict)
    readings: dict[str, ReadingField] = field(default_factory=dict)
    rows: dict[str, tuple[int, int]] = field(default_factory=dict)


def compile_forward(practical: Practical) -> Forward | None:
    """The forward model of a practical; None if its definition has no bench.

    Raises
    ------
    RefusedDefinitionError
        With each key of the bench that cannot be used.
    """
    definition = practical.definition
    if definition.bench is None:
        return None
    bench = Bench(practical)
    refusals = Refusals()
    for truth in definition.bench.truths:
        with refusals.about(truth, truth.id):
            bench.truths[truth.id] = _truth(bench, truth)
    with refusals.about(None):
        _check_truths(bench)
    for instrument in definition.bench.instruments:
        with refusals.about(instrument, instrument.instrument):
            bench.scales[instrument.instrument] = _scale(practical, instrument)
    for typed in definition.bench.inputs:
        with refusals.about(typed, typed.input):
            bench.inputs[typed.input] = _input(bench, typed)
    for reading in definition.bench.readings:
        with refusals.about(reading, reading.column):
            bench.readings[reading.column] = _reading(bench, reading)
    refusals.end()
    return Forward(
        tuple(bench.truths.values()),
        bench.scales,
        tuple(bench.inputs.values()),
        tuple(bench.readings.values()),
        bench.rows,
    )


def _check_truths(bench: Bench) -> None:
    """Refuse a bench that does not know what the measurand, or a stress, truly is."""
    definition, stress = bench.practical.definition, bench.practical.stress
    measurand = definition.results[0].quantity
    missing = f"the true value of the first result, “{measurand}”, is missing"
    _refuse(measurand not in bench.truths, "bench.truths", missing)
    for key in ("dead_load", "diameter", "length", "modulus") if stress else ():
        name = getattr(stress, key)
        lacks = bool(name) and name not in bench.truths
        _refuse(lacks, f"stress.{key}", f"“{name}” has no true value", "a truth")


def _refuse(wrong: bool, where: str, reason: str, allowed: str = "") -> None:
    """Raise DefinitionError for a key if something is wrong with it."""
    if wrong:
        raise DefinitionError(where, reason, allowed)


def _truth(bench: Bench, truth: Truth) -> TruthField:
    where, name = f"bench.truths.{truth.id}", truth.id
    _refuse(
        name in bench.truths or name == ROW, where, f"the name “{name}” is used twice",
        "names used once",
    )  # fmt: skip
    plain = name.isascii() and name.isidentifier()
    _refuse(not plain, where, f"“{name}” is no name", "letters, digits and _")
    try:
        its_unit = unit(truth.unit)
    except UnitError as error:
        raise DefinitionError(f"{where}.unit", str(error), "a unit such as mm, kg, 1") from error
    practical = bench.practical
    namesake = practical.inputs.get(name) or practical.derived.get(name)
    _refuse(
        namesake is not None and namesake.unit.dimension != its_unit.dimension,
        f"{where}.unit", f"does not measure the same as “{name}” of the practical",
    )  # fmt: skip
    low, high, node = truth.low, truth.high, None
    ways = [truth.fixed is not None, bool(truth.formula), low is not None or high is not None]
    ways_allowed = "low and high, or fixed, or formula"
    _refuse(ways.count(True) != 1, where, "needs one way to its value", ways_allowed)
    if truth.fixed is not None:
        low = high = truth.fixed
    elif truth.formula:
        low = high = 0.0
        node = _formula(bench, truth.formula, f"{where}.formula", its_unit.dimension)
    if low is None or high is None or low > high:
        raise DefinitionError(where, "has no range", "low, and a high that is not below it")
    step = truth.step
    too_fine = step < 0.0 or (step > 0.0 and (high - low) / step > 10_000)
    _refuse(too_fine, f"{where}.step", f"{step:g}", "0, or a step of the range")
    return TruthField(name, its_unit, low, high, step, node)


def _scale(practical: Practical, one: BenchInstrument) -> ScaleField:
    where = f"bench.instruments.{one.instrument}"
    instruments = {i.id: i for i in practical.definition.instruments}
    instrument = instruments.get(one.instrument)
    if instrument is None:
        reason = f"there is no instrument “{one.instrument}”"
        raise DefinitionError(where, reason, ", ".join(instruments))
    kind = KINDS[instrument.kind]
    _check_parameters(kind, one.parameters, f"{where}.parameters")
    zero = one.zero or (0.0, 0.0)
    _refuse(zero[0] > zero[1], f"{where}.zero", "has no range", "[low, high]")
    has_none = f"a scale of kind “{instrument.kind}” has none"
    _refuse(one.zero is not None and not kind.zero, f"{where}.zero", has_none)
    _refuse(one.zero_noise < 0.0, f"{where}.zero_noise", f"{one.zero_noise:g}", "0 or more")
    values = scale_values(kind, one.parameters)
    zero_table = f"{one.instrument}.zeros" if instrument.zero_rows else ""
    for end in zero if zero_table else ():
        try:
            zero_parts_of(kind, end, values)
        except ValueError as error:
            raise DefinitionError(f"{where}.zero", str(error)) from error
    return ScaleField(
        one.instrument, kind, unit(instrument.unit), dict(one.parameters), values, zero,
        one.zero_noise, zero_table,
    )  # fmt: skip


def _check_parameters(kind: Kind, given: Mapping[str, float], where: str) -> None:
    wanted = {one.id: one for one in kind.parameters}
    allowed = ", ".join(wanted) or "no parameter"
    for name in (*(name for name in wanted if name not in given), *given):
        key = f"{where}.{name}"
        _refuse(name not in wanted, key, "is nothing that is asked about it", allowed)
        _refuse(name not in given, key, "is missing", allowed)
        value, one = given[name], wanted[name]
        beyond = not max(one.minimum, 1e-9) <= value <= one.maximum
        _refuse(beyond, key, f"{value:g}", f"{one.minimum:g} to {one.maximum:g}")
        broken = one.decimals == 0 and value != round(value)
        _refuse(broken, key, f"{value:g}", "a whole number")


def _input(bench: Bench, one: BenchInput) -> InputValue:
    where = f"bench.inputs.{one.input}"
    ids = [typed.id for typed in bench.practical.definition.inputs]
    _refuse(one.input not in ids, where, f"there is no input “{one.input}”", ", ".join(ids))
    typed = bench.practical.inputs[one.input]
    if typed.kind == "choice":
        choices, reason = typed.choices, f"“{one.value}” is not a choice"
        _refuse(one.value not in choices, f"{where}.value", reason, ", ".join(choices))
    node = None
    if typed.kind == "number":
        node = _formula(bench, one.value, f"{where}.value", typed.unit.dimension)
    return InputValue(typed, node, one.value)


def _reading(bench: Bench, one: BenchReading) -> ReadingField:
    where, practical = f"bench.readings.{one.column}", bench.practical
    table_id, _, column_id = one.column.partition(".")
    table = next((t for t in practical.definition.tables if t.id == table_id), None)
    column = next((c for c in table.columns if c.id == column_id), None) if table else None
    if table is None or column is None or column.formula:
        raise DefinitionError(where, "is not a column that is typed", "table.column")
    instrument = column.instrument
    nothing_said = bool(instrument) and instrument not in bench.scales
    reason = f"nothing is said of its instrument “{instrument}”"
    _refuse(nothing_said, where, reason, "a row of bench.instruments")
    for part, size in (("noise", one.noise), ("place_noise", one.place_noise)):
        _refuse(size < 0.0, f"{where}.{part}", f"{size:g}", "0 or more")
    bench.rows[table_id] = _rows(bench, one, table)
    keys = tuple(practical.columns(one.column))
    typed = practical.field(keys[0])
    both = bool(one.value) == (one.start is not None)
    _refuse(both, where, "needs one way to its value", "value, or start and step")
    node = None
    if one.value:
        node = _formula(bench, one.value, f"{where}.value", typed.unit.dimension, table_id)
    rounded = bool(instrument and bench.scales[instrument].kind.rounding)
    return ReadingField(
        column=one.column,
        keys=keys,
        table=table_id,
        unit=typed.unit,
        scale=instrument,
        decimals=None if rounded else (6 if typed.decimals is None else typed.decimals),
        node=node,
        start=one.start or 0.0,
        step=one.step,
        noise=one.noise,
        place_noise=one.place_noise,
        seen_as=_seen_as(bench, keys),
    )


def _rows(bench: Bench, one: BenchReading, table: Table) -> tuple[int, int]:
    where, known = f"bench.readings.{one.column}.rows", bench.rows.get(table.id)
    most = table.rows
    rows = one.rows or known or (max(1, table.minimum_rows), most)
    _refuse(known not in (None, rows), where, "differs within its table", "stated once")
    few, many = rows
    _refuse(not 1 <= few <= many <= most, where, f"{few} to {many} rows", f"1 to {most} rows")
    return rows


def _seen_as(bench: Bench, keys: Sequence[str]) -> dict[str, SourceSpec]:
    """Drawn truths that readings show with the uncertainty of the quantity of that name."""
    found = {}
    for truth in bench.truths.values():
        quantity = bench.practical.derived.get(truth.key)
        if quantity is None or not quantity.sources or truth.node is not None:
            continue
        leaves = bench.practical.leaves(truth.key)
        if any(leaf == key or leaf.startswith(f"{key}.") for leaf in leaves for key in keys):
            found[truth.key] = quantity.sources[0]
    return found


def _formula(bench: Bench, text: str, where: str, wanted: Dimension, table: str = "") -> Node:
    """A formula of the bench; inside a table with the bare names of its columns."""
    columns = {
        name.rpartition(".")[2]: name
        for name, reading in bench.readings.items()
        if table and reading.table == table
    }
    short = {key: name for key, name in columns.items() if key not in bench.truths}
    node = formula_at(text, where, short)
    for part in walk(node):
        if isinstance(part, Call) and isinstance(FUNCTIONS[part.function], NOT_HERE):
            raise DefinitionError(where, f"“{part.function}” has no place in a bench")
    kinds = _kinds(bench, columns.values(), table)
    found = dimension_at(text, node, kinds.get, table or None, where)
    given = "is a condition" if found is None else f"has the dimension {found}"
    _refuse(found != wanted, where, given, f"the dimension {wanted}")
    return node


def _kinds(bench: Bench, columns: Collection[str], table: str) -> dict[str, dimensions.Kind]:
    """What each name of a formula measures; a truth hides an input, and that a constant."""
    constants = {c.id: bench.practical.derived[c.id] for c in bench.practical.definition.constants}
    inputs = {key: typed.field for key, typed in bench.inputs.items() if typed.node is not None}
    named: dict[str, Field] = {**constants, **inputs}
    kinds = {key: dimensions.Kind(one.unit.dimension) for key, one in named.items()}
    for column in columns:
        kinds[column] = dimensions.Kind(bench.readings[column].unit.dimension, table)
    if table:
        kinds[ROW] = dimensions.Kind(NUMBER)
    return kinds | {k: dimensions.Kind(one.unit.dimension) for k, one in bench.truths.items()}
