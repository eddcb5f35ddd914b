"""Instruments: what is asked about them, their zero, and readings in the parts of their scale.

A ``DefinitionError`` is raised for the first key that cannot be used.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from msgspec import Struct

from sheetlab.formula.tree import Binary, Call, Name, Node, Number, substitute
from sheetlab.practical.compiling.names import Names, formula_at, require, unit_at
from sheetlab.practical.definition import Assist, Column, DefinitionError, Instrument
from sheetlab.practical.fields import DerivedField, InputField, SourceSpec
from sheetlab.practical.instruments import CORRECTED, KINDS, Kind, Part, PartCheck
from sheetlab.units import PURE, Unit, interval_of


class Scale(Struct, frozen=True):
    """An instrument and its kind."""

    instrument: Instrument
    kind: Kind
    unit: Unit
    """Of a reading."""

    @property
    def interval(self) -> Unit:
        """Unit of everything about an instrument but its readings."""
        return interval_of(self.unit)

    def names(self, base: str = "", parts: Sequence[Part] = ()) -> dict[str, str]:
        """Flat names of what its formulas speak of; ``parts`` are those of the reading ``base``."""
        ids = [p.id for p in self.kind.parameters] + [item.id for item in self.kind.derived]
        own = {name: f"{self.instrument.id}.{name}" for name in ids}
        return own | {part.id: f"{base}.{part.id}" for part in parts}

    def rounding(self, key: str, what: str) -> tuple[SourceSpec, ...]:
        """Source of the rounding of readings, shared by all that name this key."""
        if not self.kind.rounding:
            return ()
        half_width = formula_at(self.kind.rounding, key, self.names())
        label = f"rounding of a reading: {what}"
        return (
            SourceSpec(f"{key}#rounding", label, half_width, rounding=True, advice="a finer scale"),
        )

    def sources(self, key: str, title: str) -> tuple[SourceSpec, ...]:
        """Sources of the readings in a column."""
        limit, id_ = self.instrument.limit, self.instrument.id
        if limit is None:
            return self.rounding(key, title.lower())
        permissible = SourceSpec(
            key=f"{id_}#limit",
            label=f"permissible error: {self.instrument.title.lower()}",
            half_width=Name(f"{id_}.limit"),
            relative=limit.relative,
            note=limit.note,
            advice="a better instrument, or a calibration of this one",
        )
        return (*self.rounding(key, title.lower()), permissible)


def add_instrument(known: Names, instrument: Instrument) -> Scale:
    """Add what is asked about an instrument, what follows from it, and its zero readings."""
    id_, where, kind = instrument.id, f"instruments.{instrument.id}", KINDS.get(instrument.kind)
    if kind is None:
        raise DefinitionError(
            f"{where}.kind", f"there is no kind “{instrument.kind}”", ", ".join(sorted(KINDS))
        )
    scale = Scale(instrument, kind, unit_at(instrument.unit, f"{where}.unit"))
    own = scale.interval
    for parameter in kind.parameters:
        parameter_unit = unit_at(parameter.unit, where) if parameter.unit else own
        key = f"{id_}.{parameter.id}"
        known.add(InputField, parameter, where, key=key, unit=parameter_unit, required=True)
    for item in kind.derived:
        known.add(
            DerivedField, item, where, key=f"{id_}.{item.id}", unit=own,
            node=formula_at(item.formula, where, scale.names()), text=item.formula,
            decimals=(instrument.decimals or 0) + item.extra_decimals, assist=Assist.READINGS,
        )  # fmt: skip
    limit = instrument.limit
    if limit is not None:
        fraction = " (fraction of the value)" if limit.relative else ""
        help_ = limit.note or "From the maker's sheet, the standard or the last check."
        known.add(
            InputField, limit, where, key=f"{id_}.limit", title=f"permissible error ±{fraction}",
            unit=PURE if limit.relative else own, default=limit.half_width, minimum=0.0,
            help=help_,
        )  # fmt: skip
    if instrument.zero_rows:
        _add_zero(known, scale, where)
    return scale


def _add_zero(known: Names, scale: Scale, where: str) -> None:
    instrument, kind, own = scale.instrument, scale.kind, scale.interval
    reason = f"a scale of kind “{instrument.kind}” has no zero error"
    require(kind.zero, f"{where}.zero_rows", reason)
    table, base = f"{instrument.id}.zeros", f"{instrument.id}.zero_reading"
    known.add_table(table, instrument.zero_rows)
    for part in kind.zero_parts:
        _add_part(known, scale, part, own, where, base=base, table=table)
    known.add(
        DerivedField, None, where, key=base, title="zero error", unit=own,
        node=formula_at(kind.zero, where, scale.names(base, kind.zero_parts)), text=kind.zero,
        table=table, decimals=instrument.decimals, sources=scale.rounding(base, "zero reading"),
    )  # fmt: skip
    known.add(
        DerivedField, None, where, key=f"{instrument.id}.zero", symbol="z", unit=own,
        title="mean zero error (to be subtracted)", node=Call("mean", (Name(base),)),
        text=f"mean({base})", decimals=(instrument.decimals or 0) + 1,
    )  # fmt: skip
    _add_part_checks(known, scale, base, kind.zero_checks, table)


def _add_part(
    known: Names, scale: Scale, part: Part, own: Unit, where: str, base: str, **given: Any
) -> None:
    """Add the cell that a part of a reading is typed into; ``own``: unit of parts without one."""
    read = part.unit == ""
    cell = {
        "key": f"{base}.{part.id}",
        "unit": own if read else PURE,
        "decimals": scale.instrument.decimals if read else None,
        "minimum": 0.0 if part.id == "coincidence" else None,
    }
    known.add(InputField, part, where, **(cell | given))


def _add_part_checks(
    known: Names, scale: Scale, base: str, checks: Sequence[PartCheck], table: str
) -> None:
    rename = scale.names(base, (*scale.kind.parts, *scale.kind.zero_parts))
    for check in checks:
        at = f"{base}.{check.part}"
        node = formula_at(check.condition, at, rename)
        known.add_check(check, node=node, at=at, table=table, reading=base)


def add_reading(
    known: Names,
    scale: Scale,
    column: Column,
    where: str,
    *,
    key: str,
    title: str,
    table: str,
    sources: tuple[SourceSpec, ...],
) -> None:
    """Add one reading of a column: as one number, or in the parts of its scale.

    ``key`` and ``title`` are of this reading among the repeats of its column.
    """
    instrument, kind = scale.instrument, scale.kind
    decimals = (instrument.decimals or 0) if column.decimals is None else column.decimals
    cell: dict[str, Any] = {"unit": scale.unit, "table": table, "decimals": decimals}
    own = cell | {"key": key, "sources": sources, "instrument": instrument.id}
    if len(kind.parts) == 1:
        help_ = column.help or kind.parts[0].help
        known.add(InputField, column, where, **own, title=title, help=help_)
        _add_value_checks(known, scale, key, table)
        return
    ends = {"minimum": column.minimum, "maximum": column.maximum}
    for part in kind.parts:
        _add_part(
            known, scale, part, scale.unit, where, base=key, table=table, required=True,
            title=f"{title} {part.title}".strip(), **ends,
        )  # fmt: skip
        # the first part is the coarse one, which the ends of the column belong to
        ends = {}
    node, text = formula_at(kind.reading, where, scale.names(key, kind.parts)), kind.reading
    if instrument.zero_rows:
        observed = f"{key}.observed"
        known.add(
            DerivedField, None, where, **cell, key=observed, title=f"{title} observed",
            node=node, text=text,
        )  # fmt: skip
        text = f"{column.id}.observed - {instrument.id}.zero"
        names = {"observed": observed, "zero_error": f"{instrument.id}.zero"}
        node = formula_at(CORRECTED, where, names)
        title = f"{title} corrected"
        own["decimals"] = decimals + 1
    known.add(
        DerivedField, None, where, **own, title=title, symbol=column.symbol,
        node=known.kept(node, table), text=text,
    )  # fmt: skip
    _add_part_checks(known, scale, key, kind.checks, table)


def _add_value_checks(known: Names, scale: Scale, key: str, table: str) -> None:
    """Checks of a reading that is typed as one number."""
    own = scale.unit
    read: Node = Name(key)
    if own.offset:
        # the scale is divided from its own zero, not from that of the coherent unit
        read = Binary("-", read, Number(own.offset, own.dimension))
    value = {scale.kind.parts[0].id: read}
    for check in scale.kind.checks:
        node = substitute(formula_at(check.condition, key, scale.names()), value)
        known.add_check(check, node=node, at=key, table=table)
