"""The student's own results: what follows from what, and which slip gives just this number.

Every answer is judged by the numbers that its author had: the formula of its quantity is worked
out again with the author's own earlier results in it (error carried forward), and everything else
from the author's own readings. Where the answer differs, each slip that the formulas allow is tried
by working them out with the slip in them; those that give the answer are named, all of them.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import combinations

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.checks.causes import ZERO_SIDE, Cause, power_words
from sheetlab.checks.evaluated import Evaluated
from sheetlab.formula.slips import Product, product
from sheetlab.formula.values import evaluate
from sheetlab.messages import words
from sheetlab.practical.definition import Answer
from sheetlab.practical.edits import ZERO_EDITS, whole_edits
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.model import Practical
from sheetlab.practical.slips.sums import (
    Candidate,
    Case,
    arithmetic,
    candidates,
    named,
)
from sheetlab.practical.slips.table import KINDS
from sheetlab.practical.slips.worlds import World, finite
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
BY_CHANCE = 0.05
"""Relative difference from the mean below which one reading may equal any other number."""
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


Judged = Mapping[str, AnswerDiagnosis]
"""Answers that are judged already, by id."""


def diagnose(subject: Evaluated) -> tuple[AnswerDiagnosis, ...]:
    """Every answer of the practical, in the order of the definition."""
    answers = subject.practical.definition.answers
    judged: dict[str, AnswerDiagnosis] = {}
    for answer in answers:
        if not answer.quantity or _given(subject, answer) is None:
            judged[answer.id] = _unjudged(subject, answer)
    first = True
    waiting = [answer for answer in answers if answer.id not in judged]
    while waiting:
        # each comes after those that its formula rests on
        quantities = {answer.quantity for answer in waiting}
        answer = next((a for a in waiting if not _rests_on(subject, a) & quantities), waiting[-1])
        waiting.remove(answer)
        diagnosis = _judge(subject, answer, judged)
        if diagnosis.agrees is False and not diagnosis.another_way:
            diagnosis, first = replace(diagnosis, first=first), False
        judged[answer.id] = diagnosis
    return tuple(judged[answer.id] for answer in answers)


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


def _rests_on(subject: Evaluated, answer: Answer) -> frozenset[str]:
    return subject.practical.below()[answer.quantity] - {answer.quantity}


def _unit(practical: Practical, answer: Answer) -> Unit:
    return practical.inputs[f"answer.{answer.id}"].unit


def _given(subject: Evaluated, answer: Answer) -> float | None:
    return subject.numbers.shown(f"answer.{answer.id}")


def _near(given: float, value: float | None) -> bool:
    """Whether an answer is a value (in its unit), to its rounding."""
    if value is None:
        return False
    return abs(given - value) <= half_unit(given) + CALCULATION * abs(value)


def _unjudged(subject: Evaluated, answer: Answer) -> AnswerDiagnosis:
    value = finite(subject.numbers.value(answer.quantity, None)) if answer.quantity else None
    here = None if value is None else _unit(subject.practical, answer).from_si(value)
    return AnswerDiagnosis(answer, _given(subject, answer), here, here, 0.0, None, (), False, ())


def _judge(subject: Evaluated, answer: Answer, before: Judged) -> AnswerDiagnosis:
    plain = _unjudged(subject, answer)
    given, unit = plain.given, _unit(subject.practical, answer)
    assert given is not None
    if not math.isfinite(given):
        return replace(plain, agrees=False) if plain.recomputed is not None else plain

    def judged(way: _Way, agrees: bool, causes: tuple[Cause, ...] = ()) -> AnswerDiagnosis:
        expected = unit.from_si(way.expected)
        tolerance = half_unit(given or 0.0) + CALCULATION * abs(expected)
        carried = () if agrees and _near(given or 0.0, plain.recomputed) else way.carried
        return replace(plain, expected=expected, tolerance=tolerance, agrees=agrees,
                       carried=carried, causes=causes)  # fmt: skip

    ways: list[_Way] = []
    for way in _ways(subject, answer, before):
        ways.append(way)
        if _near(given, unit.from_si(way.expected)):
            return judged(way, True)
    if not ways:
        return plain
    chosen, causes = _explained(subject, answer, given, ways)
    meant = None if causes and causes[0].legitimate else _undone(subject, answer, given, before)
    if meant is not None:
        return replace(plain, expected=meant, agrees=True, undone=True)
    return judged(chosen, False, causes)


def _undone(subject: Evaluated, answer: Answer, given: float, before: Judged) -> float | None:
    """What an answer is that is right once a slip of the readings is undone; None if none is.

    Who noted grams and went on in kilograms made no mistake in the calculation.
    """
    for numbers in subject.undone():
        for way in _ways(replace(subject, numbers=numbers), answer, before):
            expected = _unit(subject.practical, answer).from_si(way.expected)
            if _near(given, expected):
                return expected
    return None


# -- error carried forward -----------------------------------------------------------------------


class _Way(Struct, frozen=True):
    """One way to what an answer should be, by the earlier answers that were carried forward."""

    world: World
    expected: float
    """SI units."""
    carried: tuple[str, ...]
    meant: bool = False
    """Whether an earlier answer was carried forward in the unit in which it was given."""


def _ways(subject: Evaluated, answer: Answer, before: Judged) -> Iterator[_Way]:
    """What the answer should be: with all earlier answers, with none, with some of them."""
    yield from _ways_with(subject, answer, before)
    meant = {id_: _as_meant(diagnosis) for id_, diagnosis in before.items()}
    if any(meant[id_] is not diagnosis for id_, diagnosis in before.items()):
        for way in _ways_with(subject, answer, meant):
            yield replace(way, meant=True)


def _as_meant(diagnosis: AnswerDiagnosis) -> AnswerDiagnosis:
    """An answer as it would be in the unit that is asked for, if it may be given in another."""
    cause = next(iter(diagnosis.causes), None)
    if diagnosis.given is None or cause is None or cause.kind != "unit":
        return diagnosis
    if diagnosis.answer.quantity not in cause.about:
        return diagnosis
    return replace(diagnosis, given=diagnosis.given / cause.factor)


def _ways_with(subject: Evaluated, answer: Answer, before: Judged) -> Iterator[_Way]:
    """The same for answers as they are taken."""
    fixed: dict[str, float] = {}
    doubtful: list[str] = []
    off: dict[str, str] = {}
    rests_on = _rests_on(subject, answer)
    for earlier in before.values():
        key, given, here = earlier.answer.quantity, earlier.given, earlier.recomputed
        if key not in rests_on or given is None or not math.isfinite(given):
            continue
        fixed[key] = _unit(subject.practical, earlier.answer).to_si(given)
        if here is None or abs(given - here) > BRANCHES * abs(here):
            doubtful.append(key)
            if not _near(given, here):
                off[key] = earlier.answer.id
    kept = doubtful[:MOST_BRANCHES]
    some = [part for n in range(1, len(kept)) for part in combinations(kept, n)]
    inside = [*_inside(subject.practical, answer, before), (1.0, "")]
    root, seen = World(subject.numbers), list[float]()
    for left_out in dict.fromkeys([(), tuple(kept), *some]):
        carried = {key: value for key, value in fixed.items() if key not in left_out}
        world = root.with_(fixed=carried) if carried else root
        value = finite(world.value(answer.quantity, None))
        names = tuple(name for key, name in off.items() if key in carried)
        for factor, name in inside if value is not None else ():
            expected = (value or 0.0) * factor
            if math.isfinite(expected) and not any(
                abs(expected - other) <= 1e-9 * abs(other) for other in seen
            ):
                seen.append(expected)
                yield _Way(world, expected, (*names, name) if name else names)


def _inside(practical: Practical, answer: Answer, before: Judged) -> Iterator[tuple[float, str]]:
    """Factors of earlier answers that the formula holds without their name, with their ids.

    The formula 4 F / (π d²) holds the area π d² / 4: who has a wrong area goes on with it.
    """
    given = {one.answer.quantity for one in before.values() if one.given is not None}
    given |= {answer.quantity}
    whole = _product(practical, answer.quantity, given)
    for earlier in before.values():
        ratio = _over(earlier.given, earlier.expected)
        if not ratio or abs(ratio - 1.0) <= BRANCHES:
            continue
        # a rounded value that was carried on is as right as a wrong one
        key = earlier.answer.quantity
        part = _product(practical, key, given)
        if whole is None or part is None or key in whole.powers or set(part.powers) == {key}:
            continue
        powers = {whole.powers.get(name, 0.0) / power for name, power in part.powers.items()}
        power = powers.pop() if len(powers) == 1 else 0.0
        if power and (ratio > 0.0 or power == int(power)):
            try:
                yield ratio**power, "" if earlier.agrees else earlier.answer.id
            except OverflowError:
                continue


def _product(practical: Practical, key: str, leaves: set[str]) -> Product | None:
    field = practical.derived.get(key)
    if field is None or field.table is not None:
        return None
    return product(field.node, lambda name: arithmetic(practical, name, leaves))


# -- causes --------------------------------------------------------------------------------------


class _Own(Struct, frozen=True):
    """An answer that is to be explained, and what it should be by one of its ways."""

    practical: Practical
    target: str
    given: float
    unit: Unit
    expected: float
    """SI units."""

    @property
    def ratio(self) -> float:
        """The answer over what it should be."""
        return self.unit.to_si(self.given) / self.expected if self.expected else 0.0

    def distance(self, slip: Candidate) -> float | None:
        """|ln| of the answer over what a slip gives; None if it does not fit."""
        if slip.until is not None:
            low, high = sorted((slip.factor, slip.until))
            return 0.0 if self.ratio > 0.0 and low <= self.ratio <= high else None
        would = self.unit.from_si(self.expected * slip.factor)
        if not math.isfinite(would) or would * self.given <= 0.0 or not _near(self.given, would):
            return None
        if slip.kind == "rounded-result" and not math.isclose(would, self.given):
            return None
        distance = abs(math.log(self.given / would))
        return distance if self.worth(distance) else None

    def worth(self, distance: float) -> bool:
        """Whether a cause explains more than chance: of a small difference, most."""
        return self.ratio <= 0.0 or distance <= CLOSER * abs(math.log(self.ratio))

    def rank(self, cause: Cause) -> tuple[bool, int]:
        """Order of causes: those that give the number to its last digit, then the common ones.

        One that gives it nearly comes later, whatever it is. The readings themselves speak for a
        zero mark on the other side, so that it comes first.
        """
        rounding = half_unit(self.given) / abs(self.given) if self.given else 0.0
        common = KINDS[cause.kind].frequency + (cause.kind == ZERO_SIDE)
        return cause.distance > rounding + EXACT, -common


def _explained(
    subject: Evaluated, answer: Answer, given: float, ways: Sequence[_Way]
) -> tuple[_Way, tuple[Cause, ...]]:
    """The way by which an answer is explained best, and what explains it."""
    made: dict[int, tuple[Candidate, ...]] = {}

    def slips(way: _Way) -> tuple[Candidate, ...]:
        # what a slip does depends little on the values that were carried: of many worlds the first
        if id(way.world) not in made and len(made) < MOST_WORLDS:
            made[id(way.world)] = candidates(_case(subject, answer, way.world))
        return made.get(id(way.world)) or next(iter(made.values()))

    def own(way: _Way) -> _Own:
        unit = _unit(subject.practical, answer)
        return _Own(subject.practical, answer.quantity, given, unit, way.expected)

    explained: list[tuple[tuple[bool, int], _Way, tuple[Cause, ...]]] = []
    # who gave an area in m² where mm² belongs went on with the right area
    ways = sorted(ways, key=lambda way: not way.meant)
    for way in ways:
        causes = _singles(own(way), slips(way))
        if causes:
            explained.append((own(way).rank(causes[0]), way, causes))
            if explained[-1][0] <= (False, -COMMON):
                return way, causes
    if explained:
        _, way, causes = min(explained, key=lambda row: row[0])
        return way, causes
    for way in ways[:MOST_WORLDS]:
        causes = _pairs(own(way), slips(way))
        if causes:
            return way, causes
    return ways[0], ()


def _case(subject: Evaluated, answer: Answer, world: World) -> Case:
    practical, evaluation = subject.practical, subject.evaluation
    every_row = None
    if evaluation.left_out:
        every_row = Numbers(practical, subject.observations.without(practical.reasons()))
    return Case(world, answer.quantity, _unit(practical, answer), subject.studies, every_row,
                evaluation.profile.g_values, _other_zeros(subject.numbers))  # fmt: skip


def _other_zeros(numbers: Numbers) -> list[tuple[str, float]]:
    """Instruments with their zero errors, had the zero mark stood on the other side, where that
    mends something that the definition complains of."""
    zeros = []
    for edit in whole_edits(numbers, ZERO_EDITS):
        id_, changed = next(iter(edit.changes))[0].partition(".")[0], numbers.changed(edit.changes)
        value = changed.value(f"{id_}.zero", None)
        mended = any(
            evaluate(check.node, numbers, row) is False and evaluate(check.node, changed, row)
            for check in numbers.practical.checks
            if check.at.startswith(f"{id_}.")
            for row in (range(check.rows) if check.table else (None,))
        )
        if value is not None and mended:
            zeros.append((id_, value))
    return zeros


def _cause(own: _Own, slip: Candidate, distance: float) -> Cause:
    """A slip in words."""
    practical = own.practical
    what, which = " and ".join(dict.fromkeys(named(practical, key) for key in slip.about)), "taken"
    if slip.kind == "unit":
        put_in = dict.fromkeys(named(practical, key) for key in slip.about if key != own.target)
        what = " or ".join(f"“{name}”" for name in put_in)
        if own.target in slip.about:
            which = "either" if put_in else "answer"
    made = words(
        f"because-{slip.kind}",
        (
            ("what", what),
            ("of", named(practical, slip.of or own.target)),
            ("detail", slip.detail),
            ("power", power_words(slip.detail)),
            ("which", which),
            ("elsewhere", abs(slip.factor - 1.0) < BY_CHANCE),
        ),
    )  # fmt: skip
    return Cause(slip.kind, made["found"], made["remedy"], slip.factor, distance,
                 KINDS[slip.kind].legitimate, slip.about)  # fmt: skip


def _different(causes: Iterator[Cause], most: int) -> tuple[Cause, ...]:
    """The first causes, one of each text."""
    texts: dict[str, Cause] = {}
    for cause in causes:
        texts.setdefault(cause.text, cause)
    return tuple(texts.values())[:most]


def _singles(own: _Own, slips: Sequence[Candidate]) -> tuple[Cause, ...]:
    if not own.expected:
        return ()
    fitting = ((own.distance(slip), slip) for slip in slips)
    causes = [_cause(own, slip, far) for far, slip in fitting if far is not None]
    causes.sort(key=lambda cause: (*own.rank(cause), cause.distance))
    return _different(iter(causes), MOST_CAUSES)


def _pairs(own: _Own, slips: Sequence[Candidate]) -> tuple[Cause, ...]:
    if not own.ratio or not math.isfinite(own.ratio):
        return ()
    wanted = math.log(abs(own.ratio))
    if abs(wanted) < SMALL:
        # of two slips with small effects some pair gives any small difference
        return ()
    usable = [
        (math.log(abs(s.factor)), s) for s in slips if KINDS[s.kind].pairs and s.until is None
    ]
    usable.sort(key=lambda pair: pair[0])
    logs = [log for log, _ in usable]
    pairs = []
    for i, (log, first) in enumerate(usable):
        start = bisect_left(logs, wanted - log - CALCULATION)
        end = bisect_right(logs, wanted - log + CALCULATION)
        for other, second in usable[max(start, i + 1) : end]:
            distance = abs(wanted - log - other)
            sizes = abs(log), abs(other)
            # a small one only makes up for what the other one leaves
            if max(sizes) < SMALL or min(sizes) < FELT or _same(first, second):
                continue
            alike = first.factor * second.factor * own.ratio > 0.0
            if alike and distance <= CALCULATION and own.worth(distance):
                rank = -KINDS[first.kind].frequency - KINDS[second.kind].frequency
                pairs.append((rank, distance, first, second))
    pairs.sort(key=lambda pair: pair[:2])
    causes = (_joined(_cause(own, a, far), _cause(own, b, far)) for _, far, a, b in pairs)
    return _different(causes, MOST_PAIRS)


def _same(a: Candidate, b: Candidate) -> bool:
    """Whether two slips are of one sort, or at one place, and so cannot go together."""
    zero = "zero-left-out", "zero-wrong-sign"
    if a.kind == b.kind or (a.kind in zero and b.kind in zero):
        return True
    return bool(a.about) and a.about == b.about and a.of == b.of


def _joined(a: Cause, b: Cause) -> Cause:
    a, b = sorted((a, b), key=lambda cause: (-KINDS[cause.kind].frequency, cause.kind))
    return Cause(
        f"{a.kind} + {b.kind}",
        f"{a.text}, together with {b.text}",
        f"{a.question} {b.question}",
        a.factor * b.factor,
        a.distance,
        a.legitimate and b.legitimate,
        (*a.about, *b.about),
    )
