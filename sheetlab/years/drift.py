"""What the years say of an apparatus: series of results, charted, with signals in words. Pure."""

from __future__ import annotations

import sys
from array import array
from collections.abc import Container, Iterable, Iterator, Sequence

from msgspec import DecodeError, Struct, field
from msgspec.json import decode
from msgspec.structs import replace

from sheetlab.finding import Severity, SheetlabError, finding, many
from sheetlab.messages import phrase, said
from sheetlab.metrology.control import (
    LEAST,
    LEAST_YEAR,
    Chart,
    Rule,
    Shift,
    Signal,
    baseline,
    chart,
    shift,
)
from sheetlab.metrology.statement import beside, significant
from sheetlab.units import UnitError, unit
from sheetlab.years.ledger import FINDING, WIRE, Row

BASELINE = 12
"""Values that set the limits if nothing else is said."""
OF_THE_APPARATUS = frozenset(("zero-drifted", "check-overdue"))
"""Findings that a drift causes; they say nothing against the group."""
ROUNDING = 12.0**-0.5
"""Standard deviation of a rounding to divisions, in divisions (JCGM 100:2008, 4.3.7)."""

RULES: dict[Rule, str] = {
    "beyond-limits": "single values beyond the limits (3 standard deviations)",
    "ewma-beyond-limits": "the moving average (EWMA) beyond its limits",
    "year-off-baseline": "the mean of a year apart from that of the values that set the limits "
    "(Welch’s t-test)",
    "eight-on-one-side": "eight or more in a row on one side of the centre",
}
HINTS: frozenset[Rule] = frozenset(("eight-on-one-side",))
KINDS = {
    "zero": "zero error",
    "quantity": "quantity",
    "result": "result",
    "scatter": "scatter about the line",
}
"""Kinds of series, in the order in which a cause comes before its effects."""
ADVICE = {
    "zero": "drift-zero", "quantity": "drift-quantity", "result": "drift-result",
    "scatter": "drift-scatter",
}  # fmt: skip
"""What to do, by kind: a phrase of the catalogue."""


class Origin(Struct, frozen=True, gc=False):
    """What is known of the row of a value: one for all of its values, for there may be many."""

    row: int
    year: int
    code: str
    status: str
    suspect: bool
    """Whether its workbook has doubtful findings of which no drift is the cause."""


class Series(Struct, frozen=True):
    """One quantity of one apparatus over the years."""

    practical: str
    where: str
    """Set-up, or instrument of the register."""
    kind: str
    id: str
    title: str
    unit: str
    """For print."""
    origins: tuple[Origin, ...]
    """Of its values, in time order."""
    values: array[float]
    """In the unit."""
    missing: int
    """Rows of this apparatus that do not have the quantity."""
    floor: float
    """Standard deviation of the rounding of a reading, in the unit; 0 if it is not known."""

    @property
    def name(self) -> str:
        """Title for a chart or a line of text."""
        return f"{self.where}, {self.title}"


