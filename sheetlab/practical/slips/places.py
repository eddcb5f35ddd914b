"""Where slips of cells and of the bench can be planted: readings, lines, instruments, inputs."""

from __future__ import annotations

from sheetlab.practical.bench_fields import Forward, ReadingField, row_numbers
from sheetlab.practical.fields import InputField
from sheetlab.practical.model import Practical
from sheetlab.units import NUMBER

FEWEST_ROWS = 3
NO_BENCH = Forward((), {}, (), (), {})


def forward_of(practical: Practical) -> Forward:
    """How readings are invented; nothing without a bench."""
    return practical.forward or NO_BENCH


def two_scales(practical: Practical) -> list[str]:
    """Readings with a main scale and a coincidence."""
    forward = forward_of(practical)
    return [
        key
        for reading in forward.readings
        if reading.scale and forward.scales[reading.scale].kind.graduation
        for key in reading.keys
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


def _long_lines(practical: Practical) -> list[str]:
    """Lines of three rows or more."""
    rows, lines = forward_of(practical).rows, practical.lines
    tables = {id_: str(practical.field(line.x).table) for id_, line in lines.items()}
    return [id_ for id_, table in tables.items() if rows.get(table, (0, 0))[0] >= FEWEST_ROWS]


def read_lines(practical: Practical) -> list[str]:
    """Lines whose ordinates are read off a scale and not worked out."""
    read = {
        k for reading in forward_of(practical).readings if reading.rounded for k in reading.keys
    }
    return [id_ for id_ in _long_lines(practical) if read.issuperset(practical.lines[id_].y)]


def two_scale_lines(practical: Practical) -> list[str]:
    """Lines whose ordinates are all read with a coincidence."""
    with_main = set(two_scales(practical))
    return [id_ for id_ in read_lines(practical) if with_main.issuperset(practical.lines[id_].y)]


def lines_of_two(practical: Practical) -> list[str]:
    """Lines with a way there and a way back that are read."""
    return [id_ for id_ in read_lines(practical) if first_and_second(practical, id_)[1]]


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
    return [id_ for id_ in _long_lines(practical) if practical.lines[id_].x in marked]


def counted_scales(practical: Practical) -> list[str]:
    """Instruments in use whose divisions are asked for."""
    forward = forward_of(practical)
    used = {reading.scale for reading in forward.readings}
    return [k for k, scale in forward.scales.items() if scale.kind.divisions and k in used]


def zeroed_scales(practical: Practical) -> list[str]:
    """Instruments whose zero is read."""
    return [key for key, scale in forward_of(practical).scales.items() if scale.zero_table]


def _singles(practical: Practical) -> list[InputField]:
    """Single numbers that are typed and that the first result needs."""
    needed = practical.leaves(practical.definition.results[0].quantity)
    typed = [one.field for one in forward_of(practical).inputs if one.node is not None]
    return [field for field in typed if field.key in needed]


def typed_in_a_unit(practical: Practical) -> list[str]:
    """Columns of plain numbers and single inputs with a unit that the first result needs."""
    needed = set(practical.leaves(practical.definition.results[0].quantity))
    columns = [
        reading.column
        for reading in forward_of(practical).readings
        if reading.unit.dimension != NUMBER and needed.issuperset(reading.keys)
    ]
    singles = _singles(practical)
    return columns + [field.key for field in singles if field.unit.dimension != NUMBER]


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
    return [field.key for field in _singles(practical) if is_count(field)]
