"""Many workbooks in one go: one bad file never stops the others."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Iterator, Sequence
from pathlib import Path

from sheetlab.finding import Finding, Place, Severity, many
from sheetlab.practical.profile import Profile
from sheetlab.workbook.evaluate_file import OPEN_DOCUMENT, FileOutcome, evaluate_file, sibling

ENDINGS = (".xlsx", ".xlsm", ".ods")
NOT_READ = (".xls", ".xlsb", ".fods", ".ots", ".csv", ".numbers")
"""Endings of files that may hold a hand-in and that are not read."""
DEFAULT_FOLDER = "evaluated"
MOST_NAMED = 5
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


def passed_over(
    paths: Iterable[Path], below: bool, leave_out: Collection[Path] = ()
) -> Finding | None:
    """What of folders was not read though it may hold hand-ins; None if there is nothing.

    Parameters
    ----------
    below
        Whether folders below were read as well; if not they are named too.
    leave_out
        Files and folders that are no hand-ins.
    """
    paths = list(paths)
    known = {os.path.realpath(one) for one in (*leave_out, *paths)}
    files: list[str] = []
    folders: list[str] = []
    for path in paths:
        for place, inside, names in os.walk(path):
            inside[:] = sorted(
                name
                for name in inside
                if not name.startswith(".")
                and name != DEFAULT_FOLDER
                and os.path.realpath(os.path.join(place, name)) not in known
            )
            # the hand-in of one program is a folder to all others
            files += [
                name
                for name in sorted((*names, *inside))
                if name.lower().endswith(NOT_READ)
                and not name.startswith((".", "~"))
                and os.path.realpath(os.path.join(place, name)) not in known
            ]
            inside[:] = [name for name in inside if not name.lower().endswith(NOT_READ)]
            if not below:
                folders += inside
                break
    if not files and not folders:
        return None
    found, remedies = [], []
    if files:
        found.append(f"{many(len(files), 'file')} of other spreadsheet kinds ({_some(files)})")
        remedies.append("Save such files as .xlsx or .ods if they are hand-ins.")
    if folders:
        found.append(f"{many(len(folders), 'folder')} below ({_some(folders)})")
        remedies.append("Name such folders too if there are hand-ins in them.")
    return Finding(
        "not-read",
        Severity.NOTE,
        f"not looked at: {' and '.join(found)}",
        remedy=" ".join(remedies),
    )


def _some(names: Sequence[str]) -> str:
    more = ", …" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more


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
