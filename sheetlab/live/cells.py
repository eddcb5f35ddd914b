"""Cells as a spreadsheet program hands them over, made plain.

Programs differ: an empty cell is ``None`` in one and an empty text in the other, a column comes
as a list or as a list of lists, an error as an object or a number. Behind this module there is one
form, a table of cells, whatever program asks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, time

from sheetlab.practical.observations import typed_number


class RefusedError(Exception):
    """A wrong call. Its text is what the cell will show, so it is short and says what is wrong."""


@dataclass(frozen=True, slots=True)
class Foreign:
    """A cell that holds neither number nor text: an error value, a date."""

    what: str


Cell = float | bool | str | Foreign | None
"""``None``: an empty cell."""
Table = tuple[tuple[Cell, ...], ...]
"""Rows of equal length."""


def plain(value: object) -> Cell:
    """One cell as a program gives it."""
    if value is None or isinstance(value, bool | Foreign):
        return value
    if isinstance(value, int | float):
        return float(value)
    if isinstance(value, date | time):
        return Foreign("a date")
    text = str(value)
    if text.startswith("#") and text.rstrip("!?").isupper():
        return Foreign(f"the error {text}")
    return text if text.strip() else None


def table(value: object) -> Table:
    """A range, a single cell, or a value as a table of cells; a flat list is one column."""
    if not isinstance(value, Sequence) or isinstance(value, str):
        return ((plain(value),),)
    rows = [
        row if isinstance(row, Sequence) and not isinstance(row, str) else [row] for row in value
    ]
    width = max((len(row) for row in rows), default=0)
    return tuple(tuple(plain(v) for v in row) + (None,) * (width - len(row)) for row in rows)


def number(cell: Cell, where: str) -> float:
    """The number in a cell; decimal commas and numbers as text are understood.

    Raises
    ------
    RefusedError
        If it is no number, or one that could be two.
    """
    if isinstance(cell, bool):
        raise RefusedError(f"{where} is {str(cell).upper()}; a number is expected")
    if isinstance(cell, float):
        return cell
    if cell is None:
        raise RefusedError(f"{where} is empty; a number is expected")
    if isinstance(cell, Foreign):
        raise RefusedError(f"{where} holds {cell.what}; a number is expected")
    typed = typed_number(cell)
    if typed is None:
        raise RefusedError(f"{where} holds “{cell[:20]}”; a number is expected")
    if typed.ambiguous:
        raise RefusedError(
            f"{where} holds “{cell[:20]}”: thousands or decimals? Type it as a number"
        )
    return typed.value
