"""Straight lines, the corners of a gradient triangle, and curves.

A ``DefinitionError`` is raised for the first key that cannot be used.
"""

from __future__ import annotations

from msgspec.structs import replace

from sheetlab.formula import dimensions
from sheetlab.formula.tree import (
    Binary,
    Call,
    Fitted,
    Name,
    Node,
    Number,
    Spread,
    names,
    rebuild,
    walk,
)
from sheetlab.metrology.budget import DIVISORS
from sheetlab.practical.compiling.names import (
    Names,
    dimension_at,
    formula_at,
    require,
    unit_at,
)
from sheetlab.practical.definition import Assist, Curve, Line
from sheetlab.practical.fields import (
    CurveField,
    DerivedField,
    Field,
    InputField,
    LineField,
    triangle_keys,
    without_condition,
)


def add_line(known: Names, line: Line) -> None:
    """Add a straight line, whose results formulas may then name."""
    where = f"lines.{line.id}"
    kinds = [known.column_kind(line.x, f"{where}.x")]
    kinds += [known.column_kind(key, f"{where}.y") for key in line.y]
    require(len({kind.table for kind in kinds}) == 1, where, "its columns are not of one table")
    alike = len({kind.dimension for kind in kinds[1:]}) == 1
    require(alike, f"{where}.y", "its columns do not measure the same")
    x = known.columns(line.x)
    require(len(x) == 1, f"{where}.x", f"“{line.x}” has several readings in a row")
    for name in line.back:
        require(name in line.y, f"{where}.back", f"“{name}” is not in y", ", ".join(line.y))
    y: list[str] = []
    labels: list[str] = []
    back: list[bool] = []
    for i, name in enumerate(line.y):
        columns = known.columns(name)
        field = known.field(columns[0])
        base = line.series[i] if i < len(line.series) else field.title if field else ""
        y += columns
        back += [name in line.back] * len(columns)
        labels += [base if len(columns) == 1 else f"{base} {k + 1}" for k in range(len(columns))]
    known.claim(line.id, where)
    if line.weights:
        line = _weighted(known, line, where)
    known.lines[line.id] = LineField(line, x[0], tuple(y), tuple(labels), tuple(back))
    _check_stated(known, line, where)


def _weighted(known: Names, line: Line, where: str) -> Line:
    """A line with columns of uncertainties that its readings give."""
    where = f"{where}.weights"
    require(not (line.u_x or line.u_y), where, "stands beside u_x or u_y", "one of them")
    read = [readings_of(known, key, where) for key in (line.x, line.y[0])]
    require(read[1], where, f"“{line.y[0]}” has no instrument and no repeats behind it")
    shared = read[0].keys() & read[1].keys()
    reason = f"both x and y have the reading “{', '.join(sorted(shared))}” in them"
    require(not shared, where, reason, "u_x and u_y, or no weights")
    made = {}
    for key, column, readings in zip(("u_x", "u_y"), (line.x, line.y[0]), read, strict=True):
        field = known.field(known.columns(column)[0])
        if readings and field is not None and field.table is not None:
            own = f"{line.id}.{key}"
            node = Spread(
                inlined(known, Name(column), set(readings)), tuple(readings.values()),
                known.tables[field.table], field.unit.dimension,
            )  # fmt: skip
            known.add(
                DerivedField, None, where, key=own, unit=field.unit, node=node, table=field.table,
                text=f"uncertainty of {column}", title=f"u of {field.title}",
                assist=Assist.FULL, decimals=field.decimals,
            )  # fmt: skip
            made[key] = own
    return replace(line, **made)


def readings_of(known: Names, name: str, where: str) -> dict[str, tuple[tuple[Name, ...], Node]]:
    """Readings of the same table behind a column, with what one is uncertain by on its scale."""
    found: dict[str, tuple[tuple[Name, ...], Node]] = {}
    table = known.column_kind(name, where).table
    open_ = [name]
    while open_:
        key = open_.pop()
        columns = known.columns(key)
        field = known.field(columns[0])
        if field is None or field.table != table or key in found:
            continue
        by_scale = _by_scale(field)
        if by_scale is not None or len(columns) > 1:
            found[key] = tuple(map(Name, columns)), by_scale or Number(0.0)
        elif isinstance(field, DerivedField):
            before = any(
                isinstance(part, Call) and part.function == "previous" for part in walk(field.node)
            )
            require(not before, where, f"“{key}” has readings of two rows in it", "no weights")
            open_ += names(field.node)
    return found


def _by_scale(field: Field) -> Node | None:
    """Standard uncertainty of one element by its scale; None where there is none."""
    node = without_condition(field.node) if isinstance(field, DerivedField) else None
    if isinstance(node, Call) and node.function == "group_slope":
        return Call("group_slope_uncertainty", node.arguments)
    squares: Node | None = None
    for spec in field.sources:
        if spec.rounding:
            u = Binary("/", spec.half_width, Number(DIVISORS[spec.distribution]))
            square = Binary("^", u, Number(2.0))
            squares = square if squares is None else Binary("+", squares, square)
    return None if squares is None else Call("sqrt", (squares,))


