"""What a practical is: frozen types that mirror the definition file, key by key.

Numbers of a definition are in the unit named beside them; formulas are texts here and trees in
``fields``. The page ``keys`` of the manual is made from the docstrings here.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Literal

from msgspec import Struct, field

REGISTER_FACTS = {"wire.diameter": "mm", "wire.length": "m", "wire.material": ""}
"""Facts of the register that a definition may name, with a unit; "" for a text."""


class DefinitionError(ValueError):
    """A definition that is refused: key, reason, what is allowed."""

    def __init__(self, key: str, reason: str, allowed: str = "") -> None:
        super().__init__(f"{key}: {reason}")
        self.key, self.reason, self.allowed = key, reason, allowed


class RefusedDefinitionError(ValueError):
    """Everything for which a definition is refused."""

    def __init__(self, *problems: DefinitionError) -> None:
        super().__init__("; ".join(map(str, problems)))
        self.problems = problems


class Named(Struct, frozen=True):
    """A part with a name, its first field: the key of its table in the file, and not said again."""


class Assist(StrEnum):
    """How much a workbook works out before the student's eyes."""

    READINGS = "readings"
    CORRECTED = "corrected"
    FULL = "full"

    @property
    def rank(self) -> int:
        """0 for the least help."""
        return list(Assist).index(self)


class Uncertainty(Struct, frozen=True):
    """A type B contribution, in the unit of what it belongs to, or relative to its value."""

    label: str
    """What the budget calls it."""
    half_width: float | str
    """A text is a formula, such as the name of an input that asks for it."""
    distribution: Literal["rectangular", "triangular", "normal"] = "rectangular"
    """``normal``: the half-width is the standard uncertainty itself."""
    relative: bool = False
    """The half-width is a fraction of the value."""
    note: str = ""


class Limit(Struct, frozen=True):
    """Permissible error of an instrument, offered as an input with this default."""

    half_width: float
    """In the unit of the instrument."""
    relative: bool = False
    """The half-width is a fraction of the reading."""
    note: str = ""


class Instrument(Named, frozen=True):
    """An instrument of the practical; ``kind`` says what kind of scale it has."""

    id: str
    unit: str
    kind: str = "direct"
    """Kind of scale: `screw`, `vernier`, `direct` or `nominal`."""
    title: str = ""
    sheet: str = ""
    least_count: float | None = None
    """What it usually is: for decimals and invented readings; each workbook asks for its own."""
    decimals: int | None = None
    """Missing: those of its least count, and one more where people estimate between marks."""
    zero_rows: int = 0
    """Rows for readings of the zero error; 0 where the zero cancels."""
    limit: Limit | None = None
    """Its permissible error."""
    note: str = ""


class Input(Named, frozen=True):
    """One cell that is typed."""

    id: str
    title: str = ""
    sheet: str = ""
    symbol: str = ""
    unit: str = "1"
    kind: Literal["number", "choice", "text"] = "number"
    """What can be typed."""
    minimum: float | None = None
    maximum: float | None = None
    required: bool = False
    """The workbook is not complete without it."""
    default: float | None = None
    """Used, and said, where the cell is empty."""
    decimals: int = 2
    choices: tuple[str, ...] = ()
    """Texts to choose from, with the kind `choice`."""
    help: str = ""
    asks_uncertainty: bool = False
    """A cell below it asks for its standard uncertainty: of a result of another practical, or of a
    maker. Empty: it counts as exact."""
    uncertainty: tuple[Uncertainty, ...] = ()
    register: str = ""
    """Fact of the register that is typed here when a bound workbook is issued."""


class Column(Named, frozen=True):
    """A column of a table: a reading (``instrument``), a typed number, or a ``formula``."""

    id: str
    title: str = ""
    symbol: str = ""
    unit: str = "1"
    instrument: str = ""
    """Id of the instrument that is read; empty: a number, or a formula."""
    repeats: int = 1
    """Readings in each row."""
    per_run: bool = False
    """As many repeats as runs were asked for when the workbook was issued."""
    labels: tuple[str, ...] = ()
    """What the repeats are called."""
    formula: str = ""
    """What is worked out in each row instead of a reading."""
    minimum: float | None = None
    maximum: float | None = None
    decimals: int | None = None
    """Missing: of its instrument; of a formula four figures of what a bench shows."""
    assist: Assist = Assist.CORRECTED
    """Level of help from which a worked-out column is shown."""
    help: str = ""
    uncertainty: tuple[Uncertainty, ...] = ()
    """Common to all values of the column, in all rows and repeats."""


