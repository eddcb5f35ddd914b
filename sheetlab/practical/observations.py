"""What was typed into a workbook, each entry with its place; missing stays missing."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING

from msgspec import Struct, field

from sheetlab.finding import NOWHERE, Finding, Place

if TYPE_CHECKING:
    from sheetlab.practical.fields import InputField
    from sheetlab.practical.model import Practical

Typed = Mapping[str, Sequence[float | str | None]]
"""What stands in the input cells: by key, one value or one a row."""


class Entry(Struct, frozen=True):
    """One input cell. ``value`` is in the unit of the cell; None if empty or unreadable."""

    value: float | None = None
    text: str = ""
    place: Place = NOWHERE


EMPTY = Entry()


class Observations(Struct, frozen=True):
    """Entries by input key: one for a single input, one a row for a column."""

    entries: Mapping[str, Sequence[Entry]] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    file: str = ""
    shown: Mapping[str, Sequence[Entry]] = field(default_factory=dict)
    """What the workbook's own formulas showed when it was saved, by key of what is worked out."""

    def without(self, keys: Collection[str]) -> Observations:
        """The observations as if nothing had been typed under some keys."""
        kept = {key: column for key, column in self.entries.items() if key not in keys}
        return Observations(kept, self.findings, self.file)

    def changed(self, changes: Mapping[tuple[str, int | None], float | None]) -> Observations:
        """The observations with other numbers, or none, in some cells (row None: one input)."""
        others: dict[str, list[Entry]] = {}
        for (key, row), value in changes.items():
            if key not in others:
                others[key] = list(self.entries.get(key, ()))
            column, place = others[key], row or 0
            column += [EMPTY] * (place + 1 - len(column))
            entry = column[place]
            column[place] = Entry(value, entry.text, entry.place)
        return Observations({**self.entries, **others}, self.findings, self.file)

    def entry(self, key: str, row: int | None = None) -> Entry:
        """An entry; an empty one where nothing was read."""
        column, index = self.entries.get(key, ()), row or 0
        return column[index] if index < len(column) else EMPTY


def as_cells_show(practical: Practical, typed: Typed) -> Observations:
    """Observations as the cells' own formulas see them: a text is no number."""
    return Observations(
        {
            key: tuple(_entry(practical.inputs[key], value) for value in values)
            for key, values in typed.items()
        }
    )


def _entry(cell: InputField, value: float | str | None) -> Entry:
    if isinstance(value, str):
        choices = dict(zip(cell.choices, cell.choice_values, strict=True))
        return Entry(choices.get(value), value)
    return Entry(None if value is None else float(value), "" if value is None else str(value))


# signs that look alike and mean the same: minus signs, and the two letters mu
_ALIKE = dict.fromkeys(map(ord, "−–‒﹣－"), "-") | {ord("µ"): "μ", ord("٫"): "."}
_RAISED = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻⁺", "0123456789-+")
_POWER_OF_TEN = re.compile(r"(?<=10)[⁻⁺]?[⁰¹²³⁴⁵⁶⁷⁸⁹]+")
_NUMBER = re.compile(
    r"(?P<sign>[+-]?) ?(?P<whole>[0-9]*)(?:[.,](?P<part>[0-9]*))?"
    r"(?:(?:[eE]| ?[×xX*] ?10 ?\^ ?)(?P<power>[+-]?[0-9]{1,3}))?"
)
_MAX_TEXT = 60


class TypedNumber(Struct, frozen=True):
    """A number understood from text. ``ambiguous``: its comma may separate thousands."""

    value: float
    ambiguous: bool = False


def typed_number(text: str, unit: str = "") -> TypedNumber | None:
    """The number that a person meant by a text, None if it is not certain to be one.

    Understood: decimal comma or point, decimal digits of any script, the real minus sign, spaces
    around, ``1.2×10^-3`` (also with raised digits), and the cell's own unit written behind the
    number. A text with both a comma and a point, with several commas, or with a space between
    digits is not understood: it may be two readings. The finding ``number-as-text`` says it.
    """
    if len(text) > _MAX_TEXT:
        return None
    flat = "".join(_plain(char) for char in text.translate(_ALIKE))
    flat = _POWER_OF_TEN.sub(lambda match: "^" + match[0].translate(_RAISED), flat)
    plain = _without_unit(flat, unit).strip()
    if any(unicodedata.category(char) == "No" for char in plain):
        # a raised digit or a fraction would turn into plain digits
        return None
    match = _NUMBER.fullmatch(plain)
    if match is None or not (match["whole"] or match["part"]):
        return None
    digits = f"{match['sign']}{match['whole'] or '0'}.{match['part'] or '0'}"
    value = float(f"{digits}e{match['power'] or '0'}")
    thousands = (
        "," in plain
        and match["power"] is None
        and len(match["part"] or "") == 3
        and 1 <= len(match["whole"]) <= 3
        and not match["whole"].startswith("0")
    )
    if value in (float("inf"), float("-inf")):
        return None
    return TypedNumber(value, thousands)


def _plain(char: str) -> str:
    """Digits of any script, full-width signs and spaces as the plain ones; other letters stay."""
    if unicodedata.category(char) == "Nd":
        return str(unicodedata.decimal(char))
    if ord(char) not in _RAISED and unicodedata.category(char) in ("Zs", "Po", "Sm"):
        return unicodedata.normalize("NFKC", char).translate(_ALIKE)
    return char


def _without_unit(text: str, unit: str) -> str:
    """The text before a unit at its end, however the unit is spelt in Unicode."""

    def spelt(part: str) -> str:
        return "".join(unicodedata.normalize("NFKC", part.translate(_ALIKE)).split())

    wanted = spelt(unit)
    if wanted:
        for cut in range(len(text) - 1, 0, -1):
            if spelt(text[cut:]) == wanted:
                return text[:cut]
    return text
