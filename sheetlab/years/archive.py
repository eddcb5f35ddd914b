"""The table of the years on disk: a database, a workbook that shows it, a list of codes.

The database is the truth. The workbook is written from it and can be made again; the list of codes
is the only place that knows which group is behind a code, and can be deleted.
"""

from __future__ import annotations

import contextlib
import csv
import datetime
import io
import os
import re
import shutil
import sqlite3
import tempfile
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import chain, zip_longest
from pathlib import Path

from sheetlab.checks.completeness import NOT_FILLED
from sheetlab.classes.collect import entry_of, typed_digest
from sheetlab.classes.handins import row_key
from sheetlab.classes.sources import Source, changed, is_class_workbook, other_format, sources_of
from sheetlab.finding import Finding, Place, Severity, SheetlabError
from sheetlab.handling.folders import scan
from sheetlab.handling.tables import guarded, unguarded
from sheetlab.handling.workers import HERE, LOST, Call, Progress, Workers, each
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.package import left_over, open_elsewhere, write_atomically
from sheetlab.years.archivebook import View, open_view, view_bytes
from sheetlab.years.archivefiles import (
    PARQUET,
    read_csv,
    read_parquet,
    split,
    wide,
    write_csv,
    write_parquet,
)
from sheetlab.years.ledger import (
    COLUMNS,
    FIRST,
    NOTED,
    NUMBER_COLUMNS,
    Entry,
    Ledger,
    Row,
    clean,
    entries_of,
    flat,
    flat_numbers,
    new_code,
    rows_of,
    verify,
)

WAIT = 30.0
"""Seconds to wait for another PC that is writing."""
BATCH = 50
"""Workbooks that are written to the database in one step."""
GROWTH = 50
"""In a large archive so many steps double it about: each reads and writes the list of codes."""
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

    _named(archive)
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


def _named(archive: Path) -> None:
    """Refuse what no archive can be called."""
    if archive.suffix.lower() != ".xlsx":
        # the workbook must not be written over the database
        raise SheetlabError(_not_its_name(archive))
    if not archive.parent.is_dir():
        raise SheetlabError(_no_archive(archive, f"there is no folder {archive.parent}"))


