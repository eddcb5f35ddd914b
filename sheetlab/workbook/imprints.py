"""What was written into a sheet, in four bytes a value: tells later what somebody else added."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator

A_CELL = 3000
"""Imprints in the text of one cell, eight letters each."""
_NEAR = (0.0, -1e-12, 1e-12)
"""Programs store a number with 15 digits or more."""


class Imprints:
    """A set of values, each with its column; ``anywhere``: whatever the column."""

    def __init__(self, texts: Iterable[str] = (), anywhere: bool = False) -> None:
        self.anywhere = anywhere
        self._found = {int(t[i : i + 8], 16) for t in texts for i in range(0, len(t) // 8 * 8, 8)}

    def add(self, column: int, value: float | str) -> None:
        """Remember a value."""
        text = f"{value:.9g}" if isinstance(value, float | int) else value
        self._found.add(self._imprint(column, text))

    def has(self, column: int, value: float | str) -> bool:
        """Whether a value was written, but for one of four thousand million by chance."""
        shown = [value] if isinstance(value, str) else [f"{value * (1 + e):.9g}" for e in _NEAR]
        return any(self._imprint(column, text) in self._found for text in shown)

    def texts(self) -> Iterator[str]:
        """All of them as texts of cells."""
        ordered = sorted(self._found)
        for i in range(0, len(ordered), A_CELL):
            yield "".join(f"{one:08x}" for one in ordered[i : i + A_CELL])

    def _imprint(self, column: int, text: str) -> int:
        where = "" if self.anywhere else str(column)
        words = " ".join(text.split())
        return zlib.crc32(f"{where}\x1f{words}".encode("utf-8", "replace"))
