"""What was handed in: one workbook as a row of a class, and which of several ones counts. Pure.

Everything here is plain data, so that it travels between processes and into a workbook.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from difflib import SequenceMatcher

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.checks.marks import ProposedMark
from sheetlab.handling.roster import Group, file_part, former_group_key, group_key
from sheetlab.metrology.agreement import Verdict
from sheetlab.metrology.budget import BudgetLine
from sheetlab.practical.profile import Difference

BLANK = "workbook-not-filled"
KEY_LETTERS = 20
NOTHING = "-"
"""Stands for the digest of readings where nothing was handed in."""
CLOSE = 0.75
"""Likeness of two names from which they may be one (``difflib``; experience, no source)."""


class Told(Struct, frozen=True):
    """A finding in the words of a page: where, what, and what to ask."""

    severity: str
    place: str
    found: str
    question: str
    message: str


class OwnResult(Struct, frozen=True):
    """One of the group's own results, judged."""

    title: str
    given: str
    verdict: str
    question: str


class Outcome(Struct, frozen=True):
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
    verdict: Verdict | None
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


class HandIn(Struct, frozen=True):
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


class Unread(Struct, frozen=True):
    """A file that could not be read, and why."""

    file: str
    message: str
    foreign: bool = False
    """A workbook of something else, which nobody misses."""


class Past(Struct, frozen=True):
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


class Point(Struct, frozen=True):
    """Something that is open: missing, late, twice, unreadable."""

    what: str
    group: str
    practical: str
    file: str
    text: str
    practical_id: str = ""


class Sorted(Struct, frozen=True):
    """The hand-ins that count, and everything that is open."""

    counted: tuple[HandIn, ...]
    history: tuple[Past, ...]
    points: tuple[Point, ...]
    late: frozenset[str]
    """Keys of rows that came late."""
    absent: tuple[HandIn, ...] = ()
    """Rows without a file, for whom on the roster has handed nothing in."""


def lasting_time(saved: datetime, saved_by: str) -> datetime | None:
    """When a hand-in was saved, if that stays with it; a copy of a file has another time."""
    return saved if saved_by == "workbook" else None


def row_key(practical: str, group: str, file: str = "") -> str:
    """Key of a group in a practical; a workbook without a group is known by its file only."""
    return _key(practical, group_key(group), file)


def former_key(practical: str, group: str) -> str:
    """Key of a group in a class workbook of before spaces and signs were ignored."""
    return _key(practical, former_group_key(group), "")


def _key(practical: str, who: str, file: str) -> str:
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
    setups = {group_key(g.name): g.setup for g in roster}
    filled = [
        replace(one, setup=setups.get(group_key(one.group), "")) if not one.setup else one
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
        _point(
            "late",
            one,
            f"saved {one.saved:%Y-%m-%d %H:%M:%S}, due {due:%Y-%m-%d %H:%M:%S} (time of the "
            f"{one.saved_by})",
        )
        for one in counted
        if due is not None and one.key in late
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
    strangers = list(_strangers(counted, roster))
    missing, strangers = _perhaps_the_same(missing, strangers)
    points += strangers
    absent = tuple(_absent(counted, roster))
    counted = _same_samples(counted)
    counted.sort(
        key=lambda one: (one.title, one.practical, one.sample, natural(one.name), one.file)
    )
    ordered = sorted(rows.values(), key=lambda p: (p.practical, natural(p.group), p.saved, p.file))
    return Sorted(tuple(counted), tuple(ordered), (*missing, *points), late, absent)


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
    known = {group_key(group.name) for group in roster}
    for one in counted:
        if group_key(one.group) not in known:
            yield _point("not on the roster", one, "the roster has no such group")


def _perhaps_the_same(
    missing: Sequence[Point], strangers: Sequence[Point]
) -> tuple[list[Point], list[Point]]:
    """Ask where a missing group may be one that is not on the roster; nothing is decided."""
    asked_of: dict[int, list[str]] = {}
    told = []
    for stranger in strangers:
        like = []
        for i, one in enumerate(missing):
            if one.practical == stranger.practical and _alike(one.group, stranger):
                like.append(one.group)
                asked_of.setdefault(i, []).append(f"“{stranger.group}” in “{stranger.file}”")
        more = f"; is this {' or '.join(f'“{name}”' for name in like)}, who is missing?"
        told.append(replace(stranger, text=stranger.text + more) if like else stranger)
    return [
        replace(one, text=f"{one.text}; is this {' or '.join(asked_of[i])}?")
        if i in asked_of
        else one
        for i, one in enumerate(missing)
    ], told


def _alike(name: str, stranger: Point) -> bool:
    """Whether a stranger's name is close to another, or the file was issued for that."""
    file = group_key(stranger.file.rpartition("/")[2].partition(".")[0])
    issued = group_key(f"{stranger.practical_id} {file_part(name)}")
    a, b = group_key(name), group_key(stranger.group)
    digits = [re.sub(r"[^0-9]", "", text) for text in (a, b)]
    # Group 1 is not like Group 2, however many letters they share
    return file == issued or (
        digits[0] == digits[1] and SequenceMatcher(None, a, b, autojunk=False).ratio() >= CLOSE
    )


def _absent(counted: Sequence[HandIn], roster: Sequence[Group]) -> Iterable[HandIn]:
    have = {one.key for one in counted}
    for like in {one.practical: one for one in counted}.values():
        for group in roster:
            one = replace(
                like, file="", digest="", readings=NOTHING, group=group.name, setup=group.setup,
                observers=group.observers, date="", status="missing", blank=True, outcome=None,
                findings=(), own=(), marks=(), shelved=None,
            )  # fmt: skip
            if one.key not in have:
                yield one


def _point(what: str, one: HandIn, text: str) -> Point:
    return Point(what, one.name, one.title, one.file, text, one.practical)


def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """A key for sorting that puts Group 9 before Group 10."""
    parts = re.split(r"([0-9]{1,15})", text.casefold())
    return tuple((0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts if p)
