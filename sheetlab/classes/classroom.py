"""The whole class in one workbook: collect, sort out, keep what the teacher typed, write."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, time
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.checks.marks import Scheme
from sheetlab.classes.classbook import write_class
from sheetlab.classes.collect import Collected, collect
from sheetlab.classes.extras import left_behind, not_carried_over
from sheetlab.classes.handins import Sorted, sort_out
from sheetlab.classes.kept import Kept, read_kept
from sheetlab.classes.pages import ClassData, blocks_of, folder_seen
from sheetlab.finding import (
    Finding,
    Place,
    Severity,
    SheetlabError,
    finding,
    reason_of,
    wrong_ending,
)
from sheetlab.handling.roster import Group
from sheetlab.handling.workers import HERE, Progress, Workers
from sheetlab.practical.profile import GUM, Profile
from sheetlab.practical.register import as_date
from sheetlab.workbook.evaluate_file import keep, refuse_open, stamp
from sheetlab.workbook.package import write_atomically

ENDING = ".xlsx"
AGAIN = "run “sheetlab class” again"


class ClassRun(Struct, frozen=True):
    """What a run over a folder came to."""

    collected: Collected
    sorted: Sorted
    written: Path
    left: Finding | None = None
    """What the workbook held before and does not hold any more."""
    doubts: tuple[Finding, ...] = ()
    """Rows of marks whose group was not certain."""


def run_class(
    folder: Path,
    out: Path,
    scheme: Scheme,
    roster: Sequence[Group] = (),
    due: str = "",
    profile: Profile | None = None,
    workers: Workers = HERE,
    progress: Progress | None = None,
) -> ClassRun:
    """Evaluate a folder of hand-ins into one workbook; what was typed into that is kept.

    Parameters
    ----------
    out
        The workbook of the class. If it is there already it is brought up to date.
    due
        A date or a date and a time (ISO 8601, local); a date alone means its end.
    profile
        How results are stated; None: as each workbook was issued.

    Raises
    ------
    SheetlabError
        If there is nothing to evaluate, the workbook of the class is open, cannot be read, or
        cannot be written. It is then as it was.
    """
    if not folder.is_dir():
        raise SheetlabError(finding("no-files_class-folder", Severity.STOP, folder=str(folder)))
    if out.suffix.lower() != ENDING:
        raise SheetlabError(wrong_ending(out.name, ENDING))
    if out.name.startswith((".", "~")):
        raise SheetlabError(
            finding(
                "not-written_class-name", Severity.STOP, Place(out.name), name=out.name, again=AGAIN
            )
        )
    limit = due_time(due) if due else None
    # what cannot end well is told before the work, not after it
    refuse_open(out, AGAIN)
    read_kept(out)
    collected = collect(folder, out, scheme, profile, workers, progress)
    if not collected.handins and not collected.unread:
        raise SheetlabError(finding("no-files_class-empty", Severity.STOP, folder=str(folder)))
    # the teacher may have typed and saved while the workbooks were evaluated
    seen = stamp(out)
    kept = read_kept(out)
    _same_class(collected, kept, folder, out)
    in_order = sort_out(collected.handins, collected.unread, kept.history, roster, limit)
    blocks, stated = blocks_of(in_order), profile or GUM
    data, doubts = write_class(
        ClassData(in_order, blocks, collected.notes, scheme, kept, folder, out, due, stated)
    )
    left = _replace(out, data, seen, kept)
    notes = (*collected.notes, *doubts)
    return ClassRun(replace(collected, notes=notes), in_order, out, left, kept.doubts)


def _replace(out: Path, data: bytes, seen: object, kept: Kept) -> Finding | None:
    """Write the workbook if it is still the one that was seen; what of that is not in it."""
    try:
        refuse_open(out, AGAIN)
        if stamp(out) != seen:
            meanwhile = finding(
                "not-written_class-meanwhile",
                Severity.STOP,
                Place(out.name),
                name=out.name,
                again=AGAIN,
            )
            raise SheetlabError(meanwhile)
        extra = (*(f"the order of rows at {f.place}" for f in kept.doubts), *left_behind(out))
        left = not_carried_over(out, extra, keep(out)) if extra else None
        write_atomically(out, data)
    except OSError as error:
        stopped = finding(
            "not-written_class",
            Severity.STOP,
            Place(out.name),
            name=out.name,
            reason=reason_of(error),
            again=AGAIN,
        )
        raise SheetlabError(stopped) from error
    return left


def _same_class(collected: Collected, kept: Kept, folder: Path, out: Path) -> None:
    """Refuse to put a class into the workbook of another, whose marks stand in it."""
    if not kept.history or (kept.folder or "") == folder_seen(folder, out):
        return
    # the same folder may have another name or place since
    known = {past.readings for past in kept.history}
    if not known & {handin.readings for handin in collected.handins}:
        raise SheetlabError(
            finding(
                "other-class", Severity.STOP, Place(out.name), name=out.name, folder=folder.name
            )
        )


DAY = len("2026-03-13")


def due_time(text: str) -> datetime:
    """A date, or a date and a time, as the last moment that is not late.

    Raises
    ------
    SheetlabError
        If the text is neither.
    """
    day = as_date(text[:DAY])
    try:
        if day is None:
            raise ValueError
        if len(text) <= DAY:
            return datetime.combine(day, time.max)
        due = datetime.fromisoformat(text)
    except ValueError as error:
        raise SheetlabError(finding("no-such-date", Severity.STOP, text=text)) from error
    return due if due.tzinfo is None else due.astimezone().replace(tzinfo=None)
