"""The functions that cells can call: one row of ``FUNCTIONS`` each; nothing is said twice."""

from __future__ import annotations

from sheetlab.live import combining, doubts, lines, lookups, repeated, scales, stating
from sheetlab.live.library import Function

ROWS: tuple[Function, ...] = (
    *scales.ROWS,
    *repeated.ROWS,
    *lines.ROWS,
    *combining.ROWS,
    *stating.ROWS,
    *doubts.ROWS,
    *lookups.ROWS,
)

FUNCTIONS = {one.id: one for one in ROWS}
