"""What a definition leaves out: each thing that is not said follows from what is.

A definition is completed before it is compiled, so that everything else sees a complete one. What
is said always counts; each function here fills in one kind of thing.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeVar

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.messages import phrase, said, words
from sheetlab.practical.compiling.limits import RESERVED_SHEETS
from sheetlab.practical.definition import (
    Answer,
    Assist,
    BenchDefinition,
    BenchInstrument,
    Check,
    Column,
    Constant,
    Definition,
    Instrument,
    Line,
    Lookup,
    Parameter,
    Quantity,
    Sheet,
    Table,
)
from sheetlab.practical.forward import scale_values
from sheetlab.practical.instruments import KINDS
from sheetlab.units import UnitError, unit

RESULT_SHEET, INSTRUMENT_SHEET = "result", "instruments"
WIDE = 8
"""Typed cells in a row from which a sheet is printed on wide pages."""
USUAL_DECIMALS = 2
COARSE = 0.1
"""Least count of a screw above which ten turns are more than a hand makes."""
FORECAST, REPEATS = 8.5, 6.5
"""Least limits of live checks, in divisions; beside them eight standard deviations of the bench."""
Part = TypeVar("Part", bound=Struct)


def completed(stated: Definition, data: Mapping[str, Any], name: str, digest: str) -> Definition:
    """A definition with everything that it does not say.

    Parameters
    ----------
    data
        The file as it stands: what is there, though empty, is said.
    name
        Of the file, without its ending.
    digest
        Of the file: what tells one version from another.
    """
    d = replace(stated, id=stated.id or name, version=stated.version or digest[:8])
    d = replace(d, lines=tuple(_whole_names(d, line, "x", "u_x", "u_y") for line in d.lines))
    d = replace(d, curves=tuple(_whole_names(d, curve, "x", "y", "u_y") for curve in d.curves))
    for line in d.lines:
        d = _of_chosen_rows(d, line) if line.where else d
    d = replace(
        d,
        instruments=tuple(_instrument(d, one) for one in d.instruments),
        tables=tuple(_titled(_of_columns(table)) for table in d.tables),
        inputs=tuple(map(_titled, d.inputs)),
        constants=tuple(map(_titled, d.constants)),
        lookups=tuple(map(_titled, d.lookups)),
        quantities=tuple(map(_titled, d.quantities)),
        curves=tuple(
            replace(curve, parameters=tuple(map(_titled, curve.parameters))) for curve in d.curves
        ),
    )
    d = replace(d, lines=tuple(_axes(d, line) for line in d.lines))
    d = replace(d, curves=tuple(_axes(d, curve) for curve in d.curves))
    d = _on_sheets(replace(d, sheets=tuple(map(_titled, d.sheets)) or _sheets(d)))
    d = replace(d, bench=_bench(d), answers=_answers(d, "answers" in data))
    asked_of = {key for key, table in data.get("tables", {}).items() if "checks" in table}
    tables = (t if t.id in asked_of else replace(t, checks=_live_checks(d, t)) for t in d.tables)
    return replace(d, tables=tuple(tables))


# -- names and titles ------------------------------------------------------------------------------


def symbol_of(name: str) -> str:
    """A letter for a name: ``theta`` θ, ``l_0`` l₀; a name of words stands as it is."""
    letter, _, below = name.partition("_")
    try:
        greek = "SMALL" if letter.islower() else "CAPITAL"
        letter = unicodedata.lookup(f"GREEK {greek} LETTER {letter}") if letter[1:] else letter
        return letter + "".join(map(_subscript, below))
    except KeyError:
        return name.replace("_", " ")


def _subscript(char: str) -> str:
    kind = "SUBSCRIPT" if char.isdigit() else "LATIN SUBSCRIPT SMALL LETTER"
    return unicodedata.lookup(f"{kind} {unicodedata.name(char).rpartition(' ')[2]}")


def _titled(part: Part) -> Part:
    """A part called by its name, with a symbol if its kind needs one."""
    name = getattr(part, part.__struct_fields__[0])
    made = {} if getattr(part, "title", "-") else {"title": name.replace("_", " ")}
    if isinstance(part, Sheet | Instrument | Table) and made:
        made["title"] = made["title"].capitalize()
    # what is typed does well with its title alone
    if isinstance(part, Quantity | Constant | Lookup | Parameter) and not part.symbol:
        made["symbol"] = symbol_of(name)
    return replace(part, **made) if made else part


def _of_columns(table: Table) -> Table:
    named = (c if c.title else replace(c, title=c.id.replace("_", " ")) for c in table.columns)
    return replace(table, columns=tuple(named))


def _whole_names(d: Definition, part: Part, *keys: str) -> Part:
    """Columns by their whole names, where a bare one can be one column only."""

    def whole(name: str) -> str:
        tables = [t.id for t in d.tables if any(c.id == name for c in t.columns)]
        return f"{tables[0]}.{name}" if len(tables) == 1 else name

    made: dict[str, Any] = {key: whole(getattr(part, key)) for key in keys if getattr(part, key)}
    if isinstance(part, Line):
        made |= {"y": tuple(map(whole, part.y)), "back": tuple(map(whole, part.back))}
    return replace(part, **made)


def _column(d: Definition, name: str) -> Column | None:
    table, _, key = name.partition(".")
    return next((c for t in d.tables if t.id == table for c in t.columns if c.id == key), None)


# -- instruments and the bench ---------------------------------------------------------------------


def _instrument(d: Definition, instrument: Instrument) -> Instrument:
    made = _titled(instrument)
    if made.decimals is not None:
        return made
    least = made.least_count or _least_count(d, made)
    if least is None:
        return replace(made, decimals=USUAL_DECIMALS)
    # between the marks of a plain scale people estimate; a watch shows all that it has
    estimated = made.kind == "direct" and not _is_time(made.unit)
    return replace(made, decimals=decimals_of(least) + estimated)


def _is_time(text: str) -> bool:
    try:
        return unit(text).dimension == unit("s").dimension
    except UnitError:
        return False


def decimals_of(step: float) -> int:
    """Decimals that a step needs: 0.05 has two."""
    return len(f"{step:.9f}".rstrip("0").partition(".")[2])


def _least_count(d: Definition, instrument: Instrument) -> float | None:
    """Least count of the instrument of the invented bench."""
    for one in d.bench.instruments if d.bench else ():
        if one.instrument == instrument.id and instrument.kind in KINDS:
            try:
                return scale_values(KINDS[instrument.kind], one.parameters).get("least_count")
            except (AssertionError, ZeroDivisionError, KeyError):
                return None  # told when the bench is compiled
    return None


def usual_scale(instrument: Instrument) -> dict[str, float]:
    """What the usual instrument of a least count is like: common practice, no source."""
    least = instrument.least_count
    if instrument.kind not in KINDS or not KINDS[instrument.kind].parameters or least is None:
        return {}
    if instrument.kind == "screw":
        turns = 10 if least <= COARSE else 1
        return {"turns": turns, "travel": turns * 50 * least, "divisions": 50}
    if instrument.kind == "vernier":
        first = f"{least:.0e}"[0]
        count = {"5": 20, "2": 50}.get(first, 10)
        return {"main_division": count * least, "vernier_divisions": count}
    return {"least_count": least} if instrument.kind == "direct" else {}


def _bench(d: Definition) -> BenchDefinition | None:
    if d.bench is None:
        return None
    there = {one.instrument for one in d.bench.instruments}
    usual = (
        BenchInstrument(one.id, usual_scale(one))
        for one in d.instruments
        if one.id not in there and (one.least_count or one.kind == "nominal")
    )
    return replace(d.bench, instruments=(*d.bench.instruments, *usual))


# -- sheets ----------------------------------------------------------------------------------------


def _sheets(d: Definition) -> tuple[Sheet, ...]:
    """One for the instruments, one for each table, one for the student's own result."""
    made = [Sheet(INSTRUMENT_SHEET, "Instruments")] if d.instruments else []
    for table in d.tables:
        title = re.sub(r"[\[\]:*?/\\']", " ", table.title)[:31].strip()
        taken = {*RESERVED_SHEETS, *(sheet.title.lower() for sheet in made), "my result"}
        if title.lower() in taken or not title:
            title = f"{title[:20]} {len(made) + 1}".strip()
        cells = sum(c.repeats for c in table.columns)
        made.append(Sheet(table.id, title, landscape=cells >= WIDE))
    return (*made, Sheet(RESULT_SHEET, "My result"))


