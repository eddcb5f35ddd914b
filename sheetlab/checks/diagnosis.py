"""The student's own results: what follows from what, and which slip gives just this number.

Every answer is judged by the numbers that its author had: the formula of its quantity is worked
out again with the author's own earlier results in it (error carried forward), and everything else
from the author's own readings. Where the answer differs, each slip that the formulas allow is tried
by working them out with the slip in them; those that give the answer are named, all of them.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import cached_property
from itertools import combinations, islice
from types import ModuleType

from sheetlab.checks.causes import KINDS, power_words
from sheetlab.checks.subject import Subject
from sheetlab.formula import slips
from sheetlab.formula.functions import FUNCTIONS, Aggregate
from sheetlab.formula.render import superscript
from sheetlab.formula.tree import Binary, Call, Fitted, Negative, Node, Number, walk
from sheetlab.formula.values import argument_keys, evaluate
from sheetlab.metrology.linetests import median
from sheetlab.practical.definition import Answer
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.model import DerivedField, LineField, Practical, without_condition
from sheetlab.practical.study import LineStudy
from sheetlab.units import Unit, neighbours

CALCULATION = 0.005
"""Relative difference that rounding on the way may make (common practice, no source)."""
EXACT = 0.001
"""Relative difference that a careful calculation with three or four figures makes."""
FEWEST_FIGURES = 2
"""Figures that an answer counts as having: a spreadsheet shows 0.50 and 2.0e11 with one."""
MOST_CAUSES = 12
MOST_PAIRS = 4
SMALL = 0.15
"""|ln| of the ratio up to which no pair of slips is looked for."""
MOST_SLIPS = 500
MOST_BRANCHES = 4
MOST_WORLDS = 2
COMMON = 6
"""Frequency of a slip from which no other way to the answer is looked for."""
BRANCHES = 1e-3
"""Relative difference from which it matters whether an earlier answer was carried forward."""
CLOSER = 0.6
"""A cause has to explain this much of what it is asked for, or it only looks like one."""
LIKE = 0.1
"""Relative difference up to which another method may be taken for the same quantity."""
DECADES = 12
FEW_UNITS = 4
COSTLY = ("weighted_slope", "weighted_intercept", "both_errors_slope", "both_errors_intercept")
LENGTH, TIME = (("length", 1.0),), (("time", 1.0),)
ACCELERATION = (("length", 1.0), ("time", -2.0))


@dataclass(frozen=True, slots=True)
class Cause:
    """What would give an answer, in words."""

    kind: str
    """Row of ``causes.KINDS``; two of them joined by “ + ” for a pair."""
    text: str
    """To the teacher, after “consistent with”."""
    question: str
    """To the student."""
    factor: float
    """Answer over what it should be, if this is the cause."""
    distance: float
    """|ln| of the answer over what the cause gives."""
    legitimate: bool
    """Another way of working it out, and no mistake."""
    about: tuple[str, ...] = ()
    """Keys of the quantities that it concerns."""

    @property
    def count(self) -> int:
        """How many slips it takes."""
        return self.kind.count(" + ") + 1


@dataclass(frozen=True, slots=True)
class AnswerDiagnosis:
    """An answer and what it should be. All numbers are in the unit of the answer."""

    answer: Answer
    given: float | None
    recomputed: float | None
    """From the student's readings alone."""
    expected: float | None
    """From the readings and the student's own earlier results."""
    tolerance: float
    """Half a unit of the last digit given and 0.5 % of what is expected."""
    agrees: bool | None
    """None if there is nothing to compare."""
    carried: tuple[str, ...]
    """Ids of earlier answers that ``expected`` rests on and that the readings do not give."""
    first: bool
    """The first answer, in the order of the formulas, that differs and is not just another way."""
    causes: tuple[Cause, ...]
    """What would give this answer, the likeliest first; empty if it agrees or nothing is known."""

    @property
    def ratio(self) -> float | None:
        """Given value over the one from the readings."""
        return _over(self.given, self.recomputed)

    @property
    def another_way(self) -> bool:
        """Whether the answer differs as another legitimate way of working would make it."""
        return bool(self.causes) and self.causes[0].legitimate


