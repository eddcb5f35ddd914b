"""Virtual benches: readings that a group might type, clean or with slips planted. Pure."""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from msgspec import Struct

from sheetlab.finding import Finding, Severity, SheetlabError, finding
from sheetlab.practical.definition import Answer
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.forward import BenchError, Cells, Draws, Shown, draw, show, type_up
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.slips.case import Candidate, Case
from sheetlab.practical.slips.slip import BenchSlip, CellSlip, OwnSlip, Plan, Slip, Trial
from sheetlab.practical.slips.sums import candidates
from sheetlab.practical.slips.table import PLANTED
from sheetlab.practical.slips.worlds import World

if TYPE_CHECKING:
    from numpy.random import Generator

ANSWER_DIGITS = 4
"""Significant digits of the group's own results."""

SEEN = 0.02
"""|ln| of what a slip makes of an own result, from which it is planted rather than others."""


class Planting(Struct, frozen=True):
    """A slip that is wanted. Size, place and row are drawn where they are not given."""

    slip: str
    size: float | None = None
    place: str = ""
    """One of ``places_of`` the slip."""
    row: int | None = None


class Planted(Struct, frozen=True):
    """A slip that was planted."""

    slip: str
    what: str
    """What goes wrong, in a sentence."""
    where: str
    """Column, input or answer."""
    row: int | None
    """Row where it is or where it begins, 0 for the first; None for the whole of ``where``."""
    size: float
    effect: float
    """First result with the slip over first result without it, on the same noise and with the
    other slips; for a slip in own sums, that of the answer. 0 if it could not be formed."""
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
    """Ids of the slips that can happen in a practical; none if its definition has no bench."""
    return tuple(id_ for id_ in PLANTED if places_of(practical, id_))


def places_of(practical: Practical, slip: str) -> tuple[str, ...]:
    """Where a slip can happen: readings, lines, instruments, inputs or answers."""
    row = PLANTED[slip]
    if practical.forward is None:
        return ()
    if not isinstance(row, OwnSlip):
        return tuple(row.places(practical))
    if practical.digest not in _OWN_KINDS:
        world = _World(practical, draw(practical, 0))
        try:
            numbers = _numbers(practical, world.cells(()))
        except BenchError:
            # where nothing can be read, nobody works anything out
            return ()
        _OWN_KINDS[practical.digest] = {
            f"answer.{answer.id}": {made.kind for made in _own(numbers, answer)}
            for answer in practical.definition.answers
            if answer.quantity
        }
    kinds = {row.id, *row.kinds}
    return tuple(key for key, own in _OWN_KINDS[practical.digest].items() if own & kinds)


_OWN_KINDS: dict[str, dict[str, set[str]]] = {}
"""Kinds of slips that formulas of answers allow, by digest of a definition and by answer."""


def simulate(
    practical: Practical,
    seed: int | Generator,
    slips: Sequence[str | Planting] = (),
    rows: int | Mapping[str, int] | None = None,
    shared_errors: bool = False,
) -> Bench:
    """A bench: true values and noise drawn, readings rounded to their scales, slips planted.

    The same seed gives the same truths and noise, whatever slips, rows and shared errors are
    asked for, so that benches can be compared cell by cell.

    Parameters
    ----------
    seed
        A number, or a generator of random numbers from which one is drawn.
    slips
        Ids of ``applicable`` slips, or plantings of them.
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
        If a slip cannot happen here, or a reading lies beyond its scale.
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
    wanted = [Planting(one) if isinstance(one, str) else one for one in slips]
    planned = [world.plan(one, number, wanted[:i]) for i, one in enumerate(wanted)]
    cells = world.cells([change for _, change in planned])
    return Bench(cells, world.draws.truths, tuple(world.planted(planned, cells)))


def no_bench(practical: Practical) -> Finding:
    """That a definition does not say how to invent readings."""
    return finding("no-bench", Severity.STOP, practical=practical.definition.id)


class _Change(Struct, frozen=True):
    """A slip at one place of one bench, ready to be applied. What it leaves alone is None."""

    where: str
    """Column, input or answer."""
    row: int | None
    size: float
    hidden: Mapping[str, Sequence[float]] = {}
    """True values above the typed ones, by column, SI units."""
    scales: Callable[[Shown], None] | None = None
    """What it does to where the scales stand."""
    cells: Callable[[Cells], None] | None = None
    """What it does to what is typed."""
    answer: Callable[[Numbers], float | None] | None = None
    """The answer ``where`` that comes of it, in the answer's unit."""


