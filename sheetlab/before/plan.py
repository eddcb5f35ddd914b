"""Plans: what a person asks for, read; the plan in words, and as lines for a terminal."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.before.books import books, gauges
from sheetlab.checks.wording import Words
from sheetlab.finding import SheetlabError
from sheetlab.messages import Phrase, Sentences, phrase, said
from sheetlab.metrology.statement import (
    Decimals,
    percentage,
    plain,
    share,
    significant,
    with_mark,
)
from sheetlab.practical.assumptions import ExpectedColumn, refused
from sheetlab.practical.loader import Catalogue
from sheetlab.practical.loads import (
    REFUSED,
    STEP_DIVISIONS,
    TOTAL_DIVISIONS,
    YIELD_LIMIT,
    Gauge,
    Masses,
)
from sheetlab.practical.planning import Assumption, Effect, Plan
from sheetlab.practical.planning import plan as plan_practical
from sheetlab.practical.profile import GUM
from sheetlab.practical.schedules import Request, StressPlan

SOURCES = 5
"""Rows of the budget that are printed."""
DECIDE = "This sheet permits nothing: the local rules and the person in charge decide."
INVENTED = (
    "Predicted from assumed inputs by evaluating invented benches; nothing here was measured."
)
BUDGET = "Predicted uncertainty budget"
EFFECTS = "with other rows and steps"
STATED = {
    "expanded": ("U", "expanded uncertainty U"),
    "standard": ("u", "combined standard uncertainty u"),
    "maximum": ("maximum error", "maximum error"),
}
"""Short and long name of what a result is stated with."""
LOOK = "Look at this first"
MOST_REASON = 500


# -- requests ------------------------------------------------------------------------------------


def read_masses(text: str) -> tuple[Masses, ...]:
    """Masses from a text such as ``0.5x10, 0.2x5`` or ``0,5x10; 0,2x5``.

    Raises
    ------
    SheetlabError
        If it cannot be understood, or in two ways.
    """
    found = []
    for part in _entries(text):
        mass, _, count = part.partition("x")
        try:
            one = Masses(float(mass), int(count or "1"))
        except ValueError:
            one = Masses(math.nan, 0)
        if not 0.0 < one.mass <= 1000.0 or not 1 <= one.count <= 1000:
            raise refused("setting-refused_masses", text=part)
        found.append(one)
    return tuple(found)


def _entries(text: str) -> Iterator[str]:
    """Entries of a list of masses, with decimal points.

    A comma after a count, before a decimal point or before a space separates; one between bare
    digits is a decimal comma where the entries are separated by something else, or after 0.
    """
    plain = re.sub(r"\s*[x×X]\s*", "x", text.strip())
    plain = re.sub(r"\s*,\s+|\s+,", "\n", plain)
    otherwise = bool(re.search(r"[; \t]", plain))
    for chunk in re.split(r"[;\s]+", plain):
        parts = [part for part in chunk.split(",") if part]
        while parts:
            part = parts.pop(0)
            decimals = parts[0] if parts else ""
            if part.isdecimal() and re.fullmatch(r"\d+(x\d*)?", decimals):
                if not otherwise and int(part):
                    raise refused("setting-refused_masses-two-ways", whole=part, part=decimals)
                part = f"{part}.{parts.pop(0)}"
            yield part


def read_settings(pairs: Sequence[str]) -> dict[str, str]:
    """Settings from texts such as ``L=2.1``.

    Raises
    ------
    SheetlabError
        If one has no name or no value.
    """
    found = {}
    for pair in pairs:
        name, equals, value = (part.strip() for part in pair.partition("="))
        if not (name and equals and value):
            raise refused("setting-refused_no-value", text=pair)
        found[name] = value
    return found


def make_plan(
    catalogue: Catalogue, practical: str, own: Path | None = None, settings: Sequence[str] = (),
    masses: str = "", reason: str = "", **asked: Any,
) -> Plan:  # fmt: skip
    """A plan from what a person typed; ``asked``: the rest of a ``Request``.

    Parameters
    ----------
    own
        A list with the user's own materials.

    Raises
    ------
    SheetlabError
        If something of it cannot be used.
    """
    request = Request(
        settings=read_settings(settings), masses=read_masses(masses), reason=reason[:MOST_REASON],
        **asked,
    )  # fmt: skip
    return plan_practical(catalogue.load(practical), request, books(own))


# -- words ---------------------------------------------------------------------------------------


class Grid(Struct, frozen=True):
    """A small table of a plan: title, headings, rows of text, a note below."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    panes: bool = False
    """Printed in two halves side by side, without the names in the middle."""


