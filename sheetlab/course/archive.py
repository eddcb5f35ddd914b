"""The table of the years on disk: a database, a workbook that shows it, a list of codes.

The database is the truth. The workbook is written from it and can be made again; the list of codes
is the only place that knows which group is behind a code, and can be deleted.
"""

from __future__ import annotations

import contextlib
import csv
import datetime
import io
import sqlite3
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sheetlab.checks.completeness import NOT_FILLED
from sheetlab.course.archivebook import MOST_READ, read_view, view_bytes
from sheetlab.course.batch import workbooks_among
from sheetlab.course.ledger import (
    COLUMNS,
    FIRST,
    NUMBER_COLUMNS,
    Ledger,
    Row,
    clean,
    entries_of,
    flat,
    flat_numbers,
    holds,
    ledger_of,
    new_code,
    rows_from,
    verify,
)
from sheetlab.course.tables import guarded, unguarded
from sheetlab.finding import Finding, Place, Severity, SheetlabError
from sheetlab.workbook.evaluate_file import FileOutcome, evaluate_file
from sheetlab.workbook.package import open_elsewhere, write_atomically

WAIT = 30.0
"""Seconds to wait for another PC that is writing."""
BATCH = 50
"""Workbooks that are written to the database in one step."""
FORMAT = "1"
KEY_COLUMNS = ("code", "year", "group")


def database_of(archive: Path) -> Path:
    """The database beside a workbook of results."""
    return archive.with_suffix(".sqlite")


def codes_of(archive: Path) -> Path:
    """The usual list of codes of an archive."""
    return archive.with_name(f"{archive.stem} codes.csv")


def last_day(year: int) -> datetime.date:
    """The day to which codes are kept if nothing else is said: the end of the following year."""
    return datetime.date(year + 1, 12, 31)


# -- the database -----------------------------------------------------------------------------


@contextlib.contextmanager
def locked(archive: Path, wait: float = WAIT) -> Iterator[None]:
    """Keep everyone else out of an archive, on this PC and on others.

    Raises
    ------
    SheetlabError
        If someone else is still in it after ``wait`` seconds, or the folder cannot be written to.
    """
    from filelock import FileLock, Timeout

    if archive.suffix.lower() != ".xlsx":
        # the workbook must not be written over the database
        raise SheetlabError(_no_archive(archive, f"{archive.name} is no name of a workbook"))
    if not archive.parent.is_dir():
        raise SheetlabError(_no_archive(archive, f"there is no folder {archive.parent}"))
    lock = FileLock(archive.with_suffix(".lock"), timeout=wait)
    try:
        lock.acquire()
    except Timeout as error:
        raise SheetlabError(_busy(archive, wait)) from error
    except (OSError, NotImplementedError) as error:
        raise SheetlabError(_unreadable(archive, f"cannot be locked ({error})")) from error
    try:
        yield
    finally:
        lock.release()