class _World(Struct, frozen=True):
    """One draw of a practical, looked at with and without changes."""

    practical: Practical
    draws: Draws

    def shown(self, changes: Sequence[_Change]) -> Shown:
        hidden: dict[str, list[float]] = {}
        for change in changes:
            for column, extra in change.hidden.items():
                before = hidden.get(column, [0.0] * len(extra))
                hidden[column] = [a + b for a, b in zip(before, extra, strict=True)]
        shown = show(self.practical, self.draws, hidden)
        for change in changes:
            if change.scales is not None:
                change.scales(shown)
        return shown

    def cells(self, changes: Sequence[_Change]) -> Cells:
        cells = type_up(self.shown(changes))
        for change in changes:
            if change.cells is not None:
                change.cells(cells)
        return cells | self.answers(cells, changes)

    def answers(self, cells: Cells, changes: Sequence[_Change]) -> Cells:
        """The group's own results from what it typed."""
        numbers = _numbers(self.practical, cells)
        values: dict[str, float | None] = {}
        for answer in self.practical.definition.answers:
            key = f"answer.{answer.id}"
            value = numbers.value(answer.quantity, None) if answer.quantity else None
            values[key] = None if value is None else self.practical.inputs[key].unit.from_si(value)
        for change in changes:
            if change.answer is not None:
                values[change.where] = change.answer(numbers)
        return {
            key: [float(f"{value:.{ANSWER_DIGITS}g}")]
            for key, value in values.items()
            if value is not None
        }

    def result(self, cells: Cells) -> float | None:
        quantity = self.practical.definition.results[0].quantity
        return _numbers(self.practical, cells).value(quantity, None)

    def plan(self, wanted: Planting, seed: int, before: Sequence[Planting]) -> tuple[Slip, _Change]:
        """The first place, in an order by chance, at which a slip changes something."""
        from numpy.random import default_rng

        slip = PLANTED.get(wanted.slip)
        if slip is None:
            raise BenchError(f"there is no slip “{wanted.slip}”; there are {', '.join(PLANTED)}")
        places = places_of(self.practical, slip.id)
        if wanted.place and wanted.place not in places:
            allowed = ", ".join(places) or "none"
            raise BenchError(f"“{slip.id}” cannot happen at “{wanted.place}”; places: {allowed}")
        # a stream of its own for each, so that other slips do not move it
        repeated = sum(one.slip == slip.id for one in before)
        rng = default_rng([seed, 5, zlib.crc32(slip.id.encode()), repeated])
        order = [wanted.place] if wanted.place else [str(p) for p in rng.permutation(places)]
        shown, cells = self.shown(()), self.cells(())
        numbers, result = _numbers(self.practical, cells), self.result(cells)
        own, small = isinstance(slip, OwnSlip), list[_Change]()
        for place in order:
            change = _planned(slip, Plan(self.practical, self.draws, shown, numbers, place, rng,
                                         wanted.size, wanted.row))  # fmt: skip
            other = cells if change is None else self.cells([change])
            if change is None or other == cells or (own and change.where not in other):
                continue
            if own or self.result(other) != result:
                return slip, change
            small.append(change)
        if not small:
            raise BenchError(f"“{slip.id}” changes nothing on this bench")
        return slip, small[0]

    def planted(self, planned: Sequence[tuple[Slip, _Change]], cells: Cells) -> Iterator[Planted]:
        for i, (slip, change) in enumerate(planned):
            without = self.cells([other for k, (_, other) in enumerate(planned) if k != i])
            if isinstance(slip, OwnSlip):
                given, right = (_first(one.get(change.where)) for one in (cells, without))
            else:
                given, right = self.result(cells), self.result(without)
            yield Planted(
                slip=slip.id,
                what=slip.what,
                where=change.where,
                row=change.row,
                size=change.size,
                effect=given / right if given is not None and right else 0.0,
                changed=tuple(_differences(cells, without)),
            )


def _numbers(practical: Practical, cells: Cells) -> Numbers:
    return Numbers(practical, as_cells_show(practical, cells))


def _first(values: Sequence[float | str | None] | None) -> float | None:
    value = values[0] if values else None
    return value if isinstance(value, float) else None


def _differences(cells: Cells, others: Cells) -> Iterator[tuple[str, int]]:
    for key in dict.fromkeys((*cells, *others)):
        here, there = cells.get(key, []), others.get(key, [])
        for row in range(max(len(here), len(there))):
            if here[row : row + 1] != there[row : row + 1]:
                yield key, row


