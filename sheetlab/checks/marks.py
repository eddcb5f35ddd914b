"""A marking scheme and what it proposes for an evaluated workbook. Proposals only: a person marks.

Pure: the text of a scheme file comes in, an assessment comes in, proposals with evidence go out.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache, partial

from msgspec import Struct

from sheetlab.checks.answers import verdict
from sheetlab.checks.assess import Assessment
from sheetlab.checks.diagnosis import AnswerDiagnosis
from sheetlab.finding import Finding, Place, SheetlabError, many
from sheetlab.metrology.statement import percentage, plain, significant
from sheetlab.practical.fields import START_INPUTS, START_PREFIX
from sheetlab.practical.files import key_refused, toml_table
from sheetlab.practical.observations import Entry
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
        return bool(
            self.findings or self.answers or self.rows or self.start or self.result or self.stated
            or self.uncertainty_within
        )  # fmt: skip


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
    if not re.fullmatch(r"[a-z][a-z0-9-]{0,40}", scheme.id):
        found.append(("id", f"“{scheme.id}” is no name", "small letters, digits and -"))
    if not 0.01 <= scheme.step <= 100.0:
        found.append(("step", f"{scheme.step:g}", "0.01 to 100"))
    if not 1 <= len(scheme.items) <= MAX_ITEMS:
        found.append(("items", f"{len(scheme.items)} items", f"1 to {MAX_ITEMS}"))
    seen: set[str] = set()
    for i, item in enumerate(scheme.items):
        where = f"items[{i}]"
        if not re.fullmatch(r"[a-z][a-z0-9-]{0,40}", item.id):
            found.append((f"{where}.id", f"“{item.id}” is no name", "small letters, digits and -"))
        if item.id in seen:
            found.append((f"{where}.id", f"“{item.id}” is there twice", "each id once"))
        seen.add(item.id)
        if not 0.0 < item.marks <= MOST_MARKS:
            found.append((f"{where}.marks", f"{item.marks:g}", f"above 0, up to {MOST_MARKS:g}"))
        for name in item.start:
            if name not in _START:
                found.append((f"{where}.start", f"there is no cell “{name}”", ", ".join(_START)))
        if not 0.0 <= item.uncertainty_within <= 1.0:
            within = f"{item.uncertainty_within:g}"
            found.append((f"{where}.uncertainty_within", within, "a fraction from 0 to 1"))
        for name, costs in (("findings", item.findings), ("good_unless", item.good_unless)):
            for j, cost in enumerate(costs):
                here = f"{where}.{name}[{j}]"
                if not cost.codes and not cost.severity:
                    found.append((here, "names no finding", "“codes” or “severity”"))
                if cost.severity and cost.severity not in _GRAVE:
                    found.append((f"{here}.severity", f"“{cost.severity}”", ", ".join(_GRAVE)))
                if cost.each < 0.0:
                    found.append((f"{here}.each", f"{cost.each:g}", "0 or more"))
    return found


# -- proposals -----------------------------------------------------------------------------------


def propose(assessment: Assessment, scheme: Scheme) -> tuple[ProposedMark, ...]:
    """What a scheme proposes for a workbook, in the order of its items.

    Conditions of an item each give a share from 0 to 1, of which the mean is taken; what its
    findings cost is subtracted, and the rest is rounded to a step, halves up; but all marks of an
    item of several steps are for a group that earned them all. Never below zero or above the marks
    of the item.
    """
    judge = _Judge(assessment)
    return tuple(judge.mark(item, scheme.step) for item in scheme.items)


def rounded(value: float, step: float) -> float:
    """A mark in whole steps, halves up."""
    steps = (Decimal(repr(value)) / Decimal(repr(step))).quantize(Decimal(1), ROUND_HALF_UP)
    return float(steps * Decimal(repr(step)))


class _Judge(Struct):
    assessment: Assessment

    def mark(self, item: Item, step: float) -> ProposedMark:
        if not item.proposes:
            return ProposedMark(item, item.marks, None, "For you to judge.")
        found = list(self.conditions(item))
        shares = [share for share, _ in found if share is not None]
        said = [text for _, text in found if text]
        if found and not shares:
            # what was never asked, or cannot be told, earns nothing and is not praised
            evidence = " ".join([*said, "For you to judge."])
            return ProposedMark(item, item.marks, None, evidence, False)
        earned = item.marks * (math.fsum(shares) / len(shares) if shares else 1.0)
        if item.findings:
            cost, text = self.costs(item)
            earned -= cost
            said.append(text)
        proposed = min(max(rounded(max(earned, 0.0), step), 0.0), item.marks)
        if earned < item.marks * (1.0 - 1e-9) and proposed == item.marks > step:
            # what is missing shows
            proposed = rounded(item.marks - step, step)
        evidence = self.assessment.evaluation.profile.sentence(" ".join(said))
        against = any(self.hit(r, f) for r in item.good_unless for f in self.assessment.findings)
        return ProposedMark(item, item.marks, proposed, evidence, not against)

    def conditions(self, item: Item) -> Iterable[tuple[float | None, str]]:
        """Share of the marks and a sentence, for each condition; no share if it cannot be told."""
        if item.result:
            yield self.result()
        if item.uncertainty_within:
            yield self.uncertainty(item.uncertainty_within)
        if item.rows:
            yield self.rows(item.rows)
        if item.start:
            yield self.start(item.start)
        if item.answers:
            yield self.answers(item.answers)
        if item.stated:
            yield self.stated()

    # -- findings

    def costs(self, item: Item) -> tuple[float, str]:
        """Marks that the findings cost, and which they are; one cell is charged once in an item."""
        total, named = 0.0, []
        charged: set[Finding | Place] = set()
        for rule in item.findings:
            hits = []
            for finding in self.assessment.findings:
                what = finding.place if finding.place.cell else finding
                if what not in charged and self.hit(rule, finding):
                    charged.add(what)
                    hits.append(finding)
            if not hits:
                continue
            total += rule.each * len(hits) if rule.each else item.marks
            price = f"{rule.each:g} each" if rule.each else "all marks"
            places = [_at(f) for f in hits[:MOST_NAMED]]
            more = len(hits) - len(places)
            rest = f"; and {more} more" if more else ""
            cost = f"Costs {price}: {'; '.join(places)}{rest}"
            named.append(cost if cost.endswith("…") else f"{cost}.")
        return total, " ".join(named) or "Nothing found that costs marks here."

    def hit(self, rule: Cost, finding: Finding) -> bool:
        if rule.codes and finding.code not in rule.codes:
            return False
        if rule.severity and _GRAVE[finding.severity] < _GRAVE[rule.severity]:
            return False
        place = finding.place
        if rule.sheets:
            titles = {s.id: s.title for s in self.assessment.practical.definition.sheets}
            if place.sheet not in {titles.get(sheet, sheet) for sheet in rule.sheets}:
                return False
        if rule.keys:
            key = self.key_at(place)
            return any(key == k or key.startswith(f"{k}.") for k in rule.keys)
        return True

    def key_at(self, place: Place) -> str:
        """Input that stands in a cell."""
        for key, entries in self.assessment.observations.entries.items():
            for entry in entries:
                if (entry.place.sheet, entry.place.cell) == (place.sheet, place.cell):
                    return key
        return ""

    # -- conditions

    def result(self) -> tuple[float, str]:
        found = self.assessment.evaluation.measurand
        if found is None or not math.isfinite(found.budget.value):
            return 0.0, "No result comes out of the readings."
        title = self.assessment.practical.derived[found.definition.quantity].title
        return 1.0, f"The readings give a result ({title})."

    def uncertainty(self, within: float) -> tuple[float | None, str]:
        found = self.assessment.evaluation.measurand
        if found is None or not found.budget.value:
            return None, ""
        part = found.budget.expanded_uncertainty / abs(found.budget.value)
        text = f"Its expanded uncertainty is {percentage(part)} of it"
        if part <= within:
            return 1.0, f"{text}."
        return 0.0, f"{text}; up to {percentage(within)} was wanted."

    def rows(self, tables: Sequence[str]) -> tuple[float | None, str]:
        wanted = [
            table
            for table in self.assessment.practical.definition.tables
            if table.minimum_rows > 0 and (ALL in tables or table.id in tables)
        ]
        shares, said = [], []
        for table in wanted:
            count = self.filled(table.id, [c.id for c in table.columns if c.instrument])
            shares.append(min(1.0, count / table.minimum_rows))
            where = _span(self.typed(table.id))
            said.append(
                f"“{table.title}”: {many(count, 'row')}; {table.minimum_rows} "
                f"{'were' if table.minimum_rows > 1 else 'was'} asked for{where and f' ({where})'}"
            )
        if not wanted:
            return None, "This practical has none of the tables asked for."
        return math.fsum(shares) / len(shares), "; ".join(said) + "."

    def filled(self, table: str, columns: Sequence[str]) -> int:
        """Rows that have every reading, apart from those on the way back."""
        practical, values = self.assessment.practical, self.assessment.evaluation.values
        back = {
            key
            for line in practical.lines.values()
            for key, is_back in zip(line.y, line.back, strict=False)
            if is_back
        }
        kinds = [
            [values[key] for key in practical.columns(f"{table}.{c}") if key not in back]
            for c in columns
        ]
        needed = [kind for kind in kinds if kind]
        rows = practical.tables[table]
        return sum(
            bool(needed)
            and all(
                any(isinstance(v, tuple) and row < len(v) and v[row] is not None for v in kind)
                for kind in needed
            )
            for row in range(rows)
        )

    def typed(self, table: str) -> list[Entry]:
        """Entries of a table that hold something, in order of its columns."""
        inputs = self.assessment.practical.inputs
        return [
            entry
            for key, entries in self.assessment.observations.entries.items()
            if inputs[key].table == table and inputs[key].kind != "text"
            for entry in entries
            if entry.value is not None
        ]

    def start(self, names: Sequence[str]) -> tuple[float, str]:
        titles = {one.key.removeprefix(START_PREFIX): one.title for one in START_INPUTS}
        entries = {n: self.assessment.observations.entry(f"{START_PREFIX}{n}") for n in names}
        empty = [n for n, entry in entries.items() if not entry.text.strip()]
        if not empty:
            return 1.0, f"Filled in: {', '.join(titles[n] for n in names)}."
        said = ", ".join(_named(titles[n], entries[n].place) for n in empty)
        return 1.0 - len(empty) / len(names), f"Empty: {said}."

    def answers(self, ids: Sequence[str]) -> tuple[float | None, str]:
        judged = [
            one
            for one in self.assessment.answers
            if one.answer.quantity and (ALL in ids or one.answer.id in ids)
        ]
        # nothing can be asked for that the readings themselves do not give
        judged = [one for one in judged if one.recomputed is not None or one.given is not None]
        if not judged:
            return None, "The own results cannot be judged: the readings give none to compare with."
        right = [one for one in judged if one.agrees or one.another_way]
        told = [one for one in judged if one.agrees is None and one.given is not None]
        missing = [one for one in judged if one.given is None]
        wrong = [one for one in judged if one not in right and one not in told + missing]
        counted = len(judged) - len(told)
        said = [f"{len(right)} of {counted} own results follow from what was there before."]
        carried = [one for one in right if one.carried]
        for words, group in (
            ("Right with an earlier slip carried forward", carried),
            ("Differs", wrong),
            ("Not given", missing),
        ):
            if group:
                said.append(f"{words}: {self.listed(group)}.")
        return (len(right) / counted if counted else None), " ".join(said)

    def listed(self, group: Sequence[AnswerDiagnosis]) -> str:
        names = [self.own(one) for one in group[:MOST_NAMED]]
        more = len(group) - len(names)
        return ", ".join(names) + (f" and {more} more" if more else "")

    def own(self, one: AnswerDiagnosis) -> str:
        place = self.assessment.observations.entry(f"answer.{one.answer.id}").place
        name = _named(one.answer.title, place)
        return f"{name}, look here first" if "first" in verdict(one) else name

    def stated(self) -> tuple[float | None, str]:
        """The own uncertainty: an own result that is compared with nothing, in the result's unit.

        Half for the size that the readings give, half for one or two significant digits.
        """
        one = own_uncertainty(self.assessment)
        if one is None:
            return None, "This practical asks for no uncertainty of the group's own."
        name = self.own(one)
        if one.given is None:
            return 0.0, f"No uncertainty of their own: {name} is empty."
        if not math.isfinite(one.given) or one.given <= 0.0:
            return 0.0, f"{name} is {plain(one.given)}, which is no uncertainty."
        bounds = self.usual_uncertainty(one)
        if bounds is None:
            return None, f"{name} is {plain(one.given)}; the readings give none to compare it with."
        low, high = bounds
        part = self.part_of_own()
        wanted = f"{significant(low, 2)} to {significant(high, 2)}"
        if not any(low <= one.given / scale <= high for scale in (1.0, part)):
            side = "small" if one.given < low * max(1.0, part) else "large"
            return 0.0, f"{name} is {plain(one.given)}: too {side}; the readings give {wanted}."
        digits = len(Decimal(repr(one.given)).normalize().as_tuple().digits)
        if digits > MOST_DIGITS:
            return 0.5, f"{name} is stated with {digits} digits; one or two are sensible."
        return 1.0, (
            f"{name} is {plain(one.given)}, of the size that the readings give ({wanted}), with a "
            "sensible number of digits."
        )

    def usual_uncertainty(self, stated: AnswerDiagnosis) -> tuple[float, float] | None:
        """Between what an own uncertainty should lie, in its unit; None if nothing is known.

        From half the smallest to ``WIDER`` times the largest of what may be stated (standard and
        expanded uncertainty, maximum error).
        """
        found = self.assessment.evaluation.measurand
        if found is None or not found.budget.standard_uncertainty:
            return None
        b = found.budget
        sizes = [b.standard_uncertainty, b.expanded_uncertainty]
        sizes += [found.maximum_error] if found.maximum_error else []
        factor = self.assessment.practical.inputs[f"answer.{stated.answer.id}"].unit.factor
        return min(sizes) / 2.0 / factor, WIDER * max(sizes) / factor

    def part_of_own(self) -> float:
        """How many times the result of the readings a group's own one is; 1 if none is given.

        Worked out as a part of that, its uncertainty is as many times that of the readings.
        """
        found = self.assessment.evaluation.measurand
        quantity = found.definition.quantity if found is not None else ""
        ratios = (
            abs(one.ratio)
            for one in self.assessment.answers
            if one.answer.quantity == quantity and one.ratio
        )
        return next(ratios, 1.0)


def own_uncertainty(assessment: Assessment) -> AnswerDiagnosis | None:
    """The answer in which a group states its uncertainty, empty or not; None if none is asked for.

    It is the first that is compared with nothing and has the dimension of a result.
    """
    practical = assessment.practical
    results = {r.quantity for r in practical.definition.results}
    dimensions = {practical.derived[key].unit.dimension for key in results}
    return next(
        (
            one
            for one in assessment.answers
            if not one.answer.quantity
            and practical.inputs[f"answer.{one.answer.id}"].unit.dimension in dimensions
        ),
        None,
    )


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


def _span(entries: Sequence[Entry]) -> str:
    """Sheet with the first and the last cell of some entries."""
    cells = [entry.place for entry in entries if entry.place.cell]
    if not cells:
        return ""
    first, last = cells[0], cells[-1]
    if first.cell == last.cell:
        return f"{first.sheet} {first.cell}"
    return f"{first.sheet} {first.cell}:{last.cell}"
