"""Where slips can be planted: readings, lines, instruments, inputs and answers of a definition."""

from __future__ import annotations

from collections.abc import Callable

from sheetlab.formula.slips import arithmetic_names, halved_names, slips
from sheetlab.formula.tree import Binary, Call, Node, walk
from sheetlab.practical.bench_fields import Forward, ReadingField, ScaleField, row_numbers
from sheetlab.practical.fields import InputField
from sheetlab.practical.model import Practical
from sheetlab.practical.slips.slip import Places
from sheetlab.units import unit

LENGTH = (("length", 1.0),)
FEWEST_ROWS = 3
MANY_DIVISIONS = 25
"""Divisions of a moving scale from which many of its numbers have two digits."""
NO_BENCH = Forward((), {}, (), (), {})


def forward_of(practical: Practical) -> Forward:
    """How readings are invented; nothing without a bench."""
    return practical.forward or NO_BENCH


def scale_of(practical: Practical, key: str) -> ScaleField:
    """The scale that a reading is taken from."""
    forward = forward_of(practical)
    return forward.scales[forward.reading(key).scale]


def divisions_of(scale: ScaleField) -> int:
    """Divisions of the moving scale."""
    return round(scale.values[scale.kind.divisions])


def two_scales(practical: Practical) -> list[str]:
    """Readings with a main scale and a coincidence."""
    return [
        key
        for reading in forward_of(practical).readings
        if reading.scale and scale_of(practical, reading.keys[0]).kind.graduation
        for key in reading.keys
    ]


def many_divisions(practical: Practical) -> list[str]:
    """Readings whose coincidence often has two digits that can change places."""
    return [
        key
        for key in two_scales(practical)
        if divisions_of(scale_of(practical, key)) >= MANY_DIVISIONS
    ]


def _on_line(practical: Practical, key: str) -> bool:
    """Whether points of some line in the table of a reading are made of it."""
    table, below = practical.field(key).table, practical.below()
    return any(
        key in below[column]
        for line in practical.lines.values()
        if practical.field(line.x).table == table
        for column in line.columns
    )


def on_lines(practical: Practical) -> list[str]:
    """Readings with a coincidence that the points of a line are made of."""
    return [key for key in two_scales(practical) if _on_line(practical, key)]


def beside_lines(practical: Practical) -> list[str]:
    """Readings with a coincidence that are on no line."""
    return [key for key in two_scales(practical) if not _on_line(practical, key)]


def _long_enough(practical: Practical, line: str) -> bool:
    table = str(practical.field(practical.lines[line].x).table)
    return forward_of(practical).rows[table][0] >= FEWEST_ROWS


def read_lines(practical: Practical) -> list[str]:
    """Lines whose ordinates are read off a scale and not worked out."""
    read = {
        k for reading in forward_of(practical).readings if reading.rounded for k in reading.keys
    }
    return [
        id_
        for id_, line in practical.lines.items()
        if read.issuperset(line.y) and _long_enough(practical, id_)
    ]


def lines_of_two(practical: Practical) -> list[str]:
    """Lines with a way there and a way back that are read."""
    return [id_ for id_ in read_lines(practical) if len(practical.lines[id_].definition.y) == 2]


def two_scale_lines(practical: Practical) -> list[str]:
    """Lines whose ordinates are all read with a coincidence."""
    with_main = set(two_scales(practical))
    return [id_ for id_ in read_lines(practical) if with_main.issuperset(practical.lines[id_].y)]


def first_and_second(practical: Practical, line: str) -> tuple[list[str], list[str]]:
    """Keys of the first and of the second series, one a run; the second may be empty."""
    series = [list(practical.columns(name)) for name in practical.lines[line].definition.y]
    return series[0], series[1] if len(series) == 2 else []


def stepped_lines(practical: Practical) -> list[str]:
    """Lines against something that is put on step by step and known by its mark."""

    def stepped(reading: ReadingField) -> bool:
        if not reading.is_marked or reading.place_noise:
            return False
        return reading.step != 0.0 if reading.node is None else row_numbers(reading.node)

    marked = {k for r in forward_of(practical).readings if stepped(r) for k in r.keys}
    return [
        id_
        for id_, line in practical.lines.items()
        if line.x in marked and _long_enough(practical, id_)
    ]


