"""Virtual benches: readings that a group might type, clean or with wrong habits planted. Pure."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from msgspec import Struct

from sheetlab.finding import Finding, Severity, SheetlabError, finding
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.forward import BenchError, Cells, Draws, Shown, draw, show, type_up
from sheetlab.practical.habits.collection import Change, Habit, Plan
from sheetlab.practical.habits.table import HABITS
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show

if TYPE_CHECKING:
    from numpy.random import Generator

ANSWER_DIGITS = 4
"""Significant digits of the group's own results."""


class Planting(Struct, frozen=True):
    """A habit that is wanted. Size, place and row are drawn where they are not given."""

    habit: str
    size: float | None = None
    place: str = ""
    """One of ``places_of`` the habit."""
    row: int | None = None


class Planted(Struct, frozen=True):
    """A habit that was planted."""

    habit: str
    what: str
    """What goes wrong, in a sentence."""
    where: str
    """Column, input or answer."""
    row: int | None
    """Row where it is or where it begins, 0 for the first; None for the whole of ``where``."""
    size: float
    effect: float
    """First result with the habit over first result without it, on the same noise and with the
    other habits; for a habit of the own sums, that of the answer. 0 if it could not be formed."""
    changed: tuple[tuple[str, int], ...]
    """Input and row of every cell that is typed otherwise because of it."""


class Bench(Struct, frozen=True):
    """What a group typed, and what lies behind it."""

    cells: Cells
    """By key of the input, one value or one a row."""
    truths: Mapping[str, float]
    """True quantities, SI units; that of the first result is among them."""
    planted: tuple[Planted, ...]


def applicable(practical: Practical) -> tuple[str, ...]:
    """Ids of the habits that can happen in a practical; none if its definition has no bench."""
    return tuple(id_ for id_ in HABITS if places_of(practical, id_))


def places_of(practical: Practical, habit: str) -> tuple[str, ...]:
    """Where a habit can happen: readings, tables, lines, instruments, inputs or answers."""
    return tuple(HABITS[habit].places(practical)) if practical.forward is not None else ()


def simulate(
    practical: Practical,
    seed: int | Generator,
    habits: Sequence[str | Planting] = (),
    rows: int | Mapping[str, int] | None = None,
    shared_errors: bool = False,
) -> Bench:
    """A bench: true values and noise drawn, readings rounded to their scales, habits planted.

    The same seed gives the same truths and noise, whatever habits, rows and shared errors are
    asked for, so that benches can be compared cell by cell.

    Parameters
    ----------
    seed
        A number, or a generator of random numbers from which one is drawn.
    habits
        Ids of ``applicable`` habits, or plantings of them.
    rows
        Rows filled: in the table of the first line, or by table; usually drawn.
    shared_errors
        Draw the errors too that all readings of an instrument share (its limit) and those that
        the definition states as uncertainties.

    Raises
    ------
    SheetlabError
        If the definition has no bench.
    BenchError
        If a habit cannot happen here, or a reading lies beyond its scale.
    """
    if practical.forward is None:
        raise SheetlabError(no_bench(practical))
    number = int(seed.integers(2**62)) if hasattr(seed, "integers") else int(seed)
    if isinstance(rows, int):
        lines = list(practical.lines.values())
        if not lines:
            raise BenchError("there is no line whose rows could be counted")
        rows = {str(practical.field(lines[0].x).table): rows}
    world = _World(practical, draw(practical, number, shared_errors, rows or {}))
    wanted = [Planting(one) if isinstance(one, str) else one for one in habits]
    planned = [world.plan(one, number, i, wanted[:i]) for i, one in enumerate(wanted)]
    cells = world.cells([change for _, change in planned])
    return Bench(cells, world.draws.truths, tuple(world.planted(planned, cells)))


def no_bench(practical: Practical) -> Finding:
    """That a definition does not say how to invent readings."""
    return finding("no-bench", Severity.STOP, practical=practical.definition.id)


