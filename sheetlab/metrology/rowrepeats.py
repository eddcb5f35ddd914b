"""One repeat among those of its row, judged by the scatter within all rows together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from msgspec import Struct

from sheetlab.metrology.budget import student_t

FALSE_ALARM = 0.004
"""Probability that any repeat of a table with normal scatter is told."""
FEWEST_DOF = 4
"""Degrees of freedom of the other rows: three rows of three repeats have them."""
LEAST_DIVISIONS = 2.5
"""Nothing is said of what lies nearer to the other repeats: rounding is no normal scatter."""

Row = Mapping[str, float]
"""Repeats of one row by column, SI units."""


class FarRepeat(Struct, frozen=True):
    """A repeat that does not fit the others of its row, SI units."""

    key: str
    row: int
    others: float
    """Mean of the other repeats of the row."""
    off: float
    scatter: float
    """Standard deviation of one repeat, from the other rows."""
    alone: bool
    """Whether there is but one other: then either of the two may be wrong."""


def far_repeats(rows: Mapping[int, Row], division: float) -> tuple[FarRepeat, ...]:
    """All such repeats, one a row: each is looked for beside those that were found before.

    Parameters
    ----------
    rows
        Repeats by row, two or more in each, all in one unit.
    division
        One division of the scale in the same unit; the results come in it too.
    """
    left, found = dict(rows), []
    while (far := farthest(left, division)) is not None:
        found.append(far)
        del left[far.row]
    return tuple(found)


def farthest(rows: Mapping[int, Row], division: float) -> FarRepeat | None:
    """The repeat that lies farthest from the others of its row; None if chance explains it.

    The difference from the mean of the other repeats of its row is compared with the standard
    deviation within the other rows, pooled, by Student's t; the probability of a false alarm,
    0.4 % a table, is shared over all repeats (Bonferroni's inequality). An error of 7.5 standard
    deviations is seen in 77 % of tables of 8 rows of 3 repeats, in 65 % of 6 rows and in 1 of 8
    tables of 3 rows (simulated): so few rows hardly know their own scatter. One of 10 standard
    deviations is seen in 98, 94 and 34 %.

    Parameters
    ----------
    rows
        Repeats by row; two or more in each.
    division
        One division of the scale, in the unit of the repeats.
    """
    sums = {row: squares(list(repeats.values())) for row, repeats in rows.items()}
    dofs = {row: len(repeats) - 1 for row, repeats in rows.items()}
    tests = sum(len(repeats) if len(repeats) > 2 else 1 for repeats in rows.values())
    best: tuple[float, FarRepeat] | None = None
    for row, repeats in rows.items():
        dof = sum(dofs.values()) - dofs[row]
        if dof < FEWEST_DOF:
            continue
        variance = (math.fsum(sums.values()) - sums[row]) / dof
        # readings that all agree know no better than a division
        scatter = math.sqrt(max(variance, division**2 / 12.0))
        for key, value in repeats.items():
            others = [v for k, v in repeats.items() if k != key]
            mean = math.fsum(others) / len(others)
            off = value - mean
            ratio = abs(off) / (scatter * math.sqrt(1.0 + 1.0 / len(others)) or math.inf)
            excess = ratio / student_t(1.0 - FALSE_ALARM / tests, dof)
            if abs(off) > LEAST_DIVISIONS * division and (best is None or excess > best[0]):
                best = excess, FarRepeat(key, row, mean, off, scatter, len(others) == 1)
    return None if best is None or best[0] <= 1.0 else best[1]


def squares(values: Sequence[float]) -> float:
    """Sum of the squared deviations of values from their mean, unit of the values squared.

    Parameters
    ----------
    values
        Shape (n,), at least one.
    """
    mean = math.fsum(values) / len(values)
    return math.fsum((value - mean) ** 2 for value in values)
