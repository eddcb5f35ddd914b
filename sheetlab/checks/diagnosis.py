"""The student's own results: what follows from what, and which slip gives just this number.

Every answer is judged by the numbers that its author had: the formula of its quantity is worked
out again with the author's own earlier results in it (error carried forward), and everything else
from the author's own readings. Where the answer differs, each slip that the formulas allow is tried
by working them out with the slip in them; those that give the answer are named, all of them.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from functools import cached_property
from itertools import combinations

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.checks.candidates import Candidate, Slips, arithmetic
from sheetlab.checks.causes import KINDS, ZERO_SIDE, Cause
from sheetlab.checks.evaluated import Evaluated
from sheetlab.checks.worlds import World, finite
from sheetlab.formula.slips import Product, product
from sheetlab.practical.definition import Answer
from sheetlab.practical.model import Practical
from sheetlab.units import Unit

CALCULATION = 0.005
"""Relative difference that rounding on the way may make (common practice, no source)."""
FELT = 2.0 * CALCULATION
"""|ln| of what a slip does, below which it is none of two that explain a number together."""
EXACT = 0.001
"""Relative difference that a careful calculation with three or four figures makes."""
FEWEST_FIGURES = 2
"""Figures that an answer counts as having: a spreadsheet shows 0.50 and 2.0e11 with one."""
MOST_CAUSES = 12
MOST_PAIRS = 4
SMALL = 0.15
"""|ln| of the ratio up to which no pair of slips is looked for."""
MOST_BRANCHES = 4
MOST_WORLDS = 2
COMMON = 6
"""Frequency of a slip from which no other way to the answer is looked for."""
BRANCHES = 1e-3
"""Relative difference from which it matters whether an earlier answer was carried forward."""
CLOSER = 0.6
"""A cause has to explain this much of what it is asked for, or it only looks like one."""


class AnswerDiagnosis(Struct, frozen=True):
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
    undone: bool = False
    """Whether it agrees once a slip is undone that the findings name."""

    @property
    def ratio(self) -> float | None:
        """Given value over the one from the readings."""
        return _over(self.given, self.recomputed)

    @property
    def another_way(self) -> bool:
        """Whether the answer differs as another legitimate way of working would make it."""
        return bool(self.causes) and self.causes[0].legitimate

    @property
    def doubts_zero(self) -> bool:
        """Whether the answer speaks against the side of a zero mark that was chosen."""
        return bool(self.causes) and self.causes[0].kind == ZERO_SIDE


def _over(a: float | None, b: float | None) -> float | None:
    return None if a is None or not b else a / b


def diagnose(subject: Evaluated) -> tuple[AnswerDiagnosis, ...]:
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


class _Way(Struct, frozen=True):
    """One way to what an answer should be, by the earlier answers that were carried forward."""

    world: World
    expected: float
    """SI units."""
    carried: tuple[str, ...]
    meant: bool = False
    """Whether an earlier answer was carried forward in the unit in which it was given."""


class _Judge(Struct, dict=True):
    subject: Evaluated

    @property
    def practical(self) -> Practical:
        return self.subject.practical

    @cached_property
    def below(self) -> Mapping[str, frozenset[str]]:
        return self.practical.below()

    @cached_property
    def root(self) -> World:
        return World(self.subject.numbers, self.below, frozenset())

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
        found = finite(self.subject.numbers.value(answer.quantity, None))
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
        meant = None if causes and causes[0].legitimate else self.undone(answer, given, before)
        if meant is not None:
            return replace(plain, expected=meant, agrees=True, undone=True)
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

    def undone(
        self, answer: Answer, given: float, before: Mapping[str, AnswerDiagnosis]
    ) -> float | None:
        """What an answer is that is right once a slip of the readings is undone; None if none is.

        Who noted grams and went on in kilograms made no mistake in the calculation.
        """
        for numbers in self.subject.undone():
            judge = _Judge(replace(self.subject, numbers=numbers))
            for way in judge.ways(answer, before):
                expected = self.unit(answer).from_si(way.expected)
                if abs(given - expected) <= half_unit(given) + CALCULATION * abs(expected):
                    return expected
        return None

    # -- error carried forward -------------------------------------------------------------------

    def ways(self, answer: Answer, before: Mapping[str, AnswerDiagnosis]) -> Iterator[_Way]:
        """What the answer should be: with all earlier answers, with none, with some of them."""
        yield from self.ways_with(answer, before)
        meant = {id_: _as_meant(one) for id_, one in before.items()}
        if any(meant[id_] is not one for id_, one in before.items()):
            for way in self.ways_with(answer, meant):
                yield replace(way, meant=True)

    def ways_with(self, answer: Answer, before: Mapping[str, AnswerDiagnosis]) -> Iterator[_Way]:
        """The same for answers as they are taken."""
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
            value = finite(world.value(key, None))
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
            ratio = _over(one.given, one.expected)
            if ratio is None or abs(ratio - 1.0) <= BRANCHES:
                continue
            # a rounded value that was carried on is as right as a wrong one
            part = self.product(one.answer.quantity, given)
            if its is None or part is None or not ratio or one.answer.quantity in its.powers:
                continue
            powers = {its.powers.get(key, 0.0) / p for key, p in part.powers.items()}
            if len(powers) != 1 or set(part.powers) == {one.answer.quantity}:
                continue
            (power,) = powers
            if power and (ratio > 0.0 or power == int(power)):
                try:
                    found.append((ratio**power, "" if one.agrees else one.answer.id))
                except OverflowError:
                    continue
        return found

    def product(self, key: str, leaves: set[str]) -> Product | None:
        one = self.practical.derived.get(key)
        if one is None or one.table is not None:
            return None
        return product(one.node, lambda name: arithmetic(self.practical, name, leaves))

    # -- causes ----------------------------------------------------------------------------------

    def causes(
        self, answer: Answer, given: float, ways: Sequence[_Way]
    ) -> tuple[_Way, tuple[Cause, ...]]:
        """The way by which the answer is explained best, and what explains it."""
        fit = _Fit(given, self.unit(answer))
        made: dict[int, Slips] = {}
        explained: list[tuple[tuple[bool, int, int], _Way, tuple[Cause, ...]]] = []
        # who gave an area in m² where mm² belongs went on with the right area
        ways = sorted(ways, key=lambda way: not way.meant)
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

    def slips(self, answer: Answer, way: _Way, made: dict[int, Slips]) -> Slips:
        """The slips in the world of a way; of many worlds those of the first."""
        key = id(way.world)
        if key not in made and len(made) < MOST_WORLDS:
            made[key] = Slips(self.subject, way.world, answer.quantity, self.unit(answer))
        # what a slip does depends little on the values that were carried
        return made.get(key) or next(iter(made.values()))


class _Fit(Struct):
    """An answer that is to be explained."""

    given: float
    unit: Unit

    @property
    def rounding(self) -> float:
        """Half a unit of the last digit as a fraction."""
        return half_unit(self.given) / abs(self.given) if self.given else 0.0

    def distance(self, expected: float, candidate: Candidate) -> float | None:
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

        One that gives it nearly comes later, whatever it is. The readings themselves speak for a
        zero mark on the other side, so that it comes first.
        """
        common = KINDS[cause.kind].frequency + (cause.kind == ZERO_SIDE)
        return cause.distance > self.rounding + EXACT, -common

    def worth(self, expected: float, distance: float) -> bool:
        """Whether a cause explains more than chance: of a small difference, most."""
        ratio = self.ratio(expected)
        return ratio <= 0.0 or distance <= CLOSER * abs(math.log(ratio))

    def singles(self, expected: float, slips_: Slips) -> tuple[Cause, ...]:
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

    def pairs(self, expected: float, slips_: Slips) -> tuple[Cause, ...]:
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
                if min(abs(log), abs(logs[j])) < FELT:
                    # it only makes up for what the other one leaves
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


def _as_meant(one: AnswerDiagnosis) -> AnswerDiagnosis:
    """An answer as it would be in the unit that is asked for, if it may be given in another."""
    cause = next(iter(one.causes), None)
    if one.given is None or cause is None or cause.kind != "unit":
        return one
    if one.answer.quantity not in cause.about:
        return one
    return replace(one, given=one.given / cause.factor)


def _same(a: Candidate, b: Candidate) -> bool:
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


__all__ = ["AnswerDiagnosis", "Cause", "diagnose", "half_unit"]
