"""The register of instruments, wires and set-ups, and what a workbook is bound to. Pure.

A register is what a technician keeps; ``bind`` takes from it what one workbook has to know of its
set-up, in the units of its definition. That travels in the workbook as JSON text and is checked
again when it is read, because the workbook comes back from other hands.
"""

from __future__ import annotations

import calendar
import datetime
import re
import unicodedata
from collections.abc import Collection, Iterable, Iterator, Mapping
from functools import lru_cache, partial
from typing import Annotated, Any

import msgspec
from msgspec import Meta, Struct, field

from sheetlab.finding import NOWHERE, Finding, Place, Severity, SheetlabError, finding
from sheetlab.messages import phrase
from sheetlab.practical.definition import Instrument
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
    for instrument in register.instruments.values():
        yield from _instrument_problems(instrument, register)
    for wire in register.wires.values():
        yield from _wire_problems(wire)
    hung: dict[str, str] = {}
    for setup in register.setups.values():
        place, wire_id = setup.place, same_id(setup.wire)
        for part, name in setup.instruments.items():
            found = register.instruments.get(same_id(name))
            if found is None:
                message = "register-mismatch_no-instrument"
                yield _mismatch(message, place, setup=setup.id, id=name, part=part)
            elif found.setup and same_id(found.setup) != same_id(setup.id):
                yield _mismatch(
                    "register-mismatch_kept-elsewhere", found.place, setup=setup.id, id=found.id,
                    part=part, other=found.setup,
                )  # fmt: skip
        if setup.wire and wire_id in hung:
            first = hung[wire_id]
            message = "register-mismatch_wire-twice"
            yield _mismatch(message, place, wire=setup.wire, first=first, second=setup.id)
        hung[wire_id] = setup.id
        if setup.wire and wire_id not in register.wires:
            yield _mismatch("register-mismatch_no-wire", place, setup=setup.id, wire=setup.wire)


def _instrument_problems(one: RegisteredInstrument, register: Register) -> Iterator[Finding]:
    least, limit = one.division, one.limit
    about = partial(_mismatch, place=one.place, id=one.id)
    if one.step and one.divisions and one.least_count:
        follows = one.step / one.divisions
        if abs(one.least_count / follows - 1.0) > SAME:
            yield about(
                "register-mismatch_least-count", typed=f"{one.least_count:g}", unit=one.unit,
                step=f"{one.step:g}", divisions=f"{one.divisions:g}", follows=f"{follows:.6g}",
            )  # fmt: skip
    if one.kind == "nominal" and (one.step or one.divisions):
        yield about("register-mismatch_nominal")
    if limit is not None and one.relative and limit > MOST_FRACTION:
        percent, most = f"{100 * limit:.3g}", f"{MOST_FRACTION:g}"
        yield about("register-mismatch_fraction", percent=percent, most=most)
    if limit is not None and not one.relative and least and limit > MOST_DIVISIONS * least:
        divisions = f"{limit / least:.3g}"
        yield about(
            "register-mismatch_limit", limit=f"{limit:g}", unit=one.unit, divisions=divisions
        )
    most_zero = max(one.step or 0.0, MOST_DIVISIONS * (least or 0.0))
    for zero in one.zeros:
        if most_zero and abs(zero.zero) > most_zero:
            yield about(
                "register-mismatch_zero", on=str(zero.on), zero=f"{zero.zero:g}", unit=one.unit,
                most=f"{most_zero:g}",
            )  # fmt: skip
    if one.setup and register.setups and same_id(one.setup) not in register.setups:
        yield about("register-mismatch_no-set-up", setup=one.setup)


def _wire_problems(wire: Wire) -> Iterator[Finding]:
    about = partial(_mismatch, place=wire.place, id=wire.id)
    low, high = WIRE_LENGTHS
    if wire.length is not None and not low <= wire.length <= high:
        length = f"{wire.length:g}"
        yield about("register-mismatch_length", length=length, low=f"{low:g}", high=f"{high:g}")
    named = read_gauge(wire.gauge)
    if wire.gauge and named is None:
        yield about("register-mismatch_gauge", severity=Severity.NOTE, gauge=wire.gauge)
    elif named is not None and wire.diameter is not None:
        off = wire.diameter / named.diameter - 1.0
        if abs(off) > LABEL_OFF:
            yield about(
                "register-mismatch_diameter", gauge=str(named), named=f"{named.diameter:.3f}",
                measured=f"{wire.diameter:.3f}", off=f"{100 * off:+.0f}".replace("-", "−"),
            )  # fmt: skip


def _mismatch(
    message: str, place: Place, severity: Severity = Severity.DOUBTFUL, **values: Any
) -> Finding:
    return finding(message, severity, place, **values)


# -- what a workbook is bound to -------------------------------------------------------------------


Word = Annotated[str, Meta(max_length=MAX_WORD)]
Size = Annotated[float, Meta(ge=LEAST, le=MOST)]


class BoundZero(Struct, frozen=True, forbid_unknown_fields=True):
    """A zero error of the history, in the unit of the definition; ``on`` as 2026-09-01."""

    on: str
    zero: Annotated[float, Meta(ge=-MOST, le=MOST)]


