"""What was handed in: one workbook as a row of a class, and which of several ones counts. Pure.

Everything here is plain data, so that it travels between processes and into a workbook.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from difflib import SequenceMatcher

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.checks.marks import ProposedMark
from sheetlab.finding import Finding
from sheetlab.handling.roster import Group, file_part, group_key
from sheetlab.metrology.agreement import Verdict
from sheetlab.metrology.budget import BudgetLine
from sheetlab.practical.profile import Difference

BLANK = "workbook-not-filled"
KEY_LETTERS = 20
NOTHING = "-"
"""Stands for the digest of readings where nothing was handed in."""
CLOSE = 0.75
"""Likeness of two names from which they may be one (``difflib``; experience, no source)."""


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
    statement: str
    symbol: str
    unit: str
    factor: float
    """SI units in one of the shown unit."""
    accepted: float | None = None
    accepted_source: str = ""
    percent: float | None = None
    """Result − accepted, in per cent of the accepted value."""
    difference: Difference = "result-accepted"
    """How the profile of the workbook gives that."""
    e_n: float | None = None
    verdict: Verdict | None = None
    budget: tuple[BudgetLine, ...] = ()
    budget_note: str = ""

    @property
    def shown(self) -> float:
        """The value in the shown unit."""
        return self.value / self.factor

    @property
    def shown_expanded(self) -> float:
        """The expanded uncertainty in the shown unit."""
        return self.expanded / self.factor


class HandIn(Struct, frozen=True):
    """One workbook file that was found and read; without a file, a group that handed in nothing."""

    practical: str
    title: str
    group: str
    setup: str
    observers: str
    saved: datetime = datetime.min
    saved_by: str = "file"
    """“workbook” if the time stands in the workbook, “file” if it is that of the file."""
    file: str = ""
    """Path below the folder, with “/”."""
    digest: str = ""
    """SHA-256 of the file."""
    readings: str = NOTHING
    """Digest of what was typed: the same for an evaluated copy."""
    sample: str = ""
    """What was measured, where the practical lets a group choose (a material)."""
    date: str = ""
    status: str = "missing"
    blank: bool = False
    outcome: Outcome | None = None
    findings: tuple[Finding, ...] = ()
    own: tuple[OwnResult, ...] = ()
    marks: tuple[ProposedMark, ...] = ()

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
    who = group_key(group)
    text = "\x1f".join((practical, "group", who) if who else (practical, "file", file))
    # a letter in front, or a spreadsheet program may take a key for a number
    return "k" + hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:KEY_LETTERS]


def past(handin: HandIn) -> Past:
    """A hand-in as a row of the history."""
    outcome = handin.outcome
    return Past(
        key=handin.key,
        practical=handin.practical,
        group=handin.name,
        setup=handin.setup,
        saved=f"{handin.saved:%Y-%m-%d %H:%M}",
        file=handin.file,
        digest=handin.digest,
        readings=handin.readings,
        status=handin.status,
        result="" if outcome is None else outcome.statement,
        value=None if outcome is None else outcome.shown,
        expanded=None if outcome is None else outcome.shown_expanded,
        unit="" if outcome is None else outcome.unit,
    )


def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """A key for sorting that puts Group 9 before Group 10."""
    parts = re.split(r"([0-9]{1,15})", text.casefold())
    return tuple((0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts if p)


def sort_out(
    read: Sequence[HandIn],
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
    setups = {group_key(group.name): group.setup for group in roster}
    by_group: dict[str, list[HandIn]] = {}
    history = {(row.key, row.readings): row for row in before}
    for handin in sorted(read, key=lambda handin: (handin.saved, handin.file)):
        if not handin.blank:
            setup = handin.setup or setups.get(group_key(handin.group), "")
            handin = replace(handin, setup=setup)
            by_group.setdefault(handin.key, []).append(handin)
            history[handin.key, handin.readings] = past(handin)
    counted = _same_samples([handins[-1] for handins in by_group.values()])
    late = [handin for handin in counted if due is not None and handin.saved > due]
    missing, strangers = _perhaps_the_same(
        list(_missing(counted, read, roster, before)), list(_strangers(counted, roster))
    )
    points = (
        *missing,
        *(point for handins in by_group.values() for point in _older(handins)),
        *(_late(handin, due) for handin in late if due is not None),
        *(
            _point("blank", handin, "nothing has been typed into it")
            for handin in read
            if handin.blank and handin.key not in by_group
        ),
        *(
            Point("foreign" if foreign else "unreadable", "", "", file.file, file.message)
            for foreign in (False, True)
            for file in unread
            if file.foreign is foreign
        ),
        *strangers,
    )
    return Sorted(
        tuple(sorted(counted, key=_place)),
        tuple(
            sorted(
                history.values(),
                key=lambda row: (row.practical, natural(row.group), row.saved, row.file),
            )
        ),
        points,
        frozenset(handin.key for handin in late),
        tuple(_absent(counted, roster)),
    )


def _place(handin: HandIn) -> tuple[object, ...]:
    name = natural(handin.name)
    return handin.title, handin.practical, handin.sample, name, handin.file


def _older(handins: Sequence[HandIn]) -> Iterator[Point]:
    """What the hand-ins of a group are beside the last one, which counts."""
    last = handins[-1]
    seen = {last.readings}
    for handin in reversed(handins[:-1]):
        if handin.readings in seen:
            yield _point("copy", handin, "has the same readings as a later file")
        else:
            text = f"an earlier hand-in; “{last.file}” counts"
            if (handin.setup, handin.observers) != (last.setup, last.observers):
                text += ". Set-up or observers differ: are these two groups of one name?"
            yield _point("earlier", handin, text)
        seen.add(handin.readings)


def _late(handin: HandIn, due: datetime) -> Point:
    text = (
        f"saved {handin.saved:%Y-%m-%d %H:%M:%S}, due {due:%Y-%m-%d %H:%M:%S} (time of the "
        f"{handin.saved_by})"
    )
    return _point("late", handin, text)


def _point(what: str, handin: HandIn, text: str) -> Point:
    return Point(what, handin.name, handin.title, handin.file, text, handin.practical)


def _same_samples(counted: Sequence[HandIn]) -> list[HandIn]:
    """Who did not say what was measured measured what all others did, if that is one thing."""
    said: dict[str, set[str]] = {}
    for handin in counted:
        said.setdefault(handin.practical, set()).add(handin.sample)
    lone = {practical: max(names) for practical, names in said.items() if len(names - {""}) == 1}
    return [replace(h, sample=lone.get(h.practical, h.sample)) for h in counted]


def _not_in(counted: Iterable[HandIn], practical: str, roster: Sequence[Group]) -> list[Group]:
    have = {handin.key for handin in counted}
    return [group for group in roster if row_key(practical, group.name) not in have]


def _missing(
    counted: Sequence[HandIn], read: Sequence[HandIn], roster: Sequence[Group],
    before: Sequence[Past],
) -> Iterator[Point]:  # fmt: skip
    why: Mapping[str, str] = {
        **{h.key: "only a blank workbook was handed in" for h in read if h.blank},
        **{p.key: f"“{p.file}” was there before and is not in the folder any more" for p in before},
    }
    for practical, title in {handin.practical: handin.title for handin in read}.items():
        for group in _not_in(counted, practical, roster):
            text = why.get(row_key(practical, group.name), "nothing handed in")
            yield Point("missing", group.name, title, "", text)


def _absent(counted: Sequence[HandIn], roster: Sequence[Group]) -> Iterator[HandIn]:
    for practical, title in {handin.practical: handin.title for handin in counted}.items():
        for group in _not_in(counted, practical, roster):
            yield HandIn(practical, title, group.name, group.setup, group.observers, blank=True)


def _strangers(counted: Iterable[HandIn], roster: Sequence[Group]) -> Iterator[Point]:
    known = {group_key(group.name) for group in roster}
    for handin in counted:
        if roster and group_key(handin.group) not in known:
            yield _point("not on the roster", handin, "the roster has no such group")


def _perhaps_the_same(
    missing: Sequence[Point], strangers: Sequence[Point]
) -> tuple[list[Point], list[Point]]:
    """Ask where a missing group may be one that is not on the roster; nothing is decided."""
    alike = [
        (i, j)
        for i, absent in enumerate(missing)
        for j, stranger in enumerate(strangers)
        if absent.practical == stranger.practical and _alike(absent.group, stranger)
    ]

    def asked(point: Point, names: Sequence[str], end: str) -> Point:
        return replace(point, text=f"{point.text}; is this {' or '.join(names)}{end}?")

    asked_missing, asked_strangers = list(missing), list(strangers)
    for i in {i for i, _ in alike}:
        like = [strangers[b] for a, b in alike if a == i]
        names = [f"“{stranger.group}” in “{stranger.file}”" for stranger in like]
        asked_missing[i] = asked(missing[i], names, "")
    for j in {j for _, j in alike}:
        names = [f"“{missing[a].group}”" for a, b in alike if b == j]
        asked_strangers[j] = asked(strangers[j], names, ", who is missing")
    return asked_missing, asked_strangers


def _alike(name: str, stranger: Point) -> bool:
    """Whether a stranger's name is close to another, or the file was issued for that."""
    file = group_key(stranger.file.rpartition("/")[2].partition(".")[0])
    if file == group_key(f"{stranger.practical_id} {file_part(name)}"):
        return True
    names = group_key(name), group_key(stranger.group)
    digits = [re.sub(r"[^0-9]", "", text) for text in names]
    # Group 1 is not like Group 2, however many letters they share
    return digits[0] == digits[1] and SequenceMatcher(None, *names, False).ratio() >= CLOSE
