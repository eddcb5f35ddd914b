"""Functions for cells: tables of wires, materials and weights, and normal gravity."""

from __future__ import annotations

import math
from functools import cache

from sheetlab.formula.values import Given, evaluate, macro_body
from sheetlab.live.cells import RefusedError, shown, word
from sheetlab.live.library import Argument, Block, Example, Function, asked, part_of
from sheetlab.metrology import gravity
from sheetlab.practical import standards

GROUP = "Tables"
SYSTEMS = ("SWG", "AWG")
NEAR = 0.1
"""Gauges follow each other in steps of a tenth or so: farther off is outside the table."""


def _diameter(gauge: str) -> float:
    found = standards.read_gauge(gauge)
    if found is None:
        raise RefusedError(
            f"“{shown(gauge)}” is no gauge from {standards.FIRST_GAUGE} to {standards.LAST_GAUGE}; "
            "write it as 26 SWG or AWG 26"
        )
    return found.diameter


def _nearest(diameter: float, system: str) -> Block:
    found = asked(standards.nearest_gauge, "SWG" if system == "SWG" else "AWG", diameter)
    if abs(diameter / found.diameter - 1.0) > NEAR:
        raise RefusedError(
            f"{diameter:g} mm is near no gauge of the table; the last one on this side is {found}, "
            f"{found.diameter:g} mm. Is the diameter in mm?"
        )
    return (
        ("gauge", str(found)),
        ("its diameter", found.diameter),
        ("off by %", 100.0 * (diameter / found.diameter - 1.0)),
    )


_PROPERTIES = (
    "lowest modulus (GPa)",
    "highest modulus (GPa)",
    "lowest breaking stress (MPa)",
    "highest breaking stress (MPa)",
    "lowest yield stress (MPa)",
    "highest yield stress (MPa)",
    "source",
)


def _material(material: str) -> Block:
    rows = _materials()
    found = rows.get(word(material))
    if found is None:
        known = "; ".join(name for name, _ in rows.values())
        raise RefusedError(f"“{shown(material)}” is not in the table, which has: {known}")
    return tuple(zip(_PROPERTIES, found[1], strict=True))


@cache
def _materials() -> dict[str, tuple[str, tuple[float | str, ...]]]:
    from sheetlab.before.books import books

    rows = {}
    for one in books().materials:
        low, high = one.yielding or (None, None)
        numbers = (*one.modulus, *one.breaking, low, high)
        scales = (1e9, 1e9, 1e6, 1e6, 1e6, 1e6)
        rows[word(one.name)] = (
            one.name,
            (
                *(
                    "not known" if v is None else float(f"{v / scale:.12g}")
                    for v, scale in zip(numbers, scales, strict=True)
                ),
                one.source if one.confirmed else f"{one.source} (not confirmed)",
            ),
        )
    return rows


def _mass(mass: float, weight_class: str) -> float:
    limit = standards.mass_limit(mass, weight_class)
    if limit is None:
        raise RefusedError(
            f"the table has no weight of {mass:g} g; it has 1, 2 and 5 g and their tens, "
            "hundreds and thousands up to 5 kg"
        )
    return limit


def _gravity(latitude: float, height: float | None) -> float:
    if abs(latitude) > 90.0:
        raise RefusedError(f"latitude is {latitude:g}; it lies between −90 and 90 degrees")
    if height is not None and not gravity.LOWEST <= height <= gravity.HIGHEST:
        raise RefusedError(
            f"height is {height:g} m; the formula holds from {gravity.LOWEST:g} to "
            f"{gravity.HIGHEST:g} m"
        )
    values = {"latitude": math.radians(latitude), "height": height or 0.0}
    return float(evaluate(macro_body("normal_gravity"), Given(values)))


_SWG = "BS 3737:1964 (Imperial standard wire gauge)"

ROWS = (
    Function(
        "WIRE_DIAMETER",
        "Diameter of a wire gauge",
        "Diameter in mm of a gauge number from 10 to 40, Imperial standard (SWG) or American "
        "(AWG).",
        GROUP,
        (Argument("gauge", "Such as 26 SWG or AWG 26.", "text"),),
        _diameter,
        (
            Example(("26 SWG",), 0.4572, f"{_SWG}: 0.018 inch"),
            Example(("AWG 36",), 0.127, "ASTM B258: 0.005 inch"),
        ),
    ),
    Function(
        "NEAREST_GAUGE",
        "Wire gauge nearest to a diameter",
        "The gauge whose diameter differs least, as a fraction, and by how much the wire is "
        "thicker (+) or thinner (−) than it.",
        GROUP,
        (
            Argument("diameter", "Diameter of the wire in mm."),
            Argument("system", "SWG or AWG.", "text", False, SYSTEMS),
            part_of("gauge", "its diameter", "off by %"),
        ),
        _nearest,
        (
            Example((0.46, "SWG", "gauge"), "26 SWG", f"{_SWG}: 26 is 0.018 inch, 25 is 0.020"),
            Example((0.127, "AWG", "its diameter"), 0.127, "ASTM B258: 0.005 inch"),
        ),
    ),
    Function(
        "MATERIAL_DATA",
        "Modulus and strength of a material",
        "Range of modulus of elasticity, breaking stress and yield stress from the table that "
        "plans use, with its source. For the order of size, not for safety: the table cannot know "
        "your reel.",
        GROUP,
        (
            Argument("material", "Name in the table, such as brass, hard.", "text"),
            part_of(*_PROPERTIES),
        ),
        _material,
        (
            Example(
                ("steel, structural", "lowest modulus (GPa)"),
                200.0,
                "Halliday, Resnick, Walker, Fundamentals of Physics, 5th edition, table 13-1",
                3,
            ),
            Example(
                ("steel, structural", "lowest breaking stress (MPa)"),
                400.0,
                "Halliday, Resnick, Walker, Fundamentals of Physics, 5th edition, table 13-1",
                3,
            ),
        ),
    ),
    Function(
        "MASS_TOLERANCE",
        "Permissible error of a weight",
        "Maximum permissible error ± in mg of a weight of the classes F2, M1, M2 and M3, 1 g to "
        "5 kg (OIML R 111-1).",
        GROUP,
        (
            Argument("mass", "Nominal mass in g."),
            Argument("weight_class", "F2, M1, M2 or M3.", "text", False, standards.MASS_CLASSES),
        ),
        _mass,
        (
            Example((200.0, "M1"), 10.0, standards.MASS_SOURCE, 3),
            Example((50.0, "M3"), 30.0, standards.MASS_SOURCE, 2),
        ),
    ),
    Function(
        "NORMAL_GRAVITY",
        "Normal gravity",
        "Acceleration of free fall in m/s² that the normal formula gives for a latitude and a "
        "height; the local value differs from it by up to some 0.001 m/s².",
        GROUP,
        (
            Argument("latitude", "Degrees, south negative."),
            Argument("height", "Height above the sea in m, up to 9000 (usual: 0).", "number", True),
        ),
        _gravity,
        (
            Example((0.0, None), 9.7803267715, "Geodetic Reference System 1980 (Moritz 2000)", 11),
            Example((45.0, None), 9.8061992025, "Geodetic Reference System 1980 (Moritz 2000)", 11),
        ),
    ),
)
