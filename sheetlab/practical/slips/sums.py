"""Every slip on the way to a quantity, tried on its formulas: what it does to the number."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import islice, permutations

from sheetlab.formula import slips
from sheetlab.formula.functions import FUNCTIONS, Aggregate
from sheetlab.formula.render import superscript
from sheetlab.formula.tree import Binary, Call, Node, names, walk
from sheetlab.formula.values import evaluate
from sheetlab.metrology.linetests import median
from sheetlab.practical.fields import LineField
from sheetlab.practical.slips.case import (
    LENGTH,
    Candidate,
    Case,
    arithmetic,
    columns_of,
    line_by,
    line_of,
    named,
    statistic_of,
)
from sheetlab.practical.slips.worlds import Statistic, World, finite
from sheetlab.units import Unit, neighbours, other_times

MOST_SLIPS = 500
LIKE = 0.1
"""Relative difference up to which another method may be taken for the same quantity."""
DECADES = 12
FEW_UNITS = 4
MOST_PREFIXES = 6
"""Powers of ten by which a number is put in wrong by its unit: nobody takes nanometres for metres
(common practice, no source)."""
NEAR_ONE = 0.2
"""|ln| of what a correction does to a number, at most (common practice, no source)."""
SLOPES = ("slope", "origin_slope", "interval_slope", "half_interval")
TIME = (("time", 1.0),)
ACCELERATION = (("length", 1.0), ("time", -2.0))
Made = Callable[[float], float]
"""Another value of a part of a formula -> what it does to the number."""
LEAST_COUNTS = {2.0: "taken double", 0.5: "taken half", 10.0: "taken ten times too large",
                0.1: "taken ten times too small"}  # fmt: skip
RADII = {2.0: "diameter-for-radius", 0.5: "radius-for-diameter"}


def candidates(case: Case, kinds: Sequence[str] = ()) -> tuple[Candidate, ...]:
    """All slips that change the number of a case; ``kinds``: only those, all if empty."""
    if not case.right or not math.isfinite(case.right):
        return ()
    made: dict[tuple[object, ...], Candidate] = {}
    for slip in islice((slip for source in SOURCES for slip in source(case)), MOST_SLIPS):
        if not slip.factor or not math.isfinite(slip.factor) or (kinds and slip.kind not in kinds):
            continue
        if slip.until is not None or abs(slip.factor - 1.0) >= 1e-6:
            key = (slip.kind, slip.about, slip.of, slip.detail, f"{slip.factor:.9g}")
            made.setdefault(key, slip)
    return tuple(made.values())


def _steps(case: Case, columns: Sequence[str]) -> list[tuple[float, str]]:
    """Factors of a slope whose two changes belong to different numbers of steps."""
    x, *ys = (case.world.column(key) for key in columns)
    given = [v for v in x if v is not None]
    rows = sum(
        a is not None and (not ys or any(y[row] is not None for y in ys)) for row, a in enumerate(x)
    )
    factors = []
    for steps in dict.fromkeys((rows - 1, rows // 2)):
        if steps > 1:
            factors.append((1.0 / steps, f"the change of one step set against {steps} steps"))
            factors.append((float(steps), f"the change over {steps} steps set against one step"))
    if len(given) > 1:
        # the change itself given for the slope: as if it belonged to one of the unit
        unit = case.practical.field(columns[0]).unit
        whole, first = (abs(given[i] - given[0]) / unit.factor for i in (-1, 1))
        mean = whole / (len(given) - 1)
        changes = {whole: "over the whole table", first: "of one step", mean: "of a mean step"}
        factors += [
            (size, f"the change {what}, not divided by {size:.4g} {unit.pretty}")
            for size, what in changes.items()
            if size > 0.0 and abs(size - 1.0) > 1e-6
        ]
    return factors


# -- sources of slips ----------------------------------------------------------------------------


def _other_ways(case: Case) -> Iterator[Candidate]:
    """Methods that are no mistakes: alternatives of a result, rows that were left out."""
    practical, target = case.practical, case.target
    for result in practical.definition.results:
        for key in result.alternatives if result.quantity == target else ():
            value = finite(case.world.value(key, None))
            if value is not None:
                method = practical.field(key).title.partition(" by ")[2] or named(practical, key)
                yield Candidate("another-method", value / case.right, (target,), detail=method)
    if case.every_row is not None:
        fixed = case.world.fixed
        value = finite(World(case.every_row, frozenset(fixed), fixed).value(target, None))
        yield Candidate("every-row", 0.0 if value is None else value / case.right)


def _of_instruments(case: Case) -> Iterator[Candidate]:
    """Zero errors and least counts of the instruments behind the number."""
    below, world = case.practical.below()[case.target], case.world
    for item in case.practical.definition.instruments:
        zero, count = f"{item.id}.zero", f"{item.id}.least_count"
        title = item.title[:1].lower() + item.title[1:]
        if zero in below:
            value = world.value(zero, None)
            zeros = [
                ("zero-side-chosen", other) for id_, other in case.other_zeros if id_ == item.id
            ]
            zeros += [("zero-left-out", 0.0), ("zero-wrong-sign", -value)] if value else []
            for kind, other in zeros:
                yield Candidate(kind, case.factor(fixed={zero: other}), (zero,), detail=title)
        if count in below and count not in world.fixed and count != case.target:
            value = world.value(count, None)
            for times, words in LEAST_COUNTS.items() if value else ():
                factor = case.factor(fixed={count: (value or 0.0) * times})
                yield Candidate("least-count", factor, (count,), detail=f"{title} {words}")


def _of_statistics(case: Case) -> Iterator[Candidate]:
    """Other values of the statistics of columns in the formulas."""
    done = set()
    for key, node in case.formulas.items():
        for call in walk(node) if case.practical.field(key).table is None else ():
            if not (isinstance(call, Call) and isinstance(FUNCTIONS[call.function], Aggregate)):
                continue
            place = (call.function, columns_of(case.practical, call))
            value = evaluate(call, case.world)
            if place in done or not value:
                continue
            done.add(place)

            def made(other: float, place: Statistic = place, key: str = key) -> float:
                return case.factor(statistics={place: other}, at=(key,))

            if call.function == "mean":
                for kind, detail, other in _of_a_mean(case.world.column(place[1][0]), value):
                    yield Candidate(kind, made(other), (key,), detail=detail)
                continue
            line = line_by(case.practical, call)
            if line is not None:
                yield from _of_a_line(case, key, line, value, made)
            if call.function in SLOPES:
                for factor, detail in _steps(case, place[1]):
                    yield Candidate("per-step", made(value * factor), (key,), detail=detail)
            if line is not None:
                yield from _by_eye(case, key, line, value, made)


def _of_a_mean(column: Sequence[float | None], value: float) -> Iterator[tuple[str, str, float]]:
    """What else than the mean of a column may have been used: kind, detail, number."""
    rows = [(row, v) for row, v in enumerate(column) if v is not None]
    values = [v for _, v in rows]
    if len(values) < 2:
        return
    low, high = min(values), max(values)
    picked = {"the first": values[0], "the last": values[-1], "the highest": high,
              "the lowest": low, "the middle one": median(values),
              "the highest and the lowest": 0.5 * (high + low)}  # fmt: skip
    together: dict[float, list[str]] = {}
    for detail, other in picked.items():
        together.setdefault(other, []).append(detail)
    for other, details in together.items():
        yield "half-readings", " or ".join(details), other
    yield "sum-for-mean", "", value * len(values)
    for row, other in rows:
        if other not in together:
            together[other] = []
            yield "one-reading", f"row {row + 1}", other


def _of_a_line(
    case: Case, key: str, line: LineField, value: float, made: Made
) -> Iterator[Candidate]:
    """Other slopes of a line, and ratios of its points."""
    study = case.study(line)
    if study is not None:
        own = study.slopes[0].slope
        for by in study.slopes[1:]:
            if "acceptable line" not in by.method and own:
                factor = made(value * by.slope / own)
                yield Candidate("another-method", factor, (key,), detail=by.method)
        for kind, times in (("sum-for-mean", 2.0), ("halved", 0.5)) if len(line.y) > 1 else ():
            yield Candidate(kind, made(value * times), (key,))
    if line.functions["slope"] != "slope":
        return
    ratio = _mean_ratio(line, case.world)
    if ratio is not None and abs(ratio / value - 1.0) < LIKE:
        detail = "the mean of the ratios row by row"
        yield Candidate("another-method", made(ratio), (key,), detail=detail)
    # a part of the abscissa left out, which a slope would not show
    x = case.practical.derived.get(line.x)
    for slip in slips.slips(x.node, case.sizes, case.repeats) if x is not None else ():
        if slip.kind == "term-left-out" and slip.about:
            ratio = _mean_ratio(line, case.world.with_(nodes={line.x: slip.node}))
            if ratio is not None:
                yield Candidate("ratio-term-left-out", made(ratio), slip.about, line.x)


def _mean_ratio(line: LineField, world: World) -> float | None:
    """Mean of y over x, row by row; of their changes where the graph shows a change."""
    x, *ys = (world.column(key) for key in line.columns)
    ratios: list[float] = []
    for y in ys:
        pairs = [(a, b) for a, b in zip(x, y, strict=True) if a is not None and b is not None]
        zero = pairs[0] if pairs and line.definition.relative_to_first else (0.0, 0.0)
        ratios += [(b - zero[1]) / (a - zero[0]) for a, b in pairs if a != zero[0]]
    return math.fsum(ratios) / len(ratios) if ratios else None


def _by_eye(case: Case, key: str, line: LineField, value: float, made: Made) -> Iterator[Candidate]:
    """The range of slopes of lines drawn by eye."""
    study = case.study(line)
    if study is None or not study.slopes[0].slope:
        return
    own, u = study.slopes[0].slope, study.slopes[0].standard_uncertainty or 0.0
    slopes = [own - 2.0 * u, own + 2.0 * u]
    if study.extremes is not None:
        slopes += [study.extremes.steepest, study.extremes.flattest]
    low, high = (made(value * slope / own) for slope in (min(slopes), max(slopes)))
    if low and high:
        yield Candidate("line-by-eye", low, (key,), until=high)


def _of_units(case: Case) -> Iterator[Candidate]:
    """Powers of ten, and of sixty, each with the slips of a unit that would make it."""
    found: dict[float, dict[str, str]] = {}
    # whole numbers: powers of ten; others: the factor itself
    # constants of nature and the like are seldom the ones
    powers = sorted(_powers(case).items(), key=lambda pair: case.is_a(pair[0], ACCELERATION))
    for key, power, put_in in ((case.target, 1.0, False), *((k, p, True) for k, p in powers)):
        unit = case.unit_of(key) if put_in else case.unit
        own = (Unit(unit.text, 1.0, 0.0, unit.dimension), 0)

        def words(used: Unit, due: Unit, key: str = key if put_in else "") -> str:
            if not key:
                return f"the answer given in {used.pretty}, not in {due.pretty}"
            return f"{named(case.practical, key)} in {used.pretty} where {due.pretty} belongs"

        pairs = sorted(
            permutations((own, *neighbours(unit.text)), 2),
            key=lambda pair: (pair[1] is not own, pair[0] is not own),
        )
        for (used, used_k), (due, due_k) in pairs:
            step = used_k - due_k
            if not step or not (put_in or due_k == 0) or step * power != int(step * power):
                continue
            if not put_in or abs(step) <= MOST_PREFIXES:
                found.setdefault(int(step * power), {}).setdefault(key, words(used, due))
        for other, ratio in other_times(unit.text):
            found.setdefault(ratio**power, {}).setdefault(key, words(other, own[0]))
    sizes: dict[float, tuple[float, str]] = {
        k: (10.0**k, f"10{superscript(str(k))}") for k in range(-DECADES, DECADES + 1)
    }
    for k in found:
        if isinstance(k, float):
            sizes[k] = k, f"{k:g}" if k > 1.0 else f"1/{1.0 / k:g}"
    for k, (factor, size) in sizes.items():
        if k in found:
            # one of each quantity
            said = " or ".join(list(found[k].values())[:FEW_UNITS])
            about = tuple(found[k])[:FEW_UNITS]
            yield Candidate("unit", factor, about, detail=f"a factor {size}: {said}")
        elif k:
            yield Candidate("decimal-point", factor, (case.target,), detail=f"a factor {size}")


def _powers(case: Case) -> dict[str, float]:
    """Powers in which quantities or columns stand in the target's formula."""
    node = case.practical.derived[case.target].node
    call = statistic_of(node)
    if call is not None:
        rule = FUNCTIONS[call.function]
        assert isinstance(rule, Aggregate)
        columns = zip(columns_of(case.practical, call), rule.powers, strict=False)
        return {key: float(power) for key, power in columns if power}
    leaves = frozenset(case.world.fixed) - {case.target}
    product = slips.product(node, lambda key: arithmetic(case.practical, key, leaves))
    return {} if product is None else product.powers


