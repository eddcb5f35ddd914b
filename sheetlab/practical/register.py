"""The register of instruments, wires and set-ups, and what a workbook is bound to. Pure.

A register is what a technician keeps; ``bind`` takes from it what one workbook has to know of its
set-up, in the units of its definition. That travels in the workbook as TOML text and is checked
again when it is read, because the workbook comes back from other hands.
"""

from __future__ import annotations

import calendar
import datetime
import json
import math
import re
import unicodedata
from collections.abc import Collection, Iterable, Iterator, Mapping
from functools import lru_cache
from typing import Any

from msgspec import Struct, field
from msgspec.structs import fields

from sheetlab.finding import NOWHERE, Finding, Place, Severity, SheetlabError, harmless
from sheetlab.practical.definition import Instrument
from sheetlab.practical.loader import read_toml
from sheetlab.practical.model import Practical
from sheetlab.practical.standards import read_gauge
from sheetlab.units import interval_of, unit

MAX_BOUND = 32_000
MAX_WORD = 60
MAX_BOUND_INSTRUMENTS = 40
KEPT_ZEROS = 12
"""Latest entries of a zero history that travel in a workbook."""
LEAST, MOST = 1e-9, 1e9
DATES = (datetime.date(1950, 1, 1), datetime.date(2150, 1, 1))
SAME = 1e-6
"""Two numbers of a register that should agree may differ by this fraction."""
_BETWEEN_DIGITS = re.compile(r"(?<=\d)[\W_]+(?=\d)")
MOST_DIVISIONS = 10.0
"""A permissible error of more divisions than this is asked about (common practice, no source)."""
MOST_FRACTION = 0.1
WIRE_LENGTHS = (0.1, 20.0)
"""Lengths in m beyond which a wire is asked about (common practice, no source)."""
LABEL_OFF = 0.05
"""A wire whose measured diameter is off its gauge by more than this is asked about."""


# -- the register ----------------------------------------------------------------------------------


class ZeroCheck(Struct, frozen=True):
    """A zero error that was found on a day, in the unit of the instrument."""

    on: datetime.date
    zero: float


class RegisteredInstrument(Struct, frozen=True):
    """A row of the sheet Instruments; numbers in its own ``unit``, None where unknown."""

    id: str
    kind: str = ""
    unit: str = ""
    setup: str = ""
    step: float | None = None
    """Pitch of a screw, or main division of a vernier."""
    divisions: float | None = None
    least_count: float | None = None
    span: str = ""
    limit: float | None = None
    relative: bool = False
    """The permissible error is a fraction of the reading."""
    standard: str = ""
    checked: datetime.date | None = None
    months: float | None = None
    """A check is due so many months after the last."""
    zeros: tuple[ZeroCheck, ...] = ()
    """Oldest first."""
    place: Place = NOWHERE

    @property
    def division(self) -> float | None:
        """Its least count as typed, or as pitch and divisions give it."""
        if self.least_count is None and self.step is not None and self.divisions:
            return self.step / self.divisions
        return self.least_count

    @property
    def due(self) -> datetime.date | None:
        """Day of the next check; None if it is not known."""
        if self.checked is None or self.months is None:
            return None
        return later(self.checked, round(self.months))


class Wire(Struct, frozen=True):
    """A row of the sheet Wires: diameter in mm, length in m."""

    id: str
    material: str = ""
    gauge: str = ""
    diameter: float | None = None
    length: float | None = None
    cycles: float | None = None
    remark: str = ""
    place: Place = NOWHERE


class SetUp(Struct, frozen=True):
    """A row of the sheet Set-ups: instruments of the definition -> instruments of the register."""

    id: str
    instruments: Mapping[str, str] = field(default_factory=dict)
    wire: str = ""
    place: Place = NOWHERE


class Register(Struct, frozen=True):
    """Everything, by id as ``same_id`` makes it."""

    instruments: Mapping[str, RegisteredInstrument] = field(default_factory=dict)
    wires: Mapping[str, Wire] = field(default_factory=dict)
    setups: Mapping[str, SetUp] = field(default_factory=dict)
    file: str = ""


