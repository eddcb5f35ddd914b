"""Repeated readings of one quantity: mean and its type A uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

RECTANGULAR_DIVISOR = math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Repeats:
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
    """Mean, experimental standard deviation and type A uncertainty of readings, shape (n,).

    Raises
    ------
    ValueError
        If there is no reading.
    """
    n = len(readings)
    if n == 0:
        raise ValueError("no reading")
    mean = math.fsum(readings) / n
    if min(readings) == max(readings):
        # equal readings have no scatter; their computed mean may be off in the last bit
        return Repeats(n, readings[0], 0.0, 0.0, n - 1)
    deviation = math.sqrt(math.fsum((r - mean) ** 2 for r in readings) / (n - 1))
    return Repeats(n, mean, deviation, deviation / math.sqrt(n), n - 1)


def scatter_holds_rounding(deviation: float, resolution: float) -> bool:
    """Whether the scatter of readings already shows their rounding.

    Readings that spread over less than half a least count all fall on one or two divisions;
    their mean then keeps the rounding error of a single reading, which has to be added. With
    a wider spread the rounding is random and is part of the scatter: adding it again would
    count it twice (the reasoning of JCGM 100:2008, F.2.2.1; the limit of half a least count is
    common practice, no source).

    Parameters
    ----------
    deviation
        Standard deviation of one reading.
    resolution
        Standard uncertainty of the rounding of one reading (least count / sqrt 12).
    """
    half_least_count = resolution * RECTANGULAR_DIVISOR
    return deviation >= half_least_count
