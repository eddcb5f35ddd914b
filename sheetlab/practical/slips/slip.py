"""What a slip is, by where it happens: in cells, at the bench, in own results."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from msgspec import Struct, field

from sheetlab.messages import Phrase
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.forward import Draws, Shown
from sheetlab.practical.model import Practical

if TYPE_CHECKING:
    from numpy.random import Generator

Cell = tuple[str, int | None]
"""Key of an input and row, None for a single input."""
Changes = Mapping[Cell, float]
"""Other contents of input cells, in the cell's unit."""
Values = Mapping[str, float | str | Phrase]
Places = Callable[[Practical], Sequence[str]]
"""Where a slip can be planted: readings, lines, instruments, inputs or answers."""


class Trial(Struct, frozen=True):
    """One way in which a slip changes cells."""

    changes: Changes
    size: float = 1.0
    row: int | None = None
    """Row where it is or where it begins, 0 for the first; None for all of them."""
    values: Values = field(default_factory=dict)
    """For the words of the slip; numbers in the unit of their cell."""


Trials = Callable[[Numbers, str, int | None], Iterator[Trial]]
"""Numbers, a place and its row (None where it has none) -> ways in which a slip changes cells."""


class Slip(Struct, frozen=True):
    """A row of the catalogue."""

    id: str
    what: str = ""
    """What goes wrong, in a sentence; empty for a slip that is never planted."""
    places: Places = lambda practical: ()
    """Where it can be planted."""


class CellSlip(Slip, frozen=True):
    """A slip of reading or typing. What was done wrong, done again, is put right."""

    trials: Trials = lambda numbers, place, row: iter(())
    tried: str = ""
    """Kind of place where it is tried: a part of a reading (main, coincidence), a number, an
    abscissa, a row, a line, a scale, its zero, a count, a unit; empty for one only planted."""
    sizes: tuple[float, ...] = ()
    """Sizes that are planted; any if empty."""
    said: str = ""
    """What it would mean, to follow “it would fit if …”: a phrase of ``sheetlab.messages`` that the
    values of a trial go into."""
    rank: int = 9
    """How common it is among slips that explain the same equally well, 0 first (experience of the
    trade, no source)."""
    message: str = ""
    """What is asked where a line is one only without the slip: a name in ``sheetlab.messages``."""


class Plan(Struct, frozen=True):
    """What is known when a slip is planted: the clean bench, one place, how large."""

    practical: Practical
    draws: Draws
    shown: Shown
    numbers: Numbers
    place: str
    rng: Generator
    size: float | None
    row: int | None

    def some_row(self, rows: Sequence[int]) -> int | None:
        """The row asked for, or one of some rows; None if there is none."""
        if self.row is not None:
            return self.row if self.row in rows else None
        return int(self.rng.choice(list(rows))) if rows else None


class Shift(Struct, frozen=True):
    """Scales that stand elsewhere, by key and row in SI units, from a row on."""

    by: Mapping[tuple[str, int], float]
    row: int | None = None
    hidden: Mapping[str, Sequence[float]] = field(default_factory=dict)
    """True values above the typed ones, by column, SI units."""
    where: str = ""
    """Column, if not the first of the line."""


class BenchSlip(Slip, frozen=True):
    """Something that happens to the apparatus while a line is read."""

    shift: Callable[[Plan, float], Shift | None] = lambda plan, size: None
    """Plan and size in steps of the line -> where the scales stand then."""
    usual: tuple[float, float] = (1.0, 1.0)
    """Ends between which sizes are drawn."""
    either_way: bool = False


class OwnSlip(Slip, frozen=True):
    """A slip in a group's own results: a kind of the candidates that ``sums`` makes of formulas."""

    frequency: int = 0
    """How common it is, 9 for the commonest: experience of the trade, no source."""
    legitimate: bool = False
    """Not a mistake but another way."""
    pairs: bool = False
    """Common enough to be looked for together with another slip."""
    kinds: tuple[str, ...] = ()
    """Further kinds of candidates that are planted under this name."""
    sizes: tuple[float, ...] = ()
    """Factors that are planted; any if empty."""
