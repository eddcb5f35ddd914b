"""The demonstration."""

from __future__ import annotations

import argparse
from pathlib import Path

from sheetlab.commands.console import DONE, SOME_FAILED, complain, refuse_filled, result_text, say


def demo(parser: argparse.ArgumentParser) -> None:
    """Run everything on an invented class."""
    parser.add_argument("folder", type=Path, metavar="DIR", help="a new or empty folder")
    parser.set_defaults(run=_demo)


def _demo(options: argparse.Namespace) -> int:
    from sheetlab.classes.demo import EVALUATED, FILLED, ISSUED, demo_class, run_demo
    from sheetlab.practical.loader import catalogue

    folder = options.folder
    refuse_filled(folder)
    school, _ = demo_class()
    say(f"{school}: all groups and readings are invented.\n")
    say(f"{'group':<11} {'practical':<16} {'status':<9} {'findings':>8}  result")
    status = DONE
    look = ""
    for workbook, outcome in run_demo(catalogue(), folder):
        found = outcome.assessment
        if found is None or outcome.written is None:
            status = SOME_FAILED
            complain(outcome.findings)
            continue
        if found.status == "doubtful":
            look = look or outcome.written.name
        text = result_text(outcome).partition(", ")[2]
        say(
            f"{workbook.group.name:<11} {workbook.practical:<16} {found.status!s:<9} "
            f"{len(outcome.findings):>8}  {text}"
        )
    say(
        f"\nLook into {folder}:\n"
        f"  {ISSUED:<13} what the groups were given (print one: it can be filled with a pen)\n"
        f"  {FILLED:<13} what they handed in\n"
        f"  {EVALUATED:<13} the same workbooks with sheets Evaluation, Budget, Lines, Working,\n"
        f"  {'':<13} Graphs, Findings. Begin with “{look}”, sheet Evaluation."
    )
    return status
