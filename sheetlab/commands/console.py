"""What all commands share: exit statuses, what is said and how, files that are written."""

from __future__ import annotations

import argparse
import builtins
import datetime
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from msgspec.structs import replace

from sheetlab.finding import (
    Finding,
    Severity,
    SheetlabError,
    file_exists,
    finding,
    not_written,
    wrong_ending,
)
from sheetlab.messages import harmless

if TYPE_CHECKING:  # imported when a command needs them: --help has to be quick
    from sheetlab.handling.progress import Meter
    from sheetlab.handling.roster import Group
    from sheetlab.handling.workers import Workers
    from sheetlab.practical.loader import Catalogue
    from sheetlab.workbook.evaluate_file import FileOutcome

DEFINITION_FILES = (".toml", ".xlsx", ".ods")
_T = TypeVar("_T")
DONE, SOME_FAILED, NOTHING_DONE = 0, 1, 2
STOPPED = 130
"""As a shell has it for Ctrl-C."""


def say(*values: object, **options: Any) -> None:
    """Print what does nothing to a terminal, whatever a workbook or a file is called."""
    texts = ("\n".join(map(harmless, str(value).split("\n"))) for value in values)
    builtins.print(*texts, **options)


def json_line(record: dict[str, object]) -> str:
    """One line of JSON; what a terminal would act on is escaped, the content is the same."""
    import json

    text = json.dumps(record, ensure_ascii=False, allow_nan=False)
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in text)


def complain(findings: Sequence[Finding]) -> None:
    """Say findings on standard error, each with its place."""
    for problem in findings:
        say(problem, file=sys.stderr)


def roster_of(path: Path | None) -> tuple[Group, ...]:
    """The groups of a roster, none without one; what of it was not used is said."""
    from sheetlab.handling.roster import read_roster

    return () if path is None else read_roster(path, lambda finding: complain([finding]))


def indented(finding: Finding) -> str:
    """A finding in a list below its workbook."""
    import textwrap

    place = f"{finding.place.sheet} {finding.place.cell}".strip()
    text = f"{place}: {finding.message}" if place else finding.message
    return textwrap.fill(harmless(text), 96, initial_indent="  - ", subsequent_indent="    ")


def expect_ending(path: Path, ending: str) -> None:
    """Refuse a name that programs would not know the kind of file by."""
    if path.suffix.lower() != ending:
        raise SheetlabError(wrong_ending(path.name, ending))


def write_new(path: Path, data: bytes) -> None:
    """Write a file that is not there yet; its folder has to be."""
    from sheetlab.workbook.package import write_atomically

    try:
        if path.exists():
            raise SheetlabError(file_exists(path))
        write_atomically(path, data)
    except (OSError, ValueError) as error:
        raise SheetlabError(not_written(path, error)) from error


def typed(option: str, read: Callable[[str], _T], expected: str) -> Callable[[str], _T]:
    """What turns the text of an option into a value; a text that is none is a finding.

    Parameters
    ----------
    read
        Raises ValueError for a text that it does not take.
    expected
        What it takes, with an example.
    """

    def convert(text: str) -> _T:
        try:
            return read(text.strip())
        except ValueError as error:
            raise SheetlabError(
                finding(
                    "option-refused", Severity.STOP, option=option, text=text, expected=expected
                )
            ) from error

    return convert


def whole_option(
    parser: argparse.ArgumentParser | argparse._ArgumentGroup,
    option: str,
    help_: str,
    low: int,
    high: int = 1_000_000,
    **more: Any,
) -> None:
    """Let a command take a whole number within limits, which its help tells too."""

    def read(text: str) -> int:
        value = int(text)
        if not low <= value <= high:
            raise ValueError
        return value

    ends = f"from {low} to {high}" if high < 1_000_000 else f"{low} or more"
    kind = typed(option, read, f"a whole number, {ends}")
    parser.add_argument(option, type=kind, metavar="N", help=f"{help_} ({ends})", **more)


