"""What the years say of an apparatus: series of results, charted, with signals in words. Pure."""

from __future__ import annotations

import json
from array import array
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct, field
from msgspec.structs import replace

from sheetlab.finding import Finding, Severity, SheetlabError
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
from sheetlab.years.ledger import FINDING, WIRE, Entry, Row

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
ONLY_A_HINT = (
    "A hint, no more: nothing is beyond its limits, and in one steady series of six a run comes by "
    "chance. Look at the chart after the next class."
)
# the documents are named from memory
RULE_SOURCES = (
    "Sources: limits of single values with moving range, ISO 7870-2; EWMA, ISO "
    "7870-6 and Roberts 1959; means of a year and of the values that set the limits, Welch 1947; "
    "eight on one side, Western Electric handbook 1956. The limits are widened by Student’s t "
    "while few values set them, so that such a chart sees little of single values; the mean of a "
    f"year ({LEAST_YEAR} values or more) is seen sooner. Of steady years less than one in 250 "
    "is told as apart, and of steady series of 36 values about one in 25 shows a signal of any "
    "rule all the same, and one in six a hint (a run on one side): a signal is a reason to look, "
    "not a proof. In the moving average a value beyond the limits of single values counts only as "
    "that limit, and not at all if its workbook has doubtful findings: one slip does not bend it "
    "for years. Three in a row beyond the same limit are no slips: from the third on they count in "
    "full. Findings that a drift itself causes (a zero error that is not that of the register) are "
    "not counted among the doubtful ones here."
)
KINDS = {
    "zero": "zero error",
    "quantity": "quantity",
    "result": "result",
    "scatter": "scatter about the line",
}
"""Kinds of series, in the order in which a cause comes before its effects."""
ADVICE = {
    "zero": "Take the instrument and look: wipe the measuring faces, close it with the ratchet, "
    "read its zero five times yourself. If the zero has moved, have it set, or take the "
    "instrument out of use. Results stay right as long as every group subtracts the zero error it "
    "has read; where a group forgot it, they are off by just this much.",
    "quantity": "If this is a property of the apparatus that should not change, measure it "
    "yourself with another instrument. If your value is the old one, look at the instrument (its "
    "zero chart first); if it is the new one, the part has changed: replace it, and write the new "
    "value into your register.",
    "result": "Look first at the charts of zero errors and dimensions of the same set-up: a moved "
    "instrument shows there too. If they are steady, repeat the practical yourself at this set-up, "
    "and at another one, before the next class.",
    "scatter": "More scatter: look for a loose clamp, play in the screw, a bubble or pointer that "
    "sticks, a table that shakes. Less scatter than ever: ask whether readings were invented or "
    "taken over from others.",
}


class Point(Struct, frozen=True):
    """A value in time order, in the unit of its series."""

    row: int
    year: int
    code: str
    value: float
    status: str
    suspect: bool
    """Whether its workbook has doubtful findings of which no drift is the cause."""


class _Rows(Struct):
    """What charts need of every row, in the order of adding: lists, for there may be very many."""

    numbers: array[int] = field(default_factory=lambda: array("q"))
    years: array[int] = field(default_factory=lambda: array("i"))
    codes: list[str] = field(default_factory=list)
    states: list[str] = field(default_factory=list)
    suspect: bytearray = field(default_factory=bytearray)
    replaced: set[int] = field(default_factory=set)
    """Numbers of rows that a later revision replaces."""

    def point(self, at: int, value: float) -> Point:
        return Point(
            self.numbers[at], self.years[at], self.codes[at], value, self.states[at],
            bool(self.suspect[at]),
        )  # fmt: skip

    def counts(self, at: int) -> bool:
        """Whether no later revision replaces a row."""
        return self.numbers[at] not in self.replaced


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
    rows: _Rows
    at: array[int]
    """Positions of its values among the rows, in time order."""
    values: array[float]
    """In the unit."""
    missing: int
    """Rows of this apparatus that do not have the quantity."""
    floor: float
    """Standard deviation of the rounding of a reading, in the unit; 0 if it is not known."""

    @property
    def points(self) -> tuple[Point, ...]:
        """The values with what is known of them, made anew each time."""
        return tuple(map(self.rows.point, self.at, self.values))

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
    """Positions of the points that set the limits."""
    years: tuple[tuple[int, Shift], ...] = ()
    """Every year that is compared with those points, in time order."""

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
        return ADVICE[self.series.kind] if self.alarm else ONLY_A_HINT


