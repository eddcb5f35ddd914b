"""Repeated readings of one quantity: mean and its type A uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

RECTANGULAR_DIVISOR = math.sqrt(3.0)
NEGLIGIBLE = 0.3
"""Variance of readings, least count 1, from which they have about 1 % of rounding in common."""


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


def common_rounding(deviation: float, resolution: float) -> float:
    """Part of the rounding error that all readings of a column have in common, 0 to 1.

    Readings that all fall on one division share one rounding error, which their mean keeps in
    full. The more they scatter over divisions, the more the rounding is random and is part of
    the scatter already, so that adding it again would count it twice. Between the two the
    expected standard deviation of the common error over all positions of the true value is
    LC √(Σ exp(-4 π² k² σ²/LC²) / (2 π² k²)), with σ² = s² less what rounding adds to the
    scatter (quantisation theory: Widrow and Kollár, Quantization Noise, 2008; formula from
    memory, confirmed by simulation in the tests).

    Parameters
    ----------
    deviation
        Standard deviation s of one reading, shown by the readings, unit of the readings.
    resolution
        Standard uncertainty of the rounding of one reading, LC / √12, in the same unit.

    Returns
    -------
    float
        Standard deviation of the common part, as a part of ``resolution``, a pure number: 1 if
        either is not positive, 0 from where it is about a per cent.
    """
    if resolution <= 0.0 or deviation <= 0.0:
        return 1.0
    square = (deviation / (resolution * math.sqrt(12.0))) ** 2
    if square > NEGLIGIBLE:
        return 0.0
    low, high = 0.0, square
    # to 2^-40 of a number below 1
    for _ in range(40):
        middle = 0.5 * (low + high)
        if middle + 1.0 / 12.0 - _common_variance(middle) < square:
            low = middle
        else:
            high = middle
    return math.sqrt(12.0 * _common_variance(low))


def _common_variance(variance: float) -> float:
    """Variance of the common rounding error for a scatter of this variance; LC = 1."""
    if variance < 1e-6:
        # the series has hundreds of terms here, and its sum is all of 1/12
        return 1.0 / 12.0
    total, k = 0.0, 1
    while (term := math.exp(-4.0 * (math.pi * k) ** 2 * variance) / (k * k)) > 1e-12:
        total += term
        k += 1
    return total / (2.0 * math.pi**2)
