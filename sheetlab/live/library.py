"""What a spreadsheet function is, and how a call from a cell is answered.

A function is described once, as a ``Function``; the add-ins of both programs, the guide workbook
and the documentation are made from the descriptions. ``call`` is the only way in: it makes the
cells plain, refuses what does not fit in a short sentence, and never raises.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Literal, ParamSpec, TypeVar

from msgspec import Struct

from sheetlab.finding import SheetlabError
from sheetlab.live.cells import (
    Cell,
    RefusedError,
    Table,
    first_rows,
    number,
    shown,
    table,
    used_rows,
    word,
)

SAYS = "sheetlab: "
"""How a message in a cell begins."""
PART = "part"
"""Id of the last argument of every function that answers with a labelled block. Without it the
cell gets the block, two columns of label and value; a label gives the one value beside it."""

MOST_TEXT = 255
"""Letters of an answer; an array formula of Excel cannot take more in a cell."""

Value = float | str
Block = tuple[tuple[Value, ...], ...]
"""A result of several cells, rows of equal length."""
Kind = Literal["number", "text", "numbers", "column", "table"]
"""``numbers``: all numbers of a range, empty cells passed over. ``column``: the cells of a range
in reading order, empty ones as ``None``, to be paired with another. ``table``: the cells as they
are."""


class Argument(Struct, frozen=True):
    """One argument of a function."""

    id: str
    help: str
    """One sentence, shown by the spreadsheet program."""
    kind: Kind = "number"
    optional: bool = False
    choices: tuple[str, ...] = ()
    """Texts that are understood; only letters and digits count, and not their case."""


class Example(Struct, frozen=True):
    """A worked line: what is typed, what comes out, and who says so."""

    arguments: tuple[object, ...]
    """Numbers, texts, or tuples of them (a column; of tuples: rows); ``None`` leaves an optional
    one out."""
    expected: Value | Block
    source: str
    digits: int | tuple[int, ...] = 12
    """Significant digits to which the source gives it; of a block those of its rows."""

    def tolerances(self) -> tuple[float, ...]:
        """By row: half a unit of the last digit that the source gives; 0 for a text."""
        rows = self.expected if isinstance(self.expected, tuple) else ((self.expected,),)
        digits = self.digits if isinstance(self.digits, tuple) else (self.digits,) * len(rows)
        return tuple(_half_unit(row[-1], n) for row, n in zip(rows, digits, strict=True))


class Function(Struct, frozen=True):
    """A function of the library."""

    id: str
    """Its name in a cell: capitals, digits and underscores, and nothing like a cell address."""
    title: str
    help: str
    group: str
    arguments: tuple[Argument, ...]
    compute: Callable[..., Value | Block]
    """Takes the arguments in order but for ``part``, as plain Python values, ``None`` where an
    optional one is missing; raises ``RefusedError``."""
    examples: tuple[Example, ...]


def call(functions: Mapping[str, Function], name: str, values: Sequence[object]) -> Value | Block:
    """Answer a call from a cell. Whatever happens, the answer is something that a cell can show.

    Parameters
    ----------
    values
        What the program hands over, argument by argument; missing ones at the end may be left out.
    """
    try:
        one = functions.get(name.upper())
        if one is None:
            raise RefusedError(f"there is no function {shown(name)}")
        arguments = _arguments(one, values)
        part = arguments.pop() if one.arguments and one.arguments[-1].id == PART else None
        found = one.compute(*arguments)
        return _shown(found if part is None else _chosen(found, str(part)))
    except RefusedError as refusal:
        text = str(refusal)
    except SheetlabError as error:
        text = error.findings[0].message
    except ImportError as error:
        text = broken(error)
    except (ArithmeticError, ValueError) as error:
        text = f"these values cannot be calculated ({error})"
    except Exception as error:  # the last boundary: a traceback helps nobody in a cell
        text = f"{type(error).__name__} in {name}; please report it with the values"
    return _short(f"{SAYS}{text}")


def broken(error: ImportError) -> str:
    """What is said where a library is missing."""
    return f"the installation is broken ({error.name or error} is missing); install sheetlab anew"


def part_of(*labels: str) -> Argument:
    """The argument ``part`` of a function whose block has these labels; none: they vary."""
    listed = ", ".join(labels) or "a label of its first column"
    return Argument(PART, f"Leave out for all, or choose one: {listed}.", "text", True, labels)


Result = TypeVar("Result")
Given = ParamSpec("Given")


def asked(work: Callable[Given, Result], *values: Given.args, **options: Given.kwargs) -> Result:
    """What the core answers. Its ``ValueError`` is a sentence for people, and so a refusal."""
    try:
        return work(*values, **options)
    except ValueError as error:
        raise RefusedError(str(error)) from error


def _arguments(one: Function, values: Sequence[object]) -> list[object]:
    if len(values) > len(one.arguments):
        raise RefusedError(f"{one.id} takes {len(one.arguments)} arguments, not {len(values)}")
    given = [*values, *(None for _ in one.arguments[len(values) :])]
    pairs = list(zip(one.arguments, given, strict=True))
    # columns that are paired are cut at the same row, so that ranges of other size can be told
    end = max((used_rows(value) for a, value in pairs if a.kind == "column"), default=0)
    return [_argument(a, table(_cut(a, value, end))) for a, value in pairs]


def _cut(one: Argument, value: object, end: int) -> object:
    if one.kind == "column":
        return first_rows(value, end)
    return first_rows(value, used_rows(value)) if one.kind == "numbers" else value


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
        raise RefusedError(f"{one.id} has to be one cell, not {len(flat)}")
    return number(flat[0], one.id) if one.kind == "number" else _text(one, flat[0])


def _where(one: Argument, flat: Sequence[Cell], k: int) -> str:
    return one.id if len(flat) == 1 else f"cell {k + 1} of {one.id}"


def _text(one: Argument, cell: Cell) -> str:
    if not isinstance(cell, str):
        raise RefusedError(f"{one.id} has to be a text: {one.help}")
    if not one.choices:
        return cell
    for choice in one.choices:
        if choice == cell.strip() or (word(choice) and word(choice) == word(cell)):
            return choice
    raise RefusedError(f"{one.id} is one of {', '.join(one.choices)}; “{shown(cell)}” is not")


def _chosen(found: Value | Block, label: str) -> Value:
    assert isinstance(found, tuple)
    for row in found:
        if word(str(row[0])) == word(label):
            return row[1]
    labels = ", ".join(str(row[0]) for row in found)
    raise RefusedError(f"{PART} is one of {labels}; “{shown(label)}” is not")


def _shown(result: Value | Block) -> Value | Block:
    if isinstance(result, tuple):
        return tuple(tuple(_value(v) for v in row) for row in result)
    return _value(result)


def _value(value: Value) -> Value:
    if isinstance(value, str):
        return _short(value)
    plain = float(value)
    return plain if math.isfinite(plain) else f"{SAYS}beyond what can be calculated"


def _short(text: str) -> str:
    return text if len(text) <= MOST_TEXT else text[: MOST_TEXT - 1] + "…"


def _half_unit(value: Value, digits: int) -> float:
    if isinstance(value, str):
        return 0.0
    place = math.floor(math.log10(abs(value))) if value else 0
    return 0.5 * 10.0 ** (place - digits + 1)
