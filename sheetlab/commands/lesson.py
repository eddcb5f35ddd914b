"""The lesson and after it: benches that are watched, workbooks, the whole class."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct

from sheetlab.commands.console import (
    DONE,
    NOTHING_DONE,
    SOME_FAILED,
    complain,
    evaluating,
    indented,
    json_line,
    no_files,
    profile_option,
    result_text,
    roster_of,
    say,
    worker_options,
)
from sheetlab.finding import Finding, Severity, SheetlabError, harmless, listed, many

if TYPE_CHECKING:  # imported when a command needs them: --help has to be quick
    from sheetlab.checks.regularity import Traits
    from sheetlab.workbook.evaluate_file import FileOutcome


FEW = 20
"""Workbooks up to which all that was found is said in the terminal; of more, what they come to."""


def evaluate(parser: argparse.ArgumentParser) -> None:
    """Evaluate filled workbooks."""
    parser.add_argument(
        "files", nargs="+", type=Path, metavar="FILE", help="workbooks, or folders of them"
    )
    where = parser.add_mutually_exclusive_group()
    where.add_argument(
        "--out", type=Path, metavar="DIR",
        help="folder for the evaluated copies (usual: “evaluated” beside each file)",
    )  # fmt: skip
    where.add_argument(
        "--in-place", action="store_true", help="add the result sheets to the files themselves"
    )
    parser.add_argument(
        "--json", action="store_true", help="print one JSON object a workbook, one a line"
    )
    parser.add_argument(
        "--verbose", action="store_true",
        help=f"say what was found in each workbook, also where there are more than {FEW}",
    )  # fmt: skip
    parser.add_argument(
        "--practical", default="", metavar="ID", help="refuse workbooks of any other practical"
    )
    worker_options(parser)
    profile_option(parser, "that of each workbook")
    parser.set_defaults(run=_evaluate)


def watch(parser: argparse.ArgumentParser) -> None:
    """Show how the benches of a class get on."""
    parser.add_argument(
        "folder", type=Path, metavar="FOLDER", help="shared folder in which the benches save"
    )
    parser.add_argument(
        "--poll", action="store_true",
        help="look every two seconds instead of waiting to be told of changes (network shares)",
    )  # fmt: skip
    parser.add_argument("--once", action="store_true", help="print the table once and end")
    parser.set_defaults(run=_watch)


def class_(parser: argparse.ArgumentParser) -> None:
    """Evaluate a folder of hand-ins into one workbook with marks and feedback."""
    parser.add_argument(
        "folder", type=Path, metavar="FOLDER", help="where the hand-ins lie, also in folders below"
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="CLASS.xlsx",
        help="workbook to write, or to bring up to date: what you typed into it is kept",
    )  # fmt: skip
    parser.add_argument(
        "--scheme", default="", metavar="SCHEME",
        help="how marks are proposed: bench-and-sums (usual), quick-ten, or a scheme file",
    )  # fmt: skip
    parser.add_argument(
        "--roster", type=Path, metavar="ROSTER", help="list of the groups of the class"
    )
    parser.add_argument(
        "--due", default="", metavar="DATE",
        help="2026-03-13 or 2026-03-13T16:00: what was saved later is late",
    )  # fmt: skip
    worker_options(parser)
    profile_option(parser, "that of each workbook")
    parser.set_defaults(run=_class)


def _evaluate(options: argparse.Namespace) -> int:
    from sheetlab.handling.batch import evaluate_many
    from sheetlab.handling.folders import expand, passed_over
    from sheetlab.practical.loader import find_profile

    paths = list(expand(options.files))
    folders = [path for path in options.files if path.is_dir()]
    over = passed_over(folders, below=False, leave_out=[options.out] if options.out else [])
    ends = [] if over is None else [over]
    if not paths:
        complain([no_files(options.files), *ends])
        return NOTHING_DONE
    profile = find_profile(options.profile) if options.profile else None
    workers, progress = evaluating(options)
    read = good = 0
    brief = len(paths) > FEW and not (options.verbose or options.json)
    by_status: dict[str, list[str]] = {}
    class_: list[tuple[str, Traits]] = []
    for one in evaluate_many(
        paths, options.out, options.in_place, partial(_told, options.json), options.practical,
        profile, workers, progress,
    ):  # fmt: skip
        if not (brief and one.good):
            progress.end()
            say(one.text, flush=True)
        by_status.setdefault(one.status, []).append(one.name)
        read += one.read
        good += one.good
        class_ += one.class_
    progress.end()
    if brief:
        say(_total(by_status))
        if good:
            where = "in the files themselves" if options.in_place else options.out
            say(f"written: {where or 'a folder “evaluated” beside each file'}")
    _print_class(class_)
    if options.practical and not read:
        ends += _unknown(options.practical)
    complain(ends)
    if not good:
        return NOTHING_DONE
    return DONE if good == len(paths) else SOME_FAILED


class _Told(Struct, frozen=True):
    """What is kept of a workbook that was evaluated, maybe in another process."""

    name: str
    status: str
    text: str
    read: bool
    good: bool
    class_: tuple[tuple[str, Traits], ...]
    """Name and traits, if they are to be compared with those of the others."""


def _told(json: bool, outcome: FileOutcome) -> _Told:
    from sheetlab.checks.regularity import traits

    found = outcome.assessment
    class_: tuple[tuple[str, Traits], ...] = ()
    if found is not None and not json:
        name = found.observations.entry("start.group").text or outcome.path.name
        class_ = ((name, traits(found)),)
    text = json_line(_record(outcome)) if json else "\n".join(_outcome_lines(outcome))
    return _Told(
        outcome.path.name, outcome.status, text, found is not None, _evaluated(outcome), class_
    )


def _total(by_status: Mapping[str, Sequence[str]]) -> str:
    """What many workbooks came to, with the names of those that a person has to look at."""
    count = sum(map(len, by_status.values()))
    counts = ", ".join(
        f"{len(by_status[status])} {status}"
        for status in ("ok", "doubtful", "failed")
        if status in by_status
    )
    lines = [f"{many(count, 'workbook')}: {counts}"]
    if "doubtful" in by_status:
        lines.append(
            f"doubtful: {listed(by_status['doubtful'])}; their sheets Findings say why, and "
            "--verbose says it here"
        )
    return "\n".join(lines)


def _unknown(practical: str) -> tuple[Finding, ...]:
    """That no practical is called so; a workbook may have had one of another folder."""
    from sheetlab.practical.loader import catalogue

    try:
        catalogue().text(practical)
    except SheetlabError as error:
        return error.findings
    return ()


def _print_class(class_: Sequence[tuple[str, Traits]]) -> None:
    """What only several workbooks together show."""
    from sheetlab.checks.regularity import regularities

    for note in regularities(class_):
        say(f"class: {harmless(note.sentence)}")


def _evaluated(outcome: FileOutcome) -> bool:
    return outcome.status != "failed" and outcome.written is not None


def _record(outcome: FileOutcome) -> dict[str, object]:
    from sheetlab.checks.record import finding_record, record, unreadable_record

    if outcome.assessment is None:
        return unreadable_record(str(outcome.path), outcome.findings)
    made = record(outcome.assessment, str(outcome.path))
    findings = [finding_record(f) for f in outcome.findings]
    return {**made, "status": outcome.status, "findings": findings}


def _outcome_lines(outcome: FileOutcome) -> Iterator[str]:
    yield f"{harmless(outcome.path.name)}: {result_text(outcome)}"
    for finding in outcome.findings:
        if finding.severity is not Severity.NOTE or finding.code == "own-result-differs":
            yield indented(finding)
    notes = sum(
        f.severity is Severity.NOTE and f.code != "own-result-differs" for f in outcome.findings
    )
    if notes:
        yield f"    ({many(notes, 'note')} on the sheet Findings)"
    if outcome.written is not None:
        yield f"    written: {harmless(str(outcome.written))}"
    if outcome.kept is not None:
        yield f"    what was there before is kept as {harmless(outcome.kept.name)}"


def _watch(options: argparse.Namespace) -> int:
    from sheetlab.during.watch import show_once, watch

    if options.once:
        show_once(options.folder, sys.stdout)
    else:
        # a shell lets what a script starts in the background ignore the interrupt
        signal.signal(signal.SIGINT, signal.default_int_handler)
        watch(options.folder, sys.stdout, options.poll)
    return DONE


def _class(options: argparse.Namespace) -> int:
    from sheetlab.classes.classroom import run_class
    from sheetlab.classes.schemes import USUAL, find_scheme
    from sheetlab.handling.folders import passed_over
    from sheetlab.practical.loader import find_profile

    scheme = find_scheme(options.scheme or USUAL)
    profile = find_profile(options.profile) if options.profile else None
    roster = roster_of(options.roster)
    workers, progress = evaluating(options)
    lists = [one for one in (options.roster, options.out) if one is not None]
    over = passed_over([options.folder], below=True, leave_out=lists)
    ends = () if over is None else (over,)
    try:
        made = run_class(
            options.folder, options.out, scheme, roster, options.due, profile, workers, progress
        )
    except SheetlabError as error:
        raise SheetlabError(*error.findings, *ends) from error
    for one in made.sorted.counted:
        result = "no result" if one.outcome is None else one.outcome.statement
        say(harmless(f"{one.name}, {one.practical}: {one.status}, {result}"))
    for note in made.collected.notes:
        say(f"class: {harmless(note)}")
    for point in made.sorted.points:
        whose = ", ".join(part for part in (point.group, point.practical, point.file) if part)
        say(harmless(f"{point.what}: {whose}: {point.text}"))
    say(f"written: {harmless(str(made.written))}")
    complain((*made.doubts, *(() if made.left is None else (made.left,)), *ends))
    unread = any(not one.foreign for one in made.collected.unread)
    if not made.sorted.counted:
        return NOTHING_DONE
    failed = unread or any(one.outcome is None for one in made.sorted.counted)
    return SOME_FAILED if failed else DONE
