"""Many workbooks in one go: one bad file never stops the others."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from sheetlab.finding import Finding, Place, Severity
from sheetlab.practical.profile import Profile
from sheetlab.workbook.evaluate_file import OPEN_DOCUMENT, FileOutcome, evaluate_file, sibling

ENDINGS = (".xlsx", ".xlsm", ".ods")
DEFAULT_FOLDER = "evaluated"
_BESIDE = f"{OPEN_DOCUMENT}.xlsx"


def workbooks_among(names: Iterable[str]) -> set[str]:
    """Names of workbooks among the names in one folder.

    Left out are hidden files, lock files, and what an evaluation wrote beside an .ods file.
    """
    there = set(names)
    small = {name.lower() for name in there}
    return {
        name
        for name in there
        if name.lower().endswith(ENDINGS)
        and not name.startswith((".", "~"))
        and not (name.lower().endswith(_BESIDE) and _original(name.lower()) & small)
    }


def _original(copy: str) -> set[str]:
    """What an .ods file may be called whose results are in a copy beside it (``sibling``)."""
    return {copy.removesuffix(".xlsx"), copy.removesuffix(_BESIDE)}


def expand(paths: Iterable[Path]) -> Iterator[Path]:
    """Files as given, and the workbooks directly inside folders, in order of name."""
    for path in paths:
        if path.is_dir():
            found = workbooks_among(os.listdir(path))
            yield from (path / name for name in sorted(found))
        else:
            yield path


def evaluate_files(
    paths: Sequence[Path],
    out: Path | None,
    in_place: bool,
    practical: str = "",
    profile: Profile | None = None,
) -> Iterator[FileOutcome]:
    """Evaluate files one after the other.

    Parameters
    ----------
    out
        Folder for the evaluated copies; by default a folder “evaluated” beside each file.
    in_place
        Put the result sheets into the files themselves.
    profile
        How results are stated; None: as each workbook was issued.
    """
    taken: set[str] = set()
    for path in paths:
        new = sibling(path) if path.suffix.lower() == OPEN_DOCUMENT else path
        target = path if in_place else (out or path.parent / DEFAULT_FOLDER) / new.name
        if not in_place and os.path.realpath(target) == os.path.realpath(path):
            yield _refused(path, "would be replaced by its own evaluated copy", "--in-place")
            continue
        if os.path.realpath(target) in taken:
            yield _refused(path, "has the same name as one evaluated before it", "other names")
            continue
        taken.add(os.path.realpath(target))
        if not in_place:
            try:
                target.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                reason = error.strerror or str(error)
                yield _refused(path, f"has no folder for its copy: {reason}", "a folder")
                continue
        yield evaluate_file(path, target, practical, profile)


def _refused(path: Path, what: str, expected: str) -> FileOutcome:
    finding = Finding(
        "not-written",
        Severity.STOP,
        f"{path.name} {what}",
        expected,
        "Give another folder with --out, and evaluate again.",
        Place(path.name),
    )
    return FileOutcome(path, None, (finding,), None)