def counted_scales(practical: Practical) -> list[str]:
    """Instruments in use whose divisions are asked for."""
    forward = forward_of(practical)
    used = {reading.scale for reading in forward.readings}
    return [k for k, scale in forward.scales.items() if scale.kind.divisions and k in used]


def zeroed_scales(practical: Practical) -> list[str]:
    """Instruments whose zero is read."""
    return [key for key, scale in forward_of(practical).scales.items() if scale.zero_table]


def _needed(practical: Practical) -> tuple[str, ...]:
    """Inputs that the first result needs."""
    return practical.leaves(practical.definition.results[0].quantity)


def typed_in_a_unit(practical: Practical) -> list[str]:
    """Columns of plain numbers and single inputs with a unit that the first result needs."""
    needed, pure, forward = _needed(practical), unit("1").dimension, forward_of(practical)
    columns = [
        reading.column
        for reading in forward.readings
        if reading.unit.dimension != pure and set(reading.keys) <= set(needed)
    ]
    singles = [typed.field for typed in forward.inputs if typed.node is not None]
    return columns + [f.key for f in singles if f.unit.dimension != pure and f.key in needed]


def is_count(field: InputField) -> bool:
    """Whether a single input is a whole number of things that somebody counted."""
    return (
        field.table is None
        and field.kind == "number"
        and field.decimals == 0
        and field.unit.text == "1"
        and not field.answer
        and "." not in field.key
    )


def typed_counts(practical: Practical) -> list[str]:
    """Single inputs that are counts, and that the first result needs."""
    needed = _needed(practical)
    singles = [typed.field for typed in forward_of(practical).inputs if typed.node is not None]
    return [field.key for field in singles if is_count(field) and field.key in needed]


# -- own results ---------------------------------------------------------------------------------


def answered(practical: Practical, answer: str) -> str:
    """The quantity that an answer (``answer.ID``) gives."""
    return next(a.quantity for a in practical.definition.answers if f"answer.{a.id}" == answer)


def answers(wanted: Callable[[Practical, str, Node], bool] = lambda *_: True) -> Places:
    """Answers whose quantity and formula are as wanted."""

    def places(practical: Practical) -> list[str]:
        return [
            f"answer.{answer.id}"
            for answer in practical.definition.answers
            if answer.quantity
            and wanted(practical, answer.quantity, practical.derived[answer.quantity].node)
        ]

    return places


def has_squared_length(practical: Practical, _: str, node: Node) -> bool:
    """Whether a length stands in a formula squared or halved."""
    halved = halved_names(node)
    return any(
        (abs(power) >= 2.0 or key in halved)
        and practical.field(practical.columns(key)[0]).unit.dimension.exponents == LENGTH
        for key, power in arithmetic_names(node).items()
    )


def answers_with(*kinds: str) -> Places:
    """Answers whose formula allows slips of some kinds."""
    return answers(
        lambda practical, _, node: any(
            slip.kind in kinds for slip in slips(node, lambda key: (1.0,), lambda key: 1)
        )
    )


def is_quotient(_: Practical, __: str, node: Node) -> bool:
    """Whether a formula divides, or is a slope."""
    if is_slope(_, __, node):
        return True
    return any(isinstance(part, Binary) and part.op == "/" for part in walk(node))


def is_corrected(practical: Practical, quantity: str, _: Node) -> bool:
    """Whether a quantity rests on readings with a zero error."""
    below = practical.below()[quantity]
    return any(f"{key}.zero" in below for key in zeroed_scales(practical))


def has_alternative(practical: Practical, quantity: str, _: Node) -> bool:
    """Whether a result has another method."""
    results = practical.definition.results
    return any(result.quantity == quantity and result.alternatives for result in results)


def is_slope(_: Practical, __: str, node: Node) -> bool:
    """Whether a formula is or holds the slope of a line."""
    return any(isinstance(part, Call) and part.function.endswith("slope") for part in walk(node))
