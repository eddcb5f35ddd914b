"""Find the workbooks of a class by what is inside them, and evaluate them on all processors."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

from lxml import etree
from msgspec import Struct

from sheetlab.checks.answers import verdict
from sheetlab.checks.assess import Assessment
from sheetlab.checks.diagnosis import AnswerDiagnosis
from sheetlab.checks.marks import Scheme, propose
from sheetlab.checks.regularity import Traits, regularities, traits
from sheetlab.checks.subject import amount
from sheetlab.checks.wording import Words
from sheetlab.classes.handins import BLANK, HandIn, Outcome, OwnResult, Told, Unread
from sheetlab.classes.shelf import Shelf
from sheetlab.finding import Finding, SheetlabError, harmless
from sheetlab.handling.folders import scan
from sheetlab.handling.workers import HERE, Call, Progress, Workers, each
from sheetlab.metrology.budget import budget_lines
from sheetlab.practical.profile import Profile
from sheetlab.practical.register import setup_as_bound
from sheetlab.units import unit
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


_Done = tuple[HandIn, Traits] | Unread


def collect(
    folder: Path,
    leave_out: Path,
    scheme: Scheme,
    shelf: Shelf,
    profile: Profile | None = None,
    workers: Workers = HERE,
    progress: Progress | None = None,
) -> Collected:
    """Evaluate every workbook in a folder and below it; files named “evaluated” are copies.

    Parameters
    ----------
    leave_out
        The class's own workbook, which may lie in the folder.
    shelf
        Takes the details of the hand-ins.
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
    handins, unread = [], [Unread(name or ".", "the folder cannot be looked into") for name in lost]
    class_: list[tuple[HandIn, Traits]] = []
    for found in each(Call(_evaluate, _lost), todo, workers, [folder.absolute()], progress):
        if isinstance(found, Unread):
            unread.append(found)
        else:
            one = shelf.put(found[0])
            handins.append(one)
            class_.append((one, found[1]))
    return Collected(tuple(handins), tuple(unread), tuple(_notes(class_)))


def _notes(class_: Sequence[tuple[HandIn, Traits]]) -> Iterator[str]:
    # an evaluated copy has the same readings by right
    seen: set[tuple[str, str]] = set()
    compared = []
    for one, its in class_:
        if not one.blank and (one.key, one.readings) not in seen:
            seen.add((one.key, one.readings))
            compared.append((one.name, its))
    for note in regularities(compared):
        yield note.sentence


# -- one file ------------------------------------------------------------------------------------


def _evaluate(job: _Job) -> _Done:
    """One workbook; never raises for what is in it."""
    path = job.folder / job.file
    outcome, filled = assess_file(path, profile=job.profile, trials=0)
    found = outcome.assessment
    if found is None or filled is None:
        foreign = any(f.code in FOREIGN for f in outcome.findings)
        message = " ".join(f.message for f in outcome.findings)
        return Unread(job.file, message, foreign)
    try:
        return _handin(filled.package, job, found), traits(found)
    except (OSError, SheetlabError) as error:
        return Unread(job.file, f"cannot be read any more: {error}")
    except Exception as error:  # the last boundary: one odd file never stops the others
        return Unread(job.file, f"cannot be put into a table ({type(error).__name__})")


def _lost(job: _Job, why: Finding) -> _Done:
    return Unread(job.file, why.message)


def _handin(package: Package, job: _Job, found: Assessment) -> HandIn:
    definition = found.practical.definition
    saved, saved_by = saved_at(package.path, package)
    known = {name: entry_of(found, name) for name in ("group", "setup", "observers", "date")}
    known["setup"] = setup_as_bound(known["setup"], found.bound)
    return HandIn(
        file=job.file,
        digest=hashlib.sha256(package.raw).hexdigest(),
        readings=typed_digest(found),
        saved=saved,
        saved_by=saved_by,
        practical=definition.id,
        title=definition.title,
        version=definition.version,
        sample=_sample(found),
        **known,
        status=str(found.status),
        blank=any(f.code == BLANK for f in found.findings),
        outcome=_outcome(found),
        findings=tuple(_told(f) for f in found.findings),
        own=tuple(_own(found, one) for one in found.answers),
        marks=propose(found, job.scheme),
        shelved=None,
    )