class BoundInstrument(Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """An instrument of the register in the place of one of the definition, in its unit."""

    instrument: Word
    """Id in the definition."""
    id: Word
    """Id in the register."""
    step: Size | None = None
    divisions: Size | None = None
    least_count: Size | None = None
    limit: Annotated[float, Meta(ge=0.0, le=MOST)] | None = None
    checked: str = ""
    due: str = ""
    zeros: Annotated[tuple[BoundZero, ...], Meta(max_length=KEPT_ZEROS)] = ()

    @property
    def days(self) -> list[str]:
        """All days that are known."""
        return [day for day in (self.checked, self.due, *(zero.on for zero in self.zeros)) if day]


class BoundWire(Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """A wire of the register: diameter in mm, length in m."""

    id: Word
    material: Word = ""
    gauge: Word = ""
    diameter: Size | None = None
    length: Size | None = None


class Bound(Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """What a workbook knows of its set-up."""

    setup: Word
    issued: str
    """Day on which it was bound, as 2026-09-01."""
    instruments: Annotated[tuple[BoundInstrument, ...], Meta(max_length=MAX_BOUND_INSTRUMENTS)] = ()
    wire: BoundWire | None = None

    def text(self) -> str:
        """As JSON text."""
        return msgspec.json.encode(self).decode()


@lru_cache(maxsize=64)
def load_bound(text: str, file: str = "") -> Bound:
    """What a workbook is bound to, from the text in it.

    Raises
    ------
    SheetlabError
        With one finding if the text is not as it was written, or beyond its limits.
    """
    try:
        bound = msgspec.json.decode(text[:MAX_BOUND], type=Bound)
        days = [bound.issued, *(day for one in bound.instruments for day in one.days)]
        if not all(map(as_date, days)):
            raise ValueError("a day that there is not")
        if not all(map(str.isprintable, _texts(msgspec.to_builtins(bound)))):
            raise ValueError("a text with signs that cannot be seen")
    except (msgspec.DecodeError, ValueError) as error:
        place = Place(file)
        raise SheetlabError(
            finding("binding-damaged", Severity.DOUBTFUL, place, reason=str(error))
        ) from error
    return bound


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict | list | tuple):
        for part in value.values() if isinstance(value, dict) else value:
            yield from _texts(part)


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
        message, values = "setup-not-in-register_none", {"known": known, "groups": ""}
        if setup:
            message, values["setup"] = "setup-not-in-register", setup
        return None, (finding(message, Severity.DOUBTFUL, Place(register.file), **values),)
    findings: list[Finding] = []
    instruments = []
    for part in practical.definition.instruments:
        registered = register.instruments.get(same_id(found.instruments.get(part.id, "")))
        if registered is None:
            if not found.instruments.get(part.id):
                findings.append(
                    finding("setup-incomplete", Severity.NOTE, found.place, setup=found.id,
                            part=part.id, title=part.title)
                )  # fmt: skip
            continue
        problem = _unlike(part, registered)
        if problem is not None:
            findings.append(problem)
            continue
        limit_problem = _limit_unlike(part, registered)
        instruments.append(_bound_instrument(part, registered, limit_problem is None))
        findings += [] if limit_problem is None else [limit_problem]
        findings += _overdue(registered, today)
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
                "register-mismatch_material", wire.place, Severity.NOTE, id=wire.id,
                material=wire.material, choices=", ".join(materials.values()),
            )  # fmt: skip


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
                "register-mismatch_day-ahead", one.place, id=one.id, day=str(day), today=str(today)
            )


def checks_due(register: Register, today: datetime.date) -> Iterator[Finding]:
    """Instruments of a register whose next check was due before a day."""
    for one in register.instruments.values():
        yield from _overdue(one, today)


def _overdue(its: RegisteredInstrument, today: datetime.date) -> Iterator[Finding]:
    due = its.due
    if due is not None and due < today:
        yield finding(
            "check-overdue_register", Severity.NOTE, its.place, id=its.id, checked=str(its.checked),
            due=str(due),
        )  # fmt: skip


def _unlike(part: Instrument, its: RegisteredInstrument) -> Finding | None:
    about = partial(_mismatch, place=its.place, id=its.id, part=part.id)
    if its.kind and its.kind != part.kind:
        return about("register-mismatch_kind", kind=its.kind, wanted=part.kind)
    if unit(its.unit).dimension != unit(part.unit).dimension:
        return about("register-mismatch_unit", unit=its.unit, wanted=part.unit)
    return None


def _limit_unlike(part: Instrument, its: RegisteredInstrument) -> Finding | None:
    if its.limit is None or part.limit is None or its.relative == part.limit.relative:
        return None
    given, wanted = (
        phrase("as-a-fraction" if relative else "in-its-unit")
        for relative in (its.relative, part.limit.relative)
    )
    return _mismatch(
        "register-mismatch_error-given", its.place, id=its.id, given=given, wanted=wanted,
        part=part.id,
    )  # fmt: skip


def _bound_instrument(
    part: Instrument, its: RegisteredInstrument, with_limit: bool
) -> BoundInstrument:
    ratio = interval_of(unit(its.unit)).factor / interval_of(unit(part.unit)).factor

    def here(value: float | None) -> float | None:
        return None if value is None else float(f"{value * ratio:.12g}")

    limit = its.limit if with_limit else None
    return BoundInstrument(
        part.id,
        its.id,
        here(its.step),
        its.divisions,
        here(its.division),
        limit if its.relative else here(limit),
        "" if its.checked is None else its.checked.isoformat(),
        "" if its.due is None else its.due.isoformat(),
        tuple(BoundZero(z.on.isoformat(), here(z.zero) or 0.0) for z in its.zeros[-KEPT_ZEROS:]),
    )


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
