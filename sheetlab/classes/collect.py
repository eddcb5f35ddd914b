"""Find the workbooks of a class by what is inside them, and evaluate them on all processors."""

from __future__ import annotations

import hashlib
import math
from datetime import UTC, datetime
from pathlib import Path

from lxml import etree
from msgspec import Struct
from msgspec.structs import replace

from sheetlab.checks.answers import verdict
from sheetlab.checks.assess import Assessment
from sheetlab.checks.diagnosis import AnswerDiagnosis
from sheetlab.checks.marks import Scheme, propose
from sheetlab.checks.regularity import Traits, regularities, traits
from sheetlab.checks.subject import amount
from sheetlab.checks.wording import Words
from sheetlab.classes.handins import BLANK, HandIn, Outcome, OwnResult, Unread
from sheetlab.finding import Finding, SheetlabError
from sheetlab.handling.folders import scan
from sheetlab.handling.workers import HERE, Call, Progress, Workers, each
from sheetlab.messages import harmless
from sheetlab.metrology.budget import budget_lines
from sheetlab.practical.profile import Profile
from sheetlab.practical.register import setup_as_bound
from sheetlab.workbook.evaluate_file import assess_file
from sheetlab.workbook.package import Package, open_package, xml
from sheetlab.workbook.template import EPOCH

LOCAL_TIME = ("LibreOffice", "OpenOffice")
"""Programs that write local time with the sign of UTC (seen in LibreOffice 7.4)."""
PROPERTIES = "http://schemas.openxmlformats.org/officeDocument/2006/extended-properties"
_SAVED = ("docProps/core.xml", "{http://purl.org/dc/terms/}modified")
_SAVED_ODS = ("meta.xml", "{http://purl.org/dc/elements/1.1/}date")
FOREIGN = frozenset({"not-issued"})


class Collected(Struct, frozen=True):
    """Everything that was found in a folder."""

    handins: tuple[HandIn, ...]
    unread: tuple[Unread, ...]
    notes: tuple[str, ...]
    """What only several workbooks together show."""


class _Job(Struct, frozen=True):
    folder: Path
    file: str
    scheme: Scheme
    profile: Profile | None


def collect(
    folder: Path,
    leave_out: Path,
    scheme: Scheme,
    profile: Profile | None = None,
    workers: Workers = HERE,
    progress: Progress | None = None,
) -> Collected:
    """Evaluate every workbook in a folder and below it; files named “evaluated” are copies.

    Parameters
    ----------
    leave_out
        The class's own workbook, which may lie in the folder.
    progress
        Told how many of how many are done.

    Raises
    ------
    SheetlabError
        If the workers that are asked for cannot do it.
    """
    files, lost = scan(folder)
    own = leave_out.resolve()
    names = sorted(name for name in files if (folder / name).resolve() != own)
    # a worker elsewhere has another folder to begin with
    todo = [_Job(folder.absolute(), name, scheme, profile) for name in names]
    unread = [Unread(name or ".", "the folder cannot be looked into") for name in lost]
    read: list[tuple[HandIn, Traits]] = []
    for result in each(Call(_evaluate, _lost), todo, workers, [folder.absolute()], progress):
        if isinstance(result, Unread):
            unread.append(result)
        else:
            read.append(result)
    # an evaluated copy has the same readings by right
    different: dict[tuple[str, str], tuple[str, Traits]] = {}
    for handin, its_traits in read:
        if not handin.blank:
            different.setdefault((handin.key, handin.readings), (handin.name, its_traits))
    notes = tuple(note.sentence for note in regularities(list(different.values())))
    return Collected(tuple(handin for handin, _ in read), tuple(unread), notes)


def _evaluate(job: _Job) -> tuple[HandIn, Traits] | Unread:
    """One workbook; never raises for what is in it."""
    outcome, filled = assess_file(job.folder / job.file, profile=job.profile, trials=0)
    if outcome.assessment is None or filled is None:
        foreign = any(f.code in FOREIGN for f in outcome.findings)
        return Unread(job.file, " ".join(f.message for f in outcome.findings), foreign)
    try:
        handin = _handin(filled.package, job, outcome.assessment)
        return handin, traits(outcome.assessment)
    except (OSError, SheetlabError) as error:
        return Unread(job.file, f"cannot be read any more: {error}")
    except Exception as error:  # the last boundary: one odd file never stops the others
        return Unread(job.file, f"cannot be put into a table ({type(error).__name__})")


def _lost(job: _Job, why: Finding) -> Unread:
    return Unread(job.file, why.message)


