"""CSV files as spreadsheet programs save them: any separator and encoding, nothing trusted."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from sheetlab.finding import Finding, Place, Severity, SheetlabError

MAX_FILE = 2_000_000
MAX_ROWS = 20_000
MAX_VALUE = 200
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""The wide ones are taken for signs by programs of some languages."""
GUARD = "'"
"""Stands before a value that a spreadsheet program would take for a formula."""


def read_csv(
    path: Path,
    code: str,
    what: str,
    needed: Sequence[str],
    optional: Sequence[str] = (),
    unused: list[str] | None = None,
) -> list[tuple[int, dict[str, str]]]:
    """Rows with their line number; every column asked for is there, empty where the file has none.

    Comma, semicolon or tab may separate the columns; UTF-8, UTF-16 or the Windows code page.
    Capitals, spaces, hyphens and underscores in headings do not matter.

    Parameters
    ----------
    unused
        Takes the headings that are none of the columns asked for.

    Raises
    ------
    SheetlabError
        With a finding of this code if the file cannot be read or lacks a needed column.
    """

    def fail(found: str, expected: str) -> SheetlabError:
        return SheetlabError(refused(code, what, path, found, expected))

    text = _text(path, fail)
    first = text.splitlines()[0] if text.strip() else ""
    separator = max(",;\t", key=first.count)
    try:
        lines = list(csv.reader(io.StringIO(text), delimiter=separator))
    except csv.Error as error:
        raise fail(f"cannot be read as a table: {error}", "a CSV file") from error
    given = lines[0] if lines else []
    head = ["".join(c for c in name.casefold() if c not in " -_\t\xa0") for name in given]
    for name in needed:
        if name not in head:
            every = ", ".join((*needed, *optional))
            raise fail(f"has no column “{name}” in its first row", every)
    if unused is not None:
        known = (*needed, *optional)
        pairs = zip(given, head, strict=True)
        unused += [name.strip()[:MAX_VALUE] for name, key in pairs if key and key not in known]
    if len(lines) > MAX_ROWS:
        raise fail(f"has {len(lines)} rows", f"up to {MAX_ROWS}")
    rows = []
    for number, line in enumerate(lines[1:], 2):
        values = dict.fromkeys((*needed, *optional), "")
        values |= {
            name: unguarded(value.strip())
            for name, value in zip(head, line, strict=False)
            if name in values
        }
        long = next((name for name, value in values.items() if len(value) > MAX_VALUE), None)
        if long is not None:
            raise fail(f"has a {long} of more than {MAX_VALUE} letters in row {number}", "a name")
        if any(values.values()):
            rows.append((number, values))
    return rows


def _text(path: Path, fail: Callable[[str, str], SheetlabError]) -> str:
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_FILE + 1)
    except OSError as error:
        raise fail(f"cannot be read: {error.strerror or error}", "a CSV file") from error
    except ValueError as error:
        raise fail("cannot be read: its name is no file name", "a CSV file") from error
    if len(data) > MAX_FILE:
        raise fail("is far too large", "a CSV file with a row a group")
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        text = data.decode("utf-16", errors="replace")
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("cp1252", errors="replace")
    if data.startswith(b"PK\x03\x04") or "\0" in text:
        raise fail("is no text file", "a CSV file (save the sheet as CSV in the program)")
    return text


def write_csv(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table as CSV text in which no value is a formula."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([guarded(str(value)) for value in row] for row in rows)
    return stream.getvalue()


def guarded(value: str) -> str:
    """A value that no spreadsheet program takes for a formula; ``unguarded`` is the way back."""
    return GUARD + value if value.lstrip(GUARD).startswith(FORMULA_SIGNS) else value


def unguarded(value: str) -> str:
    """The value that ``guarded`` was given."""
    if value.startswith(GUARD) and value.lstrip(GUARD).startswith(FORMULA_SIGNS):
        return value[1:]
    return value


def refused(code: str, what: str, path: Path, found: str, expected: str) -> Finding:
    """The finding for a table that cannot be used."""
    return Finding(
        code,
        Severity.STOP,
        f"{what} {found}",
        expected,
        f"Correct {what} and try again; nothing was issued.",
        Place(path.name),
    )
