"""What was handed in: one workbook as a row of a class, and which of several ones counts. Pure.

Everything here is plain data, so that it travels between processes and into a workbook.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sheetlab.checks.marks import ProposedMark
from sheetlab.handling.roster import Group
from sheetlab.metrology.budget import BudgetLine
from sheetlab.practical.profile import Difference

BLANK = "workbook-not-filled"
KEY_LETTERS = 20


@dataclass(frozen=True, slots=True)
class Told:
    """A finding in the words of a page: where, what, and what to ask."""

    severity: str
    place: str
    found: str
    question: str
    message: str


@dataclass(frozen=True, slots=True)
class OwnResult:
    """One of the group's own results, judged."""

    title: str
    given: str
    verdict: str
    question: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """The first result of a workbook, SI units, and the unit in which it is shown."""

    value: float
    standard: float
    expanded: float
    probability: float
    statement: str
    title: str
    symbol: str
    unit: str
    factor: float
    """SI units in one of the shown unit."""
    accepted: float | None
    accepted_source: str
    percent: float | None
    """Result − accepted, in per cent of the accepted value."""
    difference: Difference
    """How the profile of the workbook gives that."""
    e_n: float | None
    budget: tuple[BudgetLine, ...]
    budget_note: str

    @property
    def shown(self) -> float:
        """The value in the shown unit."""
        return self.value / self.factor

    @property
    def shown_expanded(self) -> float:
        """The expanded uncertainty in the shown unit."""
        return self.expanded / self.factor


@dataclass(frozen=True, slots=True)
class HandIn:
    """One workbook file that was found and read."""

    file: str
    """Path below the folder, with “/”."""
    digest: str
    """SHA-256 of the file."""
    readings: str
    """Digest of what was typed: the same for an evaluated copy."""
    saved: datetime
    saved_by: str
    """“workbook” if the time stands in the workbook, “file” if it is that of the file."""
    practical: str
    title: str
    version: str
    sample: str
    """What was measured, where the practical lets a group choose (a material)."""
    group: str
    setup: str
    observers: str
    date: str
    status: str
    blank: bool
    outcome: Outcome | None
    findings: tuple[Told, ...]
    own: tuple[OwnResult, ...]
    marks: tuple[ProposedMark, ...]
    shelved: int | None
    """Number under which findings, budget, own results and marks lie on a shelf, if they do."""

    @property
    def key(self) -> str:
        """Hidden key of the group's row: practical and group, whatever they are called."""
        return row_key(self.practical, self.group, self.file)

    @property
    def name(self) -> str:
        """What to call the group."""
        return self.group or f"(no group: {self.file})"


@dataclass(frozen=True, slots=True)
class Unread:
    """A file that could not be read, and why."""

    file: str
    message: str
    foreign: bool = False
    """A workbook of something else, which nobody misses."""


@dataclass(frozen=True, slots=True)
class Past:
    """A hand-in that was seen once: a row of the history."""

    key: str
    practical: str
    group: str
    setup: str
    saved: str
    file: str
    digest: str
    readings: str
    status: str
    result: str
    value: float | None
    expanded: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class Point:
    """Something that is open: missing, late, twice, unreadable."""

    what: str
    group: str
    practical: str
    file: str
    text: str


@dataclass(frozen=True, slots=True)
class Sorted:
    """The hand-ins that count, and everything that is open."""

    counted: tuple[HandIn, ...]
    history: tuple[Past, ...]
    points: tuple[Point, ...]
    late: frozenset[str]
    """Keys of rows that came late."""


