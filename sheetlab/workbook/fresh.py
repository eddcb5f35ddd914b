"""A filled workbook that is never written to, as an issued .xlsx with the same input cells.

The results of an .ods file are not put into it. They go into a workbook of their own, which holds
the readings as they were typed: it can be read, archived and evaluated again like any other.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType

from sheetlab.practical.fields import InputField
from sheetlab.workbook.layout import defined_name, lay_out
from sheetlab.workbook.reader import Filled
from sheetlab.workbook.sheet import Cell
from sheetlab.workbook.template import write_template

MAX_TEXT = 200


TEXT_TAKEN_OUT = "(text taken out)"


def fresh_workbook(
    filled: Filled,
    instead: Mapping[str, Sequence[float | str]] = MappingProxyType({}),
    texts: bool = True,
) -> bytes:
    """The workbook as it would have been issued and filled; a blank cell stays blank.

    Parameters
    ----------
    instead
        What stands in some inputs in place of what was typed.
    texts
        Whether free texts stay: reasons, remarks, and what was typed where a number belongs.
    """
    practical, its = filled.practical, filled.identity
    typed: dict[str, list[float | str]] = {}
    for key, one in practical.inputs.items():
        slot = filled.store.slot(defined_name(one))
        cells = {} if slot is None else filled.store.cells(slot.sheet)
        typed[key] = [
            ""
            if slot is None
            else _contents(filled, one, cells.get((slot.row + i, slot.column)))
            if texts or not _is_free_text(filled, one, i)
            else TEXT_TAKEN_OUT
            for i in range(min(one.rows, 1 if slot is None else slot.rows))
        ]
    typed |= {key: list(values) for key, values in instead.items()}
    return write_template(lay_out(practical, its.assist), typed, None, its.profile, its.bound, its)


def _is_free_text(filled: Filled, one: InputField, row: int) -> bool:
    entry = filled.observations.entry(one.key, row)
    return entry.value is None and bool(entry.text.strip()) and entry.text not in one.choices


def _contents(filled: Filled, one: InputField, cell: Cell | None) -> float | str:
    if cell is None:
        return ""
    if cell.kind == "text":
        return str(cell.value)[:MAX_TEXT]
    value = cell.value
    if cell.kind == "number" and one.kind == "number" and isinstance(value, float):
        if cell.style in filled.store.date_styles:
            return f"{value:.15g} (a date)"
        return value if math.isfinite(value) else str(value)
    if cell.kind == "truth":
        return "TRUE" if value else "FALSE"
    return f"{value:.15g}" if isinstance(value, float) else str(value)[:MAX_TEXT]
