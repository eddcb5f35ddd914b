"""Definition files as text: where they lie, what they are called, and what no TOML file may hold.

Light: a list of the practicals is made of this alone, and compiles none of them.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from msgspec import Struct

from sheetlab.finding import Finding, Place, Severity, SheetlabError, harmless

MAX_TEXT = 100_000
SUFFIX = ".toml"
FIRST_TABLE = re.compile(r"^\[", re.MULTILINE)


def shipped_folder() -> Path:
    """Folder of the definitions that come with sheetlab."""
    packaged = Path(__file__).parent.parent / "workbook_templates"
    return packaged if packaged.is_dir() else Path(__file__).parents[2] / "workbook_templates"


class Definitions(Struct, frozen=True):
    """Definition files by id, from the shipped folder and further ones (a later folder wins)."""

    folders: tuple[Path, ...]

    def paths(self) -> dict[str, Path]:
        """Definition files by the id that their name gives, sorted."""
        found = {path.stem: path for folder in self.folders for path in folder.glob(f"*{SUFFIX}")}
        return dict(sorted(found.items()))

    def text(self, practical: str) -> str:
        """Text of a definition.

        Raises
        ------
        SheetlabError
            If there is no such practical or its file cannot be read.
        """
        path = self.paths().get(practical)
        if path is None:
            raise SheetlabError(
                Finding(
                    "no-such-practical",
                    Severity.STOP,
                    f"there is no practical “{practical}”",
                    ", ".join(self.paths()) or "a definition file",
                    "Type “sheetlab practicals” for the list.",
                )
            )
        try:
            return path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise SheetlabError(
                refused(str(path), "file", f"cannot be read: {error}", "a UTF-8 text file")
            ) from error

    def heading(self, practical: str) -> tuple[str, str]:
        """Title and version of a definition, of which nothing else is looked at.

        Raises
        ------
        SheetlabError
            If the file cannot be read, or its id, title or version is no text.
        """
        name, text = f"{practical}{SUFFIX}", self.text(practical)
        if len(text) > MAX_TEXT:
            raise SheetlabError(refused(name, "file", *TOO_LONG))
        # texts or lists that this cuts through are no TOML any more
        data, odd = whole_table(FIRST_TABLE.split(text, 1)[0], "file")
        if odd:
            data, odd = whole_table(text, "file")
        if odd:
            raise SheetlabError(refused(name, *odd[0]))
        problems = [
            refused(name, key, f"{data[key]!r} is not a text")
            if key in data
            else refused(name, key, "is missing", "this key")
            for key in ("id", "title", "version")
            if not isinstance(data.get(key), str)
        ]
        if problems:
            raise SheetlabError(*problems)
        return data["title"], data["version"]


TOO_LONG = ("is too long", f"{MAX_TEXT} characters")


def all_folders(folders: Sequence[Path]) -> tuple[Path, ...]:
    """The folder of the shipped definitions before further ones.

    Raises
    ------
    SheetlabError
        If one of them is no folder.
    """
    missing = [folder for folder in folders if not _is_folder(folder)]
    if missing:
        raise SheetlabError(*map(_no_folder, missing))
    return (shipped_folder(), *folders)


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:
        return False


def _no_folder(path: Path) -> Finding:
    return Finding(
        "no-such-folder",
        Severity.STOP,
        f"{path} is no folder that can be read",
        "a folder with definition files",
        "Check the name.",
    )


Problem = tuple[str, str, str]
"""Key, reason, what is allowed."""


def toml_table(text: str, most: int, whole: str) -> tuple[dict[str, Any] | None, list[Problem]]:
    """The table of a TOML text of limited length, or what is wrong with the ``whole``."""
    if len(text) > most:
        return None, [(whole, "is too long", f"{most} letters")]
    data, odd = whole_table(text, whole)
    return (None, odd) if odd else (data, [])


def whole_table(text: str, whole: str) -> tuple[dict[str, Any], list[Problem]]:
    """The table of a TOML text, and what is wrong with the ``whole``."""
    try:
        data = tomllib.loads(text)
        return data, list(_odd_texts(data))
    except tomllib.TOMLDecodeError as error:
        return {}, [(whole, f"is not TOML: {error}", "TOML 1.0")]
    except ValueError as error:
        # Python's own limit for the digits of a number, of which the library says nothing
        return {}, [(whole, f"holds a number of far too many digits ({error})", "usual numbers")]
    except RecursionError:
        # a key of a thousand dots
        return {}, [(whole, "has tables far too deep in each other", "the keys that there are")]


def _odd_texts(data: object, key: str = "text") -> Iterator[Problem]:
    """Texts with control codes: they would reach sheets, charts and terminals."""
    if isinstance(data, dict):
        for name, value in data.items():
            if harmless(name) != name:
                yield key, "a key with control codes", "names of keys"
            else:
                yield from _odd_texts(value, name)
    elif isinstance(data, list):
        for value in data:
            yield from _odd_texts(value, key)
    elif isinstance(data, str) and not data.isprintable() and "�" in harmless(data):
        yield key, "holds control codes", "text that can be read"


def key_refused(
    code: str, what: str, name: str, key: str, reason: str, allowed: str = ""
) -> Finding:
    """That a key of a file in TOML cannot be used.

    Parameters
    ----------
    what
        What the file is, with an article: ``the profile``.
    name
        Name of the file.
    allowed
        What may stand there.
    """
    return Finding(
        code,
        Severity.STOP,
        f"{what} is refused at “{key}”: {reason}",
        allowed,
        "Correct the file and try again.",
        Place(file=name),
    )


refused = partial(key_refused, "definition-refused", "the definition")