def _over(a: float | None, b: float | None) -> float | None:
    return None if a is None or not b else a / b


def diagnose(subject: Subject) -> tuple[AnswerDiagnosis, ...]:
    """Every answer of the practical, in the order of the definition."""
    return _Judge(subject).all()


def half_unit(value: float) -> float:
    """Half a unit of the last digit of a number as it was typed.

    Zeros at the end of a decimal fraction are lost in a spreadsheet, and those of a large whole
    number need not be certain: a number counts as having two figures at least, and a whole number
    below 1000 as given to the unit or better.
    """
    if value == 0.0 or not math.isfinite(value):
        return 0.0
    number = Decimal(repr(abs(value))).normalize()
    last = int(number.as_tuple().exponent)
    last = min(last, number.adjusted() - FEWEST_FIGURES + 1)
    if value == int(value) and abs(value) < 1000.0:
        last = min(last, 0)
    return 0.5 * 10.0**last


# -- working formulas out with something changed ---------------------------------------------------

_Place = tuple[str, tuple[str, ...]]


@dataclass(slots=True)
class _World:
    """Numbers in which some quantities, formulas or statistics are others; SI units."""

    parent: Numbers | _World
    below: Mapping[str, frozenset[str]]
    """What each field depends on, itself included."""
    changed: frozenset[str]
    fixed: Mapping[str, float] = field(default_factory=dict)
    nodes: Mapping[str, Node] = field(default_factory=dict)
    statistics: Mapping[_Place, float] = field(default_factory=dict)
    library: ModuleType = math
    memory: dict[tuple[str, int | None], float | None] = field(default_factory=dict)
    found: dict[_Place, float | None] = field(default_factory=dict)

    @property
    def practical(self) -> Practical:
        return self.parent.practical

    def value(self, key: str, row: int | None) -> float | None:
        if key in self.fixed:
            return self.fixed[key]
        if self.changed.isdisjoint(self.below[key]):
            return self.parent.value(key, row)
        place = (key, row)
        if place not in self.memory:
            self.memory[place] = self._value(key, row)
        return self.memory[place]

    def _value(self, key: str, row: int | None) -> float | None:
        one = self.practical.field(key)
        if not isinstance(one, DerivedField) or (one.table is not None and row is None):
            return None
        if row is not None and one.table is not None and not 0 <= row < one.rows:
            return None
        found: float | None = evaluate(self.nodes.get(key, one.node), self, row)
        return found

    def columns(self, key: str) -> Sequence[str]:
        return self.practical.columns(key)

    def column(self, key: str) -> list[float | None]:
        return [self.value(key, row) for row in range(self.practical.field(key).rows)]

    def aggregate(self, rule: Aggregate, columns: Sequence[str]) -> float | None:
        place = (rule.name, tuple(columns))
        if place in self.statistics:
            return self.statistics[place]
        if place not in self.found:
            if all(self.changed.isdisjoint(self.below[key]) for key in columns):
                self.found[place] = self.parent.aggregate(rule, columns)
            else:
                statistic = rule.rule([self.column(key) for key in columns], 0.0)
                self.found[place] = None if statistic is None else statistic.value
        return self.found[place]

    def with_(
        self,
        fixed: Mapping[str, float] | None = None,
        nodes: Mapping[str, Node] | None = None,
        statistics: Mapping[_Place, float] | None = None,
        at: str = "",
    ) -> _World:
        """A world on top of this one; ``at``: the field that a statistic stands in."""
        fixed, nodes, statistics = fixed or {}, nodes or {}, statistics or {}
        changed = frozenset((*fixed, *nodes, *((at,) if at else ())))
        return _World(self, self.below, changed, {**self.fixed, **fixed}, nodes, statistics)


def _below(practical: Practical) -> dict[str, frozenset[str]]:
    found = {key: frozenset((key,)) for key in practical.inputs}
    for key, one in practical.derived.items():
        found[key] = frozenset((key,)).union(*(found[k] for k in practical.depends(one.node)))
    return found


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


# -- judging ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Way:
    """One way to what an answer should be, by the earlier answers that were carried forward."""

    world: _World
    expected: float
    """SI units."""
    carried: tuple[str, ...]


