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

from sheetlab.finding import Place, Severity, SheetlabError, finding
from sheetlab.messages import Phrase, phrase
from sheetlab.workbook.package import left_over
from sheetlab.years.ledger import (
    COLUMNS,
    FIRST,
    NUMBER_COLUMNS,
    SAVED,
    Cells,
    Field,
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


def _table(name: str, columns: Mapping[str, Field], rest: str) -> str:
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
        busy = finding(
            "archive-busy", Severity.STOP, Place(archive.name), name=archive.name,
            seconds=f"{wait:g}",
        )  # fmt: skip
        raise SheetlabError(busy) from error
    except (OSError, NotImplementedError) as error:
        raise unreadable(archive, "archive-not-locked", error) from error
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
        raise _not_usable(path, error) from error
    except sqlite3.DatabaseError as error:
        raise unreadable(path, "archive-damaged", error) from error
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
        raise _not_usable(path, error) from error


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
            raise unreadable(archive, "archive-empty")
        with opened(archive) as connection:
            yield connection


def begun(archive: Path) -> bool:
    """Whether there is something in a database."""
    return archive.exists() and archive.stat().st_size > 0


def expect(archive: Path) -> None:
    """Refuse an archive that is not there."""
    refuse_name(archive)
    if not archive.exists():
        raise no_archive(archive, phrase("no-archive-file", name=archive.name))


def refuse_name(archive: Path) -> None:
    """Refuse what no archive can be called."""
    if archive.suffix.lower() != ENDING:
        raise _not_its_name(archive)
    if not archive.parent.is_dir():
        raise no_archive(archive, phrase("no-archive-folder", folder=str(archive.parent)))


# -- rows out -------------------------------------------------------------------------------------


_RESULTS, _NUMBERS = (
    ", ".join(f'"{name}"' for name in columns) for columns in (COLUMNS, NUMBER_COLUMNS)
)


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
        raise unreadable(archive, "archive-odd", error) from error


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


def no_archive(archive: Path, what: Phrase) -> SheetlabError:
    """The error for an archive that is not there."""
    return SheetlabError(finding("no-archive", Severity.STOP, Place(archive.name), what=what))


def unreadable(path: Path, what: str, error: Exception | None = None) -> SheetlabError:
    """The error for a file of an archive that cannot be used; ``what``: name of a phrase."""
    name, why = path.name, phrase(what, error=str(error))
    return SheetlabError(
        finding("archive-unreadable", Severity.STOP, Place(name), name=name, what=why)
    )


def _not_its_name(archive: Path) -> SheetlabError:
    place, stem = Place(archive.name), archive.stem or "DEPARTMENT"
    return SheetlabError(
        finding("no-archive_file", Severity.STOP, place, name=archive.name)
        if archive.is_file()
        else finding("no-archive_name", Severity.STOP, place, name=archive.name, stem=stem)
    )


def _not_usable(path: Path, error: sqlite3.OperationalError) -> SheetlabError:
    place, name = Place(path.name), path.name
    # the low byte is the kind, what is above it the case (result codes of SQLite)
    kind = error.sqlite_errorcode & 0xFF
    if kind in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        why = str(error)
        return SheetlabError(
            finding("archive-busy_program", Severity.STOP, place, name=name, error=why)
        )
    if kind == sqlite3.SQLITE_FULL:
        return SheetlabError(finding("not-written_full", Severity.STOP, place, name=name))
    return unreadable(path, "archive-unusable", error)
