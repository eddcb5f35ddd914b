"""Many workbooks evaluated in one go: one bad file never stops the others."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TypeVar

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.finding import Finding, Place, Severity, finding
from sheetlab.handling.folders import DEFAULT_FOLDER
from sheetlab.handling.workers import HERE, Call, Progress, Workers, each
from sheetlab.practical.profile import Profile
from sheetlab.workbook.evaluate_file import (
    OPEN_DOCUMENT,
    FileOutcome,
    evaluate_file,
    sibling,
    unexpected,
)

WEIGHT = 2.0
"""Trials and result sheets make a workbook take so many times as long as reading it."""
R = TypeVar("R")


def evaluate_files(
    paths: Sequence[Path],
    out: Path | None,
    in_place: bool,
    practical: str = "",
    profile: Profile | None = None,
) -> Iterator[FileOutcome]:
    """Evaluate a few files in this process, with all that is found out about them.

    Parameters are those of ``evaluate_many``.
    """
    for job in _jobs(paths, out, in_place, practical, profile):
        yield _outcome(job)


def evaluate_many(
    paths: Sequence[Path],
    out: Path | None,
    in_place: bool,
    keep: Callable[[FileOutcome], R],
    practical: str = "",
    profile: Profile | None = None,
    workers: Workers = HERE,
    progress: Progress | None = None,
) -> Iterator[R]:
    """Evaluate any number of files, in their order, on all processors if they are many.

    Parameters
    ----------
    out
        Folder for the evaluated copies; by default a folder “evaluated” beside each file.
    in_place
        Put the result sheets into the files themselves.
    keep
        What of an outcome is wanted: it is called where the workbook was evaluated, maybe in
        another process, and its result travels.
    profile
        How results are stated; None: as each workbook was issued.
    progress
        Told how many of how many are done.

    Raises
    ------
    SheetlabError
        If the workers that are asked for cannot do it.
    """
    jobs = list(_jobs(paths, out, in_place, practical, profile))
    if _entangled(jobs):
        workers = Workers(1)
    call = Call(partial(_kept, keep), partial(_lost, keep), WEIGHT)
    places = {(job.base / path).parent for job in jobs for path in (job.path, job.target)}
    with _made(sorted(places)) if workers.cluster else contextlib.nullcontext(()) as folders:
        yield from each(call, jobs, workers, folders, progress)


@contextlib.contextmanager
def _made(folders: Sequence[Path]) -> Iterator[Sequence[Path]]:
    """Folders that are there while it lasts, and not after it if they stayed empty.

    By these workers elsewhere show that they write to the disk that this PC sees.
    """
    new = [one for folder in folders for one in (folder, *folder.parents) if not one.exists()]
    for folder in folders:
        # a file may stand in its place, which is told with each workbook
        with contextlib.suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
    try:
        yield [folder for folder in folders if folder.is_dir()]
    finally:
        for folder in sorted(new, reverse=True):
            with contextlib.suppress(OSError):
                folder.rmdir()


class _Job(Struct, frozen=True):
    path: Path
    target: Path
    base: Path
    """Folder that relative paths begin at: a worker elsewhere has another one."""
    practical: str
    profile: Profile | None
    refused: Finding | None = None
    """Why it is not evaluated at all."""

    @property
    def written(self) -> Path:
        """What comes of it on the disk, whatever the result."""
        replaced = os.path.realpath(self.target) == os.path.realpath(self.path)
        beside = replaced and self.path.suffix.lower() == OPEN_DOCUMENT
        return sibling(self.path) if beside else self.target


def _jobs(
    paths: Sequence[Path],
    out: Path | None,
    in_place: bool,
    practical: str,
    profile: Profile | None,
) -> Iterator[_Job]:
    base = Path.cwd()
    taken: set[str] = set()
    for path in paths:
        new = sibling(path) if path.suffix.lower() == OPEN_DOCUMENT else path
        target = path if in_place else (out or path.parent / DEFAULT_FOLDER) / new.name
        job = _Job(path, target, base, practical, profile)
        place = os.path.realpath(target)
        if not in_place and place == os.path.realpath(path):
            where = Place(path.name)
            refused = finding("not-written_own-copy", Severity.STOP, where, name=path.name)
            yield replace(job, refused=refused)
        elif place in taken:
            where = Place(path.name)
            refused = finding("not-written_same-name", Severity.STOP, where, name=path.name)
            yield replace(job, refused=refused)
        else:
            taken.add(place)
            yield job


def _entangled(jobs: Sequence[_Job]) -> bool:
    """Whether what is written for one file is read as another: then their order matters."""
    read = {os.path.realpath(job.path): job for job in jobs if job.refused is None}
    return any(read.get(os.path.realpath(job.written), job) is not job for job in read.values())


def _kept(keep: Callable[[FileOutcome], R], job: _Job) -> R:
    found = _outcome(job)
    try:
        return keep(found)
    except Exception as error:  # the last boundary: one odd file never stops the others
        return keep(replace(found, assessment=None, findings=(unexpected(job.path, error),)))


def _lost(keep: Callable[[FileOutcome], R], job: _Job, why: Finding) -> R:
    return keep(FileOutcome(job.path, None, (why.at(Place(job.path.name)),), None))


def _outcome(job: _Job) -> FileOutcome:
    """One workbook; never raises for what is in it."""
    if job.refused is not None:
        return FileOutcome(job.path, None, (job.refused,), None)
    target = job.base / job.target
    found = evaluate_file(job.base / job.path, target, job.practical, job.profile)
    # said as it was given
    written = found.written
    if written is not None:
        written = job.target if written == target else sibling(job.path)
    return replace(found, path=job.path, written=written)