class Lines(Struct, frozen=True):
    """Sentences of a plan below a title."""

    title: str
    lines: tuple[str, ...]
    alert: bool = False


Block = Grid | Lines


def blocks(plan: Plan) -> Iterator[Block]:
    """The plan in the order in which it is printed, with the decimal mark of its profile."""
    profile = plan.profile or GUM
    for block in _blocks(plan):
        if isinstance(block, Grid):
            headings = tuple(map(profile.sentence, block.headings))
            rows = tuple(tuple(map(profile.sentence, row)) for row in block.rows)
            yield replace(block, headings=headings, rows=rows)
        else:
            yield block


def shown(plan: Plan, words: Phrase | Sentences | str) -> str:
    """Words, or a number of ours, with the decimal mark of the profile; other texts as they are."""
    mark = (plan.profile or GUM).decimal_mark
    if isinstance(words, str):
        return with_mark(words, mark) if isinstance(words, Decimals) else words
    return said(words, mark)


def _all_shown(plan: Plan, lines: Iterable[Phrase | Sentences | str]) -> tuple[str, ...]:
    return tuple(shown(plan, line) for line in lines)


def _blocks(plan: Plan) -> Iterator[Block]:
    result, words, stress = plan.result, Words(plan.practical, plan.profile or GUM), plan.stress
    breaks_at = None if stress is None else stress.breaks_at
    first = alerts(plan, "the table below is")
    if first:
        yield Lines(LOOK, first, alert=True)
    given: Iterable[Phrase | str] = (*_stated_lines(plan, words), *words.dominant_lines(result))
    if breaks_at is not None:
        given = (phrase("plan-breaks", row=breaks_at, body=plan.practical.definition.words.body),)
    yield Lines("What this plan would give", _all_shown(plan, given))
    if stress is not None:
        yield Lines("Load and stress", _all_shown(plan, _stress_lines(stress)))
        yield Lines("Recommended loads", _all_shown(plan, _schedule_lines(plan, stress)))
    yield Grid(
        BUDGET,
        ("source", "type", "share of variance"),
        tuple(
            (row.source.label, row.source.evaluation, share(row.share))
            for row in result.budget.rows[:SOURCES]
        ),
    )
    yield _expected_grid(plan)
    if plan.effects and breaks_at is None:
        yield _effects_grid(plan)
    yield Grid(
        "What was assumed",
        ("quantity", "name", "value"),
        tuple(
            (one.title, one.key, f"{_assumed(plan, one)} {one.unit}{' (set)' * one.given}".strip())
            for one in plan.assumptions
        ),
        said(phrase("plan-assumed")),
        panes=True,
    )


def _stated_lines(plan: Plan, words: Words) -> Iterator[Phrase | str]:
    """The predicted result, and what the number after ± is."""
    result, profile = plan.result, plan.profile
    symbol = plan.practical.derived[result.definition.quantity].symbol
    size = percentage(abs(result.stated_uncertainty / result.budget.value))
    statement = words.statement_line(result)
    if profile is None:
        factor = Decimals(f"{result.budget.coverage_factor:.2f}")
        yield phrase("plan-stated", statement=statement, factor=factor, size=size, symbol=symbol)
        return
    yield f"{statement}."
    name = STATED[result.stated][1]
    yield phrase("plan-stated-by-profile", profile=profile.id, name=name, size=size, symbol=symbol)
    line = words.maximum_error_line if result.stated == "maximum" else words.uncertainty_line
    yield line(result)


def _assumed(plan: Plan, one: Assumption) -> str:
    # a value of g has more digits than others, and who gave it looks for them
    typed = one.given and one.key in plan.practical.inputs
    return plain(one.value) if typed else plain(one.value, 4)


