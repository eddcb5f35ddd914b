"""The workbooks of the years, written anew where the database holds something else."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator, Mapping
from itertools import groupby, zip_longest
from operator import itemgetter
from pathlib import Path
from typing import Any

from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding, reason_of
from sheetlab.messages import Phrase, phrase
from sheetlab.workbook.package import open_elsewhere, write_atomically
from sheetlab.years.database import WAIT, begun, locked, opened, reading, stored, tidy
from sheetlab.years.ledger import Cells
from sheetlab.years.yearbook import (
    MOST_ROWS,
    Noted,
    book_of,
    books_of,
    noted_in,
    open_year,
    year_bytes,
)

Notes = Mapping[int, Noted | None]
"""What the workbooks that are there note, by their year; None: it is no such workbook."""


@contextlib.contextmanager
def changing(archive: Path, wait: float) -> Iterator[sqlite3.Connection]:
    """The database of an archive, to be changed; a new one if there is none.

    Raises
    ------
    SheetlabError
        If it lacks rows that the workbooks beside it hold, is damaged, or someone else does not let
        go of it. It is then left as it was.
    """
    with locked(archive, wait):
        if not begun(archive):
            # to open an empty one would begin a new one in it
            refuse_behind(archive)
        notes = notes_of(archive)
        with opened(archive) as connection:
            _refuse(behind(archive, notes, connection))
            yield connection


def refuse_behind(archive: Path) -> None:
    """Refuse an archive whose workbooks are there and whose database is not, or is empty."""
    _refuse(behind(archive, notes_of(archive), None))


def _refuse(findings: Iterator[Finding]) -> None:
    first = next(findings, None)
    if first is not None:
        raise SheetlabError(first)


def notes_of(archive: Path) -> Notes:
    """What the workbooks beside a database note about themselves; no row of them is read."""
    return {year: noted_in(path) for year, path in books_of(archive).items()}


def held_of_years(connection: sqlite3.Connection) -> dict[int, Noted]:
    """What the database holds of each year."""
    # beside the only MAX() stands the digest of its row (SQLite, “bare columns in an aggregate”)
    query = (
        "SELECT year, COUNT(*), SUM(code <> ''), MAX(number), digest FROM results "
        "GROUP BY year ORDER BY year"
    )
    return {year: Noted(*others) for year, *others in connection.execute(query)}


def behind(archive: Path, notes: Notes, connection: sqlite3.Connection | None) -> Iterator[Finding]:
    """Each workbook that holds rows which the database lacks: it may be their only copy."""
    held = {} if connection is None else held_of_years(connection)
    query = "SELECT digest FROM results WHERE number = ? AND year = ?"
    for year, noted in notes.items():
        if noted is None:
            continue
        there = held[year].rows if year in held else 0
        last = connection and connection.execute(query, (noted.last, year)).fetchone()
        if noted.rows > there:
            more = {"count": noted.rows, "archive": archive.name}
            what = phrase("behind-gone", **more)
            if archive.exists():
                what = phrase("behind-rows", there=there, **more)
            yield _database_behind(archive, year, what)
        elif last and last != (noted.digest,):
            yield _database_behind(archive, year, phrase("behind-other", row=noted.last))


def renew(archive: Path, wait: float = WAIT, every: bool = False) -> list[Finding]:
    """Write the workbooks of the years that have changed anew; what could not be written.

    Parameters
    ----------
    every
        Also those that note what the database holds.

    Raises
    ------
    SheetlabError
        If there is no database, it is damaged, or someone else does not let go of it.
    """
    notes = notes_of(archive)
    with reading(archive, wait) as connection:
        held = held_of_years(connection)
        findings = list(behind(archive, notes, connection))
    if findings:
        return findings
    for year in held:
        if every or notes.get(year) != held[year]:
            # one by one: whoever waits to add comes in between
            with reading(archive, wait) as connection:
                findings += _renewed(archive, year, connection)
    return findings


def _renewed(archive: Path, year: int, connection: sqlite3.Connection) -> Iterator[Finding]:
    target = book_of(archive, year)
    noted = noted_in(target)
    # it may have been put there meanwhile
    ahead = list(behind(archive, {year: noted}, connection))
    numbers = "SELECT COUNT(*) FROM numbers WHERE row IN (SELECT number FROM results WHERE year=?)"
    if ahead:
        yield from ahead
    elif noted is None and target.exists():
        yield _book_behind(target, phrase("view-foreign"), Severity.DOUBTFUL)
    elif open_elsewhere(target):
        yield _book_behind(target, phrase("view-open"))
    elif connection.execute(numbers, (year,)).fetchone()[0] > MOST_ROWS:
        yield _book_behind(target, phrase("view-long"), Severity.DOUBTFUL)
    else:
        try:
            tidy(target)
            write_atomically(target, _made(year, connection))
        except OSError as error:
            yield _book_behind(target, phrase("view-kept", error=reason_of(error)))


def _made(year: int, connection: sqlite3.Connection) -> bytes:
    """The workbook of a year."""
    practicals = "SELECT DISTINCT practical FROM results WHERE year = ? ORDER BY practical"
    held = held_of_years(connection)
    names = [name for (name,) in connection.execute(practicals, (year,))]
    return year_bytes(year, stored(connection, "year = ?", year), held[year], list(held), names)


def book_findings(
    archive: Path, connection: sqlite3.Connection, thorough: bool
) -> Iterator[Finding]:
    """How the workbooks differ from the database; ``thorough``: also in any row."""
    notes = notes_of(archive)
    ahead = list(behind(archive, notes, connection))
    yield from ahead
    for year, held in held_of_years(connection).items() if not ahead else ():
        target, noted = book_of(archive, year), notes.get(year)
        what = None
        if noted is None:
            what = phrase("view-unread" if target.exists() else "view-gone")
        elif noted.codes > held.codes:
            what = phrase("view-codes")
        elif noted != held:
            what = phrase("view-rows", count=noted.rows, held=held.rows)
        elif thorough:
            what = _difference(target, stored(connection, "year = ?", year))
        if what is not None:
            yield _book_behind(target, what, Severity.DOUBTFUL)


def _difference(path: Path, rows: Iterator[Cells]) -> Phrase | None:
    """How a workbook differs from the rows of its year; None if it does not."""
    try:
        with open_year(path) as book:
            # a person may have sorted its sheets
            records = sorted(book.records, key=itemgetter(0))
            numbers = sorted(book.numbers, key=itemgetter(0, 1))
    except (SheetlabError, TypeError) as error:
        why = error.findings[0].found if isinstance(error, SheetlabError) else error
        return phrase("view-damaged", error=str(why))
    beside = {row: list(cells) for row, cells in groupby(numbers, itemgetter(0))}
    for shown, held in zip_longest(records, rows):
        number: Any = (shown or held[0])[0]
        if (
            held is None
            or shown != list(held[0])
            or beside.pop(number, []) != list(map(list, held[1]))
        ):
            return phrase("view-row", row=int(number))
    return phrase("view-values") if beside else None


def _database_behind(archive: Path, year: int, what: Phrase) -> Finding:
    return finding(
        "database-behind", Severity.STOP, Place(archive.name), book=book_of(archive, year).name,
        what=what, archive=archive.name,
    )  # fmt: skip


def _book_behind(target: Path, what: Phrase, severity: Severity = Severity.NOTE) -> Finding:
    return finding("view-behind", severity, Place(target.name), name=target.name, what=what)