def same_id(text: str) -> str:
    """An id as it is compared: small, without spaces and punctuation but between digits.

    Marks of letters (vowel signs) and symbols stay: “A+” is not “A”, and “1.1” is not “11”.
    """
    text = unicodedata.normalize("NFKC", text).casefold()
    text = _BETWEEN_DIGITS.sub("\N{MIDDLE DOT}", text)
    return "".join(
        char for char in text if char == "\N{MIDDLE DOT}" or unicodedata.category(char)[0] in "LMNS"
    )


def setup_as_bound(text: str, bound: Bound | None) -> str:
    """A set-up as the register spells it, if it is the one that a workbook is bound to."""
    return bound.setup if bound is not None and same_id(text) == same_id(bound.setup) else text


_LABEL = re.compile(r"[^\W\d_]{0,3}[ .\-/]?\d{1,3}[^\W\d_]?|[^\W\d_]", re.UNICODE)
_THINGS = re.compile(r"(?:bench|no|number|place|set-?up|station|table)[ .\-]*", re.IGNORECASE)


def setup_that_counts(text: str, bound: Bound | None) -> str:
    """The set-up that instruments and wire belong to: as bound, or a label that was typed.

    Instruments and wire of a bound workbook are those of its set-up, so another one that was typed
    cannot go with them; the finding ``other-set-up`` tells it. Where nothing is bound, only a label
    such as “W1”, “bench 3” or “B” counts: anything longer may be the name of a person.
    """
    if bound is not None:
        return bound.setup
    label = " ".join(text.split())[:MAX_WORD]
    return label if _LABEL.fullmatch(_THINGS.sub("", label, count=1)) else ""


