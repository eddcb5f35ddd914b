"""Keys of TOML files: a text is never taken apart into a list, nor a number into a table."""

from __future__ import annotations

import pytest

from sheetlab.practical.definition import Definition
from sheetlab.practical.structure import structured

WHOLE = {
    "id": "a", "version": "1", "title": "A", "aim": "-",
    "sheets": [{"id": "s", "title": "S"}], "results": [],
}  # fmt: skip


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
    ],
)
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
