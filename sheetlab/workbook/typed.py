"""What stands in a cell -> the entry of an input; whatever is odd about it is told."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable

from sheetlab.finding import Finding, Place, Severity, finding
from sheetlab.messages import harmless, phrase
from sheetlab.metrology.statement import Decimals
from sheetlab.practical.fields import InputField, expected_of
from sheetlab.practical.observations import Entry, typed_number
from sheetlab.workbook.sheet import Cell

LEAST, MOST = 1e-15, 1e15
"""Readings beyond these are slips of a key; arithmetic with them would overflow."""
MAX_SHOWN = 40
EPOCH = datetime.date(1899, 12, 30)
"""Day 0 of the spreadsheet programs."""
FIRST_YEAR, LAST_YEAR = 1930, 2049
"""What programs make of a month and a year of two digits: the first day of that month."""
THIS_YEAR = 2015
"""Earliest year in which a day and month were typed: the program adds the year of that time."""
MOST_DAYS = 1e5
LARGER = 100.0
"""Times the other readings of its column from which a number is taken for that of a day."""
DAY = 86400.0
"""Seconds; a spreadsheet program holds a time of day as a part of it."""
TIME = (("time", 1.0),)
FEWEST_TIMES = 3
Tell = Callable[[Finding], None]


def entry_of(one: InputField, cell: Cell, place: Place, date: bool, tell: Tell) -> Entry:
    """What a filled cell holds; ``date``: it shows a number as a date."""
    if cell.formula:
        never = cell.kind == "text" and cell.value == ""
        tell(finding("formula-for-reading", Severity.DOUBTFUL if never else Severity.NOTE, place,
                     title=one.title, kind="never" if never else cell.kind))  # fmt: skip
    if cell.kind == "text":
        text = str(cell.value).strip()
        if not text:
            return Entry(place=place)
        if one.kind == "text":
            return Entry(text=harmless(text[:200]).strip(), place=place)
        return (_choice if one.kind == "choice" else _typed)(one, text, place, tell)
    if cell.kind == "number" and one.kind == "text":
        value = float(cell.value)
        return Entry(text=_day(value) if date else f"{value:.15g}", place=place)
    shown = _show(cell)
    if cell.kind != "number" or one.kind == "choice":
        values = {"title": one.title, "shown": Decimals(shown), "expected": _expected(one)}
        tell(
            finding("not-a-number_kind", Severity.DOUBTFUL, place, **values)
            if one.kind == "number"
            else finding("not-a-choice_kind", Severity.DOUBTFUL, place, **values)
        )
        return Entry(text=shown, place=place)
    if date:
        tell(finding("date-for-number_format", Severity.DOUBTFUL, place,
                     title=one.title, expected=_expected(one)))  # fmt: skip
        return Entry(text=shown, place=place)
    return _number(one, float(cell.value), shown, place, tell)


def _typed(one: InputField, text: str, place: Place, tell: Tell) -> Entry:
    """A text where a number is expected."""
    number, kept = typed_number(text, one.unit.pretty), harmless(text[:200])
    if number is None:
        tell(finding("not-a-number_text", Severity.NOTE if one.answer else Severity.DOUBTFUL, place,
                     title=one.title, shown=quoted(text), expected=_expected(one)))  # fmt: skip
        return Entry(text=kept, place=place)
    understood = {
        "title": one.title, "shown": quoted(text), "value": Decimals(f"{number.value:.10g}"),
    }  # fmt: skip
    tell(
        finding("number-as-text_ambiguous", Severity.DOUBTFUL, place, **understood)
        if number.ambiguous
        else finding("number-as-text_plain", Severity.NOTE, place, **understood)
    )
    return _number(one, number.value, kept, place, tell)


def _number(one: InputField, value: float, text: str, place: Place, tell: Tell) -> Entry:
    if math.isfinite(value) and (not value or LEAST <= abs(value) <= MOST):
        return Entry(value, text, place)
    tell(finding("not-a-number_size", Severity.DOUBTFUL, place, title=one.title,
                 shown=Decimals(f"{value:.6g}"), expected=_expected(one)))  # fmt: skip
    return Entry(text=text, place=place)


def _choice(one: InputField, text: str, place: Place, tell: Tell) -> Entry:
    for choice, value in zip(one.choices, one.choice_values, strict=True):
        if choice.casefold() == text.casefold():
            return Entry(value, choice, place)
    values = {"title": one.title, "shown": quoted(text), "expected": _expected(one)}
    tell(
        # a choice in a table is part of a reading; a single one only picks a book value
        finding("not-a-choice_text", Severity.NOTE, place, **values)
        if one.table is None
        else finding("not-a-choice_text", Severity.DOUBTFUL, place, **values)
    )
    return Entry(text=harmless(text[:200]), place=place)


def without_days(one: InputField, entries: tuple[Entry, ...], tell: Tell) -> tuple[Entry, ...]:
    """Entries of a column without numbers of days, each of which is told.

    A cell whose format is that of a number shows a date that a program made of “1.2” as 46054.
    False alarms: none for readings within a factor of 100 of each other, or in their limits.
    """
    if one.kind != "number" or one.answer:
        return entries
    kept = [e.value for e in entries if e.value is not None and _typed_day(e.value) is None]
    usual = LARGER * max(map(abs, kept)) if kept else one.maximum
    if usual is None:
        return entries
    return tuple(_unless_day(one, entry, usual, tell) for entry in entries)


def _unless_day(one: InputField, entry: Entry, usual: float, tell: Tell) -> Entry:
    value = entry.value
    day = None if value is None or value <= usual else _typed_day(value)
    if value is None or day is None:
        return entry
    meant: object = Decimals(f"{day.day}.{day.month}")
    if day.day == 1:
        month = Decimals(f"{day.month}.{day.year % 100:02d}")
        meant = phrase("day-or-month", day=meant, month=month)
    tell(finding("date-for-number_serial", Severity.DOUBTFUL, entry.place, title=one.title,
                 value=f"{value:.0f}", day=day.isoformat(), meant=meant,
                 expected=_expected(one)))  # fmt: skip
    return Entry(text=f"{value:.0f}", place=entry.place)


def without_times(one: InputField, entries: tuple[Entry, ...], tell: Tell) -> tuple[Entry, ...]:
    """Entries of a column of times without parts of a day, each of which is told.

    A program makes of “1:32.5” the part of a day that 92.5 s are, and of “1:32” that of 92
    minutes. False alarms: none for readings within a factor of 100 of each other.
    """
    values = sorted(abs(e.value) for e in entries if e.value)
    if one.unit.dimension.exponents != TIME or one.answer or len(values) < FEWEST_TIMES:
        return entries
    usual = values[len(values) // 2]
    return tuple(_unless_time(one, e, e.value, usual, tell) if e.value else e for e in entries)


def _unless_time(one: InputField, entry: Entry, value: float, usual: float, tell: Tell) -> Entry:
    if not 0.0 < value < usual / LARGER:
        return entry
    # minutes and seconds, or hours and minutes
    for seconds, digits in ((DAY, "04.1f"), (DAY / 60.0, "02.0f")):
        meant = value * seconds / one.unit.factor
        if usual / LARGER < meant < usual * LARGER:
            minutes, rest = divmod(round(value * seconds, 2), 60.0)
            tell(finding(
                "time-for-number", Severity.DOUBTFUL, entry.place, title=one.title,
                value=Decimals(f"{value:.5g}"), typed=Decimals(f"{minutes:.0f}:{rest:{digits}}"),
                unit=one.unit.pretty, meant=Decimals(f"{meant:.6g}"), expected=_expected(one),
            ))  # fmt: skip
            return Entry(text=f"{value:.5g}", place=entry.place)
    return entry


def _expected(one: InputField) -> Decimals:
    return Decimals(harmless(expected_of(one)))


def _day(serial: float) -> str:
    """A date as an .xlsx holds it, as 2026-05-02."""
    try:
        return (EPOCH + datetime.timedelta(days=int(serial))).isoformat()
    except (OverflowError, ValueError):
        return f"{serial:.15g}"


def _typed_day(value: float) -> datetime.date | None:
    """The day that a number stands for, if “3.4” or “3.45” may have been taken for it."""
    if value != int(value) or not 0.0 < value < MOST_DAYS:
        return None
    day = EPOCH + datetime.timedelta(days=int(value))
    first = FIRST_YEAR <= day.year <= LAST_YEAR and day.day == 1
    return day if first or THIS_YEAR <= day.year <= LAST_YEAR else None


def _show(cell: Cell) -> str:
    if cell.kind == "truth":
        return "TRUE" if cell.value else "FALSE"
    if cell.kind == "error":
        return f"the error {harmless(str(cell.value)[:MAX_SHOWN])}"
    return f"{cell.value:.10g}" if isinstance(cell.value, float) else quoted(cell.value)


def quoted(text: str) -> str:
    """A typed text for a message: one line, no control characters, not too long."""
    plain = harmless(text)
    return f"“{plain[:MAX_SHOWN]}{'…' if len(plain) > MAX_SHOWN else ''}”"