def _stress_lines(stress: StressPlan) -> Iterator[Phrase]:
    material, greatest, gauge = stress.material, stress.greatest, stress.gauge
    facts = {"name": material.name, "breaking": mega(material.breaking), "source": material.source}
    if material.yielding is None:
        yield phrase("plan-material", **facts)
    else:
        yield phrase("plan-material-yielding", **facts, yielding=mega(material.yielding))
    if stress.weakest_of:
        yield phrase("plan-weakest", names=tuple(f"“{name}”" for name in stress.weakest_of))
    if gauge is not None:
        number = gauge.name.partition(" ")[2]
        others = (g for g in gauges() if g.name.endswith(f" {number}") and g != gauge)
        other = next(others, None)
        facts = {"name": gauge.name, "size": _millimetres(gauge), "source": gauge.source}
        if other is None:
            yield phrase("plan-gauge", **facts)
        else:
            size = _millimetres(other)
            yield phrase("plan-gauge-or", **facts, other=other.name, other_size=size)
    numbers = {
        "stress": significant(greatest.stress / 1e6, 3),
        "of_breaking": percentage(greatest.of_breaking), "limit": percentage(stress.limit),
        "yield_limit": percentage(YIELD_LIMIT), "most": percentage(REFUSED),
    }  # fmt: skip
    if greatest.of_yield is None:
        yield phrase("plan-greatest", **numbers)
    else:
        of_yield = percentage(greatest.of_yield)
        yield phrase("plan-greatest-yielding", **numbers, of_yield=of_yield)


def alerts(plan: Plan, numbers: str) -> tuple[str, ...]:
    """What has to be looked at first; ``numbers``: which numbers hold for it."""
    stress, mark = plan.stress, (plan.profile or GUM).decimal_mark
    if stress is None:
        return ()
    lines: list[Phrase | str] = []
    if stress.all_hung:
        lines.append(phrase("plan-all-hung", shown=numbers))
    if stress.greatest.of_breaking > REFUSED and stress.reason:
        lines.append(phrase("plan-reason", limit=percentage(REFUSED), reason=stress.reason))
    messages = [replace(warning, mark=mark).message for warning in stress.warnings]
    lines += [message[:1].upper() + message[1:] for message in messages]
    return _all_shown(plan, lines)


def mega(pair: tuple[float, float]) -> Decimals:
    """A range of Pa, in MPa."""
    low, high = (plain(end / 1e6, 4) for end in pair)
    return low if low == high else Decimals(f"{low} to {high}")


def _millimetres(gauge: Gauge) -> Decimals:
    return Decimals(f"{1000 * gauge.diameter:.3f}")


def _schedule_lines(plan: Plan, stress: StressPlan) -> Iterator[Phrase | Sentences]:
    found = stress.schedule
    if found is None:
        yield from stress.advice
    else:
        total = found.total_divisions
        line = phrase(
            "plan-schedule", loads=found.loads, step=Decimals(f"{found.step:g}"), unit=stress.unit,
            total=f"{total:.0f}", each=f"{total / (found.loads - 1):.0f}",
        )  # fmt: skip
        better = f"{TOTAL_DIVISIONS[1]:.0f}", f"{STEP_DIVISIONS[1]:.0f}"
        more = phrase("plan-better", total=better[0], each=better[1])
        yield line if found.comfortable else Sentences((line, more))
    if not stress.followed:
        read = next((one.divisions for one in plan.expected if one.divisions), (0.0,))
        total = abs(read[-1] - read[0])
        yield phrase(
            "plan-other-loads", loads=plan.rows, total=f"{total:.0f}",
            which=phrase("plan-loads-of-masses" if stress.all_hung else "plan-loads-set"),
            each=f"{total / max(len(read) - 1, 1):.0f}",
        )  # fmt: skip
        if plan.rows % 2:
            yield phrase("plan-odd")
        yield phrase("plan-tables")


def _distinct(columns: Sequence[ExpectedColumn]) -> list[ExpectedColumn]:
    """Columns that show the same are printed once, under both names."""
    found: list[tuple[list[str], ExpectedColumn]] = []
    for one in columns:
        same = next(
            (t for t, c in found if c.values == one.values and c.divisions == one.divisions), None
        )
        if same is None:
            found.append(([one.title], one))
        else:
            same.append(one.title)
    return [
        ExpectedColumn(c.key, ", ".join(titles), c.unit, c.decimals, c.values, c.divisions)
        for titles, c in found
    ]