class _Gathered(Struct):
    title: str = ""
    shown: str = ""
    at: array[int] = field(default_factory=lambda: array("l"))
    values: array[float] = field(default_factory=lambda: array("d"))
    division: float = 0.0


_Key = tuple[str, str, str, str]
"""Practical, place, kind and id of a series."""


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
    gathered = _gather(rows)
    there = sorted(set(gathered.rows.years))
    if years is not None and not any(years[0] <= year <= years[1] for year in there):
        raise SheetlabError(_no_such_years(years, there))
    found = [_charted(one, count, years) for one in _all_series(gathered)]
    return sorted(found, key=lambda d: (not d.alarm, not d.signals))


def series_of(rows: Iterable[Row]) -> Iterator[Series]:
    """The series that the rows have, by year and then in the order of adding."""
    return _all_series(_gather(rows))


class _All(Struct):
    """Everything that was gathered from the rows, each of which was seen once."""

    rows: _Rows = field(default_factory=_Rows)
    series: dict[_Key, _Gathered] = field(default_factory=dict)
    benches: list[tuple[str, str] | None] = field(default_factory=list)
    """Practical and set-up of each row with numbers."""


def _gather(rows: Iterable[Row]) -> _All:
    """Take in rows in the order of adding; of the rows themselves nothing is kept."""
    found, kept = _All(), _Rows()
    found.rows = kept
    source, graver = "", None
    for at, row in enumerate(rows):
        entry = row.entry
        codes = {n.id for n in entry.numbers if n.kind == FINDING}
        # the findings of a workbook stand beside its first result, and the others follow it
        graver = codes or (graver if entry.source == source else None)
        source = entry.source
        kept.numbers.append(row.number)
        kept.years.append(entry.year)
        kept.codes.append(row.code)
        kept.states.append(entry.status)
        # an earlier sheetlab did not keep the findings
        explained = graver is not None and graver <= OF_THE_APPARATUS
        kept.suspect.append(entry.status != "ok" and not explained)
        if row.replaces:
            kept.replaced.add(row.replaces)
        bench = f"set-up {entry.setup}" if entry.setup else "set-up not named"
        found.benches.append((entry.practical, bench) if entry.numbers else None)
        _put_values(found.series, entry, bench, at)
    return found


def _put_values(series: dict[_Key, _Gathered], entry: Entry, bench: str, at: int) -> None:
    """Everything that a row has a value of."""

    def put(where: str, kind: str, id_: str, value: float, title: str, shown: str) -> _Gathered:
        group = series.setdefault((entry.practical, where, kind, id_), _Gathered())
        group.at.append(at)
        group.values.append(value)
        group.title, group.shown = title, shown
        return group

    if entry.value is not None:
        put(bench, "result", entry.result, entry.value, entry.title, entry.shown)
    names = _names(entry.instruments)
    divisions = {n.id: n.value for n in entry.numbers if n.kind == "division"}
    for n in entry.numbers:
        if n.kind == "zero":
            # one instrument may serve many set-ups
            where = f"instrument {names[n.id]}" if names.get(n.id) else bench
            title = f"{KINDS[n.kind]} of {_small(n.title)}"
            group = put(where, n.kind, n.id, n.value, title, n.shown)
            group.division = divisions.get(n.id, group.division)
        elif n.kind == "quantity":
            # another wire at the same set-up has other dimensions
            where = f"{bench}, wire {names[WIRE]}" if names.get(WIRE) else bench
            put(where, n.kind, n.id, n.value, n.title, n.shown)
        elif n.kind == "scatter":
            put(bench, n.kind, n.id, n.value, f"{KINDS[n.kind]}: {_small(n.title)}", n.shown)


def _all_series(found: _All) -> Iterator[Series]:
    rows, order = found.rows, list(KINDS)
    members = Counter(bench for at, bench in enumerate(found.benches) if bench and rows.counts(at))
    for key, group in sorted(
        found.series.items(), key=lambda item: (item[0][0], item[0][1], order.index(item[0][2]))
    ):
        series = _series(key, group, members[key[0], key[1]], rows)
        if series.at:
            yield series


