"""The command line: words in, calls out, sentences back."""

from __future__ import annotations

import argparse
import builtins
import datetime
import signal
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from sheetlab import __version__
from sheetlab.finding import Finding, Severity, SheetlabError, harmless
from sheetlab.live import commands as live_commands

if TYPE_CHECKING:  # imported when a command needs them: --help has to be quick
    from sheetlab.course.issue import Binding
    from sheetlab.course.progress import Meter
    from sheetlab.course.workers import Workers
    from sheetlab.practical.loader import Catalogue
    from sheetlab.workbook.evaluate_file import FileOutcome

DONE, SOME_FAILED, NOTHING_DONE = 0, 1, 2
STOPPED = 130
"""As a shell has it for Ctrl-C."""


def print(*values: object, **options: Any) -> None:
    """Print what does nothing to a terminal, whatever a workbook or a file is called."""
    texts = ("\n".join(map(harmless, str(value).split("\n"))) for value in values)
    builtins.print(*texts, **options)


def _json_line(record: dict[str, object]) -> str:
    """One line of JSON; what a terminal would act on is escaped, the content is the same."""
    import json

    text = json.dumps(record, ensure_ascii=False, allow_nan=False)
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in text)


ASSIST = ("readings", "corrected", "full")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit status."""
    for stream in (sys.stdout, sys.stderr):
        # a console of another code page shows a question mark instead of stopping the program
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    options = _parser().parse_args(arguments)
    try:
        return int(options.run(options))
    except SheetlabError as error:
        _complain(error.findings)
        return NOTHING_DONE
    except BrokenPipeError:
        return DONE
    except OSError as error:
        _complain([_system_refused(error)])
        return NOTHING_DONE
    except KeyboardInterrupt:
        print("\nStopped; what was told of as done is kept.", file=sys.stderr)
        return STOPPED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="sheetlab",
        description="Laboratory practicals in spreadsheets: issue observation workbooks, "
        "evaluate filled ones, state results with their uncertainty.",
    )
    parser.add_argument("--version", action="version", version=f"sheetlab {__version__}")
    later = cast("type[argparse.ArgumentParser]", _Later)
    commands = parser.add_subparsers(
        title="commands", required=True, metavar="COMMAND", parser_class=later
    )

    listing = commands.add_parser("practicals", help="list the practicals there are")
    _definitions(listing)
    listing.set_defaults(run=_practicals)

    issuing = commands.add_parser("issue", help="write observation workbooks for groups")
    issuing.add_argument(
        "practical", nargs="?", default="",
        help="which one; see “sheetlab practicals” (with a rota: usual all of the week)",
    )  # fmt: skip
    issuing.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to fill")
    issuing.add_argument(
        "--roster", type=Path, metavar="ROSTER.csv",
        help="CSV file with a column “group” (and “setup”, “observers”): a workbook each",
    )  # fmt: skip
    issuing.add_argument(
        "--assist", choices=ASSIST, default="corrected",
        help="what the workbook works out itself: warnings only, corrected readings too "
        "(usual), or everything",
    )  # fmt: skip
    issuing.add_argument(
        "--runs",
        type=int,
        default=1,
        choices=range(1, 5),
        help="how often the readings are repeated",
    )
    issuing.add_argument(
        "--register", type=Path, metavar="REGISTER.xlsx",
        help="bind each workbook to what this register knows of its set-up",
    )  # fmt: skip
    issuing.add_argument(
        "--date", default="", metavar="DAY",
        help="day of issue, for checks that are due (usual: today), as 2026-09-01",
    )  # fmt: skip
    issuing.add_argument(
        "--rota", type=Path, metavar="ROTA.csv",
        help="CSV file with columns group, week, setup, practical: who sits where",
    )  # fmt: skip
    issuing.add_argument("--week", type=int, default=1, help="week of the rota (usual: 1)")
    issuing.add_argument(
        "--print", "--pdf", dest="pdf", action="store_true",
        help="also write A4 pages as PDF, if LibreOffice is installed",
    )  # fmt: skip
    _profile(issuing, "gum")
    _definitions(issuing)
    issuing.set_defaults(run=_issue)

    planning = commands.add_parser("plan", help="plan a practical before class")
    planning.add_argument("practical", help="which one; see “sheetlab practicals”")
    planning.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", dest="settings",
        help="assume another value (repeat the option for more); a wrong name lists all names",
    )  # fmt: skip
    planning.add_argument("--material", default="", help="what is loaded, such as “brass, hard”")
    planning.add_argument("--gauge", default="", help="gauge number, such as “SWG 26”, “AWG 26”")
    planning.add_argument(
        "--masses",
        default="",
        metavar="LIST",
        help="masses at hand, such as 0.5x10,0.2x5: ten of 0.5 kg, five of 0.2 kg",
    )
    planning.add_argument(
        "--limit", type=float, default=1 / 3,
        help="greatest fraction of the breaking stress (usual: one third)",
    )  # fmt: skip
    planning.add_argument(
        "--drop", type=float, metavar="CM", help="height of the masses above box or floor, in cm"
    )
    planning.add_argument(
        "--reason", default="", help="why more than half of the breaking stress is wanted"
    )
    planning.add_argument(
        "--materials", type=Path, metavar="FILE.toml", help="file with materials of your own"
    )
    planning.add_argument(
        "--out", type=Path, metavar="PLAN.xlsx", help="write the plan and its risk sheet"
    )
    _definitions(planning)
    planning.set_defaults(run=_plan)

    keeping = commands.add_parser("register", help="the register of instruments, wires, set-ups")
    kept = keeping.add_subparsers(title="what to do", required=True, metavar="new|check")
    new = kept.add_parser("new", help="write an empty register, with sheets for yearly checks")
    new.add_argument("--out", type=Path, required=True, metavar="REGISTER.xlsx", help="new file")
    _definitions(new)
    new.set_defaults(run=_register_new)
    checking = kept.add_parser("check", help="list cells that are wrong or do not fit each other")
    checking.add_argument("register", type=Path, metavar="REGISTER.xlsx", help="a filled register")
    checking.set_defaults(run=_register_check)

    planning = commands.add_parser("rota", help="make a fair rota of groups, weeks and set-ups")
    planning.add_argument(
        "--groups", type=Path, required=True, metavar="ROSTER.csv", help="the roster"
    )
    planning.add_argument(
        "--setups", required=True, metavar="NUMBER",
        help="places where any practical can be set up; or a number a practical: 6,4",
    )  # fmt: skip
    planning.add_argument("--weeks", type=int, required=True, help="how many weeks there are")
    planning.add_argument(
        "--practicals", required=True, metavar="ID,ID", help="what every group has to do"
    )
    planning.add_argument("--out", type=Path, required=True, metavar="ROTA.csv", help="new file")
    planning.set_defaults(run=_rota)

    evaluating = commands.add_parser("evaluate", help="evaluate filled workbooks")
    evaluating.add_argument(
        "files", nargs="+", type=Path, metavar="FILE", help="workbooks, or folders of them"
    )
    where = evaluating.add_mutually_exclusive_group()
    where.add_argument(
        "--out", type=Path, metavar="DIR",
        help="folder for the evaluated copies (usual: “evaluated” beside each file)",
    )  # fmt: skip
    where.add_argument(
        "--in-place", action="store_true", help="add the result sheets to the files themselves"
    )
    evaluating.add_argument(
        "--json", action="store_true", help="print one JSON object a workbook, one a line"
    )
    evaluating.add_argument(
        "--practical", default="", metavar="ID", help="refuse workbooks of any other practical"
    )
    _profile(evaluating, "that of each workbook")
    evaluating.set_defaults(run=_evaluate)

    watching = commands.add_parser("watch", help="show how the benches of a class get on")
    watching.add_argument(
        "folder", type=Path, metavar="FOLDER", help="shared folder in which the benches save"
    )
    watching.add_argument(
        "--poll", action="store_true",
        help="look every two seconds instead of waiting to be told of changes (network shares)",
    )  # fmt: skip
    watching.add_argument("--once", action="store_true", help="print the table once and end")
    watching.set_defaults(run=_watch)

    classing = commands.add_parser(
        "class", help="evaluate a folder of hand-ins into one workbook with marks and feedback"
    )
    classing.add_argument(
        "folder", type=Path, metavar="FOLDER", help="where the hand-ins lie, also in folders below"
    )
    classing.add_argument(
        "--out", type=Path, required=True, metavar="CLASS.xlsx",
        help="workbook to write, or to bring up to date: what you typed into it is kept",
    )  # fmt: skip
    classing.add_argument(
        "--scheme", default="", metavar="SCHEME",
        help="how marks are proposed: bench-and-sums (usual), quick-ten, or a scheme file",
    )  # fmt: skip
    classing.add_argument(
        "--roster", type=Path, metavar="ROSTER.csv", help="CSV file with the groups of the class"
    )
    classing.add_argument(
        "--due", default="", metavar="DATE",
        help="2026-03-13 or 2026-03-13T16:00: what was saved later is late",
    )  # fmt: skip
    _workers(classing)
    _profile(classing, "that of each workbook")
    classing.set_defaults(run=_class)

    practising = commands.add_parser(
        "practice-set", help="write workbooks with planted mistakes, and a key, to practise marking"
    )
    practising.add_argument("practical", help="which one; see “sheetlab practicals”")
    practising.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to fill")
    practising.add_argument("--count", type=int, default=8, help="how many workbooks (usual: 8)")
    practising.add_argument("--seed", type=int, default=1, help="another number, another set")
    _definitions(practising)
    practising.set_defaults(run=_practice_set)

    _archive_parser(commands.add_parser("archive", help="keep the results of the years"))

    drifting = commands.add_parser("drift", help="chart how apparatus and instruments drift")
    _department(drifting)
    drifting.add_argument(
        "--out", type=Path, metavar="DRIFT.xlsx", help="write the charts to a workbook"
    )
    steady = drifting.add_mutually_exclusive_group()
    steady.add_argument(
        "--baseline", type=int, default=12, metavar="N",
        help="the first N sound values set the limits (usual: 12)",
    )  # fmt: skip
    steady.add_argument(
        "--baseline-years", type=_years, metavar="FIRST-LAST",
        help="the values of these years set the limits",
    )  # fmt: skip
    drifting.set_defaults(run=_drift)

    live_commands.add(
        commands.add_parser("addin", help="the science as functions of a spreadsheet program"),
        _write_new,
    )

    demo = commands.add_parser("demo", help="run everything on an invented class")
    demo.add_argument("folder", type=Path, metavar="DIR", help="a new or empty folder")
    demo.set_defaults(run=_demo)
    return parser


class _Later:
    """The parser of a command, made when it is used: making all of them takes most of a start.

    What is added to it is noted, and done when anything else is asked of it.
    """

    _adding = (
        "add_argument", "add_argument_group", "add_mutually_exclusive_group", "add_parser",
        "add_subparsers", "set_defaults",
    )  # fmt: skip

    def __init__(self, **settings: Any) -> None:
        self._settings = settings
        self._noted: list[tuple[str, tuple[Any, ...], dict[str, Any], _Later]] = []
        self._real: Any = None

    def __getattr__(self, name: str) -> Any:
        if self._real is None:
            if name in self._adding:
                return partial(self._note, name)
            self._settle(argparse.ArgumentParser(**self._settings))
        return getattr(self._real, name)

    def _note(self, name: str, *arguments: Any, **keywords: Any) -> _Later:
        later = _Later()
        self._noted.append((name, arguments, keywords, later))
        return later

    def _settle(self, real: Any) -> None:
        self._real = real
        for name, arguments, keywords, later in self._noted:
            later._settle(getattr(real, name)(*arguments, **keywords))


def _archive_parser(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(title="actions", required=True, metavar="ACTION")

    adding = actions.add_parser("add", help="evaluate workbooks and append their results")
    adding.add_argument(
        "files", nargs="+", type=Path, metavar="FILE",
        help="workbooks, folders of them, or class workbooks (what counts in the class)",
    )  # fmt: skip
    adding.add_argument("--archive", type=Path, required=True, metavar="DEPARTMENT.xlsx")
    adding.add_argument("--year", type=_year, required=True, help="year of the class")
    _codes(adding)
    adding.add_argument(
        "--keep-until", type=datetime.date.fromisoformat, metavar="YYYY-MM-DD",
        help="codes are kept to this day (usual: the end of the year that follows)",
    )  # fmt: skip
    adding.add_argument(
        "--folder", type=Path, metavar="DIR",
        help="where the hand-ins of a class workbook lie, if not beside it or below it",
    )  # fmt: skip
    adding.add_argument(
        "--no-view", action="store_true",
        help="leave the workbook as it is; “archive export” brings it up to date",
    )  # fmt: skip
    _workers(adding)
    adding.set_defaults(run=_archive_add)

    checking = actions.add_parser("check", help="prove the archive complete and unaltered")
    _department(checking)
    checking.add_argument(
        "--expect", default="", metavar="DIGEST", help="a digest of the last row, noted earlier"
    )
    checking.set_defaults(run=_archive_check)

    purging = actions.add_parser("purge", help="take away codes that need not be kept any longer")
    _department(purging)
    _codes(purging)
    purging.set_defaults(run=_archive_purge)

    importing = actions.add_parser("import", help="make the database again from the workbook")
    _department(importing)
    importing.add_argument(
        "--from", type=Path, dest="source", metavar="FILE",
        help="begin an archive from a .csv or .parquet file that “archive export” wrote",
    )  # fmt: skip
    importing.set_defaults(run=_archive_import)

    exporting = actions.add_parser("export", help="write the table to a file, or the workbook anew")
    _department(exporting)
    exporting.add_argument(
        "--out", type=Path, metavar="FILE",
        help=".csv or .parquet; without it, the workbook is written anew from the database",
    )  # fmt: skip
    exporting.set_defaults(run=_archive_export)

    proving = actions.add_parser("evidence", help="write a pack for an inspector")
    _department(proving)
    proving.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to fill")
    proving.set_defaults(run=_archive_evidence)


def _department(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("archive", type=Path, metavar="DEPARTMENT.xlsx", help="the archive")


def _codes(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--codes", type=Path, metavar="KEYS.csv",
        help="list of codes (usual: “DEPARTMENT codes.csv” beside the archive)",
    )  # fmt: skip


def _workers(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--jobs", type=int, default=0, metavar="N",
        help="processes at the same time (usual: one a processor)",
    )  # fmt: skip
    parser.add_argument(
        "--cluster", default="", metavar="ADDRESS",
        help="evaluate on a Dask cluster: address of its scheduler, or “local” for one on this PC",
    )  # fmt: skip


def _year(text: str) -> int:
    year = int(text)
    if not 1900 <= year <= 2999:
        raise ValueError
    return year


def _years(text: str) -> tuple[int, int]:
    first, _, last = text.partition("-")
    return _year(first), _year(last or first)


def _definitions(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--definitions", type=Path, action="append", default=[], metavar="DIR",
        help="folder with further definition files",
    )  # fmt: skip


def _profile(parser: argparse.ArgumentParser, usual: str) -> None:
    parser.add_argument(
        "--profile", default="", metavar="PROFILE",
        help="how results are stated: gum, school-maximum, or a profile file of your own "
        f"(usual: {usual})",
    )  # fmt: skip


def _catalogue(options: argparse.Namespace) -> Catalogue:
    from sheetlab.practical.loader import catalogue

    return catalogue(*options.definitions)


def _practicals(options: argparse.Namespace) -> int:
    catalogue = _catalogue(options)
    names = list(catalogue.paths())
    width = max(map(len, names), default=0)
    status = DONE
    for name in names:
        try:
            definition = catalogue.load(name).definition
        except SheetlabError as error:
            # a broken definition is a finding, and the others are still there
            _complain(error.findings)
            status = SOME_FAILED
            continue
        print(f"{name:<{width}}  {definition.title} (version {definition.version})")
    return status


def _issue(options: argparse.Namespace) -> int:
    from sheetlab.course.issue import Issued, issue
    from sheetlab.course.roster import read_roster
    from sheetlab.practical.definition import Assist
    from sheetlab.practical.loader import find_profile

    groups = read_roster(options.roster) if options.roster else ()
    told: list[Finding] = []
    wanted = {options.practical: list(groups)}
    if options.rota:
        from sheetlab.course.rota import read_rota, sittings_of

        rota = read_rota(options.rota)
        sittings, told = sittings_of(
            rota, groups, options.week, options.practical, options.rota.name
        )
        wanted = {}
        for practical, group in sittings:
            wanted.setdefault(practical, []).append(group)
    elif not options.practical:
        raise SheetlabError(_no_practical())
    binding, more = _binding(options)
    told += more
    _complain(told)
    profile, catalogue = find_profile(options.profile or "gum"), _catalogue(options)
    issued: list[Issued] = []
    for practical, some in wanted.items():
        try:
            for one in issue(
                catalogue, practical, options.out, some, Assist(options.assist), options.runs,
                profile, binding,
            ):  # fmt: skip
                issued.append(one)
                if one.finding is None:
                    print(_plain(str(one.path)))
                # several workbooks of one set-up lack the same
                fresh = [f for f in (one.finding, *one.notes) if f is not None and f not in told]
                told += fresh
                _complain(fresh)
        except SheetlabError as error:
            # a practical of the rota that there is not; the others are issued
            told += error.findings
            _complain(error.findings)
    done = [one.path for one in issued if one.finding is None]
    if options.pdf:
        from sheetlab.course.printing import print_workbooks

        for page in print_workbooks(done):
            if page.finding is None:
                print(_plain(str(page.path)))
            else:
                told.append(page.finding)
                _complain([page.finding])
    if not done:
        return NOTHING_DONE
    return SOME_FAILED if any(f.severity is not Severity.NOTE for f in told) else DONE


def _binding(options: argparse.Namespace) -> tuple[Binding | None, list[Finding]]:
    """The register that is asked for, and what is wrong in it."""
    import datetime

    from sheetlab.course.issue import Binding
    from sheetlab.practical.register import as_date

    today = as_date(options.date) if options.date else datetime.date.today()
    if today is None:
        raise SheetlabError(_no_date(options.date))
    if options.register is None:
        return None, []
    from sheetlab.course.register import read_register

    register, findings = read_register(options.register)
    return Binding(register, today), list(findings)


def _register_new(options: argparse.Namespace) -> int:
    from sheetlab.course.register_sheets import new_register

    catalogue = _catalogue(options)
    parts: dict[str, str] = {}
    for name in catalogue.paths():
        try:
            for one in catalogue.load(name).definition.instruments:
                parts.setdefault(one.id, one.title)
        except SheetlabError as error:
            _complain(error.findings)
    _write_new(options.out, new_register(parts))
    print(f"{_plain(str(options.out))}: fill it in a spreadsheet program")
    return DONE


def _register_check(options: argparse.Namespace) -> int:
    from sheetlab.course.register import read_register

    register, findings = read_register(options.register)
    _complain(findings)
    print(
        f"{len(register.instruments)} instruments, {len(register.wires)} wires, "
        f"{len(register.setups)} set-ups; {len(findings)} findings"
    )
    return SOME_FAILED if any(f.severity is not Severity.NOTE for f in findings) else DONE


def _rota(options: argparse.Namespace) -> int:
    from sheetlab.course.roster import read_roster
    from sheetlab.course.rota import make_rota, rota_text

    names = [group.name for group in read_roster(options.groups)]
    numbers = [n.strip() for n in options.setups.split(",")]
    setups = [int(n) if n.isascii() and n.isdigit() and len(n) < 6 else 0 for n in numbers]
    practicals = [name.strip() for name in options.practicals.split(",")]
    rota = make_rota(names, setups, options.weeks, practicals)
    _write_new(options.out, rota_text(rota).encode("utf-8-sig"))
    for week in sorted({one.week for one in rota}):
        sitting = [f"{s.group} at {s.setup} ({s.practical})" for s in rota if s.week == week]
        print(_plain(f"week {week}: {', '.join(sitting)}"))
    print(f"written: {_plain(str(options.out))}")
    return DONE


def _write_new(path: Path, data: bytes) -> None:
    """Write a file that is not there yet; its folder has to be."""
    from sheetlab.workbook.package import write_atomically

    try:
        if path.exists():
            raise SheetlabError(_there(path))
        write_atomically(path, data)
    except (OSError, ValueError) as error:
        raise SheetlabError(_cannot_write(path, error)) from error


def _plan(options: argparse.Namespace) -> int:
    from sheetlab.course.plan import make_plan, plan_text, refuse, save_plan

    made = make_plan(
        _catalogue(options), options.practical, options.settings, options.material, options.gauge,
        options.masses, options.limit, options.reason, options.materials,
    )  # fmt: skip
    refuse(made)
    if options.out is not None:
        save_plan(made, options.out, None if options.drop is None else options.drop / 100)
    for line in plan_text(made):
        print(_plain(line))
    if options.out is not None:
        print(f"\nwritten: {options.out}")
    return DONE


def _evaluate(options: argparse.Namespace) -> int:
    from sheetlab.course.batch import evaluate_files, expand
    from sheetlab.practical.loader import find_profile

    paths = list(expand(options.files))
    if not paths:
        _complain([_no_files(options.files)])
        return NOTHING_DONE
    outcomes = []
    profile = find_profile(options.profile) if options.profile else None
    for outcome in evaluate_files(paths, options.out, options.in_place, options.practical, profile):
        outcomes.append(outcome)
        if options.json:
            print(_json_line(_record(outcome)), flush=True)
        else:
            _print_outcome(outcome)
    good = [o for o in outcomes if _evaluated(o)]
    if not options.json:
        _print_class(outcomes)
    if not good:
        return NOTHING_DONE
    return DONE if len(good) == len(outcomes) else SOME_FAILED


def _print_class(outcomes: Sequence[FileOutcome]) -> None:
    """What only several workbooks together show."""
    from sheetlab.checks.regularity import regularities

    class_ = [
        (o.assessment.observations.entry("start.group").text or o.path.name, o.assessment)
        for o in outcomes
        if o.assessment is not None
    ]
    for note in regularities(class_):
        chance = "" if note.probability is None else f" (chance alone: {note.probability:.1g})"
        print(f"class: {_plain(note.text)}{chance}")


def _evaluated(outcome: FileOutcome) -> bool:
    found = outcome.assessment
    return found is not None and found.status != "failed" and outcome.written is not None


def _record(outcome: FileOutcome) -> dict[str, object]:
    from sheetlab.checks.record import finding_record, record, unreadable_record

    if outcome.assessment is None:
        return unreadable_record(str(outcome.path), outcome.findings)
    made = record(outcome.assessment, str(outcome.path))
    return {**made, "findings": [finding_record(f) for f in outcome.findings]}


def _print_outcome(outcome: FileOutcome) -> None:
    print(f"{_plain(outcome.path.name)}: {_result_text(outcome)}")
    for finding in outcome.findings:
        if finding.severity is not Severity.NOTE or finding.code == "own-result-differs":
            print(_indented(finding))
    notes = sum(
        f.severity is Severity.NOTE and f.code != "own-result-differs" for f in outcome.findings
    )
    if notes:
        print(f"    ({notes} note{'s' if notes > 1 else ''} on the sheet Findings)")
    if outcome.written is not None:
        print(f"    written: {_plain(str(outcome.written))}")


def _result_text(outcome: FileOutcome) -> str:
    from sheetlab.checks.wording import Words

    found = outcome.assessment
    if found is None:
        return "failed"
    measurand = found.evaluation.measurand
    if measurand is None:
        return str(found.status)
    words = Words(found.practical, found.evaluation.profile)
    return f"{found.status}, {words.statement_line(measurand)}"


def _watch(options: argparse.Namespace) -> int:
    from sheetlab.course.watch import show_once, watch

    if options.once:
        show_once(options.folder, sys.stdout)
    else:
        # a shell lets what a script starts in the background ignore the interrupt
        signal.signal(signal.SIGINT, signal.default_int_handler)
        watch(options.folder, sys.stdout, options.poll)
    return DONE


def _class(options: argparse.Namespace) -> int:
    from sheetlab.course.classroom import run_class
    from sheetlab.course.roster import read_roster
    from sheetlab.course.schemes import USUAL, find_scheme
    from sheetlab.practical.loader import find_profile

    scheme = find_scheme(options.scheme or USUAL)
    profile = find_profile(options.profile) if options.profile else None
    roster = read_roster(options.roster) if options.roster else ()
    workers, progress = _evaluating(options)
    made = run_class(
        options.folder, options.out, scheme, roster, options.due, profile, workers, progress
    )
    for one in made.sorted.counted:
        result = "no result" if one.outcome is None else one.outcome.statement
        print(_plain(f"{one.name}, {one.practical}: {one.status}, {result}"))
    for note in made.collected.notes:
        print(f"class: {_plain(note)}")
    for point in made.sorted.points:
        whose = ", ".join(part for part in (point.group, point.practical, point.file) if part)
        print(_plain(f"{point.what}: {whose}: {point.text}"))
    print(f"written: {_plain(str(made.written))}")
    unread = any(not one.foreign for one in made.collected.unread)
    if not made.sorted.counted:
        return NOTHING_DONE
    failed = unread or any(one.outcome is None for one in made.sorted.counted)
    return SOME_FAILED if failed else DONE


def _evaluating(options: argparse.Namespace) -> tuple[Workers, Meter]:
    """Who evaluates, and what tells how far it is."""
    from sheetlab.course.progress import Meter
    from sheetlab.course.workers import Workers

    meter = Meter(sys.stderr)

    def tell(finding: Finding) -> None:
        meter.end()
        _complain([finding])

    return Workers(max(options.jobs, 0), options.cluster, tell), meter


def _practice_set(options: argparse.Namespace) -> int:
    from sheetlab.course.practice import practice_set

    written = practice_set(
        _catalogue(options), options.practical, options.out, options.count, options.seed
    )
    for one in written.workbooks:
        print(one.path)
    print(f"{written.key}: what was planted; keep it away from those who mark")
    return DONE


def _archive_add(options: argparse.Namespace) -> int:
    from sheetlab.course.archive import add, workbooks

    if not list(workbooks(options.files, options.archive)):
        _complain([_no_files(options.files)])
        return NOTHING_DONE
    rows = revised = there = refused = 0
    workers, progress = _evaluating(options)
    for one in add(
        options.files, options.archive, options.year, datetime.date.today(), options.codes,
        options.keep_until, workers=workers, progress=progress, folder=options.folder,
        view=not options.no_view,
    ):  # fmt: skip
        progress.end()
        if one.finding is not None:
            refused += one.finding.severity is Severity.STOP
            _complain([one.finding])
        for row in one.rows:
            rows += 1
            revised += row.replaces > 0
            again = f", a revision of row {row.replaces}" if row.replaces else ""
            print(_plain(f"{one.path.name}: row {row.number}, {row.code}{again}"), flush=True)
        there += not one.rows and one.finding is None
    print(
        f"{options.archive.name}: {rows} rows added ({revised} of them revisions), "
        f"{there} workbooks were there already, {refused} were not taken"
    )
    if not refused:
        return DONE
    return SOME_FAILED if rows or there else NOTHING_DONE


def _archive_check(options: argparse.Namespace) -> int:
    from sheetlab.course.archive import check

    found = check(options.archive, datetime.date.today(), options.expect)
    _complain(found.findings)
    if not found.sound:
        return NOTHING_DONE
    print(
        f"{options.archive.name}: {found.count} rows, complete and unaltered\n"
        f"digest of the last row, to be noted elsewhere: {found.head}"
    )
    notes = all(f.severity is Severity.NOTE for f in found.findings)
    return DONE if notes else SOME_FAILED


def _archive_purge(options: argparse.Namespace) -> int:
    from sheetlab.course.archive import purge

    done = purge(options.archive, datetime.date.today(), options.codes)
    print(
        f"{options.archive.name}: codes taken from {done.rows} rows, and {done.names} names from "
        f"the list of codes; {done.waiting} rows keep theirs, which are not due yet"
    )
    if done.finding is not None:
        _complain([done.finding])
        return SOME_FAILED
    return DONE


def _archive_import(options: argparse.Namespace) -> int:
    from sheetlab.course.archive import database_of, import_table, import_view

    today = datetime.date.today()
    if options.source is not None:
        count, head = import_table(options.archive, options.source, today)
    else:
        count, head = import_view(options.archive, today)
    print(
        f"{database_of(options.archive).name}: {count} rows imported, all in order\n"
        f"digest of the last row: {head}"
    )
    return DONE


def _archive_export(options: argparse.Namespace) -> int:
    from sheetlab.course.archive import export, renew_view

    if options.out is not None:
        print(f"{options.out}: {export(options.archive, options.out)} rows")
        return DONE
    finding = renew_view(options.archive)
    if finding is not None:
        _complain([finding])
        return NOTHING_DONE
    print(options.archive)
    return DONE


def _archive_evidence(options: argparse.Namespace) -> int:
    from sheetlab.course.evidence import evidence

    pack = evidence(options.archive, options.out, datetime.date.today())
    print(pack.book)
    print(pack.text)
    _complain(pack.checked.findings)
    return DONE if pack.checked.sound else SOME_FAILED


def _drift(options: argparse.Namespace) -> int:
    from sheetlab.course.archive import read
    from sheetlab.course.drift import drift_lines, drifts
    from sheetlab.course.driftbook import write_drift

    found = drifts(read(options.archive).rows, options.baseline, options.baseline_years)
    if options.out is not None:
        base = options.baseline_years
        what = (
            f"first {options.baseline} sound values" if base is None else f"{base[0]} to {base[1]}"
        )
        write_drift(found, options.archive, what, options.out)
    for line in drift_lines(found, brief=options.out is not None):
        print(_plain(line))
    if options.out is not None:
        print(options.out)
    return DONE


def _demo(options: argparse.Namespace) -> int:
    from sheetlab.course.demo import EVALUATED, FILLED, ISSUED, demo_class, run_demo
    from sheetlab.practical.loader import catalogue

    folder = options.folder
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        _complain([_not_empty(folder)])
        return NOTHING_DONE
    school, _ = demo_class()
    print(f"{school}: all groups and readings are invented.\n")
    print(f"{'group':<11} {'practical':<16} {'status':<9} {'findings':>8}  result")
    status = DONE
    look = ""
    for workbook, outcome in run_demo(catalogue(), folder):
        found = outcome.assessment
        if found is None or outcome.written is None:
            status = SOME_FAILED
            _complain(outcome.findings)
            continue
        if found.status == "doubtful":
            look = look or outcome.written.name
        text = _result_text(outcome).partition(", ")[2]
        print(
            f"{workbook.group.name:<11} {workbook.practical:<16} {found.status!s:<9} "
            f"{len(outcome.findings):>8}  {text}"
        )
    print(
        f"\nLook into {folder}:\n"
        f"  {ISSUED:<13} what the groups were given (print one: it can be filled with a pen)\n"
        f"  {FILLED:<13} what they handed in\n"
        f"  {EVALUATED:<13} the same workbooks with sheets Evaluation, Budget, Lines, Working,\n"
        f"  {'':<13} Graphs, Findings. Begin with “{look}”, sheet Evaluation."
    )
    return status


def _no_files(given: Sequence[Path]) -> Finding:
    return Finding(
        "no-files",
        Severity.STOP,
        f"there is no workbook in {', '.join(map(str, given))}",
        "a folder with .xlsx, .xlsm or .ods files",
        "Check the folder.",
    )


def _not_empty(folder: Path) -> Finding:
    return Finding(
        "folder-not-empty",
        Severity.STOP,
        f"{folder} is not an empty folder",
        "a new or empty folder",
        "Give another name; nothing was written.",
    )


def _there(path: Path) -> Finding:
    return Finding(
        "file-exists",
        Severity.STOP,
        f"{path} is there already and was left as it is",
        "a new file",
        "Give another name, or move the old file away.",
    )


def _system_refused(error: OSError) -> Finding:
    where = f" ({error.filename})" if error.filename else ""
    return Finding(
        "not-written",
        Severity.STOP,
        f"the disk or the network refused: {error.strerror or error}{where}",
        "folders that can be read and written, with room in them",
        "What was written before is whole; put the cause right and run it again.",
    )


def _cannot_write(path: Path, error: Exception) -> Finding:
    reason = getattr(error, "strerror", None) or "it is no name for a file"
    return Finding(
        "not-written",
        Severity.STOP,
        f"{path} cannot be written: {reason}",
        "a file in a folder that is there",
        "Check the folder, its permissions and the name.",
    )


def _no_practical() -> Finding:
    return Finding(
        "no-such-practical",
        Severity.STOP,
        "no practical is named",
        "a practical, or a rota that names them",
        "Type “sheetlab practicals” for the list.",
    )


def _no_date(text: str) -> Finding:
    return Finding(
        "no-such-date",
        Severity.STOP,
        f"“{text}” is no date",
        "a day as 2026-09-01",
        "Type the date again.",
    )


def _complain(findings: Sequence[Finding]) -> None:
    for finding in findings:
        place = f"{finding.place}: " if str(finding.place) else ""
        print(_plain(f"{place}{finding.message}"), file=sys.stderr)


def _indented(finding: Finding) -> str:
    import textwrap

    place = f"{finding.place.sheet} {finding.place.cell}".strip()
    text = f"{place}: {finding.message}" if place else finding.message
    return textwrap.fill(_plain(text), 96, initial_indent="  - ", subsequent_indent="    ")


def _plain(text: str) -> str:
    return harmless(text)
