"""A marking scheme and what it proposes for an evaluated workbook. Proposals only: a person marks.

Pure: the text of a scheme file comes in, an assessment comes in, proposals with evidence go out.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache, partial
from typing import Any

from msgspec import Struct

from sheetlab.checks.answers import verdict
from sheetlab.checks.assess import Assessment
from sheetlab.checks.diagnosis import AnswerDiagnosis
from sheetlab.finding import Finding, Place, SheetlabError, many
from sheetlab.metrology.statement import percentage, plain, significant
from sheetlab.practical.definition import Table
from sheetlab.practical.fields import START_INPUTS, START_PREFIX
from sheetlab.practical.files import key_refused, toml_table
from sheetlab.practical.structure import structured

MAX_TEXT = 40_000
MAX_ITEMS = 40
MOST_MARKS = 1000.0
ALL = "*"
MOST_NAMED = 4
"""Findings or own results that the evidence of an item names one by one."""
MOST_LETTERS = 110
MOST_DIGITS = 2
"""Significant digits of a stated uncertainty (JCGM 100:2008, 7.2.6)."""
WIDER = 3.0
"""Times the largest uncertainty that may be stated up to which an own one is reasonable."""
_START = tuple(one.key.removeprefix(START_PREFIX) for one in START_INPUTS)
FOR_YOU = "For you to judge."
_GRAVE = {"note": 1, "doubtful": 2, "stop": 3}


class Cost(Struct, frozen=True):
    """Findings that cost marks."""

    codes: tuple[str, ...] = ()
    """Codes of findings; none: any code."""
    severity: str = ""
    """``note``, ``doubtful``, ``stop``: findings as grave as that or graver; empty: any."""
    each: float = 0.0
    """Marks that each such finding costs; 0: one is enough to cost all marks of the item."""
    sheets: tuple[str, ...] = ()
    """Ids of the sheets that a finding must stand on; none: anywhere."""
    keys: tuple[str, ...] = ()
    """Inputs, tables or instruments that a finding must stand at; none: anywhere."""


class Item(Struct, frozen=True):
    """Something that marks are given for. Without any condition it is for the teacher alone."""

    id: str
    """What the teacher types is kept by it: do not rename it."""
    title: str
    """What the marks are for."""
    marks: float
    """The most that can be had."""
    good: str = ""
    """What the feedback says to a group that has all of these marks."""
    good_unless: tuple[Cost, ...] = ()
    """Findings with which ``good`` is not said, whatever the marks; ``each`` means nothing here."""
    findings: tuple[Cost, ...] = ()
    """What costs marks."""
    answers: tuple[str, ...] = ()
    """Ids of own results that have to follow from what was there before; ``*``: every one."""
    rows: tuple[str, ...] = ()
    """Ids of tables that need as many rows as the practical asks for; ``*``: every one."""
    start: tuple[str, ...] = ()
    """Cells of the first sheet that have to be filled."""
    result: bool = False
    """A first result has to come out of the readings."""
    uncertainty_within: float = 0.0
    """Expanded uncertainty of the first result as a fraction of it, up to which the marks are
    given; 0: not looked at."""
    stated: bool = False
    """The group has to state an uncertainty of its own, of the size that its readings give, with a
    sensible number of digits."""

    @property
    def proposes(self) -> bool:
        """Whether the item says when its marks are earned."""
        return bool(self.findings) or any(getattr(self, name) for name in _CONDITIONS)


class Scheme(Struct, frozen=True):
    """A marking scheme; the keys of a scheme file."""

    id: str
    """Name of the scheme."""
    title: str
    """What the class workbook calls it."""
    items: tuple[Item, ...]
    step: float = 0.5
    """Marks are proposed in steps of this size."""
    note: str = ""
    """Shown above the marks."""

    @property
    def out_of(self) -> float:
        """All marks together."""
        return math.fsum(item.marks for item in self.items)


class ProposedMark(Struct, frozen=True):
    """What a scheme proposes for one item, and why."""

    item: Item
    out_of: float
    proposed: float | None
    """None for an item that only the teacher can judge."""
    evidence: str
    praise: bool = True
    """Whether ``good`` may be said: nothing stands against it."""


# -- from text -----------------------------------------------------------------------------------


@lru_cache(maxsize=16)
def load_scheme(text: str, name: str = "scheme") -> Scheme:
    """A marking scheme from the text of its file.

    Raises
    ------
    SheetlabError
        With a finding for every key that is wrong: the key, the reason, what is allowed.
    """
    data, problems = toml_table(text, MAX_TEXT, "file")
    scheme: Scheme | None = None
    if data is not None and not problems:
        scheme, problems = structured(data, Scheme)
    if scheme is not None:
        problems += _scheme_problems(scheme)
    if scheme is None or problems:
        raise SheetlabError(*(scheme_refused(name, *row) for row in problems))
    return scheme


scheme_refused = partial(key_refused, "scheme-refused")
"""The finding about a key of a scheme file."""


def _scheme_problems(scheme: Scheme) -> list[tuple[str, str, str]]:
    """Key, reason and what is allowed, for each value that cannot be used."""
    found: list[tuple[str, str, str]] = []

    def expect(holds: bool, key: str, reason: str, allowed: str) -> None:
        if not holds:
            found.append((key, reason, allowed))

    def name(id_: str, key: str) -> None:
        right = re.fullmatch(r"[a-z][a-z0-9-]{0,40}", id_) is not None
        expect(right, key, f"“{id_}” is no name", "small letters, digits and -")

    name(scheme.id, "id")
    expect(0.01 <= scheme.step <= 100.0, "step", f"{scheme.step:g}", "0.01 to 100")
    count = len(scheme.items)
    expect(1 <= count <= MAX_ITEMS, "items", f"{count} items", f"1 to {MAX_ITEMS}")
    ids = [item.id for item in scheme.items]
    for i, item in enumerate(scheme.items):
        where, marks, within = f"items[{i}]", item.marks, item.uncertainty_within
        name(item.id, f"{where}.id")
        expect(item.id not in ids[:i], f"{where}.id", f"“{item.id}” is there twice", "each id once")
        right = 0.0 < marks <= MOST_MARKS
        expect(right, f"{where}.marks", f"{marks:g}", f"above 0, up to {MOST_MARKS:g}")
        for cell in item.start:
            reason = f"there is no cell “{cell}”"
            expect(cell in _START, f"{where}.start", reason, ", ".join(_START))
        key, right = f"{where}.uncertainty_within", 0.0 <= within <= 1.0
        expect(right, key, f"{within:g}", "a fraction from 0 to 1")
        for key, costs in (("findings", item.findings), ("good_unless", item.good_unless)):
            for j, cost in enumerate(costs):
                here, severity = f"{where}.{key}[{j}]", cost.severity
                named = bool(cost.codes or severity)
                expect(named, here, "names no finding", "“codes” or “severity”")
                right = severity in ("", *_GRAVE)
                expect(right, f"{here}.severity", f"“{severity}”", ", ".join(_GRAVE))
                expect(cost.each >= 0.0, f"{here}.each", f"{cost.each:g}", "0 or more")
    return found


# -- proposals -----------------------------------------------------------------------------------


def propose(assessment: Assessment, scheme: Scheme) -> tuple[ProposedMark, ...]:
    """What a scheme proposes for a workbook, in the order of its items.

    Conditions of an item each give a share from 0 to 1, of which the mean is taken; what its
    findings cost is subtracted, and the rest is rounded to a step, halves up; but all marks of an
    item of several steps are for a group that earned them all. Never below zero or above the marks
    of the item.
    """
    return tuple(_mark(assessment, item, scheme.step) for item in scheme.items)


def rounded(value: float, step: float) -> float:
    """A mark in whole steps, halves up."""
    steps = (Decimal(repr(value)) / Decimal(repr(step))).quantize(Decimal(1), ROUND_HALF_UP)
    return float(steps * Decimal(repr(step)))


def _mark(assessment: Assessment, item: Item, step: float) -> ProposedMark:
    if not item.proposes:
        return ProposedMark(item, item.marks, None, FOR_YOU)
    judged = [
        judge(assessment, wanted)
        for name, judge in _CONDITIONS.items()
        if (wanted := getattr(item, name))
    ]
    shares = [share for share, _ in judged if share is not None]
    sentences = [text for _, text in judged if text]
    if judged and not shares:
        # what was never asked, or cannot be told, earns nothing and is not praised
        return ProposedMark(item, item.marks, None, " ".join([*sentences, FOR_YOU]), False)
    earned = item.marks * (math.fsum(shares) / len(shares) if shares else 1.0)
    if item.findings:
        cost, text = _costs(assessment, item)
        earned -= cost
        sentences.append(text)
    proposed = min(max(rounded(max(earned, 0.0), step), 0.0), item.marks)
    if earned < item.marks * (1.0 - 1e-9) and proposed == item.marks > step:
        # what is missing shows
        proposed = rounded(item.marks - step, step)
    evidence = assessment.evaluation.profile.sentence(" ".join(sentences))
    against = any(_hits(assessment, rule) for rule in item.good_unless)
    return ProposedMark(item, item.marks, proposed, evidence, not against)


Judged = tuple[float | None, str]
"""Share of the marks, None if it cannot be told, and a sentence."""


def _costs(assessment: Assessment, item: Item) -> tuple[float, str]:
    """Marks that the findings cost, and which they are; one cell is charged once in an item."""
    total, named = 0.0, []
    charged: set[Finding | Place] = set()
    for rule in item.findings:
        by_place = {f.place if f.place.cell else f: f for f in _hits(assessment, rule)[::-1]}
        hits = [f for what, f in reversed(by_place.items()) if what not in charged]
        if not hits:
            continue
        charged |= by_place.keys()
        total += rule.each * len(hits) if rule.each else item.marks
        price = f"{rule.each:g} each" if rule.each else "all marks"
        places = "; ".join(_at(f) for f in hits[:MOST_NAMED])
        more = len(hits) - MOST_NAMED
        cost = f"Costs {price}: {places}" + (f"; and {more} more" if more > 0 else "")
        named.append(cost if cost.endswith("…") else f"{cost}.")
    return total, " ".join(named) or "Nothing found that costs marks here."


def _hits(assessment: Assessment, rule: Cost) -> list[Finding]:
    """Findings that a rule speaks of."""
    titles = {s.id: s.title for s in assessment.practical.definition.sheets}
    sheets = {titles.get(sheet, sheet) for sheet in rule.sheets}
    return [
        finding
        for finding in assessment.findings
        if (not rule.codes or finding.code in rule.codes)
        and (not rule.severity or _GRAVE[finding.severity] >= _GRAVE[rule.severity])
        and (not sheets or finding.place.sheet in sheets)
        and (not rule.keys or _stands_at(assessment, finding.place, rule.keys))
    ]


def _stands_at(assessment: Assessment, place: Place, keys: Sequence[str]) -> bool:
    """Whether the cell of a place belongs to one of these inputs, tables or instruments."""
    spot = place.sheet, place.cell
    return any(
        at == key or at.startswith(f"{key}.")
        for at, entries in assessment.observations.entries.items()
        if any((entry.place.sheet, entry.place.cell) == spot for entry in entries)
        for key in keys
    )


def _result(assessment: Assessment, _: bool) -> Judged:
    measurand = assessment.evaluation.measurand
    if measurand is None or not math.isfinite(measurand.budget.value):
        return 0.0, "No result comes out of the readings."
    title = assessment.practical.derived[measurand.definition.quantity].title
    return 1.0, f"The readings give a result ({title})."


def _uncertainty(assessment: Assessment, within: float) -> Judged:
    measurand = assessment.evaluation.measurand
    if measurand is None or not measurand.budget.value:
        return None, ""
    part = measurand.budget.expanded_uncertainty / abs(measurand.budget.value)
    text = f"Its expanded uncertainty is {percentage(part)} of it"
    if part <= within:
        return 1.0, f"{text}."
    return 0.0, f"{text}; up to {percentage(within)} was wanted."


def _rows(assessment: Assessment, ids: Sequence[str]) -> Judged:
    shares, sentences = [], []
    for table in assessment.practical.definition.tables:
        least = table.minimum_rows
        if least <= 0 or not (ALL in ids or table.id in ids):
            continue
        count = _filled(assessment, table)
        shares.append(min(1.0, count / least))
        where = _span(assessment, table.id)
        sentences.append(
            f"“{table.title}”: {many(count, 'row')}; {least} "
            f"{'were' if least > 1 else 'was'} asked for{where and f' ({where})'}"
        )
    if not shares:
        return None, "This practical has none of the tables asked for."
    return math.fsum(shares) / len(shares), "; ".join(sentences) + "."


def _filled(assessment: Assessment, table: Table) -> int:
    """Rows of a table that have every reading, apart from those on the way back."""
    practical, values = assessment.practical, assessment.evaluation.values
    back = {
        key
        for line in practical.lines.values()
        for key, is_back in zip(line.y, line.back, strict=False)
        if is_back
    }
    readings = [practical.columns(f"{table.id}.{c.id}") for c in table.columns if c.instrument]
    kinds = [[values[key] for key in keys if key not in back] for keys in readings]
    needed = [kind for kind in kinds if kind]
    return sum(
        bool(needed)
        and all(
            any(isinstance(v, tuple) and row < len(v) and v[row] is not None for v in kind)
            for kind in needed
        )
        for row in range(practical.tables[table.id])
    )


def _span(assessment: Assessment, table: str) -> str:
    """Sheet with the first and the last cell of a table that hold something."""
    inputs = assessment.practical.inputs
    cells = [
        entry.place
        for key, entries in assessment.observations.entries.items()
        if inputs[key].table == table and inputs[key].kind != "text"
        for entry in entries
        if entry.value is not None and entry.place.cell
    ]
    if not cells:
        return ""
    ends = dict.fromkeys((cells[0].cell, cells[-1].cell))
    return f"{cells[0].sheet} {':'.join(ends)}"


def _start(assessment: Assessment, names: Sequence[str]) -> Judged:
    titles = {one.key.removeprefix(START_PREFIX): one.title for one in START_INPUTS}
    entries = {n: assessment.observations.entry(f"{START_PREFIX}{n}") for n in names}
    empty = [
        _named(titles[n], entry.place) for n, entry in entries.items() if not entry.text.strip()
    ]
    if not empty:
        return 1.0, f"Filled in: {', '.join(titles[n] for n in names)}."
    return 1.0 - len(empty) / len(names), f"Empty: {', '.join(empty)}."


def _answers(assessment: Assessment, ids: Sequence[str]) -> Judged:
    # nothing can be asked for that the readings themselves do not give
    judged = [
        one
        for one in assessment.answers
        if one.answer.quantity
        and (ALL in ids or one.answer.id in ids)
        and not (one.recomputed is None and one.given is None)
    ]
    if not judged:
        return None, "The own results cannot be judged: the readings give none to compare with."
    right = [one for one in judged if one.agrees or one.another_way]
    missing = [one for one in judged if one.given is None]
    unknown = [one for one in judged if one.agrees is None and one.given is not None]
    wrong = [one for one in judged if one not in right + missing + unknown]
    counted = len(judged) - len(unknown)
    sentences = [f"{len(right)} of {counted} own results follow from what was there before."]
    for words, group in (
        ("Right with an earlier slip carried forward", [one for one in right if one.carried]),
        ("Differs", wrong),
        ("Not given", missing),
    ):
        if group:
            names = ", ".join(_own(assessment, one) for one in group[:MOST_NAMED])
            more = len(group) - MOST_NAMED
            sentences.append(f"{words}: {names}{f' and {more} more' if more > 0 else ''}.")
    return (len(right) / counted if counted else None), " ".join(sentences)


def _own(assessment: Assessment, one: AnswerDiagnosis) -> str:
    place = assessment.observations.entry(f"answer.{one.answer.id}").place
    name = _named(one.answer.title, place)
    return f"{name}, look here first" if "first" in verdict(one) else name


def _stated(assessment: Assessment, _: bool) -> Judged:
    """The own uncertainty: an own result that is compared with nothing, in the result's unit.

    Half for the size that the readings give, half for one or two significant digits.
    """
    one = own_uncertainty(assessment)
    if one is None:
        return None, "This practical asks for no uncertainty of the group's own."
    name, given = _own(assessment, one), one.given
    if given is None:
        return 0.0, f"No uncertainty of their own: {name} is empty."
    text = f"{name} is {plain(given)}"
    if not math.isfinite(given) or given <= 0.0:
        return 0.0, f"{text}, which is no uncertainty."
    bounds = _usual_uncertainty(assessment, one)
    if bounds is None:
        return None, f"{text}; the readings give none to compare it with."
    low, high, part = bounds
    wanted = f"{significant(low, 2)} to {significant(high, 2)}"
    if not any(low <= given / scale <= high for scale in (1.0, part)):
        side = "small" if given < low * max(1.0, part) else "large"
        return 0.0, f"{text}: too {side}; the readings give {wanted}."
    digits = len(Decimal(repr(given)).normalize().as_tuple().digits)
    if digits > MOST_DIGITS:
        return 0.5, f"{name} is stated with {digits} digits; one or two are sensible."
    return 1.0, (
        f"{text}, of the size that the readings give ({wanted}), with a sensible number of digits."
    )


def _usual_uncertainty(
    assessment: Assessment, stated: AnswerDiagnosis
) -> tuple[float, float, float] | None:
    """Between what an own uncertainty should lie, in its unit; None if nothing is known.

    From half the smallest to ``WIDER`` times the largest of what may be stated (standard and
    expanded uncertainty, maximum error). At last how many times the result of the readings a
    group's own one is, 1 if none is given: worked out as a part of that, its uncertainty is as many
    times that of the readings.
    """
    measurand = assessment.evaluation.measurand
    if measurand is None or not measurand.budget.standard_uncertainty:
        return None
    b, quantity = measurand.budget, measurand.definition.quantity
    sizes = [b.standard_uncertainty, b.expanded_uncertainty, measurand.maximum_error]
    factor = assessment.practical.inputs[f"answer.{stated.answer.id}"].unit.factor
    known = [size / factor for size in sizes if size]
    own = (a.ratio for a in assessment.answers if a.answer.quantity == quantity and a.ratio)
    return min(known) / 2.0, WIDER * max(known), abs(next(own, 1.0))


_CONDITIONS: Mapping[str, Callable[[Assessment, Any], Judged]] = {
    "result": _result, "uncertainty_within": _uncertainty, "rows": _rows,
    "start": _start, "answers": _answers, "stated": _stated,
}  # fmt: skip
"""What judges each condition of an item, by its key; not asked for what the item leaves out."""


def own_uncertainty(assessment: Assessment) -> AnswerDiagnosis | None:
    """The answer in which a group states its uncertainty, empty or not; None if none is asked for.

    It is the first that is compared with nothing and has the dimension of a result.
    """
    practical = assessment.practical
    results = {r.quantity for r in practical.definition.results}
    dimensions = {practical.derived[key].unit.dimension for key in results}
    stated = (one for one in assessment.answers if not one.answer.quantity)
    units = ((practical.inputs[f"answer.{one.answer.id}"].unit, one) for one in stated)
    return next((one for unit, one in units if unit.dimension in dimensions), None)


def _at(finding: Finding) -> str:
    place = f"{finding.place.sheet} {finding.place.cell}".strip()
    found = _short(finding.found).rstrip(".")
    return f"{place}, {found}" if place else found


def _short(text: str) -> str:
    """A text, or as many whole clauses of it as there is room for, or else words."""
    if len(text) <= MOST_LETTERS:
        return text
    start = text[:MOST_LETTERS]
    return start.rpartition("; ")[0] or f"{start.rpartition(' ')[0]} …"


def _named(title: str, place: Place) -> str:
    where = f"{place.sheet} {place.cell}".strip()
    return f"“{title}”" + (f" ({where})" if where else "")
