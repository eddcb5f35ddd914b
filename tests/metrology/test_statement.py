"""How a result is written: rounding of value and uncertainty together, power of ten, signs.

The choice between one and two digits of the uncertainty is common practice, no source.
"""

from __future__ import annotations

import math
from decimal import Decimal, localcontext

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.metrology.statement import (
    beside,
    decimals_of,
    percentage,
    plain,
    power_of_ten,
    share,
    significant,
    state,
    stated,
)


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "text"),
    [
        # one digit from 3 on, two below
        (9.806, 0.04, "m/s²", "(9.81 ± 0.04) m/s²"),
        (9.806, 0.013, "m/s²", "(9.806 ± 0.013) m/s²"),
        (9.806, 0.03, "", "(9.81 ± 0.03)"),
        (9.8061, 0.029, "", "(9.806 ± 0.029)"),
        (5.0, 0.1, "", "(5.00 ± 0.10)"),
        (5.0, 0.2, "", "(5.00 ± 0.20)"),
        (123.456, 25.0, "g", "(123 ± 25) g"),
        # the uncertainty carries into the next place
        (9.79, 0.0963, "m/s²", "(9.79 ± 0.10) m/s²"),
        (9.79, 0.0949, "m/s²", "(9.79 ± 0.09) m/s²"),
        (123.4, 9.6, "", "(123 ± 10)"),
        (1234.0, 96.0, "", "(1.23 ± 0.10) × 10³"),
        (500.0, 96.0, "", "(5.0 ± 1.0) × 10²"),
        (1.234, 0.1996, "", "(1.23 ± 0.20)"),
        # the value carries into the next place
        (9.96, 0.31, "", "(10.0 ± 0.3)"),
        (99.96, 0.3, "", "(100.0 ± 0.3)"),
        (0.9996, 0.004, "", "(1.000 ± 0.004)"),
        # halves go away from zero, in decimal as typed and not as stored
        (2.675, 0.05, "", "(2.68 ± 0.05)"),
        (0.125, 0.05, "", "(0.13 ± 0.05)"),
        (-0.125, 0.05, "", "(−0.13 ± 0.05)"),
        (1.0, 0.125, "", "(1.00 ± 0.13)"),
        (1.0, 0.45, "", "(1.0 ± 0.5)"),
        # negative values have a real minus sign
        (-1.234, 0.05, "m", "(−1.23 ± 0.05) m"),
        (-1234.0, 50.0, "m", "(−1.23 ± 0.05) × 10³ m"),
        # no power of ten from 0.1 to below 1000
        (0.1, 0.002, "", "(0.1000 ± 0.0020)"),
        (0.0987, 0.002, "", "(9.87 ± 0.20) × 10⁻²"),
        (999.0, 5.0, "", "(999 ± 5)"),
        (1000.0, 5.0, "", "(1.000 ± 0.005) × 10³"),
        # but where the uncertainty would need zeros that say nothing
        (321.0, 40.0, "", "(3.2 ± 0.4) × 10²"),
        (321.0, 12.0, "", "(321 ± 12)"),
        (90.0, 40.0, "GPa", "(90 ± 40) GPa"),
        (0.0, 40.0, "GPa", "(0 ± 40) GPa"),
        (321.0, 120.0, "", "(3.2 ± 1.2) × 10²"),
        # big and small
        (2.05e11, 4.2e9, "Pa", "(2.05 ± 0.04) × 10¹¹ Pa"),
        (7.0150939e10, 3.70052e8, "Pa", "(7.02 ± 0.04) × 10¹⁰ Pa"),
        (6.674e-11, 1.5e-14, "", "(6.6740 ± 0.0015) × 10⁻¹¹"),
        (1.602e-19, 3e-22, "C", "(1.602 ± 0.003) × 10⁻¹⁹ C"),
        (1e300, 1e298, "", "(1.000 ± 0.010) × 10³⁰⁰"),
        # an uncertainty above the value sets the power of ten
        (0.0, 0.5, "", "(0.0 ± 0.5)"),
        (0.0, 0.001, "m", "(0.0 ± 1.0) × 10⁻³ m"),
        (0.05, 12.0, "", "(0 ± 12)"),
        (0.002, 0.34, "", "(0.0 ± 0.3)"),
        (3.0, 4000.0, "", "(0 ± 4) × 10³"),
        (9999.6, 3.0, "", "(1.0000 ± 0.0003) × 10⁴"),
        (999.97, 0.3, "", "(1.0000 ± 0.0003) × 10³"),
        (0.09996, 0.0003, "", "(0.1000 ± 0.0003)"),
        # a rounded zero has no sign
        (-0.001, 0.5, "", "(0.0 ± 0.5)"),
        (-0.0, 0.5, "", "(0.0 ± 0.5)"),
        # from 2.95 on it rounds to 3, in whatever power of ten
        (1.23, 2.95, "", "(1 ± 3)"),
        (1.23, 0.295, "", "(1.2 ± 0.3)"),
        (1.23, 0.0295, "", "(1.23 ± 0.03)"),
        # far apart
        (1.0, 1e-7, "", "(1.00000000 ± 0.00000010)"),
        (1e20, 5e-10, "", f"(1.{'0' * 30} ± 0.{'0' * 29}5) × 10²⁰"),
    ],
)
def test_statement(value: float, uncertainty: float, unit: str, text: str) -> None:
    assert str(state(value, uncertainty, unit)) == text


