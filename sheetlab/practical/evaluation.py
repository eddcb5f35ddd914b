"""What comes out of the evaluation of a workbook: frozen data, all numbers in coherent SI units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

from msgspec import Struct

from sheetlab.formula.tree import Fitted
from sheetlab.metrology import agreement
from sheetlab.metrology.budget import Budget
from sheetlab.metrology.curve import CurveFit
from sheetlab.metrology.line import LineFit
from sheetlab.metrology.linepatterns import Observed
from sheetlab.metrology.montecarlo import Propagated, Validation
from sheetlab.metrology.secondorder import SecondOrder
from sheetlab.metrology.statement import Statement
from sheetlab.practical.definition import Result
from sheetlab.practical.fields import CurveField, LineField
from sheetlab.practical.profile import GUM, Profile


class QuantityResult(Struct, frozen=True):
    """A quantity with its standard uncertainty, SI units."""

    key: str
    title: str
    symbol: str
    value: float
    standard_uncertainty: float


class Part(Struct, frozen=True):
    """A quantity in the formula of a result."""

    key: str
    value: float
    standard_uncertainty: float
    sensitivity: float
    share: float
    """Part of the variance of the result, taken alone."""
    maximum_error: float | None
    """Its greatest error in the school's convention; None if it is counted as exact."""


class AcceptedValue(Struct, frozen=True):
    """A published value beside a result, SI units."""

    value: float
    source: str
    percent_difference: float
    e_n: float | None
    """Against the accepted value as it stands; None if the result has no uncertainty."""
    verdict: agreement.Verdict | None
    tolerance: float
    """How far the values of books lie from the accepted one, as a fraction of it."""


class ResultValue(Struct, frozen=True):
    """A result of a practical, SI units."""

    definition: Result
    budget: Budget
    statement: Statement | None
    stated: Literal["expanded", "standard", "maximum"]
    """What the number after ± is."""
    stated_uncertainty: float
    parts: tuple[Part, ...]
    maximum_error: float | None
    trials: Propagated | None
    second_order: SecondOrder | None
    validation: Validation | None
    alternatives: tuple[QuantityResult, ...]
    accepted: AcceptedValue | None


class LineResult(Struct, frozen=True):
    """A fitted line with the rows that took part, SI units."""

    field: LineField
    fit: LineFit
    rows: tuple[int, ...]
    """Row of the table for each point of the fit."""

    def series(self) -> list[list[tuple[float, float]]]:
        """The points of each series."""
        count = len(self.field.y)
        return [[(p.x, p.y) for p in self.fit.points if p.series == k] for k in range(count)]

    def means(self) -> list[tuple[float, float]]:
        """Abscissa and mean ordinate of the rows in which no series is missing."""
        there = [k for k in range(len(self.field.y)) if any(p.series == k for p in self.fit.points)]
        rows: dict[int, list[tuple[float, float]]] = {}
        for point, row in zip(self.fit.points, self.rows, strict=True):
            rows.setdefault(row, []).append((point.x, point.y))
        return [
            (pairs[0][0], math.fsum(y for _, y in pairs) / len(pairs))
            for _, pairs in sorted(rows.items())
            if len(pairs) == len(there)
        ]

    def observed(self) -> list[Observed]:
        """The points with their rows."""
        return [
            Observed(p.series, row, p.x, p.y)
            for p, row in zip(self.fit.points, self.rows, strict=True)
        ]

    def drawn(self) -> tuple[float, float]:
        """Sign and zero of the ordinates of its graph: y is drawn as sign * (y - zero)."""
        if not self.field.definition.relative_to_first:
            return 1.0, 0.0
        first = min(self.rows)
        pairs = zip(self.fit.points, self.rows, strict=True)
        values = [p.y for p, row in pairs if row == first]
        # the graph shows a change that grows, whichever way the scale runs
        return math.copysign(1.0, self.fit.slope), math.fsum(values) / len(values)


class CurveResult(Struct, frozen=True):
    """A fitted curve with the rows that took part, SI units."""

    field: CurveField
    node: Fitted
    """Its formula with the numbers of inputs and constants in it."""
    fit: CurveFit
    x: tuple[float, ...]
    y: tuple[float, ...]
    rows: tuple[int, ...]


class LeftOut(Struct, frozen=True):
    """A row that a person left out, and why."""

    table: str
    row: int
    reason: str


class Evaluation(Struct, frozen=True):
    """What came out of a workbook; frozen data without an engine behind it."""

    practical: str
    version: str
    digest: str
    values: Mapping[str, float | tuple[float | None, ...] | None]
    quantities: tuple[QuantityResult, ...]
    lines: Mapping[str, LineResult]
    curves: Mapping[str, CurveResult]
    results: tuple[ResultValue | None, ...]
    """In the order of the definition; None where a result could not be formed."""
    correlations: Mapping[tuple[str, str], float]
    """Correlation coefficient of each pair of results (JCGM 100:2008, H.2), by quantity."""
    profile: Profile = GUM
    """How results are stated."""
    left_out: tuple[LeftOut, ...] = ()
    with_every_row: tuple[ResultValue | None, ...] = ()
    """The results as they would be if no row were left out; empty if none is."""

    @property
    def measurand(self) -> ResultValue | None:
        """The first result."""
        return self.results[0]
