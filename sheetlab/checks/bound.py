"""What was typed against what the register knows of the set-up. Only bound workbooks are asked."""

from __future__ import annotations

import datetime
from collections.abc import Iterator

from sheetlab.checks.subject import Subject, amount
from sheetlab.finding import Finding, Severity
from sheetlab.metrology.statement import percentage, plain
from sheetlab.practical.instruments import KINDS
from sheetlab.practical.register import BoundInstrument, as_date, same_id, wire_fact
from sheetlab.practical.standards import Gauge, nearest_gauge, read_gauge

SAME_LEAST_COUNT = 0.01
"""A least count may differ from the register by this fraction; the next slip is far beyond."""
MOST_DRIFT = 2.0
"""Divisions by which a mean zero error may differ from the last one of the register."""
OFF_GAUGE = 0.04
OFF_GAUGE_SIGMAS = 4.0
EXCEL_DAYS = datetime.date(1899, 12, 30)


def other_set_up(subject: Subject) -> Iterator[Finding]:
    """A workbook of one set-up that was filled at another, by its first sheet.

    False alarms: none by chance; only letters and digits are compared, so that “W 1” is “w1”.
    """
    bound, typed = subject.bound, subject.observations.entry("start.setup")
    if bound is None or not typed.text or same_id(typed.text) == same_id(bound.setup):
        return
    yield Finding(
        "other-set-up",
        Severity.DOUBTFUL,
        f"the first sheet names the set-up “{typed.text}”, but this workbook was issued for "
        f"“{bound.setup}”",
        f"the set-up {bound.setup}",
        "Which instruments and which wire were used? What is said here of least counts, zero "
        f"errors and the wire compares with {bound.setup}.",
        typed.place,
    )


def least_counts_that_differ(subject: Subject) -> Iterator[Finding]:
    """Least counts that are not those of the register.

    False alarms: none by chance. Pitch, divisions and least count have no scatter: they are right
    or wrong, and 1 % is room for rounding (a third of a millimetre as 0.333) only. A finding on a
    good workbook means a wrong register or a swapped instrument.
    """
    for one in _instruments(subject):
        key = f"{one.instrument}.least_count"
        typed = subject.numbers.shown(key) if key in _fields(subject) else None
        if typed is None or one.least_count is None or _same_least_count(subject, one):
            continue
        at, parts = _parts(subject, one)
        its = subject.practical.field(key).unit
        yield Finding(
            "least-count-against-register",
            Severity.DOUBTFUL,
            f"{subject.practical.owner(key)} ({one.id}): its least count comes to "
            f"{amount(typed, its)}, {plain(typed / one.least_count, 3)} times that of the "
            f"register, {amount(one.least_count, its)}{parts}",
            f"a least count of {amount(one.least_count, its)}",
            "Take the instrument and count again: full turns, the distance they move, the "
            f"divisions once round. Or was it another one than {one.id}?",
            subject.place(at or key, None),
        )


def _same_least_count(subject: Subject, one: BoundInstrument) -> bool:
    """Whether a least count is that of the register, as far as both are known."""
    key = f"{one.instrument}.least_count"
    typed = subject.numbers.shown(key) if key in _fields(subject) else None
    if typed is None or one.least_count is None:
        return True
    return abs(typed / one.least_count - 1.0) <= SAME_LEAST_COUNT


def _parts(subject: Subject, one: BoundInstrument) -> tuple[str, str]:
    """Input that differs from the register, and a list of typed and registered parts."""
    kind = KINDS[_kind(subject, one)]
    pairs = []
    if kind.graduation:
        pairs = [(kind.graduation, one.step), (kind.divisions, one.divisions)]
    at, told = "", []
    for name, registered in pairs:
        key = f"{one.instrument}.{name}"
        typed = subject.numbers.shown(key)
        if registered is None or typed is None or abs(typed / registered - 1.0) <= SAME_LEAST_COUNT:
            continue
        field = subject.practical.field(key)
        title = field.title.partition(" = ")[0]
        told.append(
            f"{title} {amount(typed, field.unit)}, register {amount(registered, field.unit)}"
        )
        at = at or key
    return at, f" ({'; '.join(told)})" if told else ""


def zeros_that_moved(subject: Subject) -> Iterator[Finding]:
    """Mean zero errors that lie more than two divisions from the last one of the register.

    False alarms: if closed jaws scatter by 0.4 division, the mean of five zero readings differs
    from a single registered one by 0.54 division (standard deviation, with the rounding of both);
    more than two divisions are then met in 4 of 100 000 instruments (2 000 000 random trials).
    """
    for one in _instruments(subject):
        key = f"{one.instrument}.zero"
        if not one.zeros or key not in _fields(subject):
            continue
        zero = subject.numbers.shown(key)
        least = one.least_count or subject.numbers.shown(f"{one.instrument}.least_count")
        if zero is None or not least or not _same_least_count(subject, one):
            # with a wrong least count the zero error follows from that
            continue
        last = one.zeros[-1]
        moved = (zero - last.zero) / least
        if abs(moved) <= MOST_DRIFT + 1e-9:
            continue
        its = subject.practical.field(key).unit
        values = [z.zero for z in one.zeros]
        history = ""
        if len(values) > 1:
            history = (
                f" (history of {len(values)}: {amount(min(values), its)} to "
                f"{amount(max(values), its)})"
            )
        yield Finding(
            "zero-drifted",
            Severity.DOUBTFUL,
            f"{subject.practical.owner(key)} ({one.id}): the mean zero error is "
            f"{amount(zero, its)}, in the register it was {amount(last.zero, its)} on "
            f"{last.on}{history}; that is {abs(moved):.1f} divisions "
            f"{'more' if moved > 0 else 'less'}",
            "a zero error within two divisions of the last one",
            _why(zero, last.zero, least),
            subject.place(f"{one.instrument}.zero_reading", 0),
        )


