"""Evaluation of a workbook that is open in a spreadsheet program.

The program saves a copy, this module evaluates the copy as a file and hands over a workbook that
holds only the result sheets; the program takes these sheets into the open workbook itself. So the
numbers and the sheets are those of a file, the program loses nothing of its own, and a binding
for a program is four small actions: save a copy, delete sheets, take sheets in, mark cells.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from pathlib import Path

from msgspec import Struct

from sheetlab.checks.assess import Assessment
from sheetlab.checks.completeness import NOT_FILLED
from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding
from sheetlab.handling.workers import Call, each
from sheetlab.practical.profile import Profile
from sheetlab.workbook.evaluate_file import assess_file
from sheetlab.workbook.graft import RESULT_NAME, TITLES, free_titles, own_sheets
from sheetlab.workbook.layout import quoted_sheet
from sheetlab.workbook.package import Package, open_package
from sheetlab.workbook.parts import packed
from sheetlab.workbook.results import write_results

RULES = {
    Severity.DOUBTFUL: '"sheetlab doubtful"<>""',
    Severity.STOP: '"sheetlab stop"<>""',
}
"""Conditions of a format that always hold, by which every program knows a mark again, whoever set
it. They name no function: Excel reads and tells conditions in the language of its user."""
COLOURS = {Severity.DOUBTFUL: 0xFFD966, Severity.STOP: 0xF4A6A0}
NO_READINGS = "There are no readings in this workbook yet."
NOTE = "sheetlab: "
TAIL = "\n(“Clear results” takes this note away.)"
"""What the note at a mark begins and ends with, as long as nobody has written into it."""


class Doubt(Struct, frozen=True):
    """A cell that a finding points at, and that someone has to look at."""

    sheet: str
    cell: str
    severity: Severity
    text: str


class Mark(Struct, frozen=True):
    """A colour and a note at a cell; ``texts``: its doubts."""

    sheet: str
    cell: str
    severity: Severity
    texts: tuple[str, ...]

    @property
    def note(self) -> str:
        """What its note says."""
        return NOTE + "\n\n".join(self.texts) + TAIL


class Prepared(Struct, frozen=True):
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

    @property
    def elsewhere(self) -> tuple[str, ...]:
        """What else asks for a look, and has no cell that could be marked."""
        findings = self.assessment.findings
        if any(f.code == NOT_FILLED for f in findings):
            return (NO_READINGS,)
        return tuple(
            f.message
            for f in findings
            if f.severity is not Severity.NOTE and not (f.place.sheet and f.place.cell)
        )


def prepare(copy: Path, profile: Profile | None = None) -> Prepared:
    """Evaluate the copy of an open workbook.

    Raises
    ------
    SheetlabError
        If it cannot be read, is no workbook that sheetlab issued, takes too long, or is an .ods.
    """
    (made,) = each(Call(partial(_prepared, profile), _lost), [copy])
    if not isinstance(made, Prepared):
        raise SheetlabError(*made)
    return made


def _lost(copy: Path, why: Finding) -> Prepared | tuple[Finding, ...]:
    return (why.at(Place(copy.name)),)


def _prepared(profile: Profile | None, copy: Path) -> Prepared | tuple[Finding, ...]:
    """The evaluation; findings if there is none."""
    outcome, filled = assess_file(copy, profile=profile)
    found = outcome.assessment
    if found is None or filled is None:
        return outcome.findings
    try:
        own = _own(filled.package)
    except SheetlabError as error:
        return error.findings
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
        raise SheetlabError(finding("saved-as-ods", Severity.STOP))
    return own_sheets(package)


def doubts(findings: tuple[Finding, ...]) -> tuple[Doubt, ...]:
    """The cells that someone has to look at; several findings at one cell are several doubts."""
    return tuple(
        Doubt(f.place.sheet, f.place.cell, f.severity, f.message)
        for f in findings
        if f.place.sheet and f.place.cell and f.severity is not Severity.NOTE
    )


def marks(doubts: Iterable[Doubt]) -> tuple[Mark, ...]:
    """One mark a cell, in the order in which the cells come first; the gravest doubt colours it."""
    cells: dict[tuple[str, str], list[Doubt]] = {}
    for doubt in doubts:
        cells.setdefault((doubt.sheet, doubt.cell), []).append(doubt)
    return tuple(
        Mark(
            *cell,
            Severity.STOP if any(d.severity is Severity.STOP for d in found) else Severity.DOUBTFUL,
            tuple(d.text for d in found),
        )
        for cell, found in cells.items()
    )


def is_own_note(text: str) -> bool:
    """Whether a note is ours and nobody has written into it."""
    return text.startswith(NOTE) and text.endswith(TAIL)


def refusal(error: SheetlabError) -> str:
    """What a message box says when a workbook cannot be evaluated."""
    return "\n\n".join(f.message for f in error.findings)