class Check(Named, frozen=True):
    """A condition that good readings meet; ``question`` is asked where they do not."""

    code: str
    """Code of the finding."""
    condition: str
    """Formula that is true for good readings."""
    question: str
    """Asked in the sheet and in the finding."""
    at: str = ""
    """Column or quantity that the finding points at; not needed with ``each``."""
    severity: Literal["note", "doubtful"] = "doubtful"
    """How grave the finding is."""
    expected: str = ""
    """What was expected, in words."""
    live_only: bool = False
    """Asked in the sheet while readings are taken, not told again on evaluation."""
    each: tuple[str, ...] = ()
    """Columns for which the condition is checked in turn, as ``it``."""


class Table(Named, frozen=True):
    """Rows of readings."""

    id: str
    columns: tuple[Column, ...]
    title: str = ""
    sheet: str = ""
    rows: int = 8
    """Rows in the sheet."""
    minimum_rows: int = 1
    """Rows without which the result is doubtful."""
    row_label: str = "No."
    """Heading above the numbers of the rows."""
    note: str = ""
    checks: tuple[Check, ...] = ()
    """Missing: where the line leads, and how far repeats lie apart; empty: nothing is asked."""
    simultaneous: bool = True
    """The readings of a row were taken together: means of columns carry the covariance of the rows
    (JCGM 100:2008, 5.2.3). False: what one column does in a row says nothing of the others."""
    leave_out: bool = False
    """Rows can be left out by a person who writes the reason beside them."""


class Quantity(Named, frozen=True):
    """A number that a formula gives."""

    id: str
    formula: str
    """In names of the practical."""
    title: str = ""
    symbol: str = ""
    unit: str = "1"
    sheet: str = ""
    decimals: int | None = None
    """Missing: to the second figure of its uncertainty on an invented bench; 3 without one."""
    assist: Assist = Assist.FULL
    """Level of help from which it is shown."""
    maximum_error: str = ""
    """Formula of its greatest error in the school's convention; empty: counted as exact."""
    plausible: tuple[float, float] | None = None
    """Between what values it can be; asked about at every level of help."""
    uncertainty: tuple[Uncertainty, ...] = ()
    register: str = ""
    """Fact of the register that this is the measured value of."""


class Constant(Named, frozen=True):
    """A number from a book that formulas use by name."""

    id: str
    value: float
    """In its unit."""
    source: str
    """Where the number comes from."""
    title: str = ""
    symbol: str = ""
    unit: str = "1"
    uncertainty: tuple[Uncertainty, ...] = ()


class Lookup(Named, frozen=True):
    """A value from a table of a book, straight between its points; formulas use it by name."""

    id: str
    of: str
    """Single value by which it is looked up, such as the temperature."""
    points: tuple[tuple[float, float], ...]
    """Pairs of that value and the looked-up one, rising."""
    source: str
    """Where the table comes from."""
    argument_unit: str = "1"
    """Unit of the first number of each pair."""
    unit: str = "1"
    title: str = ""
    symbol: str = ""
    decimals: int | None = None
    uncertainty: tuple[Uncertainty, ...] = ()


class Line(Named, frozen=True):
    """A straight line; ``ID.slope`` and ``ID.intercept`` can be used in formulas."""

    id: str
    x: str
    """Column of the abscissa, `table.column`, or `column` where only one table has it."""
    y: tuple[str, ...]
    """Columns of the ordinate; each is a series."""
    where: str = ""
    """Condition of rows that take part, in columns of the table, such as `h > 0`; missing: all."""
    weights: Literal["", "readings"] = ""
    """`readings`: weighted with what instruments and repeats say of each point, in place of
    ``u_x`` and ``u_y``."""
    x_axis: Literal["linear", "log"] = "linear"
    """How the abscissa of the graph is divided."""
    y_axis: Literal["linear", "log"] = "linear"
    """How the ordinate of the graph is divided."""
    title: str = ""
    x_title: str = ""
    """Title of the axis; missing: title, symbol and unit of the column."""
    y_title: str = ""
    """Title of the axis; missing: as for x."""
    series: tuple[str, ...] = ()
    """Names of the series; missing: titles of the columns."""
    plausible_scatter: float | None = None
    """Greatest usual standard deviation about the line, in the unit of y."""
    usual_scatter: float | None = None
    """What one reading usually scatters, in divisions of the scale of y.

    With it ``plausible_scatter`` is what the coarsest hands make with the finest scale.
    """
    back: tuple[str, ...] = ()
    """Columns of ``y`` that are read on the way back, from the last row to the first."""
    relative_to_first: bool = False
    """The graph shows the change of y since its first reading."""
    u_y: str = ""
    """Column of standard uncertainties of y: the line is weighted with them."""
    u_x: str = ""
    """Column of standard uncertainties of x; together with ``u_y``."""
    through_origin: bool = False
    """There is no intercept."""
    triangle: bool = False
    """Ask for the corners of the gradient triangle on the student's own graph."""


