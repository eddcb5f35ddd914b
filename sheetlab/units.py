"""Units of measurement: text -> factor to the coherent SI unit, and dimension.

Conversion and dimensions come from pint; it is imported when a unit is asked for that is not in the
table of common ones, because it weighs more than most of what starting up needs. The table is what
pint says (``tests/test_units.py`` compares each row).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from difflib import get_close_matches
from functools import cache
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

DIMENSIONLESS_TEXTS = ("", "1")


class UnitError(ValueError):
    """A text that names no unit."""


class UnknownUnitError(UnitError):
    """That there is no such unit; others are there, and cannot be used."""

    def __init__(self, text: str, meant: str = "") -> None:
        super().__init__(f"“{text}” is not a unit that is known{meant}")


class Dimension(Struct, frozen=True):
    """Exponents of the base quantities, as sorted pairs; empty for a pure number."""

    exponents: tuple[tuple[str, float], ...] = ()

    def __mul__(self, other: Dimension) -> Dimension:
        total = dict(self.exponents)
        for base, power in other.exponents:
            total[base] = total.get(base, 0.0) + power
        return _dimension(total)

    def __pow__(self, power: float) -> Dimension:
        return _dimension({base: exponent * power for base, exponent in self.exponents})

    def __truediv__(self, other: Dimension) -> Dimension:
        return self * other**-1

    def __str__(self) -> str:
        if not self.exponents:
            return "pure number"
        return " ".join(
            base if power == 1 else f"{base}^{power:g}" for base, power in self.exponents
        )


NUMBER = Dimension()


def _dimension(exponents: dict[str, float]) -> Dimension:
    kept = {base: power for base, power in exponents.items() if abs(power) > 1e-12}
    return Dimension(tuple(sorted(kept.items())))


class Unit(Struct, frozen=True):
    """A unit. A number v in it is ``v * factor + offset`` in the coherent SI unit."""

    text: str
    factor: float
    offset: float
    dimension: Dimension

    def to_si(self, value: float) -> float:
        """A number in this unit, in the coherent SI unit."""
        return value * self.factor + self.offset

    def from_si(self, value: float) -> float:
        """A number in the coherent SI unit, in this unit."""
        return (value - self.offset) / self.factor

    @property
    def pretty(self) -> str:
        """The unit as people print it: ``m/s²``; empty for a pure number."""
        if self.text in DIMENSIONLESS_TEXTS:
            return ""
        text = self.text.replace("**", "^").replace("*", " ").replace("degC", "°C")
        text = _PRINTED.get(text, _OHM.sub(r"\1Ω", _MICRO.sub("µ", text)))
        out, raised = [], False
        for char in text:
            if char == "^":
                raised = True
            elif raised and (char.isdigit() or char == "-"):
                out.append("⁰¹²³⁴⁵⁶⁷⁸⁹"[int(char)] if char.isdigit() else "⁻")
            else:
                raised = False
                out.append(char)
        return "".join(out)


_PRINTED = {"degree": "°", "arcmin": "′", "arcsec": "″"}
_OHM = re.compile(r"(?<![A-Za-z])([kM]?)ohm\b")
_MICRO = re.compile(r"(?<![A-Za-z])u(?=[msAVFHNgJW]\b)")
# names with a plain power, products and quotients: towers of powers would hang pint
_POWER = r"[A-Za-zµμΩ°%_]+(?:(?:\^|\*\*)-?\d{1,2})?"
_PRODUCT = rf"(?:1 ?/ ?)?{_POWER}(?:(?: ?[*/] ?| ){_POWER})*"
_LONGEST = 40
_UNIT = re.compile(rf"{_PRODUCT}(?: ?/ ?\({_PRODUCT}\))?")
_BASE = {
    "mass": "kg",
    "length": "m",
    "time": "s",
    "current": "A",
    "temperature": "K",
    "substance": "mol",
    "luminosity": "cd",
}


def coherent_text(its: Unit) -> str:
    """Text of the coherent SI unit of a unit's dimension; the unit itself if it is one."""
    if its.factor == 1.0 and its.offset == 0.0:
        return its.text
    powers = dict(its.dimension.exponents)
    parts = [
        name if powers[base] == 1 else f"{name}^{powers[base]:g}"
        for base, name in _BASE.items()
        if base in powers
    ]
    return " ".join(parts) or "1"


def per_unit(numerator: Unit, denominator: Unit) -> str:
    """A quotient of units for print: ``mm/kg``."""
    above, below = numerator.pretty or "1", denominator.pretty
    if not below:
        return numerator.pretty
    return f"{above}/({below})" if any(sign in below for sign in "/ ") else f"{above}/{below}"


