"""An archive as a table for other programs, and the database made again from the workbooks."""

from __future__ import annotations

import contextlib
import csv
import datetime
import io
import sqlite3
import tempfile
from collections.abc import Sequence
from itertools import chain
from pathlib import Path

from sheetlab.finding import Finding, Place, Severity, SheetlabError, wrong_ending
from sheetlab.handling.tables import guarded
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
        raise SheetlabError(_exists(target))
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
            raise SheetlabError(_not_exported(target, error.strerror or str(error))) from error
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
        raise SheetlabError(no_archive(archive, f"no workbook of a year is there, such as {name}"))
    with contextlib.ExitStack() as stack:
        made = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="sheetlab-"))) / "made"
        books = [stack.enter_context(open_year(path)) for path in paths.values()]
        missing = {year for book in books for year in book.years} - set(paths)
        if missing:
            raise SheetlabError(_years_missing(archive, sorted(missing)))
        end = max((book.noted for book in books), key=lambda noted: noted.last)
        with opened(made) as connection:
            try:
                for book in books:
                    insert(connection, book.records, ())
                insert(connection, (), chain.from_iterable(book.numbers for book in books))
            except (sqlite3.IntegrityError, OverflowError) as error:
                # a row twice, a number without its row, or what no column holds
                raise SheetlabError(_not_imported(archive, str(error))) from error
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
            raise SheetlabError(_not_imported(archive, str(error))) from error
    return end.last, end.digest


# -- what is refused -----------------------------------------------------------------------------


def _database_there(archive: Path) -> Finding:
    return Finding(
        "file-exists", Severity.STOP, f"{archive.name} is there already; nothing was imported",
        "a folder without the database", "If the database is damaged, move it away first.",
        Place(archive.name),
    )  # fmt: skip


def _years_missing(archive: Path, years: Sequence[int]) -> Finding:
    names = ", ".join(book_of(archive, year).name for year in years)
    return Finding(
        "years-missing", Severity.STOP,
        f"{names} {'is' if len(years) == 1 else 'are'} missing; nothing was imported, because the "
        "rows of all years are one chain of digests",
        "the workbooks of all years of the archive in one folder",
        "Take what is missing from the department’s copies, and put it beside the others.",
        Place(archive.name),
    )  # fmt: skip


def _exists(target: Path) -> Finding:
    return Finding(
        "file-exists", Severity.STOP, f"{target.name} is there already; nothing was written",
        "a new file", "Give another name, or move the old file away.", Place(target.name),
    )  # fmt: skip


def _not_imported(path: Path, why: str) -> Finding:
    return Finding(
        "archive-unreadable", Severity.STOP,
        f"the workbooks cannot be imported ({clean(why)}); nothing was",
        "the workbooks of the years, as sheetlab wrote them",
        "Take them from the department’s copies.", Place(path.name),
    )  # fmt: skip


def _not_exported(target: Path, why: str) -> Finding:
    return Finding(
        "not-written", Severity.STOP, f"{target.name} could not be written: {why}",
        "a file that can be written", "Check the folder, and the name.", Place(target.name),
    )  # fmt: skip