def later(day: datetime.date, months: int) -> datetime.date:
    """The same day so many months later; the last of a month if that is too short."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    last = calendar.monthrange(year, month + 1)[1]
    return datetime.date(year, month + 1, min(day.day, last))


def register_problems(register: Register) -> Iterator[Finding]:
    """What does not fit together in a register: numbers within a row, and rows with each other."""
    for one in register.instruments.values():
        yield from _instrument_problems(one, register)
    for wire in register.wires.values():
        yield from _wire_problems(wire)
    hung: dict[str, str] = {}
    for setup in register.setups.values():
        named = {
            part: register.instruments.get(same_id(i)) for part, i in setup.instruments.items()
        }
        for part, found in named.items():
            if found is None:
                yield _mismatch(
                    f"the set-up {setup.id} names “{setup.instruments[part]}” as {part}, which the "
                    "sheet Instruments does not have",
                    "an id of the sheet Instruments",
                    setup.place,
                )
            elif found.setup and same_id(found.setup) != same_id(setup.id):
                yield _mismatch(
                    f"the set-up {setup.id} has {found.id} as {part}, but the sheet Instruments "
                    f"keeps {found.id} at {found.setup}",
                    "the same on both sheets",
                    found.place,
                )
        if setup.wire and same_id(setup.wire) in hung:
            yield _mismatch(
                f"the wire {setup.wire} hangs at {hung[same_id(setup.wire)]} and at {setup.id}",
                "each wire at one set-up",
                setup.place,
            )
        hung[same_id(setup.wire)] = setup.id
        if setup.wire and same_id(setup.wire) not in register.wires:
            yield _mismatch(
                f"the set-up {setup.id} names the wire “{setup.wire}”, which the sheet Wires does "
                "not have",
                "an id of the sheet Wires",
                setup.place,
            )


def _instrument_problems(one: RegisteredInstrument, register: Register) -> Iterator[Finding]:
    if one.step and one.divisions and one.least_count:
        follows = one.step / one.divisions
        if abs(one.least_count / follows - 1.0) > SAME:
            yield _mismatch(
                f"{one.id}: the least count is {one.least_count:g} {one.unit}, but "
                f"{one.step:g} ÷ {one.divisions:g} = {follows:.6g} {one.unit}",
                "least count = pitch or main division ÷ divisions",
                one.place,
            )
    if one.kind == "nominal" and (one.step or one.divisions):
        yield _mismatch(
            f"{one.id} is of the kind nominal, and has a pitch or divisions",
            "a value that is marked and not read (a mass), or another kind",
            one.place,
        )
    least = one.division
    if one.limit is not None and one.relative and one.limit > MOST_FRACTION:
        yield _mismatch(
            f"{one.id}: the permissible error is {100 * one.limit:.3g} % of the reading",
            f"a fraction up to {MOST_FRACTION:g} (0.005 is half a per cent)",
            one.place,
        )
    if one.limit is not None and not one.relative and least and one.limit > MOST_DIVISIONS * least:
        yield _mismatch(
            f"{one.id}: the permissible error is {one.limit:g} {one.unit}, which is "
            f"{one.limit / least:.3g} divisions",
            f"a permissible error of a few divisions, in {one.unit}",
            one.place,
        )
    for zero in one.zeros:
        most = max(one.step or 0.0, MOST_DIVISIONS * (least or 0.0))
        if most and abs(zero.zero) > most:
            yield _mismatch(
                f"{one.id}: the zero error of {zero.on} is {zero.zero:g} {one.unit}",
                f"a zero error within {most:g} {one.unit}, in the unit of the instrument",
                one.place,
            )
    if one.setup and register.setups and same_id(one.setup) not in register.setups:
        yield _mismatch(
            f"{one.id} is kept at “{one.setup}”, which the sheet Set-ups does not have",
            "an id of the sheet Set-ups",
            one.place,
        )


def _wire_problems(wire: Wire) -> Iterator[Finding]:
    if wire.length is not None and not WIRE_LENGTHS[0] <= wire.length <= WIRE_LENGTHS[1]:
        yield _mismatch(
            f"{wire.id} is {wire.length:g} m long",
            f"a length in metres, from {WIRE_LENGTHS[0]:g} to {WIRE_LENGTHS[1]:g}",
            wire.place,
        )
    named = read_gauge(wire.gauge)
    if wire.gauge and named is None:
        yield _mismatch(
            f"{wire.id}: “{wire.gauge}” is no wire gauge that is known here",
            "a gauge such as 26 SWG or 26 AWG, from 10 to 40, or an empty cell",
            wire.place,
            Severity.NOTE,
        )
    elif named is not None and wire.diameter is not None:
        off = wire.diameter / named.diameter - 1.0
        if abs(off) > LABEL_OFF:
            yield _mismatch(
                f"{wire.id}: {named} is {named.diameter:.3f} mm, but {wire.diameter:.3f} mm was "
                "measured (" + f"{100 * off:+.0f} %)".replace("-", "−"),
                "a measured diameter within 5 % of the gauge",
                wire.place,
            )


def _mismatch(
    found: str, expected: str, place: Place, severity: Severity = Severity.DOUBTFUL
) -> Finding:
    return Finding(
        "register-mismatch", severity, found, expected,
        "Look at the thing itself and correct the register.", place,
    )  # fmt: skip


# -- what a workbook is bound to -------------------------------------------------------------------


class BoundZero(Struct, frozen=True):
    """A zero error of the history, in the unit of the definition; ``on`` as 2026-09-01."""

    on: str
    zero: float


class BoundInstrument(Struct, frozen=True):
    """An instrument of the register in the place of one of the definition, in its unit."""

    instrument: str
    """Id in the definition."""
    id: str
    """Id in the register."""
    step: float | None = None
    divisions: float | None = None
    least_count: float | None = None
    limit: float | None = None
    checked: str = ""
    due: str = ""
    zeros: tuple[BoundZero, ...] = ()


class BoundWire(Struct, frozen=True):
    """A wire of the register: diameter in mm, length in m."""

    id: str
    material: str = ""
    gauge: str = ""
    diameter: float | None = None
    length: float | None = None


class Bound(Struct, frozen=True):
    """What a workbook knows of its set-up."""

    setup: str
    issued: str
    """Day on which it was bound, as 2026-09-01."""
    instruments: tuple[BoundInstrument, ...] = ()
    wire: BoundWire | None = None

    def text(self) -> str:
        """As TOML text."""
        return "\n".join(_lines(self, "")) + "\n"


def _lines(one: Any, path: str) -> Iterator[str]:
    inner: list[str] = []
    for item in fields(one):
        value, key = getattr(one, item.name), f"{path}.{item.name}".lstrip(".")
        if value is None or value in ("", ()):
            continue
        if isinstance(value, Struct):
            inner += [f"[{key}]", *_lines(value, key)]
        elif isinstance(value, tuple):
            for element in value:
                inner += [f"[[{key}]]", *_lines(element, key)]
        else:
            text = json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)
            yield f"{item.name} = {text}"
    yield from inner


@lru_cache(maxsize=64)
def load_bound(text: str, file: str = "") -> Bound:
    """What a workbook is bound to, from the text in it.

    Raises
    ------
    SheetlabError
        With one finding if the text is not as it was written, or beyond its limits.
    """
    bound, problems = read_toml(text, Bound, MAX_BOUND)
    problems = problems or list(_bound_problems(bound))
    if bound is None or problems:
        key, reason, _ = problems[0]
        raise SheetlabError(
            Finding(
                "binding-damaged",
                Severity.DOUBTFUL,
                f"what this workbook knows of its set-up has been changed ({key}: {reason})",
                "the hidden sheet as it was issued",
                "The readings are evaluated without the register; compare the least counts and "
                "zero errors with it by hand.",
                Place(file),
            )
        )
    return bound


def _bound_problems(bound: Bound | None) -> Iterator[tuple[str, str, str]]:
    if bound is None:
        return
    if len(bound.instruments) > MAX_BOUND_INSTRUMENTS:
        yield "instruments", "too many", str(MAX_BOUND_INSTRUMENTS)
    if not bound.issued:
        yield "issued", "is empty", "a date"
    if any(len(one.zeros) > KEPT_ZEROS for one in bound.instruments):
        yield "zeros", "too many", str(KEPT_ZEROS)
    for key, value in _leaves(bound, ""):
        if isinstance(value, str):
            day = key.endswith((".on", "issued", ".checked", ".due"))
            if (
                len(value) > MAX_WORD
                or harmless(value) != value
                or (day and as_date(value) is None)
            ):
                yield key, "is no such text", f"{MAX_WORD} letters at most; a date as 2026-09-01"
        elif not math.isfinite(value) or abs(value) > MOST:
            yield key, f"{value:g}", "a number of a usual size"
        elif not key.endswith(".zero") and not (value >= LEAST or key.endswith(".limit")):
            yield key, f"{value:g}", "a number above 0"
        elif key.endswith(".limit") and value < 0.0:
            yield key, f"{value:g}", "a number of 0 or more"


def _leaves(one: Any, path: str) -> Iterator[tuple[str, Any]]:
    for item in fields(one):
        value, key = getattr(one, item.name), f"{path}.{item.name}".lstrip(".")
        if isinstance(value, Struct):
            yield from _leaves(value, key)
        elif isinstance(value, tuple):
            for element in value:
                yield from _leaves(element, key)
        elif value not in (None, ""):
            yield key, value


def as_date(text: str) -> datetime.date | None:
    """A day written as 2026-09-01; None for anything else or a day of another age."""
    try:
        day = datetime.date.fromisoformat(text)
    except ValueError:
        return None
    return day if DATES[0] <= day <= DATES[1] else None


# -- from the one to the other ---------------------------------------------------------------------


def bind(
    practical: Practical, register: Register, setup: str, today: datetime.date
) -> tuple[Bound | None, tuple[Finding, ...]]:
    """What a workbook of a practical has to know of a set-up, and what the register lacks for it.

    None if the register has no such set-up.
    """
    found = register.setups.get(same_id(setup))
    if found is None:
        known = ", ".join(one.id for one in register.setups.values()) or "none"
        what = f"the register has no set-up “{setup}”" if setup else "no set-up is named"
        return None, (
            Finding(
                "setup-not-in-register", Severity.DOUBTFUL, what, f"a set-up of it: {known}",
                "Name the set-up in the roster or the rota as in the register; without it a "
                "workbook is issued without the register.",
                Place(register.file),
            ),
        )  # fmt: skip
    findings: list[Finding] = []
    instruments = []
    for one in practical.definition.instruments:
        its = register.instruments.get(same_id(found.instruments.get(one.id, "")))
        if its is None:
            if not found.instruments.get(one.id):
                findings.append(
                    Finding(
                        "setup-incomplete", Severity.NOTE,
                        f"the set-up {found.id} names no instrument for {one.id} ({one.title})",
                        "an id of the sheet Instruments",
                        "Nothing is compared for it.", found.place,
                    )
                )  # fmt: skip
            continue
        problem = _unlike(one, its)
        if problem is not None:
            findings.append(problem)
            continue
        bound, more = _bound_instrument(one, its)
        instruments.append(bound)
        findings += more
        findings += _overdue(its, today)
    wire = register.wires.get(same_id(found.wire)) if found.wire else None
    bound_wire = None
    if wire is not None:
        bound_wire = BoundWire(wire.id, wire.material, wire.gauge, wire.diameter, wire.length)
    return Bound(found.id, today.isoformat(), tuple(instruments), bound_wire), tuple(findings)


def unlike_practicals(
    register: Register, practicals: Iterable[Practical], planned: Collection[str] = ()
) -> Iterator[Finding]:
    """Set-ups whose instruments are not as practicals ask, and materials that none of them knows.

    Parameters
    ----------
    planned
        Names of materials that a plan can be made for.
    """
    parts: dict[str, Instrument] = {}
    materials: dict[str, str] = {}
    for practical in practicals:
        for one in practical.definition.instruments:
            parts.setdefault(one.id, one)
        for its in practical.definition.inputs:
            if its.register == "wire.material":
                materials |= {choice.casefold(): choice for choice in its.choices}
    for setup in register.setups.values():
        for part, name in setup.instruments.items():
            found = register.instruments.get(same_id(name))
            if part not in parts or found is None:
                continue
            problem = _unlike(parts[part], found) or _limit_unlike(parts[part], found)
            if problem is not None:
                yield problem
    known = {name.casefold() for name in planned}
    for wire in register.wires.values():
        named = wire.material.casefold() in known or material_choice(wire.material, materials)
        if wire.material and materials and not named:
            yield _mismatch(
                f"{wire.id}: “{wire.material}” is on no practical's list of materials",
                f"one of: {', '.join(materials.values())} (otherwise groups choose it themselves)",
                wire.place,
                Severity.NOTE,
            )


def material_choice(material: str, choices: Iterable[str]) -> str:
    """The entry of a list that a material is a kind of; empty if there is none.

    “Brass, hard” is brass: what stands after the comma is its temper, as tables of materials say.
    """
    names = {choice.casefold(): choice for choice in choices}
    text = " ".join(material.casefold().split())
    return names.get(text) or names.get(text.partition(",")[0].strip(), "")


def days_ahead(register: Register, today: datetime.date) -> Iterator[Finding]:
    """Checks and zero errors of days that have not come yet."""
    for one in register.instruments.values():
        days = [one.checked, *(zero.on for zero in one.zeros)]
        for day in sorted({day for day in days if day is not None and day > today}):
            yield _mismatch(
                f"{one.id} was checked on {day}, a day that has not come yet",
                f"a day up to {today}",
                one.place,
            )


def checks_due(register: Register, today: datetime.date) -> Iterator[Finding]:
    """Instruments of a register whose next check was due before a day."""
    for one in register.instruments.values():
        yield from _overdue(one, today)


def _overdue(its: RegisteredInstrument, today: datetime.date) -> Iterator[Finding]:
    due = its.due
    if due is not None and due < today:
        yield Finding(
            "check-overdue", Severity.NOTE,
            f"{its.id} was last checked on {its.checked}; the next check was due on {due}",
            "an instrument that was checked in time",
            "Check it (the register has a sheet for it) and write the day into the register.",
            its.place,
        )  # fmt: skip


def _unlike(one: Instrument, its: RegisteredInstrument) -> Finding | None:
    if its.kind and its.kind != one.kind:
        return _mismatch(
            f"{its.id} is a {its.kind} scale", f"a {one.kind} scale as {one.id}", its.place
        )
    if unit(its.unit).dimension != unit(one.unit).dimension:
        return _mismatch(
            f"{its.id} is in {its.unit}",
            f"a unit of the same quantity as {one.unit}, for {one.id}",
            its.place,
        )
    return None


def _limit_unlike(one: Instrument, its: RegisteredInstrument) -> Finding | None:
    if its.limit is None or one.limit is None or its.relative == one.limit.relative:
        return None
    kinds = ("in its unit", "as a fraction")
    return _mismatch(
        f"{its.id} states its permissible error {kinds[its.relative]}; a workbook is issued "
        "without it",
        f"one {kinds[one.limit.relative]}, as the practical uses it for {one.id}",
        its.place,
    )


def _bound_instrument(
    one: Instrument, its: RegisteredInstrument
) -> tuple[BoundInstrument, list[Finding]]:
    ratio = interval_of(unit(its.unit)).factor / interval_of(unit(one.unit)).factor

    def here(value: float | None) -> float | None:
        return None if value is None else float(f"{value * ratio:.12g}")

    problem = _limit_unlike(one, its)
    limit = its.limit if problem is None else None
    zeros = [BoundZero(z.on.isoformat(), here(z.zero) or 0.0) for z in its.zeros[-KEPT_ZEROS:]]
    due = its.due
    bound = BoundInstrument(
        one.id,
        its.id,
        here(its.step),
        its.divisions,
        here(its.division),
        limit if its.relative else here(limit),
        "" if its.checked is None else its.checked.isoformat(),
        "" if due is None else due.isoformat(),
        tuple(zeros),
    )
    return bound, [] if problem is None else [problem]


def prefilled(practical: Practical, bound: Bound) -> dict[str, float | str]:
    """What a bound workbook is issued with, by input: permissible errors, and facts of its wire.

    Least counts are not among them: finding them out is part of the practical.
    """
    out: dict[str, float | str] = {}
    for one in bound.instruments:
        key = f"{one.instrument}.limit"
        if one.limit is not None and key in practical.inputs:
            out[key] = one.limit
    for its in practical.definition.inputs:
        fact = wire_fact(bound, its.register)
        if its.kind == "choice":
            fact = material_choice(str(fact or ""), its.choices) or None
        elif isinstance(fact, float):
            fact = float(f"{practical.inputs[its.id].unit.from_si(fact):.12g}")
        if fact is not None:
            out[its.id] = fact
    return out


FAR_LIMIT = 10.0
"""Times a permissible error from which another one is asked about."""


def issued_limits(
    practical: Practical, bound: Bound | None, profile: Mapping[str, float]
) -> dict[str, float]:
    """Permissible errors that a workbook is issued with, by input, in its unit; none that are 0.

    Parameters
    ----------
    profile
        Inputs that a profile gives, in place of those of the definition.
    """
    issued = {} if bound is None else prefilled(practical, bound)
    found = {
        key: issued.get(key, profile.get(key, practical.inputs[key].default))
        for key in (f"{one.id}.limit" for one in practical.definition.instruments)
        if key in practical.inputs
    }
    return {key: value for key, value in found.items() if isinstance(value, float) and value}


def wire_fact(bound: Bound, name: str) -> float | str | None:
    """A fact of the wire by its name in definitions, in SI units; None if it is not known."""
    wire = bound.wire
    if wire is None or not name:
        return None
    match name:
        case "wire.diameter":
            return None if wire.diameter is None else wire.diameter * 1e-3
        case "wire.length":
            return wire.length
        case "wire.material":
            return wire.material or None
    return None