def _expected_grid(plan: Plan) -> Grid:
    headings, columns = ["row"], [[str(i + 1) for i in range(plan.rows)]]
    for one in _distinct(plan.expected):
        headings.append(f"{one.title} / {one.unit}" if one.unit else one.title)
        columns.append(_column(one.values, one.decimals))
        if one.divisions is not None:
            headings.append("in divisions")
            columns.append([f"{v:.0f}" for v in one.divisions])
    stress = plan.stress
    if stress is not None:
        headings += ["stress / MPa", "of breaking"]
        columns += [
            [significant(row.stress / 1e6, 3) for row in stress.rows],
            [percentage(row.of_breaking) for row in stress.rows],
        ]
        if stress.material.yielding is not None:
            headings.append("of yield")
            columns.append([percentage(row.of_yield or 0.0) for row in stress.rows])
    title = next(t.title for t in plan.practical.definition.tables if t.id == plan.table)
    return Grid(f"Expected: {title}", tuple(headings), tuple(zip(*columns, strict=True)))


def _column(values: Sequence[float], decimals: int | None) -> list[str]:
    """Numbers of a column, all with as many decimals as the one that needs most has."""
    if decimals is None:
        texts: list[str] = [plain(v, 4) for v in values]
        if any("×" in text for text in texts):
            return texts
        decimals = max(len(text.partition(".")[2]) for text in texts)
    return [f"{v:.{decimals}f}" for v in values]


def _effects_grid(plan: Plan) -> Grid:
    steps = list(dict.fromkeys(one.step for one in plan.effects if not math.isnan(one.step)))
    counts = list(dict.fromkeys(one.rows for one in plan.effects))
    by_place = {(one.rows, one.step): one for one in plan.effects}
    name = STATED[plan.result.stated][0]
    title = f"{name[:1].upper() if len(name) > 1 else name}{name[1:]} {EFFECTS}"
    if not steps:
        rows = tuple((str(one.rows), _effect(one, plan)) for one in plan.effects)
        return Grid(title, ("rows", name), rows)
    headings = ("rows", *(f"{plan.step_title} {s:.3g} {plan.step_unit}".strip() for s in steps))
    table = tuple((str(n), *(_effect(by_place[n, s], plan) for s in steps)) for n in counts)
    notes, stress = [], plan.stress
    if stress is not None:
        if any((one.of_breaking or 0.0) > stress.limit for one in plan.effects):
            notes.append(phrase("plan-above-limit"))
        if stress.masses:
            notes.append(phrase("plan-masses-lack"))
    return Grid(title, headings, table, said(Sentences(tuple(notes))))


def _effect(one: Effect, plan: Plan) -> str:
    limit = math.inf if plan.stress is None else plan.stress.limit * (1.0 + 1e-9)
    mark = "!" if (one.of_breaking or 0.0) > limit else ""
    return f"{'–' if one.relative is None else percentage(one.relative)} {mark}".strip()


def plan_text(plan: Plan) -> list[str]:
    """The plan as lines for a terminal."""
    d = plan.practical.definition
    lines = [f"Plan: {d.title} (version {d.version})", *_wrapped(INVENTED), *_wrapped(DECIDE)]
    for block in blocks(plan):
        lines += ["", block.title]
        if isinstance(block, Lines):
            for line in block.lines:
                lines += _wrapped(line, "! " if block.alert else "  ")
            continue
        table = [block.headings, *block.rows]
        widths = [max(len(row[i]) for row in table) for i in range(len(block.headings))]
        for row in table:
            cells = zip(row, widths, range(len(row)), strict=True)
            lines.append(
                "  " + "  ".join(f"{c:>{w}}" if i else f"{c:<{w}}" for c, w, i in cells).rstrip()
            )
        lines += _wrapped(block.note) if block.note else []
    return lines


def _wrapped(text: str, start: str = "  ") -> list[str]:
    return textwrap.wrap(text, 96, initial_indent=start, subsequent_indent="  ")


def refuse(plan: Plan) -> None:
    """Raise SheetlabError if the loads of a plan need a reason that is not stated."""
    if plan.stress is not None and plan.stress.refusal is not None:
        raise SheetlabError(plan.stress.refusal)
