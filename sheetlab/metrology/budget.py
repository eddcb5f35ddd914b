"""Law of propagation of uncertainty: sources, budget, expanded uncertainty (JCGM 100:2008)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Literal

from msgspec import Struct

from sheetlab.metrology.distributions import student_quantile
from sheetlab.metrology.repeats import RECTANGULAR_DIVISOR

Distribution = Literal["rectangular", "triangular", "normal", "t"]

DIVISORS: dict[str, float] = {
    "rectangular": RECTANGULAR_DIVISOR,
    "triangular": math.sqrt(6.0),
    "normal": 1.0,
    "t": 1.0,
}
"""Half-width divided by this is the standard uncertainty (JCGM 100:2008, 4.3.7 and 4.3.9)."""

COVERAGE_PROBABILITY = 0.95


class Source(Struct, frozen=True):
    """An independent cause of uncertainty; correlation is two quantities sharing a source."""

    key: str
    label: str
    evaluation: Literal["A", "B"]
    distribution: Distribution
    standard_uncertainty: float
    """In the coherent SI unit of what it belongs to, or a fraction if ``relative``."""
    dof: float = math.inf
    relative: bool = False
    unit: str = ""
    """Coherent or display unit, for people."""
    unit_factor: float = 1.0
    note: str = ""
    estimate: str = ""
    """Sources of type A that rest on one and the same variance estimate name it alike."""
    spread: float = 0.0
    """What ``divisor`` divides: half-width, or standard deviation of one reading for a mean, in the
    unit of ``standard_uncertainty``; 0: ``half_width``."""
    advice: str = ""
    """What makes it smaller, for people: “more readings of …”."""

    @property
    def half_width(self) -> float:
        """Half-width of the distribution; the standard uncertainty itself for normal and t.

        In the unit of ``standard_uncertainty``, by the divisors of JCGM 100:2008, 4.3.7 and 4.3.9.
        """
        return self.standard_uncertainty * DIVISORS[self.distribution]

    @property
    def divided(self) -> float:
        """What stands in a budget before the divisor, in the unit of ``standard_uncertainty``."""
        return self.spread or self.half_width

    @property
    def divisor(self) -> float:
        """``divided`` over the standard uncertainty, a pure number: √3, √n, …"""
        u = self.standard_uncertainty
        return self.divided / u if u else DIVISORS[self.distribution]


class BudgetRow(Struct, frozen=True):
    """One source in the uncertainty of a result."""

    source: Source
    sensitivity: float
    """Sensitivity coefficient: change of the result for a unit change of the source."""
    contribution: float
    """|sensitivity| times standard uncertainty, in the unit of the result."""
    share: float
    """Part of the variance of the result, 0 to 1."""


class BudgetLine(Struct, frozen=True):
    """A row of an uncertainty budget, in the units that are shown."""

    source: str
    kind: str
    distribution: str
    divided: float
    """Half-width, or standard deviation, that ``divisor`` makes the standard uncertainty of."""
    divisor: float
    standard_uncertainty: float
    unit: str
    dof: float
    sensitivity: float
    contribution: float
    share: float


def budget_lines(rows: Iterable[BudgetRow], scale: float) -> Iterator[BudgetLine]:
    """Rows of a budget as they are shown; ``scale``: coherent SI units in one of the result's."""
    for row in rows:
        source = row.source
        factor = source.unit_factor
        yield BudgetLine(
            source.label,
            source.evaluation,
            source.distribution,
            source.divided / factor,
            source.divisor,
            source.standard_uncertainty / factor,
            source.unit or "fraction",
            source.dof,
            row.sensitivity * factor / scale,
            row.contribution / scale,
            row.share,
        )


class Budget(Struct, frozen=True):
    """Uncertainty of a result; the rows with the greatest share come first."""

    value: float
    standard_uncertainty: float
    effective_dof: float
    coverage_factor: float
    expanded_uncertainty: float
    coverage_probability: float
    rows: tuple[BudgetRow, ...]