def _handin(package: Package, job: _Job, assessment: Assessment) -> HandIn:
    definition = assessment.practical.definition
    saved, saved_by = saved_at(package.path, package)
    accepted_by = definition.results[0].accepted_by if definition.results else ""
    sample = assessment.observations.entry(accepted_by).text if accepted_by else ""
    return HandIn(
        practical=definition.id,
        title=definition.title,
        group=entry_of(assessment, "group"),
        setup=setup_as_bound(entry_of(assessment, "setup"), assessment.bound),
        observers=entry_of(assessment, "observers"),
        date=entry_of(assessment, "date"),
        sample=sample,
        saved=saved,
        saved_by=saved_by,
        file=job.file,
        digest=hashlib.sha256(package.raw).hexdigest(),
        readings=typed_digest(assessment),
        status=str(assessment.status),
        blank=any(f.code == BLANK for f in assessment.findings),
        outcome=_outcome(assessment),
        findings=assessment.findings,
        own=tuple(_own(assessment, answer) for answer in assessment.answers),
        marks=propose(assessment, job.scheme),
    )


def _own(assessment: Assessment, answer: AnswerDiagnosis) -> OwnResult:
    title = answer.answer.title
    if answer.given is None:
        return OwnResult(title, "", "not given", "")
    answer_unit = assessment.practical.inputs[f"answer.{answer.answer.id}"].unit
    given = assessment.evaluation.profile.sentence(amount(answer.given, answer_unit))
    question = ""
    if answer.agrees is False and (answer.doubts_zero or not answer.another_way):
        question = answer.causes[0].question if answer.causes else ""
        question = question or "Which step leads from your readings to this number?"
    return OwnResult(title, given, verdict(answer), question)


def _outcome(assessment: Assessment) -> Outcome | None:
    result = assessment.evaluation.measurand
    if result is None or not math.isfinite(result.budget.value):
        return None
    profile = assessment.evaluation.profile
    words = Words(assessment.practical, profile)
    shown = words.result_unit(result)
    outcome = Outcome(
        value=result.budget.value,
        standard=result.budget.standard_uncertainty,
        expanded=result.budget.expanded_uncertainty,
        statement=words.statement_line(result),
        symbol=assessment.practical.derived[result.definition.quantity].symbol,
        unit=shown.pretty,
        factor=shown.factor,
        difference=profile.difference,
        budget=tuple(budget_lines(result.budget.rows, shown.factor)),
        budget_note=" ".join([words.budget_line(result), *words.dominant_lines(result)]),
    )
    if result.accepted is None:
        return outcome
    return replace(
        outcome,
        accepted=result.accepted.value,
        accepted_source=result.accepted.source,
        percent=result.accepted.percent_difference,
        e_n=result.accepted.e_n,
        verdict=result.accepted.verdict,
    )


def entry_of(assessment: Assessment, name: str) -> str:
    """An entry of the first sheet, on one line."""
    text = assessment.observations.entry(f"start.{name}").text
    # one line: a name is a cell, a page footer and a row of a terminal
    return " ".join(harmless(text).split())


def typed_digest(assessment: Assessment) -> str:
    """Digest of what was typed, without whatever a spreadsheet program adds to a file."""
    digest = hashlib.sha256(assessment.practical.definition.id.encode())
    for key in sorted(assessment.observations.entries):
        values = [
            entry.text if entry.value is None else repr(entry.value)
            for entry in assessment.observations.entries[key]
        ]
        digest.update(repr((key, values)).encode("utf-8", "replace"))
    return digest.hexdigest()


def saved_at(path: Path, package: Package | None = None) -> tuple[datetime, str]:
    """When a workbook was last saved, local time, and where that is known from.

    ``package``: its parts, if they have been read already.
    """
    by_file = datetime.fromtimestamp(path.stat().st_mtime)
    package = package or open_package(path)
    part, key = _SAVED_ODS if package.open_document else _SAVED
    raw = package.parts.get(part)
    if raw is None:
        return by_file, "file"
    try:
        text = next((e.text for e in xml(raw, path).iter(key)), None) or ""
        saved = datetime.fromisoformat(text.strip())
        if saved.replace(tzinfo=None) == EPOCH:  # never saved since it was issued
            return by_file, "file"
        if not (package.open_document or _writes_local_time(package)):
            saved = (saved if saved.tzinfo else saved.replace(tzinfo=UTC)).astimezone()
        return saved.replace(tzinfo=None), "workbook"
    except (ValueError, OverflowError, OSError, SheetlabError, etree.LxmlError):
        return by_file, "file"


def _writes_local_time(package: Package) -> bool:
    """Whether the program that saved a workbook calls its local time UTC, as LibreOffice does."""
    raw = package.parts.get("docProps/app.xml")
    if raw is None:
        return False
    program = xml(raw, package.path).findtext(f"{{{PROPERTIES}}}Application") or ""
    return program.strip().startswith(LOCAL_TIME)
