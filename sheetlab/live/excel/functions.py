"""The functions of the library, decorated for Excel: xlwings calls what stands in this module.

Each is a thin call of ``library.call``; nothing is worked out here. The module is imported by
xlwings' own server, in the process that answers Excel, and by nothing else of sheetlab.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from decimal import Decimal

import xlwings as xw

from sheetlab.live.cells import first_rows, used_rows
from sheetlab.live.excel.vba import CATEGORY, about, short
from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.library import Function, call

_ERRORS = {
    2000: "#NULL!",
    2007: "#DIV/0!",
    2015: "#VALUE!",
    2023: "#REF!",
    2029: "#NAME?",
    2036: "#NUM!",
    2042: "#N/A",
    2045: "#SPILL!",
    2050: "#CALC!",
}
_FIRST_ERROR = -2_146_828_288
"""Excel hands error cells over as this number and their own (``CVErr``) added to it."""


def bound(one: Function) -> Callable[..., object]:
    """A function as xlwings wants it: named arguments, help, cells as Excel gives them."""

    def run(*values):  # type: ignore[no-untyped-def]  # xlwings would convert by annotations
        # a whole column is a million cells, nearly all of them empty
        count = max(map(used_rows, values), default=0)
        given = [native(first_rows(value, count)) for value in values]
        return shown(call(FUNCTIONS, one.id, given))

    run.__name__ = run.__qualname__ = one.id
    run.__doc__ = about(one)
    run.__signature__ = inspect.Signature(  # type: ignore[attr-defined]
        [
            inspect.Parameter(
                argument.id,
                inspect.Parameter.POSITIONAL_OR_KEYWORD,
                default=None if argument.optional else inspect.Parameter.empty,
            )
            for argument in one.arguments
        ]
    )
    decorated: Callable[..., object] = run
    for argument in one.arguments:
        # "raw": a column stays a column, an error is no empty cell, and nothing is looked at twice
        decorated = xw.arg(argument.id, "raw", doc=short(argument.help))(decorated)
    # the last of them: the others put xlwings' own category back
    return xw.func(category=CATEGORY)(decorated)


def native(value: object) -> object:
    """Cells as Excel means them: money as a number, an error by its name."""
    if isinstance(value, list | tuple):
        return [native(one) for one in value]
    if isinstance(value, Decimal):
        return float(value)
    if type(value) is int and 2000 <= value - _FIRST_ERROR < 2100:
        return _ERRORS.get(value - _FIRST_ERROR, "#ERROR!")
    return value


def shown(result: object) -> object:
    """A block as the list of rows that Excel spills over the cells beside and below."""
    return [list(row) for row in result] if isinstance(result, tuple) else result


globals().update({one.id: bound(one) for one in FUNCTIONS.values()})
