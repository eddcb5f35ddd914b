"""The workbooks of the years, written anew where the database holds something else."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator, Mapping
from itertools import zip_longest
from pathlib import Path

from sheetlab.finding import Finding, Place, Severity, SheetlabError, many
from sheetlab.workbook.package import open_elsewhere, write_atomically
from sheetlab.years.database import opened, reading, stored
from sheetlab.years.ledger import Cells
from sheetlab.years.lock import WAIT, locked, tidy
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
        notes = notes_of(archive)
        if not (archive.exists() and archive.stat().st_size):
            # to open an empty one would begin a new one in it
            _refuse(_behind(archive, notes, {}))
        with opened(archive) as connection:
            _refuse(behind(archive, notes, connection))
            yield connection


def refuse_behind(archive: Path, wait: float) -> None:
    """Refuse a database that lacks rows of its workbooks, before anything is done."""
    # first what the workbooks note: whoever begins an archive meanwhile begins with the database
    notes = notes_of(archive)
    if archive.exists() and archive.stat().st_size:
        with changing(archive, wait):
            pass
    else:
        _refuse(_behind(archive, notes, {}))


def _refuse(findings: Iterator[Finding]) -> None:
    first = next(findings, None)
    if first is not None:
        raise SheetlabError(first)


def notes_of(archive: Path) -> Notes:
    """What the workbooks beside a database note about themselves; no row of them is read."""
    return {year: noted_in(path) for year, path in books_of(archive).items()}


def held_of(connection: sqlite3.Connection) -> dict[int, Noted]:
    """What the database holds of each year."""
    # beside the only MAX() stands the digest of its row (SQLite, “bare columns in an aggregate”)
    query = (
        "SELECT year, COUNT(*), SUM(code <> ''), MAX(number), digest FROM results "
        "GROUP BY year ORDER BY year"
    )
    return {year: Noted(*others) for year, *others in connection.execute(query)}


def behind(archive: Path, notes: Notes, connection: sqlite3.Connection) -> Iterator[Finding]:
    """Each workbook that holds rows which the database lacks: it may be their only copy."""
    yield from _behind(archive, notes, held_of(connection))
    for year, noted in notes.items():
        query = "SELECT digest FROM results WHERE number = ? AND year = ?"
        held = noted and connection.execute(query, (noted.last, year)).fetchone()
        if noted and held and held != (noted.digest,):
            what = f"ends with another row {noted.last} than the database holds"
            yield _database_behind(archive, year, f"{what}, which was altered or written anew")


def _behind(archive: Path, notes: Notes, held: Mapping[int, Noted]) -> Iterator[Finding]:
    for year, noted in notes.items():
        there = held[year].rows if year in held else 0
        if noted is not None and noted.rows > there:
            what = f"only {there}: it was emptied, cut off, or put back from an older copy"
            if not archive.exists():
                what = "is not there"
            yield _database_behind(
                archive, year,
                f"holds {many(noted.rows, 'row')}, and the database {archive.name} {what}",
            )  # fmt: skip


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
        held = held_of(connection)
        findings = list(behind(archive, notes, connection))
    if findings:
        return findings
    for year, its in held.items():
        if every or notes.get(year) != its:
            # one by one: whoever waits to add comes in between
            with reading(archive, wait) as connection:
                findings += _renewed(archive, year, connection)
    return findings


def _renewed(archive: Path, year: int, connection: sqlite3.Connection) -> Iterator[Finding]:
    target = book_of(archive, year)
    noted = noted_in(target)
    # it may have been put there meanwhile
    ahead = list(behind(archive, {year: noted}, connection))
    if ahead:
        yield from ahead
    elif noted is None and target.exists():
        what = "is no workbook of a year, or damaged, and was left as it is"
        yield _book_behind(target, what, Severity.DOUBTFUL)
    elif open_elsewhere(target):
        yield _book_behind(target, "is open in a spreadsheet program and was left as it is")
    else:
        try:
            made = _made(year, connection)
            if made is None:
                what = "was not written: a sheet cannot hold so many rows"
                yield _book_behind(target, what, Severity.DOUBTFUL)
                return
            tidy(target)
            write_atomically(target, made)
        except OSError as error:
            reason = error.strerror or str(error)
            yield _book_behind(target, f"could not be replaced ({reason}) and was left as it is")


def _made(year: int, connection: sqlite3.Connection) -> bytes | None:
    """The workbook of a year; None if it cannot hold all rows."""
    numbers = "SELECT COUNT(*) FROM numbers WHERE row IN (SELECT number FROM results WHERE year=?)"
    practicals = "SELECT DISTINCT practical FROM results WHERE year = ? ORDER BY practical"
    if connection.execute(numbers, (year,)).fetchone()[0] > MOST_ROWS:
        return None
    held = held_of(connection)
    names = [name for (name,) in connection.execute(practicals, (year,))]
    return year_bytes(year, stored(connection, "year = ?", year), held[year], list(held), names)


def book_findings(
    archive: Path, connection: sqlite3.Connection, thorough: bool
) -> Iterator[Finding]:
    """How the workbooks differ from the database; ``thorough``: also in any row."""
    notes = notes_of(archive)
    ahead = list(behind(archive, notes, connection))
    yield from ahead
    for year, held in held_of(connection).items() if not ahead else ():
        target, noted = book_of(archive, year), notes.get(year)
        what = ""
        if noted is None:
            what = "cannot be read" if target.exists() else "is not there"
        elif noted.codes > held.codes:
            what = "still shows codes that were taken away"
        elif noted != held:
            what = f"shows {many(noted.rows, 'row')}, and the database holds {held.rows}"
        elif thorough:
            what = _difference(target, stored(connection, "year = ?", year))
        if what:
            yield _book_behind(target, what, Severity.DOUBTFUL)


def _difference(path: Path, rows: Iterator[Cells]) -> str:
    """How a workbook differs from the rows of its year; empty if it does not."""
    try:
        with open_year(path) as book:
            # a person may have sorted its sheets
            records = sorted(book.records, key=lambda record: int(record[0] or 0))
            numbers = sorted(book.numbers, key=lambda one: (one[0], one[1]))
    except SheetlabError as error:
        return f"cannot be read ({error.findings[0].found})"
    place = 0
    for shown, held in zip_longest(records, rows):
        if held is None or shown != list(held[0]):
            return f"shows row {(shown or held[0])[0]} otherwise than the database holds it"
        beside = numbers[place : place + len(held[1])]
        place += len(held[1])
        if beside != list(map(list, held[1])):
            return f"shows row {held[0][0]} otherwise than the database holds it"
    return "shows values beside rows that are not there" if place < len(numbers) else ""


def _database_behind(archive: Path, year: int, what: str) -> Finding:
    book = book_of(archive, year).name
    return Finding(
        "database-behind",
        Severity.STOP,
        f"{book} {what}; the workbook was left as it is",
        "a database with every row of the workbooks",
        f"Copy the workbooks of all years to a safe place. Then move {archive.name} away, and make "
        f"it again from them with “sheetlab archive import {archive.name}”. If {book} is the wrong "
        "one of the two, move that away instead.",
        Place(archive.name),
    )


def _book_behind(target: Path, what: str, severity: Severity = Severity.NOTE) -> Finding:
    return Finding(
        "view-behind",
        severity,
        f"{target.name} {what}; all rows are safe in the database",
        "the workbook of the year, closed, as the database holds it",
        "Close it, or move it away if it is another one. The next “archive add” writes it, and "
        "“archive export” writes the workbooks of all years anew.",
        Place(target.name),
    )
