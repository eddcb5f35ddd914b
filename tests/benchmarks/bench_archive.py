"""An archive of many years: checked, charted, written out as a table, and added to."""

from __future__ import annotations

import csv
import datetime
import hashlib
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from measure import Case, Task
from msgspec.structs import replace
from python_calamine import CalamineWorkbook
from years import department

from sheetlab.years.adding import add
from sheetlab.years.checking import check
from sheetlab.years.database import append, each_row, opened
from sheetlab.years.drift import drifts
from sheetlab.years.entries import entries_of
from sheetlab.years.exchange import export
from sheetlab.years.renewing import renew

DAY = datetime.date(2026, 6, 1)
ROWS = 10
"""Rows of the archive for each workbook of the greatest class that is asked for."""
YEARS = 10
ADDED = 60
"""Workbooks that are added to the last year."""


def make(folder: Path, rows: int) -> Path:
    """An archive of invented rows in ten years, all with the numbers of one bench."""
    entry = entries_of(department.assessed(department.bench(1, "A")), 2026)[0]
    archive = folder / "DEPARTMENT.sqlite"
    with opened(archive) as connection:
        for i in range(rows):
            year = 2017 + i * YEARS // rows
            its = replace(entry, source=f"{i:064x}", year=year)
            append(connection, its, f"C{i:07}", "2026-06-01", "2099-12-31")
    return archive


def _check(archive: Path) -> None:
    assert check(archive, DAY).sound


def _drift(archive: Path) -> None:
    assert drifts(each_row(archive))


def _add(archive: Path, folder: Path) -> None:
    """Workbooks that nobody has added yet: into a copy of the archive."""
    with tempfile.TemporaryDirectory() as name:
        copy = shutil.copytree(archive.parent, Path(name) / "archive") / archive.name
        added = list(add([folder], copy, 2026, DAY, new_codes=True))
        assert sum(len(one.rows) for one in added) == ADDED


def _copy_and_read(archive: Path, folder: Path) -> None:
    """Floor: the archive is copied too, and every cell of the workbooks is read."""
    with tempfile.TemporaryDirectory() as name:
        shutil.copytree(archive.parent, Path(name) / "archive")
        for path in sorted(folder.iterdir()):
            book = CalamineWorkbook.from_path(path)
            for sheet in book.sheet_names:
                book.get_sheet_by_name(sheet).to_python()


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


def _dump(database: Path) -> None:
    """Floor: both tables go into CSV files as they are."""
    with tempfile.TemporaryDirectory() as name, closing(sqlite3.connect(database)) as connection:
        for table in ("results", "numbers"):
            with (Path(name) / f"{table}.csv").open("w", encoding="utf-8", newline="") as stream:
                csv.writer(stream).writerows(connection.execute(f"SELECT * FROM {table}"))


def cases(folder: Path, most: int) -> Iterator[Case]:
    rows = ROWS * most
    (folder / "archive").mkdir()
    archive = make(folder / "archive", rows)
    what = "sqlite and sha256 of its rows"
    yield Case(
        f"archive check, {rows} rows", Task(_check, (archive,)), Task(_digest, (archive,)), what,
        rounds=3,
    )  # fmt: skip
    yield Case(
        f"drift, {rows} rows", Task(_drift, (archive,)), Task(_digest, (archive,)), what, rounds=3
    )
    yield Case(
        f"archive export, {rows} rows", Task(_export, (archive,)),
        Task(_dump, (archive,)), "sqlite and csv, both tables", rounds=3,
    )  # fmt: skip
    renew(archive)
    for seed in range(ADDED):
        department.write(department.bench(seed, f"Group {seed}"), folder / "in")
    yield Case(
        f"archive add, {ADDED} workbooks into {rows} rows", Task(_add, (archive, folder / "in")),
        Task(_copy_and_read, (archive, folder / "in")), "copied, and python-calamine", rounds=3,
    )  # fmt: skip
