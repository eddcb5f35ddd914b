"""The catalogue of messages: every sentence that is said of a file, a reading or a command.

The files beside this one are written in the syntax of Project Fluent
(https://projectfluent.org/fluent/guide/); a translation is a copy of them. A message has up to
three attributes, ``found``, ``expected`` and ``remedy``; a phrase, part of a sentence, has a value.
``sheetlab.finding.finding`` makes findings of messages, ``phrase`` phrases.

Values are texts (shown as they are, without what is not printable), whole numbers (for plural
forms), texts with decimal points of ours (``Decimals``: what ``metrology.statement`` writes),
phrases, and tuples of such values (a list with commas; after twelve the rest is counted).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from msgspec import Struct

from sheetlab.metrology.statement import Decimals, with_mark

MOST_NAMED = 12
"""Names of a list before the rest is counted."""
JOINERS = "\u200c\u200d"
"""Zero-width characters that writing and emoji need and that reorder nothing."""
Values = tuple[tuple[str, Any], ...]
"""Names and values, in the order of the names, so that they can be compared and counted."""


class Phrase(Struct, frozen=True):
    """A part of a sentence: a value of the catalogue with its own values."""

    message: str
    values: Values = ()


class Sentences(Struct, frozen=True):
    """Phrases or texts that follow each other."""

    parts: tuple[Any, ...]


def phrase(message: str, /, **values: Any) -> Phrase:
    """A part of a sentence from the catalogue."""
    return Phrase(message, tuple(sorted(values.items())))


@cache
def catalogue() -> Mapping[str, str]:
    """The source of each message by its name.

    Raises
    ------
    ValueError
        If two messages have one name.
    """
    sources: dict[str, str] = {}
    for path in sorted(Path(__file__).parent.glob("*.ftl")):
        for block in re.split(r"(?m)^(?=[a-z])", path.read_text(encoding="utf-8")):
            name = block.partition(" =")[0]
            if name in sources:
                raise ValueError(f"two messages are called {name}")
            if re.match("[a-z]", block):
                sources[name] = re.sub(r"(?m)^#.*\n?", "", block)
    return sources


@lru_cache(maxsize=4096)
def words(message: str, values: Values = (), mark: str = ".") -> Mapping[str, str]:
    """What a message says: its attributes by name, its value under the empty name.

    Parameters
    ----------
    mark
        The decimal mark; it stands in the catalogue's own numbers and in ``Decimals``.

    Raises
    ------
    KeyError
        If there is no such message.
    ValueError
        If a value that it needs is not given.
    """
    bundle = _bundle(mark)
    if not bundle.has_message(message):
        from fluent.runtime import FluentResource

        bundle.add_resource(FluentResource(with_mark(catalogue()[message], mark)))
    made = bundle.get_message(message)
    given = {name: _shown(value, mark) for name, value in values}
    out = {}
    for name, pattern in (("", made.value), *made.attributes.items()):
        if pattern is not None:
            text, errors = bundle.format_pattern(pattern, given)
            if errors:
                raise ValueError(f"{message} {name}: {errors[0]}")
            out[name] = str(text).replace("\n", " ").strip()
    return out


def said(value: Phrase | Sentences | tuple[Any, ...], mark: str = ".") -> str:
    """A phrase, sentences, or a list, as text."""
    return str(_shown(value, mark))


@cache
def _bundle(mark: str) -> Any:
    # brings Babel along, a tenth of a second: only where something is said
    from fluent.runtime import FluentBundle

    del mark
    return FluentBundle(["en"], use_isolating=False)


def _shown(value: Any, mark: str) -> Any:
    if isinstance(value, Phrase):
        return words(value.message, value.values, mark)[""]
    if isinstance(value, Sentences):
        return " ".join(_shown(part, mark) for part in value.parts)
    if isinstance(value, tuple):
        shown = [str(_shown(part, mark)) for part in value]
        more = len(shown) - MOST_NAMED
        names = ", ".join(shown[:MOST_NAMED])
        return words("and-more", (("count", more), ("names", names)))[""] if more > 0 else names
    if isinstance(value, int):
        from fluent.runtime.types import fluent_number

        return fluent_number(value, useGrouping=False)
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is to be written by metrology/statement first")
    return with_mark(value, mark) if isinstance(value, Decimals) else harmless(value)


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
