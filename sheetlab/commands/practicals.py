"""The practicals there are, and those of one's own: made, checked, turned from text to workbook."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from sheetlab.commands.console import (
    DEFINITION_FILES,
    DONE,
    SOME_FAILED,
    catalogue_of,
    complain,
    definitions_option,
    expect_ending,
    say,
    write_new,
)
from sheetlab.finding import Place, Severity, SheetlabError, finding
from sheetlab.messages import harmless, phrase, said


def practicals(parser: argparse.ArgumentParser) -> None:
    """List practicals; make, check and convert one of one's own."""
    definitions_option(parser)
    parser.set_defaults(run=_list)
    kept = parser.add_subparsers(title="what to do", metavar="new|check|convert")
    new = kept.add_parser("new", help="write a definition to begin with, which works")
    new.add_argument(
        "--like",
        default="",
        metavar="PRACTICAL",
        help="begin with this one, an id or a file (usual: a small one)",
    )
    new.add_argument(
        "--out", type=Path, required=True, metavar="FILE",
        help="new file: .xlsx, to be filled in a spreadsheet program, or .toml",
    )  # fmt: skip
    definitions_option(new)
    new.set_defaults(run=_new)
    checking = kept.add_parser(
        "check", help="say what is wrong with a definition, what students will see, and try it"
    )
    checking.add_argument("practical", metavar="FILE", help="definition as .xlsx, .ods or .toml")
    checking.add_argument(
        "--out", type=Path, metavar="REPORT.xlsx", help="write the report as a workbook"
    )
    definitions_option(checking)
    checking.set_defaults(run=_check)
    turning = kept.add_parser("convert", help="turn a definition from text to workbook, or back")
    turning.add_argument("file", type=Path, metavar="FILE", help="definition as .toml, .xlsx, .ods")
    turning.add_argument(
        "--out", type=Path, required=True, metavar="FILE", help="new file: .xlsx or .toml"
    )
    turning.set_defaults(run=_convert)


def _list(options: argparse.Namespace) -> int:
    from sheetlab.practical.files import Definitions, all_folders

    files = Definitions(all_folders(options.definitions))
    names = list(files.paths())
    width = max(map(len, names), default=0)
    status = DONE
    for name in names:
        try:
            title, version = files.heading(name)
        except SheetlabError as error:
            # a broken definition is a finding, and the others are still there
            complain(error.findings)
            status = SOME_FAILED
            continue
        say(f"{name:<{width}}  {title} (version {version})")
    return status


def _new(options: argparse.Namespace) -> int:
    from sheetlab.before import starter_text
    from sheetlab.before.definition_book import definition_text

    if Path(options.like).suffix.lower() in DEFINITION_FILES:
        text, _ = definition_text(Path(options.like))
    else:
        text = catalogue_of(options).text(options.like) if options.like else starter_text()
    _write(text, options.out, own=True)
    say(said(phrase("practicals-new", file=harmless(str(options.out)))))
    return DONE


def _convert(options: argparse.Namespace) -> int:
    from sheetlab.before.definition_book import definition_text

    text, _ = definition_text(options.file)
    _write(text, options.out, source=options.file.name)
    say(harmless(str(options.out)))
    return DONE


def _write(text: str, out: Path, own: bool = False, source: str = "") -> None:
    """Write a definition in the form that the ending of a file asks for.

    ``own``: without id and version, which then are those of the new file. ``source``: the file
    that the text comes from.
    """
    import tomllib

    from sheetlab.before.definition_book import write_definition

    if out.suffix.lower() != ".toml":
        expect_ending(out, ".xlsx")
    if own:
        text = "\n".join(
            line for line in text.splitlines() if not line.startswith(("id =", "version ="))
        )
    if out.suffix.lower() == ".toml":
        return write_new(out, f"{text.rstrip()}\n".encode())
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        reason = f"is not TOML: {error}"
        place = Place(source)
        raise SheetlabError(
            finding("definition-not-read", Severity.STOP, place, reason=reason)
        ) from error
    write_new(out, write_definition(data))


def _check(options: argparse.Namespace) -> int:
    from sheetlab.before.trial import sentences, small_letters, try_out
    from sheetlab.before.trial_pages import write_report
    from sheetlab.handling.progress import Meter

    if options.out is not None:
        expect_ending(options.out, ".xlsx")
    catalogue = catalogue_of(options)
    loaded = catalogue.load(options.practical)
    trial = try_out(loaded, Meter(sys.stderr, "tried"))
    small = small_letters(trial.papers)
    complain(small)
    for sentence in sentences(trial):
        say(f"- {said(sentence)}")
    if options.out is not None:
        write_new(options.out, write_report(trial))
        say(harmless(str(options.out)))
    return SOME_FAILED if small else DONE
