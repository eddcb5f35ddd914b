"""Evaluation of a workbook that is open in a spreadsheet program.

The program saves a copy, this module evaluates the copy as a file and hands over a workbook that
holds only the result sheets; the program takes these sheets into the open workbook itself. So the
numbers and the sheets are those of a file, the program loses nothing of its own, and a binding
for a program is four small actions: save a copy, delete sheets, take sheets in, mark cells.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from sheetlab.checks.assess import Assessment
from sheetlab.finding import Finding, Severity, SheetlabError
from sheetlab.practical.profile import Profile
from sheetlab.workbook.evaluate_file import assess_file
from sheetlab.workbook.graft import RESULT_NAME, STYLES_NAME, TITLES, free_titles, own_sheets
from sheetlab.workbook.layout import quoted_sheet
from sheetlab.workbook.package import Package, open_package
from sheetlab.workbook.parts import packed
from sheetlab.workbook.results import write_results


@dataclass(frozen=True, slots=True)
class Doubt:
    """A cell that a finding points at."""

    sheet: str
    cell: str
    severity: Severity
    text: str


@dataclass(frozen=True, slots=True)
class Prepared:
    """What a program has to do to its open workbook."""

    assessment: Assessment
    results: bytes
    """A workbook file that holds only the result sheets."""
    titles: tuple[str, ...]
    """Titles of these sheets, in order."""
    replaces: tuple[str, ...]
    """Titles of the sheets of an earlier evaluation, to be deleted first."""
    names: tuple[tuple[str, str], ...]
    """Hidden names and what they stand for, by which the next evaluation finds the sheets."""
    doubts: tuple[Doubt, ...]


def prepare(copy: Path, profile: Profile | None = None) -> Prepared:
    """Evaluate the copy of an open workbook.

    Raises
    ------
    SheetlabError
        If it cannot be read, is no workbook that sheetlab issued, takes too long, or is an .ods.
    """
    outcome, filled = assess_file(copy, profile=profile)
    found = outcome.assessment
    if found is None or filled is None:
        raise SheetlabError(*outcome.findings)
    own = _own(filled.package)
    titles = free_titles(TITLES, [s.name for s in filled.store.sheets if s.name not in own])
    return Prepared(
        found,
        packed(write_results(found, titles)),
        titles,
        own,
        tuple((f"{RESULT_NAME}{k}", f"{quoted_sheet(t)}!$A$1") for k, t in enumerate(titles, 1)),
        doubts(found.findings),
    )


def own_titles(copy: Path) -> tuple[str, ...]:
    """Titles of the sheets that an earlier evaluation put into a workbook.

    Raises
    ------
    SheetlabError
        If it cannot be read, or is an .ods.
    """
    return _own(open_package(copy))


def _own(package: Package) -> tuple[str, ...]:
    if package.open_document:
        # the names by which the sheets are found again are read of .xlsx files alone
        raise SheetlabError(
            Finding(
                "saved-as-ods",
                Severity.STOP,
                "the workbook is an .ods file, in which result sheets would not be found again",
                "a workbook that is saved as .xlsx",
                "Choose File > Save As, take Excel Workbook (.xlsx), and try again.",
            )
        )
    return own_sheets(package)


def is_own_name(name: str) -> bool:
    """Whether a defined name of a workbook is one by which an evaluation finds its own again."""
    return name.lower() == STYLES_NAME or bool(re.fullmatch(rf"{RESULT_NAME}\d+", name.lower()))


def doubts(findings: tuple[Finding, ...]) -> tuple[Doubt, ...]:
    """The cells that findings point at; several findings at one cell are several doubts."""
    return tuple(
        Doubt(f.place.sheet, f.place.cell, f.severity, f.message)
        for f in findings
        if f.place.sheet and f.place.cell
    )


def refusal(error: SheetlabError) -> str:
    """What a message box says when a workbook cannot be evaluated."""
    return "\n\n".join(f.message for f in error.findings)
