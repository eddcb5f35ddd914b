"""What else could have been meant: slips of reading and typing, as changes of typed inputs.

An edit says what would stand in a cell if a certain slip had not been made. Whether it fits is for
the caller to see; nothing is ever changed by it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import accumulate, pairwise

from msgspec import Struct

from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.fields import InputField, LineField
from sheetlab.practical.instruments import KINDS, SCREW_SIDES
from sheetlab.practical.loads import STANDARD_GRAVITY
from sheetlab.practical.model import Practical
from sheetlab.units import Unit, neighbours

MISREAD = 100.0
"""Divisions by which a scale with numbers at its long marks is misread: ten centimetres of a metre
scale (common practice, no source)."""
Changes = Mapping[tuple[str, int | None], float]


class Edit(Struct, frozen=True):
    """Other contents of input cells, in the unit of each cell."""

    kind: str
    changes: Changes
    words: str
    """What it would mean, to follow “it would fit if …”."""


def reading_edits(numbers: Numbers, key: str, row: int) -> Iterator[Edit]:
    """Slips in one reading: a column of readings, or a column worked out from readings."""
    practical = numbers.practical
    for leaf in practical.leaves(key):
        one = practical.inputs[leaf]
        if one.table is None or one.kind != "number":
            continue
        value = numbers.observations.entry(leaf, row).value
        if value is None:
            continue
        yield from _part_edits(numbers, one, leaf, row, value)
    yield from _count_edits(numbers, key, row)


def length_edits(numbers: Numbers, key: str, row: int) -> Iterator[Edit]:
    """Slips in a reading of a column that a line takes for its abscissa."""
    practical = numbers.practical
    for leaf in practical.leaves(key):
        one, value = practical.inputs[leaf], numbers.observations.entry(leaf, row).value
        read = any(spec.rounding for spec in one.sources)
        if not read or value is None or one.table != practical.field(key).table:
            continue
        yield from _part_edits(numbers, one, leaf, row, value)
        step = MISREAD * numbers.division(leaf) / one.unit.factor
        for by, word in ((-step, "long"), (step, "short")):
            words = f"“{one.title}” was read {step:.6g} {one.unit.pretty} too {word}"
            yield Edit("whole-step", {(leaf, row): value + by}, words)


def _part_edits(
    numbers: Numbers, one: InputField, leaf: str, row: int, value: float
) -> Iterator[Edit]:
    reading, _, part = leaf.rpartition(".")
    instrument = _instrument(numbers.practical, reading)
    kind = None if instrument is None else KINDS[instrument[1]]
    if kind is not None and part == "main":
        assert instrument is not None
        step = numbers.shown(f"{instrument[0]}.{kind.graduation}")
        if step:
            for factor, what in ((1.0, "one step"), (0.5, "half a step"), (2.0, "two steps")):
                for sign in (1.0, -1.0):
                    new = value + sign * factor * step
                    yield Edit("main-step" if factor != 0.5 else "half-step", {(leaf, row): new},
                               f"the main scale showed {new:.6g}, {what} ({factor * step:.6g} "
                               f"{one.unit.pretty}) off")  # fmt: skip
        return
    if kind is not None and part == "coincidence":
        assert instrument is not None
        divisions = numbers.shown(f"{instrument[0]}.{kind.divisions}")
        whole = int(value)
        swapped = 10 * (whole % 10) + whole // 10
        if value == whole and 0 < whole <= 99 and swapped != whole and swapped < (divisions or 0):
            yield Edit("digits-swapped", {(leaf, row): float(swapped)},
                       f"the digits of {whole} were swapped: {swapped}")  # fmt: skip
        for change in (10.0, -10.0):
            new = value + change
            if 0.0 <= new < (divisions or 0.0):
                yield Edit("ten-divisions", {(leaf, row): new},
                           f"the division was {new:.6g}, ten off")  # fmt: skip
        if divisions and 0.0 < value < divisions:
            new = divisions - value
            yield Edit("counted-backwards", {(leaf, row): new},
                       f"the scale was counted backwards: {new:.6g}, not {value:.6g}")  # fmt: skip
        return
    for new in swapped_digits(value, one.decimals):
        yield Edit("digits-swapped", {(leaf, row): new},
                   f"two digits were swapped: {new:.10g} instead of {value:.10g}")  # fmt: skip
    for factor in (10.0, 0.1):
        yield Edit("decimal-point", {(leaf, row): value * factor},
                   f"the decimal point is wrong: {value * factor:.6g}")  # fmt: skip


def swapped_digits(value: float, decimals: int | None) -> Iterator[float]:
    """The numbers that stand there if two neighbouring digits of a number are swapped."""
    text = f"{value:.{decimals}f}" if decimals is not None else f"{value:.10g}"
    digits = [i for i, char in enumerate(text) if char.isdigit()]
    for a, b in pairwise(digits):
        if text[a] != text[b]:
            letters = list(text)
            letters[a], letters[b] = letters[b], letters[a]
            yield float("".join(letters))


def _count_edits(numbers: Numbers, key: str, row: int) -> Iterator[Edit]:
    """One too many or too few counted in the readings of one row."""
    practical = numbers.practical
    for leaf in practical.leaves(key):
        count = practical.inputs[leaf]
        if not _is_count(count):
            continue
        n = numbers.shown(leaf)
        if not n or n < 2.0:
            continue
        # the count is one for all rows: what one row would show is its readings, rescaled
        timed = [k for k in _divided_by(practical, key, leaf) if numbers.value(k, row) is not None]
        for other in (n + 1.0, n - 1.0):
            changes: dict[tuple[str, int | None], float] = {
                (k, row): (numbers.shown(k, row) or 0.0) * n / other for k in timed
            }
            if changes:
                yield Edit("count-off", changes,
                           f"{other:g} were counted in this row instead of {n:g}")  # fmt: skip


def column_edits(numbers: Numbers, line: LineField) -> Iterator[Edit]:
    """Whole columns of a line typed otherwise than asked: their order, steps for totals."""
    practical, observations = numbers.practical, numbers.observations
    x = practical.inputs.get(line.x)
    if x is not None:
        steps = [(row, v) for row in range(x.rows)
                 if (v := observations.entry(x.key, row).value) is not None]  # fmt: skip
        totals = accumulate(step for _, step in steps)
        yield Edit("steps-for-totals",
                   {(x.key, row): total for (row, _), total in zip(steps, totals, strict=True)},
                   f"“{x.title}” holds what was added each time, not the total")  # fmt: skip
    for key, label, back in zip(line.y, line.labels, line.back, strict=True):
        if not back:
            continue
        leaves = [leaf for leaf in practical.leaves(key)
                  if practical.inputs[leaf].table is not None]  # fmt: skip
        rows = [row for row, v in enumerate(numbers.column(key)) if v is not None]
        yield Edit(
            "order-of-time",
            {
                (leaf, row): value
                for leaf in leaves
                for row, other in zip(rows, reversed(rows), strict=True)
                if (value := observations.entry(leaf, other).value) is not None
            },
            f"“{label}” was typed in the order of time, from the top downwards, and not each "
            "reading in its row",
        )


def _is_count(one: InputField) -> bool:
    return (
        one.table is None
        and one.kind == "number"
        and one.decimals == 0
        and one.unit.text == "1"
        and not one.answer
        and "." not in one.key
    )


def _divided_by(practical: Practical, key: str, count: str) -> tuple[str, ...]:
    """Typed columns of the row that enter the same formula as a count."""
    for column in practical.derived:
        one = practical.derived[column]
        if one.table is not None and count in practical.depends(one.node):
            found = [
                leaf
                for inner in practical.depends(one.node)
                for leaf in practical.leaves(inner)
                if practical.inputs[leaf].table == one.table
            ]
            if found and column in _above(practical, key):
                return tuple(found)
    return ()


def _above(practical: Practical, key: str) -> set[str]:
    """A column and every derived field behind it."""
    found: set[str] = set()
    queue = list(practical.columns(key))
    while queue:
        name = queue.pop()
        if name in practical.derived and name not in found:
            found.add(name)
            queue += practical.depends(practical.derived[name].node)
    return found


def _instrument(practical: Practical, reading: str) -> tuple[str, str] | None:
    """Instrument of a reading in parts, and its kind."""
    one = practical.derived.get(reading)
    if one is None or not one.instrument:
        return None
    kinds = {item.id: item.kind for item in practical.definition.instruments}
    return one.instrument, kinds[one.instrument]


SCALE_EDITS = ("scale-backwards", "wrong-divisions", "wrong-pitch", "unit-slip")
"""Kinds of slips of a whole workbook that can spoil a line."""
ZERO_EDITS = ("zero-side", "zero-sign")
"""Kinds of slips about the zero mark."""


def whole_edits(numbers: Numbers, kinds: Sequence[str] = ()) -> Iterator[Edit]:
    """Slips that run through a whole workbook: scales, units, counts, zero readings.

    ``kinds``: only those; all if empty.
    """
    for edit in _whole_edits(numbers):
        if not kinds or edit.kind in kinds:
            yield edit


def _whole_edits(numbers: Numbers) -> Iterator[Edit]:
    practical, observations = numbers.practical, numbers.observations
    for instrument in practical.definition.instruments:
        kind = KINDS[instrument.kind]
        if kind.divisions:
            yield from _scale_edits(numbers, instrument.id, instrument.title, kind.divisions)
        if instrument.zero_rows and kind.zero_parts:
            yield from _zero_edits(numbers, instrument.id, instrument.title, kind.divisions)
    for key, one in practical.inputs.items():
        if one.table is None and _is_count(one):
            n = observations.entry(key).value
            for other in (n + 1.0, n - 1.0) if n and n >= 2.0 else ():
                yield Edit("count-off", {(key, None): other},
                           f"“{one.title}” were {other:g} instead of {n:g}")  # fmt: skip
    yield from _unit_edits(numbers)


def _scale_edits(numbers: Numbers, id_: str, title: str, divisions: str) -> Iterator[Edit]:
    practical, observations = numbers.practical, numbers.observations
    count = observations.entry(f"{id_}.{divisions}").value
    if not count:
        return
    for factor in (0.5, 2.0):
        other = count * factor
        yield Edit("wrong-divisions", {(f"{id_}.{divisions}", None): other},
                   f"the {title.lower()} has {other:g} divisions, not {count:g}")  # fmt: skip
    turned = f"{id_}.travel" in practical.inputs
    travel, pitch = (numbers.shown(f"{id_}.{k}") if turned else None for k in ("travel", "pitch"))
    for factor in (2.0, 0.5) if travel and pitch else ():
        unit = practical.inputs[f"{id_}.travel"].unit.pretty
        yield Edit("wrong-pitch", {(f"{id_}.travel", None): (travel or 0.0) * factor},
                   f"the pitch of the {title.lower()} is {(pitch or 0.0) * factor:.6g} {unit}, not "
                   f"{pitch:.6g} {unit}")  # fmt: skip
    tables: dict[str, dict[tuple[str, int | None], float]] = {}
    for key, derived in practical.derived.items():
        if derived.instrument != id_ or derived.table is None:
            continue
        part = f"{key}.coincidence"
        if part not in practical.inputs:
            continue
        for row in range(derived.rows):
            value = observations.entry(part, row).value
            if value is not None and 0.0 < value < count:
                tables.setdefault(derived.table, {})[part, row] = count - value
    titles = {table.id: table.title for table in practical.definition.tables}
    for table, changes in tables.items():
        yield Edit("scale-backwards", changes,
                   f"the circular scale was counted backwards in “{titles[table]}”")  # fmt: skip


def _zero_edits(numbers: Numbers, id_: str, title: str, kind_divisions: str) -> Iterator[Edit]:
    practical, observations = numbers.practical, numbers.observations
    side = practical.inputs.get(f"{id_}.zero_reading.side")
    if side is None:
        return
    changes: dict[tuple[str, int | None], float] = {}
    for row in range(side.rows):
        value = observations.entry(side.key, row).value
        if value is not None:
            changes[side.key, row] = 1.0 - value
    other = {value: text for text, value in zip(side.choices, side.choice_values, strict=True)}
    shown = {other.get(value, SCREW_SIDES[0]) for value in changes.values()}
    count = observations.entry(f"{id_}.{kind_divisions}").value
    other_sign = dict(changes)
    for row in range(side.rows):
        n = observations.entry(f"{id_}.zero_reading.coincidence", row).value
        if n is not None and count and (side.key, row) in changes:
            other_sign[f"{id_}.zero_reading.coincidence", row] = (count - n) % count
    if len(other_sign) > len(changes):
        yield Edit("zero-sign", other_sign,
                   f"the zero error of the {title.lower()} had the other sign")  # fmt: skip
    counted = {place: n for place, n in other_sign.items() if place[0] != side.key}
    if counted:
        at = ", ".join(dict.fromkeys(f"{n:g}" for n in counted.values()))
        yield Edit("zero-count", counted,
                   f"{at} stood at the line when the {title.lower()} was closed: what is past the "
                   "line is not counted backwards")  # fmt: skip
    if changes and len(shown) == 1:
        yield Edit("zero-side", changes,
                   f"the zero mark of the {title.lower()} stood {shown.pop()}")  # fmt: skip


def _unit_edits(numbers: Numbers) -> Iterator[Edit]:
    """One input, or the columns of one kind of reading of a table, typed in another unit."""
    practical, observations = numbers.practical, numbers.observations
    groups: dict[str, list[str]] = {}
    titles_of_scales = {item.id: item.title for item in practical.definition.instruments}
    for key, one in practical.inputs.items():
        if one.kind != "number" or one.answer or not one.unit.pretty or one.unit.offset:
            continue
        if key.rpartition(".")[2] in ("coincidence", "limit"):
            continue
        name = f"“{one.title}”"
        scale = titles_of_scales.get(key.partition(".")[0]) if one.table is None else None
        if scale is not None:
            name += f" of the {scale.lower()}"
        if one.table is not None:
            reading = _instrument(practical, key.rpartition(".")[0])
            if reading is not None:
                # of a reading in two parts only a whole can be in another unit
                continue
            titles = {table.id: table.title for table in practical.definition.tables}
            table = f"“{titles.get(one.table, one.table)}”"
            name = f"the numbers under “{one.title}” in {table}"
            if one.instrument:
                groups.setdefault(f"the numbers in {table}", []).append(key)
        groups.setdefault(name, []).append(key)
    columns = list(groups.values())
    # a table with one such column: the column has the better name
    groups = {
        name: keys
        for i, (name, keys) in enumerate(groups.items())
        if not any(keys == other for other in columns[i + 1 :])
    }
    for name, keys in groups.items():
        typed = {
            (key, row): value
            for key in keys
            for row in _places(practical.inputs[key])
            if (value := observations.entry(key, row).value)
        }
        if not typed:
            continue
        was = "was" if practical.inputs[keys[0]].table is None else "were"
        unit = practical.inputs[keys[0]].unit
        for other, factor in mistaken_for(unit):
            yield Edit("unit-slip", {place: v * factor for place, v in typed.items()},
                       f"{name} {was} in {other}, not in {unit.pretty}")  # fmt: skip


def mistaken_for(its: Unit) -> Iterator[tuple[str, float]]:
    """Units in which a number may have been typed by mistake, with what it has to be multiplied by.

    Those that differ by one prefix; for a mass also the newton of its weight.
    """
    for other, power in neighbours(its.text):
        yield other.pretty, 10.0**-power
    if str(its.dimension) == "mass":
        yield "N", 1.0 / (STANDARD_GRAVITY * its.factor)


def _places(one: InputField) -> Sequence[int | None]:
    return range(one.rows) if one.table is not None else (None,)
