"""Repeated readings of one quantity: mean and its type A uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec import Struct

RECTANGULAR_DIVISOR = math.sqrt(3.0)
NEAR_EDGE = 0.475 / 1.96
"""Standard uncertainty of readings that all fall on one division, in divisions: 95 % of the errors
of a rectangular distribution lie within 0.475, which is 1.96 times this."""
SCATTER_OF_TWO = 0.45
"""Standard deviation of readings on two neighbouring divisions, in divisions."""
FEWEST_ALIKE = 3
"""Fewer readings that agree say no more than one of them: rectangular, half a division."""
PARTS_READ = (1, 2, 5, 10)
"""Parts of a division to which people read."""


class Repeats(Struct, frozen=True):
    """Mean of n readings (JCGM 100:2008, 4.2), all in the unit of the readings."""

    n: int
    mean: float
    deviation: float
    """Experimental standard deviation of one reading; 0 for a single reading."""
    uncertainty: float
    """Standard uncertainty of the mean, type A; 0 for a single reading."""
    dof: int
    """Degrees of freedom, n - 1."""


def repeats(readings: Sequence[float]) -> Repeats:
    """Mean, experimental standard deviation and type A uncertainty (JCGM 100:2008, 4.2).

    Parameters
    ----------
    readings
        Readings in one unit, shape (n,); the results come in the same.

    Raises
    ------
    ValueError
        If there is no reading.
    """
    n = len(readings)
    mean = mean_of(readings)
    if min(readings) == max(readings):
        return Repeats(n, mean, 0.0, 0.0, n - 1)
    deviation = math.sqrt(math.fsum((r - mean) ** 2 for r in readings) / (n - 1))
    return Repeats(n, mean, deviation, deviation / math.sqrt(n), n - 1)


def pooled_deviation(groups: Sequence[Sequence[float]]) -> float:
    """Standard deviation of a reading within groups of repeats, pooled (JCGM 100:2008, H.3.6).

    Parameters
    ----------
    groups
        Repeats of each group, shapes (n,), all in one unit.

    Returns
    -------
    float
        In the unit of the readings; 0 where no group has two.
    """
    parts = [repeats(group) for group in groups if len(group) > 1]
    square = math.fsum(part.dof * part.deviation**2 for part in parts)
    return math.sqrt(square / sum(part.dof for part in parts)) if parts else 0.0


def mean_of(readings: Sequence[float]) -> float:
    """Mean of ``repeats`` alone, in a fraction of its time.

    Parameters
    ----------
    readings
        Readings in one unit, shape (n,); the mean comes in the same.

    Raises
    ------
    ValueError
        If there is no reading.
    """
    if not readings:
        raise ValueError("no reading")
    if min(readings) == max(readings):
        # their computed mean may be off in the last bit
        return readings[0]
    return math.fsum(readings) / len(readings)


class Rounded(Struct, frozen=True):
    """What rounding leaves to know of repeated readings, in the unit of the readings."""

    deviation: float
    """Standard deviation of one reading to reckon with, n - 1 degrees of freedom."""
    rest: float
    """Standard uncertainty of the mean that this scatter does not hold, as of a normal one."""


def rounded(readings: Sequence[float], step: float) -> Rounded:
    """What scatter and rounding together make the mean of rounded readings uncertain by.

    In a sentence: readings that all fall on one division may be off by half of it; of readings on
    two neighbouring divisions their mean is off by no more than its distance to the edge between
    them, or scatters as readings with 0.45 divisions do; readings on three or more show by their
    scatter all that rounding did to them.

    Rounding is part of the scatter already where readings fall on several divisions, so that adding
    LC/√12 counts it twice (JCGM 100:2008, F.2.2.1, is about a reading that does not change; S. D.
    Phillips, B. Toman and W. T. Estler, J. Res. Natl. Inst. Stand. Technol. 113 (2008) 143, show
    how the error of a mean depends on the place of the true value between two divisions). Where
    they fall on two, n - 1 to 1 or half to half is chance and says little of the scatter, and a
    quiet reading lies beside the edge: the standard deviation is taken as 0.45 divisions, but u
    never below 0.242/0.5 times the distance from the mean to the edge, which is the rule for one
    division again. The two constants come from simulation (``tests/metrology/test_repeats.py``
    prints it): over all places of the true value the interval of Student's t covers 94 % or more
    for every scatter from 0 to 1.5 divisions and 3 to 20 readings (93 % for three at the widest).

    What no rule can cure: if it covers 95 % at no scatter at all, it covers more than 98 % at 0.05
    to 0.3 divisions, where nearly all readings still agree although the true value cannot lie at
    an edge any more; narrower intervals for two divisions would miss where the scatter is wider.
    Two readings hold too little for any such rule (88 % where they scatter by a division).

    Parameters
    ----------
    readings
        Repeated readings in one unit, shape (n,).
    step
        Smallest step of a reading, in that unit (see ``step_read``).

    Raises
    ------
    ValueError
        If there is no reading.
    """
    found = repeats(readings)
    if step <= 0.0:
        return Rounded(found.deviation, 0.0)
    span = (max(readings) - min(readings)) / step
    if span > 1.5:
        return Rounded(found.deviation, 0.0)
    if span < 0.01 and found.n < FEWEST_ALIKE:
        return Rounded(found.deviation, step / math.sqrt(12.0))
    deviation = SCATTER_OF_TWO * step if span > 0.5 else found.deviation
    # squared distance of the mean from the middle between two divisions, by the scatter
    square = max(0.25 * step**2 - found.deviation**2 * found.dof / found.n, 0.0)
    more = (2.0 * NEAR_EDGE) ** 2 * square - deviation**2 / found.n
    return Rounded(deviation, math.sqrt(max(more, 0.0)))


def step_read(columns: Sequence[Sequence[float]], division: float) -> float:
    """Smallest step between readings: a division, or the half, fifth or tenth that was estimated.

    Parameters
    ----------
    columns
        Readings of one scale, in one unit, each of shape (n,), with one unknown zero.
    division
        One division of the scale, in that unit.
    """
    every = [reading for column in columns for reading in column]
    if division <= 0.0 or not every:
        return division
    differences = [(reading - every[0]) / division for reading in every]
    for parts in PARTS_READ:
        if all(abs(d * parts - round(d * parts)) < 0.05 for d in differences):
            return division / parts
    return division
