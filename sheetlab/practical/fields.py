"""What a definition is made into, one value at a time: frozen types under flat names.

``screw_gauge.least_count``, ``diameter.d.1.main``, ``readings.mean``: evaluation, layout, templates
and readers speak these names and need to know nothing of practicals.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from msgspec import Struct

from sheetlab.formula.render import SHORT_TEXT
from sheetlab.formula.tree import Call, Fitted, Node
from sheetlab.practical.definition import Assist, Curve, Line
from sheetlab.units import PURE, Unit

LINE_RESULTS = ("slope", "intercept")
OWN_UNCERTAINTY = "u"
"""Last part of the key of the cell that asks for the standard uncertainty of an input."""
LEFT_OUT = "left_out"
"""Last part of the key of the column in which a row is left out with a reason."""
LEAST_REASON = SHORT_TEXT + 1
"""Letters of a text that says something: “no”, “x” or a number leave nothing out."""


class SourceSpec(Struct, frozen=True):
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
    advice: str = ""
    """What makes it smaller, for people."""


class InputField(Struct, frozen=True):
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
    help: str = ""
    sources: tuple[SourceSpec, ...] = ()
    answer: bool = False
    """One of the student's own results."""
    instrument: str = ""
    """Instrument of a reading that is typed as one number."""

    @property
    def choice_values(self) -> tuple[float, ...]:
        """What the choices count as in formulas: 0, 1, …"""
        return tuple(map(float, range(len(self.choices))))


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


class DerivedField(Struct, frozen=True):
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


class CheckField(Struct, frozen=True):
    """A condition on readings; ``table`` None for one on quantities."""

    code: str
    node: Node
    question: str
    expected: str
    at: str
    severity: Literal["note", "doubtful"] = "doubtful"
    table: str | None = None
    rows: int = 1
    reading: str = ""
    """Reading of which one part is checked; empty for a check of whole readings."""
    live_only: bool = False
    once: bool = False
    """Several broken rows and columns of a table are one finding."""


class LineField(Struct, frozen=True):
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


class CurveField(Struct, frozen=True):
    """A curve with its columns and its parameters resolved."""

    definition: Curve
    parameters: tuple[Fitted, ...]

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns that the curve is fitted to."""
        return tuple(name.key for name in self.parameters[0].columns)


class StressField(Struct, frozen=True):
    """How loads stress what they hang on, resolved; the parts that a plan can set may be empty."""

    column: str
    table: str
    node: Node
    material: str
    dead_load: str
    diameter: str
    length: str
    modulus: str


def without_condition(node: Node) -> Node:
    """What a formula works out in rows that are not left out."""
    while isinstance(node, Call) and node.function == "unless":
        node = node.arguments[1]
    return node


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
