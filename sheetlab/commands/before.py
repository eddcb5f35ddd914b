"""Before class: what there is, plan, register, rota, workbooks, sets to practise with."""

from __future__ import annotations

import argparse
import datetime
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec.structs import replace

from sheetlab.commands.console import (
    DONE,
    NOTHING_DONE,
    SOME_FAILED,
    catalogue_of,
    complain,
    day,
    decimal,
    definitions_option,
    expect_ending,
    profile_option,
    roster_of,
    say,
    whole_option,
    write_new,
)
from sheetlab.finding import Finding, Severity, SheetlabError, finding, many, together
from sheetlab.messages import harmless, phrase

if TYPE_CHECKING:  # imported when a command needs them: --help has to be quick
    from sheetlab.practical.model import Practical
    from sheetlab.practical.register import Register

ASSIST = ("readings", "corrected", "full")


def issue(parser: argparse.ArgumentParser) -> None:
    """Write observation workbooks for groups."""
    parser.add_argument(
        "practical", nargs="?", default="",
        help="which one; see “sheetlab practicals” (with a rota: usual all of the week)",
    )  # fmt: skip
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to fill")
    parser.add_argument(
        "--roster", type=Path, metavar="ROSTER",
        help="list (.xlsx, .ods, .xls, .csv) with a column “group” (and “setup”, “observers”): a "
        "workbook each",
    )  # fmt: skip
    parser.add_argument(
        "--assist", choices=ASSIST, default="corrected",
        help="what the workbook works out itself: warnings only, corrected readings too "
        "(usual), or everything",
    )  # fmt: skip
    whole_option(parser, "--runs", "how often the readings are repeated; usual: 1", 1, 4, default=1)
    parser.add_argument(
        "--register", type=Path, metavar="REGISTER.xlsx",
        help="bind each workbook to what this register knows of its set-up",
    )  # fmt: skip
    parser.add_argument(
        "--date", type=day("--date"), metavar="DAY",
        help="day of issue, for checks that are due (usual: today), as 2026-09-01",
    )  # fmt: skip
    parser.add_argument(
        "--rota", type=Path, metavar="ROTA",
        help="list with columns group, week, setup, practical: who sits where",
    )  # fmt: skip
    whole_option(parser, "--week", "week of the rota; usual: 1", 1, default=1)
    parser.add_argument(
        "--print", "--pdf", dest="pdf", action="store_true",
        help="also write A4 pages as PDF, if LibreOffice is installed",
    )  # fmt: skip
    profile_option(parser, "gum")
    definitions_option(parser)
    parser.set_defaults(run=_issue)


def plan(parser: argparse.ArgumentParser) -> None:
    """Plan a practical before class."""
    parser.add_argument("practical", help="which one; see “sheetlab practicals”")
    parser.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", dest="settings",
        help="assume another value (repeat the option for more); a wrong name lists all names",
    )  # fmt: skip
    parser.add_argument("--material", default="", help="what is loaded, such as “brass, hard”")
    parser.add_argument("--gauge", default="", help="gauge number, such as “SWG 26”, “AWG 26”")
    parser.add_argument(
        "--masses",
        default="",
        metavar="LIST",
        help="masses at hand, such as 0.5x10,0.2x5: ten of 0.5 kg, five of 0.2 kg",
    )
    parser.add_argument(
        "--limit", type=decimal("--limit", "a fraction such as 0.33"), default=1 / 3,
        help="greatest fraction of the breaking stress (usual: one third)",
    )  # fmt: skip
    parser.add_argument(
        "--drop", type=decimal("--drop", "a height in cm, such as 2.5"), metavar="CM",
        help="height of the masses above box or floor, in cm",
    )  # fmt: skip
    parser.add_argument(
        "--reason", default="", help="why more than half of the breaking stress is wanted"
    )
    parser.add_argument(
        "--materials", type=Path, metavar="LIST", help="list with materials of your own"
    )
    parser.add_argument(
        "--out", type=Path, metavar="PLAN.xlsx", help="write the plan and its risk sheet"
    )
    profile_option(parser, "as gum has it")
    definitions_option(parser)
    parser.set_defaults(run=_plan)


def register(parser: argparse.ArgumentParser) -> None:
    """The register of instruments, wires, set-ups."""
    kept = parser.add_subparsers(title="what to do", required=True, metavar="new|check")
    new = kept.add_parser("new", help="write an empty register, with sheets for yearly checks")
    new.add_argument("--out", type=Path, required=True, metavar="REGISTER.xlsx", help="new file")
    definitions_option(new)
    new.set_defaults(run=_register_new)
    checking = kept.add_parser("check", help="list cells that are wrong or do not fit each other")
    checking.add_argument("register", type=Path, metavar="REGISTER.xlsx", help="a filled register")
    checking.add_argument(
        "--date", type=day("--date"), metavar="DAY",
        help="day for which checks are due or not (usual: today), as 2026-09-01",
    )  # fmt: skip
    checking.add_argument(
        "--rota", type=Path, metavar="ROTA",
        help="also look whether the register has the set-ups of this rota",
    )  # fmt: skip
    definitions_option(checking)
    checking.set_defaults(run=_register_check)


