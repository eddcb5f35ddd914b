"""Formulas are refused before use where names, shapes or dimensions do not fit."""

from __future__ import annotations

import pytest

from sheetlab.formula.dimensions import Kind, check
from sheetlab.formula.functions import NAMES
from sheetlab.formula.tree import FormulaError, parse
from sheetlab.units import unit

KINDS = {
    "length": Kind(unit("m").dimension),
    "width": Kind(unit("mm").dimension),
    "mass": Kind(unit("kg").dimension),
    "force": Kind(unit("N").dimension),
    "angle": Kind(unit("degree").dimension),
    "celsius": Kind(unit("degC").dimension),
    "load": Kind(unit("kg").dimension, "loads"),
    "pointer": Kind(unit("cm").dimension, "loads"),
    "pointer_down": Kind(unit("mm").dimension, "loads"),
    "diameter": Kind(unit("mm").dimension, "diameters", repeated=True),
    "twice": Kind(unit("mm").dimension, "loads", repeated=True),
    "period": Kind(unit("s").dimension, "swings"),
}


def dimension(text: str, table: str | None = None) -> str | None:
    found = check(text, parse(text, NAMES), KINDS.get, table)
    return None if found is None else str(found)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("length", "length"),
        ("length + width", "length"),
        ("-length", "length"),
        ("length * width^2", "length^3"),
        ("mass / length^3", "length^-3 mass"),
        ("(length * width)^0.5", "length"),
        ("length^-2", "length^-2"),
        ("sqrt(length)", "length^0.5"),
        ("abs(length)", "length"),
        ("length / width", "pure number"),
        ("2 * pi", "pure number"),
        ("sin(angle)", "pure number"),
        ("ln(length / width)", "pure number"),
        ("log10(length / width)", "pure number"),
        ("force / (mass * length)", "time^-2"),
        # statistics of columns
        ("mean(pointer)", "length"),
        ("slope(load, pointer)", "length mass^-1"),
        ("slope(load, pointer, pointer_down)", "length mass^-1"),
        ("slope(load, twice)", "length mass^-1"),
        ("intercept(load, pointer)", "length"),
        ("interval_slope(load, pointer)", "length mass^-1"),
        ("half_interval(load)", "mass"),
        ("first_given(length, width)", "length"),
        ("normal_gravity(angle, length)", "length time^-2"),
        ("mass * normal_gravity(angle, length) / force", "pure number"),
        # conditions
        ("length < width", None),
        ("0 < length and not mass > mass", None),
        ("length > 0", None),
    ],
)
def test_quantities(text: str, found: str | None) -> None:
    assert dimension(text) == found


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("pointer - pointer_down", "length"),
        ("length * load", "length mass"),
        ("row_mean(twice)", "length"),
        ("row_mean(pointer, pointer_down)", "length"),
        ("row_range(twice)", "length"),
        ("pointer - first(pointer)", "length"),
        ("load - previous(load)", "mass"),
        ("pointer - mean(pointer)", "length"),
        ("load * mean(period)", "mass time"),
    ],
)
def test_rows(text: str, found: str) -> None:
    assert dimension(text, "loads") == found


@pytest.mark.parametrize(
    ("text", "part", "reason"),
    [
        ("mass + length", "+", "differ in dimension: mass and length"),
        ("length - 1", "-", "differ in dimension: length and pure number"),
        ("length < mass", "<", "differ in dimension"),
        ("length < 1", "<", "differ in dimension"),
        ("first_given(length, mass)", "first_given", "differ in dimension"),
        ("sin(length)", "sin(…)", "differ in dimension: length and pure number"),
        ("exp(mass)", "exp(…)", "differ in dimension"),
        ("normal_gravity(length, length)", "normal_gravity: latitude", "differ in dimension"),
        ("normal_gravity(angle, mass)", "normal_gravity: height", "differ in dimension"),
        ("slope(load, pointer, load)", "slope", "differ in dimension"),
        # names
        ("lenght * 2", "lenght", "not the name of anything"),
        ("mean(lenght)", "lenght", "not the name of anything"),
        ("length.__class__", "length.__class__", "not the name of anything"),
        ("__builtins__", "__builtins__", "not the name of anything"),
        # columns and numbers
        ("pointer + length", "pointer", "a column where one number is needed"),
        ("sqrt(pointer)", "pointer", "a column where one number is needed"),
        ("mean(length)", "length", "not a column of a table"),
        ("mean(2 * pointer)", "mean", "names of columns, not sums or products"),
        ("slope(load, period)", "slope", "columns of one table"),
        ("diameter / 2", "diameter", "several readings in a row"),
        ("mean(diameter)", "diameter", "several readings in a row"),
        ("slope(twice, pointer)", "twice", "several readings in a row"),
        ("row_mean(diameter)", "diameter", "not a column of the same table"),
        ("previous(load)", "load", "not a column of the same table"),
        # conditions and numbers
        ("1 + (length < width)", "comparison", "a condition stands where a number"),
        ("sqrt(length < width)", "comparison", "a condition stands where a number"),
        ("length and mass > 0", "and", "a number stands where a condition"),
        ("not length", "not", "a number stands where a condition"),
        # numbers of arguments
        ("sin()", "sin", "takes 1 arguments, not 0"),
        ("sin(angle, angle)", "sin", "takes 1 arguments, not 2"),
        ("slope(load)", "slope", "takes 2 to 12 arguments, not 1"),
        ("interval_slope(load, pointer, pointer)", "interval_slope", "takes 2 arguments, not 3"),
        ("normal_gravity(angle)", "normal_gravity", "takes 2 arguments, not 1"),
        ("first_given()", "first_given", "takes 1 to 8 arguments, not 0"),
    ],
)
def test_refused(text: str, part: str, reason: str) -> None:
    with pytest.raises(FormulaError) as caught:
        dimension(text)
    assert caught.value.part == part
    assert reason in caught.value.reason
    assert caught.value.text == text


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("period * 2", "period"),
        ("row_mean(period)", "period"),
        ("row_mean(pointer, load)", "row_mean"),
        ("previous(period)", "period"),
        ("previous(twice)", "previous"),
        ("first(length)", "length"),
    ],
)
def test_refused_in_rows(text: str, part: str) -> None:
    with pytest.raises(FormulaError) as caught:
        dimension(text, "loads")
    assert caught.value.part == part


def test_a_column_where_a_number_is_needed_is_told_how() -> None:
    with pytest.raises(FormulaError) as caught:
        dimension("pointer * 2")
    assert caught.value.allowed == "mean(pointer) or another statistic"
