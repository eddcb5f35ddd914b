"""A problem as data; the bottom of the house. Sentences are made here and nowhere else."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum

from msgspec import Struct
from msgspec.structs import force_setattr, replace


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

    def __str__(self) -> str:
        cell = f"cell {self.cell}" if self.cell else ""
        spot = ", ".join(part for part in (self.sheet, cell) if part)
        return ": ".join(part for part in (self.file, spot) if part)


NOWHERE = Place()


class Finding(Struct, frozen=True):
    """One problem: what kind, where, what was found, what was expected, what to do."""

    code: str
    severity: Severity
    found: str
    expected: str = ""
    remedy: str = ""
    place: Place = NOWHERE

    def __post_init__(self) -> None:
        """What a finding quotes is untrusted, wherever it comes from."""
        for name in ("found", "expected", "remedy"):
            text: str = getattr(self, name)
            if not text.isprintable():
                force_setattr(self, name, harmless(text))
        place = self.place
        if not (place.file.isprintable() and place.sheet.isprintable()):
            made = Place(harmless(place.file), harmless(place.sheet), place.cell)
            force_setattr(self, "place", made)

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


def wrong_ending(name: str, ending: str) -> Finding:
    """That a file to be written has a name with another ending, or none."""
    return Finding(
        "wrong-ending",
        Severity.STOP,
        f"the name “{name}” does not end in {ending}",
        f"a name such as {name.partition('.')[0] or 'file'}{ending}",
        "Give that name; nothing was written.",
    )


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
    for finding in findings:
        place = finding.place
        column = place.cell.rstrip("0123456789")
        kind = (finding.code, finding.severity, finding.expected, place.sheet, column)
        groups.setdefault(kind if column else (*kind, finding.found), []).append(finding)
    out = []
    for group in groups.values():
        out += group if len(group) < MANY else [as_one(group)]
    return tuple(out)


def many(count: object, what: str) -> str:
    """``1 row``, ``2 rows``."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


MOST_NAMED = 12


def listed(names: Sequence[str]) -> str:
    """Names in a sentence; of very many the first ones and how many more there are."""
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def together(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings that differ in the file only as one, which lists the files."""
    groups: dict[Finding, list[str]] = {}
    for finding in findings:
        groups.setdefault(finding.at(replace(finding.place, file="")), []).append(
            finding.place.file
        )
    out = []
    for finding, files in groups.items():
        first = finding.at(replace(finding.place, file=files[0]))
        names = list(dict.fromkeys(files))
        if len(names) > 1:
            first = replace(
                finding,
                found=f"{finding.found.rstrip('.')}; likewise {len(names) - 1} more: "
                f"{listed(names[1:])}",
                place=first.place,
            )
        out.append(first)
    return tuple(out)


def as_one(group: Sequence[Finding]) -> Finding:
    """Findings of one kind as the first of them, with the cells of the others."""
    first, count = group[0], len(group) - 1
    if not count:
        return first
    others = ", ".join(dict.fromkeys(f.place.cell for f in group[1:]))
    cells = many(count, "more cell")
    found = f"{first.found.rstrip('.')}; and likewise in {cells} ({others})"
    return replace(first, found=found)


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings without repeats, the gravest first, otherwise in the order they were made."""
    return tuple(sorted(dict.fromkeys(findings), key=lambda f: _RANK[f.severity]))


JOINERS = "\u200c\u200d"
"""Zero-width characters that writing and emoji need and that reorder nothing."""


def harmless(text: str) -> str:
    """Text that does nothing but stand there, whatever a workbook or a file name holds.

    One line without control codes, without marks that turn the direction of writing round, and
    without what no file can hold (halves of characters); spaces of every kind are plain ones.
    """
    return text if text.isprintable() else "".join(map(_harmless, text))


def _harmless(char: str) -> str:
    if char.isprintable() or char in JOINERS:
        return char
    return " " if char.isspace() else "�"


def _sentence(text: str) -> str:
    text = text.strip()
    return text if text.rstrip(")").endswith((".", "?", "!")) else text + "."
