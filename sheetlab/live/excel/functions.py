"""The functions of the library, decorated for Excel: xlwings calls what stands in this module.

Each is a thin call of ``library.call``; nothing is worked out here. The module is imported by
xlwings' own server, in the process that answers Excel, and by nothing else of sheetlab.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from decimal import Decimal

import xlwings as xw

from sheetlab.live.excel.vba import CATEGORY, about, short
from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.library import Function, call

_ERRORS = range(-2_146_826_300, -2_146_826_000)
"""Codes by which Excel hands over error cells; xlwings names seven of them, newer ones stay."""


def bound(one: Function) -> Callable[..., object]:
    """A function as xlwings wants it: named arguments, help, cells always as a table."""

    def run(*values):  # type: ignore[no-untyped-def]  # xlwings would convert by annotations
        return shown(call(FUNCTIONS, one.id, [native(value) for value in values]))

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
        # without ndim a column comes as a row; without err_to_str an error comes as an empty cell
        decorated = xw.arg(argument.id, ndim=2, err_to_str=True, doc=short(argument.help))(
            decorated
        )
    # the last of them: the others put xlwings' own category back
    return xw.func(category=CATEGORY)(decorated)


def native(value: object) -> object:
    """Cells as Excel means them: money as a number, an error of a newer kind as an error."""
    if isinstance(value, list | tuple):
        return [native(one) for one in value]
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, int) and not isinstance(value, bool) and value in _ERRORS:
        return "#ERROR!"
    return value


def shown(result: object) -> object:
    """A block as the list of rows that Excel spills over the cells beside and below."""
    return [list(row) for row in result] if isinstance(result, tuple) else result


globals().update({one.id: bound(one) for one in FUNCTIONS.values()})
