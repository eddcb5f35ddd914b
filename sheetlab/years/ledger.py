"""The table of the years, without files: rows, their chain of digests, and what may be appended.

Every row carries a digest of its own contents and of the digest of the row before it. A row that
was altered, taken out, put in or moved breaks the chain at that row. The code of a group is not in
the digest itself but a seal of it (digest of code and salt): code and salt can be deleted when
they are due, and the chain still proves everything else.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import secrets
import sys
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from operator import itemgetter
from typing import Any

from msgspec import Struct, field
from msgspec.structs import fields, replace

from sheetlab.finding import Finding, Severity, harmless

FIRST = "0" * 64
"""Digest before the first row."""
LONGEST = 120
SHORT = 50
"""Letters below which a text is likely to come again."""
CODE_LETTERS = "ABCDEFGHJKMNPQRSTVWXYZ23456789"
CODE_LENGTH = 8
ZERO_HOUR = datetime.datetime(1970, 1, 1)
SAVED, FINDING = "saved", "finding"
WIRE = "(wire)"
"""Key of the wire among the instruments: no instrument of a definition can be called so."""


class Number(Struct, frozen=True):
    """A number beside a result, in the coherent SI unit.

    ``kind``: ``zero`` (zero error of an instrument), ``division`` (least count of an instrument),
    ``scatter`` (about a line or curve), ``quantity``, ``comparison`` (difference from an accepted
    value as a fraction of it), ``own`` (``answers``: fraction of the group's own results that
    agree; ``uncertainty``, ``graph``: 1, there if the group gave one), ``saved`` (when the workbook
    was saved by its document properties: seconds since ``ZERO_HOUR``, both in local time),
    ``finding`` (how many findings of a code made the workbook doubtful or failed).
    """

    kind: str
    id: str
    title: str
    value: float
    u: float | None
    unit: str
    shown: str
    """Unit of the definition, in which people read it."""


class Entry(Struct, frozen=True):
    """A result as it was evaluated. Numbers are in coherent SI units; None where missing."""

    year: int
    practical: str
    version: str
    definition: str
    """Digest of the definition."""
    program: str
    source: str
    """Digest of what was typed."""
    setup: str
    instruments: str
    """JSON object: id of the instrument in the definition -> id in the register; and ``WIRE``."""
    result: str
    title: str
    symbol: str
    unit: str
    shown: str
    value: float | None
    u: float | None
    expanded: float | None
    k: float | None
    dof: float | None
    """None also for infinitely many, which is told apart by ``u``."""
    statement: str
    status: str
    findings: int
    numbers: tuple[Number, ...] = ()


class Row(Struct, frozen=True):
    """A row of the table."""

    number: int
    revision: int
    """1, and one more whenever what was typed has changed since."""
    entry: Entry
    added: str
    """ISO date."""
    keep_until: str
    """ISO date: not before the day after it may the code be deleted."""
    replaces: int
    """Number of the row whose revision this is; 0 for none."""
    seal: str
    previous: str
    digest: str = ""
    code: str = ""
    """Empty when it was purged."""
    salt: str = ""

    @property
    def place(self) -> tuple[int, str, str]:
        """Year, practical and set-up."""
        return self.entry.year, self.entry.practical, self.entry.setup

    def purged(self) -> Row:
        """The row without its code."""
        return replace(self, code="", salt="")


def seal_of(code: str, salt: str) -> str:
    """Digest that a code can be proved with, and not be guessed from."""
    return hashlib.sha256(f"{salt}|{code}".encode()).hexdigest()


def clean(text: str) -> str:
    """A text from a workbook as it is kept: one short line without control characters."""
    return " ".join(harmless(text).split())[:LONGEST]


def new_code(taken: Container[str]) -> str:
    """A code that says nothing about anyone, and is not taken."""
    while True:
        code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
        if code not in taken:
            return code


# -- appending ------------------------------------------------------------------------------------


def when(seconds: float | None) -> datetime.datetime | None:
    """A time from the number that is kept of it."""
    try:
        return None if seconds is None else ZERO_HOUR + datetime.timedelta(seconds=seconds)
    except OverflowError:
        return None


def saved_of(entry: Entry) -> float | None:
    """When the workbook of an entry was saved, as it is kept; None if that is not known."""
    return next((n.value for n in entry.numbers if n.kind == SAVED), None)


class Held(Struct, frozen=True):
    """The last revision of a result."""

    revision: int
    number: int
    """Of its row."""
    source: str
    saved: float | None
    """When its workbook was saved, as it is kept."""


class Ledger(Struct):
    """What has to be known of a table to append to it."""

    count: int = 0
    head: str = FIRST
    """Digest of the last row."""
    revisions: dict[tuple[int, str, str, str, str], Held] = field(default_factory=dict)
    """What counts by year, practical, set-up, code and result."""
    sources: dict[tuple[int, str, str, str, str], set[str]] = field(default_factory=dict)
    """Codes (empty: purged) by year, practical, set-up, result and source."""
    years: dict[tuple[str, str, str], int] = field(default_factory=dict)
    """First year by practical, set-up and source."""
    last: tuple[str, float | None] = ("", None)
    """Source of the last row, and when it was saved: further results of a workbook follow it."""

    def note(self, row: Row) -> None:
        """Take a row into account."""
        e = row.entry
        self.take(
            row.number, row.digest, e.year, e.practical, e.setup, row.code, e.result, e.source,
            row.revision, saved_of(e),
        )  # fmt: skip

    def take(
        self, number: int, digest: str, year: int, practical: str, setup: str, code: str,
        result: str, source: str, revision: int, saved: float | None,
    ) -> None:  # fmt: skip
        """Take a row into account, of which only what matters here was read (``NOTED``)."""
        self.count, self.head = number, digest
        # the same few texts in very many rows
        practical, setup, result = map(sys.intern, (practical, setup, result))
        if saved is None and self.last[0] == source:
            saved = self.last[1]
        self.last = source, saved
        if code:
            self.revisions[year, practical, setup, code, result] = Held(
                revision, number, source, saved
            )
        self.sources.setdefault((year, practical, setup, result, source), set()).add(code)
        self.years.setdefault((practical, setup, source), year)

    def there(self, entry: Entry, code: str, known: Container[str]) -> bool:
        """Whether a result is in the table: as this group's, or as that of a forgotten group.

        Parameters
        ----------
        known
            Codes that the list of codes still explains. Under any other the group may be the
            same one, whose name was deleted.
        """
        source = (entry.year, entry.practical, entry.setup, entry.result, entry.source)
        codes = self.sources.get(source, set())
        return code in codes or any(one not in known for one in codes)

    def other_year(self, entry: Entry) -> int | None:
        """The year in which the same readings were added before; None if there is none."""
        found = self.years.get((entry.practical, entry.setup, entry.source))
        return None if found == entry.year else found

    def held(self, entry: Entry, code: str) -> Held | None:
        """What a result would replace; None for the first of its group."""
        return self.revisions.get((entry.year, entry.practical, entry.setup, code, entry.result))

    def append(self, entry: Entry, code: str, added: str, keep_until: str) -> Row:
        """The next row."""
        salt = secrets.token_hex(8)
        held = self.held(entry, code) or Held(0, 0, "", None)
        row = Row(
            self.count + 1, held.revision + 1, entry, added, keep_until, held.number,
            seal_of(code, salt), self.head, "", code, salt,
        )  # fmt: skip
        row = replace(row, digest=digest_of(cells_of(row)))
        self.note(row)
        return row


def latest(rows: Sequence[Row]) -> list[Row]:
    """The rows that no later revision replaces, in their order."""
    replaced = {row.replaces for row in rows}
    return [row for row in rows if row.number not in replaced]


# -- one flat record a row, as databases and sheets hold it ---------------------------------------

Cell = str | int | float | None

COLUMNS: Mapping[str, type] = {
    "number": int, "year": int, "practical": str, "setup": str, "code": str, "title": str,
    "statement": str, "status": str, "findings": int, "revision": int, "replaces": int,
    "result": str, "symbol": str, "value": float, "u": float, "expanded": float, "k": float,
    "dof": float, "unit": str, "shown": str, "instruments": str, "added": str, "keep_until": str,
    "version": str, "definition": str, "program": str, "source": str, "seal": str, "salt": str,
    "previous": str, "digest": str,
}  # fmt: skip
"""Columns of a row and what they hold."""
NUMBER_COLUMNS: Mapping[str, type] = {
    "row": int, "position": int, "kind": str, "id": str, "title": str, "value": float, "u": float,
    "unit": str, "shown": str,
}  # fmt: skip
"""Columns of the numbers beside the rows."""
NOTED = ("number", "digest", "year", "practical", "setup", "code", "result", "source", "revision")
"""Columns that ``Ledger.take`` wants, before the number of kind ``SAVED`` beside the row."""
_OF_ENTRY = frozenset(f.name for f in fields(Entry))


def flat(row: Row) -> list[Cell]:
    """A row as cells, in the order of ``COLUMNS``."""
    return [getattr(row.entry if name in _OF_ENTRY else row, name) for name in COLUMNS]


def flat_numbers(row: Row) -> list[list[Cell]]:
    """The numbers beside a row as cells, in the order of ``NUMBER_COLUMNS``."""
    return [
        [row.number, i, n.kind, n.id, n.title, n.value, n.u, n.unit, n.shown]
        for i, n in enumerate(row.entry.numbers)
    ]


def typed(record: Iterable[Any], columns: Mapping[str, type]) -> list[Cell]:
    """The cells of a flat record as their columns hold them.

    Raises
    ------
    ValueError
        If a cell does not hold what its column holds.
    """
    return [_cell(value, kind) for value, kind in zip(record, columns.values(), strict=True)]


Cells = tuple[Sequence[Any], Sequence[Sequence[Any]]]
"""A row as it is stored: its flat record, and the flat numbers beside it."""


def cells_of(row: Row) -> Cells:
    """A row as it is stored."""
    return flat(row), flat_numbers(row)


def joined(records: Iterable[Sequence[Any]], numbers: Iterable[Sequence[Any]]) -> Iterator[Cells]:
    """Flat records with the flat numbers beside them, each in the order of its row.

    Raises
    ------
    ValueError
        If a number has no row.
    """
    beside = iter(numbers)
    waiting = next(beside, None)
    for record in records:
        members = []
        while waiting is not None and waiting[0] == record[0]:
            members.append(waiting)
            waiting = next(beside, None)
        yield record, members
    if waiting is not None:
        raise ValueError(f"there are numbers beside a row {waiting[0]}, which is not there")


def rows_of(stored: Iterable[Cells]) -> Iterator[Row]:
    """Rows of what is stored, one at a time.

    Raises
    ------
    ValueError
        If a cell does not hold what its column holds, or a number has no row.
    """
    known: dict[str, str] = {}

    def shared(cells: Sequence[Any]) -> list[Any]:
        # the same few texts in very many rows
        return [
            known.setdefault(cell, cell) if isinstance(cell, str) and len(cell) < SHORT else cell
            for cell in cells
        ]

    for record, beside in stored:
        cells = dict(zip(COLUMNS, shared(typed(record, COLUMNS)), strict=True))
        numbers = tuple(Number(*shared(typed(one, NUMBER_COLUMNS))[2:]) for one in beside)
        entry = Entry(**{k: v for k, v in cells.items() if k in _OF_ENTRY}, numbers=numbers)
        yield Row(**{k: v for k, v in cells.items() if k not in _OF_ENTRY}, entry=entry)


def _cell(value: Any, kind: type) -> Any:
    if kind is str:
        if isinstance(value, float) and value.is_integer():
            return str(int(value))
        return "" if value is None else str(value)
    if value is None and kind is float:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise ValueError(f"{value!r} stands where a number belongs")
    if kind is int and value != int(value):
        raise ValueError(f"{value!r} stands where a whole number belongs")
    return kind(value)


# -- the chain ------------------------------------------------------------------------------------

_chained = itemgetter(*(i for i, n in enumerate(COLUMNS) if n not in ("code", "salt", "digest")))
_encoded = json.JSONEncoder(ensure_ascii=True, separators=(",", ":")).encode
_AT = {name: i for i, name in enumerate(COLUMNS)}
_link = itemgetter(*map(_AT.__getitem__, ("number", "previous", "digest")))
_secret = itemgetter(*map(_AT.__getitem__, ("code", "salt", "seal", "keep_until")))


def digest_of(stored: Cells) -> str:
    """Digest of everything in a row but its code and salt, and of the row before it.

    SHA-256 of the row as JSON: its cells in the order of ``COLUMNS``, then the numbers beside it.

    Raises
    ------
    TypeError
        If a cell holds what no row holds.
    """
    record, numbers = stored
    text = _encoded([_chained(record), [one[1:] for one in numbers]])
    return hashlib.sha256(text.encode()).hexdigest()


def _fits(stored: Cells, digest: str) -> bool:
    try:
        return digest_of(stored) == digest
    except TypeError:
        return False


def verify(stored: Iterable[Cells], count: int, head: str, today: datetime.date) -> Finding | None:
    """The first fault of a table; None if it is complete and unaltered.

    Parameters
    ----------
    stored
        The rows in their order, as they are stored.
    count, head
        Number of rows and digest of the last one as they were noted when it was written.
    today
        A code may be missing only after the date to which it is kept.
    """
    previous, there, day = FIRST, 0, today.isoformat()
    for there, one in enumerate(stored, 1):
        number, before, digest = _link(one[0])
        if number != there or before != previous:
            return _broken(
                there,
                f"where row {there} belongs stands a row that does not follow the one before it",
                "rows were taken out, put in or moved here",
            )
        if not _fits(one, digest):
            return _broken(there, f"row {there} was altered", "its digest does not fit it")
        code, salt, seal, until = _secret(one[0])
        if code or salt:
            if seal_of(code, salt) != seal:
                return _broken(there, f"row {there} was altered", "its code was changed")
        elif until >= day:
            return _broken(
                there, f"row {there} has lost its code", f"it was to be kept until {until}"
            )
        previous = digest
    if (there, previous) != (count, head):
        return _broken(
            there + 1,
            f"the last rows are missing: {count} were written, {there} are there",
            "the end was cut off",
        )  # fmt: skip
    return None


def _broken(number: int, found: str, why: str) -> Finding:
    return Finding(
        "archive-altered",
        Severity.STOP,
        f"{found} ({why}); the rows before it are in order, from row {number} on nothing is proved",
        "rows as they were written, each with the digest of the one before",
        "Take the database from the last backup that passes the check, and add again what is "
        "missing there.",
    )