_SQL = {str: "TEXT NOT NULL", int: "INTEGER NOT NULL", float: "REAL"}
_TABLES = (
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
    *_TABLES,
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
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    """A database in one transaction: all of it is kept, or nothing of it."""
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
            with contextlib.suppress(OSError):
                # begun in vain
                if not path.stat().st_size:
                    path.unlink()


@contextlib.contextmanager
def _snapshot(archive: Path, wait: float) -> Iterator[tuple[sqlite3.Connection, bytes]]:
    """The database as it is now, to be read while others go on adding, and its stamp."""
    path = database_of(archive)
    _expect(archive)
    with tempfile.TemporaryDirectory(prefix="sheetlab-") as folder:
        copy = Path(folder) / path.name
        try:
            with locked(archive, wait):
                with _opened(path):
                    pass  # what a killed writer left is taken back
                shutil.copyfile(path, copy)
                stamp = _stamp(path)
        except OSError as error:
            raise SheetlabError(_unreadable(path, f"cannot be copied ({error})")) from error
        with contextlib.closing(sqlite3.connect(copy)) as connection:
            try:
                yield connection, stamp
            except sqlite3.DatabaseError as error:
                raise SheetlabError(_unreadable(path, f"is damaged ({error})")) from error


def _stamp(path: Path) -> bytes:
    """Counter of the changes of a database, from its head (file format of SQLite, 1.3.7)."""
    with path.open("rb") as stream:
        return stream.read(28)[24:]


def _records(connection: sqlite3.Connection, table: str = "results") -> sqlite3.Cursor:
    columns, order = {
        "results": (COLUMNS, "number"), "numbers": (NUMBER_COLUMNS, "row, position"),
    }[table]  # fmt: skip
    names = ", ".join(f'"{name}"' for name in columns)
    return connection.execute(f"SELECT {names} FROM {table} ORDER BY {order}")


def _rows(connection: sqlite3.Connection, archive: Path) -> Iterator[Row]:
    """All rows in their order, one at a time."""
    try:
        yield from rows_of(_records(connection), _records(connection, "numbers"))
    except ValueError as error:
        reason = f"holds what it should not ({error})"
        raise SheetlabError(_unreadable(database_of(archive), reason)) from error


def _head(connection: sqlite3.Connection) -> tuple[int, str]:
    count, digest = connection.execute("SELECT count, digest FROM head").fetchone()
    return int(count), str(digest)


def _insert(
    connection: sqlite3.Connection,
    records: Iterable[Sequence[object]],
    numbers: Iterable[Sequence[object]],
) -> None:
    marks = ", ".join("?" * len(COLUMNS))
    connection.executemany(f"INSERT INTO results VALUES ({marks})", records)
    marks = ", ".join("?" * len(NUMBER_COLUMNS))
    connection.executemany(f"INSERT INTO numbers VALUES ({marks})", numbers)


def _note(connection: sqlite3.Connection, count: int, head: str) -> None:
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
    with _snapshot(archive, wait) as (connection, _):
        return Table(tuple(_rows(connection, archive)), *_head(connection))


def _expect(archive: Path) -> None:
    _named(archive)
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

    def try_folder(self) -> None:
        """Refuse a list that could not be saved where it is to lie, before anything is begun."""
        try:
            with tempfile.TemporaryFile(dir=Path(os.path.realpath(self.path)).parent):
                pass
        except OSError as error:
            raise SheetlabError(_not_saved(self.path, error)) from error

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
    workers: Workers = HERE,
    progress: Progress | None = None,
    folder: Path | None = None,
    view: bool = True,
) -> Iterator[Added]:
    """Evaluate workbooks and append their results; the last step renews the workbook of results.

    Parameters
    ----------
    files
        Workbooks of groups, folders of them, and class workbooks: of these the hand-ins that
        count.
    codes
        List of codes; None: the usual one beside the archive.
    keep_until
        Day to which the codes are kept; None: the end of the year that follows.
    progress
        Told how many workbooks of how many are evaluated.
    folder
        Where the hand-ins of the class workbooks lie; None: where these say (``sources_of``).
    view
        Whether the workbook of results is renewed: of very many rows that takes minutes.

    Raises
    ------
    SheetlabError
        If the archive, the list of codes or the workers cannot be used; what was told of before
        is kept.
    """
    _named(archive)
    if archive.exists() and not database_of(archive).exists():
        raise SheetlabError(_no_database(archive))
    read_codes(codes or codes_of(archive))  # what is no list is told before anything is begun
    todo: dict[Path, _Job] = {}
    for given in files:
        for path in workbooks([given], archive):
            # in a folder lie the hand-ins themselves
            for one in _jobs(path, year, folder, given == path):
                if isinstance(one, Finding):
                    yield Added(path, finding=one)
                else:
                    # named itself and by its class: as the class knows it
                    todo[one.place] = one if one.source else todo.get(one.place, one)
    until = (keep_until or last_day(year)).isoformat()
    writer = _Writer(archive, codes or codes_of(archive), year, today.isoformat(), until, wait)
    folders = sorted({job.place.parent for job in todo.values()})
    waiting: list[_Read] = []
    for read in each(Call(_read, _lost), list(todo.values()), workers, folders, progress):
        waiting.append(read)
        if len(waiting) >= writer.step:
            yield from writer.append(waiting)
            waiting = []
    yield from writer.append(waiting)
    finding = None
    if view and database_of(archive).exists():
        finding = renew_view(archive, wait)
    if finding is not None:
        yield Added(archive, finding=finding)


def _by_numbers(path: Path) -> list[tuple[int, str]]:
    parts = re.split(r"(\d+)", str(path))
    # digits of any script are split off, and those of some are no int
    return [(int(part) if part.isdecimal() else 0, part) for part in parts]


def workbooks(files: Iterable[Path], archive: Path) -> Iterator[Path]:
    """Files as given, and the hand-ins in folders and below them, in order of their paths.

    Numbers in names count by their size: a chart of the years shows values in the order of adding.
    """
    own = os.path.realpath(archive)
    for path in files:
        if not path.is_dir():
            yield path
            continue
        below = sorted((path / name for name in scan(path)[0]), key=_by_numbers)
        for one in below:
            # the workbook of the class lies beside what it was made of
            if os.path.realpath(one) != own and not is_class_workbook(one):
                yield one


@dataclass(frozen=True, slots=True)
class _Job:
    path: Path
    """As it was given."""
    place: Path
    """The same for every process and PC."""
    year: int
    source: Source | None = None
    """What it has to hold still, if it comes from a class."""


