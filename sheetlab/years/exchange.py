"""An archive as a table for other programs, and the database made again from what was written."""

from __future__ import annotations

import contextlib
import csv
import datetime
import sqlite3
from functools import partial
from pathlib import Path

from sheetlab.finding import Finding, Place, Severity, SheetlabError
from sheetlab.years.archivebook import View, open_view
from sheetlab.years.archivefiles import (
    PARQUET,
    read_csv,
    read_parquet,
    split,
    wide,
    write_csv,
    write_parquet,
)
from sheetlab.years.database import (
    database_of,
    insert,
    note_head,
    opened,
    records_of,
    rows_in,
    snapshot,
)
from sheetlab.years.ledger import clean, verify
from sheetlab.years.lock import WAIT, locked
from sheetlab.years.view import loaded, renew_view


def export(archive: Path, target: Path, wait: float = WAIT) -> int:
    """Write the table to a CSV or Parquet file, a row a result; returns the number of rows.

    The numbers beside a result are columns of their own, named ``kind:id``, for other programs; the
    last column (``NUMBERS``) holds them whole, so that the table can be imported again.

    Raises
    ------
    SheetlabError
        If the archive cannot be read, the file is there already or cannot be written.
    """
    if target.exists():
        raise SheetlabError(_exists(target))
    write = write_parquet if target.suffix.lower() == PARQUET else write_csv
    with snapshot(archive, wait) as (connection, _):
        query = "SELECT kind, id FROM numbers GROUP BY kind, id ORDER BY MIN(row), MIN(position)"
        beside = [f"{kind}:{id_}" for kind, id_ in connection.execute(query)]
        records = map(partial(wide, beside=beside), rows_in(connection, archive))
        # written beside it, and then in its place in one step
        part = target.with_name(f".{target.name[:40]}.part")
        try:
            count = write(part, beside, records)
            if target.exists():
                raise SheetlabError(_exists(target))
            part.replace(target)
        except ImportError as error:
            raise SheetlabError(_no_parquet(target, "written")) from error
        except OSError as error:
            raise SheetlabError(_not_exported(target, error.strerror or str(error))) from error
        finally:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
    return count


def import_view(archive: Path, today: datetime.date, wait: float = WAIT) -> tuple[int, str]:
    """Make the database again from the workbook of results; its rows, and the digest of the last.

    Raises
    ------
    SheetlabError
        If there is a database, or the workbook is not complete and unaltered.
    """
    with open_view(archive) as view, loaded(view) as found:
        _import(archive, found, view.count, view.head, today, wait, archive.name)
        return view.count, view.head


def import_table(
    archive: Path, source: Path, today: datetime.date, wait: float = WAIT
) -> tuple[int, str]:
    """Make the database from a file that ``export`` wrote; its rows, and the digest of the last.

    Raises
    ------
    SheetlabError
        If there is a database, or the file is not complete up to its last row and unaltered.
    """
    if archive.exists():
        raise SheetlabError(_view_there(archive))
    read = read_parquet if source.suffix.lower() == PARQUET else read_csv
    try:
        with loaded(View(*split(partial(read, source)), 0, "")) as found:
            query = "SELECT number, digest FROM results ORDER BY number DESC LIMIT 1"
            last = found.execute(query).fetchone()
            if last is None:
                raise ValueError("it holds no row")
            count, head = last
            _import(archive, found, count, head, today, wait, source.name)
    except ImportError as error:
        raise SheetlabError(_no_parquet(source, "read")) from error
    except (OSError, ValueError, KeyError, TypeError, OverflowError, csv.Error) as error:
        raise SheetlabError(_not_imported(source, clean(str(error)))) from error
    finding = renew_view(archive, wait)
    if finding is not None:
        raise SheetlabError(finding)
    return count, head


def _import(
    archive: Path, found: sqlite3.Connection, count: int, head: str, today: datetime.date,
    wait: float, source: str,
) -> None:  # fmt: skip
    broken = verify(rows_in(found, archive), count, head, today)
    if broken is not None:
        raise SheetlabError(broken.at(Place(source)))
    database = database_of(archive)
    new = database.with_name(f"{database.name}-new")
    with locked(archive, wait):
        if database.exists():
            raise SheetlabError(_database_there(archive))
        for left in (new, new.with_name(f"{new.name}-journal")):
            # of one that was killed
            left.unlink(missing_ok=True)
        with opened(new) as connection:
            insert(connection, records_of(found), records_of(found, "numbers"))
            note_head(connection, count, head)
        new.replace(database)


def _database_there(archive: Path) -> Finding:
    return Finding(
        "file-exists",
        Severity.STOP,
        f"{database_of(archive).name} is there already; nothing was imported",
        "a folder without the database",
        "If the database is damaged, move it away first.",
        Place(archive.name),
    )


def _exists(target: Path) -> Finding:
    return Finding(
        "file-exists", Severity.STOP, f"{target.name} is there already; nothing was written",
        "a new file", "Give another name, or move the old file away.", Place(target.name),
    )  # fmt: skip


def _view_there(archive: Path) -> Finding:
    return Finding(
        "file-exists", Severity.STOP, f"{archive.name} is there already; nothing was imported",
        "an archive that is begun by the import", "Give the name of a new archive.",
        Place(archive.name),
    )  # fmt: skip


def _not_imported(source: Path, why: str) -> Finding:
    return Finding(
        "archive-unreadable", Severity.STOP,
        f"{source.name} cannot be imported ({why}); nothing was",
        "a .csv or .parquet file that “sheetlab archive export” wrote",
        "Export it again, or take the workbook of results.", Place(source.name),
    )  # fmt: skip


def _no_parquet(path: Path, what: str) -> Finding:
    return Finding(
        "no-pyarrow", Severity.STOP,
        f"{path.name} could not be {what}: Parquet needs pyarrow, which is not installed here",
        "pyarrow, or a .csv file",
        'Install it with pip install ".[columnar]" in the folder of sheetlab, or take .csv.',
        Place(path.name),
    )  # fmt: skip


def _not_exported(target: Path, why: str) -> Finding:
    return Finding(
        "not-written", Severity.STOP, f"{target.name} could not be written: {why}",
        "a file that can be written", "Check the folder, and the name.", Place(target.name),
    )  # fmt: skip
