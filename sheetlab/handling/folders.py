"""Which workbooks lie in a folder and below it: one answer for all who ask."""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Collection, Iterable, Iterator, Sequence
from pathlib import Path

from msgspec import Struct

from sheetlab.finding import Finding, Severity, many
from sheetlab.workbook.evaluate_file import OPEN_DOCUMENT

ENDINGS = (".xlsx", ".xlsm", ".ods")
NOT_READ = (".xls", ".xlsb", ".fods", ".ots", ".csv", ".numbers")
"""Endings of files that may hold a hand-in and that are not read."""
DEFAULT_FOLDER = "evaluated"
"""Folder of evaluated copies, which are nobody's hand-ins."""
DEEPEST = 8
"""Levels of folders below the first one; a link in a circle ends there."""
MOST_NAMED = 5
_BESIDE = f"{OPEN_DOCUMENT}.xlsx"
Stamp = tuple[int, ...]
"""What changes when a file is saved: times and size."""


class Listing(Struct, frozen=True):
    """What of one folder matters here: names in order, without what is hidden or temporary."""

    workbooks: tuple[str, ...]
    others: tuple[str, ...]
    """Of other spreadsheet kinds."""
    folders: tuple[str, ...]
    """Folders in it that may hold hand-ins."""
    pipes: tuple[str, ...]
    """Called like workbooks, and neither file nor folder."""


def expand(paths: Iterable[Path]) -> Iterator[Path]:
    """Files as given, and the workbooks directly inside folders, in order of name.

    Raises
    ------
    OSError
        If a folder cannot be looked into.
    """
    for path in paths:
        if path.is_dir():
            yield from (path / name for name in _listing(path).workbooks)
        else:
            yield path


def scan(folder: Path) -> tuple[dict[str, Stamp], tuple[str, ...]]:
    """Workbooks in a folder and below it, and the folders that could not be looked into.

    Paths are those below the folder with “/”; the first number of a stamp is the time of the last
    change in ns.
    """
    files: dict[str, Stamp] = {}
    lost: list[str] = []
    for below, found in _walk(folder):
        if isinstance(found, OSError):
            if not below or not isinstance(found, FileNotFoundError):
                lost.append(below)
            continue
        for name in found.workbooks:
            with contextlib.suppress(OSError):  # gone since it was listed
                # asked of the file: a listing may hold an old state while the file is open
                its = os.stat(folder / below / name)
                if stat.S_ISREG(its.st_mode):
                    where = f"{below}/{name}" if below else name
                    files[where] = (its.st_mtime_ns, its.st_size, its.st_ctime_ns)
    return files, tuple(lost)


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
    pipes: list[str] = []
    for path in paths:
        for _, found in _walk(path, DEEPEST if below else 0, known):
            if isinstance(found, Listing):
                files += found.others
                folders += () if below else found.folders
                pipes += found.pipes
    if not files and not folders and not pipes:
        return None
    told, remedies = [], []
    if files:
        told.append(f"{many(len(files), 'file')} of other spreadsheet kinds ({_some(files)})")
        remedies.append("Save such files as .xlsx or .ods if they are hand-ins.")
    if folders:
        told.append(f"{many(len(folders), 'folder')} below ({_some(folders)})")
        remedies.append("Name such folders too if there are hand-ins in them.")
    if pipes:
        told.append(f"what is a pipe or a device, not a file ({_some(pipes)})")
        remedies.append("Copy what comes out of such a pipe into a file if it is a hand-in.")
    return Finding(
        "not-read",
        Severity.NOTE,
        f"not looked at: {' and '.join(told)}",
        remedy_text=" ".join(remedies),
    )


def _some(names: Sequence[str]) -> str:
    more = ", …" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more


def _walk(
    folder: Path, deepest: int = DEEPEST, skip: Collection[str] = ()
) -> Iterator[tuple[str, Listing | OSError]]:
    """Listings of a folder and of those below it, each with its place below the first.

    Links to folders are listed and not followed. ``skip``: real paths that are left out.
    """
    waiting = [("", 0)]
    while waiting:
        below, depth = waiting.pop()
        try:
            found = _listing(folder / below, skip)
        except OSError as error:
            yield below, error
            continue
        yield below, found
        if depth < deepest:
            inside = (f"{below}/{name}" if below else name for name in reversed(found.folders))
            waiting += [(one, depth + 1) for one in inside if not os.path.islink(folder / one)]


def _listing(folder: Path, skip: Collection[str] = ()) -> Listing:
    workbooks: list[str] = []
    others: list[str] = []
    folders: list[str] = []
    pipes: list[str] = []
    with os.scandir(folder) as listing:
        entries = sorted(listing, key=lambda entry: entry.name)
    names = {entry.name.lower() for entry in entries}
    for entry in entries:
        name = entry.name
        if name.startswith((".", "~")) or (skip and os.path.realpath(entry.path) in skip):
            continue
        is_folder = False
        with contextlib.suppress(OSError):
            is_folder = entry.is_dir()
        if name.lower().endswith(NOT_READ):
            # the hand-in of one program is a folder to all others
            others.append(name)
        elif is_folder:
            if name != DEFAULT_FOLDER:
                folders.append(name)
        elif name.lower().endswith(ENDINGS) and not _evaluated(name.lower(), names):
            (pipes if _waits(entry) else workbooks).append(name)
    return Listing(tuple(workbooks), tuple(others), tuple(folders), tuple(pipes))


def _waits(entry: os.DirEntry[str]) -> bool:
    """Whether opening would wait: a pipe. A link that leads nowhere is told when it is opened."""
    with contextlib.suppress(OSError):
        return not entry.is_file() and os.path.exists(entry.path)
    return False


def _evaluated(name: str, names: Collection[str]) -> bool:
    """Whether an evaluation wrote a file beside an .ods file (``sibling``); small letters."""
    originals = {name.removesuffix(".xlsx"), name.removesuffix(_BESIDE)}
    return name.endswith(_BESIDE) and not originals.isdisjoint(names)
