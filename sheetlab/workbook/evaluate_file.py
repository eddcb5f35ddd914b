"""One workbook file: read, assess, write the result sheets beside or into it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from lxml import etree

from sheetlab.checks.assess import Assessment, assess
from sheetlab.finding import Finding, Place, Severity, SheetlabError
from sheetlab.metrology import montecarlo
from sheetlab.practical.profile import Profile
from sheetlab.workbook.graft import TITLES, free_titles, graft, own_sheets
from sheetlab.workbook.package import open_elsewhere, write_atomically
from sheetlab.workbook.reader import Filled, read_workbook
from sheetlab.workbook.results import write_results


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """What became of one file. Without an assessment it could not be read."""

    path: Path
    assessment: Assessment | None
    findings: tuple[Finding, ...]
    written: Path | None


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
        File to write: another one, or the same for in place; None to write nothing.
    practical
        If given, a workbook of any other practical is refused.
    profile
        How results are stated; None: as the workbook was issued.
    trials
        Random trials of the Monte Carlo check; 0 for none.
    """
    before = _stat(path)
    outcome, filled = assess_file(path, practical, profile, trials)
    assessment = outcome.assessment
    if target is None or filled is None or assessment is None:
        return outcome
    try:
        refuse_open(target)
        if target == path and before is not None and _changed(path, before):
            raise SheetlabError(
                _not_written(path, "was saved by someone else while it was being evaluated")
            )
        write_atomically(target, evaluated_bytes(filled, assessment))
    except SheetlabError as error:
        return FileOutcome(path, assessment, (*error.findings, *assessment.findings), None)
    except (KeyError, ValueError, StopIteration, etree.LxmlError) as error:
        return FileOutcome(path, assessment, (_unexpected(path, error), *assessment.findings), None)
    except OSError as error:
        refusal = _not_written(target, f"could not be written: {error.strerror or error}")
        return FileOutcome(path, assessment, (refusal, *assessment.findings), None)
    return FileOutcome(path, assessment, assessment.findings, target)


def assess_file(
    path: Path,
    practical: str = "",
    profile: Profile | None = None,
    trials: int = montecarlo.TRIALS,
) -> tuple[FileOutcome, Filled | None]:
    """Read and assess a workbook and write nothing; with it what was read, if it could be.

    Parameters are those of ``evaluate_file``.
    """
    try:
        filled = read_workbook(path)
        if practical and filled.identity.practical != practical:
            raise SheetlabError(_other_practical(path, filled, practical))
        assessment = assess(
            filled.practical,
            filled.observations,
            trials,
            profile=profile or filled.identity.profile,
            bound=filled.identity.bound,
        )
    except SheetlabError as error:
        return FileOutcome(path, None, _located(error.findings, path), None), None
    except ArithmeticError as error:
        return FileOutcome(path, None, (_beyond_arithmetic(path, error),), None), None
    except Exception as error:  # the last boundary: one odd file never stops the others
        return FileOutcome(path, None, (_unexpected(path, error),), None), None
    return FileOutcome(path, assessment, assessment.findings, None), filled


def evaluated_bytes(filled: Filled, assessment: Assessment) -> bytes:
    """The workbook with its result sheets, as a file."""
    own = own_sheets(filled.package)
    others = [sheet.name for sheet in filled.store.sheets if sheet.name not in own]
    return graft(filled.package, write_results(assessment, free_titles(TITLES, others)), own)


def _located(findings: tuple[Finding, ...], path: Path) -> tuple[Finding, ...]:
    return tuple(f if f.place.file else f.at(Place(path.name)) for f in findings)


def _changed(path: Path, before: object) -> bool:
    now = path.stat()
    return (now.st_mtime_ns, now.st_size) != (
        getattr(before, "st_mtime_ns", None),
        getattr(before, "st_size", None),
    )


def refuse_open(target: Path) -> None:
    """Refuse to replace a file that a spreadsheet program has open."""
    if open_elsewhere(target):
        raise SheetlabError(_not_written(target, "is open in a spreadsheet program"))


def _not_written(path: Path, what: str) -> Finding:
    return Finding(
        "not-written",
        Severity.STOP,
        f"{path.name} {what}; the results were not saved, and the file is as it was",
        "a file that can be replaced",
        "Close it everywhere, check the folder, and evaluate again.",
        Place(path.name),
    )


def _stat(path: Path) -> object:
    try:
        return path.stat()
    except OSError:
        return None


def _unexpected(path: Path, error: Exception) -> Finding:
    return Finding(
        "file-unreadable",
        Severity.STOP,
        f"the file is built in a way that sheetlab does not understand ({type(error).__name__})",
        "a workbook as a spreadsheet program saves it",
        "Open it in a spreadsheet program, save it under another name as .xlsx, and try again. "
        "Please report the file if that does not help.",
        Place(path.name),
    )


def _beyond_arithmetic(path: Path, error: ArithmeticError) -> Finding:
    return Finding(
        "result-not-computable",
        Severity.STOP,
        f"the readings lead beyond what can be calculated ({error})",
        "readings of a usual size",
        "Look for a reading with a slip in its power of ten.",
        Place(path.name),
    )


def _other_practical(path: Path, filled: Filled, wanted: str) -> Finding:
    return Finding(
        "other-practical",
        Severity.STOP,
        f"this is a workbook of “{filled.identity.practical}”",
        f"a workbook of “{wanted}”",
        "Evaluate it without asking for a practical, or look for the right file.",
        Place(path.name),
    )
