"""A practical and its observations -> values, uncertainties, budget. Pure: numbers in, data out.

All numbers are in coherent SI units. Values are computed once as plain numbers, which are the
numbers that cells show (``numbers``), and once as numbers that know their sources of uncertainty
(``uncertain``).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from itertools import combinations
from types import ModuleType
from typing import Any, Literal

from msgspec import Struct, field

from sheetlab.formula.functions import FUNCTIONS, Aggregate
from sheetlab.formula.statistics import complete, fit_curve, line_of
from sheetlab.formula.tree import Call, Fitted, Node, names, walk
from sheetlab.formula.values import Value, bound, evaluate, on_curve, plain
from sheetlab.metrology import agreement, montecarlo
from sheetlab.metrology.budget import Budget, Source, budget
from sheetlab.metrology.line import LineFit
from sheetlab.metrology.montecarlo import Affine, Propagated
from sheetlab.metrology.secondorder import SecondOrder, second_order
from sheetlab.metrology.statement import Statement, state
from sheetlab.practical.definition import Result
from sheetlab.practical.evaluation import (
    AcceptedValue,
    CurveResult,
    Evaluation,
    LeftOut,
    LineResult,
    Part,
    QuantityResult,
    ResultValue,
)
from sheetlab.practical.fields import LEAST_REASON, DerivedField, LineField
from sheetlab.practical.model import Practical
from sheetlab.practical.numbers import Numbers
from sheetlab.practical.observations import Observations
from sheetlab.practical.profile import GUM, Profile
from sheetlab.practical.uncertain import Uncertain, deviation, rows_of_budget
from sheetlab.units import Unit

__all__ = [
    "AcceptedValue",
    "CurveResult",
    "Evaluation",
    "LineResult",
    "Numbers",
    "Part",
    "QuantityResult",
    "ResultValue",
    "evaluate_practical",
    "refitted",
]


def evaluate_practical(
    practical: Practical,
    observations: Observations,
    numbers: Numbers | None = None,
    trials: int = montecarlo.TRIALS,
    seed: int = montecarlo.SEED,
    profile: Profile = GUM,
) -> Evaluation:
    """Evaluate observations.

    Parameters
    ----------
    numbers
        Plain values, if they have been computed already.
    trials, seed
        Of the Monte Carlo check; 0 trials leave it out. The usual number is raised up to 10⁶ until
        the figures are stable, any other is kept.
    profile
        How results are stated.
    """
    from uncertainties import umath

    from sheetlab.practical.affine import Independent

    numbers = numbers or Numbers(practical, observations)
    world = Uncertain(numbers, umath, Independent)
    quantities = {quantity.key: quantity for quantity in _quantities(world)}
    results = practical.definition.results
    stated = [result.quantity for result in results if result.quantity in quantities]
    leaves = {key: _leaves(world, key) for key in stated}
    orders = _second_orders(world, leaves)
    uncertain = {
        key: own
        for key, own in leaves.items()
        if quantities[key].standard_uncertainty
        or ((order := orders.get(key)) is not None and order.second > 0.0)
    }
    propagated = _trials(world, uncertain, trials, seed, profile) if trials else {}
    left_out = _left_out(practical, observations)
    with_every_row: tuple[ResultValue | None, ...] = ()
    if left_out:
        whole = observations.without(practical.reasons())
        with_every_row = evaluate_practical(practical, whole, trials=0, profile=profile).results
    return Evaluation(
        practical=practical.definition.id,
        version=practical.definition.version,
        digest=practical.digest,
        values={
            key: tuple(cells) if isinstance(cells := numbers.cells(key), list) else cells
            for key in (*practical.inputs, *practical.derived)
        },
        quantities=tuple(quantities.values()),
        lines={
            key: fitted
            for key, line in practical.lines.items()
            if (fitted := _line(numbers, line)) is not None
        },
        curves=_curves(practical, numbers),
        results=tuple(
            _result(
                result, world, quantities, propagated.get(result.quantity),
                orders.get(result.quantity), profile,
            )
            for result in results
        ),
        correlations={
            pair: _correlation(world, *pair)
            for pair in combinations(stated, 2)
            if all(quantities[key].standard_uncertainty for key in pair)
        },
        profile=profile,
        left_out=left_out,
        with_every_row=with_every_row,
    )  # fmt: skip


def _quantities(world: Uncertain) -> list[QuantityResult]:
    quantities = []
    for key, own in world.practical.derived.items():
        if own.table is None and world.numbers.value(key, None) is not None:
            value = world.value(key, None)
            u = deviation(value)
            # a root at zero has no slope, and its value then no uncertainty that could be stated
            if value is not None and math.isfinite(u):
                quantities.append(QuantityResult(key, own.title, own.symbol, plain(value), u))
    return quantities


def _left_out(practical: Practical, observations: Observations) -> tuple[LeftOut, ...]:
    """Rows with a reason beside them and something typed in them."""
    rows = []
    for key in practical.reasons():
        table = practical.inputs[key].table
        assert table is not None
        others = [k for k, cell in practical.inputs.items() if cell.table == table and k != key]
        for row in range(practical.inputs[key].rows):
            reason = observations.entry(key, row).text.strip()
            if len(reason) >= LEAST_REASON and any(
                observations.entry(k, row).value is not None for k in others
            ):
                rows.append(LeftOut(table, row, reason))
    return tuple(rows)


def _correlation(world: Uncertain, a: str, b: str) -> float:
    """Correlation of two quantities by the sources that they share."""
    first, second = world.value(a, None), world.value(b, None)
    slopes, others = world.sensitivities(first), world.sensitivities(second)
    shared = math.fsum(
        slopes[key] * others[key] * world.sources[key].standard_uncertainty ** 2
        for key in slopes.keys() & others.keys()
    )
    return shared / (deviation(first) * deviation(second))


def _line(numbers: Numbers, line: LineField) -> LineResult | None:
    try:
        columns = [numbers.column(column) for column in line.columns]
        fit, series = line_of(line.functions["slope"], columns)
    except ValueError:
        return None
    return LineResult(line, fit, tuple(row for points in series for row, _, _ in points))


def refitted(numbers: Numbers, line: LineField) -> LineFit | None:
    """A line of a definition, fitted to other numbers; None if there is none."""
    fitted = _line(numbers, line)
    return None if fitted is None else fitted.fit


def _curves(practical: Practical, numbers: Numbers) -> dict[str, CurveResult]:
    curves = {}
    for key, curve in practical.curves.items():
        given = {name.key: numbers.value(name.key, None) for name in curve.parameters[0].others}
        known = {key: value for key, value in given.items() if value is not None}
        if len(known) < len(given):
            continue
        node = bound(curve.parameters[0], known)
        columns = [numbers.column(column) for column in curve.columns]
        try:
            fit, rows = fit_curve(partial(on_curve, node), node.start, columns)
        except ValueError:
            continue
        _, (x, *_, y) = complete(columns)
        curves[key] = CurveResult(curve, node, fit, tuple(x), tuple(y), tuple(rows))
    return curves


def _result(
    result: Result,
    world: Uncertain,
    quantities: Mapping[str, QuantityResult],
    trials: Propagated | None,
    order: SecondOrder | None,
    profile: Profile,
) -> ResultValue | None:
    if result.quantity not in quantities:
        return None
    value, own = world.value(result.quantity, None), world.practical.derived[result.quantity]
    rows = rows_of_budget(world, value)
    curvature = 0.0
    if order is not None and not order.first_is_enough:
        curvature = order.more
        rows += [(_terms_of_second_order(order, own.unit), 1.0)] if curvature else []
    made = budget(plain(value), rows, profile.coverage_probability, profile.coverage_factor)
    parts = _parts(own, world, profile.share_of_division, curvature)
    errors = [abs(p.sensitivity) * p.maximum_error for p in parts if p.maximum_error is not None]
    wanted = [p.key for p in parts if _maximum_error(world.practical, p.key) is not None]
    # a sum that lacks a term would be no maximum
    maximum = math.fsum(errors) if errors and len(errors) == len(wanted) else None
    kind, spread, statement = stated_by(profile, own.unit, made, maximum)
    return ResultValue(
        definition=result,
        budget=made,
        statement=statement,
        stated=kind,
        stated_uncertainty=spread,
        parts=parts,
        maximum_error=maximum,
        trials=trials,
        second_order=order,
        validation=montecarlo.validate(made, trials, seed=trials.seed) if trials else None,
        alternatives=tuple(quantities[key] for key in result.alternatives if key in quantities),
        accepted=_accepted(result, world, made),
    )


def _terms_of_second_order(order: SecondOrder, unit: Unit) -> Source:
    return Source(
        "second order", "curvature of the formula: terms of second order", "B", "normal",
        order.more, order.dof, False, unit.pretty, unit.factor,
        "the formula is no straight line over the range of its sources (JCGM 100:2008, 5.1.2, "
        "note)",
    )  # fmt: skip


def stated_by(
    profile: Profile, unit: Unit, result: Budget, maximum: float | None
) -> tuple[Literal["expanded", "standard", "maximum"], float, Statement | None]:
    """Which uncertainty a profile states, its size (SI), and the result with it in its unit.

    ``maximum``: the maximum error, SI; None if there is none. An uncertainty of zero is not stated.
    """
    kind: Literal["expanded", "standard", "maximum"] = "expanded"
    spread = result.expanded_uncertainty
    if profile.stated == "maximum" and maximum:
        kind, spread = "maximum", maximum
    elif profile.stated == "standard":
        kind, spread = "standard", result.standard_uncertainty
    if not spread:
        return kind, spread, None
    value, size = unit.from_si(result.value), spread / unit.factor
    statement = state(value, size, unit.pretty, profile.digits, profile.decimal_mark)
    return kind, spread, statement


class _Given(Struct):
    """The environment of one formula: some values are given, others worked out from them."""

    practical: Practical
    values: Mapping[str, Any]
    library: ModuleType
    world: Uncertain | None = None
    """Where statistics come from, as plain numbers; None if there can be none."""
    worked_out: dict[str, Any] = field(default_factory=dict)

    def value(self, key: str, row: int | None) -> Value:
        if key in self.values:
            return self.values[key]
        if self.world is not None:
            return None
        if key not in self.worked_out:
            own = self.practical.field(key)
            value = evaluate(own.node, self) if isinstance(own, DerivedField) else None
            self.worked_out[key] = value
        return self.worked_out[key]

    def columns(self, key: str) -> Sequence[str]:
        return self.practical.columns(key)

    def aggregate(self, rule: Aggregate, columns: Sequence[str]) -> Value:
        assert self.world is not None, "statistics are leaves of the sampled model"
        value = self.world.aggregate(rule, columns)
        return None if value is None else plain(value)


def _leaves(world: Uncertain, key: str) -> dict[str, Affine]:
    """What the formula of a quantity is worked out from in the trials, to first order."""
    leaves: dict[str, Affine] = {}
    seen: set[str] = set()

    def collect(name: str) -> None:
        if name in seen:
            return
        seen.add(name)
        own = world.practical.field(name)
        if isinstance(own, DerivedField) and not own.sources and not _has_statistic(own.node):
            for inner in names(own.node):
                collect(inner)
            return
        value = world.value(name, None)
        if value is not None:
            leaves[name] = Affine(plain(value), world.sensitivities(value))

    collect(key)
    return leaves


def _has_statistic(node: Node) -> bool:
    return any(
        isinstance(part, Fitted)
        or (isinstance(part, Call) and isinstance(FUNCTIONS[part.function], Aggregate))
        for part in walk(node)
    )


def _model(practical: Practical, key: str) -> Callable[[Mapping[str, Any]], Any]:
    """A quantity worked out from samples of its leaves."""
    import numpy as np

    return lambda samples: _Given(practical, samples, np).value(key, None)


def _second_orders(
    world: Uncertain, leaves: Mapping[str, Mapping[str, Affine]]
) -> dict[str, SecondOrder | None]:
    sources = list(world.sources.values())
    return {
        key: second_order(_model(world.practical, key), own, sources)
        for key, own in leaves.items()
        if any(leaf.sensitivities for leaf in own.values())
    }


def _trials(
    world: Uncertain,
    leaves: Mapping[str, Mapping[str, Affine]],
    trials: int,
    seed: int,
    profile: Profile,
) -> dict[str, Propagated]:
    """Trials for several results at once, on the same samples of their leaves."""
    propagated = montecarlo.propagate(
        [_model(world.practical, key) for key in leaves],
        {name: leaf for own in leaves.values() for name, leaf in own.items()},
        list(world.sources.values()),
        trials,
        seed,
        profile.coverage_probability,
        montecarlo.MOST_TRIALS if trials == montecarlo.TRIALS else trials,
    )
    pairs = zip(leaves, propagated, strict=True)
    return {key: result for key, result in pairs if result is not None}


def _parts(
    own: DerivedField, world: Uncertain, share_of_division: float, curvature: float
) -> tuple[Part, ...]:
    """Quantities in a formula; ``curvature``: what terms of second order add to its uncertainty."""
    practical = world.practical
    values = {
        key: value
        for key in names(own.node)
        if practical.field(key).table is None
        for value in (world.value(key, None),)
        if value is not None
    }
    apart = {key: world.make(plain(value), 1.0, key) for key, value in values.items()}
    result = evaluate(own.node, _Given(practical, apart, world.library, world))
    slopes = dict.fromkeys(apart, 0.0) | {
        variable.tag: float(c)
        for variable, c in getattr(result, "derivatives", {}).items()
        if math.isfinite(c)
    }
    squares = {key: (slopes[key] * deviation(values[key])) ** 2 for key in apart}
    total = math.fsum(squares.values()) + curvature**2
    parts = []
    for key, value in values.items():
        formula = _maximum_error(practical, key)
        error = None if formula is None else evaluate(formula, world.numbers)
        parts.append(
            Part(
                key=key,
                value=plain(value),
                standard_uncertainty=deviation(value),
                sensitivity=slopes[key],
                share=squares[key] / total if total else 0.0,
                maximum_error=None if error is None else share_of_division * abs(error),
            )
        )
    return tuple(sorted(parts, key=lambda part: -part.share))


def _maximum_error(practical: Practical, key: str) -> Node | None:
    own = practical.field(key)
    return own.maximum_error if isinstance(own, DerivedField) else None


def _accepted(result: Result, world: Uncertain, own: Budget) -> AcceptedValue | None:
    chosen, numbers = "", world.numbers
    if result.accepted_by:
        chosen = numbers.observations.entry(result.accepted_by).text
    for i, accepted in enumerate(result.accepted):
        if accepted.choice and accepted.choice != chosen:
            continue
        value: float | None = evaluate(world.practical.accepted[result.quantity, i], numbers)
        if not value:
            continue
        spread, books = own.expanded_uncertainty, abs(value) * accepted.half_width
        return AcceptedValue(
            value=value,
            source=accepted.source,
            percent_difference=agreement.percent_difference(own.value, value),
            e_n=agreement.e_n(own.value, spread, value) if spread else None,
            verdict=agreement.verdict(own.value, spread, value, books) if spread else None,
            tolerance=accepted.half_width,
        )
    return None
