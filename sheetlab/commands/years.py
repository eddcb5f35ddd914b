"""The years: the archive and what it says of the apparatus."""

from __future__ import annotations

import argparse
import datetime
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sheetlab.commands.console import (
    DONE,
    NOTHING_DONE,
    SOME_FAILED,
    complain,
    day,
    evaluating,
    no_files,
    say,
    typed,
    whole_option,
    worker_options,
)
from sheetlab.finding import Severity
from sheetlab.messages import phrase, said

YEAR = "a year of four digits, such as 2026"


def archive(parser: argparse.ArgumentParser) -> None:
    """Keep the results of the years."""
    actions = parser.add_subparsers(title="actions", required=True, metavar="ACTION")

    def action(name: str, run: Callable[[argparse.Namespace], int], says: str, *,
               there: bool = True, codes: bool = False) -> argparse.ArgumentParser:  # fmt: skip
        made = actions.add_parser(name, help=says)
        made.set_defaults(run=run)
        if there:
            _department(made)
        if codes:
            made.add_argument(
                "--codes", type=Path, metavar="KEYS.csv",
                help="list of codes (usual: “DEPARTMENT codes.csv” beside the archive)",
            )  # fmt: skip
        return made

    _adding(action(
        "add", _archive_add, "evaluate workbooks and append their results", there=False, codes=True
    ))  # fmt: skip
    checking = action(
        "check", _archive_check, "prove the archive complete and unaltered", codes=True
    )
    checking.add_argument(
        "--expect", default="", metavar="DIGEST", help="a digest of the last row, noted earlier"
    )
    checking.add_argument(
        "--workbook", type=Path, metavar="FILE",
        help="also name the row that holds the readings of this workbook",
    )  # fmt: skip
    checking.add_argument(
        "--thorough", action="store_true",
        help="also compare every row of the workbooks of the years with the database",
    )  # fmt: skip
    purging = action(
        "purge", _archive_purge, "take away codes that need not be kept any longer", codes=True
    )
    purging.add_argument(
        "--dry-run", action="store_true", help="only say what would be taken away, and what stays"
    )
    action("import", _archive_import, "make the database again from the workbooks of the years")
    exporting = action(
        "export", _archive_export, "write the table to a file, or the workbooks anew"
    )
    exporting.add_argument(
        "--out", type=Path, metavar="FILE",
        help="a .csv file; without it, the workbooks of all years are written anew",
    )  # fmt: skip
    proving = action("evidence", _archive_evidence, "write a pack for an inspector", codes=True)
    proving.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to fill")
    proving.add_argument(
        "--sources", type=Path, nargs="+", default=[], metavar="FOLDER",
        help="folders of hand-ins: the sample workbooks found there go into the pack, evaluated",
    )  # fmt: skip
    proving.add_argument(
        "--names", action="store_true", help="name groups that the list of codes knows"
    )


def _adding(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "files", nargs="+", type=Path, metavar="FILE",
        help="workbooks, folders of them, or class workbooks (what counts in the class)",
    )  # fmt: skip
    parser.add_argument("--archive", type=Path, required=True, metavar="DEPARTMENT.sqlite")
    parser.add_argument(
        "--year", type=typed("--year", _year, YEAR), required=True, help="year of the class"
    )
    parser.add_argument(
        "--keep-until", type=day("--keep-until"), metavar="YYYY-MM-DD",
        help="codes are kept to this day (usual: the end of the year that follows)",
    )  # fmt: skip
    parser.add_argument(
        "--folder", type=Path, metavar="DIR",
        help="where the hand-ins of a class workbook lie, if not beside it or below it",
    )  # fmt: skip
    parser.add_argument(
        "--older", action="store_true",
        help="add a workbook though it was saved before the one that its group has in the archive",
    )  # fmt: skip
    parser.add_argument(
        "--new-codes", action="store_true",
        help="begin a new list of codes though the archive has codes that another one explains",
    )  # fmt: skip
    worker_options(parser)


def drift(parser: argparse.ArgumentParser) -> None:
    """Chart how apparatus and instruments drift."""
    from sheetlab.metrology.control import LEAST

    _department(parser)
    parser.add_argument(
        "--out", type=Path, metavar="DRIFT.xlsx", help="write the charts to a workbook"
    )
    steady = parser.add_mutually_exclusive_group()
    whole_option(
        steady,
        "--baseline",
        "the first N sound values set the limits; usual: 12",
        LEAST,
        default=12,
    )  # fmt: skip
    steady.add_argument(
        "--baseline-years", metavar="FIRST-LAST",
        type=typed("--baseline-years", _years, "two years such as 2024-2025, or one"),
        help="the sound values of these years set the limits",
    )  # fmt: skip
    parser.set_defaults(run=_drift)