@dataclass
class _Judge:
    subject: Subject

    @property
    def practical(self) -> Practical:
        return self.subject.practical

    @cached_property
    def below(self) -> dict[str, frozenset[str]]:
        return _below(self.practical)

    @cached_property
    def root(self) -> _World:
        return _World(self.subject.numbers, self.below, frozenset())

    def all(self) -> tuple[AnswerDiagnosis, ...]:
        answers = self.practical.definition.answers
        judged: dict[str, AnswerDiagnosis] = {}
        for answer in answers:
            if self.given(answer) is None or not answer.quantity:
                judged[answer.id] = self.untold(answer)
        first = True
        for answer in self.ordered([a for a in answers if a.id not in judged]):
            found = self.judge(answer, judged)
            if found.agrees is False and not found.another_way:
                found, first = replace(found, first=first), False
            judged[answer.id] = found
        return tuple(judged[answer.id] for answer in answers)

    def unit(self, answer: Answer) -> Unit:
        return self.practical.inputs[f"answer.{answer.id}"].unit

    def given(self, answer: Answer) -> float | None:
        return self.subject.numbers.shown(f"answer.{answer.id}")

    def recomputed(self, answer: Answer) -> float | None:
        if not answer.quantity:
            return None
        found = _finite(self.subject.numbers.value(answer.quantity, None))
        return None if found is None else self.unit(answer).from_si(found)

    def untold(self, answer: Answer) -> AnswerDiagnosis:
        here = self.recomputed(answer)
        return AnswerDiagnosis(answer, self.given(answer), here, here, 0.0, None, (), False, ())

    def ordered(self, answers: Sequence[Answer]) -> Iterator[Answer]:
        """Answers so that each comes after those that its formula rests on."""
        waiting = list(answers)
        while waiting:
            for answer in waiting:
                below = self.below[answer.quantity] - {answer.quantity}
                if not any(other.quantity in below for other in waiting):
                    break
            waiting.remove(answer)
            yield answer

    def judge(self, answer: Answer, before: Mapping[str, AnswerDiagnosis]) -> AnswerDiagnosis:
        given, unit = self.given(answer), self.unit(answer)
        assert given is not None
        plain = self.untold(answer)
        if not math.isfinite(given):
            return replace(plain, agrees=False) if plain.recomputed is not None else plain
        half = half_unit(given)
        ways: list[_Way] = []
        for way in self.ways(answer, before):
            ways.append(way)
            expected = unit.from_si(way.expected)
            tolerance = half + CALCULATION * abs(expected)
            if abs(given - expected) <= tolerance:
                carried = way.carried
                here = plain.recomputed
                if here is not None and abs(given - here) <= half + CALCULATION * abs(here):
                    carried = ()
                return AnswerDiagnosis(
                    answer, given, here, expected, tolerance, True, carried, False, ()
                )
        if not ways:
            return plain
        chosen, causes = self.causes(answer, given, ways)
        expected = unit.from_si(chosen.expected)
        return AnswerDiagnosis(
            answer,
            given,
            plain.recomputed,
            expected,
            half + CALCULATION * abs(expected),
            False,
            chosen.carried,
            False,
            causes,
        )

    # -- error carried forward -------------------------------------------------------------------

    def ways(self, answer: Answer, before: Mapping[str, AnswerDiagnosis]) -> Iterator[_Way]:
        """What the answer should be: with all earlier answers, with none, with some of them."""
        key = answer.quantity
        fixed: dict[str, float] = {}
        doubtful: list[str] = []
        off: dict[str, str] = {}
        for one in before.values():
            q, given = one.answer.quantity, one.given
            if not q or given is None or not math.isfinite(given) or q == key:
                continue
            if q not in self.below[key]:
                continue
            fixed[q] = self.unit(one.answer).to_si(given)
            if one.recomputed is None or abs(given - one.recomputed) > BRANCHES * abs(
                one.recomputed
            ):
                doubtful.append(q)
                if not self.close(one, given):
                    off[q] = one.answer.id
        seen: list[float] = []
        kept = doubtful[:MOST_BRANCHES]
        orders = [(), tuple(kept)] + [
            some for n in range(1, len(kept)) for some in combinations(kept, n)
        ]
        inside = self.inside(answer, before)
        for left_out in dict.fromkeys(orders):
            its = {q: v for q, v in fixed.items() if q not in left_out}
            world = self.root.with_(fixed=its) if its else self.root
            value = _finite(world.value(key, None))
            if value is None:
                continue
            carried = tuple(name for q, name in off.items() if q in its)
            for factor, name in (*inside, (1.0, "")):
                expected = value * factor
                if not math.isfinite(expected) or any(
                    abs(expected - other) <= 1e-9 * abs(other) for other in seen
                ):
                    continue
                seen.append(expected)
                yield _Way(world, expected, (*carried, name) if name else carried)

    def close(self, one: AnswerDiagnosis, given: float) -> bool:
        """Whether an answer is what the readings give, to its rounding."""
        if one.recomputed is None:
            return False
        return abs(given - one.recomputed) <= half_unit(given) + CALCULATION * abs(one.recomputed)

    def inside(
        self, answer: Answer, before: Mapping[str, AnswerDiagnosis]
    ) -> list[tuple[float, str]]:
        """Factors of earlier answers that the formula holds without their name.

        The formula 4 F / (π d²) holds the area π d² / 4: who has a wrong area goes on with it.
        """
        given = {one.answer.quantity for one in before.values() if one.given is not None} | {
            answer.quantity
        }
        its = self.product(answer.quantity, given)
        found = []
        for one in before.values():
            part = self.product(one.answer.quantity, given) if one.agrees is False else None
            ratio = _over(one.given, one.expected)
            if its is None or part is None or not ratio or one.answer.quantity in its.powers:
                continue
            powers = {its.powers.get(key, 0.0) / p for key, p in part.powers.items()}
            if len(powers) != 1 or set(part.powers) == {one.answer.quantity}:
                continue
            (power,) = powers
            if power and (ratio > 0.0 or power == int(power)):
                try:
                    found.append((ratio**power, one.answer.id))
                except OverflowError:
                    continue
        return found

    def product(self, key: str, leaves: set[str]) -> slips.Product | None:
        one = self.practical.derived.get(key)
        if one is None or one.table is not None:
            return None
        return slips.product(one.node, lambda name: _arithmetic(self.practical, name, leaves))

    # -- causes ----------------------------------------------------------------------------------

    def causes(
        self, answer: Answer, given: float, ways: Sequence[_Way]
    ) -> tuple[_Way, tuple[Cause, ...]]:
        """The way by which the answer is explained best, and what explains it."""
        fit = _Fit(given, self.unit(answer))
        made: dict[int, _Slips] = {}
        explained: list[tuple[tuple[bool, int, int], _Way, tuple[Cause, ...]]] = []
        for i, way in enumerate(ways):
            found = fit.singles(way.expected, self.slips(answer, way, made))
            if found and fit.rank(found[0]) <= (False, -COMMON):
                return way, found
            if found:
                explained.append(((*fit.rank(found[0]), i), way, found))
        if explained:
            _, best, causes = min(explained, key=lambda one: one[0])
            return best, causes
        for way in ways[:MOST_WORLDS]:
            found = fit.pairs(way.expected, self.slips(answer, way, made))
            if found:
                return way, found
        return ways[0], ()

    def slips(self, answer: Answer, way: _Way, made: dict[int, _Slips]) -> _Slips:
        """The slips in the world of a way; of many worlds those of the first."""
        key = id(way.world)
        if key not in made and len(made) < MOST_WORLDS:
            made[key] = _Slips(self.subject, way.world, answer.quantity, self.unit(answer))
        # what a slip does depends little on the values that were carried
        return made.get(key) or next(iter(made.values()))


