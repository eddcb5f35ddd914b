"""Means of columns whose rows were read together: their covariance, as sources that they share.

The deviations of a column from its mean, over √(n(n - 1)), are a vector over the rows. Its square
is the variance of the mean, and the product of two vectors is the covariance of two means (JCGM
100:2008, 5.2.3, equation 17). Means are therefore correlated as they should be if each is given the
parts of the means before it, as far as it moves with them, and a part of its own at right angles to
those. All parts rest on the same rows, so that any linear combination of the means has n - 1
degrees of freedom, as it has if it is worked out row by row.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from msgspec import Struct

SAME_ROWS = 1e-9
"""Part of its scatter up to which a mean has none that other means of its table do not have."""


class MeanScatter(Struct, frozen=True):
    """The scatter of a mean beside those of means before it, all over the same rows."""

    key: str
    whole: tuple[float, ...]
    """Vector over the rows; its length is the standard uncertainty of the mean, type A."""
    shares: tuple[float, ...]
    """Change of this mean for a unit change of the own part of each mean before it."""
    own: tuple[float, ...]
    """What is left of ``whole``: zeros if the means before it leave nothing."""

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of the own part, in the unit of the mean."""
        return math.hypot(*self.own)


def deviations(values: Sequence[float | None], uncertainty: float) -> tuple[float, ...]:
    """Deviations of a column from its mean, as a vector as long as the uncertainty of the mean.

    Parameters
    ----------
    values
        Shape (n,), one for each row of the table; None where a reading is missing, which counts as
        no deviation. They are not all the same.
    uncertainty
        Standard uncertainty of the mean, type A, in the unit of the values.
    """
    there = [v for v in values if v is not None]
    mean = math.fsum(there) / len(there)
    apart = [0.0 if v is None else v - mean for v in values]
    scale = uncertainty / math.hypot(*apart)
    return tuple(scale * one for one in apart)


def beside(key: str, whole: Sequence[float], before: Sequence[MeanScatter]) -> MeanScatter:
    """The scatter of a further mean of a table.

    Parameters
    ----------
    whole
        Vector over the rows, shape (n,), in the unit of the mean, as ``deviations`` gives it.
    before
        Means of the same table, each made beside those before it; each has a part of its own.
    """
    length = math.hypot(*whole)
    left, shares = list(whole), []
    for one in before:
        size = one.uncertainty
        along = math.fsum(a * b for a, b in zip(left, one.own, strict=True)) / size
        if abs(along) <= SAME_ROWS * length:
            along = 0.0
        left = [a - along * b / size for a, b in zip(left, one.own, strict=True)]
        shares.append(along / size)
    if math.hypot(*left) <= SAME_ROWS * length:
        left = [0.0] * len(left)
    return MeanScatter(key, tuple(whole), tuple(shares), tuple(left))


def of_result(
    sensitivities: Mapping[str, float], means: Sequence[MeanScatter]
) -> list[tuple[MeanScatter, float]]:
    """The same uncertainty of a result, in parts of those means alone that stand in it.

    Parameters
    ----------
    sensitivities
        Change of the result for a unit change of the own part of each mean, by key.
    means
        Means of one table, shape (m,), each made beside those before it.

    Returns
    -------
    list[tuple[MeanScatter, float]]
        Means in the result, each beside those before it in this list, and the sensitivity of the
        result to the own part of each.
    """
    slopes = [sensitivities.get(one.key, 0.0) for one in means]
    # from the last: what it takes of the means before it is not theirs
    for k in range(len(means) - 1, -1, -1):
        for j, share in enumerate(means[k].shares):
            slopes[j] -= slopes[k] * share
    parts = [abs(c) * math.hypot(*one.whole) for c, one in zip(slopes, means, strict=True)]
    least = SAME_ROWS * max(parts, default=0.0)
    kept: list[MeanScatter] = []
    found: list[float] = []
    for slope, part, one in zip(slopes, parts, means, strict=True):
        if part > least:
            kept.append(beside(one.key, one.whole, kept))
            found = [c + slope * share for c, share in zip(found, kept[-1].shares, strict=True)]
            found.append(slope)
    return [(one, c) for one, c in zip(kept, found, strict=True) if c]