class Drift(Struct, frozen=True):
    """A series with its chart, or why there is none."""

    series: Series
    chart: Chart | None
    why_not: str = ""
    base: frozenset[int] = frozenset()
    """Positions of the values that set the limits."""
    years: tuple[tuple[int, Shift], ...] = ()
    """Every year that is compared with those values, in time order."""

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Signals and hints; none without a chart."""
        return () if self.chart is None else self.chart.signals

    @property
    def alarm(self) -> bool:
        """Whether something is beyond limits; a run on one side alone is only a hint."""
        return any(signal.rule not in HINTS for signal in self.signals)

    @property
    def advice(self) -> str:
        """What to do; empty without a signal."""
        if not self.signals:
            return ""
        return said(phrase(ADVICE[self.series.kind] if self.alarm else "drift-hint"))


def drifts(
    rows: Iterable[Row], count: int = BASELINE, years: tuple[int, int] | None = None
) -> list[Drift]:
    """Chart everything that the rows have, the signalled series first.

    Only the last revision of a result counts. Values are found by the id of the quantity,
    whichever version of the definition evaluated them; where a version did not have it, it is
    missing.

    Parameters
    ----------
    count
        The first so many values without doubtful findings set the limits.
    years
        If given, those of these years (first and last) do instead.

    Raises
    ------
    SheetlabError
        If there is no row of these years.
    """
    every = list(series_of(rows))
    there = sorted({origin.year for series in every for origin in series.origins})
    if years is not None and not any(years[0] <= year <= years[1] for year in there):
        first, last = map(str, years)
        asked = first if first == last else phrase("years-span", first=first, last=last)
        have = tuple(map(str, there)) or phrase("years-none")
        raise SheetlabError(finding("no-such-years", Severity.STOP, asked=asked, years=have))
    charted = [_charted(series, count, years) for series in every]
    return sorted(charted, key=lambda drift: (not drift.alarm, not drift.signals))


# -- rows to series -------------------------------------------------------------------------------


class _Values(Struct):
    """Values of one quantity at one place, in the order of adding and in the coherent unit."""

    title: str = ""
    shown: str = ""
    origins: list[Origin] = field(default_factory=list)
    values: array[float] = field(default_factory=lambda: array("d"))
    division: float = 0.0


def series_of(rows: Iterable[Row]) -> Iterator[Series]:
    """The series that rows in the order of adding have; of the rows themselves nothing is kept.

    A series is by year, and then in the order of adding.
    """
    groups: dict[tuple[str, str, str, str], _Values] = {}
    # rows with numbers beside them, by practical and set-up, and what later revisions replace
    books: dict[tuple[str, str], array[int]] = {}
    replaced = {0}
    source, graver = "", None
    for row in rows:
        codes = {n.id for n in row.numbers if n.kind == FINDING}
        # the findings of a workbook stand beside its first result, and the others follow it
        graver = codes or (graver if row.source == source else None)
        source = row.source
        # an earlier sheetlab did not keep the findings
        explained = graver is not None and graver <= OF_THE_APPARATUS
        suspect = row.status != "ok" and not explained
        origin = Origin(row.number, row.year, row.code, sys.intern(row.status), suspect)
        replaced.add(row.replaces)
        bench = f"set-up {row.setup}" if row.setup else "set-up not named"
        if row.numbers:
            books.setdefault((row.practical, bench), array("q")).append(row.number)
        for place, kind, id_, value, title, shown in _values_of(row, bench):
            group = groups.setdefault((row.practical, place, kind, id_), _Values())
            group.origins.append(origin)
            group.values.append(value)
            group.title, group.shown = title, shown
            if kind == "zero":
                divisions = (n.value for n in row.numbers if (n.kind, n.id) == ("division", id_))
                group.division = next(divisions, group.division)
    order = list(KINDS)
    for key in sorted(groups, key=lambda key: (*key[:2], order.index(key[2]))):
        there = sum(number not in replaced for number in books.get(key[:2], ()))
        yield from _series(key, groups[key], there, replaced)


def _series(
    key: tuple[str, str, str, str], group: _Values, there: int, replaced: Container[int]
) -> Iterator[Series]:
    """A series, if later revisions leave any of its values; ``there``: rows of its apparatus."""
    try:
        shown = unit(group.shown)
    except UnitError:
        shown = unit("1")
    kept = [i for i, origin in enumerate(group.origins) if origin.row not in replaced]
    kept.sort(key=lambda i: (group.origins[i].year, group.origins[i].row))
    if kept:
        yield Series(
            *key, group.title, shown.pretty, tuple(group.origins[i] for i in kept),
            array("d", (shown.from_si(group.values[i]) for i in kept)),
            max(0, there - len(kept)), group.division / shown.factor * ROUNDING,
        )  # fmt: skip


def _values_of(row: Row, bench: str) -> Iterator[tuple[str, str, str, float, str, str]]:
    """Everything that a row has a value of: place, kind, id, value, title, unit for print."""
    if row.value is not None:
        yield bench, "result", row.result, row.value, row.title, row.shown
    try:
        ids = decode(row.instruments, type=dict[str, str])
    except DecodeError:
        ids = {}
    places = {
        # another wire at the same set-up has other dimensions
        "quantity": f"{bench}, wire {ids[WIRE]}" if ids.get(WIRE) else bench,
        "scatter": bench,
    }
    for n in row.numbers:
        place = places.get(n.kind)
        if n.kind == "zero":
            # one instrument may serve many set-ups
            place = f"instrument {ids[n.id]}" if ids.get(n.id) else bench
        if place is not None:
            small = n.title[:1].lower() + n.title[1:] if n.title[1:2].islower() else n.title
            title = {"quantity": n.title, "zero": f"{KINDS['zero']} of {small}"}.get(
                n.kind, f"{KINDS['scatter']}: {small}"
            )
            yield place, n.kind, n.id, n.value, title, n.shown


# -- series to charts -----------------------------------------------------------------------------


def _charted(series: Series, count: int, years: tuple[int, int] | None) -> Drift:
    origins, values = series.origins, series.values
    within = [i for i, o in enumerate(origins) if years is None or years[0] <= o.year <= years[1]]
    base = [i for i in within if origins[i].status == "ok"][: count if years is None else None]
    if len(base) < LEAST:
        passed = sum(origins[i].status != "ok" for i in within)
        why = f"{len(base)} of at least {LEAST} values that set limits"
        if passed:
            why += f", and {passed} with doubtful findings, which set none"
        return Drift(series, None, why)
    steady_values = [values[i] for i in base]
    try:
        steady = baseline(steady_values, series.floor)
    except ValueError as error:
        return Drift(series, None, str(error))
    made = chart(values, steady, doubtful={i for i, o in enumerate(origins) if o.suspect})
    signals, compared = list(made.signals), []
    for year, members in _years(origins, frozenset(base), made.slips):
        apart = shift(steady_values, [values[i] for i in members], series.floor)
        compared.append((year, apart))
        if apart.side:
            signals.append(Signal("year-off-baseline", members[0], members[-1], apart.side))
    made = replace(made, signals=tuple(sorted(signals, key=lambda s: (s.first, s.last))))
    if series.kind == "scatter":
        # nothing scatters less than not at all
        lowest = tuple(max(0.0, v) for v in made.average_lower)
        made = replace(made, lower=max(0.0, made.lower), average_lower=lowest)
    return Drift(series, made, "", frozenset(base), tuple(compared))


def _years(
    origins: Sequence[Origin], base: frozenset[int], slips: frozenset[int]
) -> Iterator[tuple[int, list[int]]]:
    """Years with enough values to be compared with the base, and the positions of these."""
    members: dict[int, list[int]] = {}
    for i, origin in enumerate(origins):
        # what was passed over for the base would be compared because it is doubtful
        passed = origin.status != "ok" and i < max(base)
        if i not in base and i not in slips and not passed:
            members.setdefault(origin.year, []).append(i)
    for year, positions in members.items():
        if len(positions) >= LEAST_YEAR:
            yield year, positions


# -- in words -------------------------------------------------------------------------------------


def signal_text(drift: Drift, signal: Signal) -> str:
    """What a signal says, in a sentence."""
    series, made = drift.series, drift.chart
    assert made is not None
    origins = series.origins[signal.first : signal.last + 1]
    centre = made.baseline.centre
    count = len(origins)
    if signal.rule == "year-off-baseline":
        year = dict(drift.years)[origins[0].year]
        count, apart = year.count, year.difference
    else:
        positions = range(signal.first, signal.last + 1)
        # a slip tells of itself only
        sound = [i for i in positions if i not in made.slips or signal.rule == "beyond-limits"]
        values = [made.values[i] for i in sound or positions]
        apart = sum(values) / len(values) - centre
    first, last = origins[0], origins[-1]
    span = f"row {first.row} ({first.year})"
    if len(origins) > 1:
        span = f"rows {first.row} ({first.year}) to {last.row} ({last.year}), {count} values"
    side = "above" if signal.side > 0 else "below"
    text = (
        f"{RULES[signal.rule]}: {span}, on average {_size(abs(apart), series)} {side} the centre "
        f"of {f'{beside(centre, made.baseline.sigma, 1)} {series.unit}'.strip()}."
    )
    doubtful = sum(origin.suspect for origin in origins)
    if doubtful:
        text += f" {said(phrase('drift-slips', count=doubtful))}"
    return text[0].upper() + text[1:]


def state_text(drift: Drift) -> str:
    """How a series stands, in a few words."""
    series = drift.series
    missing = f", missing in {series.missing}" if series.missing else ""
    values = f"{many(len(series.values), 'value')}{missing}"
    if drift.chart is None:
        return f"{values}: no chart yet ({drift.why_not})"
    if not drift.signals:
        return f"{values}: steady"
    hints = sum(signal.rule in HINTS for signal in drift.signals)
    counts = ((len(drift.signals) - hints, "signal"), (hints, "hint"))
    return f"{values}: {', '.join(many(count, what) for count, what in counts if count)}"


def sight_text(drift: Drift) -> str:
    """What would not be seen of a change, in a sentence; empty without a chart."""
    if drift.chart is None:
        return ""
    single = drift.chart.upper - drift.chart.baseline.centre
    parts = [f"one value off by less than {_size(single, drift.series)}"]
    if drift.years and drift.years[-1][1].least < single:
        year, last = drift.years[-1]
        least = _size(last.least, drift.series)
        parts.append(f"the mean of {year} ({last.count} values) off by less than {least}")
    return f"Not to be seen: {'; '.join(parts)}."


def few_text(found: Sequence[Drift]) -> str:
    """A sentence about limits that rest on few values, once for all series; empty if none do."""
    counts = [drift.chart.baseline.count for drift in found if drift.chart is not None]
    few = [count for count in counts if count < BASELINE]
    if not few:
        return ""
    span = f"{min(few)}" if min(few) == max(few) else f"{min(few)} to {max(few)}"
    which = "" if len(few) == len(counts) else f" of {len(few)} of these {len(counts)} series"
    return said(phrase("drift-few", span=span, which=which))


def _size(value: float, series: Series) -> str:
    return f"{significant(value, 2)} {series.unit}".strip()


def drift_lines(found: Sequence[Drift], brief: bool = False) -> Iterator[str]:
    """All series in lines for a terminal, the signalled first, with what to do.

    Parameters
    ----------
    brief
        Only count the series that have no signal, because a workbook shows them.
    """
    shown = [drift for drift in found if drift.signals or not brief]
    for drift in shown:
        yield f"{drift.series.practical}, {drift.series.name}: {state_text(drift)}"
        for signal in drift.signals:
            yield f"    - {signal_text(drift, signal)}"
        if drift.signals:
            yield f"    What to do: {drift.advice}"
        if not drift.alarm and drift.chart is not None:
            yield f"    {sight_text(drift)}"
    few = few_text(shown)
    if few:
        yield few
    signalled = sum(bool(drift.signals) for drift in found)
    waiting = sum(drift.chart is None for drift in found)
    yield (
        f"{len(found)} series: {signalled} with signals or hints, "
        f"{len(found) - signalled - waiting} steady, {waiting} without a chart yet"
        + (f" (a chart needs {LEAST} values or more that set limits)" if waiting else "")
    )
