"""What a plan rests on: settings in the place of ranges, and what is then expected. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from msgspec import Struct, field
from msgspec.structs import replace

from sheetlab.finding import Finding, Severity, SheetlabError
from sheetlab.formula.tree import Binary, Call, Name, Node, Number, names
from sheetlab.practical.bench_fields import ROW, Forward, InputValue, ReadingField, TruthField
from sheetlab.practical.forward import Draws, Shown, draw, scale_values, show
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import typed_number

MARKED_DECIMALS = 9
MOST = 1e12
"""Greatest size of a number in a setting."""


class Assumption(Struct, frozen=True):
    """A number that the plan rests on, in its unit."""

    key: str
    title: str
    value: float
    unit: str
    given: bool
    """Whether it was set and is not the typical value of the definition."""


class ExpectedColumn(Struct, frozen=True):
    """What a column is expected to show, row by row, in its unit."""

    key: str
    title: str
    unit: str
    decimals: int | None
    values: tuple[float, ...]
    divisions: tuple[float, ...] | None
    """The same in divisions of its scale; None for marked values."""


def refused(what: str, found: str, expected: str) -> Finding:
    """That a setting cannot be used."""
    return Finding(
        "setting-refused",
        Severity.STOP,
        f"{what}: {found}",
        expected,
        "Correct it and plan again; nothing was written.",
    )


def typical(truth: TruthField) -> float:
    """The middle of a truth's range, in its unit; of whole steps the lower middle one."""
    if not truth.step:
        return 0.5 * (truth.low + truth.high)
    last = math.floor((truth.high - truth.low) / truth.step + 1e-9)
    return truth.low + truth.step * (last // 2)


class Settings(Struct):
    """Puts settings in the place of the typical values of a bench."""

    practical: Practical
    rows: dict[str, int] = field(default_factory=dict)
    given: set[str] = field(default_factory=set)

    @property
    def forward(self) -> Forward:
        """The forward model as it stands."""
        assert self.practical.forward is not None
        return self.practical.forward

    def change(self, forward: Forward) -> None:
        """Take another forward model."""
        self.practical = replace(self.practical, forward=forward)

    def begin(self) -> None:
        """Put typical values in the place of all ranges."""
        forward = self.forward
        self.rows = {table: (low + high) // 2 for table, (low, high) in forward.rows.items()}
        self.change(
            replace(
                forward,
                truths=tuple(
                    one
                    if one.node is not None
                    else replace(one, low=typical(one), high=typical(one), step=0.0)
                    for one in forward.truths
                ),
                readings=tuple(
                    # an added mass of 0.125 kg pulls with all of it, however few digits a cell has
                    replace(one, decimals=MARKED_DECIMALS) if one.is_marked else one
                    for one in forward.readings
                ),
                scales={
                    key: replace(one, zero=(0.5 * sum(one.zero),) * 2)
                    for key, one in forward.scales.items()
                },
            )
        )

    def names(self) -> list[str]:
        """Everything that can be set."""
        forward = self.forward
        found = [one.key for one in forward.truths]
        found += [one.field.key for one in forward.inputs]
        found += [k for k, one in self.practical.inputs.items() if one.default is not None]
        found += [one.id for one in self.practical.definition.inputs if one.kind == "number"]
        for key, scale in forward.scales.items():
            found += [f"{key}.{name}" for name in scale.parameters]
            found += [f"{key}.zero", f"{key}.zero_noise"] if scale.zero_table else []
        for reading in forward.readings:
            found += [f"{reading.column}.{name}" for name in ("noise", "place_noise")]
            found += [f"{reading.column}.{n}" for n in ("start", "step") if reading.node is None]
        found += [f"{table}.rows" for table in forward.rows]
        return list(dict.fromkeys(found))

    def put(self, name: str, text: str) -> None:
        """Set something by its name; raises SheetlabError if that cannot be."""
        if name not in self.names():
            raise SheetlabError(
                refused(f"“{name}”", "there is nothing of this name", ", ".join(self.names()))
            )
        self.given.add(name)
        if any(one.key == name for one in self.forward.truths):
            self.truth(name, self.number(name, text))
        elif any(one.field.key == name for one in self.forward.inputs):
            self.input(name, text)
        elif name in self.practical.inputs and self.practical.inputs[name].default is not None:
            self.default(name, self.number(name, text))
        elif "." not in name:
            self.input(name, text)
        else:
            owner, _, part = name.rpartition(".")
            if part == "rows":
                self.table(owner, self.number(name, text))
            elif owner in self.forward.scales:
                self.scale(owner, part, self.number(name, text))
            else:
                self.reading(owner, part, self.number(name, text))

    def number(self, name: str, text: str) -> float:
        """A number of moderate size from a text."""
        found = typed_number(text)
        if found is not None and found.ambiguous:
            either = f"“{text}” can be read as {found.value:g} and as {text.replace(',', '')}"
            raise SheetlabError(refused(f"“{name}”", either, "a decimal point"))
        if found is None or not abs(found.value) <= MOST:
            expected = "a number without a unit, such as 2.5"
            raise SheetlabError(refused(f"“{name}”", f"“{text}” is no number", expected))
        return found.value

    def within(self, name: str, value: float, low: float | None, high: float | None) -> None:
        """Refuse a number outside of its limits."""
        if (low is not None and value < low) or (high is not None and value > high):
            ends = ("any" if end is None else f"{end:g}" for end in (low, high))
            raise SheetlabError(refused(f"“{name}”", f"{value:g}", " to ".join(ends)))

    def truth(self, name: str, value: float) -> None:
        """Set a true value, in its unit."""
        typed = self.practical.inputs.get(name)
        if typed is not None:
            self.within(name, value, typed.minimum, typed.maximum)
        worked = self.practical.derived.get(name)
        if worked is not None and worked.plausible is not None:
            truth = next(one for one in self.forward.truths if one.key == name)
            self.within(name, worked.unit.from_si(truth.unit.to_si(value)), *worked.plausible)
        truths = tuple(
            replace(one, low=value, high=value, step=0.0, node=None) if one.key == name else one
            for one in self.forward.truths
        )
        self.change(replace(self.forward, truths=truths))

    def input(self, name: str, text: str) -> None:
        """Set what is typed into a single input, also into one that the bench leaves empty."""
        its = self.practical.inputs[name]
        if its.kind == "choice" and text not in its.choices:
            expected = ", ".join(its.choices)
            raise SheetlabError(refused(f"“{name}”", f"“{text}” is not a choice", expected))
        node = None
        if its.kind == "number":
            value = self.number(name, text)
            self.within(name, value, its.minimum, its.maximum)
            node = Number(its.unit.to_si(value))
        typed = {one.field.key: one for one in self.forward.inputs}
        typed[name] = InputValue(its, node, text)
        self.change(replace(self.forward, inputs=tuple(typed.values())))

    def default(self, name: str, value: float) -> None:
        """Set an input that has a usual value, such as the limit of an instrument."""
        its = self.practical.inputs[name]
        self.within(name, value, its.minimum, its.maximum)
        inputs = {**self.practical.inputs, name: replace(its, default=value)}
        self.practical = replace(self.practical, inputs=inputs)

    def scale(self, key: str, part: str, value: float) -> None:
        """Set a parameter or the zero of an instrument."""
        scale = self.forward.scales[key]
        if part == "zero":
            made = replace(scale, zero=(value, value))
        elif part == "zero_noise":
            self.within(f"{key}.{part}", value, 0.0, None)
            made = replace(scale, zero_noise=value)
        else:
            its = next(p for p in scale.kind.parameters if p.id == part)
            self.within(f"{key}.{part}", value, max(its.minimum, 1e-9), its.maximum)
            if its.decimals == 0 and value != round(value):
                raise SheetlabError(refused(f"“{key}.{part}”", f"{value:g}", "a whole number"))
            parameters = {**scale.parameters, part: value}
            values = scale_values(scale.kind, parameters)
            made = replace(scale, parameters=parameters, values=values)
        self.change(replace(self.forward, scales={**self.forward.scales, key: made}))

    def reading(self, column: str, part: str, value: float) -> None:
        """Set the noise or the step of a column."""
        if part in ("noise", "place_noise"):
            self.within(f"{column}.{part}", value, 0.0, None)
        readings = tuple(
            _with_part(one, part, value) if one.column == column else one
            for one in self.forward.readings
        )
        self.change(replace(self.forward, readings=readings))

    def hang(self, column: str, loads: Sequence[float]) -> None:
        """Fill a column with loads that need no equal steps, in its unit, from the first row."""
        readings = tuple(
            replace(one, node=_row_by_row([one.unit.to_si(load) for load in loads]))
            if one.column == column
            else one
            for one in self.forward.readings
        )
        self.change(replace(self.forward, readings=readings))

    def table(self, table: str, value: float) -> None:
        """Set how many rows of a table are filled."""
        least = next(t for t in self.practical.definition.tables if t.id == table).minimum_rows
        self.within(f"{table}.rows", value, max(1, least), self.practical.tables[table])
        if value != round(value):
            raise SheetlabError(refused(f"“{table}.rows”", f"{value:g}", "a whole number"))
        self.rows[table] = round(value)


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


def _with_part(one: ReadingField, part: str, value: float) -> ReadingField:
    match part:
        case "noise":
            return replace(one, noise=value)
        case "place_noise":
            return replace(one, place_noise=value)
        case "start":
            return replace(one, start=value)
        case _:
            return replace(one, step=value)


def quiet(practical: Practical, rows: Mapping[str, int]) -> Shown:
    """What the scales show without any noise.

    Raises
    ------
    BenchError
        If a formula gives no number.
    """
    draws = draw(practical, 0, rows=rows)
    return show(practical, _silent(draws))


def _silent(draws: Draws) -> Draws:
    return replace(draws, noise={key: [0.0] * len(row) for key, row in draws.noise.items()})


class Step(Struct, frozen=True):
    """What sets the step from row to row: a truth, or a reading with a step."""

    name: str
    title: str
    unit: str
    value: float


def step_of(practical: Practical, table: str) -> Step | None:
    """The step from row to row of a table; None if its rows have none."""
    forward = practical.forward
    assert forward is not None
    truths = {one.key: one for one in forward.truths if one.node is None}
    for one in forward.readings:
        if one.table != table:
            continue
        title = practical.field(one.keys[0]).title
        if one.node is None and one.step:
            return Step(f"{one.column}.step", f"step of {title}", one.unit.pretty, one.step)
        used = names(one.node) if one.node is not None else ()
        if ROW in used:
            for key in used:
                if key in truths:
                    truth = truths[key]
                    return Step(key, f"step of {title}", truth.unit.pretty, truth.low)
    return None


def main_table(practical: Practical) -> str:
    """Table of the first line, or the first that is read."""
    forward = practical.forward
    assert forward is not None
    for line in practical.lines.values():
        table = practical.field(line.x).table
        if table in forward.rows:
            return str(table)
    return forward.readings[0].table


def steps_are_loads(practical: Practical, table: str, step: str) -> bool:
    """Whether the step of a plan is the step of the load column, number by number."""
    stress = practical.stress
    if stress is None or stress.table != table:
        return False
    trial = Settings(practical)
    trial.put(step, "0.5")
    forward = trial.forward
    shown = quiet(trial.practical, {**{t: low for t, (low, _) in forward.rows.items()}, table: 3})
    column = next((r for r in forward.readings if stress.column in r.keys), None)
    if column is None:
        return False
    loads = [column.unit.from_si(v) for v in shown.true[column.column]]
    return all(math.isclose(v, 0.5 * i, abs_tol=1e-9) for i, v in enumerate(loads))


def expected(practical: Practical, rows: Mapping[str, int], table: str) -> list[ExpectedColumn]:
    """What the columns of a table are expected to show."""
    shown = quiet(practical, rows)
    found = []
    for one in shown.forward.readings:
        if one.table != table:
            continue
        key = one.keys[0]
        values = tuple(one.unit.from_si(v) for v in shown.seen[key])
        count = one_division(shown, one)
        found.append(
            ExpectedColumn(
                key,
                practical.field(key).title,
                one.unit.pretty,
                practical.field(key).decimals if one.rounded else None,
                values,
                None if not count else tuple(v * one.unit.factor / count for v in values),
            )
        )
    return found


def one_division(shown: Shown, one: ReadingField) -> float | None:
    """One division of a reading's scale, SI units; None if it has none."""
    if not one.rounded:
        return None
    scale = shown.forward.scales[one.scale]
    return scale.values["least_count"] * scale.unit.factor
