"""Every slip on the way to a quantity, tried on its formulas: what it does to the number."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from functools import cached_property
from itertools import islice, permutations
from typing import Any

from msgspec import Struct

from sheetlab.formula import slips
from sheetlab.formula.functions import FUNCTIONS, Aggregate
from sheetlab.formula.render import superscript
from sheetlab.formula.tree import Binary, Call, Fitted, Negative, Node, Number, walk
from sheetlab.formula.values import argument_keys, evaluate
from sheetlab.metrology.linetests import median
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.fields import LineField, without_condition
from sheetlab.practical.model import Practical
from sheetlab.practical.slips.worlds import Statistic, World, finite
from sheetlab.practical.study import LineStudy
from sheetlab.units import Unit, neighbours

MOST_SLIPS = 500
LIKE = 0.1
"""Relative difference up to which another method may be taken for the same quantity."""
DECADES = 12
FEW_UNITS = 4
MOST_PREFIXES = 6
"""Powers of ten by which a number is put in wrong by its unit: nobody takes nanometres for metres
(common practice, no source)."""
COSTLY = ("weighted_slope", "weighted_intercept", "both_errors_slope", "both_errors_intercept")
SLOPES = ("slope", "origin_slope", "interval_slope", "half_interval")
LENGTH, TIME = (("length", 1.0),), (("time", 1.0),)
ACCELERATION = (("length", 1.0), ("time", -2.0))
Made = Callable[[float], float]
"""Another value of a part of a formula -> what it does to the number."""
LEAST_COUNTS = {2.0: "taken double", 0.5: "taken half", 10.0: "taken ten times too large",
                0.1: "taken ten times too small"}  # fmt: skip
RADII = {2.0: "diameter-for-radius", 0.5: "radius-for-diameter"}


class Candidate(Struct, frozen=True):
    """A slip with what it does to the number."""

    kind: str
    factor: float
    about: tuple[str, ...] = ()
    of: str = ""
    detail: str = ""
    until: float | None = None
    """Other end of a range of factors."""


class Case(Struct, frozen=True, dict=True):
    """A quantity whose own value is explained, in a world in which earlier answers are given."""

    world: World
    target: str
    unit: Unit
    """Of the own value."""
    studies: Sequence[LineStudy] = ()
    every_row: Numbers | None = None
    """Numbers with the rows that were left out; None if none were."""
    g_values: Sequence[float] = ()
    """Values of g that may be used on purpose, m/s²."""
    other_zeros: Sequence[tuple[str, float]] = ()
    """Instruments with the zero errors that they may have had, SI."""

    @property
    def practical(self) -> Practical:
        """The practical."""
        return self.world.practical

    @cached_property
    def right(self) -> float:
        """The number without a slip, SI units; 0 if there is none."""
        return self.world.value(self.target, None) or 0.0

    @cached_property
    def formulas(self) -> dict[str, Node]:
        """Formulas on the way, the nearest first, down to earlier answers and to readings."""
        nodes: dict[str, Node] = {}
        waiting = [self.target]
        while waiting:
            key = waiting.pop(0)
            field = self.practical.derived.get(key)
            if key in nodes or field is None or field.instrument or isinstance(field.node, Number):
                continue
            if key == self.target or key not in self.world.fixed:
                nodes[key] = field.node
                waiting += self.practical.depends(field.node)
        return nodes

    @cached_property
    def changeable(self) -> dict[str, Node]:
        """Those formulas without the ones that take long to work out again."""
        costly = any(
            isinstance(part, Fitted) or (isinstance(part, Call) and part.function in COSTLY)
            for node in self.formulas.values()
            for part in walk(node)
        )
        return {
            key: node
            for key, node in self.formulas.items()
            if not (costly and self.practical.field(key).table is not None)
        }

    def factor(self, **changed: Any) -> float:
        """What a change of the world (``World.with_``) does to the number; 0 if it has none."""
        value = finite(self.world.with_(**changed).value(self.target, None))
        return 0.0 if value is None else value / self.right

    def unit_of(self, key: str) -> Unit:
        """Unit of a name in a formula."""
        return self.practical.field(self.practical.columns(key)[0]).unit

    def sizes(self, key: str) -> tuple[float, ...]:
        """SI sizes of the units in which a person may hold the number of a name, its own first."""
        unit = self.unit_of(key)
        lengths = (0.01, 0.001) if unit.dimension.exponents == LENGTH else ()
        return tuple(dict.fromkeys((unit.factor, 1.0, *lengths)))

    def is_a(self, key: str, *dimensions: tuple[tuple[str, float], ...]) -> bool:
        """Whether a name has one of some dimensions."""
        return self.unit_of(key).dimension.exponents in dimensions

    def repeats(self, key: str) -> int:
        """Number of columns behind a name."""
        return len(self.practical.columns(key))

    def study(self, line: LineField | None) -> LineStudy | None:
        """What is known of a line."""
        return next((study for study in self.studies if study.line.field is line), None)


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


# -- names and lines -----------------------------------------------------------------------------


def named(practical: Practical, key: str) -> str:
    """Title and symbol of a quantity, short enough for a sentence."""
    field = practical.field(practical.columns(key)[0])
    title = field.title
    if key in practical.blocks:
        titles = {f"{table.id}.{column.id}": column.title
                  for table in practical.definition.tables for column in table.columns}  # fmt: skip
        title = titles.get(key, title)
    title = title.partition(" = ")[0].partition(":")[0].partition(" (")[0]
    with_symbol = field.symbol and not title.endswith(f" {field.symbol}")
    return f"{title} {field.symbol}" if with_symbol else title


def arithmetic(practical: Practical, key: str, leaves: set[str] | frozenset[str]) -> Node | None:
    """Formula of a quantity that is worked out from others by arithmetic alone."""
    field = practical.derived.get(key)
    if field is None or field.table is not None or key in leaves:
        return None
    return field.node if isinstance(field.node, Binary | Negative) else None


def _statistic(node: Node) -> Call | None:
    """The statistic of columns that a formula is, but for its sign."""
    match without_condition(node):
        case Negative(inner) | Call("abs", (inner,)):
            return _statistic(inner)
        case Call(function) as call if isinstance(FUNCTIONS[function], Aggregate):
            return call
    return None


def _columns(practical: Practical, call: Call) -> tuple[str, ...]:
    return tuple(c for key in argument_keys(call) for c in practical.columns(key))


def _line(practical: Practical, call: Call | None) -> LineField | None:
    """The line whose slope a call gives."""
    wanted = None if call is None else (call.function, _columns(practical, call))
    lines = practical.lines.values()
    return next((o for o in lines if (o.functions["slope"], o.columns) == wanted), None)


def line_of(practical: Practical, key: str) -> LineField | None:
    """The line whose slope a quantity is, but for its sign."""
    field = practical.derived.get(key)
    return None if field is None else _line(practical, _statistic(field.node))


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
            place = (call.function, _columns(case.practical, call))
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
            line = _line(case.practical, call)
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
    """Powers of ten, each with the slips of a unit that would make it."""
    found: dict[int, dict[str, str]] = {}
    # constants of nature and the like are seldom the ones
    powers = sorted(_powers(case).items(), key=lambda pair: case.is_a(pair[0], ACCELERATION))
    for key, power, put_in in ((case.target, 1.0, False), *((k, p, True) for k, p in powers)):
        unit = case.unit_of(key) if put_in else case.unit
        own = (Unit(unit.text, 1.0, 0.0, unit.dimension), 0)
        pairs = sorted(
            permutations((own, *neighbours(unit.text)), 2),
            key=lambda pair: (pair[1] is not own, pair[0] is not own),
        )
        for (used, used_k), (due, due_k) in pairs:
            step = used_k - due_k
            if not step or not (put_in or due_k == 0) or step * power != int(step * power):
                continue
            words = f"the answer given in {used.pretty}, not in {due.pretty}"
            if put_in:
                words = f"{named(case.practical, key)} in {used.pretty} where {due.pretty} belongs"
            if not put_in or abs(step) <= MOST_PREFIXES:
                found.setdefault(int(step * power), {}).setdefault(key, words)
    for k in range(-DECADES, DECADES + 1):
        size = f"a factor 10{superscript(str(k))}"
        if k in found:
            # one of each quantity
            words = " or ".join(list(found[k].values())[:FEW_UNITS])
            about = tuple(found[k])[:FEW_UNITS]
            yield Candidate("unit", 10.0**k, about, detail=f"{size}: {words}")
        elif k:
            yield Candidate("decimal-point", 10.0**k, (case.target,), detail=size)


def _powers(case: Case) -> dict[str, float]:
    """Powers in which quantities or columns stand in the target's formula."""
    node = case.practical.derived[case.target].node
    call = _statistic(node)
    if call is not None:
        rule = FUNCTIONS[call.function]
        assert isinstance(rule, Aggregate)
        columns = zip(_columns(case.practical, call), rule.powers, strict=False)
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
            if kind == "left-out" and case.is_a(slip.about[0], ACCELERATION):
                kind = "weight"
            factor = case.factor(nodes={key: slip.node})
            yield Candidate(kind, factor, slip.about, key, slip.detail)
        product = slips.product(node, lambda _: None) if key == case.target else None
        if product is not None and product.number not in (0.0, 1.0):
            # the square of a bracket forgotten for the numbers in it: (2π)² as 2π
            factor = math.copysign(1.0, product.number) / math.sqrt(abs(product.number))
            yield Candidate("number-square-lost", factor, (), key)


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
