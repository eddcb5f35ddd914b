"""An archive of many years: checked, charted, and written out as a table."""

from __future__ import annotations

import csv
import datetime
import hashlib
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from measure import Case, Task, sheetlab
from years import department

from sheetlab.years.archivefiles import wide, write_csv
from sheetlab.years.checking import check
from sheetlab.years.database import database_of
from sheetlab.years.exchange import export, import_table
from sheetlab.years.ledger import Ledger, entries_of

DAY = datetime.date(2026, 6, 1)
ROWS = 10
"""Rows of the archive for each workbook of the greatest class that is asked for."""


def make(folder: Path, rows: int) -> Path:
    """An archive of invented rows, all with the numbers of one bench."""
    entry = entries_of(department.assessed(department.bench(1, "A")), 2026)[0]
    ledger = Ledger()
    made = (
        ledger.append(replace(entry, source=f"{i:064x}"), f"C{i:07}", "2026-06-01", "2027-12-31")
        for i in range(rows)
    )
    table = folder / "all.csv"
    write_csv(table, [], (wide(row, []) for row in made))
    archive = folder / "DEPARTMENT.xlsx"
    import_table(archive, table, DAY)
    return archive


def _check(archive: Path) -> None:
    assert check(archive, DAY).sound


def _digest(database: Path) -> None:
    """Floor: every row is read, and a digest made of it and the one before."""
    with closing(sqlite3.connect(database)) as connection:
        digest = b""
        for table in ("results", "numbers"):
            for row in connection.execute(f"SELECT * FROM {table}"):
                digest = hashlib.sha256(digest + repr(row).encode()).digest()


def _export(archive: Path) -> None:
    with tempfile.TemporaryDirectory() as name:
        export(archive, Path(name) / "all.csv")


def _drift(archive: Path) -> None:
    sheetlab("drift", str(archive))


def _numbers(database: Path) -> None:
    """Floor: every number is read."""
    with closing(sqlite3.connect(database)) as connection:
        for _ in connection.execute("SELECT * FROM numbers ORDER BY row, position"):
            pass


def _dump(database: Path) -> None:
    """Floor: both tables go into CSV files as they are."""
    with tempfile.TemporaryDirectory() as name, closing(sqlite3.connect(database)) as connection:
        for table in ("results", "numbers"):
            with (Path(name) / f"{table}.csv").open("w", encoding="utf-8", newline="") as stream:
                csv.writer(stream).writerows(connection.execute(f"SELECT * FROM {table}"))


def cases(folder: Path, most: int) -> Iterator[Case]:
    rows = ROWS * most
    archive = make(folder, rows)
    database = database_of(archive)
    yield Case(
        f"archive check, {rows} rows and workbook", Task(_check, (archive,)),
        Task(_digest, (database,)), "sqlite and sha256 of its rows", rounds=3,
    )  # fmt: skip
    yield Case(
        f"drift, {rows} rows", Task(_drift, (archive,), children=True),
        Task(_numbers, (database,)), "sqlite reads its numbers", rounds=3,
    )  # fmt: skip
    yield Case(
        f"archive export, {rows} rows", Task(_export, (archive,)),
        Task(_dump, (database,)), "sqlite and csv, both tables", rounds=3,
    )  # fmt: skip
