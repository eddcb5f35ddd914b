"""Units: factors, dimensions, print."""

from __future__ import annotations

import math
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab import units
from sheetlab.units import (
    NUMBER,
    PURE,
    Dimension,
    UnitError,
    by_pint,
    coherent_text,
    neighbours,
    other_times,
    unit,
)


@pytest.mark.parametrize(
    ("text", "factor", "offset", "dimension"),
    [
        ("m", 1.0, 0.0, "length"),
        ("mm", 1e-3, 0.0, "length"),
        ("cm", 1e-2, 0.0, "length"),
        ("µm", 1e-6, 0.0, "length"),
        ("g", 1e-3, 0.0, "mass"),
        ("mg", 1e-6, 0.0, "mass"),
        ("kg", 1.0, 0.0, "mass"),
        ("ms", 1e-3, 0.0, "time"),
        ("min", 60.0, 0.0, "time"),
        ("m/s^2", 1.0, 0.0, "length time^-2"),
        ("m*s^-2", 1.0, 0.0, "length time^-2"),
        ("mm^2", 1e-6, 0.0, "length^2"),
        ("g/cm^3", 1e3, 0.0, "length^-3 mass"),
        ("N", 1.0, 0.0, "length mass time^-2"),
        ("N m", 1.0, 0.0, "length^2 mass time^-2"),
        ("mN/m", 1e-3, 0.0, "mass time^-2"),
        ("GPa", 1e9, 0.0, "length^-1 mass time^-2"),
        ("mV", 1e-3, 0.0, "current^-1 length^2 mass time^-3"),
        ("1/K", 1.0, 0.0, "temperature^-1"),
        ("J/(kg K)", 1.0, 0.0, "length^2 temperature^-1 time^-2"),
        ("degC", 1.0, 273.15, "temperature"),
        ("degree", math.pi / 180.0, 0.0, "pure number"),
        ("rad", 1.0, 0.0, "pure number"),
        ("%", 1e-2, 0.0, "pure number"),
        ("1", 1.0, 0.0, "pure number"),
        ("", 1.0, 0.0, "pure number"),
    ],
)
def test_unit(text: str, factor: float, offset: float, dimension: str) -> None:
    found = unit(text)
    # exactly: 0.001 must not become 0.0010000000000000002 on the way
    assert (found.factor, found.offset) == (float(f"{factor:.15g}"), offset)
    assert str(found.dimension) == dimension


@pytest.mark.parametrize(
    "text",
    [
        *("xyz", "5 m", "2", "m +", "m + s", "m^s", "m^", "(m", "'", "nan", "[length]"),
        "__import__('os')",
        "m.__class__",
        # towers of powers, which would hang whoever calculates them
        *("m^9^9^9", "9^9^9", "m^(9^9^9)", "m^999999999", "m**9**9"),
        *("m;", "m, s", "mm!", "m'", "m # s", "m\0", "lambda: m"),
    ],
)
def test_no_unit(text: str) -> None:
    with pytest.raises(UnitError, match="is not a unit") as caught:
        unit(text)
    assert f"“{text}”" in str(caught.value)


def test_logarithmic_units_are_refused() -> None:
    with pytest.raises(UnitError, match="logarithmic"):
        unit("dB")


@pytest.mark.parametrize(
    ("text", "value", "si"),
    [("degC", 20.0, 293.15), ("mm", 2.5, 0.0025), ("GPa", 200.0, 2e11), ("min", 1.5, 90.0)],
)
def test_conversion(text: str, value: float, si: float) -> None:
    assert unit(text).to_si(value) == pytest.approx(si, rel=1e-15)
    assert unit(text).from_si(si) == pytest.approx(value, rel=1e-14)


@given(st.sampled_from(["mm", "g/cm^3", "degC", "degree", "GPa"]), st.floats(-1e6, 1e6))
def test_conversion_and_back(text: str, value: float) -> None:
    its = unit(text)
    size = abs(value) + abs(its.offset / its.factor) + 1e-300
    assert its.from_si(its.to_si(value)) == pytest.approx(value, abs=4e-16 * size)


@pytest.mark.parametrize(
    ("text", "pretty"),
    [
        ("m/s^2", "m/s²"),
        ("m*s^-2", "m s⁻²"),
        ("m**2", "m²"),
        ("kg/m^3", "kg/m³"),
        ("1/K", "1/K"),
        ("s^-12", "s⁻¹²"),
        ("degC", "°C"),
        ("degree", "°"),
        ("%", "%"),
        ("1", ""),
        ("", ""),
    ],
)
def test_pretty(text: str, pretty: str) -> None:
    assert unit(text).pretty == pretty


@pytest.mark.parametrize(
    ("text", "coherent"),
    [
        ("mm", "m"),
        ("degC", "K"),
        ("g/cm^3", "kg m^-3"),
        ("GPa", "kg m^-1 s^-2"),
        ("N", "N"),
        ("m/s^2", "m/s^2"),
        ("degree", "1"),
        ("%", "1"),
        ("1", "1"),
        ("mA h", "s A"),
    ],
)
def test_coherent_text(text: str, coherent: str) -> None:
    its = unit(text)
    assert coherent_text(its) == coherent
    found = unit(coherent)
    assert (found.factor, found.offset, found.dimension) == (1.0, 0.0, its.dimension)


