"""Workbooks of groups evaluated, and their results appended to an archive, step by step."""

from __future__ import annotations

import datetime
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path

from msgspec import Struct

from sheetlab.checks.completeness import NOT_FILLED
from sheetlab.classes.collect import entry_of, saved_at, typed_digest
from sheetlab.classes.handins import lasting_time, natural, row_key
from sheetlab.classes.sources import Source, changed, is_class_workbook, other_format, sources_of
from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding
from sheetlab.handling.folders import scan
from sheetlab.handling.workers import HERE, Call, Progress, Workers, each
from sheetlab.messages import phrase
from sheetlab.practical.register import same_id
from sheetlab.workbook.evaluate_file import assess_file
from sheetlab.years.codes import KeyList, codes_of, last_day, not_saved, read_codes
from sheetlab.years.database import (
    WAIT,
    Held,
    append,
    begun,
    codes_with,
    first_year,
    head_of,
    held_of,
    last_of,
    refuse_name,
)
from sheetlab.years.entries import entries_of
from sheetlab.years.ledger import ZERO_HOUR, Row, clean, new_code
from sheetlab.years.renewing import changing, refuse_behind, renew
from sheetlab.years.yearbook import books_of

BATCH = 50
"""Workbooks that are written to the database in one step."""


class Added(Struct, frozen=True):
    """What became of one workbook. Rows that are told of are on the disk."""

    path: Path
    rows: tuple[Row, ...] = ()
    finding: Finding | None = None
    """Why nothing was added; None also if it was there already."""
    notes: tuple[Finding, ...] = ()
    """What has to be known of the rows."""


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
    new_codes: bool = False,
    older: bool = False,
) -> Iterator[Added]:
    """Evaluate workbooks and append their results; the last step renews the workbook of the year.

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
    new_codes
        Whether a list of codes that explains no code of the archive may be begun: groups that
        are in the archive then come as new ones.
    older
        Whether a workbook that was saved before the one whose row it would replace is added.

    Raises
    ------
    SheetlabError
        If the archive, the list of codes or the workers cannot be used; what was told of before
        is kept.
    """
    until = (keep_until or last_day(year)).isoformat()
    target = _Target(
        archive, codes or codes_of(archive), year, today.isoformat(), until, older, wait
    )
    refuse_name(archive)
    if keep_until is not None and keep_until <= today:
        raise SheetlabError(finding(
            "option-refused_keep-until", Severity.STOP, day=until, today=target.today
        ))  # fmt: skip
    _expect_codes(target, new_codes)
    todo: dict[Path, _Job] = {}
    for path, job in _jobs(files, archive, year, folder):
        if isinstance(job, Finding):
            yield Added(path, finding=job)
        else:
            # named itself and by its class: as the class knows it
            todo[job.place] = job if job.source else todo.get(job.place, job)
    folders = sorted({job.place.parent for job in todo.values()})
    reads = each(Call(_read, _lost), list(todo.values()), workers, folders, progress)
    any_rows = False
    while step := list(islice(reads, BATCH)):
        for added in _appended(step, target):
            any_rows = any_rows or bool(added.rows)
            yield added
    if any_rows and until < target.today:
        due = finding("codes-due_added", Severity.NOTE, Place(archive.name), year=year, day=until)
        yield Added(archive, finding=due)
    if archive.exists():
        for behind in renew(archive, wait):
            yield Added(archive, finding=behind)


def workbooks(files: Iterable[Path], archive: Path) -> Iterator[Path]:
    """Files as given, and the hand-ins in folders and below them, in order of their paths.

    Numbers in names count by their size: a chart of the years shows values in the order of adding.
    """
    own = {os.path.realpath(path) for path in books_of(archive).values()}
    for path in files:
        if not path.is_dir():
            yield path
            continue
        below = sorted((path / name for name in scan(path)[0]), key=lambda p: natural(str(p)))
        for found in below:
            # the workbook of the class lies beside what it was made of
            if os.path.realpath(found) not in own and not is_class_workbook(found):
                yield found


