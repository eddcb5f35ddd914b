"""Straight lines, the corners of a gradient triangle, and curves."""

from __future__ import annotations

from sheetlab.formula import dimensions
from sheetlab.formula.tree import Fitted, Name, Node
from sheetlab.practical.compiling.names import Names, dimension_at, formula_at, unit_at
from sheetlab.practical.definition import Assist, Curve, DefinitionError, Line
from sheetlab.practical.fields import (
    CurveField,
    DerivedField,
    InputField,
    LineField,
    triangle_keys,
)


def add_line(known: Names, line: Line) -> None:
    """Add a straight line, whose results formulas may then name.

    Raises
    ------
    DefinitionError
        For the first key that cannot be used.
    """
    where = f"lines.{line.id}"
    found = []
    for key in (line.x, *line.y):
        kind = known.kind(key)
        if kind is None or kind.table is None:
            raise DefinitionError(where, f"“{key}” is not a column", "table.column")
        found.append(kind)
    if len({kind.table for kind in found}) > 1:
        raise DefinitionError(where, "its columns are not of one table")
    if len({kind.dimension for kind in found[1:]}) > 1:
        raise DefinitionError(f"{where}.y", "its columns do not measure the same")
    x = known.columns(line.x)
    if len(x) != 1:
        raise DefinitionError(f"{where}.x", f"“{line.x}” has several readings in a row")
    y: list[str] = []
    labels: list[str] = []
    back: list[bool] = []
    for name in line.back:
        if name not in line.y:
            raise DefinitionError(f"{where}.back", f"“{name}” is not in y", ", ".join(line.y))
    for i, name in enumerate(line.y):
        columns = known.columns(name)
        base = line.series[i] if i < len(line.series) else known.title(columns[0])
        y += columns
        back += [name in line.back] * len(columns)
        labels += [base if len(columns) == 1 else f"{base} {k + 1}" for k in range(len(columns))]
    known.claim(line.id, where)
    known.lines[line.id] = LineField(line, x[0], tuple(y), tuple(labels), tuple(back))
    _check_stated(known, line, where)


def _check_stated(known: Names, line: Line, where: str) -> None:
    stated = [(key, part) for key, part in ((line.u_x, line.x), (line.u_y, line.y[0])) if key]
    if line.u_x and not line.u_y:
        raise DefinitionError(f"{where}.u_y", "is missing", "uncertainties of y beside u_x")
    if (stated or line.through_origin) and len(known.lines[line.id].y) > 1:
        raise DefinitionError(f"{where}.y", "has several series", "one column")
    if stated and line.through_origin:
        raise DefinitionError(f"{where}.through_origin", "cannot stand with u_x or u_y")
    for key, part in stated:
        _check_column(known, key, part, where)


def _check_column(known: Names, key: str, part: str, where: str) -> None:
    """A column of uncertainties: in the table of what it belongs to, and of its dimension."""
    found, wanted = known.kind(key), known.kind(part)
    if found is None or found.table is None or found.repeated:
        raise DefinitionError(where, f"“{key}” is not a column", "table.column")
    assert wanted is not None
    if found.table != wanted.table or found.dimension != wanted.dimension:
        raise DefinitionError(where, f"“{key}” does not belong to “{part}”")


def add_triangle(known: Names, line: LineField) -> None:
    """Add the inputs for the corners of the student's own gradient triangle."""
    titles = (line.definition.x_title, line.definition.y_title)
    for i, key in enumerate(triangle_keys(line)):
        one, title = known.field((line.x, line.y[0])[i % 2]), titles[i % 2]
        assert one is not None
        corner = "first" if i < 2 else "second"
        known.add_input(
            InputField(
                key=key,
                title=f"{corner} corner: {title.rpartition(' / ')[0] or title}",
                unit=one.unit,
                decimals=one.decimals,
                answer=True,
                help="A point on the line that you drew, far out on it, and not one of the "
                "readings.",
            ),
            f"lines.{line.definition.id}.triangle",
        )


def add_curve(known: Names, curve: Curve) -> None:
    """Add a curve and its parameters, which are quantities.

    Raises
    ------
    DefinitionError
        For the first key that cannot be used.
    """
    where = f"curves.{curve.id}"
    body = _body(known, curve, where)
    columns = tuple(Name(key) for key in (curve.x, curve.u_y, curve.y) if key)
    units = [unit_at(one.unit, where) for one in curve.parameters]
    ids = tuple(one.id for one in curve.parameters)
    start = tuple(u.to_si(one.start) for u, one in zip(units, curve.parameters, strict=True))
    fitted = tuple(
        Fitted(curve.id, columns, body, ids, start, i, its_unit.dimension)
        for i, its_unit in enumerate(units)
    )
    for one, its_unit, node in zip(curve.parameters, units, fitted, strict=True):
        known.add_derived(
            DerivedField(
                key=f"{curve.id}.{one.id}",
                title=one.title,
                unit=its_unit,
                node=node,
                text=f"{one.id} of {curve.id}",
                symbol=one.symbol,
                decimals=one.decimals,
                assist=Assist.FULL,
            ),
            f"{where}.parameters.{one.id}",
        )
    known.claim(curve.id, where)
    known.curves[curve.id] = CurveField(curve, fitted)


def _body(known: Names, curve: Curve, where: str) -> Node:
    """The formula of a curve, in ``x`` and its parameters, checked against its columns."""
    for key in (curve.x, curve.y):
        found = known.kind(key)
        if found is None or found.table is None or found.repeated or found.text:
            raise DefinitionError(where, f"“{key}” is not a column", "table.column")
    if curve.u_y:
        _check_column(known, curve.u_y, curve.y, f"{where}.u_y")
    x, y = known.kind(curve.x), known.kind(curve.y)
    assert x is not None
    assert y is not None
    if x.table != y.table:
        raise DefinitionError(where, "its columns are not of one table")
    if not curve.parameters:
        raise DefinitionError(f"{where}.parameters", "is empty")
    kinds = {"x": dimensions.Kind(x.dimension)}
    for one in curve.parameters:
        if one.id in kinds:
            raise DefinitionError(f"{where}.parameters", f"“{one.id}” is used twice")
        kinds[one.id] = dimensions.Kind(unit_at(one.unit, f"{where}.parameters").dimension)
    body = formula_at(curve.formula, f"{where}.formula")
    its = dimension_at(curve.formula, body, kinds.get, None, f"{where}.formula")
    if its != y.dimension:
        raise DefinitionError(f"{where}.formula", f"has the dimension {its}, y has {y.dimension}")
    return body
