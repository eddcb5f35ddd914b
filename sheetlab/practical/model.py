"""A definition made ready: every input, every derived value, every check under one flat name.

``compile_practical`` is the only place that knows how instruments, repeats and tables become
names: ``screw_gauge.least_count``, ``diameter.d.1.main``, ``readings.mean``. Evaluation, layout,
templates and readers speak these names and need to know nothing of practicals.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from sheetlab.formula import dimensions
from sheetlab.formula.functions import NAMES
from sheetlab.formula.render import SHORT_TEXT
from sheetlab.formula.tree import (
    Call,
    Fitted,
    FormulaError,
    Name,
    Node,
    Number,
    names,
    parse,
    substitute,
    walk,
)
from sheetlab.practical.definition import (
    REGISTER_FACTS,
    Assist,
    Check,
    Column,
    Constant,
    Curve,
    Definition,
    Instrument,
    Line,
    Table,
    Uncertainty,
)
from sheetlab.practical.instruments import CORRECTED, KINDS, Kind, Part, PartCheck
from sheetlab.units import PURE, Dimension, Unit, UnitError, interval_of, unit

if TYPE_CHECKING:
    from sheetlab.practical.forward import Forward

MAX_RUNS = 4
MAX_DECIMALS = 12
MAX_ZERO_ROWS = 50
MAX_CELLS = 20_000
MAX_QUANTITIES = 200
MOST_KEPT = 2000
MAX_RESULTS = 30
MAX_TEXT = 250
"""Spreadsheet programs hold 255 characters in a text of a formula and in a list of choices."""
RESERVED_SHEETS = (
    "start",
    "sheetlab",
    "evaluation",
    "budget",
    "lines",
    "working",
    "graphs",
    "findings",
)
"""Titles, in small letters, of the sheets that sheetlab itself makes."""
LINE_RESULTS = ("slope", "intercept")
LEFT_OUT = "left_out"
"""Last part of the key of the column in which a row is left out with a reason."""
LEAST_REASON = SHORT_TEXT + 1
"""Letters of a text that says something: “no”, “x” or a number leave nothing out."""


class DefinitionError(ValueError):
    """A definition that is refused: key, reason, what is allowed."""

    def __init__(self, key: str, reason: str, allowed: str = "") -> None:
        super().__init__(f"{key}: {reason}")
        self.key, self.reason, self.allowed = key, reason, allowed


@dataclass(frozen=True, slots=True)
class SourceSpec:
    """A type B source of uncertainty that a value brings along."""

    key: str
    """Values that name the same key share the source, so that it cancels in differences."""
    label: str
    half_width: Node
    """In coherent SI units, or a fraction if ``relative``."""
    distribution: Literal["rectangular", "triangular", "normal"] = "rectangular"
    relative: bool = False
    rounding: bool = False
    """Rounding of a reading: left out where the scatter of repeats already shows it."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class InputField:
    """Something that is typed: one cell, or a column of a table."""

    key: str
    title: str
    unit: Unit
    symbol: str = ""
    table: str | None = None
    rows: int = 1
    decimals: int | None = None
    kind: Literal["number", "choice", "text"] = "number"
    minimum: float | None = None
    maximum: float | None = None
    required: bool = False
    default: float | None = None
    choices: tuple[str, ...] = ()
    choice_values: tuple[float, ...] = ()
    help: str = ""
    sources: tuple[SourceSpec, ...] = ()
    answer: bool = False
    """One of the student's own results."""
    instrument: str = ""
    """Instrument of a reading that is typed as one number."""


def expected_of(one: InputField) -> str:
    """What may be typed into an input, for messages."""
    if one.kind == "choice":
        return "one of: " + ", ".join(one.choices)
    unit = f" in {one.unit.pretty}" if one.unit.pretty else ""
    limits = ""
    if one.minimum is not None and one.maximum is not None:
        limits = f" from {one.minimum:g} to {one.maximum:g}"
    elif one.minimum is not None:
        limits = f" of {one.minimum:g} or more"
    return f"a number{limits}{unit}"


@dataclass(frozen=True, slots=True)
class DerivedField:
    """Something worked out by a formula: one number, or a column of a table."""

    key: str
    title: str
    unit: Unit
    node: Node
    text: str
    symbol: str = ""
    table: str | None = None
    rows: int = 1
    decimals: int | None = None
    assist: Assist = Assist.CORRECTED
    sources: tuple[SourceSpec, ...] = ()
    maximum_error: Node | None = None
    plausible: tuple[float, float] | None = None
    """In the field's unit."""
    instrument: str = ""
    """Instrument of a reading."""


Field = InputField | DerivedField


@dataclass(frozen=True, slots=True)
class CheckField:
    """A condition on readings; ``table`` None for one on quantities."""

    code: str
    node: Node
    question: str
    expected: str
    severity: Literal["note", "doubtful"]
    at: str
    table: str | None = None
    rows: int = 1
    reading: str = ""
    """Reading of which one part is checked; empty for a check of whole readings."""
    live_only: bool = False
    once: bool = False
    """Several broken rows and columns of a table are one finding."""


@dataclass(frozen=True, slots=True)
class LineField:
    """A straight line with its columns resolved."""

    definition: Line
    x: str
    y: tuple[str, ...]
    labels: tuple[str, ...]
    back: tuple[bool, ...] = ()
    """For each column of ``y`` whether it is read on the way back."""

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns that the line is fitted to, in the order of the functions' arguments."""
        stated = (self.definition.u_x, self.definition.u_y)
        return (self.x, *(key for key in stated if key), *self.y)

    @property
    def kind(self) -> Literal["ordinary", "origin", "weighted", "both_errors"]:
        """How it is fitted."""
        if self.definition.through_origin:
            return "origin"
        if self.definition.u_x:
            return "both_errors"
        return "weighted" if self.definition.u_y else "ordinary"

    @property
    def functions(self) -> Mapping[str, str]:
        """Function of the table for each result of the line."""
        kind = self.kind
        if kind == "origin":
            return {"slope": "origin_slope"}
        prefix = "" if kind == "ordinary" else f"{kind}_"
        return {result: f"{prefix}{result}" for result in LINE_RESULTS}


