"""What counts in a class, found again from its workbook: which files, and what was in them.

A class workbook may have been through many hands, so a path in it is a wish. It is followed only
inside the folder that the class was made of, and that folder only if it is that of the workbook
or below it, or if a person names it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path, PurePosixPath, PureWindowsPath

from msgspec import Struct

from sheetlab.classes.handins import Past
from sheetlab.classes.kept import HIDDEN, read_kept
from sheetlab.finding import Finding, Place, Severity, SheetlabError, harmless
from sheetlab.handling.folders import ENDINGS
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
    if all(one.name != HIDDEN for one in sheets):
        return None
    return Finding(
        "source-refused",
        Severity.STOP,
        f"{path.name} is the workbook of a class, saved as {OPEN_DOCUMENT}",
        "a class workbook as .xlsx",
        "Add the .xlsx that “sheetlab class” wrote, or save this one as .xlsx first.",
        Place(path.name),
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
    counted = [one for one in kept.history if (one.key, one.readings) in kept.counted]
    if not counted:
        raise SheetlabError(_nothing_counts(path))
    root = folder if folder is not None else _own_folder(path, kept.folder)
    for one in counted:
        found = _below(root, one.file)
        if found is None:
            yield _outside(path, one)
        elif not found.is_file():
            yield _gone(path, one, root)
        else:
            yield Source(found, one.file, one.key, one.readings)


def _own_folder(path: Path, said: str | None) -> Path:
    own = path.resolve().parent
    # only what is made of plain names; where links lead is looked at after that
    found = None if said is None else _below(own, said, folder=True)
    if found is None or not found.is_dir():
        raise SheetlabError(_no_folder(path))
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
    return Finding(
        "source-changed",
        Severity.STOP,
        f"“{_short(source.file)}” holds other readings, or another group, than when the class "
        "workbook was written; it was not added",
        "the hand-in that counts in the class",
        "Run “sheetlab class” again, look at the marks, and add the class again.",
        Place(source.path.name),
    )


def _gone(path: Path, one: Past, root: Path) -> Finding:
    return Finding(
        "source-gone",
        Severity.STOP,
        f"“{_short(one.file)}”, which counts for {_short(one.group)} in this class, is not in "
        f"{root}",
        "every hand-in that counts, where it lay when the class workbook was written",
        "Put it back, or name the folder of the hand-ins with --folder.",
        Place(path.name),
    )


def _outside(path: Path, one: Past) -> Finding:
    return Finding(
        "source-refused",
        Severity.STOP,
        f"“{_short(one.file)}” leads out of the folder of the class, or is no workbook",
        "a workbook in the folder that the class was made of, or below it",
        "Do not trust this class workbook: find out who changed it, or make it anew with "
        "“sheetlab class”.",
        Place(path.name),
    )


def _no_folder(path: Path) -> Finding:
    return Finding(
        "source-refused",
        Severity.STOP,
        f"the hand-ins of {path.name} do not lie beside it or below it",
        "a class workbook in a folder that also holds its hand-ins",
        "Name the folder of the hand-ins with --folder.",
        Place(path.name),
    )


def _nothing_counts(path: Path) -> Finding:
    return Finding(
        "source-gone",
        Severity.STOP,
        f"{path.name} does not say which hand-ins count: there is none, or an earlier sheetlab "
        "wrote it",
        "a class workbook with hand-ins",
        "Run “sheetlab class” again, and add it then.",
        Place(path.name),
    )


def _short(text: str) -> str:
    text = harmless(text)
    return text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]}…"