@given(st.floats(-1e12, 1e12), st.floats(1e-12, 1e12))
def test_rounding_is_within_half_a_unit_of_the_last_place(value: float, uncertainty: float) -> None:
    found = state(value, uncertainty, "")
    shown, spread = (Decimal(t.replace("−", "-")) for t in (found.value, found.uncertainty))
    places = spread.as_tuple().exponent
    assert shown.as_tuple().exponent == places
    half = Decimal(5).scaleb(int(places) - 1)
    for rounded, exact in ((shown, value), (spread, uncertainty)):
        with localcontext(prec=400):
            assert abs(rounded - Decimal(repr(exact)).scaleb(-found.exponent)) <= half
    digits = str(spread.scaleb(-int(places)))
    assert digits in set("3456789") or (len(digits) == 2 and digits[0] in "12")
    largest = max(abs(shown), spread)
    assert 1 <= largest < 10 if found.exponent else Decimal("0.1") <= largest < 1000


@pytest.mark.parametrize(
    ("value", "uncertainty"),
    [(1.0, 0.0), (1.0, -0.1), (math.nan, 0.1), (math.inf, 0.1), (1.0, math.nan), (1.0, math.inf)],
)
def test_no_statement_without_an_uncertainty(value: float, uncertainty: float) -> None:
    with pytest.raises(ValueError, match="statement"):
        state(value, uncertainty, "m")


@pytest.mark.parametrize(
    ("uncertainty", "digits"),
    [(1.0, 2), (0.0029, 2), (29.4, 2), (0.295, 1), (3.0, 1), (9.4e9, 1), (9.9e9, 2)],
)
def test_significant_digits(uncertainty: float, digits: int) -> None:
    written = state(100.0 * uncertainty, uncertainty, "m").uncertainty
    assert len(written.replace(".", "").lstrip("0")) == digits


@pytest.mark.parametrize(("exponent", "text"), [(3, "10³"), (-11, "10⁻¹¹"), (0, "10⁰")])
def test_power_of_ten(exponent: int, text: str) -> None:
    assert power_of_ten(exponent) == text


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (9.80665, 4, "9.807"),
        (-9.80665, 3, "−9.81"),
        (0.0012345, 3, "0.00123"),
        (0.00012345, 3, "1.23×10⁻⁴"),
        (12345.0, 4, "12345"),
        (123456.0, 4, "1.235×10⁵"),
        (-2.05e11, 3, "−2.05×10¹¹"),
        (0.0, 4, "0"),
        (math.inf, 4, "inf"),
        # carries of the rounding
        (9.9996, 4, "10.00"),
        (9.9996e7, 3, "1.00×10⁸"),
        (99999.6, 4, "1.000×10⁵"),
        (0.00099996, 4, "0.001000"),
    ],
)
def test_significant(value: float, digits: int, text: str) -> None:
    assert significant(value, digits) == text


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        (1.00491, 0.0025, "(1.0049 ± 0.0025) mm/kg"),
        (1.093, 0.0353, "(1.09 ± 0.04) mm/kg"),
        (1.093, 0.0, "1.093 mm/kg"),
        (1.093, math.nan, "1.093 mm/kg"),
    ],
)
def test_stated(value: float, uncertainty: float, text: str) -> None:
    assert stated(value, uncertainty, "mm/kg") == text


