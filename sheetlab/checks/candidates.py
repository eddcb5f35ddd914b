"""Every slip on the way to a quantity, tried on its formulas: what it does to the number."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from functools import cached_property
from itertools import islice

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.checks.causes import (
    ANSWER_UNIT,
    ELSEWHERE,
    ELSEWHERE_QUESTION,
    KINDS,
    OR_PUT_IN,
    ZERO_SIDE,
    Cause,
    power_words,
)
from sheetlab.checks.evaluated import Evaluated
from sheetlab.checks.worlds import Place, World, finite
from sheetlab.formula import slips
from sheetlab.formula.functions import FUNCTIONS, Aggregate
from sheetlab.formula.render import superscript
from sheetlab.formula.tree import Binary, Call, Fitted, Negative, Node, Number, walk
from sheetlab.formula.values import argument_keys, evaluate
from sheetlab.metrology.linetests import median
from sheetlab.practical.edits import ZERO_EDITS, Edit, whole_edits
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.fields import LineField, without_condition
from sheetlab.practical.model import Practical
from sheetlab.practical.study import LineStudy
from sheetlab.units import Unit, neighbours

MOST_SLIPS = 500
LIKE = 0.1
"""Relative difference up to which another method may be taken for the same quantity."""
BY_CHANCE = 0.05
"""Relative difference from the mean below which one reading may equal any other number."""
DECADES = 12
FEW_UNITS = 4
MOST_PREFIXES = 6
"""Powers of ten by which a number is put in wrong by its unit: nobody takes nanometres for metres
(common practice, no source)."""
COSTLY = ("weighted_slope", "weighted_intercept", "both_errors_slope", "both_errors_intercept")
LENGTH, TIME = (("length", 1.0),), (("time", 1.0),)
ACCELERATION = (("length", 1.0), ("time", -2.0))


def arithmetic(practical: Practical, key: str, leaves: set[str] | frozenset[str]) -> Node | None:
    """Formula of a quantity that is worked out from others by arithmetic alone."""
    one = practical.derived.get(key)
    if one is None or one.table is not None or key in leaves:
        return None
    return one.node if isinstance(one.node, Binary | Negative) else None


class Candidate(Struct, frozen=True):
    """A slip with what it does to the number."""

    kind: str
    factor: float
    about: tuple[str, ...] = ()
    of: str = ""
    detail: str = ""
    until: float | None = None
    """Other end of a range of factors."""


class Slips(Struct, dict=True):
    """Every slip on the way to a quantity, in a world in which earlier answers are given."""

    subject: Evaluated
    world: World
    target: str
    unit: Unit

    @property
    def practical(self) -> Practical:
        """The practical."""
        return self.subject.practical

    @cached_property
    def right(self) -> float:
        """The number without a slip, SI units; 0 if there is none."""
        return self.world.value(self.target, None) or 0.0

    @cached_property
    def reach(self) -> dict[str, Node]:
        """Formulas on the way, the nearest first, down to earlier answers and to readings."""
        found: dict[str, Node] = {}
        waiting = [self.target]
        while waiting:
            key = waiting.pop(0)
            one = self.practical.derived.get(key)
            if key in found or one is None or one.instrument:
                continue
            if key in self.world.fixed and key != self.target:
                continue
            if isinstance(one.node, Number):
                continue
            found[key] = one.node
            waiting += self.practical.depends(one.node)
        return found

    @cached_property
    def costly(self) -> bool:
        """Whether a change of a column takes long to work out."""
        return any(
            isinstance(part, Fitted) or (isinstance(part, Call) and part.function in COSTLY)
            for node in self.reach.values()
            for part in walk(node)
        )

    @cached_property
    def candidates(self) -> tuple[Candidate, ...]:
        """All slips that change the number."""
        if not self.right or not math.isfinite(self.right):
            return ()
        sources = (self.other_ways, self.of_instruments, self.of_statistics, self.of_units,
                   self.of_formulas, self.of_names, self.of_the_result)  # fmt: skip
        found: dict[tuple[object, ...], Candidate] = {}
        for one in islice((c for source in sources for c in source()), MOST_SLIPS):
            if not one.factor or not math.isfinite(one.factor):
                continue
            if one.until is None and abs(one.factor - 1.0) < 1e-6:
                continue
            found.setdefault((one.kind, one.about, one.of, one.detail, f"{one.factor:.9g}"), one)
        return tuple(found.values())

    # -- words -----------------------------------------------------------------------------------

    def named(self, key: str) -> str:
        """Title and symbol of a quantity, short enough for a sentence."""
        one = self.practical.field(self.practical.columns(key)[0])
        title = one.title
        if key in self.practical.blocks:
            table, _, its = key.rpartition(".")
            for found in self.practical.definition.tables:
                if found.id == table:
                    title = next((c.title for c in found.columns if c.id == its), title)
        title = title.partition(" = ")[0].partition(":")[0].partition(" (")[0]
        return (
            title
            if not one.symbol or title.endswith(f" {one.symbol}")
            else (f"{title} {one.symbol}")
        )

    def cause(self, candidate: Candidate, distance: float) -> Cause:
        """A slip in words."""
        kind = KINDS[candidate.kind]
        words = {
            "what": " and ".join(dict.fromkeys(self.named(key) for key in candidate.about)),
            "of": self.named(candidate.of or self.target),
            "detail": candidate.detail,
            "power": power_words(candidate.detail),
        }
        text, question = kind.text, kind.question
        if candidate.kind == "unit":
            put_in = dict.fromkeys(self.named(k) for k in candidate.about if k != self.target)
            words["what"] = " or ".join(f"“{name}”" for name in put_in)
            if self.target in candidate.about:
                question = ANSWER_UNIT + (OR_PUT_IN if put_in else "")
        if kind.by_chance and abs(candidate.factor - 1.0) < BY_CHANCE:
            text, question = text + ELSEWHERE, question + ELSEWHERE_QUESTION
        return Cause(
            candidate.kind,
            text.format(**words),
            question.format(**words),
            candidate.factor,
            distance,
            kind.legitimate,
            candidate.about,
        )

    # -- numbers ---------------------------------------------------------------------------------

    def factor(self, world: World) -> float:
        """What a changed world does to the number; 0 if it has none."""
        value = finite(world.value(self.target, None))
        return 0.0 if value is None else value / self.right

    def units(self, key: str) -> tuple[float, ...]:
        """SI sizes of the units in which a person may hold the number of a field."""
        one = self.practical.field(self.practical.columns(key)[0])
        sizes = [1.0, one.unit.factor]
        if one.unit.dimension.exponents == LENGTH:
            sizes += [0.01, 0.001]
        return tuple(dict.fromkeys(sizes))

    def dimension(self, key: str) -> tuple[tuple[str, float], ...]:
        """Exponents of the dimension of a field."""
        return self.practical.field(self.practical.columns(key)[0]).unit.dimension.exponents

    def is_slope(self, key: str) -> bool:
        """Whether a quantity is the slope of a line."""
        return self.line_of(key) is not None

    def line_of(self, key: str) -> LineField | None:
        """The line whose slope a quantity is, but for its sign."""
        one = self.practical.derived.get(key)
        call = None if one is None else _statistic(one.node)
        return None if call is None else self.line(call)

    def line(self, call: Call) -> LineField | None:
        """The line whose slope a call gives."""
        columns = self.columns_of(call)
        for line in self.practical.lines.values():
            if line.functions["slope"] == call.function and line.columns == columns:
                return line
        return None

    def columns_of(self, call: Call) -> tuple[str, ...]:
        """Columns that a call is given."""
        return tuple(c for key in argument_keys(call) for c in self.practical.columns(key))

    # -- sources of slips ------------------------------------------------------------------------

    def other_ways(self) -> Iterator[Candidate]:
        """Methods that are no mistakes: alternatives of a result, rows that were left out."""
        for result in self.practical.definition.results:
            if result.quantity == self.target:
                for key in result.alternatives:
                    value = finite(self.world.value(key, None))
                    if value is not None:
                        its = self.named(key)
                        whole = self.practical.field(key).title
                        method = whole.partition(" by ")[2] or its
                        yield Candidate(
                            "another-method", value / self.right, (self.target,), detail=method
                        )
        if self.subject.evaluation.left_out:
            whole_table = self.subject.observations.without(self.practical.reasons())
            other = World(
                Numbers(self.practical, whole_table), self.world.below, frozenset(self.world.fixed),
                self.world.fixed,
            )  # fmt: skip
            yield Candidate("every-row", self.factor(other))

    @cached_property
    def other_zeros(self) -> list[tuple[str, float]]:
        """Instruments with their zero errors, had the zero mark stood on the other side, where
        that mends something that the definition complains of."""
        numbers = self.subject.numbers
        found = []
        for edit in whole_edits(numbers, ZERO_EDITS):
            id_ = next(iter(edit.changes))[0].removesuffix(".zero_reading.side")
            value = numbers.changed(edit.changes).value(f"{id_}.zero", None)
            if value is not None and self.mends(edit, id_):
                found.append((id_, value))
        return found

    def mends(self, edit: Edit, instrument: str) -> bool:
        """Whether a broken condition on an instrument holds after an edit."""
        numbers = self.subject.numbers
        changed = numbers.changed(edit.changes)
        return any(
            evaluate(check.node, numbers, row) is False and evaluate(check.node, changed, row)
            for check in self.practical.checks
            if check.at.startswith(f"{instrument}.")
            for row in (range(check.rows) if check.table else (None,))
        )

    def of_instruments(self) -> Iterator[Candidate]:
        """Zero errors and least counts of the instruments behind the number."""
        for one in self.practical.definition.instruments:
            zero, count = f"{one.id}.zero", f"{one.id}.least_count"
            title = one.title[:1].lower() + one.title[1:]
            below = self.world.below[self.target]
            value = self.world.value(zero, None) if zero in below else None
            for other in [v for id_, v in self.other_zeros if id_ == one.id and zero in below]:
                world = self.world.with_(fixed={zero: other})
                yield Candidate(ZERO_SIDE, self.factor(world), (zero,), detail=title)
            if value:
                for kind, other in (("zero-left-out", 0.0), ("zero-wrong-sign", -value)):
                    world = self.world.with_(fixed={zero: other})
                    yield Candidate(kind, self.factor(world), (zero,), detail=title)
            if count in below and count not in self.world.fixed and count != self.target:
                value = self.world.value(count, None)
                for factor, words in (
                    (2.0, "taken double"), (0.5, "taken half"), (10.0, "taken ten times too large"),
                    (0.1, "taken ten times too small"),
                ) if value else ():  # fmt: skip
                    assert value is not None
                    world = self.world.with_(fixed={count: value * factor})
                    yield Candidate(
                        "least-count", self.factor(world), (count,), detail=f"{title} {words}"
                    )

    def of_statistics(self) -> Iterator[Candidate]:
        """Other values of the statistics of columns in the formulas."""
        done = set()
        for key, node in self.reach.items():
            if self.practical.field(key).table is not None:
                continue
            for part in walk(node):
                if not (isinstance(part, Call) and isinstance(FUNCTIONS[part.function], Aggregate)):
                    continue
                place = (part.function, self.columns_of(part))
                value = evaluate(part, self.world)
                if place in done or not value:
                    continue
                done.add(place)
                for candidate, other in self.variants(part, key, value):
                    world = self.world.with_(statistics={place: other}, at=key)
                    yield replace(candidate, factor=self.factor(world))
                line = self.line(part)
                if line is not None:
                    yield from self.by_eye(line, place, key, value)

    def variants(self, call: Call, key: str, value: float) -> Iterator[tuple[Candidate, float]]:
        """Other values that a statistic may have been given."""
        columns = self.columns_of(call)
        if call.function == "mean":
            column = self.world.column(columns[0])
            yield from self.of_a_mean(column, key, value)
            return
        line = self.line(call)
        study = None if line is None else self.study(line)
        if study is not None:
            own = study.slopes[0].slope
            for by in study.slopes[1:]:
                if "acceptable line" in by.method or not own:
                    continue
                one = Candidate("another-method", 0.0, (key,), detail=by.method)
                yield one, value * by.slope / own
            if line is not None and len(line.y) > 1:
                for kind, factor in (("sum-for-mean", 2.0), ("halved", 0.5)):
                    yield Candidate(kind, 0.0, (key,)), value * factor
        if line is not None and call.function == "slope":
            ratio = self.mean_ratio(line)
            if ratio is not None and abs(ratio / value - 1.0) < LIKE:
                detail = "the mean of the ratios row by row"
                yield Candidate("another-method", 0.0, (key,), detail=detail), ratio
            for slip, other in self.ratios_without_a_term(line):
                yield Candidate("ratio-term-left-out", 0.0, slip.about, line.x), other
        if call.function in ("slope", "origin_slope", "interval_slope", "half_interval"):
            for factor, detail in self.steps(columns):
                yield Candidate("per-step", 0.0, (key,), detail=detail), value * factor

    def ratios_without_a_term(self, line: LineField) -> Iterator[tuple[slips.Slip, float]]:
        """Means of ratios with a part of the abscissa left out, which a slope would not show."""
        x = self.practical.derived.get(line.x)
        for slip in slips.slips(x.node, self.units, self.repeats) if x is not None else ():
            if slip.kind == "term-left-out" and slip.about:
                ratio = self.mean_ratio(line, self.world.with_(nodes={line.x: slip.node}))
                if ratio is not None:
                    yield slip, ratio

    def mean_ratio(self, line: LineField, world: World | None = None) -> float | None:
        """Mean of y over x, row by row; of their changes where the graph shows a change."""
        x, *ys = ((world or self.world).column(key) for key in line.columns)
        ratios = []
        for y in ys:
            pairs = [(a, b) for a, b in zip(x, y, strict=True) if a is not None and b is not None]
            zero = pairs[0] if pairs and line.definition.relative_to_first else (0.0, 0.0)
            ratios += [(b - zero[1]) / (a - zero[0]) for a, b in pairs if a != zero[0]]
        return math.fsum(ratios) / len(ratios) if ratios else None

    def steps(self, columns: Sequence[str]) -> list[tuple[float, str]]:
        """Factors of a slope whose two changes belong to different numbers of steps."""
        columns_ = [self.world.column(key) for key in columns]
        rows = sum(
            columns_[0][row] is not None and any(y[row] is not None for y in columns_[1:] or [[0]])
            if len(columns_) > 1
            else columns_[0][row] is not None
            for row in range(len(columns_[0]))
        )
        found = []
        for steps in dict.fromkeys((rows - 1, rows // 2)):
            if steps > 1:
                found.append((1.0 / steps, f"the change of one step set against {steps} steps"))
                found.append((float(steps), f"the change over {steps} steps set against one step"))
        # the change itself given for the slope: as if it belonged to one of the unit
        unit = self.practical.field(columns[0]).unit
        given = [v for v in columns_[0] if v is not None]
        if len(given) > 1:
            whole = abs(given[-1] - given[0]) / unit.factor
            one = abs(given[1] - given[0]) / unit.factor
            mean = whole / (len(given) - 1)
            changes = {whole: "over the whole table", one: "of one step", mean: "of a mean step"}
            for size, what in changes.items():
                if size > 0.0 and abs(size - 1.0) > 1e-6:
                    detail = f"the change {what}, not divided by {size:.4g} {unit.pretty}"
                    found.append((size, detail))
        return found

    def of_a_mean(
        self, column: Sequence[float | None], key: str, value: float
    ) -> Iterator[tuple[Candidate, float]]:
        """What else than the mean of a column may have been used."""
        rows = [(row, v) for row, v in enumerate(column) if v is not None]
        values = [v for _, v in rows]
        if len(values) < 2:
            return
        named = {
            "the first": values[0],
            "the last": values[-1],
            "the highest": max(values),
            "the lowest": min(values),
            "the middle one": median(values),
            "the highest and the lowest": 0.5 * (max(values) + min(values)),
        }
        together: dict[float, list[str]] = {}
        for detail, other in named.items():
            together.setdefault(other, []).append(detail)
        for other, details in together.items():
            yield Candidate("half-readings", 0.0, (key,), detail=" or ".join(details)), other
        yield Candidate("sum-for-mean", 0.0, (key,)), value * len(values)
        for row, other in rows:
            if other not in together:
                together[other] = []
                yield Candidate("one-reading", 0.0, (key,), detail=f"row {row + 1}"), other

    def study(self, line: LineField) -> LineStudy | None:
        """What is known of a line."""
        for study in self.subject.studies:
            if study.line.field is line:
                return study
        return None

    def by_eye(self, line: LineField, place: Place, key: str, value: float) -> Iterator[Candidate]:
        """The range of slopes of lines drawn by eye."""
        study = self.study(line)
        if study is None or not study.slopes[0].slope:
            return
        own, u = study.slopes[0].slope, study.slopes[0].standard_uncertainty or 0.0
        ranges = [own - 2.0 * u, own + 2.0 * u]
        if study.extremes is not None:
            ranges += [study.extremes.steepest, study.extremes.flattest]
        ends = [
            self.factor(self.world.with_(statistics={place: value * slope / own}, at=key))
            for slope in (min(ranges), max(ranges))
        ]
        if all(ends):
            yield Candidate("line-by-eye", ends[0], (key,), until=ends[1])

    def of_units(self) -> Iterator[Candidate]:
        """Powers of ten, each with the slips of a unit that would make it."""
        slips_: dict[int, list[tuple[str, str]]] = {}
        wanted = [(self.target, self.unit.text, 1.0, False)]
        # constants of nature and the like are seldom the ones
        wanted += sorted(
            (
                (key, self.practical.field(key).unit.text, power, True)
                for key, power in self.powers().items()
            ),
            key=lambda one: self.dimension(one[0]) == ACCELERATION,
        )
        for key, text, power, put_in in wanted:
            own = (Unit(text, 1.0, 0.0, self.unit.dimension), 0)
            others = neighbours(text)
            pairs = [(other, own) for other in others]
            if put_in:
                pairs += [(own, other) for other in others]
                pairs += [(a, b) for a in others for b in others if a[1] != b[1]]
            for (used_unit, used_k), (due_unit, due_k) in pairs:
                used, due, step = used_unit.pretty, due_unit.pretty, used_k - due_k
                decades = step * power
                if decades != int(decades) or (put_in and abs(step) > MOST_PREFIXES):
                    continue
                words = (
                    f"{self.named(key)} in {used} where {due} belongs"
                    if put_in
                    else f"the answer given in {used}, not in {due}"
                )
                slips_.setdefault(int(decades), []).append((key, words))
        for k in range(-DECADES, DECADES + 1):
            if not k:
                continue
            size = f"a factor 10{superscript(str(k))}"
            # one of each quantity
            found: dict[str, str] = {}
            for key, words in slips_.get(k, []):
                found.setdefault(key, words)
            if found:
                words = " or ".join(list(found.values())[:FEW_UNITS])
                about = tuple(found)[:FEW_UNITS]
                yield Candidate("unit", 10.0**k, about, detail=f"{size}: {words}")
            else:
                yield Candidate("decimal-point", 10.0**k, (self.target,), detail=size)

    def powers(self) -> dict[str, float]:
        """Powers in which quantities or columns stand in the target's formula."""
        node = self.practical.derived[self.target].node
        call = _statistic(node)
        if call is not None:
            rule = FUNCTIONS[call.function]
            assert isinstance(rule, Aggregate)
            columns = self.columns_of(call)
            return {
                key: float(power) for key, power in zip(columns, rule.powers, strict=False) if power
            }
        leaves = frozenset(self.world.fixed) - {self.target}
        found = slips.product(node, lambda key: arithmetic(self.practical, key, leaves))
        return {} if found is None else found.powers

    def of_formulas(self) -> Iterator[Candidate]:
        """Changes of the formulas."""
        for key, node in self.reach.items():
            if self.costly and self.practical.field(key).table is not None:
                continue
            for slip in slips.slips(node, self.units, self.repeats):
                factor = self.factor(self.world.with_(nodes={key: slip.node}))
                yield self.renamed(slip, key, factor)
            square = self.square_lost(node)
            if square is not None:
                yield Candidate("number-square-lost", square, (), key)

    def repeats(self, key: str) -> int:
        """Number of columns behind a name."""
        return len(self.practical.columns(key))

    def renamed(self, slip: slips.Slip, key: str, factor: float) -> Candidate:
        """A slip under the name that it has in the trade."""
        kind = slip.kind
        about = slip.about
        if kind == "wrong-side" and self.is_slope(about[0]):
            kind = "slope-inverted"
        if kind == "left-out" and self.dimension(about[0]) == ACCELERATION:
            kind = "weight"
        return Candidate(kind, factor, about, key, slip.detail)

    def square_lost(self, node: Node) -> float | None:
        """What it does to forget the square of a bracket for the numbers in it: (2π)² as 2π."""
        if node is not self.practical.derived[self.target].node:
            return None
        found = slips.product(node, lambda key: None)
        if found is None or found.number in (0.0, 1.0):
            return None
        return math.copysign(1.0, found.number) / math.sqrt(abs(found.number))

    def of_names(self) -> Iterator[Candidate]:
        """A quantity taken double, half, rounded, or in another unit."""
        for key, node in self.reach.items():
            if self.costly and self.practical.field(key).table is not None:
                continue
            powers, halved = slips.arithmetic_names(node), slips.halved_names(node)
            adds = any(isinstance(part, Binary) and part.op in "+-" for part in walk(node))
            sums = adds and self.mixed(node)
            for name, power in powers.items():
                make = self.scaled_by(key, node, name)
                if self.dimension(name) in (LENGTH, TIME):
                    squared = self.dimension(name) == LENGTH and (
                        abs(power) >= 2.0 or name in halved
                    )
                    for factor in (2.0, 0.5) if squared or not adds else ():
                        kind = "twice" if factor == 2.0 else "half"
                        if squared:
                            kind = _RADIUS[factor]
                        yield Candidate(kind, make(factor), (name,), key, f"{power:g}")
                yield from self.of_units_within(key, name, make, sums)
                if self.practical.field(self.practical.columns(name)[0]).table is None:
                    yield from self.rounded(key, node, name)
                if name in self.world.fixed:
                    line = self.line_of(name)
                    for factor, detail in self.steps(line.columns) if line is not None else ():
                        yield Candidate("per-step-later", make(factor), (name,), key, detail)

    def mixed(self, node: Node) -> bool:
        """Whether a formula adds quantities that are shown in different units."""
        return any(
            isinstance(part, Binary)
            and part.op in "+-"
            and len({self.practical.field(key).unit.text for key in slips.arithmetic_names(part)})
            > 1
            for part in walk(node)
        )

    def scaled_by(self, key: str, node: Node, name: str) -> Callable[[float], float]:
        """What a quantity of a formula, taken so many times, does to the number."""
        return lambda factor: self.factor(
            self.world.with_(nodes={key: slips.scaled(node, name, factor)})
        )

    def of_units_within(
        self, key: str, name: str, make: Callable[[float], float], sums: bool
    ) -> Iterator[Candidate]:
        """A quantity in another unit, where that is no power of ten."""
        unit = self.practical.field(self.practical.columns(name)[0]).unit
        decades = math.log10(unit.factor) if unit.factor > 0.0 else 0.0
        if abs(decades - round(decades)) > 1e-9:
            yield Candidate(
                "unit-not-converted", make(1.0 / unit.factor), (name,), key, unit.pretty
            )
        elif sums:
            # in a product this is a power of ten, which is listed once for all
            for other, k in neighbours(unit.text):
                for used, due, step in ((other, unit, k), (unit, other, -k)):
                    detail = f"{self.named(name)} in {used.pretty} where {due.pretty} belongs"
                    yield Candidate("unit", make(10.0**step), (name,), key, detail)

    def rounded(self, key: str, node: Node, name: str) -> Iterator[Candidate]:
        """A quantity rounded to one or two figures."""
        one = self.practical.field(name)
        value = finite(self.world.value(name, None))
        if not value:
            return
        shown = one.unit.from_si(value)
        measured = any(self.practical.field(k).table for k in self.world.below[name])
        for digits in (1, 2):
            text = f"{shown:.{digits}g}"
            world = self.world.with_(
                nodes={key: slips.set_to(node, name, one.unit.to_si(float(text)))}
            )
            kind = "rounded-on-the-way" if measured else "rounded-constant"
            if not measured and self.dimension(name) == ACCELERATION:
                ours = self.subject.evaluation.profile.g_values
                kind = "convention" if float(text) in ours else "other-convention"
            yield Candidate(
                kind,
                self.factor(world),
                (name,),
                key,
                f"{one.symbol or one.title} as {float(text):g} {one.unit.pretty}".rstrip(),
            )

    def of_the_result(self) -> Iterator[Candidate]:
        """Slips of the last step, with the finished number."""
        kind = "slope-inverted" if self.is_slope(self.target) else "result-inverted"
        for size in dict.fromkeys((self.unit.factor, 1.0)):
            yield Candidate(kind, (size / self.right) * (size / self.right), (self.target,))
        yield Candidate("sign", -1.0, (self.target,))
        if self.dimension(self.target) == LENGTH:
            yield Candidate("radius-given", 0.5, (self.target,))
            yield Candidate("diameter-given", 2.0, (self.target,))
        shown = self.unit.from_si(self.right)
        if shown and math.isfinite(shown):
            for digits in (1, 2):
                text = float(f"{shown:.{digits}g}")
                yield Candidate("rounded-result", text / shown, (self.target,), detail=str(digits))


_RADIUS = {2.0: "diameter-for-radius", 0.5: "radius-for-diameter"}


def _statistic(node: Node) -> Call | None:
    """The statistic of columns that a formula is, but for its sign."""
    node = without_condition(node)
    match node:
        case Negative(inner) | Call("abs", (inner,)):
            return _statistic(inner)
        case Call(function) if isinstance(FUNCTIONS[function], Aggregate):
            return node
    return None
