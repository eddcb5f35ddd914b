"""Numbers as people type them: understood where they are certain, otherwise not."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.practical.observations import TypedNumber, typed_number


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12", 12.0),
        ("12.5", 12.5),
        ("12,5", 12.5),
        (",5", 0.5),
        (".5", 0.5),
        ("5,", 5.0),
        ("+5", 5.0),
        ("007", 7.0),
        ("0,125", 0.125),
        ("1234,567", 1234.567),
        ("1,2345", 1.2345),
        ("1,234e1", 12.34),
        ("1.234", 1.234),
        ("  12.5 ", 12.5),
        ("12.5\n", 12.5),
        # non-breaking and thin spaces
        ("\u00a012.5\u202f", 12.5),
        # full-width characters
        ("１２．５", 12.5),
        ("１２，５", 12.5),
        ("－１２", -12.0),
        # minus signs and dashes
        ("-5", -5.0),
        ("−5", -5.0),
        ("–5", -5.0),
        ("- 5", -5.0),
        # powers of ten
        ("1.2e-3", 0.0012),
        ("1,2E3", 1200.0),
        ("1.2×10^-3", 0.0012),
        ("1.2 × 10^−3", 0.0012),
        ("1,2 x 10^3", 1200.0),
        ("1.2*10^+3", 1200.0),
        ("1.2×10⁻³", 0.0012),
        ("2.05×10¹¹", 2.05e11),
    ],
)
def test_understood(text: str, value: float) -> None:
    assert typed_number(text) == TypedNumber(value)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("12.5 mm", "mm", 12.5),
        ("12.5mm", "mm", 12.5),
        ("−3 °C", "°C", -3.0),
        ("5 m²", "m²", 5.0),
        ("5 µm", "μm", 5.0),
        ("5 N m", "N m", 5.0),
        ("1.2×10^-3 m/s²", "m/s²", 0.0012),
        ("30°", "°", 30.0),
    ],
)
def test_the_cell_s_own_unit(text: str, unit: str, value: float) -> None:
    assert typed_number(text, unit) == TypedNumber(value)


@pytest.mark.parametrize("text", ["٣٫٤", "３.４", "३.४", "3٫4", "๓,๔"])
def test_digits_of_any_script(text: str) -> None:
    assert typed_number(text) == TypedNumber(3.4)


@pytest.mark.parametrize(
    ("text", "unit"),
    [("5 cm", "mm"), ("5 mm", "m"), ("5 mm", ""), ("mm", "mm"), ("5 m m", "mm²"), ("mm 5", "mm")],
)
def test_any_other_unit_is_not_understood(text: str, unit: str) -> None:
    assert typed_number(text, unit) is None


@pytest.mark.parametrize(
    ("text", "value"),
    [("1,234", 1.234), ("-12,345", -12.345), ("999,000", 999.0), ("1,234 ", 1.234)],
)
def test_a_comma_before_three_digits_is_ambiguous(text: str, value: float) -> None:
    assert typed_number(text) == TypedNumber(value, ambiguous=True)


@pytest.mark.parametrize(
    "text",
    [
        *("", " ", ".", ",", "-", "+", "e5", "×10^3"),
        *("1,234.5", "1.234,5", "1,234,567", "1.2.3", "1'234", "1_000"),
        *("--5", "+-5", "5-", "1.2e", "1.2×", "1.2×10^", "1e5.5", "1e1000"),
        *("inf", "nan", "1e999", "0x10", "½", "1/2", "12?", "ca. 12", "=1+1", "5 ± 1", "five"),
        # two readings in one cell
        *("12 15", "12\n15", "2.5 3", "1 234"),
        # a product or a raised number is no power of ten
        *("5*100", "2×105", "10²", "5³", "①"),
        "1" * 61,
    ],
)
def test_not_understood(text: str) -> None:
    assert typed_number(text) is None


def test_the_longest_text() -> None:
    assert typed_number("1" + " " * 59) == TypedNumber(1.0)


FINITE = st.floats(allow_nan=False, allow_infinity=False)


@given(FINITE, st.sampled_from([".", ","]))
def test_every_number_is_read_back(value: float, separator: str) -> None:
    found = typed_number(repr(value).replace(".", separator))
    assert found is not None
    assert found.value == value
    assert math.copysign(1.0, found.value) == math.copysign(1.0, value)


@given(st.floats(-1e6, 1e6), st.integers(0, 6), st.sampled_from([".", ","]))
def test_every_decimal_is_read_back(value: float, places: int, separator: str) -> None:
    text = f"{value:.{places}f}"
    found = typed_number(f" {text.replace('.', separator).replace('-', '−')} mm", "mm")
    assert found is not None
    assert found.value == float(text)
    # never with a point: that is the decimal sign of the table
    assert not (found.ambiguous and separator == ".")


@given(st.text(max_size=70), st.text(max_size=5))
def test_any_text_is_a_finite_number_or_none(text: str, unit: str) -> None:
    _finite_or_none(text, unit)


@given(
    st.lists(st.sampled_from([*"0123456789.,+-eE×xX*^ −½²Ⅷ٣", "10^", "mm"]), max_size=12).map(
        "".join
    )
)
def test_any_text_of_parts_of_numbers_is_a_finite_number_or_none(text: str) -> None:
    _finite_or_none(text, "mm")


def _finite_or_none(text: str, unit: str) -> None:
    found = typed_number(text, unit)
    assert found is None or math.isfinite(found.value)