def _names(text: str) -> dict[str, str]:
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return {str(k): str(v) for k, v in found.items()} if isinstance(found, dict) else {}


def _small(title: str) -> str:
    # a name in capitals stays as it is
    return title[:1].lower() + title[1:] if title[1:2].islower() else title


def _series(key: _Key, group: _Gathered, members: int, rows: _Rows) -> Series:
    try:
        shown = unit(group.shown)
    except UnitError:
        shown = unit("1")
    kept = [i for i, at in enumerate(group.at) if rows.counts(at)]
    kept.sort(key=lambda i: (rows.years[group.at[i]], rows.numbers[group.at[i]]))
    values = array("d", (shown.from_si(group.values[i]) for i in kept))
    floor = group.division / shown.factor * ROUNDING
    return Series(
        *key, group.title, shown.pretty, rows, array("l", (group.at[i] for i in kept)), values,
        max(0, members - len(kept)), floor,
    )  # fmt: skip


def _charted(one: Series, count: int, years: tuple[int, int] | None) -> Drift:
    points = one.points
    within = [i for i, p in enumerate(points) if years is None or years[0] <= p.year <= years[1]]
    base = [i for i in within if points[i].status == "ok"]
    if years is None:
        base = base[:count]
    if len(base) < LEAST:
        passed = len(within) - len(base)
        why = f"{len(base)} of at least {LEAST} values that set limits"
        if passed:
            why += f", and {passed} with doubtful findings, which set none"
        return Drift(one, None, why)
    values = one.values
    try:
        steady = baseline([values[i] for i in base], one.floor)
    except ValueError as error:
        return Drift(one, None, str(error))
    its = chart(values, steady, doubtful={i for i, p in enumerate(points) if p.suspect})
    told = list(its.signals)
    compared = []
    for year, members in _years(points, frozenset(base), its):
        found = shift([values[i] for i in base], [values[i] for i in members], one.floor)
        compared.append((year, found))
        if found.side:
            told.append(Signal("year-off-baseline", members[0], members[-1], found.side))
    its = replace(its, signals=tuple(sorted(told, key=lambda s: (s.first, s.last))))
    if one.kind == "scatter":
        # nothing scatters less than not at all
        lowest = tuple(max(0.0, v) for v in its.average_lower)
        its = replace(its, lower=max(0.0, its.lower), average_lower=lowest)
    return Drift(one, its, "", frozenset(base), tuple(compared))


def _no_such_years(years: tuple[int, int], there: Sequence[int]) -> Finding:
    asked = str(years[0]) if years[0] == years[1] else f"{years[0]} to {years[1]}"
    have = ", ".join(map(str, there)) or "no year at all"
    return Finding(
        "no-such-years", Severity.STOP, f"there is no row of {asked}; the archive has {have}",
        "years that are in the archive", "Give one of them, or two, with --baseline-years.",
    )  # fmt: skip


def _years(
    points: Sequence[Point], base: frozenset[int], its: Chart
) -> Iterator[tuple[int, list[int]]]:
    """Years with enough values to be compared with the base, and the positions of these."""
    members: dict[int, list[int]] = {}
    for i, p in enumerate(points):
        # what was passed over for the base would be compared because it is doubtful
        passed = p.status != "ok" and i < max(base)
        if i not in base and i not in its.slips and not passed:
            members.setdefault(p.year, []).append(i)
    for year, positions in members.items():
        if len(positions) >= LEAST_YEAR:
            yield year, positions


def signal_text(found: Drift, signal: Signal) -> str:
    """What a signal says, in a sentence."""
    series, its = found.series, found.chart
    assert its is not None
    points = series.points
    first, last = points[signal.first], points[signal.last]
    side = "above" if signal.side > 0 else "below"
    many = signal.last - signal.first + 1
    off = significant(abs(_apart(found, signal)), 2)
    centre = beside(its.baseline.centre, its.baseline.sigma, 1)
    span = f"row {first.row} ({first.year})"
    if many > 1:
        count = many
        if signal.rule == "year-off-baseline":
            count = _of_year(found, signal).count
        span = f"rows {first.row} ({first.year}) to {last.row} ({last.year}), {count} values"
    doubtful = sum(p.suspect for p in points[signal.first : signal.last + 1])
    text = (
        f"{RULES[signal.rule]}: {span}, on average {_with(off, series.unit)} {side} the centre "
        f"of {_with(centre, series.unit)}."
    )
    if doubtful:
        text += (
            f" {doubtful} of these workbooks had doubtful findings: look at them first, it may be "
            "a slip of the group."
        )
    return text[0].upper() + text[1:]