def decimal(option: str, expected: str) -> Callable[[str], float]:
    """A number, with a decimal comma too."""

    def read(text: str) -> float:
        from sheetlab.practical.observations import typed_number

        found = typed_number(text)
        if found is None or found.ambiguous:
            raise ValueError
        return found.value

    return typed(option, read, expected)


def day(option: str) -> Callable[[str], datetime.date]:
    """A day, as a register holds it too."""

    def read(text: str) -> datetime.date:
        from sheetlab.practical.register import as_date

        found = as_date(text)
        if found is None:
            raise ValueError
        return found

    return typed(option, read, "a day as 2026-09-01")


def definitions_option(parser: argparse.ArgumentParser) -> None:
    """Let a command take further definition files."""
    parser.add_argument(
        "--definitions", type=Path, action="append", default=[], metavar="DIR",
        help="folder with further definition files",
    )  # fmt: skip


def profile_option(parser: argparse.ArgumentParser, usual: str) -> None:
    """Let a command take a profile; ``usual``: what holds without it."""
    parser.add_argument(
        "--profile", default="", metavar="PROFILE",
        help="how results are stated: gum, school-maximum, or a profile file of your own "
        f"(usual: {usual})",
    )  # fmt: skip


def worker_options(parser: argparse.ArgumentParser) -> None:
    """Let a command evaluate on several processors or on a cluster."""
    whole_option(
        parser, "--jobs", "processes at the same time; usual: one a processor", 0, default=0
    )
    parser.add_argument(
        "--cluster", default="", metavar="ADDRESS",
        help="evaluate on a Dask cluster: address of its scheduler, or “local” for one on this PC",
    )  # fmt: skip


def catalogue_of(options: argparse.Namespace) -> Catalogue:
    """All practicals: those of ``--definitions`` too, and those whose files stand for ids."""
    from sheetlab.practical.loader import catalogue

    made = catalogue(*options.definitions)
    own = []
    for option in ("practical", "practicals"):
        named = getattr(options, option, None) or ""
        names = map(str.strip, named.split(",")) if option == "practicals" else (named,)
        found = [(name, own_definition(name)) for name in names]
        own += [one for _, one in found if one is not None]
        if any(one for _, one in found):
            setattr(options, option, ",".join(one[0] if one else name for name, one in found))
    return replace(made, own=tuple(own))


def own_definition(name: str) -> tuple[str, str, Path] | None:
    """Id, text and folder of a practical that is named as a file; None if it is an id."""
    path = Path(name)
    if path.suffix.lower() not in DEFINITION_FILES:
        return None
    from sheetlab.before.definition_book import load_file

    loaded = load_file(path)
    return loaded.definition.id, loaded.source_text, path.parent


def evaluating(options: argparse.Namespace) -> tuple[Workers, Meter]:
    """Who evaluates, and what tells how far it is."""
    from sheetlab.handling.progress import Meter
    from sheetlab.handling.workers import Workers

    meter = Meter(sys.stderr)

    def tell(finding: Finding) -> None:
        meter.end()
        complain([finding])

    return Workers(max(options.jobs, 0), options.cluster, tell), meter


def no_files(given: Sequence[Path]) -> Finding:
    """That nothing was given that could be a workbook."""
    return finding("no-files", Severity.STOP, folders=tuple(map(str, given)))


def refuse_filled(folder: Path) -> None:
    """Refuse to fill a folder that holds something, or a file in its place."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise SheetlabError(finding("folder-not-empty", Severity.STOP, folder=str(folder)))


def system_refused(error: OSError) -> Finding:
    """That the operating system did not do what it was asked for."""
    where = f" ({error.filename})" if error.filename else ""
    reason = f"{error.strerror or error}{where}"
    return finding("not-written_refused", Severity.STOP, reason=reason)


def result_text(outcome: FileOutcome) -> str:
    """Status and result in a line."""
    from sheetlab.checks.wording import Words

    found = outcome.assessment
    if found is None:
        return "failed"
    measurand = found.evaluation.measurand
    if measurand is None:
        return outcome.status
    words = Words(found.practical, found.evaluation.profile)
    return f"{outcome.status}, {words.statement_line(measurand)}"
