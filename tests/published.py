"""Published check values; where each comes from is told in ``reference/README.md``."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

_REFERENCE = Path(__file__).parent / "reference"


def rows(name: str) -> list[dict[str, str]]:
    """The rows of a table, digits as they are printed."""
    with (_REFERENCE / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def columns(name: str, *keys: str) -> list[list[float]]:
    """Columns of a table by name: NIST prints y before x."""
    table = rows(name)
    return [[float(row[key]) for row in table] for key in keys]


def case(name: str, key: str) -> dict[str, Any]:
    """One case of a collection."""
    cases = json.loads((_REFERENCE / name).read_text(encoding="utf-8"))["cases"]
    return next(one for one in cases if one["id"] == key)


def expected(name: str, key: str) -> list[tuple[str, float, float]]:
    """(what, value, absolute tolerance) of a case, printed values before recomputed ones."""
    return [(one["name"], one["value"], one["tolerance"]) for one in case(name, key)["expected"]]


def derived(name: str, key: str) -> dict[str, tuple[float, float]]:
    """What -> (value, absolute tolerance), only values recomputed with many digits."""
    found = case(name, key)["expected"]
    return {
        one["name"]: (one["value"], one["tolerance"]) for one in found if one["kind"] == "derived"
    }
