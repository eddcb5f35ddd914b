"""Permissible errors of weights and scales, and sizes of wire gauges, each with its source. Pure.

What is "not checked against the document" in a rule is from memory: it is printed with that remark
and prefills nothing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Literal

from msgspec import Struct

MASS_CLASSES = ("F2", "M1", "M2", "M3")
MASS_SOURCE = "OIML R 111-1:2004, Table 1 (maximum permissible errors ± in mg)"
_ONE_DECADE = {1: (1.6, 5.0, 16.0, 50.0), 2: (3.0, 10.0, 30.0, 100.0), 5: (8.0, 25.0, 80.0, 250.0)}
MASS_LIMITS: Mapping[int, tuple[float, ...]] = {
    1: (0.3, 1.0, 3.0, 10.0),
    2: (0.4, 1.2, 4.0, 12.0),
    5: (0.5, 1.6, 5.0, 16.0),
    10: (0.6, 2.0, 6.0, 20.0),
    20: (0.8, 2.5, 8.0, 25.0),
    50: (1.0, 3.0, 10.0, 30.0),
    # from 100 g on the table repeats itself every decade
    **{
        digit * 10**power: tuple(limit * 10 ** (power - 2) for limit in limits)
        for power in (2, 3)
        for digit, limits in _ONE_DECADE.items()
    },
}
"""Nominal mass in g -> permissible error in mg of the classes, 1 g to 5 kg."""


def mass_limit(nominal: float, weight_class: str) -> float | None:
    """Permissible error in mg of a weight of so many grams; None if the table has no such row.

    Source: OIML R 111-1:2004, Table 1.
    """
    row = MASS_LIMITS.get(round(nominal))
    if row is None or abs(nominal - round(nominal)) > 1e-9 or weight_class not in MASS_CLASSES:
        return None
    return row[MASS_CLASSES.index(weight_class)]


class ScaleLimit(Struct, frozen=True):
    """Permissible error of a kind of scale, as it is printed on a check sheet."""

    instrument: str
    rule: str
    source: str
    provenance: str


_DIRECTIVE = "Directive 2014/32/EU, Annex X (MI-008)"
# figures from memory; the words are those of a sheet that goes to schools
_NAMED = "figures not checked against the document"
_UNCONFIRMED = "not checked against the document"
SCALE_LIMITS = (
    ScaleLimit("material measure of length, class I", "± (0.1 + 0.1 L) mm", _DIRECTIVE, _NAMED),
    ScaleLimit("material measure of length, class II", "± (0.3 + 0.2 L) mm", _DIRECTIVE, _NAMED),
    ScaleLimit("material measure of length, class III", "± (0.6 + 0.4 L) mm", _DIRECTIVE, _NAMED),
    ScaleLimit("steel rule, form A", "± (20 + L/50) µm, L in mm", "DIN 866", _UNCONFIRMED),
    ScaleLimit("steel rule, form B", "± (50 + L/20) µm, L in mm", "DIN 866", _UNCONFIRMED),
)
"""L is in metres, rounded up to the next whole metre, where nothing else is said."""
MICROMETER_LIMITS = (
    ScaleLimit("external micrometer 0–25 mm", "± 4 µm", "DIN 863-1", _UNCONFIRMED),
    ScaleLimit("external micrometer 25–50 mm", "± 4 µm", "DIN 863-1", _UNCONFIRMED),
    ScaleLimit("vernier caliper, 0.05 mm, up to 300 mm", "± 50 µm", "DIN 862", _UNCONFIRMED),
    ScaleLimit("vernier caliper, 0.02 mm, up to 100 mm", "± 20 µm", "DIN 862", _UNCONFIRMED),
)
LEVEL_LIMITS = (
    ScaleLimit(
        "bubble set by hand with a micrometer screw", "± 2 divisions of the screw",
        "common practice", "no source",
    ),
)  # fmt: skip
"""How far one setting of a bubble may lie from their mean."""

GaugeSystem = Literal["SWG", "AWG"]
_SWG_INCH = (
    0.128, 0.116, 0.104, 0.092, 0.08, 0.072, 0.064, 0.056, 0.048, 0.04, 0.036, 0.032, 0.028,
    0.024, 0.022, 0.02, 0.018, 0.0164, 0.0148, 0.0136, 0.0124, 0.0116, 0.0108, 0.01, 0.0092,
    0.0084, 0.0076, 0.0068, 0.006, 0.0052, 0.0048,
)  # fmt: skip
"""Diameters of SWG 10 to 40 in inches."""
FIRST_GAUGE, LAST_GAUGE = 10, 40
INCH = 25.4
_LABELS = (
    re.compile(r"(?P<number>\d{1,2})\s*(?P<system>swg|awg)"),
    re.compile(r"(?P<system>swg|awg)\s*(?P<number>\d{1,2})"),
)


class Gauge(Struct, frozen=True):
    """A number of a wire gauge; ``diameter`` in mm."""

    system: GaugeSystem
    number: int
    diameter: float

    def __str__(self) -> str:
        return f"{self.number} {self.system}"


def gauge(system: GaugeSystem, number: int) -> Gauge | None:
    """A gauge from 10 to 40 (SWG: BS 3737:1964; AWG: 0.127 mm × 92^((36 − n)/39), ASTM B258)."""
    if not FIRST_GAUGE <= number <= LAST_GAUGE:
        return None
    if system == "SWG":
        return Gauge(system, number, _SWG_INCH[number - FIRST_GAUGE] * INCH)
    return Gauge(system, number, awg(number))


def awg(number: int) -> float:
    """Diameter of an American wire gauge number, in mm (ASTM B258)."""
    return 0.127 * math.pow(92.0, (36 - number) / 39)


def read_label(label: str) -> tuple[GaugeSystem, int] | None:
    """System and number of a label such as “26 SWG” or “s.w.g. 26”; None if it is none."""
    plain = label.casefold().replace(".", "")
    for pattern in _LABELS:
        match = pattern.fullmatch(plain.strip())
        if match is not None:
            return "SWG" if match["system"] == "swg" else "AWG", int(match["number"])
    return None


def read_gauge(label: str) -> Gauge | None:
    """The gauge that a label such as “26 SWG” or “s.w.g. 26” names; None if it names none."""
    named = read_label(label)
    return None if named is None else gauge(*named)


def nearest_gauge(system: GaugeSystem, diameter: float) -> Gauge:
    """The gauge of a system whose diameter differs least, as a fraction, from one in mm.

    Raises
    ------
    ValueError
        If the diameter is not greater than 0.
    """
    if not diameter > 0.0:
        raise ValueError("a diameter is greater than 0")
    every = [g for n in range(FIRST_GAUGE, LAST_GAUGE + 1) if (g := gauge(system, n)) is not None]
    return min(every, key=lambda g: abs(g.diameter / diameter - 1.0))