class _World(Struct, frozen=True):
    """One draw of a practical, looked at with and without changes."""

    practical: Practical
    draws: Draws

    def shown(self, changes: Sequence[Change]) -> Shown:
        hidden: dict[str, list[float]] = {}
        for change in changes:
            for column, extra in (change.hidden or {}).items():
                before = hidden.get(column, [0.0] * len(extra))
                hidden[column] = [a + b for a, b in zip(before, extra, strict=True)]
        found = show(self.practical, self.draws, hidden)
        for change in changes:
            if change.scales is not None:
                change.scales(found)
        return found

    def cells(self, changes: Sequence[Change]) -> Cells:
        cells = type_up(self.shown(changes))
        for change in changes:
            if change.cells is not None:
                change.cells(cells)
        return cells | self.answers(cells, changes)

    def answers(self, cells: Cells, changes: Sequence[Change]) -> Cells:
        """The group's own results from what it typed."""
        numbers = self.numbers(cells)
        found: dict[str, float | None] = {}
        for answer in self.practical.definition.answers:
            key = f"answer.{answer.id}"
            value = numbers.value(answer.quantity, None) if answer.quantity else None
            found[key] = None if value is None else self.practical.inputs[key].unit.from_si(value)
        for change in changes:
            if change.answer is not None:
                found[change.where] = change.answer(numbers)
        return {
            key: [float(f"{value:.{ANSWER_DIGITS}g}")]
            for key, value in found.items()
            if value is not None
        }

    def numbers(self, cells: Cells) -> Numbers:
        return Numbers(self.practical, as_cells_show(self.practical, cells))

    def result(self, cells: Cells) -> float | None:
        return self.numbers(cells).value(self.practical.definition.results[0].quantity, None)

    def plan(
        self, wanted: Planting, seed: int, index: int, before: Sequence[Planting]
    ) -> tuple[Habit, Change]:
        """The first place, in an order by chance, at which a habit changes something."""
        from numpy.random import default_rng

        habit = HABITS.get(wanted.habit)
        if habit is None:
            raise BenchError(f"there is no habit “{wanted.habit}”; there are {', '.join(HABITS)}")
        places = places_of(self.practical, habit.id)
        if wanted.place and wanted.place not in places:
            allowed = ", ".join(places) or "none"
            raise BenchError(f"“{habit.id}” cannot happen at “{wanted.place}”; places: {allowed}")
        # a stream of its own for each, so that other habits do not move it
        repeated = sum(one.habit == habit.id for one in before)
        rng = default_rng([seed, 5, zlib.crc32(habit.id.encode()), repeated])
        order = (
            [wanted.place] if wanted.place else [places[i] for i in rng.permutation(len(places))]
        )
        shown = self.shown(())
        cells = self.cells(())
        numbers = self.numbers(cells)
        result = self.result(cells)
        small: Change | None = None
        for place in order:
            change = habit.rule(
                Plan(
                    self.practical, self.draws, shown, cells, numbers, place, rng, wanted.size,
                    wanted.row,
                )
            )  # fmt: skip
            if change is None:
                continue
            other = self.cells([change])
            if other == cells or (habit.own_sums and change.where not in other):
                continue
            if habit.own_sums or self.result(other) != result:
                return habit, change
            small = small or change
        if small is None:
            raise BenchError(f"“{habit.id}” changes nothing on this bench")
        return habit, small

    def planted(self, planned: Sequence[tuple[Habit, Change]], cells: Cells) -> Iterator[Planted]:
        for i, (habit, change) in enumerate(planned):
            without = self.cells([other for k, (_, other) in enumerate(planned) if k != i])
            if habit.own_sums:
                pair = [_first(one.get(change.where)) for one in (cells, without)]
            else:
                pair = [self.result(cells), self.result(without)]
            given, right = pair
            yield Planted(
                habit=habit.id,
                what=habit.what,
                where=change.where,
                row=change.row,
                size=change.size,
                effect=given / right if given is not None and right else 0.0,
                changed=tuple(_differences(cells, without)),
            )


def _first(values: Sequence[float | str | None] | None) -> float | None:
    value = values[0] if values else None
    return value if isinstance(value, float) else None


def _differences(cells: Cells, others: Cells) -> Iterator[tuple[str, int]]:
    for key in dict.fromkeys((*cells, *others)):
        here, there = cells.get(key, []), others.get(key, [])
        for row in range(max(len(here), len(there))):
            if here[row : row + 1] != there[row : row + 1]:
                yield key, row