def student_t(probability: float, dof: float) -> float:
    """Factor t, a pure number, for a two-sided interval of Student's distribution.

    JCGM 100:2008, G.3 (clause from memory) and Table G.2.

    Parameters
    ----------
    probability
        Probability that the interval holds, between 0 and 1.
    dof
        Degrees of freedom, whole or not; may be infinite.

    Raises
    ------
    ValueError
        If the probability is not between 0 and 1 or there is less than one degree of freedom.
    """
    if not 0.0 < probability < 1.0 or dof < 1.0:
        raise ValueError("Student's factor needs 0 < p < 1 and at least one degree of freedom")
    return student_quantile(0.5 - 0.5 * probability, dof)


def effective_dof(contributions: Sequence[tuple[float, float]]) -> float:
    """Welch-Satterthwaite effective degrees of freedom (JCGM 100:2008, G.4.1, formula G.2b).

    Parameters
    ----------
    contributions
        Pairs of contribution to the result (its unit) and degrees of freedom (a positive number).

    Returns
    -------
    float
        A pure number; infinite if no contribution but zeros has finite degrees of freedom.
    """
    combined = math.hypot(*(c for c, _ in contributions))
    # relative to the combined uncertainty: fourth powers of large figures would overflow
    below = math.fsum(
        (c / combined) ** 4 / dof for c, dof in contributions if combined and not math.isinf(dof)
    )
    return math.inf if below == 0.0 else 1.0 / below


def coverage_factor(dof: float, probability: float = COVERAGE_PROBABILITY) -> float:
    """Coverage factor from t, a pure number (JCGM 100:2008, G.4.1).

    Parameters
    ----------
    dof
        Degrees of freedom: truncated to a whole number, below 1 taken as 1; may be infinite.
    probability
        Coverage probability, between 0 and 1.

    Raises
    ------
    ValueError
        If the probability is not between 0 and 1.
    """
    return student_t(probability, dof if math.isinf(dof) else whole_dof(dof))


def whole_dof(dof: float) -> int:
    """Degrees of freedom as the coverage factor takes them: truncated, 1 or more (G.4.1, Note 1).

    Parameters
    ----------
    dof
        Finite.
    """
    return max(1, math.floor(dof * (1.0 + 1e-12)))


def budget(
    value: float,
    sensitivities: Sequence[tuple[Source, float]],
    probability: float = COVERAGE_PROBABILITY,
    fixed_factor: float = 0.0,
) -> Budget:
    """Combine independent sources (JCGM 100:2008, 5.1.2, 6.2.1).

    Parameters
    ----------
    value
        Estimate of the result.
    sensitivities
        Pairs of source and sensitivity coefficient, unit of the result / unit of the source.
    probability
        Coverage probability of the expanded uncertainty.
    fixed_factor
        Coverage factor by agreement (JCGM 100:2008, 6.3.1); 0: from Student's t.

    Returns
    -------
    Budget
        In the unit of the result. A fixed factor leaves ``coverage_probability`` as it was given.

    Raises
    ------
    ValueError
        If the probability is not between 0 and 1, unless the factor is fixed.
    """
    parts = [(s, c, abs(c) * s.standard_uncertainty) for s, c in sensitivities]
    combined = math.hypot(*(part for _, _, part in parts))
    # two figures from one estimate of variance have its degrees of freedom, not twice as many
    groups: dict[str, tuple[float, float]] = {}
    for source, _, part in parts:
        estimate = source.estimate or source.key
        before, least = groups.get(estimate, (0.0, math.inf))
        groups[estimate] = (math.hypot(before, part), min(least, source.dof))
    dof = effective_dof(list(groups.values()))
    factor = fixed_factor or coverage_factor(dof, probability)
    rows = [
        BudgetRow(s, c, part, (part / combined) ** 2 if combined else 0.0) for s, c, part in parts
    ]
    rows.sort(key=lambda row: (-row.share, row.source.key))
    return Budget(value, combined, dof, factor, factor * combined, probability, tuple(rows))


def shrink_to_halve(share: float) -> float | None:
    """Factor f on one quantity's uncertainty that halves the combined one; None if there is none.

    From JCGM 100:2008, 5.1.2: 1 - share + f² share = 1/4.

    Parameters
    ----------
    share
        Part of the variance that the quantity has, a pure number, 0 to 1.

    Returns
    -------
    float | None
        A pure number; None for a share of up to 3/4.
    """
    rest = 0.25 - (1.0 - share)
    return math.sqrt(rest / share) if share > 0.0 and rest > 0.0 else None
