"""Values looked up in a table of a book: straight between its points, with what that leaves open.

A ``DefinitionError`` is raised for the first key that cannot be used.
"""

from __future__ import annotations

from itertools import pairwise

from sheetlab.formula.tree import Binary, Call, Comparison, Logic, Name, Node, Number
from sheetlab.messages import phrase, said, words
from sheetlab.practical.compiling.names import Names, require, sources_of, unit_at
from sheetlab.practical.definition import Assist, Check, Lookup
from sheetlab.practical.fields import DerivedField, SourceSpec
from sheetlab.units import Unit, interval_of

FEWEST, MOST = 2, 60


def add_lookup(known: Names, lookup: Lookup) -> None:
    """Add the looked-up value, and the question whether its argument lies in the table."""
    where = f"lookups.{lookup.id}"
    of = known.single(lookup.of)
    require(of, f"{where}.of", f"there is no single value “{lookup.of}”")
    assert of is not None
    argument = unit_at(lookup.argument_unit, f"{where}.argument_unit")
    alike = argument.dimension == of.unit.dimension
    require(alike, f"{where}.argument_unit", f"does not measure the same as “{lookup.of}”")
    own = unit_at(lookup.unit, f"{where}.unit")
    good = FEWEST <= len(lookup.points) <= MOST
    require(good, f"{where}.points", f"{len(lookup.points)} points", f"{FEWEST} to {MOST} points")
    rising = all(a[0] < b[0] for a, b in pairwise(lookup.points))
    require(rising, f"{where}.points", "do not rise", "pairs of argument and value, in order")
    points = [(argument.to_si(x), own.to_si(y)) for x, y in lookup.points]
    text = said(phrase("lookup-text", of=lookup.of, source=lookup.source))
    known.add(
        DerivedField, lookup, where, unit=own, node=_between(lookup.of, of.unit, own, points),
        text=text, assist=Assist.FULL, sources=_sources(lookup, own, points),
    )  # fmt: skip
    low, high = (Number(end, of.unit.dimension) for end in (points[0][0], points[-1][0]))
    inside = Logic("and", (Comparison(">=", Name(lookup.of), low),
                           Comparison("<=", Name(lookup.of), high)))  # fmt: skip
    asked = words("lookup-outside", (("source", lookup.source), ("title", of.title)))
    check = Check("outside-the-table", "", asked["found"], expected=asked["expected"])
    known.add_check(check, node=inside, at=lookup.of, table=None)


def _between(of: str, x: Unit, y: Unit, points: list[tuple[float, float]]) -> Node:
    """Straight from point to point: a first slope, and at each point the change of it.

    A change of slope at x_i adds half of it times |x − x_i| + (x − x_i): nothing before it.
    """

    def beyond(start: float) -> Node:
        return Binary("-", Name(of), Number(start, x.dimension))

    def times(slope: float, part: Node) -> Node:
        return Binary("*", Number(slope, y.dimension / x.dimension), part)

    slopes = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairwise(points)]
    first, value = points[0]
    node: Node = Binary("+", Number(value, y.dimension), times(slopes[0], beyond(first)))
    for (at, _), (before, after) in zip(points[1:], pairwise(slopes), strict=False):
        hinge = Binary("+", Call("abs", (beyond(at),)), beyond(at))
        node = Binary("+", node, times(0.5 * (after - before), hinge))
    return node


def _sources(
    lookup: Lookup, own: Unit, points: list[tuple[float, float]]
) -> tuple[SourceSpec, ...]:
    """What the source states, and what lies between straight lines and a smooth curve.

    Between points h apart a smooth curve leaves its chord by at most h²/8 of its second derivative
    (remainder of linear interpolation, any book of numerical analysis; from memory). Points tell of
    it in between; towards the ends it goes on as it changes.
    """
    slopes = [((b[1] - a[1]) / (b[0] - a[0]), b[0] - a[0]) for a, b in pairwise(points)]
    bends = [
        2.0 * abs(after - before) / (h + g) * max(h, g) ** 2 / 8.0
        for (before, h), (after, g) in pairwise(slopes)
    ]
    if len(bends) > 1:
        bends += [2.0 * bends[0] - bends[1], 2.0 * bends[-1] - bends[-2]]
    label = said(phrase("lookup-between", title=lookup.title))
    chord = SourceSpec(f"{lookup.id}#chord", label, Number(max(bends, default=0.0)))
    return (*sources_of(lookup.uncertainty, lookup.id, interval_of(own)), chord)