@pytest.mark.parametrize(
    ("value", "uncertainty", "more", "text"),
    [
        (107.5, 1.28, 0, "107.5"),
        (109.06, 9.0, 0, "109"),
        (109.06, 9.0, 1, "109.1"),
        (9.8164, 0.00058, 0, "9.8164"),
        (-0.04, 3.0, 0, "−0"),
        (1.0906e11, 4.3e9, 0, "1.09×10¹¹"),
        (1.0906e11, 4.3e9, 1, "1.091×10¹¹"),
        (0.0987, 0.096, 0, "0.10"),
        (9.87654, 0.0, 0, "9.877"),
    ],
)
def test_a_value_ends_where_its_uncertainty_ends(
    value: float, uncertainty: float, more: int, text: str
) -> None:
    assert beside(value, uncertainty, more) == text.replace("−0", "0")


@given(st.floats(1e-6, 1e2), st.floats(-1e3, 1e3))
def test_the_format_of_a_cell_shows_what_a_statement_says(u: float, value: float) -> None:
    found, decimals = state(value, u, ""), decimals_of(u)
    assert decimals is not None
    if not found.exponent and decimals:
        assert len(found.uncertainty.partition(".")[2]) == decimals
        assert len(found.value.partition(".")[2]) == decimals


@pytest.mark.parametrize("u", [0.0, -1.0, math.nan, math.inf])
def test_no_decimals_without_an_uncertainty(u: float) -> None:
    assert decimals_of(u) is None


@pytest.mark.parametrize(
    ("fraction", "signed", "text"),
    [
        (0.00042, False, "0.042 %"),
        (0.0463, False, "4.6 %"),
        (-0.028, True, "−2.8 %"),
        (0.0075, True, "+0.75 %"),
        (0.0, True, "0 %"),
        (1.0, False, "100 %"),
        # was 1.7e+02 %
        (1.73, False, "173 %"),
        (-1.73, True, "−173 %"),
        (9.96, False, "996 %"),
        # beyond 1000 % nobody thinks in per cent
        (19.7, False, "20 times"),
        (921.144, True, "+920 times"),
        (-99_900.0, True, "−100000 times"),
        (1e9, False, "more than 100 000 times"),
        (1e-7, False, "less than 0.001 %"),
        (math.inf, False, "inf %"),
    ],
)
def test_percentage(fraction: float, signed: bool, text: str) -> None:
    assert percentage(fraction, signed=signed) == text


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_percentage_has_no_power_of_ten(fraction: float) -> None:
    said = percentage(fraction).replace("more", "").replace("less", "").replace("times", "")
    assert not {"e", "×"} & set(said)


@pytest.mark.parametrize(
    ("part", "text"), [(0.66014, "66.0 %"), (1.0, "100.0 %"), (2e-6, "< 0.1 %"), (0.0, "0.0 %")]
)
def test_share(part: float, text: str) -> None:
    assert share(part) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.01, "0.01"),
        (5e-4, "0.0005"),
        (1.5e-8, "1.5×10⁻⁸"),
        (110.0, "110"),
        (95.0, "95"),
        (2e11, "2×10¹¹"),
        (0.5, "0.5"),
        (-3.0, "−3"),
    ],
)
def test_plain(value: float, text: str) -> None:
    assert plain(value) == text