def with_prefix(its: Unit, value: float) -> Unit:
    """The unit with the SI prefix that brings a value (SI) to between 1 and 1000, if it has one.

    Only for coherent units that take prefixes by themselves; any other is given back as it is.
    """
    if its.text not in _PREFIXABLE or not value or not math.isfinite(value):
        return its
    step = math.floor(math.log10(abs(value)) / 3.0)
    return unit(_PREFIXES.get(step, "") + its.text)


_PREFIXABLE = frozenset(("m", "s", "N", "Pa", "J", "W", "V", "A", "Hz", "C", "F", "H", "T", "Wb"))
_PREFIXES = {-4: "p", -3: "n", -2: "µ", -1: "m", 1: "k", 2: "M", 3: "G", 4: "T"}


_DECADES = (
    {"mm": -3, "cm": -2, "m": 0},
    {"µm": -6, "mm": -3},
    {"nm": -9, "m": 0},
    {"g": -3, "kg": 0},
    {"mg": -6, "g": -3},
    {"ms": -3, "s": 0},
    {"mN": -3, "N": 0, "kN": 3},
    {"Pa": 0, "kPa": 3, "MPa": 6, "GPa": 9},
    {"J": 0, "kJ": 3},
    {"mV": -3, "V": 0},
    {"µA": -6, "mA": -3, "A": 0},
    {"Ω": 0, "kΩ": 3},
    {"ohm": 0, "kohm": 3},
    {"Hz": 0, "kHz": 3},
    {"nF": -9, "µF": -6, "F": 0},
)
"""Prefixes that are mixed up in practice, by unit."""
_TOKEN = re.compile(r"([A-Za-zµμΩ]+)(?:(?:\^|\*\*)(-?\d+))?")


_TIMES = {"s": 1.0, "min": 60.0, "h": 3600.0}


def _parts(text: str) -> Iterator[tuple[str, int, Callable[[str], str]]]:
    """Units that a text is made of: name, power, and the text with another one in its place."""
    above, _, below = text.replace("μ", "µ").partition("/")
    if "/" in below or text in DIMENSIONLESS_TEXTS:
        return
    for side, part in ((1, above), (-1, below)):
        for match in _TOKEN.finditer(part):

            def put(other: str, side: int = side, part: str = part, at: Any = match) -> str:
                swapped = part[: at.start(1)] + other + part[at.end(1) :]
                return (f"{swapped}/{below}" if side > 0 else f"{above}/{swapped}").rstrip("/")

            yield match[1], side * int(match[2] or 1), put


@cache
def neighbours(text: str) -> tuple[tuple[Unit, int], ...]:
    """Units that differ from the one of a text by one prefix, with the power of ten k.

    A number in the unit is 10^k times as large in its neighbour.
    """
    found: dict[str, int] = {}
    for name, power, put in _parts(text):
        for family in _DECADES:
            own = family.get(name)
            for other, decade in family.items() if own is not None else ():
                if own is not None and decade != own:
                    found.setdefault(put(other), (own - decade) * power)
    return tuple((Unit(other, 1.0, 0.0, NUMBER), k) for other, k in found.items())


@cache
def other_times(text: str) -> tuple[tuple[Unit, float], ...]:
    """Units that differ from the one of a text by seconds, minutes or hours in it, or per each.

    A number in the unit is so many times as large in the other one.
    """
    return tuple(
        (Unit(put(other), 1.0, 0.0, NUMBER), (_TIMES[name] / size) ** power)
        for name, power, put in _parts("1/s" if text == "Hz" else text)
        for other, size in _TIMES.items()
        if name in _TIMES and abs(power) == 1 and other != name
    )


def interval_of(its: Unit) -> Unit:
    """The unit for differences: of a temperature scale without its zero."""
    return replace(its, offset=0.0) if its.offset else its


PURE = Unit("1", 1.0, 0.0, NUMBER)