def triangle_keys(line: LineField) -> tuple[str, str, str, str]:
    """Inputs of the corners of a gradient triangle: x and y of the first, of the second."""
    base = f"{line.definition.id}.triangle"
    return (f"{base}.x1", f"{base}.y1", f"{base}.x2", f"{base}.y2")


@dataclass(frozen=True, slots=True)
class CurveField:
    """A curve with its columns and its parameters resolved."""

    definition: Curve
    parameters: tuple[Fitted, ...]

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns that the curve is fitted to."""
        return tuple(name.key for name in self.parameters[0].columns)


@dataclass(frozen=True, slots=True)
class StressField:
    """How loads stress what they hang on, resolved; the parts that a plan can set may be empty."""

    column: str
    table: str
    node: Node
    material: str
    dead_load: str
    diameter: str
    length: str
    modulus: str


@dataclass(frozen=True, slots=True)
class Practical:
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
    _uses: dict[int, tuple[Node, tuple[str, ...]]] = field(
        default_factory=dict, repr=False, compare=False
    )
    """What formulas use, by identity, worked out once for all workbooks of this definition."""
    _below: dict[str, frozenset[str]] = field(default_factory=dict, repr=False, compare=False)

    def field(self, key: str) -> Field:
        """A field by its key."""
        return self.inputs[key] if key in self.inputs else self.derived[key]

    def owner(self, key: str) -> str:
        """Title of the instrument or table that a field belongs to; of the practical if none."""
        name = key.split(".", maxsplit=1)[0]
        titles = {one.id: one.title for one in self.definition.instruments}
        titles |= {one.id: one.title for one in self.definition.tables}
        return titles.get(name, self.definition.title)

    def columns(self, key: str) -> tuple[str, ...]:
        """The columns behind a name."""
        return self.blocks.get(key, (key,))

    def depends(self, node: Node) -> tuple[str, ...]:
        """Fields that a formula uses directly; not the texts that it only asks for."""
        known = self._uses.get(id(node))
        if known is not None and known[0] is node:
            return known[1]
        found = tuple(
            column
            for key in names(node)
            for column in self.columns(key)
            if column in self.derived or self.inputs[column].kind != "text"
        )
        if len(self._uses) < MOST_KEPT:
            self._uses[id(node)] = node, found
        return found

    def below(self) -> Mapping[str, frozenset[str]]:
        """What each field depends on, itself included; worked out once."""
        if not self._below:
            found = {key: frozenset((key,)) for key in self.inputs}
            for key, one in self.derived.items():
                found[key] = frozenset((key,)).union(*(found[k] for k in self.depends(one.node)))
            self._below.update(found)
        return self._below

    def reasons(self) -> tuple[str, ...]:
        """Columns in which rows are left out with a reason."""
        return tuple(key for key in self.inputs if key.endswith(f".{LEFT_OUT}"))


def without_condition(node: Node) -> Node:
    """What a formula works out in rows that are not left out."""
    while isinstance(node, Call) and node.function == "unless":
        node = node.arguments[1]
    return node


def compile_practical(
    definition: Definition,
    source_text: str,
    digest: str,
    runs: int = 1,
    rows: Mapping[str, int] | None = None,
) -> Practical:
    """Resolve a definition.

    Parameters
    ----------
    runs
        How often a column marked ``per_run`` is repeated, 1 to 4.
    rows
        Rows of tables that a workbook has more or fewer of than the definition says.

    Raises
    ------
    DefinitionError
        For the first key whose content cannot be used.
    """
    return _Compiler(definition, runs, rows or {}).compile(source_text, digest)


START_PREFIX = "start."
START_INPUTS = tuple(
    InputField(key=f"{START_PREFIX}{name}", title=title, unit=PURE, kind="text", help=help_)
    for name, title, help_ in (
        ("group", "Group", "The name or number of your group."),
        ("setup", "Set-up", "The number on the bench or on the apparatus."),
        ("observers", "Observers", "Initials or codes, as your teacher wants them."),
        ("date", "Date", "The day of the measurement."),
        ("person", "Person in charge", "Who decides on loads and rules in this laboratory."),
        ("rules", "Local rules", "Rules of this laboratory that apply, or where they hang."),
    )
)
"""What every workbook asks on its first sheet."""


@dataclass(slots=True)
class _Compiler:
    definition: Definition
    runs: int
    rows: Mapping[str, int]
    inputs: dict[str, InputField] = field(default_factory=dict)
    derived: dict[str, DerivedField] = field(default_factory=dict)
    blocks: dict[str, tuple[str, ...]] = field(default_factory=dict)
    repeated: set[str] = field(default_factory=set)
    checks: list[CheckField] = field(default_factory=list)
    lines: dict[str, LineField] = field(default_factory=dict)
    curves: dict[str, CurveField] = field(default_factory=dict)
    tables: dict[str, int] = field(default_factory=dict)
    constants: set[str] = field(default_factory=set)
    accepted: dict[tuple[str, int], Node] = field(default_factory=dict)
    where: dict[str, str] = field(default_factory=dict)
    """Key of the definition file that a name came from."""

    def compile(self, source_text: str, digest: str) -> Practical:
        d = self.definition
        sheets = {sheet.id for sheet in d.sheets}
        self.check_sheets()
        self.check_limits()
        self.check_register()
        for group in ("instruments", "inputs", "tables", "quantities"):
            for item in getattr(d, group):
                if item.sheet and item.sheet not in sheets:
                    raise DefinitionError(
                        f"{group}.{item.id}.sheet",
                        f"there is no sheet “{item.sheet}”",
                        ", ".join(sorted(sheets)),
                    )
        for start in START_INPUTS:
            self.add_input(start, start.key)
        for instrument in d.instruments:
            self.add_instrument(instrument)
        for one in d.inputs:
            where = f"inputs.{one.id}"
            its_unit = self.unit(one.unit, f"{where}.unit")
            sources = tuple(
                self.source(u, f"{one.id}#{i}", its_unit) for i, u in enumerate(one.uncertainty)
            )
            if one.kind == "choice" and not one.choices:
                raise DefinitionError(f"{where}.choices", "a choice needs its choices")
            self.add_input(
                InputField(
                    key=one.id,
                    title=one.title,
                    unit=its_unit,
                    symbol=one.symbol,
                    decimals=one.decimals,
                    kind=one.kind,
                    minimum=one.minimum,
                    maximum=one.maximum,
                    required=one.required,
                    default=one.default,
                    choices=one.choices,
                    choice_values=tuple(map(float, range(len(one.choices)))),
                    help=one.help,
                    sources=sources,
                ),
                where,
            )
        for table in d.tables:
            self.add_table(table)
        for line in d.lines:
            self.add_line(line)
        for curve in d.curves:
            self.add_curve(curve)
        for constant in d.constants:
            self.add_constant(constant)
        for quantity in d.quantities:
            where = f"quantities.{quantity.id}"
            its_unit = self.unit(quantity.unit, f"{where}.unit")
            maximum = quantity.maximum_error
            self.add_derived(
                DerivedField(
                    key=quantity.id,
                    title=quantity.title,
                    unit=its_unit,
                    node=self.parse(quantity.formula, f"{where}.formula"),
                    text=quantity.formula,
                    symbol=quantity.symbol,
                    decimals=quantity.decimals,
                    assist=quantity.assist,
                    sources=tuple(
                        self.source(u, f"{quantity.id}#{i}", its_unit)
                        for i, u in enumerate(quantity.uncertainty)
                    ),
                    maximum_error=(
                        self.parse(maximum, f"{where}.maximum_error") if maximum else None
                    ),
                    plausible=quantity.plausible,
                ),
                where,
            )
        for check in d.checks:
            self.add_check(check, f"checks.{check.code}", None, 1, {})
        self.check_formulas()
        self.expand_lines()
        for answer in d.answers:
            its_unit = self.unit(answer.unit, f"answers.{answer.id}.unit")
            if answer.quantity and answer.quantity not in self.derived:
                raise DefinitionError(
                    f"answers.{answer.id}.quantity", f"there is no quantity “{answer.quantity}”"
                )
            if (
                answer.quantity
                and its_unit.dimension != self.derived[answer.quantity].unit.dimension
            ):
                raise DefinitionError(
                    f"answers.{answer.id}.unit",
                    f"“{answer.unit}” does not measure the same as the quantity",
                )
            self.add_input(
                InputField(
                    key=f"answer.{answer.id}",
                    title=answer.title,
                    unit=its_unit,
                    decimals=answer.decimals,
                    answer=True,
                    help="Your own result, worked out from your own readings.",
                ),
                f"answers.{answer.id}",
            )
        for fitted_line in self.lines.values():
            if fitted_line.definition.triangle:
                self.add_triangle(fitted_line)
        self.check_results()
        return Practical(
            definition=d,
            source_text=source_text,
            digest=digest,
            runs=self.runs,
            inputs=self.inputs,
            derived=self.ordered(),
            blocks=self.blocks,
            checks=tuple(self.checks),
            lines=self.lines,
            curves=self.curves,
            tables=self.tables,
            accepted=self.accepted,
            stress=self.stress(),
        )

    def stress(self) -> StressField | None:
        one = self.definition.stress
        if one is None:
            return None
        column, choice = self.inputs.get(one.column), self.inputs.get(one.material)
        if column is None or column.table is None or column.kind != "number":
            raise DefinitionError(
                "stress.column", f"“{one.column}” is not a column that is typed", "table.column"
            )
        if choice is None or choice.kind != "choice":
            raise DefinitionError(
                "stress.material", f"“{one.material}” is not an input that is chosen"
            )
        for key in ("dead_load", "diameter", "length", "modulus"):
            name = getattr(one, key)
            its = self.inputs.get(name) or self.derived.get(name)
            if name and (its is None or its.table is not None):
                raise DefinitionError(f"stress.{key}", f"there is no “{name}”", "its name")
        where = "stress.formula"
        table = next(t for t in self.definition.tables if t.id == column.table)
        local = {c.id: f"{table.id}.{c.id}" for c in table.columns}
        node = self.parse(one.formula, where, local)
        found = self.checked(one.formula, node, table.id, where)
        if found != unit("Pa").dimension:
            given = "is a condition" if found is None else f"has the dimension {found}"
            raise DefinitionError(where, given, "a stress")
        return StressField(
            one.column, table.id, substitute(node, self.line_calls()), one.material,
            one.dead_load, one.diameter, one.length, one.modulus,
        )  # fmt: skip

    def check_sheets(self) -> None:
        titles = [sheet.title for sheet in self.definition.sheets]
        for i, title in enumerate(titles):
            if not re.fullmatch(r"[^\[\]:*?/\\']{1,31}", title):
                raise DefinitionError(
                    f"sheets[{i}].title", f"“{title}” cannot name a sheet", "1 to 31 characters"
                )
            if title.lower() in (*RESERVED_SHEETS, *(t.lower() for t in titles[:i])):
                raise DefinitionError(f"sheets[{i}].title", f"“{title}” is taken", "another title")

    def check_register(self) -> None:
        """Facts of the register that inputs and quantities name."""
        named = [
            ("inputs", one.id, one.register, one.unit, one.kind) for one in self.definition.inputs
        ]
        named += [
            ("quantities", q.id, q.register, q.unit, "number") for q in self.definition.quantities
        ]
        for group, id_, fact, its_unit, kind in named:
            where = f"{group}.{id_}.register"
            if not fact:
                continue
            if fact not in REGISTER_FACTS:
                allowed = ", ".join(REGISTER_FACTS)
                raise DefinitionError(where, f"the register has no fact “{fact}”", allowed)
            of = REGISTER_FACTS[fact]
            fits = (kind == "number") == bool(of)
            if fits and of:
                fits = unit(of).dimension == self.unit(its_unit, where).dimension
            if not fits:
                raise DefinitionError(where, f"“{fact}” cannot stand here", of or "a text")

    def check_limits(self) -> None:
        """Sizes that a workbook and a spreadsheet program can hold."""
        d = self.definition
        decimals = [(one.id, one.decimals) for one in d.instruments]
        decimals += [(one.id, one.decimals) for one in d.inputs]
        decimals += [(one.id, one.decimals) for one in d.quantities]
        decimals += [(one.id, one.decimals) for one in d.answers]
        decimals += [(c.id, c.decimals or 0) for table in d.tables for c in table.columns]
        cells = sum(
            table.rows * c.repeats * (MAX_RUNS if c.per_run else 1)
            for table in d.tables
            for c in table.columns
        )
        questions = [*d.checks, *(c for table in d.tables for c in table.checks)]
        bad_choices = [
            one.id
            for one in d.inputs
            if len(",".join(one.choices)) > MAX_TEXT or any("," in c or not c for c in one.choices)
        ]
        problems = (
            [(f"{key}.decimals", str(n), f"0 to {MAX_DECIMALS}") for key, n in decimals
             if not 0 <= n <= MAX_DECIMALS]
            + [(f"instruments.{i.id}.zero_rows", f"{i.zero_rows} rows", f"0 to {MAX_ZERO_ROWS}")
               for i in d.instruments if not 0 <= i.zero_rows <= MAX_ZERO_ROWS]
            + [(f"tables.{t.id}.columns", "has no column", "") for t in d.tables if not t.columns]
            + [(f"lines.{line.id}.y", "has no column", "") for line in d.lines if not line.y]
            + [(f"checks.{c.code}.question", "is too long for a cell", f"{MAX_TEXT} characters")
               for c in questions if len(c.question) > MAX_TEXT]
            + [(f"inputs.{key}.choices", "cannot stand in the list of a cell",
                f"texts without commas, {MAX_TEXT} characters in all") for key in bad_choices]
        )  # fmt: skip
        if cells > MAX_CELLS or len(d.quantities) > MAX_QUANTITIES:
            problems.append(
                ("tables", "more than a workbook of a practical can hold",
                 f"{MAX_CELLS} readings, {MAX_QUANTITIES} quantities")
            )  # fmt: skip
        if len(d.results) > MAX_RESULTS:
            problems.append(("results", f"{len(d.results)} results", f"{MAX_RESULTS} at most"))
        for problem in problems:
            raise DefinitionError(*problem)

    # -- names -------------------------------------------------------------------------------

    def claim(self, key: str, where: str) -> None:
        if key in self.where:
            raise DefinitionError(where, f"the name “{key}” is used twice", "names used once")
        if not all(part.replace("_", "a").isalnum() and part.isascii() for part in key.split(".")):
            raise DefinitionError(where, f"“{key}” is no name", "letters, digits and _")
        self.where[key] = where

    def add_input(self, one: InputField, where: str) -> None:
        self.claim(one.key, where)
        self.inputs[one.key] = one

    def add_derived(self, one: DerivedField, where: str) -> None:
        self.claim(one.key, where)
        self.derived[one.key] = one

    def unit(self, text: str, where: str) -> Unit:
        try:
            return unit(text)
        except UnitError as error:
            raise DefinitionError(
                where, str(error), "a unit such as mm, kg, s, m/s^2, 1"
            ) from error

    def parse(self, text: str, where: str, rename: Mapping[str, str] | None = None) -> Node:
        try:
            node = parse(text, NAMES)
        except FormulaError as error:
            raise DefinitionError(where, str(error), error.allowed) from error
        if not rename:
            return node
        return substitute(node, {old: Name(new) for old, new in rename.items()})

    def source(self, one: Uncertainty, key: str, its_unit: Unit) -> SourceSpec:
        scale = 1.0 if one.relative else its_unit.factor
        return SourceSpec(
            key=key,
            label=one.label,
            half_width=Number(one.half_width * scale),
            distribution=one.distribution,
            relative=one.relative,
            note=one.note,
        )

    def add_constant(self, constant: Constant) -> None:
        where = f"constants.{constant.id}"
        its_unit = self.unit(constant.unit, f"{where}.unit")
        self.constants.add(constant.id)
        self.add_derived(
            DerivedField(
                key=constant.id,
                title=constant.title,
                unit=its_unit,
                node=Number(its_unit.to_si(constant.value)),
                text=f"{constant.value:g}",
                symbol=constant.symbol,
                assist=Assist.FULL,
                sources=tuple(
                    self.source(u, f"{constant.id}#{i}", its_unit)
                    for i, u in enumerate(constant.uncertainty)
                ),
            ),
            where,
        )

    # -- instruments -------------------------------------------------------------------------

    def add_instrument(self, instrument: Instrument) -> None:
        where = f"instruments.{instrument.id}"
        kind = KINDS.get(instrument.kind)
        if kind is None:
            raise DefinitionError(
                f"{where}.kind", f"there is no kind “{instrument.kind}”", ", ".join(sorted(KINDS))
            )
        # everything about an instrument but its readings is an interval
        own = interval_of(self.unit(instrument.unit, f"{where}.unit"))
        names_here = self.instrument_names(instrument, kind)
        for p in kind.parameters:
            self.add_input(
                InputField(
                    key=f"{instrument.id}.{p.id}",
                    title=p.title,
                    unit=own if p.unit == "" else self.unit(p.unit, where),
                    decimals=p.decimals,
                    minimum=p.minimum,
                    maximum=p.maximum,
                    required=True,
                    help=p.help,
                ),
                where,
            )
        for item in kind.derived:
            self.add_derived(
                DerivedField(
                    key=f"{instrument.id}.{item.id}",
                    title=item.title,
                    unit=own,
                    node=self.parse(item.formula, where, names_here),
                    text=item.formula,
                    decimals=instrument.decimals + item.extra_decimals,
                    assist=Assist.READINGS,
                ),
                where,
            )
        if instrument.limit is not None:
            limit = instrument.limit
            self.add_input(
                InputField(
                    key=f"{instrument.id}.limit",
                    title="permissible error ±"
                    + (" (fraction of the value)" if limit.relative else ""),
                    unit=PURE if limit.relative else own,
                    default=limit.half_width,
                    minimum=0.0,
                    help=limit.note or "From the maker's sheet, the standard or the last check.",
                ),
                where,
            )
        if instrument.zero_rows:
            if not kind.zero:
                raise DefinitionError(
                    f"{where}.zero_rows", f"a scale of kind “{instrument.kind}” has no zero error"
                )
            self.add_zero(instrument, kind, own, where)

    def instrument_names(self, instrument: Instrument, kind: Kind) -> dict[str, str]:
        ids = [p.id for p in kind.parameters] + [item.id for item in kind.derived]
        return {name: f"{instrument.id}.{name}" for name in ids}

    def add_zero(self, instrument: Instrument, kind: Kind, own: Unit, where: str) -> None:
        table = f"{instrument.id}.zeros"
        self.tables[table] = self.rows.get(table, instrument.zero_rows)
        base = f"{instrument.id}.zero_reading"
        self.add_parts(base, kind.zero_parts, instrument, own, table, where, "", False)
        rename = self.instrument_names(instrument, kind)
        rename |= {part.id: f"{base}.{part.id}" for part in kind.zero_parts}
        self.add_derived(
            DerivedField(
                key=base,
                title="zero error",
                unit=own,
                node=self.parse(kind.zero, where, rename),
                text=kind.zero,
                table=table,
                rows=self.tables[table],
                decimals=instrument.decimals,
                sources=self.rounding(base, instrument, kind, "zero reading"),
            ),
            where,
        )
        self.add_derived(
            DerivedField(
                key=f"{instrument.id}.zero",
                title="mean zero error (to be subtracted)",
                unit=own,
                node=Call("mean", (Name(base),)),
                text=f"mean({base})",
                symbol="z",
                decimals=instrument.decimals + 1,
            ),
            where,
        )
        self.add_part_checks(base, kind.zero_checks, instrument, table)

    def rounding(
        self, key: str, instrument: Instrument, kind: Kind, what: str
    ) -> tuple[SourceSpec, ...]:
        if not kind.rounding:
            return ()
        node = self.parse(kind.rounding, key, self.instrument_names(instrument, kind))
        return (
            SourceSpec(
                key=f"{key}#rounding",
                label=f"rounding of a reading: {what}",
                half_width=node,
                rounding=True,
            ),
        )

    def add_parts(
        self,
        base: str,
        parts: Iterable[Part],
        instrument: Instrument,
        own: Unit,
        table: str,
        where: str,
        label: str,
        required: bool,
    ) -> None:
        for part in parts:
            is_count = part.id == "coincidence"
            self.add_input(
                InputField(
                    key=f"{base}.{part.id}",
                    title=f"{label} {part.title}".strip(),
                    unit=own if part.unit == "" else PURE,
                    table=table,
                    rows=self.tables[table],
                    decimals=instrument.decimals if part.unit == "" else None,
                    kind=part.kind,
                    minimum=0.0 if is_count else None,
                    required=required,
                    choices=part.choices,
                    choice_values=tuple(map(float, range(len(part.choices)))),
                    help=part.help,
                ),
                where,
            )

    def add_part_checks(
        self, base: str, checks: Iterable[PartCheck], instrument: Instrument, table: str
    ) -> None:
        kind = KINDS[instrument.kind]
        rename = self.instrument_names(instrument, kind)
        rename |= {part.id: f"{base}.{part.id}" for part in (*kind.parts, *kind.zero_parts)}
        for check in checks:
            at = f"{base}.{check.part}"
            self.checks.append(
                CheckField(
                    code=check.code,
                    node=self.parse(check.condition, at, rename),
                    question=check.question,
                    expected=check.expected,
                    severity="doubtful",
                    at=at,
                    table=table,
                    rows=self.tables[table],
                    reading=base,
                )
            )

    def add_value_checks(self, key: str, kind: Kind, instrument: Instrument, table: str) -> None:
        """Checks of a reading that is typed as one number."""
        rename = {**self.instrument_names(instrument, kind), kind.parts[0].id: key}
        for check in kind.checks:
            self.checks.append(
                CheckField(
                    code=check.code,
                    node=self.parse(check.condition, key, rename),
                    question=check.question,
                    expected=check.expected,
                    severity="doubtful",
                    at=key,
                    table=table,
                    rows=self.tables[table],
                    once=check.once,
                )
            )

    # -- tables ------------------------------------------------------------------------------

    def add_table(self, table: Table) -> None:
        where = f"tables.{table.id}"
        if not 1 <= table.rows <= 200:
            raise DefinitionError(f"{where}.rows", f"{table.rows} rows", "1 to 200")
        self.tables[table.id] = self.rows.get(table.id, table.rows)
        local = {column.id: f"{table.id}.{column.id}" for column in table.columns}
        if table.leave_out:
            self.add_left_out(table, where)
        for column in table.columns:
            self.add_column(table, column, local, f"{where}.columns.{column.id}")
        for check in table.checks:
            self.add_check(
                check, f"{where}.checks.{check.code}", table.id, self.tables[table.id], local
            )

    def add_left_out(self, table: Table, where: str) -> None:
        self.add_input(
            InputField(
                key=f"{table.id}.{LEFT_OUT}",
                title="leave this row out because",
                unit=PURE,
                table=table.id,
                rows=self.tables[table.id],
                kind="text",
                help="Usually empty. A reason of a word or more here takes the row out; the "
                "readings stay, and the result with them is shown too.",
            ),
            where,
        )

    def kept(self, node: Node, table: str) -> Node:
        """A formula in a row, empty where the row is left out."""
        reason = f"{table}.{LEFT_OUT}"
        return Call("unless", (Name(reason), node)) if reason in self.inputs else node

    def add_column(
        self, table: Table, column: Column, local: Mapping[str, str], where: str
    ) -> None:
        name = f"{table.id}.{column.id}"
        if column.formula:
            if column.instrument or column.repeats > 1 or column.per_run:
                raise DefinitionError(
                    where, "a column is either read or worked out", "formula, or instrument"
                )
            self.add_derived(
                DerivedField(
                    key=name,
                    title=column.title,
                    unit=self.unit(column.unit, f"{where}.unit"),
                    node=self.kept(self.parse(column.formula, f"{where}.formula", local), table.id),
                    text=column.formula,
                    symbol=column.symbol,
                    table=table.id,
                    rows=self.tables[table.id],
                    decimals=3 if column.decimals is None else column.decimals,
                    assist=column.assist,
                ),
                where,
            )
            return
        repeats = self.runs if column.per_run else column.repeats
        if not 1 <= repeats <= 12:
            raise DefinitionError(f"{where}.repeats", f"{repeats} repeats", "1 to 12")
        keys: tuple[str, ...] = (name,)
        if column.per_run or repeats > 1:
            # numbered even for a single run, so that names do not depend on the runs asked for
            keys = tuple(f"{name}.{i + 1}" for i in range(repeats))
            self.repeated.add(name)
            self.blocks[name] = keys
        shared: tuple[SourceSpec, ...] = ()
        for i, key in enumerate(keys):
            label = self.repeat_label(column, i, repeats)
            title = f"{column.title} {label}".strip()
            if not column.instrument:
                self.add_input(
                    InputField(
                        key=key,
                        title=title,
                        unit=self.unit(column.unit, f"{where}.unit"),
                        symbol=column.symbol,
                        table=table.id,
                        rows=self.tables[table.id],
                        decimals=column.decimals,
                        minimum=column.minimum,
                        maximum=column.maximum,
                        help=column.help,
                    ),
                    where,
                )
            else:
                # repeats of one column are read on the same divisions: one rounding for all
                shared = shared or self.reading_sources(name, column, where)
                self.add_reading(table, column, key, title, shared, where)

    def repeat_label(self, column: Column, i: int, repeats: int) -> str:
        if i < len(column.labels):
            return column.labels[i]
        if repeats == 1:
            return ""
        return f"run {i + 1}" if column.per_run else str(i + 1)

    def instrument(self, column: Column, where: str) -> Instrument:
        for one in self.definition.instruments:
            if one.id == column.instrument:
                return one
        raise DefinitionError(
            f"{where}.instrument",
            f"there is no instrument “{column.instrument}”",
            ", ".join(one.id for one in self.definition.instruments),
        )

    def reading_sources(self, name: str, column: Column, where: str) -> tuple[SourceSpec, ...]:
        instrument = self.instrument(column, where)
        kind = KINDS[instrument.kind]
        sources = self.rounding(name, instrument, kind, column.title.lower())
        if instrument.limit is not None:
            sources += (
                SourceSpec(
                    key=f"{instrument.id}#limit",
                    label=f"permissible error: {instrument.title.lower()}",
                    half_width=Name(f"{instrument.id}.limit"),
                    relative=instrument.limit.relative,
                    note=instrument.limit.note,
                ),
            )
        return sources

    def add_reading(
        self,
        table: Table,
        column: Column,
        key: str,
        title: str,
        sources: tuple[SourceSpec, ...],
        where: str,
    ) -> None:
        instrument = self.instrument(column, where)
        kind = KINDS[instrument.kind]
        own = self.unit(instrument.unit, where)
        decimals = instrument.decimals if column.decimals is None else column.decimals
        if len(kind.parts) == 1:
            self.add_input(
                InputField(
                    key=key,
                    title=title,
                    unit=own,
                    symbol=column.symbol,
                    table=table.id,
                    rows=self.tables[table.id],
                    decimals=decimals,
                    minimum=column.minimum,
                    maximum=column.maximum,
                    help=column.help or kind.parts[0].help,
                    sources=sources,
                    instrument=instrument.id,
                ),
                where,
            )
            self.add_value_checks(key, kind, instrument, table.id)
            return
        self.add_parts(key, kind.parts, instrument, own, table.id, where, title, True)
        main = f"{key}.{kind.parts[0].id}"
        self.inputs[main] = replace(
            self.inputs[main], minimum=column.minimum, maximum=column.maximum
        )
        rename = self.instrument_names(instrument, kind)
        rename |= {part.id: f"{key}.{part.id}" for part in kind.parts}
        observed = self.parse(kind.reading, where, rename)
        text = kind.reading
        if instrument.zero_rows:
            observed_key = f"{key}.observed"
            self.add_derived(
                DerivedField(
                    key=observed_key,
                    title=f"{title} observed",
                    unit=own,
                    node=observed,
                    text=text,
                    table=table.id,
                    rows=self.tables[table.id],
                    decimals=decimals,
                ),
                where,
            )
            text = f"{column.id}.observed - {instrument.id}.zero"
            names = {"observed": observed_key, "zero_error": f"{instrument.id}.zero"}
            observed = self.parse(CORRECTED, where, names)
            title = f"{title} corrected"
        self.add_derived(
            DerivedField(
                key=key,
                title=title,
                unit=own,
                node=self.kept(observed, table.id),
                text=text,
                symbol=column.symbol,
                table=table.id,
                rows=self.tables[table.id],
                decimals=decimals + (1 if instrument.zero_rows else 0),
                sources=sources,
                instrument=instrument.id,
            ),
            where,
        )
        self.add_part_checks(key, kind.checks, instrument, table.id)

    # -- lines and checks --------------------------------------------------------------------

    def add_line(self, line: Line) -> None:
        where = f"lines.{line.id}"
        found = []
        for key in (line.x, *line.y):
            kind = self.kind(key)
            if kind is None or kind.table is None:
                raise DefinitionError(where, f"“{key}” is not a column", "table.column")
            found.append(kind)
        if len({kind.table for kind in found}) > 1:
            raise DefinitionError(where, "its columns are not of one table")
        if len({kind.dimension for kind in found[1:]}) > 1:
            raise DefinitionError(f"{where}.y", "its columns do not measure the same")
        x = self.blocks.get(line.x, (line.x,))
        if len(x) != 1:
            raise DefinitionError(f"{where}.x", f"“{line.x}” has several readings in a row")
        y: list[str] = []
        labels: list[str] = []
        back: list[bool] = []
        for name in line.back:
            if name not in line.y:
                raise DefinitionError(f"{where}.back", f"“{name}” is not in y", ", ".join(line.y))
        for i, name in enumerate(line.y):
            columns = self.blocks.get(name, (name,))
            base = line.series[i] if i < len(line.series) else self.field_title(columns[0])
            y += columns
            back += [name in line.back] * len(columns)
            labels += [
                base if len(columns) == 1 else f"{base} {k + 1}" for k in range(len(columns))
            ]
        self.claim(line.id, where)
        self.lines[line.id] = LineField(line, x[0], tuple(y), tuple(labels), tuple(back))

        self.check_stated(line, where)

    def add_triangle(self, line: LineField) -> None:
        x, y = (self.inputs.get(key) or self.derived[key] for key in (line.x, line.y[0]))
        titles = (line.definition.x_title, line.definition.y_title)
        for i, key in enumerate(triangle_keys(line)):
            one, title = (x, titles[0]) if i % 2 == 0 else (y, titles[1])
            corner = "first" if i < 2 else "second"
            self.add_input(
                InputField(
                    key=key,
                    title=f"{corner} corner: {title.rpartition(' / ')[0] or title}",
                    unit=one.unit,
                    decimals=one.decimals,
                    answer=True,
                    help="A point on the line that you drew, far out on it, and not one of the "
                    "readings.",
                ),
                f"lines.{line.definition.id}.triangle",
            )

    def check_stated(self, line: Line, where: str) -> None:
        stated = [(key, part) for key, part in ((line.u_x, line.x), (line.u_y, line.y[0])) if key]
        if line.u_x and not line.u_y:
            raise DefinitionError(f"{where}.u_y", "is missing", "uncertainties of y beside u_x")
        if (stated or line.through_origin) and len(self.lines[line.id].y) > 1:
            raise DefinitionError(f"{where}.y", "has several series", "one column")
        if stated and line.through_origin:
            raise DefinitionError(f"{where}.through_origin", "cannot stand with u_x or u_y")
        for key, part in stated:
            self.check_column(key, part, where)

    def check_column(self, key: str, part: str, where: str) -> None:
        """A column of uncertainties: in the table of what it belongs to, and of its dimension."""
        found, wanted = self.kind(key), self.kind(part)
        if found is None or found.table is None or found.repeated:
            raise DefinitionError(where, f"“{key}” is not a column", "table.column")
        assert wanted is not None
        if found.table != wanted.table or found.dimension != wanted.dimension:
            raise DefinitionError(where, f"“{key}” does not belong to “{part}”")

    def add_curve(self, curve: Curve) -> None:
        where = f"curves.{curve.id}"
        for key in (curve.x, curve.y):
            found = self.kind(key)
            if found is None or found.table is None or found.repeated or found.text:
                raise DefinitionError(where, f"“{key}” is not a column", "table.column")
        if curve.u_y:
            self.check_column(curve.u_y, curve.y, f"{where}.u_y")
        x, y = self.kind(curve.x), self.kind(curve.y)
        assert x is not None
        assert y is not None
        if x.table != y.table:
            raise DefinitionError(where, "its columns are not of one table")
        if not curve.parameters:
            raise DefinitionError(f"{where}.parameters", "is empty")
        kinds = {"x": dimensions.Kind(x.dimension)}
        for one in curve.parameters:
            if one.id in kinds:
                raise DefinitionError(f"{where}.parameters", f"“{one.id}” is used twice")
            kinds[one.id] = dimensions.Kind(self.unit(one.unit, f"{where}.parameters").dimension)
        body = self.parse(curve.formula, f"{where}.formula")
        try:
            found_dimension = dimensions.check(curve.formula, body, kinds.get, None)
        except FormulaError as error:
            raise DefinitionError(f"{where}.formula", str(error), error.allowed) from error
        if found_dimension != y.dimension:
            raise DefinitionError(
                f"{where}.formula", f"has the dimension {found_dimension}, y has {y.dimension}"
            )
        columns = tuple(Name(key) for key in (curve.x, curve.u_y, curve.y) if key)
        fitted = []
        for i, one in enumerate(curve.parameters):
            its_unit = self.unit(one.unit, where)
            fitted.append(
                Fitted(
                    curve=curve.id,
                    columns=columns,
                    body=body,
                    parameters=tuple(p.id for p in curve.parameters),
                    start=tuple(self.unit(p.unit, where).to_si(p.start) for p in curve.parameters),
                    parameter=i,
                    dimension=its_unit.dimension,
                )
            )
            self.add_derived(
                DerivedField(
                    key=f"{curve.id}.{one.id}",
                    title=one.title,
                    unit=its_unit,
                    node=fitted[-1],
                    text=f"{one.id} of {curve.id}",
                    symbol=one.symbol,
                    decimals=one.decimals,
                    assist=Assist.FULL,
                ),
                f"{where}.parameters.{one.id}",
            )
        self.claim(curve.id, where)
        self.curves[curve.id] = CurveField(curve, tuple(fitted))

    def field_title(self, key: str) -> str:
        return (self.inputs.get(key) or self.derived[key]).title

    def line_calls(self) -> dict[str, Node]:
        """What the names of a line's results stand for."""
        return {
            f"{id_}.{result}": Call(function, tuple(map(Name, line.columns)))
            for id_, line in self.lines.items()
            for result, function in line.functions.items()
        }

    def expand_lines(self) -> None:
        calls = self.line_calls()
        for key, one in self.derived.items():
            maximum = one.maximum_error
            self.derived[key] = replace(
                one,
                node=substitute(one.node, calls),
                maximum_error=None if maximum is None else substitute(maximum, calls),
            )
        self.checks = [replace(c, node=substitute(c.node, calls)) for c in self.checks]

    def add_check(
        self, check: Check, where: str, table: str | None, rows: int, local: Mapping[str, str]
    ) -> None:
        for name in check.each:
            for column in self.blocks.get(local.get(name, name), (local.get(name, name),)):
                its = {**local, "it": column}
                self.add_check(replace(check, each=(), at="it"), where, table, rows, its)
        if check.each:
            return
        at = local.get(check.at, check.at)
        found = self.kind(at)
        if found is None or (table is not None and found.table not in (None, table)):
            raise DefinitionError(f"{where}.at", f"“{check.at}” is nothing to point at")
        self.checks.append(
            CheckField(
                code=check.code,
                node=self.parse(check.condition, f"{where}.condition", local),
                question=check.question,
                expected=check.expected,
                severity=check.severity,
                at=self.blocks.get(at, (at,))[0],
                table=table,
                rows=rows,
                live_only=check.live_only,
            )
        )

    # -- checking ----------------------------------------------------------------------------

    def kind(self, key: str) -> dimensions.Kind | None:
        owner, _, part = key.rpartition(".")
        if owner in self.lines and part in self.lines[owner].functions:
            line = self.lines[owner]
            x, y = self.kind(line.x), self.kind(line.y[0])
            assert x is not None
            assert y is not None
            return dimensions.Kind(y.dimension / x.dimension if part == "slope" else y.dimension)
        repeated = key in self.repeated
        column = self.blocks.get(key, (key,))[0]
        one = self.inputs.get(column) or self.derived.get(column)
        if one is None:
            return None
        text = isinstance(one, InputField) and one.kind == "text"
        return dimensions.Kind(one.unit.dimension, one.table, repeated, text)

    def check_formulas(self) -> None:
        for key, one in self.derived.items():
            if key in self.constants:
                continue
            where = self.where[key]
            self.refuse_means_that_ignore_reasons(one, where)
            found = self.checked(one.text, one.node, one.table, where)
            if found is None:
                raise DefinitionError(where, f"“{one.text}” is a condition, not a number")
            if found != one.unit.dimension:
                raise DefinitionError(
                    f"{where}.unit",
                    f"“{one.unit.text}” has the dimension {one.unit.dimension}, "
                    f"but “{one.text}” gives {found}",
                    "a unit of the formula's dimension",
                )
            if one.maximum_error is not None:
                error = self.checked("maximum_error", one.maximum_error, None, where)
                if error != one.unit.dimension:
                    raise DefinitionError(
                        f"{where}.maximum_error",
                        f"has the dimension {error}, the quantity has {one.unit.dimension}",
                    )
        for check in self.checks:
            where = f"checks.{check.code}"
            if self.checked(check.code, check.node, check.table, where) is not None:
                raise DefinitionError(f"{where}.condition", "is a number, not a condition")

    def refuse_means_that_ignore_reasons(self, one: DerivedField, where: str) -> None:
        """A mean of typed cells would go on counting a row that was left out."""
        for part in walk(one.node):
            if not (isinstance(part, Call) and part.function == "mean"):
                continue
            for key in names(part):
                column = self.inputs.get(self.blocks.get(key, (key,))[0])
                if column is not None and f"{column.table}.{LEFT_OUT}" in self.inputs:
                    raise DefinitionError(
                        f"{where}.formula",
                        f"“{key}” is typed in a table from which rows can be left out",
                        "a column with a formula, which is empty in such rows",
                    )

    def checked(self, text: str, node: Node, table: str | None, where: str) -> Dimension | None:
        try:
            return dimensions.check(text, node, self.kind, table)
        except FormulaError as error:
            raise DefinitionError(where, str(error), error.allowed) from error

    def check_results(self) -> None:
        for result in self.definition.results:
            where = f"results.{result.quantity}"
            for key in (result.quantity, *result.alternatives):
                if key not in self.derived or self.derived[key].table is not None:
                    raise DefinitionError(
                        where,
                        f"there is no quantity “{key}”",
                        ", ".join(q.id for q in self.definition.quantities),
                    )
            if result.accepted_by and self.inputs.get(result.accepted_by) is None:
                raise DefinitionError(f"{where}.accepted_by", "is not an input")
            dimension = self.derived[result.quantity].unit.dimension
            for i, accepted in enumerate(result.accepted):
                if (accepted.value is None) == (not accepted.formula):
                    raise DefinitionError(f"{where}.accepted", "needs a value or a formula")
                if accepted.formula:
                    node = self.parse(accepted.formula, f"{where}.accepted.formula")
                    found = self.checked(accepted.formula, node, None, f"{where}.accepted")
                    node = substitute(node, self.line_calls())
                else:
                    its_unit = self.unit(accepted.unit, f"{where}.accepted.unit")
                    found = its_unit.dimension
                    node = Number(its_unit.to_si(accepted.value or 0.0))
                self.accepted[result.quantity, i] = node
                if found != dimension:
                    raise DefinitionError(
                        f"{where}.accepted", "does not measure the same as the result"
                    )
        if not self.definition.results:
            raise DefinitionError("results", "a practical needs a result")

    def ordered(self) -> dict[str, DerivedField]:
        done: dict[str, DerivedField] = {}
        open_: list[str] = []

        def visit(key: str) -> None:
            if key in done or key not in self.derived:
                return
            if key in open_:
                chain = " → ".join([*open_[open_.index(key) :], key])
                raise DefinitionError(self.where[key], f"formulas go in a circle: {chain}")
            open_.append(key)
            one = self.derived[key]
            sources = [n for s in one.sources for n in names(s.half_width)]
            for name in (*names(one.node), *sources):
                for column in self.blocks.get(name, (name,)):
                    visit(column)
            open_.pop()
            done[key] = one

        for key in self.derived:
            visit(key)
        return done
