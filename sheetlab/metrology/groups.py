"""Several results of one quantity: consensus, outliers, repeatability and reproducibility."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

from msgspec import Struct

from sheetlab.metrology.distributions import chi_squared_tail, fisher_quantile, student_quantile
from sheetlab.metrology.linetests import median
from sheetlab.metrology.repeats import repeats


class WeightedMean(Struct, frozen=True):
    """Mean weighted by inverse variances."""

    value: float
    internal: float
    """Standard uncertainty from the stated uncertainties."""
    external: float
    """Standard uncertainty from the scatter of the results."""
    birge_ratio: float
    """External over internal; near 1 if the stated uncertainties explain the scatter."""
    chi_squared: float
    dof: int

    @property
    def probability(self) -> float:
        """Probability of a chi-squared this large, if the stated uncertainties are right.

        A pure number, 1 for a single result (M. G. Cox, Metrologia 39 (2002) 589, step 3 of
        procedure A, from memory: consistent from 5 % on).
        """
        return chi_squared_tail(self.chi_squared, self.dof) if self.dof else 1.0


def weighted_mean(values: Sequence[float], uncertainties: Sequence[float]) -> WeightedMean:
    """Weighted mean of independent results (Birge, Physical Review 40 (1932) 207).

    Parameters
    ----------
    values, uncertainties
        Results and their standard uncertainties in one unit, shapes (n,).

    Returns
    -------
    WeightedMean
        In that unit; ratio and chi-squared are pure numbers. The ratio of a single result is 1.

    Raises
    ------
    ValueError
        For no results, uncertainties that are not positive or not one for each result.
    """
    if not values or any(u <= 0.0 for u in uncertainties):
        raise ValueError("a weighted mean needs results with positive uncertainties")
    weights = [1.0 / (u * u) for u in uncertainties]
    total = math.fsum(weights)
    value = math.fsum(w * v for w, v in zip(weights, values, strict=True)) / total
    chi = math.fsum(w * (v - value) ** 2 for w, v in zip(weights, values, strict=True))
    dof = len(values) - 1
    internal = 1.0 / math.sqrt(total)
    ratio = math.sqrt(chi / dof) if dof else 1.0
    return WeightedMean(value, internal, internal * ratio, ratio, chi, dof)


_SMALL = (0.399356, 0.99365, 0.51321, 0.84401, 0.61220, 0.85877, 0.66993, 0.87344, 0.72014,
          0.88906, 0.75743)  # fmt: skip
"""Factors of Qn for 2 to 12 normal values (M. Maechler and others, R package robustbase 0.99,
``qnsn.R``: fetched; the tests confirm those of up to 9 by simulation)."""


class RobustMean(Struct, frozen=True):
    """Median of results, and their robust standard deviation."""

    value: float
    deviation: float
    uncertainty: float
    """Standard uncertainty of the median."""


def robust_mean(values: Sequence[float]) -> RobustMean:
    """Median and Qn: half of the results may be anything, also in a class of three.

    Estimators of ISO 13528:2015, annex C (clauses from memory). What moves results within their
    limits and takes a mean, such as Algorithm A there, breaks down in classes of three or four.
    The uncertainty is 1.25 s*/√n (ISO 13528:2015, 7.7.3, from memory); for few results a little
    more than the median of normal results has.

    Parameters
    ----------
    values
        Results in one unit, shape (n,); all of ``RobustMean`` is in the same.

    Raises
    ------
    ValueError
        For fewer than two results.
    """
    n = len(values)
    if n < 2:
        raise ValueError("a robust mean needs at least two results")
    spread = pairwise_deviation(values)
    return RobustMean(median(values), spread, 1.25 * spread / math.sqrt(n))


def pairwise_deviation(values: Sequence[float]) -> float:
    """Standard deviation Qn from the differences of pairs (P. J. Rousseeuw and C. Croux, 1993).

    Journal of the American Statistical Association 88 (1993) 1273: the k-th smallest difference,
    k = h (h - 1)/2 with h = ⌊n/2⌋ + 1, which as many as n - h wild values cannot touch, times
    1/(√2 Φ⁻¹(5/8)) and a factor that makes it right on average for n normal values.

    Parameters
    ----------
    values
        Two or more values in one unit, shape (n,).

    Returns
    -------
    float
        In that unit; 0 if more than half of the values are equal.
    """
    n = len(values)
    half = n // 2 + 1
    gaps = sorted(abs(a - b) for a, b in combinations(values, 2))
    return 2.219144 * _unbiased(n) * gaps[half * (half - 1) // 2 - 1]


def _unbiased(n: int) -> float:
    if n <= len(_SMALL) + 1:
        return _SMALL[n - 2]
    if n % 2:
        return 1.0 / (1.0 + (1.60188 + (-2.1284 - 5.172 / n) / n) / n)
    return 1.0 / (1.0 + (3.67561 + (1.9654 + (6.987 - 77.0 / n) / n) / n) / n)


def grubbs_statistic(values: Sequence[float]) -> tuple[float, int]:
    """Grubbs' G, a pure number, and the position from 0 of the value that is farthest out.

    ISO 5725-2, 7.3.4 (clause from memory): distance from the mean over the standard deviation; G is
    0 for values that are all equal.

    Parameters
    ----------
    values
        Values in one unit, shape (n,).

    Raises
    ------
    ValueError
        For fewer than three values.
    """
    if len(values) < 3:
        raise ValueError("Grubbs' test needs at least three values")
    found = repeats(values)
    far = max(range(len(values)), key=lambda i: abs(values[i] - found.mean))
    if found.deviation == 0.0:
        return 0.0, far
    return abs(values[far] - found.mean) / found.deviation, far


def grubbs_limit(n: int, significance: float = 0.05) -> float:
    """Critical value of G, a pure number, of the two-sided test of one outlier (ISO 5725-2, 7.3.4).

    From Student's t at significance / (2 n) with n - 2 degrees of freedom (F. E. Grubbs,
    Technometrics 11 (1969) 1, from memory).

    Parameters
    ----------
    n
        Number of values.
    significance
        Probability of a false alarm, between 0 and 1.

    Raises
    ------
    ValueError
        For fewer than three values.
    """
    if n < 3:
        raise ValueError("Grubbs' test needs at least three values")
    t = student_quantile(significance / (2.0 * n), n - 2)
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def cochran_statistic(variances: Sequence[float]) -> float:
    """Cochran's C, a pure number: the largest variance over the sum of all (ISO 5725-2, 7.3.3).

    Parameters
    ----------
    variances
        Variances of groups of equal size in one unit, shape (p,). C is 0 if all are zero.
    """
    total = math.fsum(variances)
    return max(variances) / total if total else 0.0


def cochran_limit(groups: int, repeats_each: int, significance: float = 0.05) -> float:
    """Critical value of Cochran's C, a pure number, for groups of equally many repeats.

    From the F distribution at significance / groups (R. U. E. 't Lam, Analytica Chimica Acta 659
    (2010) 68, from memory).

    Parameters
    ----------
    groups, repeats_each
        Number of groups, and of the repeats in each.
    significance
        Probability of a false alarm, between 0 and 1.

    Raises
    ------
    ValueError
        For fewer than two groups, or fewer than two repeats in each.
    """
    if groups < 2 or repeats_each < 2:
        raise ValueError("Cochran's test needs at least two groups of two")
    a, b = repeats_each - 1, (groups - 1) * (repeats_each - 1)
    f = fisher_quantile(significance / groups, a, b)
    return 1.0 / (1.0 + (groups - 1) / f)


class Precision(Struct, frozen=True):
    """One-way analysis by group: repeatability and reproducibility (ISO 5725-2)."""

    mean: float
    repeatability: float
    """s_r: standard deviation within groups."""
    between: float
    """s_L: standard deviation between groups; 0 if it would be imaginary."""
    reproducibility: float
    """s_R: root of the sum of both squares."""
    within_dof: int
    between_dof: int
    f_ratio: float


def precision(groups: Sequence[Sequence[float]]) -> Precision:
    """Repeatability and reproducibility standard deviations (ISO 5725-2, 7.4.5, from memory).

    Parameters
    ----------
    groups
        Results by group in one unit, p sequences of shapes (n_i,); groups may differ in size, empty
        ones are passed over.

    Returns
    -------
    Precision
        In that unit; ``f_ratio`` is a pure number, infinite without scatter in the groups.

    Raises
    ------
    ValueError
        For fewer than two groups with results, or no repeats at all.
    """
    kept = [list(group) for group in groups if group]
    count = sum(len(group) for group in kept)
    p = len(kept)
    if p < 2 or count <= p:
        raise ValueError("precision needs at least two groups, and repeats")
    means = [math.fsum(group) / len(group) for group in kept]
    grand = math.fsum(v for group in kept for v in group) / count
    within = math.fsum((v - m) ** 2 for group, m in zip(kept, means, strict=True) for v in group)
    across = math.fsum(len(g) * (m - grand) ** 2 for g, m in zip(kept, means, strict=True))
    s_r2 = within / (count - p)
    s_d2 = across / (p - 1)
    effective = (count - sum(len(g) ** 2 for g in kept) / count) / (p - 1)
    s_l2 = max(0.0, (s_d2 - s_r2) / effective)
    return Precision(
        mean=grand,
        repeatability=math.sqrt(s_r2),
        between=math.sqrt(s_l2),
        reproducibility=math.sqrt(s_l2 + s_r2),
        within_dof=count - p,
        between_dof=p - 1,
        f_ratio=s_d2 / s_r2 if s_r2 else math.inf,
    )
