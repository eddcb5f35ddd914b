"""Tables of materials and gauges for plans: those that come with sheetlab, and the user's own."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path

from sheetlab.finding import Finding, Severity, SheetlabError, finding
from sheetlab.handling.tables import ListColumn, Row, read_first
from sheetlab.practical import standards
from sheetlab.practical.loads import Gauge, Material
from sheetlab.practical.schedules import Books
from sheetlab.units import unit

SHIPPED = Path(__file__).with_name("materials.csv")
COLUMNS = (
    ListColumn("name"),
    ListColumn("choice", optional=True),
    ListColumn("modulus from / GPa", kind="number"),
    ListColumn("modulus to / GPa", kind="number"),
    ListColumn("breaking from / MPa", kind="number"),
    ListColumn("breaking to / MPa", kind="number"),
    ListColumn("yield from / MPa", kind="number", optional=True),
    ListColumn("yield to / MPa", kind="number", optional=True),
    ListColumn("confirmed", kind="choice", choices=("yes", "no"), optional=True),
    ListColumn("source", letters=400),
)
MOST = 1e6
"""Greatest number of a material, GPa or MPa."""
SWG_SOURCE = "Imperial standard wire gauge, BS 3737:1964"
AWG_SOURCE = "American wire gauge, ASTM B258: d = 0.127 mm × 92^((36 − n)/39)"
AWG_NUMBERS = range(45)
MILLIMETRE = 1e-3


def books(own: Path | None = None) -> Books:
    """Materials and gauges that come with sheetlab, and the user's own materials before them.

    Raises
    ------
    SheetlabError
        If the user's list cannot be read, or with a finding for each cell that cannot be used.
    """
    mine = () if own is None else read_materials(own)
    names = {material.name for material in mine}
    shipped = (material for material in read_materials(SHIPPED) if material.name not in names)
    return Books((*mine, *shipped), gauges())


def read_materials(path: Path) -> tuple[Material, ...]:
    """Materials of a list; raises SheetlabError as ``books`` does."""
    rows = read_first(path, COLUMNS, "materials-refused")
    problems = [problem for row in rows for problem in _problems(row)]
    if problems:
        raise SheetlabError(*problems)
    return tuple(_material(row) for row in rows)


def _problems(row: Row) -> Iterator[Finding]:
    for heading in ("name", "source"):
        if not row.text(heading):
            yield _refused("materials-refused_text", row, heading=heading)
    for name, unit_ in (("modulus", "GPa"), ("breaking", "MPa"), ("yield", "MPa")):
        low, high = (row.number(f"{name} {end} / {unit_}") for end in ("from", "to"))
        may_be_missing = name == "yield" and low is None and high is None
        if not may_be_missing and not 0.0 < (low or 0.0) <= (high or 0.0) <= MOST:
            yield _refused("materials-refused_range", row, name=name, unit=unit_)


def _refused(message: str, row: Row, **values: str) -> Finding:
    return finding(message, Severity.STOP, row.place, row=row.line, **values)


def _material(row: Row) -> Material:
    def ends(name: str, unit_: str) -> tuple[float, float]:
        low, high = (row.number(f"{name} {end} / {unit_}") or 0.0 for end in ("from", "to"))
        factor = unit(unit_).factor
        return low * factor, high * factor

    return Material(
        name=row.text("name"),
        choice=row.text("choice"),
        modulus=ends("modulus", "GPa"),
        breaking=ends("breaking", "MPa"),
        yielding=ends("yield", "MPa") if row.number("yield from / MPa") else None,
        source=row.text("source"),
        confirmed=row.text("confirmed") != "no",
    )


@cache
def gauges() -> tuple[Gauge, ...]:
    """All gauge numbers: SWG from the table, AWG by its formula."""
    found = [
        Gauge(f"SWG {one.number}", one.diameter * MILLIMETRE, SWG_SOURCE)
        for number in range(standards.FIRST_GAUGE, standards.LAST_GAUGE + 1)
        if (one := standards.gauge("SWG", number)) is not None
    ]
    found += [
        Gauge(f"AWG {number}", standards.awg(number) * MILLIMETRE, AWG_SOURCE)
        for number in AWG_NUMBERS
    ]
    return tuple(found)