def _arithmetic(practical: Practical, key: str, leaves: set[str] | frozenset[str]) -> Node | None:
    """Formula of a quantity that is worked out from others by arithmetic alone."""
    one = practical.derived.get(key)
    if one is None or one.table is not None or key in leaves:
        return None
    return one.node if isinstance(one.node, Binary | Negative) else None


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A slip with what it does to the number."""

    kind: str
    factor: float
    about: tuple[str, ...] = ()
    of: str = ""
    detail: str = ""
    until: float | None = None
    """Other end of a range of factors."""


@dataclass(slots=True)
class _Fit:
    """An answer that is to be explained."""

    given: float
    unit: Unit

    @property
    def rounding(self) -> float:
        """Half a unit of the last digit as a fraction."""
        return half_unit(self.given) / abs(self.given) if self.given else 0.0

    def distance(self, expected: float, candidate: _Candidate) -> float | None:
        """|ln| of the answer over what a cause gives; None if it does not fit."""
        if candidate.until is not None:
            ratio = self.ratio(expected)
            low, high = sorted((candidate.factor, candidate.until))
            return abs(math.log(ratio)) if ratio > 0.0 and low <= ratio <= high else None
        would = self.unit.from_si(expected * candidate.factor)
        if not math.isfinite(would) or would * self.given <= 0.0:
            return None
        if candidate.kind == "rounded-result" and not math.isclose(would, self.given):
            return None
        if abs(self.given - would) > half_unit(self.given) + CALCULATION * abs(would):
            return None
        return abs(math.log(self.given / would))

    def ratio(self, expected: float) -> float:
        return self.unit.to_si(self.given) / expected

    def rank(self, cause: Cause) -> tuple[bool, int]:
        """Order of causes: those that give the number to its last digit, then the common ones.

        One that gives it nearly comes later, whatever it is.
        """
        return cause.distance > self.rounding + EXACT, -KINDS[cause.kind].frequency

    def worth(self, expected: float, distance: float) -> bool:
        """Whether a cause explains more than chance: of a small difference, most."""
        ratio = self.ratio(expected)
        return ratio <= 0.0 or distance <= CLOSER * abs(math.log(ratio))

    def singles(self, expected: float, slips_: _Slips) -> tuple[Cause, ...]:
        if not expected:
            return ()
        found = []
        for candidate in slips_.candidates:
            distance = self.distance(expected, candidate)
            if distance is None:
                continue
            if candidate.until is None and not self.worth(expected, distance):
                continue
            cause = slips_.cause(candidate, 0.0 if candidate.until is not None else distance)
            found.append((*self.rank(cause), distance, cause))
        found.sort(key=lambda one: one[:3])
        causes: dict[str, Cause] = {}
        for *_, cause in found:
            causes.setdefault(cause.text, cause)
        return tuple(causes.values())[:MOST_CAUSES]

    def pairs(self, expected: float, slips_: _Slips) -> tuple[Cause, ...]:
        ratio = self.ratio(expected) if expected else 0.0
        if not ratio or not math.isfinite(ratio):
            return ()
        wanted = math.log(abs(ratio))
        if abs(wanted) < SMALL:
            # of two slips with small effects some pair gives any small difference
            return ()
        usable = sorted(
            (
                (math.log(abs(c.factor)), i, c)
                for i, c in enumerate(slips_.candidates)
                if KINDS[c.kind].pairs and c.until is None
            ),
            key=lambda one: one[:2],
        )
        logs = [one[0] for one in usable]
        found = []
        for i, (log, _, first) in enumerate(usable):
            start = bisect_left(logs, wanted - log - CALCULATION)
            for j in range(max(start, i + 1), len(usable)):
                distance = abs(wanted - log - logs[j])
                if logs[j] > wanted - log + CALCULATION:
                    break
                second = usable[j][2]
                if first.factor * second.factor * ratio < 0.0 or _same(first, second):
                    continue
                if max(abs(log), abs(logs[j])) < SMALL:
                    continue
                if distance <= CALCULATION and self.worth(expected, distance):
                    rank = -KINDS[first.kind].frequency - KINDS[second.kind].frequency
                    found.append((rank, distance, first, second))
        found.sort(key=lambda one: one[:2])
        causes: dict[str, Cause] = {}
        for _, distance, first, second in found:
            cause = _joined(slips_.cause(first, distance), slips_.cause(second, distance))
            causes.setdefault(cause.text, cause)
        return tuple(causes.values())[:MOST_PAIRS]


def _same(a: _Candidate, b: _Candidate) -> bool:
    """Whether two slips are of one sort, or at one place, and so cannot go together."""
    zero = "zero-left-out", "zero-wrong-sign"
    if a.kind == b.kind or (a.kind in zero and b.kind in zero):
        return True
    return bool(a.about) and a.about == b.about and a.of == b.of


def _joined(a: Cause, b: Cause) -> Cause:
    a, b = sorted((a, b), key=lambda one: (-KINDS[one.kind].frequency, one.kind))
    return Cause(
        f"{a.kind} + {b.kind}",
        f"{a.text}, together with {b.text}",
        f"{a.question} {b.question}",
        a.factor * b.factor,
        a.distance,
        a.legitimate and b.legitimate,
        (*a.about, *b.about),
    )


# -- slips of one answer ---------------------------------------------------------------------------


@dataclass
class _Slips:
    """Every slip on the way to a quantity, in a world in which earlier answers are given."""

    subject: Subject
    world: _World
    target: str
    unit: Unit

    @property
    def practical(self) -> Practical:
        return self.subject.practical

    @cached_property
    def right(self) -> float:
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
    def candidates(self) -> tuple[_Candidate, ...]:
        if not self.right or not math.isfinite(self.right):
            return ()
        sources = (self.other_ways, self.of_instruments, self.of_statistics, self.of_units,
                   self.of_formulas, self.of_names, self.of_the_result)  # fmt: skip
        found: dict[tuple[object, ...], _Candidate] = {}
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

    def cause(self, candidate: _Candidate, distance: float) -> Cause:
        kind = KINDS[candidate.kind]
        words = {
            "what": (" or " if candidate.kind == "unit" else " and ").join(
                dict.fromkeys(self.named(key) for key in candidate.about)
            ),
            "of": self.named(candidate.of or self.target),
            "detail": candidate.detail,
            "power": power_words(candidate.detail),
        }
        return Cause(
            candidate.kind,
            kind.text.format(**words),
            kind.question.format(**words),
            candidate.factor,
            distance,
            kind.legitimate,
            candidate.about,
        )

    # -- numbers ---------------------------------------------------------------------------------

    def factor(self, world: _World) -> float:
        """What a changed world does to the number; 0 if it has none."""
        value = _finite(world.value(self.target, None))
        return 0.0 if value is None else value / self.right

    def units(self, key: str) -> tuple[float, ...]:
        one = self.practical.field(self.practical.columns(key)[0])
        sizes = [1.0, one.unit.factor]
        if one.unit.dimension.exponents == LENGTH:
            sizes += [0.01, 0.001]
        return tuple(dict.fromkeys(sizes))

    def dimension(self, key: str) -> tuple[tuple[str, float], ...]:
        return self.practical.field(self.practical.columns(key)[0]).unit.dimension.exponents

    def is_slope(self, key: str) -> bool:
        return self.line_of(key) is not None

    def line_of(self, key: str) -> LineField | None:
        """The line whose slope a quantity is, but for its sign."""
        one = self.practical.derived.get(key)
        call = None if one is None else _statistic(one.node)
        return None if call is None else self.line(call)

    def line(self, call: Call) -> LineField | None:
        columns = self.columns_of(call)
        for line in self.practical.lines.values():
            if line.functions["slope"] == call.function and line.columns == columns:
                return line
        return None

    def columns_of(self, call: Call) -> tuple[str, ...]:
        return tuple(c for key in argument_keys(call) for c in self.practical.columns(key))

    # -- sources of slips ------------------------------------------------------------------------

    def other_ways(self) -> Iterator[_Candidate]:
        """Methods that are no mistakes: alternatives of a result, rows that were left out."""
        for result in self.practical.definition.results:
            if result.quantity == self.target:
                for key in result.alternatives:
                    value = _finite(self.world.value(key, None))
                    if value is not None:
                        its = self.named(key)
                        whole = self.practical.field(key).title
                        method = whole.partition(" by ")[2] or its
                        yield _Candidate(
                            "another-method", value / self.right, (self.target,), detail=method
                        )
        if self.subject.evaluation.left_out:
            whole_table = self.subject.observations.without(self.practical.reasons())
            other = _World(
                Numbers(self.practical, whole_table), self.world.below, frozenset(self.world.fixed),
                self.world.fixed,
            )  # fmt: skip
            yield _Candidate("every-row", self.factor(other))

    def of_instruments(self) -> Iterator[_Candidate]:
        for one in self.practical.definition.instruments:
            zero, count = f"{one.id}.zero", f"{one.id}.least_count"
            title = one.title[:1].lower() + one.title[1:]
            below = self.world.below[self.target]
            value = self.world.value(zero, None) if zero in below else None
            if value:
                for kind, other in (("zero-left-out", 0.0), ("zero-wrong-sign", -value)):
                    world = self.world.with_(fixed={zero: other})
                    yield _Candidate(kind, self.factor(world), (zero,), detail=title)
            if count in below and count not in self.world.fixed and count != self.target:
                value = self.world.value(count, None)
                for factor, words in (
                    (2.0, "taken double"), (0.5, "taken half"), (10.0, "taken ten times too large"),
                    (0.1, "taken ten times too small"),
                ) if value else ():  # fmt: skip
                    assert value is not None
                    world = self.world.with_(fixed={count: value * factor})
                    yield _Candidate(
                        "least-count", self.factor(world), (count,), detail=f"{title} {words}"
                    )

    def of_statistics(self) -> Iterator[_Candidate]:
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

    def variants(self, call: Call, key: str, value: float) -> Iterator[tuple[_Candidate, float]]:
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
                one = _Candidate("another-method", 0.0, (key,), detail=by.method)
                yield one, value * by.slope / own
            if line is not None and len(line.y) > 1:
                for kind, factor in (("sum-for-mean", 2.0), ("halved", 0.5)):
                    yield _Candidate(kind, 0.0, (key,)), value * factor
        if line is not None and call.function == "slope":
            ratio = self.mean_ratio(line)
            if ratio is not None and abs(ratio / value - 1.0) < LIKE:
                detail = "the mean of the ratios row by row"
                yield _Candidate("another-method", 0.0, (key,), detail=detail), ratio
        if call.function in ("slope", "origin_slope", "interval_slope", "half_interval"):
            for factor, detail in self.steps(columns):
                yield _Candidate("per-step", 0.0, (key,), detail=detail), value * factor

    def mean_ratio(self, line: LineField) -> float | None:
        """Mean of y over x, row by row; of their changes where the graph shows a change."""
        x, *ys = (self.world.column(key) for key in line.columns)
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
        return found

    def of_a_mean(
        self, column: Sequence[float | None], key: str, value: float
    ) -> Iterator[tuple[_Candidate, float]]:
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
            yield _Candidate("half-readings", 0.0, (key,), detail=" or ".join(details)), other
        yield _Candidate("sum-for-mean", 0.0, (key,)), value * len(values)
        for row, other in rows:
            if other not in together:
                together[other] = []
                yield _Candidate("one-reading", 0.0, (key,), detail=f"row {row + 1}"), other

    def study(self, line: LineField) -> LineStudy | None:
        for study in self.subject.studies:
            if study.line.field is line:
                return study
        return None

    def by_eye(
        self, line: LineField, place: _Place, key: str, value: float
    ) -> Iterator[_Candidate]:
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
            yield _Candidate("line-by-eye", ends[0], (key,), until=ends[1])

    def of_units(self) -> Iterator[_Candidate]:
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
                if decades != int(decades):
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
                yield _Candidate("unit", 10.0**k, about, detail=f"{size}: {words}")
            else:
                yield _Candidate("decimal-point", 10.0**k, (self.target,), detail=size)

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
        found = slips.product(node, lambda key: _arithmetic(self.practical, key, leaves))
        return {} if found is None else found.powers

    def of_formulas(self) -> Iterator[_Candidate]:
        for key, node in self.reach.items():
            if self.costly and self.practical.field(key).table is not None:
                continue
            for slip in slips.slips(node, self.units, self.repeats):
                factor = self.factor(self.world.with_(nodes={key: slip.node}))
                yield self.renamed(slip, key, factor)
            square = self.square_lost(node)
            if square is not None:
                yield _Candidate("number-square-lost", square, (), key)

    def repeats(self, key: str) -> int:
        return len(self.practical.columns(key))

    def renamed(self, slip: slips.Slip, key: str, factor: float) -> _Candidate:
        """A slip under the name that it has in the trade."""
        kind = slip.kind
        about = slip.about
        if kind == "wrong-side" and self.is_slope(about[0]):
            kind = "slope-inverted"
        if kind == "left-out" and self.dimension(about[0]) == ACCELERATION:
            kind = "weight"
        return _Candidate(kind, factor, about, key, slip.detail)

    def square_lost(self, node: Node) -> float | None:
        """What it does to forget the square of a bracket for the numbers in it: (2π)² as 2π."""
        if node is not self.practical.derived[self.target].node:
            return None
        found = slips.product(node, lambda key: None)
        if found is None or found.number in (0.0, 1.0):
            return None
        return math.copysign(1.0, found.number) / math.sqrt(abs(found.number))

    def of_names(self) -> Iterator[_Candidate]:
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
                        yield _Candidate(kind, make(factor), (name,), key, f"{power:g}")
                yield from self.of_units_within(key, name, make, sums)
                if self.practical.field(self.practical.columns(name)[0]).table is None:
                    yield from self.rounded(key, node, name)
                if name in self.world.fixed:
                    line = self.line_of(name)
                    for factor, detail in self.steps(line.columns) if line is not None else ():
                        yield _Candidate("per-step-later", make(factor), (name,), key, detail)

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
        return lambda factor: self.factor(
            self.world.with_(nodes={key: slips.scaled(node, name, factor)})
        )

    def of_units_within(
        self, key: str, name: str, make: Callable[[float], float], sums: bool
    ) -> Iterator[_Candidate]:
        unit = self.practical.field(self.practical.columns(name)[0]).unit
        decades = math.log10(unit.factor) if unit.factor > 0.0 else 0.0
        if abs(decades - round(decades)) > 1e-9:
            yield _Candidate(
                "unit-not-converted", make(1.0 / unit.factor), (name,), key, unit.pretty
            )
        elif sums:
            # in a product this is a power of ten, which is listed once for all
            for other, k in neighbours(unit.text):
                for used, due, step in ((other, unit, k), (unit, other, -k)):
                    detail = f"{self.named(name)} in {used.pretty} where {due.pretty} belongs"
                    yield _Candidate("unit", make(10.0**step), (name,), key, detail)

    def rounded(self, key: str, node: Node, name: str) -> Iterator[_Candidate]:
        one = self.practical.field(name)
        value = _finite(self.world.value(name, None))
        if not value:
            return
        shown = one.unit.from_si(value)
        measured = any(self.practical.field(k).table for k in self.world.below[name])
        for digits in (1, 2):
            text = f"{shown:.{digits}g}"
            world = self.world.with_(
                nodes={key: slips.set_to(node, name, one.unit.to_si(float(text)))}
            )
            yield _Candidate(
                "rounded-on-the-way" if measured else "rounded-constant",
                self.factor(world),
                (name,),
                key,
                f"{one.symbol or one.title} as {float(text):g} {one.unit.pretty}".rstrip(),
            )

    def of_the_result(self) -> Iterator[_Candidate]:
        kind = "slope-inverted" if self.is_slope(self.target) else "result-inverted"
        for size in dict.fromkeys((self.unit.factor, 1.0)):
            yield _Candidate(kind, (size / self.right) * (size / self.right), (self.target,))
        yield _Candidate("sign", -1.0, (self.target,))
        if self.dimension(self.target) == LENGTH:
            yield _Candidate("radius-given", 0.5, (self.target,))
            yield _Candidate("diameter-given", 2.0, (self.target,))
        shown = self.unit.from_si(self.right)
        if shown and math.isfinite(shown):
            for digits in (1, 2):
                text = float(f"{shown:.{digits}g}")
                yield _Candidate("rounded-result", text / shown, (self.target,), detail=str(digits))


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


__all__ = ["AnswerDiagnosis", "Cause", "diagnose", "half_unit"]