@pytest.mark.parametrize("text", sorted(units._common()))
def test_common_units_are_as_pint_has_them(text: str) -> None:
    assert units._common()[text] == units.by_pint(text)
    assert unit(text) is units._common()[text]


def test_common_units_need_no_pint() -> None:
    code = (
        "import sys\n"
        "from sheetlab.practical.loader import catalogue\n"
        "for name in catalogue().paths(): catalogue().load(name)\n"
        "assert 'pint' not in sys.modules\n"
        "from sheetlab.units import unit\n"
        "print(unit('furlong').factor, 'pint' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    factor, loaded = done.stdout.split()
    assert float(factor) == pytest.approx(201.168, rel=1e-5)
    assert loaded == "True"


def test_pure_numbers_are_one_unit() -> None:
    assert unit("") is PURE
    assert unit("1") is PURE
    assert PURE.dimension == NUMBER


DIMENSIONS = st.dictionaries(
    st.sampled_from(["length", "mass", "time"]), st.sampled_from([-2.0, -0.5, 1.0, 3.0])
).map(lambda powers: Dimension(tuple(sorted(powers.items()))))


@given(DIMENSIONS, DIMENSIONS)
def test_dimensions_are_a_group(a: Dimension, b: Dimension) -> None:
    assert a * b == b * a
    assert a * b / b == a
    assert a / a == NUMBER
    assert (a * b) ** 2 == a * a * b * b
    assert (a**0.5) ** 2 == a
    assert a**0 == NUMBER


@pytest.mark.parametrize(
    ("text", "other", "decades"),
    [("mm", "m", -3), ("mm", "cm", -1), ("m", "mm", 3), ("mm^2", "m^2", -6), ("GPa", "Pa", 9),
     ("mm/kg", "cm/kg", -1), ("mm/kg", "mm/g", -3), ("s^2/m", "s^2/cm", -2), ("kg", "g", 3)],
)  # fmt: skip
def test_a_number_in_a_neighbouring_unit(text: str, other: str, decades: int) -> None:
    found = {its.text: k for its, k in neighbours(text)}
    assert found[other] == decades
    assert unit(text).factor / unit(other).factor == pytest.approx(10.0**decades)


@pytest.mark.parametrize("text", ["1", "", "degree", "m/s/kg"])
def test_units_without_neighbours(text: str) -> None:
    assert neighbours(text) == ()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("s", {"min": 1.0 / 60.0, "h": 1.0 / 3600.0}),
        ("min", {"s": 60.0, "h": 1.0 / 60.0}),
        ("1/s", {"1/min": 60.0, "1/h": 3600.0}),
        ("Hz", {"1/min": 60.0, "1/h": 3600.0}),
        ("cm^3/min", {"cm^3/s": 1.0 / 60.0, "cm^3/h": 60.0}),
        ("s/m", {"min/m": 1.0 / 60.0, "h/m": 1.0 / 3600.0}),
        # nobody squares a minute by mistake
        ("m/s^2", {}),
        ("Pa", {}),
        ("1", {}),
    ],
)
def test_seconds_minutes_and_hours(text: str, expected: dict[str, float]) -> None:
    found = {its.text: ratio for its, ratio in other_times(text)}
    assert found == pytest.approx(expected)
    own = unit(text)
    for other, ratio in found.items():
        assert ratio == pytest.approx(own.factor / unit(other).factor)


@pytest.mark.parametrize(
    ("written", "plain", "pretty"),
    [
        ("m/s²", "m/s^2", "m/s²"),
        ("m·s⁻¹", "m*s^-1", "m s⁻¹"),
        ("s⁻¹", "s^-1", "s⁻¹"),
        ("kg·m²", "kg*m^2", "kg m²"),
        ("N/m²", "N/m^2", "N/m²"),
        ("Ω·m", "ohm*m", "Ω m"),
        ("um²", "um^2", "µm²"),
        ("ohm", "ohm", "Ω"),
        ("kohm", "kohm", "kΩ"),
        ("μm", "µm", "μm"),
        ("cm³", "cm^3", "cm³"),
    ],
)
def test_units_as_people_write_them(written: str, plain: str, pretty: str) -> None:
    """Factor and dimension are those of the plain text, as pint has it."""
    found, known = unit(written), by_pint(plain)
    assert (found.dimension, found.pretty) == (known.dimension, pretty)
    assert found.factor == pytest.approx(known.factor, rel=1e-12)


def test_quotients_in_brackets_dioptres_and_minutes() -> None:
    """A dioptre is 1/m (ISO 13666), a minute of arc 1/60 degree (SI brochure, table 8)."""
    assert unit("1/(m*s)").dimension == unit("1/m").dimension / unit("s").dimension
    assert unit("1/(mm*s)").factor == pytest.approx(1000.0)
    assert unit("1/(m*s)").pretty == "1/(m s)"
    assert unit("dioptre").dimension == unit("1/m").dimension
    assert unit("dpt") == unit("dioptre")
    assert unit("′").factor == pytest.approx(math.radians(1.0 / 60.0), rel=1e-12)
    assert unit("′").pretty == "′"


@pytest.mark.parametrize(("typed", "near"), [("mmm", "mm"), ("degre", "degree"), ("kPaa", "kPa")])
def test_a_unit_that_there_is_not_is_told_with_the_nearest(typed: str, near: str) -> None:
    with pytest.raises(UnitError, match=f"did you mean “{near}”"):
        unit(typed)
