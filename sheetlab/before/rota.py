"""The rota: which group sits at which set-up in which week, for which practical."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding
from sheetlab.handling.roster import Group, file_part
from sheetlab.handling.tables import MAX_PROBLEMS, ListColumn, read_first, write_csv
from sheetlab.messages import Phrase
from sheetlab.practical.register import same_id

COLUMNS = (
    ListColumn("group", letters=200),
    ListColumn("week", kind="number"),
    ListColumn("setup", letters=200),
    ListColumn("practical", letters=200),
)
MOST_WEEK = 1000
MAX_WEEKS, MAX_SETUPS, MAX_PRACTICALS = 60, 500, 40


class Sitting(Struct, frozen=True):
    """One group at one set-up in one week."""

    group: str
    week: int
    setup: str
    practical: str


# -- making one ------------------------------------------------------------------------------------


def make_rota(
    groups: Sequence[str], setups: Sequence[int], weeks: int, practicals: Sequence[str]
) -> tuple[Sitting, ...]:
    """A rota in which every group does every practical once, one a week, and no set-up is shared.

    Parameters
    ----------
    setups
        One number: so many places, at each of which any practical can be set up. As many numbers
        as practicals: so many set-ups of each.

    Raises
    ------
    SheetlabError
        If there is no such rota, with the reason.

    Notes
    -----
    Set-ups of their own make it an edge colouring of the bipartite graph of groups and set-ups
    with the weeks as colours, which exists exactly if no group and no set-up has more sittings
    than there are weeks (König 1916); it is found by exchanging colours along alternating paths.
    """
    problem = _impossible(len(groups), setups, weeks, practicals)
    if problem is not None:
        raise SheetlabError(problem)
    if len(setups) == len(practicals) and len(setups) > 1:
        found = _own_setups(groups, setups, weeks, practicals)
    else:
        found = _any_place(groups, weeks, practicals)
    return tuple(sorted(found, key=lambda one: (one.week, groups.index(one.group))))


def _impossible(
    groups: int, setups: Sequence[int], weeks: int, practicals: Sequence[str]
) -> Finding | None:
    count, some = len(practicals), setups[0] if setups else 0
    said = {"groups": _counted("count-groups", groups), "weeks": _counted("count-weeks", weeks)}
    of_count = _counted("count-practicals", count)
    if not (1 <= weeks <= MAX_WEEKS and 1 <= count <= MAX_PRACTICALS and groups):
        return finding(
            "no-such-rota_numbers", Severity.STOP, practicals=of_count, most_weeks=MAX_WEEKS,
            most_practicals=MAX_PRACTICALS, **said,
        )  # fmt: skip
    if len(set(practicals)) < count or not all(practicals):
        return finding("no-such-rota_names", Severity.STOP)
    if len(setups) not in (1, count) or not all(1 <= n <= MAX_SETUPS for n in setups):
        typed = ", ".join(map(str, setups))
        return finding(
            "no-such-rota_set-ups", Severity.STOP, setups=typed, most=MAX_SETUPS, count=count
        )
    if count > weeks:
        return finding(
            "no-such-rota_weeks", Severity.STOP, practicals=of_count, weeks=said["weeks"],
            least=count,
        )  # fmt: skip
    if len(setups) == 1 and groups * count > some * weeks:
        return finding(
            "no-such-rota_places", Severity.STOP, practicals=of_count, sittings=groups * count,
            **said, **_lacking(groups * count, some, weeks),
        )  # fmt: skip
    for name, number in zip(practicals, setups, strict=True) if len(setups) > 1 else ():
        if groups > number * weeks:
            return finding(
                "no-such-rota_own-places", Severity.STOP, practical=name, **said,
                **_lacking(groups, number, weeks),
            )  # fmt: skip
    return None


def _lacking(sittings: int, setups: int, weeks: int) -> dict[str, Any]:
    """How many set-ups and places there are, and how many would do."""
    return {
        "setups": _counted("count-set-ups", setups),
        "places": setups * weeks,
        "more_setups": _counted("count-set-ups", -(-sittings // weeks)),
        "more_weeks": _counted("count-weeks", -(-sittings // setups)),
    }


def _counted(message: str, count: int) -> Phrase:
    return Phrase(message, (("count", count),))


def _any_place(groups: Sequence[str], weeks: int, practicals: Sequence[str]) -> Iterator[Sitting]:
    # sittings go round the weeks in turn: a group's are in different weeks, and weeks equally full
    many = len(practicals)
    used: Counter[int] = Counter()
    for g, group in enumerate(groups):
        for k, week in enumerate(sorted((g * many + k) % weeks for k in range(many))):
            used[week] += 1
            yield Sitting(group, week + 1, str(used[week]), practicals[(g + k) % many])


def _own_setups(
    groups: Sequence[str], setups: Sequence[int], weeks: int, practicals: Sequence[str]
) -> Iterator[Sitting]:
    table: dict[tuple[str, int], dict[int, tuple[str, int]]] = {}
    first = 0
    owner: dict[int, str] = {}
    for name, number in zip(practicals, setups, strict=True):
        owner |= {first + i: name for i in range(number)}
        for g in range(len(groups)):
            _coloured(table, ("group", g), ("setup", first + g % number), weeks)
        first += number
    for g, group in enumerate(groups):
        for week, (_, s) in sorted(table[("group", g)].items()):
            yield Sitting(group, week + 1, str(s + 1), owner[s])


def _coloured(
    table: dict[tuple[str, int], dict[int, tuple[str, int]]],
    one: tuple[str, int],
    other: tuple[str, int],
    weeks: int,
) -> None:
    """Add an edge with a colour that is free at both ends, after making one free if need be."""
    here, there = table.setdefault(one, {}), table.setdefault(other, {})
    a = next(week for week in range(weeks) if week not in here)
    b = next(week for week in range(weeks) if week not in there)
    node, colour, path = other, a, []
    while colour in table[node]:
        path.append((node, table[node][colour], colour))
        node, colour = table[node][colour], (b if colour == a else a)
    for left, right, colour in path:
        del table[left][colour], table[right][colour]
    for left, right, colour in path:
        swapped = b if colour == a else a
        table[left][swapped], table[right][swapped] = right, left
    here[a], there[a] = other, one


def rota_text(rota: Sequence[Sitting]) -> str:
    """A rota as the text of a CSV file."""
    rows = ((s.group, s.week, s.setup, s.practical) for s in rota)
    return write_csv([column.title for column in COLUMNS], rows)


# -- using one -------------------------------------------------------------------------------------


def read_rota(path: Path) -> tuple[Sitting, ...]:
    """Sittings of a list with the columns group, week, setup, practical.

    Raises
    ------
    SheetlabError
        If the file cannot be read, or with a finding for every cell that is wrong, and every
        set-up and group that is booked twice in a week.
    """
    sittings, problems = [], []
    for row in read_first(path, COLUMNS, "rota-refused"):
        empty = [column.title for column in COLUMNS if column.key not in row.values]
        week = row.number("week") or 0.0
        if empty:
            message = "rota-refused_empty-cell"
            problems.append(_refused(message, row.place, heading=empty[0], row=row.line))
        elif not (week == round(week) and week <= MOST_WEEK):
            message = "rota-refused_week"
            problems.append(_refused(message, row.place, week=f"{week:g}", row=row.line))
        else:
            texts = {name: row.text(name) for name in ("group", "setup", "practical")}
            sittings.append(Sitting(week=int(week), **texts))
    problems += _clashes(path, sittings)
    if not sittings and not problems:
        problems.append(_refused("rota-refused_none", Place(path.name)))
    if problems:
        raise SheetlabError(*problems[:MAX_PROBLEMS])
    return tuple(sittings)


def _clashes(path: Path, rota: Sequence[Sitting]) -> Iterator[Finding]:
    booked: dict[tuple[int, str], list[Sitting]] = {}
    busy: dict[tuple[int, str], list[Sitting]] = {}
    for sitting in rota:
        setup = same_id(sitting.setup) or sitting.setup
        booked.setdefault((sitting.week, setup), []).append(sitting)
        busy.setdefault((sitting.week, _key(sitting.group)), []).append(sitting)
    for (week, _), several in booked.items():
        if len(several) > 1:
            groups, setup = ", ".join(f"“{one.group}”" for one in several), several[0].setup
            place = Place(path.name)
            yield _refused("rota-refused_set-up", place, setup=setup, week=week, groups=groups)
    for (week, _), several in busy.items():
        if len(several) > 1:
            group, setups = several[0].group, ", ".join(one.setup for one in several)
            place = Place(path.name)
            yield _refused("rota-refused_group", place, group=group, week=week, setups=setups)


def _refused(message: str, place: Place, **values: Any) -> Finding:
    return finding(message, Severity.STOP, place, **values)


def sittings_of(
    rota: Sequence[Sitting], groups: Sequence[Group], week: int, practical: str, file: str
) -> tuple[list[tuple[str, Group]], list[Finding]]:
    """Practical and group for each workbook of a week, and what rota and roster do not agree on.

    Parameters
    ----------
    groups
        The roster; if it is empty, the groups are those of the rota.
    practical
        Only sittings of this one; empty: of all.
    """
    of_roster = {_key(group.name): group for group in groups}
    in_rota = {_key(sitting.group) for sitting in rota}
    place = Place(file)
    findings = [
        finding("rota-misses_no-row", Severity.DOUBTFUL, place, group=group.name)
        for key, group in of_roster.items()
        if key not in in_rota
    ]
    out = []
    for one in rota:
        if one.week != week or (practical and one.practical != practical):
            continue
        group = of_roster.get(_key(one.group)) if groups else Group(one.group)
        if group is None:
            message = "rota-misses_no-group"
            findings.append(finding(message, Severity.DOUBTFUL, place, group=one.group, week=week))
        else:
            out.append((one.practical, replace(group, setup=one.setup)))
    if not out:
        weeks = ", ".join(map(str, sorted({one.week for one in rota})))
        values: dict[str, Any] = {"week": week, "weeks": weeks}
        message = "rota-misses_week"
        if practical:
            message, values = "rota-misses_practical", {**values, "practical": practical}
        findings.append(finding(message, Severity.DOUBTFUL, place, **values))
    return out, findings


def _key(group: str) -> str:
    return file_part(group).casefold()
