"""The years: the archive and what it says of the apparatus."""

from __future__ import annotations

import argparse
import datetime
from pathlib import Path

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
from sheetlab.finding import Severity, harmless, many

YEAR = "a year of four digits, such as 2026"


def archive(parser: argparse.ArgumentParser) -> None:
    """Keep the results of the years."""
    actions = parser.add_subparsers(title="actions", required=True, metavar="ACTION")

    adding = actions.add_parser("add", help="evaluate workbooks and append their results")
    adding.add_argument(
        "files", nargs="+", type=Path, metavar="FILE",
        help="workbooks, folders of them, or class workbooks (what counts in the class)",
    )  # fmt: skip
    adding.add_argument("--archive", type=Path, required=True, metavar="DEPARTMENT.sqlite")
    adding.add_argument(
        "--year", type=typed("--year", _year, YEAR), required=True,
        help="year of the class",
    )  # fmt: skip
    _codes(adding)
    adding.add_argument(
        "--keep-until", type=day("--keep-until"), metavar="YYYY-MM-DD",
        help="codes are kept to this day (usual: the end of the year that follows)",
    )  # fmt: skip
    adding.add_argument(
        "--folder", type=Path, metavar="DIR",
        help="where the hand-ins of a class workbook lie, if not beside it or below it",
    )  # fmt: skip
    adding.add_argument(
        "--older", action="store_true",
        help="add a workbook though it was saved before the one that its group has in the archive",
    )  # fmt: skip
    adding.add_argument(
        "--new-codes", action="store_true",
        help="begin a new list of codes though the archive has codes that another one explains",
    )  # fmt: skip
    worker_options(adding)
    adding.set_defaults(run=_archive_add)

    checking = actions.add_parser("check", help="prove the archive complete and unaltered")
    _department(checking)
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
    _codes(checking)
    checking.set_defaults(run=_archive_check)

    purging = actions.add_parser("purge", help="take away codes that need not be kept any longer")
    _department(purging)
    _codes(purging)
    purging.add_argument(
        "--dry-run", action="store_true", help="only say what would be taken away, and what stays"
    )
    purging.set_defaults(run=_archive_purge)

    importing = actions.add_parser(
        "import", help="make the database again from the workbooks of the years"
    )
    _department(importing)
    importing.set_defaults(run=_archive_import)

    exporting = actions.add_parser(
        "export", help="write the table to a file, or the workbooks anew"
    )
    _department(exporting)
    exporting.add_argument(
        "--out", type=Path, metavar="FILE",
        help="a .csv file; without it, the workbooks of all years are written anew",
    )  # fmt: skip
    exporting.set_defaults(run=_archive_export)

    proving = actions.add_parser("evidence", help="write a pack for an inspector")
    _department(proving)
    proving.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to fill")
    proving.add_argument(
        "--sources", type=Path, nargs="+", default=[], metavar="FOLDER",
        help="folders of hand-ins: the sample workbooks found there go into the pack, evaluated",
    )  # fmt: skip
    _codes(proving)
    proving.add_argument(
        "--names", action="store_true", help="name groups that the list of codes knows"
    )
    proving.set_defaults(run=_archive_evidence)


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


def _codes(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--codes", type=Path, metavar="KEYS.csv",
        help="list of codes (usual: “DEPARTMENT codes.csv” beside the archive)",
    )  # fmt: skip


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
    for one in add(
        options.files, options.archive, options.year, datetime.date.today(), options.codes,
        options.keep_until, workers=workers, progress=progress, folder=options.folder,
        new_codes=options.new_codes, older=options.older,
    ):  # fmt: skip
        progress.end()
        if one.finding is not None:
            refused += one.finding.severity is Severity.STOP
            complain([one.finding])
        complain(one.notes)
        for row in one.rows:
            rows += 1
            revised += row.replaces > 0
            again = f", a revision of row {row.replaces}" if row.replaces else ""
            # a workbook may have several results
            which = f" ({row.title})" if len(one.rows) > 1 else ""
            what = f"row {row.number}, {row.code}{again}{which}"
            say(harmless(f"{one.path.name}: {what}"), flush=True)
        there += not one.rows and one.finding is None
    say(
        f"{options.archive.name}: {many(rows, 'row')} added ({_revisions(revised)}), one for each "
        "result of a workbook; "
        f"{many(there, 'workbook')} {'was' if there == 1 else 'were'} there already, "
        f"{refused} {'was' if refused == 1 else 'were'} not taken"
    )
    if not refused:
        return DONE
    return SOME_FAILED if rows or there else NOTHING_DONE