def plain_name(name: str) -> str:
    """A group's name as it is compared: letters of one form, no case, single spaces."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def row_key(practical: str, group: str, file: str = "") -> str:
    """Key of a group in a practical; a workbook without a group is known by its file only."""
    who = plain_name(group)
    text = "\x1f".join((practical, "group", who) if who else (practical, "file", file))
    # a letter in front, or a spreadsheet program may take a key for a number
    return "k" + hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:KEY_LETTERS]


def past(one: HandIn) -> Past:
    """A hand-in as a row of the history."""
    o = one.outcome
    return Past(
        one.key,
        one.practical,
        one.name,
        one.setup,
        f"{one.saved:%Y-%m-%d %H:%M}",
        one.file,
        one.digest,
        one.readings,
        one.status,
        "" if o is None else o.statement,
        None if o is None else o.shown,
        None if o is None else o.shown_expanded,
        "" if o is None else o.unit,
    )


def sort_out(
    found: Sequence[HandIn],
    unread: Sequence[Unread],
    before: Sequence[Past] = (),
    roster: Sequence[Group] = (),
    due: datetime | None = None,
) -> Sorted:
    """Which workbook of each group counts, and what is missing, late, twice or unreadable.

    Of workbooks with the same readings the one that was saved last stands for all; of different
    ones of the same group and practical the last one counts, and the others are its history.

    Parameters
    ----------
    before
        The history so far; nothing of it is ever dropped.
    """
    points: list[Point] = []
    filled = [one for one in found if not one.blank]
    setups = {plain_name(g.name): g.setup for g in roster}
    filled = [
        replace(one, setup=setups.get(plain_name(one.group), "")) if not one.setup else one
        for one in filled
    ]
    groups: dict[str, list[HandIn]] = {}
    for one in sorted(filled, key=lambda one: (one.saved, one.file)):
        groups.setdefault(one.key, []).append(one)
    counted: list[HandIn] = []
    rows: dict[tuple[str, str], Past] = {(p.key, p.readings): p for p in before}
    for key, ones in groups.items():
        last = ones[-1]
        counted.append(last)
        told: set[str] = {last.readings}
        for one in reversed(ones[:-1]):
            if one.readings in told:
                points.append(_point("copy", one, "has the same readings as a later file"))
            else:
                points.append(_point("earlier", one, _earlier(one, last)))
            told.add(one.readings)
        for one in ones:
            rows[key, one.readings] = past(one)
    late = frozenset(one.key for one in counted if due is not None and one.saved > due)
    points += [
        _point("late", one, f"saved {one.saved:%Y-%m-%d %H:%M} (time of the {one.saved_by})")
        for one in counted
        if one.key in late
    ]
    practicals = {one.practical: one.title for one in found}
    had = {one.key: "only a blank workbook was handed in" for one in found if one.blank}
    had |= {
        one.key: f"“{one.file}” was there before and is not in the folder any more"
        for one in before
    }
    missing = list(_missing(counted, practicals, roster, had))
    have = {one.key for one in counted}
    points += [
        _point("blank", one, "nothing has been typed into it")
        for one in found
        if one.blank and one.key not in have
    ]
    points += [Point("unreadable", "", "", u.file, u.message) for u in unread if not u.foreign]
    points += [Point("foreign", "", "", u.file, u.message) for u in unread if u.foreign]
    points += _strangers(counted, roster)
    counted = _same_samples(counted)
    counted.sort(
        key=lambda one: (one.title, one.practical, one.sample, natural(one.name), one.file)
    )
    ordered = sorted(rows.values(), key=lambda p: (p.practical, natural(p.group), p.saved, p.file))
    return Sorted(tuple(counted), tuple(ordered), (*missing, *points), late)


def _earlier(one: HandIn, last: HandIn) -> str:
    text = f"an earlier hand-in; “{last.file}” counts"
    if (one.setup, one.observers) != (last.setup, last.observers):
        text += ". Set-up or observers differ: are these two groups of one name?"
    return text


def _same_samples(counted: Sequence[HandIn]) -> list[HandIn]:
    """Who did not say what was measured measured what all others did, if that is one thing."""
    said: dict[str, set[str]] = {}
    for one in counted:
        said.setdefault(one.practical, set()).add(one.sample)
    lone = {p: max(names) for p, names in said.items() if len(names - {""}) == 1}
    return [replace(one, sample=lone.get(one.practical, one.sample)) for one in counted]


def _missing(
    counted: Iterable[HandIn], practicals: dict[str, str], roster: Sequence[Group],
    had: Mapping[str, str],
) -> Iterable[Point]:  # fmt: skip
    have = {one.key for one in counted}
    for practical, title in practicals.items():
        for group in roster:
            key = row_key(practical, group.name)
            if key not in have:
                yield Point("missing", group.name, title, "", had.get(key, "nothing handed in"))


def _strangers(counted: Iterable[HandIn], roster: Sequence[Group]) -> Iterable[Point]:
    if not roster:
        return
    known = {plain_name(group.name) for group in roster}
    for one in counted:
        if plain_name(one.group) not in known:
            yield _point("not on the roster", one, "the roster has no such group")


def _point(what: str, one: HandIn, text: str) -> Point:
    return Point(what, one.name, one.title, one.file, text)


def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """A key for sorting that puts Group 9 before Group 10."""
    parts = re.split(r"([0-9]{1,15})", text.casefold())
    return tuple((0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts if p)
