"""How slips of reading and typing change cells: functions that list trials at a place.

The place of a reading with a main scale is the reading, that of a scale its instrument, that of a
line its id; of several columns their keys with spaces between them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import accumulate, pairwise
from typing import Literal

from sheetlab.messages import Phrase, phrase
from sheetlab.practical.definition import Instrument
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.fields import InputField
from sheetlab.practical.instruments import KINDS, SCREW_SIDES
from sheetlab.practical.loads import STANDARD_GRAVITY
from sheetlab.practical.model import Practical
from sheetlab.practical.slips.places import first_and_second, is_count
from sheetlab.practical.slips.slip import Cell, Changes, Trial, Trials, Values
from sheetlab.units import Unit, neighbours

MISREAD = 100.0
"""Divisions by which a scale with numbers at its long marks is misread: ten centimetres of a metre
scale (common practice, no source)."""
STEPS = {0.5: "half", 1.0: "one", 2.0: "two"}


def rounded(value: float) -> float:
    """A number that was worked out, to the digits that are shown of it."""
    return float(f"{value:.6g}")


def instrument(practical: Practical, id_: str) -> Instrument:
    """An instrument by its id."""
    return next(item for item in practical.definition.instruments if item.id == id_)


def scale_behind(practical: Practical, reading: str) -> Instrument | None:
    """Instrument of a reading that is typed in parts."""
    field = practical.derived.get(reading)
    return instrument(practical, field.instrument) if field and field.instrument else None


def _of_scale(numbers: Numbers, reading: str, what: Literal["graduation", "divisions"]) -> float:
    """Step of the main scale behind a reading, or divisions of the moving one; 0 if unknown."""
    item = scale_behind(numbers.practical, reading)
    name = "" if item is None else getattr(KINDS[item.kind], what)
    return (numbers.shown(f"{item.id}.{name}") if item and name else None) or 0.0


# -- one reading ---------------------------------------------------------------------------------


def main_scale(*sizes: float) -> Trials:
    """The main scale read so many steps off."""

    def trials(numbers: Numbers, reading: str, row: int | None) -> Iterator[Trial]:
        typed = numbers.observations.entry(f"{reading}.main", row).value
        step = _of_scale(numbers, reading, "graduation")
        if typed is None or not step:
            return
        unit = numbers.practical.inputs[f"{reading}.main"].unit.pretty
        for size in sizes:
            new, by = rounded(typed + size * step), rounded(abs(size) * step)
            values: Values = {"new": new, "by": by, "unit": unit, "steps": STEPS[abs(size)]}
            yield Trial(_moved(numbers, reading, row, size, step), size, row, values)

    return trials


def _moved(numbers: Numbers, reading: str, row: int | None, size: float, step: float) -> Changes:
    """Both parts of a reading that is off by steps; the main scale shows whole ones only."""
    main, coincidence = ((f"{reading}.{part}", row) for part in ("main", "coincidence"))
    typed, read = (numbers.observations.entry(*at).value for at in (main, coincidence))
    typed, divisions = typed or 0.0, _of_scale(numbers, reading, "divisions")
    if size == int(size) or not divisions or read is None:
        return {main: float(f"{typed + size * step:.12g}")}
    total = (typed / step + size) * divisions + read
    whole, left = divmod(round(total, 6), divisions)
    return {main: float(f"{whole * step:.12g}"), coincidence: left}


def main_scale_from(*sizes: float) -> Trials:
    """The main scale read so many steps off in a row of a series of a line, and in all after it."""
    in_one = main_scale(*sizes)

    def trials(numbers: Numbers, line: str, _: int | None) -> Iterator[Trial]:
        for key in numbers.practical.lines[line].y:
            rows = [row for row, value in enumerate(numbers.column(key)) if value is not None]
            by_row = [list(in_one(numbers, key, row)) for row in rows]
            for start in range(1, len(rows) - 1):
                for same_size in zip(*by_row[start:], strict=True):
                    changes = {p: v for trial in same_size for p, v in trial.changes.items()}
                    yield Trial(changes, same_size[0].size, rows[start])

    return trials


def coincidence(others: Callable[[float, float], Iterable[float]]) -> Trials:
    """Another coincidence; ``others``: number and divisions of the scale -> what was meant."""

    def trials(numbers: Numbers, reading: str, row: int | None) -> Iterator[Trial]:
        key = f"{reading}.coincidence"
        old = numbers.observations.entry(key, row).value
        others_ = () if old is None else others(old, _of_scale(numbers, reading, "divisions"))
        for new in others_:
            yield Trial({(key, row): new}, new - (old or 0.0), row, {"old": old or 0.0, "new": new})

    return trials


def digits_swapped(number: float, divisions: float) -> Iterator[float]:
    """The two digits of a coincidence in the other order."""
    other = 10.0 * (number % 10) + number // 10
    if number == int(number) and 0 < number <= 99 and other != number and other < divisions:
        yield other


def ten_off(number: float, divisions: float) -> Iterator[float]:
    """Ten divisions more or less."""
    return (new for new in (number + 10.0, number - 10.0) if 0.0 <= new < divisions)


def from_the_other_end(number: float, divisions: float) -> Iterator[float]:
    """Counted from the other end of the scale."""
    if 0.0 < number < divisions:
        yield divisions - number


def other_number(others: Callable[[float, InputField], Iterable[float]]) -> Trials:
    """Another number in one cell."""

    def trials(numbers: Numbers, key: str, row: int | None) -> Iterator[Trial]:
        old = numbers.observations.entry(key, row).value
        if old is not None:
            for new in others(old, numbers.practical.inputs[key]):
                yield Trial({(key, row): new}, new - old, row, {"old": old, "new": new})

    return trials


def swapped_digits(value: float, decimals: int | None) -> Iterator[float]:
    """The numbers that stand there if two neighbouring digits of a number are swapped."""
    text = f"{value:.{decimals}f}" if decimals is not None else f"{value:.10g}"
    digits = [i for i, char in enumerate(text) if char.isdigit()]
    for a, b in pairwise(digits):
        if text[a] != text[b]:
            letters = list(text)
            letters[a], letters[b] = letters[b], letters[a]
            yield float("".join(letters))


def one_more_or_less(number: float, field: InputField) -> Iterable[float]:
    """A count that is one off."""
    return (number + 1.0, number - 1.0) if number >= 2.0 else ()


def whole_step(numbers: Numbers, key: str, row: int | None) -> Iterator[Trial]:
    """A scale with numbers at its long marks read from the wrong one."""
    field, typed = numbers.practical.inputs[key], numbers.observations.entry(key, row).value
    step = MISREAD * numbers.division(key) / field.unit.factor
    for size, way in ((-step, "long"), (step, "short")) if typed is not None else ():
        values: Values = {"by": step, "unit": field.unit.pretty, "way": way}
        yield Trial({(key, row): (typed or 0.0) + size}, size, row, values)


def counted_in_row(numbers: Numbers, key: str, row: int | None) -> Iterator[Trial]:
    """One too many or too few counted in a row: what it would show is its readings, rescaled."""
    practical = numbers.practical
    for count in practical.leaves(key):
        n = numbers.shown(count) if is_count(practical.inputs[count]) else None
        if not n or n < 2.0:
            continue
        read = {k: v for k in _divided_by(practical, key, count)
                if (v := numbers.shown(k, row)) is not None}  # fmt: skip
        for other in (n + 1.0, n - 1.0) if read else ():
            changes: Changes = {(k, row): v * n / other for k, v in read.items()}
            yield Trial(changes, other - n, row, {"old": n, "new": other})


def _divided_by(practical: Practical, key: str, count: str) -> Sequence[str]:
    """Typed columns of the row that enter the same formula as a count, on the way to a column."""
    below = {name for column in practical.columns(key) for name in practical.below()[column]}
    for name, field in practical.derived.items():
        if name in below and field.table is not None and count in practical.depends(field.node):
            leaves = [k for k in practical.leaves(name) if practical.inputs[k].table == field.table]
            if leaves:
                return leaves
    return ()


# -- a column, a scale, an input -----------------------------------------------------------------


def steps_for_totals(numbers: Numbers, line: str, _: int | None) -> Iterator[Trial]:
    """The abscissa of a line typed as what was added each time."""
    x = numbers.practical.inputs.get(numbers.practical.lines[line].x)
    if x is None:
        return
    entries = [numbers.observations.entry(x.key, row).value for row in range(x.rows)]
    steps = {row: value for row, value in enumerate(entries) if value is not None}
    totals = accumulate(steps.values())
    changes: Changes = {(x.key, row): total for row, total in zip(steps, totals, strict=True)}
    yield Trial(changes, values={"title": x.title})


def order_of_time(numbers: Numbers, line: str, _: int | None) -> Iterator[Trial]:
    """A way back typed from the top downwards."""
    practical, field = numbers.practical, numbers.practical.lines[line]
    for key, label, back in zip(field.y, field.labels, field.back, strict=True):
        rows = [row for row, value in enumerate(numbers.column(key)) if value is not None]
        changes: Changes = {
            (leaf, row): value
            for leaf in practical.leaves(key)
            if back and practical.inputs[leaf].table is not None
            for row, other in zip(rows, reversed(rows), strict=True)
            if (value := numbers.observations.entry(leaf, other).value) is not None
        }
        if changes:
            yield Trial(changes, values={"title": label})


def copied(numbers: Numbers, line: str, _: int | None) -> Iterator[Trial]:
    """A way back copied from the way there."""
    inputs, entries = numbers.practical.inputs, numbers.observations.entries
    changes: Changes = {
        (target + key.removeprefix(source), row): entry.value
        for source, target in zip(*first_and_second(numbers.practical, line), strict=True)
        for key in inputs
        if key == source or key.startswith(f"{source}.")
        for row, entry in enumerate(entries.get(key, ()))
        if entry.value is not None
    }
    yield Trial(changes)


def divisions_times(*factors: float) -> Trials:
    """So many times the divisions of a moving scale."""

    def trials(numbers: Numbers, id_: str, _: int | None) -> Iterator[Trial]:
        item = instrument(numbers.practical, id_)
        key = f"{id_}.{KINDS[item.kind].divisions}"
        count = numbers.observations.entry(key).value
        for factor in factors if count else ():
            new = (count or 0.0) * factor
            values: Values = {"title": item.title.lower(), "old": count or 0.0, "new": new}
            yield Trial({(key, None): new}, factor, None, values)

    return trials


def pitch_times(*factors: float) -> Trials:
    """So many times the pitch of a screw, by the travel of its turns."""

    def trials(numbers: Numbers, id_: str, _: int | None) -> Iterator[Trial]:
        travel = numbers.practical.inputs.get(f"{id_}.travel")
        if travel is None or not numbers.observations.entry(f"{id_}.divisions").value:
            return
        moved, pitch = numbers.shown(travel.key), numbers.shown(f"{id_}.pitch")
        values: Values = {"title": instrument(numbers.practical, id_).title.lower(),
                  "unit": travel.unit.pretty, "old": rounded(pitch or 0.0)}  # fmt: skip
        for factor in factors if moved and pitch else ():
            changes: Changes = {(travel.key, None): (moved or 0.0) * factor}
            yield Trial(changes, factor, None, {**values, "new": rounded((pitch or 0.0) * factor)})

    return trials


def scale_backwards(numbers: Numbers, id_: str, _: int | None) -> Iterator[Trial]:
    """All coincidences of a table counted from the other end of the scale."""
    practical, kind = numbers.practical, KINDS[instrument(numbers.practical, id_).kind]
    count = numbers.observations.entry(f"{id_}.{kind.divisions}").value
    for table in practical.definition.tables if count else ():
        changes: Changes = {
            (part, row): other
            for key, field in practical.derived.items()
            if (field.instrument, field.table) == (id_, table.id)
            for part in (f"{key}.coincidence",)
            if part in practical.inputs
            for row in range(field.rows)
            if (value := numbers.observations.entry(part, row).value) is not None
            for other in from_the_other_end(value, count or 0.0)
        }
        if changes:
            yield Trial(changes, values={"title": table.title})


def _zero_cells(numbers: Numbers, id_: str) -> tuple[Mapping[int, float], Mapping[int, float]]:
    """Codes of the other side, and numbers counted the other way, by row of the zero readings."""
    base, kind = f"{id_}.zero_reading", KINDS[instrument(numbers.practical, id_).kind]
    side = numbers.practical.inputs.get(f"{base}.side")
    read = numbers.observations.entry
    count = read(f"{id_}.{kind.divisions}").value
    rows = range(side.rows if side else 0)
    sides = {row: 1.0 - v for row in rows if (v := read(f"{base}.side", row).value) is not None}
    numbers_ = {row: (count - n) % count for row in sides
                if count and (n := read(f"{base}.coincidence", row).value) is not None}  # fmt: skip
    return sides, numbers_


def zero_readings(side: bool, number: bool) -> Trials:
    """Zero readings with the mark on the other side, or counted the other way, or both."""

    def trials(numbers: Numbers, id_: str, _: int | None) -> Iterator[Trial]:
        base, sides = f"{id_}.zero_reading", set[str]()
        codes, counted = _zero_cells(numbers, id_)
        changes: dict[Cell, float] = {
            (f"{base}.side", row): code for row, code in codes.items() if side
        }
        changes |= {(f"{base}.coincidence", row): n for row, n in counted.items() if number}
        field = numbers.practical.inputs.get(f"{base}.side")
        for code in codes.values() if field else ():
            texts = dict(zip(field.choice_values, field.choices, strict=True)) if field else {}
            sides.add(texts.get(code, SCREW_SIDES[0]))
        if not (counted if number else len(sides) == 1):
            return
        at = ", ".join(dict.fromkeys(f"{n:g}" for n in counted.values()))
        title = instrument(numbers.practical, id_).title.lower()
        yield Trial(changes, values={"title": title, "side": min(sides), "new": at})

    return trials


def zero_forgotten(numbers: Numbers, id_: str, _: int | None) -> Iterator[Trial]:
    """Zero readings typed as none."""
    codes, _numbers = _zero_cells(numbers, id_)
    parts = [f"{id_}.zero_reading.{part}" for part in ("coincidence", "side")]
    yield Trial({(part, row): 0.0 for part in parts for row in codes})


# -- units ---------------------------------------------------------------------------------------


def unit_groups(practical: Practical) -> list[str]:
    """Inputs, and columns of one kind of reading or of a table, that may be in another unit."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for key, field in practical.inputs.items():
        if field.kind != "number" or field.answer or not field.unit.pretty or field.unit.offset:
            continue
        if key.rpartition(".")[2] in ("coincidence", "limit"):
            continue
        if field.table is None:
            groups[(key,)] = [key]
        elif scale_behind(practical, key.rpartition(".")[0]) is None:
            # of a reading in two parts only a whole can be in another unit
            if field.instrument:
                groups.setdefault((field.table,), []).append(key)
            groups.setdefault((field.table, field.title), []).append(key)
    return list(dict.fromkeys(" ".join(keys) for keys in groups.values()))


