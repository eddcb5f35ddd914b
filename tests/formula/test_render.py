"""Formulas as printed equations and as text of spreadsheet cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import pytest

from sheetlab.formula.functions import NAMES
from sheetlab.formula.render import (
    NotInCellsError,
    cell_condition,
    cell_formula,
    number_text,
    printed,
    quoted,
    superscript,
)
from sheetlab.formula.tree import Node, parse
from sheetlab.units import Unit, unit


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("a", "a"),
        ("2.50 * a", "2.5 a"),
        ("pi * d^2 / 4", "π d² / 4"),
        ("4*g*L/(pi*d^2*s)", "4 g L / (π d² s)"),
        ("a^12", "a¹²"),
        ("a^0.5", "a⁰·⁵"),
        ("(a^2)^3", "(a²)³"),
        ("d^-2", "d⁻²"),
        ("(a + b)^-2", "(a + b)⁻²"),
        ("(a^-2)^-0.5", "(a⁻²)⁻⁰·⁵"),
        ("(a + b)^2", "(a + b)²"),
        ("(a * b)^2", "(a b)²"),
        ("sqrt(a)^2", "√(a)²"),
        # brackets only where the meaning needs them
        ("a + (b + c)", "a + b + c"),
        ("(a + b) + c", "a + b + c"),
        ("a - (b + c)", "a − (b + c)"),
        ("a - (b - c)", "a − (b − c)"),
        ("(a - b) - c", "a − b − c"),
        ("(a + b) * c", "(a + b) c"),
        ("a * (b - c)", "a (b − c)"),
        ("(a * b) + c", "a b + c"),
        ("a / b / c", "a / b / c"),
        ("a / (b / c)", "a / (b / c)"),
        ("a / (b * c)", "a / (b c)"),
        ("a * (b / c)", "a (b / c)"),
        # without brackets it would read as a / (b c)
        ("a / b * c", "(a / b) c"),
        ("(a + b) / (c - d)", "(a + b) / (c − d)"),
        # signs
        ("-a", "−a"),
        ("-a^2", "−a²"),
        ("(-a)^2", "(−a)²"),
        ("-(a + b)", "−(a + b)"),
        ("-(a * b)", "−a b"),
        ("-a + b", "−a + b"),
        ("a + -b", "a + (−b)"),
        ("a - -b", "a − (−b)"),
        ("a * -b", "a (−b)"),
        # functions
        ("sqrt(a^2 + b^2)", "√(a² + b²)"),
        ("abs(a - b)", "|a − b|"),
        ("ln(a) * exp(b)", "ln(a) exp(b)"),
        ("log10(a / b)", "log10(a / b)"),
        ("asin(a / b)", "arcsin(a / b)"),
        ("slope(m, up, down)", "slope(m, up, down)"),
        ("interval_slope(m, s)", "slope by differences(m, s)"),
        ("spread(s)", "range(s)"),
        ("row_mean(d)", "mean of row(d)"),
        ("first_given(a, b)", "first_given(a, b)"),
        ("normal_gravity(a, h)", "normal_gravity(a, h)"),
        # conditions
        ("a + b < c", "a + b < c"),
        ("a < b <= c", "a < b and b <= c"),
        ("a < b and b < c or a > c", "a < b and b < c or a > c"),
        ("not a < b", "not (a < b)"),
        ("(a < b or b < c) and a < c", "(a < b or b < c) and a < c"),
    ],
)
def test_printed(text: str, shown: str) -> None:
    assert printed(parse(text, NAMES), lambda key: key) == shown


def test_printed_with_numbers() -> None:
    values = {"m": "0.5 kg", "g": "9.81", "d": "4.05×10⁻⁴", "s": "3"}
    node = parse("4 * m * g / (pi * d^2 * s)", NAMES)
    assert printed(node, values.__getitem__, " × ") == (
        "4 × (0.5 kg) × 9.81 / (π × (4.05×10⁻⁴)² × 3)"
    )
    assert printed(parse("g / m", NAMES), values.__getitem__, " × ") == "9.81 / (0.5 kg)"


def test_a_negative_number_in_place_of_a_name_is_bracketed() -> None:
    found = printed(parse("a + a^2 - a * a", NAMES), lambda key: "−2", " × ")
    assert found == "−2 + (−2)² − (−2) × (−2)"


def test_superscript() -> None:
    assert superscript("-12.5") == "⁻¹²·⁵"


@dataclass
class Sheet:
    """Cells in rows of a table or alone, some results on no sheet."""

    cells: dict[str, str] = field(
        default_factory=lambda: {"L": "$B$1", "d": "$B$2", "t": "$B$3", "kind": "$B$4", "n": "$B$5"}
    )
    ranges: dict[str, str] = field(
        default_factory=lambda: {"m": "D", "up": "E", "down": "F", "r_1": "G", "r_2": "H"}
    )
    units: dict[str, str] = field(
        default_factory=lambda: {
            **{"L": "m", "d": "mm", "t": "degC", "m": "kg", "up": "cm", "down": "cm"},
            **{"r_1": "mm", "r_2": "mm", "area": "mm^2", "offset": "mm"},
        }
    )
    formulas: dict[str, str] = field(
        default_factory=lambda: {"area": "pi * d^2 / 4", "offset": "0.002"}
    )

    def cell(self, key: str, row: int | None) -> str | None:
        if key in self.ranges:
            return None if row is None else f"{self.ranges[key]}{row + 2}"
        return self.cells.get(key)

    def range(self, key: str) -> str | None:
        return f"{self.ranges[key]}2:{self.ranges[key]}9" if key in self.ranges else None

    def columns(self, key: str) -> Sequence[str]:
        return ("r_1", "r_2") if key == "r" else (key,)

    def unit(self, key: str) -> Unit:
        return unit(self.units.get(key, "1"))

    def formula(self, key: str) -> Node | None:
        return parse(self.formulas[key], NAMES) if key in self.formulas else None

    def choices(self, key: str) -> Sequence[tuple[str, float]]:
        return [("steel", 1.0), ('6" brass', 2.0)] if key == "kind" else ()


def cell(text: str, result: str = "1", row: int | None = None) -> str:
    return cell_formula(parse(text, NAMES), Sheet(), row, unit(result))


@pytest.mark.parametrize(
    ("text", "result", "shown"),
    [
        # a cell reads -2^2 as 4: the sign and the power have brackets of their own
        ("-n^2", "1", '=IF(COUNT($B$5)<1,"",IFERROR((-($B$5^2)),""))'),
        ("n - n - n", "1", '=IF(COUNT($B$5)<1,"",(($B$5-$B$5)-$B$5))'),
        ("2 * pi", "1", "=(2*PI())"),
        # an empty cell counts as zero, so every input is counted first
        ("L + n * L", "m", '=IF(COUNT($B$1,$B$5)<2,"",($B$1+($B$5*$B$1)))'),
        ("cos(n)", "1", '=IF(COUNT($B$5)<1,"",COS($B$5))'),
        ("tan(n)", "1", '=IF(COUNT($B$5)<1,"",IFERROR(TAN($B$5),""))'),
        # one unit all through needs no factors, several go by way of the SI
        ("2 * d", "mm", '=IF(COUNT($B$2)<1,"",(2*$B$2))'),
        ("L + d", "mm", '=IF(COUNT($B$1,$B$2)<2,"",(($B$1+($B$2*0.001)))/0.001)'),
        ("t", "degC", '=IF(COUNT($B$3)<1,"",(($B$3*1+273.15)-273.15))'),
        # what is on no sheet is written out
        (
            "area * L",
            "m^3",
            '=IF(COUNT($B$2,$B$1)<2,"",IFERROR((((PI()*(($B$2*0.001)^2))/4)*$B$1),""))',
        ),
        ("d + offset", "mm", '=IF(COUNT($B$2)<1,"",((($B$2*0.001)+0.002))/0.001)'),
        # statistics
        ("mean(up)", "cm", '=IF(COUNT(E2:E9)<1,"",IFERROR(AVERAGE(E2:E9),""))'),
        (
            "slope(m, up)",
            "m/kg",
            '=IF(OR(COUNT(D2:D9)<2,COUNT(E2:E9)<2),"",IFERROR((SLOPE(E2:E9,D2:D9)*0.01),""))',
        ),
        ("first_given(n, 3)", "1", "=IF(COUNT($B$5)<1,3,$B$5)"),
        # texts of a choice
        (
            "kind * 2",
            "1",
            '=IF($B$4="","",IFERROR((IF($B$4="steel",1,IF($B$4="6"" brass",2,""))*2),""))',
        ),
    ],
)
def test_cells(text: str, result: str, shown: str) -> None:
    assert cell(text, result) == shown


@pytest.mark.parametrize(
    ("text", "result", "row", "shown"),
    [
        ("m * 2", "kg", 3, '=IF(COUNT(D5)<1,"",(D5*2))'),
        ("up - previous(up)", "cm", 1, '=IF(COUNT(E3,E2)<2,"",(E3-E2))'),
        ("up - first(up)", "cm", 4, '=IF(COUNT(E6,E2)<2,"",(E6-E2))'),
        ("row_mean(r)", "mm", 0, '=IF(COUNT(G2,H2)<1,"",AVERAGE(G2,H2))'),
        ("row_range(r)", "mm", 0, '=IF(COUNT(G2,H2)<2,"",(MAX(G2,H2)-MIN(G2,H2)))'),
        ("row_mean(r)", "m", 0, '=IF(COUNT(G2,H2)<1,"",(AVERAGE(G2,H2)*0.001))'),
    ],
)
def test_cells_of_a_row(text: str, result: str, row: int, shown: str) -> None:
    assert cell(text, result, row) == shown


@pytest.mark.parametrize(
    ("text", "row"),
    [
        ("nowhere * 2", None),
        ("mean(nowhere)", None),
        ("intercept(m, up, down)", None),
        ("slope(m, up, r_1)", None),
        ("previous(up)", 0),
    ],
)
def test_not_in_cells(text: str, row: int | None) -> None:
    with pytest.raises(NotInCellsError):
        cell(text, row=row)


def test_a_first_argument_that_fails_gives_way_in_cells_too() -> None:
    assert cell("first_given(n / n, 3)") == "=IF(COUNT($B$5)<1,3,IFERROR(($B$5/$B$5),3))"


def test_condition() -> None:
    node = parse("d < L and not n > 2", NAMES)
    assert cell_condition(node, Sheet(), None) == (
        "COUNT($B$2,$B$1,$B$5)<3",
        "AND((($B$2*0.001)<$B$1),NOT(($B$5>2)))",
    )


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (2.0, "2"),
        (0.1, "0.1"),
        (1e-11, "1E-11"),
        (-2.5e20, "-2.5E+20"),
        (1 / 3, "0.333333333333333"),
    ],
)
def test_number_text(value: float, text: str) -> None:
    assert number_text(value) == text


def test_quoted() -> None:
    assert quoted('6" rule') == '"6"" rule"'
