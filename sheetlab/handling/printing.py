"""Workbooks as PDF pages, through LibreOffice where it is installed; nothing here needs it."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from msgspec import Struct

from sheetlab.finding import Finding, Place, Severity, finding, reason_of
from sheetlab.messages import Phrase, phrase

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
            missing = finding("not-printed_no-office", Severity.DOUBTFUL)
            yield Printed(targets[workbooks[0]], missing)
        return
    wanted = []
    for path, target in targets.items():
        if target.exists():
            yield Printed(target, _not_printed(target, phrase("pdf-there")))
        else:
            wanted.append(path)
    for start in range(0, len(wanted), AT_ONCE):
        some = wanted[start : start + AT_ONCE]
        with tempfile.TemporaryDirectory(prefix="sheetlab-print-") as folder:
            trouble = _convert(program, some, Path(folder))
            for path in some:
                yield _moved(Path(folder) / f"{path.stem}.pdf", targets[path], trouble)


def _convert(program: str, workbooks: Sequence[Path], folder: Path) -> Phrase:
    """Convert into a folder; what went wrong if there is no page."""
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
        return phrase("office-too-slow", seconds=round(seconds))
    except OSError as error:
        return phrase("office-not-started", reason=reason_of(error))
    return phrase("no-page")


def _moved(made: Path, target: Path, trouble: Phrase) -> Printed:
    try:
        if made.is_file() and made.stat().st_size:
            shutil.move(made, target)
            return Printed(target)
    except OSError as error:
        trouble = phrase("pdf-not-moved", reason=reason_of(error))
    return Printed(target, _not_printed(target, phrase("pdf-not-made", reason=trouble)))


def _not_printed(target: Path, reason: Phrase) -> Finding:
    place = Place(target.name)
    return finding("not-printed", Severity.DOUBTFUL, place, name=target.name, reason=reason)
