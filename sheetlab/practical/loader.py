"""Definition files: text -> frozen definition -> practical, or findings; and the catalogue."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache, lru_cache, partial
from pathlib import Path
from typing import TypeVar

from msgspec.structs import replace

from sheetlab.finding import Severity, SheetlabError, finding
from sheetlab.practical.compiling.bench import compile_forward
from sheetlab.practical.compiling.limits import MAX_RUNS
from sheetlab.practical.compiling.whole import compile_practical
from sheetlab.practical.completing import completed
from sheetlab.practical.decimals import with_decimals
from sheetlab.practical.definition import Definition, DefinitionError, RefusedDefinitionError
from sheetlab.practical.files import (
    MAX_TEXT,
    SUFFIX,
    Definitions,
    Problem,
    all_folders,
    definition_digest,
    key_refused,
    line_at,
    lines_of,
    refused,
    toml_table,
    with_id,
)
from sheetlab.practical.model import Practical
from sheetlab.practical.profile import BUILT_IN, Profile, profile_problems
from sheetlab.practical.structure import structured

MAX_LINE = 2000
MAX_PROFILE = 8000
T = TypeVar("T")


@cache
def shipped_digest(practical: str) -> str:
    """Digest of the definition of that id that comes with sheetlab; empty if there is none."""
    shipped = catalogue()
    return definition_digest(shipped.text(practical)) if practical in shipped.paths() else ""


class Catalogue(Definitions, frozen=True):
    """Practicals by id, from the shipped folder and further ones (a later folder wins)."""

    def load(self, practical: str, runs: int = 1) -> Practical:
        """A practical of the catalogue; raises SheetlabError with the findings if refused."""
        return load(self.text(practical), runs, f"{practical}{SUFFIX}")

    def sketch(self, practical: Practical) -> Path | None:
        """Picture file of the apparatus, if the definition has one and it is there."""
        name = practical.definition.sketch
        if not name or Path(name).name != name:
            return None
        beside = [folder for id_, _, folder in self.own if id_ == practical.definition.id]
        folders = (*beside, *reversed(self.folders))
        return next((f / name for f in folders if (f / name).is_file()), None)


def catalogue(*folders: Path) -> Catalogue:
    """The shipped practicals together with those of further folders.

    Raises
    ------
    SheetlabError
        If one of them is no folder.
    """
    return Catalogue(all_folders(folders))


@lru_cache(maxsize=64)
def load(
    text: str, runs: int = 1, name: str = "definition", rows: tuple[tuple[str, int], ...] = ()
) -> Practical:
    """A practical from the text of its definition.

    Parameters
    ----------
    runs
        How often a column marked ``per_run`` is repeated.
    name
        What to call the definition in messages.
    rows
        Tables that have another number of rows than the definition says.

    Raises
    ------
    SheetlabError
        With a finding for every key that is wrong: the key, the reason, what is allowed.
    """
    if not 1 <= runs <= MAX_RUNS:
        raise SheetlabError(refused(name, "runs", f"{runs} runs", f"1 to {MAX_RUNS}"))
    if any(len(line) > MAX_LINE for line in text[:MAX_TEXT].splitlines()):
        raise SheetlabError(
            refused(name, "file", "has a line that is too long", f"{MAX_LINE} characters a line")
        )
    data, problems = toml_table(text, MAX_TEXT, "file")
    stated, problems = (None, problems) if data is None else structured(data, Definition)
    if stated is None or data is None:
        raise _refusal(name, text, problems)
    own = name.removesuffix(SUFFIX)
    kept = with_id(text, data, own)
    digest = definition_digest(kept)
    definition = completed(stated, data, own, digest)
    compiled = partial(
        compile_practical, source_text=kept, digest=digest, runs=runs, rows=dict(rows)
    )
    try:
        made = _with_forward(compiled(definition))
        settled = with_decimals(made)
        return made if settled is definition else _with_forward(compiled(settled))
    except RefusedDefinitionError as errors:
        found = [(error.key, error.reason, error.allowed) for error in errors.problems]
    except DefinitionError as error:
        found = [(error.key, error.reason, error.allowed)]
    except RecursionError:
        found = [("quantities", "form too long a chain", "")]
    raise _refusal(name, text, found)


def _with_forward(made: Practical) -> Practical:
    return replace(made, forward=compile_forward(made))


def _refusal(name: str, text: str, problems: Iterable[Problem]) -> SheetlabError:
    lines = lines_of(text) if name.endswith(SUFFIX) else {}
    return SheetlabError(*(refused(name, *row, line=line_at(lines, row[0])) for row in problems))


@lru_cache(maxsize=64)
def load_profile(text: str, name: str = "profile") -> Profile:
    """A profile from the text of its file.

    Raises
    ------
    SheetlabError
        With a finding for every key that is wrong.
    """
    profile, problems = read_toml(text, Profile, MAX_PROFILE, "file")
    if profile is not None:
        problems = profile_problems(profile)
    if profile is None or problems:
        raise SheetlabError(*(_profile_refused(name, *row) for row in problems))
    return profile


def read_toml(
    text: str, kind: type[T], most: int, whole: str = "text"
) -> tuple[T | None, list[Problem]]:
    """An object of a frozen type from TOML text, or each fault; ``whole`` is called at fault."""
    data, problems = toml_table(text, most, whole)
    return (None, problems) if data is None else structured(data, kind)


def find_profile(name: str) -> Profile:
    """A profile by the name of a built-in one, or from a file.

    Raises
    ------
    SheetlabError
        If there is neither, or the file is refused.
    """
    if name in BUILT_IN:
        return BUILT_IN[name]
    path = Path(name)
    if path.suffix != SUFFIX:
        raise SheetlabError(
            finding(
                "no-such-profile",
                Severity.STOP,
                profile=name,
                built_in=tuple(BUILT_IN),
                ending=SUFFIX,
            )
        )
    try:
        return load_profile(path.read_text(encoding="utf-8-sig"), path.name)
    except (OSError, UnicodeDecodeError) as error:
        problem = ("file", f"cannot be read: {error}", "a UTF-8 text file")
        raise SheetlabError(_profile_refused(path.name, *problem)) from error


_profile_refused = partial(key_refused, "profile-refused")