# -- how each kind of slip is planted ------------------------------------------------------------


def _planned(slip: Slip, plan: Plan) -> _Change | None:
    if isinstance(slip, CellSlip):
        return _in_cells(slip, plan)
    if isinstance(slip, BenchSlip):
        return _at_bench(slip, plan)
    assert isinstance(slip, OwnSlip)
    return _in_own_sums(slip, plan)


def _in_cells(slip: CellSlip, plan: Plan) -> _Change | None:
    """One of the trials at a place, with a size and a row by chance."""
    practical = plan.practical
    field = practical.derived.get(plan.place)
    rows = (None,) if field is None or field.table is None else range(field.rows)

    def trials(numbers: Numbers) -> list[Trial]:
        return [
            trial
            for row in rows
            for trial in (slip.made or slip.trials)(numbers, plan.place, row)
            if min(trial.changes.values(), default=-1.0) >= 0.0
            and (not slip.sizes or any(math.isclose(trial.size, size) for size in slip.sizes))
            and plan.size in (None, trial.size)
        ]

    possible = trials(plan.numbers)
    row = plan.some_row(list(dict.fromkeys(t.row for t in possible if t.row is not None)))
    here = [trial for trial in possible if trial.row == row]
    if not here:
        return None
    chosen = here[int(plan.rng.integers(len(here)))]

    def where(trial: Trial) -> str:
        key = next(iter(trial.changes))[0]
        reading = practical.derived.get(key.rpartition(".")[0])
        return key if reading is None or not reading.instrument else reading.key

    def typed(cells: Cells) -> None:
        # beside other slips the cells may hold something else
        for trial in trials(_numbers(practical, cells)):
            if (where(trial), trial.row) == (where(chosen), row) and (
                trial.size == chosen.size or not slip.sizes
            ):
                for (key, at), value in trial.changes.items():
                    choices = practical.inputs[key].choices
                    cells[key][at or 0] = choices[int(value)] if choices else float(f"{value:.12g}")
                return

    return _Change(where(chosen), row, chosen.size, cells=typed)


def _at_bench(slip: BenchSlip, plan: Plan) -> _Change | None:
    """Scales that stand elsewhere."""
    low, high = slip.usual
    size = float(plan.rng.uniform(low, high)) if plan.size is None else plan.size
    if slip.either_way and plan.size is None and plan.rng.random() < 0.5:
        size = -size
    shift = slip.shift(plan, size)
    if shift is None:
        return None

    def stand(shown: Shown) -> None:
        for (key, row), amount in shift.by.items():
            shown.seen[key][row] += amount

    where = shift.where or next(iter(shift.by))[0]
    return _Change(where, shift.row, size, shift.hidden, stand)


def _own(numbers: Numbers, answer: Answer, kinds: Sequence[str] = ()) -> list[Candidate]:
    """Slips in the last formula of an answer."""
    unit = numbers.practical.inputs[f"answer.{answer.id}"].unit
    made = candidates(Case(World(numbers), answer.quantity, unit), kinds)
    return [slip for slip in made if slip.of in ("", answer.quantity)]


def _in_own_sums(slip: OwnSlip, plan: Plan) -> _Change | None:
    """An own result as a slip makes it from what is typed."""
    answers = {f"answer.{answer.id}": answer for answer in plan.practical.definition.answers}
    answer, unit = answers[plan.place], plan.practical.inputs[plan.place].unit

    def possible(numbers: Numbers) -> dict[tuple[object, ...], Candidate]:
        made = _own(numbers, answer, (slip.id, *slip.kinds))
        own = [c for c in made if not c.of] or made
        own = [c for c in own if abs(math.log(abs(c.factor))) > SEEN] or own
        # of several units that a number may have been held in, its own
        return {
            (c.kind, c.about, c.detail): c
            for c in reversed(own)
            if not slip.sizes or any(math.isclose(c.factor, size) for size in slip.sizes)
        }

    slips = possible(plan.numbers)
    if not slips:
        return None
    chosen = list(slips)[int(plan.rng.integers(len(slips)))]

    def worked_out(numbers: Numbers) -> float | None:
        value, again = numbers.value(answer.quantity, None), possible(numbers).get(chosen)
        return None if again is None or not value else unit.from_si(value * again.factor)

    return _Change(plan.place, None, slips[chosen].factor, answer=worked_out)