def entry_of(found: Assessment, name: str) -> str:
    """An entry of the first sheet, on one line."""
    text = found.observations.entry(f"start.{name}").text
    # one line: a name is a cell, a page footer and a row of a terminal
    return " ".join(harmless(text).split())


def _sample(found: Assessment) -> str:
    results = found.practical.definition.results
    chosen = results[0].accepted_by if results else ""
    return found.observations.entry(chosen).text if chosen else ""


def typed_digest(found: Assessment) -> str:
    """Digest of what was typed, without whatever a spreadsheet program adds to a file."""
    digest = hashlib.sha256(found.practical.definition.id.encode())
    for key in sorted(found.observations.entries):
        values = [
            entry.text if entry.value is None else repr(entry.value)
            for entry in found.observations.entries[key]
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
        found = datetime.fromisoformat(text.strip())
        if found.replace(tzinfo=None) == EPOCH:  # never saved since it was issued
            return by_file, "file"
        if package.open_document or _writes_local_time(package):
            return found.replace(tzinfo=None), "workbook"
        if found.tzinfo is None:
            found = found.replace(tzinfo=UTC)
        return found.astimezone().replace(tzinfo=None), "workbook"
    except (ValueError, OverflowError, OSError, SheetlabError, etree.LxmlError):
        return by_file, "file"


def _writes_local_time(package: Package) -> bool:
    """Whether the program that saved a workbook calls its local time UTC, as LibreOffice does."""
    raw = package.parts.get("docProps/app.xml")
    if raw is None:
        return False
    program = xml(raw, package.path).findtext(f"{{{PROPERTIES}}}Application") or ""
    return program.strip().startswith(LOCAL_TIME)


def _told(finding: Finding) -> Told:
    place = f"{finding.place.sheet} {finding.place.cell}".strip()
    sentences = finding.remedy.replace("? ", "?\n").replace(". ", ".\n").split("\n")
    question = " ".join(s for s in sentences if s.endswith("?"))
    return Told(str(finding.severity), place, finding.found, question, finding.message)


def _own(found: Assessment, one: AnswerDiagnosis) -> OwnResult:
    its = found.practical.inputs[f"answer.{one.answer.id}"].unit
    profile = found.evaluation.profile
    given = "" if one.given is None else profile.sentence(amount(one.given, its))
    question = ""
    if one.agrees is False and (one.doubts_zero or not one.another_way):
        question = one.causes[0].question if one.causes else ""
        question = question or "Which step leads from your readings to this number?"
    said = verdict(one) if one.given is not None else "not given"
    return OwnResult(one.answer.title, given, said, question)


def _outcome(found: Assessment) -> Outcome | None:
    result = found.evaluation.measurand
    if result is None or not math.isfinite(result.budget.value):
        return None
    its = found.practical.derived[result.definition.quantity]
    shown = unit(result.definition.display_unit) if result.definition.display_unit else its.unit
    accepted = result.accepted
    b = result.budget
    words = Words(found.practical, found.evaluation.profile)
    scale = shown.factor
    note = " ".join([words.budget_line(result), *words.dominant_lines(result)])
    return Outcome(
        value=b.value,
        standard=b.standard_uncertainty,
        expanded=b.expanded_uncertainty,
        probability=b.coverage_probability,
        statement=words.statement_line(result),
        title=its.title,
        symbol=its.symbol,
        unit=shown.pretty,
        factor=scale,
        accepted=None if accepted is None else accepted.value,
        accepted_source="" if accepted is None else accepted.source,
        percent=None if accepted is None else accepted.percent_difference,
        difference=found.evaluation.profile.difference,
        e_n=None if accepted is None else accepted.e_n,
        verdict=None if accepted is None else accepted.verdict,
        budget=tuple(budget_lines(result.budget.rows, scale)),
        budget_note=note,
    )