def _on_sheets(d: Definition) -> Definition:
    """Everything on a sheet: the one called like it, or the first; quantities on the last."""
    ids = [sheet.id for sheet in d.sheets]

    def placed(parts: Iterable[Part], wanted: str, other: str) -> tuple[Part, ...]:
        usual = wanted if wanted in ids else other
        return tuple(
            part
            if part.sheet  # type: ignore[attr-defined]
            else replace(part, sheet=part.id if part.id in ids and not wanted else usual)  # type: ignore[attr-defined]
            for part in parts
        )

    return replace(
        d,
        instruments=placed(d.instruments, INSTRUMENT_SHEET, ids[0]),
        inputs=placed(d.inputs, INSTRUMENT_SHEET, ids[0]),
        tables=placed(d.tables, "", ids[0]),
        quantities=placed(d.quantities, RESULT_SHEET, ids[-1]),
    )


# -- lines and curves ------------------------------------------------------------------------------


def _of_chosen_rows(d: Definition, line: Line) -> Definition:
    """A line through columns of its own, which are empty where its condition does not hold."""
    made: dict[str, list[Column]] = {}
    for name in line.y:
        table, _, id_ = name.partition(".")
        column = _column(d, name)
        if column is not None:
            owner = _owner(d, column.instrument) if column.instrument else None
            title = f"{column.title or id_.replace('_', ' ')} ({line.title or line.id})"
            own = Column(
                f"{id_}_{line.id}", title, column.symbol, owner.unit if owner else column.unit,
                formula=f"where({line.where}, {id_})", decimals=column.decimals, assist=Assist.FULL,
            )  # fmt: skip
            made.setdefault(table, []).append(own)
    y = (f"{name}_{line.id}" if _column(d, name) else name for name in line.y)
    back = tuple(f"{name}_{line.id}" for name in line.back)
    new = replace(line, y=tuple(y), back=back)
    return replace(
        d,
        tables=tuple(replace(t, columns=(*t.columns, *made.get(t.id, ()))) for t in d.tables),
        lines=tuple(new if one is line else one for one in d.lines),
    )


