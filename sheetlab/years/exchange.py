"""An archive as a table for other programs, and the database made again from what was written."""

from __future__ import annotations

import contextlib
import csv
import datetime
import json
import math
import os
import sqlite3
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from pathlib import Path

from sheetlab.finding import Finding, Place, Severity, SheetlabError, wrong_ending
from sheetlab.handling.tables import guarded, unguarded
from sheetlab.workbook.package import write_atomically
from sheetlab.years.database import insert, note_head, opened, reading, stored
from sheetlab.years.ledger import COLUMNS, NUMBER_COLUMNS, Cell, Cells, clean, typed, verify
from sheetlab.years.lock import WAIT, locked, no_archive, refuse_name
from sheetlab.years.renewing import renew
from sheetlab.years.yearbook import book_of, books_of, open_year

ENDING = ".csv"
NUMBERS = "numbers"
"""Last column: the numbers beside a row, whole, as JSON."""


# -- out -----------------------------------------------------------------------------------------


def export(archive: Path, target: Path, wait: float = WAIT) -> int:
    """Write the table to a CSV file, a row for each result; returns the number of rows.

    The numbers beside a result are columns of their own, named ``kind:id``, for other programs; the
    last column (``NUMBERS``) holds them whole, so that the table can be imported again.

    Raises
    ------
    SheetlabError
        If the archive cannot be read, the file is there already or cannot be written.
    """
    if target.suffix.lower() != ENDING:
        raise SheetlabError(wrong_ending(target.name, ENDING))
    if target.exists():
        raise SheetlabError(_exists(target))
    # written beside it, and then in its place in one step
    part = target.with_name(f".{target.name[:40]}.part")
    with reading(archive, wait) as connection:
        query = "SELECT kind, id FROM numbers GROUP BY kind, id ORDER BY MIN(row), MIN(position)"
        beside = [f"{kind}:{id_}" for kind, id_ in connection.execute(query)]
        try:
            count = write_csv(part, beside, stored(connection))
            if target.exists():
                raise SheetlabError(_exists(target))
            part.replace(target)
        except OSError as error:
            raise SheetlabError(_not_exported(target, error.strerror or str(error))) from error
        finally:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
    return count


