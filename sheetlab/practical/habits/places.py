"""Where habits can happen: readings, lines, instruments and inputs of any definition."""

from __future__ import annotations

from sheetlab.practical.bench_fields import ReadingField, ScaleField, row_numbers
from sheetlab.practical.fields import LineField
from sheetlab.practical.model import Practical
from sheetlab.units import unit


def readings_of(practical: Practical) -> tuple[ReadingField, ...]:
    """Columns that are read or typed; none without a bench."""
    return () if practical.forward is None else practical.forward.readings


def scale_of(practical: Practical, key: str) -> ScaleField:
    """The scale that a reading is taken from."""
    assert practical.forward is not None
    return practical.forward.scales[practical.forward.reading(key).scale]


def two_scales(practical: Practical) -> list[str]:
    """Readings with a main scale and a coincidence."""
    return [
        key
        for one in readings_of(practical)
        if one.scale and scale_of(practical, one.keys[0]).kind.graduation
        for key in one.keys
    ]


def numbered_beyond_twenty(practical: Practical) -> list[str]:
    """Readings whose coincidence often has two digits that can change places."""
    return [key for key in two_scales(practical) if divisions_of(scale_of(practical, key)) >= 25]


def divisions_of(scale: ScaleField) -> int:
    """Divisions of the moving scale."""
    return round(scale.values[scale.kind.divisions])


def _of_lines(practical: Practical) -> set[str]:
    """Readings that the points of some line are made of."""
    found = set()
    for line in practical.lines.values():
        table = practical.field(line.x).table
        leaves = [leaf for column in (line.x, *line.y) for leaf in practical.leaves(column)]
        for one in readings_of(practical):
            if one.table == table:
                found |= {
                    key
                    for key in one.keys
                    if any(leaf == key or leaf.startswith(f"{key}.") for leaf in leaves)
                }
    return found


def line_readings(practical: Practical) -> list[str]:
    """Readings with a coincidence that the points of a line are made of."""
    on_lines = _of_lines(practical)
    return [key for key in two_scales(practical) if key in on_lines]


def other_readings(practical: Practical) -> list[str]:
    """Readings with a coincidence that are on no line."""
    on_lines = _of_lines(practical)
    return [key for key in two_scales(practical) if key not in on_lines]


def read_lines(practical: Practical) -> list[str]:
    """Lines whose ordinates are read off a scale and not worked out."""
    known = {key for one in readings_of(practical) if one.rounded for key in one.keys}
    return [
        id_
        for id_, line in practical.lines.items()
        if known.issuperset(line.y) and _rows_wanted(practical, line) >= 3
    ]


def _rows_wanted(practical: Practical, line: LineField) -> int:
    assert practical.forward is not None
    return practical.forward.rows[str(practical.field(line.x).table)][0]


def lines_of_two(practical: Practical) -> list[str]:
    """Lines with a way there and a way back that are read."""
    return [id_ for id_ in read_lines(practical) if len(practical.lines[id_].definition.y) == 2]


def first_and_second(practical: Practical, line: str) -> tuple[list[str], list[str]]:
    """Keys of the first and of the second series, one a run; the second may be empty."""
    series = [list(practical.columns(name)) for name in practical.lines[line].definition.y]
    return series[0], series[1] if len(series) == 2 else []


def two_scale_lines(practical: Practical) -> list[str]:
    """Lines whose ordinates are all read with a coincidence."""
    with_main = set(two_scales(practical))
    return [i for i in read_lines(practical) if with_main.issuperset(practical.lines[i].y)]


def coincidence_tables(practical: Practical) -> list[str]:
    """Tables with readings that have a coincidence."""
    keys = set(two_scales(practical))
    return list(dict.fromkeys(one.table for one in readings_of(practical) if keys & set(one.keys)))


def two_scale_instruments(practical: Practical) -> list[str]:
    """Instruments in use whose divisions are asked for."""
    used = {one.scale for one in readings_of(practical)}
    scales = {} if practical.forward is None else practical.forward.scales
    return [key for key, one in scales.items() if one.kind.divisions and key in used]


def zeroed_instruments(practical: Practical) -> list[str]:
    """Instruments whose zero is read."""
    scales = {} if practical.forward is None else practical.forward.scales
    return [key for key, one in scales.items() if one.zero_table]


def stepped_lines(practical: Practical) -> list[str]:
    """Lines against something that is put on step by step and known by its mark."""
    found = []
    for id_, line in practical.lines.items():
        one = next((r for r in readings_of(practical) if line.x in r.keys), None)
        if one is not None and one.is_marked and not one.place_noise:
            stepped = one.step != 0.0 if one.node is None else row_numbers(one.node)
            if stepped and _rows_wanted(practical, line) >= 3:
                found.append(id_)
    return found


def _first_result(practical: Practical) -> str:
    return practical.definition.results[0].quantity


def typed_in_a_unit(practical: Practical) -> list[str]:
    """Columns of plain numbers and single inputs with a unit that the first result needs."""
    needed = set(practical.leaves(_first_result(practical)))
    pure = unit("1").dimension
    found = [
        one.column
        for one in readings_of(practical)
        if one.unit.dimension != pure and needed.issuperset(one.keys)
    ]
    inputs = () if practical.forward is None else practical.forward.inputs
    return found + [
        one.field.key
        for one in inputs
        if one.node is not None and one.field.unit.dimension != pure and one.field.key in needed
    ]


def typed_counts(practical: Practical) -> list[str]:
    """Single inputs that are counts, and that the first result needs."""
    needed = set(practical.leaves(_first_result(practical)))
    inputs = () if practical.forward is None else practical.forward.inputs
    return [
        one.field.key
        for one in inputs
        if one.node is not None
        and one.field.decimals == 0
        and one.field.unit.text == unit("1").text
        and one.field.key in needed
    ]
