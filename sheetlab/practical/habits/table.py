"""The one table of wrong habits."""

from __future__ import annotations

from sheetlab.practical.habits import happenings, scales, sums, typed
from sheetlab.practical.habits.collection import Habit

HABITS: dict[str, Habit] = {
    one.id: one
    for kind in (scales.HABITS, happenings.HABITS, typed.HABITS, sums.HABITS)
    for one in kind.rows
}
"""Every habit by its id."""
