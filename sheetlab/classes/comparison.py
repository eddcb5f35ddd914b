"""The results of a class beside each other: consensus, set-ups, scores, the typical group. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from msgspec import Struct

from sheetlab.classes.handins import HandIn, Outcome, natural
from sheetlab.finding import many
from sheetlab.metrology.agreement import vague, zeta
from sheetlab.metrology.groups import (
    Precision,
    RobustMean,
    WeightedMean,
    cochran_limit,
    cochran_statistic,
    grubbs_limit,
    grubbs_statistic,
    precision,
    robust_mean,
    weighted_mean,
)
from sheetlab.metrology.repeats import repeats
from sheetlab.practical.register import same_id

FEWEST = 3
"""Results from which a consensus is formed."""
CONSISTENT = 0.05
"""Probability of chi-squared from which results agree within their uncertainties (M. G. Cox,
Metrologia 39 (2002) 589, from memory)."""
FINE, ACTION = 2.0, 3.0
"""Zeta scores up to 2 are fine, from 3 on they call for action (ISO 13528, from memory)."""
TOO_UNCERTAIN = "too uncertain to say"


class Compared(Struct, frozen=True):
    """One result of a class beside the consensus, in the shown unit."""

    handin: HandIn
    value: float
    standard: float
    zeta: float | None
    class_: str


class SetUp(Struct, frozen=True):
    """The results of one set-up, in the shown unit."""

    name: str
    values: tuple[float, ...]
    mean: float
    deviation: float | None


class Comparison(Struct, frozen=True):
    """The first results of one practical, in its shown unit."""

    symbol: str
    unit: str
    factor: float
    compared: tuple[Compared, ...]
    robust: RobustMean | None
    weighted: WeightedMean | None
    setups: tuple[SetUp, ...]
    precision: Precision | None
    without: Precision | None
    """The same without the results that call for a look or say nothing; None if there are none."""
    left: int
    """How many those are."""
    remarks: tuple[str, ...]
    """What is flagged, and what could not be said because there is too little."""
    typical: HandIn | None
    """The hand-in whose relative uncertainty is the median one."""

    @property
    def consistent(self) -> bool:
        """Whether the stated uncertainties explain how far the results differ."""
        return self.weighted is not None and self.weighted.probability >= CONSISTENT

    @property
    def heaviest(self) -> tuple[Compared, float] | None:
        """The result with the smallest uncertainty, and its share of the weighted mean."""
        stated = [c for c in self.compared if c.standard > 0.0]
        if not stated:
            return None
        least = min(stated, key=lambda c: c.standard)
        return least, 1.0 / math.fsum((least.standard / c.standard) ** 2 for c in stated)

    @property
    def band(self) -> tuple[float, float] | None:
        """Consensus value minus and plus twice its standard uncertainty."""
        if self.robust is None:
            return None
        half = 2.0 * self.robust.uncertainty
        return self.robust.value - half, self.robust.value + half


def compare(handins: Sequence[HandIn]) -> Comparison | None:
    """Compare the results of one practical; None if there is none."""
    results = [(handin, handin.outcome) for handin in handins if handin.outcome is not None]
    if not results:
        return None
    # most workbooks of a practical show one unit; whatever shows another is converted
    shown = [(outcome.unit, outcome.factor, outcome.symbol) for _, outcome in results]
    unit, factor, symbol = max(dict.fromkeys(shown), key=shown.count)
    values = [outcome.value / factor for _, outcome in results]
    standards = [outcome.standard / factor for _, outcome in results]
    robust = robust_mean(values) if len(values) >= FEWEST else None
    good = [(value, u) for value, u in zip(values, standards, strict=True) if u > 0.0]
    compared = tuple(
        _compared(handin, value, u, robust)
        for (handin, _), value, u in zip(results, values, standards, strict=True)
    )
    setups = _setups(compared)
    doubt, comparable = _comparable(setups)
    near = [c for c in compared if c.class_ != TOO_UNCERTAIN and abs(c.zeta or 0.0) < ACTION]
    left = len(compared) - len(near)
    without = _setups(near)
    remarks = [*doubt, *_grubbs("results", values, [handin.name for handin, _ in results])]
    if robust is None:
        few = f"too few for a consensus ({FEWEST} or more are needed)."
        remarks.insert(0, f"{many(len(values), 'result')}: {few}")
    if len(setups) > 1:
        remarks += _grubbs("means of set-ups", [s.mean for s in setups], [s.name for s in setups])
    return Comparison(
        symbol=symbol,
        unit=unit,
        factor=factor,
        compared=compared,
        robust=robust,
        weighted=weighted_mean(*zip(*good, strict=True)) if len(good) >= FEWEST else None,
        setups=setups,
        precision=precision([s.values for s in setups]) if comparable else None,
        without=precision([s.values for s in without])
        if comparable and left and _comparable(without)[1]
        else None,
        left=left,
        remarks=tuple(remarks),
        typical=_typical(results),
    )


def _compared(handin: HandIn, value: float, u: float, robust: RobustMean | None) -> Compared:
    if robust is None or not math.hypot(u, robust.uncertainty) > 0.0:
        return Compared(handin, value, u, None, "")
    score = zeta(value, u, robust.value, robust.uncertainty)
    if abs(score) > FINE:
        class_ = "questionable (2 to 3)" if abs(score) < ACTION else "look (3 or more)"
    else:
        class_ = TOO_UNCERTAIN if vague(2.0 * u, robust.value) else "fits (up to 2)"
    return Compared(handin, value, u, score, class_)


def _setups(compared: Iterable[Compared]) -> tuple[SetUp, ...]:
    by_name: dict[str, list[float]] = {}
    spelt: dict[str, str] = {}
    for result in compared:
        setup = result.handin.setup
        if setup:
            name = spelt.setdefault(same_id(setup) or setup, setup)
            by_name.setdefault(name, []).append(result.value)
    return tuple(
        SetUp(
            name,
            tuple(values),
            math.fsum(values) / len(values),
            repeats(values).deviation if len(values) > 1 else None,
        )
        for name, values in sorted(by_name.items(), key=lambda pair: natural(pair[0]))
    )


def _comparable(setups: Sequence[SetUp]) -> tuple[list[str], bool]:
    """What is to be said of set-ups, and whether what differs between them can be told."""
    sizes = [len(setup.values) for setup in setups]
    if len(setups) < 2:
        return [
            "No comparison of set-ups: results of two set-ups or more are needed, with the set-up "
            "written on the first sheet."
        ], False
    if sum(sizes) <= len(setups):
        return [
            "One result for each set-up: what differs between set-ups cannot be told from what "
            "differs between groups. Two results at one set-up or more are needed."
        ], False
    remarks = []
    if sum(sizes) - len(setups) < 6 or len(setups) < 4:
        remarks.append(
            "Few results: the standard deviations below are rough (of six degrees of freedom one "
            "is known to about 30 %)."
        )
    if len(set(sizes)) > 1:
        remarks.append("Cochran's test needs the same number of results for each set-up.")
        return remarks, True
    statistic = cochran_statistic([s.deviation**2 for s in setups if s.deviation is not None])
    worst = max(setups, key=lambda setup: setup.deviation or 0.0).name
    tested = _tested("C", statistic, cochran_limit(len(setups), sizes[0]), "look at this set-up.")
    remarks.append(f"Cochran's test: the results of set-up “{worst}” scatter most, {tested}")
    return remarks, True


def _grubbs(what: str, values: Sequence[float], names: Sequence[str]) -> list[str]:
    if len(values) < FEWEST:
        return [f"Grubbs' test of the {what} needs {FEWEST} or more."]
    statistic, far = grubbs_statistic(values)
    tested = _tested("G", statistic, grubbs_limit(len(values)), "look at it. Nothing is left out.")
    return [f"Grubbs' test of the {what}: “{names[far]}” is farthest out, {tested}"]


def _tested(symbol: str, statistic: float, limit: float, look: str) -> str:
    if statistic > limit:
        end = f"that is above the critical value {limit:.3f} (5 %): {look}"
    else:
        end = f"the critical value is {limit:.3f} (5 %): nothing to see."
    return f"{symbol} = {statistic:.3f}; {end}"


def _typical(results: Sequence[tuple[HandIn, Outcome]]) -> HandIn | None:
    sized = sorted(
        (
            (outcome.standard / abs(outcome.value), handin.file, handin)
            for handin, outcome in results
            if outcome.value and outcome.standard
        ),
        key=lambda row: row[:2],
    )
    return sized[(len(sized) - 1) // 2][2] if sized else None
