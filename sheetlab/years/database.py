"""The database of an archive, which is the truth: all rows of a step are kept, or none.

Its rows are only ever added; what was noted of the last one stands in its table ``head``.
"""

from __future__ import annotations

import contextlib
import errno
import shutil
import sqlite3
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from sheetlab.finding import Finding, Place, Severity, SheetlabError
from sheetlab.years.archivebook import noted_rows
from sheetlab.years.ledger import COLUMNS, FIRST, NUMBER_COLUMNS, Row, rows_of
from sheetlab.years.lock import WAIT, locked, no_archive, refuse_name, unreadable

FORMAT = "1"

_SQL = {str: "TEXT NOT NULL", int: "INTEGER NOT NULL", float: "REAL"}
TABLES = (
    "CREATE TABLE IF NOT EXISTS results ("
    + ", ".join(f'"{name}" {_SQL[kind]}' for name, kind in COLUMNS.items())
    + ', PRIMARY KEY ("number"))',
    "CREATE TABLE IF NOT EXISTS numbers ("
    + ", ".join(f'"{name}" {_SQL[kind]}' for name, kind in NUMBER_COLUMNS.items())
    + ', PRIMARY KEY ("row", "position"))',
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


def database_of(archive: Path) -> Path:
    """The database beside a workbook of results."""
    return archive.with_suffix(".sqlite")


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
def snapshot(archive: Path, wait: float) -> Iterator[tuple[sqlite3.Connection, bytes]]:
    """The database as it is now, to be read while others go on adding, and its stamp."""
    path = database_of(archive)
    expect(archive)
    with tempfile.TemporaryDirectory(prefix="sheetlab-") as folder:
        copy = Path(folder) / path.name
        try:
            with locked(archive, wait):
                with opened(path):
                    pass  # what a killed writer left is taken back
                shutil.copyfile(path, copy)
                stamp = stamp_of(path)
        except OSError as error:
            if error.errno == errno.ENOSPC:
                raise SheetlabError(_full(path, f"the folder {folder}")) from error
            raise SheetlabError(unreadable(path, f"cannot be copied ({error})")) from error
        with contextlib.closing(sqlite3.connect(copy)) as connection:
            try:
                yield connection, stamp
            except sqlite3.DatabaseError as error:
                raise SheetlabError(unreadable(path, f"is damaged ({error})")) from error


def stamp_of(path: Path) -> bytes:
    """Counter of the changes of a database, from its head (file format of SQLite, 1.3.7)."""
    with path.open("rb") as stream:
        return stream.read(28)[24:]


def records_of(connection: sqlite3.Connection, table: str = "results") -> sqlite3.Cursor:
    """Rows of a table of the database as they are stored, in their order."""
    columns, order = {
        "results": (COLUMNS, "number"), "numbers": (NUMBER_COLUMNS, "row, position"),
    }[table]  # fmt: skip
    names = ", ".join(f'"{name}"' for name in columns)
    return connection.execute(f"SELECT {names} FROM {table} ORDER BY {order}")


def rows_in(connection: sqlite3.Connection, archive: Path) -> Iterator[Row]:
    """All rows in their order, one at a time."""
    try:
        yield from rows_of(records_of(connection), records_of(connection, "numbers"))
    except ValueError as error:
        reason = f"holds what it should not ({error})"
        raise SheetlabError(unreadable(database_of(archive), reason)) from error


def head_of(connection: sqlite3.Connection) -> tuple[int, str]:
    """Number of rows, and digest of the last one, as noted when it was written."""
    count, digest = connection.execute("SELECT count, digest FROM head").fetchone()
    return int(count), str(digest)


def count_of(connection: sqlite3.Connection) -> int:
    """Number of rows that are there, whatever was noted."""
    return int(connection.execute("SELECT COUNT(*) FROM results").fetchone()[0])


def insert(
    connection: sqlite3.Connection,
    records: Iterable[Sequence[object]],
    numbers: Iterable[Sequence[object]],
) -> None:
    """Add rows, and the numbers beside them."""
    marks = ", ".join("?" * len(COLUMNS))
    connection.executemany(f"INSERT INTO results VALUES ({marks})", records)
    marks = ", ".join("?" * len(NUMBER_COLUMNS))
    connection.executemany(f"INSERT INTO numbers VALUES ({marks})", numbers)


def note_head(connection: sqlite3.Connection, count: int, head: str) -> None:
    """Note number of rows, and digest of the last one."""
    connection.execute("UPDATE head SET count = ?, digest = ?", (count, head))


@dataclass(frozen=True, slots=True)
class Table:
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
    with snapshot(archive, wait) as (connection, _):
        return Table(tuple(rows_in(connection, archive)), *head_of(connection))


def expect(archive: Path) -> None:
    """Refuse an archive that is not there."""
    refuse_name(archive)
    if not database_of(archive).exists():
        raise SheetlabError(no_database(archive))


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
        "room for the database, and for a copy of it",
        "Nothing is damaged: leave the file where it is. Make room, and try again.",
        Place(path.name),
    )


def no_database(archive: Path) -> Finding:
    """That the database of an archive is missing."""
    name = database_of(archive).name
    if archive.exists() and not noted_rows(archive):
        return no_archive(archive, f"{archive.name} is not the workbook of an archive")
    if archive.exists():
        return Finding(
            "no-archive", Severity.STOP, f"{archive.name} is there, but not its database {name}",
            "both in one folder",
            "Put the database back; if it is lost, make it again with “sheetlab archive import”.",
            Place(archive.name),
        )  # fmt: skip
    return no_archive(archive, f"there is no archive {archive.name}")
