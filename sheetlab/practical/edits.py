"""What else could have been meant: slips of reading and typing, as changes of typed inputs.

An edit says what would stand in a cell if a certain slip had not been made. Whether it fits is for
the caller to see; nothing is ever changed by it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import Struct

from sheetlab.messages import Phrase, phrase, said
from sheetlab.metrology.statement import Decimals
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.fields import LineField
from sheetlab.practical.slips.cells import scale_behind, unit_groups
from sheetlab.practical.slips.places import is_count
from sheetlab.practical.slips.slip import Changes
from sheetlab.practical.slips.table import CELLS

SCALE_EDITS = ("scale-backwards", "wrong-divisions", "wrong-pitch", "unit-slip")
"""Kinds of slips of a whole workbook that can spoil a line."""
ZERO_EDITS = ("zero-side", "zero-sign")
"""Kinds of slips about the zero mark."""

DIGITS = 10
"""Significant digits of numbers that somebody may have meant to type."""


class Edit(Struct, frozen=True):
    """Other contents of input cells, in the unit of each cell."""

    kind: str
    changes: Changes
    meaning: Phrase
    """What it would mean, to follow “it would fit if …”."""
    rank: int
    """How common it is, 0 first."""

    @property
    def words(self) -> Decimals:
        """What it would mean, as text."""
        return Decimals(said(self.meaning))


def _tried(
    numbers: Numbers, at: str, place: str, row: int | None = None, kinds: Sequence[str] = ()
) -> Iterator[Edit]:
    """The slips of one kind of place, tried there."""
    field = numbers.practical.inputs.get(place)
    title = {} if field is None else {"title": field.title}
    for slip in CELLS:
        if slip.tried == at and (not kinds or slip.id in kinds):
            for trial in slip.trials(numbers, place, row):
                values = {name: _shown(value) for name, value in trial.values.items()}
                meaning = phrase(slip.said, **{**title, **values})
                yield Edit(slip.id, trial.changes, meaning, slip.rank)


def _shown(value: float | str | Phrase) -> str | Phrase:
    return value if isinstance(value, str | Phrase) else Decimals(f"{value:.{DIGITS}g}")


def _in_cell(numbers: Numbers, key: str, row: int) -> Iterator[Edit]:
    reading, _, part = key.rpartition(".")
    if scale_behind(numbers.practical, reading) is None:
        yield from _tried(numbers, "number", key, row)
    else:
        yield from _tried(numbers, part, reading, row)


def reading_edits(numbers: Numbers, key: str, row: int) -> Iterator[Edit]:
    """Slips in one reading: a column of readings, or a column worked out from readings."""
    for leaf in numbers.practical.leaves(key):
        field = numbers.practical.inputs[leaf]
        if field.table is not None and field.kind == "number":
            yield from _in_cell(numbers, leaf, row)
    yield from _tried(numbers, "row", key, row)


def length_edits(numbers: Numbers, key: str, row: int) -> Iterator[Edit]:
    """Slips in a reading of a column that a line takes for its abscissa."""
    practical = numbers.practical
    for leaf in practical.leaves(key):
        field = practical.inputs[leaf]
        read = any(spec.rounding for spec in field.sources)
        if read and field.table == practical.field(key).table:
            yield from _in_cell(numbers, leaf, row)
            yield from _tried(numbers, "abscissa", leaf, row)


def column_edits(numbers: Numbers, line: LineField) -> Iterator[Edit]:
    """Whole columns of a line typed otherwise than asked: their order, steps for totals."""
    return _tried(numbers, "line", line.definition.id)


def whole_edits(numbers: Numbers, kinds: Sequence[str] = ()) -> Iterator[Edit]:
    """Slips that run through a whole workbook: scales, units, counts, zero readings.

    ``kinds``: only those; all if empty.
    """
    practical = numbers.practical
    for item in practical.definition.instruments:
        yield from _tried(numbers, "scale", item.id, None, kinds)
        yield from _tried(numbers, "zero", item.id, None, kinds)
    for key, field in practical.inputs.items():
        if is_count(field):
            yield from _tried(numbers, "count", key, None, kinds)
    for group in unit_groups(practical):
        yield from _tried(numbers, "unit", group, None, kinds)