def _revisions(count: int) -> str:
    return "1 of them a revision" if count == 1 else f"{count} of them revisions"


def _archive_check(options: argparse.Namespace) -> int:
    from sheetlab.years.checking import check, row_of

    found = check(
        options.archive, datetime.date.today(), options.expect, codes=options.codes,
        thorough=options.thorough,
    )  # fmt: skip
    complain(found.findings)
    if not found.sound:
        return NOTHING_DONE
    say(
        f"{options.archive.name}: {many(found.count, 'row')}, complete and unaltered\n"
        f"digest of the last row, to be noted elsewhere: {found.head}"
    )
    notes = all(f.severity is Severity.NOTE for f in found.findings)
    if options.workbook is not None:
        fault, row = row_of(options.archive, options.workbook)
        if fault is not None:
            complain([fault])
            return NOTHING_DONE
        if row is not None:
            say(
                f"{options.workbook.name}: its readings are those of row {row.number} "
                f"({row.year}, {row.practical}, {row.code or 'code taken away'})"
            )
    return DONE if notes else SOME_FAILED


def _archive_purge(options: argparse.Namespace) -> int:
    from sheetlab.years.purging import purge

    dry = options.dry_run
    done = purge(options.archive, datetime.date.today(), options.codes, dry=dry)
    for one in (*done.due, *done.later):
        what = "stay" if one in done.later else "would go" if dry else "are gone"
        say(
            f"{one.year}: {many(one.codes, 'code')} of {many(one.rows, 'row')}, kept to "
            f"{one.until}: {what}"
        )
    say(
        f"{options.archive.name}: codes {'to be ' * dry}taken from {many(done.rows, 'row')}, and "
        f"{many(done.names, 'name')} from the list of codes; {many(done.waiting, 'row')} "
        "not due yet"
    )
    complain(done.findings)
    return SOME_FAILED if done.findings else DONE


def _archive_import(options: argparse.Namespace) -> int:
    from sheetlab.years.exchange import import_books

    count, head = import_books(options.archive, datetime.date.today())
    say(
        f"{options.archive.name}: {many(count, 'row')} imported, all in order\n"
        f"digest of the last row: {head}"
    )
    return DONE


def _archive_export(options: argparse.Namespace) -> int:
    from sheetlab.years.exchange import export
    from sheetlab.years.renewing import renew
    from sheetlab.years.yearbook import books_of

    if options.out is not None:
        say(f"{options.out}: {many(export(options.archive, options.out), 'row')}")
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
    for one in pack.files:
        say(options.out / one.file if one.file else f"not in the pack: {one.what} ({one.why_not})")
    complain(pack.checked.findings)
    return DONE if pack.checked.sound else SOME_FAILED


def _drift(options: argparse.Namespace) -> int:
    from sheetlab.years.database import each_row
    from sheetlab.years.drift import drift_lines, drifts
    from sheetlab.years.driftbook import write_drift

    found = drifts(each_row(options.archive), options.baseline, options.baseline_years)
    if options.out is not None:
        base = options.baseline_years
        what = (
            f"first {options.baseline} sound values"
            if base is None
            else f"sound values of {base[0]} to {base[1]}"
        )
        write_drift(found, options.archive, what, options.out)
    for line in drift_lines(found, brief=options.out is not None):
        say(line)
    if options.out is not None:
        say(options.out)
    return DONE