def _why(zero: float, last: float, least: float) -> str:
    if abs(zero) < 0.5 * least:
        lead = "Were the jaws closed and read, or was 0 typed?"
    elif abs(zero + last) <= least:
        lead = "It is the same size on the other side: on which side does the zero mark stand?"
    else:
        lead = "Clean the jaws, close them with the ratchet and read again."
    return f"{lead} If it is so, write the new zero error into the register."


def gauges_that_differ(subject: Subject) -> Iterator[Finding]:
    """Diameters that are not those of the wire gauge in the register, with the nearest gauges.

    A note where the register has a measured diameter too, because a definition compares with that;
    otherwise doubtful. False alarms: wire is drawn to about 1 % of its gauge, and a mean diameter
    of five places has a standard uncertainty of about 1 %; a difference beyond both 4 % and four
    standard uncertainties is met in less than 1 of 10 000 good workbooks.
    """
    wire = None if subject.bound is None else subject.bound.wire
    named = None if wire is None else read_gauge(wire.gauge)
    if wire is None or named is None:
        return
    known = {q.key: q for q in subject.evaluation.quantities}
    for quantity in subject.practical.definition.quantities:
        value = subject.numbers.value(quantity.id, None)
        if quantity.register != "wire.diameter" or value is None or value <= 0.0:
            continue
        u = known[quantity.id].standard_uncertainty if quantity.id in known else 0.0
        d = 1e3 * value
        off = d / named.diameter - 1.0
        if abs(d - named.diameter) <= max(OFF_GAUGE * named.diameter, OFF_GAUGE_SIGMAS * 1e3 * u):
            continue
        near = ", ".join(_near(nearest_gauge(system, d), d) for system in ("SWG", "AWG"))
        yield Finding(
            "gauge-against-register",
            Severity.DOUBTFUL if wire.diameter is None else Severity.NOTE,
            f"{quantity.title} {quantity.symbol} is {d:.4g} mm; the wire {wire.id} is {named}, "
            f"{named.diameter:.3f} mm ({percentage(off, signed=True)}). Nearest gauges: {near}",
            f"a diameter near {named.diameter:.3f} mm",
            "Is it the right reel, its label right (SWG or AWG), the wire bare of lacquer, and the "
            "zero error on the right side?",
            subject.place(quantity.id, 0),
        )


def material_that_differs(subject: Subject) -> Iterator[Finding]:
    """A material on the sheet that is not that of the wire in the register.

    False alarms: none by chance; the words are compared without regard to capitals, and only
    where the register's word is on the list of the cell.
    """
    bound = subject.bound
    for one in subject.practical.definition.inputs:
        fact = None if bound is None else wire_fact(bound, one.register)
        entry = subject.observations.entry(one.id)
        if bound is None or bound.wire is None or not isinstance(fact, str) or not entry.text:
            continue
        known = {choice.casefold() for choice in one.choices}
        if fact.casefold() not in known or entry.text.strip().casefold() == fact.casefold():
            continue
        yield Finding(
            "material-against-register",
            Severity.DOUBTFUL,
            f"“{one.title}” is “{entry.text}”; the wire {bound.wire.id} of the register is {fact}",
            fact,
            "Which wire hung there, and what does its reel say? The result is compared with the "
            f"accepted value of “{entry.text}”.",
            entry.place,
        )


def _near(one: Gauge, d: float) -> str:
    return f"{one} {one.diameter:.3f} mm ({percentage(d / one.diameter - 1.0, signed=True)})"


def checks_overdue(subject: Subject) -> Iterator[Finding]:
    """Instruments whose check was due before the day of the measurement.

    The day is that of the first sheet, if it is a date that cannot be mistaken (2026-09-01, or a
    date of the spreadsheet program), otherwise the day of issue. False alarms: none by chance.
    """
    bound = subject.bound
    if bound is None:
        return
    typed = _day(subject.observations.entry("start.date").text)
    day = typed or as_date(bound.issued)
    told = []
    for one in _instruments(subject):
        due = as_date(one.due) if one.due else None
        if due is not None and day is not None and day > due:
            owner = subject.practical.owner(f"{one.instrument}.limit")
            told.append(
                f"{owner} ({one.id}), last checked on {one.checked}, due on {one.due}, "
                f"{(day - due).days} days before"
            )
    if told:
        yield Finding(
            "check-overdue",
            Severity.NOTE,
            f"checks were due before this was {'measured' if typed else 'issued'} ({day}): "
            + "; ".join(told),
            "instruments that were checked in time",
            "Check them (the register has sheets for it) and write the day into the register.",
            subject.observations.entry("start.date" if typed else "start.setup").place,
        )


def _day(text: str) -> datetime.date | None:
    found = as_date(text.strip())
    if found is None and text.isascii() and text.isdigit() and len(text) == 5:
        # a date that a spreadsheet program made of it comes back as the number of the day
        return EXCEL_DAYS + datetime.timedelta(days=int(text))
    return found


def _instruments(subject: Subject) -> Iterator[BoundInstrument]:
    """Bound instruments that the definition has, whatever else the workbook says."""
    if subject.bound is not None:
        known = {one.id for one in subject.practical.definition.instruments}
        yield from (one for one in subject.bound.instruments if one.instrument in known)


def _fields(subject: Subject) -> set[str]:
    return {*subject.practical.inputs, *subject.practical.derived}


def _kind(subject: Subject, one: BoundInstrument) -> str:
    return next(i.kind for i in subject.practical.definition.instruments if i.id == one.instrument)
