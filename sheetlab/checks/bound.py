"""What was typed against what the register knows of the set-up. Only bound workbooks are asked."""

from __future__ import annotations

import datetime
from collections.abc import Iterator

from sheetlab.checks.subject import Subject, amount, same_size
from sheetlab.finding import Finding, Severity, finding
from sheetlab.messages import phrase, said
from sheetlab.metrology.statement import Decimals, percentage, plain
from sheetlab.practical.register import BoundInstrument, as_date, same_id, wire_fact
from sheetlab.practical.standards import Gauge, nearest_gauge, read_gauge

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
    if bound is not None and typed.text and same_id(typed.text) != same_id(bound.setup):
        yield finding(
            "other-set-up", Severity.DOUBTFUL, typed.place,
            typed=typed.text, setup=bound.setup, wire=bound.wire is not None,
        )  # fmt: skip


def least_counts_that_differ(subject: Subject) -> Iterator[Finding]:
    """Least counts that are not those of the register.

    False alarms: none by chance. Pitch, divisions and least count have no scatter: they are right
    or wrong (``same_size``). A finding on a good workbook means a wrong register or a swapped
    instrument.
    """
    for one in _instruments(subject):
        typed, registered = _least_count(subject, one), one.least_count
        if typed is None or registered is None or same_size(typed, registered):
            continue
        key = f"{one.instrument}.least_count"
        unit = subject.practical.field(key).unit
        parts = {
            f"{one.instrument}.{name}": sizes
            for name, *sizes in subject.scale_parts(one)
            if not same_size(*sizes)
        }
        yield finding(
            "least-count-against-register", Severity.DOUBTFUL,
            subject.place([*parts, key][0], None), owner=subject.practical.owner(key), id=one.id,
            typed=amount(typed, unit), times=plain(typed / registered, 3),
            registered=amount(registered, unit), count=len(parts),
            parts=Decimals("; ".join(_part(subject, *part) for part in parts.items())),
        )  # fmt: skip


def _least_count(subject: Subject, one: BoundInstrument) -> float | None:
    key = f"{one.instrument}.least_count"
    return subject.numbers.shown(key) if _has(subject, key) else None


def _part(subject: Subject, key: str, sizes: list[float]) -> str:
    its = subject.practical.field(key)
    typed, registered = (amount(size, its.unit) for size in sizes)
    title = its.title.partition(" = ")[0]
    return said(phrase("scale-part", title=title, typed=typed, registered=registered))


def zeros_that_moved(subject: Subject) -> Iterator[Finding]:
    """Mean zero errors that lie more than two divisions from the last one of the register.

    False alarms: if closed jaws scatter by 0.4 division, the mean of five zero readings differs
    from a single registered one by 0.54 division (standard deviation, with the rounding of both);
    more than two divisions are then met in 4 of 100 000 instruments (2 000 000 random trials).
    """
    kinds = {one.id: one.kind for one in subject.practical.definition.instruments}
    for one in _instruments(subject):
        key = f"{one.instrument}.zero"
        zero = subject.numbers.shown(key) if one.zeros and _has(subject, key) else None
        typed = _least_count(subject, one)
        least = one.least_count or typed
        if zero is None or not least or not same_size(typed or least, least):
            # with a wrong least count the zero error follows from that
            continue
        last, values = one.zeros[-1], [z.zero for z in one.zeros]
        moved = (zero - last.zero) / least
        if abs(moved) <= MOST_DRIFT + 1e-9:
            continue
        why = "side" if abs(zero + last.zero) <= least else "moved"
        unit = subject.practical.field(key).unit
        yield finding(
            "zero-drifted", Severity.DOUBTFUL, subject.place(f"{one.instrument}.zero_reading", 0),
            owner=subject.practical.owner(key), id=one.id, zero=amount(zero, unit),
            last=amount(last.zero, unit), on=last.on, count=len(values),
            least=amount(min(values), unit), most=amount(max(values), unit),
            divisions=Decimals(f"{abs(moved):.1f}"), side="more" if moved > 0 else "less",
            kind=kinds[one.instrument], why="typed" if abs(zero) < 0.5 * least else why,
        )  # fmt: skip


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
        if abs(d - named.diameter) <= max(OFF_GAUGE * named.diameter, OFF_GAUGE_SIGMAS * 1e3 * u):
            continue
        yield finding(
            "gauge-against-register", Severity.DOUBTFUL if wire.diameter is None else Severity.NOTE,
            subject.place(quantity.id, 0), title=f"{quantity.title} {quantity.symbol}",
            typed=Decimals(f"{d:.4g}"), id=wire.id, **_gauge(named, d),
            near=tuple(phrase("gauge-near", **_gauge(nearest_gauge(system, d), d))
                       for system in ("SWG", "AWG")),
        )  # fmt: skip


def _gauge(one: Gauge, d: float) -> dict[str, str]:
    """A gauge, its diameter, and how far another is off it."""
    off = percentage(d / one.diameter - 1.0, signed=True)
    return {"gauge": str(one), "diameter": Decimals(f"{one.diameter:.3f}"), "off": off}


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
        yield finding(
            "material-against-register", Severity.DOUBTFUL, entry.place,
            title=one.title, typed=entry.text, id=bound.wire.id, registered=fact,
        )  # fmt: skip


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
    overdue = []
    for one in _instruments(subject):
        due = as_date(one.due) if one.due else None
        if due is not None and day is not None and day > due:
            owner, days = subject.practical.owner(f"{one.instrument}.limit"), (day - due).days
            late = phrase(
                "overdue", owner=owner, id=one.id, checked=one.checked, due=one.due, days=days
            )
            overdue.append(said(late))
    if overdue:
        place = subject.observations.entry("start.date" if typed else "start.setup").place
        yield finding(
            "check-overdue", Severity.NOTE, place,
            typed=typed is not None, day=str(day), instruments="; ".join(overdue),
        )  # fmt: skip


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


def _has(subject: Subject, key: str) -> bool:
    return key in subject.practical.inputs or key in subject.practical.derived
