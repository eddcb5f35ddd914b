"""What a spreadsheet function is, and how a call from a cell is answered.

A function is described once, as a ``Function``; the add-ins of both programs, the guide workbook
and the documentation are made from the descriptions. ``call`` is the only way in: it makes the
cells plain, refuses what does not fit in a short sentence, and never raises.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from sheetlab.finding import SheetlabError
from sheetlab.live.cells import Cell, RefusedError, Table, number, table

SAYS = "sheetlab: "
"""How a message in a cell begins."""

Value = float | str
Block = tuple[tuple[Value, ...], ...]
"""A labelled result of several cells."""
Kind = Literal["number", "text", "numbers", "column", "table"]
"""``numbers``: all numbers of a range, empty cells passed over. ``column``: the cells of a range
in reading order, empty ones as ``None``, to be paired with another. ``table``: the cells as they
are."""


@dataclass(frozen=True, slots=True)
class Argument:
    """One argument of a function."""

    id: str
    help: str
    """One sentence, shown by the spreadsheet program."""
    kind: Kind = "number"
    optional: bool = False
    choices: tuple[str, ...] = ()
    """Texts that are understood, letter case does not count."""


@dataclass(frozen=True, slots=True)
class Example:
    """A worked line: what is typed, what comes out, and who says so."""

    arguments: tuple[object, ...]
    """Numbers, texts, or tuples (a column) of them; ``None`` leaves an optional one out."""
    expected: Value | Block
    source: str
    digits: int = 12
    """Significant digits to which the source gives it."""


@dataclass(frozen=True, slots=True)
class Function:
    """A function of the library."""

    id: str
    """Its name in a cell: capitals, digits and underscores, and nothing like a cell address."""
    title: str
    help: str
    group: str
    arguments: tuple[Argument, ...]
    compute: Callable[..., Value | Block]
    """Takes the arguments in order, as plain Python values; raises ``RefusedError``."""
    examples: tuple[Example, ...]


def call(functions: Mapping[str, Function], name: str, values: Sequence[object]) -> Value | Block:
    """Answer a call from a cell. Whatever happens, the answer is something that a cell can show.

    Parameters
    ----------
    values
        What the program hands over, argument by argument; missing ones at the end may be left out.
    """
    one = functions.get(name.upper())
    if one is None:
        return f"{SAYS}there is no function {name}"
    try:
        return _shown(one.compute(*_arguments(one, values)))
    except RefusedError as refusal:
        return f"{SAYS}{refusal}"
    except SheetlabError as error:
        return f"{SAYS}{error.findings[0].message}"
    except (ArithmeticError, ValueError) as error:
        return f"{SAYS}these values cannot be calculated ({error})"
    except Exception as error:  # the last boundary: a traceback helps nobody in a cell
        return f"{SAYS}{type(error).__name__} in {one.id}; please report it with the values"


def _arguments(one: Function, values: Sequence[object]) -> list[object]:
    if len(values) > len(one.arguments):
        raise RefusedError(f"{one.id} takes {len(one.arguments)} arguments, not {len(values)}")
    given = [*values, *(None for _ in one.arguments[len(values) :])]
    return [_argument(a, table(v)) for a, v in zip(one.arguments, given, strict=True)]


def _argument(one: Argument, cells: Table) -> object:
    flat = [cell for row in cells for cell in row]
    if all(cell is None for cell in flat):
        if one.optional:
            return None
        raise RefusedError(f"{one.id} is empty: {one.help}")
    if one.kind == "table":
        return cells
    if one.kind == "column":
        return tuple(
            None if c is None else number(c, _where(one, flat, k)) for k, c in enumerate(flat)
        )
    if one.kind == "numbers":
        return tuple(number(c, _where(one, flat, k)) for k, c in enumerate(flat) if c is not None)
    if len(flat) != 1:
        raise RefusedError(f"{one.id} is one cell, not {len(flat)}")
    return number(flat[0], one.id) if one.kind == "number" else _text(one, flat[0])


def _where(one: Argument, flat: Sequence[Cell], k: int) -> str:
    return one.id if len(flat) == 1 else f"cell {k + 1} of {one.id}"


def _text(one: Argument, cell: Cell) -> str:
    if not isinstance(cell, str):
        raise RefusedError(f"{one.id} is a text: {one.help}")
    if not one.choices:
        return cell
    for choice in one.choices:
        if choice.lower() == cell.strip().lower():
            return choice
    raise RefusedError(f"{one.id} is one of {', '.join(one.choices)}; “{cell[:20]}” is not")


def _shown(result: Value | Block) -> Value | Block:
    if isinstance(result, tuple):
        return tuple(tuple(_value(v) for v in row) for row in result)
    return _value(result)


def _value(value: Value) -> Value:
    if isinstance(value, float) and not math.isfinite(value):
        return f"{SAYS}beyond what can be calculated"
    return value