# -- read -----------------------------------------------------------------------------------------


class _Job(Struct, frozen=True):
    path: Path
    """As it was given."""
    place: Path
    """The same for every process and PC."""
    year: int
    source: Source | None = None
    """What it has to hold still, if it comes from a class."""


def _jobs(
    files: Iterable[Path], archive: Path, year: int, folder: Path | None
) -> Iterator[tuple[Path, _Job | Finding]]:
    """What to read, with the file that it comes from."""
    for given in files:
        for path in workbooks([given], archive):
            # in a folder lie the hand-ins themselves
            if given != path or not is_class_workbook(path):
                yield path, _Job(path, path.absolute(), year)
                continue
            try:
                for source in sources_of(path, folder):
                    if isinstance(source, Finding):
                        yield path, source
                    else:
                        yield path, _Job(source.path, source.path.absolute(), year, source)
            except SheetlabError as error:
                yield from ((path, why) for why in error.findings)


class _Read(Struct, frozen=True):
    """What was read in one workbook: little, whatever the workbook holds."""

    path: Path
    group: str = ""
    entries: tuple[Row, ...] = ()
    finding: Finding | None = None
    setup: str = ""
    """As it was typed."""
    saved: datetime.datetime | None = None
    """None if it is not known, or only of the file."""


def _read(job: _Job) -> _Read:
    """One workbook; never raises for what is in it."""
    place = Place(job.path.name)
    outcome, filled = assess_file(job.place, trials=0)
    assessment = outcome.assessment
    if assessment is None or filled is None:
        return _Read(job.path, finding=other_format(job.place) or outcome.findings[0])
    if filled.identity.invented:
        return _Read(job.path, finding=finding("readings-invented", Severity.STOP, place))
    blank = next((f for f in outcome.findings if f.code == NOT_FILLED), None)
    if blank is not None:
        return _Read(job.path, finding=blank)
    if job.source is not None:
        name = assessment.practical.definition.id
        key = row_key(name, entry_of(assessment, "group"), job.source.file)
        if (key, typed_digest(assessment)) != (job.source.key, job.source.readings):
            return _Read(job.path, finding=changed(job.source))
    group = clean(assessment.observations.entry("start.group").text) or job.path.stem
    setup = clean(assessment.observations.entry("start.setup").text)
    try:
        saved = lasting_time(*saved_at(job.place, filled.package))
        entries = entries_of(assessment, job.year, saved)
        return _Read(job.path, group, entries, None, setup, saved)
    except Exception as error:  # the last boundary: one odd file never stops the others
        name = type(error).__name__
        why = finding("file-unreadable_no-results", Severity.STOP, place, error=name)
        return _Read(job.path, finding=why)


def _lost(job: _Job, why: Finding) -> _Read:
    return _Read(job.path, finding=why.at(Place(job.path.name)))


# -- appended -------------------------------------------------------------------------------------


class _Target(Struct, frozen=True):
    """Where to append, and how."""

    archive: Path
    codes: Path
    year: int
    today: str
    until: str
    older: bool
    """Whether older workbooks may replace newer ones."""
    wait: float


def _expect_codes(target: _Target, new: bool) -> None:
    """Refuse what is no list of codes, or not that of the archive, before anything is begun."""
    if not begun(target.archive):
        refuse_behind(target.archive)
        read_codes(target.codes)
        return
    query = "SELECT DISTINCT code FROM results WHERE code <> ''"
    with changing(target.archive, target.wait) as connection:
        # the list is written before the rows: it is read while nobody adds
        names = read_codes(target.codes).names
        codes = [code for (code,) in connection.execute(query)]
    if codes and not new and not any(code in names for code in codes):
        what = phrase("key-list-other" if target.codes.exists() else "key-list-gone")
        raise SheetlabError(finding(
            "key-list-missing", Severity.STOP, Place(target.codes.name),
            archive=target.archive.name, list=target.codes.name, what=what,
        ))  # fmt: skip


