"""One writer at a time: the lock of an archive, on this PC and on others."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from sheetlab.finding import Finding, Place, Severity, SheetlabError
from sheetlab.workbook.package import left_over

ENDING = ".sqlite"
WAIT = 30.0
"""Seconds to wait for another PC that is writing."""


@contextlib.contextmanager
def locked(archive: Path, wait: float = WAIT) -> Iterator[None]:
    """Keep everyone else out of an archive, on this PC and on others.

    Raises
    ------
    SheetlabError
        If someone else is still in it after ``wait`` seconds, or the folder cannot be written to.
    """
    from filelock import FileLock, Timeout

    refuse_name(archive)
    lock = FileLock(archive.with_suffix(".lock"), timeout=wait)
    try:
        lock.acquire()
    except Timeout as error:
        raise SheetlabError(_busy(archive, wait)) from error
    except (OSError, NotImplementedError) as error:
        raise SheetlabError(unreadable(archive, f"cannot be locked ({error})")) from error
    try:
        yield
    finally:
        lock.release()


def refuse_name(archive: Path) -> None:
    """Refuse what no archive can be called."""
    if archive.suffix.lower() != ENDING:
        raise SheetlabError(_not_its_name(archive))
    if not archive.parent.is_dir():
        raise SheetlabError(no_archive(archive, f"there is no folder {archive.parent}"))


def tidy(target: Path) -> None:
    """Take away what writers of a file left that were killed; only under the lock."""
    for entry in left_over(target):
        with contextlib.suppress(OSError):
            os.unlink(entry.path)


def no_archive(archive: Path, what: str) -> Finding:
    """That there is no such archive."""
    return Finding(
        "no-archive", Severity.STOP, what,
        "the database that “sheetlab archive add … --archive DEPARTMENT.sqlite” wrote",
        "Check the name and the share. What counts in a class gets into an archive with "
        "“archive add CLASS.xlsx”.", Place(archive.name),
    )  # fmt: skip


def _not_its_name(archive: Path) -> Finding:
    remedy = f"Write {archive.stem or 'DEPARTMENT'}{ENDING}."
    if archive.is_file():
        remedy = (
            "Name the archive itself. What counts in a class gets into it with “sheetlab archive "
            f"add CLASS.xlsx --archive DEPARTMENT{ENDING}”."
        )
    return Finding(
        "no-archive", Severity.STOP,
        f"the name of an archive has to end in {ENDING}, and {archive.name} does not",
        f"an archive, such as DEPARTMENT{ENDING}, beside which the workbooks of the years lie",
        remedy, Place(archive.name),
    )  # fmt: skip


def _busy(archive: Path, wait: float) -> Finding:
    return Finding(
        "archive-busy",
        Severity.STOP,
        f"someone else is writing to {archive.name}, and was not done after {wait:g} s",
        "an archive that one PC at a time writes to",
        "Try again in a minute. What was told of as added is kept.",
        Place(archive.name),
    )


def unreadable(path: Path, what: str) -> Finding:
    """That a file of an archive cannot be used."""
    return Finding(
        "archive-unreadable",
        Severity.STOP,
        f"{path.name} {what}",
        "the database of an archive, in a folder that can be written to",
        "Check the share. If the file is damaged, move it away and put the last backup there, or "
        "make it again from the workbooks of the years with “sheetlab archive import”.",
        Place(path.name),
    )
