"""The workbook of results kept in step with the database: written anew from it, and compared."""

from __future__ import annotations

import contextlib
import sqlite3
import tempfile
from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path

from sheetlab.finding import Finding, Place, Severity, SheetlabError, many
from sheetlab.workbook.package import open_elsewhere, write_atomically
from sheetlab.years.archivebook import View, noted_rows, open_view, view_bytes
from sheetlab.years.database import (
    TABLES,
    count_of,
    database_of,
    head_of,
    insert,
    opened,
    records_of,
    rows_in,
    snapshot,
    stamp_of,
)
from sheetlab.years.lock import WAIT, locked, tidy


def renew_view(archive: Path, wait: float = WAIT) -> Finding | None:
    """Write the workbook of results anew; a finding if it could not be replaced.

    It is made while others may go on adding. Whoever has added meanwhile renews it after that.

    Raises
    ------
    SheetlabError
        If there is no database, it is damaged, or someone else does not let go of it.
    """
    # before the rows are counted: whoever adds meanwhile must not make it seem ahead
    noted = noted_rows(archive)
    with snapshot(archive, wait) as (connection, stamp):
        held = count_of(connection)
        if noted > held:
            return behind(archive, noted, held)
        if open_elsewhere(archive):
            return _view_open(archive, "is open in a spreadsheet program")
        try:
            made = view_bytes(rows_in(connection, archive), *head_of(connection))
        except OSError as error:
            return _view_open(archive, f"could not be made ({error.strerror or error})")
    with locked(archive, wait):
        if stamp_of(database_of(archive)) != stamp:
            return None
        # it may have been put back meanwhile
        if (noted := noted_rows(archive)) > held:
            return behind(archive, noted, held)
        tidy(archive)
        if open_elsewhere(archive):
            return _view_open(archive, "is open in a spreadsheet program")
        try:
            write_atomically(archive, made)
        except OSError as error:
            return _view_open(archive, f"could not be replaced ({error.strerror or error})")
    return None


def refuse_behind(archive: Path) -> None:
    """Refuse a database that holds fewer rows than the workbook beside it; only under the lock.

    Only what the workbook notes about itself is read, and a database that was emptied is not even
    opened, which would begin a new one in it.
    """
    noted = noted_rows(archive)
    if not noted:
        return
    path = database_of(archive)
    held = 0
    if path.exists() and path.stat().st_size:
        with opened(path) as connection:
            held = count_of(connection)
    if noted > held:
        raise SheetlabError(behind(archive, noted, held))


def view_findings(archive: Path, connection: sqlite3.Connection) -> Iterator[Finding]:
    """How the workbook of results differs from the database."""
    if not archive.exists():
        yield _view_differs(archive, "is not there")
        return
    try:
        with open_view(archive) as view, loaded(view) as shown:
            number = _first_difference(shown, connection)
            count = count_of(shown)
    except SheetlabError as error:
        yield _view_differs(archive, f"cannot be read ({error.findings[0].found})")
        return
    held = count_of(connection)
    if number is not None and number <= min(count, held):
        yield _view_differs(archive, f"shows row {number} otherwise than the database holds it")
    elif count != held:
        yield _view_differs(archive, f"shows {count} rows, and the database holds {held}")


@contextlib.contextmanager
def loaded(view: View) -> Iterator[sqlite3.Connection]:
    """A view as a database that is thrown away: a person may have sorted its sheets."""
    with (
        tempfile.TemporaryDirectory(prefix="sheetlab-") as folder,
        contextlib.closing(sqlite3.connect(Path(folder) / "view.sqlite")) as connection,
    ):
        connection.execute("PRAGMA journal_mode = OFF")
        connection.execute("PRAGMA synchronous = OFF")
        for statement in TABLES:
            connection.execute(statement)
        try:
            insert(connection, view.records, view.numbers)
        except sqlite3.IntegrityError as error:
            raise ValueError(f"a row stands there twice: {error}") from error
        yield connection


def _first_difference(a: sqlite3.Connection, b: sqlite3.Connection) -> int | None:
    """Number of the first row, counted from 1, that two databases do not hold alike."""
    firsts = []
    for table in ("results", "numbers"):
        pairs = zip_longest(records_of(a, table), records_of(b, table))
        unlike = next((pair for pair in pairs if pair[0] != pair[1]), None)
        if unlike is not None:
            firsts.append(min(int(one[0]) for one in unlike if one is not None))
    return min(firsts, default=None)


def behind(archive: Path, noted: int, held: int) -> Finding:
    """That the database holds fewer rows than the workbook, which may be the only full copy."""
    name = database_of(archive).name
    return Finding(
        "database-behind",
        Severity.STOP,
        f"{archive.name} holds {many(noted, 'row')}, and the database {name} only {held}: it was "
        "emptied, cut off, or put back from an older copy; the workbook was left as it is",
        "a database with every row of the workbook",
        f"Copy {archive.name} to a safe place. Then move {name} away, and make it again from the "
        "workbook with “sheetlab archive import”. If the workbook is the wrong one of the two, "
        "move that away instead.",
        Place(name),
    )


def _view_open(archive: Path, what: str) -> Finding:
    return Finding(
        "view-behind",
        Severity.NOTE,
        f"{archive.name} {what} and was left as it is; all rows are safe in the database",
        "a workbook that is closed",
        "Close it: it is renewed with the next “archive add”, or with “archive export”.",
        Place(archive.name),
    )


def _view_differs(archive: Path, what: str) -> Finding:
    return Finding(
        "view-behind",
        Severity.DOUBTFUL,
        f"the workbook {archive.name} {what}",
        "a workbook that shows the database as it is",
        "It is only a view: “sheetlab archive export” writes it anew from the database.",
        Place(archive.name),
    )
