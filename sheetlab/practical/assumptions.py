"""What a plan rests on: settings in the place of ranges, and what is then expected. Pure."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.finding import Severity, SheetlabError, finding
from sheetlab.formula.tree import Binary, Call, Name, Node, Number, names
from sheetlab.practical.bench_fields import ROW, Forward, InputValue, ReadingField, TruthField
from sheetlab.practical.forward import Shown, draw, scale_values, show
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import typed_number

MARKED_DECIMALS = 9
MOST = 1e12
"""Greatest size of a number in a setting."""


class ExpectedColumn(Struct, frozen=True):
    """What a column is expected to show, row by row, in its unit."""

    key: str
    title: str
    unit: str
    decimals: int | None
    values: tuple[float, ...]
    divisions: tuple[float, ...] | None
    """The same in divisions of its scale; None for marked values."""


def refused(message: str, /, **values: Any) -> SheetlabError:
    """The error that something asked for cannot be used; its words stand in the catalogue."""
    return SheetlabError(finding(message, Severity.STOP, **values))


class Settings(Struct, frozen=True):
    """A practical whose bench has settings in the place of ranges."""

    practical: Practical
    rows: Mapping[str, int] = {}
    """Rows filled, by table."""
    given: frozenset[str] = frozenset()
    """Names of what was set and is not the typical value of the definition."""

    @property
    def forward(self) -> Forward:
        """The forward model as it stands."""
        assert self.practical.forward is not None
        return self.practical.forward

    def changed(self, **parts: Any) -> Settings:
        """The settings with other parts of the forward model."""
        forward = replace(self.forward, **parts)
        return replace(self, practical=replace(self.practical, forward=forward))

    def with_rows(self, table: str, count: int) -> Settings:
        """The settings with so many rows of a table."""
        return replace(self, rows={**self.rows, table: count})

    def find_truth(self, key: str) -> TruthField | None:
        """A true value of the bench by its key."""
        return next((truth for truth in self.forward.truths if truth.key == key), None)


def typical(truth: TruthField) -> float:
    """The middle of a truth's range, in its unit; of whole steps the lower middle one."""
    if not truth.step:
        return 0.5 * (truth.low + truth.high)
    last = math.floor((truth.high - truth.low) / truth.step + 1e-9)
    return truth.low + truth.step * (last // 2)


def typical_settings(practical: Practical) -> Settings:
    """A practical with typical values in the place of all ranges of its bench."""
    forward = practical.forward
    assert forward is not None
    rows = {table: (low + high) // 2 for table, (low, high) in forward.rows.items()}
    return Settings(practical, rows).changed(
        truths=tuple(
            truth
            if truth.node is not None
            else replace(truth, low=typical(truth), high=typical(truth), step=0.0)
            for truth in forward.truths
        ),
        readings=tuple(
            # an added mass of 0.125 kg pulls with all of it, however few digits a cell has
            replace(reading, decimals=MARKED_DECIMALS) if reading.is_marked else reading
            for reading in forward.readings
        ),
        scales={
            key: replace(scale, zero=(0.5 * sum(scale.zero),) * 2)
            for key, scale in forward.scales.items()
        },
    )


def settable(settings: Settings) -> list[str]:
    """Names of everything that can be set."""
    forward, practical = settings.forward, settings.practical
    found = [truth.key for truth in forward.truths]
    found += [typed.field.key for typed in forward.inputs]
    found += [key for key, typed in practical.inputs.items() if typed.default is not None]
    found += [typed.id for typed in practical.definition.inputs if typed.kind == "number"]
    for key, scale in forward.scales.items():
        parts = [*scale.parameters, *(("zero", "zero_noise") if scale.zero_table else ())]
        found += [f"{key}.{part}" for part in parts]
    for reading in forward.readings:
        parts = ["noise", "place_noise", *(("start", "step") if reading.node is None else ())]
        found += [f"{reading.column}.{part}" for part in parts]
    found += [f"{table}.rows" for table in forward.rows]
    return list(dict.fromkeys(found))


def put(settings: Settings, name: str, text: str) -> Settings:
    """The settings with something else under a name; raises SheetlabError if that cannot be."""
    known = settable(settings)
    if name not in known:
        raise refused("setting-refused_unknown", name=name, known=", ".join(known))
    return _with(replace(settings, given=settings.given | {name}), name, text)


def with_step(settings: Settings, name: str, value: float) -> Settings:
    """The settings with another step (see ``step_of``), which does not count as set."""
    return _with(settings, name, repr(value))


def _with(settings: Settings, name: str, text: str) -> Settings:
    typed = settings.practical.inputs.get(name)
    if settings.find_truth(name) is not None:
        return with_truth(settings, name, _number(name, text))
    if not any(one.field.key == name for one in settings.forward.inputs):
        if typed is not None and typed.default is not None:
            return _with_default(settings, name, _number(name, text))
        owner, dot, part = name.rpartition(".")
        if dot:
            return _with_part(settings, owner, part, _number(name, text))
    return with_input(settings, name, text)


def _number(name: str, text: str) -> float:
    """A number of moderate size from a text."""
    found = typed_number(text)
    if found is not None and found.ambiguous:
        ways = {"value": f"{found.value:g}", "other": text.replace(",", "")}
        raise refused("setting-refused_two-ways", name=name, text=text, **ways)
    if found is None or not abs(found.value) <= MOST:
        raise refused("setting-refused_no-number", name=name, text=text)
    return found.value


def _within(name: str, value: float, low: float | None, high: float | None) -> None:
    """Refuse a number outside of its limits."""
    if (low is not None and value < low) or (high is not None and value > high):
        ends = ["any" if end is None else f"{end:g}" for end in (low, high)]
        raise refused(
            "setting-refused_limits", name=name, value=f"{value:g}", low=ends[0], high=ends[1]
        )


def _whole(name: str, value: float) -> None:
    if value != round(value):
        raise refused("setting-refused_whole", name=name, value=f"{value:g}")


def with_truth(settings: Settings, name: str, value: float) -> Settings:
    """The settings with another true value, in its unit; raises SheetlabError beyond limits."""
    truth = settings.find_truth(name)
    assert truth is not None
    typed = settings.practical.inputs.get(name)
    if typed is not None:
        _within(name, value, typed.minimum, typed.maximum)
    worked = settings.practical.derived.get(name)
    if worked is not None and worked.plausible is not None:
        _within(name, worked.unit.from_si(truth.unit.to_si(value)), *worked.plausible)
    fixed = replace(truth, low=value, high=value, step=0.0, node=None)
    return settings.changed(
        truths=tuple(fixed if one is truth else one for one in settings.forward.truths)
    )


def with_input(settings: Settings, name: str, text: str) -> Settings:
    """The settings with what is typed into a single input, also one that the bench leaves empty."""
    typed = settings.practical.inputs[name]
    if typed.kind == "choice" and text not in typed.choices:
        choices = ", ".join(typed.choices)
        raise refused("setting-refused_choice", name=name, text=text, choices=choices)
    node = None
    if typed.kind == "number":
        value = _number(name, text)
        _within(name, value, typed.minimum, typed.maximum)
        node = Number(typed.unit.to_si(value))
    inputs = {one.field.key: one for one in settings.forward.inputs}
    inputs[name] = InputValue(typed, node, text)
    return settings.changed(inputs=tuple(inputs.values()))


def _with_default(settings: Settings, name: str, value: float) -> Settings:
    """The settings with another usual value of an input, such as the limit of an instrument."""
    typed = settings.practical.inputs[name]
    _within(name, value, typed.minimum, typed.maximum)
    inputs = {**settings.practical.inputs, name: replace(typed, default=value)}
    return replace(settings, practical=replace(settings.practical, inputs=inputs))


def _with_part(settings: Settings, owner: str, part: str, value: float) -> Settings:
    """The settings with another part of a table, an instrument or a column."""
    name = f"{owner}.{part}"
    if part == "rows":
        _within(name, value, max(1, least_rows(settings, owner)), settings.practical.tables[owner])
        _whole(name, value)
        return settings.with_rows(owner, round(value))
    if part in ("noise", "place_noise", "zero_noise"):
        _within(name, value, 0.0, None)
    scale = settings.forward.scales.get(owner)
    if scale is None:
        return _with_reading(settings, owner, **{part: value})
    if part == "zero":
        scale = replace(scale, zero=(value, value))
    elif part == "zero_noise":
        scale = replace(scale, zero_noise=value)
    else:
        kind = next(one for one in scale.kind.parameters if one.id == part)
        _within(name, value, max(kind.minimum, 1e-9), kind.maximum)
        if kind.decimals == 0:
            _whole(name, value)
        parameters = {**scale.parameters, part: value}
        values = scale_values(scale.kind, parameters)
        scale = replace(scale, parameters=parameters, values=values)
    return settings.changed(scales={**settings.forward.scales, owner: scale})


def _with_reading(settings: Settings, column: str, **parts: Any) -> Settings:
    return settings.changed(
        readings=tuple(
            replace(reading, **parts) if reading.column == column else reading
            for reading in settings.forward.readings
        )
    )


def with_loads(settings: Settings, reading: ReadingField, loads: Sequence[float]) -> Settings:
    """The settings with a column that is filled with loads of unequal steps, in its unit."""
    node = _row_by_row([reading.unit.to_si(load) for load in loads])
    made = _with_reading(settings, reading.column, node=node)
    return made.with_rows(reading.table, len(loads))


def _row_by_row(values: Sequence[float]) -> Node:
    """A formula that has these values in the rows 0, 1, 2 ...

    Between rows i - 1 and i, (|row - (i - 1)| - |row - i| + 1) / 2 rises from 0 to 1.
    """

    def away(row: int) -> Node:
        return Call("abs", (Binary("-", Name(ROW), Number(float(row))),))

    found: Node = Number(values[0])
    for i in range(1, len(values)):
        twice = Binary("+", Binary("-", away(i - 1), away(i)), Number(1.0))
        half = Number(0.5 * (values[i] - values[i - 1]))
        found = Binary("+", found, Binary("*", half, twice))
    return found


def least_rows(settings: Settings, table: str) -> int:
    """Fewest rows of a table that the definition asks for."""
    return next(t for t in settings.practical.definition.tables if t.id == table).minimum_rows


# -- what follows ----------------------------------------------------------------------------------


def quiet(practical: Practical, rows: Mapping[str, int]) -> Shown:
    """What the scales show without any noise.

    Raises
    ------
    BenchError
        If a formula gives no number.
    """
    return show(practical, draw(practical, 0, rows=rows, silent=True))


class Step(Struct, frozen=True):
    """What sets the step from row to row: a truth, or a reading with a step."""

    name: str
    title: str
    unit: str
    value: float


def step_of(settings: Settings, table: str) -> Step | None:
    """The step from row to row of a table; None if its rows have none."""
    for reading in settings.forward.readings:
        if reading.table != table:
            continue
        title = f"step of {settings.practical.field(reading.keys[0]).title}"
        if reading.node is None and reading.step:
            return Step(f"{reading.column}.step", title, reading.unit.pretty, reading.step)
        used: Collection[str] = () if reading.node is None else names(reading.node)
        for truth in map(settings.find_truth, used) if ROW in used else ():
            if truth is not None and truth.node is None:
                return Step(truth.key, title, truth.unit.pretty, truth.low)
    return None


def main_table(practical: Practical) -> str:
    """Table of the first line, or the first that is read."""
    forward = practical.forward
    assert forward is not None
    tables = [practical.field(line.x).table for line in practical.lines.values()]
    return next((str(t) for t in tables if t in forward.rows), forward.readings[0].table)


def steps_are_loads(settings: Settings, table: str, step: str) -> bool:
    """Whether the step of a plan is the step of the load column, number by number."""
    stress = settings.practical.stress
    if stress is None or stress.table != table:
        return False
    trial = put(settings, step, "0.5")
    fewest = {name: low for name, (low, _) in trial.forward.rows.items()}
    shown = quiet(trial.practical, {**fewest, table: 3})
    reading = next((r for r in trial.forward.readings if stress.column in r.keys), None)
    if reading is None:
        return False
    loads = [reading.unit.from_si(v) for v in shown.true[reading.column]]
    return all(math.isclose(v, 0.5 * i, abs_tol=1e-9) for i, v in enumerate(loads))


def expected(practical: Practical, rows: Mapping[str, int], table: str) -> list[ExpectedColumn]:
    """What the columns of a table are expected to show."""
    shown = quiet(practical, rows)
    columns = []
    for reading in shown.forward.readings:
        if reading.table != table:
            continue
        key, unit, division = reading.keys[0], reading.unit, one_division(shown, reading)
        values = tuple(unit.from_si(v) for v in shown.seen[key])
        columns.append(
            ExpectedColumn(
                key,
                practical.field(key).title,
                unit.pretty,
                practical.field(key).decimals if reading.rounded else None,
                values,
                tuple(v * unit.factor / division for v in values) if division else None,
            )
        )
    return columns


def one_division(shown: Shown, reading: ReadingField) -> float | None:
    """One division of a reading's scale, SI units; None if it has none."""
    if not reading.rounded:
        return None
    scale = shown.forward.scales[reading.scale]
    return scale.values["least_count"] * scale.unit.factor