class Parameter(Named, frozen=True):
    """A parameter of a curve; formulas know it as ``CURVE.PARAMETER``."""

    id: str
    start: float
    """Value to begin the search with, in the unit."""
    title: str = ""
    symbol: str = ""
    unit: str = "1"
    decimals: int = 4


class Curve(Named, frozen=True):
    """A curve fitted to a column; ``formula`` is in ``x`` and the parameters."""

    id: str
    x: str
    """Column of the abscissa, `table.column`, or `column` where only one table has it."""
    y: str
    """Column of the ordinate."""
    formula: str
    """In `x` and the parameters, which are names of its own; inputs and constants by name."""
    parameters: tuple[Parameter, ...]
    x_axis: Literal["linear", "log"] = "linear"
    """How the abscissa of the graph is divided."""
    y_axis: Literal["linear", "log"] = "linear"
    """How the ordinate of the graph is divided."""
    title: str = ""
    x_title: str = ""
    """Title of the axis; missing: title, symbol and unit of the column."""
    y_title: str = ""
    """Title of the axis; missing: as for x."""
    u_y: str = ""
    """Column of standard uncertainties of y, which then are the weights."""


class Answer(Named, frozen=True):
    """A value that students work out themselves; compared with ``quantity`` if there is one."""

    id: str
    title: str = ""
    unit: str = ""
    """Missing: of the quantity, or as a result displays it."""
    quantity: str = ""
    """What it is compared with; missing: the quantity of that name, if there is one."""
    decimals: int = 3


class Accepted(Struct, frozen=True):
    """A published value; ``choice`` binds it to the text of a choice input."""

    source: str
    """Who says so."""
    value: float | None = None
    """In the unit; or a range, or a formula."""
    formula: str = ""
    """Gives the value, such as gravity at a place."""
    choice: str = ""
    """Text of the choice that it belongs to."""
    unit: str = ""
    tolerance: float = 0.0
    """How far the values of books lie from this one, as a fraction of it."""
    range: tuple[float, float] | None = None
    """Lowest and highest value of books, in place of a value with its tolerance."""

    @property
    def middle(self) -> float | None:
        """The value, or the middle of the range of books; None where a formula gives it."""
        return self.value if self.range is None else 0.5 * (self.range[0] + self.range[1])

    @property
    def half_width(self) -> float:
        """How far books lie from it, as a fraction of it: tolerance, or half their range."""
        if self.range is None:
            return self.tolerance
        low, high = self.range
        return (high - low) / (high + low)


class Slip(Struct, frozen=True):
    """A mistake that another value of a quantity stands for: tried where a result is off."""

    quantity: str
    """Quantity, input or constant that would be another."""
    words: str
    """What it would mean, to follow “it would fit if …”; ``{value}`` is the value that fits."""
    factor: float | None = None
    """How many times the quantity counts then; or …"""
    range: tuple[float, float] | None = None
    """… between what values it may truly lie, in its unit."""


class Expected(Struct, frozen=True):
    """What a result has to come to whatever is measured, such as an intercept of nothing."""

    value: float
    """In the unit of the quantity."""
    half_width: float
    """How far it may be off beside its uncertainty, in the same unit."""
    question: str
    """Asked where it does not."""


class Result(Named, frozen=True):
    """A quantity that the practical states, with what it is compared with."""

    quantity: str
    """Id of the quantity."""
    display_unit: str = ""
    """Unit in which it is stated."""
    alternatives: tuple[str, ...] = ()
    """Quantities that reach the same result by another method."""
    accepted_by: str = ""
    """Choice input that picks the accepted value."""
    far_question: str = ""
    """What to look at first when the result is far from the accepted value."""
    accepted: tuple[Accepted, ...] = ()
    expected: Expected | None = None
    """What it has to come to, whatever is measured."""
    slips: tuple[Slip, ...] = ()
    """Mistakes that are tried where it is off."""


class Truth(Named, frozen=True):
    """A true quantity of the virtual bench: drawn between ends, fixed, or worked out.

    One with the name of a quantity or an input is the true value of that.
    """

    id: str
    unit: str
    low: float | None = None
    """Lower end of the values that are drawn."""
    high: float | None = None
    """Upper end of them."""
    step: float = 0.0
    """Drawn values are ``low`` and whole steps above it; 0: any value."""
    fixed: float | None = None
    """The same value on every bench."""
    formula: str = ""
    """Over the truths before it, and constants."""


class BenchInstrument(Named, frozen=True):
    """What an instrument of the virtual bench is like, in its own unit."""

    instrument: str
    """Id of the instrument."""
    parameters: Mapping[str, float] = field(default_factory=dict)
    """What its kind asks, such as the pitch."""
    zero: tuple[float, float] | None = None
    """Range of the zero error."""
    zero_noise: float = 0.0
    """Standard deviation of a zero reading."""


