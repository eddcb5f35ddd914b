"""The forward model of a practical as frozen types: truths, scales, what is typed and read."""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct

from sheetlab.formula.tree import Node, names
from sheetlab.practical.fields import InputField, SourceSpec
from sheetlab.practical.instruments import Kind
from sheetlab.units import Unit

ROW = "row"
"""Name by which formulas know the number of the row, 0 for the first."""


class TruthField(Struct, frozen=True):
    """A true quantity; ``low`` to ``high`` in its unit, or a formula."""

    key: str
    unit: Unit
    low: float
    high: float
    step: float
    node: Node | None


class ScaleField(Struct, frozen=True):
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


class InputValue(Struct, frozen=True):
    """What is typed into a single input: a formula's value, or a text."""

    field: InputField
    node: Node | None
    text: str


class ReadingField(Struct, frozen=True):
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


class Forward(Struct, frozen=True):
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


def row_numbers(node: Node) -> bool:
    """Whether a formula of a bench uses the number of the row."""
    return ROW in names(node)