def inlined(known: Names, node: Node, kept: set[str]) -> Node:
    """A formula in which only these columns, and single values, stand."""

    def change(part: Node) -> Node:
        own = known.derived.get(part.key) if isinstance(part, Name) else None
        if own is None or own.table is None or own.key in kept:
            return part
        return rebuild(own.node, change)

    # arguments of statistics are names of columns, which stay: single columns have no such call
    return rebuild(node, change)


def _check_stated(known: Names, line: Line, where: str) -> None:
    stated = [(key, part) for key, part in ((line.u_x, line.x), (line.u_y, line.y[0])) if key]
    alone = not line.u_x or line.u_y
    require(alone, f"{where}.u_y", "is missing", "uncertainties of y beside u_x")
    several = (stated or line.through_origin) and len(known.lines[line.id].y) > 1
    require(not several, f"{where}.y", "has several series", "one column")
    both = stated and line.through_origin
    require(not both, f"{where}.through_origin", "cannot stand with u_x or u_y")
    for key, part in stated:
        _check_column(known, key, part, where)


def _check_column(known: Names, key: str, part: str, where: str) -> None:
    """A column of uncertainties: in the table of what it belongs to, and of its dimension."""
    kind, owner = known.column_kind(key, where, repeated=False), known.column_kind(part, where)
    alike = (kind.table, kind.dimension) == (owner.table, owner.dimension)
    require(alike, where, f"“{key}” does not belong to “{part}”")


def add_triangle(known: Names, line: LineField) -> None:
    """Add the inputs for the corners of the student's own gradient triangle."""
    titles = (line.definition.x_title, line.definition.y_title)
    for i, key in enumerate(triangle_keys(line)):
        field, title = known.field((line.x, line.y[0])[i % 2]), titles[i % 2]
        assert field is not None
        corner = "first" if i < 2 else "second"
        known.add(
            InputField, None, f"lines.{line.definition.id}.triangle", key=key, unit=field.unit,
            title=f"{corner} corner: {title.rpartition(' / ')[0] or title}",
            decimals=field.decimals, answer=True,
            help="A point on the line that you drew, far out on it, and not one of the readings.",
        )  # fmt: skip


def add_curve(known: Names, curve: Curve) -> None:
    """Add a curve and its parameters, which are quantities."""
    where = f"curves.{curve.id}"
    body = _body(known, curve, where)
    others = tuple(Name(key) for key in names(body) if known.single(key) is not None)
    columns = tuple(Name(key) for key in (curve.x, curve.u_y, curve.y) if key)
    units = [unit_at(parameter.unit, where) for parameter in curve.parameters]
    ids = tuple(parameter.id for parameter in curve.parameters)
    start = tuple(u.to_si(p.start) for u, p in zip(units, curve.parameters, strict=True))
    fitted = tuple(
        Fitted(curve.id, columns, body, ids, start, i, unit.dimension, others)
        for i, unit in enumerate(units)
    )
    for parameter, unit, node in zip(curve.parameters, units, fitted, strict=True):
        at, text = f"{where}.parameters.{parameter.id}", f"{parameter.id} of {curve.id}"
        known.add(
            DerivedField, parameter, at, key=f"{curve.id}.{parameter.id}", unit=unit, node=node,
            text=text, assist=Assist.FULL,
        )  # fmt: skip
    known.claim(curve.id, where)
    known.curves[curve.id] = CurveField(curve, fitted)


def _body(known: Names, curve: Curve, where: str) -> Node:
    """The formula of a curve, in ``x`` and its parameters, checked against its columns."""
    x, y = (known.column_kind(key, where, repeated=False) for key in (curve.x, curve.y))
    for kind, key in ((x, curve.x), (y, curve.y)):
        require(not kind.text, where, f"“{key}” is not a column", "table.column")
    if curve.u_y:
        _check_column(known, curve.u_y, curve.y, f"{where}.u_y")
    require(x.table == y.table, where, "its columns are not of one table")
    require(curve.parameters, f"{where}.parameters", "is empty")
    kinds = {"x": dimensions.Kind(x.dimension)}
    for parameter in curve.parameters:
        once = parameter.id not in kinds
        require(once, f"{where}.parameters", f"“{parameter.id}” is used twice")
        dimension = unit_at(parameter.unit, f"{where}.parameters").dimension
        kinds[parameter.id] = dimensions.Kind(dimension)
    at = f"{where}.formula"
    body = formula_at(curve.formula, at)

    def kind_of(key: str) -> dimensions.Kind | None:
        return kinds.get(key) or (known.kind(key) if known.single(key) else None)

    own = dimension_at(curve.formula, body, kind_of, None, at)
    require(own == y.dimension, at, f"has the dimension {own}, y has {y.dimension}")
    return body
