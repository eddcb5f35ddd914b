"""One workbook file: read, assess, write the result sheets beside or into it."""

from __future__ import annotations

import contextlib
import itertools
import os
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import TypeVar

from msgspec import Struct

from sheetlab.checks.assess import Assessment, assess
from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding, reason_of
from sheetlab.messages import Phrase, phrase
from sheetlab.metrology import montecarlo
from sheetlab.practical.profile import Profile
from sheetlab.workbook.graft import TITLES, as_grafted, free_titles, graft, own_sheets
from sheetlab.workbook.opening import open_store
from sheetlab.workbook.package import (
    SIGNATURES,
    open_elsewhere,
    open_package,
    package_of,
    write_atomically,
)
from sheetlab.workbook.reader import Contents, Filled, read_workbook
from sheetlab.workbook.results import write_results

OPEN_DOCUMENT = ".ods"
BACKUP = ".bak"
AGAIN = phrase("again-evaluate")
C = TypeVar("C", bound=Contents)


class FileOutcome(Struct, frozen=True):
    """What became of one file. Without an assessment it could not be read."""

    path: Path
    assessment: Assessment | None
    findings: tuple[Finding, ...]
    written: Path | None
    kept: Path | None = None
    """Where that is kept which was in the place of what was written, if under another name than
    usual."""

    @property
    def status(self) -> str:
        """``ok``, ``doubtful`` or ``failed``: also failed where results could not be written."""
        stopped = any(finding.severity is Severity.STOP for finding in self.findings)
        return "failed" if self.assessment is None or stopped else str(self.assessment.status)


def evaluate_file(
    path: Path,
    target: Path | None,
    practical: str = "",
    profile: Profile | None = None,
    trials: int = montecarlo.TRIALS,
) -> FileOutcome:
    """Evaluate a workbook; never raises for what is in the file or where it lies.

    Parameters
    ----------
    target
        File to write: another one, or the same for in place; None to write nothing. What was in
        its place and no evaluation wrote is kept beside it (``keep``); an .ods is never written to,
        and its results go beside it (``sibling``).
    practical
        If given, a workbook of any other practical is refused.
    profile
        How results are stated; None: as the workbook was issued.
    trials
        Random trials of the Monte Carlo check; 0 for none.
    """
    before = stamp(path)
    outcome, filled = assess_file(path, practical, profile, trials)
    assessment = outcome.assessment
    if target is None or filled is None or assessment is None:
        return outcome
    if filled.package.open_document and _same(target, path):
        # never written to
        target = sibling(path)
    try:
        refuse_open(target)
        _expect_no_link(target)
        data = evaluated_bytes(filled, assessment)
        if _same(target, path):
            if any(name.startswith(SIGNATURES) for name in filled.package.parts):
                raise SheetlabError(_unsaved(path, phrase("unsaved-signed")))
            kept = _replace(filled, before, data)
        else:
            if target == sibling(path) and target.exists():
                _expect_own(target)
            # a folder is made when there is something to put into it
            target.parent.mkdir(parents=True, exist_ok=True)
            kept = _put_aside(target)
            write_atomically(target, data)
    except SheetlabError as error:
        problems = error.findings
    except OSError as error:
        problems = (_unsaved(target, phrase("unsaved-failed", reason=reason_of(error))),)
    except Exception as error:  # a file built oddly is read, and cannot take the sheets
        problems = (unexpected(path, error),)
    else:
        return FileOutcome(path, assessment, assessment.findings, target, kept)
    return FileOutcome(path, assessment, (*problems, *assessment.findings), None)


def assess_file(
    path: Path,
    practical: str = "",
    profile: Profile | None = None,
    trials: int = montecarlo.TRIALS,
) -> tuple[FileOutcome, Filled | None]:
    """Read and assess a workbook file and write nothing; with it what was read, if it could be.

    Parameters are those of ``evaluate_file``.
    """
    return assess_read(path, partial(read_workbook, path), practical, profile, trials)


def assess_read(
    path: Path,
    read: Callable[[], C],
    practical: str = "",
    profile: Profile | None = None,
    trials: int = montecarlo.TRIALS,
) -> tuple[FileOutcome, C | None]:
    """Assess what ``read`` reads of a workbook; ``path`` is what messages call it."""
    try:
        contents = read()
        if practical and contents.identity.practical != practical:
            raise SheetlabError(
                finding(
                    "other-practical", Severity.STOP,
                    practical=contents.identity.practical, wanted=practical,
                )
            )  # fmt: skip
        assessment = assess(
            contents.practical,
            contents.observations,
            trials,
            profile=profile or contents.identity.profile,
            bound=contents.identity.bound,
        )
    except SheetlabError as error:
        place = Place(path.name)
        problems = tuple(f if f.place.file else f.at(place) for f in error.findings)
    except ArithmeticError as error:
        problems = (finding(
            "result-not-computable_arithmetic", Severity.STOP, Place(path.name), error=str(error)
        ),)  # fmt: skip
    except Exception as error:  # the last boundary: one odd file never stops the others
        problems = (unexpected(path, error),)
    else:
        return FileOutcome(path, assessment, assessment.findings, None), contents
    return FileOutcome(path, None, problems, None), None


