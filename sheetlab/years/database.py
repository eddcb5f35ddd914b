"""The database of an archive, which is the truth: all rows of a step are kept, or none.

Its rows are only ever added; what was noted of the last one stands in its table ``head``.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.finding import Finding, Place, Severity, SheetlabError
from sheetlab.workbook.package import left_over
from sheetlab.years.ledger import (
    COLUMNS,
    FIRST,
    NUMBER_COLUMNS,
    SAVED,
    Cells,
    Column,
    Row,
    chained,
    flat,
    flat_numbers,
    rows_of,
)

FORMAT = "1"
ENDING = ".sqlite"
WAIT = 30.0
"""Seconds to wait for another PC that is writing."""

# whatever SQLite is asked to hold, a column holds what it is for
_SQL = {
    str: "TEXT NOT NULL CHECK (typeof({0}) = 'text')",
    int: "INTEGER NOT NULL CHECK (typeof({0}) = 'integer')",
    float: "REAL CHECK (typeof({0}) IN ('real', 'null'))",
}


def _table(name: str, columns: Mapping[str, Column], rest: str) -> str:
    parts = [f'"{key}" {_SQL[column.kind]}'.format(f'"{key}"') for key, column in columns.items()]
    return f"CREATE TABLE IF NOT EXISTS {name} ({', '.join(parts)}, {rest}"


_SCHEMA = (
    "CREATE TABLE IF NOT EXISTS head (format TEXT NOT NULL, count INTEGER NOT NULL, "
    "digest TEXT NOT NULL)",
    _table("results", COLUMNS, 'PRIMARY KEY ("number"))'),
    _table(
        "numbers", NUMBER_COLUMNS,
        'PRIMARY KEY ("row", "position"), FOREIGN KEY ("row") REFERENCES results) WITHOUT ROWID',
    ),
    "CREATE INDEX IF NOT EXISTS by_source ON results (source)",
    "CREATE INDEX IF NOT EXISTS by_code ON results (code)",
    # against a slip in a database browser; whoever means it is found by the digests
    *(
        f"CREATE TRIGGER IF NOT EXISTS keep_{table}_{what} BEFORE {event} ON {table} "
        "BEGIN SELECT RAISE(ABORT, 'rows are only ever added'); END"
        for table, what, event in (
            ("results", "rows", "DELETE"),
            ("results", "cells", 'UPDATE OF "number", "value", "source", "seal", "digest"'),
            ("numbers", "rows", "DELETE"),
            ("numbers", "cells", "UPDATE"),
        )
    ),
)  # fmt: skip


# -- one at a time --------------------------------------------------------------------------------


@contextlib.contextmanager
def locked(archive: Path, wait: float = WAIT) -> Iterator[None]:
    """Keep everyone else out of an archive, on this PC and on others.

    Raises
    ------
    SheetlabError
        If someone else is still in it after ``wait`` seconds, or the folder cannot be written to.
    """
    from filelock import FileLock, Timeout

    refuse_name(archive)
    lock = FileLock(archive.with_suffix(".lock"), timeout=wait)
    try:
        lock.acquire()
    except Timeout as error:
        raise SheetlabError(_busy(archive, wait)) from error
    except (OSError, NotImplementedError) as error:
        raise SheetlabError(unreadable(archive, f"cannot be locked ({error})")) from error
    try:
        yield
    finally:
        lock.release()


def tidy(target: Path) -> None:
    """Take away what writers of a file left that were killed; only under the lock."""
    for entry in left_over(target):
        with contextlib.suppress(OSError):
            os.unlink(entry.path)


def begin(connection: sqlite3.Connection) -> None:
    """Give a database its tables, if it has none."""
    for statement in _SCHEMA:
        connection.execute(statement)
    if connection.execute("SELECT COUNT(*) FROM head").fetchone() == (0,):
        connection.execute("INSERT INTO head VALUES (?, 0, ?)", (FORMAT, FIRST))


@contextlib.contextmanager
def opened(path: Path) -> Iterator[sqlite3.Connection]:
    """A database in one transaction: all of it is kept, or nothing of it."""
    connection = None
    try:
        connection = sqlite3.connect(path, isolation_level=None, timeout=WAIT)
        # one file that every share can hold: no write-ahead log, which needs shared memory
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute("PRAGMA synchronous = FULL")
        # how SQLite was compiled must not decide whether what is taken away is gone
        connection.execute("PRAGMA secure_delete = ON")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("BEGIN IMMEDIATE")
        begin(connection)
        yield connection
        connection.execute("COMMIT")
    except sqlite3.OperationalError as error:
        raise SheetlabError(_not_usable(path, error)) from error
    except sqlite3.DatabaseError as error:
        raise SheetlabError(unreadable(path, f"is damaged or no database ({error})")) from error
    finally:
        if connection is not None:
            # what was not committed is taken back
            connection.close()
            with contextlib.suppress(OSError):
                # begun in vain
                if not path.stat().st_size:
                    path.unlink()


def rewrite(path: Path) -> None:
    """Write a database anew without what was taken out of it, also by other programs."""
    try:
        with contextlib.closing(sqlite3.connect(path, timeout=WAIT)) as connection:
            connection.execute("PRAGMA secure_delete = ON")
            connection.execute("VACUUM")
    except sqlite3.OperationalError as error:
        raise SheetlabError(_not_usable(path, error)) from error


@contextlib.contextmanager
def reading(archive: Path, wait: float = WAIT) -> Iterator[sqlite3.Connection]:
    """The database of an archive, while nobody adds to it.

    Raises
    ------
    SheetlabError
        If there is none, it is damaged, or someone else does not let go of it.
    """
    expect(archive)
    with locked(archive, wait):
        if not begun(archive):
            # to open it would begin a new one in it
            raise SheetlabError(unreadable(archive, "is empty"))
        with opened(archive) as connection:
            yield connection


def begun(archive: Path) -> bool:
    """Whether there is something in a database."""
    return archive.exists() and archive.stat().st_size > 0


def expect(archive: Path) -> None:
    """Refuse an archive that is not there."""
    refuse_name(archive)
    if not archive.exists():
        raise SheetlabError(no_archive(archive, f"there is no archive {archive.name}"))


def refuse_name(archive: Path) -> None:
    """Refuse what no archive can be called."""
    if archive.suffix.lower() != ENDING:
        raise SheetlabError(_not_its_name(archive))
    if not archive.parent.is_dir():
        raise SheetlabError(no_archive(archive, f"there is no folder {archive.parent}"))


# -- rows out -------------------------------------------------------------------------------------


def names_of(columns: Iterable[str]) -> str:
    """Columns as a statement lists them."""
    return ", ".join(f'"{name}"' for name in columns)


_RESULTS, _NUMBERS = names_of(COLUMNS), names_of(NUMBER_COLUMNS)


def stored(connection: sqlite3.Connection, where: str = "1", *values: object) -> Iterator[Cells]:
    """Rows in their order, as they are stored; ``where``: a condition on the table ``results``."""
    beside = f"SELECT {_NUMBERS} FROM numbers WHERE row = ? ORDER BY position"
    records = f"SELECT {_RESULTS} FROM results WHERE {where} ORDER BY number"
    for record in connection.execute(records, values):
        yield record, connection.execute(beside, record[:1]).fetchall()


def rows_in(
    connection: sqlite3.Connection, archive: Path, where: str = "1", *values: object
) -> Iterator[Row]:
    """Rows in their order, one at a time."""
    try:
        yield from rows_of(stored(connection, where, *values))
    except ValueError as error:
        reason = f"holds what it should not ({error})"
        raise SheetlabError(unreadable(archive, reason)) from error


def head_of(connection: sqlite3.Connection) -> tuple[int, str]:
    """Number of rows, and digest of the last one, as noted when it was written."""
    count, digest = connection.execute("SELECT count, digest FROM head").fetchone()
    return int(count), str(digest)


def last_of(connection: sqlite3.Connection) -> tuple[int, str]:
    """Number and digest of the last row that is there."""
    query = "SELECT number, digest FROM results ORDER BY number DESC LIMIT 1"
    return connection.execute(query).fetchone() or (0, FIRST)


def each_row(archive: Path, wait: float = WAIT) -> Iterator[Row]:
    """All rows of an archive in their order, one at a time; nobody adds meanwhile.

    Raises
    ------
    SheetlabError
        If there is none, it is damaged, or someone else does not let go of it.
    """
    with reading(archive, wait) as connection:
        yield from rows_in(connection, archive)


class Table(Struct, frozen=True):
    """All rows, and what was noted of them when the last one was written."""

    rows: tuple[Row, ...]
    count: int
    head: str


def read(archive: Path, wait: float = WAIT) -> Table:
    """All rows of an archive.

    Raises
    ------
    SheetlabError
        If there is none, it is damaged, or someone else does not let go of it.
    """
    with reading(archive, wait) as connection:
        return Table(tuple(rows_in(connection, archive)), *head_of(connection))


# -- rows in --------------------------------------------------------------------------------------


class Held(Struct, frozen=True):
    """The last revision of a result."""

    number: int
    """Of its row."""
    revision: int
    source: str
    saved: float | None
    """When its workbook was saved, as it is kept."""


def held_of(connection: sqlite3.Connection, entry: Row, code: str) -> Held | None:
    """What a result of a group would replace; None for the first of its group."""
    if not code:
        return None
    # when it was saved stands beside the first result of a workbook
    saved = (
        "SELECT numbers.value FROM numbers JOIN results AS first ON first.number = row "
        f"WHERE kind = '{SAVED}' AND first.source = last.source AND row <= last.number "
        "ORDER BY row DESC LIMIT 1"
    )
    record = connection.execute(
        f"SELECT number, revision, source, ({saved}) FROM results AS last WHERE code = ? "
        "AND year = ? AND practical = ? AND setup = ? AND result = ? ORDER BY number DESC LIMIT 1",
        (code, entry.year, entry.practical, entry.setup, entry.result),
    ).fetchone()
    return None if record is None else Held(*record)


def codes_with(connection: sqlite3.Connection, entry: Row) -> set[str]:
    """Codes (empty: purged) under which the readings of a result are in its year."""
    query = (
        "SELECT DISTINCT code FROM results WHERE source = ? AND year = ? AND practical = ? "
        "AND setup = ? AND result = ?"
    )
    its = (entry.source, entry.year, entry.practical, entry.setup, entry.result)
    return {code for (code,) in connection.execute(query, its)}


def first_year(connection: sqlite3.Connection, entry: Row) -> int | None:
    """The year in which the readings of a result came first; None if they are new."""
    query = (
        "SELECT year FROM results WHERE source = ? AND practical = ? AND setup = ? ORDER BY number"
    )
    found = connection.execute(query, (entry.source, entry.practical, entry.setup)).fetchone()
    return None if found is None else int(found[0])


def append(
    connection: sqlite3.Connection, entry: Row, code: str, added: str, keep_until: str
) -> Row:
    """Add a result as the next row."""
    count, head = head_of(connection)
    before = held_of(connection, entry, code) or Held(0, 0, "", None)
    row = chained(
        replace(
            entry, number=count + 1, revision=before.revision + 1, replaces=before.number,
            code=code, added=added, keep_until=keep_until, previous=head,
        )
    )  # fmt: skip
    insert(connection, [flat(row)], flat_numbers(row))
    note_head(connection, row.number, row.digest)
    return row


def insert(
    connection: sqlite3.Connection,
    records: Iterable[Sequence[object]],
    numbers: Iterable[Sequence[object]],
) -> None:
    """Add the cells of rows, and those of the numbers beside them."""
    for table, columns, cells in (
        ("results", COLUMNS, records),
        ("numbers", NUMBER_COLUMNS, numbers),
    ):
        marks = ", ".join("?" * len(columns))
        connection.executemany(f"INSERT INTO {table} VALUES ({marks})", cells)


def note_head(connection: sqlite3.Connection, count: int, head: str) -> None:
    """Note number of rows, and digest of the last one."""
    connection.execute("UPDATE head SET count = ?, digest = ?", (count, head))


# -- what is refused ------------------------------------------------------------------------------


def no_archive(archive: Path, what: str) -> Finding:
    """That there is no such archive."""
    return Finding(
        "no-archive", Severity.STOP, what,
        "the database that “sheetlab archive add … --archive DEPARTMENT.sqlite” wrote",
        "Check the name and the share. What counts in a class gets into an archive with "
        "“archive add CLASS.xlsx”.", Place(archive.name),
    )  # fmt: skip


def _not_its_name(archive: Path) -> Finding:
    remedy = f"Write {archive.stem or 'DEPARTMENT'}{ENDING}."
    if archive.is_file():
        remedy = (
            "Name the archive itself. What counts in a class gets into it with “sheetlab archive "
            f"add CLASS.xlsx --archive DEPARTMENT{ENDING}”."
        )
    return Finding(
        "no-archive", Severity.STOP,
        f"the name of an archive has to end in {ENDING}, and {archive.name} does not",
        f"an archive, such as DEPARTMENT{ENDING}, beside which the workbooks of the years lie",
        remedy, Place(archive.name),
    )  # fmt: skip


def _busy(archive: Path, wait: float) -> Finding:
    return Finding(
        "archive-busy",
        Severity.STOP,
        f"someone else is writing to {archive.name}, and was not done after {wait:g} s",
        "an archive that one PC at a time writes to",
        "Try again in a minute. What was told of as added is kept.",
        Place(archive.name),
    )


def unreadable(path: Path, what: str) -> Finding:
    """That a file of an archive cannot be used."""
    return Finding(
        "archive-unreadable",
        Severity.STOP,
        f"{path.name} {what}",
        "the database of an archive, in a folder that can be written to",
        "Check the share. If the file is damaged, move it away and put the last backup there, or "
        "make it again from the workbooks of the years with “sheetlab archive import”.",
        Place(path.name),
    )


def _not_usable(path: Path, error: sqlite3.OperationalError) -> Finding:
    # the low byte is the kind, what is above it the case (result codes of SQLite)
    kind = error.sqlite_errorcode & 0xFF
    if kind in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return Finding(
            "archive-busy",
            Severity.STOP,
            f"{path.name} is in use by another program ({error})",
            "a database that no other program holds",
            "Nothing is damaged: leave the file where it is. Close it where it is open (a database "
            "browser, a backup or the sync of a share), and try again.",
            Place(path.name),
        )
    if kind == sqlite3.SQLITE_FULL:
        return _full(path, f"the disk or share of {path.name}")
    return unreadable(path, f"cannot be used ({error})")


def _full(path: Path, where: str) -> Finding:
    return Finding(
        "not-written",
        Severity.STOP,
        f"{where} is full; what was begun in {path.name} was taken back",
        "room for the database",
        "Nothing is damaged: leave the file where it is. Make room, and try again.",
        Place(path.name),
    )