def _of_formulas(case: Case) -> Iterator[Candidate]:
    """Changes of the formulas, under the names that they have in the trade."""
    for key, node in case.changeable.items():
        for slip in slips.slips(node, case.sizes, case.repeats):
            kind = slip.kind
            if kind == "wrong-side" and line_of(case.practical, slip.about[0]):
                kind = "slope-inverted"
            if kind == "left-out" and case.is_a(slip.about[0], ACCELERATION) and _weighs(case):
                kind = "weight"
            if kind == "diameter-for-radius" and not case.is_a(slip.about[0], LENGTH):
                continue
            factor = case.factor(nodes={key: slip.node})
            near = factor > 0.0 and abs(math.log(factor)) <= NEAR_ONE
            if kind == "correction-left-out" and not near:
                kind = "term-left-out"
            if kind == "left-out" and not slip.detail and near:
                # a function that is near one
                kind = "correction-left-out"
            yield Candidate(kind, factor, slip.about, key, slip.detail)
        product = slips.product(node, lambda _: None) if key == case.target else None
        if product is not None and product.number not in (0.0, 1.0):
            # the square of a bracket forgotten for the numbers in it: (2π)² as 2π
            factor = math.copysign(1.0, product.number) / math.sqrt(abs(product.number))
            yield Candidate("number-square-lost", factor, (), key)