def _appended(step: Sequence[_Read], target: _Target) -> list[Added]:
    """What became of some workbooks; all of it is on the disk, while others may do the same."""
    if not target.archive.exists():
        if not any(read.entries for read in step):
            # where nothing could be taken there is no archive to begin
            return [Added(read.path, finding=read.finding) for read in step]
        read_codes(target.codes).try_folder()
    with changing(target.archive, target.wait) as connection:
        keys = read_codes(target.codes)
        if last_of(connection) != head_of(connection):
            # nothing is built on a broken chain
            raise SheetlabError(
                finding("archive-altered_end", Severity.STOP, Place(target.archive.name))
            )
        added = [_one_appended(read, target, keys, connection) for read in step]
        # names first: a code without rows does no harm, rows without one would come twice
        try:
            keys.save()
        except OSError as error:
            raise SheetlabError(not_saved(target.codes, error)) from error
    return added


def _one_appended(
    read: _Read, target: _Target, keys: KeyList, connection: sqlite3.Connection
) -> Added:
    if read.finding is not None:
        return Added(read.path, finding=read.finding)
    place, code = Place(read.path.name), keys.find(target.year, read.group)
    new, replaced = [], []
    for entry in read.entries:
        held = held_of(connection, entry, code)
        codes = codes_with(connection, entry)
        # under a code that the list does not explain the group may be the same one
        there = code in codes or any(other not in keys.names for other in codes)
        if target.older and held is not None:
            # what was replaced may come back
            there = held.source == entry.source
        if not there:
            new.append(entry)
            replaced += [held] if held is not None else []
    for entry in new:
        before = first_year(connection, entry)
        if before not in (None, target.year):
            return Added(read.path, finding=finding(
                "other-year", Severity.STOP, place, before=before, year=target.year
            ))  # fmt: skip
    newer = next((held for held in replaced if _before(read.saved, held)), None)
    if newer is not None and not target.older:
        return Added(read.path, finding=finding(
            "older-source", Severity.STOP, place, saved=f"{read.saved:%Y-%m-%d %H:%M}",
            row=newer.number, held=f"{_saved(newer):%Y-%m-%d %H:%M}",
        ))  # fmt: skip
    if new and not code:
        code = new_code(keys.names)
        keys.keep(target.year, read.group, code)
    rows = [append(connection, entry, code, target.today, target.until) for entry in new]
    return Added(read.path, tuple(rows), notes=tuple(_notes(read, rows, replaced)))


def _saved(held: Held) -> datetime.datetime | None:
    """When the workbook of a row was saved; None if that is not known."""
    try:
        return None if held.saved is None else ZERO_HOUR + datetime.timedelta(seconds=held.saved)
    except OverflowError:
        return None


def _before(saved: datetime.datetime | None, held: Held) -> bool | None:
    """Whether a workbook was saved before that of a row; None if it is not known."""
    there = _saved(held)
    return None if saved is None or there is None else saved.replace(microsecond=0) < there


def _notes(read: _Read, rows: Sequence[Row], held: Sequence[Held]) -> Iterator[Finding]:
    """What has to be known of rows: whom they replace unasked, and for which set-up they count."""
    place = Place(read.path.name)
    unknown = next((before for before in held if _before(read.saved, before) is None), None)
    if unknown is not None:
        at = unknown.number
        which = phrase("order-this") if read.saved is None else phrase("order-other", row=at)
        yield finding("order-unknown", Severity.NOTE, place, row=at, which=which)
    for row in rows[:1]:
        bound, number = row.setup, row.number
        if read.setup and not bound:
            yield finding("setup-not-kept", Severity.NOTE, place, row=number)
        elif read.setup and same_id(read.setup) != same_id(bound):
            yield finding(
                "other-set-up_added", Severity.NOTE, place, typed=read.setup, bound=bound,
                row=number,
            )  # fmt: skip
