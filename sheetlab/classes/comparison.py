"""The results of a class beside each other: consensus, set-ups, scores, the typical group. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

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
    with_result = [(one, one.outcome) for one in handins if one.outcome is not None]
    if not with_result:
        return None
    # most workbooks of a practical show one unit; whatever shows another is converted
    shown = [(o.unit, o.factor, o.symbol) for _, o in with_result]
    unit, factor, symbol = max(dict.fromkeys(shown), key=shown.count)
    values = [o.value / factor for _, o in with_result]
    standards = [o.standard / factor for _, o in with_result]
    remarks: list[str] = []
    robust = robust_mean(values) if len(values) >= FEWEST else None
    if robust is None:
        remarks.append(
            f"{many(len(values), 'result')}: too few for a consensus ({FEWEST} or more are needed)."
        )
    good = [(v, u) for v, u in zip(values, standards, strict=True) if u > 0.0]
    weighted = weighted_mean(*zip(*good, strict=True)) if len(good) >= FEWEST else None
    compared = tuple(
        _compared(one, value, standard, robust)
        for (one, _), value, standard in zip(with_result, values, standards, strict=True)
    )
    setups = _setups([(one, value) for (one, _), value in zip(with_result, values, strict=True)])
    found = _precision(setups, remarks)
    remarks += _grubbs("results", values, [one.name for one, _ in with_result])
    if len(setups) > 1:
        remarks += _grubbs("means of set-ups", [s.mean for s in setups], [s.name for s in setups])
    near = [c for c in compared if c.class_ != TOO_UNCERTAIN and abs(c.zeta or 0.0) < ACTION]
    left = len(compared) - len(near)
    without = None
    if found is not None and left:
        kept = _setups([(c.handin, c.value) for c in near])
        if len(kept) > 1 and sum(len(s.values) for s in kept) > len(kept):
            without = precision([s.values for s in kept])
    return Comparison(
        symbol, unit, factor, compared, robust, weighted, setups, found, without, left,
        tuple(remarks), _typical(with_result),
    )  # fmt: skip


def _compared(one: HandIn, value: float, standard: float, robust: RobustMean | None) -> Compared:
    score = None
    if robust is not None and math.hypot(standard, robust.uncertainty) > 0.0:
        score = zeta(value, standard, robust.value, robust.uncertainty)
    class_ = "" if score is None else zeta_class(score)
    fits = score is not None and abs(score) <= FINE
    if fits and robust is not None and vague(2.0 * standard, robust.value):
        class_ = TOO_UNCERTAIN
    return Compared(one, value, standard, score, class_)


def zeta_class(score: float) -> str:
    """What a zeta score says, in words (ISO 13528, from memory)."""
    if abs(score) <= FINE:
        return "fits (up to 2)"
    return "questionable (2 to 3)" if abs(score) < ACTION else "look (3 or more)"


def _setups(results: Sequence[tuple[HandIn, float]]) -> tuple[SetUp, ...]:
    by_name: dict[str, list[float]] = {}
    spelt: dict[str, str] = {}
    for one, value in results:
        if one.setup:
            name = spelt.setdefault(same_id(one.setup) or one.setup, one.setup)
            by_name.setdefault(name, []).append(value)
    return tuple(
        SetUp(
            name,
            tuple(values),
            math.fsum(values) / len(values),
            repeats(values).deviation if len(values) > 1 else None,
        )
        for name, values in sorted(by_name.items(), key=lambda pair: natural(pair[0]))
    )


def _precision(setups: Sequence[SetUp], remarks: list[str]) -> Precision | None:
    sizes = [len(s.values) for s in setups]
    if len(setups) < 2:
        remarks.append(
            "No comparison of set-ups: results of two set-ups or more are needed, with the set-up "
            "written on the first sheet."
        )
        return None
    if sum(sizes) <= len(setups):
        remarks.append(
            "One result for each set-up: what differs between set-ups cannot be told from what "
            "differs between groups. Two results at one set-up or more are needed."
        )
        return None
    if sum(sizes) - len(setups) < 6 or len(setups) < 4:
        remarks.append(
            "Few results: the standard deviations below are rough (of six degrees of freedom one "
            "is known to about 30 %)."
        )
    if len(set(sizes)) == 1:
        variances = [s.deviation**2 for s in setups if s.deviation is not None]
        statistic, limit = cochran_statistic(variances), cochran_limit(len(setups), sizes[0])
        worst = max(setups, key=lambda s: s.deviation or 0.0).name
        remarks.append(
            f"Cochran's test: the results of set-up “{worst}” scatter most, C = {statistic:.3f}; "
            + (
                f"that is above the critical value {limit:.3f} (5 %): look at this set-up."
                if statistic > limit
                else f"the critical value is {limit:.3f} (5 %): nothing to see."
            )
        )
    else:
        remarks.append("Cochran's test needs the same number of results for each set-up.")
    return precision([s.values for s in setups])


def _grubbs(what: str, values: Sequence[float], names: Sequence[str]) -> list[str]:
    if len(values) < FEWEST:
        return [f"Grubbs' test of the {what} needs {FEWEST} or more."]
    statistic, far = grubbs_statistic(values)
    limit = grubbs_limit(len(values))
    verdict = (
        f"that is above the critical value {limit:.3f} (5 %): look at it. Nothing is left out."
        if statistic > limit
        else f"the critical value is {limit:.3f} (5 %): nothing to see."
    )
    return [
        f"Grubbs' test of the {what}: “{names[far]}” is farthest out, "
        f"G = {statistic:.3f}; {verdict}"
    ]


def _typical(results: Sequence[tuple[HandIn, Outcome]]) -> HandIn | None:
    sized = [
        (o.standard / abs(o.value), one.file, one) for one, o in results if o.value and o.standard
    ]
    if not sized:
        return None
    sized.sort(key=lambda row: row[:2])
    return sized[(len(sized) - 1) // 2][2]
