"""Control charts for single values in time order: Shewhart with moving range, and EWMA.

Sources: Shewhart charts after ISO 7870-2, EWMA charts after ISO 7870-6 and S. W. Roberts,
Technometrics 1 (1959) 239; the rule of eight is one of the rules of the Western Electric
handbook (1956). A year is compared with the baseline by the t-test of B. L. Welch, Biometrika 34
(1947) 28. Values beyond the limits of single values count in the moving average as those limits,
until three in a row are beyond (winsorised, in the manner of J. M. Lucas and R. B. Crosier,
Communications in Statistics 11 (1982) 2669). All from memory; the constants are worked out here
from the normal distribution.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from itertools import accumulate, groupby, pairwise
from typing import Literal

from msgspec import Struct

from sheetlab.metrology.distributions import normal_tail, student_quantile

D2 = 2.0 / math.sqrt(math.pi)
"""Mean of the range of two values, in standard deviations (normal values): 1.128."""
WIDTH = 3.0
"""Half-width of the limits of single values, in standard deviations."""

WEIGHT, EWMA_WIDTH = 0.2, 2.86
"""Weight of the newest value, and half-width of the limits in standard deviations. A run of steady
values then lasts about 370 values on average, as with 3 standard deviations for single values
(J. M. Lucas and M. S. Saccucci, Technometrics 32 (1990) 1, from memory; simulated in the tests)."""
RUN = 8
LEAST = 5
"""Fewest values of a baseline."""
LASTING = 3
"""So many values in a row beyond limits on one side are no slips, whatever is said of each."""
YEAR_LEVEL = 0.002
"""Probability that a steady year is told as one away from the baseline."""
LEAST_YEAR = 3
"""Fewest values of a year that is compared with the baseline."""

Rule = Literal["beyond-limits", "ewma-beyond-limits", "year-off-baseline", "eight-on-one-side"]


class Baseline(Struct, frozen=True):
    """Centre and spread of the values that are taken as steady, in the unit of the values."""

    count: int
    centre: float
    sigma: float
    """Standard deviation: mean moving range over d2, or the floor."""
    mean_range: float
    dof: float
    """Effective degrees of freedom of ``sigma``; infinite where the floor is taken."""

    def factor(self, width: float) -> float:
        """Student's t in place of a normal quantile of ``width`` standard deviations, over it.

        A pure number, 1 for a long baseline. With it a steady value is no oftener beyond limits
        that few values have set than beyond limits that are known (simulated in the tests). As a
        mean range over d2 estimates a standard deviation without bias and its square with one,
        the quantile is divided by √(1 + 1/(2 dof)).

        Raises
        ------
        ValueError
            If the width is not positive.
        """
        if not width > 0.0:
            raise ValueError("the width of limits is positive")
        if math.isinf(self.dof):
            return 1.0
        quantile = student_quantile(normal_tail(width), self.dof)
        return quantile / width / math.sqrt(1.0 + 0.5 / self.dof)

    def limits(self, width: float = WIDTH) -> tuple[float, float]:
        """Lower and upper limit of a single value, in the unit of the values.

        The prediction interval of a further value: centre ± width · factor · sigma · √(1 + 1/n).
        For a long baseline that is centre ± 2.66 mean moving ranges.
        """
        half = width * self.factor(width) * self.sigma * math.sqrt(1.0 + 1.0 / self.count)
        return self.centre - half, self.centre + half


def range_dof(count: int) -> float:
    """Effective degrees of freedom of a mean moving range, a pure number.

    Half the inverse squared coefficient of variation of the mean of k = count - 1 ranges of two,
    of which neighbours are correlated because they share a value (derived for normal values with
    the correlation -1/2 of neighbouring differences; simulated in the tests). About
    0.6 (count - 1).

    Raises
    ------
    ValueError
        For fewer than two values.
    """
    if count < 2:
        raise ValueError("a moving range needs two values")
    k = count - 1
    single = math.pi / 2.0 - 1.0
    shared = math.sqrt(0.75) + 0.5 * math.asin(0.5) - 1.0
    return k * k / (2.0 * (k * single + 2.0 * (k - 1) * shared))


def baseline(values: Sequence[float], floor: float = 0.0) -> Baseline:
    """Centre and spread of values that are taken as steady.

    Parameters
    ----------
    values
        Shape (n,), n of 5 or more, in time order, all in one unit.
    floor
        Least standard deviation in the same unit: that of the rounding of a reading, say, so that
        readings which all agree do not make limits of no width.

    Raises
    ------
    ValueError
        For fewer than 5 values, values that are not finite, or no spread at all.
    """
    if len(values) < LEAST:
        raise ValueError(f"a baseline needs {LEAST} values")
    if not all(map(math.isfinite, values)):
        raise ValueError("a baseline needs finite values")
    mean_range = math.fsum(abs(b - a) for a, b in pairwise(values)) / (len(values) - 1)
    centre = math.fsum(values) / len(values)
    sigma, dof = mean_range / D2, range_dof(len(values))
    if sigma <= floor:
        sigma, dof = floor, math.inf
    # equal decimals leave a trace in the last bits, which is no spread
    if sigma <= 1e-12 * abs(centre):
        raise ValueError("values without any spread set no limits")
    return Baseline(len(values), centre, sigma, mean_range, dof)


def ewma(values: Sequence[float], start: float, weight: float = WEIGHT) -> tuple[float, ...]:
    """Exponentially weighted moving averages, shape (n,), in the unit of the values.

    z_i = weight · x_i + (1 - weight) · z_(i-1), with z_0 = start.

    Parameters
    ----------
    values
        Shape (n,), in time order.
    start
        Centre of the baseline, in the unit of the values.
    weight
        Weight of the newest value, a pure number above 0 and up to 1.

    Raises
    ------
    ValueError
        If the weight is not above 0 and up to 1.
    """
    if not 0.0 < weight <= 1.0:
        raise ValueError("a weight lies above 0 and up to 1")
    averages = accumulate(values, lambda z, x: weight * x + (1.0 - weight) * z, initial=start)
    return tuple(averages)[1:]


def ewma_deviation(sigma: float, index: int, weight: float = WEIGHT, count: int = 0) -> float:
    """Standard deviation of a moving average about the centre, in the unit of ``sigma``.

    σ √(λ / (2 - λ) · (1 - (1 - λ)^(2 i)) + 1/n): the exact variance after i values, not its
    limit, and that of a centre which is itself the mean of n values.

    Parameters
    ----------
    sigma
        Standard deviation of a single value.
    index
        Number i of values averaged, from 1.
    weight
        Weight λ of the newest value, a pure number.
    count
        Values n behind the centre; 0 for a centre that is known.
    """
    grown = weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * index))
    return sigma * math.sqrt(grown + (1.0 / count if count else 0.0))


class Signal(Struct, frozen=True):
    """A rule that was broken: by the values from ``first`` to ``last`` (counted from 0)."""

    rule: Rule
    first: int
    last: int
    side: Literal[-1, 1]
    """1: above the centre, -1: below."""


class Shift(Struct, frozen=True):
    """The mean of some values against that of a baseline, in the unit of the values."""

    count: int
    difference: float
    least: float
    """Smallest difference, without sign, that is told from none."""

    @property
    def side(self) -> Literal[-1, 0, 1]:
        """1: above the baseline, -1: below, 0: not told from it."""
        if abs(self.difference) <= self.least:
            return 0
        return 1 if self.difference > 0.0 else -1


def shift(
    base: Sequence[float], values: Sequence[float], floor: float = 0.0, level: float = YEAR_LEVEL
) -> Shift:
    """Compare two means whose scatters need not be alike (Welch's t-test, two-sided).

    The further values count as scattering no less than the baseline: three values that happen to
    agree would otherwise tell a difference four times as often as they should.

    Unlike a single value against limits it has its power from the number of values: six against
    six are told apart when their means differ by about 2.5 of their standard deviations. Of steady
    normal values about one comparison in 500 tells a difference (``level``), and one in 250 where
    six are compared with thirty (simulated in the tests).

    Parameters
    ----------
    base, values
        Shapes (n,) and (m,), each of 2 or more, in one unit.
    floor
        Least standard deviation in the same unit, as in ``baseline``.
    level
        Probability of a difference that is told where there is none, a pure number.

    Raises
    ------
    ValueError
        For fewer than two values on a side, or no spread at all.
    """
    if min(len(base), len(values)) < 2:
        raise ValueError("two means are compared from two values each")
    means, parts, dofs = [], [], []
    least = floor * floor
    for side in (base, values):
        mean = math.fsum(side) / len(side)
        least = max(math.fsum((v - mean) ** 2 for v in side) / (len(side) - 1), least)
        means.append(mean)
        parts.append(least / len(side))
        dofs.append(len(side) - 1)
    total = math.fsum(parts)
    # equal decimals leave a trace in the last bits, which is no spread
    if math.sqrt(total) <= 1e-12 * max(map(abs, means)):
        raise ValueError("values without any spread are not compared")
    dof = total * total / math.fsum(p * p / d for p, d in zip(parts, dofs, strict=True))
    quantile = student_quantile(0.5 * level, dof)
    return Shift(len(values), means[1] - means[0], quantile * math.sqrt(total))


class Chart(Struct, frozen=True):
    """Values with their averages and limits; every sequence has shape (n,), in one unit."""

    values: tuple[float, ...]
    baseline: Baseline
    lower: float
    upper: float
    averages: tuple[float, ...]
    average_lower: tuple[float, ...]
    average_upper: tuple[float, ...]
    signals: tuple[Signal, ...]
    slips: frozenset[int]
    """Positions of doubtful values that the averages leave out."""


def chart(values: Sequence[float], steady: Baseline, doubtful: Collection[int] = ()) -> Chart:
    """Chart values against a baseline and look for signals.

    Three rules: a single value beyond its limits (3 standard deviations); a moving average beyond
    its limits; eight values in a row on one side of the centre. Neighbouring values that break the
    same rule on the same side are one signal. Of steady normal values in series of 36, of which
    the first 12 are the baseline, about one series in 24 shows a value or an average beyond its
    limits and one in six a run of eight (simulated in the tests), because the centre is an
    estimate too: a signal is a reason to look, not a proof, and a run alone is only a hint.

    A value beyond the limits of single values is told by them. In the moving average it counts as
    the limit that it is beyond, and if it is doubtful not at all: one slip alone never brings the
    average beyond its limits, two sound values in a row do. Three in a row beyond on one side are
    no slips: doubtful or not, the first two count as the limit, and from the third on they count in
    full, so that the average goes to where the values are.

    Parameters
    ----------
    values
        Shape (n,), in time order, in the unit of the baseline.
    doubtful
        Positions of values that are not taken for sound, from 0.
    """
    centre = steady.centre
    lower, upper = steady.limits()
    beyond = _runs([_side(v, lower, upper) for v in values])
    lasting = {i for first, last, _ in beyond for i in range(first + LASTING - 1, last + 1)}
    short = (range(r[0], r[1] + 1) for r in beyond if r[1] - r[0] + 1 < LASTING)
    slips = frozenset(i for run in short for i in run if i in doubtful)
    # the average stays where it is at a value that is not taken
    taken = [i for i in range(len(values)) if i not in slips]
    fed = [values[i] if i in lasting else min(max(values[i], lower), upper) for i in taken]
    known = (centre, *ewma(fed, centre))
    counts = list(accumulate(i not in slips for i in range(len(values))))
    averages = tuple(known[count] for count in counts)
    width = EWMA_WIDTH * steady.factor(EWMA_WIDTH)
    half = [
        width * ewma_deviation(steady.sigma, max(count, 1), count=steady.count) for count in counts
    ]
    drifted = [_side(z, centre - h, centre + h) for z, h in zip(averages, half, strict=True)]
    rules: tuple[tuple[Rule, Sequence[tuple[int, int, Literal[-1, 1]]]], ...] = (
        ("beyond-limits", beyond),
        ("ewma-beyond-limits", _runs(drifted)),
        ("eight-on-one-side", _runs([_side(v, centre, centre) for v in values], RUN)),
    )
    signals = [Signal(rule, *run) for rule, runs in rules for run in runs]
    return Chart(
        tuple(values), steady, lower, upper, averages,
        tuple(centre - h for h in half), tuple(centre + h for h in half),
        tuple(sorted(signals, key=lambda s: (s.first, s.last))), slips,
    )  # fmt: skip


def _side(value: float, lower: float, upper: float) -> int:
    return (value > upper) - (value < lower)


def _runs(sides: Sequence[int], least: int = 1) -> list[tuple[int, int, Literal[-1, 1]]]:
    """First, last and side of every run of one sign that is long enough."""
    runs: list[tuple[int, int, Literal[-1, 1]]] = []
    for side, members in groupby(range(len(sides)), sides.__getitem__):
        first, *others = members
        if side and len(others) + 1 >= least:
            runs.append((first, first + len(others), 1 if side > 0 else -1))
    return runs