def sibling(path: Path) -> Path:
    """Where the results of an .ods file go: beside it, with a name that nobody else gives."""
    named = path.suffix.lower() == OPEN_DOCUMENT
    return path.with_name(f"{path.stem if named else path.name}{OPEN_DOCUMENT}.xlsx")


def keep(path: Path) -> Path:
    """Copy a file to a name beside it that no other has, unless such a copy is there already.

    Returns
    -------
    Path
        The copy. One of other content is never replaced, whoever made it.
    """
    data = path.read_bytes()
    for copy in _copies(path):
        if not os.path.lexists(copy):
            write_atomically(copy, data)
            return copy
        if not copy.is_symlink() and copy.is_file() and copy.read_bytes() == data:
            return copy
    raise AssertionError


def _copies(path: Path) -> Iterator[Path]:
    yield path.with_name(f"{path.name}{BACKUP}")
    for number in itertools.count(2):
        yield path.with_name(f"{path.name}{BACKUP}{number}")


def _replace(filled: Filled, before: object, data: bytes) -> Path | None:
    """Put the results into the file itself, and keep it as it was; the copy with an odd name."""
    path = filled.package.path
    if filled.package.raw == data:
        # evaluated before
        return None
    path.stat()  # one that is gone is told as that
    if before is None or stamp(path) != before:
        raise SheetlabError(_unsaved(path, phrase("unsaved-meanwhile")))
    usual = next(_copies(path))
    # with our sheets in it, it is no longer the file as it was handed in: that is kept already
    kept = usual if own_sheets(filled.package) and usual.exists() else keep(path)
    write_atomically(path, data)
    return None if kept == usual else kept


def _put_aside(target: Path) -> Path | None:
    """Keep a file that is to be replaced, unless it is as an evaluation wrote it."""
    if not target.exists():
        return None
    try:
        if as_grafted(open_package(target)):
            return None
    except SheetlabError:
        # whatever it is: nobody wrote it here
        pass
    return keep(target)


def _expect_no_link(target: Path) -> None:
    """Refuse a link where a file is to be written: whoever laid it chose what is replaced."""
    if target.is_symlink():
        why = phrase("unsaved-file-link", link=target.name)
        raise SheetlabError(_unsaved(target, why, phrase("again-file")))
    if target.parent.is_symlink():
        why = phrase("unsaved-folder-link", link=target.parent.name)
        raise SheetlabError(_unsaved(target, why, phrase("again-folder")))


def _expect_own(target: Path) -> None:
    """Refuse to replace a workbook that no evaluation wrote."""
    if not own_sheets(open_package(target)):
        raise SheetlabError(_unsaved(target, phrase("unsaved-foreign")))


def _same(target: Path, path: Path) -> bool:
    with contextlib.suppress(OSError):
        return target == path or os.path.samefile(target, path)
    return False


def evaluated_bytes(filled: Filled, assessment: Assessment) -> bytes:
    """The workbook with its result sheets, as a file."""
    package, store = filled.package, filled.store
    if package.open_document:
        from sheetlab.workbook.fresh import fresh_workbook

        package = package_of(fresh_workbook(filled), package.path)
        store = open_store(package)
    own = own_sheets(package)
    others = [sheet.name for sheet in store.sheets if sheet.name not in own]
    titles = free_titles(TITLES, others)
    return graft(package, write_results(assessment, titles), own)


def refuse_open(target: Path, again: Phrase | str = AGAIN) -> None:
    """Refuse to replace a file that a spreadsheet program has open; ``again``: what to do then."""
    if open_elsewhere(target):
        raise SheetlabError(_unsaved(target, phrase("unsaved-open"), again))


def _unsaved(path: Path, why: Phrase, again: Phrase | str = AGAIN) -> Finding:
    place = Place(path.name)
    return finding(
        "not-written_results", Severity.STOP, place, name=path.name, why=why, again=again
    )


def stamp(path: Path) -> tuple[int, int, int] | None:
    """What changes when a file is saved anew; None if it is not there."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino


def unexpected(path: Path, error: Exception) -> Finding:
    """That a file was too odd for what reads it."""
    place = Place(path.name)
    return finding("file-unreadable_odd", Severity.STOP, place, kind=type(error).__name__)
