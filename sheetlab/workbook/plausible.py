"""What a definition finds plausible, asked about beside the cells that it comes of.

A quantity with a plausible range stands on a sheet at the fullest assist level only; who typed the
reading has to hear of it at every level, and where it was typed.
"""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.formula.tree import Call
from sheetlab.formula.values import argument_keys
from sheetlab.practical.fields import DerivedField
from sheetlab.practical.model import Practical
from sheetlab.workbook.layout import Layout


class Asked(Struct, frozen=True):
    """A field and its plausible range, in its unit."""

    key: str
    low: float
    high: float


def asked_beside(layout: Layout) -> Mapping[str, tuple[Asked, ...]]:
    """What is asked about beside a table (by its id), row by row, or beside a single input.

    A quantity that is the mean of a column is asked about in every row of it. Any other is asked
    about beside the last of the inputs that it comes of, if these are single cells and it stands on
    no sheet itself; what comes of whole tables is a result, of which cells do not speak before it
    is shown.
    """
    practical = layout.practical
    found: dict[str, list[Asked]] = {}
    for key, one in practical.derived.items():
        if one.plausible is None or one.table is not None:
            continue
        column = _averaged(practical, one)
        if column is not None:
            its = practical.derived[column]
            low, high = (its.unit.from_si(one.unit.to_si(end)) for end in one.plausible)
            found.setdefault(str(its.table), []).append(Asked(column, low, high))
        elif key not in layout.slots:
            typed = practical.leaves(key)
            if typed and all(name in layout.slots and _single(practical, name) for name in typed):
                last = max(typed, key=list(layout.slots).index)
                found.setdefault(last, []).append(Asked(key, *one.plausible))
    return {place: tuple(asked) for place, asked in found.items()}


def as_read(layout: Layout) -> Layout:
    """The layout with readings as they are read, without the zero error.

    Below the level that shows corrected readings no cell holds a zero error, and it is too small to
    matter for what is plausible.
    """
    practical = layout.practical
    derived = dict(practical.derived)
    for key, one in practical.derived.items():
        observed = derived.get(f"{key}.observed")
        if observed is not None:
            derived[key] = replace(one, node=observed.node)
    return replace(layout, practical=replace(practical, derived=derived))


def _single(practical: Practical, key: str) -> bool:
    return practical.inputs[key].table is None


def _averaged(practical: Practical, one: DerivedField) -> str | None:
    """The column that a quantity is the mean of, if it is worked out in its rows."""
    if not isinstance(one.node, Call) or one.node.function != "mean":
        return None
    columns = [c for key in argument_keys(one.node) for c in practical.columns(key)]
    return columns[0] if len(columns) == 1 and columns[0] in practical.derived else None