def rota(parser: argparse.ArgumentParser) -> None:
    """Make a fair rota of groups, weeks and set-ups."""
    parser.add_argument("--groups", type=Path, required=True, metavar="ROSTER", help="the roster")
    parser.add_argument(
        "--setups", required=True, metavar="NUMBER",
        help="places where any practical can be set up; or a number a practical: 6,4",
    )  # fmt: skip
    whole_option(parser, "--weeks", "how many weeks there are", 1, 60, required=True)
    parser.add_argument(
        "--practicals", required=True, metavar="ID,ID", help="what every group has to do"
    )
    parser.add_argument("--out", type=Path, required=True, metavar="ROTA.csv", help="new file")
    definitions_option(parser)
    parser.set_defaults(run=_rota)


def practice_set(parser: argparse.ArgumentParser) -> None:
    """Write workbooks with planted mistakes, and a key, to practise marking."""
    parser.add_argument("practical", help="which one; see “sheetlab practicals”")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to fill")
    whole_option(parser, "--count", "how many workbooks; usual: 8", 1, 200, default=8)
    whole_option(parser, "--seed", "another number, another set; usual: 1", 0, 2**62, default=1)
    definitions_option(parser)
    parser.set_defaults(run=_practice_set)


def _issue(options: argparse.Namespace) -> int:
    from sheetlab.before.issue import Binding, Issued, issue
    from sheetlab.before.trial import papers_of, small_letters
    from sheetlab.practical.definition import Assist
    from sheetlab.practical.loader import find_profile
    from sheetlab.workbook.layout import lay_out

    assist = Assist(options.assist)
    groups = roster_of(options.roster)
    told: list[Finding] = []
    catalogue = catalogue_of(options)
    wanted = {options.practical: list(groups)}
    if options.rota:
        from sheetlab.before.rota import read_rota, sittings_of

        rota = read_rota(options.rota)
        sittings, told = sittings_of(
            rota, groups, options.week, options.practical, options.rota.name
        )
        wanted = {}
        for practical, group in sittings:
            wanted.setdefault(practical, []).append(group)
    elif not options.practical:
        raise SheetlabError(finding("no-such-practical_none", Severity.STOP))
    binding = None
    if options.register is not None:
        from sheetlab.before.register import read_register

        register, findings = read_register(options.register)
        binding = Binding(register, options.date or datetime.date.today())
        told += findings
    complain(told)
    profile = find_profile(options.profile or "gum")
    issued: list[Issued] = []
    lacking: dict[Finding, list[str]] = {}
    for practical, some in wanted.items():
        try:
            layout = lay_out(catalogue.load(practical, options.runs), assist)
            notes = small_letters(papers_of(layout))
            complain(notes)
            told += notes
            for one in issue(
                catalogue, practical, options.out, some, assist, options.runs,
                profile, binding,
            ):  # fmt: skip
                issued.append(one)
                if one.finding is None:
                    say(str(one.path))
                # several workbooks of one set-up lack the same
                for note in (note for note in one.notes if note not in told):
                    lacking.setdefault(note, []).append(one.group)
        except SheetlabError as error:
            # a practical of the rota that there is not; the others are issued
            told += error.findings
            complain(error.findings)
    refused = [one.finding for one in issued if one.finding is not None]
    more = [*together(refused), *(_of_groups(*pair) for pair in lacking.items())]
    told += more
    complain(more)
    done = [one.path for one in issued if one.finding is None]
    if options.pdf:
        told += _print(done)
    if not done:
        return NOTHING_DONE
    return SOME_FAILED if any(f.severity is not Severity.NOTE for f in told) else DONE


def _print(workbooks: Sequence[Path]) -> list[Finding]:
    """Write pages of workbooks; returns why some were not."""
    from sheetlab.handling.printing import print_workbooks

    problems = []
    for page in print_workbooks(workbooks):
        if page.finding is None:
            say(str(page.path))
        else:
            problems.append(page.finding)
            complain([page.finding])
    return problems


def _of_groups(note: Finding, groups: Sequence[str]) -> Finding:
    """What the register lacks; the groups are named where it is a group that names nothing."""
    names = tuple(name for name in dict.fromkeys(groups) if name)
    if note.code != "setup-not-in-register" or not names:
        return note
    values = {**dict(note.values or ()), "groups": phrase("of-groups", names=names)}
    return replace(note, values=tuple(sorted(values.items())))


