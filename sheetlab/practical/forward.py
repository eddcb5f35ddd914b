"""The forward model of a practical: true quantities -> what the scales show -> what is typed. Pure.

A definition states it in its table ``bench``, in the language of all its formulas. Everything
that is random is drawn once (``draw``); what follows (``show``, ``type_up``) is a function of
the draws, so that the same bench can be looked at with and without a wrong habit.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from msgspec import Struct

from sheetlab.formula.functions import NAMES
from sheetlab.formula.tree import Node, parse
from sheetlab.formula.values import Given, evaluate
from sheetlab.practical.bench_fields import ROW, Forward, ReadingField
from sheetlab.practical.fields import Field, SourceSpec
from sheetlab.practical.instruments import Kind, parts_of, zero_parts_of
from sheetlab.practical.model import Practical

if TYPE_CHECKING:
    from numpy.random import Generator

Cells = dict[str, list[float | str | None]]
"""What is typed, by key of the input."""


class BenchError(ValueError):
    """A virtual bench that cannot be made as it was asked for."""


def _number(node: Node, values: Mapping[str, float], what: str) -> float:
    found = evaluate(node, Given(values))
    if found is None:
        raise BenchError(f"the formula of {what} gives no number")
    return float(found)


def scale_values(kind: Kind, parameters: Mapping[str, float]) -> dict[str, float]:
    """Parameters of an instrument and what follows from them, by name, in its unit."""
    values = dict(parameters)
    for item in kind.derived:
        found = evaluate(parse(item.formula, NAMES), Given(values))
        assert found is not None
        values[item.id] = float(found)
    return values


class Draws(Struct, frozen=True):
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


class Shown(Struct):
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
