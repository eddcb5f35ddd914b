"""Definitions written for a test, evaluated from what is typed: practicals of one sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sheetlab.practical.evaluate import Evaluation, evaluate_practical
from sheetlab.practical.loader import load
from sheetlab.practical.model import Practical
from sheetlab.workbook.template import as_cells_show


def head(id_: str, rows: int) -> str:
    """The head of a definition with one table, ``t``, to which columns can be added."""
    return (
        f'id = "{id_}"\nversion = "1"\ntitle = "{id_}"\naim = "To test."\n'
        '[sheets.all]\ntitle = "All"\n'
        f'[tables.t]\ntitle = "table"\nsheet = "all"\nrows = {rows}\n'
    )


def column(key: str, unit: str = "1", formula: str = "") -> str:
    formula = f'formula = "{formula}"\n' if formula else ""
    return f'[tables.t.columns.{key}]\ntitle = "{key}"\nunit = "{unit}"\n{formula}'


def quantity(key: str, formula: str, unit: str = "1", extra: str = "") -> str:
    """A quantity that is a result too."""
    return (
        f'[quantities.{key}]\ntitle = "{key}"\nsymbol = "{key}"\nunit = "{unit}"\n'
        f'sheet = "all"\nformula = "{formula}"\n{extra}\n[results.{key}]\n'
    )


def evaluated(
    model: str | Practical, cells: Mapping[str, Sequence[Any]], trials: int = 0
) -> Evaluation:
    """The evaluation of what is typed; ``model``: a practical, or the text of a definition."""
    model = load(model) if isinstance(model, str) else model
    return evaluate_practical(model, as_cells_show(model, cells), trials=trials)


def result(evaluation: Evaluation, key: str) -> tuple[float, float]:
    """Value and standard uncertainty of a quantity, SI units."""
    (quantity,) = (q for q in evaluation.quantities if q.key == key)
    return quantity.value, quantity.standard_uncertainty