def _weighs(case: Case) -> bool:
    """Whether there is a mass on the way to the number."""
    keys = [key for node in case.formulas.values() for key in names(node)]
    return any("mass" in dict(case.unit_of(key).dimension.exponents) for key in keys)


def _of_names(case: Case) -> Iterator[Candidate]:
    """A quantity taken double, half, rounded, or in another unit."""
    practical = case.practical
    for key, node in case.changeable.items():
        halved = slips.halved_names(node)
        sums = [n for n in walk(node) if isinstance(n, Binary) and n.op in ("+", "-")]
        units = [{practical.field(k).unit.text for k in slips.arithmetic_names(n)} for n in sums]
        for name, power in slips.arithmetic_names(node).items():

            def made(factor: float, key: str = key, node: Node = node, name: str = name) -> float:
                return case.factor(nodes={key: slips.scaled(node, name, factor)})

            squared = case.is_a(name, LENGTH) and (abs(power) >= 2.0 or name in halved)
            if squared or (case.is_a(name, TIME, LENGTH) and not sums):
                for factor, kind in (RADII if squared else {2.0: "twice", 0.5: "half"}).items():
                    yield Candidate(kind, made(factor), (name,), key, f"{power:g}")
            # sums of different units
            yield from _units_within(case, key, name, made, any(len(u) > 1 for u in units))
            if practical.field(practical.columns(name)[0]).table is None:
                yield from _rounded(case, key, node, name)
            line = line_of(practical, name) if name in case.world.fixed else None
            for factor, detail in _steps(case, line.columns) if line is not None else ():
                yield Candidate("per-step-later", made(factor), (name,), key, detail)


