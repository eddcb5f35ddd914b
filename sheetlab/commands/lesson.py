"""The lesson and after it: benches that are watched, workbooks, the whole class."""

from __future__ import annotations

import argparse
import signal
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.commands.console import (
    DONE,
    NOTHING_DONE,
    SOME_FAILED,
    complain,
    evaluating,
    indented,
    json_line,
    no_files,
    own_definition,
    profile_option,
    result_text,
    roster_of,
    say,
    worker_options,
)
from sheetlab.finding import Finding, Severity, SheetlabError, many
from sheetlab.messages import harmless, said

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
        "--practical",
        default="",
        metavar="ID",
        help="refuse workbooks of any other practical (its id or definition file)",
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
    from sheetlab.checks.regularity import regularities
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
    own = own_definition(options.practical)
    wanted = own[0] if own else options.practical
    workers, progress = evaluating(options)
    brief = len(paths) > FEW and not (options.verbose or options.json)
    outcomes = []
    for outcome in evaluate_many(
        paths, options.out, options.in_place, partial(_said, options.json), wanted,
        profile, workers, progress,
    ):  # fmt: skip
        if not (brief and outcome.good):
            progress.end()
            say(outcome.text, flush=True)
        outcomes.append(replace(outcome, text=""))
    progress.end()
    good = sum(outcome.good for outcome in outcomes)
    if brief:
        say(_total(outcomes))
        if good:
            where = "in the files themselves" if options.in_place else options.out
            say(f"written: {where or 'a folder “evaluated” beside each file'}")
    # what only several workbooks together show
    for note in regularities([o.traits for o in outcomes if o.traits is not None]):
        say(f"class: {harmless(note.sentence)}")
    if wanted and not own and not any(outcome.read for outcome in outcomes):
        ends += _unknown(wanted)
    complain(ends)
    if not good:
        return NOTHING_DONE
    return DONE if good == len(paths) else SOME_FAILED


class _Said(Struct, frozen=True):
    """What is kept of a workbook that was evaluated, maybe in another process."""

    name: str
    status: str
    text: str
    read: bool
    good: bool
    traits: tuple[str, Traits] | None
    """Name and traits, if they are to be compared with those of the others."""


def _said(json: bool, outcome: FileOutcome) -> _Said:
    from sheetlab.checks.record import finding_record, record, unreadable_record
    from sheetlab.checks.regularity import traits

    found = outcome.assessment
    compared = None
    if not json:
        text = "\n".join(_outcome_lines(outcome))
        if found is not None:
            name = found.observations.entry("start.group").text or outcome.path.name
            compared = name, traits(found)
    elif found is None:
        text = json_line(unreadable_record(str(outcome.path), outcome.findings))
    else:
        findings = [finding_record(f) for f in outcome.findings]
        own = {"status": outcome.status, "findings": findings}
        text = json_line({**record(found, str(outcome.path)), **own})
    good = outcome.status != "failed" and outcome.written is not None
    return _Said(outcome.path.name, outcome.status, text, found is not None, good, compared)


def _total(outcomes: Sequence[_Said]) -> str:
    """What many workbooks came to, with the names of those that a person has to look at."""
    count = Counter(outcome.status for outcome in outcomes)
    counts = [f"{count[s]} {s}" for s in ("ok", "doubtful", "failed") if count[s]]
    total = f"{many(len(outcomes), 'workbook')}: {', '.join(counts)}"
    doubtful = [outcome.name for outcome in outcomes if outcome.status == "doubtful"]
    if not doubtful:
        return total
    why = "their sheets Findings say why, and --verbose says it here"
    return f"{total}\ndoubtful: {said(tuple(doubtful))}; {why}"


def _unknown(practical: str) -> tuple[Finding, ...]:
    """That no practical is called so; a workbook may have had one of another folder."""
    from sheetlab.practical.loader import catalogue

    try:
        catalogue().text(practical)
    except SheetlabError as error:
        return error.findings
    return ()


def _outcome_lines(outcome: FileOutcome) -> Iterator[str]:
    yield f"{harmless(outcome.path.name)}: {result_text(outcome)}"
    notes = 0
    for finding in outcome.findings:
        if finding.severity is Severity.NOTE and finding.code != "own-result-differs":
            notes += 1
        else:
            yield indented(finding)
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
    lists = [path for path in (options.roster, options.out) if path is not None]
    over = passed_over([options.folder], below=True, leave_out=lists)
    ends = () if over is None else (over,)
    try:
        made = run_class(
            options.folder, options.out, scheme, roster, options.due, profile, workers, progress
        )
    except SheetlabError as error:
        raise SheetlabError(*error.findings, *ends) from error
    counted = made.sorted.counted
    for handin in counted:
        result = "no result" if handin.outcome is None else handin.outcome.statement
        say(harmless(f"{handin.name}, {handin.practical}: {handin.status}, {result}"))
    for note in made.collected.notes:
        say(f"class: {harmless(note)}")
    for point in made.sorted.points:
        whose = ", ".join(filter(None, (point.group, point.practical, point.file)))
        say(harmless(f"{point.what}: {whose}: {point.text}"))
    say(f"written: {harmless(str(made.written))}")
    complain((*made.doubts, *(() if made.left is None else (made.left,)), *ends))
    if not counted:
        return NOTHING_DONE
    unread = any(not file.foreign for file in made.collected.unread)
    failed = unread or any(handin.outcome is None for handin in counted)
    return SOME_FAILED if failed else DONE