def _jobs(path: Path, year: int, folder: Path | None, named: bool) -> Iterator[_Job | Finding]:
    if not named or not is_class_workbook(path):
        yield _Job(path, path.absolute(), year)
        return
    try:
        for one in sources_of(path, folder):
            if isinstance(one, Finding):
                yield one
            else:
                yield _Job(one.path, one.path.absolute(), year, one)
    except SheetlabError as error:
        yield from error.findings


@dataclass(frozen=True, slots=True)
class _Read:
    """What was read in one workbook: little, whatever the workbook holds."""

    path: Path
    group: str = ""
    entries: tuple[Entry, ...] = ()
    finding: Finding | None = None


def _read(job: _Job) -> _Read:
    """One workbook; never raises for what is in it."""
    outcome = evaluate_file(job.place, None, trials=0)
    assessment = outcome.assessment
    if assessment is None:
        return _Read(job.path, finding=other_format(job.place) or outcome.findings[0])
    blank = next((f for f in outcome.findings if f.code == NOT_FILLED), None)
    if blank is not None:
        return _Read(job.path, finding=blank)
    if job.source is not None:
        name = assessment.practical.definition.id
        key = row_key(name, entry_of(assessment, "group"), job.source.file)
        if (key, typed_digest(assessment)) != (job.source.key, job.source.readings):
            return _Read(job.path, finding=changed(job.source))
    group = clean(assessment.observations.entry("start.group").text) or job.path.stem
    try:
        return _Read(job.path, group, entries_of(assessment, job.year))
    except Exception as error:  # the last boundary: one odd file never stops the others
        reason = f"its results cannot be put into a table ({type(error).__name__})"
        return _Read(job.path, finding=_not_taken(job.path, reason))


def _lost(job: _Job) -> _Read:
    return _Read(job.path, finding=_not_taken(job.path, LOST))