def _units_within(case: Case, key: str, name: str, made: Made, sums: bool) -> Iterator[Candidate]:
    """A quantity in another unit, where that is no power of ten."""
    unit = case.unit_of(name)
    decades = math.log10(unit.factor) if unit.factor > 0.0 else 0.0
    if abs(decades - round(decades)) > 1e-9:
        yield Candidate("unit-not-converted", made(1.0 / unit.factor), (name,), key, unit.pretty)
    elif sums:
        # in a product this is a power of ten, which is listed once for all
        for other, k in neighbours(unit.text):
            for used, due, step in ((other, unit, k), (unit, other, -k)):
                words = f"{named(case.practical, name)} in {used.pretty} where {due.pretty} belongs"
                yield Candidate("unit", made(10.0**step), (name,), key, words)


def _rounded(case: Case, key: str, node: Node, name: str) -> Iterator[Candidate]:
    """A quantity rounded to one or two figures."""
    field, practical = case.practical.field(name), case.practical
    value = finite(case.world.value(name, None))
    measured = any(practical.field(k).table for k in practical.below()[name])
    for digits in (1, 2) if value else ():
        shown = float(f"{field.unit.from_si(value or 0.0):.{digits}g}")
        kind = "rounded-on-the-way" if measured else "rounded-constant"
        if not measured and case.is_a(name, ACCELERATION):
            kind = "convention" if shown in case.g_values else "other-convention"
        factor = case.factor(nodes={key: slips.set_to(node, name, field.unit.to_si(shown))})
        words = f"{field.symbol or field.title} as {shown:g} {field.unit.pretty}".rstrip()
        yield Candidate(kind, factor, (name,), key, words)


def _of_the_result(case: Case) -> Iterator[Candidate]:
    """Slips of the last step, with the finished number."""
    about = (case.target,)
    kind = "slope-inverted" if line_of(case.practical, case.target) else "result-inverted"
    for size in dict.fromkeys((case.unit.factor, 1.0)):
        yield Candidate(kind, (size / case.right) * (size / case.right), about)
    yield Candidate("sign", -1.0, about)
    if case.is_a(case.target, LENGTH):
        yield Candidate("radius-given", 0.5, about)
        yield Candidate("diameter-given", 2.0, about)
    shown = case.unit.from_si(case.right)
    for digits in (1, 2) if shown and math.isfinite(shown) else ():
        factor = float(f"{shown:.{digits}g}") / shown
        yield Candidate("rounded-result", factor, about, detail=str(digits))


SOURCES: tuple[Callable[[Case], Iterator[Candidate]], ...] = (
    _other_ways, _of_instruments, _of_statistics, _of_units, _of_formulas, _of_names,
    _of_the_result,
)  # fmt: skip