def _department(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("archive", type=Path, metavar="DEPARTMENT.sqlite", help="the archive")


def _year(text: str) -> int:
    year = int(text)
    if not 1900 <= year <= 2999:
        raise ValueError
    return year


def _years(text: str) -> tuple[int, int]:
    first, _, last = text.partition("-")
    return _year(first), _year(last or first)


def _archive_add(options: argparse.Namespace) -> int:
    from sheetlab.years.adding import add, workbooks

    if next(workbooks(options.files, options.archive), None) is None:
        complain([no_files(options.files)])
        return NOTHING_DONE
    rows = revised = there = refused = 0
    workers, progress = evaluating(options)
    for added in add(
        options.files, options.archive, options.year, datetime.date.today(), options.codes,
        options.keep_until, workers=workers, progress=progress, folder=options.folder,
        new_codes=options.new_codes, older=options.older,
    ):  # fmt: skip
        progress.end()
        if added.finding is not None:
            refused += added.finding.severity is Severity.STOP
            complain([added.finding])
        complain(added.notes)
        for row in added.rows:
            rows, revised = rows + 1, revised + (row.replaces > 0)
            again = phrase("archive-revision", row=row.replaces) if row.replaces else ""
            # a workbook may have several results
            which = f" ({row.title})" if len(added.rows) > 1 else ""
            _say("archive-row", True, file=added.path.name, row=row.number, code=row.code,
                 again=again, which=which)  # fmt: skip
        there += not added.rows and added.finding is None
    _say("archive-added", archive=options.archive.name, rows=rows, revised=revised, there=there,
         refused=refused)  # fmt: skip
    if not refused:
        return DONE
    return SOME_FAILED if rows or there else NOTHING_DONE


def _archive_check(options: argparse.Namespace) -> int:
    from sheetlab.years.checking import check, row_of

    checked = check(
        options.archive, datetime.date.today(), options.expect, codes=options.codes,
        thorough=options.thorough,
    )  # fmt: skip
    complain(checked.findings)
    if not checked.sound:
        return NOTHING_DONE
    _say("archive-checked", archive=options.archive.name, rows=checked.count)
    _say("archive-noted", digest=checked.head)
    if options.workbook is not None:
        fault, row = row_of(options.archive, options.workbook)
        if fault is not None:
            complain([fault])
            return NOTHING_DONE
        if row is not None:
            _say("archive-holds", file=options.workbook.name, row=row.number, year=row.year,
                 practical=row.practical, code=row.code or phrase("archive-taken"))  # fmt: skip
    notes = all(f.severity is Severity.NOTE for f in checked.findings)
    return DONE if notes else SOME_FAILED


def _archive_purge(options: argparse.Namespace) -> int:
    from sheetlab.years.purging import purge

    dry = options.dry_run
    done = purge(options.archive, datetime.date.today(), options.codes, dry=dry)
    for due in (*done.due, *done.later):
        what = "stay" if due in done.later else "would" if dry else "gone"
        _say("archive-due", year=due.year, codes=due.codes, rows=due.rows, day=due.until, what=what)
    _say("archive-purged", archive=options.archive.name, dry=int(dry), rows=done.rows,
         names=done.names, waiting=done.waiting)  # fmt: skip
    complain(done.findings)
    return SOME_FAILED if done.findings else DONE


def _archive_import(options: argparse.Namespace) -> int:
    from sheetlab.years.exchange import import_books

    count, head = import_books(options.archive, datetime.date.today())
    _say("archive-imported", archive=options.archive.name, rows=count)
    _say("archive-last", digest=head)
    return DONE


def _archive_export(options: argparse.Namespace) -> int:
    from sheetlab.years.exchange import export
    from sheetlab.years.renewing import renew
    from sheetlab.years.yearbook import books_of

    if options.out is not None:
        _say("archive-exported", file=str(options.out), rows=export(options.archive, options.out))
        return DONE
    findings = renew(options.archive, every=True)
    complain(findings)
    if findings:
        return NOTHING_DONE
    for path in books_of(options.archive).values():
        say(path)
    return DONE


def _archive_evidence(options: argparse.Namespace) -> int:
    from sheetlab.years.evidence import evidence

    pack = evidence(
        options.archive, options.out, datetime.date.today(), options.sources, options.codes,
        options.names,
    )  # fmt: skip
    say(pack.book)
    say(pack.text)
    for filed in pack.files:
        if filed.file:
            say(options.out / filed.file)
        else:
            _say("evidence-lacking", what=filed.what, why=filed.why_not)
    complain(pack.checked.findings)
    return DONE if pack.checked.sound else SOME_FAILED


def _drift(options: argparse.Namespace) -> int:
    from sheetlab.years.database import each_row
    from sheetlab.years.drift import drift_lines, drifts
    from sheetlab.years.driftbook import write_drift

    years = options.baseline_years
    found = drifts(each_row(options.archive), options.baseline, years)
    base = phrase("drift-first", count=options.baseline)
    if years is not None:
        base = phrase("drift-years", first=str(years[0]), last=str(years[1]))
    if options.out is not None:
        write_drift(found, options.archive, said(base), options.out)
    for line in drift_lines(found, brief=options.out is not None):
        say(line)
    if options.out is not None:
        say(options.out)
    return DONE


def _say(message: str, flush: bool = False, /, **values: Any) -> None:
    """Say a sentence of the catalogue."""
    say(said(phrase(message, **values)), flush=flush)