def _axes(d: Definition, part: Part) -> Part:
    """A line or curve with titles of its axes, and of its only series."""
    line: Any = part
    y = line.y if isinstance(line, Line) else (line.y,)
    made: dict[str, Any] = {}
    if not line.title:
        both = phrase("axes-of-line", y=_words(d, y[0]), x=_words(d, line.x))
        made["title"] = said(both).capitalize()
    if not line.x_title:
        made["x_title"] = _axis(d, line.x)
    if not line.y_title:
        made["y_title"] = _axis(d, y[0])
    only = isinstance(line, Line) and not line.series and len(y) == 1 and _column(d, y[0])
    if only and only.repeats == 1 and not only.per_run:
        made["series"] = ("readings",)
    return replace(part, **made)


def _words(d: Definition, name: str) -> str:
    column = _column(d, name)
    return column.title if column else name


def _axis(d: Definition, name: str) -> str:
    """Quantity / unit, as ISO 80000-1 writes it."""
    column = _column(d, name)
    if column is None:
        return name
    of = next((i.unit for i in d.instruments if i.id == column.instrument), column.unit)
    try:
        pretty = unit(of).pretty
    except UnitError:
        pretty = of
    title = f"{column.title} {column.symbol}".strip()
    return f"{title} / {pretty}" if pretty else title


# -- the student's own results ---------------------------------------------------------------------


def _answers(d: Definition, stated: bool) -> tuple[Answer, ...]:
    """What students work out themselves: what leads to each result, and its uncertainty."""
    if stated:
        return tuple(_answer(d, answer) for answer in d.answers)
    results = [q for r in d.results for q in d.quantities if q.id == r.quantity]
    chosen = {q.id for result in results for q in leading_to(d, result)}
    made = [_answer(d, Answer(q.id)) for q in d.quantities if q.id in chosen]
    first = results[0] if results else None
    if first is not None:
        title = said(phrase("own-uncertainty", symbol=first.symbol))
        made.append(Answer(f"u_{first.id}", title, _unit_of(d, first), decimals=_shown(first)))
    return tuple(made)


