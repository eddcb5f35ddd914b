"""What went wrong, as data that a teacher can read: where, what, what was expected, what to do.

``finding("reading-missing_row", Severity.STOP, place, owner=…)`` makes one; its words stand in
``sheetlab/messages``. What stands before ``_`` is the code, by which findings are counted.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from msgspec import Struct
from msgspec.structs import force_setattr, replace

from sheetlab.messages import Phrase, Sentences, Values, harmless, said, words
from sheetlab.metrology.statement import Decimals

if TYPE_CHECKING:
    from pathlib import Path


class Severity(StrEnum):
    """How much a finding matters to the result of a workbook."""

    NOTE = "note"
    """Worth knowing; the result stands."""
    DOUBTFUL = "doubtful"
    """A person has to look before the result is trusted."""
    STOP = "stop"
    """Something needed is missing or unreadable."""


_RANK = {Severity.STOP: 0, Severity.DOUBTFUL: 1, Severity.NOTE: 2}


class Place(Struct, frozen=True):
    """Where a finding points. Parts that do not apply are empty."""

    file: str = ""
    sheet: str = ""
    cell: str = ""
    line: int = 0
    """Of a text file, counted from 1."""

    def __str__(self) -> str:
        cell = f"cell {self.cell}" if self.cell else f"line {self.line}" if self.line else ""
        spot = ", ".join(part for part in (self.sheet, cell) if part)
        return ": ".join(part for part in (self.file, spot) if part)


NOWHERE = Place()


class Finding(Struct, frozen=True):
    """One problem: what kind, where, and the values of its message.

    ``found``, ``expected`` and ``remedy`` are its words, with the decimal mark ``mark``.
    """

    code: str
    """Its kind, by which findings are counted and listed."""
    severity: Severity
    message_id: str
    """What is said, by its name in the catalogue."""
    values: Values = ()
    place: Place = NOWHERE
    also: tuple[Phrase | Sentences, ...] = ()
    """What is said after the remedy."""
    cells: tuple[str, ...] = ()
    """More cells of which the same is true."""
    files: tuple[str, ...] = ()
    """More files of which the same is true."""
    mark: str = "."

    def __post_init__(self) -> None:
        """What a finding quotes is untrusted, wherever it comes from."""
        place = self.place
        if not (place.file.isprintable() and place.sheet.isprintable()):
            made = Place(harmless(place.file), harmless(place.sheet), place.cell)
            force_setattr(self, "place", made)

    def _said(self, part: str) -> str:
        return words(self.message_id, self.values, self.mark).get(part, "")

    @property
    def found(self) -> str:
        """What was found."""
        text = self._said("found")
        for message, names in (
            ("likewise-cells", self.cells),
            ("likewise-files", self.files),
        ):
            if names:
                values = (("count", len(names)), ("names", names), ("text", text.rstrip(".")))
                text = words(message, values)[""]
        return text

    @property
    def expected(self) -> str:
        """What was expected; may be empty."""
        return self._said("expected")

    @property
    def remedy(self) -> str:
        """What to do; may be empty."""
        more = (said(part, self.mark) for part in self.also)
        return " ".join(filter(None, (self._said("remedy"), *more)))

    @property
    def message(self) -> str:
        """The finding as sentences for a teacher, without its place."""
        text = _sentence(self.found)
        if self.expected:
            text += " " + _sentence("Expected: " + self.expected)
        if self.remedy:
            text += " " + _sentence(self.remedy)
        return text

    def __str__(self) -> str:
        """Its place, and the finding as sentences."""
        place = str(self.place)
        # many findings begin with the file that they speak of
        return (
            f"{place}: {self.message}"
            if place and not self.found.startswith(place)
            else (self.message)
        )

    def at(self, place: Place) -> Finding:
        """The same finding at another place."""
        return replace(self, place=place)


def finding(
    message: str,
    severity: Severity,
    place: Place = NOWHERE,
    /,
    *also: Phrase | Sentences,
    **values: Any,
) -> Finding:
    """A finding whose words stand in the catalogue.

    Parameters
    ----------
    message
        Its name there; what stands before ``_`` is the code.
    also
        What is said after the remedy.
    values
        What the message asks for; their types are told in ``sheetlab.messages``.
    """
    ordered = tuple(sorted(values.items()))
    return Finding(message.partition("_")[0], severity, message, ordered, place, also)


def asked(
    code: str, severity: Severity, found: str, expected: str = "", remedy: str = "",
    place: Place = NOWHERE,
) -> Finding:  # fmt: skip
    """A finding in the words of a definition, whose decimal points are decimal points."""
    texts = {"expected": expected, "found": found, "remedy": remedy}
    values = tuple((name, Decimals(harmless(text))) for name, text in texts.items())
    return Finding(code, severity, "asked", values, place)


def reason_of(error: Exception) -> str:
    """Why the system, or a library, refused something."""
    return getattr(error, "strerror", None) or str(error) or type(error).__name__


def file_exists(path: Path) -> Finding:
    """That a file to be written is there already."""
    return finding("file-exists", Severity.STOP, Place(path.name), name=path.name)


def not_written(path: Path, error: Exception) -> Finding:
    """That a file cannot be written, and why."""
    return finding(
        "not-written", Severity.STOP, Place(path.name), name=path.name, reason=reason_of(error)
    )


def wrong_ending(name: str, ending: str) -> Finding:
    """That a file to be written has a name with another ending, or none."""
    example = f"{name.partition('.')[0] or 'file'}{ending}"
    return finding("wrong-ending", Severity.STOP, name=name, ending=ending, example=example)


class SheetlabError(Exception):
    """Work that cannot go on; carries the findings that say why."""

    def __init__(self, *findings: Finding) -> None:
        super().__init__("\n".join(map(str, findings)))
        self.findings = findings


MANY = 3


def merged(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings of one kind in one column as one, with the list of their cells.

    One slip repeated down a column is one thing to look at, not ten.
    """
    groups: dict[tuple[str, ...], list[Finding]] = {}
    for one in findings:
        place = one.place
        column = place.cell.rstrip("0123456789")
        kind = (one.code, one.severity, one.expected, place.sheet, column)
        groups.setdefault(kind if column else (*kind, one.found), []).append(one)
    out = []
    for group in groups.values():
        out += group if len(group) < MANY else [as_one(group)]
    return tuple(out)


def many(count: object, what: str) -> str:
    """``1 row``, ``2 rows``."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def together(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings that differ in the file only as one, which lists the files."""
    groups: dict[Finding, list[str]] = {}
    for finding in findings:
        groups.setdefault(finding.at(replace(finding.place, file="")), []).append(
            finding.place.file
        )
    out = []
    for bare, names in groups.items():
        first = bare.at(replace(bare.place, file=names[0]))
        out.append(replace(first, files=tuple(dict.fromkeys(names))[1:]))
    return tuple(out)


def as_one(group: Sequence[Finding]) -> Finding:
    """Findings of one kind as the first of them, with the cells of the others."""
    return replace(group[0], cells=tuple(dict.fromkeys(f.place.cell for f in group[1:])))


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings without repeats, the gravest first, otherwise in the order they were made."""
    return tuple(sorted(dict.fromkeys(findings), key=lambda f: _RANK[f.severity]))


def _sentence(text: str) -> str:
    text = text.strip()
    return text if text.rstrip(")").endswith((".", "?", "!")) else text + "."