@dataclass(slots=True)
class _Writer:
    """Appends to an archive, step by step, while others may do the same."""

    archive: Path
    codes: Path
    year: int
    today: str
    until: str
    wait: float
    ledger: Ledger | None = None
    """What is known of the table from the last step."""

    @property
    def step(self) -> int:
        """How many workbooks are worth a step."""
        count = 0 if self.ledger is None else self.ledger.count
        return max(BATCH, count // GROWTH)

    def append(self, found: Sequence[_Read]) -> list[Added]:
        """What became of some workbooks; all of it is on the disk."""
        if not database_of(self.archive).exists():
            if not any(one.entries for one in found):
                # where nothing could be taken there is no archive to begin
                return [Added(one.path, finding=one.finding) for one in found]
            read_codes(self.codes).try_folder()
        with locked(self.archive, self.wait):
            keys = read_codes(self.codes)
            with _opened(database_of(self.archive)) as connection:
                ledger = self.known(connection)
                # nothing is known any more if this step fails
                self.ledger = None
                added = [self.added(one, ledger, keys) for one in found]
                # names first: a code without rows does no harm, rows without one would come twice
                try:
                    keys.save()
                except OSError as error:
                    raise SheetlabError(_not_saved(self.codes, error)) from error
                rows = [row for one in added for row in one.rows]
                if rows:
                    _insert(
                        connection, map(flat, rows), chain.from_iterable(map(flat_numbers, rows))
                    )
                    _note(connection, ledger.count, ledger.head)
            self.ledger = ledger
        return added

    def known(self, connection: sqlite3.Connection) -> Ledger:
        """What has to be known of the table; only rows that came since the last step are read."""
        head = _head(connection)
        for ledger in filter(None, (self.ledger, Ledger())):
            names = ", ".join(f'"{name}"' for name in NOTED)
            query = f"SELECT {names} FROM results WHERE number > ? ORDER BY number"
            for record in connection.execute(query, (ledger.count,)):
                ledger.take(*record)
            if (ledger.count, ledger.head) == head:
                return ledger
        # nothing is built on a broken chain
        raise SheetlabError(_to_check(self.archive))

    def added(self, one: _Read, ledger: Ledger, keys: KeyList) -> Added:
        if one.finding is not None:
            return Added(one.path, finding=one.finding)
        code = keys.find(self.year, one.group)
        new = [entry for entry in one.entries if not ledger.there(entry, code, keys.codes)]
        other = next(filter(None, map(ledger.other_year, new)), None)
        if other is not None:
            return Added(one.path, finding=_other_year(one.path, other, self.year))
        if new and not code:
            code = new_code(keys.codes)
            keys.keep(self.year, one.group, code)
        rows = [ledger.append(entry, code, self.today, self.until) for entry in new]
        return Added(one.path, tuple(rows))


def renew_view(archive: Path, wait: float = WAIT) -> Finding | None:
    """Write the workbook of results anew; a finding if it could not be replaced.

    It is made while others may go on adding. Whoever has added meanwhile renews it after that.

    Raises
    ------
    SheetlabError
        If there is no database, it is damaged, or someone else does not let go of it.
    """
    with _snapshot(archive, wait) as (connection, stamp):
        if open_elsewhere(archive):
            return _view_open(archive, "is open in a spreadsheet program")
        try:
            made = view_bytes(_rows(connection, archive), *_head(connection))
        except OSError as error:
            return _view_open(archive, f"could not be made ({error.strerror or error})")
    with locked(archive, wait):
        if _stamp(database_of(archive)) != stamp:
            return None
        _tidy(archive)
        if open_elsewhere(archive):
            return _view_open(archive, "is open in a spreadsheet program")
        try:
            write_atomically(archive, made)
        except OSError as error:
            return _view_open(archive, f"could not be replaced ({error.strerror or error})")
    return None


def _tidy(target: Path) -> None:
    """Take away what writers of a file left that were killed; only under the lock."""
    for entry in left_over(target):
        with contextlib.suppress(OSError):
            os.unlink(entry.path)


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
    findings = []
    seen = not expect
    with _snapshot(archive, wait) as (connection, _):

        def watched() -> Iterator[Row]:
            nonlocal seen
            for row in _rows(connection, archive):
                seen = seen or row.digest == expect
                yield row

        count, head = _head(connection)
        broken = verify(watched(), count, head, today)
        if broken is not None:
            findings.append(broken.at(Place(database_of(archive).name)))
        elif not seen:
            findings.append(_not_there(archive, expect))
        findings += _view_findings(archive, connection)
    return Checked(count, head, tuple(findings))


def _view_findings(archive: Path, connection: sqlite3.Connection) -> Iterator[Finding]:
    if not archive.exists():
        yield _view_differs(archive, "is not there")
        return
    try:
        with open_view(archive) as view, _loaded(view) as shown:
            number = _first_difference(shown, connection)
            count = shown.execute("SELECT COUNT(*) FROM results").fetchone()[0]
    except SheetlabError as error:
        yield _view_differs(archive, f"cannot be read ({error.findings[0].found})")
        return
    held = connection.execute("SELECT COUNT(*) FROM results").fetchone()[0]
    if number is not None and number <= min(count, held):
        yield _view_differs(archive, f"shows row {number} otherwise than the database holds it")
    elif count != held:
        yield _view_differs(archive, f"shows {count} rows, and the database holds {held}")


@contextlib.contextmanager
def _loaded(view: View) -> Iterator[sqlite3.Connection]:
    """A view as a database that is thrown away: a person may have sorted its sheets."""
    with (
        tempfile.TemporaryDirectory(prefix="sheetlab-") as folder,
        contextlib.closing(sqlite3.connect(Path(folder) / "view.sqlite")) as connection,
    ):
        connection.execute("PRAGMA journal_mode = OFF")
        connection.execute("PRAGMA synchronous = OFF")
        for statement in _TABLES:
            connection.execute(statement)
        try:
            _insert(connection, view.records, view.numbers)
        except sqlite3.IntegrityError as error:
            raise ValueError(f"a row stands there twice: {error}") from error
        yield connection


def _first_difference(a: sqlite3.Connection, b: sqlite3.Connection) -> int | None:
    """Number of the first row, counted from 1, that two databases do not hold alike."""
    firsts = []
    for table in ("results", "numbers"):
        pairs = zip_longest(_records(a, table), _records(b, table))
        unlike = next((pair for pair in pairs if pair[0] != pair[1]), None)
        if unlike is not None:
            firsts.append(min(int(one[0]) for one in unlike if one is not None))
    return min(firsts, default=None)


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
    with locked(archive, wait):
        keys = read_codes(codes or codes_of(archive))
        with _opened(database_of(archive)) as connection:
            query = (
                "SELECT code FROM results WHERE code <> '' GROUP BY code HAVING MAX(keep_until) < ?"
            )
            day = (today.isoformat(),)
            due = {code for (code,) in connection.execute(query, day)}
            change = f"UPDATE results SET code = '', salt = '' WHERE code IN ({query})"
            gone = connection.execute(change, day).rowcount
            names = keys.forget(due)
            # the names first: if this is cut short, the codes are there to find them again
            keys.save()
            query = "SELECT COUNT(*) FROM results WHERE code <> ''"
            waiting = int(connection.execute(query).fetchone()[0])
    return Purged(names, gone, waiting, renew_view(archive, wait))


def import_view(archive: Path, today: datetime.date, wait: float = WAIT) -> tuple[int, str]:
    """Make the database again from the workbook of results; its rows, and the digest of the last.

    Raises
    ------
    SheetlabError
        If there is a database, or the workbook is not complete and unaltered.
    """
    with open_view(archive) as view, _loaded(view) as found:
        _import(archive, found, view.count, view.head, today, wait, archive.name)
        return view.count, view.head


def _import(
    archive: Path, found: sqlite3.Connection, count: int, head: str, today: datetime.date,
    wait: float, source: str,
) -> None:  # fmt: skip
    broken = verify(_rows(found, archive), count, head, today)
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
        with _opened(new) as connection:
            _insert(connection, _records(found), _records(found, "numbers"))
            _note(connection, count, head)
        new.replace(database)


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
    with _snapshot(archive, wait) as (connection, _):
        query = "SELECT kind, id FROM numbers GROUP BY kind, id ORDER BY MIN(row), MIN(position)"
        beside = [f"{kind}:{id_}" for kind, id_ in connection.execute(query)]
        records = map(partial(wide, beside=beside), _rows(connection, archive))
        # written beside it, and then in its place in one step
        part = target.with_name(f".{target.name[:40]}.part")
        try:
            count = write(part, beside, records)
            if target.exists():
                raise SheetlabError(_exists(target))
            part.replace(target)
        except ImportError as error:
            reason = "Parquet needs pyarrow, which is not installed here"
            raise SheetlabError(_not_exported(target, reason)) from error
        except OSError as error:
            raise SheetlabError(_not_exported(target, error.strerror or str(error))) from error
        finally:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
    return count


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
        with _loaded(View(*split(partial(read, source)), 0, "")) as found:
            query = "SELECT number, digest FROM results ORDER BY number DESC LIMIT 1"
            last = found.execute(query).fetchone()
            if last is None:
                raise ValueError("it holds no row")
            count, head = last
            _import(archive, found, count, head, today, wait, source.name)
    except ImportError as error:
        reason = "Parquet needs pyarrow, which is not installed here"
        raise SheetlabError(_not_imported(source, reason)) from error
    except (OSError, ValueError, KeyError, TypeError, OverflowError, csv.Error) as error:
        raise SheetlabError(_not_imported(source, clean(str(error)))) from error
    finding = renew_view(archive, wait)
    if finding is not None:
        raise SheetlabError(finding)
    return count, head


# -- findings ------------------------------------------------------------------------------------


def _no_archive(archive: Path, what: str) -> Finding:
    return Finding(
        "no-archive", Severity.STOP, what, "an archive that was begun with “archive add”",
        "Check the name and the share.", Place(archive.name),
    )  # fmt: skip


def _not_its_name(archive: Path) -> Finding:
    return Finding(
        "no-archive", Severity.STOP,
        f"the name of an archive has to end in .xlsx, and {archive.name} does not",
        "the workbook of an archive", f"Write {archive.with_suffix('.xlsx').name}.",
        Place(archive.name),
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


def _not_taken(path: Path, what: str) -> Finding:
    return Finding(
        "file-unreadable",
        Severity.STOP,
        what,
        "a workbook that can be evaluated",
        "Evaluate it by itself, and add it again.",
        Place(path.name),
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


def _not_saved(path: Path, error: OSError) -> Finding:
    return _key_list_refused(path, f"it cannot be written: {error.strerror or error}")


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


def _not_exported(target: Path, why: str) -> Finding:
    return Finding(
        "not-written", Severity.STOP, f"{target.name} could not be written: {why}",
        "a file that can be written", "Check the folder, or export to .csv.", Place(target.name),
    )  # fmt: skip