def _group_title(practical: Practical, keys: Sequence[str]) -> Phrase:
    """What was in another unit."""
    first = practical.inputs[keys[0]]
    if first.table is None:
        scales = {item.id: item.title.lower() for item in practical.definition.instruments}
        scale = scales.get(keys[0].partition(".")[0])
        if scale is None:
            return phrase("input-was", title=first.title)
        return phrase("scale-was", title=first.title, scale=scale)
    titles = {item.id: item.title for item in practical.definition.tables}
    table = titles.get(first.table, first.table)
    if any(practical.inputs[key].title != first.title for key in keys):
        return phrase("table-was", table=table)
    return phrase("columns-were", title=first.title, table=table)


def other_unit(numbers: Numbers, place: str, _: int | None) -> Iterator[Trial]:
    """Inputs or columns typed in another unit; the size is what their numbers are multiplied by."""
    practical = numbers.practical
    keys = [key for name in place.split() for key in practical.columns(name)]
    typed = {
        (key, None if practical.inputs[key].table is None else row): entry.value
        for key in keys
        for row, entry in enumerate(numbers.observations.entries.get(key, ()))
        if entry.value
    }
    unit = practical.inputs[keys[0]].unit
    for other, factor in mistaken_for(unit) if typed else ():
        values: Values = {"was": _group_title(practical, keys), "other": other, "unit": unit.pretty}
        yield Trial({at: v * factor for at, v in typed.items()}, factor, None, values)


def mistaken_for(its: Unit) -> Iterator[tuple[str, float]]:
    """Units in which a number may have been typed by mistake, with what it has to be multiplied by.

    Those that differ by one prefix; for a mass also the newton of its weight.
    """
    for other, power in neighbours(its.text):
        yield other.pretty, 10.0**-power
    if str(its.dimension) == "mass":
        yield "N", 1.0 / (STANDARD_GRAVITY * its.factor)
