"""Keys of TOML files: a text is never taken apart into a list, nor a number into a table."""

from __future__ import annotations

import pytest

from sheetlab.practical.definition import Definition
from sheetlab.practical.profile import Profile
from sheetlab.practical.structure import structured

WHOLE = {
    "id": "a", "version": "1", "title": "A", "aim": "-",
    "sheets": [{"id": "s", "title": "S"}], "results": [],
}  # fmt: skip
CONSTANT = {"id": "c", "title": "C", "symbol": "c", "value": 1, "unit": "1", "source": "-"}
HALF = {"label": "u", "half_width": float("inf")}


@pytest.mark.parametrize(
    ("more", "key", "reason"),
    [
        ({"method": "wait"}, "method", "is a text"),
        ({"method": 3}, "method", "is no list"),
        ({"method": ["a", 3]}, "method[1]", "3 is not a text"),
        ({"sheets": ["s"]}, "sheets[0]", "'s' is not a table"),
        ({"sheets": [{"id": "s"}]}, "sheets[0].title", "is missing"),
        ({"title": True}, "title", "True is not a text"),
        ({"titel": "A"}, "titel", "is not a key that is known"),
        ({"constants": [{**CONSTANT, "value": 10**400}]}, "constants[0].value",
         f"{10**400} is not a number"),
        ({"constants": [{**CONSTANT, "uncertainty": [HALF]}]}, "constants[0].uncertainty[0]."
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
    made, problems = structured({**WHOLE, "method": ["wait"]}, Definition)
    assert problems == []
    assert made is not None
    assert made.method == ("wait",)
    assert made.sheets[0].title == "S"


def test_values_have_one_type() -> None:
    """A whole number is a number; true is not 1."""
    made, _ = structured({**WHOLE, "constants": [CONSTANT]}, Definition)
    assert made is not None
    assert type(made.constants[0].value) is float
    made_profile, problems = structured({"digits": True}, Profile)
    assert made_profile is None
    assert problems == [("digits", "has none of the values it can have", "0, 1, 2")]
