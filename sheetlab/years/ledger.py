"""The rows of the years, without files: what is kept of a result, and their chain of digests.

``Row`` and ``Number`` declare the two tables once: reading, writing, digests, export, import and
the workbook of a year follow from their fields.

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
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from operator import itemgetter
from typing import Annotated, Any, get_type_hints

from msgspec import Struct, convert
from msgspec.structs import replace

from sheetlab.finding import Finding, Severity, finding
from sheetlab.messages import Phrase, harmless, phrase

FIRST = "0" * 64
"""Digest before the first row."""
LONGEST = 120
CODE_LETTERS = "ABCDEFGHJKMNPQRSTVWXYZ23456789"
CODE_LENGTH = 8
ZERO_HOUR = datetime.datetime(1970, 1, 1)
SAVED, FINDING = "saved", "finding"
WIRE = "(wire)"
"""Key of the wire among the instruments: no instrument of a definition can be called so."""


# -- the two tables -------------------------------------------------------------------------------


class Shown(Struct, frozen=True):
    """How a column stands in the workbook of a year."""

    title: str
    width: float
    format: str = ""
    """Of its numbers, as spreadsheet programs write it."""


class Number(Struct, frozen=True):
    """A number beside a result, in the coherent SI unit.

    ``kind``: ``zero`` (zero error of an instrument), ``division`` (least count of an instrument),
    ``scatter`` (about a line or curve), ``quantity``, ``comparison`` (difference from an accepted
    value as a fraction of it), ``own`` (``answers``: fraction of the group's own results that
    agree; ``uncertainty``, ``graph``: 1, there if the group gave one), ``saved`` (when the workbook
    was saved by its document properties: seconds since ``ZERO_HOUR``, both in local time),
    ``finding`` (how many findings of a code made the workbook doubtful or failed).
    """

    kind: Annotated[str, Shown("kind", 12)]
    id: Annotated[str, Shown("id", 16)]
    title: Annotated[str, Shown("name", 78)]
    value: Annotated[float, Shown("value", 13, "0.0000E+00")]
    u: Annotated[float | None, Shown("u", 12, "0.00E+00")]
    unit: Annotated[str, Shown("unit", 12)]
    shown: Annotated[str, Shown("shown in", 10)]
    """Unit of the definition, in which people read it."""


class Row(Struct, frozen=True, kw_only=True):
    """A result as it was evaluated; what only adding it gives has a default.

    Numbers are in coherent SI units; None where missing.
    """

    number: Annotated[int, Shown("row", 6)] = 0
    """From 1, through all years."""
    year: Annotated[int, Shown("year", 7)]
    practical: Annotated[str, Shown("practical", 17)]
    setup: Annotated[str, Shown("set-up", 9)]
    code: Annotated[str, Shown("code", 12)] = ""
    """Of the group; empty when it was purged."""
    title: Annotated[str, Shown("result", 52)]
    statement: Annotated[str, Shown("as stated", 44)]
    status: Annotated[str, Shown("status", 10)]
    findings: Annotated[int, Shown("findings", 9)]
    revision: Annotated[int, Shown("revision", 9)] = 1
    """One more whenever what was typed has changed since."""
    replaces: Annotated[int, Shown("replaces row", 9, '0;-0;""')] = 0
    """Number of the row whose revision this is; 0 for none."""
    result: Annotated[str, Shown("id of the result", 9)]
    symbol: Annotated[str, Shown("symbol", 8)]
    value: Annotated[float | None, Shown("value", 12, "0.0000E+00")]
    u: Annotated[float | None, Shown("u", 11, "0.00E+00")]
    expanded: Annotated[float | None, Shown("U", 11, "0.00E+00")]
    k: Annotated[float | None, Shown("k", 6, "0.00")]
    dof: Annotated[float | None, Shown("effective degrees of freedom", 11, "0.0")]
    """None also for infinitely many, which is told apart by ``u``."""
    unit: Annotated[str, Shown("unit", 12)]
    shown: Annotated[str, Shown("shown in", 9)]
    instruments: Annotated[str, Shown("instruments", 16)]
    """JSON object: id of the instrument in the definition -> id in the register; and ``WIRE``."""
    added: Annotated[str, Shown("added", 11)] = ""
    """ISO date."""
    keep_until: Annotated[str, Shown("code kept until", 11)] = ""
    """ISO date: not before the day after it may the code be deleted."""
    version: Annotated[str, Shown("definition version", 10)]
    definition: Annotated[str, Shown("digest of the definition", 14)]
    program: Annotated[str, Shown("program version", 10)]
    source: Annotated[str, Shown("digest of the readings", 14)]
    """Digest of what was typed."""
    seal: Annotated[str, Shown("seal of the code", 14)] = ""
    salt: Annotated[str, Shown("salt of the seal", 12)] = ""
    previous: Annotated[str, Shown("digest of the row before", 14)] = FIRST
    digest: Annotated[str, Shown("digest of this row", 68)] = ""
    numbers: tuple[Number, ...] = ()
    """They stand in a table of their own."""

    @property
    def book(self) -> tuple[str, str]:
        """Code and readings: the same for all results of one workbook."""
        return self.code, self.source


class Field(Struct, frozen=True):
    """A column of a table: what it holds (``str``, ``int``, or ``float``, which may be missing)."""

    kind: type
    shown: Shown


def _columns(table: type[Struct]) -> dict[str, Field]:
    hints = get_type_hints(table, include_extras=True)
    return {
        name: Field(hint.__origin__ if hint.__origin__ in (str, int) else float, *hint.__metadata__)
        for name, hint in hints.items()
        if hasattr(hint, "__metadata__")
    }


COLUMNS: Mapping[str, Field] = _columns(Row)
NUMBER_COLUMNS: Mapping[str, Field] = {
    "row": Field(int, Shown("row", 7)),
    "position": Field(int, Shown("position", 9)),
    **_columns(Number),
}

Cell = str | int | float | None
Cells = tuple[Sequence[Any], Sequence[Sequence[Any]]]
"""A row as it is stored: its cells, and those of the numbers beside it."""


def flat(row: Row) -> list[Cell]:
    """A row as cells, in the order of ``COLUMNS``."""
    return [getattr(row, name) for name in COLUMNS]


def flat_numbers(row: Row) -> list[list[Cell]]:
    """The numbers beside a row as cells, in the order of ``NUMBER_COLUMNS``."""
    return [
        [row.number, i, n.kind, n.id, n.title, n.value, n.u, n.unit, n.shown]
        for i, n in enumerate(row.numbers)
    ]


def cells_of(row: Row) -> Cells:
    """A row as it is stored."""
    return flat(row), flat_numbers(row)


def rows_of(stored: Iterable[Cells]) -> Iterator[Row]:
    """Rows of what is stored, one at a time.

    Raises
    ------
    ValueError
        If a cell does not hold what its column holds.
    """
    for record, beside in stored:
        numbers = [dict(zip(NUMBER_COLUMNS, cells, strict=True)) for cells in beside]
        yield convert({**dict(zip(COLUMNS, record, strict=True)), "numbers": numbers}, Row)


def clean(text: str) -> str:
    """A text from a workbook as it is kept: one short line without control characters."""
    return " ".join(harmless(text).split())[:LONGEST]


def latest(rows: Sequence[Row]) -> list[Row]:
    """The rows that no later revision replaces, in their order."""
    replaced = {row.replaces for row in rows}
    return [row for row in rows if row.number not in replaced]


# -- the chain ------------------------------------------------------------------------------------

_AT = {name: i for i, name in enumerate(COLUMNS)}
_chained = itemgetter(*(i for name, i in _AT.items() if name not in ("code", "salt", "digest")))
_encoded = json.JSONEncoder(ensure_ascii=True, separators=(",", ":")).encode
_link = itemgetter(*map(_AT.__getitem__, ("number", "previous", "digest")))
_secret = itemgetter(*map(_AT.__getitem__, ("code", "salt", "seal", "keep_until")))


def new_code(taken: Container[str]) -> str:
    """A code that says nothing about anyone, and is not taken."""
    while True:
        code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
        if code not in taken:
            return code


def seal_of(code: str, salt: str) -> str:
    """Digest that a code can be proved with, and not be guessed from."""
    return hashlib.sha256(f"{salt}|{code}".encode()).hexdigest()


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


def chained(row: Row) -> Row:
    """A row with its code sealed, and its digest."""
    salt = secrets.token_hex(8)
    row = replace(row, salt=salt, seal=seal_of(row.code, salt))
    return replace(row, digest=digest_of(cells_of(row)))


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
    for there, cells in enumerate(stored, 1):
        number, before, digest = _link(cells[0])
        code, salt, seal, until = _secret(cells[0])
        if number != there or before != previous:
            return _altered(there, phrase("altered-link", row=there))
        if not _fits(cells, digest):
            return _altered(there, phrase("altered-row", row=there))
        if (code or salt) and seal_of(code, salt) != seal:
            return _altered(there, phrase("altered-code", row=there))
        if not (code or salt) and until >= day:
            return _altered(there, phrase("altered-lost", row=there, day=until))
        previous = digest
    if (there, previous) != (count, head):
        return _altered(there + 1, phrase("altered-end", count=count, there=there))
    return None


def _altered(row: int, what: Phrase) -> Finding:
    return finding("archive-altered", Severity.STOP, what=what, row=row)
