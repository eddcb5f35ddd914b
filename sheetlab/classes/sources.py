"""What counts in a class, found again from its workbook: which files, and what was in them.

A class workbook may have been through many hands, so a path in it is a wish. It is followed only
inside the folder that the class was made of, and that folder only if it is that of the workbook
or below it, or if a person names it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path, PurePosixPath, PureWindowsPath

from msgspec import Struct

from sheetlab.classes.kept import HIDDEN, read_kept
from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding
from sheetlab.handling.folders import ENDINGS
from sheetlab.messages import harmless
from sheetlab.workbook.evaluate_file import OPEN_DOCUMENT
from sheetlab.workbook.longbook import open_long
from sheetlab.workbook.opening import open_store
from sheetlab.workbook.package import open_package

MOST_SHOWN = 120


class Source(Struct, frozen=True):
    """A file that counts in a class, and what it has to hold still."""

    path: Path
    file: str
    """Path below the folder of the class, as the class knows it."""
    key: str
    """Key of practical and group (``row_key``)."""
    readings: str
    """Digest of what was typed."""


def is_class_workbook(path: Path) -> bool:
    """Whether a file is the workbook of a class; False also for what cannot be read."""
    try:
        with open_long(path) as book:
            return HIDDEN in book.sheets
    except SheetlabError:
        return False


def other_format(path: Path) -> Finding | None:
    """That a file is the workbook of a class, saved in a format that cannot be added; or None."""
    if path.suffix.lower() != OPEN_DOCUMENT:
        return None
    try:
        sheets = open_store(open_package(path)).sheets
    except SheetlabError:
        return None
    if all(sheet.name != HIDDEN for sheet in sheets):
        return None
    return finding(
        "source-refused_format",
        Severity.STOP,
        Place(path.name),
        name=path.name,
        ending=OPEN_DOCUMENT,
    )


def sources_of(path: Path, folder: Path | None = None) -> Iterator[Source | Finding]:
    """The files that count in a class, in the order of its history, or why one cannot be taken.

    Parameters
    ----------
    folder
        Where the hand-ins lie; None: where the class workbook says, if that is its own folder or
        one below it.

    Raises
    ------
    SheetlabError
        If the workbook cannot be read, does not say what counts, or its folder is not to be used.
    """
    kept = read_kept(path)
    counted = [past for past in kept.history if (past.key, past.readings) in kept.counted]
    if not counted:
        raise SheetlabError(
            finding("source-gone_none", Severity.STOP, Place(path.name), name=path.name)
        )
    root = folder if folder is not None else _own_folder(path, kept.folder)
    for past in counted:
        file = _below(root, past.file)
        short = _short(past.file)
        if file is None:
            yield finding("source-refused_outside", Severity.STOP, Place(path.name), file=short)
        elif not file.is_file():
            group = _short(past.group)
            yield finding(
                "source-gone",
                Severity.STOP,
                Place(path.name),
                file=short,
                group=group,
                folder=str(root),
            )
        else:
            yield Source(file, past.file, past.key, past.readings)


def _own_folder(path: Path, said: str | None) -> Path:
    # only what is made of plain names; where links lead is looked at after that
    found = None if said is None else _below(path.resolve().parent, said, folder=True)
    if found is None or not found.is_dir():
        raise SheetlabError(
            finding("source-refused_folder", Severity.STOP, Place(path.name), name=path.name)
        )
    return path.parent / Path(said or "")


def _below(root: Path, name: str, folder: bool = False) -> Path | None:
    """A path below a folder; None for one that leads out of it, whatever links there are."""
    parts = PurePosixPath(name).parts
    # what is no plain name on one system is refused on all
    if any(p == ".." or "\0" in p or "\\" in p or PureWindowsPath(p).drive for p in parts):
        return None
    if PurePosixPath(name).is_absolute() or not (folder or name.lower().endswith(ENDINGS)):
        return None
    try:
        target = root.joinpath(*parts).resolve()
        inside = target.is_relative_to(root.resolve())
    except (OSError, RuntimeError, ValueError):
        return None
    return root.joinpath(*parts) if inside else None


def changed(source: Source) -> Finding:
    """The finding for a file that holds something else than when the class was made."""
    return finding(
        "source-changed", Severity.STOP, Place(source.path.name), file=_short(source.file)
    )


def _short(text: str) -> str:
    text = harmless(text)
    return text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]}…"
