"""Instruments: what is asked about them, their zero, and readings in the parts of their scale."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.formula.tree import Binary, Call, Name, Node, Number, substitute
from sheetlab.practical.compiling.names import Names, formula_at, unit_at
from sheetlab.practical.definition import Assist, Column, DefinitionError, Instrument
from sheetlab.practical.fields import CheckField, DerivedField, InputField, SourceSpec
from sheetlab.practical.instruments import CORRECTED, KINDS, Kind, Part, PartCheck
from sheetlab.units import PURE, Unit, interval_of


class Scale(Struct, frozen=True):
    """An instrument and its kind."""

    instrument: Instrument
    kind: Kind
    unit: Unit
    """Of a reading."""

    @property
    def id(self) -> str:
        """Name of the instrument."""
        return self.instrument.id

    @property
    def interval(self) -> Unit:
        """Unit of everything about an instrument but its readings."""
        return interval_of(self.unit)

    def names(self, base: str = "", parts: Sequence[Part] = ()) -> dict[str, str]:
        """Flat names of what its formulas speak of; ``parts`` are those of the reading ``base``."""
        ids = [p.id for p in self.kind.parameters] + [item.id for item in self.kind.derived]
        found = {name: f"{self.id}.{name}" for name in ids}
        return found | {part.id: f"{base}.{part.id}" for part in parts}

    def rounding(self, key: str, what: str) -> tuple[SourceSpec, ...]:
        """Source of the rounding of readings, shared by all that name this key."""
        if not self.kind.rounding:
            return ()
        return (
            SourceSpec(
                key=f"{key}#rounding",
                label=f"rounding of a reading: {what}",
                half_width=formula_at(self.kind.rounding, key, self.names()),
                rounding=True,
                advice="a finer scale",
            ),
        )

    def sources(self, key: str, title: str) -> tuple[SourceSpec, ...]:
        """Sources of the readings in a column."""
        found = self.rounding(key, title.lower())
        limit = self.instrument.limit
        if limit is not None:
            found += (
                SourceSpec(
                    key=f"{self.id}#limit",
                    label=f"permissible error: {self.instrument.title.lower()}",
                    half_width=Name(f"{self.id}.limit"),
                    relative=limit.relative,
                    note=limit.note,
                    advice="a better instrument, or a calibration of this one",
                ),
            )
        return found


def add_instrument(known: Names, instrument: Instrument) -> tuple[Scale, list[CheckField]]:
    """Add what is asked about an instrument, what follows from it, and its zero readings.

    Raises
    ------
    DefinitionError
        For the first key that cannot be used.
    """
    where = f"instruments.{instrument.id}"
    kind = KINDS.get(instrument.kind)
    if kind is None:
        raise DefinitionError(
            f"{where}.kind", f"there is no kind “{instrument.kind}”", ", ".join(sorted(KINDS))
        )
    scale = Scale(instrument, kind, unit_at(instrument.unit, f"{where}.unit"))
    own = scale.interval
    for p in kind.parameters:
        known.add_input(
            InputField(
                key=f"{instrument.id}.{p.id}",
                title=p.title,
                unit=own if p.unit == "" else unit_at(p.unit, where),
                decimals=p.decimals,
                minimum=p.minimum,
                maximum=p.maximum,
                required=True,
                help=p.help,
            ),
            where,
        )
    for item in kind.derived:
        known.add_derived(
            DerivedField(
                key=f"{instrument.id}.{item.id}",
                title=item.title,
                unit=own,
                node=formula_at(item.formula, where, scale.names()),
                text=item.formula,
                decimals=instrument.decimals + item.extra_decimals,
                assist=Assist.READINGS,
            ),
            where,
        )
    if instrument.limit is not None:
        limit = instrument.limit
        known.add_input(
            InputField(
                key=f"{instrument.id}.limit",
                title="permissible error ±"
                + (" (fraction of the value)" if limit.relative else ""),
                unit=PURE if limit.relative else own,
                default=limit.half_width,
                minimum=0.0,
                help=limit.note or "From the maker's sheet, the standard or the last check.",
            ),
            where,
        )
    if not instrument.zero_rows:
        return scale, []
    if not kind.zero:
        raise DefinitionError(
            f"{where}.zero_rows", f"a scale of kind “{instrument.kind}” has no zero error"
        )
    return scale, _add_zero(known, scale, where)


def _add_zero(known: Names, scale: Scale, where: str) -> list[CheckField]:
    instrument, kind = scale.instrument, scale.kind
    table = f"{instrument.id}.zeros"
    known.add_table(table, instrument.zero_rows)
    base = f"{instrument.id}.zero_reading"
    for one in _parts(known, scale, scale.interval, base, kind.zero_parts, table):
        known.add_input(one, where)
    known.add_derived(
        DerivedField(
            key=base,
            title="zero error",
            unit=scale.interval,
            node=formula_at(kind.zero, where, scale.names(base, kind.zero_parts)),
            text=kind.zero,
            table=table,
            rows=known.tables[table],
            decimals=instrument.decimals,
            sources=scale.rounding(base, "zero reading"),
        ),
        where,
    )
    known.add_derived(
        DerivedField(
            key=f"{instrument.id}.zero",
            title="mean zero error (to be subtracted)",
            unit=scale.interval,
            node=Call("mean", (Name(base),)),
            text=f"mean({base})",
            symbol="z",
            decimals=instrument.decimals + 1,
        ),
        where,
    )
    return _part_checks(known, scale, base, kind.zero_checks, table)


def _parts(
    known: Names, scale: Scale, own: Unit, base: str, parts: Sequence[Part], table: str
) -> Iterator[InputField]:
    """The cells that a reading is typed into."""
    for part in parts:
        yield InputField(
            key=f"{base}.{part.id}",
            title=part.title,
            unit=own if part.unit == "" else PURE,
            table=table,
            rows=known.tables[table],
            decimals=scale.instrument.decimals if part.unit == "" else None,
            kind=part.kind,
            minimum=0.0 if part.id == "coincidence" else None,
            choices=part.choices,
            choice_values=tuple(map(float, range(len(part.choices)))),
            help=part.help,
        )


def _part_checks(
    known: Names, scale: Scale, base: str, checks: Sequence[PartCheck], table: str
) -> list[CheckField]:
    rename = scale.names(base, (*scale.kind.parts, *scale.kind.zero_parts))
    return [
        CheckField(
            code=check.code,
            node=formula_at(check.condition, f"{base}.{check.part}", rename),
            question=check.question,
            expected=check.expected,
            severity="doubtful",
            at=f"{base}.{check.part}",
            table=table,
            rows=known.tables[table],
            reading=base,
        )
        for check in checks
    ]


def add_reading(
    known: Names,
    scale: Scale,
    table: str,
    column: Column,
    key: str,
    title: str,
    sources: tuple[SourceSpec, ...],
    where: str,
) -> list[CheckField]:
    """Add one reading of a column: as one number, or in the parts of its scale.

    Parameters
    ----------
    key, title
        Of this reading among the repeats of its column.
    """
    instrument, kind = scale.instrument, scale.kind
    decimals = instrument.decimals if column.decimals is None else column.decimals
    if len(kind.parts) == 1:
        known.add_input(
            InputField(
                key=key,
                title=title,
                unit=scale.unit,
                symbol=column.symbol,
                table=table,
                rows=known.tables[table],
                decimals=decimals,
                minimum=column.minimum,
                maximum=column.maximum,
                help=column.help or kind.parts[0].help,
                sources=sources,
                instrument=instrument.id,
            ),
            where,
        )
        return _value_checks(known, scale, key, table)
    for i, part in enumerate(_parts(known, scale, scale.unit, key, kind.parts, table)):
        its = replace(part, title=f"{title} {part.title}".strip(), required=True)
        if i == 0:
            its = replace(its, minimum=column.minimum, maximum=column.maximum)
        known.add_input(its, where)
    observed = formula_at(kind.reading, where, scale.names(key, kind.parts))
    text = kind.reading
    if instrument.zero_rows:
        observed_key = f"{key}.observed"
        known.add_derived(
            DerivedField(
                key=observed_key,
                title=f"{title} observed",
                unit=scale.unit,
                node=observed,
                text=text,
                table=table,
                rows=known.tables[table],
                decimals=decimals,
            ),
            where,
        )
        text = f"{column.id}.observed - {instrument.id}.zero"
        names = {"observed": observed_key, "zero_error": f"{instrument.id}.zero"}
        observed = formula_at(CORRECTED, where, names)
        title = f"{title} corrected"
    known.add_derived(
        DerivedField(
            key=key,
            title=title,
            unit=scale.unit,
            node=known.kept(observed, table),
            text=text,
            symbol=column.symbol,
            table=table,
            rows=known.tables[table],
            decimals=decimals + (1 if instrument.zero_rows else 0),
            sources=sources,
            instrument=instrument.id,
        ),
        where,
    )
    return _part_checks(known, scale, key, kind.checks, table)


def _value_checks(known: Names, scale: Scale, key: str, table: str) -> list[CheckField]:
    """Checks of a reading that is typed as one number."""
    own = scale.unit
    read: Node = Name(key)
    if own.offset:
        # the scale is divided from its own zero, not from that of the coherent unit
        read = Binary("-", read, Number(own.offset, own.dimension))
    value = {scale.kind.parts[0].id: read}
    return [
        CheckField(
            code=check.code,
            node=substitute(formula_at(check.condition, key, scale.names()), value),
            question=check.question,
            expected=check.expected,
            severity="doubtful",
            at=key,
            table=table,
            rows=known.tables[table],
            once=check.once,
        )
        for check in scale.kind.checks
    ]
