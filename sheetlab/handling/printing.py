"""Workbooks as PDF pages, through LibreOffice where it is installed; nothing here needs it."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from msgspec import Struct

from sheetlab.finding import Finding, Place, Severity

PROGRAMS = ("soffice", "libreoffice")
SECONDS = 120.0
SECONDS_A_FILE = 15.0
AT_ONCE = 40
"""Files handed over in one call."""


class Printed(Struct, frozen=True):
    """A PDF file that was written, or why it was not."""

    path: Path
    finding: Finding | None = None


def print_workbooks(workbooks: Sequence[Path]) -> Iterator[Printed]:
    """A PDF beside each workbook; one that is there is never replaced.

    The program runs with a profile of its own that is thrown away, so that one that is open on the
    desk is left alone.
    """
    targets = {path: path.with_suffix(".pdf") for path in workbooks}
    program = next((found for name in PROGRAMS if (found := shutil.which(name))), None)
    if program is None:
        if workbooks:
            yield Printed(targets[workbooks[0]], _no_office())
        return
    wanted = []
    for path, target in targets.items():
        if target.exists():
            yield Printed(target, _not_printed(target, "is there already and was left as it is"))
        else:
            wanted.append(path)
    for start in range(0, len(wanted), AT_ONCE):
        some = wanted[start : start + AT_ONCE]
        with tempfile.TemporaryDirectory(prefix="sheetlab-print-") as folder:
            trouble = _convert(program, some, Path(folder))
            for path in some:
                yield _moved(Path(folder) / f"{path.stem}.pdf", targets[path], trouble)


def _convert(program: str, workbooks: Sequence[Path], folder: Path) -> str:
    """Convert into a folder; what went wrong, if the program says so."""
    command = [
        program,
        f"-env:UserInstallation={(folder / 'profile').as_uri()}",
        "--headless",
        "--convert-to",
        "pdf",
        "--outdir",
        str(folder),
        *(str(path.resolve()) for path in workbooks),
    ]
    seconds = SECONDS + SECONDS_A_FILE * len(workbooks)
    try:
        subprocess.run(command, capture_output=True, timeout=seconds, check=False)
    except subprocess.TimeoutExpired:
        return f"LibreOffice took more than {seconds:.0f} s"
    except OSError as error:
        return f"LibreOffice cannot be started: {error.strerror or error}"
    return ""


def _moved(made: Path, target: Path, trouble: str) -> Printed:
    try:
        if made.is_file() and made.stat().st_size:
            shutil.move(made, target)
            return Printed(target)
    except OSError as error:
        trouble = f"it cannot be written: {error.strerror or error}"
    return Printed(target, _not_printed(target, f"was not made ({trouble or 'no page came back'})"))


def _not_printed(target: Path, what: str) -> Finding:
    return Finding(
        "not-printed", Severity.DOUBTFUL, f"{target.name} {what}", "a PDF file of the workbook",
        "The workbook itself is there: print it from a spreadsheet program.", Place(target.name),
    )  # fmt: skip


def _no_office() -> Finding:
    return Finding(
        "not-printed", Severity.DOUBTFUL,
        "no PDF was made, because LibreOffice (soffice) is not installed or not on the path",
        "LibreOffice, for PDF files only",
        "The workbooks are written: print them from any spreadsheet program, every sheet is set up "
        "for A4.",
    )  # fmt: skip
