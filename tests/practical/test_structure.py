"""Keys of TOML files: a text is never taken apart into letters, nor a number into a table."""

from __future__ import annotations

import pytest

from sheetlab.practical.definition import Definition
from sheetlab.practical.profile import Profile
from sheetlab.practical.structure import structured

WHOLE = {
    "id": "a", "version": "1", "title": "A", "aim": "-",
    "sheets": {"s": {"title": "S"}}, "results": {},
}  # fmt: skip
CONSTANT = {"title": "C", "symbol": "c", "value": 1, "unit": "1", "source": "-"}
HALF = {"label": "u", "half_width": float("inf")}


@pytest.mark.parametrize(
    ("more", "key", "reason"),
    [
        ({"method": 3}, "method", "is no list"),
        ({"method": ["a", 3]}, "method[1]", "3 is not a text"),
        ({"sheets": ["s"]}, "sheets", "is no table of tables"),
        ({"sheets": {"s": 3}}, "sheets.s", "3 is not a table"),
        ({"constants": {"c": {"source": "-"}}}, "constants.c.value", "is missing"),
        ({"sheets": {"s": {"id": "s", "title": "S"}}}, "sheets.s.id", "is not a key that is known"),
        ({"bench": {"truths": {}, "readings": {}, "inputs": {"swings": 30}}},
         "bench.inputs.swings.value", "30 is not a text"),
        ({"checks": {"c": {"condition": "1 < 2", "question": "?", "each": 3}}}, "checks.c.each",
         "is no list"),
        ({"title": True}, "title", "True is not a text"),
        ({"titel": "A"}, "titel", "is not a key that is known; did you mean “title”?"),
        ({"constants": {"c": {**CONSTANT, "value": 10**400}}}, "constants.c.value",
         f"{10**400} is not a number"),
        ({"constants": {"c": {**CONSTANT, "uncertainty": [HALF]}}}, "constants.c.uncertainty[0]."
         "half_width", "inf is not a number or a formula"),
    ],
)  # fmt: skip
def test_each_key_that_cannot_be_used_is_named(
    more: dict[str, object], key: str, reason: str
) -> None:
    made, problems = structured({**WHOLE, **more}, Definition)
    assert made is None
    assert [problem[:2] for problem in problems] == [(key, reason)]


def test_a_whole_table_is_made() -> None:
    bench = {"truths": {}, "readings": {}, "inputs": {"swings": "30", "amplitude": {"value": "5"}}}
    data = {**WHOLE, "method": "wait", "apparatus": ["a", "b"], "bench": bench}
    made, problems = structured(data, Definition)
    assert problems == []
    assert made is not None
    assert (made.method, made.apparatus) == (("wait",), ("a", "b"))
    assert [(sheet.id, sheet.title) for sheet in made.sheets] == [("s", "S")]
    assert made.bench is not None
    typed = [(item.input, item.value) for item in made.bench.inputs]
    assert typed == [("swings", "30"), ("amplitude", "5")]


def test_values_have_one_type() -> None:
    """A whole number is a number; true is not 1."""
    made, _ = structured({**WHOLE, "constants": {"c": CONSTANT}}, Definition)
    assert made is not None
    assert type(made.constants[0].value) is float
    made_profile, problems = structured({"digits": True}, Profile)
    assert made_profile is None
    assert problems == [("digits", "has none of the values it can have", "0, 1, 2")]
