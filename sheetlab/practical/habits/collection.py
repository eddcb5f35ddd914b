"""What a habit is, what it sees, what it plans; and how habits of one kind are collected."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from msgspec import Struct, field

from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.forward import Cells, Draws, Shown
from sheetlab.practical.model import Practical

if TYPE_CHECKING:
    from numpy.random import Generator


class Change(Struct, frozen=True):
    """A habit at one place of one bench, ready to be applied. What it leaves alone is None."""

    where: str
    """Column, input or answer."""
    row: int | None
    """Row, 0 for the first; None for all of them."""
    size: float
    hidden: Mapping[str, Sequence[float]] | None = None
    """True values above the typed ones, by column, SI units."""
    scales: Callable[[Shown], None] | None = None
    """What it does to where the scales stand."""
    cells: Callable[[Cells], None] | None = None
    """What it does to what is typed."""
    answer: Callable[[Numbers], float | None] | None = None
    """The answer ``where`` that comes of it, in the answer's unit."""


class Plan(Struct, frozen=True):
    """What a habit sees when it is to happen: the clean bench, one place, how large."""

    practical: Practical
    draws: Draws
    shown: Shown
    cells: Cells
    numbers: Numbers
    place: str
    rng: Generator
    size: float | None
    row: int | None

    def sized(self, low: float, high: float) -> float:
        """The size asked for, or one between two ends."""
        return float(self.rng.uniform(low, high)) if self.size is None else self.size

    def signed(self, size: float) -> float:
        """A size with a sign by chance; a size that was asked for keeps its own."""
        if self.size is not None:
            return self.size
        return size if self.rng.random() < 0.5 else -size

    def some_row(self, rows: Sequence[int]) -> int | None:
        """The row asked for, or one of some rows; None if there is none."""
        if self.row is not None:
            return self.row if self.row in rows else None
        return int(self.rng.choice(list(rows))) if rows else None


Rule = Callable[[Plan], Change | None]
Places = Callable[[Practical], Sequence[str]]


class Habit(Struct, frozen=True):
    """A wrong habit."""

    id: str
    places: Places
    rule: Rule

    @property
    def what(self) -> str:
        """What goes wrong, in a sentence."""
        return " ".join((self.rule.__doc__ or "").split("\n\n", maxsplit=1)[0].split())

    @property
    def own_sums(self) -> bool:
        """Whether it is in the group's own results and not in the readings."""
        return self.id.startswith("answer-")


class Collection(Struct, frozen=True):
    """Habits of one kind, in the order in which they are added."""

    rows: list[Habit] = field(default_factory=list)

    def add(self, id_: str, places: Places) -> Callable[[Rule], Rule]:
        """Decorator of a function that plans a change."""

        def added(rule: Rule) -> Rule:
            self.rows.append(Habit(id_, places, rule))
            return rule

        return added


def numbers_of(cells: Cells, key: str) -> list[float]:
    """The numbers that are typed under a key."""
    return [float(value) for value in cells[key] if isinstance(value, int | float)]
