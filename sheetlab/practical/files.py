"""Definition files as text: where they lie, what they are called, and what no TOML file may hold.

Light: a list of the practicals is made of this alone, and compiles none of them.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from os.path import isdir
from pathlib import Path
from typing import Any

from msgspec import Struct

from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding
from sheetlab.messages import harmless

MAX_TEXT = 100_000
SUFFIX = ".toml"
FIRST_TABLE = re.compile(r"^\[", re.MULTILINE)


def definition_digest(text: str) -> str:
    """Digest that tells whether two definitions are the same text."""
    import hashlib

    return hashlib.sha256(normal_text(text).encode()).hexdigest()


def normal_text(text: str) -> str:
    """A definition as it is stored: line ends and the end of the file in one form."""
    return "\n".join(text.splitlines()).rstrip("\n") + "\n"


def with_id(text: str, data: Mapping[str, Any], name: str) -> str:
    """The text as a workbook keeps it, which has no name of a file: with the practical's id."""
    return text if "id" in data else f'id = "{name}"\n{text}'


def shipped_folder() -> Path:
    """Folder of the definitions that come with sheetlab."""
    packaged = Path(__file__).parent.parent / "workbook_templates"
    return packaged if packaged.is_dir() else Path(__file__).parents[2] / "workbook_templates"


class Definitions(Struct, frozen=True):
    """Definition files by id, from the shipped folder and further ones (a later folder wins)."""

    folders: tuple[Path, ...]
    own: tuple[tuple[str, str, Path], ...] = ()
    """Definitions that were named as files: id, text, folder."""

    def paths(self) -> dict[str, Path]:
        """Definition files by the id that their name gives, sorted."""
        files = (path for folder in self.folders for path in folder.glob(f"*{SUFFIX}"))
        return dict(sorted({path.stem: path for path in files}.items()))

    def text(self, practical: str) -> str:
        """Text of a definition.

        Raises
        ------
        SheetlabError
            If there is no such practical or its file cannot be read.
        """
        for name, text, _ in self.own:
            if name == practical:
                return text
        path = self.paths().get(practical)
        if path is None:
            ids = tuple(self.paths())
            raise SheetlabError(
                finding("no-such-practical", Severity.STOP, practical=practical, ids=ids)
            )
        try:
            return path.read_text(encoding="utf-8-sig")
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
        # texts or lists that this cuts through are no TOML any more
        head = FIRST_TABLE.split(text, 1)[0]
        data, problems = toml_table(head if len(text) <= MAX_TEXT else text, MAX_TEXT, "file")
        if data is None:
            data, problems = toml_table(text, MAX_TEXT, "file")
        if data is None:
            raise SheetlabError(refused(name, *problems[0]))
        wrong = [
            (key, f"{data[key]!r} is not a text", "") if key in data
            else (key, "is missing", "this key")
            for key in ("title", "version")
            if not isinstance(data.get(key, "" if key == "version" else None), str)
        ]  # fmt: skip
        if wrong:
            raise SheetlabError(*(refused(name, *problem) for problem in wrong))
        version = data.get("version") or definition_digest(with_id(text, data, practical))[:8]
        return data["title"], version


def all_folders(folders: Sequence[Path]) -> tuple[Path, ...]:
    """The folder of the shipped definitions before further ones.

    Raises
    ------
    SheetlabError
        If one of them is no folder.
    """
    missing = [
        finding("no-such-folder", Severity.STOP, folder=str(folder))
        for folder in folders
        if not isdir(folder)
    ]
    if missing:
        raise SheetlabError(*missing)
    return (shipped_folder(), *folders)


Places = Mapping[str, Place]
"""Cells of keys, where a definition is a workbook."""
Problem = tuple[str, str, str]
"""Key, reason, what is allowed."""


def toml_table(text: str, most: int, whole: str) -> tuple[dict[str, Any] | None, list[Problem]]:
    """The table of a TOML text of limited length, or what is wrong with the ``whole``."""
    if len(text) > most:
        return None, [(whole, "is too long", f"{most} characters")]
    try:
        data = tomllib.loads(text)
        problems = list(_odd_texts(data))
    except tomllib.TOMLDecodeError as error:
        return None, [(whole, f"is not TOML: {error}", "TOML 1.0")]
    except ValueError as error:
        # Python's own limit for the digits of a number, of which the library says nothing
        return None, [(whole, f"holds a number of far too many digits ({error})", "usual numbers")]
    except RecursionError:
        # a key of a thousand dots
        return None, [(whole, "has tables far too deep in each other", "the keys that there are")]
    return (None, problems) if problems else (data, [])


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


def lines_of(text: str) -> dict[str, int]:
    """Line of each key of a TOML text, counted from 1: ``inputs.swings.unit``."""
    lines: dict[str, int] = {}
    table = ""
    for number, line in enumerate(text.splitlines(), 1):
        if head := _TABLE.match(line):
            table = _dotted(head[1])
            lines.setdefault(table, number)
        elif key := _KEY.match(line):
            lines.setdefault(f"{table}.{_dotted(key[1])}".strip("."), number)
    return lines


_TABLE = re.compile(r"\s*\[{1,2}([^\[\]]{1,200})\]")
_KEY = re.compile(r"""\s*((?:[\w-]+|"[^"]{1,80}")(?:\.(?:[\w-]+|"[^"]{1,80}"))*)\s*=""")


def _dotted(key: str) -> str:
    return re.sub(r"\s*\.\s*", ".", key.strip()).replace('"', "")


def line_at(lines: Mapping[str, int], key: str) -> int:
    """Line of a key, or of the innermost table around it; 0 if there is none."""
    parts = key.partition("[")[0].split(".")
    ends = (".".join(parts[:end]) for end in range(len(parts), 0, -1))
    return next((lines[name] for name in ends if name in lines), 0)


def key_refused(
    message: str, file: str, key: str, reason: str, allowed: str = "", line: int = 0
) -> Finding:
    """That a key of a file in TOML cannot be used, as a message of the catalogue says it.

    ``allowed``: what may stand there. ``line``: where it stands, 0 if that is not known.
    """
    place = Place(file=file, line=line)
    return finding(message, Severity.STOP, place, key=key, reason=reason, allowed=allowed)


refused = partial(key_refused, "definition-refused")