class BenchInput(Named, frozen=True):
    """What is typed into a single input: a formula over truths, or the text of a choice."""

    input: str
    """Id of the input."""
    value: str
    """The formula, or the text."""


class BenchReading(Named, frozen=True):
    """What the readings of a column truly are, and how they scatter, in the column's unit."""

    column: str
    """Column with all its repeats and runs, `table.column`."""
    value: str = ""
    """Formula over truths, constants, inputs, columns before it in the same row, and ``row``."""
    start: float | None = None
    """Instead of a formula: value of the first row, and ``step`` from row to row."""
    step: float = 0.0
    """From row to row."""
    noise: float = 0.0
    """Standard deviation of a single reading."""
    place_noise: float = 0.0
    """Standard deviation from row to row, shared by the repeats of a row."""
    rows: tuple[int, int] | None = None
    """Fewest and most rows filled; missing: those of the table."""


class BenchDefinition(Struct, frozen=True):
    """The forward model of a practical: how true quantities become readings."""

    truths: tuple[Truth, ...]
    readings: tuple[BenchReading, ...]
    instruments: tuple[BenchInstrument, ...] = ()
    """Missing: the usual one of its kind with the least count of the instrument."""
    inputs: tuple[BenchInput, ...] = ()


class Stress(Struct, frozen=True):
    """How the loads of a column stress what they hang on."""

    column: str
    """Column of the loads, ``table.column``."""
    formula: str
    """Stress in a row, in names of the practical and bare names of the table's columns."""
    material: str
    """Choice input that names the material."""
    dead_load: str = ""
    """Input of the load that always hangs there."""
    diameter: str = ""
    """Quantity that a gauge number stands for."""
    length: str = ""
    """Quantity that is its length."""
    modulus: str = ""
    """Quantity that is modulus of elasticity of the material."""


class Sheet(Named, frozen=True):
    """A sheet of the workbook."""

    id: str
    title: str = ""
    note: str = ""
    landscape: bool = False
    """Printed on wide pages."""


class Words(Struct, frozen=True):
    """What findings call the things of the practical; without it they speak of none."""

    body: str = "body"
    """What is loaded, such as wire or spring."""
    load: str = ""
    """What grows from row to row, such as load; missing: the title of the abscissa."""
    loads: str = ""
    """More than one of it; missing: with an s."""
    kinks: str = ""
    """What the first steps can pull out beside slack, such as kinks."""
    range: str = ""
    """Beyond what the body must not be taken, such as elastic range."""
    size: str = ""
    """What has to be measured again if it was, such as diameter."""

    def load_or(self, abscissa: str) -> tuple[str, str]:
        """One load and several, in words; ``abscissa``: title of its column."""
        if self.load:
            return self.load, self.loads or f"{self.load}s"
        return f"“{abscissa}”", f"steps of “{abscissa}”"


class Definition(Struct, frozen=True):
    """A practical. The first result is its measurand."""

    title: str
    results: tuple[Result, ...]
    id: str = ""
    """Name of the practical; missing: the name of the file."""
    version: str = ""
    """Missing: what the content of the file gives, so that every change is another version."""
    aim: str = ""
    """One sentence below the title."""
    sheets: tuple[Sheet, ...] = ()
    """Missing: one for instruments and inputs, one for each table, one for own results. A table
    stands on the sheet of its name, quantities on `result`, everything else on the first."""
    method: tuple[str, ...] = ()
    """Steps on the first sheet."""
    cautions: tuple[str, ...] = ()
    """Cautions on the first sheet; local rules come before them."""
    apparatus: tuple[str, ...] = ()
    """What is needed."""
    sketch: str = ""
    """Picture (PNG) beside the file."""
    sketch_caption: str = ""
    """Sentence below it."""
    minutes: int | None = None
    """How long a class needs for it, readings and own results together."""
    teaches: tuple[str, ...] = ()
    """What it teaches about measurement: sentences of its page in the manual."""
    instruments: tuple[Instrument, ...] = ()
    inputs: tuple[Input, ...] = ()
    tables: tuple[Table, ...] = ()
    constants: tuple[Constant, ...] = ()
    lookups: tuple[Lookup, ...] = ()
    lines: tuple[Line, ...] = ()
    curves: tuple[Curve, ...] = ()
    quantities: tuple[Quantity, ...] = ()
    checks: tuple[Check, ...] = ()
    """Conditions on single values."""
    answers: tuple[Answer, ...] = ()
    """Missing: what leads to each result, and the uncertainty of the first; empty: none."""
    words: Words = field(default_factory=Words)
    """What findings call its things."""
    bench: BenchDefinition | None = None
    """How to invent readings, for plans, practice and tests; missing: there is no way to."""
    stress: Stress | None = None
    """What the loads do to what they hang on, for plans; missing: nothing is loaded."""