def leading_to(d: Definition, result: Quantity) -> list[Quantity]:
    """Quantities that a formula needs, in their order, the result itself at the end."""
    below = {q.id: set(re.findall(r"[A-Za-z_]\w*", q.formula)) for q in d.quantities}
    needed, new = {result.id}, {result.id}
    while new:
        new = {name for key in new for name in below[key] if name in below} - needed
        needed |= new
    return [q for q in d.quantities if q.id in needed]


def _answer(d: Definition, answer: Answer) -> Answer:
    same = next((q for q in d.quantities if q.id == (answer.quantity or answer.id)), None)
    made: dict[str, Any] = {}
    if same is not None:
        title = f"{same.title} {same.symbol}" if same.symbol != same.title else same.title
        made = {"title": title, "unit": _unit_of(d, same), "quantity": same.id}
    elif (instrument := _owner(d, answer.quantity)) is not None:
        made = {"unit": instrument.unit}
    named = replace(answer, **{key: v for key, v in made.items() if not getattr(answer, key)})
    return replace(named, title=named.title or answer.id.replace("_", " "), unit=named.unit or "1")


def _unit_of(d: Definition, quantity: Quantity) -> str:
    stated = next((r.display_unit for r in d.results if r.quantity == quantity.id), "")
    return stated or quantity.unit


def _owner(d: Definition, name: str) -> Instrument | None:
    return next((one for one in d.instruments if one.id == name.partition(".")[0]), None)


def _shown(quantity: Quantity) -> int:
    return 3 if quantity.decimals is None else quantity.decimals


# -- live checks -----------------------------------------------------------------------------------


def _live_checks(d: Definition, table: Table) -> tuple[Check, ...]:
    """Questions in a table whose definition asks none: forecasts of lines, spread of repeats."""
    made = []
    for line in d.lines:
        x_table, _, x = line.x.partition(".")
        y = tuple(name.partition(".")[2] for name in line.y)
        there = [c.id for c in table.columns]
        if x_table == table.id and {x, *y} <= set(there):
            made.append(_forecast(d, table, x, y))
    for column in table.columns:
        limit = _divisions(d, table, column, REPEATS)
        if column.repeats > 1 and limit:
            good = f"row_range({column.id}) <= {limit}"
            made.append(_question("live-repeats-apart", good, at=column.id))
    codes = [check.code for check in made]
    return tuple(check for k, check in enumerate(made) if check.code not in codes[:k])


def _forecast(d: Definition, table: Table, x: str, y: Sequence[str]) -> Check:
    """Where a reading should lie by the rows above it.

    Without an invented bench nobody knows how readings scatter: then a third of the last step.
    """
    column = _column(d, f"{table.id}.{y[0]}")
    limit = (column and _divisions(d, table, column, FORECAST)) or "abs(it - previous(it)) / 3"
    good = f"abs(it - line_before(it, {x})) <= {limit}"
    return _question("live-off-the-line", good, each=tuple(y))


def _question(message: str, condition: str, **where: Any) -> Check:
    code = message.removeprefix("live-")
    sentence = words(message)
    return Check(
        code,
        condition,
        sentence["found"],
        expected=sentence["expected"],
        live_only=True,
        **where,
    )


def _divisions(d: Definition, table: Table, column: Column, least: float) -> str:
    """A limit for readings of a column, in divisions of its scale; empty if that is not known."""
    name = f"{table.id}.{column.id}"
    owner = _owner(d, column.instrument) if column.instrument else None
    readings = d.bench.readings if d.bench else ()
    invented = next((one for one in readings if one.column == name), None)
    division = owner and (owner.least_count or _least_count(d, owner))
    if invented is None or owner is None or not division or column.formula:
        return ""
    spread = math.hypot(invented.noise, invented.place_noise) / division
    return f"{max(least, math.ceil(8.0 * spread) + 0.5):g} * {owner.id}.least_count"
