"""Readings typed wrongly: another unit, a count one off, a series copied."""

from __future__ import annotations

import math

from sheetlab.practical.forward import Cells
from sheetlab.practical.habits.collection import Change, Collection, Plan, numbers_of
from sheetlab.practical.habits.places import (
    first_and_second,
    lines_of_two,
    readings_of,
    typed_counts,
    typed_in_a_unit,
)
from sheetlab.units import Unit, unit

HABITS = Collection()
SIBLINGS = ("mm", "cm", "m", "g", "kg")
FACTORS = (1000.0, 100.0, 10.0, 0.1, 0.01, 0.001)


def _unit_factors(its: Unit) -> list[float]:
    """Factors of numbers typed in another usual unit of the same dimension."""
    others = [unit(text) for text in SIBLINGS]
    found = [
        factor
        for other in others
        if other.dimension == its.dimension
        for factor in FACTORS
        if math.isclose(its.factor / other.factor, factor)
    ]
    return found or [1000.0, 0.001]


@HABITS.add("unit-slip", typed_in_a_unit)
def unit_slip(plan: Plan) -> Change | None:
    """A column or an input typed in another unit than that of its heading.

    Size: the factor on the numbers, 10, 100, 1000 or one over that.
    """
    column = next((one for one in readings_of(plan.practical) if one.column == plan.place), None)
    keys = (plan.place,) if column is None else column.keys
    factors = _unit_factors(plan.practical.inputs[keys[0]].unit)
    factor = plan.size or factors[int(plan.rng.integers(len(factors)))]

    def typed(cells: Cells) -> None:
        for key in keys:
            cells[key] = [float(f"{n * factor:.12g}") for n in numbers_of(cells, key)]

    return Change(keys[0], None, factor, cells=typed)


@HABITS.add("count-off", typed_counts)
def count_off(plan: Plan) -> Change | None:
    """A count typed one too many or too few.

    Size: by how many, 1 or −1.
    """
    by = plan.signed(1.0)

    def typed(cells: Cells) -> None:
        cells[plan.place] = [n + by for n in numbers_of(cells, plan.place)]

    return Change(plan.place, None, by, cells=typed)


@HABITS.add("copied", lines_of_two)
def copied(plan: Plan) -> Change | None:
    """The second series copied from the first instead of read."""
    first, second = first_and_second(plan.practical, plan.place)

    def typed(cells: Cells) -> None:
        for source, target in zip(first, second, strict=True):
            for key in [k for k in cells if k == source or k.startswith(f"{source}.")]:
                cells[target + key.removeprefix(source)] = list(cells[key])

    return Change(second[0], None, 1.0, cells=typed)