def _apart(found: Drift, signal: Signal) -> float:
    """Mean distance of the values of a signal from the centre."""
    its = found.chart
    assert its is not None
    centre = its.baseline.centre
    if signal.rule == "year-off-baseline":
        return _of_year(found, signal).difference
    positions = range(signal.first, signal.last + 1)
    values = [its.values[i] for i in positions if i not in its.slips]
    if signal.rule == "beyond-limits" or not values:
        values = [its.values[i] for i in positions]
    return sum(values) / len(values) - centre


def _of_year(found: Drift, signal: Signal) -> Shift:
    series = found.series
    year = series.rows.years[series.at[signal.first]]
    return next(one for its, one in found.years if its == year)


def _with(number: str, its: str) -> str:
    return f"{number} {its}".strip()


def state_text(one: Drift) -> str:
    """How a series stands, in a few words."""
    count = len(one.series.at)
    missing = f", missing in {one.series.missing}" if one.series.missing else ""
    values = f"{count} value{'' if count == 1 else 's'}"
    if one.chart is None:
        return f"{values}{missing}: no chart yet ({one.why_not})"
    if not one.signals:
        return f"{values}{missing}: steady"
    hints = sum(signal.rule in HINTS for signal in one.signals)
    parts = [
        f"{many} {what}{'s' if many > 1 else ''}"
        for many, what in ((len(one.signals) - hints, "signal"), (hints, "hint"))
        if many
    ]
    return f"{values}{missing}: {', '.join(parts)}"


def sight_text(one: Drift) -> str:
    """What would not be seen of a change, in a sentence; empty without a chart."""
    its = one.chart
    if its is None:
        return ""
    single = its.upper - its.baseline.centre
    parts = [f"one value off by less than {_size(single, one)}"]
    if one.years and one.years[-1][1].least < single:
        year, last = one.years[-1]
        least = _size(last.least, one)
        parts.append(f"the mean of {year} ({last.count} values) off by less than {least}")
    return f"Not to be seen: {'; '.join(parts)}."


def few_text(found: Sequence[Drift]) -> str:
    """A sentence about limits that rest on few values, once for all series; empty if none do."""
    counts = [one.chart.baseline.count for one in found if one.chart is not None]
    few = [count for count in counts if count < BASELINE]
    if not few:
        return ""
    span = f"{min(few)}" if min(few) == max(few) else f"{min(few)} to {max(few)}"
    which = "" if len(few) == len(counts) else f" of {len(few)} of these {len(counts)} series"
    return (
        f"Only {span} values set the limits{which}, so these are wide; more values (--baseline, "
        "--baseline-years) narrow them."
    )


def _size(value: float, one: Drift) -> str:
    return _with(significant(value, 2), one.series.unit)


def drift_lines(found: Sequence[Drift], brief: bool = False) -> Iterator[str]:
    """All series in lines for a terminal, the signalled first, with what to do.

    Parameters
    ----------
    brief
        Only count the series that have no signal, because a workbook shows them.
    """
    for one in found:
        if brief and not one.signals:
            continue
        yield f"{one.series.practical}, {one.series.name}: {state_text(one)}"
        for signal in one.signals:
            yield f"    - {signal_text(one, signal)}"
        if one.signals:
            yield f"    What to do: {one.advice}"
        if not one.alarm and one.chart is not None:
            yield f"    {sight_text(one)}"
    few = few_text([one for one in found if one.signals or not brief])
    if few:
        yield few
    many = sum(bool(one.signals) for one in found)
    waiting = sum(one.chart is None for one in found)
    quiet = len(found) - many - waiting
    yield (
        f"{len(found)} series: {many} with signals or hints, {quiet} steady, "
        f"{waiting} without a chart yet"
        + (f" (a chart needs {LEAST} values or more that set limits)" if waiting else "")
    )