def _register_new(options: argparse.Namespace) -> int:
    from sheetlab.before.register_sheets import new_register

    expect_ending(options.out, ".xlsx")
    parts: dict[str, str] = {}
    for practical in _known_practicals(options):
        for one in practical.definition.instruments:
            parts.setdefault(one.id, one.title)
    write_new(options.out, new_register(parts))
    say(f"{harmless(str(options.out))}: fill it in a spreadsheet program")
    return DONE


def _known_practicals(options: argparse.Namespace) -> Iterator[Practical]:
    """All practicals there are; what is wrong in a definition is told."""
    catalogue = catalogue_of(options)
    for name in catalogue.paths():
        try:
            yield catalogue.load(name)
        except SheetlabError as error:
            complain(error.findings)


def _register_check(options: argparse.Namespace) -> int:
    from sheetlab.before.books import books
    from sheetlab.before.register import read_register
    from sheetlab.practical.register import checks_due, days_ahead, unlike_practicals

    today = options.date or datetime.date.today()
    register, wrong = read_register(options.register)
    planned = [material.name for material in books().materials]
    unlike = (
        *unlike_practicals(register, _known_practicals(options), planned),
        *_lacking_for_rota(options, register, today),
    )
    findings = (
        *wrong,
        # what the rota asks for may be what every practical asks for
        *dict.fromkeys(unlike),
        # --date may be a day of the past, after which checks were made
        *days_ahead(register, max(today, datetime.date.today())),
        *checks_due(register, today),
    )
    complain(findings)
    say(
        f"{many(len(register.instruments), 'instrument')}, {many(len(register.wires), 'wire')}, "
        f"{many(len(register.setups), 'set-up')}; {many(len(findings), 'finding')}"
    )
    return SOME_FAILED if any(f.severity is not Severity.NOTE for f in findings) else DONE


def _lacking_for_rota(
    options: argparse.Namespace, register: Register, today: datetime.date
) -> Iterator[Finding]:
    """What the register lacks for the workbooks that a rota asks for."""
    from sheetlab.before.rota import read_rota
    from sheetlab.practical.register import bind

    if options.rota is None:
        return
    catalogue = catalogue_of(options)
    sittings = {(sitting.practical, sitting.setup) for sitting in read_rota(options.rota)}
    for practical, setup in sorted(sittings):
        try:
            _, findings = bind(catalogue.load(practical), register, setup, today)
        except SheetlabError as error:
            findings = error.findings
        # a check that is due is told of the whole register
        yield from (finding for finding in findings if finding.code != "check-overdue")


def _rota(options: argparse.Namespace) -> int:
    from sheetlab.before.rota import make_rota, rota_text

    expect_ending(options.out, ".csv")
    names = [group.name for group in roster_of(options.groups)]
    numbers = [n.strip() for n in options.setups.split(",")]
    odd = [n for n in numbers if not (n.isascii() and n.isdigit() and len(n) < 6)]
    if odd:
        raise SheetlabError(finding("no-such-rota_typed", Severity.STOP, text=odd[0]))
    setups = [int(n) for n in numbers]
    known = catalogue_of(options)
    practicals = [name.strip() for name in options.practicals.split(",")]
    for name in practicals:
        # one that there is not is refused
        known.text(name)
    rota = make_rota(names, setups, options.weeks, practicals)
    write_new(options.out, rota_text(rota).encode("utf-8-sig"))
    for week in sorted({one.week for one in rota}):
        sitting = [f"{s.group} at {s.setup} ({s.practical})" for s in rota if s.week == week]
        say(f"week {week}: {', '.join(sitting)}")
    say(f"written: {harmless(str(options.out))}")
    return DONE


def _plan(options: argparse.Namespace) -> int:
    from sheetlab.before.plan import make_plan, plan_text, refuse
    from sheetlab.before.plan_pages import save_plan
    from sheetlab.practical.assumptions import refused
    from sheetlab.practical.loader import find_profile

    if options.out is not None:
        expect_ending(options.out, ".xlsx")
    made = make_plan(
        catalogue_of(options), options.practical, options.materials, options.settings,
        options.masses, options.reason, material=options.material, gauge=options.gauge,
        limit=options.limit, profile=find_profile(options.profile) if options.profile else None,
    )  # fmt: skip
    refuse(made)
    if options.drop is not None and made.stress is None:
        raise refused("setting-refused_no-drop")
    if options.out is not None:
        save_plan(made, options.out, None if options.drop is None else options.drop / 100)
    for line in plan_text(made):
        say(line)
    if options.out is not None:
        say(f"\nwritten: {options.out}")
    return DONE


def _practice_set(options: argparse.Namespace) -> int:
    from sheetlab.before.practice import practice_set
    from sheetlab.handling.progress import Meter

    progress = Meter(sys.stderr, "written")
    written = practice_set(
        catalogue_of(options), options.practical, options.out, options.count, options.seed, progress
    )
    for one in written.workbooks:
        say(one.path)
    say(f"{written.key}: what was planted; keep it away from those who mark")
    return DONE
