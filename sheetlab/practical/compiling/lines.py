"""Straight lines, the corners of a gradient triangle, and curves.

A ``DefinitionError`` is raised for the first key that cannot be used.
"""

from __future__ import annotations

from sheetlab.formula import dimensions
from sheetlab.formula.tree import Fitted, Name, Node
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
    InputField,
    LineField,
    triangle_keys,
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
    known.lines[line.id] = LineField(line, x[0], tuple(y), tuple(labels), tuple(back))
    _check_stated(known, line, where)


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
    columns = tuple(Name(key) for key in (curve.x, curve.u_y, curve.y) if key)
    units = [unit_at(parameter.unit, where) for parameter in curve.parameters]
    ids = tuple(parameter.id for parameter in curve.parameters)
    start = tuple(u.to_si(p.start) for u, p in zip(units, curve.parameters, strict=True))
    fitted = tuple(
        Fitted(curve.id, columns, body, ids, start, i, unit.dimension)
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
    own = dimension_at(curve.formula, body, kinds.get, None, at)
    require(own == y.dimension, at, f"has the dimension {own}, y has {y.dimension}")
    return body
