"""Marking schemes: the shipped ones by name, and those of a department from files."""

from __future__ import annotations

from pathlib import Path

from sheetlab.checks.marks import Scheme, load_scheme, scheme_refused
from sheetlab.finding import Severity, SheetlabError, finding

FOLDER = Path(__file__).parent
SUFFIX = ".toml"
USUAL = "bench-and-sums"


def shipped() -> tuple[str, ...]:
    """Names of the schemes that come with sheetlab."""
    return tuple(sorted(path.stem for path in FOLDER.glob(f"*{SUFFIX}")))


def find_scheme(name: str) -> Scheme:
    """A scheme by the name of a shipped one, or from a file.

    Raises
    ------
    SheetlabError
        If there is neither, or the file is refused.
    """
    path = FOLDER / f"{name}{SUFFIX}" if name in shipped() else Path(name)
    if path.suffix != SUFFIX:
        schemes = ", ".join(shipped())
        raise SheetlabError(
            finding("no-such-scheme", Severity.STOP, name=name, schemes=schemes, ending=SUFFIX)
        )
    try:
        return load_scheme(path.read_text(encoding="utf-8"), path.name)
    except (OSError, UnicodeDecodeError) as error:
        problem = ("file", f"cannot be read: {error}", "a UTF-8 text file")
        raise SheetlabError(scheme_refused(path.name, *problem)) from error
