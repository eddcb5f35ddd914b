"""An archive as a table for other programs, and the database made again from the workbooks."""

from __future__ import annotations

import contextlib
import csv
import datetime
import io
import sqlite3
import tempfile
from itertools import chain
from pathlib import Path

from sheetlab.finding import (
    Finding,
    Place,
    Severity,
    SheetlabError,
    file_exists,
    finding,
    not_written,
    wrong_ending,
)
from sheetlab.handling.tables import guarded
from sheetlab.messages import phrase
from sheetlab.workbook.package import write_atomically
from sheetlab.years.database import (
    WAIT,
    head_of,
    insert,
    locked,
    no_archive,
    note_head,
    opened,
    reading,
    refuse_name,
    stored,
)
from sheetlab.years.ledger import COLUMNS, clean, verify
from sheetlab.years.yearbook import book_of, books_of, open_year

ENDING = ".csv"


def export(archive: Path, target: Path, wait: float = WAIT) -> int:
    """Write the table to a CSV file, a row for each result; returns the number of rows.

    The numbers beside a result are columns of their own, named ``kind:id``.

    Raises
    ------
    SheetlabError
        If the archive cannot be read, the file is there already or cannot be written.
    """
    if target.suffix.lower() != ENDING:
        raise SheetlabError(wrong_ending(target.name, ENDING))
    if target.exists():
        raise SheetlabError(file_exists(target))
    query = "SELECT kind, id FROM numbers GROUP BY kind, id ORDER BY MIN(row), MIN(position)"
    with tempfile.TemporaryFile() as made, reading(archive, wait) as connection:
        stream = io.TextIOWrapper(made, encoding="utf-8-sig", newline="")
        writer = csv.writer(stream)
        beside = [f"{kind}:{id_}" for kind, id_ in connection.execute(query)]
        writer.writerow([*COLUMNS, *beside])
        for record, numbers in stored(connection):
            values = {f"{kind}:{id_}": value for _, _, kind, id_, _, value, *_ in numbers}
            cells = [*record, *map(values.get, beside)]
            writer.writerow([guarded(v) if isinstance(v, str) else v for v in cells])
        stream.flush()
        made.seek(0)
        try:
            write_atomically(target, made)
        except OSError as error:
            raise SheetlabError(not_written(target, error)) from error
        return head_of(connection)[0]


def import_books(archive: Path, today: datetime.date, wait: float = WAIT) -> tuple[int, str]:
    """Make the database again from the workbooks of the years; its rows, and the last digest.

    Raises
    ------
    SheetlabError
        If there is a database, a year is missing, or the rows are not complete and unaltered.
    """
    refuse_name(archive)
    paths = books_of(archive)
    if archive.exists():
        raise SheetlabError(_database_there(archive))
    if not paths:
        name = book_of(archive, today.year).name
        raise no_archive(archive, phrase("no-archive-workbook", name=name))
    with contextlib.ExitStack() as stack:
        made = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="sheetlab-"))) / "made"
        books = [stack.enter_context(open_year(path)) for path in paths.values()]
        missing = {year for book in books for year in book.years} - set(paths)
        if missing:
            names = tuple(book_of(archive, year).name for year in sorted(missing))
            raise SheetlabError(finding(
                "years-missing", Severity.STOP, Place(archive.name), names=names, count=len(names)
            ))  # fmt: skip
        end = max((book.noted for book in books), key=lambda noted: noted.last)
        with opened(made) as connection:
            try:
                for book in books:
                    insert(connection, book.records, ())
                insert(connection, (), chain.from_iterable(book.numbers for book in books))
            except (sqlite3.IntegrityError, OverflowError) as error:
                # a row twice, a number without its row, or what no column holds
                raise SheetlabError(_not_imported(archive, error)) from error
            broken = verify(stored(connection), end.last, end.digest, today)
            if broken is not None:
                raise SheetlabError(broken.at(Place(archive.name)))
            note_head(connection, end.last, end.digest)
        try:
            with locked(archive, wait), made.open("rb") as stream:
                if archive.exists():
                    raise SheetlabError(_database_there(archive))
                write_atomically(archive, stream)
        except OSError as error:
            raise SheetlabError(_not_imported(archive, error)) from error
    return end.last, end.digest


def _database_there(archive: Path) -> Finding:
    return finding("file-exists_database", Severity.STOP, Place(archive.name), name=archive.name)


def _not_imported(archive: Path, error: Exception) -> Finding:
    why = clean(str(error))
    return finding("archive-unreadable_import", Severity.STOP, Place(archive.name), error=why)