def write_csv(target: Path, beside: Sequence[str], rows: Iterable[Cells]) -> int:
    """Write rows to a CSV file; ``beside``: numbers with a column each. Returns how many."""
    count = 0
    with target.open("w", encoding="utf-8-sig", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow([*COLUMNS, *beside, NUMBERS])
        for record, numbers in rows:
            values = {f"{kind}:{id_}": value for _, _, kind, id_, _, value, *_ in numbers}
            whole = json.dumps([one[2:] for one in numbers], ensure_ascii=True)
            cells = [*record, *map(values.get, beside), whole]
            writer.writerow([guarded(v) if isinstance(v, str) else v for v in cells])
            count += 1
        stream.flush()
        os.fsync(stream.fileno())
    return count


# -- in ------------------------------------------------------------------------------------------


def import_books(archive: Path, today: datetime.date, wait: float = WAIT) -> tuple[int, str]:
    """Make the database again from the workbooks of the years; its rows, and the last digest.

    Raises
    ------
    SheetlabError
        If there is a database, a year is missing, or the rows are not complete and unaltered.
    """
    books = books_of(archive)
    if archive.exists():
        raise SheetlabError(_database_there(archive))
    if not books:
        name = book_of(archive, today.year).name
        raise SheetlabError(no_archive(archive, f"no workbook of a year is there, such as {name}"))
    with contextlib.ExitStack() as stack:
        opened_books = [stack.enter_context(open_year(path)) for path in books.values()]
        missing = {year for book in opened_books for year in book.years} - set(books)
        if missing:
            raise SheetlabError(_years_missing(archive, sorted(missing)))
        last = max((book.noted for book in opened_books), key=lambda noted: noted.last)
        try:
            return _begin(
                archive,
                chain.from_iterable(book.records for book in opened_books),
                chain.from_iterable(book.numbers for book in opened_books),
                (last.last, last.digest), today, wait,
            )  # fmt: skip
        except (OSError, ValueError) as error:
            raise SheetlabError(_not_imported(archive, "the workbooks", str(error))) from error


def import_table(
    archive: Path, source: Path, today: datetime.date, wait: float = WAIT
) -> tuple[int, str]:
    """Make the database from a file that ``export`` wrote; its rows, and the digest of the last.

    Raises
    ------
    SheetlabError
        If there is a database or a workbook of a year, or the file is not complete up to its last
        row and unaltered.
    """
    if archive.exists():
        raise SheetlabError(_database_there(archive))
    there = next(iter(books_of(archive).values()), None)
    if there is not None:
        raise SheetlabError(_books_there(there))
    try:
        count, head = _begin(archive, _records(source), _numbers(source), None, today, wait)
    except (OSError, ValueError, KeyError, TypeError, OverflowError, csv.Error) as error:
        raise SheetlabError(_not_imported(source, source.name, str(error))) from error
    findings = renew(archive, wait)
    if findings:
        raise SheetlabError(*findings)
    return count, head


def _begin(
    archive: Path, records: Iterable[Sequence[Cell]], numbers: Iterable[Sequence[Cell]],
    noted: tuple[int, str] | None, today: datetime.date, wait: float,
) -> tuple[int, str]:  # fmt: skip
    """A database of rows that prove themselves; ``noted``: count and digest of the last one."""
    refuse_name(archive)
    with tempfile.TemporaryDirectory(prefix="sheetlab-") as folder:
        made = Path(folder) / archive.name
        with opened(made) as connection:
            try:
                insert(connection, records, numbers)
            except sqlite3.IntegrityError as error:
                raise ValueError(f"a row stands there twice: {error}") from error
            query = "SELECT number, digest FROM results ORDER BY number DESC LIMIT 1"
            end = noted or connection.execute(query).fetchone()
            if end is None:
                raise ValueError("there is no row")
            count, head = end
            broken = verify(stored(connection), count, head, today)
            if broken is not None:
                raise SheetlabError(broken.at(Place(archive.name)))
            note_head(connection, count, head)
        with locked(archive, wait), made.open("rb") as stream:
            if archive.exists():
                raise SheetlabError(_database_there(archive))
            write_atomically(archive, stream)
    return count, head


def _records(source: Path) -> Iterator[list[Cell]]:
    for record in _read(source):
        cells = [
            unguarded(record[name]) if kind is str else _number(record[name])
            for name, kind in COLUMNS.items()
        ]
        yield typed(cells, COLUMNS)


def _numbers(source: Path) -> Iterator[list[Cell]]:
    for record in _read(source):
        for position, one in enumerate(json.loads(unguarded(record[NUMBERS]))):
            yield typed([_number(record["number"]), position, *one], NUMBER_COLUMNS)


def _read(source: Path) -> Iterator[dict[str, str]]:
    with source.open(encoding="utf-8-sig", newline="") as stream:
        yield from csv.DictReader(stream, restval="", strict=True)


def _number(text: str) -> float | None:
    if not text:
        return None
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text[:20]} is no number")
    return number


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


def _books_there(book: Path) -> Finding:
    return Finding(
        "file-exists", Severity.STOP, f"{book.name} is there already; nothing was imported",
        "an archive that is begun by the import", "Give the name of a new archive.",
        Place(book.name),
    )  # fmt: skip


def _not_imported(path: Path, source: str, why: str) -> Finding:
    return Finding(
        "archive-unreadable", Severity.STOP,
        f"{source} cannot be imported ({clean(why)}); nothing was",
        "a .csv file that “sheetlab archive export” wrote, or the workbooks of the years",
        "Export it again, or take the workbooks of the years.", Place(path.name),
    )  # fmt: skip


def _not_exported(target: Path, why: str) -> Finding:
    return Finding(
        "not-written", Severity.STOP, f"{target.name} could not be written: {why}",
        "a file that can be written", "Check the folder, and the name.", Place(target.name),
    )  # fmt: skip
