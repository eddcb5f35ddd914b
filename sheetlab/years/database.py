"""The database of an archive, which is the truth: all rows of a step are kept, or none.

Its rows are only ever added; what was noted of the last one stands in its table ``head``.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from msgspec import Struct

from sheetlab.finding import Finding, Place, Severity, SheetlabError
from sheetlab.years.ledger import COLUMNS, FIRST, NUMBER_COLUMNS, Cells, Row, joined, rows_of
from sheetlab.years.lock import WAIT, locked, no_archive, refuse_name, unreadable

FORMAT = "1"

_SQL = {str: "TEXT NOT NULL", int: "INTEGER NOT NULL", float: "REAL"}
TABLES = (
    "CREATE TABLE IF NOT EXISTS results ("
    + ", ".join(f'"{name}" {_SQL[kind]}' for name, kind in COLUMNS.items())
    + ', PRIMARY KEY ("number"))',
    "CREATE TABLE IF NOT EXISTS numbers ("
    + ", ".join(f'"{name}" {_SQL[kind]}' for name, kind in NUMBER_COLUMNS.items())
    + ', PRIMARY KEY ("row", "position")) WITHOUT ROWID',
)
_SCHEMA = (
    "CREATE TABLE IF NOT EXISTS head (format TEXT NOT NULL, count INTEGER NOT NULL, "
    "digest TEXT NOT NULL)",
    *TABLES,
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
)


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
        connection.execute("BEGIN IMMEDIATE")
        for statement in _SCHEMA:
            connection.execute(statement)
        if connection.execute("SELECT COUNT(*) FROM head").fetchone() == (0,):
            connection.execute("INSERT INTO head VALUES (?, 0, ?)", (FORMAT, FIRST))
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
        if not archive.stat().st_size:
            # to open it would begin a new one in it
            raise SheetlabError(unreadable(archive, "is empty"))
        with opened(archive) as connection:
            yield connection


def expect(archive: Path) -> None:
    """Refuse an archive that is not there."""
    refuse_name(archive)
    if not archive.exists():
        raise SheetlabError(no_archive(archive, f"there is no archive {archive.name}"))


def stored(connection: sqlite3.Connection, where: str = "1", *values: object) -> Iterator[Cells]:
    """Rows in their order, as they are stored; ``where``: a condition on the table ``results``."""
    names, beside = (
        ", ".join(f'"{name}"' for name in columns) for columns in (COLUMNS, NUMBER_COLUMNS)
    )
    its = "" if where == "1" else f"WHERE row IN (SELECT number FROM results WHERE {where})"
    return joined(
        connection.execute(f"SELECT {names} FROM results WHERE {where} ORDER BY number", values),
        connection.execute(
            f"SELECT {beside} FROM numbers {its} ORDER BY row, position", values if its else ()
        ),
    )


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


def insert(
    connection: sqlite3.Connection,
    records: Iterable[Sequence[object]],
    numbers: Iterable[Sequence[object]],
) -> None:
    """Add flat rows, and the flat numbers beside them."""
    marks = ", ".join("?" * len(COLUMNS))
    connection.executemany(f"INSERT INTO results VALUES ({marks})", records)
    marks = ", ".join("?" * len(NUMBER_COLUMNS))
    connection.executemany(f"INSERT INTO numbers VALUES ({marks})", numbers)


def note_head(connection: sqlite3.Connection, count: int, head: str) -> None:
    """Note number of rows, and digest of the last one."""
    connection.execute("UPDATE head SET count = ?, digest = ?", (count, head))


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