_COMMON = """
length: m 1, cm 0.01, mm 0.001, µm 1e-6, μm 1e-6, nm 1e-9, km 1000
length^2: m^2 1, cm^2 1e-4, mm^2 1e-6
length^3: m^3 1, cm^3 1e-6, mm^3 1e-9
mass: kg 1, g 0.001, mg 1e-6
time: s 1, ms 0.001, µs 1e-6, min 60
time^2: s^2 1
time^-1: 1/s 1, Hz 1, kHz 1000, rad/s 1
length time^-1: m/s 1, cm/s 0.01
length time^-2: m/s^2 1, cm/s^2 0.01
length^-1 time^2: s^2/m 1, s^2/cm 100
length mass^-1: mm/kg 0.001
length^-1 mass: kg/m 1
length^-3 mass: kg/m^3 1, g/cm^3 1000
length mass time^-2: N 1, mN 0.001, kN 1000
mass time^-2: N/m 1, N/mm 1000
length^-1 mass time^-2: Pa 1, kPa 1000, MPa 1e6, GPa 1e9
length^-1 mass time^-1: Pa*s 1
length^2 mass time^-2: J 1, kJ 1000, N*m 1
length^2 mass time^-3: W 1
current: A 1, mA 0.001, µA 1e-6
current time: C 1
current^-1 length^2 mass time^-3: V 1, mV 0.001
current^-2 length^2 mass time^-3: ohm 1, kohm 1000, Ω 1, kΩ 1000
current^2 length^-2 mass^-1 time^4: F 1, µF 1e-6, nF 1e-9, pF 1e-12
current^-2 length^2 mass time^-2: H 1, mH 0.001
current^-1 mass time^-2: T 1, mT 0.001
temperature: K 1
temperature^-1: 1/K 1
substance: mol 1
length^-1: 1/m 1
pure number: degree 0.0174532925199433, rad 1, % 0.01
"""
_CELSIUS = 273.15


@cache
def _common() -> dict[str, Unit]:
    """Units of the table by their text."""
    found = {}
    for line in _COMMON.strip().splitlines():
        powers, _, listed = line.partition(": ")
        pairs = (part.partition("^") for part in powers.split() if powers != str(NUMBER))
        dimension = _dimension({base: float(power or 1) for base, _, power in pairs})
        for one in listed.split(", "):
            text, _, factor = one.partition(" ")
            found[text] = Unit(text, float(factor), 0.0, dimension)
    found["degC"] = replace(found["K"], text="degC", offset=_CELSIUS)
    return found


@cache
def _registry() -> Any:
    import pint

    return pint.UnitRegistry()


@cache
def unit(text: str) -> Unit:
    """The unit that a text such as ``mm``, ``m/s^2`` or ``1`` names.

    Raises
    ------
    UnitError
        If no such unit is known.
    """
    if text in DIMENSIONLESS_TEXTS:
        return PURE
    plain = _written_plainly(text)
    common = _common().get(text) or _common().get(plain)
    if common is not None:
        return common
    if plain == "dioptre":
        return replace(_common()["1/m"], text=plain)
    try:
        quotient = _ONE_OVER.fullmatch(plain)
        if quotient is None:
            return by_pint(plain)
        return replace(by_pint("1/" + re.sub(r" ?[* ] ?", "/", quotient[1])), text=plain)
    except UnknownUnitError:
        near = get_close_matches(plain, _common(), 1)
        meant = f"; did you mean “{near[0]}”?" if near else ""
        raise UnknownUnitError(text, meant) from None


_RAISED = re.compile("[⁰¹²³⁴⁵⁶⁷⁸⁹⁻]+")
_LOWERED = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-")
_SIGNS = str.maketrans({"·": "*", "⋅": "*", "×": "*", "−": "-", "μ": "µ"})
_MINUTES = {"′": "arcmin", "″": "arcsec", "dpt": "dioptre"}
_ONE_OVER = re.compile(r"1 ?/ ?\(([^()]+)\)")


def _written_plainly(text: str) -> str:
    """A unit as people write it, in the signs of the table: ``m/s²`` is ``m/s^2``."""
    plain = _RAISED.sub(lambda raised: f"^{raised[0].translate(_LOWERED)}", text.strip())
    return _MINUTES.get(plain, plain.translate(_SIGNS))


def by_pint(text: str) -> Unit:
    """The unit of a text, as pint knows it; for units that are not common, and to compare."""
    if len(text) > _LONGEST or not _UNIT.fullmatch(text):
        raise UnknownUnitError(text)
    registry = _registry()
    try:
        one = registry.Quantity(1.0, text).to_base_units()
        zero = registry.Quantity(0.0, text).to_base_units()
        two = registry.Quantity(2.0, text).to_base_units()
    except Exception as error:  # pint raises a dozen kinds, tokenizer errors among them
        raise UnknownUnitError(text) from error
    if not math.isclose(two.magnitude - one.magnitude, one.magnitude - zero.magnitude):
        raise UnitError(f"“{text}” is a logarithmic unit, which formulas cannot use")
    dims = {str(name).strip("[]"): float(p) for name, p in one.dimensionality.items()}
    offset = float(zero.magnitude)
    factor = float(one.magnitude) - offset
    # pint's chain of prefixes leaves 0.001 as 0.0010000000000000002 now and then
    return Unit(text, float(f"{factor:.15g}"), float(f"{offset:.15g}"), _dimension(dims))
