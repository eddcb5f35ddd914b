"""Cells as a spreadsheet program hands them over, made plain.

Programs differ: an empty cell is ``None`` in one and an empty text in the other, a column comes
as a list or as a list of lists, an error as an object or a number. Behind this module there is one
form, a table of cells, whatever program asks.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, time, timedelta
from typing import Any, TypeVar, cast

from msgspec import Struct

from sheetlab.practical.observations import typed_number

SHOWN = 20
"""Characters of a wrong cell that a message repeats."""
LARGEST, SMALLEST = 1e60, 1e-60
"""Between these the squares and quotients of numbers are numbers too."""


class RefusedError(Exception):
    """A wrong call. Its text is what the cell will show, so it is short and says what is wrong."""


class Foreign(Struct, frozen=True):
    """A cell that holds neither number nor text: an error value, a date."""

    what: str


Cell = float | bool | str | Foreign | None
"""``None``: an empty cell."""
Table = tuple[tuple[Cell, ...], ...]
"""Rows of equal length."""

_ERROR = re.compile(r"#[A-Z/0]+[!?]?|Err:\d+")


def plain(value: object) -> Cell:
    """One cell as a program gives it."""
    if value is None or type(value) is float:
        return value
    if isinstance(value, bool | Foreign):
        return value
    if isinstance(value, int | float):
        return float(value)
    if isinstance(value, date | time | timedelta):
        return Foreign("a date or time")
    if isinstance(value, str):
        text = value
    else:
        item = getattr(value, "item", None)  # a number of an array library
        found: Any = item() if callable(item) else value
        if isinstance(found, bool | int | float):
            return plain(found)
        text = str(found)
    if _ERROR.fullmatch(text):
        return Foreign(f"the error {text}")
    return text if text.strip() else None


def table(value: object) -> Table:
    """A range, a single cell, or a value as a table of cells; a flat list is one column."""
    rows = _sequence(value)
    if rows is None:
        return ((plain(value),),)
    cells = [[row] if (inner := _sequence(row)) is None else inner for row in rows]
    width = max(map(len, cells), default=0)
    return tuple(
        tuple([plain(value) for value in row])
        if len(row) == width
        else (*map(plain, row), *[None] * (width - len(row)))
        for row in cells
    )


def used_rows(value: object) -> int:
    """Rows of a range up to the last one in which something stands: few of a whole column."""
    rows = _sequence(value)
    if rows is None:
        return 1
    count = len(rows)
    while count and _blank(rows[count - 1]):
        count -= 1
    return count


def first_rows(value: object, count: int) -> object:
    """A range without the rows after some; of a range that is shorter, all."""
    rows = _sequence(value)
    return value if rows is None or len(rows) <= count else rows[:count]


def _blank(row: object) -> bool:
    cells = cast(Sequence[object], row) if type(row) in (tuple, list) else (row,)
    return all(cell is None or (type(cell) is str and not cell) for cell in cells)


def _sequence(value: object) -> Sequence[object] | None:
    if type(value) in (tuple, list):
        return cast(Sequence[object], value)
    if isinstance(value, str | bytes | bytearray):
        return None
    if isinstance(value, Sequence):
        return value
    as_list = getattr(value, "tolist", None)  # an array
    found = as_list() if callable(as_list) else None
    return found if isinstance(found, list) else None


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
        return _workable(cell, where)
    if cell is None:
        raise RefusedError(f"{where} is empty; a number is expected")
    if isinstance(cell, Foreign):
        raise RefusedError(f"{where} holds {cell.what}; a number is expected")
    typed = typed_number(cell)
    if typed is None:
        raise RefusedError(f"{where} holds “{shown(cell)}”; a number is expected")
    if typed.ambiguous:
        raise RefusedError(
            f"{where} holds “{shown(cell)}”: thousands or decimals? Type it as a number"
        )
    return _workable(typed.value, where)


def _workable(value: float, where: str) -> float:
    if value and not SMALLEST <= abs(value) <= LARGEST:  # not a number either
        raise RefusedError(f"{where} is {value:g}, beyond what can be calculated with")
    return value


def shown(text: str) -> str:
    """The beginning of a text, for a message."""
    return text if len(text) <= SHOWN else text[: SHOWN - 1] + "…"


def word(text: str) -> str:
    """What makes a word the same word for a person: letters and digits, whatever their case."""
    return "".join(c for c in text.casefold() if c.isalnum() or c == "%")


Column = tuple[float | None, ...]
"""Cells of a range in reading order; ``None`` where nothing stands."""


CellT = TypeVar("CellT")


def alike(
    columns: Mapping[str, tuple[CellT, ...]], spread: Iterable[str] = ()
) -> dict[str, tuple[CellT, ...]]:
    """The columns cut, or spread, to one length.

    Parameters
    ----------
    columns
        By the name that a message gives them; at least one is not in ``spread``.
    spread
        Names of columns that stand for every row if they are one cell.

    Raises
    ------
    RefusedError
        If they differ in size, unless nothing stands in the surplus.
    """
    own = {n: c for n, c in columns.items() if len(c) > 1 or n not in spread}
    least = min(map(len, own.values()))
    for name, column in own.items():
        if any(cell is not None for cell in column[least:]):
            short = next(n for n, c in own.items() if len(c) == least)
            raise RefusedError(f"{name} has {len(column)} cells, {short} has {least}")
    return {n: c[:least] if n in own else c * least for n, c in columns.items()}


def paired(
    columns: dict[str, Column], spread: Iterable[str] = ()
) -> tuple[list[tuple[float, ...]], int]:
    """The rows in which every column has a number, and how many others are passed over.

    A row in which nothing stands at all is not counted. Arguments and refusals are those of
    ``alike``.
    """
    wide = alike(columns, spread)
    # one cell for every row says nothing of whether there is a row
    own = [n for n in wide if len(columns[n]) > 1 or n not in spread]
    rows, passed = [], 0
    for i in range(len(wide[own[0]])):
        values = tuple(column[i] for column in wide.values())
        row = tuple(v for v in values if v is not None)
        if len(row) == len(values):
            rows.append(row)
        elif any(wide[n][i] is not None for n in own):
            passed += 1
    return rows, passed