_SQL = {str: "TEXT NOT NULL", int: "INTEGER NOT NULL", float: "REAL"}
_SCHEMA = (
    "CREATE TABLE IF NOT EXISTS head (format TEXT NOT NULL, count INTEGER NOT NULL, "
    "digest TEXT NOT NULL)",
    "CREATE TABLE IF NOT EXISTS results ("
    + ", ".join(f'"{name}" {_SQL[kind]}' for name, kind in COLUMNS.items())
    + ', PRIMARY KEY ("number"))',
    "CREATE TABLE IF NOT EXISTS numbers ("
    + ", ".join(f'"{name}" {_SQL[kind]}' for name, kind in NUMBER_COLUMNS.items())
    + ', PRIMARY KEY ("row", "position"))',
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
def _opened(archive: Path) -> Iterator[sqlite3.Connection]:
    """The database in one transaction: all of it is kept, or nothing of it."""
    path = database_of(archive)
    connection = None
    try:
        connection = sqlite3.connect(path, isolation_level=None, timeout=WAIT)
        # one file that every share can hold: no write-ahead log, which needs shared memory
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("BEGIN IMMEDIATE")
        for statement in _SCHEMA:
            connection.execute(statement)
        if connection.execute("SELECT COUNT(*) FROM head").fetchone() == (0,):
            connection.execute("INSERT INTO head VALUES (?, 0, ?)", (FORMAT, FIRST))
        yield connection
        connection.execute("COMMIT")
    except sqlite3.OperationalError as error:
        raise SheetlabError(_unreadable(path, f"cannot be used ({error})")) from error
    except sqlite3.DatabaseError as error:
        raise SheetlabError(_unreadable(path, f"is damaged or no database ({error})")) from error
    finally:
        if connection is not None:
            # what was not committed is taken back
            connection.close()


def _rows(connection: sqlite3.Connection, archive: Path, numbers: bool = True) -> list[Row]:
    names = ", ".join(f'"{name}"' for name in COLUMNS)
    records = connection.execute(f"SELECT {names} FROM results ORDER BY rowid").fetchall()
    beside: list[tuple[object, ...]] = []
    if numbers:
        names = ", ".join(f'"{name}"' for name in NUMBER_COLUMNS)
        beside = connection.execute(f"SELECT {names} FROM numbers").fetchall()
    try:
        return rows_from(records, beside)
    except ValueError as error:
        reason = f"holds what it should not ({error})"
        raise SheetlabError(_unreadable(database_of(archive), reason)) from error


def _head(connection: sqlite3.Connection) -> tuple[int, str]:
    count, digest = connection.execute("SELECT count, digest FROM head").fetchone()
    return int(count), str(digest)


def _insert(connection: sqlite3.Connection, rows: Sequence[Row]) -> None:
    marks = ", ".join("?" * len(COLUMNS))
    connection.executemany(f"INSERT INTO results VALUES ({marks})", map(flat, rows))
    marks = ", ".join("?" * len(NUMBER_COLUMNS))
    beside = [one for row in rows for one in flat_numbers(row)]
    connection.executemany(f"INSERT INTO numbers VALUES ({marks})", beside)
    if rows:
        last = rows[-1]
        connection.execute("UPDATE head SET count = ?, digest = ?", (last.number, last.digest))


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
    _expect(archive)
    with locked(archive, wait), _opened(archive) as connection:
        return Table(tuple(_rows(connection, archive)), *_head(connection))


def _expect(archive: Path) -> None:
    if not database_of(archive).exists():
        raise SheetlabError(_no_database(archive))


# -- the list of codes -------------------------------------------------------------------------


@dataclass(slots=True)
class KeyList:
    """Which group is behind a code."""

    path: Path
    groups: dict[tuple[int, str], tuple[str, str]] = field(default_factory=dict)
    """Code and name by year and folded name."""
    codes: set[str] = field(default_factory=set)
    """All codes that the list explains."""
    changed: bool = False

    def find(self, year: int, group: str) -> str:
        """The code of a group; empty if it has none."""
        return self.groups.get((year, _folded(group)), ("", ""))[0]

    def keep(self, year: int, group: str, code: str) -> None:
        """Note the code of a group."""
        self.groups[(year, _folded(group))] = (code, clean(group))
        self.codes.add(code)
        self.changed = True

    def forget(self, codes: set[str]) -> int:
        """Take the names behind codes away; returns how many there were."""
        before = len(self.groups)
        self.groups = {k: v for k, v in self.groups.items() if v[0] not in codes}
        self.codes -= codes
        self.changed = len(self.groups) < before
        return before - len(self.groups)

    def save(self) -> None:
        """Write the list if it has changed."""
        if not self.changed:
            return
        buffer = io.StringIO(newline="")
        writer = csv.writer(buffer)
        writer.writerow(KEY_COLUMNS)
        for (year, _), (code, group) in self.groups.items():
            writer.writerow([code, year, guarded(group)])
        _tidy(self.path)
        write_atomically(self.path, buffer.getvalue().encode("utf-8-sig"))
        self.changed = False


def read_codes(path: Path) -> KeyList:
    """The list of codes in a file; an empty one if there is no file.

    Raises
    ------
    SheetlabError
        If the file is something else, or cannot be read.
    """
    found = KeyList(path)
    if path.suffix.lower() != ".csv":
        raise SheetlabError(_key_list_refused(path, "its name does not end in .csv"))
    if not path.exists():
        return found
    try:
        rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
        if tuple(rows[0]) != KEY_COLUMNS:
            raise ValueError(f"its first row is not {', '.join(KEY_COLUMNS)}")
        for code, year, group in filter(None, rows[1:]):
            name = unguarded(group)
            found.keep(int(year), name, clean(code))
    except (OSError, ValueError, IndexError, csv.Error) as error:
        raise SheetlabError(_key_list_refused(path, str(error))) from error
    found.changed = False
    return found


def _folded(group: str) -> str:
    return unicodedata.normalize("NFKC", clean(group)).casefold()


# -- adding --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Added:
    """What became of one workbook. Rows that are told of are on the disk."""

    path: Path
    rows: tuple[Row, ...] = ()
    finding: Finding | None = None
    """Why nothing was added; None also if it was there already."""


def add(
    files: Iterable[Path],
    archive: Path,
    year: int,
    today: datetime.date,
    codes: Path | None = None,
    keep_until: datetime.date | None = None,
    wait: float = WAIT,
) -> Iterator[Added]:
    """Evaluate workbooks and append their results; the last step renews the workbook of results.

    Parameters
    ----------
    codes
        List of codes; None: the usual one beside the archive.
    keep_until
        Day to which the codes are kept; None: the end of the year that follows.

    Raises
    ------
    SheetlabError
        If the archive or the list of codes cannot be used; what was told of before is kept.
    """
    if archive.exists() and not database_of(archive).exists():
        raise SheetlabError(_no_database(archive))
    paths = list(workbooks(files, archive))
    keys = codes or codes_of(archive)
    until = (keep_until or last_day(year)).isoformat()
    for start in range(0, len(paths), BATCH):
        outcomes = [evaluate_file(path, None, trials=0) for path in paths[start : start + BATCH]]
        with locked(archive, wait):
            yield from _append(outcomes, archive, keys, year, today.isoformat(), until)
    finding = renew_view(archive, wait)
    if finding is not None:
        yield Added(archive, finding=finding)


def workbooks(files: Iterable[Path], archive: Path) -> Iterator[Path]:
    """Files as given, and the workbooks in folders and below them, in order of their paths."""
    for path in files:
        if not path.is_dir():
            yield path
            continue
        below = sorted(path.rglob("*"))
        names: dict[Path, list[str]] = {}
        for one in below:
            names.setdefault(one.parent, []).append(one.name)
        known = {parent: workbooks_among(found) for parent, found in names.items()}
        for one in below:
            if one.name in known[one.parent] and one.resolve() != archive.resolve():
                yield one


def _append(
    outcomes: Sequence[FileOutcome], archive: Path, codes: Path, year: int, today: str, until: str
) -> list[Added]:
    keys = read_codes(codes)
    with _opened(archive) as connection:
        ledger = ledger_of(_rows(connection, archive, numbers=False))
        if (ledger.count, ledger.head) != _head(connection):
            # nothing is built on a broken chain
            raise SheetlabError(_to_check(archive))
        added = [_added(one, ledger, keys, year, today, until) for one in outcomes]
        # names first: a code without rows does no harm, rows without a code would come twice
        try:
            keys.save()
        except OSError as error:
            reason = f"it cannot be written: {error.strerror or error}"
            raise SheetlabError(_key_list_refused(codes, reason)) from error
        _insert(connection, [row for one in added for row in one.rows])
    return added


def _added(
    outcome: FileOutcome, ledger: Ledger, keys: KeyList, year: int, today: str, until: str
) -> Added:
    assessment = outcome.assessment
    if assessment is None:
        return Added(outcome.path, finding=outcome.findings[0])
    blank = next((f for f in outcome.findings if f.code == NOT_FILLED), None)
    if blank is not None:
        return Added(outcome.path, finding=blank)
    group = clean(assessment.observations.entry("start.group").text) or outcome.path.stem
    code = keys.find(year, group)
    entries = entries_of(assessment, year)
    new = [one for one in entries if not ledger.there(one, code, keys.codes)]
    other = next(filter(None, map(ledger.other_year, new)), None)
    if other is not None:
        return Added(outcome.path, finding=_other_year(outcome.path, other, year))
    if new and not code:
        code = new_code(keys.codes)
        keys.keep(year, group, code)
    rows = [ledger.append(one, code, today, until) for one in new]
    return Added(outcome.path, tuple(rows))


def renew_view(archive: Path, wait: float = WAIT) -> Finding | None:
    """Write the workbook of results anew; a finding if it could not be replaced.

    Raises
    ------
    SheetlabError
        If there is no database, it is damaged, or someone else does not let go of it.
    """
    _expect(archive)
    with locked(archive, wait):
        with _opened(archive) as connection:
            rows, head = _rows(connection, archive), _head(connection)
        return _write_view(archive, rows, head)


def _write_view(archive: Path, rows: Sequence[Row], head: tuple[int, str]) -> Finding | None:
    _tidy(archive)
    if open_elsewhere(archive):
        return _view_open(archive, "is open in a spreadsheet program")
    try:
        write_atomically(archive, view_bytes(rows, *head))
    except OSError as error:
        return _view_open(archive, f"could not be replaced ({error.strerror or error})")
    return None


def _tidy(target: Path) -> None:
    """Take away what writers of a file left that were killed; only under the lock."""
    name = "".join(f"[{char}]" if char in "*?[" else char for char in target.stem[:40])
    for left in target.parent.glob(f".{name}-{'?' * 8}.part"):
        with contextlib.suppress(OSError):
            left.unlink()


# -- checking, purging, importing, exporting ----------------------------------------------------


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check came to."""

    count: int
    head: str
    findings: tuple[Finding, ...]
    """The first broken row stops; a workbook that differs from the database is only doubtful."""

    @property
    def sound(self) -> bool:
        """Whether the database is complete and unaltered."""
        return all(f.severity is not Severity.STOP for f in self.findings)


def check(archive: Path, today: datetime.date, expect: str = "", wait: float = WAIT) -> Checked:
    """Whether the table is complete and unaltered, and the workbook shows it.

    Parameters
    ----------
    expect
        A digest that was noted at another time; its row has to be there still.

    Raises
    ------
    SheetlabError
        If there is no archive, it is damaged, or someone else does not let go of it.
    """
    table = read(archive, wait)
    findings = []
    broken = verify(table.rows, table.count, table.head, today)
    if broken is not None:
        findings.append(broken.at(Place(database_of(archive).name)))
    elif expect and not holds(table.rows, expect):
        findings.append(_not_there(archive, expect))
    findings += _view_findings(archive, table)
    return Checked(table.count, table.head, tuple(findings))


def _view_findings(archive: Path, table: Table) -> Iterator[Finding]:
    if not archive.exists():
        yield _view_differs(archive, "is not there")
        return
    if len(table.rows) > MOST_READ:
        yield _not_compared(archive)
        return
    try:
        rows, _, _ = read_view(archive)
    except SheetlabError as error:
        yield _view_differs(archive, f"cannot be read ({error.findings[0].found})")
        return
    for i, (shown, kept) in enumerate(zip(rows, table.rows, strict=False), 1):
        if shown != kept:
            yield _view_differs(archive, f"shows row {i} otherwise than the database holds it")
            return
    if len(rows) != len(table.rows):
        what = f"shows {len(rows)} rows, and the database holds {len(table.rows)}"
        yield _view_differs(archive, what)


@dataclass(frozen=True, slots=True)
class Purged:
    """What a purge took away."""

    names: int
    rows: int
    waiting: int
    """Rows whose codes are not due."""
    finding: Finding | None
    """Why the workbook of results still shows the codes."""


def purge(
    archive: Path, today: datetime.date, codes: Path | None = None, wait: float = WAIT
) -> Purged:
    """Take away the codes, and the names behind them, that need not be kept any longer.

    The results stay. A code that stands in several rows goes when the last of them is due.

    Raises
    ------
    SheetlabError
        If there is no archive, it is damaged, or someone else does not let go of it.
    """
    _expect(archive)
    keys = read_codes(codes or codes_of(archive))
    with locked(archive, wait):
        with _opened(archive) as connection:
            rows = _rows(connection, archive)
            until: dict[str, str] = {}
            for row in rows:
                if row.code:
                    until[row.code] = max(until.get(row.code, ""), row.keep_until)
            due = {code for code, day in until.items() if day < today.isoformat()}
            gone = [row.number for row in rows if row.code in due]
            connection.executemany(
                "UPDATE results SET code = '', salt = '' WHERE number = ?", [(n,) for n in gone]
            )
            names = keys.forget(due)
            # the names first: if this is cut short, the codes are there to find them again
            keys.save()
            rows, head = _rows(connection, archive), _head(connection)
        finding = _write_view(archive, rows, head)
    waiting = sum(bool(row.code) for row in rows)
    return Purged(names, len(gone), waiting, finding)


def import_view(archive: Path, today: datetime.date, wait: float = WAIT) -> Table:
    """Make the database again from the workbook of results.

    Raises
    ------
    SheetlabError
        If there is a database, or the workbook is not complete and unaltered.
    """
    rows, count, head = read_view(archive)
    broken = verify(rows, count, head, today)
    if broken is not None:
        raise SheetlabError(broken.at(Place(archive.name)))
    with locked(archive, wait):
        if database_of(archive).exists():
            raise SheetlabError(_database_there(archive))
        with _opened(archive) as connection:
            _insert(connection, rows)
    return Table(tuple(rows), count, head)


def export(archive: Path, target: Path, wait: float = WAIT) -> int:
    """Write the table to a CSV or Parquet file, a row a result; returns the number of rows.

    The numbers beside a result are columns of their own, named ``kind:id``.

    Raises
    ------
    SheetlabError
        If the archive cannot be read, the file is there already or cannot be written.
    """
    if target.exists():
        raise SheetlabError(_exists(target))
    rows = read(archive, wait).rows
    beside = list(dict.fromkeys(f"{n.kind}:{n.id}" for row in rows for n in row.entry.numbers))
    names = [*COLUMNS, *beside]
    table = []
    for row in rows:
        extra = {f"{n.kind}:{n.id}": n.value for n in row.entry.numbers}
        table.append([*flat(row), *(extra.get(name) for name in beside)])
    if target.suffix.lower() == ".parquet":
        data = _parquet(names, table, target)
    else:
        buffer = io.StringIO(newline="")
        writer = csv.writer(buffer)
        writer.writerow(names)
        for record in table:
            writer.writerow([guarded(v) if isinstance(v, str) else v for v in record])
        data = buffer.getvalue().encode("utf-8-sig")
    try:
        write_atomically(target, data)
    except OSError as error:
        raise SheetlabError(_not_exported(target, error.strerror or str(error))) from error
    return len(rows)


def _parquet(names: Sequence[str], table: Sequence[Sequence[object]], target: Path) -> bytes:
    try:
        import pandas

        frame = pandas.DataFrame(table, columns=list(names))
        return bytes(frame.to_parquet(index=False))
    except ImportError as error:
        reason = "Parquet needs pandas and pyarrow, which are not installed here"
        raise SheetlabError(_not_exported(target, reason)) from error


# -- findings ------------------------------------------------------------------------------------


def _no_archive(archive: Path, what: str) -> Finding:
    return Finding(
        "no-archive", Severity.STOP, what, "an archive that was begun with “archive add”",
        "Check the name and the share.", Place(archive.name),
    )  # fmt: skip


def _no_database(archive: Path) -> Finding:
    name = database_of(archive).name
    if archive.exists():
        return Finding(
            "no-archive", Severity.STOP, f"{archive.name} is there, but not its database {name}",
            "both in one folder",
            "Put the database back; if it is lost, make it again with “sheetlab archive import”.",
            Place(archive.name),
        )  # fmt: skip
    return _no_archive(archive, f"there is no archive {archive.name}")


def _busy(archive: Path, wait: float) -> Finding:
    return Finding(
        "archive-busy",
        Severity.STOP,
        f"someone else is writing to {archive.name}, and was not done after {wait:g} s",
        "an archive that one PC at a time writes to",
        "Try again in a minute. What was told of as added is kept.",
        Place(archive.name),
    )


def _unreadable(path: Path, what: str) -> Finding:
    return Finding(
        "archive-unreadable",
        Severity.STOP,
        f"{path.name} {what}",
        "the database of an archive, in a folder that can be written to",
        "Check the share. If the file is damaged, move it away and put the last backup there, or "
        "make it again from the workbook of results with “sheetlab archive import”.",
        Place(path.name),
    )


def _to_check(archive: Path) -> Finding:
    return Finding(
        "archive-altered",
        Severity.STOP,
        "rows at the end of the archive are missing or were changed; nothing was added",
        "the rows that were written",
        "Run “sheetlab archive check”, which names the first row.",
        Place(database_of(archive).name),
    )


def _other_year(path: Path, before: int, year: int) -> Finding:
    return Finding(
        "other-year",
        Severity.STOP,
        f"the same readings were added as a result of {before} already; they were not added to "
        f"{year}",
        "readings of this year's class",
        "Check --year and the folder: what is added stays.",
        Place(path.name),
    )


def _not_there(archive: Path, expect: str) -> Finding:
    return Finding(
        "archive-altered",
        Severity.STOP,
        f"no row has the digest {clean(expect)}, which was noted as its last one",
        "every row that was ever there",
        "Check the digest for a slip. If it is right, this is another archive or it was written "
        "anew: take the last backup that passes.",
        Place(database_of(archive).name),
    )


def _key_list_refused(path: Path, why: str) -> Finding:
    return Finding(
        "key-list-refused",
        Severity.STOP,
        f"{path.name} cannot be used as a list of codes ({clean(why)})",
        f"a CSV file with the columns {', '.join(KEY_COLUMNS)} that sheetlab wrote",
        "Give another name with --codes. Nothing was added.",
        Place(path.name),
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


def _not_compared(archive: Path) -> Finding:
    return Finding(
        "view-behind",
        Severity.NOTE,
        f"the workbook {archive.name} has more than {MOST_READ} rows and was not compared",
        "a workbook that shows the database as it is",
        "The database was checked; “sheetlab archive export” writes the workbook anew from it.",
        Place(archive.name),
    )


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


def _not_exported(target: Path, why: str) -> Finding:
    return Finding(
        "not-written", Severity.STOP, f"{target.name} could not be written: {why}",
        "a file that can be written", "Check the folder, or export to .csv.", Place(target.name),
    )  # fmt: skip
